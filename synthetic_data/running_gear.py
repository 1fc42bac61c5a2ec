"""What carries the body under its floor: axles, springs, dampers, steering, shafts, brake hoses, exhaust and tank.

Bought in black and bolted to the chassis, never painted with the body. Sizes are common practice, no source. Small
closed things that belong together are one patch (`cluster`): a vehicle has some nine hundred patches already.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from synthetic_data.geometry import Patch, Points, Vector, line, patch, placed, resample, tube, turned

if TYPE_CHECKING:
    from synthetic_data.vehicle import Builder

COLUMNS = 13  # of a cluster's shapes: a hexagon's corners are among them, and three for each corner of a box
_TURN = np.linspace(0, 2 * np.pi, COLUMNS)
CIRCLE = np.stack([np.cos(_TURN), np.sin(_TURN)], 1)
HEXAGON = CIRCLE * np.where(np.arange(COLUMNS) % 2, np.cos(np.pi / 6), 1.0)[:, None]
CORNERS = np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]])[np.arange(COLUMNS) % 12 // 3]
_CORNER = (np.arange(COLUMNS) % 12 // 3 + (np.arange(COLUMNS) % 3) / 2) * np.pi / 2
AROUND_CORNERS = np.stack([np.cos(_CORNER), np.sin(_CORNER)], 1)
RAIL_Y_M, SPRING_Y_M, DAMPER_Y_M, CASE_Y_M = 0.42, 0.52, 0.33, 0.08
LEAVES, LEAF_M = 5, 0.009
RING = ((-1, -1), (1, -1), (1, 1), (-1, 1))  # the corners of what a weld runs around
HEX = np.array([[0.0, 1.5], [0.42, 1.5], [0.44, 0.95], [0.85, 0.95], [1.0, 0.80], [1.0, 0.1], [1.5, 0.08], [1.5, 0.0],
                [0.0, 0.0]])  # fmt: skip  # a bolt's nut on its washer, the thread's end standing out; radii, turned
CASE = np.array(  # of a differential, from its cover over the bolted flange to the pinion's nose; radius, height, m
    [
        [0.0, 0.118], [0.055, 0.115], [0.098, 0.099], [0.116, 0.082], [0.124, 0.074], [0.128, 0.070], [0.131, 0.070],
        [0.145, 0.070], [0.148, 0.070], [0.151, 0.066], [0.151, 0.056], [0.138, 0.050], [0.134, 0.0], [0.126, -0.05],
        [0.095, -0.095], [0.066, -0.125], [0.058, -0.165], [0.058, -0.180], [0.0, -0.182],
    ]
)  # fmt: skip
CASE_FLANGE, CASE_BOLTS = slice(6, 8), 10  # rows of CASE across which the bolts' heads stand
SHAFT_END = np.array([[0.0, 0.0], [0.052, 0.0], [0.053, 0.011], [0.032, 0.013], [0.034, 0.030], [0.040, 0.042],
                      [0.040, 0.060], [0.030, 0.068], [0.0245, 0.085]])  # fmt: skip  # flange, yoke and joint
DAMPER = np.array([[0.0, 1.0], [0.010, 1.0], [0.010, 0.97], [0.028, 0.965], [0.032, 0.95], [0.032, 0.53], [0.031, 0.52],
                   [0.025, 0.52], [0.025, 0.05], [0.024, 0.035], [0.010, 0.03], [0.010, 0.0], [0.0, 0.0]])  # fmt: skip


def fit_out(body: Builder) -> None:
    """All running gear. Draws nothing."""
    rear, front = body.rear_axle, body.front_axle
    for name, x, nose in (("front_axle", front, -1.0), ("rear_axle", rear, 1.0)):
        _axle(body, name, x, nose)
        _springs(body, name, x)
    _steering(body)
    _drive(body)
    _brake_hoses(body)
    _exhaust(body)
    _tank(body)


# --- shapes -----------------------------------------------------------------------------------------------------------


def lathe(at: Vector, axis: Vector, profile: Points, *, hexagonal: bool = False) -> Points:
    """A turned shape for a `cluster`, or a hexagonal one; its profile begins and ends at radius 0, above and below."""
    around = HEXAGON if hexagonal else CIRCLE
    grid = np.empty((len(profile), COLUMNS, 3))
    grid[..., :2], grid[..., 2] = profile[:, None, :1] * around, profile[:, 1:]
    return _put(grid, placed(at, z=axis))


def bar(path: Points, radius: float) -> Points:
    """A round bar along a path, for a `cluster`."""
    around = tube(path, radius, around=COLUMNS).points.swapaxes(0, 1)
    first, last = (np.broadcast_to(one, (1, COLUMNS, 3)) for one in (path[0], path[-1]))
    return np.concatenate([first, around, last])


def brick(at: Vector, size: Vector, *, z: Vector = (0, 0, 1), x: Vector = (1, 0, 0), bevel: float = 0.002) -> Points:
    """A box with rounded edges for a `cluster`; axes as those of `placed`."""
    half = np.asarray(size, float) / 2
    bevel = min(bevel, 0.45 * float(half.min()))
    outline = CORNERS * (half[:2] - bevel) + bevel * AROUND_CORNERS
    grid = np.empty((6, COLUMNS, 3))
    grid[..., :2] = outline * np.array([0, 1, 1, 1, 1, 0])[:, None, None]
    grid[[1, 4], :, :2] *= 1 - bevel / half[:2]
    grid[..., 2] = np.array([1, 1, 1 - bevel / half[2], bevel / half[2] - 1, -1, -1])[:, None] * half[2]
    return _put(grid, placed(at, z=z, x=x))


def _put(grid: Points, matrix: Points) -> Points:
    return np.asarray(grid @ matrix[:3, :3].T + matrix[:3, 3])


def cluster(shapes: Sequence[Points]) -> Patch:
    """Closed shapes as one patch: each begins and ends in a point, so what joins one to the next has no area."""
    return patch(np.concatenate(shapes))


def by(x: float, y: float, z: float) -> Points:
    """A step in metres, to be added to a point."""
    return np.array([x, y, z])


def nut(at: Vector, out: Vector, radius: float = 0.010) -> Points:
    """A nut on its bolt, for a `cluster`."""
    return lathe(at, out, HEX * radius, hexagonal=True)


def weld(outline: Points, radius: float = 0.004) -> Points:
    """The bead of a weld along a closed outline (n, 3), as a hand laid it; for a `cluster`."""
    path = resample(outline, 26, closed=True)
    wave = 1 + 0.22 * np.sin(np.arange(len(path)) * 2.4)[:, None, None]
    grid = bar(path, radius)
    grid[1:-1] = path[:, None] + (grid[1:-1] - path[:, None]) * wave
    return grid


def bolted(profile: Points, flange: slice, count: int, proud: float) -> Patch:
    """A turned shape with a ring of `count` bolt heads across these rows of its profile, `proud` metres of them."""
    low, high = profile[flange][0, 0], profile[flange][-1, 0]
    half = (high - low) / (high + low)  # of a head, as an angle: as wide as across
    step = 2 * np.pi / count
    on = np.array([-half - 0.1 / count, -half, half, half + 0.1 / count])
    rest = half + (step - 2 * half) * np.array([1, 2]) / 3
    angle = np.append((np.arange(count)[:, None] * step + np.r_[on, rest]).ravel(), 2 * np.pi + on[0])
    heads = np.append(np.tile([0.0, 1, 1, 0, 0, 0], count), 0)
    height = np.tile(profile[:, 1:], len(angle))
    height[flange] += proud * heads
    across = np.stack([np.cos(angle), np.sin(angle)], -1) * profile[:, None, :1]
    return patch(np.concatenate([across, height[..., None]], axis=2))


def bent(points: Sequence[Vector] | Points, count: int = 24) -> Points:
    """A path (count, 3) through the first and last of these points that rounds the corners between."""
    path = np.asarray(points, float)
    for _ in range(3):
        cut = np.stack([0.75 * path[:-1] + 0.25 * path[1:], 0.25 * path[:-1] + 0.75 * path[1:]], 1).reshape(-1, 3)
        path = np.concatenate([path[:1], cut, path[-1:]])
    return resample(path, count)


def _hang(
    body: Builder, name: str, shape: Patch, finish: str = "black", *, both: bool = False, zone: str = "chassis_rail"
) -> None:
    surface = {"zinc": "bare_metal", "rubber": "rubber"}.get(finish, "black_part")
    body.add(name, shape, surface, zone, finish, "hidden", panel="chassis", both=both)


# --- assemblies -------------------------------------------------------------------------------------------------------


def hold(body: Builder, arms: Points, pipe: Points, cable: Points) -> None:
    """What joins to the rail: the bumper's horns, the welds of its outriggers, angles from these to the floor.

    Outriggers are at x = `arms` (n,); clips hold brake pipe and loom (n, 3).
    """
    z, top = body.z_chassis, body.z_sill
    steel, beads = [], []
    for x in arms:
        beads.append(weld(np.array([(x + 0.026 * a, RAIL_Y_M + 0.037, z + 0.036 * b) for a, b in RING])))
        steel.append(brick((x + 0.05, body.y - 0.10, (z + top) / 2 - 0.01), (0.09, top - z + 0.02, 0.006), z=(0, 1, 0)))
        steel.append(brick((x + 0.05, body.y - 0.12, top - 0.004), (0.09, 0.046, 0.006)))
    nose = body.x_front - 0.10
    horn = np.array([nose, RAIL_Y_M, float(body.rail_height(np.array([nose]))[0])])
    steel += [
        brick(horn, (0.074, 0.124, 0.006), z=(1, 0, 0), x=(0, 1, 0)),
        brick(horn + by(0.07, 0, 0.012), (0.15, 0.046, 0.08)),
    ]
    beads.append(weld(horn + np.array([[0.004, 0.024 * a, 0.012 + 0.041 * b] for a, b in RING])))
    _hang(body, "bracket", cluster(steel), both=True)
    _hang(body, "welds", cluster(beads), both=True)
    clips, wall = [], RAIL_Y_M + 0.035
    for run, radius in ((pipe, 0.0032), (cable, 0.008)):
        for x in np.linspace(run[0, 0] - 0.12, run[-1, 0] + 0.12, 5):
            at = run[np.abs(run[:, 0] - x).argmin()]
            if np.abs(arms - at[0]).min() < 0.09 or abs(body.rail_height(at[:1])[0] - at[2]) > 0.055:
                continue
            ring = np.array([[0.0, 0.007], [radius + 0.0015, 0.007], [radius + 0.0015, -0.007], [0.0, -0.007]])
            foot = at * [1, 0, 1] + np.array([0, wall + 0.0015, radius + 0.010])
            clips += [lathe(at, (1, 0, 0), ring), brick(foot, (0.014, 0.024, 0.002), z=(0, 1, 0), x=(1, 0, 0)),
                      brick((at[0], (at[1] + wall) / 2, at[2] + radius), (0.014, at[1] - wall, 0.003)),
                      nut(foot + by(0, 0.001, 0.003), (0, 1, 0), 0.0055)]  # fmt: skip
    _hang(body, "pipe_clips", cluster(clips), "zinc", both=True)


def _axle(body: Builder, name: str, x: float, nose: float) -> None:
    """Its tubes between the brakes' back plates, ball housings on a front one, the bolted case with its pinion."""
    end = body.y - 0.222
    brake = [[0.0, 0.0], [0.146, 0.0], [0.150, 0.008], [0.146, 0.016], [0.110, 0.019], [0.085, 0.027]]
    if nose < 0:
        outer = [*brake, [0.080, 0.030], [0.092, 0.05], [0.094, 0.075], [0.084, 0.105], [0.066, 0.120], [0.064, 0.132],
                 [0.044, 0.136]]  # fmt: skip
    else:
        outer = [*brake, [0.060, 0.030], [0.058, 0.042], [0.046, 0.048]]
    left = np.array([*outer, [0.040, 0.17], [0.040, end - CASE_Y_M - 0.24], [0.050, end - CASE_Y_M - 0.20],
                     [0.078, end - CASE_Y_M - 0.10], [0.085, end - CASE_Y_M - 0.05]])  # fmt: skip
    right = left + (left[:, 1:] > 0.16) * [0.0, 2 * CASE_Y_M] - (left[:, 1:] == 0.17) * [0.0, 2 * CASE_Y_M]
    profile = np.concatenate([left * [1, -1] + [0, end], right[::-1] - [0, end]])
    _hang(body, name, turned(profile, 21).moved(placed((x, 0, body.axle_z), z=(0, 1, 0))))
    case = bolted(CASE, CASE_FLANGE, CASE_BOLTS, 0.008)
    _hang(body, f"{name}_case", case.moved(placed((x, CASE_Y_M, body.axle_z), z=(-nose, 0, 0))))


def _springs(body: Builder, name: str, x: float) -> None:
    """A pack of leaves on each side: saddled on the axle with U-bolts, its eyes in hangers and shackles; a damper."""
    low, y = body.axle_z + 0.055, SPRING_Y_M
    half = float(min(0.45, body.x_front - 0.12 - x, x - body.x_rear - 0.07))
    top = low + LEAF_M * LEAVES

    def rail(at: float) -> float:
        return float(body.rail_height(np.array([at]))[0])

    ends = {sign: rail(x + sign * half) - (0.015 if sign > 0 else 0.045) for sign in (1, -1)}
    leaves = []
    for k in range(LEAVES):
        reach = half * (1 - 0.17 * k)
        leaf = line((x + reach, y, 0), (x - reach, y, 0), 18)
        share = (leaf[:, 0] - x) / half
        eye = np.where(share > 0, ends[1], ends[-1]) - (top - LEAF_M / 2)
        leaf[:, 2] = top - (k + 0.5) * LEAF_M + eye * np.maximum(np.abs(share) - 0.12, 0) ** 1.7 / 0.88**1.7
        corners = np.array([[0, 1], [0.94, 1], [1, 0.8], [1, -0.8], [0.94, -1], [-0.94, -1], [-1, -0.8], [-1, 0.8],
                            [-0.94, 1], [0, 1]]) * [0.030, 0.0041]  # fmt: skip
        leaves.append(leaf[None] + corners[:, :1, None] * [0, 1, 0] + corners[:, 1:, None] * [0, 0, 1])
    _hang(body, f"{name}_spring", patch(np.concatenate(leaves)), both=True)

    zb = body.axle_z
    steel = [brick((x, y, zb - 0.050), (0.15, 0.105, 0.010)), brick((x, y, zb + 0.046), (0.14, 0.062, 0.022)),
             brick((x, y, top + 0.006), (0.14, 0.066, 0.010))]  # fmt: skip
    for dx in (-0.052, 0.052):
        legs = [(x + dx, y - 0.043, zb - 0.078), (x + dx, y - 0.043, top + 0.016), (x + dx, y + 0.043, top + 0.016),
                (x + dx, y + 0.043, zb - 0.078)]  # fmt: skip
        loop = np.concatenate([line(legs[0], legs[1] - np.array([0, 0, 0.012]), 3),
                               bent([legs[1] - np.array([0, 0, 0.010]), legs[1], legs[2],
                                     legs[2] - np.array([0, 0, 0.010])], 9),
                               line(legs[2] - np.array([0, 0, 0.012]), legs[3], 3)])  # fmt: skip
        steel.append(bar(loop, 0.0065))
        steel += [nut((x + dx, y + dy, zb - 0.0555), (0, 0, -1), 0.0115) for dy in (-0.043, 0.043)]
    rubber = [lathe((x, y, top + 0.012), (0, 0, 1), np.array([[0.0, 0.045], [0.016, 0.042], [0.026, 0.022],
                                                               [0.024, 0.012], [0.030, 0.0], [0.0, 0.0]]))]  # fmt: skip
    for sign, z in ends.items():
        at = np.array([x + sign * half, y, z])
        eye = np.array([[0.0, 0.036], [0.011, 0.036], [0.020, 0.033], [0.020, -0.033], [0.011, -0.036], [0.0, -0.036]])
        rubber.append(lathe(at, (0, 1, 0), eye * [0.8, 1.12]))
        steel.append(lathe(at, (0, 1, 0), eye * [1.1, 0.9]))
        steel += [nut(at + by(0, side * 0.046, 0), (0, side, 0), 0.011) for side in (1, -1)]
        bottom, height = (z - 0.03, rail(at[0]) + 0.05) if sign > 0 else (z - 0.022, z + 0.070)
        for side in (-1, 1):  # a shackle's cheeks, or those of the hanger on the rail
            steel.append(
                brick((at[0], y + 0.042 * side, (bottom + height) / 2), (height - bottom, 0.045, 0.007),
                      z=(0, 1, 0), x=(0.12 if sign < 0 else 0, 0, 1))
            )  # fmt: skip
        hung = rail(at[0]) + (0.03 if sign < 0 else 0.02)
        steel.append(brick((at[0], (RAIL_Y_M + y) / 2 + 0.01, hung), (0.075, 0.11, 0.05), bevel=0.004))
        if sign < 0:
            steel += [nut((at[0] + 0.007, y + 0.046, z + 0.052), (0, 1, 0), 0.011)]
        band = x + 0.52 * sign * half
        middle = top - 1.5 * LEAF_M + (z - top) * 0.40**1.7 / 0.88**1.7
        steel.append(brick((band, y, middle), (0.026, 0.070, 0.042)))
    _hang(body, f"{name}_spring_steel", cluster(steel), both=True)
    _hang(body, f"{name}_spring_rubber", cluster(rubber), "rubber", both=True)

    towards = -np.sign(x) * 0.075
    foot, head = (np.array([x + towards, DAMPER_Y_M + 0.02, zb - 0.035]),
                  np.array([x + 1.6 * towards, DAMPER_Y_M, rail(x + 1.6 * towards) + 0.045]))  # fmt: skip
    length = float(np.linalg.norm(head - foot))
    pin = np.array([[0.0, 0.022], [0.016, 0.022], [0.018, 0.018], [0.018, -0.018], [0.016, -0.022], [0.0, -0.022]])
    damper = [lathe(foot, head - foot, DAMPER * [1, length]), *(lathe(at, (0, 1, 0), pin) for at in (foot, head)),
              brick((x + 0.55 * towards, DAMPER_Y_M + 0.02, zb - 0.035), (0.075, 0.05, 0.008)),
              nut(foot + by(0, -0.024, 0), (0, -1, 0)), nut(head + by(0, -0.024, 0), (0, -1, 0)),
              bar(line(head - [0, 0.02, 0], head * [1, 0, 1] + [0, RAIL_Y_M - 0.03, 0], 3), 0.009)]  # fmt: skip
    _hang(body, f"{name}_damper", cluster(damper), both=True)


def _steering(body: Builder) -> None:
    """The track rod behind the front axle with its clamps, ball joints and arms."""
    x, z, end = body.front_axle - 0.15, body.axle_z - 0.015, body.y - 0.30
    ball = np.array([[0.0, 0.030], [0.014, 0.030], [0.020, 0.022], [0.022, 0.006], [0.016, -0.004], [0.011, -0.03],
                     [0.0, -0.03]])  # fmt: skip
    steel = [bar(line((x, -end, z), (x, end, z), 4), 0.0145)]
    for sign in (-1, 1):
        steel.append(lathe((x, sign * end, z), (0, 0, -1), ball))
        steel.append(brick((x + 0.07, sign * (end + 0.004), z + 0.022), (0.17, 0.04, 0.018), x=(1, 0.1 * sign, 0)))
        steel.append(nut((x, sign * end, z + 0.031), (0, 0, 1), 0.012))
        clamp = np.array([[0.0, 0.012], [0.020, 0.012], [0.020, -0.012], [0.0, -0.012]])
        steel.append(lathe((x, sign * (end - 0.13), z), (0, 1, 0), clamp))
        steel.append(brick((x - 0.022, sign * (end - 0.13), z), (0.02, 0.022, 0.022)))
        steel.append(nut((x - 0.022, sign * (end - 0.13), z - 0.012), (0, 0, -1), 0.007))
    _hang(body, "track_rod", cluster(steel))


def _drive(body: Builder) -> None:
    """Gearbox and transfer box on their cross tubes, and the shafts to both axles."""
    z, x = body.z_chassis - 0.01, body.door_front - 0.42
    box = [
        lathe((body.door_front + 0.28, 0, z + 0.05), (-1, 0, 0),
              np.array([[0.0, 0.0], [0.165, 0.0], [0.172, 0.006], [0.172, 0.020], [0.155, 0.026], [0.115, 0.16],
                        [0.118, 0.165], [0.118, 0.185], [0.098, 0.19], [0.092, 0.40], [0.106, 0.405], [0.106, 0.43],
                        [0.092, 0.435], [0.085, 0.62], [0.0, 0.62]])[::-1]),
        brick((x, CASE_Y_M, z), (0.26, 0.24, 0.24), bevel=0.03),
        brick((x, CASE_Y_M, z), (0.022, 0.27, 0.27), bevel=0.01),
        brick((x, CASE_Y_M, z - 0.115), (0.15, 0.13, 0.02), bevel=0.004),
        *(nut((x + a, CASE_Y_M + b, z - 0.125), (0, 0, -1), 0.007) for a in (-0.06, 0, 0.06) for b in (-0.05, 0.05)),
    ]  # fmt: skip
    _hang(body, "gearbox", cluster(box), "cast")
    tubes = []
    for at, deep in ((body.door_front - 0.16, -0.055), (body.rear_axle + 0.87, 0.0)):
        height = float(body.rail_height(np.array([at]))[0]) + deep
        tubes.append(bar(line((at, -RAIL_Y_M, height), (at, RAIL_Y_M, height), 4), 0.036))
    _hang(body, "cross_tubes", cluster(tubes))
    for name, axle, sign in (("front_shaft", body.front_axle, 1.0), ("rear_shaft", body.rear_axle, -1.0)):
        start = np.array([x + 0.135 * sign, CASE_Y_M, z - 0.03])
        end = np.array([axle - 0.185 * sign, CASE_Y_M, body.axle_z])
        length = float(np.linalg.norm(end - start))
        whole = np.concatenate([SHAFT_END, SHAFT_END[::-1] * [1, -1] + [0, length]])
        _hang(body, name, turned(whole, 17).moved(placed(start, z=end - start)))


def _brake_hoses(body: Builder) -> None:
    """Hoses from the chassis to the brakes in front and to the rear axle, and the pipes along that."""
    x, z, end = body.front_axle, body.axle_z, body.y - 0.24
    from_rail = np.array([x - 0.20, RAIL_Y_M + 0.043, float(body.rail_height(np.array([x - 0.2]))[0]) + 0.015])
    brake = np.array([x - 0.085, end, z + 0.055])
    front = bent([from_rail, from_rail + by(0.0, 0.09, 0.0), brake + by(-0.07, -0.10, -0.10), brake + by(0, -0.08, 0.0),
                  brake])  # fmt: skip
    ferrule = np.array([[0.0, 0.016], [0.008, 0.016], [0.009, 0.012], [0.009, -0.018], [0.0, -0.018]])
    _hang(body, "front_brake_hose", cluster([bar(front, 0.0058)]), "rubber", both=True)
    fixed = [lathe(from_rail, (0, 1, 0), ferrule), lathe(brake, (0, 1, 0), ferrule),
             brick(from_rail - [0, 0.004, 0], (0.035, 0.020, 0.045))]  # fmt: skip
    _hang(body, "front_brake_ferrules", cluster(fixed), "zinc", both=True)
    x = body.rear_axle
    tee, above = np.array([x, -0.06, z + 0.052]), np.array([x + 0.24, -0.02, body.z_chassis + 0.06])
    hose = bent([above, above - [0.02, 0, 0.10], tee + by(0.10, 0, 0.09), tee + by(0, 0, 0.012)])
    _hang(body, "rear_brake_hose", cluster([bar(hose, 0.0058)]), "rubber")
    pipes = [brick(tee, (0.022, 0.030, 0.020))]
    for sign in (-1, 1):
        clear = CASE_Y_M + 0.15 if sign > 0 else -0.09
        high = 0.135 if sign > 0 else 0.046
        run: list[Vector] = [
            tee,
            (x + 0.012, 0.5 * (clear + tee[1]), z + high),
            (x + 0.012, clear + 0.04 * sign, z + 0.044),
            (x + 0.012, sign * 0.40, z + 0.042),
            (x + 0.03, sign * 0.46, z + 0.035),
            (x + 0.03, sign * end, z + 0.03),
        ]
        pipes.append(bar(bent(run, 22), 0.0028))
    pipes.append(lathe(above, (0, 0, 1), ferrule))
    _hang(body, "rear_brake_pipes", cluster(pipes), "zinc")


def _exhaust(body: Builder) -> None:
    """Pipe, silencer with its seams and tail pipe on the right, clamped and hung in rubbers."""
    z, front, rear = body.z_chassis - 0.055, body.door_front + 0.30, body.rear_axle
    x = (body.door_front + body.door_rear) / 2 - 0.05
    can_y = -0.25
    can = np.array([[0.0, 0.0], [0.028, 0.0], [0.030, 0.03], [0.070, 0.042], [0.075, 0.040], [0.075, 0.047],
                    [0.070, 0.050], [0.070, 0.40], [0.075, 0.403], [0.075, 0.410], [0.070, 0.408], [0.030, 0.42],
                    [0.028, 0.45], [0.0, 0.45]])[::-1]  # fmt: skip
    pipe = [
        bar(bent([(front, -0.17, z + 0.12), (front - 0.1, -0.2, z), *((x + a, can_y, z) for a in (0.3, 0.2))]), 0.023),
        bar(bent([(x - 0.2, can_y, z), (rear + 0.75, -0.342, z), (rear + 0.32, -0.345, z + 0.01),
                  (rear + 0.14, -0.22, body.axle_z + 0.12), (rear - 0.14, -0.22, body.axle_z + 0.13),
                  (rear - 0.30, -0.33, z), (body.x_rear - 0.02, -0.345, z - 0.02)], 34), 0.021),
        lathe((x + 0.225, can_y, z), (-1, 0, 0), can),
    ]  # fmt: skip
    _hang(body, "exhaust", cluster(pipe), "cast")
    clamps, straps = [], []
    for at, y, height in ((x + 0.235, can_y, z), (x - 0.235, can_y, z), (body.x_rear + 0.10, -0.345, z - 0.016)):
        ring = np.array([[0.0, 0.007], [0.033, 0.007], [0.033, -0.007], [0.0, -0.007]])
        clamps.append(lathe((at, y, height), (1, 0, 0), ring))
        clamps.append(brick((at, y, height + 0.034), (0.016, 0.05, 0.016)))
        clamps += [nut((at, y + dy, height + 0.042), (0, 0, 1), 0.007) for dy in (-0.017, 0.017)]
        straps.append(brick((at, y, height + 0.065), (0.030, 0.012, 0.055)))
    _hang(body, "exhaust_clamps", cluster(clamps), "zinc")
    _hang(body, "exhaust_rubbers", cluster(straps), "rubber")


def _tank(body: Builder) -> None:
    """The tank of two pressed shells with a seam between, in straps that are bolted to the floor."""
    x, y, z = body.rear_axle + 0.55, -0.13, body.z_chassis + 0.02
    shells = [
        brick((x, y, z), (0.50, 0.34, 0.20), bevel=0.035),
        brick((x, y, z), (0.53, 0.37, 0.004)),
        lathe(
            (x + 0.1, y, z - 0.10),
            (0, 0, -1),
            np.array([[0.0, 0.012], [0.013, 0.012], [0.013, 0.004], [0.019, 0.003], [0.019, 0.0], [0.0, 0.0]]),
            hexagonal=True,
        ),
    ]
    for dx in (-0.15, 0.15):
        shells += [brick((x + dx, y, z - 0.102), (0.03, 0.345, 0.004)), nut((x + dx, y + 0.20, z + 0.062), (0, 0, -1))]
        shells += [brick((x + dx, y + 0.1735 * side, z), (0.03, 0.004, 0.20)) for side in (-1, 1)]
        shells += [brick((x + dx, y + 0.19 * side, z + 0.068), (0.03, 0.045, 0.005)) for side in (-1, 1)]
    _hang(body, "tank", cluster(shells))
