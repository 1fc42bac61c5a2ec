from dataclasses import replace

import numpy as np
import pytest
from scipy.special import expit, softmax
from scipy.stats import binomtest
from sklearn.linear_model import LogisticRegression

from models.calibrate import (
    Calibrated,
    box_limit,
    calibrate,
    cue_probabilities,
    false_finding_limits,
    fit_platt,
    fit_temperature,
    ordinary_limits,
    proportion,
    score_levels,
    with_rates,
)
from models.predictions import LOGIT_EDGES
from pipeline.network import Scale
from tests.models.made_predictions import made_predictions


def test_platt_scaling_finds_the_logistic_that_made_the_labels() -> None:
    rng = np.random.default_rng(0)
    logits = rng.normal(0, 3, 20_000)
    labels = (rng.random(20_000) < expit(0.6 * logits - 1.0)).astype(float)
    found = fit_platt(logits, labels)
    assert found.scale == pytest.approx(0.6, abs=0.03) and found.offset == pytest.approx(-1.0, abs=0.05)
    # Reference: scikit-learn's unregularised logistic regression (its targets are not smoothed: 1/(n + 2) apart)
    theirs = LogisticRegression(C=np.inf).fit(logits[:, None], labels)
    assert found.scale == pytest.approx(float(theirs.coef_[0, 0]), rel=1e-2)
    assert found.offset == pytest.approx(float(theirs.intercept_[0]), rel=1e-2)


def test_a_clean_separation_gives_no_certainty_and_one_kind_of_label_changes_nothing() -> None:
    logits, labels = np.array([-9.0, -8.0, 8.0, 9.0]), np.array([0.0, 0, 1, 1])
    found = fit_platt(logits, labels)
    assert 0.6 < expit(found.scale * 9 + found.offset) < 0.9  # Platt's target for two positives is 3/4
    assert fit_platt(logits, np.zeros(4)) == Scale(scale=1.0, offset=0.0)


def test_a_map_that_says_the_opposite_is_never_read_backwards() -> None:
    rng = np.random.default_rng(1)
    logits = rng.normal(0, 2, 500)
    assert fit_platt(logits, (rng.random(500) < expit(-logits)).astype(float)).scale > 0


def test_temperature_is_found_again() -> None:
    rng = np.random.default_rng(2)
    logits = rng.normal(0, 4, (20_000, 5))
    chances = softmax(logits / 2.5, axis=1)
    classes = (chances.cumsum(1) < rng.random((20_000, 1))).sum(1)
    classes[:100] = -1
    assert fit_temperature(logits, classes) == pytest.approx(2.5, rel=0.05)
    assert fit_temperature(logits, np.full(20_000, -1)) == 1.0


def test_no_ordinary_photo_raises_a_finding_and_few_more_of_their_kind_do() -> None:
    rng = np.random.default_rng(5)
    cues = ("filler", "masking_edge")
    ordinary, more = rng.beta(2, 2, (60, 2)), rng.beta(2, 2, (20_000, 2))
    limits = ordinary_limits(ordinary, cues)
    assert not (ordinary > [limits[cue] for cue in cues]).any()
    # rank argument: the chance is 1/61 a cue on average over draws; of one draw it is beta(1, 60) distributed
    assert ((more > [limits[cue] for cue in cues]).mean(0) < binomtest(0, 60).proportion_ci(0.98).high).all()
    assert ordinary_limits(np.zeros((0, 2)), cues) == {"filler": 1e-6, "masking_edge": 1e-6}


def test_limits_spend_the_false_findings_of_a_clean_advert() -> None:
    rng = np.random.default_rng(7)
    cues = ("filler", "masking_edge")
    labels = np.stack([np.arange(40_000) % 4 == 0] * 2, axis=1).astype(float)
    probability = np.where(labels == 1, rng.beta(5, 2, labels.shape), rng.beta(2, 5, labels.shape))
    limits = false_finding_limits(probability, labels, cues)
    above = probability > np.array([limits[cue] for cue in cues])
    false = [float(above[labels[:, k] == 0, k].mean()) for k in (0, 1)]
    assert sum(false) * 20 == pytest.approx(0.5, abs=0.01)
    assert false[0] == pytest.approx(false[1], rel=0.2)  # alike, they share alike


def test_false_findings_are_allowed_where_they_find_most() -> None:
    cues = ("filler", "masking_edge")
    absent, present = np.linspace(0, 0.45, 200), np.full(50, 0.7)
    probability = np.stack([np.concatenate([absent, present])] * 2, axis=1)
    labels = np.stack([np.arange(250) >= 200] * 2, axis=1).astype(float)
    probability[[0, 1, 2], 0] = 0.9  # three photos without filler look more like it than all that show it
    probability[200:210, 1] = 0.3  # and ten masking edges are hardly seen
    limits = false_finding_limits(probability, labels, cues)
    found = probability > np.array([limits[cue] for cue in cues])
    assert found[200:, 0].all() and found[:200, 0].sum() == 3  # 50 found for 3 of the 5 allowed
    assert found[210:, 1].all() and not found[:200, 1].any()  # nothing more to be found for the other two


def test_scores_that_are_alike_break_no_limit() -> None:
    probability = np.array([[0.9], [0.9], [0.9 + 5e-7], [0.8]] + [[0.1]] * 400)
    labels = np.array([[0.0], [0.0], [1.0], [1.0]] + [[0.0]] * 400)
    limits = false_finding_limits(probability, labels, ("filler",))
    assert (probability[labels[:, 0] == 0] > limits["filler"]).sum() == 2  # two of 402 for both that show it
    assert (probability[labels[:, 0] == 1] > limits["filler"]).all()


def test_no_false_finding_is_spent_where_ordinary_photos_hold_the_limit() -> None:
    probability, labels = np.array([[0.6], [0.2], [0.8], [0.55]]), np.array([[0.0], [0.0], [1.0], [1.0]])
    assert false_finding_limits(probability, labels, ("filler",), least={"filler": 0.7}) == {"filler": 0.7}


def test_a_limit_is_never_below_one_half() -> None:
    assert false_finding_limits(np.full((50, 1), 0.01), np.zeros((50, 1)), ("filler",)) == {"filler": 0.5}


def test_proportions_have_exact_intervals() -> None:
    # Reference: SciPy's exact binomial interval (Clopper and Pearson 1934)
    for found, trials in ((0, 12), (3, 40), (12, 12)):
        wanted = binomtest(found, trials).proportion_ci(0.95, method="exact")
        assert proportion(found, trials) == pytest.approx((wanted.low, found / trials, wanted.high))
    assert proportion(0, 0) == (0.0, 0.5, 1.0)


def test_the_box_limit_cuts_where_the_masks_end() -> None:
    counts = np.zeros((2, len(LOGIT_EDGES) - 1), np.int64)
    counts[0, :140] = 100  # cells without the cue up to bin 139, with it from bin 140 on
    counts[1, 140:] = 10
    found = box_limit(counts, Scale(scale=1.0, offset=0.0), 0.5)
    assert found == pytest.approx(expit(LOGIT_EDGES[140]))
    assert box_limit(np.zeros_like(counts), Scale(scale=1.0, offset=0.0), 0.7) == 0.7


def test_calibration_turns_wild_logits_into_probabilities_and_rates() -> None:
    wild = made_predictions(4000, seed=4, scale=3.0)  # logits three times too sure
    found = calibrate(wild)
    assert found.calibration.cues["filler"].scale == pytest.approx(1 / 3, rel=0.15)
    other = with_rates(found, made_predictions(500, seed=5, scale=3.0))
    rates = other.rates["filler"]
    assert rates.positives + rates.negatives == 500
    assert rates.sensitivity[0] < rates.sensitivity[1] < rates.sensitivity[2]
    assert other.limits == found.limits and other.rates != found.rates


def test_levels_below_the_limit_are_exceeded_by_shares_of_whichever_photos_without_the_cue_score_higher() -> None:
    # by hand: of 0.01 to 1.00, 5, 10, 20 and 40 are above 0.95, 0.90, 0.80 and 0.60; of the ordinary 0.31 to 0.70, 2,
    # 4, 8 and 16 are above 0.68, 0.66, 0.62 and 0.54. The limit 0.85 leaves the levels 0.80 and 0.60, above which lie 0
    # and 10 of the 40, and so another one with a chance of 1/41 and 11/41
    absent, ordinary = np.arange(1, 101) / 100, np.arange(31, 71) / 100
    levels = score_levels(0.85, absent, ordinary)
    assert [level.score for level in levels] == pytest.approx([0.85, 0.80, 0.60])
    assert [level.ordinary for level in levels] == pytest.approx([1 / 41, 1 / 41, 11 / 41])
    # ordinary photos that score high make the levels: above 0.88, 0.86, 0.82, 0.74 of 0.51 to 0.90 are 2, 4, 8, 16
    assert [level.score for level in score_levels(0.95, absent / 2, ordinary + 0.2)] == pytest.approx(
        [0.95, 0.88, 0.86, 0.82, 0.74]
    )
    none = np.zeros(0)
    assert [level.ordinary for level in score_levels(0.85, absent, none)] == [None] * 3
    assert [level.score for level in score_levels(0.85, none, none)] == [0.85]


def test_rates_at_levels_are_measured_on_other_photos_and_go_into_the_manifest_as_they_are() -> None:
    found = calibrate(made_predictions(600, seed=6), made_predictions(60, seed=7))
    tested = made_predictions(400, seed=8)
    other = with_rates(found, tested)
    for index, cue in enumerate(tested.channels.cues):
        rates, before = other.rates[cue], found.rates[cue].levels
        assert rates.levels[0].score == found.limits[cue] and len(rates.levels) > 2
        assert (rates.levels[0].sensitivity, rates.levels[0].false_alarm) == (rates.sensitivity, rates.false_alarm)
        score = cue_probabilities(tested, found.calibration.cues)[:, index]
        for level, old in zip(rates.levels, before, strict=True):
            assert (level.score, level.ordinary) == (old.score, old.ordinary)
            above = int((score > level.score)[tested.labels[:, index] == 0].sum())
            wanted = binomtest(above, rates.negatives).proportion_ci(0.95, method="exact")  # SciPy's, as above
            assert level.false_alarm == pytest.approx((wanted.low, above / rates.negatives, wanted.high))
    assert Calibrated.model_validate_json(other.model_dump_json()) == other


def test_only_ordinary_photos_of_vehicles_make_levels_though_all_make_limits() -> None:
    val, ordinary = made_predictions(600, seed=6), made_predictions(60, seed=7)
    walls = replace(ordinary, samples=tuple(replace(sample, vehicle_visible=False) for sample in ordinary.samples))
    alone, seen, unseen = calibrate(val), calibrate(val, ordinary), calibrate(val, walls)
    assert unseen.limits == seen.limits
    for cue, rates in unseen.rates.items():
        assert [level.score for level in rates.levels[1:]] == [level.score for level in alone.rates[cue].levels[1:]]
        assert all(level.ordinary is None for level in rates.levels)
        assert all(level.ordinary is not None for level in seen.rates[cue].levels)
