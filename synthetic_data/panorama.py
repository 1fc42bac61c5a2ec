"""Equirectangular pictures and the light they give.

World axes: x east, y north, z up, metres; the eye stands at (0, 0, EYE_HEIGHT_M). Column c of a panorama of width W
looks towards azimuth 2π(c + 0.5)/W, clockwise from north; row r of height H to elevation π/2 − π(r + 0.5)/H. Luminance
is in kcd/m², illuminance in klx, per linear sRGB channel.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.floating[Any]]
Colour = tuple[float, float, float]
Vector = tuple[float, float, float]
EYE_HEIGHT_M = 1.5
DOME = (128, 64)  # width and height at which light is integrated: skies are smooth


def azimuths(width: int) -> Array:
    """Azimuth (rad) of each column."""
    return np.asarray((np.arange(width) + 0.5) * (2 * math.pi / width))


def elevations(height: int) -> Array:
    """Elevation (rad) of each row."""
    return np.asarray(math.pi / 2 - (np.arange(height) + 0.5) * (math.pi / height))


def directions(width: int, height: int) -> Array:
    """Unit vectors (H, W, 3) of a panorama's pixels."""
    azimuth, elevation = azimuths(width)[None], elevations(height)[:, None]
    level = np.cos(elevation)
    vectors = np.empty((height, width, 3))
    vectors[..., 0], vectors[..., 1], vectors[..., 2] = (
        level * np.sin(azimuth),
        level * np.cos(azimuth),
        np.sin(elevation),
    )
    return vectors


def solid_angles(width: int, height: int) -> Array:
    """Solid angle (sr) of the pixels of each row, (H, 1)."""
    return np.asarray(np.cos(elevations(height))[:, None] * (2 * math.pi / width) * (math.pi / height))


def irradiance(image: Array, normal: Vector) -> Array:
    """Illuminance per channel (3) on a plane with `normal`: integral of L cosθ over the panorama."""
    small = cv2.resize(image, DOME, interpolation=cv2.INTER_AREA).astype(np.float64)
    cosine = np.maximum(directions(*DOME) @ np.asarray(normal), 0)
    return np.asarray((small * (cosine * solid_angles(*DOME))[..., None]).sum(axis=(0, 1)))


@dataclass(frozen=True, slots=True)
class Lamp:
    """A small light at `position_m` of `intensity_kcd` per channel, shining mostly down."""

    position_m: Vector
    intensity_kcd: Colour


@dataclass(frozen=True, slots=True)
class Lighting:
    """What lights a place: sky panorama (H, W, 3) of which the upper half counts, sun (klx facing it), lamps."""

    sky: Array = field(repr=False)
    sun_direction: Vector | None
    sun_irradiance: Colour
    lamps: tuple[Lamp, ...] = ()

    def on_ground(self) -> tuple[Array, Array]:
        """Illuminance (3) of level ground from the sky, and from the sun where nothing shades it."""
        sun = np.zeros(3)
        if self.sun_direction is not None:
            sun = np.asarray(self.sun_irradiance) * max(self.sun_direction[2], 0.0)
        return irradiance(upper_half(self.sky), (0.0, 0.0, 1.0)), sun


def upper_half(sky: Array) -> Array:
    """The sky at dome size, black below the horizon."""
    dome = cv2.resize(sky, DOME, interpolation=cv2.INTER_AREA)
    dome[DOME[1] // 2 :] = 0
    return np.asarray(dome)


class Facade:
    """Light on upright and level things of one place, worked out once: sky, bounce from the ground, sun, lamps."""

    def __init__(self, lighting: Lighting, ground_albedo: Array) -> None:
        self.lighting = lighting
        self._dome = upper_half(lighting.sky) * solid_angles(*DOME)[..., None]
        sky, sun = lighting.on_ground()
        self.bounce = (sky + sun) * ground_albedo
        self._directions = directions(*DOME)

    def __call__(self, normal: Vector, place_m: Vector | None = None) -> tuple[Array, Array]:
        """Illuminance (3) on a plane from everything but the sun, and from the sun; lamps count at `place_m`."""
        cosine = np.maximum(self._directions @ np.asarray(normal), 0)
        ambient = np.tensordot(cosine, self._dome) + self.bounce * (1 - normal[2]) / 2
        if place_m is not None and self.lighting.lamps:
            ambient = ambient + lamp_light(*place_m, normal, self.lighting.lamps)
        sun = np.zeros(3)
        if self.lighting.sun_direction is not None:
            sun = np.asarray(self.lighting.sun_irradiance) * max(
                float(np.dot(normal, self.lighting.sun_direction)), 0.0
            )
        return ambient, sun


def lamp_light(
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    z: npt.ArrayLike,
    normal: tuple[Array | float, Array | float, Array | float],
    lamps: tuple[Lamp, ...],
) -> Array:
    """Illuminance (..., 3) of lamps at places with a normal; a lamp shines with the cosine of the angle from down."""
    total = np.zeros((*np.broadcast_shapes(np.shape(x), np.shape(y), np.shape(z)), 3), np.float32)
    for lamp in lamps:
        dx = lamp.position_m[0] - np.asarray(x)
        dy = lamp.position_m[1] - np.asarray(y)
        dz = lamp.position_m[2] - np.asarray(z)
        square = np.maximum(dx * dx + dy * dy + dz * dz, 0.05)
        distance = np.sqrt(square)
        cosine = np.maximum((dx * normal[0] + dy * normal[1] + dz * normal[2]) / distance, 0)
        down = 0.06 + 0.94 * np.maximum(dz / distance, 0)
        total += (cosine * down / square)[..., None].astype(np.float32) * np.asarray(lamp.intensity_kcd, np.float32)
    return total
