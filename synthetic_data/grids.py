"""The grids of many patches laid after each other, so that one step of arithmetic serves all of them.

A vehicle has some nine hundred patches: a loop over them costs more than what is computed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from typing import Any

import mitsuba as mi
import numpy as np
import numpy.typing as npt

from synthetic_data.geometry import Patch, crossed, two_triangles

Array = npt.NDArray[Any]


@dataclass(frozen=True, slots=True)
class Grids:
    """Patches (P) with their vertices (V), grid lines and cells (C), each patch's after those of the one before.

    `points` (V, 3) in metres and unit `normals` (V, 3); `rows`, `columns` and first vertex of each patch; the lengths
    in mm along all patches' rows and columns, with the first of each patch; per cell its patch, its place in that patch
    and the vertex at its corner nearest to the patch's first one.
    """

    points: Array = field(repr=False)
    normals: Array = field(repr=False)
    rows: Array
    columns: Array
    first_vertex: Array
    across_mm: Array = field(repr=False)
    first_row: Array
    along_mm: Array = field(repr=False)
    first_column: Array
    cell_patch: Array = field(repr=False)
    cell_row: Array = field(repr=False)
    cell_column: Array = field(repr=False)
    cell_vertex: Array = field(repr=False)

    def size_mm(self) -> Array:
        """Width (along) and height (across) of the unrolled patches (P, 2)."""
        last = self.first_column + self.columns - 1, self.first_row + self.rows - 1
        across = self.across_mm[last[1]] - self.across_mm[self.first_row]
        return np.stack([self.along_mm[last[0]] - self.along_mm[self.first_column], across], 1)

    def corners(self, values: Array) -> tuple[Array, Array, Array, Array]:
        """Values (V, ...) at the corners of every cell, in turn around it."""
        a, stride = self.cell_vertex, self.columns[self.cell_patch]
        return values[a], values[a + stride], values[a + stride + 1], values[a + 1]

    def triangles(self, cells: Array | slice = slice(None)) -> Array:
        """Vertex numbers (2 × n, 3) of the triangles of these cells, or of all, as `two_triangles`."""
        return two_triangles(self.cell_vertex[cells], self.columns[self.cell_patch[cells]])

    def and_these(self, more: Grids) -> Grids:
        """Both, the other's patches counted on."""
        shifts = {
            "first_vertex": len(self.points),
            "first_row": len(self.across_mm),
            "first_column": len(self.along_mm),
            "cell_patch": len(self.rows),
            "cell_vertex": len(self.points),
        }
        names = [one.name for one in fields(self)]
        return Grids(
            *(np.concatenate([getattr(self, name), getattr(more, name) + shifts.get(name, 0)]) for name in names)
        )


def grids_of(patches: Sequence[Patch]) -> Grids:
    """The grids of these patches, one at least, in their order."""
    shapes = np.array([patch.points.shape[:2] for patch in patches])
    rows, columns = shapes[:, 0], shapes[:, 1]
    cell_patch, cell_row, cell_column = places(rows - 1, columns - 1)
    first_vertex = starts(rows * columns)
    points = np.concatenate([patch.points.reshape(-1, 3) for patch in patches])
    return Grids(
        points,
        _normals(points, rows, columns),
        rows,
        columns,
        first_vertex,
        np.concatenate([patch.across_mm for patch in patches]),
        starts(rows),
        np.concatenate([patch.along_mm for patch in patches]),
        starts(columns),
        cell_patch,
        cell_row,
        cell_column,
        first_vertex[cell_patch] + cell_row * columns[cell_patch] + cell_column,
    )


def places(rows: Array, columns: Array) -> tuple[Array, Array, Array]:
    """Of every place in grids of these sizes (n,): its grid, its row and its column."""
    count = rows * columns
    owner = np.repeat(np.arange(len(count)), count)
    local = np.arange(len(owner)) - starts(count)[owner]
    row, column = np.divmod(local, columns[owner])
    return owner, row, column


def bare_scene(points: Array, triangles: Array) -> Any:
    """A mesh (V, 3), (T, 3) without a look, to ask rays of."""
    mesh = mi.Mesh("bare", vertex_count=len(points), face_count=len(triangles))
    params = mi.traverse(mesh)
    params["vertex_positions"] = points.astype(np.float32).ravel()
    params["faces"] = triangles.astype(np.uint32).ravel()
    params.update()
    return mi.load_dict({"type": "scene", "mesh": mesh})


def rays(start: Array, way: Array) -> Any:
    """Mitsuba's rays from places in ways, each (n, 3), or (3,) for all."""
    both = np.broadcast_arrays(start, way)
    o, d = ([mi.Float(axis) for axis in np.ascontiguousarray(v.T, np.float32)] for v in both)
    return mi.Ray3f(mi.Point3f(*o), mi.Vector3f(*d))


def starts(counts: Array) -> Array:
    """How many come before each group."""
    return np.asarray(np.cumsum(counts) - counts)


def _normals(points: Array, rows: Array, columns: Array) -> Array:
    """Unit normals (V, 3) of grids; those that close on themselves are smooth where they do."""
    owner, row, column = places(rows, columns)
    down = _slopes(points, owner, row, rows, columns[owner])
    right = _slopes(points, owner, column, columns, np.ones_like(owner))
    normal = crossed(down, right)
    length = np.sqrt(np.square(normal).sum(1))
    poor = np.flatnonzero(length < 1e-14)
    if len(poor):  # the middle of a turned shape
        mean = np.add.reduceat(normal, starts(rows * columns))
        normal[poor] = (mean / np.maximum(np.linalg.norm(mean, axis=1, keepdims=True), 1e-12))[owner[poor]]
        length[poor] = np.sqrt(np.square(normal[poor]).sum(1))
    return np.asarray(normal / np.maximum(length, 1e-14)[:, None])


def _slopes(points: Array, owner: Array, line: Array, lines: Array, step: Array) -> Array:
    """Central differences (V, 3) from grid line to grid line, one-sided at open ends.

    `line` (V,) of the `lines` (P,) that the vertex's grid has, `step` (V,) to the vertex on the next line.
    """
    number, last = np.arange(len(points)), lines[owner] - 1
    at_start, at_end = line == 0, line == last
    apart = np.abs(points[number[at_start]] - points[(number + last * step)[at_start]]).max(axis=1)
    is_open = np.zeros(len(lines), bool)
    is_open[owner[at_start][apart >= 1e-6]] = True
    around = np.where(is_open[owner], 0, (last - 1) * step)
    before = number - np.where(at_start, -around, step)
    after = number + np.where(at_end, -around, step)
    half = np.where((at_start | at_end) & is_open[owner], 1.0, 0.5)
    return np.asarray((points[after] - points[before]) * half[:, None])
