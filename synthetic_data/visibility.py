"""Whether a cue that lies in the picture can be seen there: judged on the finished photo, as a person would.

A step in the dark, a line under the camera's noise or a speck of veil far away is in the scene and not in the photo;
calling it present teaches a network to guess. Such a cue is unknown, neither present nor absent.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from pydantic import Field

from pipeline.configuration import Config
from pipeline.records import SURFACES

Mask = npt.NDArray[np.bool_]
OLD_COAT = "old_coat"  # among a photo's masks, beside the cues': of masking edges, the side that the tape kept free
DRAWN_ON_PAINT = frozenset(
    {"masking_edge", "filled_seam", "wear_through", "film_defect", "tape_residue", "filler", "coarse_texture"}
)
MIST = frozenset({"overspray_rubber", "overspray_hidden"})
LONG_SIDE_PX = 1024  # lengths below are pixels of a photo of this long side
FINE_PX, COARSE_PX = 1.0, 3.0  # standard deviations of the two blurs whose difference is the structure
RIM_PX, RING_PX = 6, 25
BESIDE_PX = 40  # how far from a mist its surface still is the same surface in the same light
LEAST_BESIDE_PX = 150  # area of mist, and of the surface beside it, below which they are not compared
LINE_PX, REACH_PX = 2, 25  # how near both coats of a masking edge must come, and its mask's reach from there
FRAME_PX = 30  # along the picture's edges: what lies there alone is cut off and cannot be told


class VisibilitySettings(Config):
    """From what on a cue counts as visible. Common practice, no source; chosen by eye on contact sheets."""

    least_px: int = Field(ge=1, description="area of a cue, at a long side of 1024 pixels")
    least_px_on_parts: int = Field(ge=1, description="the same for mist on black or bare parts, which has no outline")
    least_px_of_rings: int = Field(ge=1, description="the same for wear, whose rings of coats must be told apart")
    lightness: tuple[float, float] = Field(description="least and most median L* of the place in the photo")
    least_structure: float = Field(ge=0, description="L*a*b* distance of the cue's lines from their surroundings")
    least_contrast: float = Field(ge=0, description="the same as a multiple of the structure of the paint around")
    least_apart: float = Field(ge=0, description="L*a*b* distance of two coats that meet in a line without a ridge")
    least_mist: float = Field(ge=0, description="L*a*b* distance of mist from the same surface beside it")
    ridge: float = Field(ge=1, description="how many times the two structures above show a line by its ridge alone")


def is_visible(
    cue: str,
    mask: Mask,
    srgb: npt.NDArray[np.uint8],
    surface: npt.NDArray[np.uint8],
    settings: VisibilitySettings,
    old: Mask | None = None,
) -> bool:
    """Whether the cue with this mask (H, W) can be seen in the photo (H, W, 3) whose surface classes are given.

    `old` is what the tape kept free of the new coat, where a masking edge is asked for.
    """
    scale = max(mask.shape) / LONG_SIDE_PX
    least = {"overspray_hidden": settings.least_px_on_parts, "wear_through": settings.least_px_of_rings}.get(
        cue, settings.least_px
    )
    cut, whole = round(FRAME_PX * scale), mask
    mask = np.pad(mask[cut:-cut, cut:-cut], cut)
    solid = cv2.erode(mask.astype(np.uint8), np.ones((5, 5), np.uint8))
    if mask.sum() < least * scale**2 or solid.sum() < least / 3 * scale**2:
        return False
    lab = cv2.cvtColor(srgb.astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
    darkest, brightest = settings.lightness
    if not darkest <= float(np.median(lab[..., 0][mask])) <= brightest:
        return False
    if cue in MIST:
        return mist_apart(whole, lab, surface, scale) >= settings.least_mist
    if cue not in DRAWN_ON_PAINT:
        return True
    paint = surface == SURFACES.index("paint")
    by_ridge = old is not None and coats_apart(mask, old, lab, scale) < settings.least_apart
    return _stands_out(mask, lab, paint, scale, settings, settings.ridge if by_ridge else 1.0)


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


def coats_apart(edge: Mask, old: Mask, lab: npt.NDArray[np.float32], scale: float) -> float:
    """L*a*b* distance between both sides of a masking edge, where it is clearest (75th percentile along its line)."""

    def beside(side: Mask) -> npt.NDArray[np.float32]:
        weight = cv2.GaussianBlur(side.astype(np.float32), (0, 0), COARSE_PX * scale)
        total = cv2.GaussianBlur(lab * side[..., None], (0, 0), COARSE_PX * scale)
        mean: npt.NDArray[np.float32] = total / np.maximum(weight, 1e-6)[..., None]
        return mean

    line = _line(edge, old)
    if not line.any():
        return 0.0
    apart = np.linalg.norm(beside(edge & old)[line] - beside(edge & ~old)[line], axis=1)
    return float(np.percentile(apart, 75))


def mist_apart(mask: Mask, lab: npt.NDArray[np.float32], surface: npt.NDArray[np.uint8], scale: float) -> float:
    """L*a*b* distance of a mist from the same class of surface beside it, where it is largest.

    Infinite where too little of a surface is misted, or goes on clean beside the mist: that cannot be compared.
    """
    beside = _grown(mask, BESIDE_PX) & ~_grown(mask, FINE_PX)
    apart = []
    for kind in np.unique(surface[mask]):
        misted, clean = mask & (surface == kind), beside & (surface == kind)
        if min(misted.sum(), clean.sum()) >= LEAST_BESIDE_PX * scale**2:
            apart.append(float(np.linalg.norm(lab[misted].mean(axis=0) - lab[clean].mean(axis=0))))
    return max(apart, default=float("inf"))


def _stands_out(
    mask: Mask,
    lab: npt.NDArray[np.float32],
    paint: Mask,
    scale: float,
    settings: VisibilitySettings,
    times: float,
) -> bool:
    """Whether there are lines in the mask that the paint around it has not, this many times above the limits."""
    structure, around = structure_of(mask, lab, paint, scale)
    return structure >= times * settings.least_structure and structure >= times * settings.least_contrast * around


def structure_of(mask: Mask, lab: npt.NDArray[np.float32], paint: Mask, scale: float) -> tuple[float, float]:
    """Strength of the lines in the mask (90th percentile) and in the paint around it (median), L*a*b* units.

    Only pixels with nothing but paint near them count: the edge of a seal is no line of the cue's. 0 where there are
    none.
    """
    lines = np.linalg.norm(
        cv2.GaussianBlur(lab, (0, 0), FINE_PX * scale) - cv2.GaussianBlur(lab, (0, 0), COARSE_PX * scale), axis=2
    )
    inner = cv2.erode(paint.astype(np.uint8), _disc(RIM_PX * scale)) > 0
    near = cv2.dilate(mask.astype(np.uint8), _disc(RIM_PX * scale)) > 0
    ring = (cv2.dilate(mask.astype(np.uint8), _disc(RING_PX * scale)) > 0) & ~near & inner
    inside = mask & inner
    if not inside.any():
        return 0.0, 0.0
    around = lines[ring] if ring.any() else lines[inner & ~near]
    return float(np.percentile(lines[inside], 90)), float(np.median(around)) if around.size else 0.0


def _disc(radius: float) -> npt.NDArray[np.uint8]:
    side = 2 * round(radius) + 1
    disc: npt.NDArray[np.uint8] = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side)).astype(np.uint8)
    return disc
