"""A wheel: tread blocks, sidewall, pressed disc with hand holes, hub, nuts and valve, flat where it stands.

Sizes are shares of the tyre's radius or metres; common practice, no source. The pattern of the tread is invented.
"""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np

from synthetic_data.geometry import Patch, Points, patch, placed, resample, smoothstep, tube, turned

HALF_WIDTH_M = 0.10
SINK_M = 0.014  # how far a standing wheel's axle lies below where a round tyre's would
PITCHES = 28  # blocks around
GROOVE = 0.030  # depth, share of the radius
HOLES = 8
# across the tread from outside to inside: place as a share of the half width, depth, twist as a share of a pitch. Each
# edge has a second line just below it, so that a block's top shades as a plane and its wall as a wall
TREAD = np.array(
    [
        [0.99, 0.075, 0.10], [0.955, 0.030, 0.09], [0.93, 0.016, 0.08], [0.86, 0.004, 0.05], [0.435, 0.0, -0.20],
        [0.42, 0.006, -0.20], [0.385, GROOVE, -0.19], [0.285, GROOVE, 0.30], [0.25, 0.006, 0.32], [0.235, 0.0, 0.32],
        [-0.235, 0.0, 0.66], [-0.25, 0.006, 0.66], [-0.285, GROOVE, 0.68], [-0.385, GROOVE, 1.17], [-0.42, 0.006, 1.18],
        [-0.435, 0.0, 1.18], [-0.86, 0.004, 0.95], [-0.93, 0.016, 0.92], [-0.955, 0.030, 0.91], [-0.99, 0.075, 0.90],
    ]
)  # fmt: skip
# around one pitch: place, cut
BLOCK = np.array([[0.0, 0.2], [0.02, 1.0], [0.21, 1.0], [0.23, 0.2], [0.255, 0.0], [0.975, 0.0]])
# sidewall from bead to shoulder: radius, place as a share of the half width; a rib by the rim, a band, two rings
WALL = np.array(
    [
        [0.610, 0.80], [0.625, 0.90], [0.645, 0.93], [0.655, 0.90], [0.700, 0.965], [0.706, 0.985], [0.716, 0.985],
        [0.722, 0.975], [0.760, 1.0], [0.766, 1.0], [0.826, 1.01], [0.832, 1.005], [0.870, 0.995], [0.876, 1.015],
        [0.886, 1.012], [0.892, 0.99], [0.904, 0.985], [0.927, 0.990],
    ]
)  # fmt: skip
LETTER_BAND = (0.47, 0.68)  # of the way along WALL from bead to shoulder, inside the row of rings
RIB_BAND = (0.84, 0.93)  # where the mould left ribs that point outwards
MARKINGS = ((0.02, "7.40 R 16", 1.0), (0.24, "TUBELESS   8 PR", 0.55), (0.45, "RADIAL", 1.0), (0.62, "7.40 R 16", 1.0),
            (0.82, "MAX 975 kg AT 450 kPa", 0.45))  # fmt: skip  # where around, what, how tall; invented
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

    back = turned(resample(WALL[[17, 8, 2, 0]] * [radius, -HALF_WIDTH_M], 6), 49)
    tyre = [
        ("tyre", set_up(_tread(radius)), "tread"),
        ("tyre_wall", set_up(_wall(radius)), "tyre_wall"),
        ("tyre_back", set_up(back), "tyre"),
    ]
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
        *((name, one, "tyre", finish) for name, one, finish in tyre),
        ("rim", rim.moved(place), "paint", "wheel"),
        *((name, one.moved(place), "black_part", "black") for name, one in black),
        *((name, one.moved(place), "bare_metal", "zinc") for name, one in nuts),
        ("balance_weight", _weight(radius).moved(place), "bare_metal", "lead"),
    ]


def _around() -> tuple[Points, Points, Points]:
    """Angles of the lines around a tyre, how far each is cut into and whether its lug is a short one, 0 to 1."""
    around = np.concatenate([(BLOCK[:, 0] + k) for k in range(PITCHES)] + [[PITCHES]]) * (2 * np.pi / PITCHES)
    cut = np.concatenate([np.tile(BLOCK[:, 1], PITCHES), BLOCK[:1, 1]])
    short = np.concatenate([np.repeat(np.arange(PITCHES) % 2, len(BLOCK)), [0]])
    return around, cut, short * (1 - cut)


def _tread(radius: float) -> Patch:
    """The running surface: staggered blocks between grooves around and across, every other lug shorter at the side."""
    around, cut, short = _around()
    side = (np.abs(TREAD[:, :1]) > 0.94).astype(float)
    angle = around[None] + TREAD[:, 2:] * (2 * np.pi / PITCHES)
    deep = np.where(np.abs(TREAD[:, :1]) > 0.9, GROOVE + 0.9 * TREAD[:, 1:2], GROOVE)  # lugs go on over the shoulder
    reach = radius * (1 - np.maximum(TREAD[:, 1:2], deep * cut) - 0.012 * side * short)
    across = HALF_WIDTH_M * TREAD[:, :1] * (1 - side * (0.045 * cut + 0.02 * short))
    return patch(np.stack([reach * np.cos(angle), reach * np.sin(angle), np.broadcast_to(across, angle.shape)], -1))


def _wall(radius: float) -> Patch:
    """The outer sidewall with its rings; the lugs of the tread reach over its edge."""
    around, cut, short = _around()
    lug = np.zeros((len(WALL), 1))
    lug[-2:, 0] = 0.4, 1.0
    angle = around[None] + lug * TREAD[0, 2] * (2 * np.pi / PITCHES)
    reach = radius * (WALL[:, :1] - lug * (0.024 * cut + 0.012 * short))
    out = HALF_WIDTH_M * (WALL[:, 1:] - lug * (0.05 * cut + 0.02 * short) + 0.012 * lug * (1 - cut))
    return patch(np.stack([reach * np.cos(angle), reach * np.sin(angle), np.broadcast_to(out, angle.shape)], -1))


def _weight(radius: float) -> Patch:
    """A balance weight clipped over the rim's edge, with its blunt ends."""
    angle = 4.1 + np.array([0.0, 0.006, 0.02, 0.08, 0.14, 0.154, 0.16])
    proud = np.array([0.0, 0.7, 1.0, 1.0, 1.0, 0.7, 0.0])
    section = np.array(
        [[0.590, 0.074], [0.594, 0.084], [0.612, 0.089], [0.630, 0.0885], [0.637, 0.080], [0.634, 0.066]]
    )
    rest = np.array([[0.590, 0.074], [0.594, 0.077], [0.612, 0.080], [0.628, 0.081], [0.632, 0.077], [0.631, 0.064]])
    both = rest[:, None] + (section - rest)[:, None] * proud[:, None]
    reach = radius * both[..., 0]
    return patch(np.stack([reach * np.cos(angle), reach * np.sin(angle), both[..., 1]], -1))


@lru_cache(maxsize=1)
def moulded() -> Points:
    """What the mould cut into the sidewall's band (h, w): height of the letters 0 to 1, read from outside.

    Columns run around the tyre against its `along_mm`, rows from the shoulder inwards.
    """
    height, width = 64, 4096
    image = np.zeros((height, width), np.uint8)
    for at, text, tall in MARKINGS:
        scale = 2.2 * tall
        high = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, scale, 6)[0][1]
        place = (int(at * width), (height + high) // 2)
        cv2.putText(image, text, place, cv2.FONT_HERSHEY_SIMPLEX, scale, 255, 6 if tall > 0.7 else 4, cv2.LINE_AA)
    soft: Points = cv2.GaussianBlur(image, (0, 0), 0.9).astype(np.float64) / 255
    soft.setflags(write=False)
    return soft


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
    points += (0.12 * near * beside * aside)[..., None] * out
    points[..., 2] = np.where(points[..., 2] < 0, 0.04 * points[..., 2], points[..., 2])
    points[..., 2] = np.maximum(points[..., 2], 0.0)
    return patch(points)
