"""What lies and grows on the ground near the vehicle, each thing a small surface of its own, and what a parked vehicle
does to the ground: tracks it came by, dirt where tyres stand, oil.

A map of the ground and its tile show no outline and throw no shadow. Stones, blades, leaves and twigs do; they are
part of the apron's mesh, so that a scene needs no further shape.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from pipeline.configuration import Config, load, shipped
from synthetic_data.camera import Range, Share
from synthetic_data.panorama import Array
from synthetic_data.textures import toned

HARD = ("tarmac", "concrete", "paving")
STONE_TONES, GREENS, STRAW, LEAF, TWIG = range(0, 16), range(16, 22), range(22, 26), range(26, 32), range(32, 34)
FOOT_M = (0.10, 0.09)  # half the patch a tyre stands on, along and across
GREEN = np.array([(0.045, 0.085, 0.018), (0.065, 0.11, 0.025), (0.035, 0.06, 0.018), (0.085, 0.12, 0.035)])
DRY = np.array([(0.22, 0.18, 0.085), (0.15, 0.115, 0.055)])
FALLEN = np.array([(0.20, 0.11, 0.04), (0.13, 0.07, 0.03), (0.25, 0.18, 0.05), (0.09, 0.055, 0.03)])
BARK = np.array([(0.10, 0.075, 0.05), (0.16, 0.13, 0.10)])
GOLDEN = (1 + 5**0.5) / 2
ICOSAHEDRON = np.array(
    [(-1, GOLDEN, 0), (1, GOLDEN, 0), (-1, -GOLDEN, 0), (1, -GOLDEN, 0), (0, -1, GOLDEN), (0, 1, GOLDEN),
     (0, -1, -GOLDEN), (0, 1, -GOLDEN), (GOLDEN, 0, -1), (GOLDEN, 0, 1), (-GOLDEN, 0, -1), (-GOLDEN, 0, 1)]
) / np.hypot(1, GOLDEN)  # fmt: skip
FACETS = np.array(
    [(0, 11, 5), (0, 5, 1), (0, 1, 7), (0, 7, 10), (0, 10, 11), (1, 5, 9), (5, 11, 4), (11, 10, 2), (10, 7, 6),
     (7, 1, 8), (3, 9, 4), (3, 4, 2), (3, 2, 6), (3, 6, 8), (3, 8, 9), (4, 9, 5), (2, 4, 11), (6, 2, 10), (8, 6, 7),
     (9, 8, 1)]
)  # fmt: skip


class KindSettings(Config):
    stones_m2: float
    stones_mm: Range
    tufts_m2: float
    blades_mm: Range
    leaves_m2: float
    twigs_m2: float
    sink_mm: float
    by_tyre: int


class GroundSettings(Config):
    """`configs/synthesis/ground.yaml`."""

    reach_m: float
    kinds: dict[str, KindSettings]
    indoors_share: Share
    dirt_at_tyre: Range
    track_tone: dict[str, Share]
    oil_spots: tuple[int, int]


@lru_cache
def ground_settings() -> GroundSettings:
    return load(shipped("synthesis", "ground.yaml"), GroundSettings)


@dataclass(frozen=True, slots=True)
class Litter:
    """Small surfaces: points (n, 3) m, normals (n, 3), triangles (m, 3), which colour of `palette` (p, 3) each point
    has (n,). The axes are the panorama's; the ground is z = 0."""

    points: Array = field(repr=False)
    normals: Array = field(repr=False)
    faces: npt.NDArray[np.int64] = field(repr=False)
    colour: npt.NDArray[np.int64] = field(repr=False)
    palette: Array = field(repr=False)


Piece = tuple[Array, Array, npt.NDArray[np.int64], npt.NDArray[np.int64]]  # points, normals, faces, colour


def strew(
    kind: str, tone: Array, wheels: Array, reach_m: Array, settings: GroundSettings, rng: np.random.Generator,
    *, indoors: bool,
) -> Litter:  # fmt: skip
    """Litter for ground `kind` of mean albedo `tone` (3), denser at `wheels` (k, 2) m, none beyond `reach_m` (columns,)
    m at each azimuth."""
    own = settings.kinds[kind]
    area = np.pi * settings.reach_m**2
    share = settings.indoors_share if indoors else 1.0

    def places(a_square_metre: float) -> Array:
        count = rng.poisson(a_square_metre * area)
        radius, angle = settings.reach_m * np.sqrt(rng.random(count)), rng.uniform(0, 2 * np.pi, count)
        return _within(np.stack([radius * np.sin(angle), radius * np.cos(angle)], 1), reach_m)

    beside = _within(_beside(wheels, own.by_tyre, rng), reach_m)
    pieces = [_stones(np.concatenate([places(own.stones_m2 * share), beside]), own.stones_mm, rng)]
    if not indoors:
        tufts = places(own.tufts_m2)
        if kind == "paving":  # weeds grow in the joints
            tufts[:, 1] = np.round(tufts[:, 1] / 0.11) * 0.11
        if kind == "grass":
            tufts = np.concatenate([tufts, _within(_beside(wheels, 14, rng), reach_m)])
        pieces += [
            _tufts(tufts, own.blades_mm, rng),
            _leaves(places(own.leaves_m2 * rng.uniform(0, 2)), rng),
            _twigs(places(own.twigs_m2 * rng.uniform(0, 2)), rng),
        ]
    first = np.cumsum([0, *(len(piece[0]) for piece in pieces)])
    points, normals, faces, colour = (
        np.concatenate([piece[k] + (first[n] if k == 2 else 0) for n, piece in enumerate(pieces)]) for k in range(4)
    )
    return Litter(points, normals, faces, colour, _palette(kind, np.asarray(tone), rng))


def _palette(kind: str, tone: Array, rng: np.random.Generator) -> Array:
    stones = tone * np.linspace(0.45, 1.9, len(STONE_TONES))[:, None]
    stones = stones * (1 + rng.normal(0, 0.05, (len(STONE_TONES), 3)))

    def some(colours: Array, count: int) -> Array:
        return np.asarray(colours[np.arange(count) % len(colours)] * rng.uniform(0.7, 1.3, (count, 1)))

    green = np.outer([0.75, 1.1, 1.5, 1.9], tone) if kind == "grass" else GREEN  # blades of the meadow's own colour
    plants = [some(green, len(GREENS)), some(DRY, len(STRAW)), some(FALLEN, len(LEAF)), some(BARK, len(TWIG))]
    return np.concatenate([stones, *plants])


def _within(places: Array, reach_m: Array) -> Array:
    """Those of `places` (n, 2) that no wall keeps out."""
    column = (np.arctan2(places[:, 0], places[:, 1]) / (2 * np.pi) * len(reach_m)).astype(int) % len(reach_m)
    return np.asarray(places[np.hypot(places[:, 0], places[:, 1]) < reach_m[column] - 0.1])


def _beside(wheels: Array, each: int, rng: np.random.Generator) -> Array:
    """Places around the feet of tyres, where grit is pushed aside and blades escape the wheel."""
    angle = rng.uniform(0, 2 * np.pi, (len(wheels), each))
    away = rng.gamma(2.0, 0.03, (len(wheels), each)) + 0.12
    return np.asarray((wheels[:, None] + away[..., None] * np.stack([np.cos(angle), np.sin(angle)], -1)).reshape(-1, 2))


def _stones(places: Array, across_mm: Range, rng: np.random.Generator) -> Piece:
    """Broken, worn lumps, half sunk, small ones more often."""
    count = len(places)
    low, high = across_mm
    size = (low + (high - low) * rng.random(count) ** 2.5) / 2000
    lump = ICOSAHEDRON[None] * rng.uniform(0.72, 1.2, (count, 12, 1))
    lump = lump * (size[:, None] * rng.uniform(0.6, 1.25, (count, 3)) * [1, 1, 0.7])[:, None]
    angle = rng.uniform(0, 2 * np.pi, count)
    c, s = np.cos(angle)[:, None], np.sin(angle)[:, None]
    x, y = c * lump[..., 0] - s * lump[..., 1], s * lump[..., 0] + c * lump[..., 1]
    up = lump[..., 2] + (0.25 * size)[:, None]
    points = np.stack([x + places[:, :1], y + places[:, 1:], up], -1)
    normals = np.stack([x, y, lump[..., 2] * 1.6], -1)
    normals /= np.linalg.norm(normals, axis=-1, keepdims=True)
    faces = FACETS[None] + 12 * np.arange(count)[:, None, None]
    colour = np.repeat(_some(STONE_TONES, count, rng), 12)
    return points.reshape(-1, 3), normals.reshape(-1, 3), faces.reshape(-1, 3), colour


def _some(choice: range, count: int, rng: np.random.Generator) -> npt.NDArray[np.int64]:
    return np.asarray(rng.integers(choice.start, choice.stop, count))


def _tufts(places: Array, long_mm: Range, rng: np.random.Generator) -> Piece:
    """Blades that spring from one root, bent outwards; some dry."""
    each = rng.integers(5, 14, len(places))
    root = np.repeat(places, each, axis=0)
    count = len(root)
    size = np.repeat(rng.uniform(0.5, 1.2, len(places)), each)
    angle, lean = rng.uniform(0, 2 * np.pi, count), rng.uniform(0.15, 1.1, count)
    long = rng.uniform(*long_mm, count) / 1000 * size
    out = np.stack([np.cos(angle), np.sin(angle)], -1)
    foot = root + rng.normal(0, 0.02, (count, 2))
    side = np.stack([-out[:, 1], out[:, 0]], -1) * rng.uniform(0.0015, 0.0035, (count, 1))

    tip = np.concatenate([foot + out * (long * np.sin(lean))[:, None], (long * np.cos(lean))[:, None]], 1)
    ground = np.zeros((count, 1))
    points = np.stack([np.concatenate([foot - side, ground], 1), np.concatenate([foot + side, ground], 1), tip], 1)
    faces = np.arange(3 * count).reshape(-1, 3)
    normals = np.concatenate([-out * 0.5, np.ones((count, 1))], 1)  # lit as a meadow is, from above
    normals = np.repeat(normals / np.linalg.norm(normals, axis=1, keepdims=True), 3, axis=0)
    is_dry = rng.random(count) < np.repeat(rng.choice([0.03, 0.15, 0.7], len(places), p=[0.5, 0.4, 0.1]), each)
    colour = np.where(is_dry, _some(STRAW, count, rng), _some(GREENS, count, rng))
    return points.reshape(-1, 3), normals, faces, np.repeat(colour, 3)


def _leaves(places: Array, rng: np.random.Generator) -> Piece:
    """Fallen leaves, folded along the middle rib and lifted at one edge."""
    count = len(places)
    long, wide = rng.uniform(0.015, 0.04, count), rng.uniform(0.35, 0.7, count)
    u = np.array([-1.0, -0.2, 1.0, -0.2, 0.4, 0.4])[None] * long[:, None]
    v = np.array([0.0, 1.0, 0.0, -1.0, 0.8, -0.8])[None] * (long * wide)[:, None]
    curl = rng.uniform(0.1, 0.6, (count, 1))
    z = 0.003 + np.abs(v) * curl + 0.15 * np.maximum(u, 0) * rng.random((count, 1))
    angle = rng.uniform(0, 2 * np.pi, (count, 1))
    x, y = np.cos(angle) * u - np.sin(angle) * v, np.sin(angle) * u + np.cos(angle) * v
    points = np.stack([x + places[:, :1], y + places[:, 1:], z], -1)
    faces = np.array([(0, 3, 5), (0, 5, 2), (0, 2, 4), (0, 4, 1)])[None] + 6 * np.arange(count)[:, None, None]
    normals = np.tile([0.0, 0.0, 1.0], (6 * count, 1))
    return points.reshape(-1, 3), normals, faces.reshape(-1, 3), np.repeat(_some(LEAF, count, rng), 6)


def _twigs(places: Array, rng: np.random.Generator) -> Piece:
    """Broken twigs, three-sided, with a bend."""
    count = len(places)
    long, thick = rng.uniform(0.04, 0.22, count), rng.uniform(0.0015, 0.004, count)
    angle = rng.uniform(0, 2 * np.pi, (count, 1)) + rng.normal(0, 0.35, (count, 2))
    steps = np.stack([np.cos(angle), np.sin(angle)], -1) * (long / 2)[:, None, None]
    line = np.concatenate([np.zeros((count, 1, 2)), np.cumsum(steps, axis=1)], 1) + places[:, None]
    height = np.stack([thick, thick + rng.uniform(0, 0.012, count), thick], 1)
    rings = []
    for turn in (0.0, 2.1, 4.2):
        aside = np.stack([-np.sin(angle[:, :1]), np.cos(angle[:, :1])], -1) * np.cos(turn) * thick[:, None, None]
        rings.append(np.concatenate([line + aside, (height + np.sin(turn) * thick[:, None])[..., None]], -1))
    points = np.stack(rings, 2)  # twig, ring, corner
    own = []
    for ring in (0, 3):
        for corner in range(3):
            a, b = ring + corner, ring + (corner + 1) % 3
            own += [(a, b, b + 3), (a, b + 3, a + 3)]
    faces = np.array(own)[None] + 9 * np.arange(count)[:, None, None]
    normals = points - np.concatenate([line, height[..., None]], -1)[:, :, None]
    normals /= np.maximum(np.linalg.norm(normals, axis=-1, keepdims=True), 1e-9)
    return points.reshape(-1, 3), normals.reshape(-1, 3), faces.reshape(-1, 3), np.repeat(_some(TWIG, count, rng), 9)


# --- what the vehicle does to the ground --------------------------------------------------------------------------


def trodden(
    ground: Array, ground_m: float, kind: str, wheels: Array, to_vehicle: Array, settings: GroundSettings,
    rng: np.random.Generator,
) -> Array:  # fmt: skip
    """The square's albedo (n, n, 3) with the tracks by which the vehicle came, dirt at its tyres and oil under it; left
    as it was where no tyre stands on it.

    `wheels` (k, 2) are places in the vehicle's axes, in m; `to_vehicle` (2, 2) turns the ground's axes into these.
    """
    if not len(wheels):
        return ground
    size = ground.shape[0] // 2  # nothing of it is finer
    place = (((np.arange(size) + 0.5) / size - 0.5) * ground_m).astype(np.float32)
    x, y = np.meshgrid(place, -place)
    along, across = (x * np.float32(to_vehicle[0, k]) + y * np.float32(to_vehicle[1, k]) for k in range(2))
    tone = np.ones((size, size), np.float32)
    bend, rear = float(rng.normal(0, 0.03)), float(wheels[:, 0].min())
    behind = np.minimum(along - rear, 0)
    came = across - bend * behind * behind
    depth = 1 - settings.track_tone[kind]
    for side in np.unique(np.sign(wheels[:, 1])):
        middle = float(wheels[np.sign(wheels[:, 1]) == side, 1].mean())
        edge = np.clip((FOOT_M[1] + 0.02 - np.abs(came - middle)) / 0.03 + 0.5, 0, 1)
        lugs = 0.75 + 0.25 * np.cos(along * (2 * np.pi / 0.09) + 1.5 * np.sign(came - middle))
        tone *= 1 - depth * edge * lugs * (along < rear + 0.3)
    dirt = float(rng.uniform(*settings.dirt_at_tyre))
    for wheel in wheels:
        off = [
            np.maximum(np.abs(part - at) - half, 0)
            for part, at, half in zip((along, across), wheel, FOOT_M, strict=True)
        ]
        tone *= 1 - dirt * np.exp(-(off[0] ** 2 + off[1] ** 2) / 0.07**2)
    if kind in HARD:
        front = float(wheels[:, 0].max())
        for _ in range(int(rng.integers(settings.oil_spots[0], settings.oil_spots[1] + 1))):
            at = front - rng.uniform(-0.2, 1.1), rng.normal(0, 0.14)
            size_m = 0.02 + 0.1 * rng.random() ** 2
            away = np.hypot(along - at[0], across - at[1]) / size_m
            tone *= 1 - rng.uniform(0.3, 0.65) * np.clip(1.6 - away, 0, 1)
    return toned(ground, cv2.resize(tone, ground.shape[1::-1], interpolation=cv2.INTER_LINEAR))


def feet(parts: Any) -> Array:
    """Where the tyres of a vehicle's parts stand (k, 2), in its axes, m."""
    tyres = [part.patch.points.reshape(-1, 3) for part in parts if part.name.split(".")[0] == "tyre"]
    standing = [points for points in tyres if points[:, 2].min() < 0.05]
    return np.array([(points.min(axis=0) + points.max(axis=0))[:2] / 2 for points in standing]).reshape(-1, 2)
