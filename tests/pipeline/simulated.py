"""Adverts simulated from the weighing's own model: a history, what it left, photos of some of it, a network that errs.

Where the model that weighs is the model that made the adverts, its probabilities must come true. Nothing here is a
measurement of anything: shares, views and the network are made up.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from PIL import Image
from scipy.stats import norm

from models.calibrate import LEVELS, proportion
from pipeline.build_sheets import BuildSheet
from pipeline.coverage import cue_entries, shot_entries, zone_entries
from pipeline.histories import SIDES, PaintModel, WeighingSettings
from pipeline.records import (
    DETECTED_CUES,
    HISTORIES,
    ZONES,
    Box,
    CueFinding,
    CueRates,
    Level,
    PhotoFindings,
    Quality,
    Side,
)

# shares of views in an advert: those of the generator (configs/synthesis/adverts.yaml), without papers
SHOTS = {"exterior": 0.16, "rear": 0.06, "door_open": 0.10, "interior": 0.04, "underside": 0.06, "close_up": 0.58}
WIDTH, HEIGHT = 1600, 1200
LEAST_OF_A_PHOTO = 3e-5  # 24 pixels of 1024 by 768: less of a cue in a zone is no box of its own
PREVALENCE = 0.2  # of a cue among the photos that the network was evaluated on


@dataclass(frozen=True)
class SimulatedNetwork:
    """How well the simulated network tells each of its cues."""

    cues: tuple[str, ...]
    sensitivity: float = 0.85
    false_alarm: float = 0.02

    @property
    def separation(self) -> float:
        """Distance of the two score distributions in standard deviations (the binormal model of signal detection)."""
        return float(norm.ppf(self.sensitivity) - norm.ppf(self.false_alarm))

    def score(self, shown: bool, rng: np.random.Generator) -> float:
        """A calibrated probability: its weight of evidence is normal with variance twice its mean (Good 1950)."""
        weight = rng.normal((1 if shown else -1) * self.separation**2 / 2, self.separation)
        odds = np.exp(weight) * PREVALENCE / (1 - PREVALENCE)
        return float(odds / (1 + odds))

    @cached_property
    def levels(self) -> tuple[tuple[float, float, float], ...]:
        """The limit, then lower ones: score, sensitivity and false alarms at each."""
        false_alarms = (self.false_alarm, *(share for share in LEVELS if share > self.false_alarm))
        normal = [float(norm.ppf(1 - share)) for share in false_alarms]  # of a weight where the cue is absent
        weights = [self.separation * (z - self.separation / 2) for z in normal]
        scores = [PREVALENCE / (PREVALENCE + (1 - PREVALENCE) * float(np.exp(-weight))) for weight in weights]
        found = [float(norm.sf(z - self.separation)) for z in normal]
        return tuple(zip(scores, found, false_alarms, strict=True))

    def rates(self, photos: int = 4000) -> dict[str, CueRates]:
        """What an evaluation on this many photos would say."""
        positives = round(PREVALENCE * photos)

        def interval(share: float, count: int) -> tuple[float, float, float]:
            return proportion(round(share * count), count)

        levels = tuple(
            Level(
                score=score,
                sensitivity=interval(found, positives),
                false_alarm=interval(false_alarm, photos - positives),
            )
            for score, found, false_alarm in self.levels
        )
        rates = CueRates(
            sensitivity=levels[0].sensitivity,
            false_alarm=levels[0].false_alarm,
            positives=positives,
            negatives=photos - positives,
            levels=levels,
        )
        return dict.fromkeys(self.cues, rates)


def simulate(
    count: int,
    sheet: BuildSheet,
    settings: WeighingSettings,
    network: SimulatedNetwork,
    shares: Mapping[str, float],
    seed: int,
    photos: tuple[int, int] = (7, 11),
) -> Iterator[tuple[str, list[PhotoFindings]]]:
    """`count` adverts as (true history, findings); `shares`: of each history among them."""
    model = PaintModel(settings, sheet)
    rng = np.random.default_rng(seed)
    chances = np.array([shares.get(history, 0.0) for history in HISTORIES])
    by_history = {h: [k for k, state in enumerate(model.states) if state.history == h] for h in HISTORIES}
    there = {
        (cue, zone, side): model.there(cue, zone, side)
        for cue in network.cues
        for zone in cue_entries()[cue].zones
        for side in _sides(zone)
    }
    for number in range(count):
        history = HISTORIES[rng.choice(len(HISTORIES), p=chances / chances.sum())]
        states = by_history[history]
        within = np.exp([model.states[k].log_chance for k in states])
        state = states[rng.choice(len(states), p=within / within.sum())]
        holds = {}
        for cue in network.cues:
            combinations = np.array([chance for chance, _ in model.causes(cue)])
            holds[cue] = rng.choice(len(combinations), p=combinations / combinations.sum())
        truth = {place: rng.random() < p[state, holds[place[0]]] for place, p in there.items()}
        taken = range(rng.integers(photos[0], photos[1] + 1))
        yield history, [_photo(f"a{number:04d}", k, truth, settings, network, rng) for k in taken]


def _sides(zone: str) -> tuple[Side | None, ...]:
    return SIDES if zone_entries()[zone].sided else (None,)


def _photo(
    advert: str,
    number: int,
    truth: Mapping[tuple[str, str, Side | None], bool],
    settings: WeighingSettings,
    network: SimulatedNetwork,
    rng: np.random.Generator,
) -> PhotoFindings:
    shot = str(rng.choice(list(SHOTS), p=np.array(list(SHOTS.values())) / sum(SHOTS.values())))
    shows = shot_entries()[shot].shows
    most = {"close_up": 2, "exterior": 6}.get(shot, len(shows))
    in_view = [str(zone) for zone in rng.permutation(shows)[: rng.integers(1, most + 1)]]
    side = SIDES[rng.integers(2)]
    told = rng.random() < 0.7
    reach = settings.looks.reach[shot]
    cues = {}
    for cue in DETECTED_CUES:
        places = [zone for zone in in_view if zone in cue_entries()[cue].zones]
        if cue not in network.cues:
            cues[cue] = CueFinding(score=None, assessable=False)
            continue
        present = [z for z in places if truth[cue, z, side if zone_entries()[z].sided else None]]
        seen = bool(present) and rng.random() < reach
        score = network.score(seen, rng)
        boxes: tuple[Box, ...] = ()
        if score > network.levels[-1][0] and (present if seen else places):
            zone = str(rng.choice(present if seen else places))
            shown_side = side if told and zone_entries()[zone].sided else None
            boxes = (Box(x=100, y=100, width=80, height=60, score=score, zone=zone, side=shown_side),)
        cues[cue] = CueFinding(score=score, assessable=True, boxes=boxes)
    return PhotoFindings(
        advert=advert,
        photo=f"{number:02d}.jpg",
        sha256="0" * 64,
        width=WIDTH,
        height=HEIGHT,
        shot={shot: 1.0},
        quality=Quality(sharpness=0.7, exposure=0.0, assessable=True),
        vehicle=0.99,
        cues=cues,
        zones=dict.fromkeys(in_view, 0.08),
        sides={zone: side for zone in in_view if told and zone_entries()[zone].sided},
    )


def network_on_labels(folder: Path, network: SimulatedNetwork, seed: int) -> Iterator[PhotoFindings]:
    """What the simulated network would find in the photos of a synthetic set, from the set's labels and planes.

    Views, places and what is truly to be seen there are the set's, only the scores are drawn. A cue that the labels
    call unknown is drawn as absent.
    """
    from pycocotools import mask as rle

    rng = np.random.default_rng(seed)
    table = pd.read_parquet(folder / "images.parquet")
    content = json.loads((folder / "annotations.json").read_text(encoding="utf-8"))
    cues = {category["id"]: category["name"] for category in content["categories"]}
    files = {image["id"]: image["file_name"] for image in content["images"]}
    masks: dict[tuple[str, str], list[Any]] = {}
    for note in content["annotations"]:
        masks.setdefault((Path(files[note["image_id"]]).name, cues[note["category_id"]]), []).append(
            note["segmentation"]
        )
    for row in table.itertuples():
        name = Path(str(row.file)).name
        plane = folder / "dense" / f"{Path(name).stem}.png"
        if not plane.exists():
            continue
        dense = np.asarray(Image.open(plane).convert("RGB"))
        zone, side = np.where(dense[..., 1] < len(ZONES) + 1, dense[..., 1], 0), dense[..., 2]
        labels = {cue: getattr(row, f"cue_{cue}") for cue in network.cues}
        present = {cue: None if label is pd.NA else int(label) for cue, label in labels.items()}
        seen = {cue: [rle.decode(c).astype(bool) for c in masks.get((name, cue), [])] for cue in network.cues}
        visible = pd.notna(row.vehicle_visible) and row.vehicle_visible == 1
        yield photo_of_planes(str(row.advert), name, str(row.shot), zone, side, present, seen, network, rng, visible)


def photo_of_planes(
    advert: str,
    photo: str,
    shot: str,
    zone: npt.NDArray[np.uint8],
    side: npt.NDArray[np.uint8],
    present: Mapping[str, int | None],
    masks: Mapping[str, Sequence[npt.NDArray[np.bool_]]],
    network: SimulatedNetwork,
    rng: np.random.Generator,
    shows_vehicle: bool = True,
) -> PhotoFindings:
    """What the simulated network finds in one photo, given its planes (H, W), and cues that are there with masks.

    An alarm for a cue that is there lies on its masks, another one on any place where the cue is looked for.
    """
    shares = np.bincount(zone.ravel(), minlength=len(ZONES) + 1) / zone.size
    in_view = [k for k in range(1, len(ZONES) + 1) if shares[k] >= 0.0005]
    found = {}
    for cue in DETECTED_CUES:
        if cue not in network.cues:
            found[cue] = CueFinding(score=None, assessable=False)
            continue
        is_there = present.get(cue) == 1
        score = network.score(is_there, rng)
        boxes: list[Box] = []
        if score > network.levels[-1][0]:
            for mask in masks.get(cue, ()) if is_there else ():
                boxes += _boxes_by_zone(mask, zone, side, score)
            places = [k for k in in_view if ZONES[k - 1] in cue_entries()[cue].zones]
            if not boxes and places:
                boxes = _boxes_by_zone(zone == int(rng.choice(places)), zone, side, score)
        found[cue] = CueFinding(score=score, assessable=True, boxes=tuple(boxes[:20]))
    return PhotoFindings(
        advert=advert,
        photo=photo,
        sha256="0" * 64,
        width=zone.shape[1],
        height=zone.shape[0],
        shot={shot: 1.0},
        quality=Quality(sharpness=0.7, exposure=0.0, assessable=True),
        vehicle=0.99 if shows_vehicle else 0.01,
        cues=found,
        zones={ZONES[k - 1]: float(shares[k]) for k in in_view},
        sides={ZONES[k - 1]: told for k in in_view if (told := _told(side[zone == k]))},
    )


def _told(cells: npt.NDArray[np.uint8]) -> Side | None:
    """The side on which at least four fifths of the pixels lie."""
    counts = np.bincount(cells[cells < 3], minlength=3) / max(len(cells), 1)
    return "left" if counts[1] >= 0.8 else "right" if counts[2] >= 0.8 else None


def _boxes_by_zone(
    mask: npt.NDArray[np.bool_], zone: npt.NDArray[np.uint8], side: npt.NDArray[np.uint8], score: float
) -> list[Box]:
    """A box around each zone's part of a mask."""
    boxes = []
    for k in np.unique(zone[mask]):
        part = mask & (zone == k)
        if part.sum() < LEAST_OF_A_PHOTO * mask.size:
            continue
        rows, columns = np.flatnonzero(part.any(axis=1)), np.flatnonzero(part.any(axis=0))
        boxes.append(
            Box(
                x=int(columns[0]),
                y=int(rows[0]),
                width=int(columns[-1] - columns[0] + 1),
                height=int(rows[-1] - rows[0] + 1),
                score=score,
                zone=ZONES[k - 1] if k else None,
                side=_told(side[part]),
            )
        )
    return boxes
