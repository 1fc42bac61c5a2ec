"""One sheet a place: every sighting there in one advert side by side, since that is how a person compares them.

What helps most comes first: a sighting counts by how unsure the network is of it (the entropy of its score, in bits)
times what it would weigh in the advert if a person called it a sign (decibans, by the build sheet).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import log2
from typing import Literal

from pipeline.build_sheets import BuildSheet
from pipeline.colour import ColourSettings, is_finding
from pipeline.coverage import distinct_photos, zone_entries
from pipeline.evidence import decibans, measured_ratio, sign_decibans
from pipeline.histories import PaintModel, WeighingSettings
from pipeline.judging.answers import Answer, Mark, Place, item_of, sighting_of
from pipeline.records import DETECTED_CUES, ZONES, Box, Measure, PhotoFindings, Side

Origin = Literal["network", "measured", "reader"]
CUT_LEAST_PX = (400, 300)  # a sign without its surroundings cannot be judged; all pictures of a sheet have one shape
CUT_CONTEXT = 0.5  # share of the box added on each side


@dataclass(frozen=True, slots=True)
class Sighting:
    """One thing to judge: a cue at a place of one photo.

    `score` is the network's calibrated probability, None where it has none; `cut` is the part of the photo to show;
    `benefit` is in bits times decibans.
    """

    sha256: str
    photo: str
    item: str
    origin: Origin
    cue: str
    place: Place
    zone: str | None
    side: Side | None
    score: float | None
    measure: Measure | None
    cut: Place
    benefit: float


@dataclass(frozen=True, slots=True)
class Sheet:
    """One place of one advert (None: a place that no photo tells): what was seen there and the photos that show it."""

    zone: str | None
    sightings: tuple[Sighting, ...]
    photos: tuple[PhotoFindings, ...]

    @property
    def benefit(self) -> float:
        return max((sighting.benefit for sighting in self.sightings), default=0.0)


class SignWeights:
    """What a sign at a place weighs by one build sheet, computed once a place: adverts have hundreds of sightings."""

    def __init__(self, build_sheet: BuildSheet, settings: WeighingSettings) -> None:
        self.model = PaintModel(settings, build_sheet)
        self._known: dict[tuple[str, str | None, Side | None], float] = {}

    def decibans(self, cue: str, zone: str | None, side: Side | None) -> float:
        """How much a sign there would move the answer, either way."""
        place = (cue, zone, side)
        if place not in self._known:
            self._known[place] = abs(sign_decibans(cue, zone, side, self.model))
        return self._known[place]


def sheets_of(findings: Sequence[PhotoFindings], weights: SignWeights, colour: ColourSettings) -> tuple[Sheet, ...]:
    """All sheets of one advert, the one that helps most first; a place that photos show without a sighting comes last.

    `findings` are those of the screening, not as judged; of photos that repeat each other one is shown.
    """
    photos = distinct_photos(findings)
    by_zone: dict[str | None, list[Sighting]] = {}
    for photo in photos:
        for sighting in _sightings(photo, weights, colour):
            by_zone.setdefault(sighting.zone, []).append(sighting)
    least = weights.model.settings.looks.least_share
    shown = {zone: [photo for photo in photos if photo.zones.get(zone, 0.0) >= least] for zone in ZONES}
    sheets = []
    for zone in (*ZONES, None):
        seen = by_zone.get(zone, [])
        here = shown[zone] if zone else []
        names = {sighting.photo for sighting in seen} | {photo.photo for photo in here}
        if names:
            ordered = sorted(seen, key=lambda sighting: (-sighting.benefit, sighting.photo, sighting.item))
            sheets.append(Sheet(zone, tuple(ordered), tuple(photo for photo in photos if photo.photo in names)))
    return tuple(sorted(sheets, key=lambda sheet: (not sheet.sightings, -sheet.benefit)))


def _sightings(photo: PhotoFindings, weights: SignWeights, colour: ColourSettings) -> Iterator[Sighting]:
    for cue, finding in photo.cues.items():
        for box in finding.boxes if cue in DETECTED_CUES else ():
            zone = _known(box.zone)
            benefit = entropy_bits(box.score) * weights.decibans(cue, zone, box.side)
            yield Sighting(
                photo.sha256, photo.photo, item_of(cue, box), "network", cue, Place.of(box), zone, box.side, box.score,
                None, around(Place.of(box), photo), benefit,
            )  # fmt: skip
    for measure in photo.measures:
        if measure.cue in DETECTED_CUES or not measure.regions or not is_finding(measure, colour):
            continue
        region: Box = measure.regions[0]
        ratio = measured_ratio(measure, weights.model.sheet, weights.model.settings) or 1.0
        benefit = entropy_bits(ratio / (1 + ratio)) * abs(decibans(ratio))
        yield Sighting(
            photo.sha256, photo.photo, item_of(measure.cue, region), "measured", measure.cue, Place.of(region),
            _known(measure.zone), region.side, None, measure, around(Place.of(region), photo), benefit,
        )  # fmt: skip


def added_sighting(answer: Answer, photo: PhotoFindings) -> Sighting | None:
    """A mark that a reader added, as something to see and judge; None where the answer is none or was withdrawn."""
    mark = answer.content
    if not isinstance(mark, Mark) or mark.verdict == "withdrawn" or sighting_of(answer.item) is not None:
        return None
    return Sighting(
        photo.sha256, photo.photo, answer.item, "reader", mark.cue, mark.box, mark.zone, mark.side, None, None,
        around(mark.box, photo), 0.0,
    )  # fmt: skip


def entropy_bits(probability: float) -> float:
    """How unsure a yes or no of this probability is: 1 bit at even odds, 0 where it is certain (Shannon 1948)."""
    return -sum(p * log2(p) for p in (probability, 1 - probability) if p > 0)


def around(place: Place, photo: PhotoFindings) -> Place:
    """The part of the photo to show for a place: it with its surroundings, inside the photo."""
    least_width, least_height = CUT_LEAST_PX
    wanted = 1 + 2 * CUT_CONTEXT
    scale = max(wanted * place.width / least_width, wanted * place.height / least_height, 1.0)

    def along(start: int, length: int, size: int) -> int:
        return max(start + length // 2 - size // 2, 0)

    width, height = (
        min(round(scale * least), limit) for least, limit in ((least_width, photo.width), (least_height, photo.height))
    )
    return Place(
        x=min(along(place.x, place.width, width), photo.width - width),
        y=min(along(place.y, place.height, height), photo.height - height),
        width=width,
        height=height,
    )


def _known(zone: str | None) -> str | None:
    return zone if zone in zone_entries() else None
