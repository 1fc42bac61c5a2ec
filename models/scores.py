"""Scores of predictions against labels, through torchmetrics and SciPy. Unknown labels count for nothing."""

from __future__ import annotations

import warnings

import numpy as np
import numpy.typing as npt
import torch
from scipy.special import expit
from torchmetrics.functional.classification import binary_average_precision

from models.predictions import Predictions

Numbers = npt.NDArray[np.floating]


def average_precision(labels: Numbers, scores: Numbers) -> float:
    """Average precision over the known labels (1 or 0; nan is unknown); nan unless both kinds are there."""
    known = ~np.isnan(labels)
    truth = labels[known]
    if truth.size == 0 or truth.min() == truth.max():
        return float("nan")
    # Here and not in torchmetrics, whose vectorised sigmoid breaks ties
    probability = torch.from_numpy(expit(scores[known].astype(np.float64)))
    return float(binary_average_precision(probability, torch.from_numpy(truth).long()))


def cue_scores(predictions: Predictions) -> dict[str, float]:
    """The short list for a log: average precision by cue, their mean, peak in mask, shot and vehicle accuracy."""
    labels, cues = predictions.labels, predictions.channels.cues
    precision = {cue: average_precision(labels[:, i], predictions.cue_scores[:, i]) for i, cue in enumerate(cues)}
    found = {f"ap/{cue}": value for cue, value in precision.items() if not np.isnan(value)}
    scores = {"map": mean_of(list(found.values())), "peak_inside": mean_of(predictions.peak_inside)}
    scores |= {"shot_accuracy": shot_accuracy(predictions), "vehicle_accuracy": vehicle_accuracy(predictions)}
    return {key: value for key, value in (scores | found).items() if not np.isnan(value)}


def shot_accuracy(predictions: Predictions) -> float:
    """Share of photos with a known shot whose likeliest shot is right (or is also right)."""
    return mean_of(shots_right(predictions))


def shots_right(predictions: Predictions) -> list[bool]:
    """Whether the likeliest shot is right (or also right), of the photos whose shot is known."""
    shots = predictions.channels.shots
    return [
        shots[int(row.argmax())] in (sample.shot, *sample.also_shots)
        for row, sample in zip(predictions.shots, predictions.samples, strict=True)
        if sample.shot in shots
    ]


def vehicle_accuracy(predictions: Predictions) -> float:
    """Share of photos rightly said to show a vehicle or not."""
    right = [
        (logit > 0) == sample.vehicle_visible
        for logit, sample in zip(predictions.vehicle, predictions.samples, strict=True)
        if sample.vehicle_visible is not None
    ]
    return mean_of(right)


def mean_of(values: npt.ArrayLike) -> float:
    """Mean of what is not nan; nan of nothing."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # "mean of empty slice" is the answer nan
        return float(np.nanmean(np.asarray(values, np.float64)))
