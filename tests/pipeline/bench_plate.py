"""How well identification plates are read on renders: `python -m tests.pipeline.bench_plate --photos 200`.

Plates of the generator, on painted panels, seen at an angle through its phones and sites; one value of each is a code
of the demo table. The place of the plate is the render's own, or the network's with `--weights`. Photos that are too
poor to be judged are left out, as in a screening. Prints one line of JSON, by height of the code's capitals in the
photo, in pixels, and the mean processor time of finding and reading a plate. Takes about a second a photo.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any

import cv2
import numpy as np
import typer

from pipeline.colour import colour_settings
from pipeline.network import CueNetwork
from pipeline.paint_table import bare, demo_table
from pipeline.photos import judge_quality
from pipeline.plate import UNLISTED, UNREAD, measure_plate
from pipeline.records import SURFACES, ZONES, Photo
from synthetic_data import flat
from synthetic_data.camera import camera_settings, develop, encode_jpeg, sample_phone
from tests.pipeline.painted import made_maps

UNKNOWN = 255
PLATE = 1 + ZONES.index("identification_plate")
VALUES = 0.95  # the size at which the generator writes a plate's values
LIMITS_PX = (0, 8, 11, 14, 20, 1000)


@contextmanager
def a_value_is(code: str, row: int, sizes: list[tuple[int, int]]) -> Iterator[None]:
    """Let one value of the next plate be this code; note the size of the plate in its own plane."""
    write, seen, count = flat._write, flat._seen_at_an_angle, 0

    def noting(sheet: Any, text: str, at: Any, font: int, size: float, ink: Any, width: int) -> None:
        nonlocal count
        if size == VALUES:
            text, count = (code if count == row else text), count + 1
        write(sheet, text, at, font, size, ink, width)

    def sized(rng: Any, sheet: Any, *others: Any) -> Any:
        sizes.append(sheet.shape[:2])
        return seen(rng, sheet, *others)

    flat._write, flat._seen_at_an_angle = noting, sized
    try:
        yield
    finally:
        flat._write, flat._seen_at_an_angle = write, seen


def photo_of(index: int, seed: int) -> tuple[Photo, Any, str, float]:
    """A photo of a plate, its labels, the code on it, and how high the code's capitals are in it."""
    rng = np.random.default_rng([seed, index])
    paints = demo_table()
    code = paints[int(rng.integers(len(paints)))].code
    sizes: list[tuple[int, int]] = []
    width = int(rng.choice([640, 1024, 1600]))  # large photos and small ones
    with a_value_is(code, int(rng.integers(4)), sizes):
        exposure = flat.plate_photo(rng, paints[int(rng.integers(len(paints)))].lab, width, width * 3 // 4)
    phone = sample_phone(rng, camera_settings())
    phone = replace(phone, plate_covered=False)  # what a site covered cannot be read
    made = develop(exposure, phone, rng, camera_settings(), illuminance_lux=float(rng.uniform(100, 8000)))
    pixels = cv2.imdecode(np.frombuffer(encode_jpeg(made), np.uint8), cv2.IMREAD_COLOR)
    srgb = np.asarray(cv2.cvtColor(pixels, cv2.COLOR_BGR2RGB), np.uint8)
    # a plate that runs out of the picture shows less of itself: its height is then underestimated, never over
    scale = (float((made.zone == PLATE).sum()) / np.prod(sizes[0])) ** 0.5
    capital = cv2.getTextSize("W", cv2.FONT_HERSHEY_DUPLEX, VALUES, 2)[0][1] * scale
    return Photo("a", str(index), "0", "0", srgb), made, code, float(capital)


def main(
    photos: Annotated[int, typer.Option(help="How many photos.")] = 200,
    seed: Annotated[int, typer.Option(help="Of the plates and their photos.")] = 31,
    weights: Annotated[Path | None, typer.Option(help="Folder of a network that finds the plate.")] = None,
    lacking: Annotated[bool, typer.Option(help="Take each plate's code out of the table: to be told as such.")] = False,
) -> None:
    """Print how many plates were read, read wrongly and left unread."""
    settings = colour_settings().plate
    network = None if weights is None else CueNetwork.load(weights)
    counts = {low: {"plates": 0, "read": 0, "wrong": 0} for low in LIMITS_PX[:-1]}
    took = 0.0
    for index in range(photos):
        photo, made, code, capital = photo_of(index, seed)
        if not judge_quality(photo).assessable:
            continue
        if network is None:
            surface = np.where(made.surface == UNKNOWN, SURFACES.index("background"), made.surface).astype(int)
            zone = np.where(made.zone == UNKNOWN, 0, made.zone).astype(int)
            maps = made_maps(surface, zone, "identification_plate", photo.width)
        else:
            maps = network.run([photo.srgb])[0]
        paints = tuple(paint for paint in demo_table() if not lacking or paint.code != code)
        before = time.process_time()
        measure = measure_plate(photo, maps, paints, settings)
        took += time.process_time() - before
        row = counts[max(low for low in LIMITS_PX[:-1] if low <= capital)]
        said = None if measure is None or measure.text is None else measure.text
        row["plates"] += 1
        right = f"{UNLISTED}: {code}" if lacking else code
        said = right if said is not None and bare(said) == bare(right) else said  # read with or without the space
        row["read"] += said == right
        row["wrong"] += said not in (right, None) and not str(said).startswith(UNREAD)
    seconds = took / max(1, sum(row["plates"] for row in counts.values()))
    print(json.dumps({f"from {low} px": row for low, row in counts.items()} | {"seconds a plate": round(seconds, 3)}))


if __name__ == "__main__":
    typer.run(main)
