import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from sklearn.metrics import average_precision_score

from models.calibrate import calibrate
from models.compare import Candidate, compare, is_better, write_comparison
from models.predictions import Predictions
from tests.models.made_predictions import made_predictions


def candidate(name: str, predictions: Predictions) -> Candidate:
    return Candidate(name, predictions, calibrate(predictions))


def noisier(predictions: Predictions, sigma: float, seed: int) -> Predictions:
    noise = np.random.default_rng(seed).normal(0, sigma, predictions.cue_scores.shape)
    return replace(predictions, cue_scores=(predictions.cue_scores + noise).astype(np.float32))


@pytest.fixture(scope="module")
def photos() -> Predictions:
    return made_predictions(320, seed=7)


def test_a_network_is_no_better_than_itself(photos: Predictions) -> None:
    same = compare(candidate("a", photos), candidate("b", photos), data="made", resamples=30)
    for name in ("mean average precision", "shot right", "the same, within one kind of place"):
        assert same["scores"][name]["difference"] == (0, 0, 0) or same["scores"][name]["difference"] == [0, 0, 0]
        assert same["scores"][name]["second_better"] == 0.5 and not is_better(same["scores"][name])


def test_the_difference_is_of_the_reference_scores_and_its_sign_is_told(photos: Predictions) -> None:
    worse = noisier(photos, 3.0, 0)
    found = compare(candidate("worse", worse), candidate("good", photos), data="made", resamples=80)
    row = found["cues"]["filler"]["average precision"]
    labels = photos.labels[:, 0]
    # Reference: scikit-learn's average precision
    by_hand = [average_precision_score(labels, p.cue_scores[:, 0]) for p in (worse, photos)]
    assert (row["first"], row["second"]) == pytest.approx(by_hand, abs=1e-6)
    assert row["difference"][1] == pytest.approx(by_hand[1] - by_hand[0], abs=1e-6)
    overall = found["scores"]["mean average precision"]
    assert is_better(overall) and overall["second_better"] == 1.0
    turned = compare(candidate("good", photos), candidate("worse", worse), data="made", resamples=80)
    assert not is_better(turned["scores"]["mean average precision"])
    assert turned["scores"]["mean average precision"]["difference"][2] < 0


def test_pairing_sees_what_two_separate_intervals_cannot(photos: Predictions) -> None:
    # The same photos are hard for both networks: the difference is surer than the scores are.
    slightly = noisier(photos, 0.3, 1)
    found = compare(candidate("noisier", slightly), candidate("good", photos), data="made", resamples=200)
    low, _, high = found["scores"]["mean average precision"]["difference"]
    from models.evaluate import mean_precision, vehicles_of
    from models.resampling import resample

    alone = resample(vehicles_of(photos), lambda rows: mean_precision(photos.labels[rows], photos.cue_scores[rows]))
    assert alone is not None
    assert high - low < 0.5 * (alone.interval[2] - alone.interval[0])


def test_only_shared_cues_are_compared_and_the_rest_is_named(photos: Predictions) -> None:
    channels = replace(photos.channels, cues=("masking_edge",))
    one_cue = replace(
        photos, channels=channels, cue_scores=photos.cue_scores[:, 1:], peak_inside=photos.peak_inside[:, 1:],
        cell_counts=photos.cell_counts[1:],
    )  # fmt: skip
    found = compare(candidate("two", photos), candidate("one", one_cue), data="made", resamples=5)
    assert list(found["cues"]) == ["masking_edge"] and found["only_first"] == ["filler"] and found["only_second"] == []
    assert found["cues"]["masking_edge"]["average precision"]["difference"][1] == 0


def test_other_photos_are_refused(photos: Predictions) -> None:
    other = replace(photos, samples=tuple(reversed(photos.samples)))
    with pytest.raises(ValueError, match="same photos"):
        compare(candidate("a", photos), candidate("b", other), data="made")


def test_the_page_and_the_json_are_written_even_without_a_label(photos: Predictions, tmp_path: Path) -> None:
    blank = replace(
        photos, samples=tuple(replace(s, cues=dict.fromkeys(s.cues), shot=None, details={}) for s in photos.samples)
    )
    both = Candidate("a", blank, calibrate(photos)), Candidate("b", noisier(blank, 1, 0), calibrate(photos))
    found = compare(*both, data="blank", resamples=5, photos=3)
    assert found["scores"]["mean average precision"] is None and len(found["changes"]) == 3
    path = write_comparison(found, tmp_path)
    assert json.loads(path.read_text(), parse_constant=pytest.fail)["second"] == "b"
    assert "cannot tell" in (tmp_path / "comparison.html").read_text()
