"""The inside of a garage or workshop, with tubes or work lamps and sometimes an open door to the day; and of a hall
that a panorama lights."""

from __future__ import annotations

import math

import cv2
import numpy as np
import numpy.typing as npt

from synthetic_data.panorama import EYE_HEIGHT_M, Array, Facade, Lamp, Lighting, azimuths, directions, lamp_light
from synthetic_data.textures import (
    GROUNDS,
    WALL_COLOURS,
    Wall,
    ceiling_albedo,
    ground_albedo,
    indoor_wall,
    mix,
    sample,
    stripes,
    toned,
    within,
)

FLOOR, CEILING = 4, 5
LAMP_CONTRAST = 4.0  # times the median of what is above: brighter is a lamp
NORMALS = ((-1, 0, 0), (0, -1, 0), (1, 0, 0), (0, 1, 0), (0, 0, 1), (0, 0, -1))
ByteArray = npt.NDArray[np.uint8]
Panel = tuple[float, float, float, float, Array]


def garage(
    rng: np.random.Generator, outside: Array | None, ground_seed: int, *, width: int = 2048
) -> tuple[Array, float, Array]:
    """A room: radiance float32 (width / 2, width, 3), kcd/m², the illuminance on its floor, klx, and how far the floor
    reaches (width,), m.

    `outside`, a panorama in kcd/m², shines in through the open roller door; None leaves it shut. The floor is
    concrete of `ground_seed`, stained where oil was spilt and dark along the walls.
    """
    height = width // 2
    half_x, half_y = float(rng.uniform(4.3, 8.0)), float(rng.uniform(5.2, 10.0))  # the photographer is inside, too
    tall, seed = float(rng.uniform(2.5, 4.8)), int(rng.integers(1, 2**20))
    direction = directions(width, height).astype(np.float32)
    x, y, z, face = _cast(direction, half_x, half_y, tall)

    albedo, glow = _shell(rng, x, y, z, face, (half_x, half_y, tall), direction, outside, seed, ground_seed)
    last = int(np.nonzero((face == CEILING).any(axis=1))[0][-1]) + 1
    above = face[:last] == CEILING
    ceiling = ceiling_albedo(int(rng.integers(3)), x[:last], y[:last], seed)
    albedo[:last][above] = ceiling[above]
    lamps, panels = _ceiling_lamps(rng, half_x, half_y, tall)
    for centre_x, centre_y, wide_m, long_m, luminance in panels:
        hit = above & (np.abs(x[:last] - centre_x) < wide_m / 2) & (np.abs(y[:last] - centre_y) < long_m / 2)
        glow[:last][hit] = luminance

    light = _room_light(x, y, z, face, (half_x, half_y, tall), lamps, glow, albedo)
    image = albedo * light / np.float32(math.pi) + glow
    floor_klx = float(light[int(height * 0.8) :].mean(axis=(0, 1)) @ np.array([0.2126, 0.7152, 0.0722]))
    return np.asarray(np.maximum(image, 0), np.float32), floor_klx, _to_walls(half_x, half_y, width)


def hall(rng: np.random.Generator, lighting: Lighting, ground_seed: int, *, width: int = 2048) -> tuple[Array, Array]:
    """A room lit by `lighting`, whose lamps and skylights are seen in its ceiling: radiance float32 (width / 2, width,
    3), kcd/m², and how far the floor reaches (width,), m.

    A coarse panorama of an interior is good light, but a blur behind a sharp floor.
    """
    height = width // 2
    half_x, half_y = float(rng.uniform(5.5, 10.0)), float(rng.uniform(6.5, 12.0))
    tall, seed = float(rng.uniform(4.2, 6.5)), int(rng.integers(1, 2**20))
    direction = directions(width, height).astype(np.float32)
    x, y, z, face = _cast(direction, half_x, half_y, tall)
    albedo, _ = _shell(rng, x, y, z, face, (half_x, half_y, tall), direction, None, seed, ground_seed)
    facade = Facade(lighting, np.mean(GROUNDS["concrete"], axis=0))
    light = np.array([np.sum(facade(normal), axis=0) for normal in NORMALS], np.float32)[face]
    aside, ahead = half_x - np.abs(x), half_y - np.abs(y)
    to_corner = np.maximum(np.minimum(aside, ahead), np.minimum(np.maximum(aside, ahead), z))  # the second nearest
    light = toned(light, (1 - 0.45 * np.exp(-np.maximum(to_corner, 0) / 0.35)) / np.float32(math.pi))
    image = albedo * light
    top = height // 2
    seen = cv2.resize(lighting.sky, (width, height))[:top]
    lamp = seen - np.float32(LAMP_CONTRAST) * np.median(seen[::8, ::8], axis=(0, 1))
    ceiling = ceiling_albedo(int(rng.integers(3)), x[:top], y[:top], seed) * light[:top]
    is_above = (face[:top] == CEILING)[..., None]
    image[:top] = np.where(is_above, ceiling + np.maximum(lamp, 0), image[:top])
    return np.asarray(image, np.float32), _to_walls(half_x, half_y, width)


def _to_walls(half_x: float, half_y: float, width: int) -> Array:
    azimuth = azimuths(width)
    to_side, to_end = (
        half / np.maximum(np.abs(part), 1e-6) for half, part in ((half_x, np.sin(azimuth)), (half_y, np.cos(azimuth)))
    )
    return np.asarray(np.minimum(to_side, to_end))


def _shell(
    rng: np.random.Generator, x: Array, y: Array, z: Array, face: ByteArray, size: tuple[float, float, float],
    direction: Array, outside: Array | None, seed: int, ground_seed: int,
) -> tuple[Array, Array]:  # fmt: skip
    """Albedo (H, W, 3) of walls and floor, black at the ceiling, and the light that comes in through the door."""
    half_x, half_y, tall = size
    height, width = face.shape
    albedo = np.zeros((height, width, 3), np.float32)
    glow = np.zeros_like(albedo)
    material = str(rng.choice(["block", "brick", "render", "corrugated", "render"]))
    palette = WALL_COLOURS[material]
    base = np.asarray(palette[int(rng.integers(len(palette)))])
    door_face = int(rng.integers(4))
    for side in range(4):
        footprint = (half_x if side in (0, 2) else half_y) * 1.2 * 2 * math.pi / width
        is_side = face == side
        rows = np.nonzero(is_side.any(axis=1))[0]
        box = (slice(rows[0], rows[-1] + 1), np.nonzero(is_side.any(axis=0))[0])
        here = is_side[box]
        reach = half_y if side in (0, 2) else half_x
        u, v = (y if side in (0, 2) else x)[box], z[box]
        tint = base * rng.uniform(0.9, 1.05)
        colour = (float(tint[0]), float(tint[1]), float(tint[2]))
        wall = Wall(0.0, half_x if side in (0, 2) else half_y, reach, reach, tall, material, colour, seed + side)
        surface = indoor_wall(u, v, footprint, wall, rng)
        if side == door_face:
            surface, shine = _roller_door(u, v, footprint, surface, wall, outside, direction[box], rng)
            glow[is_side] = shine[here]
        albedo[is_side] = surface[here]
    first = int(np.nonzero((face == FLOOR).any(axis=1))[0][0])
    floor = ground_albedo("concrete", x[first:], y[first:], 0.01, ground_seed) * np.float32(rng.uniform(0.5, 1.1))
    to_wall = np.minimum(half_x - np.abs(x[first:]), half_y - np.abs(y[first:]))
    floor = toned(floor, 1 - 0.45 * np.exp(-np.maximum(to_wall, 0) / 0.25))
    below = face[first:] == FLOOR
    albedo[first:][below] = floor[below]
    return albedo, glow


def _cast(direction: Array, half_x: float, half_y: float, tall: float) -> tuple[Array, Array, Array, ByteArray]:
    """Where each direction meets the room: x, y, z in m and the face (0..3 walls, FLOOR, CEILING)."""
    dx, dy, dz = direction[..., 0], direction[..., 1], direction[..., 2]
    way_x = half_x / np.maximum(np.abs(dx), 1e-5)
    way_y = half_y / np.maximum(np.abs(dy), 1e-5)
    way_z = np.where(dz > 0, tall - EYE_HEIGHT_M, EYE_HEIGHT_M) / np.maximum(np.abs(dz), 1e-5)
    way = np.minimum(np.minimum(way_x, way_y), way_z)
    side = np.where(way_x <= way_y, np.where(dx > 0, 0, 2), np.where(dy > 0, 1, 3))
    face = np.where(way_z <= way, np.where(dz > 0, CEILING, FLOOR), side).astype(np.uint8)
    return dx * way, dy * way, EYE_HEIGHT_M + dz * way, face


def _room_light(
    x: Array, y: Array, z: Array, face: ByteArray, size: tuple[float, float, float],
    lamps: tuple[Lamp, ...], glow: Array, albedo: Array,
) -> Array:  # fmt: skip
    """Illuminance (H, W, 3) in the room: lamps directly, everything else as even light, less of it in corners.

    Even light by the integrating sphere: E = E_direct ρ / (1 − ρ). Worked out at a quarter of the resolution.
    """
    height, width = face.shape
    small = (width // 4, height // 4)
    xs, ys, zs = (cv2.resize(plane.astype(np.float32), small, interpolation=cv2.INTER_AREA) for plane in (x, y, z))
    normals = np.array(NORMALS, np.float32)[cv2.resize(face, small, interpolation=cv2.INTER_NEAREST)]
    direct = lamp_light(xs, ys, zs, (normals[..., 0], normals[..., 1], normals[..., 2]), lamps)
    door = glow.reshape(-1, 3).mean(axis=0)
    reflectance = np.minimum(albedo.reshape(-1, 3).mean(axis=0), 0.8)
    even = (direct.reshape(-1, 3).mean(axis=0) + door * math.pi * 0.4) * reflectance / (
        1 - reflectance
    ) + door * math.pi * 0.5
    gaps = np.stack([size[0] - np.abs(xs), size[1] - np.abs(ys), np.minimum(zs, size[2] - zs)])
    to_corner = np.sort(gaps, axis=0)[1]
    light = direct + even * (1 - 0.5 * np.exp(-np.maximum(to_corner, 0) / 0.3))[..., None]
    return np.asarray(cv2.resize(light.astype(np.float32), (width, height), interpolation=cv2.INTER_LINEAR))


def _ceiling_lamps(
    rng: np.random.Generator, half_x: float, half_y: float, tall: float
) -> tuple[tuple[Lamp, ...], list[Panel]]:
    """Lamps that light the room and the rectangles one sees of them (x, y, width, length, luminance in kcd/m²)."""
    is_tube = bool(rng.random() < 0.7)
    warmth = float(rng.uniform(-0.12, 0.2))
    tint = np.array([1 + warmth, 1.0, 1 - 1.2 * warmth])
    lamps: list[Lamp] = []
    panels: list[Panel] = []
    for centre_x in np.linspace(-half_x * 0.55, half_x * 0.55, int(rng.integers(1, 3))):
        for centre_y in np.linspace(-half_y * 0.6, half_y * 0.6, int(rng.integers(1, 4))):
            wide_m, long_m = (0.07, float(rng.choice([1.2, 1.5]))) if is_tube else (0.35, 0.5)
            colour = tint * (rng.uniform(7, 14) if is_tube else rng.uniform(6, 20))
            panels.append((float(centre_x), float(centre_y), wide_m, long_m, colour.astype(np.float32)))
            power = colour * long_m * wide_m / 2 * (3 if is_tube else 1)  # a tube shines to the sides too
            for part in (-0.35, 0.35):
                place = (float(centre_x), float(centre_y) + part * long_m, tall - 0.12)
                lamps.append(Lamp(place, (float(power[0]), float(power[1]), float(power[2]))))
    return tuple(lamps), panels


def _roller_door(
    u: Array,
    z: Array,
    footprint: float,
    albedo: Array,
    wall: Wall,
    outside: Array | None,
    direction: Array,
    rng: np.random.Generator,
) -> tuple[Array, Array]:
    """Put a closed or open roller door into a wall. Returns albedo and the light that comes through."""
    half, tall = min(1.6, wall.left_m * 0.7), min(2.4, wall.height_m - 0.2)
    centre = float(rng.uniform(-0.25, 0.25)) * wall.left_m
    frame = within(u, centre - half - 0.1, centre + half + 0.1, footprint) * within(z, -9.0, tall + 0.1, footprint)
    hole = within(u, centre - half, centre + half, footprint) * within(z, -9.0, tall, footprint)
    albedo = mix(albedo, (0.2, 0.2, 0.2), frame)
    for edge in (centre - half - 0.2, centre + half + 0.14):  # the tracks it runs in
        track = within(u, edge, edge + 0.06, footprint) * within(z, -9.0, wall.height_m - 0.15, footprint)
        albedo = mix(albedo, (0.42, 0.43, 0.43), track)
        albedo = mix(albedo, (0.05, 0.05, 0.05), track * stripes(z, 0.3, 0.03, footprint))
    drum = within(u, centre - half - 0.2, centre + half + 0.2, footprint)
    albedo = mix(albedo, (0.12, 0.12, 0.12), drum * within(z, tall + 0.1, tall + 0.38, footprint) * 0.85)
    colour = np.array([(0.45, 0.45, 0.44), (0.3, 0.32, 0.34), (0.6, 0.59, 0.55)])[int(rng.integers(3))]
    if outside is None:
        slats = 1 - 0.4 * stripes(z, 0.1, 0.03, footprint) - 0.35 * stripes(z, 0.6, 0.012, footprint)
        worn = 1 + 0.08 * sample(1.2, wall.seed, u, z, 0.04, footprint)
        return mix(albedo, toned(colour, slats * worn), hole), np.zeros_like(albedo)
    height, width = outside.shape[:2]
    azimuth = np.arctan2(direction[..., 0], direction[..., 1])
    elevation = np.arcsin(np.clip(direction[..., 2], -1, 1))
    map_x = (np.mod(azimuth / (2 * math.pi), 1) * width - 0.5).astype(np.float32)
    map_y = ((0.5 - elevation / math.pi) * height - 0.5).astype(np.float32)
    seen = cv2.remap(outside, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
    return toned(albedo, 1 - hole), toned(seen, hole)
