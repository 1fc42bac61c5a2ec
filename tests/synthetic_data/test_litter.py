from __future__ import annotations

import numpy as np
import pytest

from synthetic_data.apron import LEAST_ALBEDO, lay_apron
from synthetic_data.light import light_settings, sample_environment
from synthetic_data.litter import STONE_TONES, feet, ground_settings, strew, trodden
from synthetic_data.textures import GROUNDS
from synthetic_data.vehicle import build_vehicle, families

SETTINGS = ground_settings()
WHEELS = np.array([(1.2, 0.7), (1.2, -0.7), (-1.2, 0.7), (-1.2, -0.7)])
TONE = np.array([0.2, 0.18, 0.15])


def test_every_ground_has_its_litter() -> None:
    assert set(SETTINGS.kinds) == set(GROUNDS) == set(SETTINGS.track_tone)


@pytest.mark.parametrize("kind", list(GROUNDS))
def test_litter_is_a_sound_mesh_near_the_ground(kind: str) -> None:
    made = strew(kind, TONE, WHEELS, np.full(256, 20.0), SETTINGS, np.random.default_rng(0), indoors=False)
    assert made.faces.min() >= 0 and made.faces.max() < len(made.points)
    assert np.isfinite(made.points).all() and np.linalg.norm(made.normals, axis=1) == pytest.approx(1, abs=1e-6)
    assert made.colour.max() < len(made.palette) and len(made.colour) == len(made.points) == len(made.normals)
    assert made.points[:, 2].min() > -0.03 and made.points[:, 2].max() < 0.2
    again = strew(kind, TONE, WHEELS, np.full(256, 20.0), SETTINGS, np.random.default_rng(0), indoors=False)
    assert np.array_equal(made.points, again.points)


def test_nothing_lies_beyond_the_walls_and_nothing_grows_indoors() -> None:
    made = strew("dirt", TONE, WHEELS, np.full(256, 3.0), SETTINGS, np.random.default_rng(0), indoors=True)
    assert np.hypot(*made.points[:, :2].T).max() < 3.0
    assert set(made.colour) <= set(STONE_TONES)


def test_litter_is_part_of_the_apron_and_keeps_its_colours() -> None:
    settings = light_settings().model_copy(update={"width_px": 256})
    place = sample_environment(np.random.default_rng(1), settings, kind="overcast")
    made = strew("grass", TONE, WHEELS, place.reach_m, SETTINGS, np.random.default_rng(0), indoors=False)
    bare, apron = lay_apron(place, 14.0), lay_apron(place, 14.0, made)
    first = len(bare.points)
    assert np.array_equal(apron.points[:first], bare.points) and len(apron.points) == first + len(made.points)
    rows, columns = apron.albedo.shape[:2]
    u, v = apron.uv[first:].T
    seen = apron.albedo[((1 - v) * rows).astype(int), (u * columns).astype(int)]
    assert seen == pytest.approx(np.maximum(made.palette[made.colour], LEAST_ALBEDO), rel=1e-5)


@pytest.mark.parametrize("family", list(families()))
def test_a_vehicle_stands_on_four_feet(family: str) -> None:
    body = families()[family]
    places = feet(build_vehicle(family, body, np.random.default_rng(3)).parts)
    assert places.shape == (4, 2)
    assert sorted(np.sign(places[:, 0])) == sorted(np.sign(places[:, 1])) == [-1, -1, 1, 1]


@pytest.mark.parametrize("turn", [0.0, 1.1])
def test_ground_is_darkest_where_tyres_stand_and_unchanged_ahead(turn: float) -> None:
    c, s = np.cos(turn), np.sin(turn)
    to_vehicle = np.array([[c, s], [-s, c]])
    even = np.full((512, 512, 3), 0.2, np.float32)
    made = trodden(even, 14.0, "dirt", WHEELS, to_vehicle, SETTINGS, np.random.default_rng(0))

    def at(x: float, y: float) -> float:
        east, north = np.array([x, y]) @ to_vehicle.T
        return float(made[int((7 - north) / 14 * 512), int((7 + east) / 14 * 512), 0])

    assert at(4.0, 0.0) == pytest.approx(0.2)
    assert all(at(*wheel) < 0.2 * (1 - 0.8 * SETTINGS.dirt_at_tyre[0]) for wheel in WHEELS)
    assert at(-3.0, 0.7) < 0.95 * at(-3.0, 0.0)


def test_ground_without_a_standing_tyre_is_left_as_it_is() -> None:
    ground = np.full((64, 64, 3), 0.3, np.float32)
    rng = np.random.default_rng(0)
    assert trodden(ground, 14.0, "tarmac", np.empty((0, 2)), np.eye(2), SETTINGS, rng) is ground
    assert len(strew("dirt", TONE, np.empty((0, 2)), np.full(256, 9.0), SETTINGS, rng, indoors=False).points)
