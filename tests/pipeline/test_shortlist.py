"""The shortlist: in the order a buyer wants, nothing lost, and every oddity noted."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from math import prod
from pathlib import Path

import pytest

from pipeline.histories import WeighingSettings
from pipeline.records import (
    HISTORIES,
    Advert,
    AdvertDetails,
    AdvertResult,
    Before,
    Measure,
    PhotoFindings,
    SetAside,
    Shortlist,
)
from pipeline.report.wording import percent
from pipeline.shortlist import ORDER, shortlist
from tests.pipeline.sightings import OUTSIDE, RATES, alarm, clean_advert, photo, refinished_advert

SETTINGS = WeighingSettings.shipped()


def advert(name: str, **details: object) -> Advert:
    return Advert(name, AdvertDetails.model_validate({"build_sheet": "pellock"} | details), ())


def listed(findings: dict[str, Sequence[PhotoFindings]], *adverts: Advert, lost: Sequence[SetAside] = ()) -> Shortlist:
    return shortlist(adverts or [advert(name) for name in findings], findings, lost, RATES, SETTINGS)


def in_the_middle() -> list[PhotoFindings]:
    return [*clean_advert(), photo("x.jpg", zones=(), alarms={"wear_through": alarm("sill_rail", "left")})]


def test_the_order_is_what_a_buyer_wants() -> None:
    result = listed(
        {
            "dark": [photo("a.jpg", "exterior", OUTSIDE, assessable=False)],
            "sprayed": refinished_advert(),
            "open": in_the_middle(),
            "original": clean_advert(),
        }
    )
    assert [(row.rank, row.advert, row.decision) for row in result.adverts] == [
        (1, "original", "likely_factory"),
        (2, "open", "ask_first"),
        (3, "dark", "not_enough_seen"),
        (4, "sprayed", "likely_refinished"),
    ]
    assert [row.decision for row in result.adverts] == list(ORDER)


def test_within_a_decision_the_less_probably_refinished_comes_first() -> None:
    less = [*clean_advert(), photo("under.jpg", "underside", ("chassis_rail",))]
    result = listed({"a": clean_advert(), "b": less})
    assert [row.advert for row in result.adverts] == ["b", "a"]
    assert result.adverts[0].refinished < result.adverts[1].refinished


def test_the_order_of_the_batch_does_not_matter() -> None:
    findings = {"a": clean_advert(), "b": clean_advert(), "c": refinished_advert()}
    backwards = dict(reversed(findings.items()))
    assert listed(findings) == listed(backwards)


def test_nothing_is_lost() -> None:
    lost = [SetAside(advert="empty", photo=name, fault="broken", remedy="send it again") for name in ("a.jpg", "b.jpg")]
    row = listed({}, advert("empty", title="Pellock, one owner", price=9500, currency="EUR"), lost=lost).adverts[0]
    assert (row.photos, row.set_aside, row.title, row.price, row.currency) == (0, 2, "Pellock, one owner", 9500, "EUR")
    assert row.decision == "not_enough_seen" and row.requests and row.coats == 0


def test_the_result_is_written_and_read_back() -> None:
    result = listed({"a": clean_advert(), "b": refinished_advert()})
    assert Shortlist.model_validate_json(result.model_dump_json()) == result


def test_every_probability_opens_to_weights_and_every_weight_to_its_photo() -> None:
    reading = Measure(cue="film_thickness", value=420, unit="um", uncertainty=10, zone="wing_front")
    findings = {"a": clean_advert(), "b": refinished_advert()}
    result = shortlist([advert("a"), advert("b")], findings, (), RATES, SETTINGS, {"b": [reading]})
    for row in result.adverts:
        photos = {photo.photo: photo for photo in findings[row.advert]}
        for weight in row.weights:
            if weight.photo is None:
                assert weight.cue == "film_thickness"  # read at the vehicle
                continue
            shown = photos[weight.photo]
            if weight.box is not None:
                assert weight.box in [box for finding in shown.cues.values() for box in finding.boxes]
            else:
                assert weight.zone in shown.zones
        joint = {h: SETTINGS.prior[h] * prod(w.likelihoods[h] for w in row.weights) for h in HISTORIES}
        assert row.history == pytest.approx({h: p / sum(joint.values()) for h, p in joint.items()}, rel=1e-9)
        assert row.refinished == pytest.approx(1 - row.history["factory"])
        for zone, by_side in row.extent.items():
            for side, chance in by_side.items():
                total = row.extent_before[zone][side] + sum(w.extent[zone][side] for w in row.weights if w.extent)
                assert 1 / (1 + 10 ** (-total / 10)) == pytest.approx(chance, abs=2e-6)


def test_a_photo_shared_with_another_advert_is_noted() -> None:
    shared = photo("rear.jpg", "rear", ("tub_rear",), also_in=("other/back.jpg",))
    (row,) = listed({"a": [*clean_advert(), shared]}).adverts
    assert any("rear.jpg is also in other/back.jpg" in note for note in row.notes)


def test_a_decal_of_another_age_is_a_note_and_weighs_nothing() -> None:
    """On a tailgate of 1971 sits a badge of 1979 to 1991, at its place (the build sheet of the invented Pellock)."""
    at_its_place = Measure(cue="decal_offset", value=3.0, unit="mm", uncertainty=3.0, zone="decal", panel="tailgate")
    rear = photo("rear.jpg", "rear", ("tub_rear",), measures=(at_its_place,))
    of_its_age, older = (
        listed({"a": [*clean_advert(), rear]}, advert("a", year=year)).adverts[0] for year in (1985, 1971)
    )
    said = "The decal maker badge is of 1979 to 1991 and the vehicle of 1971"
    assert any(note.startswith(said) for note in older.notes)
    assert not any("decal" in note for note in of_its_age.notes)
    assert older.refinished == of_its_age.refinished


def test_a_decal_of_another_colour_is_a_note_and_weighs_nothing() -> None:
    """The invented Pellock's badge of 1979 to 1991 is black or grey."""

    def row(colours: str | None) -> AdvertResult:
        offset = Measure(
            cue="decal_offset", value=3.0, unit="mm", uncertainty=3.0, zone="decal", panel="tailgate", text=colours
        )
        rear = photo("rear.jpg", "rear", ("tub_rear",), measures=(offset,))
        return listed({"a": [*clean_advert(), rear]}, advert("a", year=1985)).adverts[0]

    red, dark, untold = (row(colours) for colours in ("red, orange", "black, blue", None))
    said = "The decal maker badge looks red, orange, and the factory's of 1979 to 1991 is black or grey: renewed"
    assert any(note.startswith(said) for note in red.notes)
    assert not any("decal" in note for note in (*dark.notes, *untold.notes))
    assert red.refinished == dark.refinished


def test_what_an_advert_says_to_hide_is_noted_and_clears_nothing() -> None:
    under = [*clean_advert(), photo("under.jpg", "underside", ("chassis_rail",))]
    (row,) = listed({"a": under}, advert("a", notes="Fresh underseal last month")).adverts
    assert row.coverage["chassis_rail"] == "not_assessable"
    assert not any(weight.zone == "chassis_rail" for weight in row.weights)
    places = "chassis rail and rear crossmember"
    assert f"The advert says \u201cunderseal\u201d: nothing found on {places} is no sign of factory paint." in row.notes
    assert not any(request.zone == "chassis_rail" for request in row.requests)


def test_what_changed_since_an_earlier_screening_is_noted() -> None:
    told = AdvertDetails(build_sheet="pellock", price=9000, declared_colour="Marl Green")
    now = advert("a", price=8500, declared_colour="Quarry Sand", title="Pellock")
    before = Before(details=told, photos=("0" * 64, "9" * 64), refinished=0.93, decision="likely_refinished")
    findings = [photo.model_copy(update={"sha256": f"{k}" * 64}) for k, photo in enumerate(clean_advert())]
    (row,) = listed({"a": findings}, replace(now, before=before)).adverts
    assert row.notes[-3:] == (
        "Changed since an earlier screening: title from nothing to \u201cPellock\u201d; price from \u201c9,000\u201d "
        "to \u201c8,500\u201d; declared colour from \u201cMarl Green\u201d to \u201cQuarry Sand\u201d.",
        "Since an earlier screening: 6 photos new, 1 photo gone.",
        f"A refinish was put at 93 % (likely refinished) then and is put at {percent(row.refinished)} (likely factory "
        "paint) now.",
    )


def test_an_advert_that_did_not_change_has_no_such_note() -> None:
    (plain,) = listed({"a": clean_advert()}).adverts
    assert not any("earlier screening" in note for note in plain.notes)


def test_repeats_and_weak_photos_are_noted() -> None:
    repeat = photo("again.jpg", zones=("hinge",), duplicate_of="hinge.jpg")
    (row,) = listed({"a": [*clean_advert(), repeat, photo("dark.jpg", assessable=False)]}).adverts
    assert "1 of 9 photos repeats another one and counts once." in row.notes
    assert "1 of 9 photos is too blurred, dark or small to be judged." in row.notes
    odd = [photo(f"{name}.jpg", assessable=False).model_copy(update={"novelty": 1.2}) for name in ("odd", "odder")]
    (row,) = listed({"a": [*clean_advert(), *odd]}).adverts
    assert (
        "2 of 9 photos are unlike anything the network has learnt, and not judged (but for a code on a plate)."
        in row.notes
    )
    assert not any("too blurred" in note for note in row.notes)


def test_a_decision_that_hangs_on_the_prior_says_so() -> None:
    rows = {row.advert: row for row in listed({"a": clean_advert(), "b": refinished_advert()}).adverts}
    assert any("hangs on what was assumed" in note for note in rows["a"].notes)
    assert not any("hangs on what was assumed" in note for note in rows["b"].notes)


@pytest.mark.parametrize("name", ["heron", "nowhere/heron.yaml"])
def test_a_build_sheet_that_cannot_be_read_is_noted_and_replaced(name: str) -> None:
    findings = {"a": clean_advert()}
    (row,) = listed(findings, advert("a", build_sheet=name)).adverts
    (generic,) = listed(findings, advert("a", build_sheet=None)).adverts
    assert row.notes[0].startswith("Weighed with the build sheet generic_utility, since the one named fails: ")
    assert row.weights == generic.weights and generic.notes == row.notes[1:]


def test_the_users_own_build_sheet_decides(tmp_path: Path) -> None:
    path = tmp_path / "mine.yaml"
    path.write_text(
        "label: mine\nrefines: brindle\n"
        "joints: {wing_rivets: {zone: wing_front, fastening: rivet_painted}, wing_bolts: null}\n"
    )
    findings = {"a": [photo("x.jpg", zones=(), alarms={"painted_fastener": alarm("wing_front")})]}
    (mine,) = listed(findings, advert("a", build_sheet=str(path))).adverts
    (brindle,) = listed(findings, advert("a", build_sheet="brindle")).adverts
    assert mine.weights[0].decibans == 0 < brindle.weights[0].decibans


def test_readings_taken_at_the_vehicle_enter() -> None:
    reading = Measure(cue="film_thickness", value=420, unit="um", uncertainty=10, zone="wing_front")
    without, with_it = (
        shortlist([advert("a")], {"a": clean_advert()}, (), RATES, SETTINGS, measures).adverts[0].refinished
        for measures in ({}, {"a": [reading]})
    )
    assert with_it > without


def test_photos_set_aside_are_counted_by_advert() -> None:
    counts: defaultdict[str, int] = defaultdict(int)
    lost = [SetAside(advert=name, photo="p.jpg", fault="f", remedy="r") for name in ("a", "b", "b")]
    for row in listed({"a": clean_advert(), "b": clean_advert()}, lost=lost).adverts:
        counts[row.advert] = row.set_aside
    assert counts == {"a": 1, "b": 2}
