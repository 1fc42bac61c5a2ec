"""A wheel: tread blocks, sidewall, pressed disc with hand holes, hub, nuts and valve, flat where it stands.

Sizes are shares of the tyre's radius or metres; common practice, no source. The pattern of the tread is invented.
"""

from __future__ import annotations

import numpy as np

from synthetic_data.geometry import Patch, Points, patch, placed, resample, smoothstep, tube, turned

HALF_WIDTH_M = 0.10
SINK_M = 0.014  # how far a standing wheel's axle lies below where a round tyre's would
PITCHES = 26  # blocks around
GROOVE = 0.028  # depth, share of the radius
HOLES = 8
# across the tread from outside to inside: place as a share of the half width, depth, twist as a share of a pitch
TREAD = np.array(
    [
        [0.99, 0.075, 0.10], [0.94, 0.022, 0.08], [0.84, 0.004, 0.05], [0.42, 0.0, -0.18], [0.36, GROOVE, -0.18],
        [0.26, GROOVE, 0.32], [0.20, 0.0, 0.32], [-0.20, 0.0, 0.68], [-0.26, GROOVE, 0.68], [-0.36, GROOVE, 1.18],
        [-0.42, 0.0, 1.18], [-0.84, 0.004, 0.95], [-0.94, 0.022, 0.92], [-0.99, 0.075, 0.90],
    ]
)  # fmt: skip
BLOCK = np.array([[0.0, 1.0], [0.20, 1.0], [0.26, 0.0], [0.94, 0.0]])  # around one pitch: place, cut
# sidewall from bead to shoulder: radius, place as a share of the half width; a rib by the rim, a band, two rings
WALL = np.array(
    [
        [0.610, 0.80], [0.625, 0.90], [0.645, 0.93], [0.655, 0.90], [0.700, 0.965], [0.706, 0.985], [0.716, 0.985],
        [0.722, 0.975], [0.760, 1.0], [0.766, 1.0], [0.826, 1.01], [0.832, 1.005], [0.870, 0.995], [0.876, 1.015],
        [0.886, 1.012], [0.892, 0.99], [0.927, 0.985],
    ]
)  # fmt: skip
LETTERED = (9, 10)  # rows of WALL that the raised fields of the band lie on
FIELDS = ((0.35, 1.20), (1.35, 1.55), (3.5, 4.1), (4.2, 4.75))  # where they begin and end around, radians
RIM = np.array(  # from the hub outwards: radius, height m
    [
        [0.10, 0.026], [0.13, 0.026], [0.145, 0.012], [0.22, 0.004], [0.30, 0.0], [0.33, 0.012], [0.36, 0.018],
        [0.40, 0.023], [0.44, 0.028], [0.48, 0.032], [0.50, 0.034], [0.53, 0.040], [0.555, 0.062], [0.585, 0.078],
        [0.625, 0.083], [0.635, 0.078], [0.630, 0.060],
    ]
)  # fmt: skip
HOLED = slice(5, 11)  # rows of RIM, six, over which a hand hole lies
NUT = np.array([[0, 0.020], [0.0045, 0.020], [0.005, 0.014], [0.008, 0.014], [0.0105, 0.011], [0.0105, 0.0]])
HUB = np.array(
    [[0.0, 0.098], [0.022, 0.097], [0.029, 0.092], [0.031, 0.070], [0.036, 0.068], [0.046, 0.066], [0.049, 0.062],
     [0.050, 0.02]]
)  # fmt: skip


def wheel(radius: float, centre: Points, out: Points, *, stands: bool) -> list[tuple[str, Patch, str, str]]:
    """Name, patch, surface and finish of each part of a wheel whose axle is at `centre` and looks along `out`.

    One that `stands` touches the ground z = 0 with a flat patch; its axle lies `SINK_M` lower than its radius.
    """
    place = placed(centre, z=out)

    def set_up(surface: Patch) -> Patch:
        moved = surface.moved(place)
        return _flattened(moved, centre, out) if stands else moved

    tyre = [("tyre", set_up(_tread(radius))), ("tyre_wall", set_up(_wall(radius)))]
    back = resample(WALL[[16, 8, 2, 0]] * [radius, -HALF_WIDTH_M], 6)
    tyre.append(("tyre_back", set_up(turned(back, 49))))
    rim = _turned_with_holes(RIM * [radius, 1])
    behind = turned(np.array([[0.30, -0.006], [0.52, 0.012]]) * [radius, 1], 41)
    hub = turned(HUB, 25)
    valve = placed((0.545 * radius * np.cos(0.4), 0.545 * radius * np.sin(0.4), 0.05))
    stem = tube(np.array([[0, 0, 0.0], [0, 0, 0.02], [-0.004, -0.002, 0.034]]), 0.0045, around=9).flipped().moved(valve)
    cap = turned(np.array([[0.0, 0.012], [0.0045, 0.011], [0.005, 0.0]]), 9)
    cap = cap.moved(valve @ placed((-0.004, -0.002, 0.032), z=(-0.25, -0.1, 1)))
    black = [("wheel_inside", behind), ("hub", hub), ("valve", stem), ("valve_cap", cap)]
    nuts = []
    for k in range(5):
        angle = 2 * np.pi * k / 5
        spot = placed((0.075 * np.cos(angle), 0.075 * np.sin(angle), 0.008), x=(np.cos(2.3 * k), np.sin(2.3 * k), 0))
        nuts.append((f"nut{k}", turned(NUT, 19, sides=6).moved(spot)))
    return [
        *((name, one, "tyre", "tyre") for name, one in tyre),
        ("rim", rim.moved(place), "paint", "wheel"),
        *((name, one.moved(place), "black_part", "black") for name, one in black),
        *((name, one.moved(place), "bare_metal", "zinc") for name, one in nuts),
    ]


def _tread(radius: float) -> Patch:
    """The running surface: staggered blocks between grooves around and across."""
    pitch = 2 * np.pi / PITCHES
    around = np.concatenate([(k + BLOCK[:, 0]) * pitch for k in range(PITCHES)] + [[2 * np.pi]])
    cut = np.concatenate([np.tile(BLOCK[:, 1], PITCHES), [1.0]])
    angle = around[None] + TREAD[:, 2:] * pitch
    deep = np.where(np.abs(TREAD[:, :1]) > 0.9, GROOVE + TREAD[:, 1:2], GROOVE)  # lugs go on over the shoulder
    reach = radius * (1 - np.maximum(TREAD[:, 1:2], deep * cut[None]))
    across = np.broadcast_to(HALF_WIDTH_M * TREAD[:, :1], angle.shape)
    return patch(np.stack([reach * np.cos(angle), reach * np.sin(angle), across], -1))


def _wall(radius: float) -> Patch:
    """The outer sidewall with its rings and a band of raised fields."""
    wall = turned(WALL * [radius, HALF_WIDTH_M], 97)
    angle = np.linspace(0, 2 * np.pi, 97)
    raised = sum(((angle > low) & (angle < high) for low, high in FIELDS), np.zeros(97, bool))
    points = wall.points.copy()
    for row in LETTERED:
        points[row, :, 2] += 0.0016 * raised * (1 - 0.5 * (np.arange(97) % 3 == 0))
    return patch(points)


def _turned_with_holes(profile: Points) -> Patch:
    """The disc, turned, with round hand holes whose rims are grid lines and whose insides are pushed back."""
    count = HOLES * 7 + 1
    disc = turned(profile, count)
    points = disc.points.copy()
    side = np.linspace(-1, 1, 6)
    v, u = np.meshgrid(side, side, indexing="ij")
    ring = np.maximum(np.abs(u), np.abs(v))
    round_u, round_v = u * np.sqrt(1 - v**2 / 2), v * np.sqrt(1 - u**2 / 2)  # a square's rings onto circles
    low, high = profile[HOLED][0, 0], profile[HOLED][-1, 0]
    middle, half = (low + high) / 2, (high - low) / 2
    from_middle = np.where(ring > 0.9, 1.0, np.where(ring > 0.5, 0.93, 0.3))
    share = from_middle / np.hypot(round_u, round_v)
    reach = middle + half * round_v * share
    aside = half * round_u * share * 1.25
    height = np.interp(reach, profile[:, 0], profile[:, 1]) - np.where(ring > 0.9, 0.0, 0.03)
    for hole in range(HOLES):
        columns = slice(7 * hole + 1, 7 * hole + 7)
        angle = 2 * np.pi * (hole + 0.5) / HOLES
        x = reach * np.cos(angle) - aside * np.sin(angle)
        y = reach * np.sin(angle) + aside * np.cos(angle)
        points[HOLED, columns] = np.stack([x, y, height], -1)
    return patch(points)


def _flattened(surface: Patch, centre: Points, out: Points) -> Patch:
    """The tyre under its load: what would lie below the ground lies on it, the wall above it bulges."""
    points = surface.points.copy()
    near = 1 - smoothstep(0.0, 0.11, points[..., 2])
    beside = 1 - smoothstep(0.08, 0.16, np.abs(points[..., 0] - centre[0]))
    aside = (points - centre) @ out
    points += (0.09 * near * beside * aside)[..., None] * out
    points[..., 2] = np.where(points[..., 2] < 0, 0.04 * points[..., 2], points[..., 2])
    points[..., 2] = np.maximum(points[..., 2], 0.0)
    return patch(points)
