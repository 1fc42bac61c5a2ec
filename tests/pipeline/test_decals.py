"""A decal's place: the homography against a textbook's closed form, the uncertainty against random clicks."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.build_sheets import Decal, Panel, read_build_sheet
from pipeline.colour import colour_settings
from pipeline.decals import DecalPlace, NotMeasured, homography, measure_decal, place_decal, project
from pipeline.records import Measure

SETTINGS = colour_settings().decals
SHEET = read_build_sheet("pellock")
PANEL = SHEET.known_panels["tailgate"]
DECAL = SHEET.decals["maker_badge"]
assert DECAL is not None


def square_to_quadrilateral(quad: np.ndarray) -> np.ndarray:
    """The unit square onto four corners. Heckbert (1989), Fundamentals of Texture Mapping and Image Warping, 2.2.3."""
    (x0, y0), (x1, y1), (x2, y2), (x3, y3) = quad
    sx, sy = x0 - x1 + x2 - x3, y0 - y1 + y2 - y3
    dx1, dx2, dy1, dy2 = x1 - x2, x3 - x2, y1 - y2, y3 - y2
    det = dx1 * dy2 - dx2 * dy1
    g, h = (sx * dy2 - dx2 * sy) / det, (dx1 * sy - sx * dy1) / det
    return np.array([[x1 - x0 + g * x1, x3 - x0 + h * x3, x0], [y1 - y0 + g * y1, y3 - y0 + h * y3, y0], [g, h, 1.0]])


def seen(points_mm: dict[str, tuple[float, float]], tilt: float = 0.0003) -> dict[str, tuple[float, float]]:
    """Panel points as a camera shows them: y runs up on the panel and down in the photo, the right is farther away."""
    camera = np.array([[0.9, 0.02, 200.0], [0.05, -0.85, 900.0], [tilt, 0.0001, 1.0]])
    return {name: tuple(project(camera, np.array(at, float))) for name, at in points_mm.items()}


def corners(x: float, y: float) -> list[tuple[float, float]]:
    assert DECAL is not None
    at = {
        "a": (x, y),
        "b": (x + DECAL.width_mm, y),
        "c": (x + DECAL.width_mm, y + DECAL.height_mm),
        "d": (x, y + DECAL.height_mm),
    }
    return list(seen(at).values())


@given(
    st.lists(st.floats(-0.2, 0.2), min_size=8, max_size=8),
    st.tuples(st.floats(0, 1), st.floats(0, 1)),
)
def test_homography_agrees_with_the_closed_form(moved: list[float], point: tuple[float, float]) -> None:
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], float)
    quad = square + np.array(moved).reshape(4, 2)
    matrix = homography(square, quad)
    assert matrix is not None
    assert project(matrix, np.array(point)) == pytest.approx(
        project(square_to_quadrilateral(quad), np.array(point)), abs=1e-6
    )


def test_a_worked_example() -> None:
    """The unit square onto (0,0) (2,0) (1.5,1) (0.5,1): by the closed form its middle goes to (1, 2/3)."""
    matrix = homography([[0, 0], [1, 0], [1, 1], [0, 1]], [[0, 0], [2, 0], [1.5, 1], [0.5, 1]])
    assert matrix is not None
    assert project(matrix, np.array([0.5, 0.5])) == pytest.approx([1.0, 2 / 3], abs=1e-9)


def test_a_decal_at_its_place_is_off_by_nothing() -> None:
    assert DECAL is not None
    measure = measure_decal(PANEL, DECAL, seen(PANEL.points), corners(DECAL.x_mm, DECAL.y_mm), SETTINGS)
    assert isinstance(measure, Measure)
    assert measure.value == pytest.approx(0, abs=0.1)
    assert (measure.cue, measure.unit, measure.zone, measure.panel) == ("decal_offset", "mm", "decal", "tailgate")


def test_an_offset_comes_out_in_millimetres() -> None:
    assert DECAL is not None
    measure = measure_decal(PANEL, DECAL, seen(PANEL.points), corners(DECAL.x_mm + 30, DECAL.y_mm - 40), SETTINGS)
    assert isinstance(measure, Measure)
    assert measure.value == pytest.approx(50, abs=0.1)
    assert 0.5 < measure.uncertainty < 10


def test_uncertainty_agrees_with_random_clicks() -> None:
    rng = np.random.default_rng(3)
    true, at = seen(PANEL.points), corners(100, 90)[0]
    found = place_decal(PANEL, true, at, SETTINGS)
    assert isinstance(found, DecalPlace)
    drawn = []
    for _ in range(2000):
        clicks = {name: tuple(np.array(p) + rng.normal(size=2) * SETTINGS.click_px) for name, p in true.items()}
        place = place_decal(PANEL, clicks, tuple(np.array(at) + rng.normal(size=2) * SETTINGS.click_px), SETTINGS)
        assert isinstance(place, DecalPlace)
        drawn.append((place.x_mm, place.y_mm))
    assert np.sqrt(np.diag(found.covariance_mm2)) == pytest.approx(np.std(drawn, axis=0), rel=0.1)


def test_more_points_than_needed_raise_the_uncertainty_if_they_do_not_fit() -> None:
    panel = PANEL.model_copy(update={"points": {**PANEL.points, "middle": (430.0, 310.0), "low": (430.0, 0.0)}})
    true = seen(panel.points)
    off = {**true, "middle": (true["middle"][0] + 6, true["middle"][1] - 6)}
    at = corners(100, 90)[0]
    good, bad = (place_decal(panel, points, at, SETTINGS) for points in (true, off))
    assert isinstance(good, DecalPlace) and isinstance(bad, DecalPlace)
    assert np.trace(bad.covariance_mm2) > 1.5 * np.trace(good.covariance_mm2)


def test_a_misplaced_point_among_many_is_told() -> None:
    panel = PANEL.model_copy(update={"points": {**PANEL.points, "middle": (430.0, 310.0), "low": (430.0, 0.0)}})
    true = seen(panel.points)
    found = place_decal(panel, {**true, "low": (true["low"][0] + 80, true["low"][1])}, corners(100, 90)[0], SETTINGS)
    assert isinstance(found, NotMeasured)
    assert "misplaced" in found.reason


def test_too_few_points_are_told() -> None:
    assert DECAL is not None
    three = dict(list(seen(PANEL.points).items())[:3]) | {"elsewhere": (5.0, 5.0)}
    found = measure_decal(PANEL, DECAL, three, corners(60, 70), SETTINGS)
    assert found == NotMeasured("4 known points of the panel are needed, 3 are given")


def test_points_on_one_line_fix_nothing() -> None:
    panel = Panel(
        label="Strip", zone="tub_rear", metal="steel", points={"a": (0, 0), "b": (100, 0), "c": (200, 0), "d": (0, 80)}
    )
    found = place_decal(panel, seen(panel.points), (10.0, 10.0), SETTINGS)
    assert isinstance(found, NotMeasured)
    assert "one line" in found.reason


def test_points_close_together_far_from_the_decal_give_no_value() -> None:
    panel = PANEL.model_copy(update={"points": {"a": (0, 0), "b": (25, 0), "c": (0, 25), "d": (25, 25)}})
    decal = Decal(panel="tailgate", x_mm=700, y_mm=500, width_mm=100, height_mm=40, tolerance_mm=6)
    found = measure_decal(panel, decal, seen(panel.points), corners(700, 500), SETTINGS)
    assert isinstance(found, NotMeasured)
    assert "too close together" in found.reason


@pytest.mark.parametrize(("colour", "told"), [((190, 25, 25), {"red"}), ((28, 28, 30), {"black", "grey"})])
def test_most_of_the_decal_tells_its_colour(colour: tuple[int, int, int], told: set[str]) -> None:
    """A badge with light letters on a ground of one colour, on a green panel, as a camera sees it."""
    assert DECAL is not None
    at = corners(DECAL.x_mm, DECAL.y_mm)
    srgb = np.full((1200, 1600, 3), (60, 90, 60), np.uint8)
    cv2.fillConvexPoly(srgb, np.round(at).astype(np.int32), colour)
    middle = np.mean(at, axis=0)
    letters = middle + 0.4 * (np.array(at) - middle)
    cv2.fillConvexPoly(srgb, np.round(letters).astype(np.int32), (230, 230, 225))
    measure = measure_decal(PANEL, DECAL, seen(PANEL.points), at, SETTINGS, srgb)
    assert isinstance(measure, Measure) and measure.text is not None
    assert told <= set(measure.text.split(", "))
    assert "green" not in measure.text and "white" not in measure.text
    untold = measure_decal(PANEL, DECAL, seen(PANEL.points), at, SETTINGS)
    assert isinstance(untold, Measure) and untold.text is None


def test_a_decal_out_of_the_picture_has_no_colour() -> None:
    assert DECAL is not None
    at = corners(DECAL.x_mm, DECAL.y_mm)
    measure = measure_decal(PANEL, DECAL, seen(PANEL.points), at, SETTINGS, np.zeros((50, 50, 3), np.uint8))
    assert isinstance(measure, Measure) and measure.text is None
