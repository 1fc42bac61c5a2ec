"""Where a decal sits, in millimetres on its panel, from four or more known points in the same photo.

Points that a build sheet names on a flat panel fix the homography between photo and panel (Hartley and Zisserman 2004,
Multiple View Geometry, 4.1); through it the decal's corner gets its place, and its outline on the build sheet the
pixels that tell its colour. A decal that is not there says nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from pydantic import Field

from pipeline.build_sheets import Decal, Panel
from pipeline.colorimetry import srgb_to_lab
from pipeline.configuration import Config
from pipeline.paint_table import HUE_FAMILIES, ColourReading, Lab, hue_families, hue_family
from pipeline.records import Box, Measure, Probability

Floats = npt.NDArray[np.float64]
Point = tuple[float, float]  # x, y in pixels of the oriented photo
LEAST_POINTS = 4  # a homography has eight unknowns, a point gives two equations


class DecalSettings(Config):
    """How well points are placed, and when a measurement is too loose (`decals` in configs/colour.yaml)."""

    click_px: float = Field(gt=0)
    most_uncertainty_mm: float = Field(gt=0)
    most_residual_px: float = Field(gt=0)
    colour_uncertainty: Lab
    least_colour_px: int = Field(gt=0)
    least_family: Probability


@dataclass(frozen=True, slots=True)
class DecalPlace:
    """Where the decal's lower left corner is in the panel's frame, mm, with the covariance of x and y, mm²."""

    x_mm: float
    y_mm: float
    covariance_mm2: tuple[tuple[float, float], tuple[float, float]]


@dataclass(frozen=True, slots=True)
class NotMeasured:
    """Why a decal's place cannot be given."""

    reason: str


def measure_decal(
    panel: Panel,
    decal: Decal,
    points_px: Mapping[str, Point],
    corners_px: Sequence[Point],
    settings: DecalSettings,
    srgb: npt.NDArray[np.uint8] | None = None,
) -> Measure | NotMeasured:
    """How far a decal is off its build-sheet place; its text says what colours it may have, if the photo is given.

    `points_px`: named points of the panel as found in the photo (those the build sheet does not know are left out);
    `corners_px`: the decal's corners in the photo, its lower left one first. The distance is that of the lower left
    corner; its uncertainty comes from how well points are placed.
    """
    found = place_decal(panel, points_px, corners_px[0], settings)
    if isinstance(found, NotMeasured):
        return found
    offset = np.array([found.x_mm - decal.x_mm, found.y_mm - decal.y_mm])
    distance = float(np.hypot(*offset))
    covariance = np.array(found.covariance_mm2)
    # along the offset; where there is none any direction may be the one, so the wider counts
    widest = float(np.linalg.eigvalsh(covariance).max())
    along = float(offset @ covariance @ offset) / distance**2 if distance > 0 else widest
    uncertainty = float(np.sqrt(along if distance**2 > widest else widest))
    if uncertainty > settings.most_uncertainty_mm:
        return NotMeasured(
            f"the points give the decal's place only to ± {uncertainty:.0f} mm: they are too close together or far off"
        )
    x, y = (np.array([corner[k] for corner in corners_px]) for k in (0, 1))
    left, top = max(0, int(x.min())), max(0, int(y.min()))
    box = Box(
        x=left,
        y=top,
        width=max(1, int(np.ceil(x.max())) - left),
        height=max(1, int(np.ceil(y.max())) - top),
        score=1.0,
        zone="decal",
        side=panel.side,
    )
    return Measure(
        cue="decal_offset",
        value=round(distance, 1),
        unit="mm",
        uncertainty=round(uncertainty, 1),
        zone="decal",
        panel=decal.panel,
        text=None if srgb is None else ", ".join(decal_colours(srgb, panel, decal, points_px, found, settings)) or None,
        regions=(box,),
    )


def decal_colours(
    srgb: npt.NDArray[np.uint8],
    panel: Panel,
    decal: Decal,
    points_px: Mapping[str, Point],
    place: DecalPlace,
    settings: DecalSettings,
) -> tuple[str, ...]:
    """The hue families that most of a decal may be of, in a photo (H, W, 3); none where too little of it is in view."""
    to_photo = homography(*_known(panel, points_px))
    if to_photo is None:
        return ()
    across, up = np.array([decal.width_mm, 0.0]), np.array([0.0, decal.height_mm])
    corner = np.array([place.x_mm, place.y_mm])
    outline = project(to_photo, np.stack([corner, corner + across, corner + across + up, corner + up]))
    inside = cv2.fillConvexPoly(np.zeros(srgb.shape[:2], np.uint8), np.round(outline).astype(np.int32), 1) > 0
    if inside.sum() < settings.least_colour_px:
        return ()
    lab = srgb_to_lab(srgb[inside])
    family = hue_family(lab).astype(int)
    most = lab[family == np.bincount(family, minlength=len(HUE_FAMILIES)).argmax()]  # its ground, not its letters
    lightness, a, b = np.median(most, axis=0).tolist()
    likely = hue_families(ColourReading((lightness, a, b), settings.colour_uncertainty))
    return tuple(name for name, share in likely.items() if share >= settings.least_family)


def place_decal(
    panel: Panel, points_px: Mapping[str, Point], corner_px: Point, settings: DecalSettings
) -> DecalPlace | NotMeasured:
    """The place of one photo point in the panel's frame, with its uncertainty by first-order propagation."""
    plane, seen = _known(panel, points_px)
    if len(plane) < LEAST_POINTS:
        return NotMeasured(f"{LEAST_POINTS} known points of the panel are needed, {len(plane)} are given")
    if not (_spans_a_plane(plane) and _spans_a_plane(seen)):
        return NotMeasured("three of the points lie on one line, so they do not fix the panel's plane")

    def place(values: Floats) -> Floats | None:
        matrix = homography(values[2:].reshape(-1, 2), plane)
        return None if matrix is None else project(matrix, values[:2])

    values = np.concatenate([np.array(corner_px, np.float64), seen.ravel()])
    here = place(values)
    back = homography(plane, seen)
    if here is None or back is None:
        return NotMeasured("the points do not fix the panel's plane")
    residual = float(np.sqrt(((project(back, plane) - seen) ** 2).sum(axis=1).mean()))
    if residual > settings.most_residual_px:
        return NotMeasured(
            f"the points do not fit one plane (off by {residual:.0f} px): one is misplaced, or the panel is bent"
        )
    # with more points than needed their own misfit says how well they are placed, if that is worse than assumed
    spare = 2 * len(plane) - 8
    sd = max(settings.click_px, residual * np.sqrt(len(plane) / spare) if spare else 0.0)
    step = 0.5
    moved = [(place(values + step * unit), place(values - step * unit)) for unit in np.eye(len(values))]
    slopes = [(a - b) / (2 * step) for a, b in moved if a is not None and b is not None]
    if len(slopes) < len(values):
        return NotMeasured("the points do not fix the panel's plane")
    jacobian = np.stack(slopes, axis=1)  # (2, values): mm by px
    covariance = jacobian @ jacobian.T * sd**2
    (a, b), (c, d) = covariance.tolist()
    return DecalPlace(float(here[0]), float(here[1]), ((a, b), (c, d)))


def _known(panel: Panel, points_px: Mapping[str, Point]) -> tuple[Floats, Floats]:
    """The points that the panel knows, (n, 2) in its frame, mm, and (n, 2) in the photo, pixels."""
    known = panel.known_points
    names = sorted(set(points_px) & set(known))
    return np.array([known[name] for name in names], np.float64), np.array([points_px[name] for name in names], float)


def homography(source: npt.ArrayLike, target: npt.ArrayLike) -> Floats | None:
    """The 3 × 3 matrix that maps points (n, 2) onto points (n, 2), n at least 4; None where they fix none."""
    matrix, _ = cv2.findHomography(np.asarray(source, np.float64), np.asarray(target, np.float64))
    return None if matrix is None else np.asarray(matrix, np.float64)


def project(matrix: Floats, points: npt.ArrayLike) -> Floats:
    """Points (..., 2) through a homography."""
    flat = np.asarray(points, np.float64)
    moved = np.concatenate([flat, np.ones((*flat.shape[:-1], 1))], axis=-1) @ matrix.T
    return np.asarray(moved[..., :2] / moved[..., 2:])


def _spans_a_plane(points: Floats) -> bool:
    """Whether some four of the points have no three on one line: else no homography is fixed by them."""
    size = float(np.ptp(points, axis=0).max())
    count = len(points)

    def area(i: int, j: int, k: int) -> float:
        (ax, ay), (bx, by) = points[j] - points[i], points[k] - points[i]
        return abs(float(ax * by - ay * bx))

    def is_free(i: int, j: int, k: int) -> bool:
        return area(i, j, k) > 0.01 * size**2

    return any(
        is_free(i, j, k) and is_free(i, j, m) and is_free(i, k, m) and is_free(j, k, m)
        for i in range(count)
        for j in range(i + 1, count)
        for k in range(j + 1, count)
        for m in range(k + 1, count)
    )
