"""Predictions drawn from a known truth, so that scores can be checked without a network."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from scipy.special import expit

from models.data import Sample
from models.network import Channels
from models.predictions import LOGIT_EDGES, Predictions
from pipeline.records import DETECTED_CUES, SHOTS

CUES = ("filler", "masking_edge")


def made_predictions(count: int, *, seed: int, scale: float = 1.0) -> Predictions:
    """Logits whose sigmoid is the chance of the label, times `scale`; photos come in fours from one vehicle."""
    rng = np.random.default_rng(seed)
    logits = rng.normal(-1, 2, (count, 2))
    labels = rng.random((count, 2)) < expit(logits)
    shots = rng.integers(len(SHOTS), size=count)
    shot_logits = rng.normal(0, 1, (count, len(SHOTS)))
    shot_logits[np.arange(count), shots] += 3
    samples = tuple(
        Sample(
            photo=Path(f"p{row}.jpg"), vehicle=f"v{row // 4}", split="test", shot=SHOTS[shots[row]], also_shots=(),
            vehicle_visible=bool(row % 2), cues=dict.fromkeys(DETECTED_CUES)
            | {cue: int(labels[row, index]) for index, cue in enumerate(CUES)},
            masks={}, dense=None, details={"place": ("door", "wing")[row % 2], "light": ("sun", "shade")[row // 2 % 2]},
        )
        for row in range(count)
    )  # fmt: skip
    return Predictions(
        channels=Channels(cues=CUES),
        samples=samples,
        cue_scores=(scale * logits).astype(np.float32),
        shots=shot_logits.astype(np.float32),
        vehicle=np.where(np.arange(count) % 2, 2.0, -2.0).astype(np.float32),
        peak_inside=np.full((count, 2), np.nan, np.float32),
        cell_counts=np.zeros((2, 2, len(LOGIT_EDGES) - 1), np.int64),
        features=np.zeros((count, 0), np.float32),
    )
