"""What owners and dealers stick on a panel: a dealer's strip, an inspection disc, a club's roundel, a label, stripes.

Each is drawn once, in ink on a ground, and laid on a panel by `paint.py`, which wears it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import Literal

import cv2
import numpy as np

from pipeline.configuration import Config, load, shipped
from synthetic_data.camera import Range, Share
from synthetic_data.lettering import text
from synthetic_data.panorama import Array, Colour

Sort = Literal["strip", "disc", "roundel", "label", "stripes"]
SORTS: tuple[Sort, ...] = ("strip", "disc", "roundel", "label", "stripes")
EACH = 4  # of a sort
HEIGHT, WIDTH = 128, 512  # pixels of one: 0.4 mm of a dealer's strip
ROUND = ("disc", "roundel")


class StickerSettings(Config):
    """`configs/synthesis/stickers.yaml`, where each value is explained."""

    words: dict[str, list[str]]
    inks: list[Colour]
    papers: list[Colour]
    shares: dict[Sort, Share]
    half_mm: dict[Sort, tuple[Range, Range]]
    peeled: Range


@lru_cache
def sticker_settings() -> StickerSettings:
    return load(shipped("synthesis", "stickers.yaml"), StickerSettings)


def drawn(rng: np.random.Generator) -> tuple[int, float, float, float]:
    """A sticker: its number on the sheet, half its length and height in mm, how far it has come off, 0 to 1."""
    settings = sticker_settings()
    sort: Sort = SORTS[int(rng.choice(len(SORTS), p=[settings.shares[name] for name in SORTS]))]
    along, across = (float(rng.uniform(*half)) for half in settings.half_mm[sort])
    number = SORTS.index(sort) * EACH + int(rng.integers(EACH))
    return number, along, along if sort in ROUND else across, float(rng.uniform(*settings.peeled))


@lru_cache(maxsize=1)
def sheet() -> Array:
    """All stickers under one another, float32 (n × HEIGHT, WIDTH, 4): albedo times cover, and cover."""
    rng = np.random.default_rng(53)
    all_of_them = np.concatenate([_print(sort, number, rng) for sort in SORTS for number in range(EACH)])
    all_of_them.setflags(write=False)
    return all_of_them


def _print(sort: Sort, number: int, rng: np.random.Generator) -> Array:
    settings = sticker_settings()
    ink = np.asarray(settings.inks[int(rng.integers(len(settings.inks)))])
    paper = np.asarray(settings.papers[int(rng.integers(len(settings.papers)))])
    words = {key: some[(number + len(sort)) % len(some)] for key, some in settings.words.items()}
    digits = "".join(str(digit) for digit in rng.integers(0, 10, 6))
    one = _Print(1.0 if sort in ROUND else WIDTH / HEIGHT)
    if sort == "strip":
        one.block(-1.0, 1.0, -1.0, 1.0)
        if number % 2:
            one.block(-0.94, 0.94, -0.1, 0.82, on=False)
        one.words(f"{words['dealer']} {words['trade']}", 0.62, 0.34, 1.75, on=number % 2 == 1)
        one.words(f"TEL 0{digits[:3]} {digits[3:]}", 0.42, -0.5, 1.2, on=False)
    elif sort == "label":
        one.frame(0.05)
        one.words(words["label"], 0.95, 0.0, 1.7)
    elif sort == "stripes":
        one.hatch()
    else:
        one.ring(0.97, 0.88)
        if sort == "disc":
            one.ring(0.62, 0.56)
            one.around([str(month) for month in range(1, 13)], 0.2, 0.73)
            one.words(f"{rng.integers(2, 22):02}", 0.55, 0.0, 0.9)
        else:
            one.ring(0.60, 0.55)
            one.around(f"{words['dealer']}  4X4 CLUB  ", 0.21, 0.71)
            one.hills()
    cover = one.cover(is_round=sort in ROUND)
    colour = paper + (ink - paper) * (one.ink[..., None] / 255)
    return np.concatenate([colour * cover[..., None], cover[..., None]], axis=-1).astype(np.float32)


class _Print:
    """One sticker's ink uint8 (HEIGHT, WIDTH). Places go from -1 to 1 in both directions, y up; lengths are in
    half heights, and `long` is the sticker's length over its height."""

    def __init__(self, long: float) -> None:
        self.long = long
        self.ink = np.zeros((HEIGHT, WIDTH), np.uint8)

    def _px(self, x: Array | float, y: Array | float) -> Array:
        """Places in half heights to sixteenths of a pixel."""
        column = (np.asarray(x) / self.long + 1) * WIDTH / 2 - 0.5
        row = (1 - np.asarray(y)) * HEIGHT / 2 - 0.5
        return np.asarray(np.round(np.stack([column, row], -1) * 16).astype(np.int32))

    def _fill(self, x: Array, y: Array, *, on: bool = True) -> None:
        cv2.fillPoly(self.ink, [self._px(x, y)], 255 * on, cv2.LINE_AA, 4)

    def block(self, left: float, right: float, low: float, high: float, *, on: bool = True) -> None:
        x = np.array([left, right, right, left]) * self.long
        self._fill(x, np.array([low, low, high, high]), on=on)

    def frame(self, wide: float) -> None:
        self.block(-0.97, 0.97, -0.88, 0.88)
        self.block(-0.97 + wide / 2, 0.97 - wide / 2, -0.88 + wide * 2, 0.88 - wide * 2, on=False)

    def ring(self, outer: float, inner: float) -> None:
        turn = np.linspace(0, 2 * math.pi, 60, endpoint=False)
        for radius, on in ((outer, True), (inner, False)):
            self._fill(radius * np.cos(turn), radius * np.sin(turn), on=on)

    def hatch(self) -> None:
        for k in range(-6, 7):
            x = np.array([k - 0.25, k + 0.25, k + 0.75, k + 0.25]) * 1.6
            self._fill(x, np.array([-1.0, -1.0, 1.0, 1.0]))

    def hills(self) -> None:
        """A club's picture: hills over a track."""
        self._fill(np.array([-0.4, -0.12, 0.02, 0.16, 0.42]), np.array([-0.12, 0.3, 0.12, 0.26, -0.12]))
        self._fill(np.array([-0.42, 0.42, 0.3, -0.3]), np.array([-0.2, -0.2, -0.3, -0.3]))

    def words(self, line: str, tall: float, y: float, width: float, *, on: bool = True) -> None:
        """A line of text `tall` high around (0, y), no longer than a share of the half length."""
        self._strokes(text(line, tall, (0.0, y), width=width * self.long), tall, on)

    def around(self, signs: str | list[str], tall: float, radius: float) -> None:
        """Signs upright on a circle, clockwise from the top."""
        for k, sign in enumerate(signs):
            turn = 2 * math.pi * k / len(signs)
            c, s = math.cos(turn), math.sin(turn)
            way = np.array([[c, -s], [s, c]])
            strokes = [stroke @ way + radius * np.array([s, c]) for stroke in text(sign, tall)]
            self._strokes(strokes, tall, True)

    def _strokes(self, strokes: Sequence[Array], tall: float, on: bool) -> None:
        for stroke in strokes:
            way = np.diff(stroke, axis=0)
            aside = np.stack([-way[:, 1], way[:, 0]], 1) / np.maximum(np.hypot(*way.T), 1e-9)[:, None] * 0.085 * tall
            for foot, end, off in zip(stroke[:-1], stroke[1:], aside, strict=True):  # a canvas of unlike scales
                beyond = np.array([off[1], -off[0]]) * 0.8
                corners = np.array([foot + off - beyond, end + off + beyond, end - off + beyond, foot - off - beyond])
                self._fill(corners[:, 0], corners[:, 1], on=on)

    def cover(self, *, is_round: bool) -> Array:
        x = ((np.arange(WIDTH) + 0.5) * 2 / WIDTH - 1)[None] * self.long
        y = (1 - (np.arange(HEIGHT) + 0.5) * 2 / HEIGHT)[:, None]
        if is_round:
            inward = 1 - np.hypot(x, y)
        else:  # corners are rounded
            off_x, off_y = (np.maximum(np.abs(part) - end + 0.16, 0) for part, end in ((x, self.long), (y, 1.0)))
            inward = 0.16 - np.hypot(off_x, off_y)
        return np.asarray(np.clip(inward * HEIGHT / 2, 0, 1))
