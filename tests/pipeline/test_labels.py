"""Answers as a labelled set: what is known, what is not, and that training takes it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from pipeline.data_group import app
from pipeline.errors import BatchError, ScreeningError, UsageError
from pipeline.judging.answers import Answer, Mark, Place, ShotMark, ThroughMark, item_of
from pipeline.judging.labels import SHARES, export_labels, labels_of, split_of
from pipeline.records import DETECTED_CUES, Box, PhotoFindings
from pipeline.store import FILE, Store
from tests.pipeline.made_screening import FIRST, HINGE, SEAL, SECOND, finding, make_screening, photo_of, replace_box

pandas = pytest.importorskip("pandas", reason="the extra train is not installed")
coco_mask = pytest.importorskip("pycocotools.mask", reason="the extra train is not installed")

PHOTO = "ab" * 32
OTHER = replace_box(HINGE, x=20)
ITEM = item_of("painted_fastener", HINGE)


def photo(*boxes: Box) -> PhotoFindings:
    return finding("a.jpg", PHOTO, "advert", {"painted_fastener": boxes or (HINGE,)})


def said(verdict: str | None, cause: str | None = None, item: str = ITEM, **change: object) -> Answer:
    reader = str(change.pop("reader", "anna"))
    box = change.pop("box", HINGE)
    assert isinstance(box, Box)
    content = {"verdict": verdict, "cue": "painted_fastener", "cause": cause, "box": Place.of(box)} | change
    return Answer(1, reader, PHOTO, item, Mark.model_validate(content))


THROUGH = Answer(2, "anna", PHOTO, "looked_through", ThroughMark())


def test_what_nobody_answered_is_unknown() -> None:
    labels = labels_of(photo(), ())
    assert set(labels.cues) == set(DETECTED_CUES) and set(labels.cues.values()) == {None}
    assert labels.shot is None and labels.vehicle_visible is None
    for verdict in ("cannot_tell", None):
        assert labels_of(photo(), (said(verdict),)).cues["painted_fastener"] is None


def test_a_sign_is_there_and_has_a_box() -> None:
    labels = labels_of(photo(), (said("sign"),))
    assert labels.cues["painted_fastener"] == 1 and labels.boxes == {"painted_fastener": (Place.of(HINGE),)}
    assert [cue for cue, value in labels.cues.items() if value is not None] == ["painted_fastener"]


def test_what_looked_like_it_and_is_not_is_absent() -> None:
    assert labels_of(photo(), (said("innocent", "reflection"),)).cues["painted_fastener"] == 0
    assert labels_of(photo(HINGE, OTHER), (said("innocent", "reflection"),)).cues["painted_fastener"] is None


def test_what_is_there_for_an_innocent_cause_is_there() -> None:
    labels = labels_of(photo(), (said("innocent", "factory_made"),))
    assert labels.cues["painted_fastener"] == 1 and len(labels.boxes["painted_fastener"]) == 1


def test_beside_something_open_a_sign_has_no_mask() -> None:
    labels = labels_of(photo(HINGE, OTHER), (said("sign"),))
    assert labels.cues["painted_fastener"] == 1 and labels.boxes == {}


def test_another_cue_is_that_cue_and_not_the_one_seen() -> None:
    labels = labels_of(photo(), (said("sign", cue="masking_edge"),))
    assert (labels.cues["painted_fastener"], labels.cues["masking_edge"]) == (0, 1)


def test_looking_through_makes_the_rest_absent_but_not_what_is_open() -> None:
    labels = labels_of(photo(), (said("sign"), THROUGH))
    assert labels.cues == dict.fromkeys(DETECTED_CUES, 0) | {"painted_fastener": 1}
    labels = labels_of(photo(), (said("cannot_tell"), THROUGH))
    assert labels.cues["painted_fastener"] is None and labels.cues["filler"] == 0


def test_what_readers_differ_about_is_unknown() -> None:
    differ = (said("sign"), said("innocent", "dirt", reader="ben"))
    assert labels_of(photo(), differ).cues["painted_fastener"] is None
    added = (
        said("sign", item="added 00", cue="filler"),
        said("innocent", "dirt", item="added 00", cue="filler", reader="b"),
    )
    assert labels_of(photo(), (*added, THROUGH)).cues["filler"] is None


def test_the_kind_of_view_tells_whether_there_is_a_vehicle() -> None:
    assert labels_of(photo(), (Answer(1, "a", PHOTO, "shot", ShotMark(shot="rear")),)).vehicle_visible == 1
    paper = labels_of(photo(), (Answer(1, "a", PHOTO, "shot", ShotMark(shot="document")),))
    assert (paper.shot, paper.vehicle_visible) == ("document", 0)


def test_a_split_hangs_on_the_vehicle_alone_and_its_shares_are_those_said() -> None:
    names = [f"vehicle {n}" for n in range(4000)]
    splits = split_of(names)
    assert all(splits[name] == split for name, split in split_of(names[:100]).items())
    for split, share in SHARES.items():
        assert sum(value == split for value in splits.values()) / 4000 == pytest.approx(share, abs=0.03)
    assert set(split_of(["only"]).values()) == {"train"} and split_of([]) == {}


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = make_screening(tmp_path_factory.mktemp("judged"))
    with Store.open(out) as store:
        book = store.answers()

        def put(advert: str, name: str, item: str, content: object) -> None:
            book.put("anna", "t", photo_of(store, advert, name).sha256, item, content, 0)  # type: ignore[arg-type]

        put(FIRST, "a.jpg", ITEM, said("sign").content)
        put(FIRST, "a.jpg", "looked_through", ThroughMark())
        put(FIRST, "a.jpg", "shot", ShotMark(shot="door_open"))
        seal = {"cue": "overspray_rubber", "box": SEAL}
        put(FIRST, "b.jpg", item_of("overspray_rubber", SEAL), said("innocent", "dirt", **seal).content)
        put(SECOND, "only.jpg", ITEM, said("cannot_tell").content)
        book.put("ben", "t", photo_of(store, FIRST, "a.jpg").sha256, ITEM, said("sign").content, 0)  # type: ignore[arg-type]
    return out


@pytest.fixture(scope="module")
def exported(out: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    target = tmp_path_factory.mktemp("set") / "mine"
    made = export_labels(out, target)
    assert (made.photos, made.boxes, made.missing) == (3, 1, ())
    return target


def test_the_set_is_read_as_training_reads_it(exported: Path) -> None:
    from models.data import read_pixels, read_set

    samples = {sample.photo.name: sample for sample in read_set(exported).samples}
    assert len(samples) == 3
    (sign,) = (sample for sample in samples.values() if sample.cues["painted_fastener"] == 1)
    assert sign.shot == "door_open" and sign.vehicle_visible and sign.details["source"] == "user"
    assert sign.cues == dict.fromkeys(DETECTED_CUES, 0) | {"painted_fastener": 1}
    (mask,) = sign.masks["painted_fastener"]
    assert coco_mask.toBbox(mask).tolist() == [HINGE.x, HINGE.y, HINGE.width, HINGE.height]
    pixels, labels = read_pixels(sign, ("painted_fastener",))
    assert pixels.shape == (720, 960, 3)
    assert int(labels[:, :, 0].sum()) == HINGE.width * HINGE.height
    middle = pixels[HINGE.y + HINGE.height // 2, HINGE.x + HINGE.width // 2]
    assert middle[0] > 150 and middle[1] < 80  # the photo's red patch is under the mask
    (dirt,) = (sample for sample in samples.values() if sample.cues["overspray_rubber"] == 0 and sample is not sign)
    assert dirt.cues["painted_fastener"] is None and dirt.shot is None
    assert len({sample.vehicle for sample in samples.values()}) == 2


def test_the_check_of_sets_finds_nothing_wrong_in_it_but_how_small_it_is(exported: Path) -> None:
    from synthetic_data.set_check import check_set, read_labels

    problems = check_set(read_labels(exported)).problems
    assert [problem for problem in problems if " never " not in problem and " not in train" not in problem] == []


def test_the_table_and_the_manifest_say_where_it_is_from(exported: Path) -> None:
    frame = pandas.read_parquet(exported / "images.parquet")
    assert set(frame["source"]) == {"user"} and set(frame["advert"]) == {FIRST, SECOND}
    assert frame["family"].dropna().tolist() == ["pellock", "pellock"]
    assert frame["cue_filler"].isna().sum() == 2
    manifest = json.loads((exported / "set.json").read_text())
    assert manifest["readers"] == ["anna", "ben"] and manifest["agreement"][0]["both"] == 1


def test_photos_of_one_vehicle_in_two_adverts_are_in_one_split(tmp_path: Path) -> None:
    out = make_screening(tmp_path)
    batch = tmp_path / "batch"
    with Store.open(out) as store:
        shown = photo_of(store, FIRST, "c.jpg")
        screened, photos = store.screened(), [(a, p, s) for a, p, s, _ in store.hashes()]
        store.set_batch(screened, [*photos, (SECOND, "same.jpg", shown.sha256)])
        (batch / SECOND / "same.jpg").write_bytes((batch / FIRST / "c.jpg").read_bytes())
        book = store.answers()
        book.put("anna", "t", shown.sha256, "looked_through", ThroughMark(), 0)
        book.put("anna", "t", photo_of(store, SECOND, "only.jpg").sha256, "looked_through", ThroughMark(), 0)
    made = export_labels(out, tmp_path / "set")
    frame = pandas.read_parquet(tmp_path / "set" / "images.parquet")
    assert made.photos == len(frame) == 2 and frame["vehicle"].nunique() == frame["split"].nunique() == 1


def test_photos_that_are_gone_are_told_and_nothing_else_is_written_over(out: Path, tmp_path: Path) -> None:
    own = make_screening(tmp_path)
    with pytest.raises(UsageError, match="nothing was answered"):
        export_labels(own, tmp_path / "set")
    (tmp_path / "set").mkdir()
    (tmp_path / "set" / "file").touch()
    with pytest.raises(UsageError, match="something already"):
        export_labels(out, tmp_path / "set")
    with pytest.raises(UsageError, match="no screening"):
        export_labels(tmp_path / "nowhere", tmp_path / "other")
    with Store.open(own) as store:
        for name in ("a.jpg", "b.jpg"):
            store.answers().put("anna", "t", photo_of(store, FIRST, name).sha256, "looked_through", ThroughMark(), 0)
    (tmp_path / "batch" / FIRST / "a.jpg").unlink()
    assert export_labels(own, tmp_path / "one").missing == (f"{FIRST}/a.jpg",)
    (tmp_path / "batch").rename(tmp_path / "moved")
    with pytest.raises(BatchError, match="--batch"):
        export_labels(own, tmp_path / "two")
    assert export_labels(own, tmp_path / "three", tmp_path / "moved").photos == 1


def test_export_beside_an_open_judging_page_says_in_one_sentence_what_to_do(out: Path, tmp_path: Path) -> None:
    with Store.open(out):  # as `maskline judge` holds it until it is stopped
        told = CliRunner().invoke(app, ["export", "--from", str(out), "--out", str(tmp_path / "set")])
    assert isinstance(told.exception, ScreeningError)
    assert str(told.exception) == (
        f"{out / FILE}: it is open in another process, such as maskline judge or maskline screen; "
        "end that process, or wait until it has ended, and try again."
    )
    assert not (tmp_path / "set").exists()


@pytest.mark.slow
def test_training_takes_the_set(exported: Path, tmp_path: Path) -> None:
    from models.recipe import Recipe
    from models.train import TrainingJob, train
    from tests.models.fake_set import write_fake_set

    own = write_fake_set(tmp_path / "renders", 24)
    recipe = Recipe(
        name="tiny", least_positives=1, steps=2, batch=4, precision="fp32", workers=0, validate_every_min=60
    )
    train(TrainingJob(recipe=recipe, data=(own, exported), out=tmp_path / "run"))
    assert (tmp_path / "run" / "network.safetensors").is_file()
