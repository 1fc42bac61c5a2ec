"""Coverage: seen, shown but not to be judged, not seen; a photo that shows nothing adds nothing."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from pipeline.coverage import (
    best_reach,
    coverage_of,
    cue_entries,
    distinct_photos,
    hidden_zones,
    shot_entries,
    zone_entries,
    zones_shown,
)
from pipeline.histories import WeighingSettings
from pipeline.records import CUES, SHOTS, ZONES, AdvertDetails, CueFinding, PhotoFindings
from tests.pipeline.sightings import DOOR, OUTSIDE, TAUGHT, photo

LOOKS = WeighingSettings.shipped().looks


def test_the_vocabularies_are_the_contracts() -> None:
    assert (set(zone_entries()), set(shot_entries()), set(cue_entries())) == (set(ZONES), set(SHOTS), set(CUES))
    assert all(set(entry.shows) <= set(ZONES) for entry in shot_entries().values())
    assert all(set(entry.zones) <= set(ZONES) for entry in cue_entries().values())
    assert set(LOOKS.reach) == set(SHOTS)


def test_every_zone_has_a_state() -> None:
    assert set(coverage_of([], LOOKS).values()) == {"not_seen"}
    assert list(coverage_of([], LOOKS)) == list(ZONES)


def test_what_a_good_photo_shows_is_seen_and_nothing_else() -> None:
    states = coverage_of([photo("door.jpg", "door_open", DOOR)], LOOKS)
    assert {zone for zone, state in states.items() if state == "seen"} == set(DOOR)
    assert {state for zone, state in states.items() if zone not in DOOR} == {"not_seen"}


def test_a_place_no_taught_cue_looks_at_is_not_assessable() -> None:
    # roof: only film_defect, coarse_texture and measured colour are looked for there, which the network was not taught
    assert not {cue for cue in TAUGHT if "roof" in cue_entries()[cue].zones}
    states = coverage_of([photo("front.jpg", "exterior", OUTSIDE)], LOOKS)
    assert states["roof"] == "not_assessable" and states["bonnet"] == "seen"


def test_a_cue_hidden_under_fresh_underseal_leaves_its_place_not_assessable() -> None:
    hidden = CueFinding(score=None, assessable=False)
    under = photo("under.jpg", "underside", ("chassis_rail",), {"overspray_hidden": hidden})
    assert coverage_of([under], LOOKS)["chassis_rail"] == "not_assessable"


def test_a_place_under_fresh_underseal_is_not_assessable_however_well_it_is_shown() -> None:
    under = photo("under.jpg", "underside", ("chassis_rail",))
    assert coverage_of([under], LOOKS)["chassis_rail"] == "seen"
    assert coverage_of([under], LOOKS, {"chassis_rail", "wiring"})["chassis_rail"] == "not_assessable"
    assert coverage_of([under], LOOKS, {"chassis_rail", "wiring"})["wiring"] == "not_seen"


@pytest.mark.parametrize(
    ("text", "zones"),
    [
        ("Freshly undersealed in spring", {"chassis_rail", "rear_crossmember"}),
        ("Neuer UNTERBODENSCHUTZ", {"chassis_rail", "rear_crossmember"}),
        ("Châssis repeint l'an dernier", {"chassis_rail", "rear_crossmember"}),
        ("Cera en los bajos", {"chassis_rail", "rear_crossmember"}),
        ("Engine bay steam cleaned", {"under_bonnet_bracket", "wiring"}),
        ("Kept under a roof, sincere seller", set()),  # 'cere' is inside a word
        ("", set()),
    ],
)
def test_a_sellers_words_tell_what_is_hidden(text: str, zones: set[str]) -> None:
    covers = WeighingSettings.shipped().covers
    assert set(hidden_zones(AdvertDetails(notes=text), covers)) == zones
    assert set(hidden_zones(AdvertDetails(title=text), covers)) == zones


def test_the_user_may_say_what_is_hidden() -> None:
    details = AdvertDetails(hidden=("wiring", "chassis_rail"), notes="waxed")
    hidden = hidden_zones(details, WeighingSettings.shipped().covers)
    assert hidden == {"wiring": "hidden", "chassis_rail": "hidden", "rear_crossmember": "waxed"}
    with pytest.raises(ValidationError, match="there is no zone 'frame'"):
        AdvertDetails(hidden=("frame",))


def test_every_cover_hides_zones_that_exist() -> None:
    settings = WeighingSettings.shipped()
    assert {zone for cover in settings.covers for zone in cover.zones} | set(LOOKS.covered) <= set(ZONES)


@pytest.mark.parametrize(
    ("findings", "state"),
    [
        (photo("a.jpg", "door_open", DOOR, assessable=False), "not_assessable"),
        (photo("a.jpg", "door_open", DOOR, vehicle=0.1), "not_seen"),
        (photo("a.jpg", "document", DOOR), "not_seen"),
        (photo("a.jpg", "engine_bay", DOOR), "not_seen"),  # such a view does not show a hinge, whatever the map says
    ],
)
def test_a_photo_that_cannot_show_a_place_does_not_make_it_seen(findings: PhotoFindings, state: str) -> None:
    assert coverage_of([findings], LOOKS)["hinge"] == state


def test_a_better_photo_of_the_same_place_makes_it_seen() -> None:
    blurred, sharp = photo("a.jpg", "door_open", DOOR, assessable=False), photo("b.jpg", "door_open", DOOR)
    assert coverage_of([blurred, sharp], LOOKS) == coverage_of([sharp], LOOKS)


def test_a_zone_that_fills_next_to_nothing_is_not_shown() -> None:
    small = photo("a.jpg", "door_open", DOOR).model_copy(update={"zones": {"hinge": LOOKS.least_share / 2}})
    assert zones_shown(small, LOOKS) == {}


def test_a_doubtful_shot_has_the_mean_reach() -> None:
    doubtful = photo("a.jpg", zones=("hinge",)).model_copy(update={"shot": {"close_up": 0.5, "interior": 0.5}})
    assert zones_shown(doubtful, LOOKS) == {
        "hinge": pytest.approx(0.5 * LOOKS.reach["close_up"])
    }  # no interior shows it


def test_the_best_photo_of_a_place_tells_its_reach() -> None:
    far, near = photo("far.jpg", "exterior", ("glazing_seal",)), photo("near.jpg", "close_up", ("glazing_seal",))
    assert best_reach([far, near], LOOKS) == {"glazing_seal": LOOKS.reach["close_up"]}


def test_of_repeated_photos_the_best_one_counts() -> None:
    thumbnail = photo("a.jpg", size=(400, 300), assessable=False)
    full = photo("b.jpg", duplicate_of="a.jpg")
    copy = photo("c.jpg", duplicate_of="a.jpg")
    assert [kept.photo for kept in distinct_photos([copy, thumbnail, full])] == ["b.jpg"]
    assert [kept.photo for kept in distinct_photos([photo("a.jpg"), full])] == ["a.jpg"]
