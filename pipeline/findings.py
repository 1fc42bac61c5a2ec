"""All that was seen in one photo, as one line of findings.jsonl."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.cues import CueSettings, cue_settings, find_cues
from pipeline.network import Floats, Manifest, NetworkMaps
from pipeline.records import Photo, PhotoFindings, Quality


@dataclass(frozen=True, slots=True)
class Look:
    """The findings of one photo, and for each cue with boxes its heat: float32 (h, w), probability by cell."""

    findings: PhotoFindings
    heats: dict[str, Floats]


def look_at(
    photo: Photo, maps: NetworkMaps, quality: Quality, manifest: Manifest, settings: CueSettings | None = None
) -> Look:
    """Join what the network says of a photo with whether the photo can be judged.

    A photo that is not of a vehicle shows no zones and no cues, whatever its maps say.
    """
    settings = settings or cue_settings()
    cues, heats = find_cues(maps, photo, quality, manifest, settings)
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
        zones=zone_shares(maps, manifest, settings) if maps.vehicle >= settings.looking.least_vehicle else {},
    )
    return Look(findings, heats)


def zone_shares(maps: NetworkMaps, manifest: Manifest, settings: CueSettings) -> dict[str, float]:
    """Share of the photo's area whose likeliest zone it is, by zone; what is under the least share is left out."""
    likeliest = maps.zones.argmax(axis=0)
    shares = np.bincount(likeliest.ravel(), minlength=len(manifest.zones)) / likeliest.size
    return {
        zone: round(float(share), 6)
        for zone, share in zip(manifest.zones[1:], shares[1:], strict=True)
        if share >= settings.looking.least_zone_share
    }
