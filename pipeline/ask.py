"""A polite message to copy to the seller: the photos that would tell most, how to take them, and a few questions.

It says nothing of what was found: findings are grounds to ask and no accusation.
"""

from __future__ import annotations

from pipeline.photo_requests import Catalogue, read_catalogue
from pipeline.records import AdvertResult


def seller_message(result: AdvertResult, language: str = "en", catalogue: Catalogue | None = None) -> str:
    """The message for one advert as plain text, ready to paste.

    `catalogue` overrides the shipped one of `language`. Photos come in the order of the advert's requests. Raises
    ConfigError for a language without a catalogue.
    """
    words = catalogue or read_catalogue(language)
    lines = [words.greeting, ""]
    lines += [words.opening.format(title=result.title) if result.title else words.opening_untitled, ""]
    photos = [words.photos[request.zone][request.shot] for request in result.requests]
    if photos:
        lines += [words.photos_intro, *_numbered(photos), ""]
    questions = [
        q.ask for q in words.questions if q.unless_seen is None or result.coverage.get(q.unless_seen) != "seen"
    ]
    lines += [words.questions_intro, *_numbered(questions), "", words.closing]
    return "\n".join(lines) + "\n"


def _numbered(items: list[str]) -> list[str]:
    return [f"{number}. {item}" for number, item in enumerate(items, start=1)]
