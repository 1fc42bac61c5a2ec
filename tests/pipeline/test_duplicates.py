"""Repeats: the same picture is known again, another one like it is not."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from pipeline.duplicates import PhotoKey, Repeats, find_repeats, mark_repeats
from pipeline.photos import RepeatLimits, photo_settings, read_photo
from pipeline.records import PhotoFindings, Quality
from tests.pipeline.conftest import made_photo

SHARED = Path(__file__).parents[3] / "shared" / "photos"
LIMITS = RepeatLimits(most_bits=64, least_set_bits=64)


def key(advert: str, photo: str, bits: npt.NDArray[np.uint8], content: bytes | None = None) -> PhotoKey:
    digest = hashlib.sha256(content if content is not None else f"{advert}/{photo}".encode()).hexdigest()
    return PhotoKey(advert, photo, digest, np.packbits(bits).tobytes().hex())


def finding(advert: str, photo: str, width: int = 100) -> PhotoFindings:
    quality = Quality(sharpness=0.7, exposure=0, assessable=True)
    return PhotoFindings(
        advert=advert, photo=photo, sha256="0", width=width, height=100, shot={}, quality=quality, vehicle=1, cues={}
    )


def saved(folder: Path, name: str, image: Image.Image, quality: int = 92) -> PhotoKey:
    image.save(folder / name, quality=quality)
    photo = read_photo(folder / name, "a")
    return PhotoKey("a", photo.name, photo.sha256, photo.perceptual_hash)


def altered(image: Image.Image) -> dict[str, tuple[Image.Image, int]]:
    """What advert sites and sellers do to one picture: (picture, JPEG quality)."""
    width, height = image.size
    margin = 0.02
    box = (round(width * margin), round(height * margin), round(width * (1 - margin)), round(height * (1 - margin)))
    return {
        "half the size": (image.resize((width // 2, height // 2)), 92),
        "thumbnail": (image.resize((400, round(400 * height / width))), 70),
        "strong compression": (image, 30),
        "cropped": (image.crop(box), 92),
        "cropped, resized and compressed": (image.crop(box).resize((800, 600)), 50),
        "brighter": (image.point(lambda value: min(255, round(value * 1.12))), 85),
    }


def test_altered_copies_are_found_and_others_are_not(tmp_path: Path) -> None:
    original = Image.fromarray(made_photo(seed=1))
    keys = [saved(tmp_path, "original.jpg", original)]
    keys += [saved(tmp_path, f"{name}.jpg", image, q) for name, (image, q) in altered(original).items()]
    others = [saved(tmp_path, f"other {seed}.jpg", Image.fromarray(made_photo(seed=seed))) for seed in range(2, 8)]
    repeats = find_repeats([*keys, *others])
    assert {photo for _, photo in repeats.others["a", "original.jpg"]} == {key.photo for key in keys[1:]}
    assert not any(other.place in repeats.others for other in others)


@pytest.mark.skipif(not SHARED.is_dir(), reason="the shared photos are not here")
def test_real_photos_of_one_vehicle_are_no_repeats_but_their_copies_are(tmp_path: Path) -> None:
    keys, wanted = [], set()
    for path in sorted(SHARED.glob("s*.jpg")):
        photo = read_photo(path, "a")
        keys.append(PhotoKey("a", photo.name, photo.sha256, photo.perceptual_hash))
        if path.stem[-1] == "7":
            image, quality = altered(Image.open(path).convert("RGB"))["cropped, resized and compressed"]
            keys.append(saved(tmp_path, f"{path.stem} again.jpg", image, quality))
            wanted |= {keys[-2].place, keys[-1].place}
    assert set(find_repeats(keys).others) == wanted


def test_plain_pictures_are_not_one_picture_but_the_same_file_is(tmp_path: Path) -> None:
    grey, white = Image.new("RGB", (300, 200), (90, 90, 90)), Image.new("RGB", (300, 200), "white")
    keys = [saved(tmp_path, "grey.jpg", grey), saved(tmp_path, "white.jpg", white), saved(tmp_path, "copy.jpg", white)]
    assert set(find_repeats(keys).others) == {("a", "white.jpg"), ("a", "copy.jpg")}


@given(st.integers(0, 2**32 - 1), st.integers(2, 40), st.integers(0, 127))
@settings(max_examples=40, deadline=None)
def test_same_answer_as_comparing_each_pair(seed: int, count: int, most_bits: int) -> None:
    rng = np.random.default_rng(seed)
    bits = rng.integers(0, 2, (count, 256), dtype=np.uint8)
    for index in range(1, count, 2):  # every other hash is the one before it with some bits turned
        bits[index] = bits[index - 1]
        bits[index, rng.permutation(256)[: rng.integers(0, 130)]] ^= 1
    keys = [key("a", f"{index}", row) for index, row in enumerate(bits)]
    found = find_repeats(keys, RepeatLimits(most_bits=most_bits, least_set_bits=0)).others
    for one in range(count):
        near = [("a", f"{two}") for two in range(count) if two != one and (bits[one] != bits[two]).sum() <= most_bits]
        assert list(found.get(("a", f"{one}"), ())) == near


def test_repeats_across_blocks_are_found() -> None:
    rng = np.random.default_rng(5)
    bits = rng.integers(0, 2, (2500, 256), dtype=np.uint8)
    bits[2400], bits[1500] = bits[3], bits[1000]
    bits[2400, :20] ^= 1
    found = find_repeats([key("a", f"{index}", row) for index, row in enumerate(bits)], LIMITS).others
    assert found == {
        ("a", "3"): (("a", "2400"),),
        ("a", "2400"): (("a", "3"),),
        ("a", "1000"): (("a", "1500"),),
        ("a", "1500"): (("a", "1000"),),
    }


def test_no_photos_no_repeats() -> None:
    assert find_repeats([]) == Repeats({})
    assert mark_repeats([], Repeats({})) == ()


def test_in_one_advert_the_largest_is_kept() -> None:
    bits = np.random.default_rng(0).integers(0, 2, 256, dtype=np.uint8)
    repeats = find_repeats([key("a", name, bits) for name in ("1.jpg", "2.jpg", "3.jpg")], LIMITS)
    marked = mark_repeats(
        [finding("a", "1.jpg"), finding("a", "2.jpg", width=200), finding("a", "3.jpg", 200)], repeats
    )
    assert [item.duplicate_of for item in marked] == ["2.jpg", None, "2.jpg"]
    assert [item.also_in for item in marked] == [(), (), ()]


def test_a_chain_of_likenesses_does_not_swallow_its_ends() -> None:
    bits = np.random.default_rng(0).integers(0, 2, (3, 256), dtype=np.uint8)
    bits[1] = bits[2] = bits[0]
    bits[1, :50] ^= 1
    bits[2, :100] ^= 1  # like the second, not like the first
    repeats = find_repeats([key("a", f"{index}", row) for index, row in enumerate(bits)], LIMITS)
    marked = mark_repeats([finding("a", f"{index}") for index in range(3)], repeats)
    assert [item.duplicate_of for item in marked] == [None, "0", None]


def test_a_photo_in_two_adverts_is_said_for_both() -> None:
    bits = np.random.default_rng(0).integers(0, 2, 256, dtype=np.uint8)
    keys = [key("a", "1.jpg", bits), key("b", "x.jpg", bits), key("b", "y.jpg", bits), key("c", "z.jpg", 1 - bits)]
    findings = [finding(item.advert, item.photo) for item in keys]
    marked = mark_repeats(findings, find_repeats(keys, LIMITS))
    assert [item.also_in for item in marked] == [("b/x.jpg", "b/y.jpg"), ("a/1.jpg",), ("a/1.jpg",), ()]
    assert [item.duplicate_of for item in marked] == [None, None, "x.jpg", None]
    apart = [found for item in findings for found in mark_repeats([item], find_repeats(keys, LIMITS))]
    assert [item.also_in for item in apart] == [item.also_in for item in marked]


@given(st.permutations(range(6)))
@settings(max_examples=20, deadline=None)
def test_reading_order_does_not_change_what_repeats(order: list[int]) -> None:
    rng = np.random.default_rng(1)
    bits = rng.integers(0, 2, (6, 256), dtype=np.uint8)
    bits[3] = bits[0]
    bits[3, :30] ^= 1
    keys = [key("ab"[index % 2], f"{index}", row) for index, row in enumerate(bits)]
    found = find_repeats([keys[index] for index in order], LIMITS).others
    assert {place: set(others) for place, others in found.items()} == {
        ("a", "0"): {("b", "3")},
        ("b", "3"): {("a", "0")},
    }


def test_shipped_limits_stay_below_chance() -> None:
    """Two unlike hashes of 256 fair bits differ in 128 ± 8 (binomial): the limit must lie far from that."""
    assert photo_settings().repeats.most_bits <= 128 - 6 * 8
