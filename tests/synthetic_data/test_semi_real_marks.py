"""Marks: the geometry of one against Shapely, the file's faults, and what the shipped ones must give."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import yaml
from PIL import Image

from pipeline.errors import ConfigError
from synthetic_data.semi_real_covers import CUES
from synthetic_data.semi_real_marks import Mark, place_of, read_marks

SHARED = Path(__file__).parents[3] / "shared"
FOLDERS = [folder for folder in (SHARED / "photos", SHARED / "scenes") if folder.is_dir()]
BENT = ((40.0, 60.0), (120.0, 60.0), (120.0, 150.0))


@pytest.mark.parametrize(
    "mark",
    [
        Mark(kind="panel", points=((30, 30), (150, 45), (170, 120), (90, 160), (40, 100))),
        Mark(kind="fastener", points=((100, 90),), width_px=31),
        Mark(kind="seam", points=((20, 40), (180, 130)), width_px=9),
    ],
)
def test_area_is_shapelys(mark: Mark) -> None:
    shapely = pytest.importorskip("shapely")
    if mark.width_px is None:
        shape = shapely.Polygon(mark.points)
    elif len(mark.points) == 1:
        shape = shapely.Point(mark.points[0]).buffer(mark.width_px / 2)
    else:
        shape = shapely.LineString(mark.points).buffer(mark.width_px / 2, cap_style="flat")
    place = place_of(mark, 200, 200)
    assert place.inside.sum() / place.fine**2 == pytest.approx(shape.area, rel=0.02)
    left, top, right, bottom = place.window
    low_x, low_y, high_x, high_y = shape.bounds
    assert left <= low_x and top <= low_y and right >= high_x and bottom >= high_y


def test_along_and_across_a_line_are_shapelys_distances() -> None:
    shapely = pytest.importorskip("shapely")
    place = place_of(Mark(kind="rubber", points=BENT, width_px=20, paint="right"), 200, 200)
    line = shapely.LineString(BENT)
    assert place.length == pytest.approx(line.length) and place.breadth == 20
    left, top, _, _ = place.window
    for x, y, wanted in ((80, 55, 15.0), (80, 68, 2.0), (125, 100, 15.0), (113, 120, 3.0)):
        cell = (round((y - top + 0.5) * place.fine - 0.5), round((x - left + 0.5) * place.fine - 0.5))
        # seen along a line that goes right and then down (y grows downwards), its right is below, then on the left
        assert place.across[cell] == pytest.approx(wanted, abs=0.3)
        assert place.along[cell] == pytest.approx(line.project(shapely.Point(x, y)), abs=0.3)
        assert place.depth[cell] == pytest.approx(10 - line.distance(shapely.Point(x, y)), abs=0.3)
    other = place_of(Mark(kind="rubber", points=BENT, width_px=20, paint="left"), 200, 200)
    np.testing.assert_allclose(other.across, 20 - place.across, atol=1e-3)


def test_depth_of_a_polygon_is_the_distance_to_its_border() -> None:
    shapely = pytest.importorskip("shapely")
    points = ((30, 30), (150, 45), (170, 120), (90, 160), (40, 100))
    place = place_of(Mark(kind="panel", points=points), 200, 200)
    border = shapely.Polygon(points).exterior
    left, top, _, _ = place.window
    for x, y in ((100, 90), (60, 60), (140, 100)):
        cell = (round((y - top + 0.5) * place.fine - 0.5), round((x - left + 0.5) * place.fine - 0.5))
        assert place.depth[cell] == pytest.approx(border.distance(shapely.Point(x, y)), rel=0.02)


def test_reducing_takes_the_mean_and_keeps_the_area() -> None:
    place = place_of(Mark(kind="fastener", points=((50.3, 60.7),), width_px=24), 200, 200)
    reduced = place.reduced(place.inside)
    left, top, right, bottom = place.window
    assert reduced.shape == (bottom - top, right - left)
    assert reduced.sum() == pytest.approx(np.pi * 12**2, rel=0.02)
    y, x = np.mgrid[top:bottom, left:right]
    assert float((reduced * x).sum() / reduced.sum()) == pytest.approx(50.3, abs=0.1)
    assert float((reduced * y).sum() / reduced.sum()) == pytest.approx(60.7, abs=0.1)


def photo(**changes: Any) -> dict[str, Any]:
    return {
        "file": "a.jpg", "sha256": "0" * 64, "width": 200, "height": 100, "vehicle": "one", "split": "train",
        "body_reflectance": 0.4, "mm_per_px": 2, "marks": [{"kind": "panel", "points": [[1, 1], [50, 1], [1, 50]]}],
    } | changes  # fmt: skip


@pytest.mark.parametrize(
    ("photos", "fault"),
    [
        ([photo(marks=[{"kind": "seam", "points": [[1, 1], [1, 300]], "width_px": 2}])], "lies outside the photo"),
        ([photo(marks=[{"kind": "panel", "points": [[1, 1], [50, 1]]}])], "a polygon needs three points"),
        ([photo(already=["rust"])], "unknown cue"),
        ([photo(shot="sideways")], "unknown shot"),
        ([photo(), photo(file="b.jpg", split="test")], "b.jpg: its vehicle one is in both splits"),
        ([photo(sha256="12")], "sha256"),
    ],
)
def test_faults_of_a_file_of_marks_are_named(photos: list[dict[str, Any]], fault: str, tmp_path: Path) -> None:
    path = tmp_path / "marks.yaml"
    path.write_text(yaml.safe_dump({"photos": photos}))
    with pytest.raises(ConfigError, match=fault):
        read_marks(path)


@pytest.mark.parametrize("cue", CUES)
def test_the_shipped_marks_give_every_cue_enough_places_of_several_vehicles(cue: str) -> None:
    kinds, _ = CUES[cue]
    places: dict[str, list[str]] = {"train": [], "test": []}
    for marked in read_marks().photos:
        if cue not in marked.already:
            places[marked.split] += [marked.vehicle] * sum(mark.kind in kinds for mark in marked.marks)
    assert len(places["train"]) >= 7 and len(set(places["train"])) >= 3
    assert len(places["test"]) >= 8 and len(set(places["test"])) >= 3


def path_of(file: str) -> Path:
    return next(folder / file for folder in FOLDERS if (folder / file).exists())


@pytest.mark.skipif(len(FOLDERS) < 2, reason="the marked photos are not there")
def test_the_shipped_marks_fit_their_photos() -> None:
    for marked in read_marks().photos:
        path = path_of(marked.file)
        assert hashlib.sha256(path.read_bytes()).hexdigest() == marked.sha256
        with Image.open(path) as image:
            assert image.size == (marked.width, marked.height)


def test_what_is_no_vehicle_is_learnt_from_only_and_has_no_label_of_its_view() -> None:
    for marked in read_marks().photos:
        if marked.vehicle_visible is None:
            assert marked.split == "train" and marked.shot is None


@pytest.mark.skipif(len(FOLDERS) < 2, reason="the marked photos are not there")
def test_marked_seams_are_darker_than_their_sides_and_rubbers_than_their_paint() -> None:
    darker = []
    for marked in read_marks().photos:
        grey = cv2.imread(str(path_of(marked.file)), cv2.IMREAD_GRAYSCALE).astype(np.float32)
        for mark in marked.marks:
            if mark.kind not in ("seam", "rubber"):
                continue
            place = place_of(mark, marked.width, marked.height)
            left, top, right, bottom = place.window
            here = grey[top:bottom, left:right]
            on = (place.along > 0) & (place.along < place.length)
            inner = place.reduced(on & (np.abs(place.across - place.breadth / 2) < place.breadth / 4)) > 0.5
            beyond = (place.across > -5) & (place.across < -1)
            if mark.kind == "seam":
                beyond |= (place.across > place.breadth + 1) & (place.across < place.breadth + 5)
            darker.append(float(np.median(here[inner])) < float(np.median(here[place.reduced(on & beyond) > 0.5])))
    assert len(darker) > 30 and np.mean(darker) > 0.9  # a body as dark as its rubber shows no difference
