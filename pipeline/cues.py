"""From the network's maps to cues: how likely each is in the photo, where, and whether the photo can show it at all."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict, Field

from pipeline.configuration import Config, load, shipped
from pipeline.network import SIDES, Floats, Manifest, NetworkMaps
from pipeline.photos import LookingLimits, photo_settings
from pipeline.records import DETECTED_CUES, Box, CueFinding, Photo, Quality, Side

NOT_ASSESSABLE = CueFinding(score=None, assessable=False)


class _Cue(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore")  # the rest of configs/cues.yaml is for other stages

    least_long_side_px: int = Field(ge=0)
    least_sharpness: float = Field(default=0, ge=0, le=1)


class _Cues(Config):
    cues: dict[str, _Cue]


@dataclass(frozen=True, slots=True)
class CueSettings:
    """When a cue can be judged (long side in pixels and sharpness, by cue), and which boxes are drawn."""

    least_long_side_px: Mapping[str, int]
    least_sharpness: Mapping[str, float]
    looking: LookingLimits


@cache
def cue_settings() -> CueSettings:
    """The shipped settings."""
    cues = load(shipped("cues.yaml"), _Cues).cues
    return CueSettings(
        {cue: entry.least_long_side_px for cue, entry in cues.items()},
        {cue: entry.least_sharpness for cue, entry in cues.items()},
        photo_settings().looking,
    )


def find_cues(
    maps: NetworkMaps, photo: Photo, quality: Quality, manifest: Manifest, settings: CueSettings | None = None
) -> tuple[dict[str, CueFinding], dict[str, Floats]]:
    """Every detected cue of one photo, and the heat (float32 (h, w), probability by cell) of those that have boxes.

    A cue is not assessable where the network was not taught it, the photo is too small or too soft for it, too dark or
    burnt out, or not of a vehicle. Else its score is the probability that the photo shows it, and it is found
    where that is above the manifest's limit; boxes are drawn around cells above the manifest's limit for boxes even
    where it is not, so that a reader sees what drew the network's eye.
    """
    settings = settings or cue_settings()
    findings: dict[str, CueFinding] = {}
    heats: dict[str, Floats] = {}
    for cue in DETECTED_CUES:
        if (
            cue not in maps.cue_scores
            or not quality.assessable
            or maps.vehicle < settings.looking.least_vehicle
            or max(photo.width, photo.height) < settings.least_long_side_px[cue]
            or quality.sharpness < settings.least_sharpness[cue]
        ):
            findings[cue] = NOT_ASSESSABLE
            continue
        heat, score = maps.cue_probability[manifest.cues.index(cue)], maps.cue_scores[cue]
        boxes = _boxes(heat, score, maps, photo, manifest, manifest.box_limits[cue], settings.looking)
        findings[cue] = CueFinding(
            score=round(score, 6), assessable=True, found=score > manifest.limits[cue], boxes=boxes
        )
        if boxes:
            heats[cue] = heat
    return findings, heats


def _boxes(
    heat: Floats,
    score: float,
    maps: NetworkMaps,
    photo: Photo,
    manifest: Manifest,
    least: float,
    limits: LookingLimits,
) -> tuple[Box, ...]:
    """Boxes around connected cells (8-neighbours) of at least `least`, strongest first.

    A box is as likely as its likeliest cell, and no likelier than the cue is in the whole photo.
    """
    count, components, stats, _ = cv2.connectedComponentsWithStats((heat >= least).astype(np.uint8), connectivity=8)
    boxes = []
    for component in range(1, count):  # 0 is all the rest
        left, top, width, height, cells = (int(value) for value in stats[component])
        if cells < limits.least_box_cells:
            continue
        window = np.s_[top : top + height, left : left + width]
        inside = components[window] == component
        x, y = min(int(left * maps.scale), photo.width - 1), min(int(top * maps.scale), photo.height - 1)
        boxes.append(
            Box(
                x=x,
                y=y,
                width=max(1, min(round((left + width) * maps.scale), photo.width) - x),
                height=max(1, min(round((top + height) * maps.scale), photo.height) - y),
                score=round(min(float(heat[window][inside].max()), score), 6),
                zone=_zone(maps.zones[:, *window][:, inside], manifest),
                side=None if maps.sides is None else side_of(maps.sides[:, *window][:, inside], limits.least_side),
            )
        )
    boxes.sort(key=lambda box: (-box.score, -box.width * box.height, box.y, box.x))
    return tuple(boxes[: limits.most_boxes])


def side_of(probabilities: npt.NDArray[np.float32], least: float) -> Side | None:
    """The vehicle's side on which (sides, cells) lie, where it is sure to `least` on average; else None."""
    share = probabilities.mean(axis=1)
    sides: dict[str, Side] = {"left": "left", "right": "right"}
    return next((side for name, side in sides.items() if share[SIDES.index(name)] >= least), None)


def _zone(probabilities: npt.NDArray[np.float32], manifest: Manifest) -> str | None:
    """The zone most of (zones, cells) lies in; None where 'none' is likelier than all zones together."""
    share = probabilities.mean(axis=1)
    return manifest.zones[1 + int(share[1:].argmax())] if share[0] < 0.5 else None
