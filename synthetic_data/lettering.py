"""Letters and lines as one thin strip each, which dips into what it stands on between strokes.

A plain sans drawn on four by six squares, as number plates, dials and switches have it.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from synthetic_data.geometry import Patch, Points, crossed, lengths, patch, slopes

WIDE, TALL, NEXT, GAP = 4.0, 6.0, 6.0, 3.5  # squares of a letter, from one to the next, and of a space
CORNER_COS = 0.6  # strokes that turn more are broken there, others rounded
GLYPHS = {  # strokes as corners, column and row of each, row 0 at the foot
    "A": "00 26 40,12 32", "B": "00 06 36 45 44 33 03,33 42 41 30 00", "C": "45 36 16 05 01 10 30 41",
    "D": "00 06 26 44 42 20 00", "E": "46 06 00 40,03 33", "F": "46 06 00,03 33", "G": "45 36 16 05 01 10 30 41 43 23",
    "H": "00 06,40 46,03 43", "I": "20 26", "J": "46 41 30 10 01", "K": "00 06,46 02,13 40", "L": "06 00 40",
    "M": "00 06 23 46 40", "N": "00 06 40 46", "O": "10 30 41 45 36 16 05 01 10", "P": "00 06 36 45 44 33 03",
    "Q": "10 30 41 45 36 16 05 01 10,22 40",
    "R": "00 06 36 45 44 33 03,23 40", "S": "45 36 16 05 04 13 33 42 41 30 10 01", "T": "06 46,26 20",
    "U": "06 01 10 30 41 46", "V": "06 20 46", "W": "06 10 24 30 46", "X": "00 46,06 40", "Y": "06 23 46,23 20",
    "Z": "06 46 00 40", "0": "10 30 41 45 36 16 05 01 10", "1": "04 26 20", "2": "05 16 36 45 44 00 40",
    "3": "05 16 36 45 44 33 13,33 42 41 30 10 01", "4": "30 36 02 42", "5": "46 06 03 33 42 41 30 10 01",
    "6": "45 36 16 05 01 10 30 41 42 33 13 02", "7": "06 46 10",
    "8": "13 04 05 16 36 45 44 33 13 02 01 10 30 41 42 33", "9": "01 10 30 41 45 36 16 05 04 13 33 44",
    "+": "21 25,03 43", "-": "03 43", " ": "",
}  # fmt: skip


def text(words: str, height: float, at: tuple[float, float] = (0.0, 0.0), *, width: float = np.inf) -> list[Points]:
    """The strokes (n, 2) of a line of text, `height` metres tall and with its middle `at`; x to the right, y up.

    It is drawn narrower where it would be wider than `width`.
    """
    place = np.concatenate([[0.0], np.cumsum([GAP if letter == " " else NEXT for letter in words])])
    long, square = place[-1] - NEXT + WIDE, height / TALL
    squares = np.array([min(square, width / long), square])
    return [
        at + squares * np.add(run, (left - long / 2, -TALL / 2))
        for letter, left in zip(words, place[:-1], strict=True)
        for corners in _strokes(letter)
        for run in _runs(corners)
    ]


def _strokes(letter: str) -> list[Points]:
    return [
        np.array([[float(digit) for digit in corner] for corner in stroke.split()])
        for stroke in GLYPHS[letter].split(",")
        if stroke
    ]


def _runs(corners: Points) -> list[Points]:
    """A stroke broken where it turns sharply, the corners between cut once (Chaikin)."""
    way = np.diff(corners, axis=0)
    way /= lengths(way)[:, None]
    breaks = 1 + np.flatnonzero((way[1:] * way[:-1]).sum(1) < CORNER_COS)
    ends = [0, *breaks, len(corners) - 1]
    runs = [corners[first : last + 1] for first, last in pairwise(ends)]
    cut = [np.stack([0.75 * run[:-1] + 0.25 * run[1:], 0.25 * run[:-1] + 0.75 * run[1:]], 1) for run in runs]
    return [
        run if len(run) < 3 else np.concatenate([run[:1], both.reshape(-1, 2)[1:-1], run[-1:]])
        for run, both in zip(runs, cut, strict=True)
    ]


def strip(strokes: Sequence[Points], width: float, proud: float) -> Patch:
    """Strokes (n, 2) in the plane z = 0 as one strip `width` wide and `proud` of it, as far below it between them."""
    sides, heights = [], []
    for stroke in strokes:
        way = slopes(stroke)
        way /= np.maximum(lengths(way), 1e-12)[:, None]
        run = stroke.copy()
        run[0] -= 0.35 * width * way[0]  # so that strokes meet in a corner
        run[-1] += 0.35 * width * way[-1]
        aside = np.stack([-way[:, 1], way[:, 0]], 1) * width / 2
        both = np.stack([run + aside, run - aside])
        sides.append(both[:, [0, *range(len(run)), -1]])
        heights.append(np.r_[-proud, np.full(len(run), proud), -proud])
    flat = np.concatenate(sides, axis=1)
    height = np.broadcast_to(np.concatenate(heights)[None, :, None], (*flat.shape[:2], 1))
    return patch(np.concatenate([flat, height], axis=2))


def lettering(words: str, height: float, at: tuple[float, float] = (0.0, 0.0), *, weight: float = 0.9) -> Patch:
    """A line of text in the plane z = 0 whose strokes are `weight` squares wide; it faces along z."""
    square = height / TALL
    return strip(text(words, height, at), weight * square, max(0.04 * square, 1e-4))


def lines(words: Sequence[str], height: float, spacing: float = 1.7, *, weight: float = 0.9) -> Patch:
    """Lines of text under one another, centred, in one strip."""
    square, middle = height / TALL, (len(words) - 1) / 2
    rows = [(line, (middle - k) * spacing * height) for k, line in enumerate(words)]
    strokes = [stroke for line, up in rows for stroke in text(line, height, (0.0, up))]
    return strip(strokes, weight * square, max(0.04 * square, 1e-4))


def joined(*strips: Patch) -> Patch:
    """Several strips as one."""
    return patch(np.concatenate([one.points for one in strips], axis=1))


def wrapped(flat: Patch, path: Points, radius: float, up: Points) -> Patch:
    """A flat strip along x laid on a tube: around `path` (n, 3), its middle on the side that looks `up`."""
    along = np.concatenate([[0.0], np.cumsum(lengths(np.diff(path, axis=0)))])
    at = np.clip(flat.points[..., 0] + along[-1] / 2, 0, along[-1])
    tangent = slopes(path)
    tangent /= lengths(tangent)[:, None]
    middle, way = (np.stack([np.interp(at, along, one[:, k]) for k in range(3)], -1) for one in (path, tangent))
    out = up - (way * up).sum(-1, keepdims=True) * way
    out /= lengths(out)[..., None]
    turn = (flat.points[..., 1] / radius)[..., None]
    reach = (radius + flat.points[..., 2])[..., None]
    return patch(middle + reach * (np.cos(turn) * out + np.sin(turn) * crossed(out, way)))
