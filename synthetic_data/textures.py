"""Ground, walls and leaves as albedo over metres, filtered to the size of the pixel that looks at them."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import cv2
import numpy as np
import numpy.typing as npt

from synthetic_data.panorama import Array, Colour

# Albedo, linear sRGB, dark and light. Common practice, no source.
GROUNDS: dict[str, tuple[Colour, Colour]] = {
    "tarmac": ((0.055, 0.055, 0.058), (0.14, 0.138, 0.135)),
    "concrete": ((0.22, 0.21, 0.195), (0.40, 0.385, 0.36)),
    "gravel": ((0.16, 0.145, 0.125), (0.36, 0.335, 0.30)),
    "grass": ((0.028, 0.055, 0.014), (0.09, 0.14, 0.035)),
    "dirt": ((0.10, 0.07, 0.045), (0.24, 0.175, 0.12)),
    "paving": ((0.16, 0.12, 0.10), (0.33, 0.27, 0.235)),
}
WALL_COLOURS: dict[str, tuple[Colour, ...]] = {
    "brick": ((0.25, 0.105, 0.065), (0.21, 0.13, 0.09), (0.33, 0.24, 0.15), (0.17, 0.10, 0.085)),
    "render": ((0.72, 0.70, 0.64), (0.62, 0.55, 0.42), (0.55, 0.53, 0.50), (0.66, 0.58, 0.50), (0.48, 0.52, 0.55)),
    "block": ((0.34, 0.33, 0.31), (0.45, 0.43, 0.40), (0.55, 0.54, 0.50)),
    "fence": ((0.20, 0.125, 0.07), (0.13, 0.10, 0.08), (0.27, 0.22, 0.17), (0.075, 0.10, 0.065)),
    "corrugated": ((0.42, 0.43, 0.44), (0.12, 0.19, 0.14), (0.36, 0.33, 0.27), (0.13, 0.17, 0.24), (0.24, 0.09, 0.07)),
    "hedge": ((0.05, 0.085, 0.022), (0.04, 0.07, 0.026), (0.075, 0.095, 0.03)),
    "stone": ((0.30, 0.27, 0.22), (0.36, 0.33, 0.29), (0.22, 0.21, 0.20)),
    "panel": ((0.52, 0.53, 0.54), (0.30, 0.31, 0.33), (0.66, 0.66, 0.65), (0.12, 0.14, 0.18)),
}
POST_M = 1.83  # from post to post of a fence; common practice, no source
DOOR_COLOURS = np.array(
    [
        (0.62, 0.61, 0.58),
        (0.07, 0.12, 0.09),
        (0.10, 0.13, 0.20),
        (0.20, 0.12, 0.07),
        (0.30, 0.31, 0.32),
        (0.22, 0.05, 0.04),
    ]
)
FRAME_COLOURS = np.array([(0.75, 0.75, 0.73), (0.10, 0.08, 0.06), (0.06, 0.065, 0.07), (0.5, 0.5, 0.5)])


@dataclass(frozen=True, slots=True)
class Wall:
    """An upright rectangle whose face looks at the eye.

    `azimuth` (rad) of the foot of the perpendicular, `distance_m` there, reach to the left and right of it in m;
    `colour` is the material's albedo. The wall's own random numbers come from `seed`. Of the end of a building
    `roof` says what ends it above, how far that rises and how far its ridge lies behind, m; of a front its `seed` does.
    """

    azimuth: float
    distance_m: float
    left_m: float
    right_m: float
    height_m: float
    material: str
    colour: Colour
    seed: int
    roof: tuple[Literal["slope", "gable", "coping"], float, float] | None = None


# --- building blocks ----------------------------------------------------------------------------------------------


@lru_cache(maxsize=64)  # three seeds of every roughness there is, 1.4 MB each
def noise(roughness: float, seed: int, size: int = 512) -> tuple[Array, ...]:
    """Tileable noise, mean 0, standard deviation 1, amplitude falling as frequency**-roughness; and its mip levels."""
    rng = np.random.default_rng([seed, round(roughness * 100)])
    frequency = np.hypot(np.fft.fftfreq(size)[:, None], np.fft.rfftfreq(size)[None]) * size
    frequency[0, 0] = 1
    spectrum = np.fft.rfft2(rng.standard_normal((size, size))) * frequency**-roughness
    spectrum[0, 0] = 0
    image = np.fft.irfft2(spectrum, (size, size))
    levels = [(image / image.std()).astype(np.float32)]
    while levels[-1].shape[0] > 8:
        levels.append(cv2.resize(levels[-1], None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA))
    return tuple(levels)


def sample(
    roughness: float, seed: int, x: npt.ArrayLike, y: npt.ArrayLike, texel_m: float, footprint_m: float
) -> Array:
    """Noise at places (x, y) in metres, one texel `texel_m` wide, as seen by pixels `footprint_m` wide."""
    levels = noise(roughness, seed % 3)
    level = int(np.clip(round(math.log2(max(footprint_m / texel_m, 1e-6))), 0, len(levels) - 1))
    scale = 1 / (texel_m * 2**level)
    size = levels[level].shape[0]
    shift = (seed * 0.6180339) % 1 * size
    map_x, map_y = np.broadcast_arrays(_texels(x, scale, shift, size), _texels(y, scale, shift * 0.37, size))
    maps = np.ascontiguousarray(map_x), np.ascontiguousarray(map_y)
    return np.asarray(cv2.remap(levels[level], *maps, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP))


def _texels(place: npt.ArrayLike, scale: float, shift: float, size: int) -> Array:
    """Places times `scale` plus `shift`, modulo `size`: a power of two, so that no division is needed to be exact."""
    texel = np.asarray(place, np.float32) * np.float32(scale) + np.float32(shift)
    return np.asarray(texel - np.floor(texel * np.float32(1 / size)) * np.float32(size))


def hashed(*cells: npt.ArrayLike, seed: int) -> Array:
    """Evenly distributed numbers 0..1 from whole cell numbers."""
    value = np.asarray(np.uint32(seed * 2654435761 % 2**32))
    for cell in cells:  # mixing steps of MurmurHash3 (Appleby)
        value = (value ^ (np.asarray(cell, np.int64).astype(np.uint32) * np.uint32(0xCC9E2D51))) * np.uint32(0x85EBCA6B)
        value = (value ^ (value >> np.uint32(13))) * np.uint32(0xC2B2AE35)
        value = value ^ (value >> np.uint32(16))
    return np.asarray((value & np.uint32(0xFFFFFF)).astype(np.float32) / np.float32(0x1000000))


def stripes(coordinate: npt.ArrayLike, period: float, width: float, footprint: npt.ArrayLike) -> Array:
    """Share (0..1) of a pixel's footprint covered by stripes `width` wide that start at whole multiples of `period`."""
    position, half = np.asarray(coordinate, np.float64), np.asarray(footprint, np.float64) / 2

    def covered(x: Array) -> Array:
        whole = np.floor(x / period)
        return np.asarray(whole * width + np.minimum(x - whole * period, width))

    share = (covered(position + half) - covered(position - half)) / np.maximum(2 * half, 1e-9)
    return np.asarray(share, np.float32)


def mix(first: npt.ArrayLike, second: npt.ArrayLike, amount: Array) -> Array:
    """Colours (3) or pictures (m, n, 3) mixed by `amount` (m, n) of the second."""
    a, b, share = (np.asarray(part, np.float32) for part in (first, second, amount))
    mixed = np.empty(np.broadcast_shapes(a.shape, b.shape, (*share.shape, 3)), np.float32)
    for channel in range(3):  # many times faster than numpy's loops over a last axis of three
        low = a[..., channel]
        mixed[..., channel] = low + (b[..., channel] - low) * share
    return mixed


def toned(albedo: npt.ArrayLike, tone: Array) -> Array:
    """A colour (3) or picture (m, n, 3) times the tone (m, n) of each pixel."""
    colour, factor = np.asarray(albedo, np.float32), np.asarray(tone, np.float32)
    picture = np.empty((*factor.shape, 3), np.float32)
    for channel in range(3):
        np.multiply(colour[..., channel], factor, out=picture[..., channel])
    return picture


def within(coordinate: Array, low: Array | float, high: Array | float, footprint: float) -> Array:
    """Coverage (0..1) of the interval [low, high] with edges as soft as the pixel is wide."""
    return np.asarray(np.clip(np.minimum(coordinate - low, high - coordinate) / footprint + 0.5, 0, 1))


# --- ground -------------------------------------------------------------------------------------------------------


def ground_albedo(kind: str, x: npt.ArrayLike, y: npt.ArrayLike, footprint_m: float, seed: int) -> Array:
    """Albedo (..., 3) of ground `kind` at places (x, y) in metres; the same seed continues the same ground."""
    dark, light = GROUNDS[kind]
    xs, ys = np.asarray(x, np.float32), np.asarray(y, np.float32)
    broad = sample(1.3, seed, xs, ys, 0.06, footprint_m)
    fine_texel, fine_weight = {"gravel": (0.012, 0.34), "grass": (0.012, 0.34), "dirt": (0.01, 0.24)}.get(
        kind, (0.005, 0.15)
    )
    # two layers, turned and of unlike scale: one alone comes back every few metres
    turned = 0.8 * xs - 0.6 * ys, 0.6 * xs + 0.8 * ys
    fine = 0.72 * sample(0.35, seed + 1, xs, ys, fine_texel, footprint_m)
    fine = fine + 0.69 * sample(0.35, seed + 2, *turned, 1.37 * fine_texel, footprint_m)
    broad = 0.8 * broad + 0.6 * sample(0.9, seed + 4, *turned, 0.45, footprint_m)  # comes back after 230 m only
    middle = sample(0.7, seed + 2, xs, ys, 0.035, footprint_m)
    albedo = mix(dark, light, np.clip(0.45 + 0.17 * broad + 0.1 * middle + fine_weight * fine, 0, 1.4))
    if kind == "grass":
        dry = np.clip(sample(1.1, seed + 2, xs, ys, 0.09, footprint_m) * 0.35 + 0.1, 0, 0.7)
        albedo = mix(albedo, (0.17, 0.14, 0.06), dry)
    elif kind == "concrete":
        joint = np.maximum(stripes(xs, 4.0, 0.018, footprint_m), stripes(ys + 1.3, 5.0, 0.018, footprint_m))
        slab = 0.9 + 0.2 * hashed(np.floor(xs / 4.0), np.floor((ys + 1.3) / 5.0), seed=seed)
        albedo = toned(albedo, slab * (1 - 0.6 * np.minimum(joint, 1)))
    elif kind == "paving":
        row = np.floor(ys / 0.11)
        shifted = xs + 0.105 * np.mod(row, 2)
        joint = np.maximum(stripes(shifted, 0.21, 0.008, footprint_m), stripes(ys, 0.11, 0.008, footprint_m))
        fade = min(0.1 / max(footprint_m, 1e-3), 1) * 0.5
        stone = 1 + (hashed(np.floor(shifted / 0.21), row, seed=seed) - 0.5) * fade
        albedo = toned(albedo, stone * (1 - 0.55 * np.minimum(joint, 1)))
    elif kind == "tarmac":
        crack = np.abs(sample(1.6, seed + 3, xs, ys, 0.02, footprint_m))
        albedo = toned(albedo, 1 - 0.5 * np.clip(1 - crack / 0.02, 0, 1))
    if kind in ("tarmac", "concrete", "paving"):
        _mend(kind, albedo, xs, ys, footprint_m, seed)
    albedo = _used(kind, albedo, xs, ys, footprint_m, seed)
    return np.maximum(albedo, np.float32(0.008))


def _used(kind: str, albedo: Array, x: Array, y: Array, footprint_m: float, seed: int) -> Array:
    """Ground that was driven on: wheel tracks in loose ground, oil and rubber on hard, drifts of grit and soil."""
    turn = seed % 11
    along, across = x * math.cos(turn) - y * math.sin(turn), x * math.sin(turn) + y * math.cos(turn)
    bend = 1.5 + seed % 13  # m
    wander = 0.35 * np.sin(along / bend + seed % 7) + 0.12 * np.sin(2.7 * along / bend) + (seed % 5 - 2) * 0.4
    worn = sample(0.9, seed + 8, x, y, 0.05, footprint_m)
    beside = np.abs(np.abs(across - wander) - 0.7)  # from the middle of the nearer track, m; common practice, no source
    track = np.clip((0.17 + 0.05 * worn - beside) / 0.12 + 0.5, 0, 1) * ((seed % 3 > 0) * 0.8 + 0.2)
    drift = np.clip(sample(1.4, seed + 9, x, y, 0.09, footprint_m) * 0.6 - 0.35, 0, 1)
    loose: Colour = (0.19, 0.155, 0.115)
    if kind == "grass":
        albedo = mix(albedo, (0.13, 0.10, 0.065), track * np.clip(0.55 + 0.35 * worn, 0, 0.9))
        _litter(albedo, x, y, footprint_m, seed)
        return mix(albedo, (0.11, 0.085, 0.055), drift * np.clip(0.5 + 0.5 * worn, 0, 0.8))
    if kind in ("gravel", "dirt"):
        albedo = toned(albedo, 1 - 0.3 * track)
        grown = np.clip(drift * (0.8 + 0.7 * worn) - 0.05, 0, 0.6) * np.clip(beside / 0.15 - 1.2, 0, 1)
        albedo = mix(albedo, (0.075, 0.08, 0.045), grown)
    else:
        albedo = toned(albedo, 1 - 0.14 * track * np.clip(0.6 + 0.5 * worn, 0, 1.4))
        albedo = mix(albedo, loose, 0.5 * drift * np.clip(0.5 + 0.5 * worn, 0, 1))
    _litter(albedo, x, y, footprint_m, seed)
    return albedo


def _spots(
    x: Array, y: Array, cell_m: float, share: float, seed: int, reach_m: Callable[[Array], Array | float]
) -> tuple[npt.NDArray[np.intp], Array, Array, Array]:
    """Things at random on the ground, in a share of its square cells; `reach_m` of their chances is how far they reach.

    Returns which of the places (x, y), counted row by row, they reach, the way there from their middles in m, and
    three chances (3, ...) of each.
    """
    column, row = (np.floor(place / np.float32(cell_m)).astype(np.int32) for place in (x, y))
    left, low = int(column.min()), int(row.min())
    across, up = np.arange(left, int(column.max()) + 1), np.arange(low, int(row.max()) + 1)
    is_there = hashed(across[:, None], up[None], seed=seed) < share
    things = np.nonzero(is_there)
    cells = across[things[0]], up[things[1]]
    chance = np.stack([hashed(*cells, seed=seed + number) for number in range(1, 6)])
    number = np.full(is_there.shape, -1, np.int32)
    number[things] = np.arange(len(cells[0]))
    number = number.ravel()[(column - left) * len(up) + (row - low)].ravel()
    near = np.flatnonzero(number >= 0)
    number = number[near]
    u, v = (
        place.ravel()[near] - ((cell + 0.3 + 0.4 * at) * cell_m).astype(np.float32)[number]
        for place, cell, at in zip((x, y), cells, chance, strict=False)
    )
    reach = np.broadcast_to(np.asarray(reach_m(chance[2:]), np.float32), cells[0].shape)[number]
    close = np.flatnonzero(u * u + v * v < reach * reach)
    return near[close], u[close], v[close], chance[2:, number[close]]


def _lay(albedo: Array, near: npt.NDArray[np.intp], colour: npt.ArrayLike, cover: Array) -> None:
    """Mix a colour into some places of an albedo map, in place."""
    flat = albedo.reshape(-1, 3)
    flat[near] = mix(flat[near], colour, cover)


def _darken(albedo: Array, near: npt.NDArray[np.intp], tone: Array) -> None:
    """Multiply some places of an albedo map by a tone, in place."""
    flat = albedo.reshape(-1, 3)
    flat[near] = toned(flat[near], tone)


def _mend(kind: str, albedo: Array, x: Array, y: Array, footprint_m: float, seed: int) -> None:
    """Hard ground, in place: trenches filled in with straight edges, covers of drains, drops from parked vehicles."""
    edge_m = max(0.02, footprint_m)
    if kind == "tarmac":
        near, u, v, chance = _spots(
            x, y, 5.3, 0.35, seed,
            lambda chance: np.hypot(0.3 + 1.7 * chance[0], 0.2 + 0.6 * chance[1]) + 1.5 * edge_m,
        )  # fmt: skip
        inside = np.minimum(0.3 + 1.7 * chance[0] - np.abs(u), 0.2 + 0.6 * chance[1] - np.abs(v))
        joint = np.clip(1 - np.abs(inside) / edge_m, 0, 1)
        tone = 1 + (chance[2] * 0.6 - 0.4) * np.clip(inside / footprint_m + 0.5, 0, 1) - 0.4 * joint
        _darken(albedo, near, tone)
    near, u, v, chance = _spots(x, y, 8.7, 0.4, seed + 20, lambda _: 0.36 + 1.5 * edge_m)
    inside = np.where(chance[0] < 0.5, 0.32 - np.hypot(u, v), 0.24 - np.maximum(np.abs(u), np.abs(v)))
    ribs = stripes(u, 0.06, 0.03, footprint_m)
    _lay(albedo, near, toned((0.05, 0.045, 0.041), 1 + 0.8 * ribs), np.clip(inside / footprint_m + 0.5, 0, 1))
    _darken(albedo, near, 1 - 0.5 * np.clip(1 - np.abs(inside + 0.02) / edge_m, 0, 1))
    _drip(albedo, x, y, 2.3, 0.25, seed + 32)
    _drip(albedo, x, y, 0.7, 0.07, seed + 30)


def _drip(albedo: Array, x: Array, y: Array, cell_m: float, share: float, seed: int) -> None:
    """Drops of oil, in place, run together into spots with a dark core."""

    def size_m(chance: Array) -> Array:
        return np.asarray(cell_m * (0.03 + 0.2 * chance[0] ** 2))

    farthest = 1.6 * 1.5  # sizes: edges bulge by half, and cores are lost in rounding there
    near, u, v, chance = _spots(x, y, cell_m, share, seed, lambda chance: farthest * size_m(chance))
    way = np.arctan2(v, u) + 6.28 * chance[1]
    edge = 1 + 0.25 * np.sin(2 * way) + 0.15 * np.sin(5 * way + 9 * chance[2]) + 0.1 * np.sin(11 * way)
    away = np.hypot(u * (1 + chance[1]), v) / (size_m(chance) * edge)
    spot = np.clip(1.25 - away, 0, 1) * (0.4 + 0.6 * chance[2]) + 0.5 * np.exp(-((away / 0.4) ** 2))
    _darken(albedo, near, 1 - 0.55 * np.minimum(spot, 1.2))


def _litter(albedo: Array, x: Array, y: Array, footprint_m: float, seed: int) -> None:
    """Fallen leaves and stones, in place; none where a pixel is wider than they are."""
    if footprint_m > 0.03 or seed % 4 == 0:
        return

    def long_m(chance: Array) -> Array:
        return np.asarray(0.012 + 0.022 * chance[1])

    for cell_m, share in ((0.31, 0.16), (0.17, 0.05 + 0.02 * (seed % 5))):
        near, u, v, chance = _spots(
            x, y, cell_m, share, seed + int(100 * cell_m), lambda chance: long_m(chance) + 0.85 * footprint_m
        )
        c, s, long = np.cos(6.28 * chance[0]), np.sin(6.28 * chance[0]), long_m(chance)
        shape = np.hypot((c * u + s * v) / long, (c * v - s * u) / (long * (0.4 + 0.35 * chance[2])))
        cover = np.clip((1 - shape) * long * 0.6 / footprint_m + 0.5, 0, 1) * (shape < 3)
        is_stone = ((chance[1] * 997) % 1 < 0.35)[..., None]
        leaf, stone = np.array([0.20, 0.12, 0.045]), np.array([0.24, 0.225, 0.205])
        _lay(albedo, near, toned(np.where(is_stone, stone, leaf), 0.4 + 1.2 * chance[2]), 0.9 * cover)


def ground_texture(kind: str, size_px: int, size_m: float, seed: int) -> Array:
    """Albedo map float32 (size_px, size_px, 3) of a square of ground centred under the eye, x to the right, y up.

    Continues the ground of a panorama made with the same kind and seed.
    """
    place = ((np.arange(size_px) + 0.5) / size_px - 0.5) * size_m
    x, y = np.meshgrid(place, -place)
    return ground_albedo(kind, x, y, size_m / size_px, seed)


# --- walls: (u along the wall (m, n) or (1, n), z above ground (m, n), footprint, wall) -> albedo (m, n, 3) --------

Material = Callable[[Array, Array, float, Wall], Array]


def weather(albedo: Array, u: Array, z: Array, footprint: float, wall: Wall, depth: float) -> Array:
    """Stains that run down, damp at the foot, uneven tone."""
    tone = 1 + depth * 0.35 * sample(1.2, wall.seed + 7, u, z, 0.05, footprint)
    streak = sample(0.9, wall.seed + 8, u, z * 0.12, 0.03, footprint)
    damp = np.exp(-np.maximum(z, 0) / 0.35) * (
        0.6 + 0.4 * np.clip(sample(1.0, wall.seed + 9, u, z, 0.04, footprint), -1, 1)
    )
    tone = tone - depth * (0.5 * np.clip(streak - 0.6, 0, 1.5) + 0.7 * damp)
    return toned(albedo, np.clip(tone, 0.25, 1.5))


def _bonded(
    u: Array, z: Array, footprint: float, wall: Wall, size: tuple[float, float, float], contrast: float
) -> Array:
    """Bricks or blocks in running bond: `size` is length, course height and joint in m."""
    length, course, joint = size
    row = np.floor(z / course)
    shifted = u + 0.5 * length * np.mod(row, 2)
    mortar = np.minimum(np.maximum(stripes(shifted, length, joint, footprint), stripes(z, course, joint, footprint)), 1)
    each = (hashed(np.floor(shifted / length), row, seed=wall.seed) - 0.5) * contrast * min(1.5 * course / footprint, 1)
    tone = 1 + each + 0.1 * sample(0.3, wall.seed, u, z, 0.006, footprint)
    body = toned(wall.colour, tone)
    return weather(mix(body, (0.34, 0.32, 0.28), mortar * 0.7), u, z, footprint, wall, 0.35)


def _brick(u: Array, z: Array, footprint: float, wall: Wall) -> Array:
    return _bonded(u, z, footprint, wall, (0.225, 0.075, 0.010), 0.5)


def _block(u: Array, z: Array, footprint: float, wall: Wall) -> Array:
    return _bonded(u, z, footprint, wall, (0.45, 0.225, 0.008), 0.14)


def _stone(u: Array, z: Array, footprint: float, wall: Wall) -> Array:
    bent = z + 0.035 * sample(1.2, wall.seed + 3, u, z, 0.02, footprint)
    leaning = u + 0.09 * sample(1.2, wall.seed + 4, u, z, 0.02, footprint)
    return _bonded(leaning, bent, footprint, wall, (0.34, 0.17, 0.018), 0.42)


def _render(u: Array, z: Array, footprint: float, wall: Wall) -> Array:
    tone = 1 + 0.06 * sample(0.3, wall.seed, u, z, 0.008, footprint)
    plinth = np.clip((0.35 - z) / footprint + 0.5, 0, 1) * (wall.seed % 2)
    body = mix(toned(wall.colour, tone), np.asarray(wall.colour) * 0.5, plinth)
    return weather(body, u, z, footprint, wall, 0.26)


def _fence(u: Array, z: Array, footprint: float, wall: Wall) -> Array:
    gap = stripes(u, 0.125, 0.009, footprint)
    grain = sample(0.8, wall.seed, np.asarray(u) * 6, z * 0.3, 0.02, footprint)
    tone = (0.75 + 0.5 * hashed(np.floor(u / 0.125), seed=wall.seed)) * (1 + 0.14 * grain)
    rail = stripes(z - 0.3, 0.75, 0.07, footprint) * 0.12
    post, beside = stripes(u, POST_M, 0.11, footprint), stripes(u - 0.11, POST_M, 0.05, footprint)
    tone = tone * (1 - 0.75 * gap * (1 - post)) * (1 - rail) * (1 - 0.45 * beside)
    body = toned(wall.colour, tone + (1.15 - tone) * 0.8 * post)
    return weather(body, u, z, footprint, wall, 0.3)


def _corrugated(u: Array, z: Array, footprint: float, wall: Wall) -> Array:
    pitch = 0.19
    wave = np.cos(2 * math.pi * np.asarray(u) / pitch) * min(pitch / (3 * footprint), 1)
    tone = 1 + 0.3 * wave + 0 * z
    lap = stripes(u, 1.0, 0.012, footprint) * 0.35 + stripes(z, 2.4, 0.02, footprint) * 0.35
    body = toned(wall.colour, tone * (1 - np.minimum(lap, 1)))
    rust = np.clip(sample(1.3, wall.seed + 5, u, z * 0.5, 0.03, footprint) - 1.1, 0, 1) * float(wall.seed % 3 == 0)
    return weather(mix(body, (0.16, 0.065, 0.03), rust), u, z, footprint, wall, 0.28)


def _panel(u: Array, z: Array, footprint: float, wall: Wall) -> Array:
    joint = np.minimum(stripes(u, 1.5, 0.03, footprint) + stripes(z, 1.0, 0.02, footprint), 1)
    each = 0.95 + 0.1 * hashed(np.floor(u / 1.5), np.floor(z), seed=wall.seed)
    body = toned(wall.colour, each * (1 - 0.45 * joint))
    return weather(body, u, z, footprint, wall, 0.15)


def _hedge(u: Array, z: Array, footprint: float, wall: Wall) -> Array:
    return foliage_albedo(u, z, footprint, wall.seed, wall.colour)


def foliage_albedo(x: npt.ArrayLike, y: npt.ArrayLike, footprint: float, seed: int, colour: Colour) -> Array:
    """Leaves with dark gaps between them and light ones outside."""
    clump = sample(0.9, seed, x, y, 0.05, footprint)
    leaf = sample(0.15, seed + 1, x, y, 0.022, footprint)
    light = np.clip(0.42 + 0.27 * clump + 0.30 * leaf, 0.03, 1.5) ** 1.6
    hue = np.clip(0.5 + 0.3 * sample(0.8, seed + 2, x, y, 0.09, footprint), 0, 1)
    young = np.asarray(colour) * np.array([1.5, 1.25, 1.0])
    return toned(mix(colour, young, hue), 1.25 * light)


MATERIALS: dict[str, Material] = {
    "brick": _brick, "render": _render, "block": _block, "fence": _fence,
    "corrugated": _corrugated, "hedge": _hedge, "stone": _stone, "panel": _panel,
}  # fmt: skip


# --- windows and doors --------------------------------------------------------------------------------------------


def openings(
    u: Array, z: Array, footprint: float, wall: Wall, albedo: Array, horizon: Array, lit: Colour
) -> tuple[Array, Array]:
    """Put windows and doors into a wall. Returns its albedo and what the panes send: sky mirrored, lit rooms (kcd/m²).

    `horizon` (3) is the radiance that panes mirror; `lit` (3) the radiance of a lit room, 0 by day.
    """
    rng = np.random.default_rng(wall.seed)
    is_house = wall.material in ("brick", "render", "stone")
    spacing = float(rng.uniform(2.2, 4.6)) * (1.0 if is_house else 1.6)
    window_w, window_h = float(rng.uniform(0.6, min(2.2, spacing - 0.7))), float(rng.uniform(0.75, 1.45))
    sill, storey = float(rng.uniform(0.85, 1.25)), float(rng.uniform(2.5, 3.1))
    share_windows = float(rng.uniform(0.35, 0.95)) * (1.0 if is_house else 0.45)
    frame = FRAME_COLOURS[int(rng.integers(len(FRAME_COLOURS)))]
    cell, level = np.floor(u / spacing), np.clip(np.floor(z / storey), 0, 9)
    x, y = u - cell * spacing, z - level * storey
    number = hashed(cell, level, seed=wall.seed + 1)
    start = (spacing - window_w) / 2 + (hashed(cell, seed=wall.seed + 3) - 0.5) * 0.3
    fits = level * storey + sill + window_h < wall.height_m - 0.25
    is_door_cell = (level == 0) & (number > 1 - 0.22)
    is_window = (number < share_windows) & fits & ~is_door_cell

    outer = within(x, start - 0.06, start + window_w + 0.06, footprint) * within(
        y, sill - 0.06, sill + window_h + 0.06, footprint
    )
    pane = within(x, start + 0.03, start + window_w - 0.03, footprint) * within(
        y, sill + 0.03, sill + window_h - 0.03, footprint
    )
    bars = stripes(x - start, window_w / int(rng.integers(1, 4)), 0.05, footprint) * float(rng.random() < 0.8)
    cross = within(y, sill + 0.6 * window_h, sill + 0.6 * window_h + 0.05, footprint) * float(rng.random() < 0.5)
    pane = pane * (1 - np.clip(bars + cross, 0, 1)) * is_window
    ledge = within(x, start - 0.1, start + window_w + 0.1, footprint) * within(y, sill - 0.15, sill - 0.06, footprint)
    albedo = mix(albedo, frame, outer * is_window)
    albedo = mix(albedo, (0.35, 0.34, 0.32), ledge * is_window)
    deep = 0.035 + 0.05 * (wall.seed % 3)  # how far the frame stands back, m
    seen = within(x, start - 0.06, start + window_w + 0.06, footprint) * is_window
    head = sill + window_h + 0.06
    albedo = mix(albedo, albedo * 0.35, seen * within(y, head - deep, head, footprint))
    albedo = mix(albedo, albedo * 0.6, outer * is_window * within(x, -9.0, start - 0.06 + 0.6 * deep, footprint))
    below = within(x, start - 0.1, start + window_w + 0.1, footprint) * within(y, sill - 0.24, sill - 0.15, footprint)
    albedo = mix(albedo, albedo * 0.65, below * is_window)
    lintel = within(x, start - 0.2, start + window_w + 0.2, footprint) * within(y, head, head + 0.18, footprint)
    if wall.material in ("brick", "stone"):
        albedo = mix(albedo, np.asarray(wall.colour) * (0.75 if wall.seed % 2 else 1.3), 0.8 * lintel * is_window)
    curtain = hashed(cell, level, seed=wall.seed + 2)
    drawn = (curtain < 0.3) & (np.abs(x - start - window_w / 2) > window_w * 0.22)
    albedo = mix(albedo, toned((1, 1, 1), np.where(drawn, 0.3, 0.02)), pane)
    mirror = 0.04 + 0.22 * curtain * np.clip((y - sill) / window_h, 0, 1) ** 1.5
    mirror = np.maximum(mirror * (1 + 0.35 * sample(1.2, wall.seed + 3, u, z, 0.02, footprint)), 0.01)
    glow = toned(horizon, pane * mirror)
    glow += toned(lit, pane * (curtain > 0.7) * (0.5 + 0.5 * sample(1.3, wall.seed + 4, u, z, 0.02, footprint) ** 2))

    wide = number > 1 - 0.12
    half = np.where(wide, min(1.25, spacing / 2 - 0.1), 0.45)
    tall = np.where(wide, min(2.15, wall.height_m - 0.2), 2.0)
    across = np.abs(x - spacing / 2)
    surround = within(across, -9.0, half + 0.07, footprint) * within(z, -9.0, tall + 0.07, footprint) * is_door_cell
    door = within(across, -9.0, half, footprint) * within(z, -9.0, tall, footprint) * is_door_cell
    colour = DOOR_COLOURS[(hashed(cell, seed=wall.seed + 4) * len(DOOR_COLOURS)).astype(int) % len(DOOR_COLOURS)]
    ribs = np.where(wide, stripes(z, 0.11, 0.025, footprint), stripes(z - 0.2, 0.8, 0.05, footprint))
    albedo = mix(albedo, frame * 0.8, surround)
    leaf = weather(toned(colour, 1 - 0.35 * ribs), u, z, footprint, wall, 0.3)
    return mix(albedo, leaf, door), np.asarray(np.maximum(glow, 0), np.float32)


# --- indoors ------------------------------------------------------------------------------------------------------


def ceiling_albedo(kind: int, x: Array, y: Array, seed: int) -> Array:
    """Boards (0), wooden rafters (1) or steel beams under sheet (2), over (x, y) in metres."""
    if kind == 0:
        tone = 1 + 0.05 * sample(1.2, seed, x, y, 0.03, 0.01)
        joint = np.maximum(stripes(x, 1.2, 0.006, 0.01), stripes(y, 2.4, 0.006, 0.01))
        return toned((0.68, 0.68, 0.68), tone * (1 - 0.4 * joint))
    wood = kind == 1
    beams = stripes(x, 0.6 if wood else 1.8, 0.05 if wood else 0.12, 0.01)
    tone = 1 + 0.12 * sample(0.8, seed, x, y * 0.2, 0.01, 0.01)
    panel, beam = ((0.3, 0.22, 0.14), (0.2, 0.14, 0.09)) if wood else ((0.42, 0.42, 0.42), (0.2, 0.2, 0.21))
    return toned(mix(panel, beam, beams), tone)


def indoor_wall(u: Array, z: Array, footprint: float, wall: Wall, rng: np.random.Generator) -> Array:
    """A workshop wall: its material, and along it benches, shelves, cupboards, stacked tyres, planks and tool boards,
    with cables, papers and tins above and between. u and z (m, n); along a wall u does not change from row to row."""
    albedo = MATERIALS[wall.material](u, z, footprint, wall)
    if rng.random() < 0.35:  # painted below the shoulder
        albedo = mix(albedo, albedo * np.array([0.5, 0.62, 0.6]), within(z, -9.0, 1.3, footprint))
    along = u[int(np.abs(z[:, z.shape[1] // 2] - 1.4).argmin())]
    standing = (_shelves, _bench, _cupboard, _tyres, _planks, _tool_board)
    full, start = float(rng.uniform(0.5, 1.0)), -wall.left_m + float(rng.uniform(0, 0.6))
    while start < wall.right_m - 0.8:
        thing = standing[int(rng.choice(6, p=[0.3, 0.26, 0.14, 0.1, 0.1, 0.1]))]
        long_m = min(float(rng.uniform(1.0, 3.0)), wall.right_m - start)
        things = [(thing, start)] if rng.random() < full else []
        if rng.random() < full:
            things.append((_hung, start + float(rng.uniform(0, long_m))))
        for lay, at in things:
            columns = np.nonzero((along > at - 0.9) & (along < at + long_m + 0.9))[0]
            if len(columns) > 1:
                own = slice(columns[0], columns[-1] + 1)
                albedo[:, own] = lay(
                    u[:, own], z[:, own], footprint, albedo[:, own], (at, long_m), int(rng.integers(1, 2**20))
                )
        start += long_m + float(rng.gamma(1.2, 0.25))
    for _ in range(int(rng.integers(0, 3))):
        at = float(rng.uniform(-wall.left_m, wall.right_m))
        albedo = _pipe(u, z, footprint, albedo, (at, 1.0), int(rng.integers(1, 2**20)))
    scuffs = np.clip(sample(0.9, wall.seed + 11, u, z * 0.5, 0.02, footprint) - 0.9, 0, 1)
    return toned(albedo, 1 - 0.4 * scuffs * np.exp(-np.maximum(z, 0) / 0.5))


def _chance(number: int, seed: int) -> float:
    """One evenly distributed number 0..1."""
    return float(hashed(np.array([number]), seed=seed)[0])


def _drab(seed: int, *cells: Array) -> Array:
    """Colours (…, 3) of boxes, tins and tools: mostly cardboard, grey and black, few strong ones."""
    value = hashed(*cells, seed=seed)[..., None]
    strong = np.stack([hashed(*cells, seed=seed + 1 + i) for i in range(3)], axis=-1) ** 3 * 0.35 + 0.01
    strong = 0.6 * strong + 0.4 * strong.mean(axis=-1, keepdims=True)  # prints fade
    card = np.array([0.27, 0.18, 0.10]) * (0.6 + 0.9 * value)
    grey = np.array([0.22, 0.22, 0.22]) * (0.1 + 2.2 * value**2)
    kind = hashed(*cells, seed=seed + 5)[..., None]
    return np.asarray(np.where(kind < 0.4, card, np.where(kind < 0.82, grey, strong)), np.float32)


def _shelves(u: Array, z: Array, footprint: float, albedo: Array, place: tuple[float, float], seed: int) -> Array:
    start, long_m = place
    rng = np.random.default_rng(seed)
    gap, top = float(rng.uniform(0.35, 0.55)), float(rng.uniform(1.2, 2.3))
    inside = within(u, start, start + long_m, footprint) * within(z, -9.0, top, footprint)
    level = np.floor(z / gap)
    slot = np.floor((u - start) / 0.26 + 3 * hashed(level, seed=seed))
    x = (u - start) / 0.26 + 3 * hashed(level, seed=seed) - slot
    height = gap * (0.25 + 0.65 * hashed(slot, level, seed=seed + 2))
    margin = 0.03 + 0.12 * hashed(slot, level, seed=seed + 3)
    box = within(x * 0.26, margin * 0.26, 0.26 - 0.008, footprint) * within(z - level * gap, -9.0, height, footprint)
    box = box * (hashed(slot, level, seed=seed + 4) > 0.25)
    label = within(x, 0.3, 0.7, footprint / 0.26) * within(z - level * gap, 0.35 * height, 0.6 * height, footprint)
    boxes = toned(_drab(seed + 9, slot, level), 0.75 + 0.35 * x)
    colour = mix(boxes, (0.5, 0.48, 0.42), label * (hashed(slot, level, seed=seed + 6) > 0.6))
    albedo = mix(albedo, albedo * 0.3, inside)
    albedo = mix(albedo, colour, box * inside)
    board = within(z - level * gap, gap - 0.028, gap + 1, footprint)
    post = stripes(u - start, long_m - 0.04, 0.04, footprint)
    return mix(albedo, (0.24, 0.24, 0.25), np.maximum(board, post) * inside)


def _bench(u: Array, z: Array, footprint: float, albedo: Array, place: tuple[float, float], seed: int) -> Array:
    """A bench with drawers or boxes below, things upon it and dark wall behind."""
    start, long_m = place
    rng = np.random.default_rng(seed)
    top = float(rng.uniform(0.82, 0.95))
    across = within(u, start, start + long_m, footprint)
    albedo = mix(albedo, albedo * 0.12, across * within(z, -9.0, top, footprint))
    cell = np.floor((u - start) / 0.42)
    x = u - start - 0.42 * cell
    height = 0.15 + 0.5 * hashed(cell, seed=seed)
    below = within(x, 0.03 + 0.1 * hashed(cell, seed=seed + 1), 0.36, footprint) * within(z, -9.0, height, footprint)
    drawers = 1 - 0.5 * stripes(z, 0.19, 0.012, footprint)
    albedo = mix(
        albedo, toned(_drab(seed + 2, cell), 0.6 * drawers), across * below * (hashed(cell, seed=seed + 3) > 0.2)
    )
    legs = np.maximum(
        within(u, start, start + 0.07, footprint), within(u, start + long_m - 0.07, start + long_m, footprint)
    )
    wood = toned((0.27, 0.19, 0.12), 0.8 + 0.25 * sample(0.8, seed, u * 0.3, z * 4, 0.02, footprint))
    albedo = mix(
        albedo, wood, np.maximum(legs * within(z, -9.0, top, footprint), across * within(z, top - 0.06, top, footprint))
    )
    for wide, tallest, number in ((0.11, 0.28, 4), (0.24, 0.42, 14)):  # tins, then boxes and machines
        cell = np.floor((u - start) / wide + _chance(number, seed=seed))
        x = (u - start) / wide + _chance(number, seed=seed) - cell
        tall = tallest * hashed(cell, seed=seed + number + 1) ** 1.5 + 0.03
        there = hashed(cell, seed=seed + number + 2) > 0.4
        thing = within(x * wide, 0.012, wide * 0.9, footprint) * within(z, top, top + tall, footprint) * there
        round_ = 1 - 0.7 * np.abs(x - 0.4) ** 1.5
        albedo = mix(albedo, toned(_drab(seed + number + 3, cell), round_), thing * across)
    return albedo


def _planks(u: Array, z: Array, footprint: float, albedo: Array, place: tuple[float, float], seed: int) -> Array:
    """Planks, tubes or a ladder that lean against the wall."""
    start = place[0]
    for number in range(3 + seed % 5):
        lean = (_chance(number, seed=seed) - 0.5) * 0.5
        at = start + 0.14 * number + lean * z
        wide = 0.03 + 0.1 * _chance(number, seed=seed + 1)
        tall = 1.3 + 1.1 * _chance(number, seed=seed + 2)
        cover = within(u - at, 0.0, wide, footprint) * within(z, -9.0, tall, footprint)
        shadow = within(u - at, wide, wide + 0.06, footprint) * within(z, -9.0, tall, footprint)
        grain = 0.8 + 0.3 * sample(0.8, seed + number, u * 4, z * 0.3, 0.02, footprint)
        albedo = mix(albedo, albedo * 0.5, shadow)
        albedo = mix(albedo, toned(np.array([0.30, 0.22, 0.14]) * (0.5 + _chance(number, seed=seed + 3)), grain), cover)
    return albedo


def _hung(u: Array, z: Array, footprint: float, albedo: Array, place: tuple[float, float], seed: int) -> Array:
    """What hangs on walls: a coil of cable or hose, a paper, a box of fuses with its wires, a window."""
    rng = np.random.default_rng(seed)
    at, high, kind = place[0], float(rng.uniform(1.45, 2.1)), int(rng.integers(5))
    x, y = u - at, z - high
    if kind <= 1:  # a coil on a nail, its end hanging down
        radius = float(rng.uniform(0.12, 0.26))
        colour = np.array([(0.35, 0.09, 0.02), (0.03, 0.03, 0.03), (0.30, 0.25, 0.03), (0.05, 0.1, 0.2)])[seed % 4]
        for number in range(4):
            off = 0.03 * (_chance(number, seed=seed) - 0.5)
            ring = np.hypot((x - off) / 0.72, y + radius + 2 * off) - radius * (1 - 0.06 * number)
            albedo = mix(albedo, albedo * 0.6, within(np.abs(ring - 0.012), -9.0, 0.008, footprint))
            albedo = mix(albedo, toned(colour, 0.8 + 0.2 * _chance(number, seed=seed + 1) + 0 * z),
                         within(np.abs(ring), -9.0, 0.007, footprint))  # fmt: skip
        loose = x - 0.05 - 0.06 * np.sin(3 * y)
        return mix(
            albedo,
            toned(colour, 1 + 0 * z),
            within(np.abs(loose), -9.0, 0.006, footprint) * within(y, -1.3, -0.3, footprint),
        )
    if kind == 2:  # papers
        for number in range(1 + seed % 4):
            left = 0.3 * number + 0.1 * float(_chance(number, seed=seed))
            sheet = within(x, left, left + 0.21, footprint) * within(y, -0.3, 0.0, footprint)
            tone = 0.55 + 0.25 * hashed(np.floor(y / 0.02), seed=seed + number)
            albedo = mix(albedo, toned((1.0, 0.97, 0.88), tone + 0 * x), sheet)
        return albedo
    if kind == 3:  # fuses
        tall = float(rng.uniform(0.3, 0.6))
        wire = np.abs(x - 0.15) - 0.012
        albedo = mix(albedo, albedo * 0.5, within(x, 0.36, 0.42, footprint) * within(y, -tall, -0.03, footprint))
        albedo = mix(albedo, (0.28, 0.28, 0.29), within(wire, -9.0, 0.0, footprint) * (y > 0))
        lid = stripes(y, tall / 2, 0.012, footprint)
        return mix(albedo, toned((0.36, 0.37, 0.38), 1 - 0.4 * lid + 0 * x),
                   within(x, 0.0, 0.36, footprint) * within(y, -tall, 0.0, footprint))  # fmt: skip
    wide = float(rng.uniform(0.7, 1.5))
    frame = within(x, 0.0, wide, footprint) * within(y, -0.7, 0.1, footprint)
    pane = within(x, 0.06, wide - 0.06, footprint) * within(y, -0.64, 0.04, footprint)
    bar = stripes(x, wide / 2, 0.05, footprint)
    day = 0.5 + 0.25 * sample(1.2, seed, u, z, 0.03, footprint)
    albedo = mix(albedo, (0.4, 0.39, 0.36), frame)
    return mix(albedo, toned((0.9, 0.95, 1.0), np.clip(day, 0.2, 0.8)), pane * (1 - bar))


def _tool_board(u: Array, z: Array, footprint: float, albedo: Array, place: tuple[float, float], seed: int) -> Array:
    start, long_m = place
    inside = within(u, start, start + long_m, footprint) * within(z, 1.05, 1.95, footprint)
    albedo = mix(
        albedo, albedo * 0.4, within(u, start, start + long_m + 0.03, footprint) * within(z, 1.01, 1.95, footprint)
    )
    albedo = mix(albedo, (0.33, 0.24, 0.15), inside)
    cell, level = np.floor((u - start) / 0.13), np.floor(z / 0.3)
    off = np.abs(u - start - (cell + 0.5) * 0.13)
    long_tool = 0.08 + 0.2 * hashed(cell, level, seed=seed)
    head = np.where(z - level * 0.3 > long_tool - 0.05, 0.02 + 0.03 * hashed(cell, level, seed=seed + 1), 0.01)
    tool = within(off, -9.0, head, footprint) * within(z - level * 0.3, 0.03, long_tool, footprint)
    tool = tool * (hashed(cell, level, seed=seed + 2) > 0.3)
    return mix(albedo, _drab(seed + 3, cell, level) * 0.6, tool * inside)


def _tyres(u: Array, z: Array, footprint: float, albedo: Array, place: tuple[float, float], seed: int) -> Array:
    start, count = place[0], 2 + seed % 4
    across = np.clip((u - start - 0.34) / 0.34, -1, 1)
    inside = within(u, start, start + 0.68, footprint) * within(z, -9.0, 0.215 * count, footprint)
    bulge = np.abs(np.sin(math.pi * z / 0.215)) ** 0.4
    tread = 1 - 0.3 * stripes(u, 0.03, 0.012, footprint)
    shade = np.sqrt(np.clip(1 - across**2, 0.03, 1)) * bulge * tread
    return mix(albedo, toned((0.035, 0.035, 0.035), shade), inside)


def _pipe(u: Array, z: Array, footprint: float, albedo: Array, place: tuple[float, float], seed: int) -> Array:
    start, upright = place[0], seed % 2 == 0
    coordinate = u - start if upright else z - 1.4 - (seed % 7) * 0.12
    wide = 0.03 + (seed % 5) * 0.012
    inside = within(coordinate, 0.0, wide, footprint) + 0 * z
    shade = np.clip(1 - 1.6 * np.abs(coordinate / wide - 0.4), 0.25, 1)
    shadow = within(coordinate, -0.6 * wide, 0.0, footprint) + 0 * z
    albedo = mix(albedo, albedo * 0.6, shadow)
    return mix(albedo, toned((0.35, 0.35, 0.35), shade + 0 * z), inside)


def _cupboard(u: Array, z: Array, footprint: float, albedo: Array, place: tuple[float, float], seed: int) -> Array:
    start, long_m = place[0], 0.8 + place[1] * 0.3
    tall = 0.9 + (seed % 11) * 0.1
    inside = within(u, start, start + long_m, footprint) * within(z, -9.0, tall, footprint)
    seams = np.maximum(
        stripes(u - start, 0.45, 0.012, footprint), stripes(z, 0.3 if seed % 2 else 0.9, 0.012, footprint)
    )
    colour = np.array([(0.16, 0.03, 0.025), (0.25, 0.26, 0.27), (0.05, 0.08, 0.15), (0.3, 0.22, 0.14)])[seed % 4]
    body = toned(colour, 1 - 0.6 * np.minimum(seams, 1) + 0.1 * sample(1.2, seed, u, z, 0.02, footprint))
    shadow = within(u, start + long_m, start + long_m + 0.12, footprint) * within(z, -9.0, tall, footprint)
    return mix(mix(albedo, albedo * 0.5, shadow), body, inside)
