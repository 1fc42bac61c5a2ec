"""What is painted on a marked surface: each taught cue, and the innocent things that look like it (trade practice).

Every function draws one thing on the fine grid of a place and gives its layers. Lengths of the trade are ranges to draw
from, common practice without source; what a photo could not show at all is drawn as wide as it takes to be seen.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from synthetic_data.geometry import smoothstep
from synthetic_data.paint import lab_to_linear_srgb
from synthetic_data.semi_real import Layer, luminance
from synthetic_data.semi_real_marks import Kind, Place

Array = npt.NDArray[Any]

PAINTS_LAB = (  # invented paints: greens, sands, blues, reds, whites, greys, yellow, brown
    (42.0, -22.0, 18.0), (66.0, -28.0, 30.0), (72.0, 4.0, 26.0), (60.0, 6.0, 22.0), (40.0, 0.0, -34.0),
    (58.0, -10.0, -22.0), (38.0, 46.0, 30.0), (46.0, 52.0, 40.0), (90.0, -1.0, 4.0), (82.0, 0.0, 12.0),
    (62.0, 0.0, -3.0), (74.0, 14.0, 66.0), (44.0, 10.0, 22.0),
)  # fmt: skip
PRIMERS_LAB = ((62.0, 0.0, 0.0), (34.0, 24.0, 20.0), (66.0, -6.0, 34.0))  # grey, red oxide, chromate
METAL_LAB = (68.0, 0.0, 1.0)
DUST, MUD, RUST = (0.30, 0.23, 0.15), (0.14, 0.095, 0.055), (0.17, 0.06, 0.02)
BLACK, CHALK, SALT = (0.022, 0.022, 0.023), (0.34, 0.34, 0.34), (0.62, 0.62, 0.60)
MATT = 0.035  # what a matt surface scatters beyond its colour
LEAST_SEEN_PX = 1.5
LEAST_LIGHTNESS = 0.12  # reflectance of body colour that shows as a veil on black
LEAST_BORDER_CONTRAST = 0.35  # natural logarithm of the light on both sides of an edge of a part; by eye
BORDER_SIDE_PX, DARK_LUMINANCE = 2.0, 0.004  # how far that is looked at (deviation); what black reflects anyway


@dataclass(frozen=True, slots=True)
class Surface:
    """What a cover is drawn on: its kind, the body's albedo (3,), the photo's scale, its linear window (H, W, 3)."""

    kind: Kind
    body: Array
    mm_per_px: float
    linear: Array

    def px(self, mm: float, least: float = LEAST_SEEN_PX) -> float:
        """A length in pixels of the photo, but never less than can be seen."""
        return max(mm / self.mm_per_px, least)


Draw = Callable[[Place, Surface, np.random.Generator], list[Layer]]

# --- building blocks ----------------------------------------------------------------------------------------------


def clouds(rng: np.random.Generator, place: Place, wavelength_px: float, octaves: int = 3) -> Array:
    """Smooth noise on the place's grid, mean 0, deviation about 1; the wavelength is that of its largest forms."""
    height, width = place.inside.shape
    total = np.zeros((height, width), np.float32)
    for octave in range(octaves):
        cell = max(wavelength_px * place.fine / 2**octave / 2, 1.0)
        coarse = rng.normal(size=(int(height / cell) + 4, int(width / cell) + 4)).astype(np.float32)
        map_x, map_y = np.meshgrid(
            np.arange(width, dtype=np.float32) / cell + 1, np.arange(height, dtype=np.float32) / cell + 1
        )
        total += 0.6**octave * cv2.remap(coarse, map_x, map_y, cv2.INTER_CUBIC)
    return np.asarray(total / max(float(total.std()), 1e-6))


def drawn_paint(rng: np.random.Generator, unlike: Array | None = None, least_luminance: float = 0.0) -> Array:
    """Albedo of an invented paint; far enough from `unlike`, and light enough."""
    colours = lab_to_linear_srgb(np.array(PAINTS_LAB) + rng.normal(size=(len(PAINTS_LAB), 3)) * (5, 4, 4))
    order = rng.permutation(len(colours))
    for index in order:
        colour = colours[index]
        bright = luminance(colour) >= least_luminance
        if bright and (unlike is None or np.abs(np.cbrt(colour) - np.cbrt(unlike)).max() > 0.16):
            return np.asarray(colour)
    return np.asarray(colours[order[0]])


def mist_paint(rng: np.random.Generator, surface: Surface) -> Array:
    """The colour sprayed: mostly the body's own. Dry mist is matt, and so a little lighter than the paint."""
    if rng.random() < 0.75:
        return np.asarray(surface.body * 0.95 + MATT)
    return drawn_paint(rng, least_luminance=LEAST_LIGHTNESS)


def relief(height: Array, place: Place, rng: np.random.Generator, strength: float) -> Array:
    """How a relief (in widths of what can be seen) brightens towards the light and darkens away from it."""
    angle = -np.pi / 2 + rng.normal() * 0.7  # light comes from above more often than not
    slope_y, slope_x = np.gradient(height.astype(np.float32))
    towards = (slope_x * -np.cos(angle) + slope_y * -np.sin(angle)) * place.fine
    return np.asarray(np.clip(1 - strength * towards, 0.45, 1.7))


def _specked(density: Array, place: Place, surface: Surface, rng: np.random.Generator) -> Array:
    """A veil of droplets: half of it even, half in specks of the size of a fine pixel or of 0.2 mm."""
    grain = rng.random(density.shape).astype(np.float32)
    size = 0.2 / surface.mm_per_px * place.fine
    if size > 1:
        grain = cv2.GaussianBlur(grain, (0, 0), size / 2)
        grain = np.argsort(np.argsort(grain.ravel())).reshape(grain.shape).astype(np.float32) / grain.size
    return np.asarray(np.minimum(0.55 * density + 0.45 * (grain < density), 1.0))


def _stretch(place: Place, rng: np.random.Generator, least: float) -> Array:
    """A part of the length of a line, `least` to all of it, with soft ends."""
    share = rng.uniform(least, 1.0)
    start = rng.uniform(0, 1 - share) * place.length
    end = start + share * place.length
    soft = max(0.06 * place.length, 3.0)
    return np.asarray(
        smoothstep(start - soft, start + soft, place.along) * smoothstep(-end - soft, -end + soft, -place.along)
    )


def _patch(place: Place, rng: np.random.Generator, low: float, high: float) -> tuple[Array, Array, float]:
    """A ragged round spot well inside a polygon: squared distance from its middle in radii, noise, radius (px)."""
    radius = rng.uniform(low, high) * place.breadth
    deep = np.argwhere(place.depth >= min(0.75 * float(place.depth.max()), radius))
    middle = deep[rng.integers(len(deep))]
    along, across = place.along - place.along[tuple(middle)], place.across - place.across[tuple(middle)]
    stretch = rng.uniform(1.0, 2.2)
    distance = (along / (radius * stretch)) ** 2 + (across / radius) ** 2
    return distance.astype(np.float32), clouds(rng, place, 0.9 * radius, 4), radius


def _border(place: Place, share: float = 0.3) -> Array:
    """1 inside, falling to 0 at the border of a polygon: what is painted must not end where a mark happens to end."""
    return smoothstep(0, max(share * float(place.depth.max()), 1.0), place.depth)


def _fading(place: Place, surface: Surface, rng: np.random.Generator, uneven: float = 0.4) -> Array:
    """1 inside, falling unevenly to 0 where a mark's border is none of the surface's: where both sides look alike."""
    inside = place.reduced(place.inside) > 0.5
    lightness = np.log(np.maximum(luminance(surface.linear), 0) + DARK_LUMINANCE).astype(np.float32)
    means = []
    for side in (inside, ~inside):
        share = side.astype(np.float32)
        weights = cv2.GaussianBlur(share, (0, 0), BORDER_SIDE_PX)
        means.append(cv2.GaussianBlur(lightness * share, (0, 0), BORDER_SIDE_PX) / np.maximum(weights, 1e-6))
    border = inside & (cv2.dilate((~inside).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0)
    goes_on = border & (np.abs(means[0] - means[1]) < LEAST_BORDER_CONTRAST)
    reach = max(0.6 * float(place.depth.max()), 2.0)
    if not goes_on.any():
        return _inside(place)
    away = cv2.distanceTransform((~goes_on).astype(np.uint8), cv2.DIST_L2, 5)
    height, width = place.inside.shape
    away = cv2.resize(away, (width, height), interpolation=cv2.INTER_LINEAR)
    way = np.clip(1 + uneven * clouds(rng, place, max(0.8 * place.breadth, 8), 4), 0.3, 2)
    return np.asarray(smoothstep(0.1, 1.0, away / reach * way) * _inside(place))


def _thick(cover: Array, place: Place, rng: np.random.Generator) -> Array:
    """Light and shadow on the rounded edge of a thick coat."""
    return relief(cover, place, rng, rng.uniform(0.15, 0.45))


def _even(place: Place) -> Array:
    return np.ones(place.inside.shape, np.float32)


def _inside(place: Place) -> Array:
    """The mark with an edge one pixel soft."""
    return smoothstep(0.0, 1.0, np.where(place.inside, place.depth + 0.3, 0))


# --- cues ---------------------------------------------------------------------------------------------------------


def overspray_rubber(place: Place, surface: Surface, rng: np.random.Generator) -> list[Layer]:
    """Mist from the paint's edge over the rubber, or a tape line with bleed fingers."""
    wide = place.breadth
    uneven = clouds(rng, place, 6 * wide, 3)
    if rng.random() < 0.65:
        fringe = max(rng.uniform(0.25, 0.7) * wide, LEAST_SEEN_PX)
        density = rng.uniform(0.75, 1.0) * np.exp(-np.maximum(place.across, 0) / fringe) * (1 + 0.25 * uneven)
    else:
        edge = max(rng.uniform(0.3, 0.6) * wide, LEAST_SEEN_PX) * (1 + 0.12 * uneven)
        fingers = clouds(rng, place, 0.5 * wide, 2)
        edge = edge + 0.35 * wide * np.maximum(fingers - 0.9, 0) * smoothstep(-0.3, 0.8, uneven)
        density = 0.92 * smoothstep(-0.4, 0.4, edge - place.across)
    density = np.clip(density, 0, 1) * _stretch(place, rng, 0.6) * place.inside
    cover = _specked(density, place, surface, rng)
    return [Layer(cover, mist_paint(rng, surface), _even(place), (density > 0.15) & place.inside)]


def overspray_hidden(place: Place, surface: Surface, rng: np.random.Generator) -> list[Layer]:
    """A veil that fades away from the gun; at times the sharp edge of a sheet, or the shadow of a pipe in it."""
    angle = rng.uniform(0, 2 * np.pi)
    way = place.along * np.cos(angle) + place.across * np.sin(angle)
    low, high = np.percentile(way[place.inside], (2, 98))
    way = (way - low) / max(high - low, 1.0)
    uneven = clouds(rng, place, max(0.8 * place.breadth, 8), 4)
    density = rng.uniform(0.45, 0.9) * smoothstep(rng.uniform(-0.6, 0.1), rng.uniform(0.7, 1.2), way + 0.10 * uneven)
    if rng.random() < 0.35:
        turn = angle + rng.normal() * 0.6
        cut = place.along * np.cos(turn) + place.across * np.sin(turn)
        at = np.percentile(cut[place.inside], rng.uniform(15, 45))
        density = density * smoothstep(-1.0, 1.0, cut - at + 0.6 * uneven)
    if rng.random() < 0.4:
        turn = rng.uniform(0, np.pi)
        bar = place.along * np.cos(turn) + place.across * np.sin(turn)
        at = np.percentile(bar[place.inside], rng.uniform(20, 80))
        half = rng.uniform(0.06, 0.15) * place.breadth + 1
        density = density * (1 - 0.8 * smoothstep(-half, -0.6 * half, -np.abs(bar - at)))
    density = np.clip(density * (0.9 + 0.15 * uneven), 0, 1) * _fading(place, surface, rng)
    cover = _specked(density, place, surface, rng)
    return [Layer(cover, mist_paint(rng, surface), _even(place), density > 0.15, gloss=0.25)]


def painted_fastener(place: Place, surface: Surface, rng: np.random.Generator) -> list[Layer]:
    """A coat over head and washer that rounds the edges; at times turned once, with a bright corner."""
    radius = place.breadth / 2
    beyond = np.asarray(cv2.distanceTransform((~place.inside).astype(np.uint8), cv2.DIST_L2, 5)) / place.fine
    uneven = clouds(rng, place, 1.5 * radius, 3)
    reach = radius * (rng.uniform(0.0, 0.1) + 0.03 * uneven)
    cover = 0.97 * smoothstep(-0.5, 0.5, reach - np.where(place.inside, -place.depth, beyond))
    if rng.random() < 0.25:
        chips = clouds(rng, place, 0.7 * radius, 2)
        cover = cover * (1 - 0.9 * smoothstep(1.3, 1.6, chips))
    colour = surface.body if rng.random() < 0.75 else drawn_paint(rng, unlike=np.full(3, 0.2))
    light = _thick(cover, place, rng)
    return [Layer(cover, colour, light, (cover > 0.4) & place.inside, gloss=rng.uniform(0.1, 0.4))]


def filled_seam(place: Place, surface: Surface, rng: np.random.Generator) -> list[Layer]:
    """The dark line closed by thick paint: both sides carried across, a shallow valley, at times a crack."""
    middle = place.breadth / 2 - place.across  # 0 on the line
    half = max(1.1 * place.breadth, 1.8)
    filled = (
        _stretch(place, rng, 0.5) * smoothstep(0, 2.0, place.along) * smoothstep(0, 2.0, place.length - place.along)
    )
    uneven = clouds(rng, place, 8 * place.breadth + 6, 3)
    cover = filled * smoothstep(-1.5 * half, -0.8 * half, -np.abs(middle + 0.15 * half * uneven))
    valley = -rng.uniform(0.25, 0.6) * np.exp(-((middle / half) ** 2)) * filled * half / 2
    light = relief(valley, place, rng, rng.uniform(0.25, 0.5)) * (1 - 0.05 * np.exp(-((middle / half) ** 2)) * filled)
    layers = [Layer(cover, np.zeros(3), light, cover > 0.5, radiance=_across(place, surface, middle, 1.9 * half))]
    if rng.random() < 0.35:
        wander = clouds(rng, place, 10.0, 3) * 0.35
        broken = smoothstep(0.1, 0.5, clouds(rng, place, 0.25 * place.length, 2))
        crack = 0.6 * smoothstep(-0.45, -0.1, -np.abs(middle + wander)) * filled * broken
        layers.append(Layer(crack, np.array(BLACK), _even(place), np.zeros(cover.shape, bool)))
    return layers


def _across(place: Place, surface: Surface, middle: Array, reach: float) -> Array:
    """The window's light with what lies within `reach` of a line replaced by what lies beyond it, on both sides."""
    offset = place.reduced(middle)
    down, right = np.gradient(offset)
    norm = np.maximum(np.hypot(down, right), 1e-3)
    down, right = (field / norm for field in (down, right))
    y, x = np.mgrid[0 : offset.shape[0], 0 : offset.shape[1]].astype(np.float32)
    smooth = cv2.GaussianBlur(surface.linear, (0, 0), 0.8)
    sides = []
    for target in (-reach, reach):
        step = target - offset
        map_x, map_y = (x + right * step).astype(np.float32), (y + down * step).astype(np.float32)
        sides.append(cv2.remap(smooth, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))
    share = smoothstep(-reach, reach, offset)[..., None]
    return np.asarray(sides[0] * (1 - share) + sides[1] * share)


def masking_edge(place: Place, surface: Surface, rng: np.random.Generator) -> list[Layer]:
    """A step along a line, straight then ragged: another paint or another shade on one side, light and shadow on it."""
    turn = rng.choice([0.0, np.pi / 2]) + rng.normal() * 0.2
    line = -place.along * np.sin(turn) + place.across * np.cos(turn)
    run = place.along * np.cos(turn) + place.across * np.sin(turn)
    at = np.percentile(line[place.inside], rng.uniform(35, 65))
    ragged = smoothstep(0.0, 0.5, clouds(rng, place, 0.7 * place.length, 1)) * surface.px(2.0, 1.2)
    distance = (line - at + ragged * clouds(rng, place, surface.px(9.0, 7.0), 3)) * rng.choice([-1, 1])
    mean = np.percentile(run[place.inside], 50)
    ends = smoothstep(-0.52, -0.34, -np.abs(run - mean) / max(np.ptp(run[place.inside]), 1))
    faded = smoothstep(-rng.uniform(0.35, 0.6) * np.ptp(line[place.inside]), 0, -np.maximum(distance, 0))
    weight = _fading(place, surface, rng, 0.12) * ends * faded  # sprayed up to the tape, and thinner away from it
    if rng.random() < 0.35:
        colour = drawn_paint(rng, unlike=surface.body)
    else:
        colour = surface.body * rng.choice([rng.uniform(0.55, 0.8), rng.uniform(1.25, 1.6)])
        colour = np.clip(colour * (1 + rng.normal(size=3) * 0.06), 0.003, 0.85)
    cover = 0.96 * smoothstep(-0.25, 0.25, distance) * weight
    wide = surface.px(0.8, 0.9)
    step = smoothstep(-wide, wide, distance) + 0.4 * np.exp(-(((distance - wide) / wide) ** 2))
    light = 1 + (relief(step * wide, place, rng, rng.uniform(0.3, 0.6)) - 1) * weight
    near = (np.abs(distance) < max(surface.px(4.0), 2.5)) & (weight > 0.4) & place.inside
    return [Layer(cover, colour, light, near, gloss=rng.uniform(0.3, 1.0))]


def _worn(place: Place, surface: Surface, rng: np.random.Generator, coats: list[tuple[float, Array]]) -> list[Layer]:
    """A worn place: from each depth on another coat shows, each with a rim."""
    distance, uneven, radius = _patch(place, rng, 0.12, 0.28)
    depth = (np.exp(-distance) + 0.20 * uneven * np.exp(-0.35 * distance)) * _border(place)
    layers = []
    light = _even(place)
    soft = 0.35 / max(radius, 1)
    for limit, colour in coats:
        bare = smoothstep(limit - soft, limit + soft, depth)
        light = light * relief(-bare, place, rng, 0.25)
        layers.append((bare, colour))
    shows = depth > coats[0][0]
    result = []
    for number, (bare, colour) in enumerate(layers):
        result.append(
            Layer(0.97 * bare, colour, light if number == len(layers) - 1 else _even(place), shows, gloss=0.4)
        )
    return result


def wear_through(place: Place, surface: Surface, rng: np.random.Generator) -> list[Layer]:
    """Rings: top colour, an older colour, primer, metal."""
    old = drawn_paint(rng, unlike=surface.body)
    primer, metal = lab_to_linear_srgb(PRIMERS_LAB[rng.integers(3)]), lab_to_linear_srgb(METAL_LAB)
    return _worn(place, surface, rng, [(0.34, old), (rng.uniform(0.6, 0.75), primer), (rng.uniform(0.85, 1.0), metal)])


def film_defect(place: Place, surface: Surface, rng: np.random.Generator) -> list[Layer]:
    """Crazing, flakes with a raised rim, or runs."""
    return (_crazing, _flakes, _runs)[rng.integers(3)](place, surface, rng)


def _crazing(place: Place, surface: Surface, rng: np.random.Generator) -> list[Layer]:
    cell = surface.px(rng.uniform(3, 10), 4.5)
    y, x = np.mgrid[0 : place.inside.shape[0], 0 : place.inside.shape[1]].astype(np.float32) / place.fine
    count = int(x.max() * y.max() / cell**2) + 8
    seeds = rng.uniform((-cell, -cell), (float(x.max()) + cell, float(y.max()) + cell), (count, 2))
    warp = 0.12 * cell
    nodes = np.stack([x + warp * clouds(rng, place, cell, 2), y + warp * clouds(rng, place, cell, 2)], -1)
    (first, second), _ = cKDTree(seeds).query(nodes.reshape(-1, 2), k=2)[0].T, None
    gap = (second - first).reshape(x.shape)
    distance, uneven, _ = _patch(place, rng, 0.35, 0.7)
    patch = smoothstep(0.15, 0.5, np.exp(-distance) + 0.12 * uneven) * _border(place)
    wide = surface.px(0.3, 0.55)
    crack = smoothstep(-wide, -0.4 * wide, -gap) * patch * (0.75 + 0.15 * clouds(rng, place, 3 * cell, 2))
    light = 1 + (relief(-smoothstep(0, 2.5 * wide, -gap + wide), place, rng, 0.25) - 1) * patch
    return [Layer(np.clip(0.8 * crack, 0, 1), surface.body * 0.2, light, patch > 0.3)]


def _flakes(place: Place, surface: Surface, rng: np.random.Generator) -> list[Layer]:
    distance, uneven, radius = _patch(place, rng, 0.25, 0.5)
    level = (np.exp(-distance) * 1.1 + 0.32 * uneven) * _border(place) - 0.62
    soft = 0.25 / max(radius, 1)
    off = smoothstep(-soft, soft, level)
    under = drawn_paint(rng, unlike=surface.body) if rng.random() < 0.6 else lab_to_linear_srgb(PRIMERS_LAB[0])
    rim = np.exp(-(((level + 0.05) / 0.05) ** 2)) * (distance < 5)
    light = relief(0.8 * rim - 1.2 * off, place, rng, 0.5)
    near = cv2.dilate((level > -0.03).astype(np.uint8), np.ones((2 * place.fine + 1,) * 2, np.uint8)) > 0
    return [Layer(0.97 * off, under, light, near & (distance < 5) & place.inside, gloss=0.3)]


def _runs(place: Place, surface: Surface, rng: np.random.Generator) -> list[Layer]:
    y, x = np.mgrid[0 : place.inside.shape[0], 0 : place.inside.shape[1]].astype(np.float32) / place.fine
    height = np.zeros_like(x)
    deep = np.argwhere(place.depth > 0.4 * float(place.depth.max()))
    wide = surface.px(rng.uniform(3, 6), 2.2)
    for _ in range(rng.integers(3, 8)):
        top_y, top_x = deep[rng.integers(len(deep))] / place.fine
        long = rng.uniform(4, 12) * wide
        centre = top_x + 0.3 * wide * np.sin((y - top_y) / (3 * wide) + rng.uniform(0, 6))
        share = (y - top_y) / long
        body = smoothstep(-0.05, 0.25, share) * (1 - smoothstep(0.97, 1.03, share)) * (0.6 + 0.4 * share)
        height = np.maximum(height, np.clip(body, 0, 1) * np.exp(-(((x - centre) / (0.55 * wide)) ** 2)))
    height = height * _border(place, 0.2)
    light = relief(height * wide, place, rng, rng.uniform(0.5, 0.9))
    shade = light * (1 + 0.10 * height)
    shows = cv2.dilate((height > 0.25).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    return [Layer(np.zeros_like(x), surface.body, shade, shows)]


# --- innocent look-alikes -----------------------------------------------------------------------------------------


def dust(place: Place, surface: Surface, rng: np.random.Generator) -> list[Layer]:
    uneven = clouds(rng, place, max(1.5 * place.breadth, 10), 5)
    density = np.clip(rng.uniform(0.35, 0.6) + 0.25 * uneven, 0, 0.85) * _soft(place, surface, rng)
    return [_stain(place, _specked(density, place, surface, rng), DUST)]


def mud(place: Place, surface: Surface, rng: np.random.Generator) -> list[Layer]:
    lumps = clouds(rng, place, max(0.4 * place.breadth, 5), 4)
    cover = 0.9 * smoothstep(0.5, 0.8, lumps) * _soft(place, surface, rng)
    return [Layer(cover, np.array(MUD), 1 + (relief(cover, place, rng, 0.2) - 1), _none(place))]


def salt(place: Place, surface: Surface, rng: np.random.Generator) -> list[Layer]:
    field = clouds(rng, place, max(0.7 * place.breadth, 8), 4)
    tide = np.exp(-(((field - rng.uniform(-0.2, 0.6)) / 0.12) ** 2))
    cover = (0.45 * tide + 0.2 * smoothstep(0.2, 1.2, field)) * _soft(place, surface, rng)
    return [_stain(place, cover, SALT)]


def chalk(place: Place, surface: Surface, rng: np.random.Generator) -> list[Layer]:
    cover = np.clip(rng.uniform(0.2, 0.45) * (1 + 0.2 * clouds(rng, place, 3 * place.breadth + 6, 4)), 0, 0.7)
    return [_stain(place, cover * _soft(place, surface, rng), CHALK)]


def polish(place: Place, surface: Surface, rng: np.random.Generator) -> list[Layer]:
    smear = clouds(rng, place, max(2 * place.breadth, 8), 4)
    cover = 0.6 * smoothstep(0.6, 1.4, smear) * _soft(place, surface, rng)
    return [_stain(place, cover, (0.7, 0.7, 0.68))]


def black_touch_up(place: Place, surface: Surface, rng: np.random.Generator) -> list[Layer]:
    field = clouds(rng, place, max(2.5 * place.breadth, 12), 3)
    if surface.kind in ("panel", "shut", "black_part"):
        distance, uneven, _ = _patch(place, rng, 0.3, 0.6)
        patch = smoothstep(0.25, 0.4, (np.exp(-distance) + 0.1 * uneven) * _fading(place, surface, rng))
    else:
        patch = _inside(place) * smoothstep(-1.2, -0.6, field)
    gloss = rng.uniform(0.1, 0.9)  # brushed on as thick, or as thin, as paint of the body's colour
    light = _thick(patch, place, rng) if surface.kind == "fastener" else _even(place)
    return [Layer(0.97 * patch, np.array(BLACK) * rng.uniform(0.8, 1.6), light, _none(place), gloss=gloss)]


def rust(place: Place, surface: Surface, rng: np.random.Generator) -> list[Layer]:
    field = clouds(rng, place, max(0.5 * place.breadth, 5), 4)
    least = rng.choice([-1.8, 0.0])  # all over, or in spots
    cover = 0.93 * smoothstep(least, least + 0.9, field) * _soft(place, surface, rng)
    shade = np.array(RUST) * (1 + 0.35 * clouds(rng, place, 4, 2)[..., None])
    return [Layer(cover, np.clip(shade, 0.005, 0.9), _even(place), _none(place))]


def shadow(place: Place, surface: Surface, rng: np.random.Generator) -> list[Layer]:
    """The edge of a shadow: a soft line, no step, no change of paint; it runs out beyond the mark."""
    turn = rng.uniform(0, np.pi)
    line = place.along * np.cos(turn) + place.across * np.sin(turn)
    at = np.percentile(line[place.inside], rng.uniform(30, 70))
    soft = max(rng.uniform(0.02, 0.12) * place.breadth, 1.2)
    dark = smoothstep(-soft, soft, line - at + 0.3 * soft * clouds(rng, place, 20, 2)) * _soft(place, surface, rng, 0.1)
    return [Layer(np.zeros_like(dark), np.zeros(3), 1 - rng.uniform(0.3, 0.55) * dark, _none(place))]


def crease(place: Place, surface: Surface, rng: np.random.Generator) -> list[Layer]:
    """A pressed fold: a wide, soft pair of light and shadow, the same paint on both sides."""
    turn = rng.choice([0.0, np.pi / 2]) + rng.normal() * 0.15
    line = -place.along * np.sin(turn) + place.across * np.cos(turn)
    distance = line - np.percentile(line[place.inside], rng.uniform(35, 65))
    wide = max(rng.uniform(0.04, 0.10) * place.breadth, 2.5)
    bent = distance / wide * np.exp(-((distance / wide) ** 2) / 2)
    return [Layer(np.zeros_like(bent), np.zeros(3), 1 + rng.uniform(0.12, 0.25) * bent * _border(place), _none(place))]


def chip(place: Place, surface: Surface, rng: np.random.Generator) -> list[Layer]:
    """Worn factory paint: one colour, then primer, then metal."""
    primer, metal = lab_to_linear_srgb(PRIMERS_LAB[0]), lab_to_linear_srgb(METAL_LAB)
    layers = _worn(place, surface, rng, [(0.40, primer), (rng.uniform(0.6, 0.85), metal)])
    return [Layer(each.cover, each.albedo, each.light, _none(place), each.gloss) for each in layers]


def smear(place: Place, surface: Surface, rng: np.random.Generator) -> list[Layer]:
    """Rubbed-on rubber: dark streaks along one way."""
    turn = rng.normal() * 0.3
    fine = place.along * np.sin(turn) + place.across * np.cos(turn)
    streaks = clouds(rng, place, 60, 1)
    lines = np.sin(fine / surface.px(3, 2.0) + 2 * streaks) * 0.5 + clouds(rng, place, 6, 2) * 0.4
    distance, uneven, _ = _patch(place, rng, 0.2, 0.4)
    cover = 0.7 * smoothstep(0.1, 0.7, lines) * smoothstep(0.25, 0.6, np.exp(-distance) + 0.1 * uneven) * _border(place)
    return [_stain(place, cover, (0.04, 0.04, 0.04))]


def scratches(place: Place, surface: Surface, rng: np.random.Generator) -> list[Layer]:
    cover = np.zeros(place.inside.shape, np.float32)
    turn = rng.uniform(0, np.pi)
    for _ in range(rng.integers(3, 9)):
        angle = turn + rng.normal() * 0.25
        line = -place.along * np.sin(angle) + place.across * np.cos(angle)
        run = place.along * np.cos(angle) + place.across * np.sin(angle)
        line = line - np.percentile(line[place.inside], rng.uniform(15, 85)) + 0.002 * run**2 * rng.normal() / 10
        middle, half = np.percentile(run[place.inside], rng.uniform(20, 80)), rng.uniform(0.15, 0.4) * place.length
        wide = surface.px(0.3, 0.5)
        cover = np.maximum(
            cover, smoothstep(-wide, 0, -np.abs(line)) * smoothstep(-half, -0.8 * half, -np.abs(run - middle))
        )
    return [_stain(place, 0.7 * cover * _border(place, 0.15), (0.5, 0.5, 0.5))]


def bird_lime(place: Place, surface: Surface, rng: np.random.Generator) -> list[Layer]:
    distance, uneven, _ = _patch(place, rng, 0.12, 0.28)
    level = np.exp(-distance) + 0.25 * uneven
    white = smoothstep(0.5, 0.62, level) * (distance < 6) * _border(place)
    dark = smoothstep(0.95, 1.15, level) * (distance < 6)
    colour = np.array([0.75, 0.74, 0.68]) * (1 - dark[..., None]) + np.array([0.10, 0.09, 0.06]) * dark[..., None]
    return [Layer(0.9 * white, colour, _even(place), _none(place))]


def bright_plating(place: Place, surface: Surface, rng: np.random.Generator) -> list[Layer]:
    """A new plated head: bare and bright, or dull as zinc goes; its facets as they were."""
    cover = rng.uniform(0.35, 0.97) * _inside(place)
    shade = rng.uniform(0.3, 0.55) * np.array([1.0, 1.0, 0.98])
    return [Layer(cover, shade, _even(place), _none(place), gloss=rng.uniform(0.1, 1.6))]


def grime(place: Place, surface: Surface, rng: np.random.Generator) -> list[Layer]:
    """Oil and dirt caked over a head: as thick as a coat, of no body's colour."""
    uneven = clouds(rng, place, 0.8 * place.breadth, 3)
    cover = np.clip(0.93 + 0.05 * uneven, 0, 0.98) * _inside(place)
    shade = np.array(MUD) * rng.uniform(0.3, 0.8) * (1 + 0.15 * uneven[..., None])
    light = _thick(cover, place, rng)
    return [Layer(cover, np.clip(shade, 0.005, 0.9), light, _none(place), gloss=rng.uniform(0.0, 0.4))]


def packed(place: Place, surface: Surface, rng: np.random.Generator) -> list[Layer]:
    """Mud or polish in an open seam: matt, of another colour, the flanks as they were."""
    middle = place.breadth / 2 - place.across
    uneven = clouds(rng, place, 5 * place.breadth + 4, 3)
    reach = 0.6 * place.breadth * (1 + 0.25 * uneven)
    cover = 0.9 * smoothstep(-0.5, 0.5, reach - np.abs(middle)) * _stretch(place, rng, 0.5)
    colour = MUD if rng.random() < 0.5 else DUST
    return [_stain(place, cover * (place.along > 0) * (place.along < place.length), colour)]


def open_seam(place: Place, surface: Surface, rng: np.random.Generator) -> list[Layer]:
    """A gap that stays open and looks deeper: dirt-black along all its length."""
    middle = place.breadth / 2 - place.across
    cover = 0.8 * smoothstep(-0.5, 0.5, 0.55 * place.breadth - np.abs(middle)) * _stretch(place, rng, 0.7)
    return [_stain(place, cover * (place.along > 0) * (place.along < place.length), BLACK)]


def _soft(place: Place, surface: Surface, rng: np.random.Generator, uneven: float = 0.4) -> Array:
    """Fades where the surface goes on beyond a polygon; ends softly at the border of a strip or disc."""
    return _inside(place) if surface.kind in ("rubber", "fastener", "seam") else _fading(place, surface, rng, uneven)


def _none(place: Place) -> Array:
    return np.zeros(place.inside.shape, bool)


def _stain(place: Place, cover: Array, albedo: tuple[float, float, float]) -> Layer:
    return Layer(np.asarray(cover, np.float32), np.array(albedo), _even(place), _none(place))


CUES: dict[str, tuple[tuple[Kind, ...], Draw]] = {
    "overspray_rubber": (("rubber",), overspray_rubber),
    "overspray_hidden": (("black_part",), overspray_hidden),
    "painted_fastener": (("fastener",), painted_fastener),
    "filled_seam": (("seam",), filled_seam),
    "masking_edge": (("panel", "shut"), masking_edge),
    "wear_through": (("panel", "shut"), wear_through),
    "film_defect": (("panel", "shut"), film_defect),
}
INNOCENT: dict[str, tuple[Draw, ...]] = {
    "overspray_rubber": (dust, chalk, polish, black_touch_up, shadow),
    "overspray_hidden": (dust, mud, salt, rust, black_touch_up, shadow),
    "painted_fastener": (black_touch_up, rust, dust, grime, bright_plating),
    "filled_seam": (packed, open_seam, shadow),
    "masking_edge": (shadow, crease, dust, scratches),
    "wear_through": (chip, smear, rust, mud),
    "film_defect": (bird_lime, scratches, dust, shadow, mud),
}
