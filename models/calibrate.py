"""From logits to probabilities and limits, fitted on held-out photos that training never saw (split `val`).

Platt scaling by cue (Platt 1999, with his smoothed targets), one temperature for the shots (Guo et al. 2017).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from pydantic import Field
from scipy.optimize import minimize, minimize_scalar
from scipy.special import expit, log_softmax
from scipy.stats import beta

from models.predictions import LOGIT_EDGES, Predictions
from pipeline.configuration import Config
from pipeline.network import Calibration, Novelty, Scale, ShotTemperature
from pipeline.records import CueRates, Level

Numbers = npt.NDArray[np.floating]

FALSE_FINDINGS = 0.5  # design: on average in a clean synthetic advert of ...
ADVERT_PHOTOS = 20  # ... so many photos, over all cues together
LEVELS = (0.05, 0.1, 0.2, 0.4)  # share of photos without the cue above each level below the limit
TINY = 1e-9  # of a share: nothing, but for rounding and scores that are alike
LEAST_SCALE = 0.05  # a scale must be positive: a map that says nothing must not be read backwards


class Calibrated(Config):
    """What calibration finds; part of the manifest, under the same names."""

    calibration: Calibration
    limits: dict[str, float] = Field(description="a cue is found in a photo above this probability")
    box_limits: dict[str, float] = Field(description="a cell of the map belongs to a box above this probability")
    rates: dict[str, CueRates]
    novelty: Novelty | None = None


def calibrate(predictions: Predictions, ordinary: Predictions | None = None) -> Calibrated:
    """Fit scales, limits and rates on `predictions`.

    `ordinary`: ordinary real photos, of which nobody knows the cues for sure; no limit lets one of them through, and
    the levels below it count those of vehicles as photos without the cue. Rates are of single photos, here of those
    that limits and levels were set on: replace them by those of other photos (`with_rates`) before anybody relies on
    them.
    """
    cues, labels = predictions.channels.cues, predictions.labels
    scales: dict[str, Scale] = {}
    for index, cue in enumerate(cues):
        known = ~np.isnan(labels[:, index])
        scales[cue] = fit_platt(predictions.cue_scores[known, index], labels[known, index])
    probability = cue_probabilities(predictions, scales)
    usual = np.zeros((0, len(cues))) if ordinary is None else cue_probabilities(ordinary, scales)
    limits = false_finding_limits(probability, labels, cues, least=ordinary_limits(usual, cues))
    if ordinary is not None:  # what is weighed are photos of vehicles; a wall or a meadow raises fewer alarms
        usual = usual[[sample.vehicle_visible is not False for sample in ordinary.samples]]
    absent = {cue: probability[labels[:, index] == 0, index] for index, cue in enumerate(cues)}
    levels = {cue: score_levels(limits[cue], absent[cue], usual[:, index]) for index, cue in enumerate(cues)}
    visible = np.array([np.nan if s.vehicle_visible is None else s.vehicle_visible for s in predictions.samples], float)
    seen = ~np.isnan(visible)
    calibration = Calibration(
        cues=scales,
        shots=ShotTemperature(temperature=fit_temperature(predictions.shots, shot_indices(predictions))),
        vehicle=fit_platt(predictions.vehicle[seen], visible[seen]),
    )
    boxes = {cue: box_limit(predictions.cell_counts[i], scales[cue], limits[cue]) for i, cue in enumerate(cues)}
    return Calibrated(
        calibration=calibration, limits=limits, box_limits=boxes, rates=cue_rates(predictions, calibration, levels)
    )


def with_rates(calibrated: Calibrated, predictions: Predictions) -> Calibrated:
    """The same calibration with rates measured on other photos (the test split)."""
    levels = {cue: rates.levels for cue, rates in calibrated.rates.items()}
    rates = cue_rates(predictions, calibrated.calibration, levels)
    return calibrated.model_copy(update={"rates": rates})


def fit_platt(logits: Numbers, labels: Numbers) -> Scale:
    """Scale and offset that make sigmoid(scale · logit + offset) the probability of label 1.

    Targets are Platt's (n₊ + 1)/(n₊ + 2) and 1/(n₋ + 2), so that a clean separation gives no infinite scale. Without
    both kinds of label the logit is left as it is.
    """
    positives, negatives = int((labels > 0.5).sum()), int((labels <= 0.5).sum())
    if positives == 0 or negatives == 0:
        return Scale(scale=1.0, offset=0.0)
    targets = np.where(labels > 0.5, (positives + 1) / (positives + 2), 1 / (negatives + 2))
    x = logits.astype(np.float64)

    def loss(parameters: Numbers) -> tuple[float, Numbers]:
        scores = parameters[0] * x + parameters[1]
        wrong = expit(scores) - targets
        value = np.logaddexp(0, scores) - targets * scores
        return float(value.mean()), np.array([(wrong * x).mean(), wrong.mean()])

    found = minimize(loss, np.array([1.0, 0.0]), jac=True, bounds=[(LEAST_SCALE, None), (None, None)])
    return Scale(scale=float(found.x[0]), offset=float(found.x[1]))


def fit_temperature(logits: Numbers, classes: npt.NDArray[np.int64]) -> float:
    """The temperature with the least cross entropy; `classes` below 0 are unknown. 1 without any known.

    Targets are smoothed by 1/(n + 2), as Platt's are, so that photos without an error give no certainty.
    """
    known = classes >= 0
    if not known.any():
        return 1.0
    count = int(known.sum())
    targets = np.full((count, logits.shape[1]), 1 / (count + 2) / logits.shape[1])
    targets[np.arange(count), classes[known]] += (count + 1) / (count + 2)

    def loss(log_temperature: float) -> float:
        scores = log_softmax(logits[known].astype(np.float64) / math.exp(log_temperature), axis=1)
        return float(-(targets * scores).sum(1).mean())

    return math.exp(float(minimize_scalar(loss, bounds=(math.log(0.05), math.log(20)), method="bounded").x))


def shot_indices(predictions: Predictions) -> npt.NDArray[np.int64]:
    """Class of each photo's shot, -1 for unknown."""
    shots = predictions.channels.shots
    return np.array([shots.index(s.shot) if s.shot in shots else -1 for s in predictions.samples], np.int64)


def cue_probabilities(predictions: Predictions, scales: Mapping[str, Scale]) -> Numbers:
    """Calibrated probability of each cue (photos, cues)."""
    slope = np.array([scales[cue].scale for cue in predictions.channels.cues])
    offset = np.array([scales[cue].offset for cue in predictions.channels.cues])
    return np.asarray(expit(predictions.cue_scores.astype(np.float64) * slope + offset))


class _Choice(NamedTuple):
    """A limit of one cue, the share of photos without the cue that exceed it, and in how many with it it is found."""

    false: float
    found: int
    limit: float


def false_finding_limits(
    probability: Numbers,
    labels: Numbers,
    cues: tuple[str, ...],
    *,
    least: Mapping[str, float] = MappingProxyType({}),
    false_findings: float = FALSE_FINDINGS,
    photos: int = ADVERT_PHOTOS,
) -> dict[str, float]:
    """A limit by cue such that clean photos raise at most `false_findings` a `photos` photos over all cues together.

    No limit is below 0.5, since what is more likely absent than present is no finding, nor below its cue's `least`. All
    begin where no photo without the cue exceeds them (but for scores of nearly 1). Then false findings are allowed
    where they find most for each, until they are spent (Dantzig 1957, "Discrete-variable extremum problems", the greedy
    way to fill a knapsack).
    """
    choices = {
        cue: _choices(
            probability[labels[:, index] == 0, index],
            probability[labels[:, index] == 1, index],
            max(0.5, least.get(cue, 0.0)),
            false_findings / photos,
        )
        for index, cue in enumerate(cues)
    }
    chosen = {cue: some[0] for cue, some in choices.items()}
    while True:
        left = false_findings / photos - sum(choice.false for choice in chosen.values())
        better = [
            ((choice.found - chosen[cue].found) / max(choice.false - chosen[cue].false, TINY), cue, choice)
            for cue, some in choices.items()
            for choice in some
            if choice.found > chosen[cue].found and choice.false - chosen[cue].false <= left + TINY
        ]
        if not better:
            return {cue: choice.limit for cue, choice in chosen.items()}
        _, cue, choice = max(better)
        chosen[cue] = choice


def _choices(absent: Numbers, present: Numbers, least: float, allowed: float) -> list[_Choice]:
    """Limits of one cue, from one that nothing without it exceeds down to `least` or as far as `allowed` ones go.

    A limit lies halfway between two scores, so that no score sits on it.
    """
    negatives = np.concatenate([[1.0], np.sort(absent)[::-1], [0.0]])
    choices = []
    for false in range(int(allowed * len(absent)) + 1):
        higher, lower = negatives[false : false + 2]
        limit = float(min(max(least, (higher + lower) / 2 if false else lower + 1e-6), 1 - 1e-6))
        above = int((absent > limit).sum())
        choices.append(_Choice(above / max(1, len(absent)), int((present > limit).sum()), limit))
        if limit <= least:
            break
    return choices


def ordinary_limits(probability: Numbers, cues: tuple[str, ...]) -> dict[str, float]:
    """A limit by cue that none of the photos (photos, cues) exceeds; 0 without photos.

    What real photos do to a network that learnt from renders, held-out renders cannot tell. Of n photos that training
    did not label, another like them exceeds the limit with a chance of 1 / (n + 1) (rank argument, as in conformal
    prediction; Vovk, Gammerman and Shafer 2005).
    """
    highest = probability.max(0, initial=0.0)
    return {cue: float(min(highest[index] + 1e-6, 1 - 1e-6)) for index, cue in enumerate(cues)}


def box_limit(counts: npt.NDArray[np.int64], scale: Scale, otherwise: float) -> float:
    """The cell probability above which boxes are drawn: the best intersection over union on held-out masks.

    `counts` (2, bins) is of Predictions.cell_counts. Without a mask it is `otherwise`.
    """
    if counts[1].sum() == 0:
        return otherwise
    absent, present = (np.cumsum(row[::-1])[::-1] for row in counts)  # cells at or above each bin's lower edge
    union = absent + counts[1].sum()
    best = int(np.argmax(present / np.maximum(union, 1)))
    probability = float(expit(scale.scale * LOGIT_EDGES[best] + scale.offset))
    return min(max(probability, 1e-6), 1 - 1e-6)


def score_levels(limit: float, absent: Numbers, ordinary: Numbers) -> tuple[Level, ...]:
    """The limit, and below it the scores that LEVELS of the photos without the cue (n,) exceed; nothing measured yet.

    Ordinary real photos (m,) count as photos without it, which some are not: of the two scores the higher one is the
    level. Where k of the m lie above it, another like them does with a chance of (k + 1) / (m + 1) at most (the rank
    argument of `ordinary_limits`).
    """
    scores = [limit]
    for share in LEVELS:
        higher = [float(np.sort(some)[::-1][int(share * len(some))]) for some in (absent, ordinary) if len(some)]
        if higher and max(higher) < scores[-1]:
            scores.append(max(higher))
    unknown = proportion(0, 0)
    expected = [
        (int((ordinary > score).sum()) + 1) / (len(ordinary) + 1) if len(ordinary) else None for score in scores
    ]
    return tuple(
        Level(score=score, sensitivity=unknown, false_alarm=unknown, ordinary=share)
        for score, share in zip(scores, expected, strict=True)
    )


def cue_rates(
    predictions: Predictions, calibration: Calibration, levels: Mapping[str, Sequence[Level]]
) -> dict[str, CueRates]:
    """Share of shown cues found, and of absent ones wrongly found, with 95 % intervals.

    `levels`: of each cue the limit, then lower scores, to be measured anew.
    """
    probability, labels = cue_probabilities(predictions, calibration.cues), predictions.labels
    rates = {}
    for index, cue in enumerate(predictions.channels.cues):
        present, absent = (probability[labels[:, index] == label, index] for label in (1, 0))
        measured = [
            level.model_copy(
                update={
                    "sensitivity": proportion(int((present > level.score).sum()), len(present)),
                    "false_alarm": proportion(int((absent > level.score).sum()), len(absent)),
                }
            )
            for level in levels[cue]
        ]
        rates[cue] = CueRates(
            sensitivity=measured[0].sensitivity,
            false_alarm=measured[0].false_alarm,
            positives=len(present),
            negatives=len(absent),
            levels=tuple(measured),
        )
    return rates


def proportion(successes: int, trials: int, *, confidence: float = 0.95) -> tuple[float, float, float]:
    """Exact interval and mean of a share: (low, mean, high), Clopper and Pearson (1934). Of no trials: (0, 0.5, 1)."""
    if trials == 0:
        return 0.0, 0.5, 1.0
    tail = (1 - confidence) / 2
    low = 0.0 if successes == 0 else float(beta.ppf(tail, successes, trials - successes + 1))
    high = 1.0 if successes == trials else float(beta.ppf(1 - tail, successes + 1, trials - successes))
    return low, successes / trials, high
