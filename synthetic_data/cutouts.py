"""Things that stand around, cut out flat: trees, parked vehicles, bins, barrels; put upright into a panorama.

A cut-out is float32 (h, w, 4): colour times opacity, and opacity; its foot is the lower edge.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache
from itertools import pairwise
from typing import Literal

import cv2
import numpy as np
import numpy.typing as npt

from synthetic_data.panorama import EYE_HEIGHT_M, Array, Facade
from synthetic_data.textures import sample, stripes, toned

TREES, BUSHES = 30, 10
CAR_PAINTS = (
    (0.55, 0.55, 0.54), (0.68, 0.68, 0.66), (0.05, 0.05, 0.055), (0.22, 0.23, 0.24), (0.05, 0.08, 0.17),
    (0.26, 0.04, 0.035), (0.10, 0.13, 0.11), (0.30, 0.27, 0.21), (0.35, 0.36, 0.37), (0.02, 0.02, 0.022),
)  # fmt: skip


# --- trees --------------------------------------------------------------------------------------------------------

Habit = Literal["round", "tall", "conifer", "bare", "bush"]
HABITS: tuple[Habit, ...] = ("round", "tall", "round", "conifer", "bare", "tall")
LEAVES = np.array([(0.055, 0.088, 0.024), (0.075, 0.10, 0.03), (0.04, 0.065, 0.028), (0.085, 0.095, 0.045)])
CONIFER_LEAVES = np.array([(0.028, 0.045, 0.022), (0.035, 0.055, 0.035)])
DRY_LEAVES = np.array([(0.19, 0.10, 0.02), (0.16, 0.06, 0.025), (0.20, 0.15, 0.04)])
DRAWN = 2  # times the size of the cut-out, against jagged edges


@lru_cache(maxsize=TREES)
def tree(index: int) -> Array:
    """One of TREES trees, (384, 288, 4), broadleaved, conifer or bare; its colour is albedo with its own shading."""
    return _grown(np.random.default_rng([7, index]), HABITS[index % len(HABITS)], 288, 384)


@lru_cache(maxsize=BUSHES)
def bush(index: int) -> Array:
    """One of BUSHES bushes of many stems, (144, 208, 4), like `tree`."""
    return _grown(np.random.default_rng([8, index]), "bush", 208, 144)


def _grown(rng: np.random.Generator, habit: Habit, width: int, height: int) -> Array:
    """A plant that fills the picture: branches grown in space, leaves in clusters about the ends of their twigs.

    Far ones are drawn first. A leaf is as light as it lies high and near the outside of the crown.
    """
    wood, ends = _skeleton(rng, habit)
    left, right, top = ends[:, 0].min() - 0.08, ends[:, 0].max() + 0.08, ends[:, 2].max() + 0.06
    up = DRAWN * height / top
    across = min(DRAWN * width / (right - left), 1.3 * up)  # a sprawling one is drawn together

    def at(points: Array) -> Array:
        x = DRAWN * width / 2 + (points[:, 0] - (left + right) / 2) * across
        return np.stack([x, DRAWN * height - points[:, 2] * up], -1)

    canvas = np.zeros((DRAWN * height, DRAWN * width, 4), np.float32)
    bark = np.array([0.075, 0.06, 0.046]) * rng.uniform(0.6, 1.5)
    for start, end, thick in sorted(wood, key=lambda piece: -piece[1][1]):
        (ax, ay), (bx, by) = at(np.array([start, end]))
        lit = bark * (0.75 + 0.5 * rng.random())
        ends_px = (round(ax * 16), round(ay * 16)), (round(bx * 16), round(by * 16))
        cv2.line(canvas, *ends_px, (*lit, 1.0), max(round(thick * up), 1), cv2.LINE_AA, 4)
    if habit != "bare":
        _leaf_out(canvas, rng, habit, ends, at)
    small = cv2.resize(canvas, (width, height), interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.float32)


def _skeleton(rng: np.random.Generator, habit: Habit) -> tuple[list[tuple[Array, Array, float]], Array]:
    """Pieces of wood (foot, end, thickness) and ends of twigs (n, 3), in heights of the plant; x across, y away."""
    wood: list[tuple[Array, Array, float]] = []
    ends: list[Array] = []

    def grow(foot: Array, way: Array, long: float, thick: float, depth: int) -> None:
        way = way / np.linalg.norm(way)
        bent = way + rng.normal(0, 0.12, 3)
        middle = foot + way * long * 0.5
        end = middle + bent / np.linalg.norm(bent) * long * 0.5
        wood.extend([(foot, middle, thick), (middle, end, thick * 0.85)])
        if depth == 0:
            ends.append(end)
            return
        if depth <= 2:
            ends.append(middle)
        for _ in range(int(rng.integers(2, 4))):
            turned = way + rng.normal(0, 0.62 if habit != "tall" else 0.45, 3)
            turned[2] += 0.18 if depth > 1 else -0.05
            grow(end, turned, long * float(rng.uniform(0.62, 0.86)), thick * float(rng.uniform(0.52, 0.74)), depth - 1)

    up = np.array([0.0, 0.0, 1.0])
    if habit == "conifer":
        top = np.array([rng.normal(0, 0.02), 0.0, 1.0])
        wood.append((np.zeros(3), top, 0.018))
        droop, wide = float(rng.uniform(-0.5, 0.1)), float(rng.uniform(0.16, 0.27))
        for level in np.sort(rng.uniform(rng.uniform(0.05, 0.2), 0.99, 110)):
            around = rng.uniform(0, 2 * math.pi)
            long = wide * (1 - level) ** 0.8 * rng.uniform(0.45, 1.15) + 0.012
            foot = top * level
            end = foot + long * np.array([math.cos(around), math.sin(around), droop * rng.uniform(0.5, 1.2)])
            wood.append((foot, end, 0.004))
            ends.extend(foot + (end - foot) * share for share in np.linspace(0.3, 1, 2 + int(18 * long)))
        return wood, np.array(ends)
    if habit == "bush":
        for _ in range(int(rng.integers(7, 13))):
            foot = np.array([rng.normal(0, 0.25), rng.normal(0, 0.15), 0.0])
            grow(foot, up + rng.normal(0, 0.5, 3) * [1.0, 0.7, 0.2] + foot, float(rng.uniform(0.14, 0.3)), 0.012, 3)
        return wood, np.array(ends)
    stem, depth = float(rng.uniform(0.09, 0.22)), 7 if habit == "bare" else 6
    grow(np.zeros(3), up + rng.normal(0, 0.06, 3), stem, float(rng.uniform(0.022, 0.034)), depth)
    return wood, np.array(ends)


def _leaf_out(canvas: Array, rng: np.random.Generator, habit: Habit, ends: Array, at: Callable[[Array], Array]) -> None:
    """Draw clusters of leaves about the ends of twigs, in place."""
    palette = CONIFER_LEAVES if habit == "conifer" else DRY_LEAVES if rng.random() < 0.13 else LEAVES
    colour = palette[int(rng.integers(len(palette)))] * rng.uniform(0.75, 1.25)
    thinned = ends[rng.random(len(ends)) < rng.uniform(0.7, 1.0)]
    each = max(min(int(rng.integers(18, 34)), 9000 // len(thinned)), 4)
    size = {"conifer": 0.012, "bush": 0.03}.get(habit, 0.026)
    across = float(np.ptp(at(np.eye(3)[[0, 1]])[:, 0]))  # pixels
    for end in thinned[np.argsort(-thinned[:, 1])]:  # leaves that lie too deep to be told apart
        x, y = np.round(at(end[None])[0] * 16).astype(int)
        depth = 0.25 + 0.3 * np.clip((end[2] - thinned[:, 2].min()) / np.ptp(thinned[:, 2]), 0, 1)
        radius = round(16 * across * size * rng.uniform(0.3, 0.75))
        cv2.circle(canvas, (int(x), int(y)), radius, (*(colour * depth), 1.0), -1, cv2.LINE_8, 4)
    where = np.repeat(thinned, each, axis=0) + rng.normal(0, size, (len(thinned) * each, 3))
    where = where[where[:, 2] > 0.01]
    middle, extent = np.median(thinned, axis=0), np.ptp(thinned, axis=0) / 2 + 1e-6
    out = (where - middle) / extent
    cluster = np.repeat(rng.normal(0, 0.16, len(thinned)), each)[: len(where)]
    light = 0.52 + 0.30 * out[:, 2] - 0.16 * out[:, 1] + 0.22 * (np.linalg.norm(out, axis=1) - 0.8)
    light = np.clip(light + cluster + rng.normal(0, 0.16, len(where)), 0.08, 1.7)
    hue = colour * (1 + rng.normal(0, 0.09, (len(where), 3)) * [1.2, 0.6, 1.0])
    order = np.argsort(-where[:, 1] + rng.normal(0, 0.02, len(where)))
    places = np.round(at(where) * 16).astype(int)
    unit = DRAWN * (1.1 if habit == "conifer" else 1.7)
    axes = np.round(unit * 16 * rng.uniform([0.8, 0.45], [1.6, 0.9], (len(where), 2))).astype(int)
    turn = rng.uniform(0, 180, len(where))
    for k in order:
        paint = (*(hue[k] * light[k]), 1.0)
        middle_px, half = (int(places[k, 0]), int(places[k, 1])), (int(axes[k, 0]), int(axes[k, 1]))
        leaf = cv2.ellipse2Poly((middle_px[0], middle_px[1]), half, int(turn[k]), 0, 360, 72)
        cv2.fillConvexPoly(canvas, leaf, paint, cv2.LINE_8, 4)


# --- drawn things -------------------------------------------------------------------------------------------------


class _Sheet:
    """A drawing in metres, foot of the thing at y = 0."""

    def __init__(self, width_m: float, height_m: float, px_per_m: float) -> None:
        self.px_per_m = px_per_m
        self.width, self.height = max(round(width_m * px_per_m), 4), max(round(height_m * px_per_m), 4)
        self.canvas = np.zeros((self.height, self.width, 4), np.float32)
        self.y = ((self.height - 0.5 - np.arange(self.height, dtype=np.float32)) / px_per_m)[:, None]
        self.x = ((np.arange(self.width, dtype=np.float32) + 0.5) / px_per_m)[None]

    def shape(self, points: list[tuple[float, float]], soft_px: float = 0.7) -> Array:
        """Coverage (h, w) of a polygon in metres."""
        big = np.zeros((self.height, self.width), np.uint8)
        corners = np.array([(x * self.px_per_m - 0.5, self.height - y * self.px_per_m - 0.5) for x, y in points])
        cv2.fillPoly(big, [(corners * 16).round().astype(np.int32)], 255, cv2.LINE_AA, 4)
        return np.asarray(cv2.GaussianBlur(big, (0, 0), soft_px).astype(np.float32) / 255)

    def lay(self, colour: npt.ArrayLike, cover: Array) -> None:
        """Lay radiance (3) or (h, w, 3) over what is there."""
        left, top, width, height = cv2.boundingRect((cover > 0).astype(np.uint8))
        box = (slice(top, top + height), slice(left, left + width))
        canvas, alpha = self.canvas[box], cover[box][..., None]
        paint = np.broadcast_to(np.asarray(colour, np.float32), self.canvas[..., :3].shape)[box]
        canvas *= 1 - alpha
        canvas[..., :3] += paint * alpha
        canvas[..., 3:] += alpha


def parked(rng: np.random.Generator, horizon: Array, ambient: Array, sun: Array) -> tuple[Array, float, float]:
    """A parked vehicle from the side: its cut-out in radiance, width and height in m.

    `horizon` (3) is mirrored in glass and paint; `ambient` and `sun` (3) light its side.
    """
    tall = float(rng.uniform(0, 1)) ** 1.5
    length, roof = float(rng.uniform(3.7, 5.3)), 1.42 + 0.7 * tall
    sheet = _Sheet(length + 0.2, roof + 0.1, 90)
    belt = 0.88 + 0.28 * tall
    bonnet = belt * float(rng.uniform(0.9, 1.0))
    front, back = float(rng.uniform(0.2, 0.32)), float(rng.uniform(0.74, 0.98))
    light = (ambient + sun) / math.pi
    x0 = 0.1
    body = sheet.shape([
        (x0, 0.32), (x0, bonnet * 0.7), (x0 + 0.09, bonnet * 0.93), (x0 + 0.3, bonnet), (x0 + front * length, belt),
        (x0 + (front + 0.11) * length, roof * 0.95), (x0 + (front + 0.17) * length, roof),
        (x0 + back * length - 0.5, roof), (x0 + back * length - 0.22, roof * 0.95), (x0 + back * length, belt * 1.03),
        (x0 + length - 0.08, belt * 0.98),
        (x0 + length, 0.6), (x0 + length - 0.03, 0.32), (x0 + length - 0.25, 0.2), (x0 + 0.25, 0.2),
    ], 1.0)  # fmt: skip
    paint = np.array(CAR_PAINTS[int(rng.integers(len(CAR_PAINTS)))]) * rng.uniform(0.8, 1.1)
    y = sheet.y
    facing = np.clip(0.7 + 0.35 * (y - 0.6 * belt) / belt, 0.3, 1.0) * (
        1 - 0.35 * np.exp(-(((y - 0.55 * belt) / 0.12) ** 2))
    )
    gloss = 0.03 + 0.12 * np.exp(-(((y - 0.9 * belt) / 0.07) ** 2)) + 0.1 * np.clip((y - belt) / 0.5, 0, 1)
    wobble = 1 + 0.25 * sample(1.3, int(rng.integers(1000)), sheet.x, y * 4, 0.02, 0.011)
    sheet.lay((paint * light) * facing[..., None] + (gloss * wobble)[..., None] * horizon, body)
    for seam in rng.uniform(0.3, 0.72, 2) * length + x0:
        sheet.lay(
            0.02 * light,
            sheet.shape([(seam, 0.28), (seam, belt), (seam + 0.012, belt), (seam + 0.012, 0.28)]) * body * 0.6,
        )
    sheet.lay(0.02 * light, sheet.shape([(x0, 0.2), (x0, 0.36), (x0 + length, 0.36), (x0 + length, 0.2)]) * body * 0.8)
    pillars = (
        [front + 0.05, (front + back) / 2 + 0.02, back - 0.06] if back - front > 0.3 else [front + 0.05, back - 0.06]
    )
    for number, (left, right) in enumerate(pairwise(pillars)):
        a, b = x0 + left * length, x0 + right * length
        lean_a, lean_b = (0.11 * length * 0.75 if number == 0 else 0.0), (-0.15 if number == len(pillars) - 2 else 0.0)
        glass = sheet.shape(
            [(a, belt * 1.03), (a + lean_a, roof * 0.92), (b + lean_b - 0.05, roof * 0.92), (b - 0.05, belt * 1.03)]
        )
        mirror = 0.02 + 0.1 * np.clip((y - belt) / max(roof - belt, 0.1), 0, 1) * wobble
        sheet.lay(mirror[..., None] * horizon + 0.006 * light, glass)
    radius = float(rng.uniform(0.29, 0.35))
    turn = np.linspace(0, 2 * math.pi, 30)
    for centre in (x0 + 0.18 * length, x0 + 0.8 * length):
        for size, albedo in ((1.14, 0.006), (1.0, 0.022), (0.66, float(rng.uniform(0.1, 0.3))), (0.2, 0.03)):
            wheel = [
                (centre + radius * size * math.cos(t), max(radius + radius * size * math.sin(t), 0.01)) for t in turn
            ]
            shine: Array = albedo * light * 0.8
            if size == 0.66:
                spokes = 1 - 0.6 * (np.cos(5 * np.arctan2(y - radius, sheet.x - centre)) > 0.2)
                shine = toned(shine, spokes)
            sheet.lay(shine, sheet.shape(wheel))
    sheet.lay(
        0.35 * horizon + 0.1 * light,
        sheet.shape(
            [
                (x0 + 0.03, bonnet * 0.72),
                (x0 + 0.06, bonnet * 0.86),
                (x0 + 0.3, bonnet * 0.88),
                (x0 + 0.22, bonnet * 0.74),
            ]
        ),
    )
    tail = [
        (x0 + length - 0.2, belt * 0.72),
        (x0 + length - 0.17, belt * 0.93),
        (x0 + length - 0.05, belt * 0.93),
        (x0 + length - 0.02, belt * 0.72),
    ]
    sheet.lay(np.array([0.2, 0.015, 0.015]) * light, sheet.shape(tail))
    cut_out = sheet.canvas[:, ::-1].copy() if rng.random() < 0.5 else sheet.canvas
    return cut_out, length + 0.2, roof + 0.1


def clutter(rng: np.random.Generator, ambient: Array, sun: Array) -> tuple[Array, float, float]:
    """A bin, barrel, bush, stack of pallets or heap under a sheet: cut-out in radiance, width and height in m."""
    light = (ambient + 0.8 * sun) / math.pi
    kind, seed = int(rng.integers(5)), int(rng.integers(1, 2**20))
    drab = np.array(
        [(0.04, 0.045, 0.05), (0.05, 0.09, 0.05), (0.12, 0.12, 0.12), (0.05, 0.08, 0.16), (0.2, 0.07, 0.03)]
    )[int(rng.integers(5))]
    if kind == 0:  # bin
        wide, tall = float(rng.uniform(0.5, 0.75)), float(rng.uniform(0.95, 1.2))
        sheet = _Sheet(wide, tall, 110)
        side = 0.75 + 0.35 * np.cos((sheet.x / wide - 0.35) * 2.4) + 0 * sheet.y
        sheet.lay(
            drab * light * side[..., None],
            sheet.shape([(0.07, 0.02), (0.02, tall * 0.85), (wide - 0.02, tall * 0.85), (wide - 0.07, 0.02)]),
        )
        sheet.lay(
            drab * light * 1.5,
            sheet.shape([(0.0, tall * 0.85), (0.05, tall - 0.02), (wide - 0.05, tall - 0.02), (wide, tall * 0.85)]),
        )
        return sheet.canvas, wide, tall
    if kind == 1:  # barrel
        wide, tall = 0.6, 0.9
        sheet = _Sheet(wide, tall, 110)
        across = np.clip((sheet.x - 0.3) / 0.29, -1, 1)
        ribs = 1 - 0.3 * stripes(sheet.y, 0.3, 0.03, 0.01)
        rust = 1 - 0.4 * np.clip(sample(1.2, seed, sheet.x, sheet.y, 0.01, 0.01), 0, 1)
        shade = np.sqrt(np.clip(1 - across**2, 0.02, 1)) * ribs * rust
        sheet.lay(
            drab * 2 * light * shade[..., None], sheet.shape([(0.01, 0.0), (0.01, 0.88), (0.59, 0.88), (0.59, 0.0)])
        )
        return sheet.canvas, wide, tall
    if kind == 2:  # bush
        wide, tall = float(rng.uniform(0.8, 2.2)), float(rng.uniform(0.6, 1.7))
        crown = bush(int(rng.integers(BUSHES))) * np.array([*light, 1.0], np.float32)
        return crown, wide, tall
    if kind == 3:  # pallets
        wide, tall = 1.2, float(rng.integers(2, 9)) * 0.145
        sheet = _Sheet(wide, tall, 110)
        gap = np.maximum(1 - stripes(sheet.y, 0.145, 0.05, 0.01), 0) * (1 - stripes(sheet.x - 0.0, 0.53, 0.14, 0.01))
        grain = 1 + 0.15 * sample(0.8, seed, sheet.x * 0.3, sheet.y * 4, 0.01, 0.01)
        cover = sheet.shape([(0, 0), (0, tall), (wide, tall), (wide, 0)])
        sheet.lay(np.array([0.24, 0.18, 0.11]) * light * (grain * (1 - 0.9 * gap))[..., None], cover)
        return sheet.canvas, wide, tall
    wide, tall = float(rng.uniform(1.0, 3.5)), float(rng.uniform(0.5, 1.4))  # a heap under a sheet
    sheet = _Sheet(wide, tall, 80)
    share = np.linspace(0, 1, 60)
    slack = np.interp(share, np.linspace(0, 1, 7), rng.uniform(0.55, 0.97, 7))  # a sheet hangs in curves
    slack = cv2.GaussianBlur(slack[None], (0, 0), 4.0)[0] * np.sin(math.pi * share) ** 0.35
    outline = [(float(x), float(y)) for x, y in zip(share * wide, slack * tall, strict=True)]
    folds = 0.8 + 0.3 * sample(1.1, seed, sheet.x * 1.5, sheet.y * 0.6, 0.012, 0.01)
    cover = sheet.shape(outline, 1.2)
    colour = drab * 2.5 if rng.random() < 0.6 else np.array([0.25, 0.22, 0.17])
    lit = np.clip(folds, 0.2, 1.6) * (0.55 + 0.6 * sheet.y / tall)  # its top sees the sky
    sheet.lay(colour * light * lit[..., None], cover)
    return sheet.canvas, wide, tall


# --- into the panorama --------------------------------------------------------------------------------------------


def paste(
    image: Array,
    cut_out: Array,
    azimuth: float,
    distance_m: float,
    size_m: tuple[float, float],
    plan: Array | None,
    *,
    foot_m: float = 0.0,
    tint: Array | None = None,
) -> None:
    """Put a cut-out of `size_m` (width, height) upright at a distance, its foot `foot_m` above ground, in place.

    `plan` (W) is the distance of the nearest wall in each column: what stands behind it is left out. `tint` (4, 4)
    makes what is seen of each pixel of the cut-out, a column of four.
    """
    height, width = image.shape[:2]
    columns = max(round(2 * math.atan(size_m[0] / 2 / distance_m) * width / (2 * math.pi)), 1)
    top = math.atan((foot_m + size_m[1] - EYE_HEIGHT_M) / distance_m)
    bottom = math.atan((foot_m - EYE_HEIGHT_M) / distance_m)
    first, rows = round((0.5 - top / math.pi) * height), max(round((top - bottom) / math.pi * height), 1)
    if rows > height // 2 or first < 0 or first + rows > height or columns > width:
        return
    way = cv2.INTER_AREA if rows < cut_out.shape[0] else cv2.INTER_LINEAR
    scaled = cv2.resize(cut_out, (columns, rows), interpolation=way)
    if tint is not None:
        scaled = cv2.transform(scaled, tint)
    where = (
        np.arange(
            round(azimuth / (2 * math.pi) * width - columns / 2),
            columns + round(azimuth / (2 * math.pi) * width - columns / 2),
        )
        % width
    )
    if plan is not None:
        scaled = scaled * (plan[where] > distance_m)[None, :, None]
    area = (slice(first, first + rows), where)
    image[area] = image[area] * (1 - scaled[..., 3:]) + scaled[..., :3]


def shade_under(
    image: Array, azimuth: float, distance_m: float, length_m: float, plan: Array | None, strength: float = 0.85
) -> None:
    """Soft shadow on the ground under a thing, in place."""
    shade = np.zeros((24, 64, 4), np.float32)
    cv2.ellipse(shade, (32, 12), (29, 8), 0, 0, 360, (0, 0, 0, strength), -1)
    shade = cv2.GaussianBlur(shade, (0, 0), 2.0)
    paste(image, shade, azimuth, distance_m, (length_m * 1.06, 0.5), plan, foot_m=-0.25)


def plant(
    image: Array,
    rng: np.random.Generator,
    facade: Facade,
    haze: Array,
    places: list[tuple[float, float]],
    height_m: tuple[float, float],
    plan: Array | None,
    *,
    is_bush: bool = False,
) -> None:
    """Put trees or bushes at `places` (azimuth, distance in m), far ones first, paled by `haze` (3), in place."""
    for azimuth, distance in sorted(places, key=lambda place: -place[1]):
        picture = bush(int(rng.integers(BUSHES))) if is_bush else tree(int(rng.integers(TREES)))
        if rng.random() < 0.5:
            picture = cv2.flip(picture, 1)
        tall = float(rng.uniform(*height_m))
        toward = (math.sin(azimuth) * distance, math.cos(azimuth) * distance, 3.0)
        ambient, sun = facade((-0.95 * math.sin(azimuth), -0.95 * math.cos(azimuth), 0.3), toward)
        pale = min(distance / 300, 0.6)
        tint = np.diag([*((ambient + 0.8 * sun) / math.pi * (1 - pale)), 1.0])
        tint[:3, 3] = haze * pale
        shade_under(image, azimuth, distance, tall * 0.6, plan, 0.3)
        paste(image, picture, azimuth, distance, (tall * picture.shape[1] / picture.shape[0], tall), plan, tint=tint)
