"""Painting on a photo: light is added up linearly, and sharpness, noise and file are the photo's own."""

from __future__ import annotations

import io

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image, JpegImagePlugin
from skimage.restoration import estimate_sigma

from synthetic_data.semi_real import (
    Layer,
    Light,
    composite,
    estimate_blur,
    estimate_noise,
    save_like,
)
from synthetic_data.semi_real_marks import Mark, Place, place_of

HEIGHT, WIDTH = 160, 240
SQUARE = Mark(kind="panel", points=((80, 50), (160, 50), (160, 110), (80, 110)))

Bytes = npt.NDArray[np.uint8]


@pytest.fixture
def place() -> Place:
    return place_of(SQUARE, WIDTH, HEIGHT)


def drawn(noise: float = 0.0, seed: int = 0) -> Bytes:
    """A photo of a wall that grows lighter to the right, with grey noise in sRGB values 0 to 1."""
    ramp = np.tile(np.linspace(0.3, 0.6, WIDTH), (HEIGHT, 1))
    noisy = ramp + noise * np.random.default_rng(seed).normal(size=ramp.shape)
    return np.repeat(np.clip(np.round(noisy * 255), 0, 255).astype(np.uint8)[..., None], 3, -1)


def layer(place: Place, cover: float, albedo: tuple[float, float, float], light: float = 1.0) -> Layer:
    full = np.where(place.inside, np.float32(cover), np.float32(0))
    shade = np.where(place.inside, np.float32(light), np.float32(1))
    return Layer(full, np.array(albedo), shade, place.inside)


def lit(place: Place, white: float) -> Light:
    left, top, right, bottom = place.window
    shape = (bottom - top, right - left)
    return Light(np.full(shape, white, np.float32), np.zeros((*shape, 3), np.float32))


def test_a_veil_is_added_in_linear_light_as_colour_science_has_it(place: Place) -> None:
    colour = pytest.importorskip("colour")  # colour-science, an independent sRGB (IEC 61966-2-1)
    photo = np.full((HEIGHT, WIDTH, 3), (120, 90, 60), np.uint8)
    albedo, white, cover = np.array((0.5, 0.1, 0.02)), 0.8, 0.4
    veil = layer(place, cover, tuple(albedo), light=0.7)
    painted, mask = composite(
        photo, place, [veil], lit(place, white), blur_px=0.5, noise=0.0, rng=np.random.default_rng(0)
    )
    below = colour.eotf(photo[80, 120] / 255, function="sRGB")
    wanted = colour.eotf_inverse((below * (1 - cover) + albedo * white * cover) * 0.7, function="sRGB") * 255
    np.testing.assert_allclose(painted[80, 120], wanted, atol=0.6)  # half a level, and rounding
    assert mask[80, 120] and not mask[20, 120]


@pytest.mark.parametrize("sigma", [0.01, 0.02, 0.04])
def test_noise_is_measured_as_scikit_image_does(sigma: float) -> None:
    photo = drawn(sigma, seed=3) / 255
    reference = float(estimate_sigma(photo[..., 0]))  # by wavelets (Donoho and Johnstone 1994)
    assert estimate_noise(photo, 0.45) == pytest.approx(reference, rel=0.12)
    assert estimate_noise(photo, 0.45) == pytest.approx(sigma, rel=0.12)


def test_texture_is_not_taken_for_noise() -> None:
    photo = drawn(0.01, seed=1).astype(float) / 255
    gravel = np.random.default_rng(2).choice([0.8, 1.2], size=(HEIGHT, WIDTH))
    photo[:, WIDTH // 3 :] *= gravel[:, WIDTH // 3 :, None]
    assert float(estimate_sigma(photo[..., 0])) > 0.03
    for level in (0.35, 0.4):
        assert estimate_noise(photo, level) == pytest.approx(0.01, rel=0.25)


@pytest.mark.parametrize("sigma", [0.8, 1.3, 2.0])
def test_the_blur_of_an_edge_is_found(sigma: float) -> None:
    edges = np.full((120, 120), 0.2, np.float32)
    edges[30:90, 30:90] = 0.8
    blurred = cv2.GaussianBlur(edges, (0, 0), sigma)
    assert estimate_blur(np.repeat(blurred[..., None], 3, -1)) == pytest.approx(sigma, rel=0.2)


def test_a_coat_gets_the_noise_that_it_hid(place: Place) -> None:
    photo = drawn(0.03, seed=5)
    coat = layer(place, 1.0, (0.3, 0.3, 0.3))
    painted, _ = composite(photo, place, [coat], lit(place, 0.7), blur_px=0.5, noise=0.03, rng=np.random.default_rng(1))
    inside = painted[60:100, 90:150, 0] / 255
    assert float(estimate_sigma(inside)) == pytest.approx(0.03, rel=0.15)
    bare, _ = composite(photo, place, [coat], lit(place, 0.7), blur_px=0.5, noise=0.0, rng=np.random.default_rng(1))
    assert bare[60:100, 90:150, 0].std() < 1


def test_the_edge_of_a_coat_is_as_soft_as_the_photo(place: Place) -> None:
    photo = np.full((HEIGHT, WIDTH, 3), 60, np.uint8)
    widths = []
    for blur in (0.7, 1.6):
        coat = layer(place, 1.0, (0.4, 0.4, 0.4))
        painted, _ = composite(
            photo, place, [coat], lit(place, 0.8), blur_px=blur, noise=0.0, rng=np.random.default_rng(0)
        )
        widths.append(estimate_blur(painted.astype(np.float32) / 255))
    assert widths == pytest.approx([0.7, 1.6], rel=0.25)


def test_nothing_changes_beyond_the_mark_but_by_blur_and_by_blocks_of_the_file(place: Place) -> None:
    photo = drawn(0.02, seed=7)
    coat = layer(place, 1.0, (0.05, 0.4, 0.1))
    blur = 1.0
    painted, mask = composite(
        photo, place, [coat], lit(place, 0.7), blur_px=blur, noise=0.02, rng=np.random.default_rng(1)
    )
    inside = np.zeros((HEIGHT, WIDTH), np.uint8)
    inside[50:111, 80:161] = 1
    near = cv2.dilate(inside, np.ones((2 * int(4 * blur) + 1,) * 2, np.uint8)) > 0
    assert (painted[~near] == photo[~near]).all() and (painted[inside > 0] != photo[inside > 0]).mean() > 0.9
    assert not mask[inside == 0].any()
    original = io.BytesIO()
    Image.fromarray(photo).save(original, "JPEG", quality=70)
    before, after = (
        np.asarray(Image.open(io.BytesIO(save_like(each, original.getvalue())))) for each in (photo, painted)
    )
    # ITU-T T.81, A.2.3: with colour halved in both directions a block of 16 by 16 pixels is coded as one; decoders
    # smooth the halved colour over one sample more
    blocks = np.kron(near.reshape(HEIGHT // 16, 16, WIDTH // 16, 16).any((1, 3)), np.ones((16, 16), np.uint8))
    reached = cv2.dilate(blocks.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    assert (before[~reached] == after[~reached]).all() and (before != after).any()


@pytest.mark.parametrize(("quality", "subsampling"), [(60, "4:2:0"), (92, "4:4:4")])
def test_the_file_keeps_its_tables_and_loses_its_metadata(quality: int, subsampling: str) -> None:
    exif = Image.Exif()
    exif[0x010F] = "a phone"
    original = io.BytesIO()
    Image.fromarray(drawn()).save(original, "JPEG", quality=quality, subsampling=subsampling, exif=exif)
    with Image.open(original) as first, Image.open(io.BytesIO(save_like(drawn(0.02), original.getvalue()))) as second:
        assert second.quantization == first.quantization  # type: ignore[attr-defined]
        assert JpegImagePlugin.get_sampling(second) == JpegImagePlugin.get_sampling(first)
        assert first.getexif() and not second.getexif()


def test_other_files_become_jpegs() -> None:
    original = io.BytesIO()
    Image.fromarray(drawn()).save(original, "PNG")
    with Image.open(io.BytesIO(save_like(drawn(), original.getvalue()))) as photo:
        assert photo.format == "JPEG"
