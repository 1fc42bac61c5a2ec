"""A maker of adverts without a renderer: coloured shapes, some of them marked as cues."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from pipeline.records import DETECTED_CUES
from synthetic_data.camera import DevelopedPhoto

SHOTS = ("exterior", "close_up", "door_open")


@dataclass(frozen=True, slots=True)
class Settings:
    test_families: tuple[str, ...] = ("torrick",)


@dataclass(frozen=True, slots=True)
class Surroundings:
    panoramas: Path | None = None
    scenes: Path | None = None
    held_out: bool = False


@dataclass(frozen=True, slots=True)
class Made:
    stem: str
    photo: DevelopedPhoto
    labels: dict[str, Any]


def advert_settings() -> Settings:
    return Settings()


def make_advert(
    index: int, seed: int, settings: Settings, variant: str, *, surroundings: Surroundings, family: str | None = None
) -> Iterator[Made]:
    if os.environ.get("FAKE_FAULT") == str(index):
        raise RuntimeError("the paint ran out")
    rng = np.random.default_rng([seed, index])
    family = family or "pellock"
    for number in range(3):
        yield Made(
            f"a{index:05d}_{number:02d}",
            draw(rng, cue=number == 0),
            {
                "advert": f"a{index:05d}",
                "vehicle": f"{family}-{seed}-{index}",
                "family": family,
                "shot": SHOTS[number],
                "vehicle_visible": 1,
                "light": f"{variant} {os.environ.get('CUDA_VISIBLE_DEVICES', '')} {surroundings.held_out}",
                "hard_negatives": "dust" if number == 1 else "",
                "history": "factory",
                "body_L": 40.0,
                "body_a": -10.0,
                "body_b": 12.0,
                **{f"cue_{cue}": None for cue in DETECTED_CUES},
                "cue_painted_fastener": int(number == 0),
            },
        )


def draw(rng: np.random.Generator, *, cue: bool, size: tuple[int, int] = (96, 128)) -> DevelopedPhoto:
    """A noisy picture with a few circles; with `cue` two pieces of a painted fastener."""
    height, width = size
    srgb = rng.integers(0, 255, (6, 8, 3), dtype=np.uint8)
    srgb = cv2.resize(srgb, (width, height), interpolation=cv2.INTER_CUBIC)
    mask = np.zeros(size, np.uint8)
    if cue:
        cv2.circle(mask, (30, 30), 9, 1, -1)
        cv2.circle(mask, (100, 70), 5, 1, -1)
    srgb[mask > 0] = (250, 30, 30)
    flat = np.zeros(size, np.uint8)
    surface = flat + 2
    return DevelopedPhoto(
        srgb,
        surface,
        flat + 1,
        flat + 2,
        {"painted_fastener": mask.astype(bool)} if cue else {},
        90,
        True,
        {"iso": 50.0},
    )
