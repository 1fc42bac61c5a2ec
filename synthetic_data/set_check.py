"""Reading a labelled set and looking for what would spoil training on it."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from pipeline.errors import BatchError
from pipeline.records import DETECTED_CUES, SHOTS, SURFACES, ZONES

SPLITS = ("train", "val", "test")


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
            if not code:  # a box alone: a label of the photo
                continue
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
        if label == 1 and cue not in shown and row.get("source") in ("synthetic", "semi_real"):
            problems.append(f"images/{file}: {cue} is labelled present but has no mask.")
    problems.extend(_check_dense(labelled.folder / "dense" / f"{Path(file).stem}.png", picture.shape[:2], row))
    return problems, _look(picture)


def _check_dense(path: Path, size: tuple[int, ...], row: Mapping[str, Any]) -> list[str]:
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
        names = ["photos", *([f"shot {row['shot']}"] if row.get("shot") else [])]
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
