"""The screening run: adverts in, every output file out. Puts the stages in a row and decides nothing itself.

Each photo is decoded once, on a thread ahead of the network, cut and forgotten, so memory does not grow with the batch.
What was found is kept per photo at once; a second screening, or one that goes on after a stop, computes only what is
new.
"""

from __future__ import annotations

import csv
import hashlib
import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import models_json_schema

from pipeline import crops, cues, duplicates, findings, network, photos
from pipeline.adverts import photo_names, read_batch
from pipeline.configuration import shipped
from pipeline.duplicates import PhotoKey, Repeats, find_repeats, mark_repeats
from pipeline.errors import PhotoError, ScreeningError, UsageError
from pipeline.findings import look_at
from pipeline.histories import WeighingSettings
from pipeline.network import CueNetwork, shipped_weights
from pipeline.photos import judge_quality, read_photo
from pipeline.records import (
    SCHEMA_VERSION,
    Advert,
    AdvertDetails,
    Photo,
    PhotoFindings,
    Quality,
    SetAside,
    Shortlist,
)
from pipeline.report.pages import write_report
from pipeline.shortlist import shortlist
from pipeline.store import FILE, Store, whole_file

Progress = Callable[[int, int], None]  # photos done, photos in all

LOOKING = (
    photos,
    network,
    cues,
    findings,
    duplicates,
    crops,
)  # the code that a photo's findings and pictures depend on
LOOKING_CONFIGS = ("photos.yaml", "cues.yaml", "zones.yaml", "shots.yaml")
AHEAD = 4  # photos decoded or being decoded; more would only fill memory
FOLDERS = (crops.FOLDER, "report")
FILES = ("shortlist.csv", "shortlist.json", "findings.jsonl", "set_aside.csv")
SHORTLIST_COLUMNS = (
    "rank", "advert", "title", "decision", "refinished", "refinished_low", "refinished_high", "coats", "reason",
    "not_seen", "price", "currency", "photos", "set_aside",
)  # fmt: skip
SET_ASIDE_COLUMNS = ("advert", "photo", "fault", "remedy")


@dataclass(frozen=True, slots=True)
class ScreeningResult:
    """What a screening did: the shortlist, what was set aside, how many photos it judged, how many of them earlier."""

    shortlist: Shortlist
    set_aside: tuple[SetAside, ...]
    report: Path
    photos: int
    known_before: int


@dataclass(frozen=True, slots=True)
class _Source:
    advert: str
    name: str
    path: Path


class _Findings(Mapping[str, Sequence[PhotoFindings]]):
    """Findings by advert, read from the store when asked for, so that no more than one advert's are in memory."""

    def __init__(self, store: Store, adverts: Sequence[Advert], repeats: Repeats) -> None:
        self._store, self._names, self._repeats = store, [advert.name for advert in adverts], repeats

    def __getitem__(self, advert: str) -> Sequence[PhotoFindings]:
        if advert not in self._names:
            raise KeyError(advert)
        return mark_repeats(self._store.findings(advert), self._repeats)

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)


def screen(
    batch: Path,
    out: Path,
    *,
    weights: Path | None = None,
    device: str = "cpu",
    threads: int | None = None,
    progress: Progress | None = None,
) -> ScreeningResult:
    """Screen a batch of adverts and write every output below `out`.

    `weights` is the folder of a network, by default the shipped one; `threads` bounds the processor cores used. Photos
    that cannot be used are set aside and listed. Raises UsageError where `out` cannot be used for this batch,
    BatchError where there is nothing to screen, WeightsError where the network does not hold, ScreeningError where
    the disk refuses.
    """
    threads = threads or usable_cores()
    check_out(batch, out)
    with TemporaryDirectory(prefix="maskline-") as unpacked:
        found = read_batch(batch, Path(unpacked))
        weights = weights or shipped_weights()
        cue_network = CueNetwork.load(weights, device=device, threads=threads)
        make_folder(out)
        with Store.open(out) as store:
            look = look_digest(cue_network)
            entries, faults, known_before = _look_at_all(
                _sources(found.adverts), cue_network, look, store, out, threads, progress or (lambda done, total: None)
            )
            store.set_batch(entries)
            crops.remove_others(out, frozenset(sha256 for _, _, sha256 in entries))
            set_aside = (*found.set_aside, *faults)
            repeats = find_repeats([PhotoKey(*row) for row in store.hashes()])
            by_advert = _Findings(store, found.adverts, repeats)
            result = shortlist(
                found.adverts, by_advert, set_aside, cue_network.manifest.rates, WeighingSettings.shipped()
            )
            write_tables(out, result, by_advert, set_aside)
            report = write_report(out, found.adverts, result, by_advert, set_aside, made_with(cue_network))
    return ScreeningResult(result, set_aside, report, len(entries), known_before)


def usable_cores() -> int:
    """Processor cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def made_with(cue_network: CueNetwork) -> str:
    """One line that says which version and which network made the outputs."""
    manifest = cue_network.manifest
    return f"Made with maskline {version('maskline')} and the network '{manifest.name}' of {manifest.created[:10]}."


# --- looking at the photos -----------------------------------------------------------------------------------------


def look_digest(cue_network: CueNetwork) -> str:
    """Digest of everything but the photo that its findings depend on: network, version, code and configuration."""
    digest = hashlib.sha256(f"{version('maskline')}\n{cue_network.manifest.model_dump_json()}".encode())
    for path in [*(Path(str(module.__file__)) for module in LOOKING), *(shipped(name) for name in LOOKING_CONFIGS)]:
        digest.update(path.read_bytes())
    return digest.hexdigest()


def _sources(adverts: Iterable[Advert]) -> list[_Source]:
    return [
        _Source(advert.name, name, path)
        for advert in adverts
        for name, path in zip(photo_names(advert), advert.photos, strict=True)
    ]


def _look_at_all(
    sources: Sequence[_Source],
    cue_network: CueNetwork,
    look: str,
    store: Store,
    out: Path,
    threads: int,
    progress: Progress,
) -> tuple[list[tuple[str, str, str]], list[SetAside], int]:
    """Look at every photo not finished yet: (advert, photo, sha256) of all, what was set aside, how many were known."""
    known = {sha256 for sha256 in store.looked_at(look) if _has_pictures(store, sha256, look, out)}
    before = frozenset(known)
    entries: list[tuple[str, str, str]] = []
    faults: list[SetAside] = []
    progress(0, len(sources))
    with ThreadPoolExecutor(max_workers=min(threads, AHEAD), thread_name_prefix="decode") as pool:
        jobs = _ahead(pool, sources, before)
        for done, (source, job) in enumerate(jobs, 1):
            try:
                sha256, decoded = job.result()
                if decoded is not None and sha256 not in known:
                    photo, quality = decoded
                    seen = look_at(photo, cue_network.run([photo.srgb])[0], quality, cue_network.manifest)
                    store.keep(look, crops.write_pictures(photo, seen.findings, seen.heats, out), photo.perceptual_hash)
                    known.add(sha256)
                entries.append((source.advert, source.name, sha256))
            except PhotoError as error:
                faults.append(SetAside(advert=source.advert, photo=source.name, fault=error.fault, remedy=error.remedy))
            progress(done, len(sources))
    return entries, faults, sum(sha256 in before for _, _, sha256 in entries)


def _ahead(
    pool: ThreadPoolExecutor, sources: Sequence[_Source], known: frozenset[str]
) -> Iterator[tuple[_Source, Future[tuple[str, tuple[Photo, Quality] | None]]]]:
    """Every source with its decoding under way, in order; only a few photos ahead, so that memory stays flat."""
    waiting: deque[tuple[_Source, Future[tuple[str, tuple[Photo, Quality] | None]]]] = deque()
    try:
        for source in sources:
            waiting.append((source, pool.submit(_decode, source, known)))
            if len(waiting) == AHEAD:
                yield waiting.popleft()
        while waiting:
            yield waiting.popleft()
    finally:
        for _, job in waiting:
            job.cancel()


def _decode(source: _Source, known: frozenset[str]) -> tuple[str, tuple[Photo, Quality] | None]:
    """The photo's digest and, unless it is finished already, the photo and its quality. Raises PhotoError."""
    if known:
        sha256 = _file_digest(source.path)
        if sha256 in known:
            return sha256, None
    photo = read_photo(source.path, source.advert, source.name)
    return photo.sha256, (photo, judge_quality(photo))


def _file_digest(path: Path) -> str | None:
    """SHA-256 of a file's bytes; None where it cannot be read (decoding it will say why)."""
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError:
        return None


def _has_pictures(store: Store, sha256: str, look: str, out: Path) -> bool:
    finished = store.finished(sha256, look)
    return finished is not None and all((out / path).is_file() for path in crops.files_of(finished.findings))


# --- where the outputs go ------------------------------------------------------------------------------------------


def check_out(batch: Path, out: Path) -> None:
    """Refuse a folder for the outputs that would change the input or somebody's other files. Raises UsageError."""
    place, source = out.resolve(), batch.resolve()
    if source.is_dir() and place.is_relative_to(source):
        raise UsageError(
            out, "the outputs would lie inside the batch, which is never changed", "choose an --out beside it"
        )
    if any(source.is_relative_to(place / folder) for folder in FOLDERS):
        raise UsageError(out, "the batch lies where the outputs go", "choose another --out")
    if place.exists() and not place.is_dir():
        raise UsageError(out, "it is a file", "name a folder for the outputs")
    if place.is_dir() and not (place / FILE).exists():
        taken = [name for name in (*FILES, *FOLDERS) if (place / name).exists()]
        if taken:
            raise UsageError(
                out, f"it holds a '{taken[0]}' that no screening wrote", "choose a new or empty folder for --out"
            )


def make_folder(out: Path) -> None:
    """Make the folder for the outputs. Raises ScreeningError where the disk refuses."""
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ScreeningError(out, f"the folder cannot be made ({error.strerror})", "choose another --out") from None


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
        raise ScreeningError(
            error.filename or out, f"it cannot be written ({error.strerror})", "free space or choose another --out"
        ) from None


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
