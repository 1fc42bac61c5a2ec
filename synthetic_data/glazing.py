"""Window panes, laid over a render made without them: what they let through, mirror and carry of dirt.

Light does not find its way through panes within few paths, so the scene has none. What lies behind a pane is lit
through the open frames and seen through two surfaces of glass; what the pane mirrors is looked up in the environment.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import mitsuba as mi
import numpy as np
import numpy.typing as npt

from pipeline.records import SURFACES
from synthetic_data.camera import Exposure
from synthetic_data.geometry import area_normals, smoothstep
from synthetic_data.grids import bare_scene, grids_of, rays
from synthetic_data.paint import Grime
from synthetic_data.textures import sample
from synthetic_data.vehicle import Part

if TYPE_CHECKING:
    from synthetic_data.view import View

Array = npt.NDArray[Any]
NORMAL_REFLECTANCE = 0.043  # of one surface of glass of index 1.52: ((n - 1) / (n + 1))²
TINTS = np.array([(0.90, 0.93, 0.91), (0.84, 0.90, 0.86), (0.78, 0.80, 0.80), (0.88, 0.87, 0.82)])  # of light through
WAVES_RAD = 0.002  # unevenness of old flat glass
AROUND = 192  # directions that light the dirt on a pane
WIPED_M = (0.10, 0.43)  # reach of a wiper blade from its pivot
ROW = 1024  # places sampled at a time
PIVOT_M = 0.25  # from the middle of the windscreen


@dataclass(frozen=True, slots=True)
class Glass:
    """The panes of a view at the pixels they cover: place in the picture (n,), radiance they let through as a share of
    what lies behind and radiance they add (n, 3), distance (n,), and the side and surface class of each (n,)."""

    index: Array
    through: Array
    added: Array
    depth_m: Array
    side: Array
    surface: Array


def look_at(exposure: Exposure, view: View, panes: Sequence[Part], emitter: Any, grime: Grime, seed: int) -> Glass:
    """What panes do in front of what an exposure shows, of which only the distances count.

    `emitter` is the Mitsuba environment; `seed` sets the glass and its dirt and should be the vehicle's own.
    """
    index, which, depth, toward, normals = _met(view, panes, exposure)
    point = view.origin + toward * depth[:, None]
    way = toward / np.linalg.norm(toward, axis=1, keepdims=True)
    from_outside = (way * normals).sum(1) < 0
    facing = np.where(from_outside[:, None], normals, -normals)
    bends = np.array([[7.0, 4.0, 2.0], [3.0, 6.0, 9.0], [1.5, 9.0, 5.0]])  # rad/m
    wave = WAVES_RAD * np.sin(point @ bends.T + seed % 7)
    facing = facing + wave
    facing /= np.linalg.norm(facing, axis=1, keepdims=True)
    cosine = np.clip(-(way * facing).sum(1), 0.0, 1.0)
    surface = NORMAL_REFLECTANCE + (1 - NORMAL_REFLECTANCE) * (1 - cosine) ** 5  # Schlick 1994
    mirrored = (2 * surface / (1 + surface))[:, None]  # both surfaces, and to and fro between them
    tint = TINTS[seed % len(TINTS)] ** (1 / np.maximum(cosine, 0.3))[:, None]

    bounced = way + 2 * cosine[:, None] * facing
    seen = np.where(from_outside[:, None], _radiance(emitter, bounced), 0.0) if len(way) else np.zeros((0, 3))
    dirt = np.zeros((len(way), 1))
    glow = np.zeros((len(way), 3))
    for k in np.unique(which):
        here = which == k
        dirt[here, 0] = _dirt(panes[k], point[here], grime, seed + int(k))
        light = _irradiance(emitter, _normal(panes[k])) / math.pi
        glow[here] = np.asarray(grime.dust_colour) * light * np.where(from_outside[here], 1.0, 0.5)[:, None]
    sides = np.array([{"left": 1, "right": 2}.get(one.side or "", 0) for one in panes], np.uint8)
    surfaces = np.array([SURFACES.index(one.surface) for one in panes], np.uint8)
    through = (1 - dirt) * (1 - mirrored) * tint
    return Glass(index, through, (1 - dirt) * mirrored * seen + dirt * glow, depth, sides[which], surfaces[which])


def glaze(exposure: Exposure, doubtful: dict[str, Array], glass: Glass) -> tuple[Exposure, dict[str, Array]]:
    """The exposure, and masks of doubtful cues, with the panes in front of what lies behind them."""
    if not len(glass.index):
        return exposure, doubtful
    at = np.divmod(glass.index, exposure.width)
    zone, side, surface = exposure.zone.copy(), exposure.side.copy(), exposure.surface.copy()
    zone[at], side[at], surface[at] = 0, glass.side, glass.surface
    radiance, depth = exposure.radiance.copy(), exposure.depth_m
    radiance[at] = radiance[at] * glass.through + glass.added
    if depth is not None:
        depth = depth.copy()
        depth[at] = glass.depth_m
    covered = np.zeros(radiance.shape[:2], bool)
    covered[at] = True
    glazed = replace(
        exposure,
        radiance=radiance,
        surface=surface,
        zone=zone,
        side=side,
        cues=_without(exposure.cues, covered),
        depth_m=depth,
    )
    return glazed, _without(doubtful, covered)


def _without(masks: dict[str, Array], covered: Array) -> dict[str, Array]:
    kept = {cue: mask & ~covered for cue, mask in masks.items()}
    return {cue: mask for cue, mask in kept.items() if mask.any()}


def _met(view: View, panes: Sequence[Part], exposure: Exposure) -> tuple[Array, Array, Array, Array, Array]:
    """Of the pixels that a pane covers: index into the picture (n,), pane, distance, direction and normal (n, 3)."""
    nothing = np.zeros(0, int), np.zeros(0, int), np.zeros(0), np.zeros((0, 3)), np.zeros((0, 3))
    if not panes:
        return nothing
    height, width = exposure.height, exposure.width
    grids = grids_of([one.patch for one in panes])
    rows, columns = _frame(view, grids.points)
    reach = math.tan(math.radians(view.field_of_view_deg) / 2)
    x = (((np.arange(width)[columns] + 0.5) / width * 2 - 1) * reach).astype(np.float32)
    y = (((np.arange(height)[rows] + 0.5) / height * 2 - 1) * reach * height / width).astype(np.float32)
    if not len(x) or not len(y):
        return nothing
    right, down, forward = view.basis().astype(np.float32)
    toward = x[:, None] * right + (y[:, None] * down + forward)[:, None]  # (h, w, 3), 1 long along the camera's axis
    way = toward.reshape(-1, 3)
    triangles = grids.triangles()
    hit = bare_scene(grids.points, triangles).ray_intersect_preliminary(rays(view.origin, way))
    depth = np.array(hit.t)
    behind = np.inf if exposure.depth_m is None else exposure.depth_m[rows, columns].ravel()
    own = np.flatnonzero(np.isfinite(depth) & (depth < behind))
    met = np.array(hit.prim_index)[own]
    corners = grids.points[triangles[met]]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-15)
    row, column = np.divmod(own, len(x))
    index = (row + rows.start) * width + column + columns.start
    pane = grids.cell_patch[met % len(grids.cell_patch)]
    return index, pane, depth[own], way[own].astype(np.float64), normal


def _frame(view: View, points: Array) -> tuple[slice, slice]:
    """Rows and columns of the picture that hold these points (n, 3); all of it where one is not before the camera."""
    local = (points - view.origin) @ view.basis().T
    if local[:, 2].min() < 0.02:
        return slice(0, view.height), slice(0, view.width)
    reach = math.tan(math.radians(view.field_of_view_deg) / 2)
    at = (local[:, :2] / local[:, 2:] / reach * view.width + [view.width, view.height]) / 2  # px
    low = np.clip(np.floor(at.min(axis=0)), 0, [view.width, view.height]).astype(int)
    high = np.clip(np.ceil(at.max(axis=0)), 0, [view.width, view.height]).astype(int)
    return slice(low[1], high[1]), slice(low[0], high[0])


def _normal(pane: Part) -> Array:
    normal = area_normals(pane.patch.points).sum(axis=(0, 1))
    return np.asarray(normal / np.linalg.norm(normal))


def _radiance(emitter: Any, way: Array) -> Array:
    """Radiance (n, 3) of the environment in directions (n, 3)."""
    import drjit as dr

    at = dr.zeros(mi.SurfaceInteraction3f, len(way))
    at.wi = mi.Vector3f(*[mi.Float(axis) for axis in (-way).astype(np.float32).T.copy()])
    return np.asarray(np.array(emitter.eval(at)).reshape(3, -1).T)


def _irradiance(emitter: Any, normal: Array) -> Array:
    """Illuminance (3) of a plane, from directions spread evenly by the cosine (Malley's method on a spiral)."""
    k = np.arange(AROUND)
    radius, angle = np.sqrt((k + 0.5) / AROUND), k * math.pi * (3 - math.sqrt(5))
    side = np.cross(normal, [0.0, 0.0, 1.0] if abs(normal[2]) < 0.9 else [1.0, 0.0, 0.0])
    side /= np.linalg.norm(side)
    up = np.cross(side, normal)
    way = (
        side * (radius * np.cos(angle))[:, None]
        + up * (radius * np.sin(angle))[:, None]
        + normal * np.sqrt(1 - radius**2)[:, None]
    )
    return np.asarray(_radiance(emitter, way).mean(axis=0) * math.pi)


def _dirt(pane: Part, point: Array, grime: Grime, seed: int) -> Array:
    """Share (n,) of the pane that dirt covers at places on it: a film, streaks, more along the lower edge and corners.

    Wipers have cleaned their arcs. Common practice, no source.
    """
    corners = pane.patch.points.reshape(-1, 3)
    normal = _normal(pane)
    across = np.cross([0.0, 0.0, 1.0], normal)
    across /= max(float(np.linalg.norm(across)), 1e-6)
    up = np.cross(normal, across)
    u, v = point @ across, point @ up
    low, high = (corners @ np.stack([across, up], 1)).min(axis=0), (corners @ np.stack([across, up], 1)).max(axis=0)
    rows = -(-len(u) // ROW), ROW  # OpenCV takes no row as long as a pane has pixels
    u_rows, v_rows = np.resize(u, rows), np.resize(v, rows)
    film = 1 + 0.35 * sample(1.2, seed, u_rows, v_rows, 0.006, 0.004).ravel()[: len(u)]
    streak = np.clip(sample(0.8, seed + 1, u_rows, v_rows * 0.12, 0.006, 0.004).ravel()[: len(u)] - 0.5, 0, 2)
    edge = np.minimum.reduce([u - low[0], high[0] - u, v - low[1], high[1] - v])
    ledge = np.exp(-np.maximum(edge, 0) / 0.018) + 0.7 * np.exp(-np.maximum(v - low[1], 0) / 0.05)
    dust = 0.03 + 0.35 * min(grime.dust, 1.0)
    share = dust * (0.35 * film + 0.35 * streak) + (0.05 + 0.5 * grime.gaps + 0.3 * dust) * ledge * np.clip(film, 0, 2)
    if pane.name.startswith("windscreen"):
        middle = (low + high) / 2
        for sign in (-1, 1):
            away = np.hypot(u - middle[0] - sign * PIVOT_M, v - low[1])
            swept = smoothstep(WIPED_M[0] - 0.01, WIPED_M[0] + 0.01, away)
            swept = swept * (1 - smoothstep(WIPED_M[1] - 0.008, WIPED_M[1] + 0.012, away))
            share = share * (1 - 0.75 * swept)
    return np.asarray(np.clip(share, 0, 0.9))
