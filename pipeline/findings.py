"""All that was seen in one photo, as one line of findings.jsonl."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from pipeline.colour import colour_settings
from pipeline.coverage import zone_entries
from pipeline.cues import CueSettings, cue_settings, find_cues, side_of
from pipeline.known_points import find_heads
from pipeline.lettering import is_mirrored
from pipeline.network import Floats, Manifest, NetworkMaps
from pipeline.photos import photo_settings
from pipeline.records import Photo, PhotoFindings, Quality, Side


@dataclass(frozen=True, slots=True)
class Look:
    """The findings of one photo, and for each cue with boxes its heat: float32 (h, w), probability by cell."""

    findings: PhotoFindings
    heats: dict[str, Floats]


def look_at(
    photo: Photo, maps: NetworkMaps, quality: Quality, manifest: Manifest, settings: CueSettings | None = None
) -> Look:
    """Join what the network says of a photo with whether the photo can be judged.

    A photo that is not of a vehicle shows no zones and no cues, whatever its maps say; one that is unlike anything
    learnt cannot be judged, however crisp it is; one that is mirrored tells no sides and no places on a panel.
    """
    settings = settings or cue_settings()
    novelty = None if maps.novelty is None else round(maps.novelty, 4)
    if novelty is not None and novelty > 1:
        quality = quality.model_copy(update={"assessable": False})
    mirrored = _tells_a_side(maps, settings) and is_mirrored(photo, maps, manifest, photo_settings().lettering)
    if mirrored:
        maps = replace(maps, sides=None)  # its left is the vehicle's right
    cues, heats = find_cues(maps, photo, quality, manifest, settings)
    is_vehicle = maps.vehicle >= settings.looking.least_vehicle
    shown = zone_shares(maps, manifest, settings) if is_vehicle else {}
    can_place = is_vehicle and quality.assessable and not mirrored
    findings = PhotoFindings(
        advert=photo.advert,
        photo=photo.name,
        sha256=photo.sha256,
        width=photo.width,
        height=photo.height,
        shot={shot: round(probability, 6) for shot, probability in maps.shots.items()},
        quality=quality,
        vehicle=round(maps.vehicle, 6),
        cues=cues,
        novelty=novelty,
        zones=shown,
        sides=zone_sides(maps, manifest, shown, settings),
        heads=find_heads(maps, manifest, colour_settings().known_points) if can_place else (),
    )
    return Look(findings, heats)


def _tells_a_side(maps: NetworkMaps, settings: CueSettings) -> bool:
    """Whether any cell is sure of a side; reading letters takes time, and is for nothing where no side is told."""
    return (
        maps.sides is not None
        and maps.vehicle >= settings.looking.least_vehicle
        and bool((maps.sides[1:] >= settings.looking.least_side).any())
    )


def zone_shares(maps: NetworkMaps, manifest: Manifest, settings: CueSettings) -> dict[str, float]:
    """Share of the photo's area whose likeliest zone it is, by zone; what is under the least share is left out."""
    likeliest = maps.zones.argmax(axis=0)
    shares = np.bincount(likeliest.ravel(), minlength=len(manifest.zones)) / likeliest.size
    return {
        zone: round(float(share), 6)
        for zone, share in zip(manifest.zones[1:], shares[1:], strict=True)
        if share >= settings.looking.least_zone_share
    }


def zone_sides(maps: NetworkMaps, manifest: Manifest, shown: Iterable[str], settings: CueSettings) -> dict[str, Side]:
    """The vehicle's side on which each zone in `shown` lies, where the zone has sides and the network is sure."""
    if maps.sides is None:
        return {}
    likeliest = maps.zones.argmax(axis=0)
    known = zone_entries()
    found = {
        zone: side_of(maps.sides[:, likeliest == manifest.zones.index(zone)], settings.looking.least_side)
        for zone in shown
        if zone in known and known[zone].sided
    }
    return {zone: side for zone, side in found.items() if side is not None}
