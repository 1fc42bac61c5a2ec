"""Requests: the expected gain against published values and plain enumeration; what is asked, and when to stop."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from scipy.stats import entropy

from pipeline.build_sheets import read_build_sheet
from pipeline.coverage import cue_entries, shot_entries
from pipeline.errors import ConfigError
from pipeline.evidence import decide, weigh
from pipeline.histories import WeighingSettings
from pipeline.photo_requests import Trial, expected_gain_bits, rank_requests, read_catalogue, trials_of
from pipeline.records import HISTORIES, Level, PhotoFindings
from tests.pipeline.enumeration import Observation, joint
from tests.pipeline.sightings import (
    OUTSIDE,
    RATES,
    TAUGHT,
    alarm,
    clean_advert,
    photo,
    refinished_advert,
    textbook,
)

SETTINGS = WeighingSettings.shipped()
PELLOCK, BRINDLE = read_build_sheet("pellock"), read_build_sheet("brindle")
OUTSIDE_ONLY = [photo("front.jpg", "exterior", OUTSIDE)]


def bits(table: dict[str, list[float]]) -> float:
    """Mutual information of a table of P(history and outcome), from SciPy's entropies: H(row) + H(column) - H(both)."""
    both = np.array([table[history] for history in HISTORIES])
    return float(entropy(both.sum(1), base=2) + entropy(both.sum(0), base=2) - entropy(both.ravel(), base=2))


@pytest.mark.parametrize(("error", "capacity"), [(0.11, 0.5001), (0.1, 0.5310), (0.25, 0.1887)])
def test_a_test_that_errs_alike_both_ways_tells_what_a_noisy_channel_carries(error: float, capacity: float) -> None:
    # Shannon (1948): a binary symmetric channel carries 1 - H(error) bits; 0.11 -> one half, the textbook case (Cover
    # and Thomas, Elements of Information Theory, 7.1.4). Here: history at even odds in, alarm or none out
    assumed, rates = textbook(0.5, 1 - error, error)
    start = weigh([], PELLOCK, rates, assumed)
    (trial,) = trials_of("glazing_seal", "close_up", start, rates)
    assert expected_gain_bits(start.model, start.belief, [trial]) == pytest.approx(capacity, abs=5e-5)


@pytest.mark.parametrize("findings", [[], OUTSIDE_ONLY, refinished_advert()[2:3]])
@pytest.mark.parametrize(
    ("zone", "shot"), [("door_shut", "close_up"), ("rear_crossmember", "rear"), ("front_trim_clip", "close_up")]
)
def test_the_gain_is_that_of_plain_enumeration(findings: list[PhotoFindings], zone: str, shot: str) -> None:
    verdict = weigh(findings, BRINDLE, RATES, SETTINGS)
    trials = trials_of(zone, shot, verdict, RATES)
    seen = [Observation(p.cue, p.zone or "", p.side, p.ratio, 1.0) for p in verdict.pieces]
    assert trials and zone not in {p.zone for p in verdict.pieces}
    reach = SETTINGS.looks.reach[shot] * (1 - SETTINGS.looks.covered.get(zone, 0.0))
    table: dict[str, list[float]] = {history: [] for history in HISTORIES}
    for outcome in product((True, False), repeat=len(trials)):
        asked = []
        for found, trial in zip(outcome, trials, strict=True):
            s, f = 0.72 * reach, max(0.035, 0.72 * reach / 10**1.3)
            asked.append(Observation(trial.cue, zone, None, s if found else 1 - s, f if found else 1 - f))
        for history, chance in joint([*seen, *asked], BRINDLE, SETTINGS).items():
            table[history].append(chance)
    assert expected_gain_bits(verdict.model, verdict.belief, trials) == pytest.approx(bits(table), rel=1e-6)


def test_a_nearer_look_tells_only_what_the_first_could_not() -> None:
    # one cue, seen clean from outside (reach 0.3), then asked for as a close-up (reach 1): both looks enumerated
    # together
    rates = {"wear_through": RATES["wear_through"]}
    far = [photo("far.jpg", "exterior", ("tub_side",), score=0.0)]
    verdict = weigh(far, BRINDLE, rates, SETTINGS)
    (trial,) = trials_of("tub_side", "close_up", verdict, rates)
    s, f, before = 0.72, max(0.035, trial.false_alarm), 0.3
    table: dict[str, list[float]] = {}
    outcomes = ((s * (1 - before), (1 - 0.035) * f), (1 - s, (1 - 0.035) * (1 - f)))  # none then alarm; none twice
    for if_there, if_absent in outcomes:
        chances = joint([Observation("wear_through", "tub_side", None, if_there, if_absent)], BRINDLE, SETTINGS)
        for history, chance in chances.items():
            table.setdefault(history, []).append(chance)
    assert expected_gain_bits(verdict.model, verdict.belief, [trial]) == pytest.approx(bits(table), rel=1e-6)


def test_what_the_limit_never_finds_is_asked_for_where_a_lower_level_tells() -> None:
    none, most = (
        Level(score=score, sensitivity=(found,) * 3, false_alarm=(0.01,) * 3, ordinary=share)
        for score, found, share in ((0.99, 0.0, 0.01), (0.6, 0.7, 0.1))
    )
    at_limit = RATES["overspray_hidden"].model_copy(
        update={"sensitivity": none.sensitivity, "false_alarm": none.false_alarm, "levels": (none,)}
    )
    nothing, something = (
        {"overspray_hidden": at_limit.model_copy(update={"levels": levels})} for levels in ((none,), (none, most))
    )
    assert trials_of("wiring", "close_up", weigh([], PELLOCK, nothing, SETTINGS), nothing) == ()
    (trial,) = trials_of("wiring", "close_up", weigh([], PELLOCK, something, SETTINGS), something)
    covered = SETTINGS.looks.covered["wiring"]  # of these vehicles something hides it
    assert (trial.sensitivity, trial.false_alarm) == (pytest.approx(0.7 * (1 - covered)), pytest.approx(0.1))


def test_the_gain_is_never_negative_nor_more_than_is_open() -> None:
    verdict = weigh(OUTSIDE_ONLY, PELLOCK, RATES, SETTINGS)
    open_bits = -sum(p * np.log2(p) for p in verdict.history.values())
    for zone, shots in read_catalogue().photos.items():
        for shot in shots:
            gain = expected_gain_bits(verdict.model, verdict.belief, trials_of(zone, shot, verdict, RATES))
            assert 0 <= gain < open_bits


def test_a_trial_of_pure_noise_gains_nothing() -> None:
    verdict = weigh([], PELLOCK, RATES, SETTINGS)
    there = verdict.model.there("masking_edge", "door_shut", None)
    noise = Trial("masking_edge", there, 0.2, 0.2)
    assert expected_gain_bits(verdict.model, verdict.belief, [noise]) == pytest.approx(0, abs=1e-12)
    assert noise.ratio(True) == noise.ratio(False) == 1


def test_what_was_seen_well_is_not_asked_for_again() -> None:
    verdict = weigh(clean_advert(), PELLOCK, RATES, SETTINGS)
    assert trials_of("glazing_seal", "close_up", verdict, RATES) == ()
    assert trials_of("door_shut", "door_open", verdict, RATES) == ()
    assert trials_of("chassis_rail", "underside", verdict, RATES)


def test_what_the_factory_painted_is_not_asked_for() -> None:
    start = weigh([], PELLOCK, RATES, SETTINGS)
    cues = {trial.cue for trial in trials_of("tub_side", "close_up", start, RATES)}
    assert cues and "painted_fastener" not in cues


def test_cues_of_one_group_are_asked_once_a_place() -> None:
    start = weigh([], BRINDLE, RATES, SETTINGS)
    groups = [cue_entries()[trial.cue].group for trial in trials_of("door_shut", "close_up", start, RATES)]
    assert len(groups) == len(set(groups)) > 1


def test_requests_are_ranked_one_a_zone_and_few() -> None:
    requests = rank_requests(weigh(OUTSIDE_ONLY, PELLOCK, RATES, SETTINGS), RATES)
    gains = [request.gain_bits for request in requests]
    assert gains == sorted(gains, reverse=True) and gains[-1] >= SETTINGS.requests.least_bits
    assert len({request.zone for request in requests}) == len(requests) == SETTINGS.requests.most
    first = requests[0]
    assert (first.zone, first.shot) == ("door_shut", "close_up")
    assert "pull the seal back" in first.text and "light from the side" in first.text  # trade.md


def test_nothing_is_asked_where_no_answer_would_change_the_decision() -> None:
    verdict = weigh(refinished_advert(), PELLOCK, RATES, SETTINGS)
    assert verdict.decision == "likely_refinished" and rank_requests(verdict, RATES) == ()


def test_what_is_asked_can_change_the_decision() -> None:
    findings = [*clean_advert(), photo("x.jpg", zones=(), alarms={"wear_through": alarm("sill_rail", "left")})]
    verdict = weigh(findings, PELLOCK, RATES, SETTINGS)
    requests = rank_requests(verdict, RATES)
    assert verdict.decision == "ask_first" and requests
    decisions = set()
    for alarms in (True, False):
        belief = verdict.belief
        for request in requests:
            for trial in trials_of(request.zone, request.shot, verdict, RATES):
                belief, _ = belief.after(trial.cue, trial.there, trial.ratio(alarms))
        decisions.add(decide(1 - float(verdict.model.histories(belief)[0]), 1.0, True, SETTINGS))
    assert decisions > {"ask_first"} or decisions == {"likely_factory", "likely_refinished"}


def test_an_advert_without_photos_is_asked_for_the_places_that_tell_most() -> None:
    requests = rank_requests(weigh([], PELLOCK, RATES, SETTINGS), RATES)
    assert len(requests) == SETTINGS.requests.most
    assert all(request.shot in shot_entries() and request.text for request in requests)


def test_no_photo_is_asked_of_a_place_that_the_network_was_not_taught() -> None:
    taught, untaught = (weigh([], PELLOCK, RATES, SETTINGS, hidden=zones) for zones in ((), ("floor",)))
    assert trials_of("floor", "close_up", taught, RATES)
    assert not trials_of("floor", "close_up", untaught, RATES)
    assert "floor" not in {request.zone for request in rank_requests(untaught, RATES)}
    assert untaught.coverage["floor"] == "not_seen"


def test_a_network_that_learnt_nothing_asks_for_nothing() -> None:
    assert rank_requests(weigh([], PELLOCK, {}, SETTINGS), {}) == ()


def test_the_catalogue_tells_how_to_take_a_photo_of_every_place_a_cue_is_looked_for() -> None:
    photos = read_catalogue().photos
    assert {zone for cue in TAUGHT for zone in cue_entries()[cue].zones} <= set(photos)
    # design section 10 and trade.md: nobody is sent under a vehicle
    assert all("don't go under" in text for text in photos["chassis_rail"].values())


def test_an_unknown_language_is_told() -> None:
    with pytest.raises(ConfigError, match="use one of de, en, es, fr"):
        read_catalogue("xx")
