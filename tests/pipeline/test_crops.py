"""Pictures for the human eye: cut where the finding is, in the photo's own pixels, and without its metadata."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from skimage.color import rgb2lab

from pipeline import crops
from pipeline.errors import ScreeningError
from pipeline.records import Box, CueFinding, Measure
from tests.pipeline.examples import box, heats_of, photo_findings, photo_of, with_pictures


def read(path: Path) -> np.ndarray:
    return np.asarray(Image.open(path).convert("RGB")).astype(int)


def test_every_picture_of_a_photo_is_written_and_named(tmp_path: Path) -> None:
    findings = with_pictures(photo_findings(boxes=(box(),)), tmp_path)
    written = {path.relative_to(tmp_path) for path in tmp_path.rglob("*") if path.is_file()}
    assert written == set(crops.files_of(findings))
    assert findings.cues["painted_fastener"].heat == f"crops/{findings.sha256[:16]}/painted_fastener-heat.png"
    assert findings.cues["masking_edge"].heat is None


def test_a_crop_shows_the_place_in_the_photos_own_pixels(tmp_path: Path) -> None:
    findings = photo_findings(boxes=(box(400, 300, 90, 60),))
    (crop,) = crops.crops_of(findings)
    with_pictures(findings, tmp_path)
    picture = read(tmp_path / crops.crop_file(findings.sha256, crop))
    assert picture.shape[:2] == (crop.height, crop.width) == (crops.CROP_LEAST_PX, crops.CROP_LEAST_PX)
    red = picture[300 - crop.top + 10 : 360 - crop.top - 10, 400 - crop.left + 10 : 490 - crop.left - 10]
    assert np.abs(red - (200, 30, 30)).max() < 12  # JPEG
    above = picture[300 - crop.top - 20 : 300 - crop.top - 10, 400 - crop.left : 490 - crop.left]
    assert above[..., 0].max() < 150


def test_the_heat_lies_on_the_same_place_as_the_sign(tmp_path: Path) -> None:
    findings = photo_findings(boxes=(box(400, 300, 88, 60, score=1.0),))
    (crop,) = crops.crops_of(findings)
    crops.add_overlay(with_pictures(findings, tmp_path), crop, tmp_path)
    overlay = read(tmp_path / crops.overlay_file(findings.sha256, crop))
    inside = overlay[300 - crop.top + 6 : 360 - crop.top - 6, 400 - crop.left + 6 : 488 - crop.left - 6]
    assert inside[..., 0].min() > 150 and inside[..., 2].max() < 100  # yellow
    outside = overlay[: 300 - crop.top - 8]
    assert np.ptp(outside, axis=2).max() < 12  # grey


@given(
    x=st.integers(0, 789), y=st.integers(0, 589), width=st.integers(1, 800), height=st.integers(1, 600)
)  # fmt: skip
def test_a_crop_lies_in_the_photo_and_holds_its_box(x: int, y: int, width: int, height: int) -> None:
    place = Box(x=x, y=y, width=min(width, 800 - x), height=min(height, 600 - y), score=0.9)
    (crop,) = crops.crops_of(photo_findings(boxes=(place,)))
    assert crop.left >= 0 and crop.left + crop.width <= 800
    assert crop.top >= 0 and crop.top + crop.height <= 600
    assert max(crop.width, crop.height) <= crops.CROP_MOST_PX
    inside = (
        max(place.x, crop.left) < min(place.x + place.width, crop.left + crop.width)
        and max(place.y, crop.top) < min(place.y + place.height, crop.top + crop.height)
    )  # fmt: skip
    assert inside
    if crop.holds_all:
        assert crop.left <= place.x and place.x + place.width <= crop.left + crop.width
        assert crop.top <= place.y and place.y + place.height <= crop.top + crop.height


def test_an_overlay_is_made_once_and_of_lost_heat_it_is_plain_grey(tmp_path: Path) -> None:
    findings = with_pictures(photo_findings(boxes=(box(400, 300, 88, 60, score=1.0),)), tmp_path)
    (crop,) = crops.crops_of(findings)
    overlay = tmp_path / crops.overlay_file(findings.sha256, crop)
    crops.add_overlay(findings, crop, tmp_path)
    made = overlay.stat().st_ino
    crops.add_overlay(findings, crop, tmp_path)
    assert overlay.stat().st_ino == made
    overlay.unlink()
    (tmp_path / crops.heat_file(findings.sha256, crop.cue)).unlink()
    crops.add_overlay(findings, crop, tmp_path)
    assert np.ptp(read(overlay), axis=2).max() < 12  # JPEG


@pytest.mark.parametrize(("width", "height"), [(1600, 1200), (1440, 1080), (4000, 3000), (1000, 2000), (721, 300)])
def test_a_photo_is_reduced_without_shift(width: int, height: int) -> None:
    """A bright square keeps its centre of mass (Pillow's box filter as reference)."""
    pixels = np.zeros((height, width, 3), np.uint8)
    pixels[height // 4 : height // 2, width // 3 : width // 2] = 255
    small = crops.reduced(pixels, crops.PHOTO_LONG_SIDE_PX)
    assert max(small.shape[:2]) == crops.PHOTO_LONG_SIDE_PX
    size = small.shape[1], small.shape[0]
    reference = np.asarray(Image.fromarray(pixels).resize(size, Image.Resampling.BOX)).astype(float)
    down, across = np.mgrid[0 : size[1], 0 : size[0]]
    for axis in (down, across):
        ours, theirs = ((axis * picture[..., 0]).sum() / picture[..., 0].sum() for picture in (small, reference))
        assert ours == pytest.approx(theirs, abs=0.2)


def test_a_photo_smaller_than_a_crop_is_its_own_crop(tmp_path: Path) -> None:
    findings = photo_findings(boxes=(Box(x=10, y=10, width=20, height=20, score=0.9),), width=120, height=64)
    (crop,) = crops.crops_of(findings)
    assert (crop.left, crop.top, crop.width, crop.height) == (0, 0, 120, 64)
    with_pictures(findings, tmp_path)
    assert read(tmp_path / crops.photo_file(findings.sha256)).shape == (64, 120, 3)


def test_of_a_large_place_the_middle_is_cut_at_native_resolution(tmp_path: Path) -> None:
    findings = photo_findings(boxes=(Box(x=100, y=100, width=1500, height=900, score=0.9),), width=2000, height=1200)
    (crop,) = crops.crops_of(findings)
    assert not crop.holds_all
    assert (crop.left + crop.width // 2, crop.top + crop.height // 2) == (850, 550)  # the middle of the box
    crops.add_overlay(with_pictures(findings, tmp_path), crop, tmp_path)
    for path in (crops.crop_file(findings.sha256, crop), crops.overlay_file(findings.sha256, crop)):
        assert read(tmp_path / path).shape[:2] == (crop.height, crop.width) == (crops.CROP_MOST_PX, crops.CROP_MOST_PX)
    assert max(read(tmp_path / crops.photo_file(findings.sha256)).shape) == crops.PHOTO_LONG_SIDE_PX


def test_crops_are_bounded_and_each_cues_strongest_comes_before_any_second() -> None:
    many = tuple(box(10 + 100 * n, 10, 40, 40, score=0.99 - n / 100) for n in range(7))
    findings = photo_findings(boxes=many)
    weak = CueFinding(score=0.6, assessable=True, boxes=(box(score=0.6),))
    findings = findings.model_copy(update={"cues": {**findings.cues, "masking_edge": weak}})
    chosen = crops.crops_of(findings)
    assert len(chosen) == crops.CROPS_A_PHOTO
    assert [(crop.cue, crop.box) for crop in chosen] == [
        *(("painted_fastener", place) for place in many[:4]),
        ("masking_edge", *weak.boxes),
    ]


def test_what_was_judged_a_sign_is_cut_however_many_sightings_there_are() -> None:
    seen = tuple(box(10 + 100 * n, 10, 40, 40, score=0.9) for n in range(6))
    signs = tuple(box(10 + 100 * n, 300, 40, 40, score=1.0).model_copy(update={"judged": True}) for n in range(7))
    chosen = crops.crops_of(photo_findings(boxes=(*seen, *signs)))
    assert [crop.box for crop in chosen] == list(signs)


def test_every_finding_is_cut_before_any_faint_sign_and_however_many_there_are() -> None:
    zones = ("roof", "bonnet", "tub_side", "tub_rear", "wing_front", "hinge", "door_shut")
    found = tuple(
        box(10 + 100 * n, 10, 40, 40, score=0.7).model_copy(update={"zone": zone}) for n, zone in enumerate(zones)
    )
    faint = CueFinding(score=0.8, assessable=True, found=False, boxes=(box(score=0.8),))
    findings = photo_findings(boxes=found)
    cues = {cue: finding.model_copy(update={"found": True}) for cue, finding in findings.cues.items() if finding.boxes}
    chosen = crops.crops_of(findings.model_copy(update={"cues": {**cues, "masking_edge": faint}}))
    assert [crop.box for crop in chosen] == list(found) and len(found) > crops.CROPS_A_PHOTO


def test_each_zones_strongest_comes_before_any_second_of_a_cue() -> None:
    """What is weighed is a cue in a zone: its strongest sighting must be there to look at."""
    many = tuple(box(10 + 100 * n, 10, 40, 40, score=0.99 - n / 100) for n in range(6))
    elsewhere = box(10, 300, 40, 40, score=0.3).model_copy(update={"zone": "roof"})
    chosen = crops.crops_of(photo_findings(boxes=(*many, elsewhere)))
    assert [crop.box for crop in chosen] == [*many[:4], elsewhere]


def gap(x: int, value: float, cue: str = "panel_mismatch", score: float = 1.0) -> Measure:
    """Something measured at a place of its own, ΔE00 ± 0.5."""
    place = Box(x=x, y=200, width=20, height=150, score=score, zone="tub_side")
    return Measure(cue=cue, value=value, unit="dE00", uncertainty=0.5, zone="tub_side", regions=(place,))


def test_what_was_measured_is_cut_out_as_what_was_seen_is(tmp_path: Path) -> None:
    plain = photo_findings(boxes=(box(),), measures=(gap(500, 9.0),))
    findings = with_pictures(plain, tmp_path)
    _, measured = crops.crops_of(findings)
    assert (measured.cue, measured.box) == ("panel_mismatch", *plain.measures[0].regions)
    assert read(tmp_path / crops.crop_file(findings.sha256, measured)).shape[:2] == (measured.height, measured.width)
    written = {path.relative_to(tmp_path) for path in tmp_path.rglob("*") if path.is_file()}
    assert written == set(crops.files_of(findings))
    assert [path.name for path in tmp_path.rglob("*-heat.*")] == ["painted_fastener-heat.png"]  # it has no heat


def test_of_what_was_measured_findings_come_first_and_no_place_is_cut_twice() -> None:
    edge = box(600, 200, 20, 150)
    across = gap(600, 0.45, "masking_edge").model_copy(update={"regions": (edge,)})
    small = [gap(30 * n, 0.1 * n) for n in range(1, 6)]
    plate = gap(700, 0.9, "plate_code").model_copy(update={"unit": "probability", "uncertainty": None})
    body = Measure(cue="body_colour", value=40, unit="L*", uncertainty=9)
    measures = (body, *small, plate, across, gap(400, 5.0), gap(450, 9.0))
    chosen = crops.crops_of(photo_findings(boxes=(edge,), cue="masking_edge", measures=measures))
    assert [(crop.cue, crop.box.x) for crop in chosen] == [
        ("masking_edge", 600), ("panel_mismatch", 450), ("panel_mismatch", 400), ("plate_code", 700),
        ("panel_mismatch", 150),
    ]  # fmt: skip


def test_a_place_measured_after_the_screening_is_cut_from_the_photo(tmp_path: Path) -> None:
    """As a decal is, whose points a reader sets."""
    plain = with_pictures(photo_findings(), tmp_path)
    findings = plain.model_copy(update={"measures": (gap(400, 30.0, "decal_offset"),)})
    assert crops.are_missing(findings, tmp_path)
    crops.add_missing(findings, tmp_path)
    assert not crops.are_missing(findings, tmp_path)


def test_pictures_carry_no_metadata(tmp_path: Path) -> None:
    findings = with_pictures(photo_findings(boxes=(box(),), measures=(gap(500, 9.0),)), tmp_path)
    for path in crops.files_of(findings):
        with Image.open(tmp_path / path) as picture:
            assert not picture.getexif() and set(picture.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}


def test_a_new_look_replaces_the_pictures_of_the_one_before(tmp_path: Path) -> None:
    with_pictures(photo_findings(boxes=(box(),)), tmp_path)
    findings = with_pictures(photo_findings(), tmp_path)
    assert [path.name for path in tmp_path.rglob("*.*")] == ["photo.jpg"]
    assert crops.files_of(findings) == (crops.photo_file(findings.sha256),)


def test_pictures_of_photos_that_left_the_batch_are_removed(tmp_path: Path) -> None:
    first = with_pictures(photo_findings("a.jpg", "1" * 64), tmp_path)
    second = with_pictures(photo_findings("b.jpg", "2" * 64), tmp_path)
    crops.remove_others(tmp_path, frozenset({second.sha256}))
    assert not (tmp_path / crops.photo_file(first.sha256)).exists()
    assert (tmp_path / crops.photo_file(second.sha256)).exists()


def test_a_disk_that_refuses_is_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "crops").write_text("a file where the folder should be", encoding="utf-8")
    findings = photo_findings()
    with pytest.raises(
        ScreeningError, match=r"the pictures cannot be written \(.+\); free space or choose another --out"
    ):
        crops.write_pictures(photo_of(findings), findings, heats_of(findings), tmp_path)


def test_heat_grows_lighter_all_along_its_scale() -> None:
    """Perceptual order: CIELAB lightness rises with the probability (scikit-image's conversion as reference)."""
    heat = np.repeat(np.linspace(0.5, 1, 128, dtype=np.float32)[None, :], 4, axis=0)
    colours = cv2.applyColorMap(np.round(heat * 255).astype(np.uint8), cv2.COLORMAP_PLASMA)[..., ::-1]
    lightness = rgb2lab(colours)[0, :, 0]
    assert np.all(np.diff(lightness) > -0.01)
    overlay = crops.heat_overlay(
        np.full((40, 256), 120, np.uint8), np.tile(np.linspace(128, 255, 256).astype(np.uint8), (40, 1))
    )
    shown = rgb2lab(overlay)[20, 8:-8, 0]
    assert shown[-1] - shown[0] > 20 and np.all(np.diff(shown) > -1.5)


def test_where_the_cue_is_improbable_the_photo_is_plain_grey() -> None:
    grey = np.random.default_rng(1).integers(0, 255, (32, 32)).astype(np.uint8)
    overlay = crops.heat_overlay(grey, np.zeros((32, 32), np.uint8)).astype(int)
    assert np.ptp(overlay, axis=2).max() == 0
