"""The tiles that ground is laid with. What pebbles and blades measure is common practice, no source."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import uniform_filter

from synthetic_data.ground_detail import DARKEST, LIGHTEST, TILE_M, TILE_PX, ground_detail
from synthetic_data.textures import GROUNDS

KINDS = tuple(GROUNDS)


@pytest.mark.parametrize("kind", KINDS)
def test_a_tile_leaves_the_ground_as_light_as_it_was(kind: str) -> None:
    tile = ground_detail(kind, 1)
    assert tile.shape == (TILE_PX, TILE_PX)
    assert tile.min() >= 0
    assert tile.max() <= 1
    assert (DARKEST + (LIGHTEST - DARKEST) * tile).mean() == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("axis", [0, 1])
def test_a_tile_goes_on_where_it_is_laid_again(kind: str, axis: int) -> None:
    twice = np.concatenate([ground_detail(kind, 2)] * 2, axis=axis)
    steps = np.abs(np.diff(twice, axis=axis)).mean(axis=1 - axis)
    assert steps[TILE_PX - 1] < np.quantile(steps, 0.99) * 1.3


def test_grains_are_as_large_as_said() -> None:
    """Gravel of 13 mm: averaged over a tenth of that it keeps its contrast, over three times that it has lost it."""
    tile, mm = ground_detail("gravel", 3), TILE_PX / (1000 * TILE_M)
    left = [uniform_filter(tile, round(size * mm), mode="wrap").std() / tile.std() for size in (3, 39)]
    assert left[0] > 0.6
    assert left[1] < 0.3


def test_a_seed_gives_its_tile_again_and_another_a_different_one() -> None:
    ground_detail.cache_clear()
    first = ground_detail("grass", 4)
    ground_detail.cache_clear()
    np.testing.assert_array_equal(first, ground_detail("grass", 4))
    assert not np.array_equal(first, ground_detail("grass", 5))
