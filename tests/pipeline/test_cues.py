"""Boxes lie where the cue is, in the upright photo's pixels; a photo that cannot show a cue gives no score."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
import scipy.ndimage
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from pipeline.cues import cue_settings, find_cues, side_of
from pipeline.network import CueNetwork, Floats, Manifest, NetworkMaps
from pipeline.photos import judge_quality, read_photo
from pipeline.records import DETECTED_CUES, ZONES, Box, CueFinding, Photo, Quality
from tests.pipeline.conftest import CUE_COLOURS, CUE_SIDES, CUE_ZONES, made_photo
from tests.pipeline.test_photos import ORIENTATIONS, exif, stored

SOUND = Quality(sharpness=0.7, exposure=0, assessable=True)


@pytest.fixture(scope="session")
def network(tiny_network: Path) -> CueNetwork:
    return CueNetwork.load(tiny_network, threads=1)


def photo_of(srgb: npt.NDArray[np.uint8]) -> Photo:
    return Photo("advert", "photo.jpg", "0" * 64, "0" * 64, srgb)


def with_patch(
    cue: str, x: int, y: int, width: int, height: int, size: tuple[int, int] = (768, 1024)
) -> npt.NDArray[np.uint8]:
    srgb = made_photo(*size)
    srgb[y : y + height, x : x + width] = CUE_COLOURS[cue]
    return srgb


def seen(network: CueNetwork, srgb: npt.NDArray[np.uint8], quality: Quality = SOUND) -> dict[str, CueFinding]:
    return find_cues(network.run([srgb])[0], photo_of(srgb), quality, network.manifest)[0]


def overlap(box: Box, x: int, y: int, width: int, height: int) -> float:
    """Intersection over union."""
    across = max(0, min(box.x + box.width, x + width) - max(box.x, x))
    down = max(0, min(box.y + box.height, y + height) - max(box.y, y))
    return across * down / (box.width * box.height + width * height - across * down)


@pytest.mark.parametrize("cue", CUE_COLOURS)
def test_a_cue_is_found_where_it_is(network: CueNetwork, cue: str) -> None:
    place = (200, 304, 120, 80)
    findings = seen(network, with_patch(cue, *place))
    assert list(findings) == list(DETECTED_CUES)
    (box,) = findings[cue].boxes
    assert overlap(box, *place) > 0.85
    assert box.zone == CUE_ZONES.get(cue)
    assert box.side == CUE_SIDES.get(cue)
    assert findings[cue].score == pytest.approx(1, abs=1e-4)
    for other in set(CUE_COLOURS) - {cue}:
        assert findings[other].boxes == ()
        assert findings[other].score == pytest.approx(0, abs=1e-4)


@pytest.mark.parametrize("size", [(600, 800), (1200, 1600), (1600, 1200), (3000, 1000)])
def test_boxes_are_in_the_photos_own_pixels(network: CueNetwork, size: tuple[int, int]) -> None:
    height, width = size
    place = (width // 4, height // 3, width // 5, height // 6)
    (box,) = seen(network, with_patch("overspray_rubber", *place, size=size))["overspray_rubber"].boxes
    assert overlap(box, *place) > 0.85


@given(st.sampled_from(list(ORIENTATIONS)), st.integers(0, 600), st.integers(0, 500))
@settings(max_examples=16, deadline=None)
def test_turning_the_photo_turns_nothing_in_the_finding(
    network: CueNetwork, tmp_path_factory: pytest.TempPathFactory, orientation: int, x: int, y: int
) -> None:
    upright = with_patch("painted_fastener", x, y, 100, 80, size=(600, 800))
    path = tmp_path_factory.mktemp("turned") / "photo.png"
    stream = io.BytesIO()
    Image.fromarray(stored(upright, orientation)).save(stream, "PNG", exif=exif(orientation), compress_level=1)
    path.write_bytes(stream.getvalue())
    photo = read_photo(path, "advert")
    maps = network.run([photo.srgb])[0]
    findings, _ = find_cues(maps, photo, judge_quality(photo), network.manifest)
    assert findings == seen(network, upright)
    assert len(findings["painted_fastener"].boxes) == 1


# --- when a cue cannot be judged ---------------------------------------------------------------------------------


def test_cues_the_network_was_not_taught_are_not_assessable(network: CueNetwork) -> None:
    findings = seen(network, made_photo())
    for cue in set(DETECTED_CUES) - set(CUE_COLOURS):
        assert findings[cue] == CueFinding(score=None, assessable=False)


def test_a_photo_too_small_for_a_cue_says_nothing_of_it(network: CueNetwork) -> None:
    findings = seen(network, with_patch("painted_fastener", 100, 100, 100, 100, size=(450, 640)))
    assert findings["overspray_rubber"].assessable  # needs 600 pixels
    assert findings["painted_fastener"] == CueFinding(score=None, assessable=False)  # needs 800


def test_a_photo_too_soft_for_a_small_sign_can_still_show_a_large_one(network: CueNetwork) -> None:
    soft = SOUND.model_copy(update={"sharpness": 0.38})
    findings = seen(network, with_patch("painted_fastener", 100, 100, 100, 100), soft)
    assert findings["overspray_rubber"].assessable
    assert findings["painted_fastener"] == CueFinding(score=None, assessable=False)


def test_a_photo_that_cannot_be_judged_has_no_scores(network: CueNetwork) -> None:
    smeared = Quality(sharpness=0.1, exposure=0, assessable=False)
    findings = seen(network, with_patch("wear_through", 100, 100, 100, 100), smeared)
    assert set(findings.values()) == {CueFinding(score=None, assessable=False)}


def test_a_photo_of_no_vehicle_has_no_scores_and_no_boxes(network: CueNetwork) -> None:
    white = np.full((600, 800, 3), 250, np.uint8)  # the network takes it for a document
    white[100:200, 100:200] = CUE_COLOURS["overspray_rubber"]
    maps = network.run([white])[0]
    assert maps.vehicle < 0.5 < maps.cue_scores["overspray_rubber"]
    findings, heats = find_cues(maps, photo_of(white), SOUND, network.manifest)
    assert set(findings.values()) == {CueFinding(score=None, assessable=False)}
    assert heats == {}


# --- boxes -------------------------------------------------------------------------------------------------------


def maps_with(
    network: CueNetwork, heat: Floats, score: float = 1.0, zones: Floats | None = None
) -> tuple[NetworkMaps, Photo]:
    """Made maps in which only `overspray_rubber` is seen; a cell is 4 × 4 pixels of the photo."""
    height, width = heat.shape
    photo = photo_of(np.zeros((4 * height, 4 * width, 3), np.uint8))
    probability = np.zeros((len(CUE_COLOURS), height, width), np.float32)
    probability[0] = heat
    if zones is None:
        zones = np.zeros((1 + len(ZONES), height, width), np.float32)
        zones[0] = 1
    scores = dict.fromkeys(CUE_COLOURS, 0.0) | {"overspray_rubber": score}
    return NetworkMaps(probability, scores, zones[:1], zones, {"exterior": 1.0}, 1.0, 4.0), photo


def boxes_of(network: CueNetwork, heat: Floats, score: float = 1.0, zones: Floats | None = None) -> tuple[Box, ...]:
    maps, photo = maps_with(network, heat, score, zones)
    return find_cues(maps, photo, SOUND, network.manifest)[0]["overspray_rubber"].boxes


def test_a_cue_is_found_above_its_limit_and_shown_below(network: CueNetwork) -> None:
    """The conftest's limit is 0.5; a place can draw the eye in a photo that as a whole stays below it."""
    heat = np.zeros((150, 200), np.float32)
    heat[4:10, 4:10] = 0.9
    for score, found in ((0.51, True), (0.49, False)):
        maps, photo = maps_with(network, heat, score)
        finding = find_cues(maps, photo, SOUND, network.manifest)[0]["overspray_rubber"]
        assert finding.found is found and len(finding.boxes) == 1
    assert find_cues(maps, photo, SOUND, network.manifest)[0]["filler"].found is None  # not taught


def test_boxes_are_the_connected_places_above_the_limit(network: CueNetwork) -> None:
    """Reference: scipy.ndimage.label with 8 neighbours."""
    rng = np.random.default_rng(3)
    heat = scipy.ndimage.gaussian_filter(rng.random((160, 200)), 3).astype(np.float32)
    heat = (heat - heat.min()) / np.ptp(heat) * 0.7
    labels, count = scipy.ndimage.label(heat >= 0.5, np.ones((3, 3)))
    wanted = {
        (4 * columns.start, 4 * rows.start, 4 * (columns.stop - columns.start), 4 * (rows.stop - rows.start)): float(
            heat[labels == index + 1].max()
        )
        for index, (rows, columns) in enumerate(scipy.ndimage.find_objects(labels))
        if (labels == index + 1).sum() >= 2
    }
    limits = cue_settings().looking.model_copy(update={"most_boxes": count})
    maps, photo = maps_with(network, heat)
    settings = replace(cue_settings(), looking=limits)
    boxes = find_cues(maps, photo, SOUND, network.manifest, settings)[0]["overspray_rubber"].boxes
    assert len(boxes) > 5
    assert {(box.x, box.y, box.width, box.height): box.score for box in boxes} == pytest.approx(wanted, abs=1e-5)


@pytest.mark.parametrize(
    ("shares", "side"),
    [
        ([0.1, 0.85, 0.05], "left"),
        ([0.1, 0.05, 0.85], "right"),
        ([0.3, 0.7, 0.0], None),  # likely the left, but not sure
        ([0.0, 0.5, 0.5], None),
        ([0.9, 0.1, 0.0], None),
    ],
)
def test_a_side_is_told_only_where_it_is_sure(shares: list[float], side: str | None) -> None:
    cells = np.repeat(np.array(shares, np.float32)[:, None], 9, axis=1)
    assert side_of(cells, 0.8) == side


def test_a_box_is_no_likelier_than_the_cue_in_the_photo(network: CueNetwork) -> None:
    heat = np.zeros((160, 200), np.float32)
    heat[10:20, 10:20] = 0.9
    heat[40:50, 10:20] = 0.6
    assert [box.score for box in boxes_of(network, heat)] == pytest.approx([0.9, 0.6])
    assert [box.score for box in boxes_of(network, heat, score=0.7)] == pytest.approx([0.7, 0.6])


def test_strongest_boxes_first_and_not_too_many(network: CueNetwork) -> None:
    heat = np.zeros((160, 200), np.float32)
    for index in range(30):
        heat[5 * index : 5 * index + 3, 50:60] = 0.6 + 0.01 * index
    boxes = boxes_of(network, heat)
    assert len(boxes) == 20
    assert [box.score for box in boxes] == sorted((box.score for box in boxes), reverse=True)
    assert boxes[0].score == pytest.approx(0.89)


def test_single_cells_draw_no_box(network: CueNetwork) -> None:
    heat = np.zeros((160, 200), np.float32)
    heat[10, 10] = heat[159, 199] = 1
    assert boxes_of(network, heat) == ()


def test_boxes_stay_inside_the_photo(network: CueNetwork) -> None:
    heat = np.ones((160, 200), np.float32)
    maps, photo = maps_with(network, heat)
    cut = replace(photo, srgb=photo.srgb[:637, :799])  # the last row and column of cells stick out
    (box,) = find_cues(maps, cut, SOUND, network.manifest)[0]["overspray_rubber"].boxes
    assert (box.x, box.y, box.width, box.height) == (0, 0, 799, 637)


@pytest.mark.parametrize(
    ("shares", "zone"),
    [
        ({"none": 1.0}, None),
        ({"none": 0.6, "hinge": 0.4}, None),
        ({"none": 0.4, "hinge": 0.35, "door_shut": 0.25}, "hinge"),
        ({"none": 0.1, "hinge": 0.4, "door_shut": 0.5}, "door_shut"),
    ],
)
def test_zone_is_what_most_of_the_place_lies_in(
    network: CueNetwork, shares: dict[str, float], zone: str | None
) -> None:
    manifest: Manifest = network.manifest
    zones = np.zeros((1 + len(ZONES), 160, 200), np.float32)
    zones[manifest.zones.index("roof")] = 1  # all around
    zones[:, 10:20, 10:20] = 0
    for name, share in shares.items():
        zones[manifest.zones.index(name), 10:20, 10:20] = share
    heat = np.zeros((160, 200), np.float32)
    heat[10:20, 10:20] = 0.9
    (box,) = boxes_of(network, heat, zones=zones)
    assert box.zone == zone


def test_heat_is_given_for_cues_with_boxes(network: CueNetwork) -> None:
    heat = np.zeros((160, 200), np.float32)
    heat[10:20, 10:20] = 0.9
    maps, photo = maps_with(network, heat)
    heats = find_cues(maps, photo, SOUND, network.manifest)[1]
    assert list(heats) == ["overspray_rubber"]
    assert np.array_equal(heats["overspray_rubber"], heat)
