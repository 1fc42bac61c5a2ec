"""What a screening keeps, and that it is either there whole or not at all."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from pipeline.errors import ScreeningError, UsageError
from pipeline.readings import Reading
from pipeline.records import AdvertDetails, Before, CueRates, Measure, SetAside, Shortlist
from pipeline.store import FILE, Screened, Store, read_result, whole_file
from tests.pipeline.examples import box, photo_findings, result

SCREENED = Screened(
    adverts={"pellock-1": AdvertDetails(title="Pellock"), "brindle-2": AdvertDetails()},
    set_aside=(SetAside(advert="brindle-2", photo="x.jpg", fault="the file is empty", remedy="fetch it again"),),
    rates={
        "masking_edge": CueRates(sensitivity=(0.7, 0.8, 0.9), false_alarm=(0.0, 0.01, 0.02), positives=9, negatives=99)
    },
    made_with="Made with a test.",
)
FIRST, SECOND = "1" * 64, "2" * 64


def test_a_kept_photo_comes_back_as_it_was(tmp_path: Path) -> None:
    findings = photo_findings("a.jpg", FIRST, boxes=(box(),))
    with Store.open(tmp_path) as store:
        store.keep("look", findings, "0123456789abcdef")
    with Store.open(tmp_path) as store:
        finished = store.finished(FIRST, "look")
        assert finished is not None
        assert finished.findings == findings
        assert finished.perceptual_hash == "0123456789abcdef"
        assert store.looked_at("look") == {FIRST}


def test_a_photo_counts_as_finished_only_under_the_same_look(tmp_path: Path) -> None:
    with Store.open(tmp_path) as store:
        store.keep("old network", photo_findings("a.jpg", FIRST), "0" * 16)
        assert store.finished(FIRST, "new network") is None
        assert store.looked_at("new network") == frozenset()
        store.keep("new network", photo_findings("a.jpg", FIRST), "0" * 16)
        assert store.finished(FIRST, "old network") is None  # its pictures were replaced too


def screened(store: Store, out: Path, adverts: dict[str, AdvertDetails], photos: list[str], refinished: float) -> None:
    """One screening of `brindle-2` and its photos, with what was thought of it then."""
    for sha256 in photos:
        store.keep("look", photo_findings("a.jpg", sha256), "1" * 16)
    store.set_batch(
        SCREENED.model_copy(update={"adverts": adverts}), [("brindle-2", f"{sha[0]}.jpg", sha) for sha in photos]
    )
    thought = result("brindle-2", decision="ask_first").model_copy(update={"refinished": refinished})
    (out / "shortlist.json").write_text(Shortlist(adverts=(thought,)).model_dump_json(), encoding="utf-8")


def before_of(store: Store) -> Before | None:
    return store.screened().as_adverts()[0].before


def test_what_an_advert_was_before_it_changed_is_kept_until_it_changes_again(tmp_path: Path) -> None:
    dear, cheap = ({"brindle-2": AdvertDetails(price=price)} for price in (9000, 8000))
    with Store.open(tmp_path) as store:
        screened(store, tmp_path, dear, [FIRST], 0.5)
        assert before_of(store) is None
        screened(store, tmp_path, dear, [FIRST], 0.6)
        assert before_of(store) is None  # nothing changed
        screened(store, tmp_path, cheap, [FIRST], 0.7)
        changed = Before(details=dear["brindle-2"], photos=(FIRST,), refinished=0.6, decision="ask_first")
        assert before_of(store) == changed
        screened(store, tmp_path, cheap, [FIRST], 0.7)
        assert before_of(store) == changed  # still the last change
        screened(store, tmp_path, cheap, [SECOND, FIRST], 0.8)
        assert before_of(store) == changed.model_copy(update={"details": cheap["brindle-2"], "refinished": 0.7})


def test_a_shortlist_that_is_lost_takes_only_what_was_thought(tmp_path: Path) -> None:
    with Store.open(tmp_path) as store:
        screened(store, tmp_path, {"brindle-2": AdvertDetails()}, [FIRST], 0.5)
        (tmp_path / "shortlist.json").write_text("torn", encoding="utf-8")
        screened(store, tmp_path, {"brindle-2": AdvertDetails(year=1980)}, [FIRST], 0.5)
        assert before_of(store) == Before(details=AdvertDetails(), photos=(FIRST,))


def test_findings_come_in_reading_order_under_the_names_of_this_batch(tmp_path: Path) -> None:
    with Store.open(tmp_path) as store:
        store.keep("look", photo_findings("old name.jpg", FIRST, advert="elsewhere"), "1" * 16)
        store.keep("look", photo_findings("b.jpg", SECOND), "2" * 16)
        store.set_batch(
            SCREENED, [("pellock-1", "b.jpg", SECOND), ("pellock-1", "a.jpg", FIRST), ("brindle-2", "c.jpg", FIRST)]
        )
        found = store.findings("pellock-1")
        assert [(photo.advert, photo.photo, photo.sha256) for photo in found] == [
            ("pellock-1", "b.jpg", SECOND),
            ("pellock-1", "a.jpg", FIRST),
        ]
        assert list(store.hashes()) == [
            ("pellock-1", "b.jpg", SECOND, "2" * 16),
            ("pellock-1", "a.jpg", FIRST, "1" * 16),
            ("brindle-2", "c.jpg", FIRST, "1" * 16),
        ]
        assert store.findings("nobody") == ()


def test_photos_that_left_the_batch_are_forgotten(tmp_path: Path) -> None:
    with Store.open(tmp_path) as store:
        store.keep("look", photo_findings("a.jpg", FIRST), "1" * 16)
        store.keep("look", photo_findings("b.jpg", SECOND), "2" * 16)
        store.set_batch(SCREENED, [("pellock-1", "b.jpg", SECOND)])
        assert store.looked_at("look") == {SECOND}


def test_a_batch_that_cannot_be_set_leaves_the_one_before(tmp_path: Path) -> None:
    with Store.open(tmp_path) as store:
        store.keep("look", photo_findings("a.jpg", FIRST), "1" * 16)
        store.set_batch(SCREENED, [("pellock-1", "a.jpg", FIRST)])
        with pytest.raises(sqlite3.IntegrityError):
            store.set_batch(SCREENED, [("pellock-1", "twice.jpg", FIRST), ("pellock-1", "twice.jpg", FIRST)])
        assert [photo.photo for photo in store.findings("pellock-1")] == ["a.jpg"]


def test_what_is_needed_to_weigh_again_is_kept(tmp_path: Path) -> None:
    with Store.open(tmp_path) as store:
        with pytest.raises(
            UsageError, match=r"maskline\.sqlite: no screening was finished here; run maskline screen first"
        ):
            store.screened()
        store.set_batch(SCREENED, [])
    with Store.open(tmp_path) as store:
        assert store.screened() == SCREENED
        assert [advert.name for advert in store.screened().as_adverts()] == ["pellock-1", "brindle-2"]


def test_readings_are_kept_by_advert_and_the_later_ones_count(tmp_path: Path) -> None:
    first = Measure(cue="film_thickness", value=210, unit="um", uncertainty=8, zone="bonnet", panel="bonnet")
    second = first.model_copy(update={"value": 130.0})
    with Store.open(tmp_path) as store:
        store.keep_readings("pellock-1", [Reading("bonnet", 210.0, 2)], [first])
        store.keep_readings("pellock-1", [Reading("bonnet", 130.0, 2)], [second])
        store.keep_readings("brindle-2", [], [])
        store.set_batch(SCREENED, [])
        assert store.measures() == {"brindle-2": (), "pellock-1": (second,)}
        assert store.readings("pellock-1") == (Reading("bonnet", 130.0, 2),)
        assert store.readings("brindle-2") == store.readings("nobody") == ()


def test_two_runs_cannot_write_to_one_folder(tmp_path: Path) -> None:
    with (
        Store.open(tmp_path),
        pytest.raises(
            ScreeningError,
            match=r"maskline\.sqlite: it is open in another process, such as maskline judge or maskline screen; end",
        ),
    ):
        Store.open(tmp_path)


def test_a_damaged_state_says_what_to_do(tmp_path: Path) -> None:
    (tmp_path / FILE).write_bytes(b"this is no database, but long enough to look at" * 50)
    with pytest.raises(
        ScreeningError, match=r"the state of earlier runs is damaged \(.*\); delete the file to start afresh"
    ):
        Store.open(tmp_path)


def test_a_folder_that_cannot_hold_the_state_says_so(tmp_path: Path) -> None:
    with pytest.raises(ScreeningError, match=r"it cannot be written \(unable to open .*\); check permissions and free"):
        Store.open(tmp_path / "missing")


def test_state_of_a_newer_version_is_left_alone(tmp_path: Path) -> None:
    with sqlite3.connect(tmp_path / FILE) as connection:
        connection.execute("PRAGMA user_version = 99")
    connection.close()
    with pytest.raises(
        ScreeningError, match="a newer version of maskline wrote this folder; update maskline or choose"
    ):
        Store.open(tmp_path)


def test_a_file_appears_whole_or_not_at_all(tmp_path: Path) -> None:
    path = tmp_path / "table.csv"
    path.write_text("before", encoding="utf-8")
    with pytest.raises(RuntimeError), whole_file(path) as stream:
        stream.write("half")
        raise RuntimeError
    assert path.read_text(encoding="utf-8") == "before"
    with whole_file(path) as stream:
        stream.write("after ΔE")
    assert path.read_text(encoding="utf-8") == "after ΔE"
    assert [item.name for item in tmp_path.iterdir()] == ["table.csv"]


def test_an_earlier_result_is_read_by_the_adverts_name(tmp_path: Path) -> None:
    first, second = result("pellock-1", 1), result("brindle-2", 2)
    content = Shortlist(adverts=(first, second)).model_dump_json()
    (tmp_path / "shortlist.json").write_text(content, encoding="utf-8")
    assert read_result(tmp_path, "brindle-2") == second
    with pytest.raises(UsageError, match="it has no advert 'brindle2'; use a name of the shortlist, such as brindle-2"):
        read_result(tmp_path, "brindle2")
    with pytest.raises(UsageError, match="no screening was written there; name the --out folder of a screening"):
        read_result(tmp_path / "elsewhere", "brindle-2")
    (tmp_path / "shortlist.json").write_text(content[:100], encoding="utf-8")
    with pytest.raises(ScreeningError, match="it is damaged or of another version; screen the batch again"):
        read_result(tmp_path, "brindle-2")
