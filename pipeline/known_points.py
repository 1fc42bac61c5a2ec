"""Known points of a panel in a photo, from the network where it is sure: fastener heads, held against a sheet's rows.

A network that has a class for fasteners shows heads as small round patches of it; one that has not shows none, for what
is small and of bare metal is mostly a worn spot. Which head is which the rows of the build sheet tell: the ends of two
rows fix a homography (Hartley and Zisserman 2004, Multiple View Geometry, 4.1), which the other heads must bear out and
an ordinary camera must be able to give (Zhang 2000, A flexible new technique for camera calibration, equations 3 and
4). Where too few heads fit, or two ways fit about as well, there are no points: a reader's clicks take their place.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise, permutations

import cv2
import numpy as np
import numpy.typing as npt
from pydantic import Field

from pipeline.build_sheets import Panel, Row
from pipeline.configuration import Config
from pipeline.decals import Floats, NotMeasured, Point, homography, project
from pipeline.network import Manifest, NetworkMaps

Places = npt.NDArray[np.int64]
FRAME_MM = 36.0  # long side of the frame to which focal lengths are equivalent (ISO 1007, 135 film; from memory)


class PointSettings(Config):
    """When a patch is a head, and when heads are those of a panel (`known_points` in configs/colour.yaml)."""

    surface: str
    sure: float = Field(gt=0, lt=1)
    part: float = Field(gt=0, lt=1)
    cells: tuple[int, int]
    most_aspect: float = Field(ge=1)
    least_paint_around: float = Field(ge=0, le=1)
    most_heads: int = Field(ge=4)
    least_heads: int = Field(ge=6)
    least_share: float = Field(gt=0.5, le=1)
    off_row: float = Field(gt=0)
    off_pitch: float = Field(gt=0, lt=0.5)
    most_lines: int = Field(ge=2)
    margin_heads: int = Field(ge=1)
    focal_equivalent_mm: tuple[float, float]
    most_skew: float = Field(gt=0)
    most_tilt_deg: float = Field(gt=0, lt=90)


def find_heads(maps: NetworkMaps, manifest: Manifest, settings: PointSettings) -> tuple[Point, ...]:
    """Centres of fastener heads of which the network is sure, in pixels of the oriented photo, the surest first.

    A head is a small, round patch of `settings.surface` with paint around it, sure of it in one cell at least; none for
    a network without that class.
    """
    if not {settings.surface, "paint"} <= set(manifest.surfaces):
        return ()
    # a rim of nothing: a patch at the photo's edge is cut off, and its rim is not paint
    head, paint = (np.pad(maps.surfaces[manifest.surfaces.index(name)], 3) for name in (settings.surface, "paint"))
    # light and rust part a head into sure patches, so what is less sure holds it together
    count, labels, stats, _ = cv2.connectedComponentsWithStats((head >= settings.part).astype(np.uint8), connectivity=8)
    around = np.ones((3, 3), np.uint8)
    heads: list[tuple[float, Point]] = []
    for label in range(1, count):
        left, top, width, height, cells = (int(value) for value in stats[label])
        short, long = sorted((width, height))
        is_round = long <= max(settings.most_aspect * short, short + 1)
        if not (settings.cells[0] <= cells <= settings.cells[1] and is_round):
            continue
        window = np.s_[top - 2 : top + height + 2, left - 2 : left + width + 2]
        near = cv2.dilate((labels[window] == label).astype(np.uint8), around)  # cells beside it are half head
        rim = cv2.dilate(near, around) > near
        if float(paint[window][rim].mean()) < settings.least_paint_around:
            continue
        peak = float(head[window][labels[window] == label].max())
        if peak < settings.sure:
            continue
        weight = head[window] * near
        y, x = ((weight * (axis + 0.5)).sum() / weight.sum() for axis in np.indices(weight.shape))
        at = [round(float(place - 5) * maps.scale, 1) for place in (x + left, y + top)]  # less the rim and the margin
        heads.append((peak, (at[0], at[1])))
    heads.sort(key=lambda found: -found[0])
    return tuple(place for _, place in heads[: settings.most_heads])


@dataclass(frozen=True, slots=True)
class _Fit:
    """One way to take heads in the photo for those of the panel: which is which (-1: none), and how far off, px."""

    places: tuple[int, ...]
    off_px: float

    @property
    def heads(self) -> int:
        return sum(place >= 0 for place in self.places)

    def contradicts(self, other: _Fit) -> bool:
        """Whether a head is another one in the other fit."""
        ours, theirs = ({seen: k for k, seen in enumerate(fit.places) if seen >= 0} for fit in (self, other))
        return any(seen in theirs and theirs[seen] != k for seen, k in ours.items()) or any(
            a != b and a >= 0 and b >= 0 for a, b in zip(self.places, other.places, strict=True)
        )


def find_points(
    panel: Panel, heads_px: Sequence[Point], size_px: tuple[int, int], settings: PointSettings
) -> dict[str, Point] | NotMeasured:
    """The heads of the panel's rows that the photo shows, by their names in the panel.

    `heads_px`: as `find_heads` gives them; `size_px`: width and height of the photo, which must be upright and whole,
    not cut out of a larger one. Both ends of two rows must be among the heads.
    """
    if len(panel.rows) < 2:
        return NotMeasured("the build sheet names fewer than two rows of heads on the panel")
    names, plane = list(panel.heads), np.array(list(panel.heads.values()), np.float64)
    seen = np.array(heads_px, np.float64).reshape(-1, 2)
    least = max(settings.least_heads, math.ceil(settings.least_share * len(names)))
    if len(seen) < least:
        return NotMeasured(f"{least} heads of the panel's rows are needed, the network is sure of {len(seen)}")
    fits = [
        fit
        for four_mm, four_px in _guesses(panel, seen, settings, max(size_px))
        if (fit := _fit(_through(four_mm, four_px), plane, panel, seen, size_px, settings)) and fit.heads >= least
    ]
    if not fits:
        return NotMeasured("the heads in the photo are not those of the panel's rows, or an end of a row is hidden")
    best = max(fits, key=lambda fit: (fit.heads, -fit.off_px))
    if any(fit.heads > best.heads - settings.margin_heads and fit.contradicts(best) for fit in fits):
        return NotMeasured("two ways to take the heads for those of the panel's rows fit about as well")
    # the ends alone gave the first homography: all heads give a better one, and that may find more of them
    pairs = [(k, place) for k, place in enumerate(best.places) if place >= 0]
    whole = homography(plane[[k for k, _ in pairs]], seen[[place for _, place in pairs]])
    final = None if whole is None else _fit(whole, plane, panel, seen, size_px, settings)
    if final is None or final.heads < least:
        return NotMeasured("no ordinary camera shows the panel's rows as they lie in the photo")
    return {name: heads_px[place] for name, place in zip(names, final.places, strict=True) if place >= 0}


def _through(four_mm: Floats, four_px: Floats) -> Floats:
    """The homography through four points."""
    return np.asarray(cv2.getPerspectiveTransform(four_mm.astype(np.float32), four_px.astype(np.float32)), np.float64)


def _guesses(panel: Panel, seen: Floats, settings: PointSettings, long_side: int) -> Iterator[tuple[Floats, Floats]]:
    """Ends of two rows on the panel, mm, and heads that may be they, px: (4, 2) each."""
    lines = _lines(seen, settings.off_row * long_side)[: settings.most_lines]
    for one, other in combinations(panel.rows.values(), 2):
        four_mm = np.array([one.first, one.last, other.first, other.last], np.float64)
        for first, second in permutations(lines, 2):
            for a, b in _ends(first, one, settings):
                for c, d in _ends(second, other, settings):
                    if len({a, b, c, d}) == 4:
                        yield four_mm, seen[[a, b, c, d]]


def _lines(seen: Floats, off_px: float) -> list[Places]:
    """Heads on one line, in their order along it, the longest first; none lies mostly on a longer one, askew."""
    rows: set[frozenset[int]] = set()
    for i, j in combinations(range(len(seen)), 2):
        along = seen[j] - seen[i]
        length = float(np.hypot(*along))
        if length > 0:
            off = np.abs((seen - seen[i]) @ np.array([-along[1], along[0]])) / length
            rows.add(frozenset(np.flatnonzero(off <= off_px).tolist()))
    kept: list[frozenset[int]] = []
    for row in sorted(rows, key=lambda row: (-len(row), sorted(row))):
        if len(row) >= 3 and not any(len(row & longer) > len(row) / 2 for longer in kept):
            kept.append(row)
    ordered = []
    for row in kept:
        places = np.array(sorted(row), np.int64)
        centred = seen[places] - seen[places].mean(axis=0)
        ordered.append(places[np.argsort(centred @ np.linalg.svd(centred)[2][0])])
    return ordered


def _ends(line: Places, row: Row, settings: PointSettings) -> Iterator[tuple[int, int]]:
    """Heads of the line that may be the row's first and last: about as many lie between as the row has."""
    fewest, most = math.ceil(settings.least_share * row.heads), math.floor(row.heads / settings.least_share)
    for i, j in combinations(range(len(line)), 2):
        if fewest <= j - i + 1 <= most:
            yield int(line[i]), int(line[j])
            yield int(line[j]), int(line[i])


def _fit(
    to_photo: Floats, plane: Floats, panel: Panel, seen: Floats, size_px: tuple[int, int], settings: PointSettings
) -> _Fit | None:
    """Each head of the panel with the nearest one in the photo; None where no camera sees the panel so."""
    if not _is_seen_by_a_camera(to_photo, plane, size_px, settings):
        return None
    there = project(to_photo, plane)
    starts = np.cumsum([0, *(row.heads for row in panel.rows.values())])
    steps = [np.diff(there[a:b], axis=0) for a, b in pairwise(starts)]
    tolerance = settings.off_pitch * float(min(np.hypot(*step.T).min() for step in steps))
    off = np.linalg.norm(there[:, None] - seen[None], axis=2)
    nearest, back = off.argmin(axis=1), off.argmin(axis=0)
    distance = off[np.arange(len(plane)), nearest]
    is_it = (distance <= tolerance) & (back[nearest] == np.arange(len(plane)))
    if not is_it.any():
        return None
    return _Fit(
        tuple(int(place) if fits else -1 for place, fits in zip(nearest, is_it, strict=True)),
        float(np.sqrt(np.square(distance[is_it]).mean())),
    )


def _is_seen_by_a_camera(to_photo: Floats, plane: Floats, size_px: tuple[int, int], settings: PointSettings) -> bool:
    """Whether an upright camera of an ordinary focal length may see the panel so, from its outside.

    A homography from a plane is K (r1 r2 t), so K⁻¹ h1 and K⁻¹ h2 are at right angles and of one length; K has the
    focal length alone, the photo's middle being the principal point.
    """
    depth = np.column_stack([plane, np.ones(len(plane))]) @ to_photo[2]
    if depth.min() * depth.max() <= 0:
        return False  # part of it lies behind the camera
    middle = plane.mean(axis=0)
    at, right, up = project(to_photo, middle + np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]))
    right, up = right - at, up - at
    is_mirrored = right[0] * up[1] - right[1] * up[0] >= 0  # the panel's y runs up, the photo's down
    tilt = math.degrees(math.atan2(abs(float(up[0])), -float(up[1])))
    if is_mirrored or tilt > settings.most_tilt_deg:
        return False
    focal = np.geomspace(*settings.focal_equivalent_mm, 12) / FRAME_MM * max(size_px)
    centred = to_photo[:2, :2] - np.outer(np.array(size_px) / 2, to_photo[2, :2])  # K is diag(f, f, 1) but for this
    flat, deep = centred[None] / focal[:, None, None], to_photo[2, :2]
    lengths = np.sqrt(np.square(flat).sum(axis=1) + np.square(deep))
    product = (flat[:, :, 0] * flat[:, :, 1]).sum(axis=1) + deep[0] * deep[1]
    is_square = np.abs(product) <= settings.most_skew * lengths.prod(axis=1)
    return bool((is_square & (np.abs(np.log(lengths[:, 0] / lengths[:, 1])) <= settings.most_skew)).any())
