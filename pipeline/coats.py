"""Where two coats of paint meet inside the box of a masking edge, as a curve, straight or not.

Behind a seal, round a corner or along torn tape a masking edge is no straight line, but it parts two hues. The paint in
the box is brought to one lightness, so that shade makes no difference, and its colours are split in two along the line
on which they scatter most (Otsu 1979, "A threshold selection method from gray-level histograms", IEEE TSMC 9(1),
62-66). The longest boundary between both is the curve. A split always finds two sides, in one paint as well: whether
they are two paints is for those who compare them.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt
from pydantic import Field
from scipy.ndimage import gaussian_filter1d

from pipeline.colorimetry import LINEAR_OF_BYTE, LUMINANCE, Floats, linear_to_lab
from pipeline.colour_scene import Scene
from pipeline.configuration import Config
from pipeline.paint_difference import Nuisance
from pipeline.paint_table import Lab
from pipeline.records import Box, Probability

POINTS = 257  # along a boundary, at equal steps
LEAST_LIGHT = 1e-3  # linear; darker pixels have no hue
Mask = npt.NDArray[np.bool_]


class CoatSettings(Config):
    """How the boundary between two coats is found and when it is one of paint (`coats` in configs/colour.yaml)."""

    blur_px: float = Field(gt=0, description="Standard deviation of what takes noise and grain off before the split.")
    rim_px: int = Field(ge=1, description="A boundary so near to what is no paint, or not in the edge, is its border.")
    speck_px: int = Field(ge=3, description="Side of the median that takes specks out of either side.")
    smooth_px: float = Field(gt=0, description="Standard deviation of what takes the pixels' stairs off the curve.")
    break_px: int = Field(ge=0, description="A longer break in a boundary is its end.")
    heat: Probability = Field(description="Of the box's score, from which a cell belongs to the edge.")
    light: Nuisance
    soil_cover: Probability
    paints_differ_lab: Lab
    coverage_factor: float = Field(gt=0)


def coat_boundary(scene: Scene, box: Box, margin_px: int, least_px: float, settings: CoatSettings) -> Floats | None:
    """The longest boundary (POINTS, 2) between two hues of paint in a box, x and y in pixels of the scene.

    None where there is none of `least_px`. `margin_px`: how far around the box colours are looked at as well.
    """
    height, width = (int(side) for side in scene.srgb.shape[:2])
    left, top = (max(0, int(start / scene.factor) - margin_px) for start in (box.x, box.y))
    right = min(width, int((box.x + box.width) / scene.factor) + margin_px + 1)
    bottom = min(height, int((box.y + box.height) / scene.factor) + margin_px + 1)
    window = np.s_[top:bottom, left:right]

    def of_cells(cells: Mask) -> Mask:
        whole = cv2.resize(cells.astype(np.uint8), (width, height), interpolation=cv2.INTER_NEAREST)
        return np.asarray(whole[window] > 0)

    paint = of_cells(scene.painted & scene.in_focus)
    second = _second_coat(scene.srgb[window], paint, settings)
    if second is None:
        return None
    kernel = np.ones((2 * settings.rim_px + 1,) * 2, np.uint8)
    counted = cv2.erode(paint.astype(np.uint8), kernel, borderType=cv2.BORDER_CONSTANT, borderValue=0) > 0
    if scene.masking is not None:
        counted &= cv2.dilate(of_cells(scene.masking >= settings.heat * box.score).astype(np.uint8), kernel) > 0
    pixels = _longest_run(second, counted, settings.break_px)
    if len(pixels) < least_px:
        return None
    curve = gaussian_filter1d(pixels.astype(np.float64), settings.smooth_px, axis=0, mode="nearest")
    at = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(curve, axis=0).T))])
    if at[-1] < least_px:
        return None
    steps = np.linspace(0, at[-1], POINTS)
    x, y = (np.interp(steps, at, curve[:, k]) for k in (0, 1))
    return np.column_stack([x + left, y + top])


def _second_coat(srgb: npt.NDArray[np.uint8], paint: Mask, settings: CoatSettings) -> Mask | None:
    """Which of the painted pixels of uint8 (h, w, 3) are of the second of two hues; None where there is but one."""
    weight = cv2.GaussianBlur(paint.astype(np.float64), (0, 0), settings.blur_px)
    light = cv2.GaussianBlur(LINEAR_OF_BYTE[srgb] * paint[..., None], (0, 0), settings.blur_px)
    light = light[paint] / weight[paint][:, None]
    luminance = np.maximum(light @ LUMINANCE, LEAST_LIGHT)
    if not len(light):
        return None
    hues = linear_to_lab(light * (np.median(luminance) / luminance)[:, None])[:, 1:]
    off = hues - hues.mean(axis=0)
    along = off @ np.linalg.eigh(off.T @ off)[1][:, -1]
    low, high = np.quantile(along, (0.01, 0.99))
    if high <= low:
        return None
    levels = (255 * np.clip((along - low) / (high - low), 0, 1)).astype(np.uint8)
    split = np.zeros(paint.shape, np.uint8)
    split[paint] = cv2.threshold(levels[:, None], 0, 1, cv2.THRESH_BINARY + cv2.THRESH_OTSU)[1][:, 0]
    return np.asarray((cv2.medianBlur(split, settings.speck_px) > 0) & paint)


def _longest_run(second: Mask, counted: Mask, most_break: int) -> npt.NDArray[np.intp]:
    """The longest run (n, 2), x and y, of a boundary of `second` where it counts, over breaks of so many pixels.

    A boundary that counts all around is a spot's: bird lime, a chip, a sticker.
    """
    longest = np.empty((0, 2), np.intp)
    for contour in cv2.findContours(second.astype(np.uint8), cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)[0]:
        pixels = contour[:, 0]
        counts = counted[pixels[:, 1], pixels[:, 0]]
        if counts.all() or counts.sum() <= len(longest):
            continue
        start = int(np.argmin(counts))  # a contour is closed: begin where it does not count
        pixels, counts = np.roll(pixels, -start, axis=0), np.roll(counts, -start)
        kernel = np.ones((most_break + 1, 1), np.uint8)
        closed = cv2.morphologyEx(counts.astype(np.uint8)[:, None], cv2.MORPH_CLOSE, kernel)[:, 0]
        turns = np.diff(np.concatenate([[0], closed, [0]]).astype(np.int8))
        starts, ends = np.nonzero(turns == 1)[0], np.nonzero(turns == -1)[0]
        k = int(np.argmax(ends - starts))
        if ends[k] - starts[k] > len(longest):
            longest = pixels[starts[k] : ends[k]]
    return np.asarray(longest, np.intp)
