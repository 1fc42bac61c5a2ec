"""The ground from the vehicle's own square out to the walls: where it ends, and what gathers there.

A panorama is right as seen from its middle only. A photographer a few steps aside saw a square of ground in front of
walls whose feet lay elsewhere. So the ground is a surface in the scene as far as the nearest wall, coloured as the
panorama shows it there, and ends in dirt and weeds; what lies about on it (`litter.py`) is part of its mesh.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from synthetic_data.geometry import grid_triangles
from synthetic_data.light import Environment
from synthetic_data.litter import Litter
from synthetic_data.panorama import EYE_HEIGHT_M, Array
from synthetic_data.textures import mix, sample

FARTHEST_M = 38.0  # beyond, walls and ground of the picture itself are far enough to look right from anywhere
LEAST_ALBEDO, MOST_ALBEDO = 0.01, 0.8
GROUND_ROWS, WEED_ROWS, LITTER_ROWS = 96, 16, 4  # of the apron's texture
ROWS = GROUND_ROWS + WEED_ROWS + LITTER_ROWS
RINGS, SECTORS, BLADES = 10, 512, 2048  # of its mesh
BELOW_M = 0.004  # under the square, which overlaps it
OWN_M = (3.5, 6.5)  # from here to there the square takes on the panorama's shadows and verges
WEEDS = np.array([(0.035, 0.055, 0.018), (0.06, 0.075, 0.025), (0.16, 0.13, 0.065), (0.07, 0.05, 0.03)])
SOIL = (0.055, 0.042, 0.03)


@dataclass(frozen=True, slots=True)
class Apron:
    """A mesh around the square: points and normals (n, 3) m, texture places (n, 2), triangles (m, 3), albedo (h, w, 3).

    The axes are the panorama's. `reach_m` (columns,) is how far the level ground reaches at each azimuth.
    """

    points: Array = field(repr=False)
    uv: Array = field(repr=False)
    faces: npt.NDArray[np.int64] = field(repr=False)
    albedo: Array = field(repr=False)
    reach_m: Array = field(repr=False)
    normals: Array = field(repr=False)


def lay_apron(environment: Environment, ground_m: float, litter: Litter | None = None) -> Apron:
    """The apron around a square of ground `ground_m` wide, as the environment's picture shows it, and what lies about
    on both."""
    image = environment.image
    height, width = image.shape[:2]
    reach = np.minimum(environment.reach_m, FARTHEST_M).astype(np.float32)
    inner = np.minimum(0.48 * ground_m, 0.97 * reach)
    nearest, farthest = np.arctan(EYE_HEIGHT_M / inner), np.arctan(EYE_HEIGHT_M / reach) + math.pi / height
    down = nearest + (farthest - nearest) * ((np.arange(GROUND_ROWS) + 0.5) / GROUND_ROWS)[:, None]
    columns = np.broadcast_to(np.arange(width, dtype=np.float32), down.shape)
    albedo = _reflected(environment, columns, (0.5 + down / math.pi) * height - 0.5)

    has_foot = environment.reach_m < FARTHEST_M
    along = reach * (np.arange(width) * (2 * math.pi / width))
    seed, footprint = environment.ground_seed, 0.03
    patchy = sample(1.1, seed + 41, along[None], np.zeros((1, width)), 0.12, footprint)[0]
    ragged = sample(0.5, seed + 42, along[None], np.zeros((1, width)), 0.05, footprint)[0]
    is_grown = has_foot & (not environment.indoors) & (environment.ground is not None)
    before_m = reach - EYE_HEIGHT_M / np.tan(down)
    strip_m = np.where(is_grown, 0.16 + 0.13 * patchy + 0.05 * ragged, 0.05 + 0.03 * patchy).clip(0.01)
    soiled = np.clip((strip_m - before_m) / 0.12 + 0.5, 0, 1) * has_foot
    albedo = mix(albedo, mix(albedo * 0.5, SOIL, np.full(soiled.shape, 0.5)), 0.8 * soiled)
    albedo = albedo * (1 - 0.45 * has_foot * np.exp(-np.maximum(before_m, 0) / 0.25))[..., None]

    weeds_m = np.where(is_grown, np.clip(0.10 + 0.12 * patchy, 0.0, 0.38), 0.0)
    points, uv, faces = _mesh(inner, reach, weeds_m, seed)
    normals, strips = np.tile([0.0, 0.0, 1.0], (len(points), 1)), [albedo, _weeds(along, seed)]
    if litter is not None:
        cells = len(litter.palette)
        strips.append(np.broadcast_to(litter.palette[np.arange(width) * cells // width], (LITTER_ROWS, width, 3)))
        at = np.full(len(litter.points), LITTER_ROWS / 2 / ROWS)
        uv = np.concatenate([uv, np.stack([(litter.colour + 0.5) / cells, at], 1)])
        faces = np.concatenate([faces, litter.faces + len(points)])
        points = np.concatenate([points, litter.points])
        normals = np.concatenate([normals, litter.normals])
    else:
        strips.append(np.zeros((LITTER_ROWS, width, 3)))
    texture = np.concatenate(strips).clip(LEAST_ALBEDO, MOST_ALBEDO)
    return Apron(points, uv, faces, texture.astype(np.float32), reach, normals)


def as_around(ground: Array, ground_m: float, environment: Environment) -> Array:
    """The square's albedo (n, n, 3) with the panorama's tone: all of it where the panorama has a ground of its own,
    else only towards its rim, where shadows of walls and other grounds begin."""
    cells = 128
    height, width = environment.image.shape[:2]
    place = ((np.arange(cells) + 0.5) / cells - 0.5) * ground_m
    x, y = np.meshgrid(place, -place)
    distance = np.hypot(x, y)
    column = np.mod(np.arctan2(x, y) / (2 * math.pi), 1) * width - 0.5
    row = (0.5 + np.arctan2(EYE_HEIGHT_M, distance) / math.pi) * height - 0.5
    seen = _reflected(environment, column, row)
    own = cv2.resize(ground.astype(np.float32), (cells, cells), interpolation=cv2.INTER_AREA)
    blurred = 9 if environment.ground is None else 3
    ratio = cv2.blur(seen, (blurred, blurred)) / np.maximum(cv2.blur(own, (blurred, blurred)), 1e-3)
    beyond = np.interp(distance, OWN_M, (0.0, 1.0)) if environment.ground is not None else np.ones_like(distance)
    ratio = mix(np.ones(3), np.clip(ratio, 0.1, 6.0), beyond)
    fine = cv2.resize(ratio, ground.shape[1::-1], interpolation=cv2.INTER_LINEAR)
    return np.asarray((ground * fine).clip(LEAST_ALBEDO, MOST_ALBEDO), np.float32)


def outline(ground_m: float, reach_m: Array | None) -> tuple[Array, npt.NDArray[np.int64]]:
    """The square of ground as a fan (SECTORS + 1, 3) around its middle with its triangles, cut off at the walls."""
    azimuth = np.arange(SECTORS) * (2 * math.pi / SECTORS)
    edge = ground_m / 2 / np.maximum(np.abs(np.sin(azimuth)), np.abs(np.cos(azimuth)))
    if reach_m is not None:
        edge = np.minimum(edge, _at(reach_m, azimuth))
    rim = np.stack([edge * np.sin(azimuth), edge * np.cos(azimuth), np.zeros(SECTORS)], 1)
    here = np.arange(SECTORS)
    faces = np.stack([np.full(SECTORS, SECTORS), (here + 1) % SECTORS, here], 1)
    return np.concatenate([rim, np.zeros((1, 3))]), faces


def _reflected(environment: Environment, column: Array, row: Array) -> Array:
    """Albedo (…, 3) that gives level ground the radiance of these places of the picture, in all the light there is."""
    maps = column.astype(np.float32), row.astype(np.float32)
    seen = cv2.remap(environment.image, *maps, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
    albedo = seen * (math.pi / np.maximum(environment.on_ground, 1e-9)).astype(np.float32)
    return np.asarray(albedo.clip(LEAST_ALBEDO, MOST_ALBEDO), np.float32)


def _weeds(along: Array, seed: int) -> Array:
    """Albedo (WEED_ROWS, columns, 3) of grass, dry stalks and leaves, dark at the foot."""
    level = np.linspace(0, 1, WEED_ROWS)[:, None]
    which = np.clip(1.5 + 1.3 * sample(0.9, seed + 43, along[None], level * 0, 0.2, 0.03), 0, 2.999)
    blade = 1 + 0.45 * sample(0.2, seed + 44, along[None], level * 0.15, 0.03, 0.03)
    lower = which.astype(int)
    colour = WEEDS[lower] + (WEEDS[lower + 1] - WEEDS[lower]) * (which - lower)[..., None]
    return np.asarray(colour * np.clip(blade, 0.3, 2)[..., None] * (0.35 + 0.85 * level)[..., None], np.float32)


def _at(values: Array, azimuth: Array) -> Array:
    """Values given for the columns of a picture, at azimuths (rad)."""
    column = np.floor(azimuth / (2 * math.pi) * len(values)).astype(int) % len(values)
    return np.asarray(values[column])


def _mesh(inner: Array, reach: Array, weeds_m: Array, seed: int) -> tuple[Array, Array, npt.NDArray[np.int64]]:
    """Rings of ground and the strip of weeds that stands at their end. Texture places count from the lower left."""

    def grid(radius: Array, z: Array, azimuth: Array, row: Array) -> tuple[Array, Array]:
        points = np.stack([radius * np.sin(azimuth), radius * np.cos(azimuth), z], -1)
        u = np.broadcast_to(azimuth / (2 * math.pi), radius.shape)
        return points, np.stack([u, np.broadcast_to(1 - row / ROWS, radius.shape)], -1)

    azimuth = np.linspace(0, 2 * math.pi, SECTORS + 1)
    share = np.linspace(0, 1, RINGS)[:, None]
    near, far = (np.arctan(EYE_HEIGHT_M / _at(values, azimuth)) for values in (inner, reach))
    radius = EYE_HEIGHT_M / np.tan(near + (far - near) * share)
    ground = grid(radius, np.full_like(radius, -BELOW_M), azimuth, share * (GROUND_ROWS - 1) + 0.5)

    azimuth = np.linspace(0, 2 * math.pi, BLADES + 1)
    rng = np.random.default_rng([seed, 45])
    tall = _at(weeds_m, azimuth) * rng.uniform(0.1, 1.0, BLADES + 1) ** 1.3
    level = np.array([0.0, 1.0])[:, None]
    radius = _at(reach, azimuth) - 0.05 * (tall > 0) + level * rng.normal(0, 0.02, BLADES + 1)
    weeds = grid(radius, level * tall - BELOW_M, azimuth, GROUND_ROWS + 0.5 + level * (WEED_ROWS - 1))

    points, uvs, faces, first = list[Array](), list[Array](), list[Any](), 0
    for place, uv in (ground, weeds):
        faces.append(grid_triangles(place, first)[:, [0, 2, 1]])
        points.append(place.reshape(-1, 3))
        uvs.append(uv.reshape(-1, 2))
        first += place.shape[0] * place.shape[1]
    return np.concatenate(points), np.concatenate(uvs), np.concatenate(faces)
