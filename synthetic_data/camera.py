"""The phone that takes an advert's photos, from scene radiance to the file the advert site serves.

Everything happens in the order of a real camera: lens (depth of field, distortion, glare), sensor (shot and read
noise, saturation), processing (white balance, tone, noise reduction, sharpening), then what people and sites do
(scaling, overlays, compression). Labels follow the geometry.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from statistics import NormalDist
from typing import Annotated, Any, Literal

import cv2
import numpy as np
import numpy.typing as npt
from pydantic import AfterValidator, Field

from pipeline.configuration import Config, load, shipped
from pipeline.records import DETECTED_CUES, SURFACES, ZONES

FloatImage = npt.NDArray[np.float32]
ByteImage = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.bool_]
Tone = Literal["plain", "filmic", "local"]
Overlay = Literal["none", "text", "strip", "border", "timestamp"]

IDENTIFICATION_ZONE = 1 + ZONES.index("identification_plate")  # the maker's plate, which sellers show
LUMINANCE = np.array([0.2126, 0.7152, 0.0722], np.float32)  # IEC 61966-2-1 primaries, D65
XYZ_TO_SRGB = np.array(
    [[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]]
)  # IEC 61966-2-1
FULL_FRAME_WIDTH_MM = 36.0
NEUTRAL_MIRED = 1e6 / 6504  # the temperature of D65, sRGB's white
TONE_STEPS = 4096
NORMAL = np.array([NormalDist().inv_cdf((k + 0.5) / 256) for k in range(256)], np.float32)
NORMAL /= NORMAL.std()  # a byte looked up here is a normal number, ten times as fast as one drawn
METERED_PX = (128, 96)  # width and height of the small photo in which black is looked for
DARKEST_PERCENT = 0.5  # of its pixels may be darker than the darkest, or brighter than the brightest, that counts
MOST_BLACK = 0.5  # of the brightest is taken for black: a grey sheet alone stays grey


def _ordered(pair: tuple[float, float]) -> tuple[float, float]:
    if pair[0] > pair[1]:
        raise ValueError("the low end of a range must not be above its high end")
    return pair


Range = Annotated[tuple[float, float], AfterValidator(_ordered)]
Share = Annotated[float, Field(ge=0, le=1)]


class LensSettings(Config):
    focal_equivalent_mm: Range
    other_focal_equivalent_mm: Range
    other_focal_probability: Share
    sensor_width_mm: Range
    f_number: Range
    distortion_k1: Range
    vignetting: Range
    shading: Range
    lateral_colour: Range
    blur_px: Range
    largest_coc_px: float = Field(gt=0)
    veiling_glare: Range
    bloom: Range
    haze_probability: Share
    haze: Range


class SensorSettings(Config):
    width_px: Range
    full_well_e: Range
    read_noise_e: Range
    base_iso: float = Field(gt=0)
    highest_iso: float = Field(gt=0)
    longest_exposure_s: Range
    incident_constant: float = Field(gt=0)
    binning_gain: Share


class MeteringSettings(Config):
    target: float = Field(gt=0, lt=1)
    centre_weight: float = Field(ge=0)
    bias_ev: Range
    error_ev: float = Field(ge=0)
    gross_error_probability: Share
    gross_error_ev: Range


class WhiteBalanceSettings(Config):
    strength: Range
    error_mired: float = Field(ge=0)
    bias_mired: float = Field(ge=0)
    error_duv: float = Field(ge=0)
    gross_error_probability: Share
    gross_error_mired: Range
    daylight_lux: float = Field(ge=0)
    daylight_mired: Range
    lamplight_mired: Range
    largest_duv: float = Field(ge=0)
    trusted_duv: float = Field(gt=0)


class ToneSettings(Config):
    plain_probability: Share
    local_probability: Share
    headroom: Range
    contrast: Range
    black_probability: Share
    black: Range
    white_probability: Share
    white: Range
    least_white: float = Field(gt=0.18, le=1)
    local_strength: Range
    local_detail: Range
    saturation: Range
    colour_matrix_sd: float = Field(ge=0)


class ProcessingSettings(Config):
    grain_px: Range
    chroma_blur_px: Range
    denoise: Range
    denoise_doubled_at: float = Field(gt=0)
    blotch: Range
    blotch_px: Range
    sharpening: Range
    sharpening_radius_px: Range
    halo: Range


class ShakeSettings(Config):
    motion_probability: Share
    motion_px: Range
    misfocus_probability: Share
    misfocus_px: Range


class SiteSettings(Config):
    phone_quality: Range
    resized_probability: Share
    resized: Range
    enlarged_probability: Share
    enlarged: Range
    quality: Range
    subsampled_probability: Share
    least_long_side_px: int = Field(gt=0)


class OverlaySettings(Config):
    text_probability: Share
    strip_probability: Share
    border_probability: Share
    timestamp_probability: Share
    plate_covered_probability: Share
    plain_colours: tuple[tuple[int, int, int], ...]
    stamp_colours: tuple[tuple[int, int, int], ...]
    stamp_latitude_deg: Range
    stamp_ahead_h: Range


class CameraSettings(Config):
    """Everything in `configs/synthesis/camera.yaml`."""

    lens: LensSettings
    sensor: SensorSettings
    metering: MeteringSettings
    white_balance: WhiteBalanceSettings
    tone: ToneSettings
    processing: ProcessingSettings
    shake: ShakeSettings
    site: SiteSettings
    overlay: OverlaySettings
    firefly_ratio: float = Field(ge=0)


def camera_settings() -> CameraSettings:
    """The shipped settings. Raises ConfigError where the file does not hold."""
    return load(shipped("synthesis", "camera.yaml"), CameraSettings)


@dataclass(frozen=True, slots=True)
class Exposure:
    """What a render gives. All arrays share height and width.

    `radiance` float32 (H, W, 3), linear, sRGB primaries, any scale, finite and not negative; `surface` uint8 index into
    SURFACES or 255; `zone` uint8, 0 none, 1 + index in ZONES; `side` uint8, 0 none, 1 left, 2 right; `cues` bool masks
    of the cues that are present; `depth_m` float32 along the view axis (infinite where nothing is hit) or None;
    `focus_m` is the distance the lens is focused at.
    """

    radiance: FloatImage = field(repr=False)
    surface: ByteImage = field(repr=False)
    zone: ByteImage = field(repr=False)
    side: ByteImage = field(repr=False)
    cues: dict[str, Mask] = field(repr=False)
    depth_m: FloatImage | None = field(repr=False)
    focus_m: float

    @property
    def height(self) -> int:
        return int(self.radiance.shape[0])

    @property
    def width(self) -> int:
        return int(self.radiance.shape[1])


@dataclass(frozen=True, slots=True)
class PhoneCamera:
    """One phone, its owner's habits and the site the photos go to: the same for all photos of an advert."""

    focal_length_mm: float
    f_number: float
    sensor_width_mm: float
    sensor_width_px: float
    distortion_k1: float = 0.0
    vignetting: float = 0.0
    shading: float = 0.0
    lateral_colour: tuple[float, float] = (0.0, 0.0)
    lens_blur_px: float = 0.0
    veiling_glare: float = 0.0
    bloom: float = 0.0
    haze: float = 0.0
    full_well_e: float = 5000.0
    read_noise_e: float = 2.0
    longest_exposure_s: float = 1 / 30
    exposure_bias_ev: float = 0.0
    white_balance_strength: float = 1.0
    white_balance_bias_mired: float = 0.0
    tone: Tone = "plain"
    headroom: float = 1.0
    contrast: float = 0.0
    black: float = 0.0
    white: float = 0.0
    local_strength: float = 0.0
    local_detail: float = 1.0
    saturation: float = 1.0
    colour_matrix: tuple[tuple[float, float, float], ...] = ((1, 0, 0), (0, 1, 0), (0, 0, 1))
    grain_px: float = 0.0
    chroma_blur_px: float = 0.0
    denoise: float = 0.0
    blotch: float = 0.0
    blotch_px: float = 6.0
    sharpening: float = 0.0
    sharpening_radius_px: float = 1.0
    halo: float = 1.0
    phone_quality: int = 92
    resized: float = 1.0
    enlarged: float = 1.0
    site_quality: int = 85
    subsampled: bool = True
    overlay: Overlay = "none"
    overlay_text: str = ""
    plate_covered: bool = False

    @property
    def field_of_view_deg(self) -> float:
        """Angle of view along the photo's long side, in degrees (rectilinear lens focused far away)."""
        return math.degrees(2 * math.atan(self.sensor_width_mm / (2 * self.focal_length_mm)))


@dataclass(frozen=True, slots=True)
class DevelopedPhoto:
    """A photo as the advert site gets it, with labels that fit it pixel by pixel.

    `srgb` uint8 (H, W, 3), not yet through the last compression (`encode_jpeg` does that); labels as in Exposure.
    `meta` tells what the camera did, plain numbers and words.
    """

    srgb: ByteImage = field(repr=False)
    surface: ByteImage = field(repr=False)
    zone: ByteImage = field(repr=False)
    side: ByteImage = field(repr=False)
    cues: dict[str, Mask] = field(repr=False)
    quality: int
    subsampled: bool
    meta: dict[str, float | str | bool | dict[str, float]]


# --- sampling ----------------------------------------------------------------------------------------------------


def sample_phone(rng: np.random.Generator, settings: CameraSettings) -> PhoneCamera:
    """Draw one phone with its owner and site. The same generator state gives the same phone."""
    lens, sensor, tone = settings.lens, settings.sensor, settings.tone
    processing, site, overlay = settings.processing, settings.site, settings.overlay
    other = rng.random() < lens.other_focal_probability
    equivalent_mm = rng.uniform(*(lens.other_focal_equivalent_mm if other else lens.focal_equivalent_mm))
    sensor_width_mm = _log_uniform(rng, lens.sensor_width_mm)
    kinds: tuple[Tone, ...] = ("plain", "local", "filmic")
    plain, local = tone.plain_probability, tone.local_probability
    kind = kinds[int(rng.choice(3, p=[plain, local, 1 - plain - local]))]
    matrix = np.eye(3) + rng.normal(0, tone.colour_matrix_sd, (3, 3))
    matrix /= matrix.sum(axis=1, keepdims=True)  # neutral stays neutral
    resizing = rng.random()
    is_resized = resizing < site.resized_probability
    is_enlarged = not is_resized and resizing < site.resized_probability + site.enlarged_probability
    return PhoneCamera(
        focal_length_mm=equivalent_mm * sensor_width_mm / FULL_FRAME_WIDTH_MM,
        f_number=float(rng.uniform(*lens.f_number)),
        sensor_width_mm=sensor_width_mm,
        sensor_width_px=float(rng.uniform(*sensor.width_px)),
        distortion_k1=float(rng.uniform(*lens.distortion_k1)),
        vignetting=float(rng.uniform(*lens.vignetting)),
        shading=float(rng.uniform(*lens.shading)),
        lateral_colour=(float(rng.uniform(*lens.lateral_colour)), float(rng.uniform(*lens.lateral_colour))),
        lens_blur_px=float(rng.uniform(*lens.blur_px)),
        veiling_glare=float(rng.uniform(*lens.veiling_glare)),
        bloom=float(rng.uniform(*lens.bloom)),
        haze=_some(rng, lens.haze_probability, lens.haze),
        full_well_e=_log_uniform(rng, sensor.full_well_e),
        read_noise_e=float(rng.uniform(*sensor.read_noise_e)),
        longest_exposure_s=_log_uniform(rng, sensor.longest_exposure_s),
        exposure_bias_ev=float(rng.uniform(*settings.metering.bias_ev)),
        white_balance_strength=float(rng.uniform(*settings.white_balance.strength)),
        white_balance_bias_mired=float(rng.normal(0, settings.white_balance.bias_mired)),
        tone=kind,
        headroom=1.0 if kind == "plain" else float(rng.uniform(*tone.headroom)),
        contrast=0.0 if kind == "plain" else float(rng.uniform(*tone.contrast)),
        black=_some(rng, tone.black_probability, tone.black),
        local_strength=float(rng.uniform(*tone.local_strength)) if kind == "local" else 0.0,
        local_detail=float(rng.uniform(*tone.local_detail)) if kind == "local" else 1.0,
        saturation=float(rng.uniform(*tone.saturation)),
        colour_matrix=tuple((float(row[0]), float(row[1]), float(row[2])) for row in matrix),
        grain_px=float(rng.uniform(*processing.grain_px)),
        chroma_blur_px=float(rng.uniform(*processing.chroma_blur_px)),
        denoise=_log_uniform(rng, processing.denoise),
        blotch=float(rng.uniform(*processing.blotch)),
        blotch_px=float(rng.uniform(*processing.blotch_px)),
        sharpening=float(rng.uniform(*processing.sharpening)),
        sharpening_radius_px=float(rng.uniform(*processing.sharpening_radius_px)),
        halo=_log_uniform(rng, processing.halo),
        phone_quality=round(rng.uniform(*site.phone_quality)),
        resized=float(rng.uniform(*site.resized)) if is_resized else 1.0,
        enlarged=float(rng.uniform(*site.enlarged)) if is_enlarged else 1.0,
        site_quality=round(rng.uniform(*site.quality)),
        subsampled=bool(rng.random() < site.subsampled_probability),
        overlay=_sample_overlay(rng, overlay),
        overlay_text=_random_text(rng),
        plate_covered=bool(rng.random() < overlay.plate_covered_probability),
        white=0.0 if kind == "plain" else _some(rng.spawn(1)[0], tone.white_probability, tone.white),
    )


def _sample_overlay(rng: np.random.Generator, settings: OverlaySettings) -> Overlay:
    kinds: tuple[Overlay, ...] = ("text", "strip", "border", "timestamp", "none")
    chances = [
        settings.text_probability,
        settings.strip_probability,
        settings.border_probability,
        settings.timestamp_probability,
    ]
    return kinds[int(rng.choice(5, p=[*chances, 1 - sum(chances)]))]


def _random_text(rng: np.random.Generator) -> str:
    """Letters that mean nothing, in the shape of a site's or a dealer's name."""
    words = [
        "".join(rng.choice(list("BCDFGHKLMNPRSTVXZAEIOU"), int(rng.integers(3, 9))))
        for _ in range(int(rng.integers(1, 3)))
    ]
    text = " ".join(words)
    return text if rng.random() < 0.5 else text.lower()


def _some(rng: np.random.Generator, probability: float, limits: tuple[float, float]) -> float:
    """A number between the limits, or 0 where it is not the case."""
    return float(rng.uniform(*limits)) if rng.random() < probability else 0.0


def _log_uniform(rng: np.random.Generator, limits: tuple[float, float]) -> float:
    return float(math.exp(rng.uniform(math.log(limits[0]), math.log(limits[1]))))


# --- the whole chain ---------------------------------------------------------------------------------------------


def develop(
    exposure: Exposure,
    phone: PhoneCamera,
    rng: np.random.Generator,
    settings: CameraSettings,
    *,
    illuminance_lux: float = 10_000.0,
    sun_elevation_deg: float | None = None,
) -> DevelopedPhoto:
    """Take the photo: lens, sensor, processing, scaling, overlay; labels follow.

    `illuminance_lux` on the vehicle sets sensitivity and exposure time, and with them noise and shake; the radiance's
    own scale is arbitrary. A stamp tells the time only where `sun_elevation_deg` is known. The photo may come out
    smaller than the exposure. Raises ValueError where the radiance is negative or not finite.
    """
    _check(exposure)
    if phone.distortion_k1:
        exposure = _distort(exposure, phone.distortion_k1)
    linear = suppress_fireflies(exposure.radiance, settings.firefly_ratio)
    height, width = linear.shape[:2]
    long_side = max(height, width)

    iso, exposure_s = exposure_program(illuminance_lux, phone, settings.sensor)
    linear, coc_px = _focus(linear, exposure, phone, settings)
    linear, shake_px = _shake(linear, exposure_s, rng, settings.shake)
    if any(phone.lateral_colour):
        linear = _spread_colours(linear, phone.lateral_colour)
    if phone.lens_blur_px > 0.2:
        linear = cv2.GaussianBlur(linear, (0, 0), phone.lens_blur_px)

    error_ev = phone.exposure_bias_ev + rng.normal(0, settings.metering.error_ev)
    if rng.random() < settings.metering.gross_error_probability:
        error_ev += rng.choice([-1, 1]) * rng.uniform(*settings.metering.gross_error_ev)
    gain = meter(linear, settings.metering) * 2**error_ev
    linear = linear * np.float32(gain)
    np.minimum(linear, np.float32(40.0), out=linear)  # a sun's mirror image must not outshine the whole photo
    linear = _scatter(linear, phone, rng)
    if phone.vignetting:
        linear *= _vignette(height, width, phone.vignetting)[..., None]

    error_mired = phone.white_balance_bias_mired + rng.normal(0, settings.white_balance.error_mired)
    if rng.random() < settings.white_balance.gross_error_probability:
        error_mired += rng.choice([-1, 1]) * rng.uniform(*settings.white_balance.gross_error_mired)
    error_duv = rng.normal(0, settings.white_balance.error_duv)
    balance = grey_gains(linear, phone.white_balance_strength, illuminance_lux, settings.white_balance)
    balance = balance * illuminant_gains(error_mired, error_duv)
    balance /= float(balance @ LUMINANCE)
    linear = cv2.transform(linear, np.diag(balance).astype(np.float32))

    white_e = phone.full_well_e * settings.sensor.base_iso / iso / phone.headroom
    white_e *= 1 + settings.sensor.binning_gain * max((phone.sensor_width_px / long_side) ** 2 - 1, 0)
    caught = _vignette(height, width, phone.shading)  # share of the light that the lens lets into the corners
    linear = add_sensor_noise(linear, white_e * caught[..., None], phone.read_noise_e, balance, rng)
    linear = cv2.transform(linear, np.asarray(phone.colour_matrix, np.float32))
    np.clip(linear, 0, phone.headroom, out=linear)
    grain = 1.0  # share of the noise that is left
    if phone.grain_px:
        kernel = cv2.getGaussianKernel(5, phone.grain_px, cv2.CV_32F)
        linear, grain = cv2.sepFilter2D(linear, -1, kernel, kernel), float((kernel**2).sum())

    if phone.local_strength:
        linear = _compress_contrast(linear, phone)
    spread = 1.0
    if phone.black:
        linear, spread = _set_black(linear, phone.black)
    white = _white_point(linear, phone, settings.tone.least_white) if phone.white else phone.headroom
    curve = tone_curve(phone.tone, white, phone.contrast)
    encoded = _apply_curve(linear, curve, white)
    by_level = spread * grain * noise_by_level(curve, white, white_e, phone.read_noise_e)
    noise = float(by_level[round(255 * float(encode_srgb(0.18)))])
    encoded = _finish(encoded, phone, by_level, np.sqrt(1 / caught), settings.processing.denoise_doubled_at, rng)
    srgb = np.clip(encoded * 255 + 0.5, 0, 255).astype(np.uint8)

    photo = DevelopedPhoto(
        srgb=srgb,
        surface=exposure.surface,
        zone=exposure.zone,
        side=exposure.side,
        cues=exposure.cues,
        quality=phone.site_quality,
        subsampled=phone.subsampled,
        meta={
            "iso": round(iso, 1),
            "exposure_s": round(exposure_s, 6),
            "exposure_error_ev": round(float(error_ev), 3),
            "white_balance_error_mired": round(float(error_mired), 2),
            "white_balance_error_duv": round(float(error_duv), 5),
            "shake_px": round(shake_px, 2),
            "lens_blur_px": round(phone.lens_blur_px, 3),
            "cue_blur_px": {
                cue: round(float(np.median(coc_px[mask])), 2)
                for cue, mask in exposure.cues.items()
                if coc_px is not None and cue in DETECTED_CUES and mask.any()
            },
            "noise": round(noise, 5),
            "tone": phone.tone,
            "haze": round(phone.haze, 3),
            "resized": phone.resized,
            "enlarged": phone.enlarged,
            "overlay": phone.overlay,
            "jpeg_quality": phone.site_quality,
        },
    )
    photo = _rescale(photo, phone, settings.site.least_long_side_px)
    return _overlay(photo, phone, rng, settings.overlay, sun_elevation_deg)


def encode_jpeg(photo: DevelopedPhoto) -> bytes:
    """The file the advert site serves: `photo.quality`, chroma at half size where `photo.subsampled`."""
    return _jpeg(photo.srgb, photo.quality, photo.subsampled)


def _check(exposure: Exposure) -> None:
    lowest, highest = float(exposure.radiance.min()), float(exposure.radiance.max())
    if not (math.isfinite(lowest) and math.isfinite(highest)) or lowest < 0:
        raise ValueError(f"radiance must be finite and not negative (found {lowest} to {highest})")


# --- lens --------------------------------------------------------------------------------------------------------


def circle_of_confusion_mm(
    depth_m: FloatImage | float, focus_m: float, focal_length_mm: float, f_number: float
) -> npt.NDArray[np.float64]:
    """Diameter on the sensor, in mm, of a point at `depth_m` when the thin lens is focused at `focus_m`.

    c = (f / N) · f · |d − s| / (d · (s − f)); d may be infinite. Textbook: e.g. Pharr, Jakob, Humphreys, Physically
    Based Rendering, "The thin lens model and depth of field".
    """
    focus_mm = max(focus_m * 1000, 1.001 * focal_length_mm)
    inverse_depth = 1 / np.maximum(np.asarray(depth_m, np.float64) * 1000, 1e-6)
    result = focal_length_mm**2 / f_number * np.abs(1 - focus_mm * inverse_depth) / (focus_mm - focal_length_mm)
    return np.asarray(result, np.float64)


def suppress_fireflies(radiance: FloatImage, ratio: float) -> FloatImage:
    """Dim pixels brighter than `ratio` times the median around them: outliers of a path tracer. 0 changes nothing."""
    if ratio <= 0:
        return radiance.copy()
    luminance = cv2.transform(radiance, LUMINANCE[None])
    around = cv2.medianBlur(luminance, 3)
    limit = around * np.float32(ratio) + np.float32(0.02) * luminance.mean()
    outliers = luminance > limit
    result = radiance.copy()
    result[outliers] *= (limit[outliers] / luminance[outliers] / ratio)[:, None]
    return result


def _distort(exposure: Exposure, k1: float) -> Exposure:
    """Radial distortion r' = r (1 + k1 r²), r = 1 in the corner, scaled so that no edge comes into the picture."""
    height, width = exposure.height, exposure.width
    x = (np.arange(width, dtype=np.float32) - (width - 1) / 2)[None]
    y = (np.arange(height, dtype=np.float32) - (height - 1) / 2)[:, None]
    factor = (1 + k1 * (x * x + y * y) / ((width / 2) ** 2 + (height / 2) ** 2)) / (1 + max(k1, 0.0))
    map_x, map_y = cv2.convertMaps(
        (x * factor + (width - 1) / 2).astype(np.float32),
        (y * factor + (height - 1) / 2).astype(np.float32),
        cv2.CV_16SC2,
    )

    def nearest(image: npt.NDArray[Any]) -> npt.NDArray[Any]:
        return np.asarray(cv2.remap(image, map_x, None, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE))

    return Exposure(
        radiance=cv2.remap(exposure.radiance, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE),
        surface=nearest(exposure.surface),
        zone=nearest(exposure.zone),
        side=nearest(exposure.side),
        cues={cue: nearest(mask.view(np.uint8)).astype(bool) for cue, mask in exposure.cues.items()},
        depth_m=None if exposure.depth_m is None else nearest(exposure.depth_m),
        focus_m=exposure.focus_m,
    )


def _spread_colours(linear: FloatImage, lateral: tuple[float, float]) -> FloatImage:
    """Red and blue drawn larger or smaller than green, by these shares, about the middle."""
    height, width = linear.shape[:2]
    planes = list(cv2.split(linear))
    for plane, share in zip((0, 2), lateral, strict=True):
        turn = np.array([[1 + share, 0, -share * (width - 1) / 2], [0, 1 + share, -share * (height - 1) / 2]])
        planes[plane] = cv2.warpAffine(planes[plane], turn, (width, height), borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(cv2.merge(planes), np.float32)


def _focus(
    linear: FloatImage, exposure: Exposure, phone: PhoneCamera, settings: CameraSettings
) -> tuple[FloatImage, FloatImage | None]:
    """Blur by depth. Returns the image and each pixel's circle of confusion, diameter in px (None without depth)."""
    if exposure.depth_m is None:
        return linear, None
    px_per_mm = max(linear.shape[:2]) / phone.sensor_width_mm
    coc_mm = circle_of_confusion_mm(exposure.depth_m, exposure.focus_m, phone.focal_length_mm, phone.f_number)
    coc_px = np.minimum(coc_mm * px_per_mm, settings.lens.largest_coc_px).astype(np.float32)
    if float(coc_px.max()) < 1.0:
        return linear, coc_px
    near = exposure.depth_m < exposure.focus_m
    return defocus(linear, coc_px, near), coc_px


def defocus(linear: FloatImage, coc_px: FloatImage, near: Mask) -> FloatImage:
    """Blur `linear` (H, W, 3) by a map of circle diameters in px; `near` marks what lies before the focus.

    Layered approximation: the far side is gathered level by level without light from sharp things before it; the near
    side is spread over what lies behind it. Levels double in diameter, large ones are computed at reduced size.
    """
    far_coc = np.where(near, np.float32(0), coc_px)
    result = _gather(linear, far_coc)
    near_coc = np.where(near, coc_px, np.float32(0))
    if float(near_coc.max()) < 1.0:
        return result
    diameter = float(np.percentile(near_coc[near], 80))
    if diameter < 1.0:
        return result
    spread, alpha = _weighted_disk(linear, near.astype(np.float32), diameter)
    inside = _gather(linear, near_coc)  # where nearly everything is near, its own diameters count
    front = _blend(spread, inside, np.clip(alpha * 2 - 1, 0, 1))
    return _blend(result, front, alpha)


def _blend(one: FloatImage, other: FloatImage, share: FloatImage) -> FloatImage:
    """`one` (H, W, 3), and `other` in its place where `share` (H, W) is 1."""
    return np.asarray(cv2.blendLinear(one, other, 1 - share, share), np.float32)


def _gather(linear: FloatImage, coc_px: FloatImage) -> FloatImage:
    """Blend levels of blur by each pixel's own diameter; a level leaves out what is much sharper than itself."""
    result = linear
    diameter, lower = 2.0, 0.0
    largest = float(coc_px.max())
    while lower < largest:
        weight = np.clip((coc_px - np.float32(lower)) * np.float32(1 / (diameter - lower)), 0, 1)
        if float(weight.max()) > 0.02:
            if diameter > 2:
                belongs = np.clip(coc_px * np.float32(1 / (0.6 * diameter)), 0.02, 1)
                level, _ = _weighted_disk(linear, belongs, diameter)
            else:
                level = _blur_disk(linear, diameter)
            result = _blend(result, level, weight)
        lower, diameter = diameter, diameter * 2
    return result


def _weighted_disk(image: FloatImage, weight: FloatImage, diameter_px: float) -> tuple[FloatImage, FloatImage]:
    """Weighted mean over a disk of (H, W, 3), and the mean weight (H, W)."""
    mean, share = _reduced_disk(image * weight[..., None], diameter_px), _reduced_disk(weight, diameter_px)
    mean /= np.maximum(share, 1e-4)[..., None]
    return _enlarged(mean, weight), _enlarged(share, weight)


def _blur_disk(image: FloatImage, diameter_px: float) -> FloatImage:
    """Mean over a disk."""
    return _enlarged(_reduced_disk(image, diameter_px), image)


def _reduced_disk(image: FloatImage, diameter_px: float) -> FloatImage:
    """Mean over a disk, smaller than `image` where the disk is above 5 px."""
    height, width = image.shape[:2]
    factor = 1
    while diameter_px / factor > 5:
        factor *= 2
    if factor > 1:
        image = cv2.resize(image, (max(width // factor, 1), max(height // factor, 1)), interpolation=cv2.INTER_AREA)
        # the way down and up spreads light too: take its variance f²/4 from that of the disk, d²/16
        diameter_px = math.sqrt(diameter_px**2 - 4 * factor**2)
    return np.asarray(cv2.filter2D(image, -1, _disk(diameter_px / factor), borderType=cv2.BORDER_REPLICATE))


def _enlarged(image: FloatImage, like: FloatImage) -> FloatImage:
    size = like.shape[1], like.shape[0]
    return image if image.shape[:2] == like.shape[:2] else np.asarray(cv2.resize(image, size))


def _disk(diameter_px: float) -> FloatImage:
    """Share of a disk's area in each pixel, sum 1; the variance that whole pixels add (1/12) is taken from the disk."""
    radius = math.sqrt(max(diameter_px**2 - 16 / 12, 0.25)) / 2
    half, fine = math.ceil(radius - 0.5), 16
    places = (np.arange((2 * half + 1) * fine) + 0.5) / fine - half - 0.5
    inside = places[None] ** 2 + places[:, None] ** 2 <= radius**2
    disk = inside.reshape(2 * half + 1, fine, 2 * half + 1, fine).mean(axis=(1, 3))
    return np.asarray(disk / disk.sum(), np.float32)


def _shake(
    linear: FloatImage, exposure_s: float, rng: np.random.Generator, settings: ShakeSettings
) -> tuple[FloatImage, float]:
    """Rarely, move the camera during the exposure or miss the focus. Returns the image and the blur's length in px."""
    chance = min(settings.motion_probability * (1 + 20 * exposure_s / 0.05 * settings.motion_probability), 1)
    moved, length = rng.random() < chance, rng.uniform(*settings.motion_px)
    angle, bend = rng.uniform(0, math.pi), rng.normal(0, 0.25)
    missed, diameter = rng.random() < settings.misfocus_probability, rng.uniform(*settings.misfocus_px)
    if moved:
        steps = np.linspace(-0.5, 0.5, 48)
        along, across = length * steps, length * bend * (steps**2 - 1 / 12)
        x = along * math.cos(angle) - across * math.sin(angle)
        y = along * math.sin(angle) + across * math.cos(angle)
        half = math.ceil(max(np.abs(x).max(), np.abs(y).max()))
        kernel = np.histogram2d(y, x, bins=2 * half + 1, range=[[-half - 0.5, half + 0.5]] * 2)[0]
        return cv2.filter2D(
            linear, -1, (kernel / kernel.sum()).astype(np.float32), borderType=cv2.BORDER_REPLICATE
        ), float(length)
    if missed:
        return _blur_disk(linear, diameter), float(diameter)
    return linear, 0.0


def _scatter(linear: FloatImage, phone: PhoneCamera, rng: np.random.Generator) -> FloatImage:
    """Light scattered in the lens: near its place, over the whole frame, and through a fingerprint."""
    height, width = linear.shape[:2]
    small = cv2.resize(linear, (max(width // 8, 1), max(height // 8, 1)), interpolation=cv2.INTER_AREA)
    reach = max(small.shape[:2])
    bloom = cv2.GaussianBlur(small, (0, 0), 0.02 * reach + 0.5)
    veil = cv2.GaussianBlur(cv2.resize(small, (16, 16), interpolation=cv2.INTER_AREA), (0, 0), 5.0)
    glow = phone.bloom * bloom + phone.veiling_glare * cv2.resize(veil, (small.shape[1], small.shape[0]))
    kept = np.float32(1 - phone.bloom - phone.veiling_glare)
    patch_seed = rng.normal(0, 1, (4, 5)).astype(
        np.float32
    )  # always drawn: the photo's later numbers do not depend on the haze
    if phone.haze:
        patch = np.clip(
            cv2.resize(patch_seed, (small.shape[1], small.shape[0]), interpolation=cv2.INTER_CUBIC) * 0.5 + 0.5, 0, 1
        )
        amount = (phone.haze * patch)[..., None]
        streak = cv2.GaussianBlur(small, (0, 0), 0.09 * reach) * 0.7 + bloom * 0.3
        glow = glow * (1 - amount) + streak * amount
        kept = kept * (1 - cv2.resize(amount, (width, height)))[..., None]
    return np.asarray(linear * kept + cv2.resize(glow, (width, height)), np.float32)


def _vignette(height: int, width: int, loss: float) -> FloatImage:
    x = np.linspace(-1, 1, width, dtype=np.float32)[None] * (width / math.hypot(width, height))
    y = np.linspace(-1, 1, height, dtype=np.float32)[:, None] * (height / math.hypot(width, height))
    r2 = x * x + y * y
    return np.asarray(1 - loss * (0.6 * r2 + 0.4 * r2 * r2), np.float32)


# --- sensor ------------------------------------------------------------------------------------------------------


def exposure_program(illuminance_lux: float, phone: PhoneCamera, settings: SensorSettings) -> tuple[float, float]:
    """Sensitivity (ISO) and exposure time (s) that the phone chooses: base sensitivity while the time stays short.

    Incident-light metering: N² / t = E · S / C (ISO 2720:1974, formula from memory).
    """
    time_s = settings.incident_constant * phone.f_number**2 / (max(illuminance_lux, 1e-3) * settings.base_iso)
    if time_s <= phone.longest_exposure_s:
        return settings.base_iso, time_s
    return min(settings.base_iso * time_s / phone.longest_exposure_s, settings.highest_iso), phone.longest_exposure_s


def meter(linear: FloatImage, settings: MeteringSettings) -> float:
    """Factor that brings the centre-weighted mean of the encoded luminance to `settings.target` (bisection)."""
    small = cv2.resize(linear, (96, 72), interpolation=cv2.INTER_AREA) @ LUMINANCE
    x, y = np.linspace(-1, 1, 96)[None], np.linspace(-1, 1, 72)[:, None]
    weight = 1 + settings.centre_weight * np.exp(-2 * (x * x + y * y))
    weight /= weight.sum()
    typical = float(np.median(small)) or float(small.mean())
    if typical <= 0:
        return 1.0
    low, high = math.log2(0.18 / typical) - 8, math.log2(0.18 / typical) + 8
    for _ in range(16):
        middle = (low + high) / 2
        if float((weight * encode_srgb(small * np.float32(2**middle))).sum()) < settings.target:
            low = middle
        else:
            high = middle
    return float(2 ** ((low + high) / 2))


def add_sensor_noise(
    linear: FloatImage,
    white_e: float | FloatImage,
    read_noise_e: float,
    balance: npt.NDArray[np.float64],
    rng: np.random.Generator,
) -> FloatImage:
    """Shot noise (Poisson, in its normal limit) and read noise, in linear light after white balance.

    `white_e` electrons, everywhere or of each pixel (H, W, 1), make linear 1.0 in a channel whose gain in `balance` (3)
    is 1; read noise is in electrons.
    """
    share = np.full((*linear.shape[:2], 1), 1 / white_e, np.float32)
    by_light_and_share = np.column_stack([np.diag(balance), (read_noise_e * balance) ** 2]).astype(np.float32)
    sigma = cv2.transform(cv2.merge((linear, share)), by_light_and_share) * share  # variance: g L / w + (g r / w)²
    np.sqrt(np.maximum(sigma, 0, out=sigma), out=sigma)
    sigma *= cv2.LUT(rng.integers(0, 256, linear.shape, np.uint8), NORMAL)
    sigma += linear
    return np.asarray(sigma, np.float32)


# --- white balance and tone --------------------------------------------------------------------------------------


def planckian_xy(temperature_k: float) -> tuple[float, float]:
    """Chromaticity (CIE 1931) of a black body, 1667 K to 25000 K.

    Kang, Moon, Hong, Lee, Cho, Kim (2002), Journal of the Korean Physical Society 41(6), 865-871, cubic approximation.
    """
    t = min(max(temperature_k, 1667.0), 25000.0)
    if t <= 4000:
        x = -0.2661239e9 / t**3 - 0.2343589e6 / t**2 + 0.8776956e3 / t + 0.179910
    else:
        x = -3.0258469e9 / t**3 + 2.1070379e6 / t**2 + 0.2226347e3 / t + 0.240390
    if t <= 2222:
        y = -1.1063814 * x**3 - 1.34811020 * x**2 + 2.18555832 * x - 0.20219683
    elif t <= 4000:
        y = -0.9549476 * x**3 - 1.37418593 * x**2 + 2.09137015 * x - 0.16748867
    else:
        y = 3.0817580 * x**3 - 5.87338670 * x**2 + 3.75112997 * x - 0.37001483
    return x, y


def illuminant_rgb(temperature_k: float, duv: float = 0.0) -> npt.NDArray[np.float64]:
    """Linear sRGB of light of luminance 1 on (or `duv` above, towards green) the Planckian locus; CIE 1960 UCS."""
    u, v = _xy_to_uv(planckian_xy(temperature_k))
    u2, v2 = _xy_to_uv(planckian_xy(temperature_k * 1.01))
    length = math.hypot(u2 - u, v2 - v)
    u, v = u + duv * (v2 - v) / length, v - duv * (u2 - u) / length
    x, y = 3 * u / (2 * u - 8 * v + 4), 2 * v / (2 * u - 8 * v + 4)
    return np.asarray(np.maximum(XYZ_TO_SRGB @ np.array([x / y, 1.0, (1 - x - y) / y]), 1e-3))


def _xy_to_uv(xy: tuple[float, float]) -> tuple[float, float]:
    x, y = xy
    return 4 * x / (-2 * x + 12 * y + 3), 6 * y / (-2 * x + 12 * y + 3)


def illuminant_gains(error_mired: float, error_duv: float) -> npt.NDArray[np.float64]:
    """Gains (3) of a wrong white balance: neutrals look `error_mired` warmer (if positive) and `error_duv` greener."""
    wrong = illuminant_rgb(1e6 / max(NEUTRAL_MIRED + error_mired, 40.0), error_duv)
    return wrong / illuminant_rgb(1e6 / NEUTRAL_MIRED)


def grey_gains(
    linear: FloatImage, strength: float, illuminance_lux: float, settings: WhiteBalanceSettings
) -> npt.NDArray[np.float64]:
    """Gains (3) of an automatic white balance: the light's colour, guessed from the picture, `strength` (0 to 1) of it.

    The guess is a Minkowski mean, p = 6, of the clipped picture (Finlayson and Trezzi 2004, "Shades of gray and colour
    constancy"). It is brought to what lamps and skies do: a temperature that light this bright has, a small tint, and
    less of both the further off the guess is, so that a red wall stays red.
    """
    small = (
        np.minimum(cv2.resize(linear, (96, 72), interpolation=cv2.INTER_AREA), 1.0).reshape(-1, 3).astype(np.float64)
    )
    guess = np.maximum((small**6).mean(axis=0) ** (1 / 6), 1e-6)
    x, y, z = np.linalg.inv(XYZ_TO_SRGB) @ guess
    u, v = _xy_to_uv((float(x / (x + y + z)), float(y / (x + y + z))))
    mireds = np.arange(60.0, 480.0, 5.0)
    locus = np.array([_xy_to_uv(planckian_xy(1e6 / mired)) for mired in mireds])
    offsets = np.hypot(locus[:, 0] - u, locus[:, 1] - v)
    nearest = int(np.argmin(offsets))
    along = locus[min(nearest + 1, len(mireds) - 1)] - locus[max(nearest - 1, 0)]  # towards warmer light
    above = float(along[0] * (v - locus[nearest, 1]) - along[1] * (u - locus[nearest, 0])) / float(np.hypot(*along))
    trust = math.exp(-((float(offsets[nearest]) / settings.trusted_duv) ** 2))
    low, high = settings.daylight_mired if illuminance_lux > settings.daylight_lux else settings.lamplight_mired
    mired = NEUTRAL_MIRED + trust * (min(max(float(mireds[nearest]), low), high) - NEUTRAL_MIRED)
    tint = trust * min(max(above, -settings.largest_duv), settings.largest_duv)
    return np.asarray((illuminant_rgb(1e6 / mired, tint) / illuminant_rgb(1e6 / NEUTRAL_MIRED)) ** -strength)


def encode_srgb(linear: npt.ArrayLike) -> npt.NDArray[Any]:
    """Linear light, clipped to 0..1, to sRGB values 0..1 (IEC 61966-2-1)."""
    clipped = np.clip(linear, 0, 1)
    return np.where(clipped <= 0.0031308, 12.92 * clipped, 1.055 * np.power(clipped, 1 / 2.4) - 0.055)


def decode_srgb(encoded: npt.ArrayLike) -> npt.NDArray[Any]:
    """sRGB values 0..1 to linear light (IEC 61966-2-1)."""
    values = np.asarray(encoded)
    return np.where(values <= 0.04045, values / 12.92, np.power((np.maximum(values, 0) + 0.055) / 1.055, 2.4))


def tone_curve(tone: Tone, headroom: float, contrast: float) -> FloatImage:
    """Table of encoded values 0..1 for linear values `headroom` · (i / 4095)². `plain` is the sRGB curve alone.

    Other curves compress highlights (Reinhard et al. 2002, eq. 4, white at `headroom`, middle grey kept) and add an S;
    of a headroom below 1 they spread what lies above middle grey.
    """
    linear = headroom * np.linspace(0, 1, TONE_STEPS) ** 2
    if tone == "plain":
        return encode_srgb(linear).astype(np.float32)
    grey = 0.18
    reach = max(headroom, 1.0)
    white = reach * 1.02

    def compress(x: npt.NDArray[np.float64] | float) -> npt.NDArray[np.float64]:
        return np.asarray(x * (1 + x / white**2) / (1 + x))

    gain = 1.0
    for _ in range(60):  # fixed point: middle grey stays middle grey, the headroom's end becomes white
        gain *= grey * float(compress(reach * gain) / compress(grey * gain))
    encoded = encode_srgb(compress(linear * gain) / float(compress(reach * gain)))
    pivot = float(encode_srgb(grey))
    below, above = encoded / pivot, (encoded[-1] - encoded) / (encoded[-1] - pivot)
    power = 1 + contrast
    curved = np.where(encoded < pivot, pivot * below**power, 1 - (1 - pivot) * np.maximum(above, 0) ** power)
    return np.asarray(np.clip(curved, 0, 1), np.float32)


def _apply_curve(linear: FloatImage, curve: FloatImage, headroom: float) -> FloatImage:
    index = cv2.sqrt(np.multiply(linear, np.float32(1 / headroom)))
    np.clip(index, 0, 1, out=index)
    index *= np.float32(TONE_STEPS - 1)
    return np.asarray(np.take(curve, np.rint(index, out=index).astype(np.uint16)), np.float32)


def _compress_contrast(linear: FloatImage, phone: PhoneCamera) -> FloatImage:
    """HDR-like rendering: large contrasts reduced, small ones kept or raised.

    Edge-preserving by the guided filter (He, Sun, Tang 2013).
    """
    height, width = linear.shape[:2]
    level = cv2.log(np.maximum(cv2.transform(linear, LUMINANCE[None]), 1e-3))
    small = cv2.resize(level, (max(width // 4, 1), max(height // 4, 1)), interpolation=cv2.INTER_AREA)
    slope, offset = _guided_coefficients(small, max(max(small.shape) // 16, 2), 0.25)
    base = cv2.resize(slope, (width, height)) * level + cv2.resize(offset, (width, height))
    middle = np.float32(math.log(0.18))
    change = np.float32(phone.local_strength) * (middle - base) + np.float32(phone.local_detail - 1) * (level - base)
    np.minimum(change, np.float32(1.4), out=change)  # nobody lifts black by more than two stops
    result = linear * cv2.exp(change)[..., None]
    return np.asarray(np.minimum(result, phone.headroom), np.float32)


def _set_black(linear: FloatImage, share: float) -> tuple[FloatImage, float]:
    """Take this share of the darkest luminance from all of the photo: black is made black.

    Brightness is kept where the photo is brightest, so that all else grows darker and tones spread. Returns the photo,
    and how many times further apart they lie.
    """
    darkest, brightest = _metered_range(linear)
    black = share * min(darkest, MOST_BLACK * brightest)
    spread = brightest / max(brightest - black, 1e-6)
    return np.asarray(np.maximum(linear - black, 0) * spread, np.float32), spread


def _white_point(linear: FloatImage, phone: PhoneCamera, least: float) -> float:
    """The linear value that becomes white: from the headroom towards the brightest luminance there is, none below
    `least`."""
    brightest = min(max(_metered_range(linear)[1], least), phone.headroom)
    return float(phone.headroom * (brightest / phone.headroom) ** phone.white)


def _metered_range(linear: FloatImage) -> tuple[float, float]:
    """The darkest and brightest luminance of a small copy, but for a few of its pixels."""
    small = cv2.resize(cv2.transform(linear, LUMINANCE[None]), METERED_PX, interpolation=cv2.INTER_AREA)
    darkest, brightest = np.percentile(small, [DARKEST_PERCENT, 100 - DARKEST_PERCENT])
    return float(darkest), float(brightest)


def _guided_coefficients(image: FloatImage, radius: int, epsilon: float | FloatImage) -> tuple[FloatImage, FloatImage]:
    """Coefficients of the self-guided filter: smooth = slope · image + offset."""
    size = (2 * radius + 1, 2 * radius + 1)
    mean = cv2.blur(image, size)
    variance = np.maximum(cv2.blur(image * image, size) - mean * mean, 0)
    slope = variance / (variance + np.asarray(epsilon, np.float32) + np.float32(1e-12))  # flat and without noise: 0
    return cv2.blur(slope, size), cv2.blur(mean - slope * mean, size)


def noise_by_level(curve: FloatImage, headroom: float, white_e: float, read_noise_e: float) -> FloatImage:
    """Standard deviation (256,) of a grey's encoded value by that value: noise of light and sensor, and tone curve."""
    linear = headroom * np.linspace(0, 1, len(curve)) ** 2
    sigma = np.sqrt(linear / white_e + (read_noise_e / white_e) ** 2)
    # half of what lies between the deviations: near black the curve is steeper than the noise is small
    spread = (np.interp(linear + sigma, linear, curve) - np.interp(linear - sigma, linear, curve)) / 2
    return np.asarray(np.interp(np.linspace(0, 1, 256), curve, spread), np.float32)


def _finish(
    encoded: FloatImage,
    phone: PhoneCamera,
    noise: FloatImage,
    corners: FloatImage,
    doubled_at: float,
    rng: np.random.Generator,
) -> FloatImage:
    """Noise reduction, chroma softening, saturation and sharpening, on encoded values, luma and chroma apart.

    `noise` (256,) is the deviation of each level, `corners` (H, W) how many times more of it there is. Noise reduction
    flattens what varies no more than noise does and leaves edges, twice as much so where the deviation is `doubled_at`;
    of the chroma it takes what is fine and leaves what is as wide as a blotch.
    """
    luma, red, blue = cv2.split(cv2.cvtColor(encoded, cv2.COLOR_RGB2YCrCb))
    sigma = np.take(noise, np.clip(luma * 255, 0, 255).astype(np.uint8)) * corners
    if phone.denoise:
        slope, offset = _guided_coefficients(luma, 2, (phone.denoise * (sigma + sigma**2 / doubled_at)) ** 2)
        luma = slope * luma + offset
    if phone.sharpening:
        detail = luma - cv2.GaussianBlur(luma, (0, 0), phone.sharpening_radius_px)
        edge = detail * detail
        edge /= edge + sigma**2 + np.float32(1e-9)  # noise is hardly sharpened
        detail *= np.float32(phone.sharpening) * edge
        luma = luma + detail / (1 + np.abs(detail) / np.float32(phone.halo))
    height, width = luma.shape
    soft = math.hypot(phone.chroma_blur_px, 100 * float(noise[128]))
    coarse = (max(round(width / phone.blotch_px), 2), max(round(height / phone.blotch_px), 2))
    blotches = rng.standard_normal((2, coarse[1], coarse[0]), np.float32)
    sigma *= np.float32(phone.blotch * phone.saturation)
    planes = []
    for plane, blotch in zip((red, blue), blotches, strict=True):
        if soft > 0.3:
            half = cv2.resize(plane, (max(width // 2, 1), max(height // 2, 1)), interpolation=cv2.INTER_AREA)
            plane = cv2.resize(cv2.GaussianBlur(half, (0, 0), soft / 2), (width, height))
        plane = (plane - 0.5) * np.float32(phone.saturation) + 0.5
        planes.append(plane + sigma * cv2.resize(blotch, (width, height), interpolation=cv2.INTER_CUBIC))
    return np.asarray(cv2.cvtColor(cv2.merge((luma, *planes)), cv2.COLOR_YCrCb2RGB))


# --- what people and sites do ------------------------------------------------------------------------------------


def _jpeg(srgb: ByteImage, quality: int, subsampled: bool) -> bytes:
    sampling = cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420 if subsampled else cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444
    options = [cv2.IMWRITE_JPEG_QUALITY, quality, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, sampling]
    done, data = cv2.imencode(".jpg", cv2.cvtColor(srgb, cv2.COLOR_RGB2BGR), options)
    if not done:
        raise ValueError(f"a photo of {srgb.shape[1]}x{srgb.shape[0]} could not be compressed")
    return data.tobytes()


def _rescale(photo: DevelopedPhoto, phone: PhoneCamera, least_long_side_px: int) -> DevelopedPhoto:
    """Compress on the phone, then make the site's smaller copy (labels follow) or go through one (labels stay)."""
    height, width = photo.srgb.shape[:2]
    if phone.resized == 1.0 and phone.enlarged == 1.0:
        return photo
    decoded = cv2.imdecode(
        np.frombuffer(_jpeg(photo.srgb, phone.phone_quality, phone.subsampled), np.uint8), cv2.IMREAD_COLOR
    )
    srgb = cv2.cvtColor(decoded, cv2.COLOR_BGR2RGB)
    least = min(least_long_side_px / max(height, width), 1.0)
    if phone.enlarged < 1.0:
        factor = max(phone.enlarged, least)
        small = cv2.resize(srgb, (round(width * factor), round(height * factor)), interpolation=cv2.INTER_AREA)
        return replace(photo, srgb=cv2.resize(small, (width, height), interpolation=cv2.INTER_CUBIC))
    factor = max(phone.resized, least)
    size = (round(width * factor), round(height * factor))

    def nearest(image: ByteImage) -> ByteImage:
        return np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_NEAREST), np.uint8)

    return replace(
        photo,
        srgb=np.asarray(cv2.resize(srgb, size, interpolation=cv2.INTER_AREA), np.uint8),
        surface=nearest(photo.surface),
        zone=nearest(photo.zone),
        side=nearest(photo.side),
        # a thin sign keeps its pixels: 0.4, not 0.5
        cues={
            cue: cv2.resize(mask.astype(np.float32), size, interpolation=cv2.INTER_AREA) > 0.4
            for cue, mask in photo.cues.items()
        },
    )


def hours_from_noon(elevation_deg: float, day_of_year: int, latitude_deg: float) -> float | None:
    """Hours between solar noon and the sun at this elevation, or None on a day whose sun never gets there.

    sin h = sin φ sin δ + cos φ cos δ cos H, with Cooper's declination (1969, Solar Energy 12(3)).
    """
    declination = math.radians(23.45) * math.sin(2 * math.pi * (284 + day_of_year) / 365)
    latitude = math.radians(latitude_deg)
    cosine = math.sin(math.radians(elevation_deg)) - math.sin(latitude) * math.sin(declination)
    cosine /= math.cos(latitude) * math.cos(declination)
    return math.degrees(math.acos(cosine)) / 15 if abs(cosine) <= 1 else None


def date_stamp(
    number: npt.NDArray[np.int64],
    place: npt.NDArray[np.float64],
    settings: OverlaySettings,
    elevation_deg: float | None,
) -> str:
    """A date from six numbers below 60 and two below 1; with a time that fits the sun, where that is known.

    Civil time runs ahead of the sun's by the time zone and by summer time.
    """
    day, month, year = 1 + number[1] % 28, 1 + number[2] % 12, 2004 + number[3] % 21
    shapes = (
        f"{day:02d}.{month:02d}.{year}",
        f"{year}/{month:02d}/{day:02d}",
        f"'{year % 100:02d} {month:2d} {day:2d}",
    )
    date = shapes[number[0] % 3]
    if elevation_deg is None or number[5] % 2:
        return date
    latitude, ahead = (
        float(np.interp(place[k], (0, 1), pair))
        for k, pair in enumerate((settings.stamp_latitude_deg, settings.stamp_ahead_h))
    )
    away = hours_from_noon(elevation_deg, round(30.4 * (month - 1) + day), latitude)
    if away is None:
        return date
    minutes = round(60 * (12 + ahead + (away if number[4] % 2 else -away)))
    return f"{date} {minutes // 60 % 24:02d}:{minutes % 60:02d}"


def _overlay(
    photo: DevelopedPhoto,
    phone: PhoneCamera,
    rng: np.random.Generator,
    settings: OverlaySettings,
    sun_elevation_deg: float | None,
) -> DevelopedPhoto:
    """Cover the number plate, add the site's text, strip, border or the camera's date. Covered places lose labels."""
    place, number = rng.random(2), rng.integers(0, 60, 6)  # always drawn, see _scatter
    if not phone.plate_covered and phone.overlay == "none":
        return photo
    srgb = photo.srgb.copy()
    height, width = srgb.shape[:2]
    covered = np.zeros((height, width), bool)
    if phone.plate_covered:
        is_registration = (photo.surface == SURFACES.index("plate")) & (photo.zone != IDENTIFICATION_ZONE)
        _cover_plate(srgb, is_registration, soft=bool(number[0] % 2))
    scale = max(height, width) / 1024
    colour = settings.plain_colours[number[1] % len(settings.plain_colours)]
    if phone.overlay == "text":
        layer = srgb.copy()
        size = scale * (0.8 + 1.6 * place[1])
        spot = (int(width * (0.04 + 0.5 * place[0])), int(height * (0.1 + 0.85 * place[1])))
        cv2.putText(
            layer,
            phone.overlay_text,
            spot,
            cv2.FONT_HERSHEY_DUPLEX,
            size,
            (250, 250, 250),
            max(round(2 * size), 1),
            cv2.LINE_AA,
        )
        srgb = cv2.addWeighted(layer, 0.35 + 0.4 * place[0], srgb, 0.65 - 0.4 * place[0], 0)
    elif phone.overlay == "strip":
        top = height - int(height * (0.05 + 0.05 * place[0]))
        srgb[top:] = colour
        covered[top:] = True
        ink = (255, 255, 255) if sum(colour) < 380 else (20, 20, 20)
        spot = (int(20 * scale), height - int((height - top) * 0.3))
        cv2.putText(
            srgb,
            phone.overlay_text,
            spot,
            cv2.FONT_HERSHEY_SIMPLEX,
            (height - top) / 42,
            ink,
            max(round(1.5 * scale), 1),
            cv2.LINE_AA,
        )
    elif phone.overlay == "border":
        edge = max(int(max(height, width) * (0.006 + 0.02 * place[0])), 1)
        covered[:] = True
        covered[edge:-edge, edge:-edge] = False
        srgb[covered] = (255, 255, 255) if place[1] < 0.7 else (0, 0, 0)
    elif phone.overlay == "timestamp":
        date = date_stamp(number, place, settings, sun_elevation_deg)
        ink = settings.stamp_colours[number[4] % len(settings.stamp_colours)]
        font, size, bold = cv2.FONT_HERSHEY_SIMPLEX, 0.75 * scale, max(round(1.3 * scale), 1)
        (wide, _), _ = cv2.getTextSize(date, font, size, bold)
        spot = (width - wide - int((14 + 40 * place[0]) * scale), height - int((14 + 30 * place[1]) * scale))
        shade = tuple(value // 4 for value in ink)
        for shift, paint in ((max(round(scale), 1), shade), (0, ink)):
            cv2.putText(srgb, date, (spot[0] + shift, spot[1] + shift), font, size, paint, bold, cv2.LINE_AA)
    if not covered.any():
        return replace(photo, srgb=srgb)
    return replace(
        photo,
        srgb=srgb,
        surface=np.where(covered, np.uint8(SURFACES.index("background")), photo.surface),
        zone=np.where(covered, np.uint8(0), photo.zone),
        side=np.where(covered, np.uint8(0), photo.side),
        cues={cue: mask & ~covered for cue, mask in photo.cues.items()},
    )


def _cover_plate(srgb: ByteImage, is_plate: Mask, *, soft: bool) -> None:
    """Blur the number plate or paint a box over it, in place."""
    rows, columns = np.nonzero(is_plate)
    if len(rows) < 30:
        return
    top, bottom, left, right = rows.min(), rows.max() + 1, columns.min(), columns.max() + 1
    if soft:
        srgb[top:bottom, left:right] = cv2.blur(srgb[top:bottom, left:right], (max((right - left) // 4, 3),) * 2)
    else:
        srgb[top:bottom, left:right] = (236, 236, 232)
