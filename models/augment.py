"""Augmentation with albumentations: photo and label planes always move together.

Label planes are uint8 (H, W, 4): cue bits 0 to 7, cue bits 8 to 15, surface, and place (zone + 32 × side); 255 in the
last two is unknown. Colour changes are bounded (see Augmentation): they may move a whole photo as a camera would, never
one part of it.
"""

from __future__ import annotations

from typing import Any

import albumentations as A
import cv2
import numpy as np
import numpy.typing as npt
from pydantic import Field

from pipeline.configuration import Config

Bytes = npt.NDArray[np.uint8]
CUES_LOW, CUES_HIGH, SURFACE, PLACE = range(4)
UNKNOWN_CLASS = 255
SIDE_STEP = 32


def _other_side(place: int) -> int:
    side, zone = divmod(place, SIDE_STEP)
    return zone + (3 - side) * SIDE_STEP if place != UNKNOWN_CLASS and side in (1, 2) else place


OTHER_SIDE = np.array([_other_side(place) for place in range(256)], np.uint8)


class Augmentation(Config):
    """Bounds of the random changes. The colour bounds are what a phone's white balance and exposure do (common
    practice, no source): a larger hue shift would turn one paint into another and could invent or hide a mismatch."""

    height: int = Field(default=512, multiple_of=32)
    width: int = Field(default=640, multiple_of=32)
    least_area: float = Field(
        default=0.1, gt=0, le=1, description="least share of the photo in a crop: 0.1 is a close look"
    )
    cue_centred: float = Field(default=0.5, ge=0, le=1, description="share of crops that are moved onto a cue, if any")
    whole_view: float = Field(
        default=0.3, ge=0, le=1, description="share kept (nearly) whole: these alone teach the kind of view"
    )
    rotation_deg: float = 6.0
    perspective: float = 0.05
    brightness: float = 0.2
    contrast: float = 0.2
    gamma_percent: int = Field(default=20, ge=0, lt=100)
    tone_curve: float = Field(default=0.12, ge=0, le=0.3, description="how far a tone curve's points wander")
    uneven_light: float = Field(default=0.15, gt=0.02, le=0.2, description="largest change of light across the photo")
    hue_deg: float = Field(default=6.0, ge=0, le=10, description="CSS degrees (of 360)")
    saturation: int = Field(default=20, ge=0, le=40, description="of 255")
    white_balance_k: tuple[int, int] = (4500, 9500)
    camera: float = Field(default=1, ge=0, le=1, description="how often blur, noise and compression come, of the usual")
    noise: float = Field(default=0.06, description="largest standard deviation, of the full range")
    jpeg_quality: tuple[int, int] = (35, 95)
    grey: float = Field(default=0.02, description="share of photos turned grey")
    random_filter: float = Field(
        default=0, ge=0, le=1, description="share put through a random filter: other materials"
    )


class CueCentredCrop(A.RandomResizedCrop):  # type: ignore[misc]
    """A random resized crop that, with probability `centred`, is shifted to hold a randomly drawn cue pixel."""

    centred = 0.0  # set after construction: albumentations checks constructors against the parent's signature

    def get_params_dependent_on_data(self, params: dict[str, Any], data: dict[str, Any]) -> dict[str, Any]:
        chosen: dict[str, Any] = super().get_params_dependent_on_data(params, data)
        if self.py_random.random() >= self.centred:
            return chosen
        cues = data["mask"][:, :, CUES_LOW] | data["mask"][:, :, CUES_HIGH]
        places = cv2.findNonZero(cues)
        if places is None:
            return chosen
        x, y = (int(value) for value in places[self.py_random.randrange(len(places))].reshape(2))
        left, top, right, bottom = chosen["crop_coords"]
        height, width = params["shape"][:2]
        new_left, new_top = self._start(x, right - left, width), self._start(y, bottom - top, height)
        return {**chosen, "crop_coords": (new_left, new_top, new_left + right - left, new_top + bottom - top)}

    def _start(self, pixel: int, length: int, whole: int) -> int:
        start = pixel - int(length * self.py_random.uniform(0.1, 0.9))
        return min(max(start, 0), whole - length)


class SideFlip(A.HorizontalFlip):  # type: ignore[misc]
    """A horizontal flip: what lay on the vehicle's left is on its right in the mirrored photo."""

    def apply_to_mask(self, mask: Bytes, **params: Any) -> Bytes:
        flipped: Bytes = super().apply_to_mask(mask, **params).copy()
        flipped[:, :, PLACE] = cv2.LUT(np.ascontiguousarray(flipped[:, :, PLACE]), OTHER_SIDE)
        return flipped


class RandomFilter(A.ImageOnlyTransform):  # type: ignore[misc]
    """The photo mixed with itself under a random 3-channel filter of 1 or 3 pixels, at its own mean and contrast.

    Shapes and edges stay, materials and the look of the renderer change, so that the network learns the former (Xu et
    al. 2021, "Robust and generalizable visual representation learning via random convolutions"). The filter is the
    same all over the photo: two places of one colour stay alike, and no mismatch is invented.
    """

    def get_params(self) -> dict[str, Any]:
        draw = self.random_generator
        size = int(draw.choice([1, 3]))
        return {
            "kernel": draw.normal(0, 1, (3, 3, size, size)).astype(np.float32) / (3 * size * size) ** 0.5,
            "amount": float(draw.uniform(0.1, 0.5)),
        }

    def apply(self, img: Bytes, kernel: npt.NDArray[np.float32], amount: float, **params: Any) -> Bytes:
        source = img.astype(np.float32)
        if kernel.shape[-1] == 1:
            filtered = cv2.transform(source, kernel[:, :, 0, 0])
        else:
            channels = cv2.split(source)
            filtered = cv2.merge(
                [
                    np.sum([cv2.filter2D(c, -1, k) for c, k in zip(channels, kernels, strict=True)], axis=0)
                    for kernels in kernel
                ]
            )
        (mean, spread), (new_mean, new_spread) = _mean_and_spread(source), _mean_and_spread(filtered)
        factor = amount * spread / max(new_spread, 1e-3)
        mixed = cv2.addWeighted(source, 1 - amount, filtered, factor, amount * mean - factor * new_mean)
        result: Bytes = np.clip(mixed, 0, 255, out=mixed).astype(np.uint8)
        return result


def _mean_and_spread(values: npt.NDArray[np.float32]) -> tuple[float, float]:
    """Mean and standard deviation over all pixels and channels."""
    mean, deviation = cv2.meanStdDev(values.reshape(-1, 1))
    return float(mean[0, 0]), float(deviation[0, 0])


def training_augmentation(settings: Augmentation, *, whole: bool = False) -> A.Compose:
    """The chain for training. Call with `image` and `mask`; `set_random_seed` first makes a draw repeatable.

    `whole` keeps (nearly) all of the photo in view: for photos whose cues are known, but not where they are.
    """
    size = (settings.height, settings.width)
    geometry = {"interpolation": cv2.INTER_LINEAR, "mask_interpolation": cv2.INTER_NEAREST}
    # What a geometric change brings in from outside the photo, or a hole takes out, is unknown, not "no surface".
    filled = {"fill": 0, "fill_mask": (0, 0, UNKNOWN_CLASS, UNKNOWN_CLASS)}
    crop = CueCentredCrop(
        size=size, scale=(0.9 if whole else settings.least_area, 1.0),
        ratio=(0.9 * size[1] / size[0], 1.15 * size[1] / size[0]), **geometry,
    )  # fmt: skip
    crop.centred = 0.0 if whole else settings.cue_centred
    return A.Compose(
        [
            crop,
            SideFlip(p=0.5),
            A.OneOf(
                [
                    A.Affine(rotate=(-settings.rotation_deg, settings.rotation_deg), shear=(-3, 3),
                             border_mode=cv2.BORDER_CONSTANT, **geometry, **filled),
                    A.Perspective(scale=(0.01, settings.perspective), border_mode=cv2.BORDER_CONSTANT,
                                  **geometry, **filled),
                ],
                p=0.35,
            ),
            A.RandomBrightnessContrast(settings.brightness, settings.contrast, p=0.6),
            A.RandomGamma((100 - settings.gamma_percent, 100 + settings.gamma_percent), p=0.3),
            A.RandomToneCurve(scale=settings.tone_curve, p=0.3),
            A.Illumination(intensity_range=(0.02, settings.uneven_light), p=0.15),
            A.HueSaturationValue(
                # OpenCV's 8-bit hue counts in steps of 2 degrees
                hue_shift_limit=settings.hue_deg / 2, sat_shift_limit=settings.saturation, val_shift_limit=0, p=0.3,
            ),
            A.PlanckianJitter(mode="blackbody", temperature_limit=settings.white_balance_k, p=0.3),
            RandomFilter(p=settings.random_filter),
            A.OneOf(
                [
                    A.GaussianBlur(blur_limit=(3, 5)),
                    A.MotionBlur(blur_limit=(3, 7)),
                    A.Downscale(scale_range=(0.5, 0.9)),
                    A.Sharpen(alpha=(0.1, 0.4)),
                ],
                p=0.35 * settings.camera,
            ),
            A.OneOf(
                [
                    A.GaussNoise(std_range=(0.005, settings.noise), noise_scale_factor=0.5),
                    A.GaussNoise(std_range=(0.005, settings.noise), per_channel=False),
                    A.ISONoise(color_shift=(0.01, 0.04), intensity=(0.1, 0.4)),
                ],
                p=0.3 * settings.camera,
            ),
            A.ChromaticAberration(p=0.1 * settings.camera),
            A.ImageCompression(quality_range=settings.jpeg_quality, p=0.35 * settings.camera),
            A.ToGray(p=settings.grey),
            A.CoarseDropout(
                num_holes_range=(1, 4), hole_height_range=(0.04, 0.15), hole_width_range=(0.04, 0.15), p=0.15, **filled
            ),
        ]
    )  # fmt: skip
