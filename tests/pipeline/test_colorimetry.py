"""Colour formulas against the standards' own numbers, published tables, and colour-science over random colours."""

from __future__ import annotations

import colour
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from pipeline.colorimetry import (
    LINEAR_OF_BYTE,
    decode,
    delta_e00,
    encode,
    lab_to_linear,
    linear_to_lab,
    srgb_to_lab,
)

# Sharma, Wu, Dalal (2005), Color Research & Application 30(1), 21-30, table 1: all 34 pairs, L a b, L a b, ΔE00.
SHARMA_PAIRS = np.array(
    [
        [50.0000, 2.6772, -79.7751, 50.0000, 0.0000, -82.7485, 2.0425],
        [50.0000, 3.1571, -77.2803, 50.0000, 0.0000, -82.7485, 2.8615],
        [50.0000, 2.8361, -74.0200, 50.0000, 0.0000, -82.7485, 3.4412],
        [50.0000, -1.3802, -84.2814, 50.0000, 0.0000, -82.7485, 1.0000],
        [50.0000, -1.1848, -84.8006, 50.0000, 0.0000, -82.7485, 1.0000],
        [50.0000, -0.9009, -85.5211, 50.0000, 0.0000, -82.7485, 1.0000],
        [50.0000, 0.0000, 0.0000, 50.0000, -1.0000, 2.0000, 2.3669],
        [50.0000, -1.0000, 2.0000, 50.0000, 0.0000, 0.0000, 2.3669],
        [50.0000, 2.4900, -0.0010, 50.0000, -2.4900, 0.0009, 7.1792],
        [50.0000, 2.4900, -0.0010, 50.0000, -2.4900, 0.0010, 7.1792],
        [50.0000, 2.4900, -0.0010, 50.0000, -2.4900, 0.0011, 7.2195],
        [50.0000, 2.4900, -0.0010, 50.0000, -2.4900, 0.0012, 7.2195],
        [50.0000, -0.0010, 2.4900, 50.0000, 0.0009, -2.4900, 4.8045],
        [50.0000, -0.0010, 2.4900, 50.0000, 0.0010, -2.4900, 4.8045],
        [50.0000, -0.0010, 2.4900, 50.0000, 0.0011, -2.4900, 4.7461],
        [50.0000, 2.5000, 0.0000, 50.0000, 0.0000, -2.5000, 4.3065],
        [50.0000, 2.5000, 0.0000, 73.0000, 25.0000, -18.0000, 27.1492],
        [50.0000, 2.5000, 0.0000, 61.0000, -5.0000, 29.0000, 22.8977],
        [50.0000, 2.5000, 0.0000, 56.0000, -27.0000, -3.0000, 31.9030],
        [50.0000, 2.5000, 0.0000, 58.0000, 24.0000, 15.0000, 19.4535],
        [50.0000, 2.5000, 0.0000, 50.0000, 3.1736, 0.5854, 1.0000],
        [50.0000, 2.5000, 0.0000, 50.0000, 3.2972, 0.0000, 1.0000],
        [50.0000, 2.5000, 0.0000, 50.0000, 1.8634, 0.5757, 1.0000],
        [50.0000, 2.5000, 0.0000, 50.0000, 3.2592, 0.3350, 1.0000],
        [60.2574, -34.0099, 36.2677, 60.4626, -34.1751, 39.4387, 1.2644],
        [63.0109, -31.0961, -5.8663, 62.8187, -29.7946, -4.0864, 1.2630],
        [61.2901, 3.7196, -5.3901, 61.4292, 2.2480, -4.9620, 1.8731],
        [35.0831, -44.1164, 3.7933, 35.0232, -40.0716, 1.5901, 1.8645],
        [22.7233, 20.0904, -46.6940, 23.0331, 14.9730, -42.5619, 2.0373],
        [36.4612, 47.8580, 18.3852, 36.2715, 50.5065, 21.2231, 1.4146],
        [90.8027, -2.0831, 1.4410, 91.1528, -1.6435, 0.0447, 1.4441],
        [90.9257, -0.5406, -0.9208, 88.6381, -0.8985, -0.7239, 1.5381],
        [6.7747, -0.2908, -2.4247, 5.8714, -0.0985, -2.2286, 0.6377],
        [2.0776, 0.0795, -1.1350, 0.9033, -0.0636, -0.5514, 0.9082],
    ]
)

# The 24 patches of the classic ColorChecker in 8-bit sRGB, mean of 30 charts. Source: D. Pascale (2006), "RGB
# coordinates of the Macbeth ColorChecker", BabelColor average; from memory, held against that average's xyY below.
CHECKER_SRGB = np.array(
    [
        [115, 81, 67], [199, 147, 129], [91, 122, 156], [90, 108, 64], [130, 128, 176], [92, 190, 172],
        [224, 124, 47], [68, 91, 170], [198, 82, 97], [94, 58, 106], [159, 189, 63], [230, 162, 39],
        [35, 63, 147], [67, 149, 74], [180, 49, 57], [238, 198, 20], [193, 84, 151], [0, 136, 170],
        [245, 245, 243], [200, 202, 202], [161, 163, 163], [121, 121, 122], [82, 84, 86], [49, 49, 51],
    ],
    np.uint8,
)  # fmt: skip
CYAN = 17  # outside sRGB: its red is clipped, so the published sRGB is another colour

D65 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
unit = st.floats(0, 1, allow_nan=False, width=64)
rgbs = arrays(np.float64, 3, elements=unit)
labs = arrays(np.float64, 3, elements=st.floats(-100, 100, allow_nan=False)).map(
    lambda v: np.abs(v) * [1, 0, 0] + v * [0, 1, 1]
)


@pytest.mark.parametrize("row", SHARMA_PAIRS, ids=[str(pair) for pair in range(1, 35)])
def test_every_published_pair_comes_out_to_four_decimals(row: np.ndarray) -> None:
    assert delta_e00(row[:3], row[3:6]) == pytest.approx(row[6], abs=5.001e-5)
    assert delta_e00(row[3:6], row[:3]) == pytest.approx(row[6], abs=5.001e-5)


def test_the_pairs_come_out_as_one_array_too() -> None:
    assert np.abs(delta_e00(SHARMA_PAIRS[:, :3], SHARMA_PAIRS[:, 3:6]) - SHARMA_PAIRS[:, 6]).max() < 5.001e-5


@given(labs, labs)
def test_difference_agrees_with_the_reference_library(first: np.ndarray, second: np.ndarray) -> None:
    expected = float(colour.delta_E(first, second, method="CIE 2000"))
    # where two hues lie exactly opposite the formula itself jumps: there either side is right
    hues = np.degrees([np.arctan2(first[2], first[1]), np.arctan2(second[2], second[1])])
    if abs(abs(hues[0] - hues[1]) - 180) > 0.1:
        assert float(delta_e00(first, second)) == pytest.approx(expected, abs=1e-6)


@given(labs)
def test_a_colour_does_not_differ_from_itself(lab: np.ndarray) -> None:
    assert delta_e00(lab, lab) == pytest.approx(0, abs=1e-6)


# IEC 61966-2-1:1999, 5.2: the two branches, and where they meet.
@pytest.mark.parametrize(
    ("encoded", "linear"),
    [
        (0.0, 0.0),
        (1.0, 1.0),
        (0.04045, 0.04045 / 12.92),
        (0.02, 0.02 / 12.92),
        (0.5, ((0.5 + 0.055) / 1.055) ** 2.4),
        (0.735357, 0.5),
    ],
)
def test_transfer_function_follows_the_standard(encoded: float, linear: float) -> None:
    assert decode(encoded) == pytest.approx(linear, abs=2e-6)
    assert encode(linear) == pytest.approx(encoded, abs=5e-6)


def test_all_bytes_decode_as_in_the_reference_library() -> None:
    assert np.allclose(LINEAR_OF_BYTE, colour.models.eotf_sRGB(np.arange(256) / 255), atol=1e-12)


@given(rgbs)
def test_lab_agrees_with_the_reference_library(linear: np.ndarray) -> None:
    expected = colour.XYZ_to_Lab(colour.RGB_to_XYZ(linear, "sRGB"), D65)
    assert np.allclose(linear_to_lab(linear), expected, atol=2e-3)


@given(rgbs)
def test_lab_and_back_gives_the_same_light(linear: np.ndarray) -> None:
    assert np.allclose(lab_to_linear(linear_to_lab(linear)), linear, atol=1e-9)


@given(arrays(np.uint8, 3))
def test_bytes_and_fractions_give_the_same_colour(srgb: np.ndarray) -> None:
    assert np.allclose(srgb_to_lab(srgb), srgb_to_lab(srgb / 255), atol=1e-9)


def test_published_srgb_of_the_checker_gives_its_published_colours() -> None:
    """Two published tables meet here: 8-bit sRGB, and xyY under D50, adapted to D65 (Bradford)."""
    checker = colour.CCS_COLOURCHECKERS["BabelColor Average"]
    xyz = colour.xyY_to_XYZ(np.array(list(checker.data.values())))
    adapted = colour.chromatic_adaptation(
        xyz, colour.xy_to_XYZ(checker.illuminant), colour.xy_to_XYZ(D65), transform="Bradford"
    )
    difference = delta_e00(srgb_to_lab(CHECKER_SRGB), colour.XYZ_to_Lab(adapted, D65))
    inside = np.arange(24) != CYAN
    # each table is the mean of other charts, and 8 bits round: their neutrals are 1 apart, most colours half of that
    assert difference[inside].max() < 1.5
    assert np.median(difference) < 0.5
