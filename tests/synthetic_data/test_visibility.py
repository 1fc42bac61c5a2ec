from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from synthetic_data.visibility import (
    OLD_COAT,
    VisibilitySettings,
    beside_a_line,
    difference,
    is_visible,
    is_worth_comparing,
)

SETTINGS = VisibilitySettings(
    least_px=40,
    least_px_on_parts=500,
    least_px_of_rings=220,
    lightness=(14, 97),
    least_difference=3,
    least_contrast=0.5,
    least_share=0.03,
)
HEIGHT, WIDTH = 480, 1024


def panel(grain: float = 3.0, level: float = 120.0) -> Any:
    """A plain panel with the grain of a camera."""
    noise = np.random.default_rng(4).normal(0, grain, (HEIGHT, WIDTH, 3))
    return np.clip(level + noise, 0, 255).astype(np.uint8)


def band(left: int = 300, width: int = 30) -> Any:
    mask = np.zeros((HEIGHT, WIDTH), bool)
    mask[:, left : left + width] = True
    return mask


def patch(side: int) -> Any:
    mask = np.zeros((HEIGHT, WIDTH), bool)
    mask[100 : 100 + side, 100 : 100 + side] = True
    return mask


def changed(photo: Any, mask: Any, by: float) -> Any:
    altered = photo.astype(float)
    altered[mask] += by
    return np.clip(altered, 0, 255).astype(np.uint8)


def sees(cue: str, mask: Any, by: float, photo: Any = None, old: Any = None) -> bool:
    """Whether the cue is seen that makes its mask lighter by so much (8 bits)."""
    photo = panel() if photo is None else photo
    cues = {cue: mask} if old is None else {cue: mask, OLD_COAT: old}
    altered = changed(photo, mask, by)
    return is_visible(cue, cues, altered, difference(altered, photo, ~mask), SETTINGS)


def test_the_difference_is_that_of_the_colours() -> None:
    from skimage.color import rgb2lab  # reference: CIE L*a*b* of sRGB, D65

    photo, other = np.full((HEIGHT, WIDTH, 3), 120, np.uint8), np.full((HEIGHT, WIDTH, 3), 120, np.uint8)
    other[band()] = (150, 110, 125)
    sides = rgb2lab(np.array([[[120, 120, 120], [150, 110, 125]]], np.uint8))[0]
    found = difference(other, photo, ~band())
    assert found.change[:, 310:320] == pytest.approx(float(np.linalg.norm(sides[0] - sides[1])), rel=0.02)
    assert found.change[:, 350:].max() < 0.01 and found.structure.max() < 0.2


def test_structure_is_the_spread_of_what_is_there() -> None:
    # reference: NumPy's standard deviation, far from the picture's edge
    stripes = np.zeros((HEIGHT, WIDTH, 3), np.uint8)
    stripes[:, (np.arange(WIDTH) // 40) % 2 == 1] = 119  # L* 50
    structure = difference(stripes, stripes, np.ones((HEIGHT, WIDTH), bool)).structure
    assert structure[200, 480] == pytest.approx(25, abs=2), "between a black and a grey stripe, L* 0 and 50"
    assert structure[200, 500] < 6


def test_a_photo_exposed_a_little_differently_shows_no_cue() -> None:
    mask = band()
    brighter = changed(panel(), np.ones_like(mask), 12)
    assert not is_visible(
        "wear_through", {"wear_through": mask}, brighter, difference(brighter, panel(), ~mask), SETTINGS
    )


@pytest.mark.parametrize(("by", "seen"), [(0, False), (3, False), (25, True)])
def test_a_cue_is_seen_by_what_it_changes(by: float, seen: bool) -> None:
    for cue in ("overspray_rubber", "overspray_hidden", "filled_seam"):
        assert sees(cue, band(), by) == seen


def test_what_changes_little_among_much_structure_is_not_seen() -> None:
    flecked = panel()
    flecked[(np.indices((HEIGHT, WIDTH)).sum(axis=0) // 4) % 2 == 0] = 40
    assert sees("filled_seam", band(), 9) and not sees("filled_seam", band(), 9, flecked)


def test_what_hardly_shows_in_any_of_its_places_is_not_seen() -> None:
    photo, mask = panel(), band(200, 600)
    altered = changed(photo, patch(12), 60)  # lies outside of `mask`
    altered = np.roll(altered, 300, axis=1)
    found = difference(altered, np.roll(photo, 300, axis=1), ~mask)
    assert is_visible("filled_seam", {"filled_seam": np.roll(patch(20), 298, axis=1)}, photo, found, SETTINGS)
    assert not is_visible("filled_seam", {"filled_seam": mask}, photo, found, SETTINGS)


def test_another_colour_is_no_flaw_of_the_film_and_lines_are() -> None:
    mask = band(300, 200)
    lines = mask & (np.arange(WIDTH) % 8 < 2)
    for cue in ("film_defect", "coarse_texture"):
        for where, seen in ((mask, False), (lines, True)):
            found = difference(changed(panel(), where, 40), panel(), ~mask)
            inner = band(340, 120)
            assert is_visible(cue, {cue: inner}, panel(), found, SETTINGS) == seen
            assert not is_visible(cue, {cue: inner, "painted_fastener": mask}, panel(), found, SETTINGS), (
                "that one's doing"
            )


@pytest.mark.parametrize("level", [0.0, 255.0])
def test_nothing_is_seen_in_the_dark_or_in_the_glare(level: float) -> None:
    photo = panel(grain=0, level=level)
    for cue in ("painted_fastener", "overspray_rubber"):
        assert not sees(cue, band(), 6 if level == 0 else 60, photo)


def test_a_speck_of_mist_on_a_black_part_is_not_called_and_a_bolt_of_that_size_is() -> None:
    assert not sees("overspray_hidden", patch(10), 60) and sees("painted_fastener", patch(10), 60)
    twice = np.kron(panel(), np.ones((2, 2, 1), np.uint8))
    larger = np.kron(patch(10), np.ones((2, 2), bool))
    assert not sees("overspray_hidden", larger, 60, twice)


def test_only_what_may_be_a_cue_is_worth_comparing() -> None:
    assert is_worth_comparing({"tape_residue": patch(10)}, SETTINGS)
    assert not is_worth_comparing({"tape_residue": patch(4), "overspray_hidden": patch(20)}, SETTINGS)
    assert not is_worth_comparing({"painted_fastener": band(), OLD_COAT: band()}, SETTINGS)
    assert not is_visible("tape_residue", {"tape_residue": patch(10)}, panel(), None, SETTINGS)


def test_wear_too_small_to_show_its_rings_is_not_called() -> None:
    assert not sees("wear_through", patch(10), 60) and sees("wear_through", patch(24), 60)
    assert sees("tape_residue", patch(10), 60)


def test_what_the_frame_cuts_off_is_not_called() -> None:
    bolt = np.zeros((HEIGHT, WIDTH), bool)
    bolt[200:212, 4:22] = True
    assert not sees("painted_fastener", bolt, 60) and sees("painted_fastener", np.roll(bolt, 60, axis=1), 60)


def test_a_joint_made_anew_is_called_by_its_shape() -> None:
    assert sees("changed_joint", patch(24), 0) and not sees("changed_joint", patch(4), 0)


def test_a_masking_edge_is_seen_along_its_line_only() -> None:
    old = band(0, 315)
    assert sees("masking_edge", band(), 25, old=old)
    assert not sees("masking_edge", band(), 2, old=old), "two coats alike, without a ridge"
    off_the_line = difference(changed(panel(), band(300, 6), 25), panel(), ~band())
    assert not is_visible("masking_edge", {"masking_edge": band(), OLD_COAT: old}, panel(), off_the_line, SETTINGS)
    assert not sees("masking_edge", band(), 25, old=band(0, 20)), "no line"


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
