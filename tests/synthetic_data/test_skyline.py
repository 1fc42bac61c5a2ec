from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from synthetic_data import light
from synthetic_data.camera import decode_srgb
from synthetic_data.skyline import WIDTH_PX, skyline

SETTINGS = light.light_settings().scenes


def landscape() -> Any:
    """A photo (h, w, 3), 8 bits BGR: blue sky, a reddish ridge with a post on it, a bird, dark ground."""
    photo = np.full((240, 320, 3), (230, 200, 170), np.uint8)
    photo[130:] = (40, 45, 40)
    photo[120:130, 60:260] = (90, 95, 125)
    photo[60:120, 150:158] = 20
    photo[30:40, 200:230] = 20
    return photo


def test_one_photo_of_a_folder_that_shows_outdoors_is_found(tmp_path: Path) -> None:
    cv2.imwrite(str(tmp_path / "ridge.png"), landscape())
    for number in range(4):
        cv2.imwrite(str(tmp_path / f"room{number}.png"), np.full((240, 320, 3), (60, 90, 120), np.uint8))
    sure = SETTINGS.model_copy(update={"probability": 1.0})
    assert light._far_land(np.random.default_rng(0), tmp_path, sure) is not None
    (tmp_path / "ridge.png").unlink()
    assert light._far_land(np.random.default_rng(0), tmp_path, sure) is None


def test_of_a_photo_only_what_stands_on_the_horizon_is_kept() -> None:
    photo = decode_srgb(landscape()[..., ::-1].astype(np.float32) / 255)
    land = skyline(photo, SETTINGS)
    assert land is not None and land.shape[1] == WIDTH_PX
    cover = land[..., 3] > 0.5
    assert 18 <= cover.any(axis=1).sum() <= 22  # the ridge, 10 of 240 rows, at twice the size; neither post nor bird
    assert cover[:, :110].sum() == 0 and cover[-3:, 140:500].all()


@pytest.mark.parametrize("what", ["room", "meal", "bright wall", "sky alone"])
def test_a_photo_of_something_else_is_no_backdrop(what: str) -> None:
    photo = landscape()
    if what == "room":
        photo[:130] = (60, 90, 120)  # a warm wall
    elif what == "meal":
        photo = np.random.default_rng(0).integers(0, 255, photo.shape, np.uint8)
    elif what == "bright wall":
        photo[130:] = (235, 235, 235)  # a table as light as the wall
    else:
        photo[:] = photo[0, 0]
    assert skyline(decode_srgb(photo[..., ::-1].astype(np.float32) / 255), SETTINGS) is None
