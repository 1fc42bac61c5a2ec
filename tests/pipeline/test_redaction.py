"""What is private in a picture is found and covered without a trace; what is missed is measured in a benchmark."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage import data

from pipeline import redaction
from pipeline.errors import ScreeningError
from pipeline.redaction import Region, covered, private_places, redaction_settings
from tests.pipeline.bench_sharing import is_covered, with_plate
from tests.pipeline.conftest import made_photo


def test_a_cover_leaves_nothing_of_what_was_there() -> None:
    picture = np.random.default_rng(1).integers(0, 255, (60, 80, 3)).astype(np.uint8)
    result = covered(picture, [Region(10.4, 20.6, 30.2, 40.0), Region(-5, -5, 3, 3), Region(200, 0, 210, 9)])
    assert np.all(result[22:39, 12:30] == redaction.FILL)
    inside = np.zeros((60, 80), bool)
    inside[20:40, 10:31] = inside[0:3, 0:3] = True
    assert {tuple(colour) for colour in result[inside]} == {redaction.FILL, redaction.EDGE}
    assert np.array_equal(result[~inside], picture[~inside])
    assert picture[25, 15].tolist() != list(redaction.FILL)  # the picture that was given is left alone


def test_regions_move_between_frames() -> None:
    region = Region(10, 20, 30, 60)
    assert region.scaled(2).moved(100, 200) == Region(120, 240, 160, 320)
    assert region.moved(100, 200).moved(-100, -200) == region
    assert region.grown(0.25) == Region(5, 15, 35, 65)


def test_a_plate_is_found_and_a_plain_picture_is_left_alone() -> None:
    photo = np.asarray(cv2.resize(made_photo(), (720, 540)), np.uint8)
    assert private_places(photo) == []
    rng = np.random.default_rng(3)
    assert all(is_covered(*with_plate(photo, 24, rng)) for _ in range(3))


def test_a_face_is_found_in_a_photo_of_a_person() -> None:
    """scikit-image's astronaut (NASA, in the public domain); where her face is was read off the photo by eye."""
    pytest.importorskip("dlib", reason="dlib-bin is not installed")
    found = redaction.faces(data.astronaut(), redaction_settings())
    assert any(face.left < 200 and face.right > 245 and face.top < 105 and face.bottom > 150 for face in found)


def test_without_the_package_for_faces_nothing_is_shared_by_chance(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "dlib", None)
    redaction._face_detector.cache_clear()
    with pytest.raises(
        ScreeningError, match=r"finds faces is not installed; run .*'\.\[share\]'; or share with --no-redact"
    ):
        redaction.faces(np.zeros((64, 64, 3), np.uint8), redaction_settings())
    redaction._face_detector.cache_clear()
