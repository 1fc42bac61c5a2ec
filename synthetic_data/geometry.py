"""Surfaces as grids of points: lofts, sweeps and turned shapes, in metres, with their own millimetre coordinates.

Every part of a vehicle is a `Patch`, a structured grid. A grid carries its texture coordinates for free, can be cut to
the part a camera sees, and lets paint be computed at any density. x points forward, y to the left, z up.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

Points = npt.NDArray[np.float64]
Vector = Sequence[float] | Points


@dataclass(frozen=True, slots=True)
class Patch:
    """A surface given by a grid of points (rows, columns, 3), outward side by the right hand: rows × columns.

    `across_mm` (rows,) and `along_mm` (columns,) are lengths along the grid lines, measured on the surface; for a seal
    `across_mm` runs around its profile, for a fastener from the centre of the head to the washer.
    """

    points: Points
    across_mm: npt.NDArray[np.float64]
    along_mm: npt.NDArray[np.float64]

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width (along) and height (across) of the unrolled surface."""
        return float(self.along_mm[-1] - self.along_mm[0]), float(self.across_mm[-1] - self.across_mm[0])

    def moved(self, matrix: Points) -> Patch:
        """The patch under a 4 × 4 affine map; a mirroring one turns the grid so that the outside stays outside."""
        points = self.points @ matrix[:3, :3].T + matrix[:3, 3]
        if float(crossed(matrix[:3, 0], matrix[:3, 1]) @ matrix[:3, 2]) < 0:
            return Patch(points[:, ::-1], self.across_mm, (self.along_mm[-1] - self.along_mm)[::-1])
        return replace(self, points=points)

    def flipped(self) -> Patch:
        """The same surface seen from the other side."""
        return Patch(self.points[:, ::-1], self.across_mm, (self.along_mm[-1] - self.along_mm)[::-1])


def grid_triangles(points: npt.NDArray[Any], first: int = 0) -> npt.NDArray[np.int64]:
    """Triangles of a grid of points (rows, columns, 3) whose first has this number, as `two_triangles`."""
    rows, columns = points.shape[:2]
    corners = first + np.arange(rows * columns).reshape(rows, columns)[:-1, :-1].ravel()
    return two_triangles(corners, columns)


def two_triangles(first: npt.NDArray[Any], stride: npt.NDArray[Any] | int) -> npt.NDArray[np.int64]:
    """Vertex numbers (2 × n, 3) of two triangles a cell, all first ones before all second ones.

    `first` (n,) is the number of a cell's first vertex, `stride` how many vertices its grid has in a row.
    """
    a, b, c, d = first, first + stride, first + stride + 1, first + 1
    return np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])


def patch(points: Points) -> Patch:
    """A patch from its grid; lengths are means over the other direction."""
    return Patch(points, _lengths_mm(points, 0), _lengths_mm(points, 1))


def _lengths_mm(points: Points, axis: int) -> npt.NDArray[np.float64]:
    steps = lengths(points[1:] - points[:-1] if axis == 0 else points[:, 1:] - points[:, :-1])
    return _summed(np.maximum(steps.mean(axis=1 - axis) * 1000.0, 1e-6))


def _summed(steps: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """0 and the sums of ever more steps."""
    at = np.zeros(len(steps) + 1)
    np.cumsum(steps, out=at[1:])
    return at


# numpy's own norm, cross and gradient take longer to set out than to reckon on grids as small as a part's


def lengths(vectors: Points) -> npt.NDArray[np.float64]:
    """Lengths (...) of vectors (..., k)."""
    return np.asarray(np.sqrt(np.add.reduce(vectors * vectors, axis=-1)))


def crossed(first: Points, second: Points) -> Points:
    """The cross products (..., 3) of vectors (..., 3)."""
    (a, b, c), (x, y, z) = ([one[..., k] for k in range(3)] for one in (first, second))
    out = np.empty(first.shape)
    out[..., 0], out[..., 1], out[..., 2] = b * z - c * y, c * x - a * z, a * y - b * x
    return out


def slopes(points: Points) -> Points:
    """Changes of points (n, ...) from row to row: of both neighbours inside, of the one at either end."""
    out = np.empty(points.shape)
    out[0], out[-1] = points[1] - points[0], points[-1] - points[-2]
    out[1:-1] = (points[2:] - points[:-2]) / 2
    return out


def area_normals(points: Points) -> Points:
    """Normals (rows, columns, 3) of a grid of points, as long as a cell there is large."""
    return crossed(slopes(points), slopes(points.swapaxes(0, 1)).swapaxes(0, 1))


def resample(curve: Points, count: int, *, closed: bool = False) -> Points:
    """`count` points at equal steps along a polyline; a closed one returns to its first point at the end."""
    if closed:
        curve = np.concatenate([curve, curve[:1]])
    length = _summed(lengths(curve[1:] - curve[:-1]))
    at = np.linspace(0.0, length[-1], count)
    points = np.empty((count, curve.shape[1]))
    for k in range(curve.shape[1]):
        points[:, k] = np.interp(at, length, curve[:, k])
    return points


def line(start: Vector, end: Vector, count: int) -> Points:
    """A straight curve."""
    return np.linspace(np.asarray(start, float), np.asarray(end, float), count)


def smoothstep(low: float, high: float, value: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """0 below `low`, 1 above `high`, smooth between and level at both ends."""
    t = np.clip((value - low) / (high - low), 0, 1)
    return np.asarray(t * t * (3 - 2 * t))


@lru_cache(maxsize=512)
def rounded_rectangle(width: float, height: float, radius: float, count: int) -> Points:
    """A closed curve (count, 2) around the origin, anticlockwise from the middle of the right side to there again."""
    radius = min(radius, 0.499 * width, 0.499 * height)
    angle = np.linspace(0, np.pi / 2, 12) + np.arange(4)[:, None] * np.pi / 2
    centre = np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]]) * [width / 2 - radius, height / 2 - radius]
    corners = centre[:, None] + radius * np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    outline = resample(np.concatenate([[[width / 2, 0.0]], corners.reshape(-1, 2)]), count, closed=True)
    outline.setflags(write=False)  # it is shared
    return outline


def loft(first: Points, last: Points, rows: int, *, bulge: float = 0.0) -> Patch:
    """A ruled surface between two curves of equally many points, `bulge` metres proud of the rule in its middle."""
    t = np.linspace(0.0, 1.0, rows)[:, None, None]
    points = first[None] * (1 - t) + last[None] * t
    if bulge:
        points = points + unit_normals(points) * (bulge * 4 * t * (1 - t))
    return patch(points)


def unit_normals(points: Points) -> Points:
    """Normals (rows, columns, 3) of a grid of points, 0 where it is drawn together."""
    normal = area_normals(points)
    return np.asarray(normal / np.maximum(lengths(normal), 1e-12)[..., None])


def rolled_edges(
    surface: Patch, radius: float, depth: float, *, edges: str = "tblr", steps: int = 4, hem: float = 0.0
) -> Patch:
    """Bend the named edges inwards over `radius`, then down by `depth`.

    Edges are t (first row), b (last row), l (first column) and r (last column).
    Sheet metal panels end in a folded flange; without one a panel looks cut from paper. The outline stays where it was.
    With a `hem` the sheet goes on around into a lip, and the flange stands that far in from the edge.
    """
    turn = np.linspace(np.pi if hem else np.pi / 2, 0, (2 if hem else 1) * steps + 1)
    fold = np.stack([radius * (1 - np.sin(turn)), radius * (1 - np.cos(turn))], 1)  # inwards, down
    if depth:
        flange = [[hem, radius + depth], [hem, 2 * radius]] if hem else [[0.0, radius + depth]]
        fold = np.concatenate([flange, fold])
    points, normal = surface.points, unit_normals(surface.points)
    drop = [np.zeros(count) for count in points.shape[:2]]
    for edge in edges:
        axis, back = ("tb".find(edge) < 0) * 1, edge in "br"
        grid, out = (np.moveaxis(one, axis, 0)[:: -1 if back else 1] for one in (points, normal))
        inwards = grid[1] - grid[0]
        bend = grid[0] + fold[:, :1, None] * inwards / np.maximum(lengths(inwards)[..., None], 1e-12)
        kept = 1 + int((np.minimum.reduce(lengths(grid[1:-1] - grid[0]), axis=-1) <= radius).sum())
        down = drop[axis][:: -1 if back else 1]
        order = slice(None, None, -1 if back else 1)
        points = np.moveaxis(np.concatenate([bend, grid[kept:]])[order], 0, axis)
        normal = np.moveaxis(np.concatenate([np.repeat(out[:1], len(fold), 0), out[kept:]])[order], 0, axis)
        drop[axis] = np.concatenate([fold[:, 1], down[kept:]])[order]
    return patch(points - normal * np.maximum(drop[0][:, None], drop[1][None])[..., None])


def at_lines(points: Points, axis: int, at: Points) -> Points:
    """A grid (rows, columns, 3) with lines across an axis `at` those metres from its first one."""
    index = np.interp(at, _lengths_mm(points, axis) / 1000, np.arange(points.shape[axis]))
    first = np.minimum(index.astype(int), points.shape[axis] - 2)
    share = np.expand_dims(index - first, [k for k in range(3) if k != axis])
    return np.asarray(np.take(points, first, axis) * (1 - share) + np.take(points, first + 1, axis) * share)


def with_lines(points: Points, axis: int, more: Points) -> Points:
    """A grid (rows, columns, 3) with more lines across an axis, `more` in metres from its first one."""
    at = _lengths_mm(points, axis) / 1000
    new = np.unique(np.concatenate([at, more[(more > 0) & (more < at[-1])]]).round(7))
    return at_lines(points, axis, new[np.concatenate([[True], np.diff(new) > 2e-5])])


def rounded_corners(surface: Patch, radius: float, corners: Sequence[str]) -> Patch:
    """Round corners of a sheet in its own plane; a corner is named by its edges, as tl (see `rolled_edges`)."""
    arc = radius * (1 - np.cos(np.linspace(0, np.pi / 2, 6)))
    points, away = surface.points, []
    for axis in (0, 1):
        length = _lengths_mm(points, axis)[-1] / 1000
        ends = "tb" if axis == 0 else "lr"
        more = [arc if end == ends[0] else length - arc for end in ends if any(end in corner for corner in corners)]
        points = with_lines(points, axis, np.concatenate(more)) if more else points
        at = _lengths_mm(points, axis) / 1000
        away.append((at, at[-1] - at))
    moved = points.copy()
    for corner in corners:
        down, aside = away[0]["tb".index(corner[0])], away[1]["lr".index(corner[1])]
        inset = radius - np.sqrt(np.maximum(radius**2 - np.maximum(radius - down, 0) ** 2, 0))
        inwards = points[:, 1] - points[:, 0] if corner[1] == "l" else points[:, -2] - points[:, -1]
        inwards = inwards / np.maximum(lengths(inwards), 1e-12)[:, None]
        hold = 1 - smoothstep(0.0, 3 * radius, aside)
        moved += (inset[:, None] * hold[None])[..., None] * inwards[:, None]
    return patch(moved)


def plate(outline: Points, thickness: float, bevel: float) -> Patch:
    """A plate on z = 0 with a closed outline (n, 2), its upper edge rounded by `bevel`, its underside open."""
    middle = (outline.min(axis=0) + outline.max(axis=0)) / 2
    half = np.abs(outline - middle).max(axis=0)
    turn = np.linspace(0, np.pi / 2, 4)
    levels = [(0.0, 0.0), *zip(bevel * (1 - np.cos(turn)), thickness - bevel * (1 - np.sin(turn)), strict=True)]
    rings = [(middle + (outline - middle) * (1 - inset / half), z) for inset, z in levels]
    top = rings[-1][0]
    rings += [(middle + (top - middle) * share, thickness) for share in (0.8, 0.5, 0.2, 0.0)]
    return patch(np.stack([np.column_stack([ring, np.full(len(ring), z)]) for ring, z in rings]))


def sweep(profile: Points, path: Points, up: Points, *, closed: bool = False) -> Patch:
    """A profile (rows, 2: sideways, upwards) carried along a path (columns, 3); `up` is (3,) or (columns, 3).

    Sideways is tangent × up, so a profile drawn from left to right over the top faces up.
    """
    tangent = slopes(path)
    if closed:
        tangent[0] = tangent[-1] = path[1] - path[-2]
    tangent /= np.maximum(lengths(tangent), 1e-12)[:, None]
    side = crossed(tangent, np.asarray(up, float))
    side /= np.maximum(lengths(side), 1e-12)[:, None]
    up = crossed(side, tangent)
    return patch(path[None] + profile[:, None, :1] * side[None] + profile[:, None, 1:] * up[None])


def turned(profile: Points, count: int = 24, *, sides: int | None = None) -> Patch:
    """A profile (rows, 2: radius, height) turned around z, from the centre outwards; `sides` gives a polygon."""
    cosine, sine, reach = _around(count, sides)
    radius = profile[:, :1] * reach
    points = np.empty((*radius.shape, 3))
    points[..., 0], points[..., 1], points[..., 2] = radius * cosine, radius * sine, profile[:, 1:]
    return patch(points)


@lru_cache(maxsize=64)
def _around(count: int, sides: int | None) -> tuple[Points, Points, Points]:
    """Cosines, sines and reach (count,) of a turn around a circle, or around a polygon in it."""
    angle = np.linspace(0.0, 2 * np.pi, count)
    sector = 2 * np.pi / (sides or 1)
    reach = np.cos(np.pi / sides) / np.cos((angle % sector) - sector / 2) if sides else np.ones_like(angle)
    return np.cos(angle), np.sin(angle), reach


def pop_rivet(radius: float) -> Patch:
    """A blind rivet's head: flat, with the hole its mandrel broke off in; a solid rivet has none."""
    theta = np.linspace(1.15, 0.02, 6)
    rim = np.stack([radius * np.cos(theta), 0.5 * radius * np.sin(theta)], 1)
    hole = np.array([[0.0, 0.05], [0.3, 0.05], [0.33, 0.42]]) * radius
    return turned(np.concatenate([hole, rim, [[radius * 1.02, -0.0005]]]), 22)


def slotted(radius: float) -> Patch:
    """A screw's raised head with a straight slot across it."""
    return _driven(radius, 2, 0.13, 2.0)


def crossed_head(radius: float) -> Patch:
    """A screw's pan head with a cross recess."""
    return _driven(radius, 4, 0.12, 0.55)


def _driven(radius: float, arms: int, half: float, ends: float) -> Patch:
    """A raised head with `arms` slots from its middle, `half` wide and as long as `ends`; shares of its radius."""
    deep = 0.16 if ends > 1 else 0.24
    reach = np.array([0.0, half, *((0.5,) if ends > 1 else (0.3, ends, ends + 0.03)), 0.85, 0.97, 1.0])
    height = np.interp(reach, [0.0, 0.13, 0.5, 0.85, 0.97, 0.98, 1.0], [0.38, 0.38, 0.35, 0.24, 0.12, 0.10, -0.05])
    sector = 2 * np.pi / arms
    edge = np.minimum(np.arcsin(np.clip(half / np.maximum(reach, half), 0, 1)), 0.499 * sector)[:, None]
    share = np.clip(np.linspace(-0.2, 1.2, 8) if arms == 2 else np.linspace(-1 / 3, 4 / 3, 6), 0, 1)[None]
    land = edge + share * (sector - 2 * edge)
    turn = np.concatenate([np.zeros((len(reach), 1)), land, np.full((len(reach), 1), sector)], axis=1)
    angle = np.concatenate([turn[:, :1], *(turn[:, 1:] + k * sector for k in range(arms))], axis=1)
    one_cut = np.array([1.0, 1, *np.zeros(share.size - 2), 1, 1])
    cut = np.concatenate([one_cut, *[one_cut[1:]] * (arms - 1)])[None]
    cut = np.clip(cut * (height > 0)[:, None] * (reach <= ends)[:, None] + (reach <= half)[:, None], 0, 1)
    raised = height[:, None] - deep * cut
    return patch(radius * np.stack([reach[:, None] * np.cos(angle), reach[:, None] * np.sin(angle), raised], -1))


def spot_weld(radius: float) -> Patch:
    """The mark that electrodes leave: a shallow dimple with a faint ring around it."""
    profile = np.array([[0, 0.10], [0.45, 0.11], [0.7, 0.18], [0.85, 0.42], [1.0, 0.40], [1.25, 0.12], [1.5, -0.2]])
    return turned(profile * [radius, 0.001], 20)


def box(size: Vector, bevel: float, *, rows: int = 2) -> tuple[Patch, ...]:
    """A box around the origin with bevelled edges: a band around its sides, a lid and a floor."""
    sx, sy, sz = (float(one) for one in size)
    return _box(sx, sy, sz, min(bevel, 0.3 * min(size)), rows)


@lru_cache(maxsize=512)
def _box(sx: float, sy: float, sz: float, bevel: float, rows: int) -> tuple[Patch, ...]:
    outline = rounded_rectangle(sx, sy, bevel * 1.5, 44)
    inner = rounded_rectangle(sx - 2 * bevel, sy - 2 * bevel, bevel, 44)

    def at(curve: Points, z: float) -> Points:
        return np.column_stack([curve, np.full(len(curve), z)])

    levels = [
        at(inner, -sz / 2),
        *(at(outline, z) for z in np.linspace(-sz / 2 + bevel, sz / 2 - bevel, rows)),
        at(inner, sz / 2),
    ]
    band = patch(np.stack(levels)).flipped()
    lid_rows = np.linspace(0.0, 1.0, 6)[:, None, None]
    lid = patch(at(inner * 0.0, sz / 2)[None] * (1 - lid_rows) + at(inner, sz / 2)[None] * lid_rows)
    floor = patch(at(inner * 0.0, -sz / 2)[None] * (1 - lid_rows) + at(inner, -sz / 2)[None] * lid_rows).flipped()
    return band, lid, floor


def tube(path: Points, radius: float, *, around: int = 14, closed: bool = False) -> Patch:
    """A round pipe, hose or cable along a path."""
    angle = np.linspace(0.0, 2 * np.pi, around)
    profile = radius * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    tangent = path[-1] - path[0] if not closed else path[len(path) // 4] - path[0]
    up = np.array([0.0, 0.0, 1.0]) if abs(tangent[2]) < 0.8 * np.linalg.norm(tangent) else np.array([1.0, 0.0, 0.0])
    if closed:
        up = np.cross(path[len(path) // 4] - path[0], path[len(path) // 2] - path[0])
        up = up / np.linalg.norm(up)
    return sweep(profile, path, up, closed=closed)


def placed(at: Vector, *, z: Vector = (0, 0, 1), x: Vector = (1, 0, 0), scale: float = 1.0) -> Points:
    """The 4 × 4 map that puts the origin at `at`, its z axis along `z` and its x axis as near to `x` as that allows."""
    z_axis, x_axis = np.asarray(z, float), np.asarray(x, float)
    z_axis = z_axis / math.sqrt(z_axis @ z_axis)
    x_axis = x_axis - (x_axis @ z_axis) * z_axis
    if math.sqrt(x_axis @ x_axis) < 1e-6:
        x_axis = np.cross([0.0, 1.0, 0.0] if abs(z_axis[1]) < 0.99 else [1.0, 0.0, 0.0], z_axis)
    x_axis /= math.sqrt(x_axis @ x_axis)
    matrix = np.eye(4)
    matrix[:3, 0], matrix[:3, 1], matrix[:3, 2] = x_axis * scale, crossed(z_axis, x_axis) * scale, z_axis * scale
    matrix[:3, 3] = at
    return matrix


def block(
    at: Vector, size: Vector, bevel: float, *, z: Vector = (0, 0, 1), x: Vector = (1, 0, 0), rows: int = 2
) -> list[Patch]:
    """A bevelled box whose middle is `at` and whose axes lie as those of `placed`."""
    place = placed(at, z=z, x=x)
    return [one.moved(place) for one in box(size, bevel, rows=rows)]


def disc(at: Vector, axis: Vector, profile: Points) -> Patch:
    """A small turned thing that looks along `axis`: a head, a plug, a knob."""
    return turned(profile, 18 if profile[:, 0].max() < 0.03 else 36).moved(placed(at, z=axis))


def pads(across: Sequence[tuple[float, float]], along: Sequence[tuple[float, float]], proud: float) -> Patch:
    """A strip in the plane z = 0 with a raised field wherever a span of x meets a span of y: keys, ribs, slats, lids.

    `proud` is their height in metres, below 0 for recesses; spans are given in order and do not touch.
    """
    slope = 0.4 * abs(proud)

    def lines(spans: Sequence[tuple[float, float]]) -> tuple[Points, Points]:
        ends = np.array([(low - slope, low, high, high + slope) for low, high in spans]).ravel()
        return ends, np.tile([0.0, 1.0, 1.0, 0.0], len(spans))

    (x, in_x), (y, in_y) = lines(across), lines(along)
    height = proud * in_x[:, None] * in_y[None]
    return patch(np.stack([*np.broadcast_arrays(x[:, None], y[None]), height], -1))


MIRROR_Y = np.diag([1.0, -1.0, 1.0, 1.0])
