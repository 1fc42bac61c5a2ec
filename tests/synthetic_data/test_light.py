from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from scipy import ndimage

from pipeline.errors import ConfigError
from synthetic_data import light
from synthetic_data.camera import LUMINANCE
from synthetic_data.light import (
    KINDS,
    Environment,
    clear_sky,
    light_settings,
    overcast_illuminance_klx,
    overcast_sky,
    panorama_files,
    read_panorama,
    sample_environment,
    split_sun,
    sun_irradiance,
)
from synthetic_data.outdoors import _far_photo
from synthetic_data.panorama import Facade, Lamp, Lighting, directions, elevations, irradiance, lamp_light, solid_angles
from synthetic_data.skyline import WIDTH_PX
from synthetic_data.textures import GROUNDS, ground_albedo, ground_texture, stripes

SETTINGS = light_settings().model_copy(update={"width_px": 256})
PANORAMAS = Path(__file__).parents[3] / "shared" / "lights"
PLACES = ("clear", "cloudy", "overcast", "garage", "forecourt")


def sun_at(elevation_deg: float, azimuth_deg: float = 30.0) -> tuple[float, float, float]:
    elevation, azimuth = math.radians(elevation_deg), math.radians(azimuth_deg)
    return (math.cos(elevation) * math.sin(azimuth), math.cos(elevation) * math.cos(azimuth), math.sin(elevation))


def dome(sky: Any) -> Any:
    """A panorama with the sky above the horizon and nothing below."""
    picture = np.array(sky, np.float32)
    picture[picture.shape[0] // 2 :] = 0
    return picture


# --- published values ---------------------------------------------------------------------------------------------


def test_overcast_sky_is_three_times_as_bright_overhead() -> None:
    # ISO 15469:2004 / CIE S 011, traditional overcast sky: horizon to zenith 1 : 3
    assert overcast_sky(1.0, 5.0) == pytest.approx(5.0)
    assert overcast_sky(0.0, 5.0) == pytest.approx(5.0 / 3)
    assert overcast_sky(-0.1, 5.0) == 0


def test_overcast_sky_lights_the_ground_as_the_textbook_says() -> None:
    # E = 7/9 · π · Lz (Moon and Spencer 1942; e.g. Tregenza and Wilson, Daylighting, ch. 3)
    sky = overcast_sky(directions(512, 256)[..., 2], 3.0)[..., None] * np.ones(3)
    assert irradiance(sky.astype(np.float32), (0, 0, 1)) == pytest.approx(np.full(3, 7 / 9 * math.pi * 3.0), rel=2e-3)


def test_an_even_dome_lights_level_ground_with_pi_and_walls_with_half_of_it() -> None:
    even = dome(np.ones((256, 512, 3)))
    assert irradiance(even, (0, 0, 1)) == pytest.approx(np.full(3, math.pi), rel=2e-3)
    assert irradiance(even, (0, 1, 0)) == pytest.approx(np.full(3, math.pi / 2), rel=2e-3)
    assert solid_angles(512, 256).sum() * 512 == pytest.approx(4 * math.pi, rel=1e-4)


@pytest.mark.parametrize("elevation_deg", [15, 30, 45, 60])
def test_sun_and_shade_stand_in_the_ratio_of_a_published_model(elevation_deg: float) -> None:
    # clear sky of the IES Lighting Handbook, 8th ed. (Gillette and Pierpont 1982; from memory):
    # sun on its own plane 127.5 exp(-0.21 / sin γ) klx, sky on level ground 0.8 + 15.5 sqrt(sin γ) klx
    sine = math.sin(math.radians(elevation_deg))
    sun_klx = 127.5 * math.exp(-0.21 / sine) * sine
    sky_klx = 0.8 + 15.5 * math.sqrt(sine)
    sky = irradiance(dome(clear_sky(directions(256, 128), sun_at(elevation_deg), 2.5)), (0, 0, 1)) @ LUMINANCE
    sun = sun_irradiance(math.radians(elevation_deg), 2.5) @ LUMINANCE * sine
    assert sun == pytest.approx(sun_klx, rel=0.25)
    assert sky == pytest.approx(sky_klx, rel=0.02), "the model sets the level, the picture must integrate to it"
    assert sun / sky == pytest.approx(sun_klx / sky_klx, rel=0.25)


def test_global_illuminance_follows_haurwitz() -> None:
    # Haurwitz 1945: 1098 sin γ exp(-0.057 / sin γ) W/m², daylight 110 lm/W (Littlefair 1985: 105 to 115); from memory
    for elevation_deg in (25, 40, 60):
        sine = math.sin(math.radians(elevation_deg))
        wanted_klx = 1098 * sine * math.exp(-0.057 / sine) * 0.110
        sky = irradiance(dome(clear_sky(directions(256, 128), sun_at(elevation_deg), 3.0)), (0, 0, 1)) @ LUMINANCE
        both = sky + sun_irradiance(math.radians(elevation_deg), 3.0) @ LUMINANCE * sine
        assert both == pytest.approx(wanted_klx, rel=0.2)


def test_clear_sky_agrees_with_another_model() -> None:
    # Hosek and Wilkie 2012 as in Mitsuba's `sunsky`: other formulae, other coefficients; two such models of the same
    # sky differ by half as much again in places
    mi = pytest.importorskip("mitsuba")
    if mi.variant() is None:
        mi.set_variant("scalar_rgb")
    if not mi.variant().startswith("scalar"):
        pytest.skip("another test has chosen a variant that does not evaluate single directions")
    sun = sun_at(40)
    emitter = mi.load_dict(
        {
            "type": "sunsky",
            "sun_direction": list(sun),
            "sun_scale": 0.0,
            "turbidity": 3.0,
            "albedo": {"type": "rgb", "value": 0.15},
        }
    )
    wanted, ours = [], []
    for elevation_deg in (10, 30, 60, 85):
        for azimuth_deg in (90, 150, 210, 270):
            direction = np.array(sun_at(elevation_deg, azimuth_deg))
            interaction = mi.SurfaceInteraction3f()
            interaction.wi = mi.Vector3f(*(-direction))
            wanted.append(np.array(emitter.eval(interaction)).ravel())
            ours.append(clear_sky(direction, sun, 3.0))
    reference, sky = np.array(wanted), np.array(ours)
    ratio = (sky @ LUMINANCE) / (reference @ LUMINANCE)
    assert np.abs(np.log(ratio / np.median(ratio))).max() < math.log(1.7), "brightness over the sky"
    blue = (sky[:, 2] / sky[:, 0]) / (reference[:, 2] / reference[:, 0])
    assert np.abs(np.log(blue)).max() < math.log(1.6), "how blue it is"


def test_the_sky_is_brightest_around_the_sun_and_the_sun_reddens() -> None:
    sky = clear_sky(directions(256, 128), sun_at(35, 90), 3.0) @ LUMINANCE
    row, column = np.unravel_index(int(np.argmax(sky)), sky.shape)
    assert 0.5 - (row + 0.5) / 128 == pytest.approx(35 / 180, abs=0.02) and (column + 0.5) / 256 == pytest.approx(
        0.25, abs=0.02
    )
    high, low = sun_irradiance(math.radians(60), 3.0), sun_irradiance(math.radians(8), 3.0)
    assert low[0] / low[2] > 2 * high[0] / high[2]
    assert overcast_illuminance_klx(math.pi / 2) == pytest.approx(21.3)


def test_a_lamp_obeys_the_inverse_square_and_cosine_laws() -> None:
    # photometry textbook: E = I cosθ / d²
    lamp = Lamp((0.0, 0.0, 4.0), (2.0, 2.0, 2.0))
    below = lamp_light(0.0, 0.0, 0.0, (0.0, 0.0, 1.0), (lamp,))
    assert below == pytest.approx(np.full(3, 2.0 / 16), rel=1e-5)
    aside = lamp_light(3.0, 0.0, 0.0, (0.0, 0.0, 1.0), (lamp,))
    assert aside == pytest.approx(np.full(3, 2.0 * (0.06 + 0.94 * 0.8) * 0.8 / 25), rel=1e-5)


# --- environments -------------------------------------------------------------------------------------------------


def environment(kind: Any, seed: int = 1, **changes: Any) -> Environment:
    return sample_environment(np.random.default_rng(seed), SETTINGS, kind=kind, **changes)


@pytest.mark.parametrize("kind", PLACES)
@pytest.mark.parametrize("seed", range(4))
def test_any_place_is_a_finite_picture_with_its_light(kind: Any, seed: int) -> None:
    made = environment(kind, seed)
    assert made.image.shape == (128, 256, 3) and made.image.dtype == np.float32
    assert np.isfinite(made.image).all() and made.image.min() >= 0 and made.image.max() > 0
    lowest, highest = {"garage": (5, 3000), "forecourt": (0.5, 300)}.get(kind, (500, 130_000))
    assert lowest < made.illuminance_lux < highest
    assert made.ground in GROUNDS
    assert (made.sun_direction is None) == (kind in ("overcast", "garage", "forecourt"))
    if made.sun_direction is None:
        assert made.sun_irradiance == (0.0, 0.0, 0.0)
    else:
        assert np.linalg.norm(made.sun_direction) == pytest.approx(1)


@pytest.mark.parametrize("kind", PLACES)
def test_the_same_seed_gives_the_same_place(kind: Any) -> None:
    first, second, other = environment(kind, 7), environment(kind, 7), environment(kind, 8)
    assert (first.image == second.image).all() and first.sun_direction == second.sun_direction
    assert (first.image != other.image).any()


def test_the_stated_illuminance_is_that_of_picture_and_sun() -> None:
    for kind in ("clear", "overcast"):
        made = environment(kind)
        level = irradiance(made.image, (0, 0, 1)) @ LUMINANCE
        if made.sun_direction is not None:
            level += np.asarray(made.sun_irradiance) @ LUMINANCE * made.sun_direction[2]
        assert made.illuminance_lux == pytest.approx(level * 1000, rel=1e-6)


def test_the_sun_in_the_picture_lights_as_much_as_the_sun_beside_it() -> None:
    made = environment("clear").with_sun_in_image()
    apart = environment("clear")
    assert apart.sun_direction is not None and made.sun_direction is None
    extra = made.image.astype(np.float64) - apart.image
    cosine = np.maximum(directions(256, 128) @ np.asarray(apart.sun_direction), 0)
    lit = (extra * (cosine * solid_angles(256, 128))[..., None]).sum(axis=(0, 1))
    assert lit == pytest.approx(np.asarray(apart.sun_irradiance), rel=1e-3)


def test_ground_outside_is_as_bright_as_its_albedo_and_light_make_it() -> None:
    # Lambert: L = ρ E / π, in the open and without a sun
    for seed in range(6):
        made = environment("overcast", seed)
        below = made.image[100:].reshape(-1, 3).mean(axis=0)
        assert made.ground is not None
        dark, bright = np.asarray(GROUNDS[made.ground])
        level = made.illuminance_lux / 1000 / math.pi
        assert (below @ LUMINANCE) / level == pytest.approx(((dark + bright) / 2) @ LUMINANCE, rel=0.45)


def test_a_wall_sees_half_the_sky_and_the_ground() -> None:
    lighting = Lighting(dome(np.ones((64, 128, 3))), None, (0.0, 0.0, 0.0))
    ambient, sun = Facade(lighting, np.full(3, 0.2))((0.0, 1.0, 0.0))
    assert ambient == pytest.approx(np.full(3, math.pi / 2 + 0.2 * math.pi / 2), rel=5e-3)
    assert not sun.any()


def test_shares_of_kinds_are_kept() -> None:
    drawn = []
    for seed in range(400):
        rng = np.random.default_rng(seed)
        kinds = [name for name in KINDS if name != "panorama"]
        weights = np.array([SETTINGS.shares[name] for name in kinds])
        drawn.append(kinds[int(rng.choice(len(kinds), p=weights / weights.sum()))])
    wanted = SETTINGS.shares["garage"] / sum(SETTINGS.shares[name] for name in PLACES)
    assert drawn.count("garage") / 400 == pytest.approx(wanted, abs=0.06)
    assert sample_environment(np.random.default_rng(3), SETTINGS).kind == drawn[3]


def test_environment_lies_in_mitsuba_as_the_module_says() -> None:
    # a bright spot in our picture is seen in the direction we say it is, through Mitsuba's own `envmap`
    mi = pytest.importorskip("mitsuba")
    if mi.variant() is None:
        mi.set_variant("scalar_rgb")
    if not mi.variant().startswith("scalar"):
        pytest.skip("another test has chosen a variant that does not evaluate single directions")
    image = np.zeros((64, 128, 3), np.float32)
    image[20, 45] = 1.0
    turn = mi.ScalarTransform4f().rotate([1, 0, 0], 90)
    emitter = mi.load_dict({"type": "envmap", "bitmap": mi.Bitmap(image), "to_world": turn})
    interaction = mi.SurfaceInteraction3f()
    for row, column, seen in ((20, 45, True), (20, 83, False), (43, 45, False)):
        interaction.wi = mi.Vector3f(*(-directions(128, 64)[row, column]))
        assert (np.array(emitter.eval(interaction)).max() > 0.1) == seen


# --- panoramas ----------------------------------------------------------------------------------------------------


def write_panorama(path: Path, seed: int = 0, width: int = 128) -> Any:
    sky = np.random.default_rng(seed).uniform(0.2, 0.8, (width // 2, width, 3)).astype(np.float32)
    cv2.imwrite(str(path), sky[..., ::-1])
    return sky


@pytest.fixture()
def folder(tmp_path: Path) -> Path:
    for name in ("yard", "workshop", "night", "notes"):
        if name == "notes":
            (tmp_path / "notes.txt").write_text("no panorama")
        else:
            write_panorama(tmp_path / f"{name}.hdr")
    return tmp_path


def test_held_out_panoramas_are_never_drawn_for_training(folder: Path) -> None:
    assert [path.stem for path in panorama_files(folder, SETTINGS, held_out=False)] == ["yard"]
    assert [path.stem for path in panorama_files(folder, SETTINGS, held_out=True)] == ["night", "workshop"]
    names = {environment("panorama", seed, panoramas=folder).name for seed in range(5)}
    assert names == {"yard"}
    held = {environment("panorama", seed, panoramas=folder, held_out=True).name for seed in range(8)}
    assert held == {"night", "workshop"}


def test_a_panorama_is_turned_and_scaled_to_the_light_drawn(folder: Path) -> None:
    write_panorama(folder / "yard.hdr", width=SETTINGS.width_px)  # fine enough to be seen itself
    made = environment("panorama", 2, panoramas=folder)
    assert made.illuminance_lux == pytest.approx((irradiance(made.image, (0, 0, 1)) @ LUMINANCE) * 1000, rel=0.02)
    low, high = SETTINGS.panorama.illuminance_lux["other"]
    assert low <= made.illuminance_lux <= high
    assert made.ground is None


@pytest.mark.parametrize("name", ["yard", "night"])  # a room and an open sky
def test_a_coarse_panorama_lights_a_modelled_place(folder: Path, name: str) -> None:
    held_out = name in SETTINGS.panorama.held_out
    seed = next(k for k in range(9) if environment("panorama", k, panoramas=folder, held_out=held_out).name == name)
    made = environment("panorama", seed, panoramas=folder, held_out=held_out)
    assert made.image.shape == (128, 256, 3) and np.isfinite(made.image).all() and made.image.min() >= 0
    assert made.illuminance_lux == pytest.approx((irradiance(made.image, (0, 0, 1)) @ LUMINANCE) * 1000, rel=0.02)
    assert made.ground in GROUNDS and made.indoors == (name == "yard")
    assert (made.reach_m < 13).all() == made.indoors


def test_land_is_left_out_of_a_panoramas_sky() -> None:
    sky = np.full((180, 360, 3), 0.5, np.float32)
    sky[80:90] = 0.0  # land up to 10°
    sky[60:90, :40] = 2.0  # a low sun's glow
    bare = light._bare(sky, 12.0)
    assert (bare[:90, 80:300] == 0.5).all() and bare.shape == sky.shape
    assert bare[80:90, 10:30].min() > 1.0


def test_the_sun_is_taken_out_of_a_panorama_and_nothing_is_lost() -> None:
    sky = np.random.default_rng(0).uniform(0.2, 0.4, (128, 256, 3)).astype(np.float32)
    sky[30:32, 100:102] = 9000.0
    rest, direction, sun = split_sun(sky, 60)
    assert direction is not None
    assert np.dot(direction, directions(256, 128)[30:32, 100:102].mean(axis=(0, 1))) == pytest.approx(1, abs=1e-3)
    assert rest.max() < 300
    before = irradiance(sky, direction) @ LUMINANCE
    assert irradiance(rest, direction) @ LUMINANCE + sun @ LUMINANCE == pytest.approx(before, rel=0.03)
    assert sun[0] / sun[2] == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize("around", [(0.3, 0.25, 0.2), (0.0, 0.0, 0.0)])
def test_a_sun_clipped_to_one_channel_takes_the_colour_around_it_where_there_is_one(around: tuple[float, ...]) -> None:
    sky = np.full((128, 256, 3), around, np.float32)
    sky[30:32, 100:102] = 0, 0, 9000.0
    rest, _, sun = split_sun(sky, 60)
    expected = np.array(around) if any(around) else np.array([0.0, 0.0, 1.0])
    assert sun / sun.sum() == pytest.approx(expected / expected.sum(), abs=0.01)
    assert np.isfinite(rest).all()


@pytest.mark.parametrize("spots", [[], [(30, 40), (30, 120), (34, 200)], [(100, 40)]])
def test_lamps_and_what_lies_below_are_no_sun(spots: list[tuple[int, int]]) -> None:
    sky = np.full((128, 256, 3), 0.3, np.float32)
    for row, column in spots:
        sky[row : row + 2, column : column + 2] = 4000.0
    rest, direction, sun = split_sun(sky, 60)
    assert direction is None and not sun.any() and (rest == sky).all()


def test_ringing_below_zero_is_mended(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    raw = np.full((16, 32, 3), 0.5, np.float32)
    raw[5, 5], raw[5, 6], raw[9, 9] = -40.0, 900.0, np.nan
    monkeypatch.setattr(light.cv2, "imread", lambda *_: raw)
    mended = read_panorama(tmp_path / "x.hdr")
    assert np.isfinite(mended).all() and mended.min() >= 0
    assert mended[5, 5].min() > 0.4, "no black ring beside a lamp"


def test_a_broken_panorama_is_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "bad.hdr").write_bytes(b"nothing")
    with pytest.raises(ConfigError, match=r"bad.hdr: it cannot be read as a panorama; replace it by"):
        read_panorama(tmp_path / "bad.hdr")
    with pytest.raises(ConfigError, match="there is no panorama to use"):
        environment("panorama", panoramas=None)


@pytest.mark.skipif(not PANORAMAS.is_dir(), reason="the shared panoramas are not here")
def test_shared_panoramas_can_be_read() -> None:
    pytest.importorskip("mitsuba")
    files = panorama_files(PANORAMAS, SETTINGS, held_out=False)
    assert len(files) == 15 and not {path.stem for path in files} & set(SETTINGS.panorama.held_out)
    for path in files[:3]:
        image = read_panorama(path)
        assert image.shape == (256, 512, 3) and image.min() >= 0
    made = sample_environment(np.random.default_rng(0), SETTINGS, kind="panorama", panoramas=PANORAMAS)
    assert np.isfinite(made.image).all()


@pytest.mark.parametrize("wide_deg", [30.0, 60.0, 90.0])
def test_far_land_stands_on_the_horizon(wide_deg: float) -> None:
    lighting = Lighting(np.ones((64, 128, 3), np.float32), None, (0.0, 0.0, 0.0))
    image = np.zeros((256, 512, 3), np.float32)
    land = np.ones((40, WIDTH_PX, 4), np.float32)
    _far_photo(image, np.random.default_rng(0), Facade(lighting, np.full(3, 0.2)), np.zeros(3), land, wide_deg)
    rows = np.flatnonzero(image.any(axis=(1, 2)))
    assert rows.max() == 127 and len(rows) == pytest.approx(40 / WIDTH_PX * 512 * wide_deg / 360, abs=1.0)
    assert image[127].min() > 0


# --- textures -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", sorted(GROUNDS))
def test_ground_is_an_albedo_and_its_mean_does_not_hang_on_the_distance(kind: str) -> None:
    near, far = ground_texture(kind, 256, 4.0, 5), ground_texture(kind, 64, 4.0, 5)
    assert near.shape == (256, 256, 3) and near.min() > 0 and near.max() < 0.75
    assert far.mean(axis=(0, 1)) == pytest.approx(near.mean(axis=(0, 1)), rel=0.12)


@pytest.mark.parametrize("kind", GROUNDS)
def test_ground_is_the_same_in_part_as_in_whole(kind: str) -> None:
    x, y = np.meshgrid(np.linspace(-6, 6, 300), np.linspace(-4, 4, 200))
    whole = ground_albedo(kind, x, y, 0.02, 7)
    columns = np.array([3, 4, 5, 120, 299])
    np.testing.assert_array_equal(ground_albedo(kind, x[:, columns], y[:, columns], 0.02, 7), whole[:, columns])


def test_stripes_cover_their_share_at_any_footprint() -> None:
    place = np.linspace(0, 20, 4001)
    for footprint in (0.001, 0.05, 0.5, 3.0):
        assert stripes(place, 0.25, 0.05, footprint).mean() == pytest.approx(0.2, abs=0.004)
    assert set(np.unique(stripes(place + 1e-4, 0.25, 0.05, 1e-6).round(3)).tolist()) == {0.0, 1.0}


def test_rows_of_a_panorama_go_from_zenith_to_nadir() -> None:
    assert elevations(4) == pytest.approx(np.radians([67.5, 22.5, -22.5, -67.5]))
    assert directions(8, 4)[:2, 0, 1].min() > 0, "column 0 looks north"


def test_no_black_spots_stand_beside_bright_sky() -> None:
    """scipy's cubic spline of the radiance itself, the reference for what goes wrong, falls below zero there."""
    image = np.full((32, 64, 3), 1.0, np.float32)
    image[14:18, 30:34] = 300.0
    assert ndimage.zoom(image, (4, 4, 1), order=3).min() < 0
    large = light.enlarged(image, 256, 128)
    assert large.shape == (128, 256, 3)
    assert large.min() >= 1.0 and large.max() <= 300.0 and large[64, 128, 0] == pytest.approx(300, rel=0.01)
    assert np.allclose(light.enlarged(np.full((32, 64, 3), 2.0, np.float32), 256, 128), 2.0, rtol=1e-4)
