"""What a press has left in body sheet: swage lines and recesses in sides, ribs in bonnet, roof and inner door skins,
and the shape of the whole. What use has left of it: sheet that has gone slack, shallow dents, doors that hang askew.

Reliefs are functions from points (…, 3), metres, to how far the sheet stands proud there; they fade before edges, seams
and rows of rivets. Shapes and sizes are invented; that large sheet is stiffened so is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from pipeline.configuration import Config
from synthetic_data.geometry import (
    Patch,
    Points,
    Vector,
    at_lines,
    crossed,
    lengths,
    patch,
    smoothstep,
    unit_normals,
    with_lines,
)

Relief = Callable[[Points], Points]
STEP_M = 0.005  # at which a relief is looked at
SAG_M = 0.0002  # as far may the sheet's grid lie off it
PUCKER_M = 0.015  # as far from a head its sheet is drawn in
WAIST_M = 0.030  # from a shoulder under the belt to the belt
EDGE_M = 0.07  # from the ends of a panel to where a line begins


class PressRanges(Config):
    """`press` of `configs/synthesis/families.yaml`: what press tools give a sheet. Ranges, drawn per vehicle."""

    height_mm: tuple[float, float]
    arch_lip_mm: tuple[float, float]
    arch_band_mm: tuple[float, float]
    raised_bonnet_mm: tuple[float, float]
    raised_bonnet_share: float


@dataclass(frozen=True, slots=True)
class Pressings:
    """The press tools of one vehicle; `plain`, `line`, `double` or `panel` for its sides. Heights in metres."""

    sides: str
    bonnet_ribs: tuple[float, ...]
    roof_ribs: int
    height_m: float
    arch_lip_m: float = 0.0
    arch_band_m: float = 0.03
    raised_bonnet_m: float = 0.0

    @staticmethod
    def draw(ranges: PressRanges, rng: np.random.Generator) -> Pressings:
        def metres(limits: tuple[float, float]) -> float:
            return float(rng.uniform(*limits)) / 1000

        sides = str(rng.choice(["plain", "line", "line", "double", "double", "panel", "panel"]))
        ribs = ((), (-0.24, 0.24), (-0.30, 0.0, 0.30))[int(rng.integers(3))]
        roof, is_raised = int(rng.choice([0, 5, 7])), rng.random() < ranges.raised_bonnet_share
        height, lip, band = (metres(one) for one in (ranges.height_mm, ranges.arch_lip_mm, ranges.arch_band_mm))
        return Pressings(sides, ribs, roof, height, lip, band, is_raised * metres(ranges.raised_bonnet_mm))

    def side(
        self,
        front_x: float,
        rear_x: float,
        belt_z: float,
        sill_z: float,
        arch: tuple[float, float, float] | None = None,
    ) -> Relief:
        """A wing, door skin or body side between two x, under the belt; lines run on from one to the next.

        `arch` holds x, z and radius of a wheel's opening: around it the sheet is drawn out into a lip.
        """
        line_z, proud = belt_z - 0.19, self.height_m

        def lines(x: Points, z: Points) -> Points:
            if self.sides == "panel":
                inside = _between(x, rear_x + 0.15, front_x - 0.15, 0.009) * _between(z, sill_z + 0.10, line_z, 0.009)
                return np.asarray(-proud * inside)
            ends = _between(x, rear_x + EDGE_M, front_x - EDGE_M, 0.03)
            if self.sides == "line":
                return np.asarray(proud * ends * _crease(z - line_z))
            if self.sides == "double":
                return np.asarray(0.7 * proud * ends * (_ridge(z - line_z, 0.011) + _ridge(z - line_z + 0.055, 0.011)))
            return np.zeros(x.shape)

        def relief(points: Points) -> Points:
            x, z = points[..., 0], points[..., 2]
            if arch is None:
                return lines(x, z)
            off = np.hypot(x - arch[0], z - arch[1]) - arch[2]
            lip = (1 - smoothstep(0.0, self.arch_band_m, off)) * smoothstep(sill_z + 0.005, sill_z + 0.09, z)
            kept = smoothstep(self.arch_band_m, self.arch_band_m + 0.04, off)
            return np.asarray(self.arch_lip_m * lip + kept * lines(x, z))

        return relief

    def tailgate(self, half_y: float, low_z: float, high_z: float) -> Relief:
        """A recess with a rib through it."""

        def relief(points: Points) -> Points:
            y, z = points[..., 1], points[..., 2]
            inside = _between(np.abs(y), -1.0, half_y - 0.09, 0.009) * _between(z, low_z + 0.20, high_z - 0.08, 0.009)
            return np.asarray(-self.height_m * inside * (self.sides != "plain"))

        return relief

    def bonnet(self, front_x: float, rear_x: float, half_y: float) -> Relief:
        """Ribs along the bonnet, or its middle raised."""

        def relief(points: Points) -> Points:
            x, y = points[..., 0], points[..., 1]
            if self.raised_bonnet_m:
                wide = half_y - 0.13 - 0.05 * (front_x - x) / (front_x - rear_x)
                field = (1 - smoothstep(-0.016, 0.016, np.abs(y) - wide)) * _between(x, -99.0, front_x - 0.08, 0.02)
                return np.asarray(self.raised_bonnet_m * field)
            ribs = sum((_ridge(y - at, 0.028) for at in self.bonnet_ribs), np.zeros(x.shape))
            return np.asarray(1.2 * self.height_m * ribs * _between(x, rear_x + 0.10, front_x - 0.12, 0.05))

        return relief

    def roof(self, front_x: float, rear_x: float, half_y: float) -> Relief:
        """Ribs along the roof."""

        def relief(points: Points) -> Points:
            x, y = points[..., 0], points[..., 1]
            at = np.linspace(-half_y + 0.16, half_y - 0.16, self.roof_ribs)
            ribs = sum((_ridge(y - one, 0.022) for one in at), np.zeros(x.shape))
            return np.asarray(self.height_m * ribs * _between(x, rear_x + 0.10, front_x - 0.12, 0.05))

        return relief


class UsedSheet(Config):
    """`sheet` of `configs/synthesis/families.yaml`: how uneven large sheet has become. Ranges, drawn per vehicle."""

    slack_mm: tuple[float, float]
    slack_wave_m: tuple[float, float]
    dents: tuple[int, int]
    dent_mm: tuple[float, float]
    dent_radius_m: tuple[float, float]
    rim_m: float
    knocks: tuple[int, int]
    knock_mm: tuple[float, float]
    knock_radius_m: tuple[float, float]
    pucker_mm: tuple[float, float]


class ShapeRanges(Config):
    """`shape` of `configs/synthesis/families.yaml`: ranges, drawn per vehicle."""

    tumblehome: tuple[float, float]
    turn_under: tuple[float, float]
    widest: tuple[float, float]
    nose_taper: tuple[float, float]
    nose_drop: tuple[float, float]
    roof_bow: tuple[float, float]
    plan_bow: tuple[float, float]
    waist_mm: tuple[float, float]
    shoulder_mm: tuple[float, float]
    fold_mm: tuple[float, float]
    hem_mm: tuple[float, float]
    hem_step_mm: tuple[float, float]
    corner_mm: tuple[float, float]
    edge_share: tuple[float, float]
    landing_mm: tuple[float, float]


class Hang(Config):
    """`hang` of `configs/synthesis/families.yaml`: how true doors hang. Ranges, drawn per panel."""

    askew_mrad: tuple[float, float]
    proud_mm: tuple[float, float]
    wavy_mm: tuple[float, float]
    seam_share: tuple[float, float]

    def turn(self, pivot: Vector, reach: float, rng: np.random.Generator) -> Points:
        """The 4 × 4 map of a left door `reach` metres long, from where it should hang from `pivot` to where it does."""
        askew = float(rng.uniform(*self.askew_mrad) * rng.choice([-1, 1])) / 1000
        out = -float(rng.uniform(*self.proud_mm)) / 1000 / reach
        about_y = [[np.cos(askew), 0, np.sin(askew)], [0, 1, 0], [-np.sin(askew), 0, np.cos(askew)]]
        about_z = [[np.cos(out), -np.sin(out), 0], [np.sin(out), np.cos(out), 0], [0, 0, 1]]
        matrix = np.eye(4)
        matrix[:3, :3] = np.array(about_z) @ about_y
        matrix[:3, 3] = np.asarray(pivot, float) - matrix[:3, :3] @ np.asarray(pivot, float)
        return matrix

    def wander(self, points: Points, rng: np.random.Generator) -> Points:
        """A sheet's grid (R, C, 3) whose outline is no longer quite straight; nothing moves out of the sheet."""
        least, most = points.min(axis=(0, 1)), points.max(axis=(0, 1))
        flat = int(np.argmin(most - least))
        first, second = (k for k in range(3) if k != flat)
        moved = points.copy()
        for along, aside in ((first, second), (second, first)):
            at = (points[..., along] - least[along]) / (most[along] - least[along])
            size, phase = rng.uniform(*self.wavy_mm) / 1000, rng.uniform(0, 2 * np.pi, 2)
            moved[..., aside] += size * (np.sin(4.1 * at + phase[0]) + 0.5 * np.sin(11.0 * at + phase[1])) / 1.5
        return moved


@dataclass(frozen=True, slots=True)
class BodyShape:
    """What makes a body no box: a smooth bending of all space around it, by which whatever lies on a sheet stays on it.

    Sides lean in above and below their widest line and towards both ends and step in at the belt, the front is narrower
    and lower, the roof is bowed; metres.
    """

    half_width: float
    sill_z: float
    belt_z: float
    roof_z: float
    wing_z: float
    axle_x: float
    front_x: float
    roof_x: tuple[float, float]  # its ends, front first
    widest_z: float
    tumblehome: float
    turn_under: float
    nose_taper: float
    nose_drop: float
    roof_bow: float
    plan_bow: float  # as much narrower on each side is the front than the middle, seen from above
    waist: float  # as far further in begins what stands on the belt

    def bent(self, points: Points) -> Points:
        """Points (..., 3) of the straight body, bent; the sides move inwards only."""
        x, y, z = (points[..., k] for k in range(3))
        above, below = np.maximum(z - self.widest_z, 0), np.clip(self.widest_z - z, 0, self.widest_z - self.sill_z)
        crown = self.belt_z - self.widest_z  # over this height the lean begins: windows above stay flat
        inwards = self.tumblehome * np.where(above < crown, above**2 / (2 * crown), above - crown / 2)
        inwards = inwards + self.turn_under * (below / (self.widest_z - self.sill_z)) ** 2
        inwards = inwards + self.waist * smoothstep(self.belt_z - WAIST_M, self.belt_z + 0.004, z)
        nose = smoothstep(self.axle_x, self.front_x + 0.05, x)
        inwards = inwards + self.nose_taper * nose + self.plan_bow * (x / self.front_x) ** 2
        drop = self.nose_drop * nose * np.clip((z - self.sill_z) / (self.wing_z - self.sill_z), 0, 1)
        middle, half = (self.roof_x[0] + self.roof_x[1]) / 2, (self.roof_x[0] - self.roof_x[1]) / 2
        ends = np.clip((x - middle) / half, -1.2, 1.2) ** 2
        drop = drop + self.roof_bow * ends * np.clip((z - self.belt_z) / (self.roof_z - self.belt_z), 0, 1)
        # a side moves as a whole, what sits near the middle not at all: a build sheet gives its place in millimetres
        share = np.sign(y) * smoothstep(0.2, 0.8, np.abs(y) / self.half_width)
        return np.stack([x, y - inwards * share, z - drop], axis=-1)


@dataclass(frozen=True, slots=True)
class Unevenness:
    """The sheets of one vehicle as use has left them; every sheet takes its waves and dents from `rng` in turn."""

    habits: UsedSheet
    slack_m: float
    dents: int  # the most that one sheet has
    rng: np.random.Generator

    @staticmethod
    def draw(habits: UsedSheet, rng: np.random.Generator) -> Unevenness:
        low, high = habits.dents
        return Unevenness(habits, float(rng.uniform(*habits.slack_mm)) / 1000, int(rng.integers(low, high + 1)), rng)

    def depth(self, points: Points) -> Points:
        """(R, C) metres by which a sheet's grid (R, C, 3) stands proud: none at its rim, where others join it."""
        down, across = (np.linalg.norm(np.diff(points, axis=axis), axis=-1) for axis in (0, 1))
        v = np.pad(np.cumsum(down.mean(axis=1)), (1, 0))[:, None]
        u = np.pad(np.cumsum(across.mean(axis=0)), (1, 0))[None]
        height, width, habits = float(v[-1, 0]), float(u[0, -1]), self.habits
        proud = np.zeros(points.shape[:2])
        for _ in range(3):
            wave, turn, phase = self.rng.uniform(*habits.slack_wave_m), *self.rng.uniform(0, 2 * np.pi, 2)
            proud += np.sin(2 * np.pi / wave * (u * np.cos(turn) + v * np.sin(turn)) + phase) / 3
        proud *= self.slack_m
        for _ in range(int(self.rng.integers(self.dents + 1))):
            deep, radius = self.rng.uniform(*habits.dent_mm) / 1000, self.rng.uniform(*habits.dent_radius_m)
            (at_u, at_v), slim = self.rng.uniform(0.1, 0.9, 2) * (width, height), self.rng.uniform(0.6, 1.0)
            away = ((u - at_u) / radius) ** 2 + ((v - at_v) / (slim * radius)) ** 2
            proud -= deep * (1 - 0.35 * away) * np.exp(-away)  # the sheet pushed in stands up around
        inside = np.minimum(np.minimum(u, width - u), np.minimum(v, height - v))
        return np.asarray(proud * smoothstep(0.0, min(habits.rim_m, 0.4 * min(width, height)), inside))

    def knocked(self, points: Points, edges: str) -> Points:
        """A sheet's grid (R, C, 3) whose free edges, named as in `rolled_edges`, met walls, posts and other doors."""
        habits, proud = self.habits, np.zeros(points.shape[:2])
        for _ in range(int(self.rng.integers(habits.knocks[0], habits.knocks[1] + 1))):
            axis, end = {"t": (0, 0), "b": (0, -1), "l": (1, 0), "r": (1, -1)}[edges[self.rng.integers(len(edges))]]
            border = np.take(points, end, axis)
            at = border[int(self.rng.uniform(0.05, 0.95) * len(border))]
            away = lengths(points - at) / self.rng.uniform(*habits.knock_radius_m)
            proud -= self.rng.uniform(*habits.knock_mm) / 1000 * (1 - 0.3 * away**2) * np.exp(-(away**2))
        return np.asarray(points + unit_normals(points) * proud[..., None])


def puckered(points: Points, row: Points, out: Points, depths: Points) -> Points:
    """A sheet's grid (R, C, 3) drawn in around each head of a straight row (n, 3) by `depths` (n,), metres.

    Riveted or welded sheet is held down at the heads and stands up between them. The grid is made finer there.
    """
    pitch = float(lengths(row[-1] - row[0])) / (len(row) - 1)
    way = (row[-1] - row[0]) / (pitch * (len(row) - 1))
    aside = crossed(out, way)
    axis = int(abs((points[-1, 0] - points[0, 0]) @ way) < abs((points[0, -1] - points[0, 0]) @ way))
    around = PUCKER_M * np.array([-1.8, -0.9, 0.0, 0.9, 1.8])
    for one, direction, heads, offsets in (
        (axis, way, row, np.array([-pitch / 3, 0.0, pitch / 3])),
        (1 - axis, aside, row[:1], around),
    ):
        nearest = np.unravel_index(np.argmin(lengths(points - row[len(row) // 2])), points.shape[:2])
        past = np.take(points, nearest[1 - one], 1 - one) @ direction  # of each line, where the row crosses it
        sign, lines = np.sign(past[-1] - past[0]), np.arange(len(past))
        index = np.interp(sign * ((heads @ direction)[:, None] + offsets), np.maximum.accumulate(sign * past), lines)
        made = patch(points)
        points = with_lines(points, one, np.interp(index, lines, (made.across_mm, made.along_mm)[one] / 1000).ravel())
    off = points - row[0]
    along, across = off @ way / pitch, off @ aside / PUCKER_M
    head = np.clip(np.rint(along), 0, len(row) - 1).astype(int)
    near = 1 - smoothstep(0.0, 0.5, np.abs(along - head))
    hold = near * np.exp(-(across**2)) * (np.abs(off @ out) < 0.03)  # not the flange behind
    return np.asarray(points - (hold * depths[head])[..., None] * out)


def inner_door(front_x: float, rear_x: float, low_z: float, high_z: float) -> Relief:
    """Stamped recesses around the card of an inner door skin, a bead under it."""
    middle, wide = (front_x + rear_x) / 2, front_x - rear_x

    def relief(points: Points) -> Points:
        x, z = points[..., 0], points[..., 2]
        across = np.mod((x - middle) / (0.30 * wide) + 0.5, 1.0) - 0.5
        pockets = _between(across, -0.38, 0.38, 0.06) * _between(z, low_z + 0.025, low_z + 0.085, 0.010)
        ends = _between(x, rear_x + 0.03, front_x - 0.03, 0.01)
        sides = _ridge(np.abs(x - middle) - wide / 2 + 0.045, 0.012) * _between(z, low_z + 0.12, high_z - 0.12, 0.03)
        return np.asarray(0.008 * pockets * ends + 0.005 * sides)

    return relief


def pressed(surface: Patch, relief: Relief, out: Vector) -> Patch:
    """The sheet with a relief, on a grid fine where that is curved; `out` is the way the outside looks."""
    points = surface.points
    for axis, length in enumerate((surface.across_mm[-1] / 1000, surface.along_mm[-1] / 1000)):
        at = np.linspace(0.0, length, int(np.ceil(length / STEP_M)) + 1)
        bend = np.abs(np.diff(relief(at_lines(points, axis, at)), n=2, axis=axis)).max(axis=1 - axis)
        lines = np.cumsum(np.sqrt(bend / (8 * SAG_M)))  # so many chords keep the sheet as near as that
        points = with_lines(points, axis, at[1:-1][np.diff(np.floor(lines), prepend=0.0) > 0])
    proud = relief(points)
    return patch(points + proud[..., None] * np.asarray(out, float)) if proud.any() else surface


def _ridge(off: Points, half: float) -> Points:
    return np.asarray(np.exp(-((off / half) ** 4)))


def _crease(off: Points) -> Points:
    """A feature line: the sheet comes out slowly from above and goes back in below in a short round step."""
    above = np.exp(-((np.maximum(off - 0.004, 0) / 0.045) ** 2))
    return np.asarray(above * smoothstep(-0.011, 0.004, off))


def _between(value: Points, low: float, high: float, soft: float) -> Points:
    return np.asarray(smoothstep(low - soft, low + soft, value) * (1 - smoothstep(high - soft, high + soft, value)))
