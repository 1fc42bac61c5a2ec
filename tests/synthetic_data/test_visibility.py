from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest

from pipeline.records import SURFACES
from synthetic_data.visibility import (
    VisibilitySettings,
    beside_a_line,
    coats_apart,
    is_visible,
    mist_apart,
    structure_of,
)

SETTINGS = VisibilitySettings(
    least_px=40,
    least_px_on_parts=500,
    least_px_of_rings=220,
    lightness=(14, 97),
    least_structure=1.5,
    least_contrast=2.2,
    least_apart=4,
    least_mist=3,
    ridge=2,
)
HEIGHT, WIDTH = 480, 1024
PAINT = np.full((HEIGHT, WIDTH), SURFACES.index("paint"), np.uint8)


def panel(grain: float = 3.0, level: float = 120.0) -> Any:
    """A plain panel with the grain of a camera."""
    noise = np.random.default_rng(4).normal(0, grain, (HEIGHT, WIDTH, 3))
    return np.clip(level + noise, 0, 255).astype(np.uint8)


def band(left: int = 300, width: int = 30) -> Any:
    mask = np.zeros((HEIGHT, WIDTH), bool)
    mask[:, left : left + width] = True
    return mask


def stepped(photo: Any, by: float) -> Any:
    """The same panel with a thin line down the middle of `band()`."""
    lined = photo.astype(float)
    lined[:, 314:317] -= by
    return np.clip(lined, 0, 255).astype(np.uint8)


def test_a_line_above_the_grain_is_seen_and_one_under_it_is_not() -> None:
    assert is_visible("masking_edge", band(), stepped(panel(), 40), PAINT, SETTINGS)
    assert not is_visible("masking_edge", band(), panel(), PAINT, SETTINGS)
    assert not is_visible("masking_edge", band(), stepped(panel(grain=25), 10), PAINT, SETTINGS)
    assert not is_visible("masking_edge", band(), stepped(panel(grain=0.2), 2), PAINT, SETTINGS), (
        "under the eye's limit"
    )


def test_pure_grain_has_the_structure_of_its_distribution() -> None:
    # reference: scipy.stats.maxwell, the length of a vector of three independent normal values
    from scipy.stats import maxwell

    lab = np.random.default_rng(1).normal(0, 3, (HEIGHT, WIDTH, 3)).astype(np.float32)
    structure, around = structure_of(band(width=200), lab, PAINT > 0, 1.0)
    assert structure / around == pytest.approx(maxwell.ppf(0.9) / maxwell.ppf(0.5), rel=0.03)


def test_the_edge_of_a_seal_beside_the_cue_is_no_line_of_the_cue() -> None:
    surface = PAINT.copy()
    surface[:, :300] = SURFACES.index("rubber")
    photo = panel()
    photo[:, :300] = 20
    assert not is_visible("masking_edge", band(), photo, surface, SETTINGS)
    assert is_visible("masking_edge", band(), stepped(photo, 40), surface, SETTINGS)


@pytest.mark.parametrize("level", [4.0, 254.0])
def test_nothing_is_seen_in_the_dark_or_in_the_glare(level: float) -> None:
    assert not is_visible("painted_fastener", band(), panel(level=level), PAINT, SETTINGS)
    assert is_visible("painted_fastener", band(), panel(), PAINT, SETTINGS)


def test_a_speck_of_mist_on_a_black_part_is_not_called_and_a_bolt_of_that_size_is() -> None:
    speck = np.zeros((HEIGHT, WIDTH), bool)
    speck[100:110, 100:110] = True
    assert not is_visible("overspray_hidden", speck, panel(), PAINT, SETTINGS)
    assert is_visible("painted_fastener", speck, panel(), PAINT, SETTINGS)
    larger = cv2.resize(speck.astype(np.uint8), (2 * WIDTH, 2 * HEIGHT)) > 0
    twice = cv2.resize(panel(), (2 * WIDTH, 2 * HEIGHT))
    assert not is_visible("overspray_hidden", larger, twice, cv2.resize(PAINT, (2 * WIDTH, 2 * HEIGHT)), SETTINGS)


def test_wear_too_small_to_show_its_rings_is_not_called() -> None:
    for side, seen in ((10, False), (24, True)):
        worn = np.zeros((HEIGHT, WIDTH), bool)
        worn[100 : 100 + side, 100 : 100 + side] = True
        photo = panel()
        photo[100 : 100 + side, 100 : 100 + side] = 190
        assert is_visible("wear_through", worn, photo, PAINT, SETTINGS) == seen
        assert is_visible("film_defect", worn, photo, PAINT, SETTINGS)


def test_what_the_frame_cuts_off_is_not_called() -> None:
    bolt = np.zeros((HEIGHT, WIDTH), bool)
    bolt[200:212, 4:22] = True
    assert not is_visible("painted_fastener", bolt, panel(), PAINT, SETTINGS)
    assert is_visible("painted_fastener", np.roll(bolt, 60, axis=1), panel(), PAINT, SETTINGS)


def test_a_masking_edge_lies_where_both_coats_are_in_the_picture() -> None:
    # common practice, no source: a line is where two coats meet; at a sheet's end one of them alone is no line
    edge = band(300, 30) | band(600, 30)
    old = band(0, 315) | band(600, 400)  # the second strip shows the old coat alone
    part = np.zeros(edge.shape, int)
    np.testing.assert_array_equal(beside_a_line(edge, old, part), band(300, 30))
    assert not beside_a_line(edge, band(0, 20), part).any(), "only the new coat"
    apart = band(300, 10) | band(320, 10)
    assert not beside_a_line(apart, band(0, 315), part).any(), "what hides the line leaves a gap"
    two = np.where(band(0, 315), 3, 8)
    assert not beside_a_line(edge, old, two).any(), "the coats of two parts"


def test_two_coats_that_meet_are_as_far_apart_as_their_colours() -> None:
    from skimage.color import rgb2lab  # reference: CIE L*a*b* of sRGB, D65

    photo = panel(grain=2.0)
    photo[:, 315:] = np.clip(photo[:, 315:] + np.array([30.0, -10, 5]), 0, 255)
    lab = cv2.cvtColor(photo.astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
    sides = rgb2lab(np.array([[[120, 120, 120], [150, 110, 125]]], np.uint8))[0]
    assert coats_apart(band(), band(0, 315), lab, 1.0) == pytest.approx(np.linalg.norm(sides[0] - sides[1]), rel=0.05)
    assert coats_apart(band(), band(0, 20), lab, 1.0) == 0, "no line"


def test_a_line_between_like_coats_is_seen_by_a_strong_ridge_only() -> None:
    old = band(0, 315)
    faint, strong = stepped(panel(), 14), stepped(panel(), 60)
    assert is_visible("masking_edge", band(), faint, PAINT, SETTINGS)
    assert not is_visible("masking_edge", band(), faint, PAINT, SETTINGS, old)
    assert is_visible("masking_edge", band(), strong, PAINT, SETTINGS, old)


def misted(by: float) -> tuple[Any, Any, Any]:
    """A black part on a panel, in grain, whose left third is lighter by so much (8 bits); photo, mask and surfaces."""
    photo, surface = panel(level=40.0).astype(float), PAINT.copy()
    surface[100:300, 200:800] = SURFACES.index("black_part")
    mask = np.zeros((HEIGHT, WIDTH), bool)
    mask[100:300, 200:400] = True
    photo[mask] += by
    return np.clip(photo, 0, 255).astype(np.uint8), mask, surface


@pytest.mark.parametrize(("by", "seen"), [(0.0, False), (3.0, False), (30.0, True)])
def test_mist_that_looks_like_the_part_beside_it_is_not_seen(by: float, seen: bool) -> None:
    photo, mask, surface = misted(by)
    assert is_visible("overspray_hidden", mask, photo, surface, SETTINGS) == seen


def test_the_distance_of_mist_is_that_of_its_colours() -> None:
    # reference: OpenCV's conversion to L*a*b* of the two greys
    photo, mask, surface = misted(30.0)
    lab = cv2.cvtColor(photo.astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
    greys = cv2.cvtColor(np.float32([[[40 / 255] * 3, [70 / 255] * 3]]), cv2.COLOR_RGB2LAB)[0]
    assert mist_apart(mask, lab, surface, 1.0) == pytest.approx(float(np.linalg.norm(greys[1] - greys[0])), rel=0.03)


def test_a_part_misted_all_over_has_nothing_to_be_compared_with() -> None:
    photo, mask, surface = misted(0.0)
    surface[~mask] = SURFACES.index("paint")
    assert is_visible("overspray_hidden", mask, photo, surface, SETTINGS)


def test_mist_that_runs_out_of_the_picture_is_not_compared_with_itself() -> None:
    photo = panel(level=40.0)
    rubber = np.full((HEIGHT, WIDTH), SURFACES.index("rubber"), np.uint8)
    assert is_visible("overspray_rubber", np.ones((HEIGHT, WIDTH), bool), photo, rubber, SETTINGS)
