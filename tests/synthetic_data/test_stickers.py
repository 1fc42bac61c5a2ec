"""What is stuck on panels: every sort is drawn, can be read, and lies the right way up."""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("torch")

from synthetic_data.paint import MARKS
from synthetic_data.stickers import EACH, HEIGHT, ROUND, SORTS, WIDTH, drawn, sheet, sticker_settings
from tests.synthetic_data.samples import SHEET, a_part
from tests.synthetic_data.test_paint import SHAPE, TEXEL, encoded, look


def test_every_sticker_has_ink_on_a_ground_and_round_ones_are_round() -> None:
    each = sheet().reshape(-1, HEIGHT, WIDTH, 4)
    assert len(each) == len(SORTS) * EACH
    for number, one in enumerate(each):
        cover = one[..., 3]
        assert np.ptp(one[cover > 0.99][:, :3].sum(axis=1)) > 0.4
        full = np.pi / 4 if SORTS[number // EACH] in ROUND else 1.0  # a circle in its square
        assert abs(cover.mean() - full) < 0.02


def test_all_sorts_are_drawn_in_their_sizes() -> None:
    rng = np.random.default_rng(5)
    seen = [drawn(rng) for _ in range(200)]
    assert {SORTS[number // EACH] for number, *_ in seen} == set(SORTS)
    for number, along, across, peeled in seen:
        low, high = sticker_settings().half_mm[SORTS[number // EACH]][0]
        assert low <= along <= high and across <= along and 0 <= peeled <= 1


def test_where_rows_run_up_a_sticker_is_turned_half_round() -> None:
    long, tall = ((count - 1) * TEXEL / 2 for count in SHAPE[::-1])  # mm: its middle is that of the texels
    mark = (float(MARKS.index("sticker")), long, tall, 0.8 * long, 0.8 * long / 4, 0.0)
    down, up = (encoded(look(a_part(SHEET, mark=mark, sticker=(1.0, turn, 0.0)))) for turn in (1.0, -1.0))
    assert np.abs(down - up[::-1, ::-1]).mean() < 0.3 * np.abs(down - up).mean()


def test_of_an_old_sticker_less_is_left() -> None:
    mark = (float(MARKS.index("sticker")), 0.5 * SHAPE[1] * TEXEL, 0.5 * SHAPE[0] * TEXEL, 40.0, 10.0, 0.0)
    left = [(look(a_part(SHEET, mark=mark, sticker=(0.0, 1.0, peeled))).relief_mm > 0.06).sum() for peeled in (0, 0.6)]
    assert 0 < left[1] < left[0]
