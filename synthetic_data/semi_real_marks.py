"""Surfaces marked by hand on photos: the marks as they are saved, and the geometry of one mark, pixel by pixel."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

import cv2
import numpy as np
import numpy.typing as npt
from pydantic import AfterValidator, Field, model_validator

from pipeline.configuration import Config, load, shipped
from pipeline.records import DETECTED_CUES, SHOTS

Array = npt.NDArray[Any]
Kind = Literal["rubber", "fastener", "seam", "black_part", "shut", "panel"]
MARGIN_PX = 16  # around a mark, so that blur and sampled surroundings have room
MOST_FINE_PX = 1600  # of the long side of a mark's own grid


def _is_cue(name: str) -> str:
    if name not in DETECTED_CUES:
        raise ValueError(f"unknown cue, use one of {', '.join(DETECTED_CUES)}")
    return name


def _is_shot(name: str) -> str:
    if name not in SHOTS:
        raise ValueError(f"unknown shot, use one of {', '.join(SHOTS)}")
    return name


class Mark(Config):
    """One surface: a polygon, a line of `width_px`, or a disc (one point and `width_px`), in pixels of the photo."""

    kind: Kind
    points: tuple[tuple[float, float], ...] = Field(min_length=1)
    width_px: float | None = Field(default=None, gt=0)
    paint: Literal["left", "right"] | None = None

    @model_validator(mode="after")
    def _has_area(self) -> Mark:
        if self.width_px is None and len(self.points) < 3:
            raise ValueError("a polygon needs three points, or give width_px for a line or a disc")
        return self


class MarkedPhoto(Config):
    """One photo by name and digest, and its marks; see the head of the file for the fields."""

    file: str
    sha256: str = Field(pattern=r"^[0-9a-f]{64}$")
    width: int = Field(gt=0)
    height: int = Field(gt=0)
    vehicle: str
    family: str = "real"
    shot: Annotated[str, AfterValidator(_is_shot)] | None = None
    vehicle_visible: Literal[1] | None = 1
    split: Literal["train", "test"]
    body_reflectance: float = Field(gt=0, le=1)
    mm_per_px: float = Field(gt=0)
    already: tuple[Annotated[str, AfterValidator(_is_cue)], ...] = ()
    marks: tuple[Mark, ...]

    @model_validator(mode="after")
    def _inside(self) -> MarkedPhoto:
        for mark in self.marks:
            for x, y in mark.points:
                if not (0 <= x <= self.width and 0 <= y <= self.height):
                    raise ValueError(f"{self.file}: the point {x:g}, {y:g} lies outside the photo")
        return self


class Marks(Config):
    """All marked photos."""

    photos: tuple[MarkedPhoto, ...]

    @model_validator(mode="after")
    def _split_by_vehicle(self) -> Marks:
        splits: dict[str, str] = {}
        for photo in self.photos:
            if splits.setdefault(photo.vehicle, photo.split) != photo.split:
                raise ValueError(f"{photo.file}: its vehicle {photo.vehicle} is in both splits")
        return self


def read_marks(path: Path | None = None) -> Marks:
    """The shipped marks, or those of a file. Raises ConfigError."""
    return load(path or shipped("semi_real_marks.yaml"), Marks)


@dataclass(frozen=True, slots=True)
class Place:
    """One mark in a window of the photo, on a grid `fine` times as fine; lengths in pixels of the photo.

    `inside` (h, w) bool; `along`, `across` (h, w): along a line from its start and across it from the paint's edge
    inwards, or on a polygon's long and short axis from its middle; `depth` (h, w): inwards from the border.
    `window`: left, top, right, bottom; `length` and `breadth` of the mark; `paint_side`: +1 right of a line, -1 left.
    """

    window: tuple[int, int, int, int]
    fine: int
    inside: Array
    along: Array
    across: Array
    depth: Array
    length: float
    breadth: float
    paint_side: int

    def reduced(self, field: Array) -> Array:
        """A field of the fine grid as the photo's pixels see it: the mean over each."""
        left, top, right, bottom = self.window
        values = np.asarray(field, np.float32)
        return np.asarray(cv2.resize(values, (right - left, bottom - top), interpolation=cv2.INTER_AREA))


def place_of(mark: Mark, width: int, height: int) -> Place:
    """The geometry of a mark on a photo of that size."""
    points = np.array(mark.points, np.float64)
    reach = (mark.width_px or 0) / 2 + max(MARGIN_PX, 1.5 * (mark.width_px or 0))
    left, top = (max(int(value), 0) for value in points.min(0) - reach)
    right = min(math.ceil(points[:, 0].max() + reach), width)
    bottom = min(math.ceil(points[:, 1].max() + reach), height)
    fine = max(1, min(4, MOST_FINE_PX // max(right - left, bottom - top)))
    y, x = np.mgrid[0 : (bottom - top) * fine, 0 : (right - left) * fine].astype(np.float32)
    x, y = (x + 0.5) / fine + left - 0.5, (y + 0.5) / fine + top - 0.5
    side = -1 if mark.paint == "left" else 1
    if mark.width_px is None:
        border = np.round(((points - [left, top] + 0.5) * fine - 0.5) * 16).astype(np.int32)
        drawn = np.zeros(x.shape, np.uint8)
        cv2.fillPoly(drawn, [border], 1, shift=4)
        depth = cv2.distanceTransform(drawn, cv2.DIST_L2, 5) / fine
        middle = np.array([x[drawn > 0].mean(), y[drawn > 0].mean()])
        spread = np.cov(np.stack([x[drawn > 0][::7], y[drawn > 0][::7]]))
        axis = np.linalg.eigh(spread)[1][:, 1]
        along = (x - middle[0]) * axis[0] + (y - middle[1]) * axis[1]
        across = -(x - middle[0]) * axis[1] + (y - middle[1]) * axis[0]
        length, breadth = (float(np.ptp(field[drawn > 0])) for field in (along, across))
        return Place((left, top, right, bottom), fine, drawn > 0, along, across, depth, length, breadth, side)
    if len(points) == 1:
        distance = np.hypot(x - points[0, 0], y - points[0, 1])
        radius = mark.width_px / 2
        along, across = x - np.float32(points[0, 0]), y - np.float32(points[0, 1])
        depth = np.maximum(radius - distance, 0)
        return Place(
            (left, top, right, bottom), fine, distance < radius, along, across, depth, 2 * radius, 2 * radius, side
        )
    along, offset, length = _along_line(points, x, y)
    half = mark.width_px / 2
    inside = (np.abs(offset) < half) & (along > 0) & (along < length)
    depth = np.where(inside, half - np.abs(offset), 0)
    across = half - side * offset  # 0 where the paint ends, growing into the rubber
    return Place((left, top, right, bottom), fine, inside, along, across, depth, length, mark.width_px, side)


def _along_line(points: Array, x: Array, y: Array) -> tuple[Array, Array, float]:
    """Length along the nearest stretch of a line, signed distance (positive to the right of travel), whole length."""
    nearest = np.full(x.shape, np.inf, np.float32)
    along, offset, start = np.zeros_like(x), np.zeros_like(x), 0.0
    for index, (first, second) in enumerate(itertools.pairwise(points)):
        step = second - first
        size = float(np.hypot(*step))
        place = ((x - first[0]) * step[0] + (y - first[1]) * step[1]) / size
        low = -np.inf if index == 0 else 0.0
        held = np.clip(place, low, np.inf if index == len(points) - 2 else size)
        dx, dy = x - first[0] - held * step[0] / size, y - first[1] - held * step[1] / size
        distance = np.hypot(dx, dy)
        closer = distance < nearest
        nearest = np.where(closer, distance, nearest)
        sign = np.where((x - first[0]) * -step[1] + (y - first[1]) * step[0] >= 0, 1, -1)
        along, offset = np.where(closer, start + held, along), np.where(closer, sign * distance, offset)
        start += size
    return along.astype(np.float32), offset.astype(np.float32), start
