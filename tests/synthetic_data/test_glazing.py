from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from pipeline.records import SURFACES
from synthetic_data.camera import Exposure
from synthetic_data.geometry import line, loft
from synthetic_data.vehicle import Part
from synthetic_data.view import View
from tests.synthetic_data.samples import CLEAN, FAMILIES, vehicle

HEIGHT, WIDTH = 60, 80
PAINT, GLASS = SURFACES.index("paint"), SURFACES.index("glass")


def pane(x: float = 0.0, name: str = "side_window") -> Part:
    """An upright pane a metre wide that looks along +x."""
    surface = loft(line((x, -0.5, 1.5), (x, 0.5, 1.5), 6), line((x, -0.5, 0.5), (x, 0.5, 0.5), 6), 6)
    return Part(name, surface, "glass", None, "left", "glass", "other")


def behind(radiance: float, depth_m: float = 3.0) -> Exposure:
    shape = HEIGHT, WIDTH
    return Exposure(
        np.full((*shape, 3), radiance, np.float32),
        np.full(shape, PAINT, np.uint8),
        np.full(shape, 3, np.uint8),
        np.full(shape, 2, np.uint8),
        {"film_defect": np.ones(shape, bool)},
        np.full(shape, depth_m, np.float32),
        2.0,
    )


def from_ahead(slant_deg: float = 0.0) -> View:
    angle = math.radians(slant_deg)
    at = np.array([0.0, 0.0, 1.0])
    return View(
        at + 2 * np.array([math.cos(angle), math.sin(angle), 0.0]), at, np.array([0.0, 0, 1]), 45.0, WIDTH, HEIGHT
    )


def glazed(exposure: Exposure, view: View, variant: str, sky: float = 1.0, **changes: Any) -> Exposure:
    import mitsuba as mi

    mi.set_variant(variant)
    from synthetic_data.glazing import glaze, look_at
    from synthetic_data.scene import light_up

    emitter = light_up(np.full((32, 64, 3), sky, np.float32), 0.0)
    grime = replace(CLEAN, dust=0.0, gaps=0.0)
    return glaze(exposure, {}, look_at(exposure, view, [changes.get("pane", pane())], emitter, grime, 4))[0]


@pytest.mark.parametrize("slant_deg", [0.0, 45.0, 60.0])
def test_a_pane_mirrors_as_fresnels_equations_say(slant_deg: float, variant: str) -> None:
    # Fresnel for unpolarised light, index 1.52, two surfaces R' = 2R / (1 + R); textbook: 8.2 % at right angles
    way_in = math.radians(slant_deg)
    inside = math.asin(math.sin(way_in) / 1.52)
    s = ((math.cos(way_in) - 1.52 * math.cos(inside)) / (math.cos(way_in) + 1.52 * math.cos(inside))) ** 2
    p = ((1.52 * math.cos(way_in) - math.cos(inside)) / (1.52 * math.cos(way_in) + math.cos(inside))) ** 2
    expected = 2 * ((s + p) / 2) / (1 + (s + p) / 2)
    dark = glazed(behind(0.0), from_ahead(slant_deg), variant)
    middle = dark.radiance[HEIGHT // 2 - 3 : HEIGHT // 2 + 3, WIDTH // 2 - 3 : WIDTH // 2 + 3].mean()
    assert middle == pytest.approx(
        expected, abs=0.035
    )  # what dirt there is adds a little, Schlick's formula errs a little


def test_what_lies_behind_shines_through_and_the_pane_is_labelled(variant: str) -> None:
    seen = glazed(behind(1.0), from_ahead(), variant, sky=0.0)
    assert 0.6 < seen.radiance[HEIGHT // 2, WIDTH // 2].mean() < 0.95
    is_glass = seen.surface == GLASS
    wide_px = 1.0 / 2 / math.tan(math.radians(22.5)) * WIDTH / 2  # a metre at two metres, by the pinhole
    assert is_glass[HEIGHT // 2].sum() == pytest.approx(wide_px, abs=1.5)
    assert not seen.zone[is_glass].any() and (seen.side[is_glass] == 1).all()
    assert seen.depth_m is not None and seen.depth_m[is_glass] == pytest.approx(2.0, abs=1e-4)
    assert not seen.cues["film_defect"][is_glass].any() and seen.cues["film_defect"][~is_glass].all()
    assert (seen.surface[~is_glass] == PAINT).all() and (seen.radiance[~is_glass] == 1.0).all()


def test_a_pane_behind_something_changes_nothing(variant: str) -> None:
    before = behind(0.4, depth_m=1.0)
    after = glazed(before, from_ahead(), variant)
    assert (after.surface == PAINT).all() and np.array_equal(after.radiance, before.radiance)


def test_from_inside_a_pane_mirrors_no_sky(variant: str) -> None:
    inside = View(np.array([-2.0, 0, 1.0]), np.array([0.0, 0, 1.0]), np.array([0.0, 0, 1]), 45.0, WIDTH, HEIGHT)
    dark = glazed(behind(0.0), inside, variant)
    assert (dark.surface == GLASS).any()
    assert dark.radiance[HEIGHT // 2, WIDTH // 2].mean() < 0.03


def test_wipers_clean_their_arcs(variant: str) -> None:
    del variant
    from synthetic_data.glazing import PIVOT_M, WIPED_M, _dirt

    dirty = replace(CLEAN, dust=1.0)
    screen = pane(name="windscreen.glass")
    along = np.linspace(-0.05, 0.05, 11)
    around, above = (
        np.stack([along * 0, along + y, along * 0 + z], 1) for y, z in ((PIVOT_M, 0.5 + sum(WIPED_M) / 2), (0, 1.4))
    )
    assert _dirt(screen, around, dirty, 3).mean() < 0.6 * _dirt(screen, above, dirty, 3).mean()


@pytest.mark.parametrize("family", FAMILIES)
def test_the_panes_of_a_vehicle_look_outwards(family: str) -> None:
    panes = [part for part in vehicle(family).parts if part.surface == part.finish == "glass"]
    assert len(panes) >= 4
    for part in panes:
        points = part.patch.points
        normal = np.cross(np.gradient(points, axis=0), np.gradient(points, axis=1)).sum(axis=(0, 1))
        way = {"windscreen": (1, 0, 0), "back_window": (-1, 0, 0), "rear_window": (-1, 0, 0)}.get(
            part.name.split(".")[0], (0, 1 if part.side == "left" else -1, 0)
        )
        assert normal @ way > 0.9 * np.linalg.norm(normal), part.name
