"""The demo batch that ships in `synthetic_data/demo/adverts`: made again with `maskline data demo --out DIR`."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import yaml

from pipeline.configuration import Config, load, shipped
from synthetic_data.adverts import AdvertPlan, advert_settings, make_advert, plan_advert
from synthetic_data.painter import paint_names

LARGEST_TRY = 200  # seeds looked through for a vehicle whose factory colour is in the paint table


class DemoAdvert(Config):
    """One advert: what it shows, what it says, and whether its photos are bad or partly another advert's."""

    name: str
    family: str
    history: str
    title: str
    price: int
    shots: tuple[str, ...]
    notes: str
    spoil: bool = False
    shared_from: str | None = None


class DemoSettings(Config):
    """`configs/synthesis/demo.yaml`."""

    seed: int
    width_px: int
    height_px: int
    samples: int
    quality: int
    adverts: tuple[DemoAdvert, ...]


def demo_settings() -> DemoSettings:
    return load(shipped("synthesis", "demo.yaml"), DemoSettings)


def write_demo(out: Path, variant: str, progress: Callable[[str], None] = lambda _: None) -> int:
    """Render the demo batch into `out`, a folder an advert. Returns how many photos; about 20 s each on two cores."""
    demo = demo_settings()
    settings = advert_settings().model_copy(
        update={"width_px": demo.width_px, "height_px": demo.height_px, "samples": demo.samples}
    )
    written = 0
    for index, advert in enumerate(demo.adverts):
        seed, plan = _with_a_named_colour(advert, index, demo.seed)
        folder = out / advert.name
        folder.mkdir(parents=True, exist_ok=True)
        rng = np.random.default_rng([demo.seed, index])
        made = make_advert(
            index, seed, settings, variant, family=advert.family, history=advert.history, shots=advert.shots
        )
        for number, photo in enumerate(made, start=1):
            picture = _spoilt(photo.photo.srgb, number, rng) if advert.spoil else photo.photo.srgb
            _, data = cv2.imencode(".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, demo.quality])
            (folder / f"{number:02d}.jpg").write_bytes(data.tobytes())
            written += 1
        if advert.shared_from is not None:
            shutil.copyfile(out / advert.shared_from / "02.jpg", folder / f"{len(advert.shots) + 1:02d}.jpg")
            written += 1
        words = yaml.safe_dump(_details(advert, plan, rng), allow_unicode=True, sort_keys=False)
        (folder / "advert.yaml").write_text(words, encoding="utf-8")
        progress(advert.name)
    return written


def _with_a_named_colour(advert: DemoAdvert, index: int, seed: int) -> tuple[int, AdvertPlan]:
    """The first seed from `seed` on whose vehicle left the factory in a colour of the paint table."""
    for tried in range(seed, seed + LARGEST_TRY):
        plan = plan_advert(index, tried, advert_settings(), family=advert.family, history=advert.history)
        if plan.paint.code and (not plan.paint.jobs or plan.paint.jobs[-1].lab != plan.paint.factory_lab):
            return tried, plan
    raise ValueError(f"no seed from {seed} on gives {advert.name} a colour of the paint table")


def _details(advert: DemoAdvert, plan: AdvertPlan, rng: np.random.Generator) -> dict[str, Any]:
    """What the advert says: honest adverts give the factory colour, a changed one its new colour's nearest name."""
    names = {code: name for code, name, _ in paint_names()}
    shown = plan.paint.factory_lab
    if advert.history.startswith("colour_change"):
        shown = plan.paint.jobs[-1].lab
    nearest = min(paint_names(), key=lambda row: float(np.linalg.norm(np.subtract(row[2], shown))))[1]
    details: dict[str, Any] = {"title": advert.title, "price": advert.price, "currency": "EUR"}
    details["year"] = int(rng.integers(1972, 1990))
    details["build_sheet"] = advert.family
    details["declared_colour"] = nearest
    if rng.random() < 0.6:
        details["paint_code"] = plan.paint.code
    details["document_colour"] = names[plan.paint.code].split()[-1].lower()
    if advert.notes:
        details["notes"] = advert.notes
    return details


def _spoilt(picture: np.ndarray[Any, Any], number: int, rng: np.random.Generator) -> np.ndarray[Any, Any]:
    """Photos nobody can judge: thumbnails, shaken, or far too dark."""
    if number % 3 == 1:
        return np.asarray(cv2.resize(picture, None, fx=0.28, fy=0.28, interpolation=cv2.INTER_AREA))
    if number % 3 == 2:
        length = 45
        kernel = np.zeros((length, length), np.float32)
        cv2.line(kernel, (0, int(rng.integers(10, 34))), (length - 1, int(rng.integers(10, 34))), 1.0, 1)
        return np.asarray(cv2.filter2D(picture, -1, kernel / kernel.sum()))
    dark = picture.astype(np.float32) * 0.045 + rng.normal(size=picture.shape) * 2.0
    return np.asarray(np.clip(dark, 0, 255), np.uint8)
