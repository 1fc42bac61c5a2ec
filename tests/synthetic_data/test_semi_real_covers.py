"""What is painted on a mark: every cue shows on it, nothing innocent is called a cue, and each looks like its cause."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from synthetic_data.camera import decode_srgb
from synthetic_data.paint import lab_to_linear_srgb
from synthetic_data.semi_real import Layer, composite, estimate_light
from synthetic_data.semi_real_covers import CUES, INNOCENT, Surface, drawn_paint, filled_seam, overspray_rubber
from synthetic_data.semi_real_marks import Kind, Mark, Place, place_of

HEIGHT, WIDTH = 200, 300
MARKS: dict[Kind, Mark] = {
    "rubber": Mark(kind="rubber", points=((40, 100), (260, 104)), width_px=16, paint="left"),
    "fastener": Mark(kind="fastener", points=((150, 100),), width_px=24),
    "seam": Mark(kind="seam", points=((30, 90), (270, 110)), width_px=3),
    "black_part": Mark(kind="black_part", points=((60, 70), (240, 70), (240, 130), (60, 130))),
    "shut": Mark(kind="shut", points=((60, 60), (240, 70), (230, 140), (70, 130))),
    "panel": Mark(kind="panel", points=((60, 60), (240, 70), (230, 140), (70, 130))),
}
Bytes = npt.NDArray[np.uint8]


def photo_of(kind: Kind) -> Bytes:
    """A light green wall, with the marked thing on it dark where it would be."""
    wall = np.full((HEIGHT, WIDTH, 3), (110, 150, 100), np.uint8)
    place = place_of(MARKS[kind], WIDTH, HEIGHT)
    if kind not in ("panel", "shut"):
        left, top, right, bottom = place.window
        share = place.reduced(place.inside)[..., None]
        wall[top:bottom, left:right] = np.round(wall[top:bottom, left:right] * (1 - share) + 25 * share)
    return cv2.GaussianBlur(wall, (0, 0), 0.7).astype(np.uint8)


def surface_of(kind: Kind, photo: Bytes) -> tuple[Place, Surface]:
    place = place_of(MARKS[kind], WIDTH, HEIGHT)
    left, top, right, bottom = place.window
    linear = decode_srgb(photo[top:bottom, left:right].astype(np.float32) / 255).astype(np.float32)
    return place, Surface(kind, np.array([0.16, 0.31, 0.13]), 2.0, linear)


DRAWN = [
    *((cue, kind, draw, True) for cue, (kinds, draw) in CUES.items() for kind in kinds),
    *((cue, kind, draw, False) for cue, draws in INNOCENT.items() for draw in draws for kind in CUES[cue][0]),
]


@pytest.mark.parametrize(("cue", "kind", "draw", "is_cue"), DRAWN, ids=lambda value: getattr(value, "__name__", value))
def test_layers_hold_and_only_cues_show(cue: str, kind: Kind, draw: Any, is_cue: bool) -> None:
    place, surface = surface_of(kind, photo_of(kind))
    shown = []
    for seed in range(4):
        layers: list[Layer] = draw(place, surface, np.random.default_rng(seed))
        again: list[Layer] = draw(place, surface, np.random.default_rng(seed))
        for layer, same in zip(layers, again, strict=True):
            assert layer.cover.shape == place.inside.shape
            assert np.isfinite(layer.cover).all() and layer.cover.min() >= 0 and layer.cover.max() <= 1
            assert np.isfinite(layer.light).all() and layer.light.min() > 0
            assert (layer.cover == same.cover).all() and (layer.light == same.light).all()
            wide = cv2.dilate(place.inside.astype(np.uint8), np.ones((8 * place.fine + 1,) * 2, np.uint8)) > 0
            assert not (layer.shows & ~wide).any()
        shown.append(any(bool(layer.shows.any()) for layer in layers))
    assert all(shown) if is_cue else not any(shown)


def painted(kind: Kind, draw: Any, seed: int) -> tuple[Bytes, Bytes, npt.NDArray[np.bool_], Place]:
    photo = photo_of(kind)
    place, surface = surface_of(kind, photo)
    light = estimate_light(surface.linear, place, kind, 0.25)
    rng = np.random.default_rng(seed)
    after, mask = composite(photo, place, draw(place, surface, rng), light, blur_px=0.7, noise=0.0, rng=rng)
    return photo, after, mask, place


def test_a_filled_seam_has_lost_its_dark_line_where_it_is_called_so() -> None:
    for seed in range(5):
        before, after, mask, place = painted("seam", filled_seam, seed)
        left, top, right, bottom = place.window
        line = place.reduced(np.abs(place.across - place.breadth / 2) < 0.7) > 0.4
        here = line & mask[top:bottom, left:right]
        wall = float(before[20, 20].mean())
        depth = [wall - each[top:bottom, left:right][here].mean() for each in (before, after)]
        assert depth[1] < 0.45 * depth[0]  # at times a crack follows the old line
        untouched = ~mask & (np.abs(after.astype(int) - before).max(-1) == 0)
        assert untouched.mean() > 0.8


def test_mist_on_rubber_is_densest_at_the_paint() -> None:
    # common practice, no source: a fringe, dense at the paint's edge and thinning out
    lightened = np.zeros(2)
    for seed in range(12):
        before, after, _, place = painted("rubber", overspray_rubber, seed)
        left, top, right, bottom = place.window
        change = np.abs(after.astype(int) - before).max(-1)[top:bottom, left:right]
        on = place.inside
        for number, band in enumerate((on & (place.across < 4), on & (place.across > 12))):
            lightened[number] += change[place.reduced(band) > 0.8].mean()
    assert lightened[0] > 1.5 * lightened[1]


@pytest.mark.parametrize("drawn", ["overspray_hidden", "dust", "rust"])
def test_mist_and_dirt_fade_where_a_black_part_goes_on_beyond_its_mark(drawn: str) -> None:
    # on a bar whose left half is marked: above and below are its own edges, on the right only the mark ends
    photo = np.full((HEIGHT, WIDTH, 3), (110, 150, 100), np.uint8)
    photo[70:130, 20:280] = 25
    place = place_of(Mark(kind="black_part", points=((20, 70), (150, 70), (150, 130), (20, 130))), WIDTH, HEIGHT)
    left, top, right, bottom = place.window
    linear = decode_srgb(photo[top:bottom, left:right].astype(np.float32) / 255).astype(np.float32)
    surface = Surface("black_part", np.array([0.16, 0.31, 0.13]), 2.0, linear)
    draw = next(draw for draw in (*INNOCENT["overspray_hidden"], CUES["overspray_hidden"][1]) if draw.__name__ == drawn)
    cover = np.mean([place.reduced(draw(place, surface, np.random.default_rng(s))[0].cover) for s in range(16)], axis=0)
    row, column = slice(85 - top, 115 - top), slice(45 - left, 125 - left)
    middle = cover[row, column].mean()
    assert middle > 0.1
    assert cover[row, 147 - left].mean() < 0.3 * middle
    assert cover[72 - top, column].mean() > 0.5 * middle and cover[127 - top, column].mean() > 0.5 * middle


def test_wear_shows_two_coats_of_colour_and_chips_one() -> None:
    # common practice, no source: what tells a refinish is another colour under the top one, not primer and metal alone
    place, surface = surface_of("panel", photo_of("panel"))
    primer = lab_to_linear_srgb((62.0, 0.0, 0.0))
    for seed in range(6):
        rings = CUES["wear_through"][1](place, surface, np.random.default_rng(seed))
        chips = next(draw for draw in INNOCENT["wear_through"] if draw.__name__ == "chip")
        under = chips(place, surface, np.random.default_rng(seed))
        assert len(rings) == 3 and len(under) == 2
        assert np.abs(np.cbrt(rings[0].albedo) - np.cbrt(surface.body)).max() > 0.16
        np.testing.assert_allclose(under[0].albedo, primer)
        assert (rings[0].cover >= rings[2].cover - 1e-6).all()  # metal lies within the ring of the older colour


def test_drawn_paints_can_be_told_from_the_body() -> None:
    # CIELAB L* is 116 times the cube root, less 16 (CIE 15:2018, 8.2.1): 0.16 of it is about 19 in one channel
    rng = np.random.default_rng(0)
    body = np.array([0.16, 0.31, 0.13])
    for _ in range(50):
        assert np.abs(np.cbrt(drawn_paint(rng, unlike=body)) - np.cbrt(body)).max() > 0.16
        assert drawn_paint(rng, least_luminance=0.12) @ (0.2126, 0.7152, 0.0722) >= 0.12
