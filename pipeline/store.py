"""What a screening keeps in OUT: finished photos in `maskline.sqlite`, and files that appear whole or not at all."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from types import TracebackType
from typing import IO, Self

from pydantic import Field, TypeAdapter

from pipeline.errors import ScreeningError, UsageError
from pipeline.judging.answers import AnswerBook
from pipeline.paint_table import Paint
from pipeline.readings import Reading
from pipeline.records import (
    Advert,
    AdvertDetails,
    AdvertResult,
    Before,
    CueRates,
    Measure,
    PhotoFindings,
    Record,
    SetAside,
    Shortlist,
)
from pipeline.references import Reference

FILE = "maskline.sqlite"
SHORTLIST = "shortlist.json"
LAYOUT = 1  # raised whenever the tables change; kept in the file as user_version

_READINGS = TypeAdapter(tuple[Reading, ...])
_MEASURES = TypeAdapter(tuple[Measure, ...])
_TABLES = """
CREATE TABLE screened (content TEXT NOT NULL);  -- one row: Screened as JSON
CREATE TABLE looks (
    sha256 TEXT PRIMARY KEY,          -- of the photo file
    look TEXT NOT NULL,               -- digest of everything but the photo that the findings depend on
    perceptual_hash TEXT NOT NULL,
    findings TEXT NOT NULL            -- PhotoFindings as JSON, under the name the photo had when it was looked at
) WITHOUT ROWID;
CREATE TABLE photos (
    advert TEXT NOT NULL,
    photo TEXT NOT NULL,
    place INTEGER NOT NULL,           -- reading order in the batch
    sha256 TEXT NOT NULL REFERENCES looks (sha256),
    PRIMARY KEY (advert, photo)
) WITHOUT ROWID;
CREATE TABLE readings (advert TEXT PRIMARY KEY, readings TEXT NOT NULL, measures TEXT NOT NULL) WITHOUT ROWID;
"""


class Screened(Record):
    """What a screening knows beside its photos: enough to weigh again without the batch and the network."""

    adverts: dict[str, AdvertDetails]
    before: dict[str, Before] = Field(default_factory=dict, description="Filled in by the store.")
    set_aside: tuple[SetAside, ...]
    rates: dict[str, CueRates]
    unknown_zones: tuple[str, ...] = Field(
        default=("floor",),
        description="Zones the network was not taught; where an earlier version did not say, it was the floor.",
    )
    made_with: str
    paints: tuple[Paint, ...] = ()
    references: tuple[Reference, ...] = ()
    batch: str | None = Field(default=None, description="Where the photos lay, for those who want to see them large.")

    def as_adverts(self) -> list[Advert]:
        """The adverts in batch order, without their photos."""
        return [Advert(name, details, (), self.before.get(name)) for name, details in self.adverts.items()]


@dataclass(frozen=True, slots=True)
class Finished:
    """One photo that was looked at before: its findings and its hash for finding repeats."""

    findings: PhotoFindings
    perceptual_hash: str


class Store:
    """The state of a screening, in one SQLite file. Open it with `Store.open`, as a context manager.

    A photo is kept as soon as it is finished, so a run that was stopped goes on from there. One run at a time holds it.
    """

    def __init__(self, connection: sqlite3.Connection, path: Path) -> None:
        self._connection, self._path = connection, path

    @classmethod
    def open(cls, out: Path) -> Store:
        """Open or make `out/maskline.sqlite` for writing.

        Raises ScreeningError where another process holds it, the disk refuses, it is damaged, or a newer version
        wrote it.
        """
        path = out / FILE
        try:
            # judging reads in one thread what it answers in another; SQLite itself keeps them apart (serialized mode)
            connection = sqlite3.connect(path, timeout=2.0, isolation_level=None, check_same_thread=False)
            try:
                layout = _set_up(connection)
            except BaseException:
                connection.close()
                raise
        except sqlite3.OperationalError as error:
            if "locked" in str(error):
                fault = "it is open in another process, such as maskline judge or maskline screen"
                remedy = "end that process, or wait until it has ended, and try again"
            else:
                fault, remedy = f"it cannot be written ({error})", "check permissions and free space"
            raise ScreeningError(path, fault, remedy) from None
        except sqlite3.DatabaseError as error:
            fault = f"the state of earlier runs is damaged ({error})"
            raise ScreeningError(path, fault, "delete the file to start afresh") from None
        if layout > LAYOUT:
            connection.close()
            fault = "a newer version of maskline wrote this folder"
            raise ScreeningError(path, fault, "update maskline or choose another --out")
        return cls(connection, path)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._connection.close()

    def looked_at(self, look: str) -> frozenset[str]:
        """SHA-256 of every photo that was finished under this `look`."""
        rows = self._connection.execute("SELECT sha256 FROM looks WHERE look = ?", (look,))
        return frozenset(sha256 for (sha256,) in rows)

    def finished(self, sha256: str, look: str) -> Finished | None:
        """The findings of a photo that was finished under this `look`, or None."""
        row = self._connection.execute(
            "SELECT findings, perceptual_hash FROM looks WHERE sha256 = ? AND look = ?", (sha256, look)
        ).fetchone()
        return None if row is None else Finished(PhotoFindings.model_validate_json(row[0]), row[1])

    def keep(self, look: str, findings: PhotoFindings, perceptual_hash: str) -> None:
        """Keep one finished photo; what an earlier look at the same file found is replaced."""
        self._connection.execute(
            "INSERT OR REPLACE INTO looks VALUES (?, ?, ?, ?)",
            (findings.sha256, look, perceptual_hash, findings.model_dump_json()),
        )

    def set_batch(self, screened: Screened, photos: Sequence[tuple[str, str, str]], beside: Sequence[str] = ()) -> None:
        """Say what the batch is and which finished photos make it up, as (advert, photo, sha256) in reading order.

        Photos that are no longer in the batch are forgotten, but for those `beside` it (sha256), the references. What
        an advert was before its words or photos changed is kept.
        """
        screened = screened.model_copy(update={"before": self._before(screened, photos)})
        with self._transaction():
            self._connection.execute("DELETE FROM screened")
            self._connection.execute("INSERT INTO screened VALUES (?)", (screened.model_dump_json(),))
            self._connection.execute("DELETE FROM photos")
            self._connection.executemany(
                "INSERT INTO photos VALUES (?, ?, ?, ?)",
                [(advert, photo, place, sha256) for place, (advert, photo, sha256) in enumerate(photos)],
            )
            self._connection.execute(
                "DELETE FROM looks WHERE sha256 NOT IN (SELECT sha256 FROM photos)"
                " AND sha256 NOT IN (SELECT value FROM json_each(?))",
                (json.dumps(list(beside)),),
            )

    def _before(self, screened: Screened, photos: Sequence[tuple[str, str, str]]) -> dict[str, Before]:
        """What each advert was when its words or photos were last others than now; left out where they never were."""
        row = self._connection.execute("SELECT content FROM screened").fetchone()
        if row is None:
            return {}
        earlier = Screened.model_validate_json(row[0])
        results = {result.advert: result for result in _results(self._path.with_name(SHORTLIST))}
        before = {}
        for name, details in screened.adverts.items():
            if name not in earlier.adverts:
                continue
            now = {sha256 for advert, _, sha256 in photos if advert == name}
            then = [sha for (sha,) in self._connection.execute("SELECT sha256 FROM photos WHERE advert = ?", (name,))]
            if details != earlier.adverts[name] or now != set(then):
                result = results.get(name)
                before[name] = Before(
                    details=earlier.adverts[name],
                    photos=tuple(sorted(then)),
                    refinished=result.refinished if result else None,
                    decision=result.decision if result else None,
                )
            elif name in earlier.before:
                before[name] = earlier.before[name]
        return before

    def screened(self) -> Screened:
        """What the last finished screening knew. Raises UsageError where there was none."""
        row = self._connection.execute("SELECT content FROM screened").fetchone()
        if row is None:
            raise UsageError(self._path, "no screening was finished here", "run maskline screen first")
        return Screened.model_validate_json(row[0])

    def keep_readings(self, advert: str, readings: Sequence[Reading], measures: Sequence[Measure]) -> None:
        """Keep what was read at one vehicle and the measures made of it, in place of what was read before."""
        content = _READINGS.dump_json(tuple(readings)).decode(), _MEASURES.dump_json(tuple(measures)).decode()
        self._connection.execute("INSERT OR REPLACE INTO readings VALUES (?, ?, ?)", (advert, *content))

    def readings(self, advert: str) -> tuple[Reading, ...]:
        """What was read at one vehicle, as it was read."""
        row = self._connection.execute("SELECT readings FROM readings WHERE advert = ?", (advert,)).fetchone()
        return () if row is None else _READINGS.validate_json(row[0])

    def measures(self) -> dict[str, tuple[Measure, ...]]:
        """What the readings at the vehicles come to, by advert."""
        rows = self._connection.execute("SELECT advert, measures FROM readings ORDER BY advert")
        return {advert: _MEASURES.validate_json(measures) for advert, measures in rows}

    def answers(self) -> AnswerBook:
        """What readers answered to the findings."""
        return AnswerBook(self._connection)

    def hashes(self) -> Iterator[tuple[str, str, str, str]]:
        """(advert, photo, sha256, perceptual hash) of the whole batch, in reading order."""
        yield from self._connection.execute(
            "SELECT advert, photo, sha256, perceptual_hash FROM photos JOIN looks USING (sha256) ORDER BY place"
        )

    def findings(self, advert: str) -> tuple[PhotoFindings, ...]:
        """The findings of one advert's photos, in reading order, under the names the photos have in this batch."""
        rows = self._connection.execute(
            "SELECT photo, findings FROM photos JOIN looks USING (sha256) WHERE advert = ? ORDER BY place", (advert,)
        )
        return tuple(
            PhotoFindings.model_validate_json(findings).model_copy(update={"advert": advert, "photo": photo})
            for photo, findings in rows
        )

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        self._connection.execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            self._connection.execute("ROLLBACK")
            raise
        self._connection.execute("COMMIT")


def _set_up(connection: sqlite3.Connection) -> int:
    """Take hold of the file, make its tables if it is new, and return the layout it was written with."""
    connection.execute("PRAGMA locking_mode = EXCLUSIVE")
    connection.execute("PRAGMA journal_mode = WAL")  # no wait for the disk after each photo
    connection.execute("PRAGMA synchronous = NORMAL")
    connection.execute("BEGIN IMMEDIATE")
    layout = int(connection.execute("PRAGMA user_version").fetchone()[0])
    if layout == 0:
        for statement in _TABLES.split(";"):
            connection.execute(statement)
        connection.execute(f"PRAGMA user_version = {LAYOUT}")
    connection.execute("COMMIT")
    return layout or LAYOUT


def read_result(out: Path, advert: str) -> AdvertResult:
    """What an earlier screening into `out` says of one advert.

    Raises UsageError where `out` holds no screening or the screening has no such advert, ScreeningError where its
    shortlist cannot be read.
    """
    found = read_shortlist(out)
    for result in found.adverts:
        if result.advert == advert:
            return result
    names = [result.advert for result in found.adverts]
    near = get_close_matches(advert, names, n=3, cutoff=0.4) or names[:3]
    raise UsageError(out, f"it has no advert '{advert}'", f"use a name of the shortlist, such as {', '.join(near)}")


def read_shortlist(out: Path) -> Shortlist:
    """What an earlier screening into `out` says.

    Raises UsageError where `out` holds no screening, ScreeningError where its shortlist cannot be read.
    """
    path = out / SHORTLIST
    try:
        return Shortlist.model_validate_json(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise UsageError(out, "no screening was written there", "name the --out folder of a screening") from None
    except (OSError, ValueError):  # pydantic's error is a ValueError too
        raise ScreeningError(path, "it is damaged or of another version", "screen the batch again") from None


def _results(path: Path) -> tuple[AdvertResult, ...]:
    """What an earlier screening thought of its adverts; nothing where that is lost."""
    try:
        return Shortlist.model_validate_json(path.read_text(encoding="utf-8")).adverts
    except (OSError, ValueError):  # pydantic's error is a ValueError too
        return ()


@contextmanager
def whole_file(path: Path) -> Iterator[IO[str]]:
    """Write a UTF-8 text file that appears under its name only when it is complete."""
    partial = path.with_name(f".{path.name}.partial")  # the name is free: one run at a time holds the folder
    try:
        with partial.open("w", encoding="utf-8", newline="") as stream:
            yield stream
        partial.replace(path)
    except BaseException:
        partial.unlink(missing_ok=True)
        raise
