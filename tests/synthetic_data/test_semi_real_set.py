"""The semi-real set of drawn photos: what is labelled, what is not, and that a seed says all."""

from __future__ import annotations

import hashlib
import io
import json
from pathlib import Path

import numpy as np
import pandas
import pytest
import yaml
from PIL import Image
from typer.testing import CliRunner

from models.data import Sample, decode_mask, read_set, sampling_probability
from pipeline.errors import BatchError
from pipeline.records import DETECTED_CUES
from synthetic_data.cli import app
from synthetic_data.semi_real_marks import Marks, place_of, read_marks
from synthetic_data.semi_real_set import can_be_seen, find_photos, make_semi_real
from synthetic_data.set_check import check_set, read_labels

pytest.importorskip("pycocotools")
pytestmark = pytest.mark.slow

WIDTH, HEIGHT = 320, 240
VEHICLES = {"a.jpg": ("red", "train"), "b.jpg": ("red", "train"), "c.jpg": ("green", "test")}
MARKS = [
    {"kind": "panel", "points": [[20, 20], [200, 30], [190, 100], [30, 90]]},
    {"kind": "rubber", "points": [[20, 130], [300, 134]], "width_px": 14, "paint": "left"},
    {"kind": "fastener", "points": [[250, 60]], "width_px": 26},
    {"kind": "seam", "points": [[20, 180], [300, 176]], "width_px": 3},
    {"kind": "black_part", "points": [[30, 195], [290, 195], [290, 230], [30, 230]]},
]


def drawn_photo(seed: int) -> bytes:
    """A light wall with a rubber, a bolt, a seam and a black part where MARKS has them, as a JPEG."""
    rng = np.random.default_rng(seed)
    picture = np.full((HEIGHT, WIDTH, 3), 120 + 60 * rng.random(3), np.float32)
    for rows, columns, level in (
        (slice(124, 140), slice(10, 310), 30), (slice(47, 73), slice(237, 263), 90),
        (slice(177, 180), slice(10, 310), 25), (slice(195, 230), slice(20, 300), 28),
    ):  # fmt: skip
        picture[rows, columns] = level
    picture += 2 * rng.normal(size=(HEIGHT, WIDTH, 1))
    file = io.BytesIO()
    Image.fromarray(np.clip(picture, 0, 255).astype(np.uint8)).save(file, "JPEG", quality=88)
    return file.getvalue()


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("photos")
    (folder / "inner").mkdir()
    for number, name in enumerate(VEHICLES):
        (folder / ("inner" if name == "b.jpg" else "") / name).write_bytes(drawn_photo(number))
    return folder


def marks_file(photos: Path, target: Path, marks: list[dict[str, object]] = MARKS) -> Path:
    content = [
        {
            "file": name, "sha256": hashlib.sha256(next(photos.rglob(name)).read_bytes()).hexdigest(),
            "width": WIDTH, "height": HEIGHT, "vehicle": vehicle, "shot": "close_up", "split": split,
            "vehicle_visible": 1 if vehicle == "red" else None,
            "body_reflectance": 0.4, "mm_per_px": 1.5, "already": ["film_defect"] if name == "a.jpg" else [],
            "marks": marks,
        }
        for name, (vehicle, split) in VEHICLES.items()
    ]  # fmt: skip
    target.write_text(yaml.safe_dump({"photos": content}), encoding="utf-8")
    return target


@pytest.fixture(scope="module")
def marks(photos: Path, tmp_path_factory: pytest.TempPathFactory) -> Marks:
    return read_marks(marks_file(photos, tmp_path_factory.mktemp("marks") / "marks.yaml"))


@pytest.fixture(scope="module")
def made(photos: Path, marks: Marks, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("set") / "semi-real"
    result = make_semi_real([photos], marks, out, seed=4, turns=1)
    assert result.missing == result.changed == () and result.used == 3
    assert result.photos == len(list((out / "images").iterdir())) and result.unseen <= 3
    return out


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted((folder / "images").iterdir())}


def known(sample: Sample) -> dict[str, int]:
    return {cue: label for cue, label in sample.cues.items() if label is not None}


def test_each_photo_is_known_for_one_cue_which_it_shows_or_not(made: Path, photos: Path) -> None:
    originals = [np.asarray(Image.open(path).convert("RGB")) for path in photos.rglob("*.jpg")]
    samples = read_set(made).samples
    for sample in samples:
        ((cue, label),) = known(sample).items()
        assert sample.photo.stem.split("_", 1)[1].startswith(cue)
        assert bool(sample.masks) == (label == 1) == ("_cue_" in sample.photo.stem)
        assert bool(sample.details["hard_negatives"]) == (label == 0) and sample.details["source"] == "semi_real"
        assert sample.vehicle_visible is (True if sample.vehicle == "red" else None) and sample.shot == "close_up"
        picture = np.asarray(Image.open(sample.photo))
        assert all(np.abs(picture.astype(int) - original).max() > 8 for original in originals)  # none is as it was


def test_there_are_as_many_innocent_edits_as_cues_on_every_vehicle(made: Path) -> None:
    samples = read_set(made).samples
    for cue in ("overspray_rubber", "overspray_hidden", "painted_fastener", "wear_through", "masking_edge"):
        for vehicle in ("red", "green"):
            labels = [sample.cues[cue] for sample in samples if sample.vehicle == vehicle]
            assert labels.count(1) == labels.count(0) >= 1
    # the photo may show it as it is: nothing is painted there, and nothing is said
    assert not [sample for sample in samples if sample.photo.stem.startswith("a_film_defect")]


def test_masks_lie_on_their_marks(made: Path, marks: Marks) -> None:
    frame = pandas.read_parquet(made / "images.parquet").set_index("file")
    for sample in read_set(made).samples:
        for segmentations in sample.masks.values():
            detail = json.loads(frame.loc[sample.photo.name, "camera"])
            photo = next(photo for photo in marks.photos if photo.file == detail["photo"])
            place = place_of(photo.marks[detail["mark"]], WIDTH, HEIGHT)
            left, top, right, bottom = place.window
            mask = sum(decode_mask(segmentation, HEIGHT, WIDTH) for segmentation in segmentations) > 0
            assert mask.sum() >= 16 and mask.sum() == mask[top:bottom, left:right].sum()
            ys, xs = np.nonzero(mask[top:bottom, left:right])
            near = np.zeros(mask[top:bottom, left:right].shape, bool)
            ok = np.argwhere(place.reduced(place.inside) > 0)
            near[tuple(ok.T)] = True
            distance = [np.abs(ok - (y, x)).max(1).min() for y, x in zip(ys[::7], xs[::7], strict=True)]
            assert max(distance) <= 6  # a filled seam spreads over both flanks, no further


def test_the_same_seed_makes_the_same_set_and_another_seed_another(
    made: Path, photos: Path, marks: Marks, tmp_path: Path
) -> None:
    again = make_semi_real([photos], marks, tmp_path / "again", seed=4, turns=1, processes=2)
    assert contents(tmp_path / "again") == contents(made) and again.photos == len(contents(made))
    assert (tmp_path / "again" / "annotations.json").read_bytes() == (made / "annotations.json").read_bytes()
    make_semi_real([photos], marks, tmp_path / "other", seed=5, turns=1)
    other = contents(tmp_path / "other")
    same = [name for name, data in contents(made).items() if other.get(name) == data]
    assert len(same) < 0.1 * len(other)


def test_another_mark_changes_no_other_photo(made: Path, photos: Path, tmp_path: Path) -> None:
    extra = {"kind": "fastener", "points": [[290, 100]], "width_px": 14}
    more = read_marks(marks_file(photos, tmp_path / "more.yaml", [*MARKS, extra]))
    make_semi_real([photos], more, tmp_path / "more", seed=4, turns=1)
    grown = contents(tmp_path / "more")
    assert all(grown[name] == data for name, data in contents(made).items())
    assert len(grown) > len(contents(made))


def test_a_set_is_gone_on_with_where_photos_were_missing(
    made: Path, photos: Path, marks: Marks, tmp_path: Path
) -> None:
    part = tmp_path / "part"
    part.mkdir()
    (part / "a.jpg").write_bytes((photos / "a.jpg").read_bytes())
    (part / "c.jpg").write_bytes(drawn_photo(99))
    first = make_semi_real([part], marks, tmp_path / "set", seed=4, turns=1)
    assert first.missing == ("b.jpg",) and first.changed == ("c.jpg",) and first.used == 1
    make_semi_real([part, photos], marks, tmp_path / "set", seed=4, turns=1)
    assert contents(tmp_path / "set") == contents(made)
    with pytest.raises(BatchError, match="another seed"):
        make_semi_real([photos], marks, tmp_path / "set", seed=5, turns=1)


def test_photos_are_known_by_their_digest(photos: Path, marks: Marks, tmp_path: Path) -> None:
    (tmp_path / "a.jpg").write_bytes(drawn_photo(7))
    found, missing, changed = find_photos([tmp_path, photos], marks)
    assert found["a.jpg"] == (photos / "a.jpg").read_bytes() and missing == changed == ()
    with pytest.raises(BatchError, match="none of the 3 marked photos is there, or not as marked"):
        make_semi_real([tmp_path], marks, tmp_path / "out", seed=0)


def test_a_vehicle_is_in_one_split_and_the_set_passes_the_check(made: Path) -> None:
    splits: dict[str, set[str]] = {}
    for sample in read_set(made).samples:
        splits.setdefault(sample.vehicle, set()).add(sample.split)
    assert splits == {"red": {"train"}, "green": {"test"}}
    problems = check_set(read_labels(made)).problems
    # the drawn photos of two vehicles are one drawing in two colours
    assert [problem for problem in problems if "look alike" not in problem] == []


def test_training_draws_it_by_its_weight(made: Path) -> None:
    train = read_set(made).split("train")
    cues = tuple(cue for cue in DETECTED_CUES if any(sample.cues[cue] == 1 for sample in train.samples))
    chance = sampling_probability([(train, 1.0), (train, 3.0)], cues)
    assert chance[len(train.samples) :].sum() == pytest.approx(0.75)


def test_what_nobody_notices_is_not_seen() -> None:
    before = np.full((40, 40, 3), 128, np.uint8)
    everywhere = np.ones((40, 40), bool)
    lighter = before + np.uint8(3)  # CIE 1976: about 1.2 in L*
    assert not can_be_seen(before, lighter, everywhere, 0.0)
    spot = before.copy()
    spot[10:16, 10:16] = 160
    assert can_be_seen(before, spot, everywhere, 0.0)
    assert not can_be_seen(before, spot, everywhere, 0.25)  # too little of what is called a cue
    assert not can_be_seen(before, spot, ~everywhere, 0.0)
    assert not can_be_seen(before, spot, everywhere, 0.0, long_side=4096)  # three pixels of a photo as it is screened
    noise = np.clip(before + np.random.default_rng(0).normal(size=(40, 40, 1)) * 6, 0, 255).astype(np.uint8)
    assert not can_be_seen(before, noise, everywhere, 0.3)


def test_the_command_says_what_it_made_and_what_it_missed(photos: Path, tmp_path: Path) -> None:
    pytest.importorskip("mitsuba")
    path = marks_file(photos, tmp_path / "marks.yaml")
    (tmp_path / "some").mkdir()
    (tmp_path / "some" / "a.jpg").write_bytes((photos / "a.jpg").read_bytes())
    words = ["semi-real", str(tmp_path / "some"), "--out", str(tmp_path / "set"), "--marks", str(path), "--turns", "1"]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0, done.output
    count = len(list((tmp_path / "set" / "images").iterdir()))
    assert f"{count} photos made from 1 in {tmp_path / 'set'}" in done.stdout.replace("\n", "")
    assert "2 marked photos are missing: b.jpg, c.jpg" in done.stderr
