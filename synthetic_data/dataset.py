"""Sets of labelled photos on disk: written advert by advert, resumed after a kill, assembled, checked.

SET/images/*.jpg, SET/dense/*.png, SET/annotations.json (COCO), SET/images.parquet, and SET/set.json, which is written
last. While a set is made, SET/.shards/ holds one JSON file an advert, written after the advert's photos: what has no
shard is made again.
"""

from __future__ import annotations

import hashlib
import importlib
import json
import multiprocessing
import os
import shutil
import subprocess
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

import cv2
import numpy as np
import numpy.typing as npt
from pydantic import AfterValidator, Field, ValidationError

from pipeline.configuration import Config
from pipeline.errors import BatchError
from pipeline.records import DETECTED_CUES, HISTORIES, SHOTS, Record
from synthetic_data.camera import DevelopedPhoto, encode_jpeg

SHARDS, RECIPE, MANIFEST = ".shards", "recipe.json", "set.json"
SPLITS = ("train", "val", "test")
SOURCES = Path(__file__).parent
MOST_RESTARTS = 3  # of the worker pool, after a worker process died

Split = Literal["train", "val", "test"]
CueLabel = Literal[0, 1] | None
AdvertMaker = Callable[[int, int, "SetConfig", str], Iterable[tuple[str, DevelopedPhoto, "PhotoLabels"]]]


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

    maker: str = Field(pattern=r"^[\w.]+:\w+$")
    gpu_variant: str
    cpu_variant: str
    photos: tuple[int, int]
    long_side_px: int = Field(ge=64)
    samples_per_pixel: int = Field(ge=1)
    held_out_families: tuple[str, ...]
    shares: Shares
    group_gap: float = Field(ge=0, le=0.2)
    most_annotations: int = Field(ge=1)
    panoramas: Path | None = None
    scenes: Path | None = None


class PhotoLabels(Record):
    """What a maker says of one photo. A cue that is not named is absent where its mask is empty; null is unknown.

    `body_lab` is the true CIELAB (D65) of the body's outside; `history` the vehicle's true paint history; `split` is
    left open for `split_of`.
    """

    advert: str = Field(pattern=r"^[\w-]+$")
    vehicle: str
    family: str
    shot: Annotated[str, AfterValidator(_known(SHOTS))]
    vehicle_visible: bool = True
    cues: dict[Annotated[str, AfterValidator(_known(DETECTED_CUES))], CueLabel] = Field(default_factory=dict)
    hard_negatives: tuple[str, ...] = ()
    place: str | None = None
    light: str | None = None
    distance_m: float | None = Field(default=None, ge=0)
    body_lab: tuple[float, float, float] | None = None
    history: Annotated[str, AfterValidator(_known(HISTORIES))] | None = None
    split: Split | None = None
    details: dict[str, float | str | bool | None] = Field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Made:
    """What came of making a set: photos in it, adverts in it, and one line for each advert that failed."""

    photos: int
    adverts: int
    failed: tuple[str, ...]


# --- splits and recipes -------------------------------------------------------------------------------------------


def split_of(vehicle: str, family: str, config: SetConfig) -> Split:
    """The split of a vehicle: by its name alone, so it stays when the set grows; held-out families are `test`."""
    if family in config.held_out_families:
        return "test"
    place = int.from_bytes(hashlib.sha256(vehicle.encode()).digest()[:8], "big") / 2**64
    if place < config.shares.test:
        return "test"
    return "val" if place < config.shares.test + config.shares.val else "train"


def advert_seeds(seed: int, index: int) -> np.random.SeedSequence:
    """The seed sequence of one advert: the same whatever the number of adverts and processes."""
    return np.random.SeedSequence([seed, index])


def code_version() -> str:
    """Version of the package and a digest of the generator's own sources and settings."""
    digest = hashlib.sha256()
    from pipeline.configuration import shipped

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
    progress: Callable[[int, int, int], None] = lambda done, total, photos: None,
) -> Made:
    """Make (or go on making) a set of synthetic adverts in `out` and finish it.

    `processes` workers share `gpus` graphics cards in turn; 0 cards means the processor. The same config, seed and
    version give the same set whatever the number of processes. `progress(done adverts, total, photos)` is called
    after each advert. Adverts that fail are left out and named. Raises BatchError where `out` holds another set or
    nothing could be made.
    """
    recipe = _recipe(config, seed)
    _open(out, recipe)
    done = {
        int(path.stem): len(json.loads(path.read_text())["photos"]) for path in _shards(out) if int(path.stem) < adverts
    }
    failed: dict[int, str] = {}
    photos = sum(done.values())
    finished = len(done)
    progress(finished, adverts, photos)
    todo = [index for index in range(adverts) if index not in done]
    for index, count, fault in _make_all(config, todo, seed, out, processes, gpus):
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
    return Made(photos, adverts - len(failed), tuple(failed[index] for index in sorted(failed)))


def graphics_cards() -> int:
    """How many CUDA cards this machine offers."""
    visible = os.environ.get("CUDA_VISIBLE_DEVICES")
    if visible is not None:
        return len([device for device in visible.split(",") if device.strip()])
    if shutil.which("nvidia-smi") is None:
        return 0
    listed = subprocess.run(["nvidia-smi", "-L"], capture_output=True, text=True, check=False)
    return sum(line.startswith("GPU") for line in listed.stdout.splitlines())


def _open(out: Path, recipe: Mapping[str, Any]) -> None:
    """Make the folder ready, or see that it holds the same set unfinished."""
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


def _shards(out: Path) -> list[Path]:
    return sorted(
        (path for path in (out / SHARDS).glob("*.json") if path.stem.isdigit()), key=lambda path: int(path.stem)
    )


def _make_all(
    config: SetConfig, todo: list[int], seed: int, out: Path, processes: int, gpus: int
) -> Iterator[tuple[int, int, str | None]]:
    """Make adverts one after the other here, or in worker processes. Yields index, photos written, fault."""
    if processes <= 1:
        _start_worker(None, None)
        yield from (_make_one(index, config, seed, out, gpus > 0) for index in todo)
        return
    left = set(todo)
    for _ in range(MOST_RESTARTS + 1):
        if not left:
            return
        context = multiprocessing.get_context("spawn")
        cards = context.Queue()
        for number in range(processes):
            cards.put(_card(number, gpus))
        pool = ProcessPoolExecutor(processes, mp_context=context, initializer=_start_worker, initargs=(cards, 2))
        try:
            waiting: set[Future[tuple[int, int, str | None]]] = {
                pool.submit(_make_one, index, config, seed, out, gpus > 0) for index in sorted(left)
            }
            while waiting:
                ready, waiting = wait(waiting, return_when=FIRST_COMPLETED)
                for future in ready:
                    result = future.result()
                    left.discard(result[0])
                    yield result
        except BrokenProcessPool:
            continue  # a worker was killed (memory, driver): start again with what is left
        finally:
            pool.shutdown(wait=True, cancel_futures=True)
    yield from ((index, 0, "its worker process died each time") for index in sorted(left))


def _card(number: int, gpus: int) -> str | None:
    """What CUDA_VISIBLE_DEVICES has to be for worker `number`, cards taken in turn."""
    if gpus <= 0:
        return None
    visible = os.environ.get("CUDA_VISIBLE_DEVICES")
    cards = [card.strip() for card in visible.split(",")] if visible else [str(card) for card in range(gpus)]
    return cards[:gpus][number % gpus]


def _start_worker(cards: Any, threads: int | None) -> None:
    """Bind this process to its graphics card before anything that uses it is imported."""
    card = cards.get() if cards is not None else None
    if card is not None:
        os.environ["CUDA_VISIBLE_DEVICES"] = card
    if threads is not None:
        for name in ("OMP_NUM_THREADS", "MKL_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
            os.environ.setdefault(name, str(threads))
    cv2.setNumThreads(1)


def _make_one(index: int, config: SetConfig, seed: int, out: Path, on_gpu: bool) -> tuple[int, int, str | None]:
    """Make and write one advert. A fault of the maker is returned as one line, not raised: the set goes on."""
    try:
        module, name = config.maker.split(":")
        maker: AdvertMaker = getattr(importlib.import_module(module), name)
        variant = config.gpu_variant if on_gpu else config.cpu_variant
        return index, write_advert(out, index, maker(index, seed, config, variant), config), None
    except (KeyboardInterrupt, MemoryError):
        raise
    except Exception as error:  # whatever the maker does wrong costs its advert only, and is reported
        return index, 0, f"{type(error).__name__}: {str(error)[:300]}"


def write_advert(
    out: Path,
    index: int,
    photos: Iterable[tuple[str, DevelopedPhoto, PhotoLabels | Mapping[str, Any]]],
    config: SetConfig,
) -> int:
    """Write one advert's photos, maps and, last, its shard. Returns how many photos.

    Raises ValueError where labels and masks contradict each other.
    """
    records = []
    for stem, photo, labels in photos:
        try:
            checked = labels if isinstance(labels, PhotoLabels) else PhotoLabels.model_validate(labels)
        except ValidationError as error:
            first = error.errors()[0]
            raise ValueError(f"{stem}: label {'.'.join(map(str, first['loc']))}: {first['msg']}") from None
        cues = settle_cues(stem, checked.cues, photo.cues)
        jpeg = encode_jpeg(photo)
        (out / "images" / f"{stem}.jpg").write_bytes(jpeg)
        dense = np.dstack([photo.side, photo.zone, photo.surface])  # cv2 writes blue, green, red
        cv2.imwrite(os.fspath(out / "dense" / f"{stem}.png"), dense, [cv2.IMWRITE_PNG_COMPRESSION, 2])
        records.append(
            {
                "file": f"{stem}.jpg",
                "width": int(photo.srgb.shape[1]),
                "height": int(photo.srgb.shape[0]),
                "labels": {
                    **checked.model_dump(mode="json"),
                    "cues": cues,
                    "split": checked.split or split_of(checked.vehicle, checked.family, config),
                },
                "annotations": [
                    {"cue": cue, **annotation}
                    for cue in DETECTED_CUES
                    if cues[cue] == 1
                    for annotation in annotate(photo.cues[cue], config.group_gap, config.most_annotations)
                ],
                "camera": photo.meta,
            }
        )
    _write_text(out / SHARDS / f"{index}.json", json.dumps({"photos": records}))
    return len(records)


def settle_cues(
    stem: str, said: Mapping[str, CueLabel], masks: Mapping[str, npt.NDArray[np.bool_]]
) -> dict[str, CueLabel]:
    """Labels of all detected cues from what the maker said and what the masks show.

    Said 1 and nothing left in the picture (cropped, covered) is unknown. Raises ValueError for a mask of an absent cue.
    """
    settled: dict[str, CueLabel] = {}
    for cue in DETECTED_CUES:
        is_shown = cue in masks and bool(masks[cue].any())
        label: CueLabel = said.get(cue, 1 if is_shown else 0)
        if label == 0 and is_shown:
            raise ValueError(f"{stem}: {cue} is labelled absent but has a mask")
        settled[cue] = None if label == 1 and not is_shown else label
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
        for path in _shards(out)
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
        "splits": {split: sum(row["split"] == split for row in rows) for split in SPLITS},
        "cues": {cue: sum(row[f"cue_{cue}"] == 1 for row in rows) for cue in DETECTED_CUES},
    }
    _write_text(out / MANIFEST, json.dumps({**recipe, "adverts": adverts, "counts": counts}, indent=1))


def _row(record: Mapping[str, Any]) -> dict[str, Any]:
    """One row of the table: columns of the data-set contract, then what the maker and the camera add."""
    labels = record["labels"]
    lightness, a, b = labels["body_lab"] or (None, None, None)
    return {
        "file": record["file"],
        "advert": labels["advert"],
        "vehicle": labels["vehicle"],
        "family": labels["family"],
        "shot": labels["shot"],
        "vehicle_visible": int(labels["vehicle_visible"]),
        **{f"cue_{cue}": labels["cues"][cue] for cue in DETECTED_CUES},
        "source": "synthetic",
        "split": labels["split"],
        "light": labels["light"],
        "distance_m": labels["distance_m"],
        "body_L": lightness,
        "body_a": a,
        "body_b": b,
        "place": labels["place"],
        "hard_negatives": ",".join(labels["hard_negatives"]),
        "history": labels["history"],
        "details": json.dumps({**record["camera"], **labels["details"]}),
    }


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


# --- reading and checking -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class LabelledSet:
    """A set's labels: table rows by file name, COCO images by file name, annotations by image id."""

    folder: Path
    rows: dict[str, dict[str, Any]]
    images: dict[str, dict[str, Any]]
    annotations: dict[int, list[dict[str, Any]]]
    cues: dict[int, str]


@dataclass(frozen=True, slots=True)
class CheckResult:
    """Problems of a set, one sentence each, and how often each label occurs: {split: {name: count}}."""

    problems: tuple[str, ...]
    counts: dict[str, dict[str, int]]


def read_labels(folder: Path) -> LabelledSet:
    """Read a set's labels. Raises BatchError where the set is not finished or its files cannot be read."""
    import pandas

    for name in ("annotations.json", "images.parquet"):
        if not (folder / name).is_file():
            raise BatchError(folder, f"there is no {name}", "make or finish the set first")
    try:
        coco = json.loads((folder / "annotations.json").read_text(encoding="utf-8"))
        frame = pandas.read_parquet(folder / "images.parquet")
        images = {str(image["file_name"]): image for image in coco["images"]}
        annotations: dict[int, list[dict[str, Any]]] = {int(image["id"]): [] for image in coco["images"]}
        for annotation in coco["annotations"]:
            annotations.setdefault(int(annotation["image_id"]), []).append(annotation)
        cues = {int(category["id"]): str(category["name"]) for category in coco["categories"]}
        rows = {
            str(row["file"]): {str(key): _plain(value) for key, value in row.items()}
            for row in frame.to_dict("records")
        }
    except (ValueError, KeyError, TypeError, OSError) as error:
        raise BatchError(
            folder, f"its labels cannot be read ({type(error).__name__}: {error!s:.80})", "make it again"
        ) from None
    return LabelledSet(folder, rows, images, annotations, cues)


def _plain(value: Any) -> Any:
    """None for the many kinds of nothing a table knows."""
    return None if value is None or value != value or type(value).__name__ in ("NAType", "NaTType") else value


def check_set(labelled: LabelledSet, *, progress: Callable[[int, int], None] = lambda done, total: None) -> CheckResult:
    """Look for what would spoil training: schema, masks that do not fit, leakage between splits, missing classes."""
    problems = [*_check_schema(labelled), *_check_leakage(labelled)]
    hashes: dict[str, tuple[int, npt.NDArray[np.int16]]] = {}
    for number, (file, row) in enumerate(labelled.rows.items(), start=1):
        faults, look = _check_photo(labelled, file, row)
        problems.extend(faults)
        if look is not None:
            hashes[file] = look
        progress(number, len(labelled.rows))
    problems.extend(_check_duplicates(labelled, hashes))
    counts = _count(labelled)
    problems.extend(_check_counts(counts))
    return CheckResult(tuple(problems), counts)


def _check_schema(labelled: LabelledSet) -> list[str]:
    problems = []
    unknown = sorted(set(labelled.cues.values()) - set(DETECTED_CUES))
    if unknown:
        problems.append(f"annotations.json: categories that are no detected cues: {', '.join(unknown)}.")
    missing = sorted(set(labelled.rows) - set(labelled.images))
    if missing:
        problems.append(f"annotations.json: {len(missing)} photos of the table are missing, first {missing[0]}.")
    extra = sorted(set(labelled.images) - set(labelled.rows))
    if extra:
        problems.append(f"images.parquet: {len(extra)} annotated photos have no row, first {extra[0]}.")
    required = {"file", "vehicle", "shot", "split", "source", *(f"cue_{cue}" for cue in DETECTED_CUES)}
    columns = set(next(iter(labelled.rows.values()), {}))
    if required - columns:
        problems.append(f"images.parquet: columns are missing: {', '.join(sorted(required - columns))}.")
    for file, row in labelled.rows.items():
        if row.get("split") not in SPLITS:
            problems.append(f"{file}: split is {row.get('split')!r}, not one of {', '.join(SPLITS)}.")
        if row.get("shot") is not None and row["shot"] not in SHOTS:
            problems.append(f"{file}: shot is {row['shot']!r}, which is no kind of view.")
        odd = [cue for cue in DETECTED_CUES if row.get(f"cue_{cue}") not in (None, 0, 1)]
        if odd:
            problems.append(f"{file}: cue_{odd[0]} is {row[f'cue_{odd[0]}']!r}, not 1, 0 or empty.")
    return problems


def _check_leakage(labelled: LabelledSet) -> list[str]:
    """A vehicle or an advert in more than one split: the test would then ask for what training has shown."""
    problems = []
    for column in ("vehicle", "advert"):
        splits: dict[Any, set[Any]] = {}
        for row in labelled.rows.values():
            if row.get(column) is not None:
                splits.setdefault(row[column], set()).add(row.get("split"))
        torn = sorted(str(name) for name, found in splits.items() if len(found) > 1)
        if torn:
            problems.append(f"{len(torn)} {column}s are in more than one split, first {torn[0]}.")
    return problems


def _check_photo(
    labelled: LabelledSet, file: str, row: Mapping[str, Any]
) -> tuple[list[str], tuple[int, npt.NDArray[np.int16]] | None]:
    """Faults of one photo and its labels; and what it looks like (perceptual hash, small grey picture)."""
    from pycocotools import mask as coco

    problems: list[str] = []
    picture = cv2.imread(os.fspath(labelled.folder / "images" / file), cv2.IMREAD_COLOR)
    if picture is None:
        return [f"images/{file}: it is missing or cannot be decoded."], None
    image = labelled.images.get(file)
    shown: set[str] = set()
    if image is not None:
        if (image["height"], image["width"]) != picture.shape[:2]:
            problems.append(
                f"images/{file}: it is {picture.shape[1]}x{picture.shape[0]}, not as annotations.json says."
            )
        for annotation in labelled.annotations.get(int(image["id"]), []):
            cue = labelled.cues.get(int(annotation["category_id"]), "?")
            shown.add(cue)
            code = annotation["segmentation"]
            if not isinstance(code, dict) or list(code.get("size", ())) != list(picture.shape[:2]):
                problems.append(f"images/{file}: the mask of {cue} does not have the photo's size.")
                continue
            if not isinstance(code["counts"], str):
                code = coco.frPyObjects(code, *code["size"])
            area, box = float(coco.area(code)), coco.toBbox(code)
            if area == 0:
                problems.append(f"images/{file}: a mask of {cue} is empty.")
            elif (
                abs(area - float(annotation["area"])) > 0.5 or np.abs(box - np.asarray(annotation["bbox"])).max() > 0.5
            ):
                problems.append(f"images/{file}: area or box of {cue} does not belong to its mask.")
    for cue in DETECTED_CUES:
        label = row.get(f"cue_{cue}")
        if cue in shown and label != 1:
            problems.append(f"images/{file}: {cue} has a mask but is labelled {label}.")
        if label == 1 and cue not in shown and row.get("source") == "synthetic":
            problems.append(f"images/{file}: {cue} is labelled present but has no mask.")
    problems.extend(_check_dense(labelled.folder / "dense" / f"{Path(file).stem}.png", picture.shape[:2], row))
    return problems, _look(picture)


def _check_dense(path: Path, size: tuple[int, ...], row: Mapping[str, Any]) -> list[str]:
    from pipeline.records import SURFACES, ZONES

    if not path.exists():
        return [f"dense/{path.name}: it is missing."] if row.get("source") == "synthetic" else []
    dense = cv2.imread(os.fspath(path), cv2.IMREAD_COLOR)
    if dense is None or dense.shape[:2] != size:
        return [f"dense/{path.name}: it cannot be decoded or does not have the photo's size."]
    problems = []
    for channel, name, most in ((2, "surface", len(SURFACES) - 1), (1, "zone", len(ZONES)), (0, "side", 2)):
        values = dense[..., channel]
        wrong = (values > most) & (values != 255) if name != "side" else values > most
        if wrong.any():
            problems.append(f"dense/{path.name}: {name} {int(values[wrong][0])} does not exist.")
    return problems


def _look(picture: npt.NDArray[np.uint8]) -> tuple[int, npt.NDArray[np.int16]]:
    import imagehash
    from PIL import Image

    grey = cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY)
    code = int(str(imagehash.phash(Image.fromarray(cv2.resize(grey, (128, 128), interpolation=cv2.INTER_AREA)))), 16)
    return code, cv2.resize(picture, (12, 12), interpolation=cv2.INTER_AREA).astype(np.int16)


def _check_duplicates(labelled: LabelledSet, looks: Mapping[str, tuple[int, npt.NDArray[np.int16]]]) -> list[str]:
    """Photos of different splits that look the same: hashes within 4 of 64 bits and colours within 5 levels."""
    files = sorted(looks)
    codes = np.array([looks[file][0] for file in files], np.uint64).view(np.uint8).reshape(-1, 8)
    splits = np.array([labelled.rows[file].get("split") for file in files])
    pairs = []
    for number in range(len(files)):
        near = np.unpackbits(codes[number + 1 :] ^ codes[number], axis=1).sum(axis=1) <= 4
        for other in np.nonzero(near & (splits[number + 1 :] != splits[number]))[0] + number + 1:
            if np.abs(looks[files[number]][1] - looks[files[other]][1]).mean() < 5:
                pairs.append((files[number], files[other]))
    if not pairs:
        return []
    return [f"{len(pairs)} pairs of photos in different splits look alike, first {pairs[0][0]} and {pairs[0][1]}."]


def _count(labelled: LabelledSet) -> dict[str, dict[str, int]]:
    """Photos by split: all, each shot, each cue present, absent, unknown, and absent with a hard negative."""
    counts: dict[str, dict[str, int]] = {}
    for row in labelled.rows.values():
        here = counts.setdefault(str(row.get("split")), {})
        names = ["photos", f"shot {row.get('shot')}"]
        hard = str(row.get("hard_negatives") or "")
        for cue in DETECTED_CUES:
            label = row.get(f"cue_{cue}")
            names.append(f"{cue} {'unknown' if label is None else 'present' if label == 1 else 'absent'}")
            if label == 0 and hard:
                names.append(f"{cue} hard negative")
        for name in names:
            here[name] = here.get(name, 0) + 1
    return counts


def _check_counts(counts: Mapping[str, Mapping[str, int]]) -> list[str]:
    """A cue that is taught must be there and not there in each split; a shot of one split must be in training."""
    problems = []
    train = counts.get("train", {})
    for cue in DETECTED_CUES:
        present = {split: counts.get(split, {}).get(f"{cue} present", 0) for split in counts}
        if not any(present.values()):
            continue  # this set does not teach the cue
        for split, number in present.items():
            if number == 0:
                problems.append(f"{cue} is never present in split {split}.")
            if counts[split].get(f"{cue} absent", 0) == 0:
                problems.append(f"{cue} is never absent in split {split}.")
    for split, here in counts.items():
        for name in here:
            if name.startswith("shot ") and split != "train" and name not in train:
                problems.append(f"{name} is in split {split} but not in train.")
    return problems
