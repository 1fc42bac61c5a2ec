"""A tiny labelled set drawn with numpy: on blue "paint", red discs stand for painted fasteners, a reddish stretch of a
dark band for mist on rubber. Nothing in it looks like a vehicle; it only exercises the contract of a set's folder."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pandas
from pycocotools import mask as coco_mask

from pipeline.records import DETECTED_CUES, SHOTS, SURFACES, ZONES

TAUGHT = ("overspray_rubber", "painted_fastener")


def write_fake_set(
    folder: Path, count: int, *, seed: int = 0, height: int = 96, width: int = 128, dense: bool = True
) -> Path:
    """Write `count` photos (two of three in train, the rest half val, half test) and return the folder."""
    rng = np.random.default_rng(seed)
    (folder / "images").mkdir(parents=True)
    (folder / "dense").mkdir()
    images, annotations, rows = [], [], []
    for number in range(count):
        photo = np.empty((height, width, 3), np.uint8)
        photo[:] = rng.integers(60, 110), rng.integers(70, 130), rng.integers(120, 200)
        labels = np.zeros((height, width, 3), np.uint8)
        labels[:, :, 0] = SURFACES.index("paint")
        band = slice(height - 24, height - 8)
        photo[band] = 30
        labels[band, :, 0] = SURFACES.index("rubber")
        labels[band, :, 1] = 1 + ZONES.index("door_seal")
        labels[:, : width // 2, 2], labels[:, width // 2 :, 2] = 1, 2
        masks = {cue: np.zeros((height, width), np.uint8) for cue in TAUGHT}
        has_bolt, has_mist = number % 2, (number // 2) % 2
        for _ in range(3):
            centre = int(rng.integers(10, width - 10)), int(rng.integers(10, height - 40))
            cv2.circle(photo, centre, 5, (200, 40, 40) if has_bolt else (150, 150, 150), -1)
            if has_bolt:
                cv2.circle(masks["painted_fastener"], centre, 5, 1, -1)
        if has_mist:
            left = int(rng.integers(0, width - 40))
            photo[band, left : left + 40] = 120, 40, 40
            masks["overspray_rubber"][band, left : left + 40] = 1
        photo = np.clip(photo + rng.normal(0, 4, photo.shape), 0, 255).astype(np.uint8)
        name = f"p{number:03d}"
        cv2.imwrite(str(folder / "images" / f"{name}.jpg"), photo[:, :, ::-1])
        if dense:
            cv2.imwrite(str(folder / "dense" / f"{name}.png"), labels[:, :, ::-1])
        images.append({"id": number, "file_name": f"{name}.jpg", "width": width, "height": height})
        for index, cue in enumerate(DETECTED_CUES):
            if cue in masks and masks[cue].any():
                encoded = coco_mask.encode(np.asfortranarray(masks[cue]))
                encoded["counts"] = encoded["counts"].decode()
                annotations.append(
                    {"id": len(annotations), "image_id": number, "category_id": index, "segmentation": encoded,
                     "iscrowd": 0, "area": int(masks[cue].sum()), "bbox": [0, 0, width, height]}
                )  # fmt: skip
        rows.append(
            {
                "file": f"{name}.jpg", "advert": f"a{number // 4}", "vehicle": f"v{number // 4}", "family": "pellock",
                "shot": SHOTS[number % 2], "vehicle_visible": 1, "source": "synthetic",
                "split": ("train", "train", "train", "train", "val", "test")[(number // 4) % 6],
                "light": ("sun", "shade")[number % 2], "place": ("door", "wing")[(number // 4) % 2],
                **{f"cue_{cue}": int(masks[cue].any()) if cue in masks else None for cue in DETECTED_CUES},
            }
        )  # fmt: skip
    categories = [{"id": index, "name": cue} for index, cue in enumerate(DETECTED_CUES)]
    coco = {"images": images, "annotations": annotations, "categories": categories}
    (folder / "annotations.json").write_text(json.dumps(coco))
    pandas.DataFrame(rows).to_parquet(folder / "images.parquet")
    (folder / "set.json").write_text(json.dumps({"seed": seed}))
    return folder
