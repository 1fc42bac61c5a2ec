"""Labelled photo sets as folders: `images/`, `annotations.json` (COCO), a table of labels, `dense/` (optional).

One table row is a photo; an empty cue label means unknown, never absent. pandas and pycocotools are imported where
used: a set whose table is `images.csv` needs no pandas.
"""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import torch
from torch.utils.data import Dataset, Sampler

from models.augment import (
    CUES_HIGH,
    CUES_LOW,
    PLACE,
    SIDE_STEP,
    SURFACE,
    UNKNOWN_CLASS,
    Augmentation,
    Bytes,
    training_augmentation,
)
from models.losses import UNKNOWN, Targets
from models.network import STRIDE, Channels
from pipeline.errors import BatchError
from pipeline.records import DETECTED_CUES

LEAST_CELLS = 4  # of the maps: a cue that a view cuts off or shrinks to fewer is neither there nor absent for it
MOST_LONG_SIDE_PX = 1600  # larger photos are reduced at reading: the network never sees more


@dataclass(frozen=True, slots=True)
class Sample:
    """One labelled photo. `cues` holds 1, 0 or None (unknown) by detected cue; `masks` COCO segmentations by cue.

    `details` is the rest of the table's row (light, distance_m, place, ...), as read.
    """

    photo: Path
    vehicle: str
    split: str
    shot: str | None
    also_shots: tuple[str, ...]
    vehicle_visible: bool | None
    cues: Mapping[str, int | None]
    masks: Mapping[str, tuple[Any, ...]]
    dense: Path | None
    details: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class PhotoSet:
    """A named set of labelled photos."""

    name: str
    samples: tuple[Sample, ...]

    def split(self, *names: str) -> PhotoSet:
        return PhotoSet(self.name, tuple(sample for sample in self.samples if sample.split in names))

    def where(self, keep: Callable[[Sample], bool] | None) -> PhotoSet:
        return self if keep is None else PhotoSet(self.name, tuple(filter(keep, self.samples)))


def read_set(folder: Path) -> PhotoSet:
    """Read a set's labels (no pixels). Raises BatchError when there is no usable table, or photos of it are missing."""
    rows = _rows(folder)
    masks = _masks(folder / "annotations.json")
    root = folder / "images" if (folder / "images").is_dir() else folder
    samples = tuple(_sample(root, folder / "dense", row, masks) for row in rows)
    missing = [sample.photo.name for sample in samples if not sample.photo.exists()]
    if missing:
        raise BatchError(
            folder, f"{len(missing)} photos of the table are not there, first {missing[0]}", "complete the set"
        )
    return PhotoSet(folder.name, samples)


TABLES = ("images.parquet", "images.csv", "labels.csv", "index.csv")
PHOTO_SUFFIXES = (".jpg", ".jpeg", ".png", ".webp", ".tif", ".tiff", ".bmp")


def has_table(folder: Path) -> bool:
    """Whether the folder holds a table of labels, and so is a set."""
    return any((folder / name).exists() for name in TABLES)


def photos_in(folder: Path) -> tuple[Path, ...]:
    """The photo files anywhere under a folder, in order of their paths."""
    return tuple(sorted(path for path in folder.rglob("*") if path.suffix.lower() in PHOTO_SUFFIXES))


def _rows(folder: Path) -> list[dict[str, Any]]:
    if (folder / TABLES[0]).exists():
        import pandas

        frame = pandas.read_parquet(folder / TABLES[0])
        return [{str(key): _value(value) for key, value in row.items()} for row in frame.to_dict("records")]
    for name in TABLES[1:]:
        if (folder / name).exists():
            with (folder / name).open(encoding="utf-8", newline="") as lines:
                return [{key: _value(value) for key, value in row.items()} for row in csv.DictReader(lines)]
    raise BatchError(folder, "there is no table of labels", "add images.parquet or images.csv")


def _value(value: Any) -> Any:
    if (
        value is None
        or value == ""
        or (isinstance(value, float) and math.isnan(value))
        or type(value).__name__ in ("NAType", "NaTType")
    ):
        return None
    return value


def _sample(
    root: Path, dense: Path, row: Mapping[str, Any], masks: Mapping[str, Mapping[str, tuple[Any, ...]]]
) -> Sample:
    file = Path(str(row["file"]))
    here = masks.get(file.name, {})
    cues: dict[str, int | None] = {}
    for cue in DETECTED_CUES:
        label = row.get(f"cue_{cue}")
        cues[cue] = 1 if cue in here else None if label is None else int(float(label) > 0.5)
    labels = dense / f"{file.stem}.png"
    visible = row.get("vehicle_visible")
    shot = _shot(row.get("shot"))
    return Sample(
        photo=root / (file.name if not (root / file).exists() else file),
        vehicle=str(row.get("vehicle") or row.get("advert") or file.stem),
        split=str(row.get("split") or "test"),
        shot=shot,
        also_shots=tuple(str(row["shot_also_right"]).split()) if row.get("shot_also_right") else (),
        vehicle_visible=None if visible is None else bool(int(float(visible))),
        cues=cues,
        masks=here,
        dense=labels if labels.exists() else None,
        details={key: value for key, value in row.items() if not key.startswith("cue_")},
    )


def _shot(name: Any) -> str | None:
    if name is None:
        return None
    text = str(name)
    # names used by index files of real photos
    return "identification_plate" if text == "plate" else "close_up" if text.startswith("detail_") else text


def _masks(path: Path) -> dict[str, dict[str, tuple[Any, ...]]]:
    """Segmentations by photo file name and cue. Annotations without one (plain boxes) are photo labels only."""
    if not path.exists():
        return {}
    coco = json.loads(path.read_text(encoding="utf-8"))
    photos = {image["id"]: Path(image["file_name"]).name for image in coco["images"]}
    cues = {category["id"]: category["name"] for category in coco["categories"]}
    found: dict[str, dict[str, tuple[Any, ...]]] = {}
    for annotation in coco["annotations"]:
        cue = cues.get(annotation["category_id"])
        if cue in DETECTED_CUES and annotation.get("segmentation"):
            by_cue = found.setdefault(photos[annotation["image_id"]], {})
            by_cue[cue] = (*by_cue.get(cue, ()), annotation["segmentation"])
    return found


def read_pixels(sample: Sample, cues: Sequence[str], *, long_side_px: int = MOST_LONG_SIDE_PX) -> tuple[Bytes, Bytes]:
    """The photo (uint8 (H, W, 3), sRGB) and its label planes (uint8 (H, W, 4), see augment.py), of the same size.

    Cue bits follow the order of `cues`. Raises BatchError when the photo cannot be decoded.
    """
    bgr = cv2.imread(str(sample.photo), cv2.IMREAD_COLOR)
    if bgr is None:
        raise BatchError(sample.photo, "the photo cannot be decoded", "replace it or take it out of the set")
    photo: Bytes = cv2.cvtColor(bgr, cv2.COLOR_BGR2RGB)
    bits = np.zeros((2, *photo.shape[:2]), np.uint8)
    surface, place = np.full((2, *photo.shape[:2]), UNKNOWN_CLASS, np.uint8)
    for index, cue in enumerate(cues):
        for segmentation in sample.masks.get(cue, ()):
            plane, bit = (CUES_LOW, index) if index < 8 else (CUES_HIGH, index - 8)
            bits[plane] |= decode_mask(segmentation, photo.shape[0], photo.shape[1]) << bit
    if sample.dense is not None:
        dense = cv2.imread(str(sample.dense), cv2.IMREAD_COLOR)
        if dense is None or dense.shape != photo.shape:
            raise BatchError(sample.dense, "the dense labels do not fit the photo", "make the set again")
        side, zone, surface = cv2.split(dense)
        place = zone + side * np.uint8(SIDE_STEP)
        place[zone == UNKNOWN_CLASS] = UNKNOWN_CLASS
    labels: Bytes = cv2.merge([*bits, surface, place])
    if max(photo.shape[:2]) > long_side_px:
        factor = long_side_px / max(photo.shape[:2])
        size = (round(photo.shape[1] * factor), round(photo.shape[0] * factor))
        photo = cv2.resize(photo, size, interpolation=cv2.INTER_AREA)
        labels = cv2.resize(labels, size, interpolation=cv2.INTER_NEAREST)
    return photo, labels


def decode_mask(segmentation: Any, height: int, width: int) -> Bytes:
    """COCO polygons, uncompressed or compressed run lengths to a uint8 (height, width) mask of 0 and 1."""
    from pycocotools import mask as coco_mask

    if isinstance(segmentation, list):
        encoded = coco_mask.merge(coco_mask.frPyObjects(segmentation, height, width))
    elif isinstance(segmentation["counts"], list):
        encoded = coco_mask.frPyObjects(segmentation, height, width)
    else:
        encoded = segmentation
    mask: Bytes = coco_mask.decode(encoded)
    return mask


def to_cells(labels: Bytes) -> Bytes:
    """Label planes uint8 (H, W, 4) to the maps' cells, uint8 (4, H/4, W/4).

    A cue bit is set where any pixel has it (no bolt is lost); the classes are those of a pixel in the cell's middle.
    """
    height, width = labels.shape[0] // STRIDE, labels.shape[1] // STRIDE
    blocks = labels[: height * STRIDE, : width * STRIDE]
    # the four planes of a pixel as one number: bits of all planes are gathered at once, a cell's rows first
    whole = np.ascontiguousarray(blocks).view(np.uint32)[:, :, 0]
    rows = whole[0::STRIDE] | whole[1::STRIDE] | whole[2::STRIDE] | whole[3::STRIDE]
    gathered = rows[:, 0::STRIDE] | rows[:, 1::STRIDE] | rows[:, 2::STRIDE] | rows[:, 3::STRIDE]
    cells = np.empty((4, height, width), np.uint8)
    cells[:SURFACE] = gathered.view(np.uint8).reshape(height, width, 4)[:, :, :SURFACE].transpose(2, 0, 1)
    cells[SURFACE:] = blocks[STRIDE // 2 :: STRIDE, STRIDE // 2 :: STRIDE, SURFACE:].transpose(2, 0, 1)
    return cells


def limited_to(cells: Bytes, channels: Channels) -> Bytes:
    """The cells (4, h, w) with surfaces and places that the network has no channel for made unknown.

    A network that is trained on may be older than the set.
    """
    known = cells.copy()
    known[SURFACE][cells[SURFACE] >= len(channels.surfaces)] = UNKNOWN_CLASS
    known[PLACE][cells[PLACE] % SIDE_STEP >= len(channels.zones)] = UNKNOWN_CLASS
    return known


def cue_mask(cells: npt.NDArray[Any], index: int) -> npt.NDArray[np.bool_]:
    """The mask of one cue from label planes or cells whose first axis is the plane."""
    plane, bit = (CUES_LOW, index) if index < 8 else (CUES_HIGH, index - 8)
    mask: npt.NDArray[np.bool_] = (cells[plane] >> bit) & 1 > 0
    return mask


Item = dict[str, torch.Tensor]


class TrainingPhotos(Dataset[Item]):
    """Augmented training photos, indexed by (sample, seed): the same pair always gives the same tensors."""

    def __init__(self, samples: Sequence[Sample], channels: Channels, settings: Augmentation) -> None:
        self.samples, self.channels, self.settings = tuple(samples), channels, settings
        self._cropped = training_augmentation(settings)
        self._whole = training_augmentation(settings, whole=True)

    def __len__(self) -> int:
        return len(self.samples)

    def __getitem__(self, key: tuple[int, int]) -> Item:
        sample = self.samples[key[0]]
        cues = self.channels.cues
        photo, labels = read_pixels(sample, cues)
        # A cue known to be there, but not where, may be lost in a crop: such photos stay whole.
        whole = any(sample.cues[cue] == 1 and cue not in sample.masks for cue in cues)
        whole |= np.random.default_rng(key[1]).random() < self.settings.whole_view
        chain = self._whole if whole else self._cropped
        chain.set_random_seed(key[1])
        changed = chain(image=photo, mask=labels)
        cells = limited_to(to_cells(changed["mask"]), self.channels)
        cue_labels = np.full(len(cues), UNKNOWN, np.int8)
        masks_known = np.zeros(len(cues), np.bool_)
        for index, cue in enumerate(cues):
            label = sample.cues[cue]
            if label is None:
                continue
            if label == 1 and cue in sample.masks:
                shown = int(cue_mask(cells, index).sum())
                if 0 < shown < LEAST_CELLS:
                    continue
                label = int(shown > 0)
                masks_known[index] = True
            else:
                masks_known[index] = label == 0
            cue_labels[index] = label
        shots = self.channels.shots
        # A tenth of a vehicle's side looks like a close-up, and its sky like no vehicle: only whole views tell.
        shot, visible = (sample.shot, sample.vehicle_visible) if whole else (None, None)
        return {
            "photos": torch.from_numpy(np.ascontiguousarray(changed["image"].transpose(2, 0, 1))),
            "cells": torch.from_numpy(cells),
            "cue_labels": torch.from_numpy(cue_labels),
            "masks_known": torch.from_numpy(masks_known),
            "shots": torch.tensor(shots.index(shot) if shot in shots else UNKNOWN),
            "vehicle": torch.tensor(UNKNOWN if visible is None else int(visible)),
        }


def unpack(batch: Item, cues: int) -> tuple[torch.Tensor, Targets]:
    """Photos (float32, 0 to 1) and targets from a collated batch, on the batch's own device."""
    cells = batch["cells"].int()
    bits = cells[:, CUES_LOW] | (cells[:, CUES_HIGH] << 8)
    place = cells[:, PLACE]
    known = place != UNKNOWN_CLASS
    targets = Targets(
        cue_labels=batch["cue_labels"],
        masks_known=batch["masks_known"],
        cue_masks=torch.stack([(bits >> index) & 1 for index in range(cues)], 1).bool(),
        surfaces=cells[:, SURFACE],
        zones=torch.where(known, place % SIDE_STEP, UNKNOWN_CLASS),
        sides=torch.where(known, place // SIDE_STEP, UNKNOWN_CLASS),
        shots=batch["shots"],
        vehicle=batch["vehicle"],
    )
    return batch["photos"].float() / 255, targets


class StepSampler(Sampler[list[tuple[int, int]]]):
    """Endless batches of (sample, seed), functions of (seed, rank, step) alone: a resumed run draws the same ones."""

    def __init__(
        self, probability: npt.NDArray[np.float64], batch: int, *, seed: int, rank: int, first_step: int
    ) -> None:
        self.probability, self.batch, self.seed, self.rank, self.step = probability, batch, seed, rank, first_step

    def __iter__(self) -> Iterator[list[tuple[int, int]]]:
        step = self.step
        while True:
            draw = np.random.default_rng((self.seed, self.rank, step))
            indices = draw.choice(len(self.probability), self.batch, p=self.probability)
            seeds = draw.integers(2**31, size=self.batch)
            yield list(zip(indices.tolist(), seeds.tolist(), strict=True))
            step += 1


def sampling_probability(
    sets: Sequence[tuple[PhotoSet, float]], cues: Sequence[str], *, rare: float = 0.1
) -> npt.NDArray[np.float64]:
    """How often each sample (sets in order) is drawn: a set by its weight × its size, rare cues more often.

    Repeat factors of Gupta et al. (2019), section 4: photos with a cue that a share f < `rare` of the set shows are
    drawn sqrt(rare / f) times as often.
    """
    parts = []
    for photos, weight in sets:
        shown = np.array([[sample.cues[cue] == 1 for cue in cues] for sample in photos.samples], np.float64)
        shown = shown.reshape(len(photos.samples), len(cues))
        share = shown.mean(0) if len(shown) else np.zeros(len(cues))
        repeat = np.sqrt(np.maximum(1.0, rare / np.maximum(share, 1e-9)))
        factors = np.maximum(1.0, (shown * repeat).max(1, initial=1.0))
        parts.append(weight * len(factors) * factors / factors.sum() if len(factors) else factors)
    joined = np.concatenate(parts)
    return np.asarray(joined / joined.sum(), np.float64)


def start_worker(_: int) -> None:
    """A loader's worker uses one core; the workers themselves are the parallelism."""
    cv2.setNumThreads(0)
    torch.set_num_threads(1)
