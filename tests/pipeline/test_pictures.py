from pathlib import Path

import pytest

from pipeline.errors import PhotoError
from pipeline.judging.pictures import Pictures, Shown, photo_files

NOWHERE = Shown("advert", "a.jpg", "0" * 64, 960, 720)


def test_a_batch_that_is_gone_has_no_files(tmp_path: Path) -> None:
    assert photo_files(None, tmp_path) == {}
    assert photo_files(str(tmp_path / "gone"), tmp_path) == {}


def test_a_photo_that_is_nowhere_is_told(tmp_path: Path) -> None:
    pictures = Pictures(tmp_path, {})
    with pytest.raises(PhotoError):
        pictures.whole(NOWHERE)
    with pytest.raises(PhotoError):
        pictures.small(NOWHERE)
    assert pictures.heat(NOWHERE.sha256, "filler") is None
