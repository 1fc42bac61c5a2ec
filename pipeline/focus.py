"""Where a photo is out of focus: there colours run into each other.

An edge blurred once more loses much of its slope if it was sharp and little if it was not (Zhuo & Sim 2011, "Defocus
map estimation from a single image", Pattern Recognition 44(9), 1852-1858). A place counts as blurred where there are
edges around and next to none of them is sharp. Where nothing has an edge, nothing runs into anything. What is smeared
one way keeps the edges that lie along it, and mostly counts as in focus.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt
from pydantic import Field

from pipeline.configuration import Config
from pipeline.records import Probability

NOISE_PX, AGAIN_PX = 0.7, 2.0  # standard deviations at half size: of what takes the noise off, of the second blur
RIDGE = 0.97  # of the steepest slope beside it: an edge is a line, not all of its slope
SLOPE = 1 / 8  # of Sobel's kernel, per pixel


class FocusSettings(Config):
    """From when on a place is blurred (`focus` in configs/colour.yaml)."""

    most_blur_px: float = Field(gt=0, description="Standard deviation of a sharp edge, at most, noise filter and all.")
    least_slope: float = Field(gt=0, description="Of an edge, in 8-bit steps a pixel at half size.")
    least_slope_of_noise: float = Field(ge=1, description="The same, in median slopes of the photo.")
    reach: Probability = Field(description="How far edges tell of what is around, as a share of the long side.")
    least_edges: int = Field(gt=0, description="Pixels of edges within reach, at half size.")
    least_sharp: Probability = Field(description="Share of these from which a place is in focus.")


def in_focus(srgb: npt.NDArray[np.uint8], size: tuple[int, int], settings: FocusSettings) -> npt.NDArray[np.bool_]:
    """Mask (rows, columns) = `size` over a photo (H, W, 3), sRGB: False where it is blurred."""
    half = (max(1, srgb.shape[1] // 2), max(1, srgb.shape[0] // 2))
    grey = cv2.cvtColor(cv2.resize(srgb, half, interpolation=cv2.INTER_AREA), cv2.COLOR_RGB2GRAY).astype(np.float32)
    once = cv2.GaussianBlur(grey, (0, 0), NOISE_PX)
    slope, again = (_slope(blurred) for blurred in (once, cv2.GaussianBlur(once, (0, 0), AGAIN_PX)))
    least = max(settings.least_slope, settings.least_slope_of_noise * float(np.median(slope)))
    edge = (slope > least) & (slope >= RIDGE * cv2.dilate(slope, np.ones((3, 3), np.uint8)))
    # a Gaussian edge of standard deviation s, blurred by t, keeps s / √(s² + t²) of its slope
    sharp = edge & (slope > again * np.hypot(1.0, 2 * AGAIN_PX / settings.most_blur_px))
    edges, sharp_edges = (_around(mask, settings.reach) for mask in (edge, sharp))
    blurred = (edges >= settings.least_edges) & (sharp_edges < settings.least_sharp * edges)
    rows, columns = size
    return np.asarray(cv2.resize(blurred.astype(np.uint8), (columns, rows), interpolation=cv2.INTER_NEAREST) == 0)


def _slope(grey: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    across, down = (cv2.Sobel(grey, -1, *way, scale=SLOPE) for way in ((1, 0), (0, 1)))
    return np.asarray(cv2.magnitude(across, down), np.float32)


def _around(mask: npt.NDArray[np.bool_], reach: float) -> npt.NDArray[np.float32]:
    side = 2 * round(reach * max(mask.shape)) + 1
    return np.asarray(cv2.boxFilter(mask.astype(np.float32), -1, (side, side), normalize=False), np.float32)
