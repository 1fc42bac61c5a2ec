"""Weighs what was seen, against the build sheet, into a paint history that opens to its sum of weights.

One piece of evidence is one cue at one place (zone and side), however many photos show it. In each photo the calibrated
score becomes a likelihood ratio, P(score | cue there) / P(score | absent). The network was measured at a few scores,
its limit and lower ones (`CueRates.levels`): above each lie s of the photos that show the cue and f of those that do
not. The rates are shrunk: s is the lower bound of the sensitivity, times the reach of the view; f is the upper bound of
the false-alarm rate, or the share of ordinary real photos above that score where it is more. The points (f, s) from
(0, 0) to (1, 1) make a ROC curve that the network surely reaches, and the ratio of all scores between two levels is the
slope of its concave hull there (Choi 1998, American Journal of Epidemiology 148(11), 1127-1132: slopes of a ROC curve
are likelihood ratios). So a higher score never says less, a score that real photos reach all the time says nothing for
the cue, and the ratio is an e-value: where the cue is absent 1 is expected if false alarms are as frequent as the
shrunk rates, less if they are rarer. A score below the limit can thus be a faint sign: it is no finding and no sign by
itself, but it counts.

For a network that was measured at its limit alone, without levels, the ratio is posterior odds over prior odds,

    ratio = [p / (1 - p)] / [π / (1 - π)]         π: share of positives among the photos the network was evaluated on

kept between (1 - s) / (1 - f) and s / f of the limit, and at most 1 below it.

n photos of one place are averaged, weighted by their reach: ratio = Σ (reach × ratio) / Σ reach. That is the
likelihood ratio if any one of them is the one that tells, and the best symmetric rule that stays valid however the
photos' errors depend on each other (Vovk and Wang 2021, Annals of Statistics 49(3), 1736-1754: the arithmetic mean of
e-values). One alarm among n photos so weighs as the rate of a false alarm anywhere among them, 1 - (1 - f)^n, wants
it to; n photos that agree weigh as much as one, never more.

The rates are of whole photos. Where one photo shows a cue at several places, it is one observation: the strongest of
these places counts, the others only by other photos that show the cue there, too.

Cues of one group (`configs/cues.yaml`) share their cause. At one place only the strongest of them counts, whichever
way it speaks; the others count nothing. That is conservative: it treats them as if they were one observation, where
they are at least partly separate ones. A place whose side no photo tells may be one already counted, so it adds no
piece: of one zone and group as many pieces count as sides are known (at least one), the strongest first.

The weight of a piece is what it adds to those before it (strongest first; the order does not depend on the photos'):

    decibans = 10 log10 [P(it | refinished, pieces before) / P(it | factory, pieces before)]

(Good 1950, Probability and the Weighing of Evidence), with the likelihoods under each history beside it. By the chain
rule the prior odds in decibans plus all weights are the posterior odds, and prior × the product of the likelihoods,
history by history, is the posterior, exactly.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, partial
from math import ceil, inf, log10

import numpy as np
import numpy.typing as npt
from scipy.stats import norm

from pipeline.build_sheets import BuildSheet
from pipeline.coverage import (
    Entry,
    coverage_of,
    cue_entries,
    of_the_vehicle,
    reach_of_view,
    zone_entries,
    zones_shown,
)
from pipeline.histories import SIDES, Belief, Floats, PaintModel, WeighingSettings
from pipeline.records import (
    HISTORIES,
    ZONES,
    Box,
    CueFinding,
    CueRates,
    Decision,
    Measure,
    PhotoFindings,
    Side,
    Weight,
    ZoneState,
)

COMPARED_CUES = ("painted_fastener", "filled_seam", "coarse_texture", "changed_joint")  # a factory makes sides alike
FINISH_WORDS = {"black": "black", "bare": "bare", "zinc": "zinc-coated", "rubber": "uncoated rubber"}


Place = tuple[str, str | None, Side | None]  # cue, zone, side


@dataclass(frozen=True, slots=True)
class Look:
    """What one photo (or one measurement) says of one cue at one place."""

    photo: str | None
    ratio: float  # P(observation | cue there) / P(observation | absent)
    reach: float
    score: float | None = None
    box: Box | None = None
    measure: Measure | None = None
    is_faint: bool = False  # below the network's limit

    @property
    def by_network(self) -> bool:
        """Whether the network saw it: neither measured, nor called a sign by a person."""
        return self.measure is None and not (self.box and self.box.judged)


@dataclass(frozen=True, slots=True)
class Piece:
    """One piece of evidence: one cue at one place, with every look at it."""

    cue: str
    zone: str | None
    side: Side | None
    looks: tuple[Look, ...]

    @property
    def ratio(self) -> float:
        """Likelihood ratio of all looks together: their mean, weighted by reach."""
        total = sum(look.reach for look in self.looks)
        return sum(look.reach / total * look.ratio for look in self.looks)

    @property
    def is_sighting(self) -> bool:
        return self.ratio > 1

    @property
    def is_faint(self) -> bool:
        """Whether it is a sighting of which no photo is above the network's limit."""
        return self.is_sighting and all(look.is_faint for look in self.looks if look.ratio > 1)

    @property
    def alarms(self) -> set[tuple[str, str]]:
        """Cue and photo of each look of the network's that speaks for the cue, where the piece does so as a whole."""
        looks = self.looks if self.is_sighting else ()
        return {(self.cue, look.photo) for look in looks if look.by_network and look.photo and look.ratio > 1}

    def without(self, told: set[tuple[str, str]]) -> Piece | None:
        """The piece without alarms that are told already; None where no other is left."""
        again = {photo for _, photo in self.alarms & told}
        if not again:
            return self
        rest = Piece(self.cue, self.zone, self.side, tuple(look for look in self.looks if look.photo not in again))
        return rest if rest.alarms else None

    @property
    def telling(self) -> Look:
        """The look to show: the one that speaks most in the direction of the whole; of those, the clearest.

        Of sightings those above the network's limit first, whatever the others' photos show of the place.
        """
        sign = 1 if self.is_sighting else -1

        def order(look: Look) -> tuple[bool, float, float, str]:
            is_behind = self.is_sighting and (look.is_faint or look.ratio <= 1)
            return is_behind, -sign * look.ratio, -sign * (look.score or 0), look.photo or ""

        return min(self.looks, key=order)

    @property
    def place(self) -> tuple[int, str, str]:
        """A fixed order of places and cues, whatever the order of the photos."""
        return (ZONES.index(self.zone) if self.zone else len(ZONES), self.cue, self.side or "")


@dataclass(frozen=True)
class Verdict:
    """What is thought of one vehicle, and everything that it is thought for."""

    model: PaintModel
    belief: Belief
    history: dict[str, float]
    refinished: float
    refinished_range: tuple[float, float]
    weights: tuple[Weight, ...]
    pieces: tuple[Piece, ...]  # those that count
    coverage: dict[str, ZoneState]
    hidden: frozenset[str]  # zones where a clean look is no look, or none can be taken
    reach: dict[str, float]  # by zone where something was weighed: that of the best look, 0 to 1
    looked_at: float
    extent: dict[str, dict[str, float]]
    extent_before: dict[str, dict[str, float]]  # decibans, to which each weight's own add
    coats: int
    has_sign: bool  # whether any one sighting is a sign by itself
    decision: Decision
    reason: str


def decibans(ratio: float) -> float:
    """Weight of evidence of a likelihood ratio (or odds) in decibans: 10 log10 (Good 1950). 0 gives -inf."""
    return 10 * log10(ratio) if ratio > 0 else -inf


def odds(probability: float) -> float:
    return probability / (1 - probability) if probability < 1 else inf


def score_ratio(score: float, rates: CueRates, reach: float, settings: WeighingSettings) -> float:
    """Likelihood ratio of a calibrated score in a photo with this reach (0 to 1); 1 where the rates tell nothing."""
    if not rates.at_worst:
        return 1.0
    if rates.levels:
        return _capped(_slope(score, rates, reach), settings)
    sensitivity, false_alarm = reach * rates.sensitivity[0], rates.false_alarm[2]
    if sensitivity <= false_alarm:
        return 1.0
    alarm = sensitivity / false_alarm if false_alarm else inf
    clean = (1 - sensitivity) / (1 - false_alarm)
    ratio = odds(score) / (rates.positives / rates.negatives)
    return _capped(min(max(ratio, clean), alarm), settings)


def _slope(score: float, rates: CueRates, reach: float) -> float:
    """Slope of the ROC curve's concave hull between the two levels that the score lies between."""
    points = [(0.0, 0.0), *((false_alarm, reach * found) for found, false_alarm in rates.at_worst), (1.0, 1.0)]
    above = 1 + sum(score <= level.score for level in rates.levels)  # the first point with the score above its level
    return min(max(_chord(start, end) for end in points[above:]) for start in points[:above])


def _chord(start: tuple[float, float], end: tuple[float, float]) -> float:
    """Slope between two points; where one level has no more false alarms than the other, what it finds decides."""
    if end[0] > start[0]:
        return (end[1] - start[1]) / (end[0] - start[0])
    return inf if end[1] > start[1] else -inf


def measured_ratio(measure: Measure, sheet: BuildSheet, settings: WeighingSettings) -> float | None:
    """Likelihood ratio of a measured value, with its uncertainty; None for what has none, or is not weighed.

    The value is taken as normal around either mean. Beyond both means towards `there` a higher value never says less.
    Across a masking edge only a difference speaks (a repaint in the same colour leaves none), and the less so the less
    sure the network is of the edge.
    """
    if measure.uncertainty is None:
        return None
    if measure.cue == "film_thickness":
        if measure.unit != "um":
            return None
        low, high = sheet.film_range_um(measure.panel if measure.panel in sheet.known_panels else None)
        absent, there = ((low + high) / 2, (high - low) / 4), (low + high, (low + high) / 2)
    elif measure.cue == "decal_offset" and measure.cue in settings.measured:
        tolerance = sheet.decal_tolerance_mm(measure.panel)
        if measure.unit != "mm" or tolerance is None:
            return None
        by_tolerance = settings.measured[measure.cue]
        absent = (tolerance * by_tolerance.absent[0], tolerance * by_tolerance.absent[1])
        there = (tolerance * by_tolerance.there[0], tolerance * by_tolerance.there[1])
    elif measure.cue in settings.measured and measure.unit == settings.measured[measure.cue].unit:
        absent, there = settings.measured[measure.cue].absent, settings.measured[measure.cue].there
    else:
        return None
    value = min(max(measure.value, absent[0]), there[0])  # the tails of two bell curves are no evidence of their own
    log_ratio = norm.logpdf(value, there[0], np.hypot(there[1], measure.uncertainty)) - norm.logpdf(
        value, absent[0], np.hypot(absent[1], measure.uncertainty)
    )
    limit = settings.cap_decibans / 10 * np.log(10)
    ratio = float(np.exp(np.clip(log_ratio, -limit, limit)))
    if measure.cue == "masking_edge":
        edge = min((region.score for region in measure.regions), default=1.0)
        return edge * ratio + 1 - edge if ratio > 1 else None
    return ratio


def pieces_of(
    findings: Sequence[PhotoFindings],
    model: PaintModel,
    rates: Mapping[str, CueRates],
    measures: Sequence[Measure] = (),
    hidden: Container[str] = (),
) -> tuple[Piece, ...]:
    """Everything that was observed, as one piece a cue and place, in a fixed order.

    A photo's alarm belongs to the places of its boxes (the strongest box has the photo's score, another one its own);
    without a box, to the largest place in view where the cue is looked for. An alarm says nothing of the other places
    in the photo. A photo without alarm says of every place it shows well enough that the cue was not found there.
    A score below the network's limit can be an alarm, a faint one, where levels were measured; without them it says at
    most nothing for the cue: how often it misleads is not known.
    Cues that could not be judged, or whose rates were never measured, say nothing, nor does a clean look at a zone that
    something hides. Where a person called a place a sign, that counts alone: they compared all photos of it.
    """
    looks: defaultdict[Place, list[Look]] = defaultdict(list)
    settings = model.settings
    for photo in of_the_vehicle(findings, settings.looks):
        reach = reach_of_view(photo, settings.looks)
        if not photo.quality.assessable or reach < settings.looks.least_reach:
            continue
        shown = zones_shown(photo, settings.looks)
        for cue, finding in _seen_by_network(photo):
            if not finding.assessable or finding.score is None or cue not in rates or cue not in settings.cues:
                continue
            ratio = score_ratio(finding.score, rates[cue], reach, settings)
            levels = rates[cue].levels
            if finding.found is False and not levels:  # the measured false alarms are those above the limit
                ratio = min(ratio, 1.0)
            in_view = [zone for zone in cue_entries()[cue].zones if zone in shown]
            if ratio <= 1:
                for zone in (zone for zone in in_view if ratio < 1 and zone not in hidden):
                    clean = score_ratio(finding.score, rates[cue], shown[zone], settings)
                    looks[cue, zone, _side_in(photo, zone)].append(Look(photo.photo, clean, shown[zone], finding.score))
                continue
            largest = max(in_view, key=lambda zone: (photo.zones[zone], zone), default=None)
            is_faint = bool(levels) and finding.found is not True and finding.score <= levels[0].score
            for where, side, score, box in _alarm_places(photo, finding.score, finding.boxes, largest):
                here = score_ratio(score, rates[cue], reach, settings)
                looks[cue, where, side].append(Look(photo.photo, here, reach, score, box, is_faint=is_faint))
    measured = [(photo.photo, m) for photo in of_the_vehicle(findings, settings.looks) for m in photo.measures]
    for name, measure in [*measured, *((None, m) for m in measures)]:
        ratio_or_none = measured_ratio(measure, model.sheet, settings)
        weighed_as = _weighed_as(measure)
        if ratio_or_none is not None and weighed_as in settings.cues:
            side = _sided(measure.zone, _measured_side(measure, model.sheet))
            look = Look(name, ratio_or_none, 1.0, box=measure.regions[0] if measure.regions else None, measure=measure)
            looks[weighed_as, measure.zone, side].append(look)
    by_place = {**_tempered(looks), **_judged(findings, rates, settings)}
    pieces = (Piece(*place, tuple(sorted(seen, key=_look_key))) for place, seen in by_place.items())
    return tuple(sorted(pieces, key=lambda piece: piece.place))


def _seen_by_network(photo: PhotoFindings) -> Iterator[tuple[str, CueFinding]]:
    """The cues of a photo without what a person called a sign; a cue of which nothing else is left says no more."""
    for cue, finding in photo.cues.items():
        boxes = tuple(box for box in finding.boxes if not box.judged)
        if len(boxes) == len(finding.boxes):
            yield cue, finding
        elif boxes:
            yield cue, finding.model_copy(update={"boxes": boxes, "score": max(box.score for box in boxes)})


def _judged(
    findings: Sequence[PhotoFindings], rates: Mapping[str, CueRates], settings: WeighingSettings
) -> dict[Place, list[Look]]:
    """What a person called a sign, by place, in whichever photo: a person can judge what the network cannot.

    It never weighs less than what the network is certain of.
    """
    looks: defaultdict[Place, list[Look]] = defaultdict(list)
    for photo in findings:
        for cue, finding in photo.cues.items():
            for box in finding.boxes if cue in settings.cues else ():
                if box.judged:
                    zone = box.zone if box.zone in zone_entries() else None
                    certain = score_ratio(1.0, rates[cue], 1.0, settings) if cue in rates else 1.0
                    ratio = max(_capped(settings.reader.ratio, settings), certain)
                    look = Look(photo.photo, ratio, 1.0, box.score, box)
                    looks[cue, zone, _sided(zone, box.side)].append(look)
    return looks


def sign_decibans(cue: str, zone: str | None, side: Side | None, model: PaintModel) -> float:
    """What a sign at one place weighs, alone, once a person calls it one; 0 where the factory left it so itself."""
    if cue not in model.settings.cues or model.expected_by_factory(cue, zone) >= 1:
        return 0.0
    look = Look(None, _capped(model.settings.reader.ratio, model.settings), 1.0)
    return _decibans_alone(Piece(cue, zone, _sided(zone, side), (look,)), model)


def _alarm_places(
    photo: PhotoFindings, score: float, boxes: Sequence[Box], largest: str | None
) -> list[tuple[str | None, Side | None, float, Box | None]]:
    """Where one photo's alarm is, each place once, with the score and the strongest box there."""
    if not boxes:
        return [(largest, _sided(largest, photo.sides.get(largest or "")), score, None)]
    places: dict[tuple[str | None, Side | None], tuple[float, Box]] = {}
    for box in sorted(boxes, key=lambda box: -box.score):  # of equal ones the first, as it is cut out
        zone = box.zone if box.zone in zone_entries() else largest  # another network may know other places
        side = _sided(zone, box.side or photo.sides.get(zone or ""))
        places.setdefault((zone, side), (min(score, box.score) if places else score, box))
    return [(zone, side, here, box) for (zone, side), (here, box) in places.items()]


def _tempered(looks: Mapping[Place, Sequence[Look]]) -> dict[Place, list[Look]]:
    """Let looks without alarm whose side no photo tells speak at each side, since they may be of any of them.

    Otherwise one false alarm with a side among many clean photos without would stand alone, as if there had been one
    chance for it. An alarm whose side is not told stays a piece of its own, tempered by the clean looks at either
    side.
    """
    tempered: dict[Place, list[Look]] = {}
    for (cue, zone, side), seen in looks.items():
        others = [s for c, z, s in looks if (c, z) == (cue, zone) and s != side]
        if side is None and others:
            if all(look.ratio <= 1 for look in seen):
                continue  # they speak at the sides that are known
            seen = [*seen, *(look for s in others for look in looks[cue, zone, s] if look.ratio <= 1)]
        elif None in others:
            seen = [*seen, *(look for look in looks[cue, zone, None] if look.ratio <= 1)]
        tempered[cue, zone, side] = list(seen)
    return tempered


def counting(pieces: Iterable[Piece], strength: Callable[[Piece], float]) -> tuple[Piece, ...]:
    """The pieces that count: per zone, group and side the strongest, and no more of them than sides are known.

    Of the places where a photo shows one cue, the strongest counts: rates are of whole photos, whatever their boxes.
    Another place counts by its other photos, if any of them shows the cue there.
    """
    left, counted = list(pieces), list[Piece]()
    taken: defaultdict[tuple[str | None, str], set[Side | None]] = defaultdict(set)
    while left:
        piece = min(left, key=lambda p: (-abs(strength(p)), p.place))
        here = _group_place(piece)
        sides = taken[here] | {p.side for p in left if _group_place(p) == here}
        left.remove(piece)
        if piece.side in taken[here] or len(taken[here]) >= max(len(sides - {None}), 1):
            continue
        taken[here].add(piece.side)
        counted.append(piece)
        left = [rest for one in left if (rest := one.without(piece.alarms))]
    return tuple(counted)


def _group_place(piece: Piece) -> tuple[str | None, str]:
    return piece.zone, cue_entries()[piece.cue].group


def weigh(
    findings: Sequence[PhotoFindings],
    build_sheet: BuildSheet,
    rates: Mapping[str, CueRates],
    settings: WeighingSettings,
    measures: Sequence[Measure] = (),
    hidden: Collection[str] = (),
) -> Verdict:
    """What the photos of one advert (and readings taken at the vehicle) say of its paint.

    `rates`: by cue, what the network was measured to do (its manifest); `hidden`: zones whose small signs something
    hides (`pipeline.coverage.hidden_zones`), or that the network was not taught. Does not depend on the order of
    anything.
    """
    model = PaintModel(settings, build_sheet)
    pieces = pieces_of(findings, model, rates, measures, hidden)
    expected = [
        p
        for p in pieces
        if model.expected_by_factory(p.cue, p.zone) >= 1 and not (p.cue in COMPARED_CUES and _unlike(p, pieces))
    ]
    speaking = [p for p in pieces if p not in expected]
    counted = counting(speaking, cache(partial(_decibans_alone, model=model)))
    places_counted = {(p.cue, p.zone, p.side) for p in counted}

    places = _painted_places(model)
    belief, weights = model.start, []
    log_likelihood = np.zeros(len(HISTORIES))
    for piece in counted:
        before = model.histories(belief)
        after, predictive = belief.after(piece.cue, model.there(piece.cue, piece.zone, piece.side), piece.ratio)
        likelihoods = model.by_history(belief, predictive)
        log_likelihood += np.log(likelihoods)
        refinished = float(before[1:] @ likelihoods[1:] / before[1:].sum())
        weight = decibans(refinished / float(likelihoods[0]))
        moved = _by_place(places, _painted_decibans(places, after) - _painted_decibans(places, belief))
        weights.append(_weight(piece, weight, likelihoods, _why(piece, model, pieces), moved))
        belief = after
    for piece in pieces:
        if piece.is_sighting and not piece.is_faint and (piece.cue, piece.zone, piece.side) not in places_counted:
            why = _why_expected(piece, model) if piece in expected else _why_not_counted(piece, counted)
            weights.append(_weight(piece, 0.0, np.ones(len(HISTORIES)), why, {}))

    history = model.histories(belief)
    history /= history.sum()
    refinished = float(history[1:].sum())
    low, high = (
        _refinished_under(settings.prior, factory, log_likelihood) for factory in reversed(settings.factory_prior_range)
    )
    reach = _reach_by_zone(pieces)
    coverage = coverage_of(findings, settings.looks, hidden)
    looked_at = share_looked_at(reach, model)
    signs = [  # what the network did not find is no sign by itself, whatever it weighs
        weight
        for piece, weight in zip(counted, weights, strict=False)
        if weight.decibans >= settings.enough.sign_decibans and not piece.is_faint
    ]
    decision = decide(refinished, looked_at, bool(signs), settings)
    return Verdict(
        model=model,
        belief=belief,
        history=dict(zip(HISTORIES, (float(p) for p in history), strict=True)),
        refinished=refinished,
        refinished_range=(low, high),
        weights=tuple(weights),
        pieces=counted,
        coverage=coverage,
        hidden=frozenset(hidden),
        reach=reach,
        looked_at=looked_at,
        extent=_by_place(places, 1 / (1 + 10 ** (-_painted_decibans(places, belief) / 10))),
        extent_before=_by_place(places, _painted_decibans(places, model.start)),
        coats=_coats(refinished, counted, weights, model),
        has_sign=bool(signs),
        decision=decision,
        reason=_reason(decision, weights, signs, counted, coverage),
    )


def decide(refinished: float, looked_at: float, sign: bool, settings: WeighingSettings) -> Decision:
    """The decision from P(refinished), the share looked at and whether any single sign was found.

    Limits follow from the costs. Too little looked at never gives a clean bill: without a sign the answer is
    `not_enough_seen`, with one it is to ask, unless the signs are enough to drop the advert.
    """
    if refinished > settings.costs.drop_above:
        return "likely_refinished"
    if looked_at < settings.enough.least_looked_at:
        return "ask_first" if sign else "not_enough_seen"
    return "likely_factory" if refinished < settings.costs.go_below else "ask_first"


def share_looked_at(reach: Mapping[str, float], model: PaintModel) -> float:
    """Share (0 to 1) of what is hard to hide that was looked at: by effort / (effort + half), times the reach."""
    half = model.settings.enough.looked_at_half_effort_min
    worth = {zone: model.effort_min(zone) / (model.effort_min(zone) + half) for zone in ZONES}
    return sum(worth[zone] * reach.get(zone, 0.0) for zone in ZONES) / sum(worth.values())


def _reach_by_zone(pieces: Iterable[Piece]) -> dict[str, float]:
    """How well the best look shows each zone; a colour measured in passing is no look for small signs."""
    reach: dict[str, float] = {}
    for piece in pieces:
        if piece.zone is not None:
            looks = [look.reach for look in piece.looks if look.measure is None or piece.cue == "film_thickness"]
            reach[piece.zone] = max(reach.get(piece.zone, 0.0), *looks, 0.0)
    return reach


def _decibans_alone(piece: Piece, model: PaintModel) -> float:
    """What the piece would weigh if it were the only one: the measure of its strength among its group."""
    _, predictive = model.start.after(piece.cue, model.there(piece.cue, piece.zone, piece.side), piece.ratio)
    likelihoods, prior = model.by_history(model.start, predictive), model.histories(model.start)
    return decibans(float(prior[1:] @ likelihoods[1:] / prior[1:].sum() / likelihoods[0]))


def _refinished_under(prior: Mapping[str, float], factory: float, log_likelihood: np.ndarray) -> float:
    """P(refinished) if the factory's paint had this prior, the other histories keeping their proportions."""
    chances = np.array([prior[history] for history in HISTORIES])
    chances[1:] *= (1 - factory) / chances[1:].sum()
    chances[0] = factory
    joint = chances * np.exp(log_likelihood - log_likelihood.max())
    return float(joint[1:].sum() / joint.sum())


def _painted_places(model: PaintModel) -> dict[tuple[str, str], npt.NDArray[np.bool_]]:
    """For every zone that the factory painted and each of its sides (`centre` if none), who renews it (S,)."""
    places = {}
    for zone in ZONES:
        if model.sheet.finish(zone) == "body_colour":
            sides = {str(side): side for side in SIDES} if zone_entries()[zone].sided else {"centre": None}
            places.update({(zone, name): model.painted(zone, side) for name, side in sides.items()})
    return places


def _painted_decibans(places: Mapping[tuple[str, str], npt.NDArray[np.bool_]], belief: Belief) -> Floats:
    """Odds, in decibans, that each place has new paint (P,)."""
    chances = np.exp(belief.log_states)
    painted = np.array(list(places.values())) @ chances
    unpainted = (~np.array(list(places.values()))) @ chances
    return np.asarray(10 * np.log10(painted / unpainted))


def _by_place(places: Iterable[tuple[str, str]], values: Iterable[float]) -> dict[str, dict[str, float]]:
    by_zone: dict[str, dict[str, float]] = {}
    for (zone, side), value in zip(places, values, strict=True):
        by_zone.setdefault(zone, {})[side] = round(float(value), 6)
    return by_zone


def _coats(refinished: float, counted: Sequence[Piece], weights: Sequence[Weight], model: PaintModel) -> int:
    """The least number of refinishes that explains what is seen.

    None while the factory's paint is at least as probable, or nothing seen speaks for a refinish. One explains all
    signs, but for two: panels that differ on a vehicle whose whole colour was changed (one job would have made them
    alike), and a film thicker than the factory's thickest and as much again (a coat adds about what the factory's
    measured).
    """
    if refinished <= 0.5 or all(weight.decibans <= 0 for weight in weights):
        return 0
    least = model.settings.enough.sign_decibans
    signs = [piece for piece in counted if decibans(piece.ratio) >= least and not piece.is_faint]
    cues = {piece.cue for piece in signs}
    after_a_change = 2 if "panel_mismatch" in cues and cues & {"wear_through", "shut_mismatch"} else 1
    return max(after_a_change, *(_coats_by_film(piece.telling.measure, model) for piece in signs), 1)


def _coats_by_film(measure: Measure | None, model: PaintModel) -> int:
    """Refinishes that a film needs at least, each and the factory's as thick as its thickest; filler is not counted."""
    if measure is None or measure.cue != "film_thickness" or measure.value >= model.settings.readings.filler_um:
        return 0
    known = measure.panel if measure.panel in model.sheet.known_panels else None
    surely = measure.value - 2 * (measure.uncertainty or 0.0)
    return max(ceil(surely / model.sheet.film_range_um(known)[1]) - 1, 0)


def _weight(
    piece: Piece, decibans: float, likelihoods: np.ndarray, why: str, extent: dict[str, dict[str, float]]
) -> Weight:
    return Weight(
        cue=piece.cue,
        zone=piece.zone,
        side=piece.side,
        photo=piece.telling.photo,
        box=piece.telling.box,
        decibans=decibans,
        why=why,
        found=piece.is_sighting,
        faint=piece.is_faint,
        extent=extent,
        likelihoods=dict(zip(HISTORIES, (float(x) for x in likelihoods), strict=True)),
    )


def _look_key(look: Look) -> tuple[str, float, float]:
    return (look.photo or "", look.ratio, look.reach)


def _sided(zone: str | None, side: Side | None) -> Side | None:
    return side if zone is not None and zone_entries()[zone].sided else None


def _side_in(photo: PhotoFindings, zone: str) -> Side | None:
    """The side of a zone in a photo, where the photo tells it or its boxes there agree on one."""
    if zone in photo.sides:
        return _sided(zone, photo.sides[zone])
    sides = {box.side for finding in photo.cues.values() for box in finding.boxes if box.zone == zone}
    return _sided(zone, sides.pop()) if len(sides) == 1 else None


def _unlike(piece: Piece, pieces: Iterable[Piece]) -> Piece | None:
    """The same cue in the same zone on the other side, where one side shows it and the other was found without."""
    if piece.side is None or piece.ratio == 1:
        return None
    others = (p for p in pieces if (p.cue, p.zone) == (piece.cue, piece.zone) and p.side not in (piece.side, None))
    return next((p for p in others if p.ratio != 1 and p.is_sighting != piece.is_sighting), None)


def _weighed_as(measure: Measure) -> str | None:
    """The cue that a measure is evidence of.

    Both sides of a masking edge in a shut are the shut's paint and the outside's; elsewhere they may be anything, on an
    outer panel with an inner face, too.
    """
    if measure.cue != "masking_edge":
        return measure.cue
    shuts, outside = (cue_entries()[cue].zones for cue in ("shut_mismatch", "panel_mismatch"))
    return "shut_mismatch" if measure.zone in shuts and measure.zone not in outside else None


def _measured_side(measure: Measure, sheet: BuildSheet) -> Side | None:
    """The side of the panel that was measured, or the one on which its regions in the photo agree."""
    panel = sheet.known_panels.get(measure.panel or "")
    sides = {panel.side} if panel is not None else {region.side for region in measure.regions}
    return sides.pop() if len(sides) == 1 else None


def _capped(ratio: float, settings: WeighingSettings) -> float:
    most = 10 ** (settings.cap_decibans / 10)
    return min(max(ratio, 1 / most), most)


# --- in words ----------------------------------------------------------------------------------------------------


def _inside(sentence: str) -> str:
    """As it stands inside another sentence."""
    return sentence[:1].lower() + sentence[1:]


def _words(entry: Entry) -> str:
    return _inside(entry.label)


def place_in_words(zone: str | None, side: Side | None) -> str:
    """Where, inside a sentence: `door hinges, left side`."""
    if zone is None:
        return "a place that the photo does not tell"
    return _words(zone_entries()[zone]) + (f", {side} side" if side else "")


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _duration(minutes: float) -> str:
    return f"{minutes:.0f} minutes" if minutes < 90 else f"{minutes / 60:.0f} hours"


def _seen(piece: Piece) -> str:
    """`Mist of paint on rubber: door seal, left side, in 2 of 3 photos (score 0.93)`, or that it is a faint sign."""
    entry, where, measure = cue_entries()[piece.cue], place_in_words(piece.zone, piece.side), piece.telling.measure
    label = entry.label if piece.is_sighting or entry.agrees is None else entry.agrees
    if measure is not None:
        unit = {"um": "µm", "dE00": "ΔE00"}.get(measure.unit, measure.unit)
        digits = 0 if measure.value >= 100 else 1
        what = {"masking_edge": " across a masking edge", "decal_offset": ""}.get(
            measure.cue, f" from {measure.text}" if measure.text else ""
        )
        return f"{label}: {where}, {measure.value:.{digits}f} ± {measure.uncertainty:.{digits}f} {unit}{what}"
    alarms = sum(look.ratio > 1 and look.is_faint == piece.is_faint for look in piece.looks)
    score = max(look.score or 0.0 for look in piece.looks)
    photos = f"{alarms} of {len(piece.looks)} photos" if len(piece.looks) > alarms else _count(alarms, "photo")
    if piece.telling.box is not None and piece.telling.box.judged:
        return f"{label}: {where}, in {photos} (judged by eye)"
    if piece.is_faint:
        return f"Faint sign of {_words(entry)}: {where}, in {photos} (score {score:.2f}, too low for a finding)"
    return f"{label}: {where}, in {photos} (score {score:.2f})"


def _why(piece: Piece, model: PaintModel, pieces: Sequence[Piece]) -> str:
    other = _unlike(piece, pieces) if piece.cue in COMPARED_CUES else None
    if piece.is_sighting:
        unlike = f"; the {other.side} side was found without, and a factory makes both sides alike" if other else ""
        return f"{_seen(piece)}{_factory_words(piece, model)}{unlike}."
    if piece.telling.measure is not None:
        return f"{_seen(piece)}: within what the factory's paint shows."
    photos = _count(len(piece.looks), "photo")
    clean = f"{cue_entries()[piece.cue].label}: not found on {place_in_words(piece.zone, piece.side)} in {photos}"
    if other:
        return f"{clean}, unlike the {other.side} side; a factory makes both sides alike."
    if piece.zone is not None and model.settings.cues[piece.cue].escapes_by == "removal":
        return f"{clean}; what is there takes about {_duration(model.effort_min(piece.zone))} to take off or mask."
    return f"{clean}."


def _factory_words(piece: Piece, model: PaintModel) -> str:
    """What the build sheet says of the place, where it makes the sighting a sign."""
    if piece.zone is None:
        return ""
    share = model.expected_by_factory(piece.cue, piece.zone)
    if share > 0:
        left = "those" if share >= 1 else "some of those"
        return f"; the factory left {left} here so itself, which makes it weigh less"
    finish = model.sheet.finish(piece.zone)
    if piece.cue in ("overspray_rubber", "overspray_hidden") and finish in FINISH_WORDS:
        return f"; the factory left this {FINISH_WORDS[finish]}"
    joints = model.sheet.joints_in(piece.zone)
    if piece.cue == "painted_fastener" and any(joint.fastening for joint in joints):
        return "; the factory left the fasteners here bare"
    if piece.cue == "filled_seam" and any(joint.seam for joint in joints):
        return "; the factory left the seam here open"
    return ""


def _why_expected(piece: Piece, model: PaintModel) -> str:
    left = {
        "painted_fastener": "painted the fasteners here with the body",
        "filled_seam": "sealed the seam here",
    }.get(piece.cue, "painted this place itself")
    return f"{_seen(piece)}. By the build sheet ({model.sheet.label}) the factory {left}: it says nothing."


def _why_not_counted(piece: Piece, counted: Sequence[Piece]) -> str:
    told = next((p for p in counted if p.alarms & piece.alarms), None)
    if told is not None and piece.without({alarm for p in counted for alarm in p.alarms}) is None:
        return f"{_seen(piece)}. The photo counts already, at {place_in_words(told.zone, told.side)}."
    other = next(p for p in counted if _group_place(p) == _group_place(piece))
    if other.cue == piece.cue:
        return f"{_seen(piece)}. It may be the place already counted as {place_in_words(other.zone, other.side)}."
    cause = _words(cue_entries()[other.cue])
    return f"{_seen(piece)}. It has the same cause as {cause} at the same place, which counts already."


def _reason(
    decision: Decision,
    weights: Sequence[Weight],
    signs: Sequence[Weight],
    counted: Sequence[Piece],
    coverage: Mapping[str, ZoneState],
) -> str:
    """The strongest reason for the decision in one sentence; what weighs less than a sign is none."""
    judged = f"{sum(state == 'seen' for state in coverage.values())} of {len(coverage)} places could be judged"
    if decision == "not_enough_seen":
        if "seen" not in coverage.values():
            return f"Too little was shown: {judged}."
        return f"Too little was shown of what tells, though {judged}."
    if decision == "likely_factory":
        telling = min(zip(counted, weights, strict=False), key=lambda pair: pair[1].decibans)[0]
        if telling.telling.measure is not None:
            return f"{judged}; most telling: {_inside(_seen(telling))}."
        place = place_in_words(telling.zone, telling.side)
        return f"{judged}; most telling is what is clean: {place}, in {_count(len(telling.looks), 'photo')}."
    if signs:
        return max(signs, key=lambda weight: weight.decibans).why
    strongest = max(weights, key=lambda weight: weight.decibans, default=None)
    if decision == "likely_refinished" and strongest is not None and strongest.decibans > 0:
        weak = sum(weight.decibans > 0 for weight in weights)
        together = f"No sign is clear by itself, but {weak} weak ones add up; the strongest: "
        return strongest.why if weak == 1 else together + _inside(strongest.why)
    return f"{judged}, and they leave it open: no clear sign was found, and no place that would rule one out is clean."
