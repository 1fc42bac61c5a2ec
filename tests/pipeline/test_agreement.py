import math
import warnings

import numpy as np
import pytest

from pipeline.judging.agreement import agreements, cohen_kappa
from pipeline.judging.answers import Answer, Mark, Place

metrics = pytest.importorskip("sklearn.metrics", reason="scikit-learn is not installed")
PLACE = Place(x=1, y=2, width=30, height=40)


@pytest.mark.parametrize("seed", range(20))
def test_kappa_is_that_of_scikit_learn(seed: int) -> None:
    """Against sklearn.metrics.cohen_kappa_score, on answers that agree more or less often."""
    rng = np.random.default_rng(seed)
    first = rng.integers(0, 3, size=int(rng.integers(2, 60))).tolist()
    second = [int(rng.integers(0, 3)) if rng.random() < seed / 20 else answer for answer in first]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns where kappa is not defined
        theirs = float(metrics.cohen_kappa_score(first, second))
    ours = cohen_kappa(first, second)
    assert math.isnan(theirs) if ours is None else ours == pytest.approx(theirs)


def test_a_worked_example() -> None:
    # the well-known 50 proposals read by two: 20 yes/yes, 5 yes/no, 10 no/yes, 15 no/no give 0.40 (from memory)
    first = ["yes"] * 25 + ["no"] * 25
    second = ["yes"] * 20 + ["no"] * 5 + ["yes"] * 10 + ["no"] * 15
    assert cohen_kappa(first, second) == pytest.approx(0.4)


def test_it_is_not_defined_without_items_or_where_all_say_one_thing() -> None:
    assert cohen_kappa([], []) is None
    assert cohen_kappa(["sign"] * 3, ["sign"] * 3) is None


def said(reader: str, item: str, verdict: str | None, cue: str = "filler", number: int = 1) -> Answer:
    cause = "dirt" if verdict == "innocent" else None
    return Answer(number, reader, "a" * 64, item, Mark(verdict=verdict, cue=cue, cause=cause, box=PLACE))  # type: ignore[arg-type]


def test_only_what_both_answered_of_what_was_seen_counts() -> None:
    a, b, c, d = (f"filler {n} 2 30 40" for n in range(4))
    answers = [
        said("anna", a, "sign"), said("ben", a, "sign"),
        said("anna", b, "innocent"), said("ben", b, "sign"),
        said("anna", c, "sign"), said("ben", c, "sign", "masking_edge"),  # another cue: not the same
        said("anna", d, None), said("ben", d, "sign"),  # mended, not answered
        said("anna", "added 00", "sign"), said("ben", "added 00", "sign"),
        Answer(9, "cid", "a" * 64, a, None),  # taken back
    ]  # fmt: skip
    (pair,) = agreements(answers)
    assert (pair.first, pair.second, pair.both, pair.same) == ("anna", "ben", 3, 1)
    assert pair.kappa == pytest.approx(
        metrics.cohen_kappa_score(["sign", "innocent", "sign"], ["sign", "sign", "another"])
    )
