from __future__ import annotations

import numpy as np
import pytest

from synthetic_data.geometry import Patch
from synthetic_data.wheels import HOLED, SINK_M, WheelKind, moulded, wheel

RADIUS, AHEAD = 0.39, 1.2
KIND = WheelKind(holes=8, hole_width=0.7, tread_left=0.8)


def built(*, stands: bool, kind: WheelKind = KIND) -> dict[str, Patch]:
    centre = np.array([AHEAD, 0.7, RADIUS - SINK_M])
    return {name: one for name, one, _, _ in wheel(RADIUS, centre, np.array([0.0, 1.0, 0.0]), kind, stands=stands)}


def test_a_standing_tyre_is_flat_over_the_chord_that_the_ground_cuts() -> None:
    # the chord of a circle of radius r at a distance r - s from its middle is 2 sqrt(2 r s - s²) (Euclid III.3)
    points = built(stands=True)["tyre"].points.reshape(-1, 3)
    chord = 2 * np.sqrt(2 * RADIUS * SINK_M - SINK_M**2)
    on_ground = points[points[:, 2] < 1e-4, 0]
    assert np.ptp(on_ground) == pytest.approx(chord, rel=0.2)  # to a block of the tread
    assert points[:, 2].min() == 0
    hanging = built(stands=False)["tyre"].points[..., 2].min()
    assert hanging == pytest.approx(-SINK_M, abs=1e-3)


def test_the_wall_bulges_over_the_ground_only() -> None:
    standing, hanging = (built(stands=stands)["tyre_wall"].points for stands in (True, False))
    moved = standing[..., 1] - hanging[..., 1]
    assert moved.min() > -1e-9 and 0.003 < moved.max() < 0.02
    assert np.abs(moved[hanging[..., 2] > 0.12]).max() == 0


@pytest.mark.parametrize("stands", [True, False])
def test_every_outside_is_out(stands: bool) -> None:
    for name, one in built(stands=stands).items():
        normal = np.cross(np.gradient(one.points, axis=0), np.gradient(one.points, axis=1))
        middle = one.points.reshape(-1, 3).mean(axis=0)
        if name in ("tyre", "valve"):  # round about their own middle line
            axis = np.array([0, 1.0, 0])
            own = one.points - middle
            assert (normal * (own - (own @ axis)[..., None] * axis)).sum() > 0, name
        else:
            assert (normal.sum(axis=(0, 1))[1] > 0) == (name not in ("tyre_back", "rim_back")), name


def test_the_lugs_of_the_tread_reach_over_the_edge_of_the_wall() -> None:
    parts = built(stands=False)
    rim, edge = (parts[name].points[row] for name, row in (("tyre", 0), ("tyre_wall", -1)))
    assert rim.shape == edge.shape
    assert np.linalg.norm(rim - edge, axis=1).max() < 0.005
    reach = np.linalg.norm((edge - edge[:-1].mean(axis=0))[:, [0, 2]], axis=1)
    assert np.ptp(reach) > 0.02 * RADIUS  # lugs and the gaps between them


def test_the_size_can_be_read_from_outside_once_around() -> None:
    mould = moulded()
    assert mould.max() == 1 and 0.05 < (mould > 0.5).mean() < 0.25
    columns = np.flatnonzero(mould.max(axis=0) > 0.5)
    assert columns[0] > 0 and columns[-1] < mould.shape[1] - 1  # nothing is cut off where the band closes
    wall = built(stands=False)["tyre_wall"]
    along, up = wall.points[9, 1] - wall.points[9, 0], wall.points[10, 0] - wall.points[9, 0]
    towards_eye = np.array([0.0, 1.0, 0.0])
    assert np.cross(up, along) @ towards_eye > 0  # columns run to the left of who reads, as `_tyre_wall_grain` says


def test_a_balance_weight_sits_on_the_edge_of_the_rim() -> None:
    parts = built(stands=False)
    weight, rim = parts["balance_weight"].points.reshape(-1, 3), parts["rim"].points.reshape(-1, 3)
    assert np.linalg.norm(weight[:, None] - rim[None], axis=2).min(axis=1).max() < 0.03
    assert weight[:, 1].max() > rim[:, 1].max()


@pytest.mark.parametrize("holes", [4, 8, 12])
def test_hand_holes_show_the_drum_and_never_the_floor_behind_it(holes: int) -> None:
    parts = built(stands=False, kind=WheelKind(holes, 0.7, 1.0))
    rim, drum = parts["rim"].points, parts["wheel_inside"].points[:-2]  # without its back
    lips = []
    for hole in range(holes):
        edge = rim[HOLED, 7 * hole + 1 : 7 * hole + 7]
        lip = np.concatenate([edge[0], edge[-1], edge[:, 0], edge[:, -1]])
        lips.append(lip)
        assert edge[2:4, 2:4, 1].max() < drum[..., 1].min()
        assert drum[..., 1].max() < lip[:, 1].min()
    apart = np.linalg.norm(lips[0][:, None] - lips[1][None], axis=-1).min()
    assert apart > 0.01  # sheet stays between two holes
    reach = np.linalg.norm((drum - drum[-1, :-1].mean(axis=0))[..., [0, 2]], axis=-1)
    holes_reach = np.linalg.norm((np.concatenate(lips) - drum[-1, :-1].mean(axis=0))[:, [0, 2]], axis=-1)
    assert reach.min() < holes_reach.min() and holes_reach.max() < reach.max()


def test_worn_tyres_have_shallower_grooves() -> None:
    new, worn = (built(stands=False, kind=WheelKind(8, 0.7, left))["tyre"].points for left in (1.0, 0.5))
    middle = np.array([AHEAD, 0, RADIUS - SINK_M])
    deep = [np.ptp(np.linalg.norm((one - middle)[6:14, :, [0, 2]], axis=-1)) for one in (new, worn)]
    assert deep[1] == pytest.approx(0.5 * deep[0], rel=0.05)
