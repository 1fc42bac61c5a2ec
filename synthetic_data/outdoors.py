"""Yards, streets, drives, fields and car parks around the vehicle, by day or under lamps.

A floor plan of walls is cast into an equirectangular picture, so perspective, occlusion and texture scale are right
as seen from the middle; surfaces are lit by the same sky, sun and lamps that light the vehicle. Flat cut-outs stand
between.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import cv2
import numpy as np
import numpy.typing as npt

from synthetic_data.cutouts import clutter, parked, paste, plant, shade_under
from synthetic_data.panorama import (
    EYE_HEIGHT_M,
    Array,
    Colour,
    Facade,
    Lamp,
    Lighting,
    azimuths,
    elevations,
    lamp_light,
)
from synthetic_data.textures import (
    FRAME_COLOURS,
    GROUNDS,
    MATERIALS,
    POST_M,
    WALL_COLOURS,
    Wall,
    foliage_albedo,
    ground_albedo,
    hashed,
    mix,
    openings,
    sample,
    stripes,
    toned,
    within,
)

FARTHEST_M = 400.0
FAR_ALBEDO = 0.12  # of woods, fields and rock together; common practice, no source
SCENES = ("yard", "street", "drive", "field", "car_park")
HOUSE = ("brick", "render", "stone")
LOW = ("hedge", "fence", "brick", "stone", "block")
SHEETS = ((0.26, 0.25, 0.24), (0.10, 0.11, 0.12), (0.30, 0.28, 0.25), (0.13, 0.17, 0.14))  # roofs, albedo
SHED = ("corrugated", "panel", "brick", "corrugated")


def outdoors(
    rng: np.random.Generator,
    lighting: Lighting,
    ground: str,
    ground_seed: int,
    *,
    width: int = 2048,
    land: Array | None = None,
    wide_deg: float = 60.0,
) -> tuple[Array, Array]:
    """A place under `lighting`: radiance float32 (width / 2, width, 3), kcd/m², without the sun's disk; and how far
    the ground reaches (width,), m, infinite where no wall ends it.

    `land` (h, w, 4), the far land of a photo (`skyline`) that spans `wide_deg`, is bent around the horizon in place of
    hills.
    """
    height = width // 2
    image = cv2.resize(lighting.sky, (width, height), interpolation=cv2.INTER_LINEAR)
    horizon = image[int(height * 0.46) : height // 2].mean(axis=(0, 1)).astype(np.float64)
    facade = Facade(lighting, np.mean(GROUNDS[ground], axis=0))
    scene = str(rng.choice(list(SCENES), p=[0.24, 0.2, 0.24, 0.16, 0.16]))
    fronts = _floor_plan(rng, scene)
    walls = fronts + [end for front in fronts for end in _ends(front)]
    haze = horizon * 0.75

    if land is None:
        _hills(image, rng, facade, haze)
    else:
        _far_photo(image, rng, facade, haze, land, wide_deg)
    _lay_ground(image, rng, ground, ground_seed, lighting, walls, scene, haze)
    stands = _plant_far(image, rng, facade, haze, scene)
    plan = _plan(walls, width)
    near = sorted(
        (float(rng.uniform(9, 30)), float(rng.uniform(0, 2 * math.pi))) for _ in range(int(rng.integers(0, 6)))
    )
    wires = None
    if not facade.lighting.lamps and rng.random() < 0.45:
        wires = _wires(rng, facade, height)
        _string(image, wires, wires.away_m >= plan)
        stands += wires.poles
    stands += [(azimuth, distance, 0.2) for distance, azimuth in near]
    for wall in sorted(walls, key=lambda wall: -_nearest_m(wall)):
        while near and near[-1][0] > _nearest_m(wall):  # a crown stands above what hides its stem
            distance, azimuth = near.pop()
            plant(image, rng, facade, haze, [(azimuth, distance)], (3.5, 9), None)
        _raise_wall(image, wall, facade, horizon, haze)
    if wires is not None:
        _string(image, wires, wires.away_m < plan)
    plant(image, rng, facade, haze, [(azimuth, distance) for distance, azimuth in near], (3.5, 9), plan)
    stands += _furnish(image, rng, facade, horizon, fronts, scene, plan)
    return np.asarray(np.maximum(image, 0), np.float32), _reach(plan, stands)


def _reach(plan: Array, stands: list[tuple[float, float, float]]) -> Array:
    """How far the ground can be seen in each column: to the wall, or to what stands before it (azimuth, distance and
    half the width of its foot, m)."""
    reach, off = plan.copy(), azimuths(len(plan))
    for azimuth, distance, half in stands:
        beside = np.abs(np.mod(off - azimuth + math.pi, 2 * math.pi) - math.pi)
        reach[(beside < math.atan(half / distance)) & (reach > distance)] = distance
    return reach


# --- plan ---------------------------------------------------------------------------------------------------------


def _floor_plan(rng: np.random.Generator, scene: str) -> list[Wall]:
    """Walls around the vehicle, as such places have them."""
    turn, quarter = float(rng.uniform(0, 2 * math.pi)), math.pi / 2

    def wall(
        side: float,
        distance: tuple[float, float],
        reach: tuple[float, float],
        height: tuple[float, float],
        kinds: tuple[str, ...],
    ) -> Wall:
        material = kinds[int(rng.integers(len(kinds)))]
        return Wall(
            azimuth=(turn + side + float(rng.normal(0, 0.08))) % (2 * math.pi),
            distance_m=float(rng.uniform(*distance)),
            left_m=float(rng.uniform(*reach)),
            right_m=float(rng.uniform(*reach)),
            height_m=float(rng.uniform(*height)),
            material=material,
            colour=_wall_colour(rng, material),
            seed=int(rng.integers(1, 2**20)),
        )

    if scene == "yard":
        walls = _row(
            rng, [wall(i * quarter, (6, 18), (6, 20), (3.0, 7.0), SHED) for i in range(4) if rng.random() < 0.7], 14
        )
        fences = int(rng.integers(1, 4))
        low = ("corrugated", "block", "fence", "hedge")
        return [*walls, *(wall(float(rng.uniform(0, 6.3)), (6, 14), (1.5, 6), (1.7, 2.5), low) for _ in range(fences))]
    if scene == "street":
        houses = [wall(0, (6.5, 12), (9, 35), (4.8, 7.5), HOUSE), wall(math.pi, (12, 24), (15, 45), (4.8, 8.0), HOUSE)]
        across = wall(quarter * float(rng.choice([1, 3])), (30, 60), (6, 16), (4, 8), HOUSE)
        return [*_row(rng, houses, 8), across, wall(0.4, (5, 6.5), (2, 7), (0.7, 1.3), LOW)]
    if scene == "drive":
        house = wall(0, (4.5, 9), (3.5, 7), (2.5, 5.6), HOUSE)
        sides = [wall(side, (4, 10), (6, 18), (1.3, 2.5), LOW) for side in (quarter, -quarter)]
        return [house, *sides, *_row(rng, [wall(math.pi, (18, 35), (8, 30), (4.5, 7), HOUSE)], 9)]
    if scene == "field":
        kinds = ("hedge", "fence", "stone", "hedge")
        return [
            wall(float(rng.uniform(0, 6.3)), (14, 45), (10, 60), (1.0, 2.2), kinds)
            for _ in range(int(rng.integers(1, 5)))
        ]
    sides = [wall(i * quarter, (18, 45), (10, 40), (3.5, 8), (*SHED, "hedge")) for i in range(4) if rng.random() < 0.75]
    return _row(rng, sides, 22)


def _wall_colour(rng: np.random.Generator, material: str) -> Colour:
    palette = WALL_COLOURS[material]
    colour = np.asarray(palette[int(rng.integers(len(palette)))]) * rng.uniform(0.8, 1.2)
    return (float(colour[0]), float(colour[1]), float(colour[2]))


def _row(rng: np.random.Generator, walls: list[Wall], about_m: float) -> list[Wall]:
    """Split long fronts into neighbours of different height, colour and depth, with a gap here and there."""
    parts = []
    for wall in walls:
        start = -wall.left_m
        while start < wall.right_m - 4:
            end = start + about_m * float(rng.uniform(0.6, 1.5))
            end = wall.right_m if end > wall.right_m - 4 else end
            material = (
                wall.material if rng.random() < 0.6 else str(rng.choice(HOUSE if wall.material in HOUSE else SHED))
            )
            same = material == wall.material and rng.random() < 0.5
            parts.append(
                replace(
                    wall,
                    left_m=-start,
                    right_m=end,
                    distance_m=wall.distance_m + float(rng.choice([0.0, 0.0, rng.uniform(0.3, 3.0)])),
                    height_m=wall.height_m * float(rng.uniform(0.8, 1.2)),
                    material=material,
                    colour=wall.colour if same else _wall_colour(rng, material),
                    seed=int(rng.integers(1, 2**20)),
                )
            )
            start = end + (float(rng.uniform(1, 5)) if rng.random() < 0.3 else 0.0)
    return parts


def _nearest_m(wall: Wall) -> float:
    return math.hypot(wall.distance_m, max(-wall.right_m, -wall.left_m, 0.0))


def _ends(front: Wall) -> list[Wall]:
    """The end of a building beside the eye, which looks along its front: a wall at right angles to it."""
    roof = _roof_of(front)
    if roof.kind == "none" or front.height_m <= 2.4:
        return []
    ends: dict[str, Literal["slope", "gable", "coping"]] = {"slope": "gable", "gable": "slope"}
    farther, beside = front.distance_m + 2 * roof.run_m, max(-front.right_m, -front.left_m)
    if beside < 0.3:
        return []
    turn, reach = (-1, (-front.distance_m, farther)) if front.right_m < 0 else (1, (farther, -front.distance_m))
    return [
        replace(
            front,
            azimuth=(front.azimuth + turn * math.pi / 2) % (2 * math.pi),
            distance_m=beside,
            left_m=reach[0],
            right_m=reach[1],
            seed=front.seed + 1,
            roof=(ends.get(roof.kind, "coping"), roof.rise_m, (front.left_m + front.right_m) / 2),
        )
    ]


# --- far away -----------------------------------------------------------------------------------------------------


def _hills(image: Array, rng: np.random.Generator, facade: Facade, haze: Array) -> None:
    """Rolling, wooded hills at the horizon, paled by the air, in place."""
    height, width = image.shape[:2]
    middle = height // 2
    ambient, sun = facade((0.0, -1.0, 0.0))
    light = (ambient + 0.5 * sun) / math.pi
    azimuth = azimuths(width)
    rows = np.arange(height)[:, None]
    for layer in range(int(rng.integers(1, 4)), 0, -1):
        pale = min(0.3 + 0.2 * layer, 0.88)
        line = np.zeros(width)
        for wave in range(1, 12):
            line += np.sin(wave * azimuth + rng.uniform(0, 6.3)) * rng.normal(0, 1) / wave
        phase = float(rng.uniform(0, 500))
        top_px = height * (0.004 + 0.004 * layer) * (1.1 + 0.5 * line) + 0.004 * height * _crowns(azimuth, 17 + layer)
        edge = middle - np.maximum(top_px, 1)
        top = max(int(edge.min()) - 2, 0)
        cover = np.clip(rows[top:middle] - edge[None] + 0.5, 0, 1)
        u = np.broadcast_to((azimuth * 40)[None] + phase, cover.shape)
        down = np.broadcast_to((rows[top:middle] - middle) * 0.3, cover.shape)
        texture = foliage_albedo(u, down, 0.06, 31 + layer, (0.055, 0.07, 0.03))
        colour = texture * light * (1 - pale) + haze * pale
        image[top:middle] = mix(image[top:middle], colour, cover)


def _crowns(azimuth: Array, seed: int) -> Array:
    """How high (columns,) the crowns of a far wood stand at each azimuth, 0 to 1: rounded, of unlike width."""
    tall = np.zeros(azimuth.shape)
    for layer, around in enumerate((330, 510)):
        place = azimuth * (around / (2 * math.pi)) + 0.35 * np.sin(azimuth * around / 9 + seed + layer)
        cell = np.floor(place)
        chance = hashed(np.mod(cell, around), seed=seed + 7 * layer)
        dome = np.sqrt(np.clip(1 - (2 * (place - cell) - 1) ** 2, 0, 1))
        tall = np.maximum(tall, dome * (0.25 + 0.75 * chance**1.5))
    return tall


def _plant_far(
    image: Array, rng: np.random.Generator, facade: Facade, haze: Array, scene: str
) -> list[tuple[float, float, float]]:
    """Belts of trees and scrub at the edge of fields, a grove here and there, bushes nearer, in place; returns where
    those stand that are near: azimuth, distance and half the width, m."""
    places: list[tuple[float, float]] = []
    small: list[tuple[float, float]] = []
    for _ in range(int(rng.integers(2, 6))):  # belts
        middle, half, away = rng.uniform(0, 2 * math.pi), rng.uniform(0.15, 0.9), rng.uniform(70, 200)
        slope = rng.normal(0, 0.5)
        for share in rng.uniform(-1, 1, int(half * rng.uniform(20, 60))):
            distance = float(np.clip(away * math.exp(slope * share) * rng.uniform(0.92, 1.08), 45, 260))
            (small if rng.random() < 0.45 else places).append((float(middle + half * share), distance))
    groves = rng.uniform(0, 2 * math.pi, 3)
    for _ in range(int(rng.integers(5, 40 if scene in ("field", "car_park") else 20))):
        places.append((float(rng.normal(groves[int(rng.integers(3))], 0.5)), float(rng.uniform(40, 160))))
    plant(image, rng, facade, haze, places, (5, 15), None)
    plant(image, rng, facade, haze, small, (1.5, 5), None, is_bush=True)  # undergrowth hides the stems
    scrub = []
    if scene != "street":
        scrub = [(float(rng.uniform(0, 2 * math.pi)), float(rng.uniform(16, 90))) for _ in range(int(rng.integers(40)))]
        plant(image, rng, facade, haze, scrub, (0.3, 1.8), None, is_bush=True)
    return [(azimuth, distance, 0.5) for azimuth, distance in scrub]


def _far_photo(
    image: Array, rng: np.random.Generator, facade: Facade, haze: Array, land: Array, wide_deg: float
) -> None:
    """Bend the far land of a photo and its mirror image around the horizon, lit and paled as land would be, in place.

    `land` (h, w, 4) is colour times opacity and opacity, its last row at the horizon; it spans `wide_deg`, or the next
    angle that goes into the circle evenly, there and back.
    """
    height, width = image.shape[:2]
    ambient, sun = facade((0.0, -1.0, 0.0))
    level = ((ambient + 0.5 * sun) / math.pi * FAR_ALBEDO).mean()
    copies = max(round(180 / wide_deg), 1)
    columns = width // (2 * copies)
    rows = max(round(land.shape[0] * columns / land.shape[1]), 2)
    one = cv2.resize(land, (columns, rows), interpolation=cv2.INTER_AREA)
    strip = np.tile(np.concatenate([one, one[:, ::-1]], axis=1), (1, copies, 1))
    strip = np.roll(
        np.pad(strip, ((0, 0), (0, width - strip.shape[1]), (0, 0)), mode="edge"), int(rng.integers(width)), 1
    )
    cover = strip[..., 3]
    light = strip[..., :3] * np.float32(level / max(float(strip[..., :3].mean() / cover.mean()), 1e-6))
    pale = 0.35
    light = light * (1 - pale) + (haze * pale).astype(np.float32) * cover[..., None]
    top = height // 2 - rows
    image[top : height // 2] = image[top : height // 2] * (1 - cover[..., None]) + light


# --- ground -------------------------------------------------------------------------------------------------------


def _lay_ground(
    image: Array,
    rng: np.random.Generator,
    kind: str,
    seed: int,
    lighting: Lighting,
    walls: list[Wall],
    scene: str,
    haze: Array,
) -> None:
    """Fill the lower half with lit, shadowed ground, with another ground beyond a verge, in place."""
    height, width = image.shape[:2]
    middle = height // 2
    azimuth, elevation = azimuths(width), elevations(height)[middle:]
    distance = np.minimum(EYE_HEIGHT_M / np.tan(-elevation), FARTHEST_M)[:, None]
    x = (distance * np.sin(azimuth)[None]).astype(np.float32)
    y = (distance * np.cos(azimuth)[None]).astype(np.float32)
    across = distance * (2 * math.pi / width)
    turn, edge_m = float(rng.uniform(0, 2 * math.pi)), float(rng.uniform(4.5, 12))
    other = str(rng.choice(["grass", "paving", "gravel", "dirt", "grass"]))
    away = x * math.cos(turn) + y * math.sin(turn)
    albedo = np.zeros((height - middle, width, 3), np.float32)
    edges = np.unique(np.clip([0, 3, 9, 22, 50, 110, 220, height - middle], 0, height - middle))
    for first, last in pairwise(edges):  # bands of like footprint
        at = float(distance[(first + last) // 2, 0])
        footprint = float(across[(first + last) // 2, 0]) * math.sqrt(math.hypot(at, EYE_HEIGHT_M) / EYE_HEIGHT_M)
        xs, ys, band = x[first:last], y[first:last], albedo[first:last]
        beyond = np.zeros(band.shape[:2], np.float32)
        if other != kind and scene != "car_park":
            ragged = away[first:last] - edge_m + 0.12 * sample(1.0, seed + 6, xs, ys, 0.03, footprint)
            beyond = np.clip(ragged / max(footprint, 0.04) + 0.5, 0, 1)
        here, there = (beyond < 1).any(axis=0), (beyond > 0).any(axis=0)
        if here.any():
            band[:, here] = ground_albedo(kind, xs[:, here], ys[:, here], footprint, seed)
        if there.any():
            far = ground_albedo(other, xs[:, there], ys[:, there], footprint, seed + 9)
            band[:, there] = mix(band[:, there], far, beyond[:, there])
    if scene in ("street", "car_park") and kind in ("tarmac", "concrete"):
        albedo = _markings(albedo, x, y, across, scene, seed)
    sky, sun = lighting.on_ground()
    in_sun = np.zeros(x.shape, np.float32)
    if sun.any() and lighting.sun_direction is not None:
        in_sun = 1 - _wall_shadows(x, y, lighting.sun_direction, walls)
    light = mix(sky, sky + sun, in_sun)
    if lighting.lamps:
        light += lamp_light(x, y, 0.0, (0.0, 0.0, 1.0), lighting.lamps)
    pale = np.broadcast_to(np.clip(distance / FARTHEST_M, 0, 1) * 0.45, (height - middle, width))
    image[middle:] = mix(albedo * light / np.float32(math.pi), haze, pale)


def _markings(albedo: Array, x: Array, y: Array, footprint: Array, scene: str, seed: int) -> Array:
    """Bay lines of a car park or a line along a street, worn."""
    turn = seed % 7
    a, b = x * math.cos(turn) - y * math.sin(turn), x * math.sin(turn) + y * math.cos(turn)
    if scene == "car_park":
        line = stripes(a, 2.5, 0.1, footprint) * ((b > 3) & (b < 8))
    else:
        line = stripes(b - 3.4, 200.0, 0.12, footprint)
    worn = np.clip(0.7 - 0.4 * sample(0.7, seed + 6, x, y, 0.02, 0.03), 0, 1)
    return mix(albedo, (0.5, 0.5, 0.47), np.clip(line, 0, 1) * worn)


def _wall_shadows(x: Array, y: Array, sun: tuple[float, float, float], walls: list[Wall]) -> Array:
    """Share of the ground's sun (0..1) that walls take away, worked out in every fourth column."""
    xs, ys = x[:, ::4], y[:, ::4]
    shadow = np.zeros(xs.shape, np.float32)
    flat = max(math.hypot(sun[0], sun[1]), 1e-6)
    sx, sy = sun[0] / flat, sun[1] / flat
    for wall in walls:
        nx, ny = math.sin(wall.azimuth), math.cos(wall.azimuth)
        towards = sx * nx + sy * ny
        if abs(towards) < 1e-3:
            continue
        way = (wall.distance_m - (xs * nx + ys * ny)) / towards
        along = (xs + way * sx) * ny - (ys + way * sy) * nx
        hit = (way > 0) & (along > -wall.left_m) & (along < wall.right_m) & (way * sun[2] / flat < wall.height_m)
        shadow = np.maximum(shadow, hit.astype(np.float32))
    return np.asarray(cv2.resize(shadow, (x.shape[1], x.shape[0]), interpolation=cv2.INTER_LINEAR))


# --- walls --------------------------------------------------------------------------------------------------------


def _seen(wall: Wall, width: int) -> tuple[npt.NDArray[np.intp], Array, Array]:
    """Columns in which a wall stands, and in each the place along it and its distance from the eye, m."""
    off = np.mod(azimuths(width) - wall.azimuth + math.pi, 2 * math.pi) - math.pi
    along = wall.distance_m * np.tan(np.clip(off, -1.5, 1.5))
    columns = np.nonzero((np.abs(off) < 1.5) & (along > -wall.left_m) & (along < wall.right_m))[0]
    return columns, along[columns], wall.distance_m / np.cos(off[columns])


def _plan(walls: list[Wall], width: int) -> Array:
    """How far away the nearest wall is in each column, m; infinite where there is none."""
    plan = np.full(width, np.inf)
    for wall in walls:
        columns, _, reach = _seen(wall, width)
        plan[columns] = np.minimum(plan[columns], reach)
    return plan


def _raise_wall(image: Array, wall: Wall, facade: Facade, horizon: Array, haze: Array) -> None:
    """Draw one wall into the panorama, in place. Far walls come first."""
    height, width = image.shape[:2]
    columns, along, reach = _seen(wall, width)
    if len(columns) < 2:
        return
    roof = _roof_of(wall)
    nearest = float(reach.min())
    highest, lowest = (
        math.atan((wall.height_m + (roof.rise_m if roof.kind == "gable" else 0.0) + 0.4 - EYE_HEIGHT_M) / nearest),
        math.atan(-EYE_HEIGHT_M / nearest),
    )
    first = max(int((0.5 - highest / math.pi) * height) - 2, 0)
    last = min(int((0.5 - lowest / math.pi) * height) + 2, height)
    z = (EYE_HEIGHT_M + reach[None] * np.tan(elevations(height)[first:last])[:, None]).astype(np.float32)
    u = np.broadcast_to(along.astype(np.float32)[None], z.shape)
    footprint = float(np.median(reach)) * 2 * math.pi / width

    albedo = MATERIALS[wall.material](u, z, footprint, wall)
    glow = np.zeros_like(albedo)
    if wall.height_m > 2.4 and wall.material not in ("hedge", "fence"):
        lit = (0.035, 0.022, 0.011) if facade.lighting.lamps else (0.0, 0.0, 0.0)
        albedo, glow = openings(u, z, footprint, wall, albedo, horizon * (0.5 if facade.lighting.lamps else 1.0), lit)
    normal = (-math.sin(wall.azimuth), -math.cos(wall.azimuth), 0.0)
    ambient, sun = facade(normal)
    top = _tops(u[0], footprint, wall, roof)
    eaves = np.full(len(columns), wall.height_m) if roof.kind != "gable" else top
    under_eaves = 0.45 * np.exp(-np.maximum(eaves - z, 0) / 0.35) if roof.kind != "none" else np.zeros_like(z)
    light = toned(ambient, 1 - 0.45 * np.exp(-np.maximum(z, 0) / 0.45) - 0.6 * under_eaves)
    light += toned(sun, 1 - np.minimum(1.6 * under_eaves, 0.9))
    if facade.lighting.lamps:
        x = wall.distance_m * math.sin(wall.azimuth) + u * math.cos(wall.azimuth)
        y = wall.distance_m * math.cos(wall.azimuth) - u * math.sin(wall.azimuth)
        light += lamp_light(x, y, z, normal, facade.lighting.lamps)
    radiance: Array = albedo * light / np.float32(math.pi) + glow
    radiance = _roofed(radiance, u, z, footprint, wall, roof, eaves, light, facade)
    pixel = reach[None] * (math.pi / height)
    cover = np.clip((top[None] - z) / pixel + 0.5, 0, 1) * np.clip(z / pixel + 0.5, 0, 1)
    if wall.material == "hedge":
        leaf = sample(0.2, wall.seed + 6, u, z, 0.03, footprint)
        cover = cover * np.clip((top[None] - z + 0.07 * leaf) / 0.09, 0, 1)
    pale = np.full(z.shape, min(float(np.median(reach)) / FARTHEST_M, 0.3))
    if roof.kind == "slope":
        _raise_roof(image, wall, roof, facade, haze)
    image[first:last, columns] = mix(image[first:last, columns], mix(radiance, haze, pale), cover)


def _raise_roof(image: Array, wall: Wall, roof: _Roof, facade: Facade, haze: Array) -> None:
    """Draw the slope above a wall as it leans away, and a chimney on its ridge, in place.

    From near one sees nothing of it; from far away its ends run together, as its ridge is farther off.
    """
    height, width = image.shape[:2]
    run, far = roof.run_m, wall.distance_m + roof.run_m
    steep, up = roof.rise_m / run, wall.height_m - EYE_HEIGHT_M
    left, right = -wall.left_m - roof.over_m, wall.right_m + roof.over_m
    off = np.mod(azimuths(width) - wall.azimuth + math.pi, 2 * math.pi) - math.pi
    tangent = np.tan(np.clip(off, -1.5, 1.5))
    ends = [edge / away for edge in (left, right) for away in (wall.distance_m, far)]
    columns = np.nonzero((np.abs(off) < 1.5) & (tangent > min(ends)) & (tangent < max(ends)))[0]
    if len(columns) < 2:
        return
    aside = tangent[columns]
    level = np.hypot(1.0, aside)  # of the way to a place, a metre of it towards the wall
    tops = (up + roof.rise_m + 1.5) / (far * level.min())
    first = max(int((0.5 - math.atan(tops) / math.pi) * height) - 1, 0)
    lowest = up / (wall.distance_m * level.max())
    last = min(int((0.5 - math.atan(lowest) / math.pi) * height) + 2, height // 2)
    if first >= last:
        return
    rise = (np.tan(elevations(height)[first:last])[:, None] * level).astype(np.float32)  # a metre towards the wall
    footprint = math.hypot(far, far * float(np.median(np.abs(aside)))) * 2 * math.pi / width
    away = (wall.distance_m * steep - up) / np.maximum(steep - rise, 1e-4)
    u, z = away * aside, EYE_HEIGHT_M + rise * away
    cover = within(z, wall.height_m, wall.height_m + roof.rise_m, max(footprint * 0.7, 1e-3))
    cover = cover * within(u, left, right, footprint) * (steep > rise) * (away >= wall.distance_m)
    slope = _roof(u, wall.height_m + (z - wall.height_m) * math.hypot(1, 1 / steep), footprint, wall, facade)
    ridge = within(z, wall.height_m + roof.rise_m - 0.1, wall.height_m + roof.rise_m, footprint)
    verge = 1 - within(u, left + 0.12, right - 0.12, footprint)
    slope = mix(slope, slope * 1.3, ridge)
    slope = mix(slope, slope * 0.6, verge)
    pale = np.full(z.shape, min(far / FARTHEST_M, 0.3))
    box = image[first:last, columns]
    if wall.material in HOUSE and wall.seed % 3 > 0 and wall.roof is None:
        at = right - 0.2 * (1 + wall.seed % 3) * (right - left)
        beside, above = far * aside - at, EYE_HEIGHT_M + far * rise - wall.height_m - roof.rise_m
        stack = within(beside, -0.42, 0.42, footprint) * within(above, -0.3, 0.9, footprint)
        pots = np.maximum(within(beside, -0.3, -0.05, footprint), within(beside, 0.05, 0.3, footprint))
        stack = np.maximum(stack, pots * within(above, 0.5, 1.2, footprint))
        ambient, sun = facade((-math.sin(wall.azimuth), -math.cos(wall.azimuth), 0.0))
        brick = np.array([0.16, 0.085, 0.06]) * (ambient + sun) / math.pi
        box = mix(box, mix(toned(brick, 1 + 0 * z), haze, pale), stack)
    image[first:last, columns] = mix(box, mix(slope, haze, pale), cover)


@dataclass(frozen=True, slots=True)
class _Roof:
    """What ends a wall above: a slope with its eaves towards us, a gable, a kerb of sheet or stone (`coping`), or
    nothing. Its ridge stands `rise_m` above the eaves and `run_m` behind them, half the building's depth; it reaches
    `over_m` beyond the ends."""

    kind: Literal["slope", "gable", "coping", "none"]
    rise_m: float = 0.0
    run_m: float = 4.0
    over_m: float = 0.2


def _roof_of(wall: Wall) -> _Roof:
    if wall.roof is not None:
        return _Roof(*wall.roof)
    if wall.material in ("hedge", "fence"):
        return _Roof("none")
    if wall.height_m <= 2.4:
        return _Roof("coping")
    long_m, number, deep = wall.left_m + wall.right_m, wall.seed % 8, 3.0 + wall.seed % 4
    if wall.material in HOUSE:
        if long_m < 11 and number < 3:
            return _Roof("gable", min((0.36 + 0.02 * number) * long_m, 4.5), deep)
        rise = (0.25 + 0.04 * (wall.seed % 4)) * wall.height_m
        return _Roof("slope", rise, max(1.6 * rise, deep))
    if long_m < 18 and number < 4:
        return _Roof("gable", min(0.13 * long_m, 2.6), deep)
    return _Roof("slope", 0.12 * wall.height_m, deep) if number < 7 else _Roof("coping", 0.0, deep)


def _tops(u: Array, footprint: float, wall: Wall, roof: _Roof) -> Array:
    """How high (columns,) the wall with its roof stands along `u`, m."""
    top = np.full(u.shape, wall.height_m)
    to_end = np.minimum(u + wall.left_m, wall.right_m - u)
    if roof.kind == "gable":
        return np.asarray(top + roof.rise_m * np.clip(to_end / ((wall.left_m + wall.right_m) / 2), 0, 1))
    if roof.kind == "slope":
        return np.asarray(top + 0.05)  # the gutter's lip
    if wall.material == "hedge":
        shoots = sample(0.5, wall.seed + 6, u[None], u[None] * 0, 0.05, footprint)[0]
        top = top + 0.09 * wall.height_m * sample(1.1, wall.seed + 5, u[None], u[None] * 0, 0.06, footprint)[0]
        return np.asarray(top + 0.05 * np.maximum(shoots, 0))
    if wall.material == "fence":
        post = stripes(u, POST_M, 0.11, footprint)
        return np.asarray(top + 0.035 * (hashed(np.floor(u / 0.125), seed=wall.seed + 5) - 0.5) + 0.08 * post)
    return np.asarray(top)


def _roofed(
    radiance: Array, u: Array, z: Array, footprint: float, wall: Wall, roof: _Roof, eaves: Array, light: Array,
    facade: Facade,
) -> Array:  # fmt: skip
    """The wall's radiance with roof, boards, gutter and down pipes or coping laid over it."""
    above = z - eaves

    def band(low: float, high: float) -> Array:
        return within(above, low, high, footprint)

    if roof.kind == "slope":
        board = np.asarray(FRAME_COLOURS[wall.seed % len(FRAME_COLOURS)])
        radiance = mix(radiance, board * light / math.pi, band(-0.22, -0.06))
        radiance = mix(radiance, 0.05 * light / math.pi, band(-0.07, 0.05))  # gutter
        for at in (-wall.left_m + 0.3, wall.right_m - 0.35):
            pipe = within(u, at - 0.04, at + 0.04, max(footprint, 0.02)) * (above < -0.1)
            shade = within(u, at + 0.04, at + 0.12, max(footprint, 0.02)) * (above < -0.1)
            radiance = mix(mix(radiance, 0.6 * radiance, shade), 0.09 * light / math.pi, pipe)
    elif roof.kind == "gable":
        board = np.asarray(FRAME_COLOURS[(wall.seed + 1) % len(FRAME_COLOURS)])
        radiance = mix(radiance, board * light / math.pi, band(-0.3, -0.1))
        radiance = mix(radiance, 0.07 * light / math.pi, band(-0.1, 0.5))  # edge of the tiles or sheets
    elif roof.kind == "coping":
        tall = 0.09 if wall.height_m <= 2.4 else 0.18
        stone = np.asarray((0.36, 0.35, 0.32)) if wall.height_m <= 2.4 else np.asarray((0.2, 0.21, 0.22))
        joint = 1 - 0.4 * stripes(u, 0.6, 0.012, footprint)
        radiance = mix(radiance, toned(stone, joint) * light * np.float32(1.15 / math.pi), band(-tall, 1.0))
        radiance = mix(radiance, 0.5 * radiance, within(above, -tall - 0.07, -tall, max(footprint, 0.02)) * 0.8)
    return radiance


def _roof(u: Array, z: Array, footprint: float, wall: Wall, facade: Facade) -> Array:
    """Tiles, slates or sheets on the slope above a wall, lit as the slope they are."""
    ambient, sun = facade((-0.75 * math.sin(wall.azimuth), -0.75 * math.cos(wall.azimuth), 0.66))
    light = (ambient + sun) / math.pi
    moss = np.clip(sample(1.2, wall.seed + 2, u, z * 2, 0.06, footprint), -1, 2) * 0.14
    if wall.material not in HOUSE:
        sheet = np.asarray(SHEETS[wall.seed % len(SHEETS)])
        wave = 1 + 0.25 * np.cos(2 * math.pi * u / 0.19) * min(0.06 / footprint, 1) + moss + 0 * z
        return toned(sheet * light, wave)
    tiles = np.asarray(wall.colour) * 0.3 + 0.03 if wall.seed % 2 else np.array([0.07, 0.072, 0.078])
    rows = stripes(z, 0.14, 0.04, footprint) * 0.35
    each = 1 + 0.4 * (hashed(np.floor(u / 0.28), np.floor(z / 0.14), seed=wall.seed) - 0.5) * min(0.12 / footprint, 1)
    broad = 0.12 * sample(1.3, wall.seed + 3, u, z * 2, 0.15, footprint)
    return toned(tiles * light, (1 - rows) * (each + moss + broad))


# --- things -------------------------------------------------------------------------------------------------------


def _furnish(
    image: Array, rng: np.random.Generator, facade: Facade, horizon: Array, walls: list[Wall], scene: str, plan: Array
) -> list[tuple[float, float, float]]:
    """Parked vehicles, things along the walls and lamps, far ones first, in place; returns where they stand: azimuth,
    distance and half the width, m."""
    stands = []
    most = {"yard": 4, "street": 7, "drive": 2, "field": 1, "car_park": 12}[scene]
    vehicles = int(rng.integers(0, most + 1))
    places = [(float(rng.uniform(0, 2 * math.pi)), float(rng.uniform(17, 32)), True) for _ in range(vehicles)]
    for wall in walls:
        left, right = max(-wall.left_m, -12.0), min(wall.right_m, 12.0)
        if wall.distance_m < 22 and left < right and scene != "field":
            for _ in range(int(rng.integers(0, 4))):
                u = float(rng.uniform(left, right))
                before = wall.distance_m - float(rng.uniform(0.4, 0.9))
                places.append((wall.azimuth + math.atan2(u, before), math.hypot(u, before), False))
    for azimuth, distance, is_vehicle in sorted(places, key=lambda place: -place[1]):
        azimuth %= 2 * math.pi
        normal = (-math.sin(azimuth), -math.cos(azimuth), 0.0)
        place = (math.sin(azimuth) * distance, math.cos(azimuth) * distance, 1.0)
        ambient, sun = facade(normal, place)
        if is_vehicle:
            cut_out, wide_m, tall_m = parked(rng, horizon + 0.1 * ambient, ambient, sun)
        else:
            cut_out, wide_m, tall_m = clutter(rng, ambient, sun)
        shade_under(image, azimuth, distance, wide_m, plan)
        paste(image, cut_out, azimuth, distance, (wide_m, tall_m), plan)
        stands.append((azimuth, distance, wide_m / 2))
    ambient, _ = facade((0.0, -1.0, 0.0))
    for lamp in facade.lighting.lamps:
        _lamp_post(image, lamp, ambient, plan)
    return stands


@dataclass(frozen=True, slots=True)
class _Wires:
    """Poles and wires that pass by: how much of each pixel they cover (rows, columns), their radiance (3), how far away
    they are in each column (infinite where they are not), and where poles stand: azimuth, distance, half the width, m.
    """

    cover: Array
    radiance: Array
    away_m: Array
    poles: list[tuple[float, float, float]]


def _string(image: Array, wires: _Wires, columns: npt.NDArray[np.bool_]) -> None:
    """Draw wires in some columns, in place."""
    rows = slice(0, len(wires.cover))
    image[rows] = mix(image[rows], wires.radiance, wires.cover * columns)


def _wires(rng: np.random.Generator, facade: Facade, height: int) -> _Wires:
    """A line of wooden poles that passes by, with crossbars and sagging wires, for a picture of that height."""
    width = 2 * height
    ambient, sun = facade((0.0, -1.0, 0.0))
    dark = 0.05 * (ambient + 0.3 * sun) / math.pi
    turn, aside = float(rng.uniform(0, 2 * math.pi)), float(rng.uniform(13, 40))
    gap, tall, first = float(rng.uniform(28, 42)), float(rng.uniform(6.5, 9)), float(rng.uniform(0, 30))
    along = np.arange(-4, 5) * gap + first
    feet = np.stack(
        [aside * math.cos(turn) - along * math.sin(turn), aside * math.sin(turn) + along * math.cos(turn)], 1
    )
    bar = np.array([math.cos(turn), math.sin(turn)]) * 0.55
    cover = np.zeros((height, width), np.uint8)

    def draw(points: Array, thick: int, strength: int) -> None:
        azimuth = np.unwrap(np.arctan2(points[:, 0], points[:, 1]))
        level = np.arctan2(points[:, 2] - EYE_HEIGHT_M, np.hypot(points[:, 0], points[:, 1]))
        place = np.stack([azimuth / (2 * math.pi) * width, (0.5 - level / math.pi) * height], 1)
        for turns in (-1, 0, 1):
            moved = np.round((place + np.array([turns * width, 0])) * 16).astype(np.int32)
            cv2.polylines(cover, [moved], False, strength, thick, cv2.LINE_AA, 4)

    share = np.linspace(0, 1, 24)[:, None]
    for side in (-1.0, 0.0, 1.0):
        for one, other in pairwise(feet):
            span = (one + bar * side) * (1 - share) + (other + bar * side) * share
            draw(np.column_stack([span, tall - 0.9 * 4 * share * (1 - share)]), 1, 40)
    for foot in feet:
        thick = max(round(0.22 / math.hypot(*foot) * width / (2 * math.pi)), 1)
        draw(np.array([[*foot, 0.0], [*foot, tall + 0.3]]), thick, 255)
        draw(np.array([[*(foot - bar * 1.1), tall], [*(foot + bar * 1.1), tall]]), 1, 255)
    away = np.cos(azimuths(width) - math.atan2(math.cos(turn), math.sin(turn)))
    away_m = np.where(away > 0.02, aside / np.maximum(away, 0.02), np.inf)
    poles = [(math.atan2(x, y), math.hypot(x, y), 0.15) for x, y in feet]
    return _Wires(cover[: height // 2 + height // 12].astype(np.float32) / 255, dark, away_m, poles)


def _post(image: Array, azimuth: float, distance_m: float, height_m: float, light: Array, plan: Array) -> None:
    post = np.zeros((64, 8, 4), np.float32)
    post[:, 2:6, :3] = (0.12 * light / math.pi) * np.array([0.6, 1.1, 0.9, 0.5])[None, :, None]
    post[:, 2:6, 3] = 1
    paste(image, post, azimuth, distance_m, (0.2, height_m), plan)


def _lamp_post(image: Array, lamp: Lamp, light: Array, plan: Array) -> None:
    """The post and the bright head of a lamp, in place."""
    x, y, z = lamp.position_m
    azimuth, distance = math.atan2(x, y) % (2 * math.pi), math.hypot(x, y)
    _post(image, azimuth, distance, z, light + 0.02, plan)
    head = np.zeros((16, 16, 4), np.float32)
    cv2.ellipse(head, (8, 8), (6, 4), 0, 0, 360, (1, 1, 1, 1), -1)
    head[..., :3] *= np.asarray(lamp.intensity_kcd, np.float32) / np.float32(0.1)  # a head of 0.1 m²
    paste(image, head, azimuth, distance, (0.7, 0.35), plan, foot_m=z - 0.2)
