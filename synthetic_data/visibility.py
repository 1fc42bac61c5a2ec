"""Whether a cue that lies in the picture can be seen there: the finished photo beside the same photo without it.

A step in the dark, a line under the camera's noise or a speck of veil far away is in the scene and not in the photo;
calling it present teaches a network to guess. Such a cue is unknown, neither present nor absent.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from pydantic import Field

from pipeline.configuration import Config

Mask = npt.NDArray[np.bool_]
Photo = npt.NDArray[np.uint8]
Values = npt.NDArray[np.float32]
# told by their area alone: a joint's shape is there in the photo without cues, too, and heads are seen where they are
BY_AREA = frozenset({"changed_joint", "painted_fastener"})
RELIEF = frozenset({"film_defect", "coarse_texture"})  # seen by lines and grain, not by another colour
OLD_COAT = "old_coat"  # among a photo's masks, beside the cues': of masking edges, the side that the tape kept free
LONG_SIDE_PX = 1024  # lengths below are pixels of a photo of this long side
FINE_PX, AROUND_PX = 1.0, 8.0  # standard deviations of the blurs that take out noise, and that take in surroundings
SPARSE = 3  # a change of exposure is told from every third row and column
LEAST_ELSEWHERE = 0.05  # share of the photo without any cue from which a change of exposure is told
BESIDE_PX = 3  # so near to another cue a change is taken for that one's
LINE_PX, REACH_PX = 2, 25  # how near both coats of a masking edge must come, and its mask's reach from there
FRAME_PX = 30  # along the picture's edges: what lies there alone is cut off and cannot be told


class VisibilitySettings(Config):
    """From what on a cue counts as visible. Common practice, no source; chosen by eye on contact sheets."""

    least_px: int = Field(ge=1, description="area in which a cue is seen, at a long side of 1024 pixels")
    least_px_on_parts: int = Field(ge=1, description="the same for mist on black or bare parts, which has no outline")
    least_px_of_rings: int = Field(ge=1, description="the same for wear, whose rings of coats must be told apart")
    lightness: tuple[float, float] = Field(description="least and most median L* of what is told by its area alone")
    least_difference: float = Field(ge=0, description="L*a*b* distance from the photo without the cue")
    least_contrast: float = Field(ge=0, description="the same as a multiple of the structure around")
    least_share: float = Field(ge=0, le=1, description="of the cue in the picture, that must be seen")


@dataclass(frozen=True, slots=True)
class Difference:
    """How a photo differs from the same photo without its cues: maps (H, W) in L*a*b* units.

    `change`: the distance, noise and single pixels averaged out; `fine`: without what its surroundings have in common;
    `structure`: standard deviation of the surroundings in the photo without.
    """

    change: Values
    fine: Values
    structure: Values


def difference(photo: Photo, without: Photo, elsewhere: Mask) -> Difference:
    """How a photo differs from one without its cues.

    Args:
        photo: sRGB (H, W, 3).
        without: The same photo, with the same noise, of a vehicle without any cue.
        elsewhere: Where no cue lies, (H, W): a camera may expose both a little differently.
    """
    scale = max(elsewhere.shape) / LONG_SIDE_PX
    first, second = (cv2.GaussianBlur(_lab(one), (0, 0), FINE_PX * scale) for one in (photo, without))
    change = first - second
    bare = elsewhere[::SPARSE, ::SPARSE]
    if bare.mean() >= LEAST_ELSEWHERE:
        change -= np.median(change[::SPARSE, ::SPARSE][bare], axis=0).astype(np.float32)
    around, mean, of_squares = (_surroundings(values, scale) for values in (change, second, second**2))
    structure = np.sqrt(np.maximum(of_squares - mean**2, 0).sum(axis=2))
    return Difference(_length(change), _length(change - around), structure)


def _surroundings(values: Values, scale: float) -> Values:
    """A wide blur of (H, W, 3), which half the pixels show as well."""
    height, width = values.shape[:2]
    half = cv2.resize(values, (-(-width // 2), -(-height // 2)), interpolation=cv2.INTER_AREA)
    half = cv2.GaussianBlur(half, (0, 0), AROUND_PX * scale / 2)
    wide: Values = cv2.resize(half, (width, height), interpolation=cv2.INTER_LINEAR)
    return wide


def _length(values: Values) -> Values:
    """Of vectors (H, W, 3)."""
    length: Values = np.sqrt(np.einsum("hwc,hwc->hw", values, values))
    return length


def _lab(srgb: Photo) -> Values:
    lab: Values = cv2.cvtColor(srgb.astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
    return lab


def is_worth_comparing(cues: Mapping[str, Mask], settings: VisibilitySettings) -> bool:
    """Whether a photo with these masks (H, W) shows enough of a cue that only the photo without it can tell."""
    return any(
        mask.sum() >= least_area(cue, settings) * (max(mask.shape) / LONG_SIDE_PX) ** 2
        for cue, mask in cues.items()
        if cue not in BY_AREA | {OLD_COAT}
    )


def is_visible(
    cue: str, cues: Mapping[str, Mask], photo: Photo, differs: Difference | None, settings: VisibilitySettings
) -> bool:
    """Whether a cue can be seen in the photo (H, W, 3) with these masks (H, W).

    The masks are the cues', and of what the tape kept free (`OLD_COAT`) where there are masking edges. `differs` says
    how the photo differs from one without cues; None where that was not worth comparing.
    """
    mask = cues[cue]
    scale = max(mask.shape) / LONG_SIDE_PX
    cut = round(FRAME_PX * scale)
    mask = np.pad(mask[cut:-cut, cut:-cut], cut)
    least = least_area(cue, settings) * scale**2
    if cue in BY_AREA:
        solid = cv2.erode(mask.astype(np.uint8), np.ones((5, 5), np.uint8))  # a thread of it cannot be told
        if mask.sum() < least or solid.sum() < least / 3:
            return False
        darkest, brightest = settings.lightness
        return bool(darkest <= np.median(_lab(photo[mask][None])[..., 0]) <= brightest)
    if differs is None:
        return False
    if cue == "masking_edge":  # what lies off the line is the colour of the one or the other coat
        old = cues.get(OLD_COAT, np.zeros_like(mask))  # a pane may hide all of it
        mask = mask & _grown(_line(mask, old), 2 * LINE_PX)
    change = differs.change
    if cue in RELIEF:
        for other in cues.keys() - RELIEF - {OLD_COAT}:
            mask = mask & ~_grown(cues[other], BESIDE_PX)
        change = differs.fine
    seen = mask & (change >= np.maximum(settings.least_difference, settings.least_contrast * differs.structure))
    return bool(seen.sum() >= max(least, settings.least_share * mask.sum()))


def least_area(cue: str, settings: VisibilitySettings) -> int:
    """Pixels of a photo of `LONG_SIDE_PX` in which a cue must be seen."""
    own = {"overspray_hidden": settings.least_px_on_parts, "wear_through": settings.least_px_of_rings}
    return own.get(cue, settings.least_px)


def beside_a_line(edge: Mask, old: Mask, part: npt.NDArray[np.integer[Any]]) -> Mask:
    """What (H, W) of a masking edge's mask lies by a line: both coats are in the picture, on one part.

    Where the line runs along a sheet's end or behind another part, one coat alone is seen, and that is no line; nor is
    it one where the coats of two parts meet in the picture.

    Args:
        edge: The strip along the line, on either side.
        old: What the tape kept free, (H, W).
        part: Which part each pixel shows, (H, W).
    """
    kept = np.zeros_like(edge)
    for number in np.unique(part[edge]):
        own = edge & (part == number)
        kept |= own & _grown(_line(own, old), REACH_PX)
    return kept


def _line(edge: Mask, old: Mask) -> Mask:
    return edge & _grown(edge & old, LINE_PX) & _grown(edge & ~old, LINE_PX)


def _grown(mask: Mask, px: float) -> Mask:
    """Grown by so many pixels of a photo of `LONG_SIDE_PX`."""
    side = 2 * round(px * max(mask.shape) / LONG_SIDE_PX) + 1
    wide: Mask = cv2.dilate(mask.astype(np.uint8), np.ones((side, side), np.uint8)) > 0
    return wide
