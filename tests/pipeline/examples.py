"""Made-up findings, results and pictures for the tests of what is written and shown."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
from PIL import Image

from pipeline import crops
from pipeline.records import (
    DETECTED_CUES,
    HISTORIES,
    SHOTS,
    Advert,
    AdvertDetails,
    AdvertResult,
    Box,
    CueFinding,
    Decision,
    Measure,
    Photo,
    PhotoFindings,
    Quality,
    Request,
    Weight,
)


def box(x: int = 400, y: int = 300, width: int = 90, height: int = 60, score: float = 0.9) -> Box:
    return Box(x=x, y=y, width=width, height=height, score=score, zone="hinge", side="left")


def photo_findings(
    name: str = "a.jpg",
    sha256: str = "ab" * 32,
    *,
    advert: str = "pellock-1",
    boxes: tuple[Box, ...] = (),
    cue: str = "painted_fastener",
    shot: str = "exterior",
    width: int = 800,
    height: int = 600,
    duplicate_of: str | None = None,
    also_in: tuple[str, ...] = (),
    assessable: bool = True,
    measures: tuple[Measure, ...] = (),
) -> PhotoFindings:
    cues = {name: CueFinding(score=0.02, assessable=True) for name in DETECTED_CUES}
    if boxes:
        cues[cue] = CueFinding(score=boxes[0].score, assessable=True, boxes=boxes)
    return PhotoFindings(
        advert=advert,
        photo=name,
        sha256=sha256,
        width=width,
        height=height,
        shot={kind: 0.91 if kind == shot else 0.01 for kind in SHOTS},
        quality=Quality(sharpness=0.6, exposure=0.1, assessable=assessable),
        vehicle=0.97,
        cues=cues,
        measures=measures,
        duplicate_of=duplicate_of,
        also_in=also_in,
    )


def photo_of(findings: PhotoFindings) -> Photo:
    """A smooth picture with a red patch where the first box is."""
    down, across = np.mgrid[0 : findings.height, 0 : findings.width]
    srgb = np.stack([90 + across // 20, 110 + down // 20, np.full_like(down, 120)], axis=2).astype(np.uint8)
    for finding in findings.cues.values():
        for place in finding.boxes:
            srgb[place.y : place.y + place.height, place.x : place.x + place.width] = (200, 30, 30)
    return Photo(findings.advert, findings.photo, findings.sha256, "0" * 16, srgb)


def heats_of(findings: PhotoFindings, stride: int = 4) -> dict[str, np.ndarray]:
    """Heat at a quarter of the photo's resolution: each box's score inside it, nothing elsewhere."""
    heats = {}
    for cue, finding in findings.cues.items():
        if finding.boxes:
            heat = np.zeros((findings.height // stride, findings.width // stride), np.float32)
            for place in finding.boxes:
                rows = slice(place.y // stride, (place.y + place.height) // stride)
                heat[rows, place.x // stride : (place.x + place.width) // stride] = place.score
            heats[cue] = heat
    return heats


def with_pictures(findings: PhotoFindings, out: Path) -> PhotoFindings:
    return crops.write_pictures(photo_of(findings), findings, heats_of(findings), out)


def weight_of(findings: PhotoFindings, decibans: float = 6.0, cue: str = "painted_fastener") -> Weight:
    place = findings.cues[cue].boxes[0]
    return Weight(
        cue=cue,
        zone=place.zone,
        side=place.side,
        photo=findings.photo,
        box=place,
        decibans=decibans,
        why="Hinge bolts carry body colour; this factory fitted them bare.",
    )


def clean_weight(zone: str = "bulkhead", decibans: float = -4.0, photo: str | None = None) -> Weight:
    return Weight(
        cue="overspray_hidden",
        zone=zone,
        photo=photo,
        box=None,
        decibans=decibans,
        why="Clean, and it takes days to mask.",
        found=False,
    )


def result(
    advert: str = "pellock-1",
    rank: int = 1,
    *,
    title: str | None = "Pellock wagon, Marl Green",
    weights: tuple[Weight, ...] = (),
    prior_decibans: float = 1.0,
    decision: Decision = "ask_first",
    price: float | None = 12500,
    photos: int = 1,
    set_aside: int = 0,
    notes: tuple[str, ...] = (),
    **further: object,
) -> AdvertResult:
    """A result whose weights add up, from the assumption given, to its probability."""
    odds = 10 ** ((prior_decibans + sum(weight.decibans for weight in weights)) / 10)
    refinished = odds / (1 + odds)
    history = {name: refinished / (len(HISTORIES) - 1) for name in HISTORIES} | {"factory": 1 - refinished}
    assert math.isclose(sum(history.values()), 1)
    return AdvertResult(
        advert=advert,
        title=title,
        rank=rank,
        history=history,
        refinished=refinished,
        refinished_range=(refinished * 0.8, min(1.0, refinished * 1.1)),
        weights=weights,
        coverage={"hinge": "seen", "bulkhead": "seen", "wiring": "not_seen", "door_shut": "not_assessable"},
        requests=(
            Request(
                zone="wiring",
                shot="engine_bay",
                gain_bits=0.42,
                text="Please photograph the wiring with the bonnet open.",
            ),
        ),
        decision=decision,
        reason="Hinge bolts carry body colour.",
        coats=1 if decision == "likely_refinished" else 0,
        price=price,
        currency=None if price is None else "EUR",
        photos=photos,
        set_aside=set_aside,
        notes=notes,
        **further,
    )


def advert(name: str = "pellock-1", **details: object) -> Advert:
    return Advert(name, AdvertDetails.model_validate(details), ())


def write_photo(path: Path, seed: int = 0, patch: tuple[int, int, int] | None = None) -> Path:
    """A crisp grey photo of 960 × 720 pixels, another for every seed, with a patch of colour where one is given."""
    rng = np.random.default_rng(seed)
    coarse = rng.integers(70, 190, (9, 12, 1)).repeat(80, axis=0).repeat(80, axis=1)
    srgb = np.clip(coarse + rng.integers(-12, 12, (720, 960, 1)), 0, 255).repeat(3, axis=2).astype(np.uint8)
    if patch is not None:
        srgb[320:400, 480:600] = patch
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(srgb).save(path, quality=92)
    return path
