import json
from pathlib import Path

import cv2
import numpy as np
import pandas
import pytest
from pycocotools.coco import COCO
from typer.testing import CliRunner

from models.data import read_pixels, read_set
from models.label_import import import_labels
from pipeline.data_group import app
from pipeline.errors import BatchError, UsageError
from pipeline.records import DETECTED_CUES
from synthetic_data.set_check import check_set, read_labels


def photo(path: Path, height: int = 48, width: int = 64) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    seed = sum(path.name.encode())
    noise = np.random.default_rng(seed).integers(0, 255, (6, 8, 3), np.uint8)
    cv2.imwrite(str(path), cv2.resize(noise, (width, height), interpolation=cv2.INTER_CUBIC))
    return path


POLYGON = [[10, 10, 30, 10, 30, 20, 10, 20]]


def coco(folder: Path, annotations: list[dict[str, object]], **changes: object) -> Path:
    """A COCO file as label tools write it: category numbers of their own, names with spaces, folders in file names."""
    for name in ("a", "b", "c"):
        photo(folder / f"{name}.jpg")
    content = {
        "info": {}, "licenses": [],
        "images": [{"id": number, "file_name": f"upload/{name}.jpg", "height": 48, "width": 64}
                   for number, name in enumerate(("a", "b", "c"), start=7)],
        "categories": [{"id": 3, "name": "Overspray rubber"}, {"id": 5, "name": "painted-fastener"},
                       {"id": 9, "name": "dent"}, {"id": 11, "name": "rear"}],
        "annotations": annotations, **changes,
    }  # fmt: skip
    path = folder / "labels.json"
    path.write_text(json.dumps(content))
    return path


def test_coco_of_a_label_tool_comes_over_and_the_rest_is_said(tmp_path: Path) -> None:
    source = coco(
        tmp_path / "in",
        [
            {"id": 1, "image_id": 7, "category_id": 3, "segmentation": POLYGON, "bbox": [10, 10, 20, 10], "iscrowd": 0},
            {"id": 2, "image_id": 7, "category_id": 5, "segmentation": [], "bbox": [1, 2, 8, 9]},
            {"id": 3, "image_id": 8, "category_id": 9, "segmentation": POLYGON, "bbox": [10, 10, 20, 10]},
            {"id": 4, "image_id": 8, "category_id": 11, "bbox": [0, 0, 64, 48]},
            {"id": 5, "image_id": 99, "category_id": 3, "bbox": [0, 0, 4, 4]},
            {"id": 6, "image_id": 9, "category_id": 3, "segmentation": [[1, 1, 5, 5]], "bbox": [1, 1, 4, 4]},
        ],
    )
    found = import_labels(source, tmp_path / "set")
    assert (found.photos, found.labels, found.masks) == (3, 3, 1)
    said = " ".join(found.not_understood)
    for words in ("'dent'", "annotation 5", "fewer than three corners", "vehicle of its own"):
        assert words in said
    by_name = {sample.photo.name: sample for sample in read_set(tmp_path / "set").samples}
    a, b, c = (by_name[f"{name}.jpg"] for name in "abc")
    assert a.cues["overspray_rubber"] == 1 and a.cues["painted_fastener"] == 1 and a.cues["filler"] is None
    assert set(a.masks) == {"overspray_rubber"}  # a box is a label of the photo, not a mask
    assert b.shot == "rear" and all(value is None for value in b.cues.values())
    assert c.cues["overspray_rubber"] == 1 and not c.masks
    # Reference: pycocotools reads our file and finds the polygon's area in it
    theirs = COCO(str(tmp_path / "set" / "annotations.json"))
    (outlined,) = [entry for entry in theirs.anns.values() if entry["segmentation"]]
    _, labels = read_pixels(a, ("overspray_rubber",))
    assert theirs.annToMask(outlined).sum() == outlined["area"] == labels[:, :, 0].sum() == 200
    problems = check_set(read_labels(tmp_path / "set")).problems
    gaps = (" is never ", "but not in train")  # three photos cannot show everything in every split
    assert [problem for problem in problems if not any(gap in problem for gap in gaps)] == []


def test_completely_labelled_photos_lack_what_is_not_marked(tmp_path: Path) -> None:
    source = coco(tmp_path / "in", [{"id": 1, "image_id": 7, "category_id": 3, "bbox": [1, 1, 9, 9]}])
    import_labels(source, tmp_path / "set", complete=True)
    cues = {sample.photo.stem: sample.cues for sample in read_set(tmp_path / "set").samples}
    assert [cues[name]["overspray_rubber"] for name in "abc"] == [1, 0, 0]
    assert [cues[name]["painted_fastener"] for name in "abc"] == [0, 0, 0]
    assert cues["a"]["filler"] is None  # the file does not know this cue: nobody looked for it


def test_a_cue_outlined_in_part_has_no_mask(tmp_path: Path) -> None:
    # What lies outside a mask counts as free of the cue: half the outlines would teach that the rest is clean.
    outlines = [POLYGON, [[1, 1, 5, 5]]]
    source = coco(
        tmp_path / "in",
        [
            {"id": i, "image_id": 7, "category_id": 3, "segmentation": o, "bbox": [1, 1, 4, 4]}
            for i, o in enumerate(outlines)
        ],
    )
    assert import_labels(source, tmp_path / "set").masks == 0
    (sample,) = [s for s in read_set(tmp_path / "set").samples if s.photo.stem == "a"]
    assert sample.cues["overspray_rubber"] == 1 and not sample.masks


def test_outlines_of_another_size_are_not_laid_over_the_photo(tmp_path: Path) -> None:
    source = coco(tmp_path / "in", [{"id": 1, "image_id": 7, "category_id": 3, "segmentation": POLYGON}])
    photo(tmp_path / "in" / "a.jpg", height=64, width=48)  # turned since it was labelled
    found = import_labels(source, tmp_path / "set")
    assert found.masks == 0 and "64 × 48 in the file, 48 × 64 here" in " ".join(found.not_understood)


def test_a_table_of_photo_labels_comes_over(tmp_path: Path) -> None:
    for name in ("one.jpg", "two.jpg", "three.png", "far/one.jpg"):
        photo(tmp_path / "photos" / name)
    table = tmp_path / "labels.csv"
    table.write_text(
        "image;vehicle_id;Painted fastener;cue_filler;shot;rust;split\n"
        "one.jpg;v1;yes;0;rear;3;train\n"
        "two.jpg;v1;;?;sideways;;train\n"
        "three.png;v2;maybe;1;close up;;valid\n"
        "far/one.jpg;v3;no;;;;test\n"
        "gone.jpg;v4;no;;;;test\n"
    )
    found = import_labels(table, tmp_path / "set", photos=tmp_path / "photos")
    assert found.photos == 4 and found.labels == 4
    said = " ".join(found.not_understood)
    for words in ("'rust'", "'sideways' in row 3", "'maybe' in row 4, 'Painted fastener'", "row 6 (gone.jpg)"):
        assert words in said
    samples = {sample.photo.name: sample for sample in read_set(tmp_path / "set").samples}
    assert set(samples) == {"one.jpg", "two.jpg", "three.png", "one-2.jpg"}
    assert samples["one.jpg"].cues["painted_fastener"] == 1 and samples["one.jpg"].cues["filler"] == 0
    assert samples["two.jpg"].cues["painted_fastener"] is None and samples["two.jpg"].shot is None
    assert samples["three.png"].shot == "close_up" and samples["three.png"].split == "val"
    assert samples["one.jpg"].vehicle == "v1" and samples["one-2.jpg"].cues["painted_fastener"] == 0


def test_a_row_a_label_and_names_of_ones_own(tmp_path: Path) -> None:
    photo(tmp_path / "a.jpg")
    pandas.DataFrame({"file": ["a.jpg"] * 3, "label": ["fish eye", "painted fastener", "moss"]}).to_parquet(
        tmp_path / "l.parquet"
    )
    found = import_labels(tmp_path / "l.parquet", tmp_path / "set", names={"fish eye": "film_defect"})
    (sample,) = read_set(tmp_path / "set").samples
    assert {cue for cue, label in sample.cues.items() if label == 1} == {"film_defect", "painted_fastener"}
    assert "'moss' in row 4" in " ".join(found.not_understood)
    with pytest.raises(BatchError, match="no cue and no shot"):
        import_labels(tmp_path / "l.parquet", tmp_path / "other", names={"fish eye": "eye"})


@pytest.mark.parametrize(
    ("content", "words"),
    [('{"images": []}', "no COCO file"), ("[1]", "no COCO file"), ("{", "no COCO file"),
     ('{"images": [], "categories": []}', "no photo of it is at hand")],
)  # fmt: skip
def test_files_that_are_no_labels_are_named(tmp_path: Path, content: str, words: str) -> None:
    (tmp_path / "l.json").write_text(content)
    with pytest.raises(BatchError, match=words):
        import_labels(tmp_path / "l.json", tmp_path / "set")


def test_nothing_is_written_over_and_nothing_outside_is_read(tmp_path: Path) -> None:
    photo(tmp_path / "secret.jpg")
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "l.csv").write_text("file,cue_filler\n../secret.jpg,1\n")
    with pytest.raises(BatchError, match="no photo"):
        import_labels(tmp_path / "in" / "l.csv", tmp_path / "set")
    with pytest.raises(BatchError, match="something already"):
        import_labels(tmp_path / "in" / "l.csv", tmp_path)


def test_commands(tmp_path: Path) -> None:
    source = coco(tmp_path / "in", [{"id": 1, "image_id": 7, "category_id": 9, "bbox": [1, 1, 9, 9]}])
    run = CliRunner().invoke(app, ["import", str(source), "--out", str(tmp_path / "set"), "--name", "dent=filler"])
    assert run.exit_code == 0 and "3 photos with 1 labelled cues" in run.output and "'dent'" not in run.output
    run = CliRunner().invoke(app, ["split", str(tmp_path / "set"), "--shares", "1", "1", "1"])
    assert run.exit_code == 0 and "train: 1 photos of 1 vehicles" in run.output
    wrong = CliRunner().invoke(app, ["import", str(source), "--out", str(tmp_path / "s2"), "--name", "dent"])
    assert isinstance(wrong.exception, UsageError)
    assert len(DETECTED_CUES) == len(json.loads((tmp_path / "set" / "annotations.json").read_text())["categories"])
