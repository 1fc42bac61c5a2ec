import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import bootstrap
from skimage.color import rgb2lab
from sklearn.metrics import average_precision_score, jaccard_score, roc_curve

from models.calibrate import Calibrated, calibrate, cue_probabilities
from models.evaluate import (
    _calibration_error,
    _rate,
    cell_iou,
    evaluate,
    place_numbers,
    precision_within_place,
    recall_at_specificity,
    select,
    write_evaluation,
)
from models.predictions import LOGIT_EDGES, Predictions
from models.resampling import resample
from models.scores import average_precision, shot_accuracy
from models.strata import colour_name, kind_of_place, strata
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


def test_knowing_the_place_earns_nothing_within_it() -> None:
    # A cue that is always in one place, scored by the place alone: better than chance over all photos, chance within.
    rows = np.arange(240)
    door = rows % 2 == 0
    labels, scores = (door & (rows % 4 == 0)).astype(float), door.astype(float)
    assert average_precision(labels, scores) == pytest.approx(0.5)
    assert average_precision(labels[rows >= 0], np.zeros(240)) == pytest.approx(0.25)
    assert precision_within_place(labels, scores, door.astype(np.intp)) == pytest.approx(0.5)  # half of the doors
    assert np.isnan(precision_within_place(labels, scores, np.full(240, -1)))
    # Where the score tells with from without in one place, it earns all there is.
    told = labels + 2.0 * ~door
    assert precision_within_place(labels, told, door.astype(np.intp)) == pytest.approx(1)
    assert average_precision(labels, told) < 0.5


def test_a_view_is_a_place_of_its_shot(photos: Predictions) -> None:
    sample = replace(photos.samples[0], shot="rear", details={"place": "view"})
    assert kind_of_place(sample) == "view, rear"
    assert kind_of_place(replace(sample, details={"place": "sill_rail"})) == "sill_rail"
    assert kind_of_place(replace(sample, details={})) is None


def test_strata_tell_what_the_row_tells_and_no_more(photos: Predictions) -> None:
    row = {
        "light": "clear, sun 34°",
        "distance_m": "0.7",
        "hard_negatives": "chalk,dust",
        "body_L": 40,
        "body_a": 45,
        "body_b": 30,
    }
    found = strata(replace(photos.samples[0], shot="rear", details=row))
    assert found == {
        "light": ("clear",), "shot": ("rear",), "distance": ("0.5 to 1 m",), "hard negative": ("chalk", "dust"),
        "body colour": ("red",),
    }  # fmt: skip
    assert strata(replace(photos.samples[0], shot=None, details={"distance_m": "near", "body_L": None})) == {}
    assert strata(replace(photos.samples[0], shot=None, details={"hard_negatives": None})) == {
        "hard negative": ("none",)
    }


def test_paints_are_named_by_their_hue() -> None:
    # Outside check: CIELAB (D65) of the sRGB primaries and of white, black and mid grey, by scikit-image
    names = {
        (255, 0, 0): "red", (255, 140, 0): "orange or brown", (255, 255, 0): "yellow", (0, 255, 0): "green",
        (0, 0, 255): "blue", (255, 255, 255): "white", (119, 119, 119): "grey", (0, 0, 0): "black",
    }  # fmt: skip
    for srgb, name in names.items():
        lab = rgb2lab(np.array(srgb, np.uint8).reshape(1, 1, 3))[0, 0]
        assert colour_name(*lab.tolist()) == name


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
    found = cell_iou(counts, Scale(scale=1.0, offset=0.0), float(limit))
    # Reference: scikit-learn's Jaccard score over the same 560 cells
    truth = np.repeat([1, 1, 0, 0], [30, 10, 20, 500])
    assert found == pytest.approx(jaccard_score(truth, np.repeat([1, 0, 1, 0], [30, 10, 20, 500])))


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
    assert set(score["strata"]["light"]) == {"sun", "shade"}
    low, within, high = score["mean_average_precision_within_place"]
    door = place_numbers(photos) == 0
    by_hand = [
        average_precision_score(labels[rows, i], photos.cue_scores[rows, i]) for i in (0, 1) for rows in (door, ~door)
    ]
    assert within == pytest.approx(np.mean(by_hand), abs=1e-6) and low < within < high
    # One limit for all cues: scikit-learn's curve over the labels of both, at the last point with few false alarms
    probability = cue_probabilities(photos, calibrated.calibration.cues)
    false_alarm, recall, _ = roc_curve(labels.ravel(), probability.ravel())
    low, pooled, high = score["all_cues"]["recall_at_2pct_false_alarms"]
    assert pooled == pytest.approx(recall[false_alarm <= 0.02].max(), abs=1e-6) and low < pooled < high
    found = probability > np.array([calibrated.limits[cue] for cue in photos.channels.cues])
    assert score["all_cues"]["sensitivity"][1] == pytest.approx(found[labels == 1].mean())
    assert score["all_cues"]["false_alarm"][1] == pytest.approx(found[labels == 0].mean())
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


def test_intervals_of_single_photos_are_scipys_percentile_intervals() -> None:
    values = np.random.default_rng(0).normal(3, 1, 80)
    ours = resample([str(row) for row in range(80)], lambda rows: float(values[rows].mean()), resamples=4000)
    # Reference: SciPy's percentile bootstrap of the mean
    theirs = bootstrap((values,), np.mean, method="percentile", rng=1).confidence_interval
    assert ours is not None and ours.interval == pytest.approx((theirs.low, values.mean(), theirs.high), abs=0.03)


def test_photos_of_one_vehicle_count_as_one_witness() -> None:
    values = np.random.default_rng(0).normal(0, 1, 10).repeat(20)  # ten vehicles, twenty equal photos each
    single = resample([str(row) for row in range(200)], lambda rows: float(values[rows].mean()))
    whole = resample([str(row // 20) for row in range(200)], lambda rows: float(values[rows].mean()))
    assert single is not None and whole is not None
    widths = [found.interval[2] - found.interval[0] for found in (whole, single)]
    assert widths[0] / widths[1] == pytest.approx(20**0.5, rel=0.15)


def test_a_set_that_names_nothing_is_measured_all_the_same(photos: Predictions, calibrated: Calibrated) -> None:
    # Real sets: no family, place or light, most cues unknown, one vehicle, a shot nobody knows
    bare = tuple(
        replace(sample, details={}, shot=None, vehicle_visible=None, vehicle="v",
                cues={**dict.fromkeys(sample.cues), **({"filler": 1} if row < 3 else {})})
        for row, sample in enumerate(photos.samples)
    )  # fmt: skip
    score = evaluate(replace(photos, samples=bare), calibrated, data="bare", resamples=10)
    assert score["strata"] == {} and score["shot_confusion"] == {} and score["shot_accuracy"] is None
    assert score["cues"]["filler"]["positives"] == 3 and score["cues"]["filler"]["average_precision"] is None
