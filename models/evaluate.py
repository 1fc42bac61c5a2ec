"""Measure a network on labelled photos: JSON for the record, one HTML page to read.

Unknown labels count for nothing. Intervals of average precision, recall and calibration error resample vehicles (see
resampling.py); shares have exact intervals.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import torch
from scipy.special import expit
from scipy.stats import chi2
from sklearn.metrics import confusion_matrix, roc_auc_score
from torchmetrics.functional.classification import binary_calibration_error, binary_sensitivity_at_specificity

from models.calibrate import Calibrated, cue_probabilities, proportion, shot_indices
from models.predictions import LOGIT_EDGES, Predictions
from models.resampling import RESAMPLES, Interval, Rows, interval_of
from models.scores import average_precision, mean_of, shots_right, vehicle_accuracy
from models.strata import kind_of_place, members
from pipeline.network import Scale

Numbers = npt.NDArray[np.floating]

LEAST_SPECIFICITY = 0.98
STRATUM_RESAMPLES = 200
BINS = 15


def evaluate(
    predictions: Predictions, calibrated: Calibrated, *, data: str, resamples: int = RESAMPLES
) -> dict[str, Any]:
    """Every score of one data set, ready for JSON; None where the photos cannot tell."""
    cues, labels, vehicles = predictions.channels.cues, predictions.labels, vehicles_of(predictions)
    scores, places = predictions.cue_scores, place_numbers(predictions)
    probability = cue_probabilities(predictions, calibrated.calibration.cues)
    limits = np.array([calibrated.limits[cue] for cue in cues])
    found = probability > limits
    by_cue = {
        cue: _cue(predictions, calibrated, probability[:, index], places, index, resamples)
        for index, cue in enumerate(cues)
    }
    known = ~np.isnan(labels)
    unlabelled = ~known.any(1)

    interval = partial(interval_of, vehicles, resamples=resamples)
    score: dict[str, Any] = tidy(
        {
            "data": data,
            "photos": len(predictions.samples),
            "vehicles": len(set(vehicles)),
            "cues": by_cue,
            "mean_average_precision": interval(lambda rows: mean_precision(labels[rows], scores[rows])),
            "mean_average_precision_within_place": interval(
                lambda rows: mean_precision_within_place(labels[rows], scores[rows], places[rows])
            ),
            "all_cues": {
                "positives": int((labels == 1).sum()),
                "negatives": int((labels == 0).sum()),
                "recall_at_2pct_false_alarms": interval(
                    lambda rows: recall_at_specificity(labels[rows].ravel(), probability[rows].ravel())
                ),
                "sensitivity": interval(lambda rows: mean_of(found[rows][labels[rows] == 1])),
                "false_alarm": interval(lambda rows: mean_of(found[rows][labels[rows] == 0])),
            },
            "peak_inside": interval(lambda rows: mean_of(predictions.peak_inside[rows])),
            "calibration_error": interval(
                lambda rows: _calibration_error(probability[rows][known[rows]], labels[rows][known[rows]])
            ),
            "reliability": _reliability(probability[known], labels[known]),
            "shot_accuracy": _share(shots_right(predictions)),
            "shot_confusion": _confusion(predictions),
            "vehicle_accuracy": vehicle_accuracy(predictions),
            "novelty": _novelty(predictions, calibrated),
            "strata": _strata(predictions, found, min(resamples, STRATUM_RESAMPLES)),
            # Findings on cues labelled absent, and on photos whose cues nobody labelled: the latter need looking at.
            "false_findings_a_photo": _rate(int((found & (labels == 0)).sum()), int((labels == 0).any(1).sum())),
            "findings_a_photo_unlabelled": _rate(int(found[unlabelled].sum()), int(unlabelled.sum())),
            "photos_with_an_unlabelled_or_false_finding": _share((found & (labels != 1)).any(1).tolist()),
            "findings": [
                {"photo": sample.photo.name, "cue": cue, "probability": round(float(probability[row, index]), 4),
                 "label": None if np.isnan(labels[row, index]) else int(labels[row, index])}
                for row, sample in enumerate(predictions.samples)
                for index, cue in enumerate(cues)
                if found[row, index] and labels[row, index] != 1
            ],
        }
    )  # fmt: skip
    return score


def vehicles_of(predictions: Predictions) -> list[str]:
    """The vehicle of each row."""
    return [sample.vehicle for sample in predictions.samples]


def _cue(
    predictions: Predictions,
    calibrated: Calibrated,
    probability: Numbers,
    places: npt.NDArray[np.intp],
    index: int,
    resamples: int,
) -> dict[str, Any]:
    cue = predictions.channels.cues[index]
    labels, vehicles = predictions.labels[:, index], vehicles_of(predictions)
    scores = predictions.cue_scores[:, index]
    shown, absent = labels == 1, labels == 0
    found = probability > calibrated.limits[cue]

    interval = partial(interval_of, vehicles, resamples=resamples)
    return {
        "positives": int(shown.sum()),
        "negatives": int(absent.sum()),
        "average_precision": interval(lambda rows: average_precision(labels[rows], scores[rows])),
        "average_precision_within_place": interval(
            lambda rows: precision_within_place(labels[rows], scores[rows], places[rows])
        ),
        "recall_at_2pct_false_alarms": interval(lambda rows: recall_at_specificity(labels[rows], probability[rows])),
        "calibration_error": _calibration_error(probability[shown | absent], labels[shown | absent]),
        "reliability": _reliability(probability[shown | absent], labels[shown | absent]),
        "sensitivity": _share(found[shown].tolist()),
        "false_alarm": _share(found[absent].tolist()),
        "peak_inside": _share(predictions.peak_inside[~np.isnan(predictions.peak_inside[:, index]), index].tolist()),
        "iou": cell_iou(predictions.cell_counts[index], calibrated.calibration.cues[cue], calibrated.box_limits[cue]),
    }


def mean_precision(labels: Numbers, scores: Numbers) -> float:
    """Mean over the cues (columns) of their average precision; nan where no cue can be told."""
    return mean_of([average_precision(labels[:, i], scores[:, i]) for i in range(labels.shape[1])])


def precision_within_place(labels: Numbers, scores: Numbers, places: npt.NDArray[np.intp]) -> float:
    """Average precision among photos of one kind of place, averaged over the places that show the cue with and without.

    Knowing the scene earns nothing here: a rubber with is compared with a rubber without. `places` numbers the places,
    -1 for unknown. nan when no place holds both.
    """
    known = ~np.isnan(labels)
    mixed = np.intersect1d(places[known & (labels == 1)], places[known & (labels == 0)])
    return mean_of(
        [average_precision(labels[places == place], scores[places == place]) for place in mixed if place >= 0]
    )


def mean_precision_within_place(labels: Numbers, scores: Numbers, places: npt.NDArray[np.intp]) -> float:
    """The same, averaged over the cues (columns)."""
    return mean_of([precision_within_place(labels[:, i], scores[:, i], places) for i in range(labels.shape[1])])


def place_numbers(predictions: Predictions) -> npt.NDArray[np.intp]:
    """A number for the kind of place of each photo, -1 where the table does not tell."""
    kinds = [kind_of_place(sample) for sample in predictions.samples]
    names = sorted({kind for kind in kinds if kind is not None})
    return np.array([-1 if kind is None else names.index(kind) for kind in kinds], np.intp)


def recall_at_specificity(labels: Numbers, scores: Numbers, specificity: float = LEAST_SPECIFICITY) -> float:
    """Share of the shown cues found when at most 1 − `specificity` of the absent ones are; nan without both kinds."""
    known = ~np.isnan(labels)
    if not known.any() or labels[known].min() == labels[known].max():
        return float("nan")
    sensitivity, _ = binary_sensitivity_at_specificity(
        torch.from_numpy(scores[known]).double(),
        torch.from_numpy(labels[known]).long(),
        specificity,
        validate_args=False,
    )
    return float(sensitivity)


def cell_iou(counts: npt.NDArray[np.int64], scale: Scale, limit: float) -> float:
    """Intersection over union of the map's cells above the box limit and the true masks, over all photos together."""
    if counts[1].sum() == 0:
        return float("nan")
    above = expit(scale.scale * LOGIT_EDGES[:-1] + scale.offset) >= limit - 1e-9
    return float(counts[1, above].sum() / (counts[1].sum() + counts[0, above].sum()))


def _calibration_error(probability: Numbers, labels: Numbers) -> float:
    """Expected calibration error (Guo et al. 2017, eq. 3) of the probability of the cue, in equal bins."""
    if labels.size == 0:
        return float("nan")
    return float(
        binary_calibration_error(
            torch.from_numpy(probability.astype(np.float64)), torch.from_numpy(labels).long(), n_bins=BINS, norm="l1"
        )
    )


def _reliability(probability: Numbers, labels: Numbers) -> list[dict[str, float]]:
    """Mean probability, share shown (with its exact 95 % interval) and count by bin of probability."""
    bins = np.minimum((probability * BINS).astype(int), BINS - 1)
    points = []
    for place in np.unique(bins):
        here = labels[bins == place]
        low, share, high = proportion(int(here.sum()), len(here))
        mean = float(probability[bins == place].mean())
        points.append({"probability": mean, "low": low, "share": share, "high": high, "count": len(here)})
    return points


def _confusion(predictions: Predictions) -> dict[str, dict[str, int]]:
    """Photos by true shot and likeliest shot; only shots that some photo is of."""
    shots, actual = predictions.channels.shots, shot_indices(predictions)
    known = actual >= 0
    if not known.any():
        return {}
    counts = confusion_matrix(actual[known], predictions.shots[known].argmax(1), labels=range(len(shots)))
    return {
        shot: {other: int(count) for other, count in zip(shots, row, strict=True)}
        for shot, row in zip(shots, counts, strict=True)
        if row.any()
    }


def _novelty(predictions: Predictions, calibrated: Calibrated) -> dict[str, Any] | None:
    """Share of the photos called unlike anything learnt, with and without a vehicle, and how well that tells the two.

    `auroc`: chance that a photo without a vehicle is further off than one with (1 is perfect, 0.5 is chance).
    """
    if calibrated.novelty is None or predictions.features.shape[1] != calibrated.novelty.features:
        return None
    score = calibrated.novelty.score(predictions.features)
    shown = np.array([np.nan if s.vehicle_visible is None else s.vehicle_visible for s in predictions.samples], float)
    both = (shown == 1).any() and (shown == 0).any()
    known = ~np.isnan(shown)
    return {
        "vehicle_photos_not_judged": _share((score[shown == 1] > 1).tolist()),
        "other_photos_not_judged": _share((score[shown == 0] > 1).tolist()),
        "auroc": float(roc_auc_score(shown[known] == 0, score[known])) if both else None,
    }


def _mean_precision_of(predictions: Predictions) -> Callable[[Rows], float]:
    return lambda rows: mean_precision(predictions.labels[rows], predictions.cue_scores[rows])


def _strata(
    predictions: Predictions, found: npt.NDArray[np.bool_], resamples: int
) -> dict[str, dict[str, dict[str, Any]]]:
    """Scores of photos that have light, distance, place, dirt or body colour in common, where the table names them.

    `false_alarm` and `sensitivity` are those at the default limits, of all cues together.
    """
    table: dict[str, dict[str, dict[str, Any]]] = {}
    for kind, groups in members(predictions.samples).items():
        if len(groups) < 2:
            continue  # all photos in one stratum: nothing to tell apart
        for name, rows in groups.items():
            part, labels = select(predictions, rows), predictions.labels[rows]
            table.setdefault(kind, {})[name] = {
                "photos": len(rows),
                "vehicles": len(set(vehicles_of(part))),
                "positives": int((labels == 1).sum()),
                "mean_average_precision": interval_of(vehicles_of(part), _mean_precision_of(part), resamples=resamples),
                "sensitivity": _share(found[rows][labels == 1].tolist()),
                "false_alarm": _share(found[rows][labels == 0].tolist()),
                "peak_inside": mean_of(part.peak_inside),
                "shot_accuracy": _share(shots_right(part)),
            }
    return table


def select(predictions: Predictions, rows: Sequence[int]) -> Predictions:
    """The predictions of some photos (cell counts stay those of all)."""
    chosen = np.array(rows, int)
    return replace(
        predictions,
        samples=tuple(predictions.samples[row] for row in rows),
        cue_scores=predictions.cue_scores[chosen],
        shots=predictions.shots[chosen],
        vehicle=predictions.vehicle[chosen],
        features=predictions.features[chosen],
        peak_inside=predictions.peak_inside[chosen],
    )


def _share(values: Sequence[bool | float]) -> Interval | None:
    return proportion(int(sum(values)), len(values)) if len(values) else None


def _rate(count: int, photos: int) -> Interval | None:
    """Events a photo with the exact interval of a Poisson count (Garwood 1936)."""
    if photos == 0:
        return None
    low = 0.0 if count == 0 else float(chi2.ppf(0.025, 2 * count)) / 2
    return low / photos, count / photos, float(chi2.ppf(0.975, 2 * count + 2)) / 2 / photos


def tidy(value: Any) -> Any:
    """nan to None, so that the JSON is valid."""
    if isinstance(value, Mapping):
        return {key: tidy(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [tidy(item) for item in value]
    return None if isinstance(value, float) and np.isnan(value) else value


def write_evaluation(score: Mapping[str, Any], folder: Path) -> Path:
    """Write evaluation.json and evaluation.html into `folder`; returns the JSON's path."""
    write_page("evaluation.html.j2", folder / "evaluation.html", score=score)
    path = folder / "evaluation.json"
    path.write_text(json.dumps(score, indent=2) + "\n", encoding="utf-8")
    return path


def write_page(template: str, path: Path, **content: Any) -> None:
    """Render a template of `models/templates` to `path`, whose folder is made if it is not there."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    path.parent.mkdir(parents=True, exist_ok=True)
    environment = Environment(loader=PackageLoader("models", "templates"), undefined=StrictUndefined, autoescape=True)
    environment.filters["interval"] = show_interval
    path.write_text(environment.get_template(template).render(**content), encoding="utf-8")


def show_interval(value: Sequence[float] | float | None, digits: int = 3) -> str:
    """`0.912 (0.880 to 0.934)` of (low, mean, high); a plain number as it is; a dash of None."""
    if value is None:
        return "–"
    if isinstance(value, (int, float)):
        return f"{value:.{digits}f}"
    low, mean, high = value
    return f"{mean:.{digits}f} ({low:.{digits}f} to {high:.{digits}f})"
