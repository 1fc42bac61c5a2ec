"""What a screening writes, from what its store holds: weighing, tables, report. No photo is opened here, so it can be
done again whenever something new is known.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import models_json_schema

from pipeline import crops
from pipeline.build_sheets import GENERIC, read_build_sheet
from pipeline.colour import AdvertColour, measure_advert
from pipeline.coverage import hidden_zones
from pipeline.duplicates import PhotoKey, find_repeats, mark_repeats
from pipeline.errors import ConfigError, ScreeningError
from pipeline.evidence import decibans, odds, weigh
from pipeline.histories import WeighingSettings
from pipeline.judging.verdicts import with_verdicts
from pipeline.network import read_manifest, shipped_weights
from pipeline.readings import PanelFilm, judge_readings, measures_of, read_readings
from pipeline.records import SCHEMA_VERSION, Advert, AdvertDetails, AdvertResult, PhotoFindings, SetAside, Shortlist
from pipeline.report.pages import page_names, write_report
from pipeline.shortlist import sheet_or_generic, shortlist
from pipeline.store import Screened, Store, read_result, whole_file
from pipeline.viewing import shot_list, statement, viewing_sheet

FILES = ("shortlist.csv", "shortlist.json", "findings.jsonl", "set_aside.csv")
SHORTLIST_COLUMNS = (
    "rank", "advert", "title", "decision", "refinished", "refinished_low", "refinished_high", "coats", "reason",
    "not_seen", "price", "currency", "photos", "set_aside",
)  # fmt: skip
SET_ASIDE_COLUMNS = ("advert", "photo", "fault", "remedy")


def write_outputs(store: Store, out: Path) -> tuple[Shortlist, Path]:
    """Weigh what the store holds and write every table and the report; return the shortlist and the first page.

    Raises UsageError where no screening into `out` was finished, ScreeningError where the disk refuses.
    """
    screened = store.screened()
    result, by_advert = _weighed(store, screened)
    write_tables(out, result, by_advert, screened.set_aside)
    return result, _report(store, screened, result, by_advert, out)


def write_report_to(store: Store, out: Path, into: Path, notice: str) -> Path:
    """Write the report of the screening in `out` below `into`, with a notice on every page; return its first page.

    Raises UsageError where no screening into `out` was finished, ScreeningError where the disk refuses.
    """
    screened = store.screened()
    return _report(store, screened, *_weighed(store, screened), out, notice=notice, into=into)


def findings_of(store: Store) -> list[PhotoFindings]:
    """What was seen in every photo of the screening, as judged, in reading order."""
    return [photo for found in _Findings(store, list(store.screened().adverts)).values() for photo in found]


def _weighed(store: Store, screened: Screened) -> tuple[Shortlist, _Findings]:
    adverts = screened.as_adverts()
    by_advert = _Findings(store, [advert.name for advert in adverts])
    colours = {advert.name: _colour_of(advert, by_advert[advert.name], screened) for advert in adverts}
    settings = WeighingSettings.shipped()
    result = shortlist(
        adverts, by_advert, screened.set_aside, screened.rates, settings, store.measures(), colours,
        screened.unknown_zones,
    )  # fmt: skip
    return result, by_advert


def _report(
    store: Store,
    screened: Screened,
    result: Shortlist,
    by_advert: _Findings,
    out: Path,
    *,
    notice: str | None = None,
    into: Path | None = None,
) -> Path:
    for photos in by_advert.values():
        for photo in photos:  # what a person marked, and what an earlier version did not cut out
            crops.add_missing(photo, out)
    return write_report(
        out,
        screened.as_adverts(),
        result,
        by_advert,
        screened.set_aside,
        screened.made_with,
        store.measures(),
        notice=notice,
        into=into,
    )


def take_readings(out: Path, advert: str, file: Path) -> tuple[tuple[PanelFilm, ...], AdvertResult]:
    """Take in what a film gauge read at one vehicle, in place of earlier readings, and write all outputs anew.

    Returns the film of every panel and what is thought of the advert now. Raises UsageError where `out` holds no such
    advert, ConfigError where the readings or the build sheet do not hold.
    """
    read_result(out, advert)  # says what is wrong before a store is made where none was
    settings = WeighingSettings.shipped()
    with Store.open(out) as store:
        sheet = read_build_sheet(store.screened().adverts[advert].build_sheet or GENERIC)
        readings = read_readings(file, sheet, settings.readings)
        films = judge_readings(readings, sheet, settings.readings)
        store.keep_readings(advert, readings, measures_of(films))
        result, _ = write_outputs(store, out)
    return films, next(row for row in result.adverts if row.advert == advert)


def write_viewing_sheet(out: Path, advert: str) -> Path:
    """Write the sheet for viewing one vehicle below `out/viewing` and return it.

    Raises UsageError where `out` holds no such advert, ConfigError where its build sheet does not hold.
    """
    read_result(out, advert)  # says what is wrong before a store is made where none was
    settings = WeighingSettings.shipped()
    with Store.open(out) as store:
        screened = store.screened()
        adverts = {known.name: known for known in screened.as_adverts()}
        sheet = read_build_sheet(adverts[advert].details.build_sheet or GENERIC)
        findings = _Findings(store, tuple(adverts))[advert]
        measures = (*store.measures().get(advert, ()), *_colour_of(adverts[advert], findings, screened).measures)
        hidden = hidden_zones(adverts[advert].details, settings.covers)
        verdict = weigh(findings, sheet, screened.rates, settings, measures, {*hidden, *screened.unknown_zones})
        films = judge_readings(store.readings(advert), sheet, settings.readings)
        content = viewing_sheet(adverts[advert], verdict, films)
    return _write_paper(out / "viewing" / page_names(tuple(adverts))[advert], content)


def write_statement(out: Path, advert: str) -> Path:
    """Write the statement for the file on one vehicle below `out/viewing` and return it.

    Raises UsageError where `out` holds no such advert.
    """
    result = read_result(out, advert)
    with Store.open(out) as store:
        screened = store.screened()
    sheet, _ = sheet_or_generic(screened.adverts[advert].build_sheet or GENERIC)
    assumed = decibans(odds(1 - WeighingSettings.shipped().prior["factory"]))
    page = Path(page_names(tuple(screened.adverts))[advert])
    path = out / "viewing" / f"{page.stem}.statement{page.suffix}"
    return _write_paper(path, statement(result, screened.made_with, sheet.label, assumed))


def write_shot_list(family: str, folder: Path) -> Path:
    """Write the shot list for a vehicle of a family (name or path of a build sheet) into `folder` and return it.

    The order follows what the shipped network was measured to tell. Raises ConfigError for a sheet that does not hold.
    """
    sheet = read_build_sheet(family)
    network = read_manifest(shipped_weights())
    content = shot_list(sheet, network.rates, WeighingSettings.shipped(), unknown_zones=network.unknown_zones)
    return _write_paper(folder / f"shot-list-{Path(family).stem}.html", content)


def _write_paper(path: Path, content: str) -> Path:
    try:
        path.parent.mkdir(exist_ok=True)
        with whole_file(path) as stream:
            stream.write(content)
    except OSError as error:
        raise _refused(error, path) from None
    return path


def _colour_of(advert: Advert, findings: Sequence[PhotoFindings], screened: Screened) -> AdvertColour:
    """What the photos of one advert say together of its colour."""
    family = None
    if advert.details.build_sheet:
        with suppress(ConfigError):  # told where the advert is weighed
            family = read_build_sheet(advert.details.build_sheet).family
    return measure_advert(
        advert.details, findings, paints=screened.paints, references=screened.references, family=family
    )


class _Findings(Mapping[str, Sequence[PhotoFindings]]):
    """Findings by advert, as judged, read from the store when asked for: no more than one advert's are in memory."""

    def __init__(self, store: Store, names: Sequence[str]) -> None:
        self._store, self._names, self._answers = store, names, store.answers().by_photo()
        self._repeats = find_repeats([PhotoKey(*row) for row in store.hashes()])

    def __getitem__(self, advert: str) -> Sequence[PhotoFindings]:
        if advert not in self._names:
            raise KeyError(advert)
        judged = [with_verdicts(photo, self._answers.get(photo.sha256, ())) for photo in self._store.findings(advert)]
        return mark_repeats(judged, self._repeats)

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)


def write_tables(
    out: Path, result: Shortlist, by_advert: Mapping[str, Sequence[PhotoFindings]], set_aside: Sequence[SetAside]
) -> None:
    """Write shortlist.csv, shortlist.json, findings.jsonl and set_aside.csv, each whole or not at all."""
    try:
        with whole_file(out / "findings.jsonl") as stream:
            for found in by_advert.values():
                stream.writelines(f"{photo.model_dump_json()}\n" for photo in found)
        with whole_file(out / "set_aside.csv") as stream:
            table = csv.writer(stream)
            table.writerow(SET_ASIDE_COLUMNS)
            table.writerows([_cell(getattr(entry, name)) for name in SET_ASIDE_COLUMNS] for entry in set_aside)
        with whole_file(out / "shortlist.csv") as stream:
            table = csv.writer(stream)
            table.writerow(SHORTLIST_COLUMNS)
            for row in sorted(result.adverts, key=lambda row: row.rank):
                low, high = row.refinished_range
                unseen = " ".join(zone for zone, state in row.coverage.items() if state != "seen")
                values = (
                    row.rank, row.advert, row.title, row.decision, f"{row.refinished:.4f}", f"{low:.4f}", f"{high:.4f}",
                    row.coats, row.reason, unseen, row.price, row.currency, row.photos, row.set_aside,
                )  # fmt: skip
                table.writerow(_cell(value) for value in values)
        with whole_file(out / "shortlist.json") as stream:
            stream.write(f"{result.model_dump_json(indent=1)}\n")
    except OSError as error:
        raise _refused(error, out) from None


def _refused(error: OSError, path: Path) -> ScreeningError:
    return ScreeningError(
        error.filename or path, f"it cannot be written ({error.strerror})", "free space or choose another --out"
    )


def output_schema() -> dict[str, Any]:
    """JSON Schema (2020-12) of every output and of advert.yaml, by file under `files`, with shared definitions."""
    models: dict[str, type[BaseModel]] = {
        "shortlist.json": Shortlist,
        "findings.jsonl": PhotoFindings,  # one line
        "set_aside.csv": SetAside,  # one row
        "advert.yaml": AdvertDetails,
    }
    references, definitions = models_json_schema([(model, "validation") for model in models.values()])
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "schema_version": SCHEMA_VERSION,
        "files": {name: references[model, "validation"] for name, model in models.items()},
        **definitions,
    }


def _cell(value: str | float | None) -> str | float:
    """A cell that no spreadsheet takes for a formula: adverts are written by strangers (OWASP, CSV Injection)."""
    if value is None:
        return ""
    if isinstance(value, str) and value.startswith(("=", "+", "-", "@", "\t", "\r")):
        return f"'{value}"
    return value
