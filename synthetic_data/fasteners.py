"""Heads of bolts, screws and rivets: shapes by kind, and what makes each differ from the next.

A head stands on z = 0 and looks along z. Profiles (radius, height) are shares of its radius: common practice, no
source.
"""

from __future__ import annotations

import numpy as np

from pipeline.configuration import Config
from synthetic_data.geometry import Patch, Points, crossed_head, patch, placed, pop_rivet, slotted, turned

RIVETS = ("rivet", "pop")
INSTEAD = {  # what a workshop's box had where one was lost
    "hex": ("flange", "nut", "socket"),
    "flange": ("hex", "nut"),
    "socket": ("hex", "flange"),
    "slot": ("cross", "hex"),
    "cross": ("slot", "hex"),
    "clip": ("cross", "slot"),
}
THREAD = [[0.50 - 0.05 * (k % 2), 1.38 - 0.07 * k] for k in range(7)]
STUD = [[0, 1.5], [0.40, 1.5], [0.48, 1.42], *THREAD, [0.56, 0.9]]
NUT = [[0.84, 0.88], [0.93, 0.84], [1.0, 0.74], [1.0, 0.12]]
HEAD = [[0, 0.90], [0.30, 0.91], [0.84, 0.90], [0.93, 0.85], [1.0, 0.74], [1.0, 0.12]]
FLANGE = [[0.8, 0.42], [1.15, 0.28], [1.42, 0.21], [1.46, 0.12], [1.46, -0.04]]
CLIP = [[0, 0.24], [0.26, 0.24], [0.30, 0.42], [0.36, 0.30], [0.9, 0.22], [1.0, 0.08], [1.02, -0.04]]
SOCKET = [[0, 0.35], [0.42, 0.35], [0.46, 0.72], [0.6, 0.78], [0.85, 0.6], [1.0, 0.25], [1.02, -0.05]]
HOLE = [[0, 0.03], [0.50, 0.04], [0.56, 0.05], [0.60, -0.04]]


class Fastenings(Config):
    """`fastenings` of `configs/synthesis/families.yaml`: how unlike heads are that came from one box."""

    replaced: float
    missing: float
    no_washer: float
    wide_washer: float
    rivet_askew_mrad: float
    bolt_askew_mrad: float


def head(kind: str, radius: float, habits: Fastenings, rng: np.random.Generator) -> list[Patch]:
    """One head of `radius` metres with its washer, seated as a hand left it."""
    lean, off, size, tall, level = rng.normal(size=2), rng.uniform(-1, 1, 2), *rng.uniform(-1, 1, 3)
    is_rivet = kind in RIVETS
    askew = habits.rivet_askew_mrad if is_rivet else habits.bolt_askew_mrad
    seat = placed((0, 0, (0.00012 if is_rivet else 0.0003) * level), z=(*(np.clip(lean, -2, 2) * askew / 2000), 1.0))
    r = radius * (1 + (0.0 if is_rivet else 0.03) * size)
    loose = []
    if kind in ("rivet", "dome"):  # set by hand: some flatter, their crown beside the shank
        theta = np.linspace(np.pi / 2, 0.02, 7)
        profile = np.stack([np.cos(theta), (0.60 + 0.07 * tall) * np.sin(theta) ** (1 - 0.2 * abs(size))], 1)
        shape = turned(np.concatenate([r * profile, [[r * 1.02, -0.0005]]]), 22)
        seat[:3, 2] += 0.06 * (seat[:3, :2] @ off)
    elif kind == "pop":
        shape = pop_rivet(r)
    elif kind in ("slot", "cross"):
        shape = slotted(r) if kind == "slot" else crossed_head(r)
    elif kind in ("clip", "socket"):
        shape = turned(np.array(CLIP if kind == "clip" else SOCKET) * r, 24)
    elif kind == "flange":
        shape, loose = _hexagon(np.array(HEAD) * [0.9 * r, r]), [turned(np.array(FLANGE) * r, 25)]
    else:
        shape = _hexagon(np.array(HEAD if kind == "hex" else STUD + NUT) * r)
        loose = _washer(r, habits, off, rng)
        shape = shape if loose else shape.moved(placed((0, 0, -0.14 * r)))
    return [one.moved(seat) for one in (shape, *loose)]


def hole(radius: float) -> Patch:
    """Where a head is missing."""
    return turned(np.array(HOLE) * radius, 20)


def _hexagon(profile: Points) -> Patch:
    """A turned profile (rows, 2: radius, height), cut by a hexagonal bar: what a chamfer leaves of its corners."""
    angle = np.linspace(0.0, 2 * np.pi, 25)
    flats = np.cos(np.pi / 6) / np.cos((angle % (np.pi / 3)) - np.pi / 6) * profile[:, 0].max()
    radius = np.minimum(profile[:, :1], flats)
    height = np.broadcast_to(profile[:, 1:], radius.shape)
    return patch(np.stack([radius * np.cos(angle), radius * np.sin(angle), height], -1))


def _washer(r: float, habits: Fastenings, off: Points, rng: np.random.Generator) -> list[Patch]:
    """The washer under a head: beside its middle, at times wide, at times none."""
    kind, size = rng.random(), rng.uniform(0.94, 1.06)
    if kind < habits.no_washer:
        return []
    wide = size * (2.1 if kind > 1 - habits.wide_washer else 1.6)
    profile = np.array([[0.85, 0.17], [wide - 0.08, 0.17], [wide - 0.02, 0.11], [wide, -0.03]]) * r
    return [turned(profile, 25).moved(placed((*(0.1 * r * off), 0.0)))]
