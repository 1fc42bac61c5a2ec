"""How sure a score is: draws of whole vehicles with replacement.

Photos of one vehicle are no independent witnesses, so vehicles are drawn and not photos (cluster bootstrap, Davison and
Hinkley 1997, section 3.8); two networks are compared on the same draws (paired).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Interval = tuple[float, float, float]
"""(low, value, high) of a 95 % interval."""
Rows = npt.NDArray[np.intp]
"""Indices of photos; a photo whose vehicle was drawn twice is in it twice."""

RESAMPLES = 500


@dataclass(frozen=True, slots=True)
class Resampled:
    """A score of all photos, and of each draw of vehicles (draws that cannot tell are left out)."""

    value: float
    draws: npt.NDArray[np.float64]

    @property
    def interval(self) -> Interval:
        """The value within its 95 % percentile interval."""
        low, high = np.quantile(self.draws, (0.025, 0.975))
        return float(min(low, self.value)), self.value, float(max(high, self.value))

    @property
    def share_above_zero(self) -> float:
        """Share of the draws with a score above zero (of ties, half): how sure a difference's sign is."""
        return float((self.draws > 0).mean() + (self.draws == 0).mean() / 2)


def resample(
    vehicles: Sequence[str], score: Callable[[Rows], float], *, resamples: int = RESAMPLES, seed: int = 0
) -> Resampled | None:
    """`score` of all rows and of `resamples` draws of vehicles; None where the photos cannot tell (nan)."""
    names = np.array(vehicles)
    value = score(np.arange(len(names), dtype=np.intp))
    if np.isnan(value):
        return None
    _, which = np.unique(names, return_inverse=True)
    rows = [np.flatnonzero(which == vehicle) for vehicle in range(int(which.max()) + 1)]
    rng = np.random.default_rng(seed)
    draws = [
        score(np.concatenate([rows[index] for index in rng.integers(len(rows), size=len(rows))]))
        for _ in range(resamples)
    ]
    known = np.array([draw for draw in draws if not np.isnan(draw)], np.float64)
    return Resampled(value, known) if known.size else None


def interval_of(
    vehicles: Sequence[str], score: Callable[[Rows], float], *, resamples: int = RESAMPLES
) -> Interval | None:
    """`score` of all rows within its 95 % interval; None where the photos cannot tell."""
    resampled = resample(vehicles, score, resamples=resamples)
    return resampled.interval if resampled else None
