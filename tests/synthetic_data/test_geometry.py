from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from synthetic_data.geometry import (
    MIRROR_Y,
    Patch,
    box,
    line,
    loft,
    patch,
    placed,
    plate,
    resample,
    rolled_edges,
    rounded_corners,
    rounded_rectangle,
    sweep,
    tube,
    turned,
)

trimesh = pytest.importorskip("trimesh")
shapely = pytest.importorskip("shapely")


def mesh(*patches: Patch) -> Any:
    """The patches as one mesh of the reference library, coinciding corners merged; quads split as for the renderer."""
    vertices, faces, base = [], [], 0
    for one in patches:
        rows, columns = one.points.shape[:2]
        index = base + np.arange(rows * columns).reshape(rows, columns)
        a, b, c, d = index[:-1, :-1].ravel(), index[1:, :-1].ravel(), index[1:, 1:].ravel(), index[:-1, 1:].ravel()
        faces += [np.stack([a, b, c], 1), np.stack([a, c, d], 1)]
        vertices.append(one.points.reshape(-1, 3))
        base += rows * columns
    joined = trimesh.Trimesh(np.concatenate(vertices), np.concatenate(faces), process=False)
    joined.merge_vertices(digits_vertex=7)
    joined.update_faces(joined.nondegenerate_faces())
    return joined


def normals(surface: Patch) -> Any:
    return np.cross(np.gradient(surface.points, axis=0), np.gradient(surface.points, axis=1))


def sphere(rows: int = 60, count: int = 97) -> Patch:
    angle = np.linspace(0, math.pi, rows)
    return turned(np.stack([np.sin(angle), np.cos(angle)], 1), count)


# --- shapes against trimesh, shapely and textbook formulas -----------------------------------------------------------


def test_turned_sphere_has_the_area_and_volume_of_one() -> None:
    # reference: trimesh.creation.icosphere; Archimedes: 4πr² and 4/3 πr³
    ball, reference = mesh(sphere()), trimesh.creation.icosphere(subdivisions=5)
    assert ball.is_watertight and ball.is_winding_consistent
    assert ball.area == pytest.approx(reference.area, rel=3e-3) == pytest.approx(4 * math.pi, rel=3e-3)
    assert ball.volume == pytest.approx(reference.volume, rel=4e-3)  # positive: outside is out


def test_turned_cylinder_and_hexagon() -> None:
    profile = np.array([[0.0, 0.5], [0.3, 0.5], [0.3, -0.5], [0.0, -0.5]])
    drum, reference = mesh(turned(profile, 129)), trimesh.creation.cylinder(0.3, 1.0, sections=128)
    assert drum.is_watertight
    assert (drum.area, drum.volume) == pytest.approx((reference.area, reference.volume), rel=1e-9)
    # a hexagon head is measured over its corners: area 3√3/2 · r² (textbook)
    nut = mesh(turned(profile, 25, sides=6))
    assert nut.is_watertight and nut.volume == pytest.approx(1.5 * math.sqrt(3) * 0.3**2, rel=1e-9)


def test_a_closed_tube_is_a_torus() -> None:
    # reference: trimesh.creation.torus; Pappus: area 4π²Rr, volume 2π²Rr²
    angle = np.linspace(0, 2 * math.pi, 201)
    ring = tube(np.stack([0.2 * np.cos(angle), 0.2 * np.sin(angle), 0 * angle], 1), 0.03, around=49, closed=True)
    hose, reference = mesh(ring), trimesh.creation.torus(0.2, 0.03, major_sections=200, minor_sections=48)
    assert hose.is_watertight and hose.is_winding_consistent
    assert hose.area == pytest.approx(reference.area, rel=1e-3) == pytest.approx(4 * math.pi**2 * 0.2 * 0.03, rel=5e-3)
    assert abs(hose.volume) == pytest.approx(reference.volume, rel=1e-3)


@pytest.mark.parametrize("end", [(1.0, 0, 0), (0, 2.0, 0), (0, 0, 1.5), (1.0, -1.0, 1.0)])
def test_a_straight_tube_is_a_cylinder_whatever_its_direction(end: tuple[float, float, float]) -> None:
    pipe = mesh(tube(line((0, 0, 0), end, 6), 0.05, around=65))
    reference = trimesh.creation.cylinder(0.05, float(np.linalg.norm(end)), sections=64)
    sides = reference.area - 2 * 0.05**2 * 32 * math.sin(2 * math.pi / 64)  # without its two 64-cornered ends
    assert pipe.area == pytest.approx(sides, rel=1e-9)


def test_a_box_is_closed_and_convex() -> None:
    # reference: the convex hull that trimesh computes of the same corners
    for size, bevel in (((0.3, 0.2, 0.1), 0.01), ((0.02, 0.4, 0.3), 0.03)):
        body = mesh(*box(size, bevel, rows=3))
        assert body.is_watertight and body.is_winding_consistent
        assert body.volume == pytest.approx(body.convex_hull.volume, rel=1e-3)  # positive: outside is out
        assert body.extents == pytest.approx(size, rel=5e-3)  # 44 points go around, none just on a short side
        assert 0.8 * np.prod(size) < body.volume < np.prod(size)


@pytest.mark.parametrize("radius", [0.02, 0.1, 5.0])
def test_rounded_rectangle(radius: float) -> None:
    # reference: shapely, a smaller rectangle buffered by the radius
    outline = rounded_rectangle(0.6, 0.4, radius, 400)
    r = min(radius, 0.499 * 0.4)
    reference = shapely.box(-0.3 + r, -0.2 + r, 0.3 - r, 0.2 - r).buffer(r, quad_segs=64)
    drawn = shapely.Polygon(outline)
    assert np.allclose(outline[0], outline[-1]) and np.allclose(outline[0], [0.3, 0])
    assert drawn.exterior.is_ccw
    assert (drawn.area, drawn.length) == pytest.approx((reference.area, reference.length), rel=3e-3)
    assert drawn.symmetric_difference(reference).area < 3e-3 * reference.area


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(*[st.floats(-1, 1).map(lambda v: round(v, 3))] * 2), min_size=2, max_size=8), st.integers(2, 40)
)
def test_resample_walks_evenly_along_the_line(corners: list[tuple[float, float]], count: int) -> None:
    # reference: shapely's LineString.interpolate
    corners = [corners[0], *(b for a, b in pairwise(corners) if a != b)]
    if len(corners) < 2:
        return
    path = shapely.LineString(corners)
    points = resample(np.array(corners), count)
    wanted = [path.interpolate(t, normalized=True).coords[0] for t in np.linspace(0, 1, count)]
    assert points == pytest.approx(np.array(wanted), abs=1e-9)


def test_resample_closes_a_closed_curve() -> None:
    square = np.array([[0.0, 0], [1, 0], [1, 1], [0, 1]])
    around = resample(square, 17, closed=True)
    assert np.allclose(around[0], around[-1])
    assert np.linalg.norm(np.diff(around, axis=0), axis=1) == pytest.approx(np.full(16, 0.25))


def test_loft_and_its_bulge() -> None:
    flat = loft(line((0, 0, 0), (2, 0, 0), 9), line((0, -1, 0), (2, -1, 0), 9), 7)
    assert mesh(flat).area == pytest.approx(2.0)
    assert flat.size_mm == pytest.approx((2000, 1000))
    # `first` above `last`, read from left to right, faces the reader: here upwards
    proud = loft(line((0, 0, 0), (2, 0, 0), 9), line((0, -1, 0), (2, -1, 0), 9), 7, bulge=0.05)
    assert np.sign(normals(flat)[3, 4, 2]) * proud.points[3, :, 2] == pytest.approx(np.full(9, 0.05))
    assert np.allclose(proud.points[[0, -1]], flat.points[[0, -1]])


def test_lengths_of_a_patch_are_those_on_the_surface() -> None:
    # reference: trimesh's length of the same path (its Path3D is in metres)
    wave = np.stack([np.linspace(0, 1, 41), np.zeros(41), 0.1 * np.sin(np.linspace(0, 9, 41))], 1)
    sheet = patch(np.stack([wave, wave + np.array([0, 0.3, 0])]))
    reference = trimesh.load_path(wave).length
    assert sheet.size_mm == pytest.approx((1000 * reference, 300))
    assert sheet.along_mm[0] == sheet.across_mm[0] == 0 and (np.diff(sheet.along_mm) > 0).all()


@pytest.mark.parametrize("edges", ["t", "b", "l", "r", "tb", "tblr"])
def test_rolled_edges_fold_inwards_and_keep_the_outline(edges: str) -> None:
    flat = loft(line((0, 0, 0), (1, 0, 0), 30), line((0, 0.6, 0), (1, 0.6, 0), 30), 20)
    out = np.sign(normals(flat)[5, 5, 2])
    folded = rolled_edges(flat, 0.01, 0.03, edges=edges)
    assert mesh(folded).bounds[:, :2] == pytest.approx(np.array([[0, 0], [1, 0.6]]), abs=1e-9)
    height = folded.points[..., 2] * out
    assert height.min() == pytest.approx(-0.04, abs=1e-9) and height.max() == pytest.approx(0, abs=1e-9)
    # each fold adds its drop and a quarter circle in place of the radius (textbook: πr/2)
    more = (1000 * (0.03 + 0.01 * (math.pi / 2 - 1))) * np.array(
        [sum(e in "lr" for e in edges), sum(e in "tb" for e in edges)]
    )
    if edges != "tblr":  # where folds meet, the mean over the grid lines is another
        assert np.array(folded.size_mm) - flat.size_mm == pytest.approx(more, abs=0.3)


def test_a_hem_goes_around_into_a_lip_before_the_flange() -> None:
    flat = loft(line((0, 0, 0), (1, 0, 0), 30), line((0, 0.6, 0), (1, 0.6, 0), 30), 20)
    out = np.sign(normals(flat)[5, 5, 2])
    middle = rolled_edges(flat, 0.003, 0.04, edges="tb", hem=0.007).points[:, 15]
    depth, inwards = -middle[:, 2] * out, np.minimum(middle[:, 1], 0.6 - middle[:, 1])
    assert inwards.min() == pytest.approx(0, abs=1e-9) and depth.max() == pytest.approx(0.043)
    assert depth[np.argmin(inwards)] == pytest.approx(0.003)  # the edge is round: outermost in the middle of its lip
    assert inwards[depth > 0.0061] == pytest.approx(0.007)  # behind the lip the flange stands in from it
    assert len(middle[depth > 0.0061]) == 2


def test_a_wide_bend_does_not_fold_back_over_a_fine_grid() -> None:
    flat = loft(line((0, 0, 0), (1, 0, 0), 30), line((0, 0.6, 0), (1, 0.6, 0), 30), 60)
    round_over = rolled_edges(flat, 0.05, 0.0, edges="t", steps=8).points
    assert (np.diff(round_over[..., 1], axis=0) > 0).all()
    assert np.ptp(round_over[..., 2]) == pytest.approx(0.05)


def test_rounded_corners_take_from_a_sheet_what_a_circle_leaves() -> None:
    flat = loft(line((0, 0, 0), (1, 0, 0), 12), line((0, 0.6, 0), (1, 0.6, 0), 12), 8)
    cut = rounded_corners(flat, 0.08, ("bl", "br"))
    assert mesh(cut).bounds == pytest.approx(mesh(flat).bounds, abs=1e-9)
    lost = 2 * 0.08**2 * (1 - math.pi / 4)  # textbook: a square corner less a quarter circle
    assert mesh(flat).area - mesh(cut).area == pytest.approx(lost, rel=0.08)  # the arc is of chords
    rim = np.concatenate([cut.points[:, 0], cut.points[-1]])
    corner = rim[(rim[:, 0] < 0.08) & (rim[:, 1] > 0.52)][:, :2]
    assert np.linalg.norm(corner - [0.08, 0.52], axis=1) == pytest.approx(0.08, abs=0.001)
    assert (np.cross(np.diff(cut.points, axis=0)[:, :-1], np.diff(cut.points, axis=1)[:-1])[..., 2] < 0).all()


def test_a_plate_is_a_prism_with_a_round_upper_edge() -> None:
    outline = rounded_rectangle(0.11, 0.045, 0.02, 61)
    leaf = mesh(plate(outline, 0.006, 0.0015))
    area = shapely.Polygon(outline).area
    assert np.ptp(leaf.vertices, axis=0) == pytest.approx([0.11, 0.045, 0.006], abs=1e-4)
    lost = (1 - math.pi / 4) * 0.0015**2 * shapely.Polygon(outline).length  # textbook: along a rounded edge
    across = np.cross(leaf.triangles[:, 1] - leaf.triangles[:, 0], leaf.triangles[:, 2] - leaf.triangles[:, 0])
    volume = (across[:, 2] / 2 * leaf.triangles[..., 2].mean(axis=1)).sum()  # under the upper side
    assert abs(volume) == pytest.approx(0.006 * area - lost, rel=0.01)


# --- orientation and grid -----------------------------------------------------------------------------------------


def test_sweep_faces_where_the_module_says() -> None:
    roof = np.array([[-1.0, 0], [-0.5, 0.4], [0, 0.5], [0.5, 0.4], [1, 0]])  # sideways, upwards; + is right of the way
    gable = sweep(roof, line((0, 0, 0), (5, 0, 0), 4), np.array([0, 0, 1.0]))
    assert (normals(gable)[..., 2] > 0).all()
    assert gable.points[0, :, 1] == pytest.approx(np.ones(4))  # left of the way is +y: y points to the left
    assert gable.points[2, :, 2] == pytest.approx(np.full(4, 0.5))


def test_a_mirrored_patch_stays_outside_out() -> None:
    dome = sphere().moved(placed((0.3, 0.7, 1.0), scale=0.2))
    mirrored = dome.moved(MIRROR_Y)
    assert mesh(mirrored).volume == pytest.approx(mesh(dome).volume) and mesh(dome).volume > 0
    assert mesh(mirrored).centroid == pytest.approx([0.3, -0.7, 1.0], abs=1e-3)
    assert mirrored.size_mm == pytest.approx(dome.size_mm)


def test_flipping_turns_the_inside_out_and_back() -> None:
    ball = sphere()
    assert mesh(ball.flipped()).volume == pytest.approx(-mesh(ball).volume)
    assert np.array_equal(ball.flipped().flipped().points, ball.points)
    assert ball.flipped().flipped().along_mm == pytest.approx(ball.along_mm)


@settings(max_examples=40, deadline=None)
@given(*[st.tuples(*[st.floats(-1, 1)] * 3)] * 3, st.floats(0.1, 3))
def test_placed_is_a_turn_a_scale_and_a_shift(at: Any, z: Any, x: Any, scale: float) -> None:
    # reference: SciPy's Rotation takes proper rotation matrices only
    from scipy.spatial.transform import Rotation

    if np.linalg.norm(z) < 0.1:
        return
    matrix = placed(at, z=z, x=x, scale=scale)
    turn = matrix[:3, :3] / scale
    assert Rotation.from_matrix(turn).as_matrix() == pytest.approx(turn, abs=1e-6)
    assert np.linalg.det(turn) == pytest.approx(1)
    assert turn[:, 2] == pytest.approx(np.array(z) / np.linalg.norm(z), abs=1e-9)
    assert matrix[:3, 3] == pytest.approx(at)
