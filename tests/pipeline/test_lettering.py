"""Mirrored photos are told by made plates; letters that cannot be read tell nothing."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from pipeline.findings import look_at
from pipeline.lettering import is_mirrored
from pipeline.network import CueNetwork, NetworkMaps
from pipeline.photos import judge_quality, photo_settings
from pipeline.plate import Line
from pipeline.records import SURFACES, Photo
from tests.pipeline.conftest import CUE_COLOURS, made_photo

SETTINGS = photo_settings().lettering
LETTERS, DIGITS = list("ABCDEFGHJKLMNPRSTUVWXYZ"), list("0123456789")


@pytest.fixture(scope="session")
def network(tiny_network: Path) -> CueNetwork:
    return CueNetwork.load(tiny_network, threads=1)


def with_plate(rng: np.random.Generator, width: int, blur: float) -> tuple[npt.NDArray[np.uint8], tuple[int, int, int]]:
    """A made photo with a number plate of this width in it, and where: left, top, height."""
    text = f"{''.join(rng.choice(LETTERS, 2))} {''.join(rng.choice(DIGITS, 3))} {''.join(rng.choice(LETTERS, 2))}"
    drawn = np.full((120, 520, 3), 235, np.uint8)
    cv2.rectangle(drawn, (4, 4), (515, 115), (20, 20, 20), 3)
    cv2.putText(drawn, text, (30, 85), cv2.FONT_HERSHEY_SIMPLEX, 2.0, (20, 20, 25), 6, cv2.LINE_AA)
    height = round(width * 120 / 520)
    plate = cv2.GaussianBlur(cv2.resize(drawn, (width, height), interpolation=cv2.INTER_AREA), (0, 0), blur)
    plate = np.clip(plate + rng.normal(0, 6, plate.shape), 0, 255).astype(np.uint8)
    srgb = made_photo(600, 800)
    left, top = int(rng.integers(50, 800 - width - 50)), int(rng.integers(50, 500 - height))
    srgb[top : top + height, left : left + width] = plate
    return srgb, (left, top, height)


def seen_with_plate(
    network: CueNetwork, srgb: npt.NDArray[np.uint8], place: tuple[int, int, int], width: int
) -> tuple[Photo, NetworkMaps]:
    """The photo and maps in which the plate is known for one."""
    photo = Photo("advert", "photo.jpg", "0" * 64, "0" * 64, np.ascontiguousarray(srgb))
    maps = network.run([photo.srgb])[0]
    surfaces = np.zeros_like(maps.surfaces)
    left, top, height = (round(value / maps.scale) for value in place)
    surfaces[SURFACES.index("plate"), top : top + height, left : left + round(width / maps.scale)] = 1
    return photo, replace(maps, surfaces=surfaces)


def mirrored(
    srgb: npt.NDArray[np.uint8], place: tuple[int, int, int], width: int
) -> tuple[npt.NDArray[np.uint8], tuple[int, int, int]]:
    return srgb[:, ::-1], (srgb.shape[1] - place[0] - width, *place[1:])


@pytest.mark.parametrize(("width", "blur"), [(120, 0.6), (170, 0.8), (260, 1.0)])
def test_a_mirrored_photo_is_told_and_an_upright_one_is_not(network: CueNetwork, width: int, blur: float) -> None:
    rng = np.random.default_rng(width)
    told = {"upright": 0, "mirrored": 0}
    for _ in range(4):
        srgb, place = with_plate(rng, width, blur)
        told["upright"] += is_mirrored(*seen_with_plate(network, srgb, place, width), network.manifest, SETTINGS)
        turned = mirrored(srgb, place, width)
        told["mirrored"] += is_mirrored(*seen_with_plate(network, *turned, width), network.manifest, SETTINGS)
    assert told["upright"] == 0 and told["mirrored"] >= 2


def test_without_a_plate_or_with_a_small_one_nothing_is_read(network: CueNetwork) -> None:
    def never(_: npt.NDArray[np.uint8]) -> Line:
        raise AssertionError("letters were read")

    srgb, place = with_plate(np.random.default_rng(1), 60, 0.6)
    photo, maps = seen_with_plate(network, srgb, place, 60)
    assert not is_mirrored(photo, maps, network.manifest, SETTINGS, never)
    assert not is_mirrored(
        photo, replace(maps, surfaces=np.zeros_like(maps.surfaces)), network.manifest, SETTINGS, never
    )


@pytest.mark.parametrize(
    ("upright", "turned", "told"),
    [
        (Line("3A 456", 0.6, 9), Line("AB 456", 0.97, 9), True),
        (Line("AB 456", 0.9, 9), Line("AB 456", 0.97, 9), False),  # hardly better: W and M, 8 and O read both ways
        (Line("3A 456", 0.3, 9), Line("AB 456", 0.7, 9), False),  # neither is clear
        (Line("3A", 0.3, 9), Line("AB", 0.99, 9), False),  # too few letters
    ],
)
def test_only_clear_letters_tell(network: CueNetwork, upright: Line, turned: Line, told: bool) -> None:
    srgb, place = with_plate(np.random.default_rng(2), 200, 0.6)
    photo, maps = seen_with_plate(network, srgb, place, 200)
    lines = iter((upright, turned))
    assert is_mirrored(photo, maps, network.manifest, SETTINGS, lambda _: next(lines)) is told


def test_a_mirrored_photo_tells_no_sides(network: CueNetwork) -> None:
    width, rng = 260, np.random.default_rng(3)
    srgb, place = with_plate(rng, width, 0.6)
    srgb[500:590, 600:780] = CUE_COLOURS["painted_fastener"]  # a hinge on the left
    for pixels, where, side in ((srgb, place, "left"), (*mirrored(srgb, place, width), None)):
        photo, maps = seen_with_plate(network, pixels, where, width)
        findings = look_at(photo, maps, judge_quality(photo), network.manifest).findings
        assert findings.sides.get("hinge") == side
        assert {box.side for box in findings.cues["painted_fastener"].boxes} == {side}
