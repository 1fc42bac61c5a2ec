"""Marks read off label planes: where they lie is checked against planes drawn here with OpenCV's own shapes."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
import yaml
from typer.testing import CliRunner

from models.data import read_set
from pipeline.records import SURFACES, ZONES
from synthetic_data.cli import app
from synthetic_data.dataset import PhotoLabels, finish_set, open_set, write_shard
from synthetic_data.label_marks import marks_of_set
from synthetic_data.semi_real_covers import CUES
from synthetic_data.semi_real_marks import Mark, MarkedPhoto, place_of, read_marks
from synthetic_data.semi_real_set import make_semi_real

pytest.importorskip("pycocotools")

WIDTH, HEIGHT = 400, 300
HEAD, HEAD_PX = (320, 60), 30
SEAM_Y, SEAM_PX = 200, 3
RUBBER = (250, 264)  # first and last row; the paint lies above
PART = ((20, 90), (120, 150))  # rows, columns of a black part


def rendered(folder: Path, *, absent: tuple[str, ...] = tuple(CUES), present: tuple[str, ...] = ()) -> Path:
    """A set of one photo: painted, with a head, a seam with its gap, a strip of rubber and a black part."""
    picture = np.full((HEIGHT, WIDTH, 3), 150, np.uint8)
    surface = np.full((HEIGHT, WIDTH), SURFACES.index("paint"), np.uint8)
    zone = np.full((HEIGHT, WIDTH), 1 + ZONES.index("bonnet"), np.uint8)
    cv2.circle(surface, HEAD, HEAD_PX // 2, SURFACES.index("fastener"), -1)
    cv2.circle(picture, HEAD, HEAD_PX // 2, (120, 120, 120), -1)
    zone[SEAM_Y - 8 : SEAM_Y + 9] = 1 + ZONES.index("body_seam")
    picture[SEAM_Y - 1 : SEAM_Y + 2] = 30
    surface[RUBBER[0] :] = SURFACES.index("background")
    surface[RUBBER[0] : RUBBER[1] + 1] = SURFACES.index("rubber")
    picture[RUBBER[0] : RUBBER[1] + 1] = 25
    surface[slice(*PART[0]), slice(*PART[1])] = SURFACES.index("black_part")
    picture[slice(*PART[0]), slice(*PART[1])] = 28
    open_set(folder, {"seed": 0})
    cv2.imwrite(str(folder / "images" / "one.jpg"), picture)
    cv2.imwrite(str(folder / "dense" / "one.png"), np.dstack([np.zeros_like(zone), zone, surface]))
    labels = PhotoLabels(
        advert="one", vehicle="one", family="pellock", shot="close_up", vehicle_visible=1, distance_m=0.6,
        body_L=60.0, body_a=5.0, body_b=5.0,
        **{f"cue_{cue}": 0 for cue in absent}, **{f"cue_{cue}": 1 for cue in present},
    )  # fmt: skip
    row = {**labels.model_dump(mode="json"), "split": "train"}
    record = {"file": "one.jpg", "width": WIDTH, "height": HEIGHT, "labels": row, "annotations": [], "camera": {}}
    write_shard(folder, 0, [record])
    finish_set(folder, {"seed": 0}, 1)
    return folder


def marked(folder: Path) -> MarkedPhoto:
    (photo,) = marks_of_set(folder, seed=3, most=6).photos
    return photo


@pytest.fixture
def photo(tmp_path: Path) -> MarkedPhoto:
    return marked(rendered(tmp_path / "set"))


def mark_of(photo: MarkedPhoto, kind: str) -> Mark:
    (mark,) = [mark for mark in photo.marks if mark.kind == kind]
    return mark


def test_marks_lie_on_what_was_drawn(photo: MarkedPhoto) -> None:
    head = mark_of(photo, "fastener")
    assert head.points[0] == pytest.approx(HEAD, abs=1) and head.width_px == pytest.approx(HEAD_PX, abs=2)
    seam = mark_of(photo, "seam")
    assert all(y == pytest.approx(SEAM_Y, abs=1) for _, y in seam.points)
    assert seam.width_px == pytest.approx(SEAM_PX, abs=1)
    part = place_of(mark_of(photo, "black_part"), WIDTH, HEIGHT)
    left, top, right, bottom = part.window
    inside = np.zeros((HEIGHT, WIDTH), bool)
    inside[top:bottom, left:right] = part.reduced(part.inside) > 0.5
    outside = inside.copy()
    outside[slice(*PART[0]), slice(*PART[1])] = False
    assert inside.any() and not outside.any()


def test_a_rubber_has_its_paint_on_the_side_where_it_was_drawn(photo: MarkedPhoto) -> None:
    mark = mark_of(photo, "rubber")
    place = place_of(mark, WIDTH, HEIGHT)
    rows = np.arange(place.across.shape[0])[:, None] * np.ones(place.across.shape[1])
    above = place.inside & (rows < rows[place.inside].mean())
    # `across` grows from the paint's edge inwards, and the paint is above
    assert place.across[above].mean() < place.across[place.inside & ~above].mean()
    assert mark.width_px == pytest.approx(RUBBER[1] - RUBBER[0] + 1, abs=2)


def test_only_what_is_known_to_be_absent_is_painted(tmp_path: Path) -> None:
    photo = marked(rendered(tmp_path / "set", absent=("painted_fastener",), present=("filled_seam",)))
    assert {mark.kind for mark in photo.marks} == {"fastener"}
    assert set(photo.already) == set(CUES) - {"painted_fastener"}


def test_the_luminance_of_the_paint_is_that_of_its_lightness(photo: MarkedPhoto) -> None:
    # ISO/CIE 11664-4: Y/Yn = ((L* + 16) / 116) ** 3; 0.04 is what a face of index 1.5 mirrors (Fresnel, head on)
    assert photo.body_reflectance == pytest.approx(0.281 + ((1.5 - 1) / (1.5 + 1)) ** 2, abs=0.001)


@pytest.mark.slow
def test_the_command_s_file_makes_a_set_of_the_render(tmp_path: Path) -> None:
    folder, file = rendered(tmp_path / "set"), tmp_path / "marks.yaml"
    result = CliRunner().invoke(app, ["marks", str(folder), "--out", str(file), "--most", "6", "--seed", "3"])
    assert result.exit_code == 0, result.output
    marks = read_marks(file)
    assert marks == marks_of_set(folder, seed=3, most=6) and yaml.safe_load(file.read_text())
    make_semi_real([folder / "images"], marks, tmp_path / "out", seed=1, turns=1)
    samples = read_set(tmp_path / "out").samples
    told = [next(label for label in sample.cues.values() if label is not None) for sample in samples]
    assert sum(told) == len(told) / 2 > 2  # as many innocent ones
    assert {sample.details["family"] for sample in samples} == {"pellock"}
    assert {sample.split for sample in samples} == {"train"}
