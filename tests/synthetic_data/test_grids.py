"""Many patches at once give what each gives alone."""

from __future__ import annotations

import numpy as np
import pytest

from synthetic_data.geometry import Patch, box, grid_triangles, line, loft, patch, placed, tube, turned, unit_normals
from synthetic_data.grids import grids_of, places


def dome(rows: int = 24, columns: int = 49) -> Patch:
    """The upper half of a sphere of radius 1, drawn together at its pole, closed around."""
    down, around = np.linspace(0, np.pi / 2, rows)[:, None], np.linspace(0, 2 * np.pi, columns)[None]
    points = np.stack(
        np.broadcast_arrays(np.sin(down) * np.cos(around), np.sin(down) * np.sin(around), np.cos(down)), axis=-1
    )
    return patch(points)


def several() -> list[Patch]:
    top, low = (line((-0.4, 0, z), (0.4, 0.1, z), 7) for z in (0.5, -0.5))
    pipe = tube(line((0, 0, 0), (0.3, 0.2, 0.1), 5), 0.02, around=9)
    head = turned(np.array([[0.0, 0.004], [0.7, 0.0], [1.0, -0.01]]), 9).moved(placed((1.0, 2.0, 3.0)))
    return [loft(top, low, 6), dome(), pipe, head, *box((0.3, 0.2, 0.1), 0.01)]


def test_normals_of_a_sphere_are_its_radii() -> None:
    # textbook: the normal of a sphere about the origin is the place on it; also where the grid closes on itself
    grids = grids_of([several()[0], dome()])
    sphere = slice(grids.first_vertex[1], None)
    off = np.degrees(np.arccos(np.clip((grids.normals[sphere] * grids.points[sphere]).sum(1), -1, 1)))
    rim = dome().points.shape[1]
    assert off[rim:-rim].max() < 0.5  # the pole has no direction of its own, the rim is one-sided
    assert off.max() < 3


def test_normals_of_an_open_grid_are_those_of_gradients() -> None:
    # reference: numpy.gradient, one grid at a time
    first = several()[0]
    grids = grids_of(several())
    assert grids.normals[: first.points[..., 0].size] == pytest.approx(unit_normals(first.points).reshape(-1, 3))


def test_triangles_are_those_of_each_patch() -> None:
    patches = several()
    grids = grids_of(patches)
    for k, one in enumerate(patches):
        cells = np.flatnonzero(grids.cell_patch == k)
        assert (grids.triangles(cells) == grid_triangles(one.points, int(grids.first_vertex[k]))).all()
        assert grids.size_mm()[k] == pytest.approx(one.size_mm)


def test_corners_go_around_a_cell() -> None:
    grids = grids_of(several())
    a, b, c, d = grids.corners(grids.points)
    middle = (a + b + c + d) / 4
    cell = int(np.flatnonzero(grids.cell_patch == 0)[8])
    points = several()[0].points
    row, column = grids.cell_row[cell], grids.cell_column[cell]
    assert middle[cell] == pytest.approx(points[row : row + 2, column : column + 2].mean(axis=(0, 1)))


def test_one_set_of_grids_after_another_is_all_of_them() -> None:
    patches = several()
    whole, parts = grids_of(patches), grids_of(patches[:3]).and_these(grids_of(patches[3:]))
    for name in whole.__slots__:
        assert (getattr(whole, name) == getattr(parts, name)).all(), name


def test_places_of_grids_of_unlike_size() -> None:
    owner, row, column = places(np.array([2, 1]), np.array([2, 3]))
    assert owner.tolist() == [0, 0, 0, 0, 1, 1, 1]
    assert row.tolist() == [0, 0, 1, 1, 0, 0, 0] and column.tolist() == [0, 1, 0, 1, 0, 1, 2]
