"""Which of two networks is better: both on the same photos, the difference with its interval (paired, by vehicle).

Only cues that both were taught are compared; what only one can do is named. Each network is read by its own calibration
and limits.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from models.calibrate import Calibrated, cue_probabilities
from models.evaluate import (
    Numbers,
    mean_precision,
    mean_precision_within_place,
    place_numbers,
    precision_within_place,
    recall_at_specificity,
    tidy,
    vehicles_of,
    write_page,
)
from models.predictions import Predictions
from models.resampling import RESAMPLES, Rows, resample
from models.scores import average_precision, mean_of

Score = Callable[[Rows], float]


@dataclass(frozen=True)
class Candidate:
    """One of the two: a name to show, what it said of the photos, and how its logits are read."""

    name: str
    predictions: Predictions
    calibrated: Calibrated


def compare(
    first: Candidate, second: Candidate, *, data: str, resamples: int = RESAMPLES, photos: int = 20
) -> dict[str, Any]:
    """Scores of both and second minus first, ready for JSON; None where the photos cannot tell.

    `photos`: how many photos with the largest change are listed. Raises ValueError when the photos are not the same.
    """
    if [sample.photo for sample in first.predictions.samples] != [
        sample.photo for sample in second.predictions.samples
    ]:
        raise ValueError("the two networks have not seen the same photos")
    cues = tuple(cue for cue in first.predictions.channels.cues if cue in second.predictions.channels.cues)
    sides = [_Side.of(candidate, cues) for candidate in (first, second)]
    vehicles = vehicles_of(first.predictions)

    def row(score_of: Callable[[_Side], Score]) -> dict[str, Any] | None:
        one, other = (score_of(side) for side in sides)
        difference = resample(vehicles, lambda rows: other(rows) - one(rows), resamples=resamples)
        if difference is None:
            return None
        every = np.arange(len(vehicles), dtype=np.intp)
        return {
            "first": one(every), "second": other(every), "difference": difference.interval,
            "second_better": difference.share_above_zero,
        }  # fmt: skip

    return dict(
        tidy(
            {
                "data": data,
                "first": first.name,
                "second": second.name,
                "photos": len(vehicles),
                "vehicles": len(set(vehicles)),
                "only_first": [cue for cue in first.predictions.channels.cues if cue not in cues],
                "only_second": [cue for cue in second.predictions.channels.cues if cue not in cues],
                "scores": {
                    "mean average precision": row(lambda side: side.mean_precision),
                    "the same, within one kind of place": row(lambda side: side.mean_precision_within_place),
                    "mean recall at 2 % false alarms": row(lambda side: side.mean_recall),
                    "peak inside": row(lambda side: side.peak_inside),
                    "shot right": row(lambda side: side.shot_right),
                    "vehicle or not right": row(lambda side: side.vehicle_right),
                    "findings on absent or unlabelled cues, a photo": row(lambda side: side.doubtful_findings),
                },
                "cues": {
                    cue: {
                        "positives": int((sides[0].labels[:, index] == 1).sum()),
                        "negatives": int((sides[0].labels[:, index] == 0).sum()),
                        "average precision": row(_of_cue(index, _Side.precision)),
                        "within one kind of place": row(_of_cue(index, _Side.precision_within_place)),
                        "recall at 2 % false alarms": row(_of_cue(index, _Side.recall)),
                    }
                    for index, cue in enumerate(cues)
                },
                "changes": _changes(sides[0], sides[1], cues, first.predictions, photos),
            }
        )
    )


def is_better(row: Mapping[str, Any] | None) -> bool:
    """Whether the whole interval of the difference lies above zero."""
    return row is not None and row["difference"][0] > 0


def is_worse(row: Mapping[str, Any] | None) -> bool:
    """Whether the whole interval of the difference lies below zero."""
    return row is not None and row["difference"][2] < 0


@dataclass(frozen=True)
class _Side:
    """What one network said, columns in the order of the shared cues."""

    labels: Numbers
    logits: Numbers
    probability: Numbers
    found: Numbers
    peaks: Numbers
    shots: Numbers
    vehicle: Numbers
    places: Rows

    @classmethod
    def of(cls, candidate: Candidate, cues: tuple[str, ...]) -> _Side:
        predictions, calibrated = candidate.predictions, candidate.calibrated
        columns = [predictions.channels.cues.index(cue) for cue in cues]
        probability = cue_probabilities(predictions, calibrated.calibration.cues)[:, columns]
        limits = np.array([calibrated.limits[cue] for cue in cues])
        names = predictions.channels.shots
        shots = [
            np.nan if sample.shot not in names else float(names[int(row.argmax())] in (sample.shot, *sample.also_shots))
            for row, sample in zip(predictions.shots, predictions.samples, strict=True)
        ]
        vehicle = [
            np.nan if sample.vehicle_visible is None else float((logit > 0) == sample.vehicle_visible)
            for logit, sample in zip(predictions.vehicle, predictions.samples, strict=True)
        ]
        return cls(
            labels=predictions.labels[:, columns],
            logits=predictions.cue_scores[:, columns],
            probability=probability,
            found=(probability > limits).astype(float),
            peaks=predictions.peak_inside[:, columns],
            shots=np.array(shots, float),
            vehicle=np.array(vehicle, float),
            places=place_numbers(predictions),
        )

    def mean_precision(self, rows: Rows) -> float:
        return mean_precision(self.labels[rows], self.logits[rows])

    def mean_precision_within_place(self, rows: Rows) -> float:
        return mean_precision_within_place(self.labels[rows], self.logits[rows], self.places[rows])

    def mean_recall(self, rows: Rows) -> float:
        return mean_of([self.recall(rows, index) for index in range(self.labels.shape[1])])

    def peak_inside(self, rows: Rows) -> float:
        return mean_of(self.peaks[rows])

    def shot_right(self, rows: Rows) -> float:
        return mean_of(self.shots[rows])

    def vehicle_right(self, rows: Rows) -> float:
        return mean_of(self.vehicle[rows])

    def doubtful_findings(self, rows: Rows) -> float:
        return float((self.found[rows] * (self.labels[rows] != 1)).sum(1).mean())

    def precision(self, rows: Rows, index: int) -> float:
        return average_precision(self.labels[rows, index], self.logits[rows, index])

    def precision_within_place(self, rows: Rows, index: int) -> float:
        return precision_within_place(self.labels[rows, index], self.logits[rows, index], self.places[rows])

    def recall(self, rows: Rows, index: int) -> float:
        return recall_at_specificity(self.labels[rows, index], self.probability[rows, index])


def _of_cue(index: int, score: Callable[[_Side, Rows, int], float]) -> Callable[[_Side], Score]:
    return lambda side: lambda rows: score(side, rows, index)


def _changes(
    first: _Side, second: _Side, cues: tuple[str, ...], predictions: Predictions, most: int
) -> list[dict[str, Any]]:
    """Photos and cues whose probability moved most, largest first: the ones to look at."""
    moved = second.probability - first.probability
    order = np.argsort(-np.abs(moved), axis=None)[:most]
    changes = []
    for row, column in zip(*np.unravel_index(order, moved.shape), strict=True):
        label = first.labels[row, column]
        changes.append(
            {
                "photo": predictions.samples[int(row)].photo.name,
                "cue": cues[int(column)],
                "label": None if np.isnan(label) else int(label),
                "first": round(float(first.probability[row, column]), 4),
                "second": round(float(second.probability[row, column]), 4),
            }
        )
    return changes


def write_comparison(comparison: Mapping[str, Any], folder: Path) -> Path:
    """Write comparison.json and comparison.html into `folder`; returns the JSON's path."""
    write_page("comparison.html.j2", folder / "comparison.html", comparison=comparison)
    path = folder / "comparison.json"
    path.write_text(json.dumps(comparison, indent=2) + "\n", encoding="utf-8")
    return path
