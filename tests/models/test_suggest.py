import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.special import expit
from scipy.stats import entropy

from models.predictions import Predictions
from models.suggest import Suggestions, binary_entropy_bits, doubtful, embedding, spread, write_suggestions
from tests.models.made_predictions import made_predictions


def test_uncertainty_is_the_entropy_of_a_coin() -> None:
    for p in (0.01, 0.3, 0.5):
        # Reference: SciPy's entropy in bits
        assert binary_entropy_bits(np.array(p)) == pytest.approx(entropy([p, 1 - p], base=2))
    assert binary_entropy_bits(np.array([0.0, 1.0])) == pytest.approx([0, 0], abs=1e-9)


def test_the_choice_is_unsure_and_spread() -> None:
    # Two heaps; all of the first are a little less sure, but one of each heap tells more than two of one.
    points = np.vstack(
        (np.random.default_rng(0).normal(0, 0.01, (20, 2)), np.random.default_rng(1).normal(5, 0.01, (20, 2)))
    )
    worth = np.r_[np.full(20, 0.9), np.full(20, 0.8)]
    first, second = spread(points, worth, np.arange(40), 2)
    assert first < 20 <= second
    assert len(set(spread(points, worth, np.arange(40), 99))) == 40
    # What is labelled already counts as chosen: next to it nothing is new.
    assert spread(points, worth, np.arange(1, 40), 1)[0] >= 20
    assert spread(points, np.zeros(40), np.arange(3), 2) != []


@pytest.fixture(scope="module")
def photos() -> Predictions:
    return made_predictions(600, seed=11)


def test_wrong_labels_are_found(photos: Predictions) -> None:
    # A network that is right nearly always; 12 labels are turned round.
    rng = np.random.default_rng(0)
    labels = photos.labels[:, 0]
    logits = np.where(labels == 1, 3.0, -3.0) + rng.normal(0, 1, len(labels))
    turned = rng.choice(len(labels), 12, replace=False)
    samples = tuple(
        replace(sample, cues={**dict.fromkeys(sample.cues), "filler": int(labels[row]) ^ int(row in turned)})
        for row, sample in enumerate(photos.samples)
    )
    wrong = replace(photos, samples=samples)
    found = doubtful(wrong, expit(np.stack((logits, logits), 1)))
    names = {str(photos.samples[row].photo) for row in turned}
    named = [item.photo in names for item in found]
    assert sum(named) >= 8 and np.mean(named) > 0.8 and {item.cue for item in found} == {"filler"}
    assert found[0].quality <= found[-1].quality < 0.5


def test_too_few_labels_are_not_doubted(photos: Predictions) -> None:
    samples = tuple(
        replace(s, cues={**dict.fromkeys(s.cues), "filler": int(row < 2)}) for row, s in enumerate(photos.samples)
    )
    assert doubtful(replace(photos, samples=samples), np.full((600, 2), 0.5)) == ()


def test_photos_lie_where_their_features_say(photos: Predictions) -> None:
    assert embedding(photos).shape == (600, 12)
    features = np.random.default_rng(0).normal(5, 1, (600, 4)).astype(np.float32)
    points = embedding(replace(photos, features=features))
    assert points.shape == (600, 4) and np.linalg.norm(points, axis=1) == pytest.approx(np.ones(600))


def test_tables_are_written_even_when_there_is_nothing_to_say(tmp_path: Path) -> None:
    write_suggestions(Suggestions((), ()), tmp_path / "out")
    with (tmp_path / "out" / "doubtful_labels.csv").open(encoding="utf-8") as file:
        assert next(csv.reader(file)) == ["photo", "cue", "label", "probability", "quality"]
