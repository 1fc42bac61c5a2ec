"""Marks read off a rendered set's own label planes, so that cues can be painted on renders as on real photos.

There are few marked real photos, and a network that sees one photo under hundreds of edits comes to know the photo, and
with it what was changed. Renders are many: the same edits on them teach what an edit shows, whatever lies beneath.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import cv2
import numpy as np
import numpy.typing as npt

from pipeline.errors import BatchError
from pipeline.records import SURFACES, ZONES
from synthetic_data.semi_real_covers import CUES
from synthetic_data.semi_real_marks import Kind, Mark, MarkedPhoto, Marks
from synthetic_data.set_check import read_labels

Array = npt.NDArray[Any]
Plane = npt.NDArray[np.uint8]
Points = tuple[tuple[float, float], ...]
KINDS: tuple[Kind, ...] = ("fastener", "rubber", "seam", "shut", "black_part", "panel")  # the rarest in renders first
WINDOW_PX = {"panel": (60, 320), "shut": (50, 240), "black_part": (40, 240), "rubber": (60, 220), "seam": (60, 220)}
LEAST_AREA_PX = 500  # of a polygon
HEAD_PX = (6.0, 60.0)  # diameters of heads that are worth painting
RUBBER_PX = (3.0, 28.0)  # widths of rubber that are painted as a line
SEAM_BAND_PX = (2.0, 120.0)  # widths of what is labelled a seam: its gap and what lies beside it
LEAST_GAP_CONTRAST = 8.0  # by how much (of 255) the gap is darker than what lies beside it
MOST_GAP_PX = 14.0
LEAST_STRAIGHT = 0.7  # share of its own least rectangle that a straight strip fills
LEAST_LENGTH = {"rubber": 4.0, "seam": 2.0}  # of a strip, in its widths
LEAST_PAINT = 0.25  # share of the pixels beside a strip, for that side to be the paint's
TRIES = 6  # windows drawn a kind, until one holds a mark
DENSER_PX = 2  # marks keep so far from the border of their surface: labels and picture differ by a pixel there
MIRRORED = 0.04  # what a lacquer's face mirrors (Fresnel, index 1.5) beyond the luminance of its CIE L*
LEAST_REFLECTANCE = 0.12  # a dark body shows more of its surroundings than of its paint; by eye
VIEW_OF_DISTANCE = 1.38  # width of the view over the distance: 36 mm over 26 mm, a phone's usual lens (common practice)


def marks_of_set(folder: Path, *, seed: int, most: int = 1) -> Marks:
    """Marks on the photos of a rendered set, at most `most` a photo, the kinds seldom seen before the others.

    Of the cues that a mark can carry one is drawn; all others stand in `already`. Photos that show nothing to paint on,
    and those of the split `val`, have no entry. Raises BatchError where the folder holds no rendered set.
    """
    with ThreadPoolExecutor() as pool:
        photos = tuple(pool.map(lambda row: _marked(folder, row, seed, most), read_labels(folder).rows.values()))
    marked = tuple(photo for photo in photos if photo is not None)
    if not marked:
        raise BatchError(
            folder, "no photo has labels of surfaces to mark", "name a set that `maskline data synth` made"
        )
    return Marks(photos=marked)


def _marked(folder: Path, row: Mapping[str, Any], seed: int, most: int) -> MarkedPhoto | None:
    name = str(row["file"])
    if row["split"] not in ("train", "test") or row.get("body_L") is None or row.get("distance_m") is None:
        return None
    dense = cv2.imread(str(folder / "dense" / f"{Path(name).stem}.png"))
    picture = cv2.imread(str(folder / "images" / name), cv2.IMREAD_GRAYSCALE)
    if dense is None or picture is None:
        return None
    free = {cue for cue in CUES if row.get(f"cue_{cue}") == 0}
    rng = np.random.default_rng(int.from_bytes(hashlib.sha256(f"{seed}:{name}".encode()).digest()[:8], "big"))
    _, zone, surface = cv2.split(dense)
    height, width = surface.shape
    where = _where(surface, zone)
    marks: list[Mark] = []
    wanted: set[str] = set()
    for kind in KINDS:
        cues = [cue for cue, (kinds, _) in CUES.items() if kind in kinds and cue in free - wanted]
        if not cues or len(marks) == most:
            continue
        mark = next((mark for mark in _tried(kind, picture, where, rng) if mark is not None), None)
        if mark is not None:
            held = tuple((min(max(x, 0.0), width), min(max(y, 0.0), height)) for x, y in mark.points)
            marks.append(mark.model_copy(update={"points": held}))
            wanted.add(str(rng.choice(cues)))
    if not marks:
        return None
    return MarkedPhoto(
        file=name,
        sha256=hashlib.sha256((folder / "images" / name).read_bytes()).hexdigest(),
        width=width,
        height=height,
        vehicle=str(row["vehicle"]),
        family=str(row["family"]),
        shot=row["shot"],
        vehicle_visible=1 if row["vehicle_visible"] == 1 else None,
        split=row["split"],
        body_reflectance=float(np.clip(((row["body_L"] + 16) / 116) ** 3 + MIRRORED, LEAST_REFLECTANCE, 1)),
        mm_per_px=max(1000 * VIEW_OF_DISTANCE * float(row["distance_m"]) / max(width, height), 0.05),
        already=tuple(cue for cue in CUES if cue not in wanted),
        marks=tuple(marks),
    )


def _where(surface: Plane, zone: Plane) -> dict[Kind, npt.NDArray[np.bool_]]:
    """Where in a photo (H, W) each kind of mark may lie."""
    paint = surface == SURFACES.index("paint")
    shut = zone == 1 + ZONES.index("door_shut")
    return {
        "panel": paint & ~shut,
        "shut": paint & shut,
        "black_part": surface == SURFACES.index("black_part"),
        "rubber": surface == SURFACES.index("rubber"),
        "seam": (zone == 1 + ZONES.index("body_seam")) & paint,
        "fastener": surface == SURFACES.index("fastener"),
    }


def _tried(
    kind: Kind, picture: Plane, where: Mapping[Kind, npt.NDArray[np.bool_]], rng: np.random.Generator
) -> Iterator[Mark | None]:
    inside = where[kind]
    places = cv2.findNonZero(inside.astype(np.uint8))
    for _ in range(TRIES if places is not None else 0):
        at = places[int(rng.integers(len(places)))].ravel()
        if kind == "fastener":
            yield _head(inside, at)
            continue
        half = int(rng.integers(*WINDOW_PX[kind])) // 2
        left, top = (max(int(value) - half, 0) for value in at)
        window = np.s_[top : int(at[1]) + half, left : int(at[0]) + half]
        piece = _piece(inside[window], int(at[0]) - left, int(at[1]) - top)
        if kind == "rubber":
            yield _rubber(piece, where["panel"][window] | where["shut"][window], left, top)
        elif kind == "seam":
            yield _gap(piece, picture[window], left, top)
        else:
            yield _polygon(kind, piece, left, top)


def _piece(inside: npt.NDArray[np.bool_], x: int, y: int) -> Plane:
    """The connected piece that holds a pixel."""
    _, pieces = cv2.connectedComponents(inside.astype(np.uint8), connectivity=4)
    return np.asarray(pieces == pieces[y, x], np.uint8)


def _polygon(kind: Kind, piece: Plane, left: int, top: int) -> Mark | None:
    kernel = np.ones((2 * DENSER_PX + 1,) * 2, np.uint8)
    padded = cv2.copyMakeBorder(piece, 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0)
    contours, _ = cv2.findContours(cv2.erode(padded, kernel), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    outline = max(contours, key=cv2.contourArea, default=None)
    if outline is None or cv2.contourArea(outline) < LEAST_AREA_PX:
        return None
    points = cv2.approxPolyDP(outline, 1.5, closed=True)[:, 0] + [left - 1, top - 1]
    return Mark(kind=kind, points=_points(points)) if len(points) >= 3 else None


@dataclass(frozen=True, slots=True)
class _Strip:
    """A straight piece of a window: its middle (2,), unit vectors along and across it (to the right), and its size."""

    middle: Array
    along: Array
    across: Array
    length: float
    width: float

    def ends(self, offset: float, left: int, top: int) -> Points:
        """The two ends of a line along it, so far off its middle, in pixels of the photo."""
        reach = self.along * self.length / 2
        middle = self.middle + self.across * offset + [left, top]
        return _points(np.stack([middle - reach, middle + reach]))

    def beside(self, values: Array, offset: float) -> float:
        """The mean of a window's values along a line so far off its middle; nan outside the window."""
        steps = np.linspace(-0.4, 0.4, 81)[:, None] * self.length * self.along
        columns, rows = np.round(self.middle + self.across * offset + steps).astype(int).T
        seen = (rows >= 0) & (rows < values.shape[0]) & (columns >= 0) & (columns < values.shape[1])
        return float(values[rows[seen], columns[seen]].mean()) if seen.any() else float("nan")


def _straight(piece: Plane, kind: Kind, widths: tuple[float, float]) -> _Strip | None:
    (x, y), sides, angle = cv2.minAreaRect(cv2.findNonZero(piece))
    first, second = (side + 1 for side in sides)  # from the middle of the first pixel to that of the last
    length, width = max(first, second), min(first, second)
    filled = piece.sum() / max(first * second, 1)
    if length < LEAST_LENGTH[kind] * width or filled < LEAST_STRAIGHT or not widths[0] <= width <= widths[1]:
        return None
    turn = np.deg2rad(angle if first >= second else angle + 90)
    along, across = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    return _Strip(np.array([x, y]), along, across, length, width)


def _rubber(piece: Plane, paint: npt.NDArray[np.bool_], left: int, top: int) -> Mark | None:
    """A line along a straight piece of rubber, with the side on which there is more paint."""
    strip = _straight(piece, "rubber", RUBBER_PX)
    if strip is None:
        return None
    right, other = (np.nan_to_num(strip.beside(paint, side * (strip.width / 2 + 3))) for side in (1, -1))
    if max(right, other) < LEAST_PAINT:
        return None
    side: Literal["left", "right"] = "right" if right >= other else "left"
    return Mark(kind="rubber", points=strip.ends(0, left, top), width_px=strip.width, paint=side)


def _gap(piece: Plane, picture: Plane, left: int, top: int) -> Mark | None:
    """A line along the dark gap of a straight seam."""
    strip = _straight(piece, "seam", SEAM_BAND_PX)
    if strip is None:
        return None
    reach = strip.width / 2 + 4
    offsets = np.arange(-reach, reach + 0.5)
    profile = np.array([strip.beside(picture, offset) for offset in offsets])
    if np.isnan(profile).any():
        return None
    darkest, around = int(profile.argmin()), float(np.median(profile))
    dark = profile < (profile[darkest] + around) / 2
    lighter = np.flatnonzero(~dark)
    first = lighter[lighter < darkest].max(initial=-1) + 1
    last = lighter[lighter > darkest].min(initial=len(dark)) - 1
    if around - profile[darkest] < LEAST_GAP_CONTRAST or last - first + 1 > MOST_GAP_PX:
        return None
    middle = float(offsets[first] + offsets[last]) / 2
    return Mark(kind="seam", points=strip.ends(middle, left, top), width_px=max(float(last - first + 1), 2.0))


def _head(heads: npt.NDArray[np.bool_], at: Array) -> Mark | None:
    """A disc over a head that looks round."""
    reach = round(HEAD_PX[1])
    left, top = (max(int(value) - reach, 0) for value in at)
    window = heads[top : int(at[1]) + reach, left : int(at[0]) + reach]
    piece = _piece(window, int(at[0]) - left, int(at[1]) - top)
    rows, columns = np.nonzero(piece)
    tall, wide = float(np.ptp(rows)) + 1, float(np.ptp(columns)) + 1
    size = 2 * float(np.sqrt(len(rows) / np.pi))
    if not HEAD_PX[0] <= size <= HEAD_PX[1] or max(tall, wide) > 1.35 * size:
        return None
    middle = (float(columns.mean()) + left, float(rows.mean()) + top)
    return Mark(kind="fastener", points=(middle,), width_px=size)


def _points(points: Array) -> Points:
    return tuple((round(float(x), 1), round(float(y), 1)) for x, y in points)
