"""Sharing a report: everything is in the zip, private places are covered in every picture, and nothing else changes."""

from __future__ import annotations

import hashlib
import io
import zipfile
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from pipeline import crops
from pipeline.errors import ScreeningError, UsageError
from pipeline.redaction import FILL, Region
from pipeline.screening import screen
from pipeline.sharing import COVERED, NOT_COVERED, share
from tests.pipeline.examples import write_photo
from tests.pipeline.made_screening import PANELS, WIDTH, make_screening

BLUE = (0, 0, 255)  # the tiny network takes it for a painted fastener
GPS = 0x8825  # EXIF 2.32, table 4: pointer to the GPS fields


@pytest.fixture(scope="module")
def screening(tmp_path_factory: pytest.TempPathFactory, tiny_network: Path) -> Path:
    """A screening of two adverts whose photos tell where and with what they were taken."""
    folder = tmp_path_factory.mktemp("shared")
    for place, name in enumerate(("mill-lane", "quay-road")):
        path = write_photo(folder / "batch" / name / "01.jpg", seed=place, patch=BLUE)
        with Image.open(path) as photo:
            exif = photo.getexif()
            exif[0x010F], exif[0x0132] = "Camera maker", "2026:01:02 03:04:05"
            exif.get_ifd(GPS).update({1: "N", 2: (51.0, 30.0, 12.0), 3: "W", 4: (0.0, 7.0, 39.0)})
            photo.save(path, exif=exif, quality=95, comment=b"taken at home")
        with Image.open(path) as photo:
            assert photo.getexif().get_ifd(GPS)[1] == "N"
    screen(folder / "batch", folder / "out", weights=tiny_network)
    return folder / "out"


def corner(picture: crops.Pixels) -> list[Region]:
    """A finder for tests: in whole photos, 720 pixels wide, the middle of the patch; in cuts nothing."""
    return [Region(370, 245, 430, 290)] if picture.shape[1] == crops.PHOTO_LONG_SIDE_PX else []


def pictures_of(bundle: Path) -> dict[str, Image.Image]:
    with zipfile.ZipFile(bundle) as archive:
        return {
            name: Image.open(io.BytesIO(archive.read(name)))
            for name in archive.namelist()
            if name.endswith((".jpg", ".png"))
        }


def kind_of(name: str) -> str:
    return next((kind for kind in ("photo", "heat") if name.endswith(f"-{kind}.jpg")), "cut")


def digests(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file() and path.suffix in (".jpg", ".png", ".html", ".css", ".js")
    }


def test_what_is_found_in_the_photo_is_covered_in_every_picture_of_it(screening: Path, tmp_path: Path) -> None:
    before = digests(screening)
    shared = share(screening, tmp_path / "bundle.zip", find=corner)
    found = pictures_of(shared.bundle)
    kinds = {kind_of(name) for name in found}
    assert kinds == {"photo", "cut", "heat"}
    assert len(found) == shared.pictures == shared.pictures_covered == 6
    for name, picture in found.items():
        pixels = np.asarray(picture.convert("RGB")).astype(int)
        grey = np.abs(pixels - FILL).max(axis=2) < 6
        width = 60 if kind_of(name) == "photo" else 60 * 960 / 720  # cuts are as large as the photo was
        assert grey.sum() > 0.8 * width * width * 45 / 60, name
        patch = (np.abs(pixels - BLUE).max(axis=2) < 40).mean() if kind_of(name) == "cut" else 0
        assert patch < 0.08, name  # of the patch, a tenth of the cut, only the rim around the cover is left
    assert digests(screening) == before  # the screening itself is left as it was


def test_what_was_measured_is_covered_as_what_was_seen_is(tmp_path: Path) -> None:
    """c.jpg, and the place where its panels differ."""
    out = make_screening(tmp_path)
    (place,) = PANELS.regions
    private = Region(place.x, place.y, place.x + place.width, place.y + place.height)

    def find(picture: crops.Pixels) -> list[Region]:
        size = picture.shape[1]
        return [private.scaled(size / WIDTH)] if size == crops.PHOTO_LONG_SIDE_PX else []

    plain, shared = (
        pictures_of(share(out, tmp_path / f"{redact}.zip", redact=redact, find=find).bundle) for redact in (False, True)
    )
    (name,) = [name for name in shared if "panel_mismatch" in name]
    grey, before = (
        (np.abs(np.asarray(found[name].convert("RGB")).astype(int) - FILL).max(axis=2) < 6).sum()
        for found in (shared, plain)
    )
    assert before < grey / 4 and grey > 0.9 * place.width * place.height
    assert not shared[name].getexif()


def test_the_bundle_is_a_whole_report_with_a_notice(screening: Path, tmp_path: Path) -> None:
    with zipfile.ZipFile(share(screening, tmp_path / "new" / "bundle.zip", find=corner).bundle) as archive:
        names = set(archive.namelist())
        pages = [archive.read(name).decode() for name in names if name.endswith(".html")]
    own = {
        f"report/{path.relative_to(screening / 'report').as_posix()}" for path in (screening / "report").rglob("*.*")
    }
    assert names == own
    assert len(pages) == 4 and all(COVERED in page for page in pages)


def test_sharing_without_covering_is_possible_and_says_so(screening: Path, tmp_path: Path) -> None:
    shared = share(screening, tmp_path / "bundle.zip", redact=False)
    assert shared.pictures_covered == 0
    with zipfile.ZipFile(shared.bundle) as archive:
        assert NOT_COVERED in archive.read("report/index.html").decode()
        plain = {name: archive.read(name) for name in archive.namelist() if name.endswith(".jpg")}
    assert all((screening / name).read_bytes() == content for name, content in plain.items())


def test_no_picture_says_where_when_or_with_what_it_was_taken(screening: Path, tmp_path: Path) -> None:
    written = [path for path in screening.rglob("*") if path.suffix in (".jpg", ".png")]
    assert len(written) >= 2 * (1 + 1 + 1 + 1)
    shared = pictures_of(share(screening, tmp_path / "bundle.zip", find=corner).bundle)
    own = [Image.open(io.BytesIO(path.read_bytes())) for path in written]
    for picture in (*own, *shared.values()):
        assert not picture.getexif() and not picture.getexif().get_ifd(GPS)
        assert set(picture.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
    contents = b"".join(path.read_bytes() for path in written)
    assert b"Exif" not in contents and b"Camera maker" not in contents and b"taken at home" not in contents


def test_wrong_use_is_one_sentence(screening: Path, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"a bundle is a zip file; give it a name that ends in \.zip"):
        share(screening, tmp_path / "bundle.rar")
    with pytest.raises(UsageError, match="no screening was written there"):
        share(tmp_path, tmp_path / "bundle.zip")
    (tmp_path / "file").write_text("no folder", encoding="utf-8")
    with pytest.raises(ScreeningError, match="it cannot be written"):
        share(screening, tmp_path / "file" / "bundle.zip", redact=False)
