"""Heads of a build sheet's rows in one render: which is which, and where that puts the badge, against the geometry."""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("mitsuba")
pytest.importorskip("torch")

from pipeline.build_sheets import read_build_sheet
from pipeline.colour import colour_settings
from pipeline.decals import measure_decal
from pipeline.known_points import find_heads, find_points
from pipeline.network import read_manifest, shipped_weights
from pipeline.records import SURFACES, ZONES, Measure
from synthetic_data.painter import PaintHistory
from synthetic_data.scene import expose
from synthetic_data.view import View
from tests.pipeline.painted import made_maps
from tests.synthetic_data.samples import painted, stage, vehicle

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("one_thread")]
WIDTH, HEIGHT, UNKNOWN = 800, 600, 255


@pytest.mark.parametrize("aside", [-0.2, 0.35])
def test_heads_of_a_render_give_the_badges_place(variant: str, aside: float) -> None:
    """The render's own labels stand for a network that sees rightly; no camera but a pinhole blurs or bends."""
    sheet = read_build_sheet("brindle")
    panel, badge = sheet.known_panels["tailgate"], sheet.decals["maker_badge"]
    assert badge is not None
    bolts = {
        part.name: part.patch.points[-1].mean(axis=0)
        for part in vehicle("brindle").parts
        if part.name.startswith("badge_bolt")
    }
    origin, across, up = (bolts[f"badge_bolt_{name}"] for name in ("low.0", "low.4", "high.0"))
    right, rise = (across - origin) / 240, (up - origin) / 120  # metres of the vehicle by millimetre of the sheet
    first = np.array(panel.rows["low"].first)

    middle = np.mean(list(bolts.values()), axis=0)
    view = View(middle + 0.45 * np.array([-1.0, aside, 0.15]), middle, np.array([0.0, 0, 1]), 50.0, WIDTH, HEIGHT)
    history = PaintHistory("factory", (52.0, 30.0, 25.0), "", 0.1, 0.0, (), 4)
    seen, *_ = expose(painted(history, "brindle"), view, stage(), variant=variant, samples=4, seed=3)
    surface = np.where(seen.surface == UNKNOWN, SURFACES.index("background"), seen.surface).astype(int)
    zone = np.where((seen.zone == UNKNOWN) | (seen.zone > len(ZONES)), 0, seen.zone).astype(int)
    maps = made_maps(surface, zone, "close_up", WIDTH)
    manifest = read_manifest(shipped_weights()).model_copy(update={"surfaces": SURFACES})
    settings = colour_settings()

    points = find_points(
        panel, find_heads(maps, manifest, settings.known_points), (WIDTH, HEIGHT), settings.known_points
    )
    assert isinstance(points, dict) and len(points) >= 8, points

    def photo_point(x_mm: float, y_mm: float) -> tuple[float, float]:
        """Where the camera shows a point of the sheet."""
        there = view.basis() @ (origin + right * (x_mm - first[0]) + rise * (y_mm - first[1]) - view.origin)
        at = there[:2] / there[2] / view.pixel_angle + [WIDTH / 2, HEIGHT / 2]
        return float(at[0]), float(at[1])

    for off in ((0.0, 0.0), (30.0, -40.0)):  # in its place, and 50 mm off it (3-4-5)
        measure = measure_decal(
            panel, badge, points, [photo_point(badge.x_mm + off[0], badge.y_mm + off[1])], settings.decals
        )
        assert isinstance(measure, Measure) and measure.uncertainty < 5
        assert abs(measure.value - np.hypot(*off)) < 3 * measure.uncertainty
