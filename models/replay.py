"""The small labelled set that comes along (`models/replay/`), so that fine-tuning keeps and measures the old skill.

The training set itself is far too large to ship. Chosen from a rendered set: photos of every cue and of none, vehicles
kept apart between the splits, reduced until the folder is small.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from models.data import Sample, decode_mask, read_set
from models.vehicle_split import split_rows
from pipeline.errors import BatchError
from pipeline.records import DETECTED_CUES

MOST_BYTES = 3_000_000
LONG_SIDE_PX = 640
JPEG_QUALITY = 82


def shipped_replay() -> Path:
    """Folder of the set that comes with maskline."""
    return Path(__file__).parent / "replay"


def write_replay(source: Path, out: Path, *, most_bytes: int = MOST_BYTES, seed: int = 0) -> int:
    """Write the small set `out` from the set `source` and return its number of photos.

    The source's split `test` stays `test`; its other vehicles are shared out to `train` and `val` (2 : 1). Cues take
    turns, so that rare ones are there too, and photos without any. Raises BatchError where `out` holds something.
    """
    import pandas
    from pycocotools import mask as coco_mask

    if out.exists() and any(out.iterdir()):
        raise BatchError(out, "it holds something already", "name a new folder")
    photos = read_set(source)
    learning, testing = photos.split("train", "val").samples, photos.split("test").samples
    if not learning or not testing:
        raise BatchError(source, "it has no photos to learn from or none to test on", "name a set with splits")
    (out / "images").mkdir(parents=True)
    (out / "dense").mkdir()
    rng = np.random.default_rng(seed)
    queues = [turns(samples, rng) for samples in (learning, testing)]
    images: list[dict[str, Any]] = []
    annotations: list[dict[str, Any]] = []
    rows: list[dict[str, Any]] = []
    used = 0
    for place in range(max(map(len, queues))):
        for sample in (queue[place] for queue in queues if place < len(queue)):
            entry, masks = _write_photo(sample, out)
            number = len(images) + 1
            images.append({"id": number, **entry})
            for cue, mask in masks.items():
                code = coco_mask.encode(np.asfortranarray(mask))
                annotations.append(
                    {
                        "id": len(annotations) + 1, "image_id": number, "category_id": DETECTED_CUES.index(cue),
                        "segmentation": {"size": list(mask.shape), "counts": code["counts"].decode("ascii")},
                        "area": int(mask.sum()), "bbox": coco_mask.toBbox(code).tolist(), "iscrowd": 0,
                    }
                )  # fmt: skip
            rows.append(_row(sample, entry["file_name"]))
            used += sum(path.stat().st_size for path in _files(out, entry["file_name"]))
        used_by_labels = len(json.dumps(annotations))
        if used + used_by_labels > most_bytes - 150_000:  # room for the next pair and the table
            break
    others = iter(split_rows([row for row in rows if row["split"] != "test"], shares=(2, 1, 0), seed=seed))
    rows = [row if row["split"] == "test" else next(others) for row in rows]
    categories = [{"id": index, "name": cue} for index, cue in enumerate(DETECTED_CUES)]
    (out / "annotations.json").write_text(
        json.dumps({"images": images, "annotations": annotations, "categories": categories}), encoding="utf-8"
    )
    table = pandas.DataFrame(rows)
    for column in ("vehicle_visible", *(f"cue_{cue}" for cue in DETECTED_CUES)):
        table[column] = table[column].astype("Int8")
    table.to_parquet(out / "images.parquet")
    (out / "set.json").write_text(
        json.dumps({"from": photos.name, "photos": len(rows), "seed": seed}) + "\n", encoding="utf-8"
    )
    return len(rows)


def turns(samples: Sequence[Sample], rng: np.random.Generator) -> list[Sample]:
    """The samples in an order in which every cue, and none, has its turn; within a cue at random."""
    heaps: dict[str, list[Sample]] = {}
    for index in rng.permutation(len(samples)):
        sample = samples[index]
        shown = [cue for cue in DETECTED_CUES if sample.cues[cue] == 1]
        for cue in shown or [""]:  # a heap of photos without any
            heaps.setdefault(cue, []).append(sample)
    order: list[Sample] = []
    while any(heaps.values()):
        for cue in (*DETECTED_CUES, ""):
            heap = heaps.get(cue, [])
            while heap:
                sample = heap.pop()
                if not any(sample is taken for taken in order):
                    order.append(sample)
                    break
    return order


def _write_photo(sample: Sample, out: Path) -> tuple[dict[str, Any], dict[str, Any]]:
    """Photo and dense labels, reduced; returns the COCO entry and the masks at the new size."""
    photo = cv2.imread(str(sample.photo), cv2.IMREAD_COLOR)
    if photo is None:
        raise BatchError(sample.photo, "the photo cannot be decoded", "make the set again")
    height, width = photo.shape[:2]
    factor = min(1.0, LONG_SIDE_PX / max(height, width))
    size = (round(width * factor), round(height * factor))
    name = f"{sample.photo.stem}.jpg"
    if factor < 1:
        small = cv2.resize(photo, size, interpolation=cv2.INTER_AREA)
        cv2.imwrite(str(out / "images" / name), small, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    else:
        shutil.copyfile(sample.photo, out / "images" / name)
    if sample.dense is not None:
        dense = cv2.imread(str(sample.dense), cv2.IMREAD_COLOR)
        cv2.imwrite(
            str(out / "dense" / f"{sample.photo.stem}.png"),
            cv2.resize(dense, size, interpolation=cv2.INTER_NEAREST),
            [cv2.IMWRITE_PNG_COMPRESSION, 9],
        )
    masks = {}
    for cue, outlines in sample.masks.items():
        joined = np.maximum.reduce([decode_mask(outline, height, width) for outline in outlines])
        # A cell keeps a cue of a single pixel (data.to_cells), so does a smaller photo
        reduced = (cv2.resize(joined.astype(np.float32), size, interpolation=cv2.INTER_AREA) > 0.25).astype(np.uint8)
        if reduced.any():
            masks[cue] = reduced
    return {"file_name": name, "height": size[1], "width": size[0]}, masks


def _row(sample: Sample, name: str) -> dict[str, Any]:
    kept = (
        "advert",
        "family",
        "light",
        "place",
        "distance_m",
        "body_L",
        "body_a",
        "body_b",
        "hard_negatives",
        "source",
    )
    visible = sample.vehicle_visible
    return {
        "file": name, "vehicle": sample.vehicle, "shot": sample.shot, "split": sample.split,
        "vehicle_visible": None if visible is None else int(visible),
        **{column: sample.details.get(column) for column in kept},
        **{f"cue_{cue}": sample.cues[cue] for cue in DETECTED_CUES},
    }  # fmt: skip


def _files(out: Path, name: str) -> list[Path]:
    places = (out / "images" / name, out / "dense" / f"{Path(name).stem}.png")
    return [path for path in places if path.exists()]
