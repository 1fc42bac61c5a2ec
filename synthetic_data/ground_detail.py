"""What ground is made of, seen from near: blades, pebbles, crumbs, grit, as a tile that is laid again and again.

The ground's own map shows its patches, tracks and stains, at some millimetres a texel. A phone held at a sill sees what
is finer, and ground without it looks like a painted sheet. Sizes of stones and blades are common practice, no source.
"""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

from synthetic_data.panorama import Array

TILE_PX, TILE_M = 1152, 1.7
MM = TILE_PX / (1000 * TILE_M)  # pixels a millimetre
DARKEST, LIGHTEST = 0.1, 1.9  # of the ground's own albedo, where the tile is 0 and where it is 1
# kind: mean size of grains and of the gaps between in mm; how dark the gaps are; how unlike the grains
GRAINS: dict[str, tuple[float, float, float, float]] = {
    "gravel": (13.0, 2.5, 0.75, 0.30),
    "tarmac": (6.0, 1.5, 0.45, 0.32),
    "dirt": (6.0, 2.0, 0.30, 0.22),
    "concrete": (3.0, 0.5, 0.15, 0.14),
    "paving": (2.5, 0.5, 0.15, 0.16),
}
BLADES, BLADE_MM, TONES = 66000, (15.0, 55.0), 16


@lru_cache(maxsize=24)  # four seeds of every kind there is, 5.3 MB each
def ground_detail(kind: str, seed: int) -> Array:
    """A tile float32 (TILE_PX, TILE_PX) of `kind`, 0 to 1, mean 0.5: darker and lighter than the ground's own albedo.

    Its left edge continues its right one, its top its bottom.
    """
    rng = np.random.default_rng(seed)
    tile = _blades(rng) if kind == "grass" else _grains(rng, *GRAINS[kind])
    for _ in range(3):  # what is clipped moves the mean
        tile = np.clip(tile * np.float32(0.5 / tile.mean()), 0, 1)
    return np.asarray(tile, np.float32)


def _grains(rng: np.random.Generator, spacing_mm: float, gap_mm: float, gap: float, unlike: float) -> Array:
    """Grains about a spacing, and among them larger ones and heaps of smaller ones, as they were never sieved."""
    tile, _ = _layer(rng, spacing_mm, gap_mm, gap, unlike)
    for scale, share in ((0.5, 0.45), (1.9, 0.22)):
        layer, chance = _layer(rng, scale * spacing_mm, gap_mm * scale**0.5, gap, unlike)
        tile = np.where(chance < share, layer, tile)
    rough = 1 + 0.10 * rng.normal(0, 1, tile.shape)
    wide = cv2.GaussianBlur(np.pad(tile * rough, 4, mode="wrap").astype(np.float32), (3, 3), 0.6)
    return np.asarray(wide[4:-4, 4:-4])


def _layer(
    rng: np.random.Generator, spacing_mm: float, gap_mm: float, gap: float, unlike: float
) -> tuple[Array, Array]:
    """Grains of one spacing, each of a tone and leaning some way, dark where they meet; and a chance 0..1 for each,
    given at its pixels."""
    count = round((TILE_PX / (spacing_mm * MM)) ** 2)
    border = int(5 * spacing_mm * MM)  # farther than the largest grain reaches
    at, number = _repeated(rng.uniform(0, TILE_PX, (count, 2)), border)
    side = TILE_PX + 2 * border
    column, row = (at + border).astype(int).clip(0, side - 1).T
    seeds = np.ones((side, side), np.uint8)
    seeds[row, column] = 0
    _, label = cv2.distanceTransformWithLabels(seeds, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    known = label[row, column]
    of_grain = np.zeros((5, int(label.max()) + 1), np.float32)
    tone, angle = rng.normal(1, unlike, count).clip(0.3, 2.2), rng.uniform(0, 2 * np.pi, count)
    lean = 0.8 * unlike * rng.random(count) / (0.5 * spacing_mm * MM)
    clump = rng.random(count)
    steep = (lean * np.cos(angle))[number], (lean * np.sin(angle))[number]
    of_grain[:, known] = [tone[number], *steep, steep[0] * column + steep[1] * row, clump[number]]
    box = (slice(border, border + TILE_PX),) * 2
    meet = np.zeros(label.shape, bool)
    meet[:, 1:] |= label[:, 1:] != label[:, :-1]
    meet[1:] |= label[1:] != label[:-1]
    inside = cv2.distanceTransform((~meet).astype(np.uint8), cv2.DIST_L2, 3)[box]
    own = label[box]
    x = np.arange(border, border + TILE_PX, dtype=np.float32)
    facing = 1 + of_grain[1][own] * x + of_grain[2][own] * x[:, None] - of_grain[3][own]
    lit = 1 - gap * np.clip(1 - inside / (gap_mm * MM + 0.5), 0, 1)
    return np.asarray(of_grain[0][own] * facing.clip(0.4, 1.6) * lit), of_grain[4][own]


def _repeated(at: npt.NDArray[np.float64], border: int) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.intp]]:
    """Places (n, 2) and their copies in neighbouring tiles as far as `border`; which place each of these is."""
    moves = [(x, y) for x in (-TILE_PX, 0, TILE_PX) for y in (-TILE_PX, 0, TILE_PX)]
    wide = np.concatenate([at + move for move in moves])
    number = np.tile(np.arange(len(at)), len(moves))
    kept = ((wide > -border) & (wide < TILE_PX + border)).all(axis=1)
    return wide[kept], number[kept]


def _blades(rng: np.random.Generator) -> Array:
    """Blades of grass lying every way over dark soil, the lighter ones above."""
    border = int(BLADE_MM[1] * MM) + 2
    start, number = _repeated(rng.uniform(0, TILE_PX, (BLADES, 2)), border)
    angle, bend = rng.uniform(0, 2 * np.pi, BLADES), rng.normal(0, 0.5, BLADES)
    long = rng.uniform(*BLADE_MM, BLADES) * MM
    tone = rng.integers(0, TONES, BLADES)
    way = angle[:, None] + bend[:, None] * np.linspace(0, 1, 6)
    steps = np.stack([np.cos(way), np.sin(way)], -1) * (long / 5)[:, None, None]
    paths = start[:, None] + np.cumsum(steps, axis=1)[number] + border
    points = np.round(paths * 16).astype(np.int32)
    tile = np.full((TILE_PX + 2 * border,) * 2, 0.2, np.float32)
    for level in range(TONES):
        lit = 0.3 + 0.9 * level / (TONES - 1)
        cv2.polylines(tile, list(points[tone[number] == level]), False, lit, 1 + level % 2, cv2.LINE_AA, shift=4)
    return np.asarray(tile[border : border + TILE_PX, border : border + TILE_PX])
