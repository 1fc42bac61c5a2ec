from __future__ import annotations

import numpy as np
import pytest

from synthetic_data.geometry import area_normals, lengths, line
from synthetic_data.lettering import GLYPHS, lettering, lines, strip, text, wrapped


@pytest.mark.parametrize("letter", sorted(set(GLYPHS) - {" "}))
def test_a_letter_stays_within_its_squares_and_faces_the_reader(letter: str) -> None:
    drawn = lettering(letter, 0.06).points
    on_top = drawn[0, :, 2] > 0
    assert np.abs(drawn[..., 0]).max() <= 0.02 + 0.01 and np.abs(drawn[..., 1]).max() <= 0.03 + 0.01
    assert area_normals(drawn)[:, on_top, 2].sum() > 0
    assert not on_top[0] and not on_top[-1]


def test_no_two_letters_look_alike() -> None:
    strokes = [glyph for letter, glyph in GLYPHS.items() if letter not in "O0"]  # as on many a plate
    assert len(set(strokes)) == len(strokes)


def test_a_line_of_text_runs_to_the_right_around_its_middle() -> None:
    strokes = text("LIL", 0.06, (1.0, 2.0))
    points = np.concatenate(strokes)
    np.testing.assert_allclose((points.min(axis=0) + points.max(axis=0)) / 2, (1.0, 2.0), atol=1e-9)
    assert strokes[0][:, 0].mean() < strokes[-1][:, 0].mean()
    assert np.ptp(np.concatenate(text("LIL", 0.06, width=0.05))[:, 0]) == pytest.approx(0.05)


def test_the_first_line_is_the_upper_one() -> None:
    both, upper = lines(["I", "-"], 0.06), 0.06 * 1.7 / 2
    assert both.points[..., 1].max() == pytest.approx(upper + 0.03, abs=0.01)


def test_between_strokes_a_strip_lies_under_what_it_stands_on() -> None:
    flat = strip([np.array([[0.0, 0], [1, 0]]), np.array([[3.0, 0], [4, 0]])], 0.1, 0.01).points
    between = (flat[..., 0] > 1.1) & (flat[..., 0] < 2.9)
    assert not (between & (flat[..., 2] > 0)).any()


def test_print_on_a_hose_keeps_to_its_surface() -> None:
    path = line((0, 0, 0), (1, 0, 0), 20)
    printed = wrapped(lettering("HOSE", 0.02), path, 0.05, np.array([0.0, 0, 1])).points
    away = lengths(printed[..., 1:]) - 0.05
    assert np.abs(away).max() < 0.001 and (printed[..., 2] > 0.04).all()
