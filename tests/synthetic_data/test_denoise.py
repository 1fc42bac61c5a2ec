"""Denoising of made-up halves whose truth is known: what is noise goes, what is picture stays."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy import ndimage
from skimage.restoration import estimate_sigma

torch = pytest.importorskip("torch")

from synthetic_data import denoise as denoising  # noqa: E402  (torch may be missing)
from synthetic_data.denoise import KEPT, Half, denoise  # noqa: E402

HEIGHT, WIDTH = 96, 128


def halves(truth: Any, sigma: float, *, albedo: Any = 1.0, normal: Any = None) -> list[Half]:
    """Two noisy halves (each of deviation `sigma`) of a radiance (H, W), with the guides of a flat wall 2 m away."""
    rng = np.random.default_rng(1)
    paint = torch.from_numpy(np.broadcast_to(np.asarray(albedo, np.float32), (3, HEIGHT, WIDTH)).copy())
    facing = np.zeros((3, HEIGHT, WIDTH), np.float32) if normal is None else normal.astype(np.float32)
    made = []
    for _ in range(2):
        noisy = (
            truth + rng.normal(0, sigma, (3, HEIGHT, WIDTH)) if sigma else np.broadcast_to(truth, (3, HEIGHT, WIDTH))
        )
        radiance = torch.from_numpy(noisy.astype(np.float32))
        made.append(Half(radiance, paint, torch.from_numpy(facing), torch.full((1, HEIGHT, WIDTH), 2.0)))
    return made


def off(found: Any, truth: Any) -> float:
    return float(np.sqrt(((found.numpy() - truth) ** 2).mean()))


def test_noise_on_an_even_surface_goes() -> None:
    truth = np.full((HEIGHT, WIDTH), 0.4)
    result = denoise(*halves(truth, 0.1))
    assert off(result, truth) < 0.1 / np.sqrt(2) / 5  # two halves together have 0.1 / √2
    # scikit-image's estimate (Donoho and Johnstone 1994) of what noise is left
    assert float(estimate_sigma(result[0].numpy())) < 0.1 / np.sqrt(2) / 10


def test_a_picture_without_noise_stays() -> None:
    rng = np.random.default_rng(2)
    truth = rng.uniform(0.1, 0.9, (HEIGHT, WIDTH))
    assert off(denoise(*halves(truth, 0.0)), truth) < 0.005


def test_specks_painted_on_a_surface_stay() -> None:
    # droplets of one pixel: they are in the albedo, which the render gives without the light's noise
    specks = np.where(np.random.default_rng(3).random((HEIGHT, WIDTH)) < 0.05, 0.5, 0.1)
    result = denoise(*halves(specks * 0.8, 0.02, albedo=specks)).numpy()[0]
    contrast = result[specks > 0.3].mean() - result[specks < 0.3].mean()
    assert contrast == pytest.approx(0.8 * 0.4, rel=0.05)
    assert result[specks > 0.3].min() > result[specks < 0.3].max()


def test_edges_of_light_and_of_shape_stay() -> None:
    left = np.arange(WIDTH)[None] < 64
    shadow = np.where(left, 0.2, 0.6) * np.ones((HEIGHT, 1))
    assert off(denoise(*halves(shadow, 0.05)), shadow) < 0.015
    # two faces of nearly one brightness, told apart by their normals
    faint = np.where(left, 0.40, 0.43) * np.ones((HEIGHT, 1))
    normal = np.zeros((3, HEIGHT, WIDTH))
    normal[0], normal[1] = left, ~left
    sharp = denoise(*halves(faint, 0.05, normal=normal)).numpy()[:, :, 63:65].mean((0, 1))
    assert sharp[1] - sharp[0] == pytest.approx(0.03, abs=0.01)


def test_a_rivet_of_few_pixels_keeps_its_shading() -> None:
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    round_ = np.hypot(y - 48, x - 64) / 5
    head = round_ < 1
    normal = np.stack(
        [
            np.where(head, (x - 64) / 5, 0),
            np.where(head, (y - 48) / 5, 0),
            np.sqrt(np.maximum(1 - np.where(head, round_, 0) ** 2, 0)),
        ]
    )
    light = np.array([0.5, -0.5, np.sqrt(0.5)])
    truth = 0.5 * np.clip(np.tensordot(light, normal, 1), 0, 1)
    result = denoise(*halves(truth, 0.03, normal=normal)).numpy().mean(0)
    assert np.corrcoef(result[head], truth[head])[0, 1] > 0.97
    assert np.abs(result - truth)[head].mean() < 0.03


def test_what_one_half_alone_has_seen_leaves_no_bright_square() -> None:
    truth = np.full((HEIGHT, WIDTH), 0.4)
    first, second = halves(truth, 0.05)
    first.radiance[:, 40, 60] = 300.0
    struck = denoise(first, second).numpy()[0, 30:51, 50:71]
    assert np.abs(struck - 0.4).max() < 0.25  # one path's outlier, not a block of 25 pixels
    assert np.sort(np.abs(struck - 0.4).ravel())[-10] < 0.06


def test_a_glint_that_both_halves_see_stays() -> None:
    truth = np.full((HEIGHT, WIDTH), 0.4)
    truth[40, 60] = 20.0
    assert denoise(*halves(truth, 0.02)).numpy()[0, 40, 60] > 15


def by_few_paths(share: float) -> list[Half]:
    """Halves of a floor of radiance 0.4 and albedo 1 that each pixel's light reaches by chance, in `share` of them."""
    made = halves(np.full((HEIGHT, WIDTH), 0.4), 0.0)
    rng = np.random.default_rng(4)
    for half in made:
        half.radiance[:] = torch.from_numpy((rng.random((1, HEIGHT, WIDTH)) < share) * 0.4 / share)
    return made


def test_a_place_lit_by_few_paths_is_not_darkened() -> None:
    # arithmetic: the mean of what the paths bring is 0.4 whatever share of them finds the light
    for share in (0.05, 0.2):
        first, second = by_few_paths(share)
        brought = float((first.radiance + second.radiance).mean()) / 2
        assert float(denoise(first, second).mean()) == pytest.approx(brought, rel=0.12)


def test_pixels_unlike_their_neighbours_do_not_stay_specks() -> None:
    # where faces meet a pixel has a normal between theirs, which no other pixel has
    first, second = by_few_paths(0.2)
    for half in (first, second):
        half.normal[2] = 1
        half.normal[0, ::12, ::12], half.normal[2, ::12, ::12] = 0.6, 0.8
    noisy = (first.radiance + second.radiance)[0, ::12, ::12] / 2
    assert denoise(first, second)[0, ::12, ::12].std() < 0.6 * noisy.std()


def test_a_little_grain_is_kept() -> None:
    result = denoise(*halves(np.full((HEIGHT, WIDTH), 0.4), 0.1)).numpy()[0]
    assert float(estimate_sigma(result)) > 0.1 / np.sqrt(6) * 0.03  # the mean of three channels of two halves


@pytest.mark.parametrize(("blur_px", "least", "most"), [(0.0, 0.6, 1.1), (5.0, 0.0, 0.2)])
def test_fine_grain_is_kept_and_coarse_is_not(
    blur_px: float, least: float, most: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = halves(np.full((HEIGHT, WIDTH), 0.4), 0.0)
    rng = np.random.default_rng(5)
    for half in made:
        noise = ndimage.gaussian_filter(rng.normal(size=(HEIGHT, WIDTH)), blur_px)
        half.radiance[:] += torch.from_numpy(0.05 * noise / noise.std()).float()
    kept = denoise(*made)
    monkeypatch.setattr(denoising, "KEPT", 0.0)
    share = float((kept - denoise(*made)).std() / ((made[0].radiance + made[1].radiance) / 2).std())
    assert least * KEPT <= share <= most * KEPT


@pytest.mark.parametrize("size", [(1, 1), (1, 9), (3, 2), (5, 10), (10, 7), (11, 24)])
def test_a_picture_smaller_than_the_reach_of_the_filter_is_denoised(size: tuple[int, int]) -> None:
    # the furthest neighbours are 10 px away
    cut = [
        Half(*(getattr(half, name)[:, : size[0], : size[1]] for name in ("radiance", "albedo", "normal", "distance")))
        for half in halves(np.full((HEIGHT, WIDTH), 0.4), 0.02)
    ]
    result = denoise(*cut)
    assert result.shape == (3, *size)
    assert float((result - 0.4).abs().max()) < 0.05
