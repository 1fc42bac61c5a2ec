from __future__ import annotations

import json
import multiprocessing
import os
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from pipeline.configuration import load, shipped
from pipeline.errors import BatchError
from pipeline.records import DETECTED_CUES, SURFACES
from synthetic_data import dataset
from synthetic_data.dataset import SetConfig, Shares, annotate, settle_cues, split_of, synth
from synthetic_data.mixed_family import MIXED
from synthetic_data.set_check import check_set, read_labels
from tests.synthetic_data.fake_adverts import draw

coco_mask = pytest.importorskip("pycocotools.mask")
pandas = pytest.importorskip("pandas")
threadpoolctl = pytest.importorskip("threadpoolctl")  # comes with scikit-learn


def config(**changes: Any) -> SetConfig:
    shipped_config = load(shipped("synthesis", "dataset.yaml"), SetConfig)
    return shipped_config.model_copy(
        update={
            "maker": "tests.synthetic_data.fake_adverts",
            "cpu_variant": "scalar_rgb",  # needs no compiler
            "shares": Shares(val=0.25, test=0.25),
            **changes,
        }
    )


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("set") / "made"
    synth(config(), adverts=12, seed=3, out=out)
    return out


def contents(folder: Path) -> dict[str, bytes]:
    files = [path for path in sorted(folder.rglob("*")) if path.is_file() and path.suffix != ".parquet"]
    return {str(path.relative_to(folder)): path.read_bytes() for path in files}


def test_a_set_holds_what_the_contract_says(made: Path) -> None:
    frame = pandas.read_parquet(made / "images.parquet")
    assert len(frame) == 36 == len(list((made / "images").glob("*.jpg"))) == len(list((made / "dense").glob("*.png")))
    assert set(frame["split"]) == {"train", "val", "test"}
    assert set(frame["cue_painted_fastener"]) == {0, 1}
    assert frame["cue_filler"].isna().all()
    assert set(frame["source"]) == {"synthetic"}
    manifest = json.loads((made / "set.json").read_text())
    assert manifest["seed"] == 3 and manifest["counts"]["cues"]["painted_fastener"] == 12
    dense = cv2.imread(str(made / "dense" / "a00000_00.png"))
    assert (
        (dense[..., 2] == SURFACES.index("paint")).all() and (dense[..., 1] == 1).all() and (dense[..., 0] == 2).all()
    )


def test_annotations_load_in_the_reference_reader_and_give_the_mask_back(made: Path) -> None:
    # reference: pycocotools, the reader of the COCO project
    from pycocotools.coco import COCO

    coco = COCO(str(made / "annotations.json"))
    first = next(image for image in coco.loadImgs(coco.getImgIds()) if image["file_name"] == "a00000_00.jpg")
    annotations = coco.loadAnns(coco.getAnnIds(imgIds=first["id"]))
    assert {coco.cats[annotation["category_id"]]["name"] for annotation in annotations} == {"painted_fastener"}
    assert len(annotations) == 2, "two pieces far apart are two annotations"
    union = np.any([coco.annToMask(annotation) for annotation in annotations], axis=0)
    wanted = draw(np.random.default_rng(0), cue=True).cues["painted_fastener"]
    assert (union == wanted).all()


@pytest.mark.parametrize("most", [1, 2, 12])
def test_pieces_are_grouped_and_nothing_is_lost(most: int) -> None:
    rng = np.random.default_rng(5)
    mask = np.zeros((120, 160), np.uint8)
    for _ in range(9):
        x, y = rng.integers(8, 150), rng.integers(8, 110)
        cv2.circle(mask, (int(x), int(y)), int(rng.integers(1, 5)), 1, -1)
    annotations = annotate(mask.astype(bool), 0.012, most)
    assert 1 <= len(annotations) <= most
    shapes = [coco_mask.decode(annotation["segmentation"]) for annotation in annotations]
    assert (np.sum(shapes, axis=0) == mask).all(), "every pixel is in exactly one annotation"
    for annotation, shape in zip(annotations, shapes, strict=True):
        rows, columns = np.nonzero(shape)
        assert annotation["area"] == shape.sum()
        assert annotation["bbox"] == [columns.min(), rows.min(), np.ptp(columns) + 1, np.ptp(rows) + 1]


def test_the_same_seed_gives_the_same_set_with_any_number_of_processes(made: Path, tmp_path: Path) -> None:
    result = synth(config(), adverts=12, seed=3, out=tmp_path / "again", processes=2)
    assert (result.photos, result.adverts, result.failed) == (36, 12, ())
    assert contents(tmp_path / "again") == contents(made)


def test_a_killed_run_is_gone_on_with_and_finished_adverts_are_not_made_again(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "killed"
    calls: list[int] = []
    real = dataset._make_one

    def killed(index: int, *rest: Any) -> Any:
        calls.append(index)
        if len(calls) == 5:
            (out / "images" / f"a{index:05d}_00.jpg").write_bytes(b"half a photo")
            raise KeyboardInterrupt
        return real(index, *rest)

    monkeypatch.setattr(dataset, "_make_one", killed)
    with pytest.raises(KeyboardInterrupt):
        synth(config(), adverts=12, seed=3, out=out)
    assert not (out / "set.json").exists()
    synth(config(), adverts=12, seed=3, out=out)
    assert calls == [0, 1, 2, 3, 4, 4, 5, 6, 7, 8, 9, 10, 11]
    assert contents(out) == contents(made)


def test_a_set_can_grow_and_old_photos_keep_their_split(made: Path, tmp_path: Path) -> None:
    out = tmp_path / "grown"
    synth(config(), adverts=4, seed=3, out=out)
    small = read_labels(out).rows
    synth(config(), adverts=12, seed=3, out=out)
    assert contents(out) == contents(made)
    assert {file: read_labels(out).rows[file]["split"] for file in small} == {f: r["split"] for f, r in small.items()}


@pytest.mark.parametrize("processes", [1, 2])
def test_a_set_cut_short_by_the_clock_is_whole_and_can_be_gone_on_with(
    made: Path, tmp_path: Path, processes: int
) -> None:
    out = tmp_path / "short"
    synth(config(), adverts=4, seed=3, out=out)
    short = synth(config(), adverts=12, seed=3, out=out, processes=processes, time_limit_min=0)
    assert (short.photos, short.adverts, short.failed) == (12, 4, ())
    assert json.loads((out / "set.json").read_text())["counts"]["adverts"] == 4
    synth(config(), adverts=12, seed=3, out=out, processes=processes, time_limit_min=5)
    assert contents(out) == contents(made)


def test_another_seed_does_not_go_into_the_same_folder(made: Path) -> None:
    with pytest.raises(BatchError, match="another seed, config or version; choose another folder"):
        synth(config(), adverts=12, seed=4, out=made)


def test_a_folder_with_other_things_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_text("mine")
    with pytest.raises(BatchError, match="it is not empty"):
        synth(config(), adverts=1, seed=0, out=tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["letter.txt"]


def test_a_failing_advert_is_named_and_the_others_are_made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FAKE_FAULT", "1")
    result = synth(config(), adverts=3, seed=3, out=tmp_path / "set")
    assert result.failed == ("advert 1: RuntimeError: the paint ran out",)
    assert result.photos == 6
    monkeypatch.delenv("FAKE_FAULT")
    assert synth(config(), adverts=3, seed=3, out=tmp_path / "set").photos == 9


def test_nothing_made_is_an_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FAKE_FAULT", "0")
    with pytest.raises(BatchError, match=r"no advert could be made .*the paint ran out"):
        synth(config(), adverts=1, seed=3, out=tmp_path / "set")


def test_workers_share_the_cards_in_turn(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("CUDA_VISIBLE_DEVICES", raising=False)
    assert [dataset._card(number, 2) for number in range(4)] == ["0", "1", "0", "1"]
    monkeypatch.setenv("CUDA_VISIBLE_DEVICES", "5,7")
    assert [dataset._card(number, 2) for number in range(4)] == ["5", "7", "5", "7"]
    assert dataset._card(0, 0) is None
    synth(config(), adverts=8, seed=3, out=tmp_path / "set", processes=2, gpus=2)
    lights = {row["light"].split()[1] for row in read_labels(tmp_path / "set").rows.values()}
    assert lights <= {"5", "7"} and all(
        row["light"].startswith("cuda") for row in read_labels(tmp_path / "set").rows.values()
    )


def blas_threads() -> list[int]:
    """Threads of each linear algebra library that this process has loaded, by threadpoolctl."""
    return [library["num_threads"] for library in threadpoolctl.threadpool_info() if library["user_api"] == "blas"]


def test_workers_have_one_thread_each(monkeypatch: pytest.MonkeyPatch) -> None:
    names = ("OMP_NUM_THREADS", "MKL_NUM_THREADS", "OPENBLAS_NUM_THREADS")
    for name in names:
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("MKL_NUM_THREADS", "3")
    inherited = dataset._one_thread_each()
    assert set(inherited) == {"OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"} and os.environ["MKL_NUM_THREADS"] == "3"
    with ProcessPoolExecutor(1, multiprocessing.get_context("spawn")) as pool:
        found = pool.submit(blas_threads).result()
    for name in inherited:
        monkeypatch.delenv(name)
    assert found and set(found) == {1}


def test_held_out_families_and_panoramas_are_for_test_only(made: Path) -> None:
    rows = read_labels(made).rows.values()
    assert {row["family"] for row in rows if row["split"] == "train"} == {"pellock", MIXED}
    for row in rows:
        assert row["family"] in {"test": ("pellock", "torrick"), "train": ("pellock", MIXED)}.get(
            row["split"], ("pellock",)
        )
        assert row["light"].endswith(str(row["split"] == "test"))


def test_splits_have_the_shares_asked_for() -> None:
    splits = [split_of(1, index, Shares(val=0.1, test=0.2)) for index in range(4000)]
    # binomial standard deviation of 4000 draws at 0.2 is 0.0063
    assert abs(splits.count("test") / 4000 - 0.2) < 0.025 and abs(splits.count("val") / 4000 - 0.1) < 0.02


def test_labels_are_settled_against_masks() -> None:
    mask = np.zeros((20, 20), bool)
    assert settle_cues("p", {"cue_filler": 1}, {"filler": mask})["cue_filler"] is None
    mask[:5, :5] = True
    assert settle_cues("p", {"cue_filler": 1}, {"filler": mask})["cue_filler"] == 1
    assert settle_cues("p", {}, {"filler": mask})["cue_filler"] is None
    with pytest.raises(ValueError, match="filler is labelled absent but has a mask of 25 pixels"):
        settle_cues("p", {"cue_filler": 0}, {"filler": mask})


# --- checking -----------------------------------------------------------------------------------------------------


def test_a_good_set_has_no_problems(made: Path) -> None:
    result = check_set(read_labels(made))
    assert result.problems == ()
    assert sum(split["photos"] for split in result.counts.values()) == 36
    assert sum(split["painted_fastener present"] for split in result.counts.values()) == 12
    assert sum(split["painted_fastener hard negative"] for split in result.counts.values()) == 12


def spoil(made: Path, tmp_path: Path) -> Path:
    import shutil

    return Path(shutil.copytree(made, tmp_path / "spoilt"))


def edit_table(folder: Path, change: Any) -> None:
    frame = pandas.read_parquet(folder / "images.parquet")
    frame = change(frame)
    frame.to_parquet(folder / "images.parquet", index=False)


def edit_annotations(folder: Path, change: Any) -> None:
    content = json.loads((folder / "annotations.json").read_text())
    change(content)
    (folder / "annotations.json").write_text(json.dumps(content))


def set_cell(row: int, column: str, value: Any) -> Any:
    def change(frame: Any) -> Any:
        frame.loc[row, column] = value
        return frame

    return change


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        (set_cell(0, "vehicle", "pellock-3-5"), "1 vehicles are in more than one split, first pellock-3-5."),
        (set_cell(0, "split", "dev"), "a00000_00.jpg: split is 'dev', not one of train, val, test."),
        (set_cell(0, "shot", "selfie"), "a00000_00.jpg: shot is 'selfie', which is no kind of view."),
        (
            set_cell(0, "cue_painted_fastener", 0),
            "images/a00000_00.jpg: painted_fastener has a mask but is labelled 0.",
        ),
        (set_cell(1, "cue_filler", 1), "images/a00000_01.jpg: filler is labelled present but has no mask."),
        (
            lambda frame: frame.drop(columns="cue_filler"),
            "images.parquet: columns are missing: cue_filler.",
        ),
        (
            lambda frame: frame.drop(index=35),
            "images.parquet: 1 annotated photos have no row, first a00011_02.jpg.",
        ),
    ],
)
def test_faults_of_the_table_are_named(made: Path, tmp_path: Path, change: Any, problem: str) -> None:
    splits = {row["vehicle"]: row["split"] for row in read_labels(made).rows.values()}
    assert splits["pellock-3-0"] != splits["pellock-3-5"], "the case needs two splits"
    folder = spoil(made, tmp_path)
    edit_table(folder, change)
    assert problem in check_set(read_labels(folder)).problems


def shift_box(content: Any) -> None:
    content["annotations"][0]["bbox"][0] += 3


def shrink_mask(content: Any) -> None:
    content["annotations"][0]["segmentation"]["size"] = [10, 10]


def rename_cue(content: Any) -> None:
    content["categories"][0]["name"] = "scratch"


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        (shift_box, "images/a00000_00.jpg: area or box of painted_fastener does not belong to its mask."),
        (shrink_mask, "images/a00000_00.jpg: the mask of painted_fastener does not have the photo's size."),
        (rename_cue, "annotations.json: categories that are no detected cues: scratch."),
    ],
)
def test_faults_of_the_annotations_are_named(made: Path, tmp_path: Path, change: Any, problem: str) -> None:
    folder = spoil(made, tmp_path)
    edit_annotations(folder, change)
    assert problem in check_set(read_labels(folder)).problems


def test_faults_of_the_pictures_are_named(made: Path, tmp_path: Path) -> None:
    folder = spoil(made, tmp_path)
    (folder / "images" / "a00000_00.jpg").write_bytes(b"no photo")
    (folder / "dense" / "a00000_01.png").unlink()
    cv2.imwrite(str(folder / "dense" / "a00000_02.png"), np.full((96, 128, 3), 200, np.uint8))
    problems = check_set(read_labels(folder)).problems
    assert "images/a00000_00.jpg: it is missing or cannot be decoded." in problems
    assert "dense/a00000_01.png: it is missing." in problems
    assert "dense/a00000_02.png: surface 200 does not exist." in problems
    assert "dense/a00000_02.png: side 200 does not exist." in problems


def test_nearly_the_same_photo_in_two_splits_is_found(made: Path, tmp_path: Path) -> None:
    folder = spoil(made, tmp_path)
    rows = read_labels(folder).rows
    first = next(file for file, row in rows.items() if row["split"] == "train" and row["shot"] == "exterior")
    second = next(file for file, row in rows.items() if row["split"] == "test" and row["shot"] == "exterior")
    picture = cv2.imread(str(folder / "images" / first))
    cv2.imwrite(str(folder / "images" / second), picture, [cv2.IMWRITE_JPEG_QUALITY, 40])
    pair = " and ".join(sorted((first, second)))
    assert f"1 pairs of photos in different splits look alike, first {pair}." in check_set(read_labels(folder)).problems


def test_a_cue_missing_from_a_split_is_found(made: Path, tmp_path: Path) -> None:
    folder = spoil(made, tmp_path)
    rows = read_labels(folder).rows
    gone = {row["file"] for row in rows.values() if row["split"] == "val" and row["cue_painted_fastener"] == 1}

    def drop(content: Any) -> None:
        ids = {image["id"] for image in content["images"] if image["file_name"] in gone}
        content["annotations"] = [entry for entry in content["annotations"] if entry["image_id"] not in ids]

    edit_annotations(folder, drop)
    labels = "cue_painted_fastener"
    edit_table(folder, lambda frame: frame.assign(**{labels: frame[labels].mask(frame["file"].isin(gone), 0)}))
    assert "painted_fastener is never present in split val." in check_set(read_labels(folder)).problems


def test_an_unfinished_or_broken_set_is_one_sentence(made: Path, tmp_path: Path) -> None:
    with pytest.raises(BatchError, match=r"there is no annotations.json; make or finish the set first"):
        read_labels(tmp_path)
    folder = spoil(made, tmp_path)
    (folder / "annotations.json").write_text("{")
    with pytest.raises(BatchError, match="its labels cannot be read"):
        read_labels(folder)


def test_every_cue_has_its_category(made: Path) -> None:
    assert sorted(read_labels(made).cues.values()) == sorted(DETECTED_CUES)
