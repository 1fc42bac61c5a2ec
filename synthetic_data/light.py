"""The light a vehicle stands in: skies, panoramas, garages, forecourts at night.

Every environment is one equirectangular picture and one sun, so that all scenes have the same structure. Axes and
layout are those of `synthetic_data.panorama`: z up, azimuth clockwise from north (y), column 0 looks north. Luminance
in kcd/m², illuminance in klx, per linear sRGB channel. In Mitsuba: an `envmap` with `to_world` = rotation by 90°
about x, and a `directional` emitter with `direction` = -sun_direction and `irradiance` = sun_irradiance.
"""

from __future__ import annotations

import math
import os
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Annotated, Literal

import cv2
import numpy as np
import numpy.typing as npt
from pydantic import Field

from pipeline.configuration import Config, load, shipped
from pipeline.errors import ConfigError
from synthetic_data.camera import LUMINANCE, XYZ_TO_SRGB, Range, Share, decode_srgb, illuminant_gains, illuminant_rgb
from synthetic_data.garage import garage, hall
from synthetic_data.outdoors import outdoors
from synthetic_data.panorama import DOME, Array, Lamp, Lighting, directions, irradiance, solid_angles
from synthetic_data.skyline import SkylineSettings, skyline
from synthetic_data.textures import GROUNDS, mix

Kind = Literal["panorama", "clear", "cloudy", "overcast", "garage", "forecourt"]
KINDS: tuple[Kind, ...] = ("panorama", "clear", "cloudy", "overcast", "garage", "forecourt")
PANORAMA_SUFFIXES = (".exr", ".hdr")
PHOTO_SUFFIXES = (".jpg", ".jpeg", ".png", ".webp")
SUN_RADIUS_RAD = math.radians(0.5358 / 2)  # mean apparent diameter 0.5358° (Mitsuba 3, `sunsky`)
PANORAMA_REACH_M = 10.0  # nobody knows; a room's walls and a street's edges are about there
CLIPPED = 100  # times the median of a panorama
BARE_DEG = 25.0  # of sky that are drawn down over land
LARGEST_SUN_SR = 0.006  # a spot 5° across: what is left of a sun in a small panorama
SOLAR_ILLUMINANCE_KLX = 127.5  # outside the atmosphere; IES Lighting Handbook, 8th ed., daylighting (from memory)


class SunSettings(Config):
    elevation_deg: Range
    turbidity: Range
    cloud_cover: Range
    hidden_probability: Share


class OvercastSettings(Config):
    darkening: Range
    unevenness: Range


class ForecourtSettings(Config):
    lamps: tuple[int, int]
    distance_m: Range
    height_m: Range
    intensity_cd: Range
    temperature_k: Range
    sky_cd_m2: Range


class PanoramaSettings(Config):
    held_out: tuple[str, ...]
    illuminance_lux: dict[str, Range]
    white_balance_mired: float = Field(ge=0)
    sun_contrast: float = Field(gt=1)
    open_sky: dict[str, Annotated[float, Field(gt=0, lt=90 - BARE_DEG)]]


class LightSettings(Config):
    """Everything in `configs/synthesis/light.yaml`."""

    shares: dict[Kind, Share]
    width_px: Annotated[int, Field(ge=64, multiple_of=4)]
    sun: SunSettings
    overcast: OvercastSettings
    forecourt: ForecourtSettings
    panorama: PanoramaSettings
    scenes: SkylineSettings
    open_door_probability: Share


def light_settings() -> LightSettings:
    """The shipped settings. Raises ConfigError where the file does not hold."""
    return load(shipped("synthesis", "light.yaml"), LightSettings)


@dataclass(frozen=True, slots=True)
class Environment:
    """One place and its light.

    `image` float32 (H, 2H, 3), kcd/m², without the sun's disk; `sun_direction` points to the sun (unit, z up) or is
    None and then `sun_irradiance` is 0; `illuminance_lux` on a horizontal plane, sun included; `ground` a key of
    textures.GROUNDS (None where the picture has a ground of its own), `ground_seed` continues it in `ground_texture`;
    `reach_m` (2H,) is how far level ground reaches in each column, infinite where no wall ends it.
    """

    kind: Kind
    name: str
    image: Array = field(repr=False)
    sun_direction: tuple[float, float, float] | None
    sun_irradiance: tuple[float, float, float]
    illuminance_lux: float
    ground: str | None
    ground_seed: int
    reach_m: Array = field(repr=False)
    indoors: bool = False

    @property
    def on_ground(self) -> Array:
        """Irradiance (3,) of level ground, sun included, in the picture's units × sr."""
        light = irradiance(self.image, (0.0, 0.0, 1.0))
        if self.sun_direction is None:
            return light
        return light + np.asarray(self.sun_irradiance) * max(self.sun_direction[2], 0.0)

    @property
    def sun_elevation_deg(self) -> float | None:
        """Of the sun over a made-up sky; None where none shines or, in a photographed panorama, a lamp may."""
        if self.sun_direction is None or self.kind == "panorama":
            return None
        return math.degrees(math.asin(min(max(self.sun_direction[2], -1.0), 1.0)))

    def with_sun_in_image(self) -> Environment:
        """The same light with the sun drawn into the picture as a disk (no directional emitter needed)."""
        if self.sun_direction is None:
            return self
        height, width = self.image.shape[:2]
        radius = max(SUN_RADIUS_RAD, 1.2 * math.pi / height)
        middle, reach = 0.5 - math.asin(self.sun_direction[2]) / math.pi, radius / math.pi  # shares of the height
        rows = slice(max(int((middle - reach) * height) - 1, 0), int((middle + reach) * height) + 2)
        cosine = directions(width, height)[rows] @ np.asarray(self.sun_direction)
        disk = np.clip((radius - np.arccos(np.clip(cosine, -1, 1))) / (math.pi / height) + 0.5, 0, 1)
        disk /= float((disk * solid_angles(width, height)[rows] * np.maximum(cosine, 0)).sum())
        image = self.image.copy()
        image[rows] += (disk[..., None] * np.asarray(self.sun_irradiance)).astype(np.float32)
        return replace(self, image=image, sun_direction=None, sun_irradiance=(0.0, 0.0, 0.0))


# --- skies --------------------------------------------------------------------------------------------------------


def overcast_sky(sin_elevation: npt.ArrayLike, zenith_luminance: float) -> Array:
    """Luminance of the CIE standard overcast sky: Lz (1 + 2 sin γ) / 3 above the horizon, 0 below.

    ISO 15469:2004 / CIE S 011 (the traditional overcast sky, type 16); Moon and Spencer 1942.
    """
    sine = np.asarray(sin_elevation, np.float64)
    return np.where(sine >= 0, zenith_luminance * (1 + 2 * sine) / 3, 0.0)


def clear_sky(direction: Array, sun_direction: tuple[float, float, float], turbidity: float) -> Array:
    """Radiance (…, 3), linear sRGB in kcd/m², of a clear sky in `direction` (…, 3); the horizon goes on below it.

    Luminance is distributed as in ISO 15469:2004 / CIE S 011, between type 12 (clear, turbidity 2) and 13 (polluted,
    from turbidity 4.5), and lights level ground with `clear_illuminance_klx`. Chromaticity is that of Preetham,
    Shirley, Smits (1999), "A practical analytic model for daylight", appendix A.2 (coefficients of both from memory,
    checked against Mitsuba's `sunsky` in the tests).
    """
    sin_sun = min(max(sun_direction[2], 0.02), 1.0)
    zenith_sun = math.acos(sin_sun)
    relative = _clear_luminance(direction, sun_direction, turbidity)
    dome = directions(*DOME)[: DOME[1] // 2]
    weight = dome[..., 2] * solid_angles(*DOME)[: DOME[1] // 2]
    level = float((_clear_luminance(dome, sun_direction, turbidity) * weight).sum())
    luminance = relative * (clear_illuminance_klx(math.asin(sin_sun), turbidity) / level)

    t = 2 + 0.4 * (turbidity - 2)  # this model yellows the horizon of a hazy sky more than later ones do
    cos_theta = np.maximum(direction[..., 2], 0.01)
    cos_gamma = np.clip(direction @ np.asarray(sun_direction), -1, 1)
    gamma = np.arccos(cos_gamma)
    chromaticity = []
    for table, (a, b, c, d, e) in zip(PREETHAM_ZENITH, _preetham_coefficients(t), strict=True):
        at_zenith = float(np.array([t * t, t, 1.0]) @ table @ np.array([zenith_sun**3, zenith_sun**2, zenith_sun, 1.0]))
        here = (1 + a * np.exp(b / cos_theta)) * (1 + c * np.exp(d * gamma) + e * cos_gamma**2)
        there = (1 + a * math.exp(b)) * (1 + c * math.exp(d * zenith_sun) + e * math.cos(zenith_sun) ** 2)
        chromaticity.append(at_zenith * here / there)
    x, y = chromaticity
    xyz = np.stack([luminance * x / y, luminance, luminance * (1 - x - y) / y], axis=-1)
    return np.asarray(np.maximum(xyz @ XYZ_TO_SRGB.T, 0))


PREETHAM_ZENITH = (
    np.array(
        [
            [0.00166, -0.00375, 0.00209, 0.0],
            [-0.02903, 0.06377, -0.03202, 0.00394],
            [0.11693, -0.21196, 0.06052, 0.25886],
        ]
    ),
    np.array(
        [
            [0.00275, -0.00610, 0.00317, 0.0],
            [-0.04214, 0.08970, -0.04153, 0.00516],
            [0.15346, -0.26756, 0.06670, 0.26688],
        ]
    ),
)


def _preetham_coefficients(t: float) -> tuple[tuple[float, float, float, float, float], ...]:
    """Distribution coefficients A to E of x and y at turbidity `t`."""
    return (
        (-0.0193 * t - 0.2592, -0.0665 * t + 0.0008, -0.0004 * t + 0.2125, -0.0641 * t - 0.8989, -0.0033 * t + 0.0452),
        (-0.0167 * t - 0.2608, -0.0950 * t + 0.0092, -0.0079 * t + 0.2102, -0.0441 * t - 1.6537, -0.0109 * t + 0.0529),
    )


def _clear_luminance(direction: Array, sun_direction: tuple[float, float, float], turbidity: float) -> Array:
    """Relative luminance φ(Z) f(χ) of ISO 15469:2004, eq. 1 to 3, types 12 to 13."""
    haze = min(max((turbidity - 2.0) / 2.5, 0.0), 1.0)
    c, e = 10 + 6 * haze, 0.45 - 0.15 * haze
    gradation = 1 - np.exp(-0.32 / np.maximum(direction[..., 2], 0.01))
    cosine = np.clip(direction @ np.asarray(sun_direction), -1, 1)
    indicatrix = 1 + c * (np.exp(-3 * np.arccos(cosine)) - math.exp(-1.5 * math.pi)) + e * cosine**2
    return np.asarray(gradation * indicatrix)


def clear_illuminance_klx(sun_elevation_rad: float, turbidity: float) -> float:
    """Illuminance of level ground from a clear sky without the sun: 0.8 + 15.5 √sin γ klx at turbidity 2.5.

    Gillette and Pierpont 1982, as in the IES Lighting Handbook, 8th ed. (from memory). More haze scatters more of the
    sun's light into the sky; the growth with turbidity is common practice, no source.
    """
    return float((0.8 + 15.5 * math.sqrt(math.sin(sun_elevation_rad))) * (turbidity / 2.5) ** 0.6)


def sun_irradiance(elevation_rad: float, turbidity: float) -> Array:
    """Illuminance (3), klx per linear sRGB channel, of the sun on a plane facing it.

    Transmission of the atmosphere at 610, 550 and 465 nm: Rayleigh, aerosol (Ångström, alpha 1.3) and ozone (0.35
    cm), with Kasten's optical air mass; Preetham et al. 1999, appendix A.1 (formulae from memory).
    """
    theta_deg = 90 - math.degrees(elevation_rad)
    mass = 1 / (max(math.sin(elevation_rad), 0.01) + 0.15 * max(93.885 - theta_deg, 0.1) ** -1.253)
    wavelength_um = np.array([0.610, 0.550, 0.465])
    rayleigh = 0.008735 * wavelength_um**-4.08
    aerosol = (0.04608 * turbidity - 0.04586) * wavelength_um**-1.3
    ozone = 0.35 * np.array([0.120, 0.085, 0.006])
    outside = illuminant_rgb(5900) / float(illuminant_rgb(5900) @ LUMINANCE) * SOLAR_ILLUMINANCE_KLX
    return np.asarray(outside * np.exp(-mass * (rayleigh + aerosol + ozone)))


def overcast_illuminance_klx(sun_elevation_rad: float) -> float:
    """Horizontal illuminance under a fully overcast sky: 0.3 + 21 sin γ klx.

    Gillette and Pierpont 1982, as in the IES Lighting Handbook, 8th ed. (from memory).
    """
    return 0.3 + 21 * math.sin(sun_elevation_rad)


# --- drawing an environment ---------------------------------------------------------------------------------------


def sample_environment(
    rng: np.random.Generator,
    settings: LightSettings,
    *,
    kind: Kind | None = None,
    panoramas: Path | None = None,
    scenes: Path | None = None,
    held_out: bool = False,
) -> Environment:
    """Draw one place with its light.

    `panoramas` is a folder of .exr/.hdr files: with `held_out` only those named in the settings are used, without it
    only the others. `scenes` is a folder of photos for far backdrops. Raises ConfigError where `kind` is panorama and
    there is none.
    """
    files = panorama_files(panoramas, settings, held_out=held_out)
    if kind is None:
        kinds = [name for name in KINDS if settings.shares.get(name, 0) > 0 and (files or name != "panorama")]
        weights = np.array([settings.shares[name] for name in kinds])
        kind = kinds[int(rng.choice(len(kinds), p=weights / weights.sum()))]
    if kind == "panorama":
        if not files:
            raise ConfigError(
                panoramas or "panoramas", "there is no panorama to use", "name a folder of .exr or .hdr files"
            )
        return _panorama(rng, files[int(rng.integers(len(files)))], settings)
    land, wide_deg = _far_land(rng, scenes, settings.scenes), settings.scenes.width_deg
    ground = _ground(rng)
    ground_seed = int(rng.integers(1, 2**20))
    if kind == "garage":
        outside = None
        if rng.random() < settings.open_door_probability:
            lighting, _ = _sky(rng, "overcast" if rng.random() < 0.5 else "clear", settings)
            outside, _ = outdoors(
                rng, lighting, ground, ground_seed, width=settings.width_px // 2, land=land, wide_deg=wide_deg
            )
        image, floor_klx, reach = garage(rng, outside, ground_seed, width=settings.width_px)
        return Environment(
            kind, kind, image, None, (0.0, 0.0, 0.0), floor_klx * 1000, "concrete", ground_seed, reach, True
        )
    lighting, name = _sky(rng, kind, settings)
    image, reach = outdoors(rng, lighting, ground, ground_seed, width=settings.width_px, land=land, wide_deg=wide_deg)
    return _place(kind, name, image, lighting, ground, ground_seed, reach)


def _place(
    kind: Kind, name: str, image: Array, lighting: Lighting, ground: str, ground_seed: int, reach_m: Array, *,
    indoors: bool = False,
) -> Environment:  # fmt: skip
    level = float(irradiance(image, (0, 0, 1)) @ LUMINANCE)
    if lighting.sun_direction is not None:
        level += float(np.asarray(lighting.sun_irradiance) @ LUMINANCE) * lighting.sun_direction[2]
    sun, at = lighting.sun_irradiance, lighting.sun_direction
    return Environment(kind, name, image, at, sun, level * 1000, ground, ground_seed, reach_m, indoors)


def _sky(rng: np.random.Generator, kind: Kind, settings: LightSettings) -> tuple[Lighting, str]:
    """Sky, sun and lamps of one kind; the sky at half the final width, or a quarter without clouds: it is smooth."""
    width = settings.width_px // (4 if kind == "clear" else 2)
    height = width // 2
    direction = directions(width, height)
    elevation = math.radians(rng.uniform(*settings.sun.elevation_deg))
    azimuth = float(rng.uniform(0, 2 * math.pi))
    sun = (math.cos(elevation) * math.sin(azimuth), math.cos(elevation) * math.cos(azimuth), math.sin(elevation))
    turbidity = float(rng.uniform(*settings.sun.turbidity))
    dark = (0.0, 0.0, 0.0)
    if kind == "overcast":
        level = overcast_illuminance_klx(elevation) * float(rng.uniform(*settings.overcast.darkening))
        zenith = 9 / (7 * math.pi) * level
        tint = illuminant_rgb(float(rng.uniform(6000, 7600)))
        clouds = 1 + float(rng.uniform(*settings.overcast.unevenness)) * _clouds(rng, direction, 0.9)
        luminance = overcast_sky(np.abs(direction[..., 2]), zenith) * np.clip(clouds, 0.4, 1.8)
        return Lighting((luminance[..., None] * tint).astype(np.float32), None, dark), f"overcast {level:.1f} klx"
    if kind == "forecourt":
        return _night(rng, direction, settings.forecourt), "forecourt"
    sky = clear_sky(direction, sun, turbidity)
    direct = sun_irradiance(elevation, turbidity)
    name = f"{kind}, sun {math.degrees(elevation):.0f}°, turbidity {turbidity:.1f}"
    if kind == "cloudy":
        cover = float(rng.uniform(*settings.sun.cloud_cover))
        density = _clouds(rng, direction, 1.25)
        limit = float(np.quantile(density[: height // 2], 1 - cover))
        opacity = np.clip((density - limit) / 0.5, 0, 1) ** 0.7
        thick = np.clip((density - limit) / 1.6, 0, 1)
        lit = (direct * max(sun[2], 0.15) / math.pi + overcast_sky(1.0, 4.0) * 0.25) * 0.85
        cloud = (
            lit
            * (1.05 - 0.62 * thick[..., None])
            * (1 + 0.5 * np.maximum(direction @ np.asarray(sun), 0)[..., None] ** 6)
        )
        fade = np.clip(np.abs(direction[..., 2]) / 0.12, 0, 1) * opacity
        sky = sky * (1 - fade[..., None]) + cloud * fade[..., None]
        if rng.random() < settings.sun.hidden_probability:
            direct = direct * 0.03
            name += ", sun hidden"
    return Lighting(sky.astype(np.float32), sun, (float(direct[0]), float(direct[1]), float(direct[2]))), name


def _clouds(rng: np.random.Generator, direction: Array, roughness: float) -> Array:
    """Cloud density, mean 0 and standard deviation 1 over the dome, on a layer overhead."""
    size = 512
    frequency = np.hypot(np.fft.fftfreq(size)[:, None] * 1.0, np.fft.rfftfreq(size)[None]) * size
    frequency[0, 0] = 1
    spectrum = np.fft.rfft2(rng.standard_normal((size, size))) * frequency ** -(roughness + 0.55)
    spectrum[0, 0] = 0
    layer = np.fft.irfft2(spectrum, (size, size))
    layer = (layer / layer.std()).astype(np.float32)
    high = np.abs(direction[..., 2]) + 0.12
    map_x = np.mod(direction[..., 0] / high * 60 + 256, size).astype(np.float32)
    map_y = np.mod(direction[..., 1] / high * 60 + 256, size).astype(np.float32)
    return np.asarray(cv2.remap(layer, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP), np.float32)


def _night(rng: np.random.Generator, direction: Array, settings: ForecourtSettings) -> Lighting:
    """A dark sky and a few lamp posts."""
    low, high = settings.sky_cd_m2
    level = math.exp(rng.uniform(math.log(low), math.log(high))) / 1000
    up = np.abs(direction[..., 2:])
    glow = illuminant_rgb(2600) * np.exp(-up / 0.25) * 1.5 + illuminant_rgb(12000) * (1 + up)
    lamps = []
    lamp_colour = illuminant_rgb(float(rng.uniform(*settings.temperature_k)), float(rng.normal(0, 0.004)))
    for _ in range(int(rng.integers(settings.lamps[0], settings.lamps[1] + 1))):
        azimuth, distance = float(rng.uniform(0, 2 * math.pi)), float(rng.uniform(*settings.distance_m))
        strength = math.exp(rng.uniform(*np.log(settings.intensity_cd))) / 1000
        colour = lamp_colour * strength
        place = (math.sin(azimuth) * distance, math.cos(azimuth) * distance, float(rng.uniform(*settings.height_m)))
        lamps.append(Lamp(place, (float(colour[0]), float(colour[1]), float(colour[2]))))
    return Lighting((glow * level).astype(np.float32), None, (0.0, 0.0, 0.0), tuple(lamps))


# --- panoramas and photos -----------------------------------------------------------------------------------------


def panorama_files(folder: Path | None, settings: LightSettings, *, held_out: bool) -> tuple[Path, ...]:
    """Panoramas of a folder that belong to the training sets, or (`held_out`) those that never do."""
    if folder is None or not folder.is_dir():
        return ()
    return tuple(
        path
        for path in sorted(folder.iterdir())
        if path.suffix.lower() in PANORAMA_SUFFIXES and (path.stem in settings.panorama.held_out) == held_out
    )


def read_panorama(path: Path) -> Array:
    """A panorama as float32 (H, W, 3), linear, not negative. Raises ConfigError where it cannot be read."""
    raw: Array
    try:
        if path.suffix.lower() == ".hdr":
            raw = cv2.cvtColor(cv2.imread(os.fspath(path), cv2.IMREAD_UNCHANGED), cv2.COLOR_BGR2RGB)
        else:
            import mitsuba as mi

            if mi.variant() is None:  # the reader of Mitsuba needs some variant to be chosen
                mi.set_variant("scalar_rgb")
            raw = np.array(mi.Bitmap(os.fspath(path)).convert(mi.Bitmap.PixelFormat.RGB, mi.Struct.Type.Float32, False))
    except (RuntimeError, cv2.error):
        raise ConfigError(
            path, "it cannot be read as a panorama", "replace it by an OpenEXR or Radiance file"
        ) from None
    image = np.where(np.isfinite(raw), raw, 0).astype(np.float32)
    rung = np.asarray((image < 0).any(axis=-1))  # ringing of a down-sampler around lamps and the sun
    good = (~rung).astype(np.float32)
    around = cv2.blur(image * good[..., None], (5, 5)) / np.maximum(cv2.blur(good, (5, 5)), 1e-3)[..., None]
    image = np.maximum(np.where(rung[..., None], around, image), 0)
    strongest = image.max(axis=-1, keepdims=True)
    is_clipped = strongest > CLIPPED * np.median(
        strongest
    )  # a sun that kept one channel only: no lamp is that colourful
    return np.asarray(np.where(is_clipped, np.maximum(image, 0.8 * strongest), image), np.float32)


def enlarged(image: Array, width: int, height: int) -> Array:
    """Radiance (h, w, 3) at another size, never outside what the picture has.

    Between logarithms, and softly: beside a lamp or bright sky the lobes of a cubic reach below zero, and steps show
    as a dark dashed edge.
    """
    logs = cv2.resize(np.log(np.maximum(image, 1e-6)), (width, height), interpolation=cv2.INTER_LINEAR)
    return np.asarray(np.exp(cv2.GaussianBlur(logs, (0, 0), 0.4 * max(width / image.shape[1], 0.5))), np.float32)


def _panorama(rng: np.random.Generator, path: Path, settings: LightSettings) -> Environment:
    """A panorama turned, scaled and tinted, its sun (if any) taken out and made a directional light.

    One that is coarser than the pictures here lights a modelled place and is seen only above it.
    """
    image = read_panorama(path)
    image, sun_direction, sun = split_sun(image, settings.panorama.sun_contrast)
    is_backdrop, width = image.shape[1] >= settings.width_px, settings.width_px
    if not is_backdrop:
        width //= 2  # as any sky
    image = enlarged(image, width, width // 2)
    shift = int(rng.integers(width))
    image = np.roll(image, shift, axis=1)
    if sun_direction is not None:
        turn = shift / width * 2 * math.pi
        x, y, z = sun_direction
        sun_direction = (x * math.cos(turn) + y * math.sin(turn), -x * math.sin(turn) + y * math.cos(turn), z)
    gains = illuminant_gains(float(rng.normal(0, settings.panorama.white_balance_mired)), 0.0)
    limits = settings.panorama.illuminance_lux.get(path.stem, settings.panorama.illuminance_lux["other"])
    wanted_klx = math.exp(rng.uniform(math.log(limits[0]), math.log(limits[1]))) / 1000
    level = float(irradiance(image, (0, 0, 1)) @ LUMINANCE)
    if sun_direction is not None:
        level += float(sun @ LUMINANCE) * max(sun_direction[2], 0)
    scale = wanted_klx / max(level, 1e-9)
    sun = sun * gains * scale
    image = np.asarray(image * (gains * scale), np.float32)
    colour, seed = (float(sun[0]), float(sun[1]), float(sun[2])), int(rng.integers(1, 2**20))
    if is_backdrop:
        reach = np.full(width, PANORAMA_REACH_M)
        return Environment("panorama", path.stem, image, sun_direction, colour, wanted_klx * 1000, None, seed, reach)
    land_deg = settings.panorama.open_sky.get(path.stem)
    if land_deg is not None:
        lighting, ground = Lighting(_bare(image, land_deg), sun_direction, colour), _ground(rng)
        picture, reach = outdoors(rng, lighting, ground, seed, width=settings.width_px)
        return _place("panorama", path.stem, picture, lighting, ground, seed, reach)
    lighting = Lighting(image, None, (0.0, 0.0, 0.0))  # what was taken for a sun is a lamp or a window
    picture, reach = hall(rng, lighting, seed, width=settings.width_px)
    return _place("panorama", path.stem, picture, lighting, "concrete", seed, reach, indoors=True)


def _ground(rng: np.random.Generator) -> str:
    return str(rng.choice(list(GROUNDS), p=[0.26, 0.2, 0.2, 0.14, 0.08, 0.12]))


def _bare(sky: Array, land_deg: float) -> Array:
    """A panorama without the land at its horizon, which reaches so high: the sky above is drawn down over it, but the
    glow of a low sun stays."""
    height, width = sky.shape[:2]
    middle = height // 2
    land, free = (middle - round(angle / 180 * height) for angle in (land_deg, land_deg + BARE_DEG))
    bare, low = sky.copy(), sky[free:middle]
    drawn = cv2.resize(sky[free:land], (width, middle - free), interpolation=cv2.INTER_LINEAR)
    edge = width // 8  # the picture goes on around
    low, above = (np.pad(part, ((0, 0), (edge, edge), (0, 0)), mode="wrap") for part in (low, drawn))
    low = cv2.GaussianBlur(low, (0, 0), sigmaX=width / 30, sigmaY=height / 120)  # wider than trees and houses
    shares = (low @ LUMINANCE.astype(np.float32)) / np.maximum(above @ LUMINANCE.astype(np.float32), 1e-6)
    glow = cv2.blur(np.clip(shares - 1.2, 0, 1), (max(width // 30, 1), 3))
    bare[free:middle] = mix(above, low, glow)[:, edge:-edge]
    return bare


def split_sun(image: Array, contrast: float) -> tuple[Array, tuple[float, float, float] | None, Array]:
    """Take the sun out of a panorama. Returns the rest, the direction to the sun or None, and its illuminance (3).

    The brightest spot counts as the sun where it is above the horizon, small, and brighter than `contrast` × the mean;
    its light above that limit is integrated over a patch of 6° and moved out, so the luminance of both together stays
    what it was.
    """
    height, width = image.shape[:2]
    luminance = image @ LUMINANCE
    solid_angle = solid_angles(width, height)
    limit = contrast * float((luminance * solid_angle).sum() / (4 * math.pi))
    row, column = np.unravel_index(int(np.argmax(luminance)), luminance.shape)
    none = (image, None, np.zeros(3))
    if luminance[row, column] < 5 * limit or row >= height // 2:
        return none
    direction = directions(width, height)
    near = direction @ direction[row, column] > math.cos(math.radians(6))
    excess = np.where(near, np.maximum(luminance - limit, 0), 0) / np.maximum(luminance, 1e-9)
    taken = image * excess[..., None]
    power = (taken @ LUMINANCE) * solid_angle
    total = float((np.maximum(luminance - limit, 0) * solid_angle).sum())
    size = float(((excess > 0) * solid_angle).sum())
    if float(power.sum()) < 0.5 * total or size > LARGEST_SUN_SR:  # many bright spots or a wide one: lamps, not a sun
        return none
    centre = (direction * power[..., None]).sum(axis=(0, 1))
    centre /= np.linalg.norm(centre)
    beside = near & (excess == 0)  # the disk itself is often clipped and has lost its colour
    aureole = (image * (beside * solid_angle)[..., None]).sum(axis=(0, 1))
    if not aureole @ LUMINANCE > 0:
        aureole = (taken * solid_angle[..., None]).sum(axis=(0, 1))
    colour = aureole / float(aureole @ LUMINANCE)
    rest = np.where((excess > 0)[..., None], limit * colour, image)
    sun = colour * float(power.sum())
    return np.asarray(rest, np.float32), (float(centre[0]), float(centre[1]), float(centre[2])), sun


def _far_land(rng: np.random.Generator, folder: Path | None, settings: SkylineSettings) -> Array | None:
    """What stands at the horizon of one of the folder's photos that show outdoors; None where `tries` show nothing."""
    wanted, order = rng.random() < settings.probability, np.random.default_rng(int(rng.integers(2**31)))
    if not wanted or folder is None or not folder.is_dir():
        return None
    files = sorted(path for path in folder.iterdir() if path.suffix.lower() in PHOTO_SUFFIXES)
    for number in order.permutation(len(files))[: settings.tries]:
        picture = cv2.imread(os.fspath(files[int(number)]), cv2.IMREAD_COLOR)
        if picture is None:
            continue
        land = skyline(decode_srgb(cv2.cvtColor(picture, cv2.COLOR_BGR2RGB).astype(np.float32) / 255), settings)
        if land is not None:
            return land
    return None
