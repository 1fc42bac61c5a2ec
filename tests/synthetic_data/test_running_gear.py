from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree

from synthetic_data.geometry import Points, grid_triangles, line
from synthetic_data.running_gear import CASE, CASE_BOLTS, CASE_FLANGE, bar, bolted, brick, cluster, lathe, nut, weld
from synthetic_data.vehicle import Part
from tests.synthetic_data.samples import FAMILIES, vehicle

PIN = np.array([[0.0, 0.02], [0.01, 0.02], [0.01, -0.02], [0.0, -0.02]])
SHAPES = {
    "lathe": lathe((0.3, 0.1, 0.2), (1, 0, 1), PIN),
    "bar": bar(line((0, 0, 0), (0.2, 0.1, 0), 5), 0.01),
    "brick": brick((0.5, 0, 0), (0.05, 0.04, 0.03), z=(0, 1, 0)),
    "nut": nut((0, 0, 0.4), (0, 0, -1)),
    "weld": weld(np.array([[0, 0, 0], [0.05, 0, 0], [0.05, 0.05, 0], [0, 0.05, 0.0]])),
}


def volume(points: Points) -> float:
    """Signed volume of a closed grid, m³, positive where its outside is out (divergence theorem)."""
    a, b, c = np.moveaxis(points.reshape(-1, 3)[grid_triangles(points)], 1, 0)
    return float((a * np.cross(b, c)).sum() / 6)


def spots(*parts: Part) -> Points:
    return np.concatenate([part.patch.points.reshape(-1, 3) for part in parts])


def named(family: str, *starts: str) -> list[Part]:
    return [part for part in vehicle(family).parts if part.name.split(".")[0] in starts]


@pytest.mark.parametrize("name", SHAPES)
def test_a_shape_is_closed_and_its_outside_is_out(name: str) -> None:
    shape = SHAPES[name]
    assert volume(shape) > 0
    assert np.ptp(shape[[0, -1]], axis=1).max() < 1e-12  # from a point to a point
    assert np.allclose(shape[:, 0], shape[:, -1])


def area(points: Points) -> float:
    """Of the triangles of a grid, m²."""
    corners = points.reshape(-1, 3)[grid_triangles(points)]
    crossed = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return float(np.linalg.norm(crossed, axis=1).sum() / 2)


def test_a_cluster_adds_nothing_between_its_shapes() -> None:
    one = cluster(list(SHAPES.values()))
    assert volume(one.points) == pytest.approx(sum(volume(shape) for shape in SHAPES.values()))
    assert area(one.points) == pytest.approx(sum(area(shape) for shape in SHAPES.values()))


def test_bolts_stand_on_a_flange_and_nowhere_else() -> None:
    plain, case = CASE[:, 1:], bolted(CASE, CASE_FLANGE, CASE_BOLTS, 0.008).points
    proud = case[..., 2] - plain
    assert (proud[CASE_FLANGE].max(axis=0) > 0).sum() == 2 * CASE_BOLTS
    assert np.delete(proud, np.r_[CASE_FLANGE], axis=0).max() == 0
    assert np.allclose(np.linalg.norm(case[..., :2], axis=-1), CASE[:, :1])


@pytest.mark.parametrize("family", FAMILIES)
def test_what_hangs_under_the_floor_touches_what_holds_it(family: str) -> None:
    for axle in ("front_axle", "rear_axle"):
        tube = cKDTree(spots(*named(family, axle)))
        steel, leaves = named(family, f"{axle}_spring_steel"), named(family, f"{axle}_spring")
        assert {part.side for part in steel} == {"left", "right"}
        assert tube.query(spots(*steel))[0].min() < 0.02
        assert cKDTree(spots(*steel)).query(spots(*leaves))[0].min() < 0.01
        rail = cKDTree(spots(*named(family, "chassis_rail")))
        assert rail.query(spots(*steel))[0].min() < 0.03  # its grid is 4 cm wide
        assert rail.query(spots(*named(family, f"{axle}_damper")))[0].min() < 0.03
    case, shaft = (spots(*named(family, name)) for name in ("rear_axle_case", "rear_shaft"))
    assert cKDTree(case).query(shaft)[0].min() < 0.02


@pytest.mark.parametrize("family", FAMILIES)
def test_running_gear_was_never_painted_and_stands_clear_of_the_ground(family: str) -> None:
    parts = [p for p in vehicle(family).parts if p.panel == "chassis" and p.kind == "hidden"]
    assert len(parts) > 40
    for part in parts:
        assert part.finish in ("black", "zinc", "rubber", "cast") and part.zone in ("chassis_rail", "wiring"), part.name
        assert part.patch.points[..., 2].min() > 0.08, part.name


@pytest.mark.parametrize("family", FAMILIES)
def test_clips_hold_pipe_and_loom_to_the_rail(family: str) -> None:
    (clips,) = (part for part in named(family, "pipe_clips") if part.side == "left")
    points = clips.patch.points.reshape(-1, 3)
    assert points[:, 1].min() < 0.4561  # on the rail's face
    for name in ("brake_pipe", "loom"):
        run = next(part for part in named(family, name) if part.side == "left").patch.points.reshape(-1, 3)
        assert cKDTree(points).query(run)[0].min() < 0.01, name
