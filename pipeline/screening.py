"""The screening run: adverts in, every output file out. Puts the stages in a row and decides nothing itself.

Each photo is decoded once, on a thread ahead of the network, cut and forgotten, so memory does not grow with the batch.
What was found is kept per photo at once; a second screening, or one that goes on after a stop, computes only what is
new.
"""

from __future__ import annotations

import hashlib
import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from tempfile import TemporaryDirectory

from pipeline import (
    coats,
    colorimetry,
    colour,
    colour_scene,
    crops,
    cues,
    findings,
    focus,
    lettering,
    network,
    paint_difference,
    paint_table,
    panels,
    photos,
    plate,
)
from pipeline.adverts import photo_names, read_batch
from pipeline.colour import measure_colour, reference_of
from pipeline.configuration import shipped
from pipeline.errors import PhotoError, ScreeningError, UsageError
from pipeline.findings import look_at
from pipeline.network import CueNetwork, shipped_weights
from pipeline.outputs import FILES, write_outputs
from pipeline.paint_table import Paint
from pipeline.photos import judge_quality, read_photo
from pipeline.records import Advert, Photo, Quality, SetAside, Shortlist
from pipeline.references import Reference, reference_photos
from pipeline.store import FILE, Screened, Store

Progress = Callable[[int, int], None]  # photos done, photos in all

# the code and the configuration that a photo's findings and pictures depend on
LOOKING = (
    photos, network, cues, findings, lettering, crops,
    coats, colorimetry, colour, colour_scene, focus, paint_difference, paint_table, panels, plate,
)  # fmt: skip
LOOKING_CONFIGS = ("photos.yaml", "cues.yaml", "colour.yaml", "reader.yaml")
AHEAD = 4  # photos decoded or being decoded; more would only fill memory
FOLDERS = (crops.FOLDER, "report")


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
    code: str | None = None  # of the paint, where the photo is a reference and belongs to no advert


def screen(
    batch: Path,
    out: Path,
    *,
    weights: Path | None = None,
    device: str = "cpu",
    threads: int | None = None,
    paints: Sequence[Paint] = (),
    references: Path | None = None,
    progress: Progress | None = None,
) -> ScreeningResult:
    """Screen a batch of adverts and write every output below `out`.

    `weights` is the folder of a network, by default the shipped one; `threads` bounds the processor cores used;
    `paints` are the factory's, `references` is a folder of photos of vehicles known to wear them, one folder a code.
    Photos that cannot be used are set aside and listed. Raises UsageError where `out` cannot be used for this batch,
    BatchError where there is nothing to screen, ConfigError where there are no references, WeightsError where the
    network does not hold, ScreeningError where the disk refuses.
    """
    threads = threads or usable_cores()
    check_out(batch, out)
    with TemporaryDirectory(prefix="maskline-") as unpacked:
        found = read_batch(batch, Path(unpacked))
        known_paint = [] if references is None else _known_paint(references)
        weights = weights or shipped_weights()
        cue_network = CueNetwork.load(weights, device=device, threads=threads)
        make_folder(out)
        with Store.open(out) as store:
            look = look_digest(cue_network, paints)
            looked_at, faults, before = _look_at_all(
                [*_sources(found.adverts), *known_paint],
                cue_network,
                look,
                paints,
                store,
                out,
                threads,
                progress or (lambda done, total: None),
            )
            entries = [(source.advert, source.name, sha256) for source, sha256 in looked_at if source.code is None]
            measured, unmeasured = _references(looked_at, store, look)
            set_aside = (*found.set_aside, *faults, *unmeasured)
            store.set_batch(
                Screened(
                    adverts={advert.name: advert.details for advert in found.adverts},
                    set_aside=set_aside,
                    rates=cue_network.manifest.rates,
                    unknown_zones=cue_network.manifest.unknown_zones,
                    made_with=made_with(cue_network),
                    paints=tuple(paints),
                    references=measured,
                    batch=str(batch.resolve()),
                ),
                entries,
                beside=[reference.sha256 for reference in measured],
            )
            crops.remove_others(out, frozenset(sha256 for _, sha256 in looked_at))
            result, report = write_outputs(store, out)
    known_before = sum(sha256 in before for _, _, sha256 in entries)
    return ScreeningResult(result, set_aside, report, len(entries), known_before)


def usable_cores() -> int:
    """Processor cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def made_with(cue_network: CueNetwork) -> str:
    """One line that says which version and which network made the outputs."""
    manifest = cue_network.manifest
    return f"Made with maskline {version('maskline')} and the network '{manifest.name}' of {manifest.created[:10]}."


# --- looking at the photos -----------------------------------------------------------------------------------------


def look_digest(cue_network: CueNetwork, paints: Sequence[Paint] = ()) -> str:
    """Digest of everything but the photo that its findings depend on: network, paints, version, code, configuration."""
    digest = hashlib.sha256(f"{version('maskline')}\n{cue_network.manifest.model_dump_json()}\n{paints!r}".encode())
    for path in [*(Path(str(module.__file__)) for module in LOOKING), *(shipped(name) for name in LOOKING_CONFIGS)]:
        digest.update(path.read_bytes())
    return digest.hexdigest()


def _sources(adverts: Iterable[Advert]) -> list[_Source]:
    return [
        _Source(advert.name, name, path)
        for advert in adverts
        for name, path in zip(photo_names(advert), advert.photos, strict=True)
    ]


def _known_paint(folder: Path) -> list[_Source]:
    return [_Source(f"reference {code}", path.name, path, code) for code, path in reference_photos(folder)]


def _references(
    looked_at: Sequence[tuple[_Source, str]], store: Store, look: str
) -> tuple[tuple[Reference, ...], list[SetAside]]:
    """What the references measure, and those among them that show no paint."""
    measured, unmeasured = [], []
    for source, sha256 in looked_at:
        finished = None if source.code is None else store.finished(sha256, look)
        if source.code is None or finished is None:
            continue
        reference = reference_of(source.code, source.path, finished.findings)
        if reference is not None:
            measured.append(reference)
        else:
            fault, remedy = "it shows too little paint to measure", "use a sharp photo of the vehicle's outside"
            unmeasured.append(SetAside(advert=source.advert, photo=source.name, fault=fault, remedy=remedy))
    return tuple(measured), unmeasured


def _look_at_all(
    sources: Sequence[_Source],
    cue_network: CueNetwork,
    look: str,
    paints: Sequence[Paint],
    store: Store,
    out: Path,
    threads: int,
    progress: Progress,
) -> tuple[list[tuple[_Source, str]], list[SetAside], frozenset[str]]:
    """Look at every photo not finished yet: the sha256 of all, what was set aside, and which sha256 were known."""
    known = {sha256 for sha256 in store.looked_at(look) if _has_pictures(store, sha256, look, out)}
    before = frozenset(known)
    entries: list[tuple[_Source, str]] = []
    faults: list[SetAside] = []
    progress(0, len(sources))
    with ThreadPoolExecutor(max_workers=min(threads, AHEAD), thread_name_prefix="decode") as pool:
        jobs = _ahead(pool, sources, before)
        for done, (source, job) in enumerate(jobs, 1):
            try:
                sha256, decoded = job.result()
                if decoded is not None and sha256 not in known:
                    photo, quality = decoded
                    maps = cue_network.run([photo.srgb])[0]
                    seen = look_at(photo, maps, quality, cue_network.manifest)
                    measures = measure_colour(photo, maps, seen.findings, paints=paints)
                    measured = seen.findings.model_copy(update={"measures": measures})
                    store.keep(look, crops.write_pictures(photo, measured, seen.heats, out), photo.perceptual_hash)
                    known.add(sha256)
                entries.append((source, sha256))
            except PhotoError as error:
                faults.append(SetAside(advert=source.advert, photo=source.name, fault=error.fault, remedy=error.remedy))
            progress(done, len(sources))
    return entries, faults, before


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
