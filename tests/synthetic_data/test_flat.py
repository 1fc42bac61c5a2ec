from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
import pytest

colour = pytest.importorskip("colour")
pytest.importorskip("torch")

from pipeline.records import SURFACES, ZONES  # noqa: E402  (torch may be missing)
from synthetic_data.camera import Exposure  # noqa: E402
from synthetic_data.flat import document_photo, plate_photo  # noqa: E402

GREEN = (38.0, -22.0, 12.0)
SIZES = ((320, 240), (240, 320))


def plate(rng: np.random.Generator, width: int, height: int) -> Exposure:
    return plate_photo(rng, GREEN, width, height)


def writing(exposure: Exposure) -> Any:
    """Thin strokes: places darker or lighter than the median of their neighbourhood by a third."""
    light = exposure.radiance.mean(axis=-1)
    grey = np.clip(255 * np.sqrt(light / np.percentile(light, 99)), 0, 255).astype(np.uint8)
    around = cv2.medianBlur(grey, 11).astype(float)
    return np.abs(grey - around) > 0.18 * np.maximum(around, 20)


@pytest.mark.parametrize(("width", "height"), SIZES)
@pytest.mark.parametrize("make", [document_photo, plate])
def test_an_exposure_is_whole(make: Callable[..., Exposure], width: int, height: int) -> None:
    for seed in range(3):
        exposure = make(np.random.default_rng(seed), width, height)
        assert exposure.radiance.shape == (height, width, 3) and exposure.radiance.dtype == np.float32
        assert np.isfinite(exposure.radiance).all() and exposure.radiance.min() >= 0
        for labels in (exposure.surface, exposure.zone, exposure.side):
            assert labels.shape == (height, width) and labels.dtype == np.uint8
        assert exposure.cues == {} and not exposure.side.any() and exposure.depth_m is None


@pytest.mark.parametrize("make", [document_photo, plate])
def test_something_is_written_on_it(make: Callable[..., Exposure]) -> None:
    for seed in range(3):
        exposure = make(np.random.default_rng(seed), 640, 480)
        sheet = exposure.surface != SURFACES.index("paint")
        assert 0.01 < writing(exposure)[sheet].mean() < 0.5, seed


def test_a_document_is_not_a_vehicle() -> None:
    exposure = document_photo(np.random.default_rng(1), 320, 240)
    assert (exposure.surface == SURFACES.index("background")).all() and not exposure.zone.any()
    half = exposure.radiance[60:180, 80:240].mean()
    assert half > 0.2  # paper is light


def test_a_plate_sits_on_paint_of_the_vehicles_colour() -> None:
    # reference: colour-science's CIELAB to linear sRGB; light falls off over the picture: chromaticities are compared
    space = colour.RGB_COLOURSPACES["sRGB"]
    wanted = colour.XYZ_to_RGB(colour.Lab_to_XYZ(GREEN, space.whitepoint), space)
    for seed in range(6):
        exposure = plate(np.random.default_rng(seed), 320, 240)
        on_plate = exposure.surface == SURFACES.index("plate")
        assert 0.1 < on_plate.mean() < 0.98
        assert np.array_equal(exposure.zone == 1 + ZONES.index("identification_plate"), on_plate)
        assert set(np.unique(exposure.surface)) == {SURFACES.index("plate"), SURFACES.index("paint")}
        middle = np.argwhere(on_plate).mean(axis=0) / (240, 320)
        assert middle == pytest.approx([0.5, 0.5], abs=0.2)
        paint = np.median(
            exposure.radiance[~cv2.dilate(on_plate.astype(np.uint8), np.ones((5, 5))).astype(bool)], axis=0
        )
        assert paint / paint.sum() == pytest.approx(wanted / wanted.sum(), abs=0.02)


@pytest.mark.parametrize("make", [document_photo, plate])
def test_the_same_seed_gives_the_same_picture(make: Callable[..., Exposure]) -> None:
    first, again, other = (make(np.random.default_rng(seed), 160, 120) for seed in (3, 3, 4))
    assert np.array_equal(first.radiance, again.radiance) and np.array_equal(first.surface, again.surface)
    assert not np.array_equal(first.radiance, other.radiance)
