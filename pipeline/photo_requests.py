"""Which photos to ask the seller for next: those expected to tell most about the paint's history.

A candidate is a zone and a kind of shot. What it would show is not known, so it is ranked by the expected information
gain (Lindley 1956, Annals of Mathematical Statistics 27(4), 986-1005): the mutual information, in bits, between the
history and what the network would report, alarm or none for each cue looked for there, with the network's errors in
it (the same shrunk rates that weigh findings, of that level of the score which tells most). A place already looked at
from further off tells only what the better view adds: what the first look would have found is not found again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import product

import numpy as np
from pydantic import model_validator
from scipy.special import rel_entr

from pipeline.build_sheets import Zone
from pipeline.configuration import Config, load, shipped
from pipeline.coverage import cue_entries, reach_at, shot_entries
from pipeline.errors import ConfigError
from pipeline.evidence import Verdict, decide, share_looked_at
from pipeline.histories import Belief, Floats, PaintModel
from pipeline.records import CueRates, Request


class Question(Config):
    """Something to ask besides photos; left out where the place `unless_seen` was seen."""

    ask: str
    unless_seen: Zone | None = None


class Catalogue(Config):
    """What is asked of a seller in one language (`configs/messages/`, see `en.yaml`). `photos`: by zone and shot."""

    language: str
    name: str
    greeting: str
    opening: str
    opening_untitled: str
    photos_intro: str
    questions_intro: str
    questions: tuple[Question, ...]
    closing: str
    photos: dict[Zone, dict[str, str]]

    @model_validator(mode="after")
    def _shots_are_known(self) -> Catalogue:
        for zone, shots in self.photos.items():
            for shot in shots:
                if shot not in shot_entries() or zone not in shot_entries()[shot].shows:
                    raise ValueError(f"photos.{zone}: no shot '{shot}' shows this zone (configs/shots.yaml)")
        return self


def known_languages() -> tuple[str, ...]:
    """Codes of the languages that maskline can ask in."""
    return tuple(sorted(path.stem for path in shipped("messages").glob("*.yaml")))


@cache
def read_catalogue(language: str = "en") -> Catalogue:
    """The catalogue of a language. Raises ConfigError where there is none or it does not hold."""
    if language not in known_languages():
        raise ConfigError(
            language, "there is no catalogue of messages in this language", f"use one of {', '.join(known_languages())}"
        )
    return load(shipped("messages", f"{language}.yaml"), Catalogue)


@dataclass(frozen=True, slots=True)
class Trial:
    """What one new photo would be asked about one cue: alarm or none.

    `there` (S, K): P(cue there | state, innocent causes); `sensitivity` and `false_alarm` of this look.
    """

    cue: str
    there: Floats
    sensitivity: float
    false_alarm: float

    def ratio(self, alarm: bool) -> float:
        """Likelihood ratio of either outcome."""
        if alarm:
            return self.sensitivity / self.false_alarm
        return (1 - self.sensitivity) / (1 - self.false_alarm)

    def alarm_chance(self, belief: Belief) -> Floats:
        """P(alarm | state), over the innocent causes as far as they are known (S,)."""
        alarm = self.there * self.sensitivity + (1 - self.there) * self.false_alarm
        return np.asarray((np.exp(belief.log_causes[self.cue]) * alarm).sum(axis=1))


def expected_gain_bits(model: PaintModel, belief: Belief, trials: Sequence[Trial]) -> float:
    """Mutual information in bits between the history and the outcomes of all trials together.

    The trials must be of different cues: within a state they are then independent.
    """
    states = np.exp(belief.log_states)
    alarms = [trial.alarm_chance(belief) for trial in trials]
    history = model.histories(belief)
    gain = 0.0
    for outcome in product((True, False), repeat=len(trials)):
        chance = np.ones_like(states)
        for alarm, p in zip(outcome, alarms, strict=True):
            chance = chance * (p if alarm else 1 - p)
        joint = np.bincount(model.history_index, states * chance, len(history))  # P(history, outcome)
        gain += float(rel_entr(joint, history * joint.sum()).sum())
    return max(gain, 0.0) / float(np.log(2))


def trials_of(zone: str, shot: str, verdict: Verdict, rates: Mapping[str, CueRates]) -> tuple[Trial, ...]:
    """What a new photo of this kind would tell of the zone: for each group of cues, the one expected to tell most.

    Cues that the factory's own work would show there, cues already found there, and cues that an earlier look would
    have shown as well are left out; so is a zone where something hides them.
    """
    model, belief = verdict.model, verdict.belief
    reach, before = reach_at(zone, shot, model.settings.looks), verdict.reach.get(zone, 0.0)
    found = {piece.cue for piece in verdict.pieces if piece.zone == zone and piece.is_sighting and not piece.is_faint}
    best: dict[str, tuple[float, Trial]] = {}
    for cue, entry in cue_entries().items():
        if cue not in rates or cue not in model.settings.cues or zone not in entry.zones or cue in found:
            continue
        if model.expected_by_factory(cue, zone) >= 1 or reach <= before or zone in verdict.hidden:
            continue
        for sensitivity, false_alarm in rates[cue].at_worst:  # of the network's levels the one that tells most
            trial = _trial(model, cue, zone, sensitivity, false_alarm, reach, before)
            gain = 0.0 if trial is None else expected_gain_bits(model, belief, [trial])
            if trial is not None and (entry.group not in best or gain > best[entry.group][0]):
                best[entry.group] = (gain, trial)
    return tuple(trial for _, trial in best.values())


def rank_requests(
    verdict: Verdict, rates: Mapping[str, CueRates], catalogue: Catalogue | None = None
) -> tuple[Request, ...]:
    """The photos to ask for next, the most telling first, one for a zone, each with how to take it.

    Empty when nothing asked could change the decision: neither every photo clean nor an alarm in every one of them.
    """
    model, settings = verdict.model, verdict.model.settings
    ranked: list[tuple[float, str, str, tuple[Trial, ...]]] = []
    photos = (catalogue or read_catalogue()).photos
    for zone, shots in photos.items():
        candidates = []
        for shot in shots:
            trials = trials_of(zone, shot, verdict, rates)
            candidates.append((expected_gain_bits(model, verdict.belief, trials), zone, shot, trials))
        best = max(candidates, key=lambda candidate: candidate[0])
        if best[0] >= settings.requests.least_bits:
            ranked.append(best)
    ranked.sort(key=lambda candidate: (-candidate[0], candidate[1]))
    asked = ranked[: settings.requests.most]
    if not _could_change_the_decision(verdict, asked):
        return ()
    return tuple(
        Request(zone=zone, shot=shot, gain_bits=gain, text=photos[zone][shot]) for gain, zone, shot, _ in asked
    )


def _trial(
    model: PaintModel, cue: str, zone: str, s: float, false_alarm: float, reach: float, before: float
) -> Trial | None:
    """The trial of one cue, after an earlier look with reach `before` that found nothing (0: no look).

    The looks are nested: what the view with the smaller reach finds, the other one finds too. With sensitivity `s`,
    P(new alarm | there, none before) = s (reach - before) / (1 - s before), and P(there) has sunk by that first look.
    """
    there = model.there(cue, zone, None)
    missed = 1 - s * before
    sensitivity = s * (reach - before) / missed
    if before:
        there = there * missed / (there * missed + (1 - there) * (1 - false_alarm))
    false_alarm = max(false_alarm, sensitivity / 10 ** (model.settings.cap_decibans / 10))  # no weight above the cap
    if not sensitivity > false_alarm:
        return None
    return Trial(cue, there, sensitivity, false_alarm)


def _could_change_the_decision(verdict: Verdict, asked: Sequence[tuple[float, str, str, tuple[Trial, ...]]]) -> bool:
    model, reach = verdict.model, dict(verdict.reach)
    for _, zone, shot, _ in asked:
        reach[zone] = max(reach.get(zone, 0.0), reach_at(zone, shot, model.settings.looks))
    looked_at = share_looked_at(reach, model)
    decisions = set()
    for alarm in (True, False):
        belief = verdict.belief
        for trial in (trial for *_, trials in asked for trial in trials):
            belief, _ = belief.after(trial.cue, trial.there, trial.ratio(alarm))
        refinished = 1 - float(model.histories(belief)[0])
        decisions.add(decide(refinished, looked_at, alarm or verdict.has_sign, model.settings))
    return bool(asked) and decisions != {verdict.decision}
