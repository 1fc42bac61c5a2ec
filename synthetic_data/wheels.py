"""A wheel: tread blocks, sidewall, dished disc with hand holes, drum, hub, nuts and valve, flat where it stands.

Sizes are shares of the tyre's radius or metres; common practice, no source. The pattern of the tread is invented.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from synthetic_data.geometry import Patch, Points, patch, placed, resample, smoothstep, tube, turned
from synthetic_data.running_gear import bolted

HALF_WIDTH_M = 0.10
SINK_M = 0.014  # how far a standing wheel's axle lies below where a round tyre's would
PITCHES = 28  # blocks around
GROOVE = 0.030  # depth of a new tyre's, share of the radius
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
RIM = np.array(  # disc from the hub outwards, the groove where it is welded in, bead seat and flange: radius, height m
    [
        [0.10, 0.016], [0.215, 0.018], [0.26, 0.019], [0.295, 0.033], [0.325, 0.047], [0.355, 0.052], [0.395, 0.052],
        [0.435, 0.047], [0.470, 0.038], [0.495, 0.029], [0.508, 0.015], [0.518, 0.019], [0.522, 0.028], [0.565, 0.040],
        [0.588, 0.074], [0.625, 0.083], [0.637, 0.079], [0.630, 0.060],
    ]
)  # fmt: skip
HOLED = slice(4, 10)  # rows of RIM, six, over which a hand hole lies
SHEET_M, FLOOR_M = 0.004, -0.072  # how thick a hole's edge is; where its floor lies, that nobody sees
DRUM = np.array(  # what one sees through the holes: the drum's face and rim, the dark behind it; its back, from behind
    [[0.24, -0.004], [0.37, -0.006], [0.385, -0.012], [0.39, -0.020], [0.405, -0.020], [0.415, -0.026], [0.416, -0.060],
     [0.56, -0.062], [0.56, -0.078], [0.36, -0.080]]
)  # fmt: skip
BARREL = np.array(  # the rim from behind, bead to well: radius, height m
    [[0.630, -0.068], [0.638, -0.076], [0.628, -0.083], [0.604, -0.078], [0.588, -0.072], [0.578, -0.050],
     [0.530, -0.034], [0.520, 0.010]]
)  # fmt: skip
NUT = np.array([[0, 0.020], [0.0045, 0.020], [0.005, 0.014], [0.008, 0.014], [0.0105, 0.011], [0.0105, 0.0]])
HUB = np.array(
    [[0.0, 0.102], [0.018, 0.101], [0.026, 0.097], [0.030, 0.091], [0.031, 0.074], [0.033, 0.071], [0.0365, 0.071],
     [0.0445, 0.071], [0.047, 0.071], [0.049, 0.069], [0.050, 0.058], [0.044, 0.054], [0.044, 0.02]]
)  # fmt: skip
HUB_FLANGE, HUB_BOLTS = slice(6, 8), 6  # rows of HUB across which its bolts' heads stand


@dataclass(frozen=True, slots=True)
class WheelKind:
    """What differs from one vehicle's wheels to the next's: the disc's hand holes, and how far its tyres are worn."""

    holes: int
    hole_width: float  # share of what fits between two neighbours
    tread_left: float  # share of a new tyre's grooves


def wheel(
    radius: float, centre: Points, out: Points, kind: WheelKind, *, stands: bool
) -> list[tuple[str, Patch, str, str]]:
    """Name, patch, surface and finish of each part of a wheel whose axle is at `centre` and looks along `out`.

    One that `stands` touches the ground z = 0 with a flat patch; its axle lies `SINK_M` lower than its radius.
    """
    place = placed(centre, z=out)

    def set_up(surface: Patch) -> Patch:
        moved = surface.moved(place)
        return _flattened(moved, centre, out) if stands else moved

    back = turned(resample(WALL[[17, 8, 2, 0]] * [radius, -HALF_WIDTH_M], 6), 49)
    tyre = [
        ("tyre", set_up(_tread(radius, GROOVE * kind.tread_left)), "tread"),
        ("tyre_wall", set_up(_wall(radius)), "tyre_wall"),
        ("tyre_back", set_up(back), "tyre"),
    ]
    rim = _turned_with_holes(RIM * [radius, 1], kind)
    behind = turned(DRUM * [radius, 1], 41)
    barrel = turned(BARREL[::-1] * [radius, 1], 41).flipped()
    hub = bolted(HUB, HUB_FLANGE, HUB_BOLTS, 0.006)
    valve = placed((0.540 * radius * np.cos(0.4), 0.540 * radius * np.sin(0.4), 0.030))
    stem = tube(np.array([[0, 0, 0.0], [0, 0, 0.02], [-0.004, -0.002, 0.034]]), 0.0045, around=9).flipped().moved(valve)
    cap = turned(np.array([[0.0, 0.012], [0.0045, 0.011], [0.005, 0.0]]), 9)
    cap = cap.moved(valve @ placed((-0.004, -0.002, 0.032), z=(-0.25, -0.1, 1)))
    black = [("hub", hub), ("valve", stem), ("valve_cap", cap)]
    nuts = []
    for k in range(5):
        angle = 2 * np.pi * k / 5
        spot = placed((0.075 * np.cos(angle), 0.075 * np.sin(angle), 0.016), x=(np.cos(2.3 * k), np.sin(2.3 * k), 0))
        nuts.append((f"nut{k}", turned(NUT, 19, sides=6).moved(spot)))
    return [
        *((name, one, "tyre", finish) for name, one, finish in tyre),
        ("rim", rim.moved(place), "paint", "wheel"),
        ("rim_back", barrel.moved(place), "paint", "wheel"),
        ("wheel_inside", behind.moved(place), "black_part", "cast"),
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


def _tread(radius: float, groove: float) -> Patch:
    """The running surface: staggered blocks between grooves around and across, every other lug shorter at the side.

    Grooves are `groove` deep, a share of the radius.
    """
    around, cut, short = _around()
    side = (np.abs(TREAD[:, :1]) > 0.94).astype(float)
    angle = around[None] + TREAD[:, 2:] * (2 * np.pi / PITCHES)
    profile = np.where(TREAD[:, 1:2] == GROOVE, groove, TREAD[:, 1:2])
    deep = np.where(np.abs(TREAD[:, :1]) > 0.9, GROOVE + 0.9 * profile, groove)  # lugs go on over the shoulder
    reach = radius * (1 - np.maximum(profile, deep * cut) - 0.012 * side * short)
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


def _turned_with_holes(profile: Points, kind: WheelKind) -> Patch:
    """The disc, turned, with hand holes whose rims are grid lines; within them it is folded back under its sheet."""
    points = turned(profile, kind.holes * 7 + 1).points.copy()
    side = np.linspace(-1, 1, 6)
    v, u = np.meshgrid(side, side, indexing="ij")
    ring = np.maximum(np.abs(u), np.abs(v))
    round_u, round_v = u * np.sqrt(1 - v**2 / 2), v * np.sqrt(1 - u**2 / 2)  # a square's rings onto circles
    low, high = profile[HOLED][0, 0], profile[HOLED][-1, 0]
    middle, half = (low + high) / 2, 0.46 * (high - low)
    # its edge, the sheet's thickness, and a floor that lies wider than the hole and behind all else
    from_middle = np.where(ring > 0.9, 1.0, np.where(ring > 0.5, 0.98, 1.12))
    share = from_middle / np.hypot(round_u, round_v)
    wide = min(kind.hole_width * np.pi * middle / (kind.holes * half), 2.0)
    reach, aside = middle + half * round_v * share, wide * half * round_u * share
    sheet = np.interp(np.hypot(reach, aside), profile[:, 0], profile[:, 1])
    height = np.where(ring > 0.9, sheet, np.where(ring > 0.5, sheet - SHEET_M, FLOOR_M))
    for hole in range(kind.holes):
        columns = slice(7 * hole + 1, 7 * hole + 7)
        angle = 2 * np.pi * (hole + 0.5) / kind.holes
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
