"""What of a photo can stand at the horizon of another place: the land under its sky, if it has a sky.

Folders of photos hold rooms, meals and people too. A photo counts as outdoors where most of its upper part is bright,
smooth and no warmer than grey, joined from edge to edge, and brighter than what lies below. Only what stands between
that sky and the lowest place where it is seen is kept: that line is near the true horizon, and what is nearer than it,
people most of all, reaches below it or is cut off by the ground that is laid later.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt
from pydantic import Field

from pipeline.configuration import Config
from synthetic_data.camera import LUMINANCE, Range, Share
from synthetic_data.panorama import Array

NARROW_PX = 41  # of WIDTH_PX: posts, people and signs that stand out against the sky are left out
WIDTH_PX = 640  # at which a photo is judged and used: 60° of a panorama 2048 wide are 341 pixels


class SkylineSettings(Config):
    """`scenes` in `configs/synthesis/light.yaml`."""

    probability: Share
    tries: int = Field(ge=1)
    sky_luminance: float = Field(gt=0)
    sky_blue: float = Field(gt=0)
    sky_roughness: float = Field(gt=0)
    least_sky: Share
    sky_over_land: float = Field(gt=0)
    land_over_sky: float = Field(gt=0)
    land_colour: Share
    width_deg: float = Field(gt=0)
    land_deg: Range
    step_deg: float = Field(gt=0)


def skyline(photo: Array, settings: SkylineSettings) -> Array | None:
    """The far land of a photo (h, w, 3), linear sRGB 0 to 1: float32 (rows, WIDTH_PX, 4), colour times opacity, and
    opacity, its last row at the horizon. None where the photo does not show outdoors with a low skyline."""
    height = round(photo.shape[0] * WIDTH_PX / photo.shape[1])
    small = cv2.resize(photo.astype(np.float32), (WIDTH_PX, height), interpolation=cv2.INTER_AREA)
    sky = _sky(small, settings)
    upper, lower = slice(0, height // 4), slice(height * 2 // 3, height)
    luminance = small @ LUMINANCE.astype(np.float32)
    is_bright = np.median(luminance[upper]) > settings.sky_over_land * np.median(luminance[lower])
    if sky[upper].mean() < settings.least_sky or not is_bright:
        return None
    lowest = height - 1 - np.argmax(sky[::-1], axis=0)
    horizon = int(np.quantile(lowest[sky.any(axis=0)], 0.95)) + 1
    around = cv2.GaussianBlur(luminance, (0, 0), 5.0)[:horizon]
    is_dark = around < settings.land_over_sky * np.median(luminance[sky])  # no cloud, no glow
    land = (~sky[:horizon] & is_dark).astype(np.uint8)
    land = cv2.morphologyEx(land, cv2.MORPH_OPEN, np.ones((1, NARROW_PX), np.uint8))
    _, label, box, _ = cv2.connectedComponentsWithStats(land)
    stands = box[:, cv2.CC_STAT_TOP] + box[:, cv2.CC_STAT_HEIGHT] >= horizon - 2  # no birds, nobody in the air
    land = land * (stands & (np.arange(len(box)) > 0))[label].astype(np.uint8)
    land = np.cumprod(land[::-1], axis=0, dtype=np.uint8)[::-1]  # nothing overhangs
    if not land.any():
        return None
    seen = small[:horizon][land > 0]
    colour = (seen.max(axis=1) - seen.min(axis=1)) / np.maximum(seen.max(axis=1), 1e-3)
    if np.quantile(colour, 0.75) > settings.land_colour:  # lacquer, awnings
        return None
    tall = WIDTH_PX / settings.width_deg * np.asarray(settings.land_deg)  # pixels
    rows = land.sum(axis=0, dtype=int)
    steepest = np.abs(np.diff(rows)).max() * settings.width_deg / WIDTH_PX
    if not tall[0] < np.quantile(rows, 0.75) or rows.max() > tall[1] or steepest > settings.step_deg:
        return None
    inside = cv2.erode(land, np.ones((3, 3), np.uint8)).astype(np.float32)  # the sky's glow stays outside
    cover = cv2.GaussianBlur(inside, (0, 0), 0.8)[max(horizon - int(rows.max()) - 2, 0) :]
    cut = small[horizon - len(cover) : horizon]
    return np.concatenate([cut * cover[..., None], cover[..., None]], axis=-1)


def _sky(small: Array, settings: SkylineSettings) -> npt.NDArray[np.bool_]:
    """Which pixels (h, w) are sky: bright, not warm, smooth, and joined to the upper edge."""
    luminance = small @ LUMINANCE.astype(np.float32)
    rough = cv2.blur(np.abs(cv2.Laplacian(np.sqrt(luminance), cv2.CV_32F)), (5, 5))
    like = (luminance > settings.sky_luminance) & (small[..., 2] > settings.sky_blue * small[..., 0])
    like &= rough < settings.sky_roughness
    closed = cv2.morphologyEx(like.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    _, label = cv2.connectedComponents(closed)
    above = np.unique(label[0])
    joined = np.isin(label, above[above > 0]).astype(np.uint8)
    return np.asarray(cv2.dilate(joined, np.ones((3, 3), np.uint8)) > 0)
