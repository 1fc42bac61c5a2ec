from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import numpy as np
import pytest

torch = pytest.importorskip("torch")
mi = pytest.importorskip("mitsuba")

from pipeline.records import DETECTED_CUES, HISTORIES, SHOTS, SURFACES, ZONES  # noqa: E402  (mitsuba may be missing)
from synthetic_data import adverts  # noqa: E402
from synthetic_data.adverts import (  # noqa: E402
    LABELLED_CUES,
    AdvertPlan,
    AdvertSettings,
    SyntheticPhoto,
    advert_settings,
    is_meadow,
    make_advert,
    plan_advert,
)
from synthetic_data.camera import DevelopedPhoto  # noqa: E402
from synthetic_data.dataset import PhotoLabels, settle_cues  # noqa: E402
from synthetic_data.light import Environment  # noqa: E402
from synthetic_data.scene import expose  # noqa: E402
from synthetic_data.vehicle import build_vehicle, families  # noqa: E402
from tests.synthetic_data.samples import stage  # noqa: E402

pytestmark = pytest.mark.usefixtures("one_thread")
SETTINGS = advert_settings()
LEAST_PX = SETTINGS.visibility.least_px
TINY = SETTINGS.model_copy(update={"width_px": 160, "height_px": 120, "samples": 4})
OUTDOORS = ("exterior", "rear", "door_open", "underside", "engine_bay")


def test_settings_speak_the_words_of_the_contract() -> None:
    assert set(SETTINGS.histories) == set(HISTORIES)
    assert set(SETTINGS.shots) <= set(SHOTS) and set(LABELLED_CUES) <= set(DETECTED_CUES)
    assert set(SETTINGS.families) | set(SETTINGS.test_families) == set(families())
    vehicles = [
        build_vehicle(name, body, np.random.default_rng(1), ("left", "bonnet")) for name, body in families().items()
    ]
    assert {site.place for vehicle in vehicles for site in vehicle.sites} <= set(advert_settings().close_up_places)
    assert {*SETTINGS.shots} == {*SHOTS}  # every kind of view is made


# --- labels of the whole photo ----------------------------------------------------------------------------------------


def photo_with(width: int = 1024, height: int = 768, **cues: Any) -> DevelopedPhoto:
    plain = np.zeros((height, width), np.uint8)
    return DevelopedPhoto(np.full((height, width, 3), 128, np.uint8), plain, plain, plain, cues, 90, True, {})


def blot(pixels: int, *, thick: int = 1000, width: int = 1024, height: int = 768) -> Any:
    """A mask of so many pixels, at most `thick` of them high, away from the frame."""
    mask = np.zeros((height, width), bool)
    side = min(thick, math.isqrt(pixels))
    columns = pixels // side
    mask[64 : 64 + side, 64 : 64 + columns] = True
    mask[64 + side, 64 : 64 + pixels - side * columns] = True
    assert mask.sum() == pixels
    return mask


def label(photo: DevelopedPhoto, cue: str = "painted_fastener", **doubtful: Any) -> int | None:
    facts: dict[str, Any] = {
        "shot": "close_up",
        "place": "body_seam",
        "light": "clear",
        "distance": 0.4,
        "negatives": "",
        "visible": True,
    }
    value: int | None = adverts._labels(photo, doubtful, None, SETTINGS, **facts)[f"cue_{cue}"]
    return value


def test_what_can_be_seen_is_one_and_what_is_not_there_is_nought() -> None:
    assert label(photo_with(painted_fastener=blot(400))) == 1
    assert label(photo_with()) == 0
    assert label(photo_with(masking_edge=blot(400))) == 0
    assert label(photo_with(painted_fastener=np.zeros((768, 1024), bool))) == 0


@pytest.mark.parametrize("pixels", [4, LEAST_PX - 1])
def test_what_is_too_small_is_unknown(pixels: int) -> None:
    assert label(photo_with(painted_fastener=blot(pixels))) is None
    assert label(photo_with(painted_fastener=blot(3))) == 0  # a stray pixel or two is nothing


def test_what_is_only_a_thread_is_unknown() -> None:
    thread = blot(600, thick=2)
    assert label(photo_with(painted_fastener=thread)) is None


def test_what_is_faint_or_hidden_is_unknown() -> None:
    assert label(photo_with(), painted_fastener=blot(LEAST_PX)) is None
    assert label(photo_with(), painted_fastener=blot(LEAST_PX - 1)) == 0
    assert (
        label(photo_with(painted_fastener=blot(400)), painted_fastener=blot(400)) == 1
    )  # plain in one place, faint in another
    assert label(photo_with(), masking_edge=blot(400)) == 0


def test_limits_follow_the_size_of_the_photo() -> None:
    few = blot(49, width=512, height=384)  # 7 x 7 at half size is 14 x 14 at full
    assert label(photo_with(512, 384, painted_fastener=few)) == label(photo_with(painted_fastener=blot(196))) == 1
    half = blot(LEAST_PX // 4, width=512, height=384)
    assert label(photo_with(512, 384), painted_fastener=half) is None
    assert label(photo_with(), painted_fastener=blot(LEAST_PX // 4)) == 0


def test_cues_that_are_not_simulated_are_unknown() -> None:
    for cue in set(DETECTED_CUES) - set(LABELLED_CUES):
        assert label(photo_with(), cue) is None


# --- the plan: nothing is rendered ------------------------------------------------------------------------------


@lru_cache
def plan(index: int, family: str | None = None, history: str | None = None) -> AdvertPlan:
    return plan_advert(index, 11, TINY, family=family, history=history)


def test_a_plan_follows_from_its_number() -> None:
    first, again = plan_advert(3, 11, TINY), plan_advert(3, 11, TINY)
    assert (first.family, first.paint, first.shots, first.phone) == (
        again.family,
        again.paint,
        again.shots,
        again.phone,
    )
    assert TINY.photos[0] <= len(first.shots) <= TINY.photos[1] and set(first.shots) <= set(SHOTS)
    other = plan_advert(4, 11, TINY)
    assert first.paint != other.paint and first.phone != other.phone
    chosen = plan(3, "torrick", "local_repair")
    assert (chosen.family, chosen.paint.name) == ("torrick", "local_repair")


@pytest.mark.parametrize("shot", OUTDOORS)
@pytest.mark.parametrize("family", families())
def test_the_photographer_stands_on_the_ground_beside_the_vehicle(shot: str, family: str) -> None:
    vehicle = plan(1, family).models.closed
    rng = np.random.default_rng(5)
    for _ in range(60):
        origin, target = adverts._far_stand(shot, vehicle, TINY, 65.0, rng)
        assert 0.05 < origin[2] < 2.6
        slack = 0.1 if shot == "underside" else 0.0  # a phone held low may reach under a corner
        assert abs(origin[1]) > vehicle.width / 2 - slack or abs(origin[0]) > vehicle.length / 2 - slack
        away = np.linalg.norm(target - origin)
        assert 0.5 < away < 15
        assert np.abs(target[:2]).max() < vehicle.length / 2 + 0.5  # aims at the vehicle
        if shot == "rear":
            assert origin[0] < -vehicle.length / 2


# --- photos ------------------------------------------------------------------------------------------------------


@lru_cache
def made(variant: str, index: int = 2) -> tuple[SyntheticPhoto, ...]:
    shots = ("exterior", "close_up", "door_open", "engine_bay", "document", "identification_plate", "not_vehicle")
    advert = make_advert(index, 11, TINY, variant, family="pellock", history="colour_change_outside_only", shots=shots)
    return tuple(advert)


@pytest.mark.slow
def test_photos_carry_labels_that_a_set_takes(variant: str) -> None:
    photos = made(variant)
    assert len({one.stem for one in photos}) == len(photos) >= 5
    assert len({one.labels["vehicle"] for one in photos}) == 1
    for one in photos:
        labels = PhotoLabels.model_validate(one.labels)
        assert (labels.family, labels.history) == ("pellock", "colour_change_outside_only")
        assert labels.vehicle_visible == (labels.shot not in ("document", "not_vehicle"))
        height, width = one.photo.srgb.shape[:2]
        for values in (one.photo.surface, one.photo.zone, one.photo.side, *one.photo.cues.values()):
            assert values.shape == (height, width)
        assert one.photo.srgb.std() > 5  # neither black nor burnt out
        settle_cues(one.stem, labels.model_dump(), one.photo.cues)  # no label contradicts its mask
        vehicle = one.photo.zone > 0
        assert vehicle.any() == bool(labels.vehicle_visible)
    by_shot = {one.labels["shot"]: one for one in photos}
    assert (by_shot["exterior"].photo.surface == SURFACES.index("tyre")).any()
    assert (by_shot["door_open"].photo.zone == 1 + ZONES.index("door_shut")).any()
    bay = by_shot["engine_bay"].photo.zone
    assert all((bay == 1 + ZONES.index(zone)).any() for zone in ("under_bonnet_bracket", "wiring", "bulkhead"))
    assert by_shot["close_up"].labels["place"] in advert_settings().close_up_places


@pytest.mark.slow
def test_the_same_seed_gives_the_same_photos(variant: str) -> None:
    shots = ("exterior", "close_up", "document")
    first, again = (list(make_advert(5, 11, TINY, variant, shots=shots)) for _ in range(2))
    other = list(make_advert(6, 11, TINY, variant, shots=shots))
    assert [one.labels for one in first] == [one.labels for one in again]
    for one, two in zip(first, again, strict=True):
        assert one.stem == two.stem and one.photo.meta == two.photo.meta
        assert np.array_equal(one.photo.surface, two.photo.surface)
        assert np.abs(one.photo.srgb.astype(int) - two.photo.srgb).mean() < 0.05  # sums of floats in another order
    assert first[0].labels["vehicle"] != other[0].labels["vehicle"]


@pytest.mark.slow
def test_a_close_up_shows_what_it_was_taken_of(variant: str) -> None:
    advert = plan(2, "pellock", "colour_change_outside_only")
    painted, sight = advert.models.with_doors("left")
    shown = 0
    rng = np.random.default_rng(8)
    small = TINY.model_copy(update={"width_px": 64, "height_px": 48})
    for k in range(16):
        found = adverts._stand("close_up", painted, sight, small, advert.phone, rng)
        assert found is not None
        view, site = found
        assert site is not None and site.zone is not None
        assert view.origin[2] > 0.05
        exposure, *_ = expose(painted, view, stage(), variant=variant, samples=1, seed=k)
        shown += bool((exposure.zone == 1 + ZONES.index(site.zone)).any())
    assert shown >= 14


@pytest.mark.slow
def test_sight_is_blocked_by_the_body(variant: str) -> None:
    painted, sight = plan(2, "pellock", "colour_change_outside_only").models.with_doors()
    left = painted.vehicle.door_centre + np.array([0, 0.01, 0])
    around = np.array([[left[0], 4.0, 1.0], [left[0], -4.0, 1.0], [left[0], 0.0, 0.1]])
    assert sight.visible_share(around, left[None]).tolist() == [1.0, 0.0, 0.0]


def test_settings_refuse_unknown_keys() -> None:
    with pytest.raises(ValueError, match="colour_of_the_sky"):
        AdvertSettings.model_validate(SETTINGS.model_dump() | {"colour_of_the_sky": "blue"})


@pytest.mark.parametrize("sun_share", [0.0, 0.5, 0.9])
def test_a_meadow_is_told_from_soil_whatever_part_of_the_light_is_the_suns(sun_share: float) -> None:
    """Reflectances in red, green and blue of leaves and of brown soil, from memory of published spectra."""
    leaves, soil = np.array([0.06, 0.10, 0.01]), np.array([0.22, 0.16, 0.11])
    sky, sun = np.array([0.6, 0.9, 1.5]), np.array([1.2, 1.0, 0.7])  # blue and yellow
    on_ground = sky * (1 - sun_share) + sun * sun_share
    for albedo, is_grass in ((leaves, True), (soil, False)):
        image = np.empty((64, 128, 3), np.float32)
        image[:32] = sky * (1 - sun_share) / np.pi
        image[32:] = albedo * on_ground / np.pi
        made = Environment(
            "panorama", "made", image, (0.0, 0.0, 1.0), tuple(sun * sun_share), 1000.0, None, 1, np.full(128, 9.0)
        )
        np.testing.assert_allclose(made.on_ground, on_ground, rtol=0.01)
        assert is_meadow(made, SETTINGS.leaf_blue) == is_grass
