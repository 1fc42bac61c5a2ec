"""What readers answered as a labelled set (design: COCO masks, a table of labels, `source` user), for training.

A label is 1 where a reader says that the cue is there, be its cause a refinish or an innocent one (a bolt the factory
painted is a painted bolt). It is 0 where nothing of what was seen of the cue is it, or where a reader looked the photo
through and did not mark it. Everything else is unknown: what nobody answered, what nobody could tell, what readers
differ about. A box becomes a mask; where something of the same cue was left open beside it, there is no mask, since
what is outside a mask counts as free of the cue.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from importlib.metadata import version
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from PIL import Image

from pipeline.build_sheets import GENERIC, read_build_sheet
from pipeline.duplicates import PhotoKey, Repeats, find_repeats
from pipeline.errors import BatchError, ConfigError, PhotoError, UsageError
from pipeline.judging.agreement import agreements
from pipeline.judging.answers import Answer, Mark, Place, ShotMark, ThroughMark
from pipeline.judging.pictures import photo_files
from pipeline.judging.verdicts import NO_VEHICLE, agreed, judged
from pipeline.photos import read_photo
from pipeline.records import DETECTED_CUES, PhotoFindings
from pipeline.store import Store, read_shortlist

SHARES = {"train": 0.7, "val": 0.15, "test": 0.15}  # of the vehicles
JPEG_QUALITY = 95


@dataclass(frozen=True, slots=True)
class Exported:
    """What was written: photos with labels, boxes, and photos that were answered but are not at hand."""

    photos: int
    boxes: int
    missing: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PhotoLabels:
    """What is known of one photo: the cues by name (1, 0, None: unknown), boxes to mask by cue, the kind of view."""

    cues: dict[str, int | None]
    boxes: dict[str, tuple[Place, ...]]
    shot: str | None
    vehicle_visible: int | None


def labels_of(photo: PhotoFindings, answers: Sequence[Answer]) -> PhotoLabels:
    """The labels of one photo from all readers' answers to it."""
    places = judged(answers)
    settled = {place.item for place in places}
    unsure = {
        answer.content.cue
        for answer in answers
        if isinstance(answer.content, Mark) and answer.content.verdict != "withdrawn" and answer.item not in settled
    }
    through = bool(agreed(answers, ThroughMark))
    cues: dict[str, int | None] = {}
    boxes: dict[str, tuple[Place, ...]] = {}
    for cue in DETECTED_CUES:
        there = tuple(place.mark.box for place in places if place.is_there and place.mark.cue == cue)
        seen = photo.cues[cue].boxes if cue in photo.cues else ()
        is_open = cue in unsure or any(not any(place.is_about(cue, box) for place in places) for box in seen)
        if there:
            cues[cue] = 1
            if not is_open:
                boxes[cue] = there
        else:
            cues[cue] = 0 if not is_open and (through or seen) else None
    shot = next((mark.shot for mark in agreed(answers, ShotMark)), None)
    return PhotoLabels(cues, boxes, shot, None if shot is None else int(shot not in NO_VEHICLE))


def export_labels(out: Path, target: Path, batch: Path | None = None) -> Exported:
    """Write the labelled set of everything that was answered in a screening to the new folder `target`.

    Photos are written upright, without metadata, as the batch has them (`batch`: where it lies now). Splits are by
    vehicle: adverts that share a photo are one. Raises UsageError where `out` holds no screening or no answer, or
    `target` holds something; BatchError where no answered photo is at hand.
    """
    read_shortlist(out)
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise UsageError(target, "there is something already", "name a new folder for the set")
    with TemporaryDirectory(prefix="maskline-") as unpacked, Store.open(out) as store:
        screened = store.screened()
        answers = {sha256: found for sha256, found in store.answers().by_photo().items() if _says_something(found)}
        if not answers:
            raise UsageError(out, "nothing was answered there yet", "run maskline judge first")
        repeats = find_repeats([PhotoKey(*row) for row in store.hashes()])
        photos = [photo for advert in screened.adverts for photo in store.findings(advert) if photo.sha256 in answers]
        files = photo_files(str(batch) if batch else screened.batch, Path(unpacked))
        vehicles = _vehicles(photos, repeats)
        splits = split_of(set(vehicles.values()))
        families = {name: _family(details.build_sheet) for name, details in screened.adverts.items()}
        (target / "images").mkdir(parents=True)
        rows: list[dict[str, Any]] = []
        images: list[dict[str, Any]] = []
        annotations: list[dict[str, Any]] = []
        missing: list[str] = []
        written: set[str] = set()
        for photo in photos:
            if photo.sha256 in written:
                continue  # the same file in another advert
            name = f"{photo.sha256[:16]}.jpg"
            if not _write_photo(files.get((photo.advert, photo.photo)), photo, target / "images" / name):
                missing.append(f"{photo.advert}/{photo.photo}")
                continue
            written.add(photo.sha256)
            labels = labels_of(photo, answers[photo.sha256])
            images.append({"id": len(images), "file_name": name, "width": photo.width, "height": photo.height})
            annotations += _annotations(photo, labels, images[-1]["id"], len(annotations))
            rows.append(
                {
                    "file": name,
                    "advert": photo.advert,
                    "vehicle": vehicles[photo.advert],
                    "family": families[photo.advert],
                    "shot": labels.shot,
                    "vehicle_visible": labels.vehicle_visible,
                    "source": "user",
                    "split": splits[vehicles[photo.advert]],
                    **{f"cue_{cue}": value for cue, value in labels.cues.items()},
                }
            )
        if not rows:
            raise BatchError(
                out, "none of the photos answered is where it was screened", "name their folder with --batch"
            )
        categories = [{"id": index, "name": cue} for index, cue in enumerate(DETECTED_CUES)]
        coco = {"images": images, "annotations": annotations, "categories": categories}
        (target / "annotations.json").write_text(json.dumps(coco), encoding="utf-8")
        _write_table(rows, target / "images.parquet")
        everyone = [answer for found in answers.values() for answer in found]
        manifest = {
            "source": "user",
            "made_with": screened.made_with,
            "version": version("maskline"),
            "readers": sorted({answer.reader for answer in everyone}),
            "agreement": [asdict(pair) for pair in agreements(everyone)],
            "masks": "boxes",
            "photos": len(rows),
            "boxes": len(annotations),
            "missing": missing,
        }
        (target / "set.json").write_text(json.dumps(manifest, indent=1), encoding="utf-8")  # last: the set is whole
    return Exported(len(rows), len(annotations), tuple(missing))


def split_of(vehicles: Iterable[str]) -> dict[str, str]:
    """The split of each vehicle, by its name alone, so that it stays when others come.

    A set without a training photo is of no use: if none falls there, all do.
    """
    splits = {}
    for vehicle in vehicles:
        place = int.from_bytes(hashlib.sha256(vehicle.encode()).digest()[:8], "big") / 2**64
        split = "test"
        for name, share in SHARES.items():
            if place < share:
                split = name
                break
            place -= share
        splits[vehicle] = split
    return splits if "train" in splits.values() else dict.fromkeys(splits, "train")


def _says_something(answers: Iterable[Answer]) -> bool:
    return any(answer.content is not None for answer in answers)


def _vehicles(photos: Sequence[PhotoFindings], repeats: Repeats) -> dict[str, str]:
    """The vehicle of each advert: adverts that show the same photo are of one, named by the first of them."""
    vehicle = {photo.advert: photo.advert for photo in photos}

    def first(name: str) -> str:
        while vehicle.setdefault(name, name) != name:
            name = vehicle[name]
        return name

    for photo in photos:
        for other, _ in repeats.others.get((photo.advert, photo.photo), ()):
            ours, theirs = sorted((first(photo.advert), first(other)))
            vehicle[theirs] = ours
    return {name: first(name) for name in vehicle}


def _family(build_sheet: str | None) -> str | None:
    try:
        return None if build_sheet is None else read_build_sheet(build_sheet).family
    except ConfigError:
        return read_build_sheet(GENERIC).family


def _write_photo(path: Path | None, photo: PhotoFindings, target: Path) -> bool:
    if path is None:
        return False
    try:
        found = read_photo(path, photo.advert, photo.photo)
    except PhotoError:
        return False
    if found.sha256 != photo.sha256:
        return False
    Image.fromarray(found.srgb).save(target, quality=JPEG_QUALITY, subsampling=0)
    return True


def _annotations(photo: PhotoFindings, labels: PhotoLabels, image: int, first: int) -> list[dict[str, Any]]:
    from pycocotools import mask as coco

    found: list[dict[str, Any]] = []
    for cue, boxes in labels.boxes.items():
        for box in boxes:
            mask = np.zeros((photo.height, photo.width), np.uint8, order="F")
            mask[box.y : box.y + box.height, box.x : box.x + box.width] = 1
            encoded = coco.encode(mask)
            found.append(
                {
                    "id": first + len(found),
                    "image_id": image,
                    "category_id": DETECTED_CUES.index(cue),
                    "segmentation": {"size": list(encoded["size"]), "counts": encoded["counts"].decode()},
                    "bbox": [box.x, box.y, box.width, box.height],
                    "area": int(mask.sum()),
                    "iscrowd": 0,
                }
            )
    return found


def _write_table(rows: Sequence[Mapping[str, Any]], path: Path) -> None:
    import pandas

    frame = pandas.DataFrame(list(rows))
    whole = [name for name in frame.columns if name.startswith("cue_") or name == "vehicle_visible"]
    frame[whole] = frame[whole].astype("Int8")  # with a nothing of its own: unknown stays unknown
    frame.to_parquet(os.fspath(path))
