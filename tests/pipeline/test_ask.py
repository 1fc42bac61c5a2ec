"""The message to the seller: complete in every language, polite, and silent about what was found."""

from __future__ import annotations

import re

import pytest

from pipeline.ask import seller_message
from pipeline.coverage import cue_entries
from pipeline.errors import ConfigError
from pipeline.histories import WeighingSettings
from pipeline.photo_requests import known_languages, read_catalogue
from pipeline.records import Advert, AdvertDetails, AdvertResult, PhotoFindings
from pipeline.shortlist import shortlist
from tests.pipeline.sightings import OUTSIDE, RATES, photo, refinished_advert

SETTINGS = WeighingSettings.shipped()


def result(findings: list[PhotoFindings], title: str | None = "Pellock, one owner") -> AdvertResult:
    advert = Advert("a", AdvertDetails(title=title, build_sheet="pellock"), ())
    return shortlist([advert], {"a": findings}, (), RATES, SETTINGS).adverts[0]


FROM_OUTSIDE = result([photo("front.jpg", "exterior", OUTSIDE)])


def test_the_languages_of_the_contract_ship() -> None:
    assert {"en", "de", "fr", "es"} <= set(known_languages())


@pytest.mark.parametrize("language", known_languages())
def test_every_language_asks_for_the_same(language: str) -> None:
    words, english = read_catalogue(language), read_catalogue("en")
    assert words.language == language
    assert {z: set(shots) for z, shots in words.photos.items()} == {z: set(s) for z, s in english.photos.items()}
    assert [q.unless_seen for q in words.questions] == [q.unless_seen for q in english.questions]
    texts = [text for shots in words.photos.values() for text in shots.values()]
    assert len(set(texts)) == len(texts)
    if language != "en":  # nothing was left untranslated
        assert not {t for shots in english.photos.values() for t in shots.values()} & set(texts)
    for zone, shots in words.photos.items():  # the distances and lengths are the same in every language
        for shot, text in shots.items():
            assert re.findall(r"\d+", text) == re.findall(r"\d+", english.photos[zone][shot])


@pytest.mark.parametrize("language", known_languages())
def test_the_message_asks_for_every_request_in_its_order(language: str) -> None:
    message = seller_message(FROM_OUTSIDE, language)
    words = read_catalogue(language)
    places = [message.index(words.photos[r.zone][r.shot]) for r in FROM_OUTSIDE.requests]
    assert places == sorted(places) and len(places) == SETTINGS.requests.most
    assert message.startswith(words.greeting) and message.endswith(words.closing + "\n")
    assert "Pellock, one owner" in message and "{" not in message


@pytest.mark.parametrize("language", known_languages())
def test_the_message_accuses_nobody(language: str) -> None:
    # design section 10: findings are grounds to look and to ask, no accusation
    message = seller_message(result(refinished_advert()), language).lower()
    assert "maskline" not in message and "%" not in message
    for entry in cue_entries().values():
        assert entry.label.lower() not in message


def test_an_advert_without_title_is_asked_as_well() -> None:
    message = seller_message(result([], title=None))
    assert read_catalogue("en").opening_untitled in message and "None" not in message


def test_a_title_with_braces_is_kept_as_it_is() -> None:
    assert "“{title} 4x4”" in seller_message(result([], title="{title} 4x4"))


def test_the_plate_is_asked_for_only_where_it_was_not_seen() -> None:
    plate = photo("plate.jpg", "identification_plate", ("identification_plate",))
    question = read_catalogue("en").questions[-1].ask
    assert question in seller_message(result([])) and question not in seller_message(result([plate]))


def test_where_no_photo_would_change_the_decision_only_the_questions_are_left() -> None:
    message = seller_message(result(refinished_advert()))
    words = read_catalogue("en")
    assert words.photos_intro not in message and words.questions[0].ask in message


def test_an_unknown_language_is_told() -> None:
    with pytest.raises(ConfigError, match="use one of de, en, es, fr"):
        seller_message(FROM_OUTSIDE, "xx")
