"""What to label next, and which labels to look at again, by what a network says of the photos.

Next: greedy choice of the photo with the largest product of uncertainty (mean binary entropy of the calibrated cue
probabilities) and distance to all that is labelled or chosen already (core sets, Sener and Savarese 2018): unsure alone
would name forty photos of one seal. Doubtful labels: confident learning (Northcutt et al. 2021) through cleanlab.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from models.data import Sample, has_table, photos_in, read_set
from models.export import onnx_forward
from models.network import Channels
from models.predictions import Predictions, predict
from pipeline.errors import BatchError
from pipeline.network import ONNX, CueNetwork, Manifest, shipped_weights
from pipeline.records import DETECTED_CUES

Numbers = npt.NDArray[np.floating]
LEAST_LABELS = 5
"""Labels of either kind that a cue needs before any of them can be doubted."""


@dataclass(frozen=True, slots=True)
class Next:
    """A photo worth labelling: how unsure the network is (0 to 1 bit a cue), and the cue it is least sure of."""

    photo: str
    uncertainty_bits: float
    novelty: float | None
    least_sure_cue: str
    probability: float


@dataclass(frozen=True, slots=True)
class Doubtful:
    """A label that the network contradicts; `quality` near 0 is a likely error, near 1 none."""

    photo: str
    cue: str
    label: int
    probability: float
    quality: float


@dataclass(frozen=True, slots=True)
class Suggestions:
    label_next: tuple[Next, ...]
    doubtful: tuple[Doubtful, ...]


def suggest(folder: Path, weights: Path | None, *, number: int, threads: int | None = None) -> Suggestions:
    """Ask the network in `weights` (the shipped one for None) about every photo of a set or folder.

    Raises BatchError where there is no photo, and WeightsError for a network that cannot be used.
    """
    samples = _samples(folder)
    where = weights or shipped_weights()
    manifest: Manifest = CueNetwork.load(where, threads=threads).manifest
    channels = Channels(manifest.cues, manifest.surfaces, manifest.zones, shots=manifest.shots)
    predictions = predict(onnx_forward(where / ONNX, threads=threads), channels, samples, batch=1)
    probability = calibrated(predictions, manifest)
    return Suggestions(
        label_next=label_next(predictions, probability, manifest, number), doubtful=doubtful(predictions, probability)
    )


def calibrated(predictions: Predictions, manifest: Manifest) -> Numbers:
    """Probability of each cue (photos, cues) by the manifest's calibration."""
    from models.calibrate import cue_probabilities

    return cue_probabilities(predictions, manifest.calibration.cues)


def label_next(predictions: Predictions, probability: Numbers, manifest: Manifest, number: int) -> tuple[Next, ...]:
    """The photos without any cue label that tell most, best first."""
    unlabelled = np.flatnonzero(np.isnan(predictions.labels).all(1))
    entropy = binary_entropy_bits(probability)
    novelty = _novelty(predictions, manifest)
    order = spread(embedding(predictions), entropy.mean(1), unlabelled, number)
    found = []
    for row in order:
        least_sure = int(entropy[row].argmax())
        found.append(
            Next(
                photo=str(predictions.samples[row].photo),
                uncertainty_bits=round(float(entropy[row].mean()), 4),
                novelty=None if novelty is None else round(float(novelty[row]), 3),
                least_sure_cue=predictions.channels.cues[least_sure],
                probability=round(float(probability[row, least_sure]), 4),
            )
        )
    return tuple(found)


def spread(points: Numbers, worth: Numbers, candidates: npt.NDArray[np.intp], number: int) -> list[int]:
    """Greedy choice among `candidates` by worth × distance to the nearest point that is no candidate or chosen already.

    `points` (n, F); `worth` (n,) is 0 or more. With nothing labelled, the first is the one of most worth.
    """
    others = np.setdiff1d(np.arange(len(points)), candidates)
    nearest = np.full(len(points), np.inf)
    for other in others:
        nearest = np.minimum(nearest, np.linalg.norm(points - points[other], axis=1))
    chosen: list[int] = []
    waiting = list(candidates)
    while waiting and len(chosen) < number:
        gain = worth[waiting] * np.where(np.isinf(nearest[waiting]), 1.0, nearest[waiting])
        best = int(waiting[int(np.argmax(gain))])
        waiting.remove(best)
        chosen.append(best)
        nearest = np.minimum(nearest, np.linalg.norm(points - points[best], axis=1))
    return chosen


def doubtful(predictions: Predictions, probability: Numbers) -> tuple[Doubtful, ...]:
    """Labels that look wrong, worst first, over the cues that have enough labels of both kinds."""
    from cleanlab.filter import find_label_issues
    from cleanlab.rank import get_label_quality_scores

    found = []
    for index, cue in enumerate(predictions.channels.cues):
        labels = predictions.labels[:, index]
        rows = np.flatnonzero(~np.isnan(labels))
        given = labels[rows].astype(int)
        if min((given == 0).sum(), (given == 1).sum()) < LEAST_LABELS:
            continue
        both = np.stack((1 - probability[rows, index], probability[rows, index]), 1)
        issues = find_label_issues(given, both, n_jobs=1)
        quality = get_label_quality_scores(given, both)
        found += [
            Doubtful(
                photo=str(predictions.samples[rows[place]].photo), cue=cue, label=int(given[place]),
                probability=round(float(both[place, 1]), 4), quality=round(float(quality[place]), 4),
            )
            for place in np.flatnonzero(issues)
        ]  # fmt: skip
    return tuple(sorted(found, key=lambda item: item.quality))


def binary_entropy_bits(probability: Numbers) -> Numbers:
    """Entropy of a yes or no of that probability, 0 to 1 bit."""
    p = np.clip(probability, 1e-12, 1 - 1e-12)
    return np.asarray(-(p * np.log2(p) + (1 - p) * np.log2(1 - p)))


def embedding(predictions: Predictions) -> Numbers:
    """Where photos lie to each other (n, F), unit length: pooled features, or an older network's logits."""
    points = predictions.features
    if points.shape[1] == 0:
        points = np.hstack((predictions.shots, predictions.cue_scores))
    centred = points - points.mean(0)
    return np.asarray(centred / np.maximum(np.linalg.norm(centred, axis=1, keepdims=True), 1e-9))


def _novelty(predictions: Predictions, manifest: Manifest) -> Numbers | None:
    if manifest.novelty is None or predictions.features.shape[1] != manifest.novelty.features:
        return None
    return manifest.novelty.score(predictions.features)


def _samples(folder: Path) -> Sequence[Sample]:
    """The set's photos; those of a folder without a table count as unlabelled."""
    if has_table(folder):
        samples = read_set(folder).samples
    else:
        unknown: Mapping[str, int | None] = dict.fromkeys(DETECTED_CUES)
        samples = tuple(
            Sample(path, path.stem, "train", None, (), None, unknown, {}, None, {}) for path in photos_in(folder)
        )
    if not samples:
        raise BatchError(folder, "there is no photo", "name a set or a folder of photos")
    return samples


def write_suggestions(found: Suggestions, folder: Path) -> None:
    """Write label_next.csv and doubtful_labels.csv."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, rows, kind in (("label_next", found.label_next, Next), ("doubtful_labels", found.doubtful, Doubtful)):
        with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            columns = list(kind.__dataclass_fields__)
            writer.writerow(columns)
            writer.writerows([getattr(row, column) for column in columns] for row in rows)
