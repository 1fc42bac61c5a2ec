"""What readers answered, appended to the screening's own file: no answer is ever changed or lost, not even by an undo.

An *item* is one thing in one photo that can be answered: a sighting (named by cue and box), a mark that a reader added,
the kind of view, whether the photo was looked through, a decal. What a reader thinks of an item now is the newest row.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from typing import Annotated, Literal, Self

from pydantic import Field, TypeAdapter, model_validator

from pipeline.configuration import Config, load, shipped
from pipeline.records import CUES, SHOTS, ZONES, Box, Measure, Record, Side

Verdict = Literal["sign", "innocent", "cannot_tell", "withdrawn"]
SHOT, LOOKED_THROUGH, DECAL, ADDED = "shot", "looked_through", "decal ", "added "

_TABLE = """
CREATE TABLE IF NOT EXISTS answers (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    written TEXT NOT NULL,            -- UTC, ISO 8601
    reader TEXT NOT NULL,
    tab TEXT NOT NULL,                -- of the browser, so that an undo takes back what was answered in the same one
    sha256 TEXT NOT NULL,             -- of the photo file: answers outlive another screening
    item TEXT NOT NULL,
    content TEXT,                     -- Content as JSON; NULL: open again
    undoes INTEGER UNIQUE             -- number of the row that this one takes back
)
"""


_STANDING = (
    "undoes IS NULL AND number NOT IN (SELECT undoes FROM answers WHERE undoes IS NOT NULL) ORDER BY number DESC"
)


class Cause(Config):
    """An innocent cause; see `configs/judging.yaml`."""

    label: str
    there: bool = False
    hides: bool = False


class JudgingSettings(Config):
    """The causes a reader can give, and how long to wait before the shortlist is written anew (s)."""

    causes: dict[str, Cause]
    quiet_s: float = Field(ge=0)


@cache
def judging_settings() -> JudgingSettings:
    return load(shipped("judging.yaml"), JudgingSettings)


# --- what is answered ----------------------------------------------------------------------------------------------


class Place(Record):
    """A rectangle in the oriented photo, in pixels."""

    x: int = Field(ge=0)
    y: int = Field(ge=0)
    width: int = Field(gt=0)
    height: int = Field(gt=0)

    @classmethod
    def of(cls, box: Box) -> Self:
        return cls(x=box.x, y=box.y, width=box.width, height=box.height)

    def shares(self, other: Place | Box) -> float:
        """The area that both cover, as a share of the smaller one (0 to 1)."""
        across = min(self.x + self.width, other.x + other.width) - max(self.x, other.x)
        down = min(self.y + self.height, other.y + other.height) - max(self.y, other.y)
        smaller = min(self.width * self.height, other.width * other.height)
        return max(across, 0) * max(down, 0) / smaller


class Mark(Record):
    """What a reader says of one place: which cue, where, and whether it is a sign. No verdict: mended, still open."""

    kind: Literal["mark"] = "mark"
    verdict: Verdict | None
    cue: str
    cause: str | None = None
    box: Place
    zone: str | None = None
    side: Side | None = None

    @model_validator(mode="after")
    def _names_hold(self) -> Self:
        if self.cue not in CUES:
            raise ValueError(f"there is no cue '{self.cue}'")
        if self.zone is not None and self.zone not in ZONES:
            raise ValueError(f"there is no zone '{self.zone}'")
        if (self.verdict == "innocent") != (self.cause is not None):
            raise ValueError("an innocent cause belongs to the verdict 'innocent', and only to it")
        if self.cause is not None and self.cause not in judging_settings().causes:
            raise ValueError(f"there is no cause '{self.cause}'")
        return self


class ShotMark(Record):
    """The kind of view, as a reader sees it."""

    kind: Literal["shot"] = "shot"
    shot: str

    @model_validator(mode="after")
    def _name_holds(self) -> Self:
        if self.shot not in SHOTS:
            raise ValueError(f"there is no kind of view '{self.shot}'")
        return self


class ThroughMark(Record):
    """The reader looked the whole photo through: what is not marked in it is not there."""

    kind: Literal["looked_through"] = "looked_through"


Point = tuple[float, float]  # x, y in pixels of the oriented photo


class DecalMark(Record):
    """Where the decal and the panel's known points are in the photo, and what that measures."""

    kind: Literal["decal"] = "decal"
    decal: str
    points: dict[str, Point] = Field(max_length=128)
    corners: tuple[Point, ...] = Field(min_length=1, max_length=4, description="Lower left corner first.")
    measure: Measure | None = None


Said = Mark | ShotMark | ThroughMark | DecalMark
CONTENT: TypeAdapter[Said] = TypeAdapter(Annotated[Said, Field(discriminator="kind")])


@dataclass(frozen=True, slots=True)
class Answer:
    """One row: what a reader thinks of an item since then. `number` is its version; `content` None: open again."""

    number: int
    reader: str
    sha256: str
    item: str
    content: Said | None


def item_of(cue: str, box: Box | Place) -> str:
    """The name of a sighting within its photo: the same as long as a network sees the same."""
    return f"{cue} {box.x} {box.y} {box.width} {box.height}"


def sighting_of(item: str) -> tuple[str, Place] | None:
    """Cue and place of a sighting as it was seen; None for an item that is none."""
    cue, *numbers = item.split(" ")
    if cue not in CUES or len(numbers) != 4 or not all(number.isdecimal() for number in numbers):
        return None
    x, y, width, height = (int(number) for number in numbers)
    return (cue, Place(x=x, y=y, width=width, height=height)) if width and height else None


# --- what is kept --------------------------------------------------------------------------------------------------


class AnsweredMeanwhile(Exception):
    """The item was answered elsewhere since the caller looked; `newest` is what holds now."""

    def __init__(self, newest: Answer) -> None:
        super().__init__(newest)
        self.newest = newest


class AnswerBook:
    """The answers in one screening's file; `Store.answers` gives it.

    A row is written by one statement, which is a transaction by itself, and is on the disk when the call returns. Only
    one thread may write.
    """

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        connection.execute(_TABLE)
        connection.execute("CREATE INDEX IF NOT EXISTS answers_by_item ON answers (sha256, item, reader)")

    def newest(self) -> dict[tuple[str, str, str], Answer]:
        """What holds now, by (reader, sha256, item)."""
        rows = self._connection.execute(
            "SELECT number, reader, sha256, item, content FROM answers"
            " WHERE number IN (SELECT max(number) FROM answers GROUP BY sha256, item, reader) ORDER BY number"
        )
        answers = [_answer(row) for row in rows]
        return {(answer.reader, answer.sha256, answer.item): answer for answer in answers}

    def by_photo(self) -> dict[str, tuple[Answer, ...]]:
        """What all readers think now, by the photo's sha256."""
        found: dict[str, tuple[Answer, ...]] = {}
        for answer in self.newest().values():
            found[answer.sha256] = (*found.get(answer.sha256, ()), answer)
        return found

    def put(self, reader: str, tab: str, sha256: str, item: str, content: Said, seen: int) -> Answer:
        """Append an answer. `seen` is the version of the item that the reader had in view, 0 for none.

        Raises AnsweredMeanwhile, and keeps nothing, where a newer one is there.
        """
        newest = self._newest_of(reader, sha256, item)
        if newest is not None and newest.number != seen:
            raise AnsweredMeanwhile(newest)
        return self._append(reader, tab, sha256, item, content.model_dump_json(), None)

    def undo(self, reader: str, tab: str) -> Answer | None:
        """Take back the newest answer of one tab that still stands; what then holds, None where there was none.

        Raises AnsweredMeanwhile, and changes nothing, where the item was answered in another tab since.
        """
        row = self._connection.execute(
            f"SELECT number, sha256, item FROM answers WHERE reader = ? AND tab = ? AND {_STANDING} LIMIT 1",
            (reader, tab),
        ).fetchone()
        if row is None:
            return None
        number, sha256, item = row
        standing = self._connection.execute(
            f"SELECT number, content FROM answers WHERE sha256 = ? AND item = ? AND reader = ? AND {_STANDING} LIMIT 2",
            (sha256, item, reader),
        ).fetchall()
        if standing[0][0] != number:
            newest = self._newest_of(reader, sha256, item)
            assert newest is not None
            raise AnsweredMeanwhile(newest)
        return self._append(reader, tab, sha256, item, standing[1][1] if len(standing) > 1 else None, number)

    def _newest_of(self, reader: str, sha256: str, item: str) -> Answer | None:
        row = self._connection.execute(
            "SELECT number, reader, sha256, item, content FROM answers"
            " WHERE sha256 = ? AND item = ? AND reader = ? ORDER BY number DESC LIMIT 1",
            (sha256, item, reader),
        ).fetchone()
        return None if row is None else _answer(row)

    def _append(self, reader: str, tab: str, sha256: str, item: str, content: str | None, undoes: int | None) -> Answer:
        self._connection.execute("PRAGMA synchronous = FULL")  # an answer may not be lost with the power either
        now = datetime.now(UTC).isoformat(timespec="milliseconds")
        cursor = self._connection.execute(
            "INSERT INTO answers (written, reader, tab, sha256, item, content, undoes) VALUES (?, ?, ?, ?, ?, ?, ?)",
            (now, reader, tab, sha256, item, content, undoes),
        )
        return _answer((int(cursor.lastrowid or 0), reader, sha256, item, content))


def _answer(row: tuple[int, str, str, str, str | None]) -> Answer:
    number, reader, sha256, item, content = row
    return Answer(number, reader, sha256, item, None if content is None else CONTENT.validate_json(content))
