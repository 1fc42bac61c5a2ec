import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from sklearn.covariance import EmpiricalCovariance
from sklearn.decomposition import PCA

from models.calibrate import calibrate
from models.evaluate import evaluate
from models.export import readable_json
from models.novelty import LEAST_PHOTOS, _even, fit_block, fit_novelty
from models.predictions import Predictions
from pipeline.network import Novelty
from tests.models.made_predictions import made_predictions


def correlated(count: int, *, seed: int, size: int = 12) -> np.ndarray:
    mixing = np.random.default_rng(99).normal(size=(size, size)) * np.linspace(3, 0.1, size)
    return np.random.default_rng(seed).normal(size=(count, size)) @ mixing.T


def units(features: np.ndarray) -> np.ndarray:
    return features / np.linalg.norm(features, axis=1, keepdims=True)


def with_features(predictions: Predictions, features: np.ndarray) -> Predictions:
    return replace(predictions, features=features.astype(np.float32))


def test_with_all_directions_the_distance_is_mahalanobis() -> None:
    features, others = correlated(400, seed=0), correlated(50, seed=1)
    block = fit_block(features, np.full(400, 1 / 400), directions=11)
    # Reference: scikit-learn's Mahalanobis distance with the maximum-likelihood covariance. With all but one direction
    # of its own, the rest is the last direction: the two are the same.
    wanted = EmpiricalCovariance().fit(units(features)).mahalanobis(units(others))
    assert block.distance(others.astype(np.float32)) * 12 == pytest.approx(wanted, rel=2e-2)


def test_with_few_directions_the_density_is_that_of_probabilistic_pca() -> None:
    features, others = correlated(600, seed=0), correlated(40, seed=2)
    block = fit_block(features, np.full(600, 1 / 600), directions=3)
    # Reference: scikit-learn's PCA.score_samples, the log likelihood of Tipping and Bishop's model; differences of it
    # are half the differences of the squared distance. Its covariance divides by n - 1, ours by n.
    log_likelihood = PCA(n_components=3, svd_solver="full").fit(units(features)).score_samples(units(others))
    distance = block.distance(others.astype(np.float32)) * 12
    assert -2 * (log_likelihood - log_likelihood[0]) == pytest.approx(distance - distance[0], rel=0.02, abs=0.1)


def test_sets_count_the_same_however_many_photos_they_hold() -> None:
    assert _even(np.array(["a"] * 8 + ["b"] * 2)).tolist() == pytest.approx([1 / 16] * 8 + [1 / 4] * 2)


@pytest.fixture(scope="module")
def photos() -> Predictions:
    made = made_predictions(400, seed=0)
    samples = tuple(replace(sample, vehicle_visible=True) for sample in made.samples)
    return with_features(
        replace(made, samples=samples), np.hstack((correlated(400, seed=3, size=320), correlated(400, seed=4)))
    )


def test_the_limit_keeps_the_held_out_vehicles_and_tells_what_is_far_off(photos: Predictions) -> None:
    held_out = with_features(photos, np.hstack((correlated(400, seed=5, size=320), correlated(400, seed=6))))
    novelty = fit_novelty(photos, held_out)
    assert novelty is not None and novelty.features == 332
    assert (novelty.score(held_out.features) > 1).mean() == pytest.approx(0.02, abs=0.003)
    odd = held_out.features.copy()
    odd[:, 320:] += 8 * np.sqrt(max(novelty.blocks[1].variances))  # far off in one block only
    assert (novelty.score(odd) > 1).all()
    assert (novelty.score(odd) > novelty.score(held_out.features)).all()


def test_a_set_of_few_real_photos_is_kept_too(photos: Predictions) -> None:
    real = photos.features + 30 * np.eye(1, 332, 5, dtype=np.float32)
    samples = tuple(replace(sample, photo=Path("real") / sample.photo) for sample in photos.samples)
    both = replace(
        photos, samples=photos.samples + samples[:40], features=np.vstack((photos.features, real[:40])),
    )  # fmt: skip
    novelty = fit_novelty(both, both)
    assert novelty is not None
    assert (novelty.score(real[:40]) > 1).mean() <= 0.05


def test_too_few_photos_or_no_features_give_no_novelty(photos: Predictions) -> None:
    few = replace(photos, samples=photos.samples[: LEAST_PHOTOS - 1], features=photos.features[: LEAST_PHOTOS - 1])
    assert fit_novelty(few, photos) is None
    bare = with_features(photos, np.zeros((400, 0)))
    assert fit_novelty(bare, bare) is None


def test_an_evaluation_says_how_many_photos_are_not_judged(photos: Predictions) -> None:
    novelty = fit_novelty(photos, photos)
    mixed = tuple(replace(s, vehicle_visible=row % 4 > 0) for row, s in enumerate(photos.samples))
    features = photos.features.copy()
    features[::4] += 500
    calibrated = calibrate(photos).model_copy(update={"novelty": novelty})
    score = evaluate(replace(photos, samples=mixed, features=features), calibrated, data="made", resamples=5)
    assert score["novelty"]["auroc"] == 1 and score["novelty"]["other_photos_not_judged"][1] == 1
    assert score["novelty"]["vehicle_photos_not_judged"][1] < 0.05
    assert evaluate(made_predictions(40, seed=1), calibrated, data="made", resamples=5)["novelty"] is None


def test_novelty_comes_back_from_a_readable_manifest(photos: Predictions) -> None:
    novelty = fit_novelty(photos, photos)
    assert novelty is not None
    text = readable_json({"novelty": novelty.model_dump(mode="json"), "names": ["a", "b"], "none": []})
    assert text.count("\n") < 100
    again = Novelty.model_validate(json.loads(text)["novelty"])
    assert again == novelty and json.loads(text)["names"] == ["a", "b"]
