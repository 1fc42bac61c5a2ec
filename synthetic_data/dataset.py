"""Sets of labelled photos on disk: written advert by advert, resumed after a kill, assembled, checked.

SET/images/*.jpg, SET/dense/*.png, SET/annotations.json (COCO), SET/images.parquet, and SET/set.json, which is written
last. While a set is made, SET/.shards/ holds one JSON file an advert, written after the advert's photos: what has no
shard is made again.
"""

from __future__ import annotations

import hashlib
import importlib
import json
import math
import multiprocessing
import os
import shutil
import subprocess
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal, Protocol

import cv2
import numpy as np
import numpy.typing as npt
from pydantic import AfterValidator, Field, ValidationError, create_model

from pipeline.configuration import Config, shipped
from pipeline.errors import BatchError
from pipeline.records import DETECTED_CUES, HISTORIES, SHOTS, Record
from synthetic_data.camera import DevelopedPhoto, encode_jpeg
from synthetic_data.card_sharing import shared_cards
from synthetic_data.mixed_family import MIXED
from synthetic_data.set_check import SPLITS
from synthetic_data.variant import prepare_llvm

SHARDS, RECIPE, MANIFEST = ".shards", "recipe.json", "set.json"
SOURCES = Path(__file__).parent
MOST_RESTARTS = 3  # of the worker pool, after a worker process died

Split = Literal["train", "val", "test"]
CueLabel = Literal[0, 1] | None
LEAST_CONTRADICTION_PX = 16  # a mask smaller than this may belong to a cue that is called absent


def _known(names: tuple[str, ...]) -> Callable[[str], str]:
    def check(name: str) -> str:
        if name not in names:
            raise ValueError(f"it must be one of {', '.join(names)}")
        return name

    return check


class Shares(Config):
    val: float = Field(ge=0, le=1)
    test: float = Field(ge=0, le=1)


class SetConfig(Config):
    """Everything in `configs/synthesis/dataset.yaml`; `panoramas` and `scenes` are folders of the user's own."""

    maker: str = Field(pattern=r"^[\w.]+$")
    gpu_variant: str
    cpu_variant: str
    shares: Shares
    held_out_family_share: float = Field(ge=0, le=1)
    mixed_share: float = Field(ge=0, le=1)
    group_gap: float = Field(ge=0, le=0.2)
    most_annotations: int = Field(ge=1)
    panoramas: Path | None = None
    scenes: Path | None = None


class _Labels(Record):
    """What a maker says of one photo: the table's row without file and split. A cue is 1, 0 or None, unknown."""

    advert: str = Field(pattern=r"^[\w-]+$")
    vehicle: str
    family: str
    shot: Annotated[str, AfterValidator(_known(SHOTS))] | None
    vehicle_visible: Literal[0, 1] | None
    source: Literal["synthetic", "semi_real"] = "synthetic"
    place: str | None = None
    side: str | None = None
    light: str | None = None
    distance_m: float | None = Field(default=None, ge=0)
    body_L: float | None = None
    body_a: float | None = None
    body_b: float | None = None
    hard_negatives: str = ""
    history: Annotated[str, AfterValidator(_known(HISTORIES))] | None = None


PhotoLabels = create_model(  # type: ignore[call-overload]
    "PhotoLabels", __base__=_Labels, **{f"cue_{cue}": (CueLabel, None) for cue in DETECTED_CUES}
)


class SyntheticPhoto(Protocol):
    """One photo as a maker hands it over."""

    @property
    def stem(self) -> str: ...

    @property
    def photo(self) -> DevelopedPhoto: ...

    @property
    def labels(self) -> Mapping[str, Any]: ...


@dataclass(frozen=True, slots=True)
class Made:
    """What came of making a set: photos in it, adverts in it, and one line for each advert that failed."""

    photos: int
    adverts: int
    failed: tuple[str, ...]


# --- splits and recipes -------------------------------------------------------------------------------------------


def split_of(seed: int, index: int, shares: Shares) -> Split:
    """The split of an advert, and so of its vehicle: by its number alone, so it stays when the set grows."""
    place = int.from_bytes(hashlib.sha256(f"{seed}:{index}".encode()).digest()[:8], "big") / 2**64
    if place < shares.test:
        return "test"
    return "val" if place < shares.test + shares.val else "train"


def code_version() -> str:
    """Version of the package and a digest of the generator's own sources and settings."""
    digest = hashlib.sha256()
    for path in sorted([*SOURCES.glob("*.py"), *shipped("synthesis").glob("*.yaml")]):
        digest.update(path.name.encode() + path.read_bytes())
    return f"{importlib.metadata.version('maskline')}+{digest.hexdigest()[:12]}"


def _recipe(config: SetConfig, seed: int) -> dict[str, Any]:
    content = config.model_dump(mode="json")
    for key in ("panoramas", "scenes"):  # a folder is known by what is in it, not by where it lies
        folder = getattr(config, key)
        content[key] = sorted(path.name for path in folder.iterdir() if path.is_file()) if folder else None
    return {"config": content, "seed": seed, "version": code_version()}


# --- making -------------------------------------------------------------------------------------------------------


def synth(
    config: SetConfig,
    *,
    adverts: int,
    seed: int,
    out: Path,
    processes: int = 1,
    gpus: int = 0,
    time_limit_min: float | None = None,
    progress: Callable[[int, int, int], None] = lambda done, total, photos: None,
) -> Made:
    """Make (or go on making) a set of synthetic adverts in `out` and finish it.

    `processes` workers share `gpus` graphics cards in turn; 0 cards means the processor. The same config, seed and
    version give the same set whatever the number of processes. After `time_limit_min` no advert is begun and the set is
    finished with what there is; it can be gone on with. `progress(done adverts, total, photos)` is called after each
    advert. Adverts that fail are left out and named. Raises BatchError where `out` holds another set or
    nothing could be made, and ScreeningError where the processor is to render and its compiler is missing.
    """
    if gpus <= 0 and config.cpu_variant.startswith("llvm"):
        prepare_llvm()
    recipe = _recipe(config, seed)
    open_set(out, recipe)
    done = {
        int(path.stem): len(json.loads(path.read_text())["photos"]) for path in shards(out) if int(path.stem) < adverts
    }
    failed: dict[int, str] = {}
    photos = sum(done.values())
    finished = len(done)
    progress(finished, adverts, photos)
    todo = [index for index in range(adverts) if index not in done]
    until = math.inf if time_limit_min is None else time.time() + 60 * time_limit_min
    for index, count, fault in _make_all(config, todo, seed, out, processes, gpus, until):
        finished += 1
        photos += count
        if fault:
            failed[index] = f"advert {index}: {fault}"
        progress(finished, adverts, photos)
    if photos == 0:
        raise BatchError(
            out, f"no advert could be made ({next(iter(failed.values()), 'none asked for')})", "mend that first"
        )
    finish_set(out, recipe, adverts)
    return Made(photos, finished - len(failed), tuple(failed[index] for index in sorted(failed)))


def graphics_cards() -> int:
    """How many CUDA cards this machine offers."""
    visible = os.environ.get("CUDA_VISIBLE_DEVICES")
    if visible is not None:
        return len([device for device in visible.split(",") if device.strip()])
    if shutil.which("nvidia-smi") is None:
        return 0
    listed = subprocess.run(["nvidia-smi", "-L"], capture_output=True, text=True, check=False)
    return sum(line.startswith("GPU") for line in listed.stdout.splitlines())


def open_set(out: Path, recipe: Mapping[str, Any]) -> None:
    """Make the folder ready, or see that it holds the same set unfinished. Raises BatchError where it holds another."""
    path = out / SHARDS / RECIPE
    if path.exists():
        if json.loads(path.read_text()) != json.loads(json.dumps(recipe)):
            raise BatchError(
                out, "it holds a set of another seed, config or version", "choose another folder or remove it"
            )
    elif out.is_dir() and any(out.iterdir()):
        raise BatchError(out, "it is not empty and holds no set that could be gone on with", "choose another folder")
    for name in ("images", "dense", SHARDS):
        (out / name).mkdir(parents=True, exist_ok=True)
    _write_text(path, json.dumps(recipe, indent=1))


def shards(out: Path) -> list[Path]:
    """What of a set is written, in order."""
    return sorted(
        (path for path in (out / SHARDS).glob("*.json") if path.stem.isdigit()), key=lambda path: int(path.stem)
    )


def _make_all(
    config: SetConfig, todo: list[int], seed: int, out: Path, processes: int, gpus: int, until: float
) -> Iterator[tuple[int, int, str | None]]:
    """Make adverts here or in worker processes, beginning none after `until` (seconds of the epoch).

    Yields index, photos written, fault.
    """
    if processes <= 1:
        _start_worker(None)
        for index in todo:
            if result := _make_one(index, config, seed, out, gpus > 0, until):
                yield result
        return
    with shared_cards() if 0 < gpus < processes else nullcontext():
        yield from _make_in_processes(config, todo, seed, out, processes, gpus, until)


def _make_in_processes(
    config: SetConfig, todo: list[int], seed: int, out: Path, processes: int, gpus: int, until: float
) -> Iterator[tuple[int, int, str | None]]:
    """The same in worker processes; those that a worker's death left undone are begun anew."""
    left = set(todo)
    for _ in range(MOST_RESTARTS + 1):
        if not left:
            return
        context = multiprocessing.get_context("spawn")
        cards = context.Queue()
        for number in range(processes):
            cards.put(_card(number, gpus))
        pool = ProcessPoolExecutor(processes, mp_context=context, initializer=_start_worker, initargs=(cards,))
        inherited = _one_thread_each()
        try:
            waiting: dict[Future[tuple[int, int, str | None] | None], int] = {
                pool.submit(_make_one, index, config, seed, out, gpus > 0, until): index for index in sorted(left)
            }
            while waiting:
                for future in wait(waiting, return_when=FIRST_COMPLETED).done:
                    result = future.result()
                    left.discard(waiting.pop(future))
                    if result:
                        yield result
        except BrokenProcessPool:
            continue  # a worker was killed (memory, driver): start again with what is left
        finally:
            pool.shutdown(wait=True, cancel_futures=True)
            for name in inherited:
                del os.environ[name]
    yield from ((index, 0, "its worker process died each time") for index in sorted(left))


def _card(number: int, gpus: int) -> str | None:
    """What CUDA_VISIBLE_DEVICES has to be for worker `number`, cards taken in turn."""
    if gpus <= 0:
        return None
    visible = os.environ.get("CUDA_VISIBLE_DEVICES")
    cards = [card.strip() for card in visible.split(",")] if visible else [str(card) for card in range(gpus)]
    return cards[:gpus][number % gpus]


def _one_thread_each() -> list[str]:
    """Let processes started from here use one thread; returns the variables set, those already there being left alone.

    numpy's OpenBLAS starts its threads while it is loaded, which is before a worker's first own line.
    """
    missing = [
        name for name in ("OMP_NUM_THREADS", "MKL_NUM_THREADS", "OPENBLAS_NUM_THREADS") if name not in os.environ
    ]
    os.environ.update(dict.fromkeys(missing, "1"))
    return missing


def _start_worker(cards: Any) -> None:
    """Bind this process to its graphics card before anything that uses it is imported."""
    card = cards.get() if cards is not None else None
    if card is not None:
        os.environ["CUDA_VISIBLE_DEVICES"] = card
    cv2.setNumThreads(1)


def _make_one(
    index: int, config: SetConfig, seed: int, out: Path, on_gpu: bool, until: float
) -> tuple[int, int, str | None] | None:
    """Make and write one advert; None where the time is over.

    A fault of the maker is returned as one line, not raised: the set goes on.
    """
    if time.time() >= until:
        return None
    try:
        split = split_of(seed, index, config.shares)
        return index, write_advert(out, index, _photos_of(index, seed, split, config, on_gpu), split, config), None
    except (KeyboardInterrupt, MemoryError):
        raise
    except Exception as error:  # whatever the maker does wrong costs its advert only, and is reported
        return index, 0, f"{type(error).__name__}: {str(error)[:300]}"


def _photos_of(index: int, seed: int, split: Split, config: SetConfig, on_gpu: bool) -> Iterable[SyntheticPhoto]:
    """The maker's photos of one advert. Test adverts see panoramas, and some of them families, that are held out;
    some of those to train on show a vehicle put together from several families."""
    maker = importlib.import_module(config.maker)
    settings = maker.advert_settings()
    family = None
    rng = np.random.default_rng([seed, index, 1])
    if split == "test" and settings.test_families and rng.random() < config.held_out_family_share:
        family = settings.test_families[int(rng.integers(len(settings.test_families)))]
    if split == "train" and rng.random() < config.mixed_share:
        family = MIXED
    around = maker.Surroundings(config.panoramas, config.scenes, held_out=split == "test")
    variant = config.gpu_variant if on_gpu else config.cpu_variant
    photos: Iterable[SyntheticPhoto] = maker.make_advert(
        index, seed, settings, variant, surroundings=around, family=family
    )
    return photos


def write_advert(out: Path, index: int, photos: Iterable[SyntheticPhoto], split: Split, config: SetConfig) -> int:
    """Write one advert's photos, maps and, last, its shard. Returns how many photos.

    Raises ValueError where labels do not fit the contract or contradict the masks.
    """
    records = []
    for made in photos:
        stem, photo = made.stem, made.photo
        try:
            labels = PhotoLabels.model_validate(dict(made.labels)).model_dump(mode="json")
        except ValidationError as error:
            first = error.errors()[0]
            raise ValueError(f"{stem}: label {'.'.join(map(str, first['loc']))}: {first['msg']}") from None
        labels.update(settle_cues(stem, labels, photo.cues))
        (out / "images" / f"{stem}.jpg").write_bytes(encode_jpeg(photo))
        dense = np.dstack([photo.side, photo.zone, photo.surface])  # cv2 writes blue, green, red
        cv2.imwrite(os.fspath(out / "dense" / f"{stem}.png"), dense, [cv2.IMWRITE_PNG_COMPRESSION, 2])
        annotations = [
            {"cue": cue, **annotation}
            for cue in DETECTED_CUES
            if labels[f"cue_{cue}"] == 1
            for annotation in annotate(photo.cues[cue], config.group_gap, config.most_annotations)
        ]
        records.append(
            {
                "file": f"{stem}.jpg",
                "width": int(photo.srgb.shape[1]),
                "height": int(photo.srgb.shape[0]),
                "labels": {**labels, "split": split},
                "annotations": annotations,
                "camera": photo.meta,
            }
        )
    write_shard(out, index, records)
    return len(records)


def write_shard(out: Path, index: int, records: list[dict[str, Any]]) -> None:
    """Say that these photos are written: each with file, width, height, labels, annotations and camera."""
    _write_text(out / SHARDS / f"{index}.json", json.dumps({"photos": records}))


def settle_cues(
    stem: str, labels: Mapping[str, Any], masks: Mapping[str, npt.NDArray[np.bool_]]
) -> dict[str, CueLabel]:
    """The `cue_…` labels after a look at the masks: called present but not left in the picture is unknown.

    Raises ValueError for a cue that is called absent but has a mask of some size.
    """
    settled: dict[str, CueLabel] = {}
    for cue in DETECTED_CUES:
        label: CueLabel = labels.get(f"cue_{cue}")
        area = int(masks[cue].sum()) if cue in masks else 0
        if label == 0 and area >= LEAST_CONTRADICTION_PX:
            raise ValueError(f"{stem}: {cue} is labelled absent but has a mask of {area} pixels")
        settled[f"cue_{cue}"] = None if label == 1 and area == 0 else label
    return settled


def annotate(mask: npt.NDArray[np.bool_], gap: float, most: int) -> list[dict[str, Any]]:
    """COCO annotations of one cue's mask: pieces nearer than `gap` (share of the long side) belong together.

    At most `most`, the smallest ones merged into the last. Each has compressed RLE `segmentation`, `bbox` (x, y, width,
    height) and `area`.
    """
    from pycocotools import mask as coco

    pixels = mask.astype(np.uint8)
    reach = max(round(gap * max(mask.shape)), 1)
    count, groups = cv2.connectedComponents(cv2.dilate(pixels, np.ones((2 * reach + 1,) * 2, np.uint8)), connectivity=8)
    groups = groups * pixels
    areas = np.bincount(groups.ravel(), minlength=count)[1:]
    order = [int(group) + 1 for group in np.argsort(-areas, kind="stable") if areas[group] > 0]
    shares = [[group] for group in order[:most]]
    if shares:
        shares[-1].extend(order[most:])
    annotations = []
    for share in shares:
        code = coco.encode(np.asfortranarray(np.isin(groups, share).astype(np.uint8)))
        annotations.append(
            {
                "segmentation": {
                    "size": [int(side) for side in code["size"]],
                    "counts": code["counts"].decode("ascii"),
                },
                "bbox": [float(value) for value in coco.toBbox(code)],
                "area": float(coco.area(code)),
            }
        )
    return annotations


# --- assembling ---------------------------------------------------------------------------------------------------


def finish_set(out: Path, recipe: Mapping[str, Any], adverts: int) -> None:
    """Put the shards of the first `adverts` adverts together: annotations.json, images.parquet, set.json last."""
    (out / MANIFEST).unlink(missing_ok=True)
    records = [
        record
        for path in shards(out)
        if int(path.stem) < adverts
        for record in json.loads(path.read_text(encoding="utf-8"))["photos"]
    ]
    images: list[dict[str, Any]] = []
    annotations: list[dict[str, Any]] = []
    for number, record in enumerate(records, start=1):
        images.append({"id": number, "file_name": record["file"], "width": record["width"], "height": record["height"]})
        for annotation in record["annotations"]:
            category = DETECTED_CUES.index(annotation["cue"]) + 1
            shape = {key: annotation[key] for key in ("segmentation", "bbox", "area")}
            annotations.append(
                {"id": len(annotations) + 1, "image_id": number, "category_id": category, "iscrowd": 0, **shape}
            )
    categories = [{"id": number, "name": cue} for number, cue in enumerate(DETECTED_CUES, start=1)]
    content = {"images": images, "annotations": annotations, "categories": categories}
    _write_text(out / "annotations.json", json.dumps(content))
    rows = [_row(record) for record in records]
    _write_table(out / "images.parquet", rows)
    counts = {
        "photos": len(rows),
        "adverts": len({row["advert"] for row in rows}),
        "vehicles": len({row["vehicle"] for row in rows}),
        "families": {split: sorted({row["family"] for row in rows if row["split"] == split}) for split in SPLITS},
        "splits": {split: sum(row["split"] == split for row in rows) for split in SPLITS},
        "cues": {cue: sum(row[f"cue_{cue}"] == 1 for row in rows) for cue in DETECTED_CUES},
    }
    _write_text(out / MANIFEST, json.dumps({**recipe, "adverts": adverts, "counts": counts}, indent=1))


def _row(record: Mapping[str, Any]) -> dict[str, Any]:
    """One row of the table: the labels, and what the camera did as JSON."""
    return {"file": record["file"], **record["labels"], "camera": json.dumps(record["camera"])}


def _write_table(path: Path, rows: list[dict[str, Any]]) -> None:
    import pandas

    frame = pandas.DataFrame(rows)
    for cue in DETECTED_CUES:
        frame[f"cue_{cue}"] = frame[f"cue_{cue}"].astype("Int8")
    for column in ("distance_m", "body_L", "body_a", "body_b"):
        frame[column] = frame[column].astype("float64")
    part = path.with_suffix(".part")
    frame.to_parquet(part, index=False)
    part.replace(path)


def _write_text(path: Path, text: str) -> None:
    """Write a file so that it is there whole or not at all."""
    part = path.with_suffix(".part")
    part.write_text(text, encoding="utf-8")
    part.replace(path)
