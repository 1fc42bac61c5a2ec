"""Buildings have ends and roofs where the eye sees them, as perspective has it."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from synthetic_data.outdoors import _crowns, _ends, _nearest_m, _plan, _raise_wall, _roof_of, _wires
from synthetic_data.panorama import EYE_HEIGHT_M, Facade, Lighting, azimuths, elevations
from synthetic_data.textures import Wall

LIGHTING = Lighting(np.ones((64, 128, 3), np.float32), None, (0.0, 0.0, 0.0))
WIDTH = 1024


def house(left_m: float, right_m: float, distance_m: float = 20.0, seed: int = 12) -> Wall:
    return Wall(
        0.0, distance_m, left_m, right_m, 5.0, "brick", (0.25, 0.1, 0.07), seed
    )  # 12 m long: a slope above, no chimney


def raised(wall: Wall) -> Any:
    image = np.zeros((WIDTH // 2, WIDTH, 3), np.float32)
    _raise_wall(image, wall, Facade(LIGHTING, np.full(3, 0.2)), np.ones(3), np.ones(3))
    return image.max(axis=-1) > 0.01


@pytest.mark.parametrize(("left_m", "right_m"), [(16.0, -4.0), (-4.0, 16.0)])
def test_a_building_aside_shows_its_end_at_the_corner(left_m: float, right_m: float) -> None:
    front = house(left_m, right_m)
    (end,) = _ends(front)
    assert end.distance_m == 4.0 and _roof_of(end).kind == "gable"
    corner = -4.0 if right_m < 0 else 4.0  # m to the right of the foot of the perpendicular
    assert _nearest_m(end) == pytest.approx(math.hypot(20.0, 4.0)) == pytest.approx(_nearest_m(front))
    seen = raised(end).any(axis=0)
    azimuth = (azimuths(WIDTH)[seen] + math.pi) % (2 * math.pi) - math.pi
    deep = 2 * _roof_of(front).run_m
    edges = sorted((math.atan2(corner, 20.0), math.atan2(corner, 20.0 + deep)))
    assert [azimuth.min(), azimuth.max()] == pytest.approx(edges, abs=2 * 2 * math.pi / WIDTH)


def test_a_building_ahead_and_a_hedge_show_no_end() -> None:
    assert not _ends(house(6.0, 6.0))
    assert not _ends(Wall(0.0, 9.0, 12.0, -2.0, 2.0, "hedge", (0.05, 0.08, 0.02), 4))


def test_the_ridge_stands_as_high_as_perspective_has_it() -> None:
    wall = house(6.0, 6.0)
    roof = _roof_of(wall)
    assert roof.kind == "slope"
    seen = raised(wall)[:, 0]  # straight ahead
    top = elevations(WIDTH // 2)[np.flatnonzero(seen)[0]]
    ridge = math.atan((5.0 + roof.rise_m - EYE_HEIGHT_M) / (20.0 + roof.run_m))
    assert top == pytest.approx(ridge, abs=2 * math.pi / WIDTH)


def test_from_close_by_only_the_eaves_are_seen() -> None:
    seen = raised(house(6.0, 6.0, distance_m=4.0))[:, 0]
    top = elevations(WIDTH // 2)[np.flatnonzero(seen)[0]]
    assert top == pytest.approx(math.atan((5.05 - EYE_HEIGHT_M) / 4.0), abs=2 * math.pi / WIDTH)


def test_a_far_wood_has_rounded_crowns_that_join_around() -> None:
    tall = _crowns(azimuths(4096), 5)
    assert tall.min() >= 0 and tall.max() <= 1 and tall.std() > 0.1
    assert abs(tall[0] - tall[-1]) < 0.6 and np.median(np.abs(np.diff(tall))) < 0.2


def test_wires_pass_before_and_behind_walls() -> None:
    wires = _wires(np.random.default_rng(3), Facade(LIGHTING, np.full(3, 0.2)), WIDTH // 2)
    assert wires.cover.any() and wires.away_m.min() > 0
    for azimuth, distance, _ in wires.poles:
        column = int(azimuth / (2 * math.pi) % 1 * WIDTH)
        assert wires.away_m[column] == pytest.approx(distance, rel=0.1)
    assert _plan([house(6.0, 6.0), house(2.0, 2.0, distance_m=10.0)], WIDTH)[[0, 40]] == pytest.approx([10, 20], abs=1)
