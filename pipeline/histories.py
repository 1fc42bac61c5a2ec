"""What each paint history would leave behind on this family of vehicle: the model that findings are weighed with.

A *state* is one history told to the end: where the job lay (a region) and how carefully it was done. Within a state the
places of the vehicle are independent of each other, but for two things that the model keeps: the care of the painter,
which all places share (twenty clean seals are not twenty proofs: they may all be the work of one careful painter),
and *innocent causes*, which reach many places at once (chalked rubber all round is one explanation, not ten false
alarms).

For a cue at one place, P(there | state) follows from `configs/weighing.yaml` and the build sheet:

    reached by the job:  job[history] × P(escapes the care)     removal:  effort / (effort + half_effort_min)
                         (none where the job spares the place and the cue comes with new paint on the place itself)
    anywhere:            untouched, innocent causes that hold, and the share of the joints there that the factory itself
                         painted or sealed; all of them independent, so P(there) = 1 - Π (1 - each)

A factory builds both sides alike: as far as two photos show the same row (`same_row`), what it painted or sealed is
there on the left and on the right or on neither, and so is what a wrong build sheet would explain. That is how left is
compared with right: a sign on one side that the other side lacks has lost these two excuses.

Where the factory painted every fastener of a place (or sealed every seam), the cue is there whatever the history,
unless a job changed the joint (`changed_joint`): a sighting there weighs nothing, but one side that lacks what the
other has does.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import product
from typing import Annotated, Literal, Self

import numpy as np
import numpy.typing as npt
from pydantic import AfterValidator, Field, model_validator
from scipy.special import logsumexp

from pipeline.build_sheets import BuildSheet, Zone
from pipeline.configuration import Config, load, shipped
from pipeline.coverage import Cover, LookSettings, cue_entries, zone_entries
from pipeline.records import CUES, HISTORIES, ZONES, Probability, Side

Floats = npt.NDArray[np.float64]

REFINISHED = HISTORIES[1:]
SIDES: tuple[Side, ...] = ("left", "right")
DOUBTED_CUES = ("painted_fastener", "filled_seam", "changed_joint")  # what a wrong build sheet would explain
DOUBT_SHARE = 0.9  # a sheet that is wrong about a vehicle is wrong about nearly every place of it


def _shares(chances: dict[str, float]) -> dict[str, float]:
    if abs(sum(chances.values()) - 1) > 1e-9:
        raise ValueError(f"the chances must add up to 1, they add up to {sum(chances.values()):g}")
    return chances


def _of_every_history(chances: dict[str, float]) -> dict[str, float]:
    if set(chances) != set(HISTORIES):
        raise ValueError(f"give each of {', '.join(HISTORIES)} once")
    if min(chances.values()) <= 0:
        raise ValueError("every history needs a chance above 0, or no evidence could ever speak for it")
    return _shares(chances)


def _of_every_job(chances: dict[str, float]) -> dict[str, float]:
    if set(chances) != set(REFINISHED):
        raise ValueError(f"give each of {', '.join(REFINISHED)} once")
    return chances


Chances = Annotated[dict[str, Probability], AfterValidator(_shares)]
Prior = Annotated[dict[str, Probability], AfterValidator(_of_every_history)]
JobChances = Annotated[dict[str, Probability], AfterValidator(_of_every_job)]


class Care(Config):
    """How a job was done; see `care` in `configs/weighing.yaml`."""

    half_effort_min: float = Field(gt=0)
    slips: Probability


class Region(Config):
    """Where a job may lie, and the zones in it whose paint the job leaves as it was."""

    zones: tuple[Zone, ...] | Literal["all"]
    sides: tuple[Side, ...] = Field(min_length=1)
    spares: tuple[Zone, ...] = ()

    def reaches(self, zone: str) -> bool:
        return self.zones == "all" or zone in self.zones


class Job(Config):
    """The jobs behind one history: chances of each region and care."""

    regions: Chances
    care: Chances


class Innocent(Config):
    """Something that imitates or causes a cue all over a vehicle without a job: its chance, the share it reaches."""

    chance: Probability
    share: Probability
    zones: tuple[Zone, ...] | None = None
    why: str

    def share_at(self, zone: str) -> float:
        return self.share if self.zones is None or zone in self.zones else 0.0


class CueModel(Config):
    """How probably one cue is truly there at one place; see `cues` in `configs/weighing.yaml`."""

    untouched: Probability
    job: JobChances
    escapes_by: Literal["removal", "workmanship", "nothing"]
    needs_paint: bool = False
    innocent: tuple[Innocent, ...] = ()


class Measured(Config):
    """Values of a measured cue, as mean and standard deviation in `unit`, where it is absent and where it is there."""

    unit: str
    absent: tuple[float, Annotated[float, Field(gt=0)]]
    there: tuple[float, Annotated[float, Field(gt=0)]]


class Costs(Config):
    """What the buyer loses, in hours."""

    wasted_trip: float = Field(gt=0)
    missed_good: float = Field(gt=0)
    asking: float = Field(gt=0)

    @property
    def go_below(self) -> float:
        """Go and see where P(refinished) is below this: the trip then costs less than asking is expected to save."""
        return self.asking / self.wasted_trip

    @property
    def drop_above(self) -> float:
        """Drop the advert where P(refinished) is above this."""
        return 1 - self.asking / self.missed_good

    @model_validator(mode="after")
    def _leaves_room(self) -> Self:
        if not self.go_below < self.drop_above:
            raise ValueError("asking costs so much that it is never worth it: lower `asking`")
        return self


class Enough(Config):
    """When enough was seen to say anything; see `enough` in `configs/weighing.yaml`."""

    least_looked_at: Probability
    sign_decibans: float = Field(gt=0)
    looked_at_half_effort_min: float = Field(gt=0)


class ReaderSettings(Config):
    """How far a person who judges findings is trusted; see `reader` in `configs/weighing.yaml`."""

    sensitivity: Annotated[float, Field(gt=0, le=1)]
    false_alarm: Annotated[float, Field(gt=0, lt=1)]

    @property
    def ratio(self) -> float:
        """Likelihood ratio of a sighting that a person calls a sign."""
        return self.sensitivity / self.false_alarm


class RequestSettings(Config):
    """How many requests at most, and what a request must tell at least (bits)."""

    most: int = Field(ge=0)
    least_bits: float = Field(ge=0)


class ReadingSettings(Config):
    """How film-thickness readings are taken in; see `readings` in `configs/weighing.yaml`. Thicknesses in µm."""

    most_um: float = Field(gt=0)
    filler_um: float = Field(gt=0)
    least_readings: int = Field(ge=1)
    outlier_limit: float = Field(gt=0)
    gauge_um: float = Field(ge=0)
    gauge_share: Probability


class WeighingSettings(Config):
    """Everything that weighing assumes (`configs/weighing.yaml`); what the network can do is measured, not assumed."""

    prior: Prior
    factory_prior_range: tuple[Annotated[float, Field(gt=0, lt=1)], Annotated[float, Field(gt=0, lt=1)]]
    cap_decibans: float = Field(gt=0)
    same_row: Probability
    looks: LookSettings
    covers: tuple[Cover, ...]
    care: dict[str, Care]
    regions: dict[str, Region]
    jobs: dict[str, Job]
    cues: dict[str, CueModel]
    measured: dict[str, Measured]
    costs: Costs
    enough: Enough
    requests: RequestSettings
    readings: ReadingSettings
    reader: ReaderSettings

    @classmethod
    def shipped(cls) -> Self:
        """The settings that come with maskline."""
        return load(shipped("weighing.yaml"), cls)

    @model_validator(mode="after")
    def _names_hold(self) -> Self:
        if set(self.jobs) != set(REFINISHED):
            raise ValueError(f"jobs: give each of {', '.join(REFINISHED)} once")
        for history, job in self.jobs.items():
            for kind, names, known in (("region", job.regions, self.regions), ("care", job.care, self.care)):
                unknown = sorted(set(names) - set(known))
                if unknown:
                    raise ValueError(f"jobs.{history}: there is no {kind} '{unknown[0]}'")
        unknown = sorted({*self.cues, *self.measured} - set(CUES))
        if unknown:
            raise ValueError(f"there is no cue '{unknown[0]}'")
        return self


@dataclass(frozen=True, slots=True)
class State:
    """One history told to the end; region and care are None for the factory's paint."""

    history: str
    region: str | None
    care: str | None
    log_chance: float  # within its history


@dataclass(frozen=True)
class Belief:
    """What is thought after some of the evidence.

    `log_states` (S,): log probability of each state. `log_causes`: by cue, (S, K): log probability, in each state, of
    each combination of the cue's innocent causes.
    """

    log_states: Floats
    log_causes: Mapping[str, Floats]

    def after(self, cue: str, there: Floats, ratio: float) -> tuple[Belief, Floats]:
        """The belief after one piece of evidence, and log P(it | state, what was seen before) (S,).

        `there` (S, K): P(cue there | state, causes); `ratio`: how many times more probable the observation is where the
        cue is there than where it is absent. P(observation) is in units of P(observation | absent), so it is
        there × ratio + 1 - there: exact, and all that a posterior needs.
        """
        joint = self.log_causes[cue] + np.log(there * ratio + 1 - there)
        predictive: Floats = logsumexp(joint, axis=1)
        states = self.log_states + predictive
        belief = replace(
            self,
            log_states=states - logsumexp(states),
            log_causes={**self.log_causes, cue: joint - predictive[:, None]},
        )
        return belief, predictive


@dataclass(frozen=True)
class PaintModel:
    """The settings, for one build sheet. `start` is what is thought before any photo."""

    settings: WeighingSettings
    sheet: BuildSheet

    @cached_property
    def states(self) -> tuple[State, ...]:
        states = [State("factory", None, None, 0.0)]
        for history, job in self.settings.jobs.items():
            for (region, where), (care, how) in product(job.regions.items(), job.care.items()):
                if where * how > 0:
                    states.append(State(history, region, care, float(np.log(where * how))))
        return tuple(states)

    @cached_property
    def history_index(self) -> npt.NDArray[np.intp]:
        """For each state the place of its history in HISTORIES (S,)."""
        return np.array([HISTORIES.index(state.history) for state in self.states])

    @cached_property
    def start(self) -> Belief:
        log_prior = np.log([self.settings.prior[state.history] for state in self.states])
        states = log_prior + np.array([state.log_chance for state in self.states])
        causes = {
            cue: np.tile(np.log([chance for chance, _ in self.causes(cue)]), (len(self.states), 1))
            for cue in self.settings.cues
        }
        return Belief(states, causes)

    def causes(self, cue: str) -> tuple[tuple[float, tuple[Innocent, ...]], ...]:
        """Every combination of innocent causes that may hold for a cue, with its chance; the chances add up to 1.

        A build sheet that may be wrong (`doubt`) is one of them for the cues that it decides, and so are the rows that
        the factory painted or sealed itself, where a zone has others beside them.
        """
        innocent = self.settings.cues[cue].innocent
        if cue in DOUBTED_CUES and self.sheet.doubt:
            wrong = Innocent(chance=self.sheet.doubt, share=DOUBT_SHARE, why="the factory built this vehicle otherwise")
            innocent = (*innocent, wrong)
        alternatives: list[list[tuple[float, Innocent | None]]] = [
            [(1 - cause.chance, None), (cause.chance, cause)] for cause in innocent
        ]
        for zone in ZONES:
            share = self.expected_by_factory(cue, zone)
            if 0 < share < 1:
                alternatives.append(self._rows(zone, share))
        combinations = []
        for held in product(*alternatives):
            chance = float(np.prod([p for p, _ in held]))
            if chance > 0:
                combinations.append((chance, tuple(cause for _, cause in held if cause is not None)))
        return tuple(combinations)

    def _rows(self, zone: str, share: float) -> list[tuple[float, Innocent | None]]:
        """Which row the photos of a zone show: the same on both sides, made so by the factory or not; or any row."""
        same = self.settings.same_row
        made = Innocent(chance=same * share, share=1.0, zones=(zone,), why="the factory made this row so itself")
        any_row = made.model_copy(update={"chance": 1 - same, "share": share})
        return [(made.chance, made), (same * (1 - share), None), (any_row.chance, any_row)]

    def histories(self, belief: Belief) -> Floats:
        """P(history) in the order of HISTORIES (6,)."""
        return np.asarray(np.bincount(self.history_index, np.exp(belief.log_states), len(HISTORIES)), np.float64)

    def by_history(self, belief: Belief, log_states: Floats) -> Floats:
        """Average exp(`log_states`) (S,) over the states of each history, as probable as `belief` has them (6,)."""
        weights = np.exp(belief.log_states)
        total = np.bincount(self.history_index, weights * np.exp(log_states), len(HISTORIES))
        return np.asarray(total / np.bincount(self.history_index, weights, len(HISTORIES)))

    def there(self, cue: str, zone: str | None, side: Side | None) -> Floats:
        """P(cue there | state, combination of innocent causes) at one place (S, K).

        A side that no photo tells is either side with the same chance; a zone that no photo tells is any of the cue's.
        """
        zones = [zone] if zone is not None else list(cue_entries()[cue].zones)
        by_zone = [np.mean([self._at(cue, z, each) for each in self._sides(z, side)], axis=0) for z in zones]
        return np.asarray(np.mean(by_zone, axis=0))

    def expected_by_factory(self, cue: str, zone: str | None) -> float:
        """Share (0 to 1) of what is in the zone that the factory itself painted or sealed: there the cue is no sign.

        A zone that no photo tells may be the one where it is expected, so the largest share counts.
        """
        if zone is None:
            return max(self.expected_by_factory(cue, place) for place in cue_entries()[cue].zones)
        if cue in ("overspray_rubber", "overspray_hidden"):
            return 1.0 if self.sheet.finish(zone) == "body_colour" else 0.0
        joints = self.sheet.joints_in(zone)
        if cue == "painted_fastener":
            rows = [joint.fastening for joint in joints if joint.fastening is not None]
            heads = [fastening for fastening in rows if fastening != "spot_weld"]
            if rows and not heads:
                return 1.0  # nothing but welds: what looks like a painted head there was painted with the body
            return heads.count("rivet_painted") / len(heads) if heads else 0.0
        if cue == "filled_seam":
            seams = [joint.seam for joint in joints if joint.seam is not None]
            return seams.count("sealed") / len(seams) if seams else 0.0
        return 0.0

    def painted(self, zone: str, side: Side | None) -> npt.NDArray[np.bool_]:
        """Whether each state's job gave this place new paint (S,)."""
        return np.array(
            [
                state.region is not None
                and zone not in self.settings.regions[state.region].spares
                and self.settings.regions[state.region].reaches(zone)
                and (side is None or side in self.settings.regions[state.region].sides)
                for state in self.states
            ]
        )

    def effort_min(self, zone: str) -> float:
        """Minutes to take off or mask what is in the zone, by the build sheet or else by `configs/zones.yaml`."""
        return self.sheet.effort_min(zone) or zone_entries()[zone].effort_min

    def _sides(self, zone: str, side: Side | None) -> tuple[Side | None, ...]:
        if not zone_entries()[zone].sided:
            return (None,)
        return SIDES if side is None else (side,)

    def _at(self, cue: str, zone: str, side: Side | None) -> Floats:
        model = self.settings.cues[cue]
        if self.expected_by_factory(cue, zone) >= 1:
            changed = self.settings.cues.get("changed_joint")
            gone = [0.0 if changed is None else self._by_job(changed, state, zone, side) for state in self.states]
            return np.tile(1 - np.array(gone)[:, None], (1, len(self.causes(cue))))
        by_job = np.array([self._by_job(model, state, zone, side) for state in self.states])
        not_innocent = np.array([np.prod([1 - c.share_at(zone) for c in held]) for _, held in self.causes(cue)])
        return np.asarray(1 - (1 - model.untouched) * np.outer(1 - by_job, not_innocent))

    def _by_job(self, model: CueModel, state: State, zone: str, side: Side | None) -> float:
        if state.region is None or state.care is None:
            return 0.0
        region, care = self.settings.regions[state.region], self.settings.care[state.care]
        if not region.reaches(zone) or (side is not None and side not in region.sides):
            return 0.0
        if model.needs_paint and zone in region.spares:
            return 0.0
        effort = self.effort_min(zone)
        escape = {"removal": effort / (effort + care.half_effort_min), "workmanship": care.slips, "nothing": 1.0}
        return model.job[state.history] * escape[model.escapes_by]
