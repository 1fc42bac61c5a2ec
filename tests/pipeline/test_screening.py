"""A batch in, every output out; the input untouched; nothing computed twice; nothing lost."""

from __future__ import annotations

import csv
import dataclasses
import hashlib
import json
import shutil
from collections.abc import Callable
from pathlib import Path

import cv2
import jsonschema
import numpy as np
import pytest

from pipeline import outputs, screening
from pipeline.colour import PAINTS_TOLD
from pipeline.errors import BatchError, ConfigError, ScreeningError, UsageError, WeightsError
from pipeline.network import CueNetwork
from pipeline.paint_table import demo_table
from pipeline.photos import read_photo
from pipeline.records import AdvertDetails, PhotoFindings, SetAside, Shortlist
from pipeline.screening import screen
from tests.pipeline.conftest import CUE_COLOURS, write_manifest
from tests.pipeline.examples import write_photo
from tests.pipeline.painted import GREEN, made_side

OUTPUTS = {"shortlist.csv", "shortlist.json", "findings.jsonl", "set_aside.csv", "report", "crops", "maskline.sqlite"}


@pytest.fixture
def batch(tmp_path: Path) -> Path:
    """Two adverts: one with painted fasteners and details, one clean that shares a photo and holds a broken file."""
    folder = tmp_path / "batch"
    write_photo(folder / "brindle-1" / "a.jpg", 1)
    write_photo(folder / "brindle-1" / "b.jpg", 2, CUE_COLOURS["painted_fastener"])
    (folder / "brindle-1" / "advert.yaml").write_text(
        "title: =Brindle pickup\nprice: 9800\ncurrency: EUR\n", encoding="utf-8"
    )
    write_photo(folder / "pellock-2" / "c.jpg", 3)
    shutil.copy(folder / "brindle-1" / "a.jpg", folder / "pellock-2" / "d.jpg")
    (folder / "pellock-2" / "e.jpg").write_bytes(b"")
    return folder


def findings_in(out: Path) -> list[PhotoFindings]:
    return [PhotoFindings.model_validate_json(line) for line in (out / "findings.jsonl").read_text().splitlines()]


def rows_in(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def contents(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture
def count(monkeypatch: pytest.MonkeyPatch) -> Callable[[], tuple[int, int]]:
    """How many photos were decoded and how many went through the network since it was last asked."""
    decoded: list[str] = []
    computed: list[int] = []
    run = CueNetwork.run

    def counted_read(*arguments: object) -> object:
        decoded.append(str(arguments[0]))
        return read_photo(*arguments)  # type: ignore[arg-type]

    def counted_run(self: CueNetwork, photos: object) -> object:
        computed.append(len(photos))  # type: ignore[arg-type]
        return run(self, photos)  # type: ignore[arg-type]

    monkeypatch.setattr(screening, "read_photo", counted_read)
    monkeypatch.setattr(CueNetwork, "run", counted_run)

    def ask() -> tuple[int, int]:
        answer = len(decoded), sum(computed)
        decoded.clear()
        computed.clear()
        return answer

    return ask


def test_a_batch_gives_every_output(batch: Path, tmp_path: Path, tiny_network: Path) -> None:
    before = contents(batch)
    out = tmp_path / "deep" / "out"
    seen: list[tuple[int, int]] = []
    done = screen(batch, out, weights=tiny_network, threads=2, progress=lambda *numbers: seen.append(numbers))
    assert {path.name for path in out.iterdir()} == OUTPUTS
    assert contents(batch) == before
    assert seen == [(0, 5), (1, 5), (2, 5), (3, 5), (4, 5), (5, 5)]
    assert (done.photos, done.known_before) == (4, 0)
    assert done.report == out / "report" / "index.html" and done.report.is_file()

    found = findings_in(out)
    assert [(photo.advert, photo.photo) for photo in found] == [
        ("brindle-1", "a.jpg"), ("brindle-1", "b.jpg"), ("pellock-2", "c.jpg"), ("pellock-2", "d.jpg"),
    ]  # fmt: skip
    painted = found[1].cues["painted_fastener"]
    assert painted.score is not None and painted.score > 0.9 and painted.heat is not None
    assert (out / painted.heat).is_file()
    (place,) = painted.boxes
    assert abs(place.x - 480) <= 8 and abs(place.y - 320) <= 8 and abs(place.width - 120) <= 16
    assert found[0].also_in == ("pellock-2/d.jpg",) and found[3].also_in == ("brindle-1/a.jpg",)

    (aside,) = rows_in(out / "set_aside.csv")
    assert aside == {"advert": "pellock-2", "photo": "e.jpg", "fault": "the file is empty", "remedy": "fetch it again"}
    assert done.set_aside == (SetAside(**aside),)

    shortlist = Shortlist.model_validate_json((out / "shortlist.json").read_text(encoding="utf-8"))
    assert shortlist == done.shortlist
    by_name = {row.advert: row for row in shortlist.adverts}
    assert by_name["brindle-1"].refinished > by_name["pellock-2"].refinished
    assert (by_name["pellock-2"].photos, by_name["pellock-2"].set_aside) == (2, 1)
    table = rows_in(out / "shortlist.csv")
    assert [row["advert"] for row in table] == [
        row.advert for row in sorted(shortlist.adverts, key=lambda row: row.rank)
    ]
    assert next(row for row in table if row["advert"] == "brindle-1")["price"] == "9800.0"


def test_no_cell_becomes_a_formula(batch: Path, tmp_path: Path, tiny_network: Path) -> None:
    # OWASP, CSV Injection: cells that begin with = + - @ tab or carriage return
    screen(batch, tmp_path / "out", weights=tiny_network)
    titles = {row["advert"]: row["title"] for row in rows_in(tmp_path / "out" / "shortlist.csv")}
    assert titles["brindle-1"] == "'=Brindle pickup"


def test_outputs_hold_to_the_printed_schema(batch: Path, tmp_path: Path, tiny_network: Path) -> None:
    """JSON Schema 2020-12, checked by the jsonschema package."""
    out = tmp_path / "out"
    screen(batch, out, weights=tiny_network)
    schema = outputs.output_schema()
    jsonschema.Draft202012Validator.check_schema(schema)

    def check(file: str, content: object) -> None:
        wanted = {"$ref": schema["files"][file]["$ref"], "$defs": schema["$defs"]}
        jsonschema.Draft202012Validator(wanted).validate(content)

    check("shortlist.json", json.loads((out / "shortlist.json").read_text(encoding="utf-8")))
    for line in (out / "findings.jsonl").read_text(encoding="utf-8").splitlines():
        check("findings.jsonl", json.loads(line))
    for row in rows_in(out / "set_aside.csv"):
        check("set_aside.csv", row)
    check("advert.yaml", AdvertDetails(title="Pellock").model_dump(mode="json"))
    with pytest.raises(jsonschema.ValidationError, match="'title' is a required property"):
        check("shortlist.json", {"schema_version": 1, "adverts": [{"advert": "pellock-2", "rank": 1}]})


def test_a_photo_is_decoded_and_computed_once(
    batch: Path, tmp_path: Path, tiny_network: Path, count: Callable[[], tuple[int, int]]
) -> None:
    out = tmp_path / "out"
    screen(batch, out, weights=tiny_network)
    decoded, computed = count()
    assert (decoded, computed) == (5, 3)  # of the photo that two adverts share, the network sees one

    first = contents(out)
    done = screen(batch, out, weights=tiny_network)
    assert count() == (1, 0)  # the broken file is tried again
    assert done.known_before == 4
    unchanged = {name: digest for name, digest in contents(out).items() if name != "maskline.sqlite"}
    assert unchanged == {name: digest for name, digest in first.items() if name != "maskline.sqlite"}

    write_photo(batch / "pellock-2" / "new.jpg", 9)
    done = screen(batch, out, weights=tiny_network)
    assert count() == (2, 1)
    assert (done.photos, done.known_before) == (5, 4)
    assert "new.jpg" in (out / "findings.jsonl").read_text(encoding="utf-8")


def test_a_stopped_run_goes_on_where_it_was(
    batch: Path, tmp_path: Path, tiny_network: Path, count: Callable[[], tuple[int, int]]
) -> None:
    out = tmp_path / "out"

    def stop(done: int, total: int) -> None:
        if done == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        screen(batch, out, weights=tiny_network, progress=stop)
    assert count()[1] == 2
    assert not (out / "shortlist.json").exists()
    done = screen(batch, out, weights=tiny_network)
    assert count()[1] == 1
    assert done.photos == 4


def test_few_photos_are_in_memory_at_once(
    tmp_path: Path, tiny_network: Path, count: Callable[[], tuple[int, int]]
) -> None:
    for number in range(12):
        write_photo(tmp_path / "batch" / "a" / f"{number}.jpg", number)
    ahead: list[int] = []
    decoded = 0

    def watch(done: int, total: int) -> None:
        nonlocal decoded
        decoded += count()[0]
        ahead.append(decoded - done)

    screen(tmp_path / "batch", tmp_path / "out", weights=tiny_network, threads=4, progress=watch)
    assert max(ahead) <= screening.AHEAD


def test_another_network_looks_again(
    batch: Path, tmp_path: Path, tiny_network: Path, count: Callable[[], tuple[int, int]]
) -> None:
    out, other = tmp_path / "out", tmp_path / "other"
    screen(batch, out, weights=tiny_network)
    shutil.copytree(tiny_network, other)
    manifest = json.loads((other / "cue_network.json").read_text(encoding="utf-8"))
    write_manifest(other, manifest["digests"])
    manifest["name"] = "other"
    (other / "cue_network.json").write_text(json.dumps(manifest), encoding="utf-8")
    count()
    screen(batch, out, weights=other)
    assert count()[1] == 3


def test_pictures_that_were_deleted_are_made_again(
    batch: Path, tmp_path: Path, tiny_network: Path, count: Callable[[], tuple[int, int]]
) -> None:
    out = tmp_path / "out"
    screen(batch, out, weights=tiny_network)
    before = contents(out / "crops")
    shutil.rmtree(out / "crops")
    count()
    screen(batch, out, weights=tiny_network)
    assert count()[1] == 3
    assert contents(out / "crops") == before


def test_a_photo_that_left_the_batch_leaves_the_outputs(batch: Path, tmp_path: Path, tiny_network: Path) -> None:
    out = tmp_path / "out"
    screen(batch, out, weights=tiny_network)
    gone = next(photo.sha256 for photo in findings_in(out) if photo.photo == "b.jpg")
    (batch / "brindle-1" / "b.jpg").unlink()
    screen(batch, out, weights=tiny_network)
    assert {photo.photo for photo in findings_in(out)} == {"a.jpg", "c.jpg", "d.jpg"}
    assert not (out / "crops" / gone[:16]).exists()
    assert not list((out / "report" / "images").glob(f"{gone[:16]}*"))


def test_a_batch_of_nothing_but_bad_photos_still_lists_them(tmp_path: Path, tiny_network: Path) -> None:
    (tmp_path / "batch" / "a").mkdir(parents=True)
    (tmp_path / "batch" / "a" / "x.jpg").write_bytes(b"\xff\xd8\xff\xe0 cut short")
    done = screen(tmp_path / "batch", tmp_path / "out", weights=tiny_network)
    assert done.photos == 0 and len(done.set_aside) == 1
    assert done.shortlist.adverts[0].decision == "not_enough_seen"
    assert (tmp_path / "out" / "findings.jsonl").read_text(encoding="utf-8") == ""


def test_a_zip_and_a_table_give_the_same_findings(batch: Path, tmp_path: Path, tiny_network: Path) -> None:
    archive = Path(shutil.make_archive(str(tmp_path / "adverts"), "zip", batch))
    table = tmp_path / "adverts.csv"
    photos = sorted(batch.rglob("*.jpg"))
    rows = "".join(f"{path.parent.name},{path.relative_to(tmp_path)}\n" for path in photos)
    table.write_text(f"advert,photo\n{rows}", encoding="utf-8")
    for number, source in enumerate((batch, archive, table)):
        screen(source, tmp_path / f"out{number}", weights=tiny_network)
    assert findings_in(tmp_path / "out0") == findings_in(tmp_path / "out1") == findings_in(tmp_path / "out2")


# --- colour --------------------------------------------------------------------------------------------------------


@pytest.fixture
def painted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Path, Path]:
    """A batch of one advert whose green vehicle has a door in another paint, and a folder with a reference for it.

    The network sees paint, zones and kind of view rightly, and no cues.
    """
    made = made_side((GREEN, (46.0, -13.0, 21.0), GREEN), np.random.default_rng(0))  # lighter, of the same hue
    plain = made_side((GREEN, GREEN, GREEN), np.random.default_rng(1))
    batch, references = tmp_path / "painted", tmp_path / "references"
    for path, photo in (
        (batch / "pellock-3" / "side.png", made.photo),
        (references / "OW 503" / "known.png", plain.photo),
    ):
        path.parent.mkdir(parents=True)
        cv2.imwrite(str(path), cv2.cvtColor(photo.srgb, cv2.COLOR_RGB2BGR))
    (batch / "pellock-3" / "advert.yaml").write_text(
        "build_sheet: pellock\nyear: 1980\npaint_code: OW 301\ndocument_colour: green\n", encoding="utf-8"
    )
    cues = list(CUE_COLOURS)
    maps = dataclasses.replace(
        made.maps,
        cue_probability=np.zeros((len(cues), *made.maps.surfaces.shape[1:]), np.float32),
        cue_scores=dict.fromkeys(cues, 0.01),
    )
    monkeypatch.setattr(CueNetwork, "run", lambda self, photos: [maps for _ in photos])
    return batch, references


def test_colour_is_measured_weighed_and_written(painted: tuple[Path, Path], tmp_path: Path, tiny_network: Path) -> None:
    batch, references = painted
    out = tmp_path / "out"
    done = screen(batch, out, weights=tiny_network, paints=demo_table(), references=references)
    assert (done.photos, done.set_aside) == (1, ())
    (photo,) = findings_in(out)  # a reference is no photo of the batch
    gaps = [measure for measure in photo.measures if measure.cue == "panel_mismatch"]
    assert len(gaps) == 2 and all(gap.unit == "dE00" and gap.uncertainty > 0 and gap.regions for gap in gaps)
    (row,) = Shortlist.model_validate_json((out / "shortlist.json").read_text(encoding="utf-8")).adverts
    assert row.colour is not None
    assert {measure.cue for measure in row.colour.measures} == {"body_colour", "code_mismatch"}
    assert max(row.colour.families, key=lambda name: row.colour.families[name]) == "green"  # type: ignore[union-attr]
    assert sum(fit.probability for fit in row.colour.paints) + (row.colour.no_paint or 0) <= 1 + 1e-9
    assert row.colour.paints_ranked >= len(row.colour.paints) == PAINTS_TOLD
    assert [(pair.first, pair.second, pair.agreement) for pair in row.colour.comparisons] == [
        ("paint code in the advert", "registration document", "disagree"),
        ("paint code in the advert", "photos", "disagree"),
        ("registration document", "photos", "agree"),
    ]
    schema = outputs.output_schema()
    content = json.loads((out / "shortlist.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator({**schema["files"]["shortlist.json"], "$defs": schema["$defs"]}).validate(content)
    for measure in gaps:
        (place,) = measure.regions
        name = f"panel_mismatch-{place.x}-{place.y}-{place.width}-{place.height}.jpg"
        assert (out / "crops" / photo.sha256[:16] / name).is_file()
        assert (out / "report" / "images" / f"{photo.sha256[:16]}-{name}").is_file()
    (near,) = row.colour.references
    assert (near.photo, near.reference, near.code) == ("side.png", "known.png", "OW 503")
    assert (out / "crops" / near.sha256[:16] / "photo.jpg").is_file()
    assert {"panel_mismatch", "code_mismatch"} <= {weight.cue for weight in row.weights}
    assert any("does not agree with the photos" in note for note in row.notes)


def test_colour_is_not_measured_again_unless_the_table_changes(
    painted: tuple[Path, Path], tmp_path: Path, tiny_network: Path, count: Callable[[], tuple[int, int]]
) -> None:
    batch, references = painted
    out = tmp_path / "out"
    tables = (demo_table(), demo_table(), demo_table()[:3])
    for paints, seen in zip(tables, (2, 0, 2), strict=True):
        screen(batch, out, weights=tiny_network, paints=paints, references=references)
        assert count()[1] == seen
    done = screen(batch, out, weights=tiny_network, paints=tables[-1])
    (row,) = done.shortlist.adverts
    assert count()[1] == 0 and row.colour is not None and row.colour.references == ()


def test_a_reference_without_paint_is_set_aside(painted: tuple[Path, Path], tmp_path: Path, tiny_network: Path) -> None:
    batch, references = painted
    pixels = np.full((600, 800, 3), 128, np.uint8)  # nothing sharp in it
    cv2.imwrite(str(references / "OW 503" / "plain.png"), pixels)
    done = screen(batch, tmp_path / "out", weights=tiny_network, references=references)
    (aside,) = done.set_aside
    assert (aside.advert, aside.photo) == ("reference OW 503", "plain.png")
    assert aside.fault == "it shows too little paint to measure"
    with pytest.raises(
        ConfigError, match="there is no such folder; name the folder that holds one folder a paint code"
    ):
        screen(batch, tmp_path / "other", weights=tiny_network, references=tmp_path / "nowhere")


def test_outputs_never_go_where_they_would_change_something(batch: Path, tmp_path: Path, tiny_network: Path) -> None:
    inside = r"the outputs would lie inside the batch, which is never changed; choose an --out beside it"
    for out in (batch, batch / "out", batch / "brindle-1" / ".." / "x"):
        with pytest.raises(UsageError, match=inside):
            screen(batch, out, weights=tiny_network)
    (tmp_path / "link").symlink_to(batch, target_is_directory=True)
    with pytest.raises(UsageError, match=inside):
        screen(batch, tmp_path / "link" / "out", weights=tiny_network)
    with pytest.raises(UsageError, match="the batch lies where the outputs go; choose another --out"):
        screen(batch.rename(tmp_path / "crops"), tmp_path, weights=tiny_network)
    (tmp_path / "file").write_text("mine", encoding="utf-8")
    with pytest.raises(UsageError, match="it is a file; name a folder for the outputs"):
        screen(tmp_path / "crops", tmp_path / "file", weights=tiny_network)
    (tmp_path / "mine" / "report").mkdir(parents=True)
    with pytest.raises(UsageError, match="it holds a 'report' that no screening wrote; choose a new or empty folder"):
        screen(tmp_path / "crops", tmp_path / "mine", weights=tiny_network)


def test_what_cannot_be_done_is_one_sentence(batch: Path, tmp_path: Path, tiny_network: Path) -> None:
    with pytest.raises(BatchError, match="there is no such folder or file; check the name"):
        screen(tmp_path / "nowhere", tmp_path / "out", weights=tiny_network)
    with pytest.raises(WeightsError):
        screen(batch, tmp_path / "out", weights=tmp_path)
    assert not (tmp_path / "out").exists()
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(ScreeningError, match=r"the folder cannot be made \(Not a directory\); choose another --out"):
        screen(batch, tmp_path / "file" / "out", weights=tiny_network)


def test_tables_that_cannot_be_written_say_so(tmp_path: Path) -> None:
    with pytest.raises(
        ScreeningError, match=r"it cannot be written \(No such file or directory\); free space or choose"
    ):
        outputs.write_tables(tmp_path / "missing", Shortlist(adverts=()), {}, [])
