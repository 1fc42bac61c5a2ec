"""How unlike anything learnt a photo is: the distance of its pooled features from those of the vehicles learnt.

Each block of features (the backbone's, which tell objects apart, and the pyramid's, which tell what training made of
them) is brought to unit length, since its length says more of contrast than of content, and taken as a Gaussian with a
few directions of its own and the same variance in all others (probabilistic principal components, Tipping and Bishop
1999). The score is the squared Mahalanobis distance (Lee et al. 2018) a feature, summed over the blocks. A photo beyond
the limit is not judged: what was never learnt is not clean.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt

from models.backbone import CHANNELS
from models.predictions import Predictions
from pipeline.network import Novelty, NoveltyBlock

Numbers = npt.NDArray[np.floating]

DIRECTIONS = 32
HELD_OUT_SHARE = 0.98  # of the vehicle photos of each held-out set that stay within the limit
LEAST_PHOTOS = 2 * DIRECTIONS
DIGITS = 5


def fit_novelty(learnt: Predictions, held_out: Predictions, *, share: float = HELD_OUT_SHARE) -> Novelty | None:
    """Fit on the vehicle photos of `learnt`; the limit keeps `share` of those of every set of `held_out`.

    Sets (folders) count the same however many photos they hold: else a few real photos would be lost among thousands of
    renders. None where there are too few photos, or the network gives no features.
    """
    fitting, judging = _vehicle_rows(learnt), _vehicle_rows(held_out)
    if learnt.features.shape[1] == 0 or len(fitting) < LEAST_PHOTOS or len(judging) == 0:
        return None
    features, weights = learnt.features[fitting].astype(np.float64), _even(_sets(learnt, fitting))
    start, blocks = 0, []
    for size in (CHANNELS[-1], features.shape[1] - CHANNELS[-1]):
        blocks.append(fit_block(features[:, start : start + size], weights))
        start += size
    return with_limit(Novelty(blocks=tuple(blocks), limit=1.0), held_out, share=share)


def with_limit(novelty: Novelty, held_out: Predictions, *, share: float = HELD_OUT_SHARE) -> Novelty:
    """The same distance with the limit that keeps `share` of the vehicle photos of every set of `held_out`.

    Without such photos, or with other features, it stays as it was.
    """
    rows = _vehicle_rows(held_out)
    if len(rows) == 0 or held_out.features.shape[1] != novelty.features:
        return novelty
    scores = novelty.model_copy(update={"limit": 1.0}).score(held_out.features[rows])
    sets = _sets(held_out, rows)
    limits = [float(np.quantile(scores[sets == name], share)) for name in np.unique(sets)]
    return novelty.model_copy(update={"limit": _rounded(max(limits))})


def fit_block(features: Numbers, weights: Numbers, *, directions: int = DIRECTIONS) -> NoveltyBlock:
    """The Gaussian of features (n, F) at unit length, with `directions` of its own at most; `weights` (n,) sum to 1."""
    units = features / np.maximum(np.linalg.norm(features, axis=1, keepdims=True), 1e-9)
    mean = weights @ units
    centred = (units - mean) * np.sqrt(weights)[:, None]
    _, singular, axes = np.linalg.svd(centred, full_matrices=False)
    variances = singular**2
    count = min(directions, len(variances) - 1)
    rest = variances[count:].sum() / (features.shape[1] - count)  # maximum likelihood, their equation 8
    floor = max(float(rest), 1e-12)
    return NoveltyBlock(
        mean=tuple(_rounded(value) for value in mean),
        directions=tuple(tuple(_rounded(value) for value in axis) for axis in axes[:count]),
        variances=tuple(_rounded(max(float(value), floor)) for value in variances[:count]),
        rest=_rounded(floor),
    )


def _vehicle_rows(predictions: Predictions) -> npt.NDArray[np.intp]:
    return np.flatnonzero([sample.vehicle_visible is not False for sample in predictions.samples])


def _sets(predictions: Predictions, rows: Sequence[int] | npt.NDArray[np.intp]) -> npt.NDArray[np.str_]:
    """The set of each row, by the folder of its photo."""
    folders: list[Path] = [predictions.samples[int(row)].photo.parent for row in rows]
    return np.array([str(folder) for folder in folders])


def _even(sets: npt.NDArray[np.str_]) -> Numbers:
    """Weights that sum to 1, each set's to the same."""
    names, which, counts = np.unique(sets, return_inverse=True, return_counts=True)
    return np.asarray(1 / (len(names) * counts[which]), np.float64)


def _rounded(value: float) -> float:
    return float(f"{value:.{DIGITS}g}")
