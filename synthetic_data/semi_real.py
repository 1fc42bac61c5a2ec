"""Paint put on a surface of a real photo, in the photo's own light, sharpness and noise.

What a photo does not tell is estimated where the mark lies: light from the surface's own shading, blur from the
sharpest edges around, noise from what is left of the pixels after smoothing. Covers are drawn finer than the photo,
added up in linear light, blurred and given noise as the photo's own pixels were, and saved with the photo's own JPEG
tables.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image, JpegImagePlugin

from synthetic_data.camera import LUMINANCE, decode_srgb, encode_srgb
from synthetic_data.semi_real_marks import Kind, Place

Array = npt.NDArray[Any]
REFLECTANCE = {"rubber": 0.05, "black_part": 0.05, "fastener": 0.25}  # by eye; paint's own is marked
SQUARE_PX, CALM_PERCENT = 16, 15  # squares in which noise is measured; the share that shows little but noise
CALM_SHARE = 0.89  # what that share's noise is of white noise's own deviation (the calmest are calm by chance, too)
PIXEL_BLUR_PX = 0.29  # deviation of a square pixel's own aperture, 1 / sqrt(12)


@dataclass(frozen=True, slots=True)
class Layer:
    """One thing laid on a surface, on the fine grid of its place.

    `cover` (h, w) 0 to 1 and its `albedo` (3,) or (h, w, 3) linear; `light` (h, w) multiplies what is seen (relief,
    shade); `gloss`: share of the surface's own highlights that stays; `shows` (h, w) bool: where it can be seen.
    `radiance` (H, W, 3) in place of albedo and light, on the photo's grid, where the cover's look is known.
    """

    cover: Array
    albedo: Array
    light: Array
    shows: Array
    gloss: float = 0.0
    radiance: Array | None = None


@dataclass(frozen=True, slots=True)
class Light:
    """The light on a place, (H, W) on the photo's grid: radiance of a white surface; `highlight` (H, W, 3): gloss."""

    white: Array
    highlight: Array


def luminance(linear: Array) -> Array:
    """Relative luminance of linear sRGB, last axis dropped."""
    return np.asarray(linear @ LUMINANCE)


def estimate_blur(encoded: Array) -> float:
    """Standard deviation (px) of the blur of the sharpest edges in a patch (H, W, 3), sRGB 0 to 1; 0.5 to 3.

    An edge of contrast c blurred by a Gaussian of deviation s has the slope c / (s sqrt(2 pi)) in its middle.
    """
    grey = np.ascontiguousarray(encoded.mean(-1), dtype=np.float32)
    slope = np.hypot(cv2.Sobel(grey, cv2.CV_32F, 1, 0) / 8, cv2.Sobel(grey, cv2.CV_32F, 0, 1) / 8)
    box = np.ones((13, 13), np.uint8)
    contrast = cv2.dilate(grey, box) - cv2.erode(grey, box)
    strong = (contrast > 0.15) & (slope >= cv2.dilate(slope, np.ones((5, 5), np.uint8)) - 1e-9)
    if strong.sum() < 10:
        return 1.0
    widths = contrast[strong] / (np.maximum(slope[strong], 1e-6) * np.sqrt(2 * np.pi))
    measured = float(np.percentile(widths, 15))
    operator = 0.87  # the Sobel pair's own widening of an edge, as a deviation in px
    return float(np.clip(np.sqrt(max(measured**2 - operator**2, 0)), 0.5, 3))


def estimate_noise(encoded: Array, level: float) -> float:
    """Standard deviation of the grey noise of a photo (H, W, 3), sRGB 0 to 1, where it is about as light as `level`.

    Second differences cancel what is linear (Immerkær 1996, Computer Vision and Image Understanding 64(2), 300-302);
    what has texture of its own is passed over: of the half of the squares nearest in lightness, the calmer ones count.
    0 to 0.05.
    """
    grey = np.ascontiguousarray(encoded.mean(-1), dtype=np.float32)
    kernel = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
    rest = np.abs(cv2.filter2D(grey, -1, kernel))
    rows, columns = (size // SQUARE_PX for size in grey.shape)
    rest, lightness = (
        field[: rows * SQUARE_PX, : columns * SQUARE_PX]
        .reshape(rows, SQUARE_PX, columns, SQUARE_PX)
        .transpose(0, 2, 1, 3)
        .reshape(rows * columns, SQUARE_PX**2)
        for field in (rest, grey)
    )
    if not len(rest):
        return 0.0
    nearest = np.argsort(np.abs(lightness.mean(1) - level), kind="stable")[: max(len(rest) // 2, 1)]
    return float(min(np.percentile(np.median(rest[nearest], 1), CALM_PERCENT) / 0.6745 / 6 / CALM_SHARE, 0.05))


def estimate_light(linear: Array, place: Place, kind: Kind, body_reflectance: float) -> Light:
    """The light on a place of a photo's window (H, W, 3) linear.

    On paint it is the smoothed luminance over the paint's reflectance. On black parts and rubber the gloss outshines
    the surface, so the level is the mean (in logarithms) of what surface and surroundings say; shading is the
    surface's own.
    """
    inside = place.reduced(place.inside) > 0.5
    if not inside.any():
        inside = place.reduced(place.inside) > 0
    seen = luminance(linear)
    wide = cv2.GaussianBlur(seen, (0, 0), float(np.clip(place.breadth / 4, 0.8, 6)))
    smooth = cv2.GaussianBlur(linear, (0, 0), 2.0)
    highlight = np.maximum(linear - smooth, 0)
    if kind in ("panel", "shut", "seam"):
        fine = cv2.GaussianBlur(seen, (0, 0), 1.2)
        return Light(np.asarray(fine / body_reflectance), highlight)
    level = float(np.median(wide[inside])) / REFLECTANCE[kind]
    around = (cv2.dilate(inside.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0) & ~inside
    outside = float(np.percentile(seen[around], 70)) / body_reflectance if around.any() else level
    white = float(np.clip(np.sqrt(level * outside), 0.35 * outside, 1.6 * outside))
    if kind == "fastener":  # a coat follows head and washer: their facets stay, rounded; their glints go
        wide = cv2.GaussianBlur(seen, (0, 0), float(np.clip(place.breadth / 25, 0.9, 4)))
    shading = np.clip((wide / max(float(np.median(wide[inside])), 1e-4)) ** 0.6, 0.35, 2.0)
    return Light(np.asarray(np.minimum(white * shading, 1.25)), highlight)


def body_colour(linear: Array, inside: Array, body_reflectance: float) -> Array:
    """Albedo (3,) of the paint under the pixels `inside`: their median colour at the paint's reflectance."""
    median = np.median(linear[inside], axis=0)
    return np.asarray(np.clip(median / max(float(luminance(median)), 1e-4) * body_reflectance, 0.002, 0.95))


def composite(
    photo: Array,
    place: Place,
    layers: Sequence[Layer],
    light: Light,
    *,
    blur_px: float,
    noise: float,
    rng: np.random.Generator,
) -> tuple[Array, Array]:
    """The photo (H, W, 3) uint8 with the layers on the place, and where they show (H, W) bool.

    Pixels that no layer reaches, blur included, stay as they are. A cover hides the surface's noise in proportion, so
    new noise makes up for what is lost. `noise` is in sRGB values 0 to 1, grey.
    """
    left, top, right, bottom = place.window
    before = photo[top:bottom, left:right].astype(np.float32) / 255
    linear = decode_srgb(before).astype(np.float32)
    spread = float(np.sqrt(max(blur_px**2 - PIXEL_BLUR_PX**2, 0.04)))
    hidden = np.zeros(before.shape[:2], np.float32)
    shows = np.zeros(before.shape[:2], bool)
    for layer in layers:
        cover = _seen(place, layer.cover, spread)
        if layer.radiance is None:
            tint = np.stack(
                [_seen(place, layer.cover * layer.albedo[..., channel], spread) for channel in range(3)], -1
            )
            laid = tint * light.white[..., None] + layer.gloss * cover[..., None] * light.highlight
        else:
            laid = cover[..., None] * layer.radiance
        shade = 1 + _seen(place, layer.light - 1, spread)
        linear = (linear * (1 - cover[..., None]) + laid) * shade[..., None]
        hidden = 1 - (1 - hidden) * (1 - cover)
        shows |= place.reduced(layer.shows) > 0.3
    encoded = encode_srgb(linear).astype(np.float32)
    grain = rng.normal(size=before.shape[:2]).astype(np.float32)  # grey: JPEG leaves little of coloured noise
    if blur_px > 0.8:  # noise that went through the photo's own smoothing
        grain = cv2.GaussianBlur(grain, (0, 0), 0.6)
        grain /= grain.std()
    lost = np.sqrt(np.clip(1 - (1 - hidden) ** 2, 0, 1))
    after = encoded + (noise * lost * grain)[..., None]
    touched = np.abs(encoded - before).max(-1) > 0.2 / 255
    result = photo.copy()
    patch = np.clip(np.round(after * 255), 0, 255).astype(np.uint8)
    result[top:bottom, left:right] = np.where(touched[..., None], patch, photo[top:bottom, left:right])
    mask = np.zeros(photo.shape[:2], bool)
    mask[top:bottom, left:right] = shows
    return result, mask


def _seen(place: Place, field: Array, spread: float) -> Array:
    """A fine field as the photo's pixels and lens see it."""
    return np.asarray(cv2.GaussianBlur(place.reduced(field), (0, 0), spread))


def save_like(picture: Array, original: bytes) -> bytes:
    """The picture (H, W, 3) uint8 as a JPEG with the tables and colour subsampling of the original; no metadata."""
    with Image.open(io.BytesIO(original)) as photo:
        tables = getattr(photo, "quantization", None)
        sampling = JpegImagePlugin.get_sampling(photo) if tables else -1
    out = io.BytesIO()
    if tables:
        Image.fromarray(picture).save(out, "JPEG", qtables=tables, subsampling=sampling if sampling >= 0 else 2)
    else:
        Image.fromarray(picture).save(out, "JPEG", quality=90)
    return out.getvalue()
