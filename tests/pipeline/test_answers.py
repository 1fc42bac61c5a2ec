from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from pipeline.judging.answers import (
    AnsweredMeanwhile,
    Mark,
    Place,
    ShotMark,
    item_of,
    judging_settings,
    sighting_of,
)
from pipeline.records import Box
from pipeline.store import Store
from tests.pipeline.made_screening import HINGE

PHOTO = "ab" * 32
PLACE = Place.of(HINGE)
ITEM = item_of("painted_fastener", HINGE)


def mark(verdict: str | None = "sign", cause: str | None = None, **change: object) -> Mark:
    content = {"verdict": verdict, "cue": "painted_fastener", "cause": cause, "box": PLACE, "zone": "hinge"} | change
    return Mark.model_validate(content)


@pytest.fixture
def store(tmp_path: Path) -> Store:
    with Store.open(tmp_path) as opened:
        yield opened


def test_an_answer_is_there_when_the_file_is_opened_again(tmp_path: Path) -> None:
    with Store.open(tmp_path) as store:
        put = store.answers().put("anna", "t1", PHOTO, ITEM, mark("innocent", "dirt"), 0)
    with Store.open(tmp_path) as store:
        assert store.answers().by_photo() == {PHOTO: (put,)}
        assert put.content == mark("innocent", "dirt")


def test_what_another_tab_answered_is_not_overwritten_unseen(store: Store) -> None:
    book = store.answers()
    first = book.put("anna", "t1", PHOTO, ITEM, mark("sign"), 0)
    with pytest.raises(AnsweredMeanwhile) as caught:
        book.put("anna", "t2", PHOTO, ITEM, mark("cannot_tell"), 0)
    assert caught.value.newest == first
    second = book.put("anna", "t2", PHOTO, ITEM, mark("cannot_tell"), first.number)  # now it was seen
    assert book.newest()["anna", PHOTO, ITEM] == second
    other = book.put("ben", "t3", PHOTO, ITEM, mark("sign"), 0)  # another reader has an answer of their own
    assert set(book.by_photo()[PHOTO]) == {second, other}


def test_undo_is_of_the_tab_and_takes_back_one_answer_after_the_other(store: Store) -> None:
    book = store.answers()
    first = book.put("anna", "t1", PHOTO, ITEM, mark("sign"), 0)
    second = book.put("anna", "t1", PHOTO, ITEM, mark("cannot_tell"), first.number)
    book.put("anna", "t2", PHOTO, "shot", ShotMark(shot="rear"), 0)
    undone = book.undo("anna", "t1")
    assert undone is not None and undone.content == mark("sign") and undone.number > second.number
    again = book.undo("anna", "t1")
    assert again is not None and again.content is None
    assert book.undo("anna", "t1") is None
    assert book.newest()["anna", PHOTO, "shot"].content == ShotMark(shot="rear")


def test_an_undo_does_not_reach_past_another_tab(store: Store) -> None:
    book = store.answers()
    first = book.put("anna", "t1", PHOTO, ITEM, mark("sign"), 0)
    second = book.put("anna", "t2", PHOTO, ITEM, mark("cannot_tell"), first.number)
    with pytest.raises(AnsweredMeanwhile) as caught:
        book.undo("anna", "t1")
    assert caught.value.newest == second == book.newest()["anna", PHOTO, ITEM]


STEPS = st.lists(
    st.one_of(st.just("undo"), st.tuples(st.sampled_from("xyz"), st.sampled_from(["sign", "cannot_tell"])))
)


@settings(deadline=None, max_examples=40)
@given(STEPS)
def test_any_course_of_answers_and_undos_ends_as_a_plain_list_says(steps: list[object]) -> None:
    import tempfile

    with tempfile.TemporaryDirectory() as folder, Store.open(Path(folder)) as store:
        book, given_answers = store.answers(), []
        for step in steps:
            if step == "undo":
                assert (book.undo("anna", "t1") is None) == (not given_answers)
                given_answers = given_answers[:-1]
            else:
                item, verdict = step
                newest = book.newest().get(("anna", PHOTO, item))
                book.put("anna", "t1", PHOTO, item, mark(verdict), newest.number if newest else 0)
                given_answers.append((item, verdict))
        holds = {item: answer.content for (_, _, item), answer in book.newest().items() if answer.content is not None}
        assert {item: content.verdict for item, content in holds.items()} == dict(given_answers)


@pytest.mark.parametrize(
    "wrong",
    [
        {"verdict": "innocent"},
        {"verdict": "sign", "cause": "dirt"},
        {"cause": "gremlins", "verdict": "innocent"},
        {"cue": "dents"},
        {"zone": "boot"},
        {"box": {"x": -1, "y": 0, "width": 5, "height": 5}},
        {"box": {"x": 1, "y": 0, "width": 0, "height": 5}},
    ],
)
def test_what_is_no_answer_is_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(ValidationError):
        Mark.model_validate(mark().model_dump() | wrong)


def test_a_sighting_is_known_by_its_name() -> None:
    assert sighting_of(ITEM) == ("painted_fastener", PLACE)
    for other in ("shot", "added 00ff", "decal badge", "dents 1 2 3 4", "filler 1 2 0 4", "filler 1 2 x 4", ""):
        assert sighting_of(other) is None


def test_shares_is_the_common_area_of_the_smaller() -> None:
    here = Place(x=0, y=0, width=10, height=10)
    assert here.shares(Box(x=5, y=0, width=5, height=10, score=1)) == 1
    assert here.shares(Place(x=5, y=5, width=10, height=10)) == 0.25
    assert here.shares(Place(x=10, y=0, width=10, height=10)) == 0


def test_nine_causes_at_most_so_that_a_digit_names_each() -> None:
    assert 0 < len(judging_settings().causes) <= 9
