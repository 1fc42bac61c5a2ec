"""How large a report is and how long it takes: `python -m tests.pipeline.bench_report --adverts 40 --photos 20`.

The batch is made of the demo's renders at 1600 × 1200, each in a new cut and light, so that no two files are alike. It
is screened with the shipped network. Prints one line of JSON: the size of `report/` with and without the photos
reduced, and the share of the whole screening that the pages and the pictures written for them took.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable
from importlib.resources import files
from itertools import cycle, islice
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Annotated, Any

import cv2
import numpy as np
import typer

from pipeline import crops, outputs
from pipeline.screening import screen


def make_batch(folder: Path, adverts: int, photos: int) -> None:
    renders = sorted(Path(str(files("synthetic_data").joinpath("demo", "adverts"))).glob("*/*.jpg"))
    rng = np.random.default_rng(1)
    for number, path in enumerate(islice(cycle(renders), adverts * photos)):
        picture = cv2.imread(str(path))
        height, width = picture.shape[:2]
        left, top = int(rng.integers(0, width // 12)), int(rng.integers(0, height // 12))
        cut = picture[top : top + 11 * height // 12, left : left + 11 * width // 12].astype(np.float32)
        long_side = (1600, 1200) if width > height else (1200, 1600)
        shown = cv2.resize(np.clip(cut * rng.uniform(0.85, 1.15), 0, 255).astype(np.uint8), long_side)
        target = folder / f"advert-{number // photos:02d}" / f"{number % photos:02d}.jpg"
        target.parent.mkdir(parents=True, exist_ok=True)
        cv2.imwrite(str(target), shown, [cv2.IMWRITE_JPEG_QUALITY, 90])


class Clock:
    """Adds up the time spent in a function."""

    def __init__(self, function: Callable[..., Any]) -> None:
        self._function, self.seconds = function, 0.0

    def __call__(self, *arguments: Any, **named: Any) -> Any:
        begun = time.perf_counter()
        try:
            return self._function(*arguments, **named)
        finally:
            self.seconds += time.perf_counter() - begun


def main(
    adverts: Annotated[int, typer.Option()] = 40,
    photos: Annotated[int, typer.Option()] = 20,
) -> None:
    pages = outputs.write_report = Clock(outputs.write_report)
    pictures = crops.write_pictures = Clock(crops.write_pictures)
    with TemporaryDirectory() as scratch:
        folder = Path(scratch)
        make_batch(folder / "batch", adverts, photos)
        begun = time.perf_counter()
        result = screen(folder / "batch", folder / "out")
        seconds = time.perf_counter() - begun
        written = [
            (path.name, path.stat().st_size) for path in (folder / "out" / "report").rglob("*") if path.is_file()
        ]
    reduced = sum(size for name, size in written if name.endswith("-photo.jpg"))
    whole = sum(size for _, size in written)
    print(
        json.dumps(
            {
                "photos": result.photos,
                "cores": len(os.sched_getaffinity(0)),
                "report_mb": round(whole / 1e6, 1),
                "beyond_photos_mb": round((whole - reduced) / 1e6, 1),
                "cuts_in_report": sum(name.endswith(".jpg") and not name.endswith("-photo.jpg") for name, _ in written),
                "screening_s": round(seconds, 1),
                "pages_share": round(pages.seconds / seconds, 4),
                "pictures_share": round(pictures.seconds / seconds, 4),
            }
        )
    )


if __name__ == "__main__":
    typer.run(main)
