"""Labels made elsewhere into a set of our form: COCO of a label tool, or a table (CSV, parquet) of photo labels.

Nothing is guessed: what is not understood is left out and said. A cue that nobody marked is unknown, not absent, unless
the user says that the photos were labelled completely.
"""

from __future__ import annotations

import csv
import json
import re
import shutil
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import cv2
import numpy as np

from models.vehicle_split import SPLITS, split_rows
from pipeline.errors import BatchError
from pipeline.records import DETECTED_CUES, SCHEMA_VERSION, SHOTS

FILE_COLUMNS = ("file", "file_name", "filename", "photo", "image", "path", "image_path")
VEHICLE_COLUMNS = ("vehicle", "vehicle_id", "advert", "group")
LABEL_COLUMNS = ("labels", "label", "tags", "cues", "class")
PLAIN_COLUMNS = (
    "advert", "family", "light", "place", "distance_m", "dirt", "hard_negatives", "body_l", "body_a", "body_b", "notes",
)  # fmt: skip
YES = {"1", "1.0", "true", "yes", "y", "present", "shown"}
NO = {"0", "0.0", "false", "no", "n", "absent"}
UNKNOWN = {"", "nan", "none", "null", "?", "unknown", "-1", "-1.0"}


@dataclass
class Labels:
    """What is known of one photo; `segmentations` and `boxes` (x, y, width, height in pixels) by cue."""

    source: Path
    name: str
    cues: dict[str, int] = field(default_factory=dict)
    segmentations: dict[str, list[Any]] = field(default_factory=dict)
    boxes: dict[str, list[list[float]]] = field(default_factory=dict)
    row: dict[str, Any] = field(default_factory=dict)
    partial: set[str] = field(default_factory=set)  # cues of which an outline was not understood
    size: tuple[int, int] | None = None  # (height, width) as the label file says


@dataclass(frozen=True, slots=True)
class Imported:
    """What was taken over: photos, labelled cues (1 or 0), masks, and in sentences what was not understood."""

    photos: int
    labels: int
    masks: int
    not_understood: tuple[str, ...]


def import_labels(
    source: Path,
    out: Path,
    *,
    photos: Path | None = None,
    names: Mapping[str, str] | None = None,
    complete: bool = False,
    seed: int = 0,
) -> Imported:
    """Write the set `out` from the label file `source`, with copies of the photos, which lie in `photos` or beside it.

    `names`: other names for cues and shots, as the label file has them. `complete`: every photo was searched for every
    cue that the file names, so what is not marked is absent. Splits are by vehicle, where the table gives none.
    Raises BatchError where the file cannot be read, no photo of it is at hand, or `out` holds something.
    """
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise BatchError(out, "it holds something already", "name a new folder")
    notes = _Notes()
    known = _Names(names or {})
    root = photos or source.parent
    if source.suffix.lower() == ".json":
        labels, named = _read_coco(source, root, known, notes)
    else:
        labels, named = _read_table(source, root, known, notes)
    if not labels:
        raise BatchError(source, "no photo of it is at hand", "name the folder of the photos with --photos")
    for item in labels:
        if complete:
            item.cues = {**dict.fromkeys(named, 0), **item.cues}
    return _write(labels, out, source, seed, notes)


class _Notes:
    """What was not understood, each kind once with a count and an example."""

    def __init__(self) -> None:
        self._counts: Counter[str] = Counter()
        self._examples: dict[str, str] = {}

    def add(self, kind: str, example: str) -> None:
        self._counts[kind] += 1
        self._examples.setdefault(kind, example)

    @property
    def sentences(self) -> tuple[str, ...]:
        return tuple(f"{kind}: {count}, first {self._examples[kind]}." for kind, count in self._counts.items())


class _Names:
    """Cues and shots by any spelling: case, spaces and hyphens do not matter; the user's own names come first."""

    def __init__(self, own: Mapping[str, str]) -> None:
        self._known = {_plain(name): name for name in (*DETECTED_CUES, *SHOTS)}
        for theirs, ours in own.items():
            if _plain(ours) not in self._known:
                raise BatchError(f"--name {theirs}={ours}", f"'{ours}' is no cue and no shot", "see configs/cues.yaml")
            self._known[_plain(theirs)] = self._known[_plain(ours)]

    def cue(self, name: str) -> str | None:
        found = self._known.get(_plain(name).removeprefix("cue_")) or self._known.get(_plain(name))
        return found if found in DETECTED_CUES else None

    def shot(self, name: str) -> str | None:
        found = self._known.get(_plain(name))
        return found if found in SHOTS else None


def _plain(name: str) -> str:
    return re.sub(r"[\s\-./]+", "_", name.strip().lower())


# --- COCO --------------------------------------------------------------------------------------------------------


def _read_coco(source: Path, root: Path, names: _Names, notes: _Notes) -> tuple[list[Labels], list[str]]:
    try:
        coco = json.loads(source.read_text(encoding="utf-8-sig"))
        categories = {int(entry["id"]): str(entry["name"]) for entry in coco["categories"]}
        images = [(int(entry["id"]), str(entry["file_name"]), entry) for entry in coco["images"]]
        annotations = list(coco.get("annotations") or [])
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise BatchError(
            source,
            f"it is no COCO file ({type(error).__name__}: {error!s:.60})",
            "export COCO (images, categories, annotations)",
        ) from None
    for name in categories.values():
        if names.cue(name) is None and names.shot(name) is None:
            notes.add("categories that are no cue and no shot", f"'{name}'")
    found: dict[int, Labels] = {}
    for number, name, entry in images:
        photo = _photo(root, name)
        if photo is None:
            notes.add("photos that are not at hand", name)
            continue
        size = (int(entry["height"]), int(entry["width"])) if entry.get("height") and entry.get("width") else None
        found[number] = Labels(photo, Path(name).name, size=size)
    for annotation in annotations:
        _take_annotation(annotation, found, categories, names, notes)
    cues = [cue for name in categories.values() if (cue := names.cue(name))]
    return list(found.values()), cues


def _take_annotation(
    annotation: Any, found: Mapping[int, Labels], categories: Mapping[int, str], names: _Names, notes: _Notes
) -> None:
    try:
        number, item = annotation.get("id"), found.get(int(annotation["image_id"]))
        category = categories.get(int(annotation["category_id"]))
    except (KeyError, TypeError, ValueError, AttributeError):
        notes.add("annotations without image_id or category_id", repr(annotation)[:60])
        return
    if category is None:
        notes.add("annotations of a category that is not listed", f"annotation {number}")
        return
    if item is None:
        notes.add("annotations of a photo that is not listed or not at hand", f"annotation {number}")
        return
    cue, shot = names.cue(category), names.shot(category)
    if shot is not None:
        item.row["shot"] = shot
    if cue is None:
        return
    item.cues[cue] = 1
    segmentation, box = annotation.get("segmentation"), annotation.get("bbox")
    if segmentation:
        if fault := _segmentation_fault(segmentation):
            notes.add(f"outlines that are {fault} (the photo's label is kept)", f"annotation {number}")
            item.partial.add(cue)
        else:
            item.segmentations.setdefault(cue, []).append(segmentation)
    elif isinstance(box, list) and len(box) == 4 and all(isinstance(value, (int, float)) for value in box):
        item.boxes.setdefault(cue, []).append([float(value) for value in box])
    else:
        notes.add("annotations without outline or box (the photo's label is kept)", f"annotation {number}")
        item.partial.add(cue)


def _segmentation_fault(segmentation: Any) -> str | None:
    if isinstance(segmentation, list):
        for polygon in segmentation:
            if not isinstance(polygon, list) or not all(isinstance(value, (int, float)) for value in polygon):
                return "no lists of numbers"
            if len(polygon) < 6 or len(polygon) % 2:
                return "polygons of fewer than three corners or an odd count of numbers"
        return None
    if isinstance(segmentation, Mapping) and {"counts", "size"} <= set(segmentation):
        return None
    return "neither polygons nor run lengths"


# --- tables ------------------------------------------------------------------------------------------------------


def _read_table(source: Path, root: Path, names: _Names, notes: _Notes) -> tuple[list[Labels], list[str]]:
    rows = _rows(source)
    columns = {_plain(str(column)): str(column) for row in rows[:1] for column in row}
    file_column = next((columns[name] for name in FILE_COLUMNS if name in columns), None)
    if file_column is None:
        raise BatchError(source, "no column names the photos", f"call one of them {FILE_COLUMNS[0]}")
    cue_columns = {column: cue for column in columns.values() if (cue := names.cue(column))}
    label_column = next((columns[name] for name in LABEL_COLUMNS if name in columns), None)
    vehicle = next((columns[name] for name in VEHICLE_COLUMNS if name in columns), None)
    others = {"shot", "split", "vehicle_visible", *PLAIN_COLUMNS}
    used = {file_column, label_column, vehicle, *cue_columns, *(columns[name] for name in others if name in columns)}
    for column in columns.values():
        if column not in used:
            notes.add("columns that are no cue and nothing else known", f"'{column}'")
    found: dict[str, Labels] = {}
    for number, row in enumerate(rows, start=2):  # the heading is line 1
        name = _text(row.get(file_column))
        photo = _photo(root, name) if name else None
        if photo is None:
            notes.add("rows whose photo is not at hand", f"row {number} ({name or 'no name'})")
            continue
        item = found.setdefault(str(photo), Labels(photo, Path(name).name))  # a photo may have a row a label
        for column, cue in cue_columns.items():
            _take_value(item, cue, _text(row.get(column)), f"row {number}, '{column}'", notes)
        if label_column is not None:
            for label in re.split(r"[;|,]", _text(row.get(label_column))):
                if cue := names.cue(label):
                    item.cues[cue] = 1
                elif shot := names.shot(label):
                    item.row["shot"] = shot
                elif label.strip():
                    notes.add("labels that are no cue and no shot", f"'{label.strip()}' in row {number}")
        _take_details(item, row, columns, vehicle, names, number, notes)
    return list(found.values()), sorted(
        set(cue_columns.values()) | {cue for item in found.values() for cue in item.cues}
    )


def _rows(source: Path) -> list[dict[str, Any]]:
    try:
        if source.suffix.lower() == ".parquet":
            import pandas

            frame = pandas.read_parquet(source)
            return [{str(key): value for key, value in row.items()} for row in frame.to_dict("records")]
        text = source.read_text(encoding="utf-8-sig")
        dialect = csv.Sniffer().sniff(text.splitlines()[0], ",;\t") if text.strip() else csv.excel
        return list(csv.DictReader(text.splitlines(), dialect=dialect))
    except csv.Error:
        return list(csv.DictReader(text.splitlines()))  # one column only: nothing to sniff
    except (OSError, ValueError) as error:
        raise BatchError(
            source, f"it cannot be read ({error!s:.80})", "name a COCO .json, a .csv or a .parquet"
        ) from None


def _take_value(item: Labels, cue: str, value: str, where: str, notes: _Notes) -> None:
    word = value.lower()
    if word in YES:
        item.cues[cue] = 1
    elif word in NO:
        item.cues.setdefault(cue, 0)
    elif word not in UNKNOWN:
        notes.add("values that are not 1, 0 or empty (taken as unknown)", f"'{value}' in {where}")


def _take_details(
    item: Labels, row: Mapping[str, Any], columns: Mapping[str, str], vehicle: str | None, names: _Names,
    number: int, notes: _Notes,
) -> None:  # fmt: skip
    if vehicle and (text := _text(row.get(vehicle))):
        item.row["vehicle"] = text
    for name in PLAIN_COLUMNS:
        if name in columns and (text := _text(row.get(columns[name]))):
            item.row["body_L" if name == "body_l" else name] = text
    if "shot" in columns and (text := _text(row.get(columns["shot"]))):
        if shot := names.shot(text):
            item.row["shot"] = shot
        else:
            notes.add("kinds of view that are not known", f"'{text}' in row {number}")
    if "split" in columns and (text := _text(row.get(columns["split"])).lower()):
        split = {"valid": "val", "validation": "val", "training": "train", "testing": "test"}.get(text, text)
        if split in SPLITS:
            item.row["split"] = split
        else:
            notes.add("splits that are not train, val or test", f"'{text}' in row {number}")
    if "vehicle_visible" in columns and (text := _text(row.get(columns["vehicle_visible"])).lower()):
        if text in YES | NO:
            item.row["vehicle_visible"] = int(text in YES)
        elif text not in UNKNOWN:
            notes.add("values of vehicle_visible that are not 1, 0 or empty", f"'{text}' in row {number}")


def _text(value: Any) -> str:
    if value is None or (isinstance(value, float) and np.isnan(value)) or type(value).__name__ in ("NAType", "NaTType"):
        return ""
    return str(value).strip()


# --- photos and the set ------------------------------------------------------------------------------------------


def _photo(root: Path, name: str) -> Path | None:
    """The photo a label file means: by its path, by its name alone, or without the prefix an upload was given."""
    name = unquote(name).replace("\\", "/")
    plain = Path(name).name
    for candidate in (name.lstrip("/"), plain, f"images/{plain}", re.sub(r"^[0-9a-f]{8}-", "", plain)):
        path = root / candidate
        if candidate and ".." not in Path(candidate).parts and path.is_file():
            return path
    return None


def _write(labels: Sequence[Labels], out: Path, source: Path, seed: int, notes: _Notes) -> Imported:
    import pandas

    (out / "images").mkdir(parents=True)
    images: list[dict[str, Any]] = []
    annotations: list[dict[str, Any]] = []
    rows: list[dict[str, Any]] = []
    taken: set[str] = set()
    for item in labels:
        picture = cv2.imread(str(item.source), cv2.IMREAD_COLOR)  # upright: OpenCV heeds the camera's orientation
        if picture is None:
            notes.add("photos that cannot be decoded (save them as JPEG or PNG)", item.source.name)
            continue
        name = _free_name(item.name, taken)
        shutil.copyfile(item.source, out / "images" / name)
        size = picture.shape[:2]
        number = len(images) + 1
        images.append({"id": number, "file_name": name, "height": size[0], "width": size[1]})
        if item.size is not None and item.size != size and (item.segmentations or item.boxes):
            notes.add(
                "photos of another size or orientation than their outlines were drawn on (the labels are kept)",
                f"{name}, {item.size[1]} × {item.size[0]} in the file, {size[1]} × {size[0]} here",
            )
            item.segmentations, item.boxes = {}, {}
        annotations += _annotations(item, number, size, len(annotations) + 1, notes)
        known = {"advert": None, "vehicle": Path(name).stem, "shot": None, "vehicle_visible": None, **item.row}
        cues = {f"cue_{cue}": item.cues.get(cue) for cue in DETECTED_CUES}
        rows.append({"file": name, "source": "user", **known, **cues})
    if not rows:
        raise BatchError(source, "none of its photos can be decoded", "save them as JPEG or PNG")
    if not any(item.row.get("vehicle") for item in labels):
        notes.add("photos without a vehicle (each counts as a vehicle of its own)", rows[0]["file"])
    if not all("split" in row for row in rows):
        rows = split_rows(rows, seed=seed)
    categories = [{"id": index, "name": cue} for index, cue in enumerate(DETECTED_CUES)]
    coco = {"images": images, "annotations": annotations, "categories": categories}
    (out / "annotations.json").write_text(json.dumps(coco), encoding="utf-8")
    table = pandas.DataFrame(rows)
    for column in ("vehicle_visible", *(f"cue_{cue}" for cue in DETECTED_CUES)):
        table[column] = table[column].astype("Int8")
    table.to_parquet(out / "images.parquet")
    counted = sum(len(item.cues) for item in labels)
    about = {"schema_version": SCHEMA_VERSION, "from": source.name, "photos": len(rows), "labels": counted}
    (out / "set.json").write_text(
        json.dumps({**about, "not_understood": notes.sentences}, indent=1) + "\n", encoding="utf-8"
    )
    masks = sum(bool(annotation["segmentation"]) for annotation in annotations)
    return Imported(len(rows), counted, masks, notes.sentences)


def _annotations(
    item: Labels, photo: int, size: tuple[int, int], first: int, notes: _Notes
) -> Iterable[dict[str, Any]]:
    """COCO annotations of one photo. What is outside a mask counts as free of the cue, so a cue has all or none."""
    from pycocotools import mask as coco_mask

    found: list[dict[str, Any]] = []

    def add(cue: str, segmentation: Any, area: float, box: list[float]) -> None:
        common = {"id": first + len(found), "image_id": photo, "category_id": DETECTED_CUES.index(cue), "iscrowd": 0}
        found.append({**common, "segmentation": segmentation, "area": area, "bbox": box})

    for cue, outlines in item.segmentations.items():
        masks = [_mask(outline, size) for outline in outlines]
        if cue in item.partial or cue in item.boxes or any(mask is None for mask in masks):
            notes.add("cues outlined in part only (the photo's label is kept)", f"{item.name}, {cue}")
            continue
        for mask in masks:
            code = coco_mask.encode(np.asfortranarray(mask))
            counts = {"size": list(size), "counts": code["counts"].decode("ascii")}
            add(cue, counts, int(mask.sum()), coco_mask.toBbox(code).tolist())
    for cue, boxes in item.boxes.items():
        for box in boxes:
            add(cue, [], box[2] * box[3], box)
    return found


def _mask(outline: Any, size: tuple[int, int]) -> Any:
    """The mask of an outline, uint8 (height, width); None where it cannot be decoded, does not fit or is empty."""
    from models.data import decode_mask

    try:
        mask = decode_mask(outline, *size)
    except Exception:  # pycocotools raises what it likes
        return None
    return mask if mask.shape == size and mask.any() else None


def _free_name(name: str, taken: set[str]) -> str:
    """A name that no other photo of the set has (folders are left out); dense labels and masks go by the stem."""
    stem, suffix, count = Path(name).stem, Path(name).suffix.lower(), 2
    free = stem
    while free.lower() in taken:
        free, count = f"{stem}-{count}", count + 1
    taken.add(free.lower())
    return f"{free}{suffix}"
