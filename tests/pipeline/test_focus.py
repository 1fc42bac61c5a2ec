"""Blurred places: against edges that scipy blurs by a known width, and a photo that scikit-image carries."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from scipy.ndimage import gaussian_filter
from skimage.data import astronaut

from pipeline.colour import colour_settings
from pipeline.focus import in_focus

SETTINGS = colour_settings().focus
ROWS, COLUMNS = 75, 100


def stripes(blur_px: float, noise: float = 2.0) -> npt.NDArray[np.uint8]:
    """Upright edges between two greys, 80 pixels apart, blurred by this standard deviation, with a camera's noise."""
    sharp = np.tile(np.where(np.arange(800) // 80 % 2, 150.0, 60.0), (600, 1))
    grey = gaussian_filter(sharp, blur_px) + np.random.default_rng(1).normal(0, noise, sharp.shape)
    return np.repeat(np.clip(grey, 0, 255).astype(np.uint8)[..., None], 3, axis=2)


@pytest.mark.parametrize(("share_of_most", "seen"), [(0.25, True), (0.8, True), (1.1, False), (3.0, False)])
def test_edges_wider_than_the_limit_are_out_of_focus(share_of_most: float, seen: bool) -> None:
    focused = in_focus(stripes(share_of_most * SETTINGS.most_blur_px), (ROWS, COLUMNS), SETTINGS)
    assert focused.shape == (ROWS, COLUMNS)
    assert focused.mean() == (1.0 if seen else pytest.approx(0.0, abs=0.1))


def test_where_nothing_has_an_edge_nothing_is_called_blurred() -> None:
    plain = np.full((600, 800, 3), 128.0) + np.random.default_rng(2).normal(0, 4, (600, 800, 1))
    assert in_focus(plain.astype(np.uint8), (ROWS, COLUMNS), SETTINGS).all()


@pytest.mark.parametrize("shape", [(1, 1), (1, 800), (800, 1), (15, 15)])
def test_a_photo_too_small_to_tell_is_in_focus(shape: tuple[int, int]) -> None:
    photo = np.random.default_rng(3).integers(0, 256, (*shape, 3), np.uint8)
    focused = in_focus(photo, (2, 3), SETTINGS)
    assert focused.shape == (2, 3)
    assert focused.all()


def test_the_blurred_half_of_a_photo_goes_out_and_the_other_stays() -> None:
    photo = np.array(astronaut())  # type: ignore[no-untyped-call]
    assert in_focus(photo, (ROWS, COLUMNS), SETTINGS).mean() > 0.95
    left = photo.shape[1] // 2
    photo[:, :left] = gaussian_filter(photo.astype(float), (8, 8, 0))[:, :left].astype(np.uint8)
    focused = in_focus(photo, (ROWS, COLUMNS), SETTINGS)
    assert focused[:, 60:].mean() > 0.95
    assert focused[:, :40].mean() < 0.6  # plain parts have no edge to tell by
