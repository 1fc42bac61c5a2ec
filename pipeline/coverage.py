"""Which places the photos let us judge, and how well. A place that no photo shows is not seen, never clean."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from functools import cache

from pydantic import BaseModel, ConfigDict, Field

from pipeline.configuration import Config, load, shipped
from pipeline.records import DETECTED_CUES, ZONES, AdvertDetails, PhotoFindings, Probability, ZoneState


class Entry(BaseModel):
    """Base of one entry of the shared vocabularies; keys that other stages need are not read here."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    label: str


class ZoneEntry(Entry):
    """One place: whether the vehicle has it on both sides, and the minutes to take off or mask what is there."""

    sided: bool
    effort_min: float = Field(gt=0)


class ShotEntry(Entry):
    """One kind of view and the zones it can show well enough to judge."""

    shows: tuple[str, ...]


class CueEntry(Entry):
    """One sign of refinishing: the zones where it is looked for, and the group of cues that share its cause."""

    group: str
    zones: tuple[str, ...]
    agrees: str | None = None


class _Zones(Config):
    zones: dict[str, ZoneEntry]


class _Shots(Config):
    shots: dict[str, ShotEntry]


class _Cues(Config):
    cues: dict[str, CueEntry]


@cache
def zone_entries() -> Mapping[str, ZoneEntry]:
    return load(shipped("zones.yaml"), _Zones).zones


@cache
def shot_entries() -> Mapping[str, ShotEntry]:
    return load(shipped("shots.yaml"), _Shots).shots


@cache
def cue_entries() -> Mapping[str, CueEntry]:
    return load(shipped("cues.yaml"), _Cues).cues


class LookSettings(Config):
    """When a photo shows a place well enough.

    `reach`: by shot, the share of the network's measured sensitivity that such a view has for small signs;
    `covered`: by zone, the share of vehicles where fresh underseal or the like hides them and no photo tells so;
    `least_share`: share of the photo's area that the zone must fill; `least_reach`: under it, the zone was not looked
    at; `least_vehicle`: a photo less probably of a vehicle is left out.
    """

    reach: dict[str, Probability]
    covered: dict[str, Probability]
    least_share: Probability
    least_reach: Probability
    least_vehicle: Probability


class Cover(Config):
    """What hides small signs: words of a seller that tell of it, and the zones where nothing is judged then."""

    words: tuple[str, ...] = Field(min_length=1)
    zones: tuple[str, ...] = Field(min_length=1)


def hidden_zones(details: AdvertDetails, covers: Sequence[Cover]) -> dict[str, str]:
    """Zones whose small signs something hides, by what is said of it: `advert.yaml` (`hidden`), or title and notes.

    A word is looked for at the beginning of words, without regard to case.
    """
    text = f"{details.title or ''}\n{details.notes or ''}".casefold()
    said: dict[str, str] = {}
    for cover in covers:
        word = next((w for w in cover.words if re.search(rf"\b{re.escape(w.casefold())}", text)), None)
        if word is not None:
            said |= {zone: word for zone in cover.zones if zone not in said}
    return dict.fromkeys(details.hidden, "hidden") | {z: w for z, w in said.items() if z not in details.hidden}


def distinct_photos(findings: Sequence[PhotoFindings]) -> tuple[PhotoFindings, ...]:
    """One photo of each set of repeats: the one that can be judged, then the largest, then the first by name.

    The answer does not depend on the order of the findings.
    """
    repeats: defaultdict[str, list[PhotoFindings]] = defaultdict(list)
    for photo in findings:
        repeats[photo.duplicate_of or photo.photo].append(photo)
    best = (min(same, key=_quality_key) for same in repeats.values())
    return tuple(sorted(best, key=lambda photo: photo.photo))


def _quality_key(photo: PhotoFindings) -> tuple[bool, int, bool, str]:
    return (
        not photo.quality.assessable,
        -photo.width * photo.height,
        photo.duplicate_of is not None,
        photo.photo,
    )


def of_the_vehicle(findings: Sequence[PhotoFindings], settings: LookSettings) -> tuple[PhotoFindings, ...]:
    """The distinct photos that show a vehicle at all."""
    return tuple(photo for photo in distinct_photos(findings) if photo.vehicle >= settings.least_vehicle)


def reach_of_view(photo: PhotoFindings, settings: LookSettings) -> float:
    """How much of the network's sensitivity this view has, averaged over what kind of shot it may be (0 to 1)."""
    return sum(p * settings.reach.get(shot, 0.0) for shot, p in photo.shot.items())


def reach_at(zone: str, shot: str, settings: LookSettings) -> float:
    """How much of the network's sensitivity a view of one kind has at a zone (0 to 1)."""
    return settings.reach.get(shot, 0.0) * (1 - settings.covered.get(zone, 0.0))


def zones_shown(photo: PhotoFindings, settings: LookSettings) -> dict[str, float]:
    """Zones that the photo shows well enough, with its reach there (0 to 1).

    A zone counts where it fills `least_share` of the photo and the kind of shot is one that can show it
    (`configs/shots.yaml`); a photo that may be either of two shots has the average of their reaches. Where a cover that
    no photo tells of is common (`covered`), a look reaches that much less.
    """
    reach: dict[str, float] = {}
    for zone, share in photo.zones.items():
        if share < settings.least_share:
            continue
        showing = (shot for shot, entry in shot_entries().items() if zone in entry.shows)
        here = sum(photo.shot.get(shot, 0.0) * reach_at(zone, shot, settings) for shot in showing)
        if here >= settings.least_reach:
            reach[zone] = here
    return reach


def can_judge(photo: PhotoFindings, zone: str) -> bool:
    """Whether at least one cue that is looked for in the zone can be judged in this photo.

    A zone where no cue is looked for by the network (the identification plate) needs only a photo that can be judged.
    """
    if not photo.quality.assessable:
        return False
    sought = [cue for cue in DETECTED_CUES if zone in cue_entries()[cue].zones]
    return not sought or any(cue in photo.cues and photo.cues[cue].assessable for cue in sought)


def best_reach(findings: Sequence[PhotoFindings], settings: LookSettings) -> dict[str, float]:
    """For every zone that was seen, the reach of the best photo of it (0 to 1)."""
    best: dict[str, float] = {}
    for photo in of_the_vehicle(findings, settings):
        for zone, reach in zones_shown(photo, settings).items():
            if can_judge(photo, zone):
                best[zone] = max(reach, best.get(zone, 0.0))
    return best


def coverage_of(
    findings: Sequence[PhotoFindings], settings: LookSettings, hidden: Collection[str] = ()
) -> dict[str, ZoneState]:
    """The state of every zone of the vehicle.

    `seen`: a distinct photo shows it well enough and at least one of its cues can be judged there. `not_assessable`:
    shown only where nothing can be judged (blurred, dark, too small), or `hidden` under fresh underseal or wax.
    `not_seen`: not shown.
    """
    seen = set(best_reach(findings, settings)) - set(hidden)
    shown = {zone for photo in of_the_vehicle(findings, settings) for zone in zones_shown(photo, settings)}
    return {zone: "seen" if zone in seen else "not_assessable" if zone in shown else "not_seen" for zone in ZONES}
