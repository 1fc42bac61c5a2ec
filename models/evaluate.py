"""Measure a network on labelled photos: JSON for the record, one HTML page to read.

Unknown labels count for nothing. Intervals of average precision resample vehicles, not photos: photos of one vehicle
are no independent witnesses (cluster bootstrap, Davison and Hinkley 1997, section 3.8). Shares have exact intervals.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import torch
from scipy.special import expit
from scipy.stats import chi2
from torchmetrics.functional.classification import binary_calibration_error, binary_sensitivity_at_specificity

from models.calibrate import Calibrated, cue_probabilities, proportion
from models.predictions import LOGIT_EDGES, Predictions
from models.scores import average_precision, mean_of, shot_accuracy, shots_right, vehicle_accuracy
from pipeline.network import Scale

Numbers = npt.NDArray[np.floating]
Interval = tuple[float, float, float]

LEAST_SPECIFICITY = 0.98
RESAMPLES = 500
BINS = 15
SLICES = ("light", "family", "shot", "source")


def evaluate(
    predictions: Predictions, calibrated: Calibrated, *, data: str, resamples: int = RESAMPLES
) -> dict[str, Any]:
    """Every score of one data set, ready for JSON; None where the photos cannot tell."""
    cues, labels = predictions.channels.cues, predictions.labels
    probability = cue_probabilities(predictions, calibrated.calibration.cues)
    limits = np.array([calibrated.limits[cue] for cue in cues])
    found = probability > limits
    by_cue = {
        cue: _cue(predictions, calibrated, probability[:, index], index, resamples) for index, cue in enumerate(cues)
    }
    known = ~np.isnan(labels)
    unlabelled = ~known.any(1)
    scores: dict[str, Any] = _tidy(
        {
            "data": data,
            "photos": len(predictions.samples),
            "vehicles": len({sample.vehicle for sample in predictions.samples}),
            "cues": by_cue,
            "mean_average_precision": _bootstrap(predictions, _mean_ap, resamples),
            "mean_average_precision_within_place": mean_of(
                [cue["average_precision_within_place"] for cue in by_cue.values()]
            ),
            "peak_inside": mean_of(predictions.peak_inside),
            "calibration_error": _calibration_error(probability[known], labels[known]),
            "reliability": _reliability(probability[known], labels[known]),
            "shot_accuracy": _share(shots_right(predictions)),
            "shot_confusion": _confusion(predictions),
            "vehicle_accuracy": vehicle_accuracy(predictions),
            "slices": _slices(predictions),
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
    return scores


def _cue(
    predictions: Predictions, calibrated: Calibrated, probability: Numbers, index: int, resamples: int
) -> dict[str, Any]:
    cue = predictions.channels.cues[index]
    labels = predictions.labels[:, index]
    shown, absent = labels == 1, labels == 0
    found = probability > calibrated.limits[cue]
    both = bool(shown.any() and absent.any())
    return {
        "positives": int(shown.sum()),
        "negatives": int(absent.sum()),
        "average_precision": _bootstrap(predictions, _one_ap(index), resamples) if both else None,
        "average_precision_within_place": precision_within_place(predictions, index),
        "recall_at_2pct_false_alarms": recall_at_specificity(labels, probability) if both else None,
        "calibration_error": _calibration_error(probability[shown | absent], labels[shown | absent]),
        "sensitivity": _share(found[shown].tolist()),
        "false_alarm": _share(found[absent].tolist()),
        "peak_inside": _share(predictions.peak_inside[~np.isnan(predictions.peak_inside[:, index]), index].tolist()),
        "iou": cell_iou(predictions.cell_counts[index], calibrated.calibration.cues[cue], calibrated.box_limits[cue]),
    }


def precision_within_place(predictions: Predictions, index: int) -> float:
    """Average precision among photos of one kind of place, averaged over the places that show the cue with and without.

    Knowing the scene earns nothing here: a rubber with is compared with a rubber without. nan when no place holds both.
    """
    labels, scores = predictions.labels[:, index], predictions.cue_scores[:, index]
    places = np.array([str(sample.details.get("place")) for sample in predictions.samples])
    named = [sample.details.get("place") is not None for sample in predictions.samples]
    return mean_of(
        [average_precision(labels[places == place], scores[places == place]) for place in sorted(set(places[named]))]
    )


def recall_at_specificity(labels: Numbers, scores: Numbers, specificity: float = LEAST_SPECIFICITY) -> float:
    """Share of the shown cues found when at most 1 − `specificity` of the absent ones are."""
    known = ~np.isnan(labels)
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


def _one_ap(index: int) -> Callable[[Numbers, Numbers], float]:
    return lambda labels, scores: average_precision(labels[:, index], scores[:, index])


def _mean_ap(labels: Numbers, scores: Numbers) -> float:
    return mean_of([average_precision(labels[:, i], scores[:, i]) for i in range(labels.shape[1])])


def _bootstrap(predictions: Predictions, score: Callable[[Numbers, Numbers], float], resamples: int) -> Interval | None:
    """(low, value, high): the score, and the 95 % percentile interval over draws of vehicles."""
    labels, scores = predictions.labels, predictions.cue_scores
    value = score(labels, scores)
    if np.isnan(value):
        return None
    names = np.array([sample.vehicle for sample in predictions.samples])
    rows = [np.flatnonzero(names == name) for name in sorted(set(names))]
    rng = np.random.default_rng(0)
    draws = []
    for _ in range(resamples):
        chosen = np.concatenate([rows[index] for index in rng.integers(len(rows), size=len(rows))])
        draws.append(score(labels[chosen], scores[chosen]))
    if np.isnan(draws).all():
        return None
    low, high = np.nanquantile(draws, (0.025, 0.975))
    return float(min(low, value)), value, float(max(high, value))


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
    """Mean probability, share shown and count by bin of probability."""
    bins = np.minimum((probability * BINS).astype(int), BINS - 1)
    return [
        {
            "probability": float(probability[bins == place].mean()),
            "share": float(labels[bins == place].mean()),
            "count": int((bins == place).sum()),
        }
        for place in range(BINS)
        if (bins == place).any()
    ]


def _confusion(predictions: Predictions) -> dict[str, dict[str, int]]:
    """Photos by true shot and likeliest shot."""
    shots = predictions.channels.shots
    table: dict[str, dict[str, int]] = {}
    for row, sample in zip(predictions.shots, predictions.samples, strict=True):
        if sample.shot in shots:
            counts = table.setdefault(str(sample.shot), {})
            likely = shots[int(row.argmax())]
            counts[likely] = counts.get(likely, 0) + 1
    return table


def _slices(predictions: Predictions) -> dict[str, dict[str, dict[str, float]]]:
    """Mean average precision and shot accuracy by light, family, shot and source, where the table names them."""
    slices: dict[str, dict[str, dict[str, float]]] = {}
    for column in SLICES:
        values = [sample.details.get(column) for sample in predictions.samples]
        for value in sorted({str(value) for value in values if value is not None}):
            rows = [row for row, other in enumerate(values) if str(other) == value]
            part = select(predictions, rows)
            slices.setdefault(column, {})[value] = {
                "photos": len(rows),
                "mean_average_precision": _mean_ap(part.labels, part.cue_scores),
                "shot_accuracy": shot_accuracy(part),
            }
    return slices


def select(predictions: Predictions, rows: Sequence[int]) -> Predictions:
    """The predictions of some photos (cell counts stay those of all)."""
    chosen = np.array(rows, int)
    return replace(
        predictions,
        samples=tuple(predictions.samples[row] for row in rows),
        cue_scores=predictions.cue_scores[chosen],
        shots=predictions.shots[chosen],
        vehicle=predictions.vehicle[chosen],
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


def _tidy(value: Any) -> Any:
    """nan to None, so that the JSON is valid."""
    if isinstance(value, Mapping):
        return {key: _tidy(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_tidy(item) for item in value]
    return None if isinstance(value, float) and np.isnan(value) else value


def write_evaluation(score: Mapping[str, Any], folder: Path) -> Path:
    """Write evaluation.json and evaluation.html into `folder`; returns the JSON's path."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    folder.mkdir(parents=True, exist_ok=True)
    environment = Environment(loader=PackageLoader("models", "templates"), undefined=StrictUndefined, autoescape=True)
    environment.filters["interval"] = show_interval
    page = environment.get_template("evaluation.html.j2").render(score=score)
    (folder / "evaluation.html").write_text(page, encoding="utf-8")
    path = folder / "evaluation.json"
    path.write_text(json.dumps(score, indent=2) + "\n", encoding="utf-8")
    return path


def show_interval(value: Sequence[float] | float | None, digits: int = 3) -> str:
    """`0.912 (0.880 to 0.934)` of (low, mean, high); a plain number as it is; a dash of None."""
    if value is None:
        return "–"
    if isinstance(value, (int, float)):
        return f"{value:.{digits}f}"
    low, mean, high = value
    return f"{mean:.{digits}f} ({low:.{digits}f} to {high:.{digits}f})"
