import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from sklearn.metrics import average_precision_score

from models.calibrate import Calibrated, calibrate
from models.evaluate import (
    _calibration_error,
    _rate,
    cell_iou,
    evaluate,
    precision_within_place,
    recall_at_specificity,
    select,
    write_evaluation,
)
from models.predictions import LOGIT_EDGES, Predictions
from models.scores import average_precision, shot_accuracy
from pipeline.network import Scale
from tests.models.made_predictions import made_predictions


@pytest.fixture(scope="module")
def photos() -> Predictions:
    return made_predictions(240, seed=1)


@pytest.fixture(scope="module")
def calibrated(photos: Predictions) -> Calibrated:
    return calibrate(photos)


def test_average_precision_is_scikit_learns_over_the_known_labels() -> None:
    rng = np.random.default_rng(0)
    labels, scores = (rng.random(300) < 0.2).astype(float), rng.normal(size=300).round(1)  # with ties
    assert average_precision(labels, scores) == pytest.approx(average_precision_score(labels, scores), abs=1e-6)
    unknown = labels.copy()
    unknown[:100] = np.nan
    wanted = average_precision_score(labels[100:], scores[100:])
    assert average_precision(unknown, scores) == pytest.approx(wanted, abs=1e-6)
    assert np.isnan(average_precision(np.zeros(5), np.arange(5.0)))


def test_knowing_the_place_earns_nothing_within_it(photos: Predictions) -> None:
    # A cue that is always in one place, scored by the place alone: perfect over all photos, chance within the place.
    rows = np.arange(len(photos.samples))
    door = rows % 2 == 0
    shown = door & (rows % 4 == 0)
    samples = tuple(
        replace(sample, cues={**sample.cues, "filler": int(is_shown)})
        for sample, is_shown in zip(photos.samples, shown, strict=True)
    )
    scores = photos.cue_scores.copy()
    scores[:, 0] = door
    blind = replace(photos, samples=samples, cue_scores=scores)
    assert average_precision(blind.labels[:, 0], scores[:, 0]) == pytest.approx(0.5)
    assert precision_within_place(blind, 0) == pytest.approx(0.5)  # half of the doors show it
    wings_too = replace(blind, samples=tuple(replace(s, details={"place": "door"}) for s in blind.samples))
    assert precision_within_place(wings_too, 0) == pytest.approx(0.5)
    nowhere = replace(blind, samples=tuple(replace(s, details={}) for s in blind.samples))
    assert np.isnan(precision_within_place(nowhere, 0))


def test_recall_at_two_percent_false_alarms() -> None:
    labels = np.repeat([0.0, 1.0], [100, 10])
    scores = np.concatenate([np.linspace(0, 0.5, 98), [0.9, 0.95], np.linspace(0.45, 0.99, 10)])
    # two of a hundred negatives may lie above: the limit is the third highest, 0.5
    assert recall_at_specificity(labels, scores) == pytest.approx((scores[100:] > 0.5).mean())


def test_calibration_error_is_the_mean_gap_between_said_and_seen() -> None:
    # Guo et al. (2017), equation 3, by hand: 60 labels at 0.9 of which 45 hold, 40 at 0.1 of which 10 hold
    probability = np.repeat([0.9, 0.1], [60, 40])
    labels = np.concatenate([np.repeat([1.0, 0.0], [45, 15]), np.repeat([1.0, 0.0], [10, 30])])
    assert _calibration_error(probability, labels) == pytest.approx(0.6 * 0.15 + 0.4 * 0.15, abs=1e-6)


def test_counts_have_exact_poisson_intervals() -> None:
    # Garwood (1936): 95 % limits of a Poisson mean are 0 to 3.689 for 0 and 4.795 to 18.391 for 10 (from memory)
    assert _rate(0, 1) == pytest.approx((0, 0, 3.689), abs=1e-3)
    assert _rate(10, 1) == pytest.approx((4.795, 10, 18.391), abs=1e-3)
    assert _rate(10, 20) == pytest.approx((4.795 / 20, 0.5, 18.391 / 20), abs=1e-3)
    assert _rate(0, 0) is None


def test_iou_counts_cells_above_the_box_limit() -> None:
    counts = np.zeros((2, len(LOGIT_EDGES) - 1), np.int64)
    counts[1, 200], counts[1, 50], counts[0, 210], counts[0, 10] = 30, 10, 20, 500
    limit = 1 / (1 + np.exp(-LOGIT_EDGES[128]))
    assert cell_iou(counts, Scale(scale=1.0, offset=0.0), float(limit)) == pytest.approx(30 / (40 + 20))


def test_a_whole_evaluation_is_valid_json_and_a_page(
    photos: Predictions, calibrated: Calibrated, tmp_path: Path
) -> None:
    score = evaluate(photos, calibrated, data="made", resamples=40)
    low, mean, high = score["mean_average_precision"]
    labels = photos.labels
    wanted = np.mean([average_precision_score(labels[:, i], photos.cue_scores[:, i]) for i in range(2)])
    assert mean == pytest.approx(wanted, abs=1e-6) and low < mean < high
    assert score["photos"] == 240 and score["vehicles"] == 60 and score["vehicle_accuracy"] == 1.0
    assert sum(sum(row.values()) for row in score["shot_confusion"].values()) == 240
    assert sum(bin["count"] for bin in score["reliability"]) == 480
    assert set(score["slices"]["light"]) == {"sun", "shade"}
    path = write_evaluation(score, tmp_path)
    assert json.loads(path.read_text(), parse_constant=pytest.fail)["data"] == "made"
    assert "masking_edge" in (tmp_path / "evaluation.html").read_text()


def test_photos_without_labels_count_findings_but_no_false_ones(photos: Predictions, calibrated: Calibrated) -> None:
    blank = tuple(replace(sample, cues=dict.fromkeys(sample.cues)) for sample in photos.samples)
    score = evaluate(replace(photos, samples=blank), calibrated, data="blank", resamples=10)
    assert score["mean_average_precision"] is None and score["false_findings_a_photo"] is None
    assert score["findings_a_photo_unlabelled"][1] * 240 == len(score["findings"]) > 0


def test_a_second_right_answer_is_right(photos: Predictions) -> None:
    part = select(photos, [0])
    likely = photos.channels.shots[int(part.shots[0].argmax())]
    wrong = next(shot for shot in photos.channels.shots if shot != likely)
    (sample,) = part.samples
    assert shot_accuracy(replace(part, samples=(replace(sample, shot=wrong),))) == 0
    assert shot_accuracy(replace(part, samples=(replace(sample, shot=wrong, also_shots=(likely,)),))) == 1
