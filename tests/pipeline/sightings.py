"""Findings made by hand, for the tests of weighing: what a photo shows, and where the network raised an alarm."""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.histories import WeighingSettings
from pipeline.records import DETECTED_CUES, HISTORIES, Box, CueFinding, CueRates, Measure, PhotoFindings, Quality, Side

TAUGHT = ("overspray_rubber", "overspray_hidden", "painted_fastener", "filled_seam", "masking_edge", "wear_through")
RATES = {
    cue: CueRates(sensitivity=(0.72, 0.8, 0.86), false_alarm=(0.01, 0.02, 0.035), positives=300, negatives=900)
    for cue in TAUGHT
}

OUTSIDE = ("wing_front", "bonnet", "roof", "tub_side", "tub_rear", "glazing_seal", "body_seam")
DOOR = ("door_shut", "door_seal", "sill_rail", "hinge", "bulkhead")
ENGINE = ("bulkhead", "under_bonnet_bracket", "wiring", "wing_front")
REAR = ("tub_rear", "rear_crossmember", "body_seam")


def box(zone: str | None, side: Side | None = None, score: float = 0.9, x: int = 10) -> Box:
    return Box(x=x, y=20, width=40, height=30, score=score, zone=zone, side=side)


def alarm(zone: str | None, side: Side | None = None, score: float = 0.97) -> CueFinding:
    return CueFinding(score=score, assessable=True, boxes=(box(zone, side, score),))


def photo(
    name: str,
    shot: str = "close_up",
    zones: tuple[str, ...] = (),
    alarms: Mapping[str, CueFinding] | None = None,
    *,
    score: float = 0.01,
    taught: tuple[str, ...] = TAUGHT,
    assessable: bool = True,
    vehicle: float = 0.99,
    duplicate_of: str | None = None,
    also_in: tuple[str, ...] = (),
    measures: tuple[Measure, ...] = (),
    size: tuple[int, int] = (1600, 1200),
    advert: str = "advert",
    sides: Mapping[str, Side] | None = None,
) -> PhotoFindings:
    """One photo that shows `zones` (a twentieth of its area each); cues without alarm have `score`."""
    cues = {
        cue: CueFinding(score=score, assessable=True) if cue in taught else CueFinding(score=None, assessable=False)
        for cue in DETECTED_CUES
    }
    return PhotoFindings(
        advert=advert,
        photo=name,
        sha256="0" * 64,
        width=size[0],
        height=size[1],
        shot={shot: 1.0},
        quality=Quality(sharpness=0.9, exposure=0.0, assessable=assessable),
        vehicle=vehicle,
        cues=cues | dict(alarms or {}),
        measures=measures,
        zones=dict.fromkeys(zones, 0.05),
        sides=dict(sides or {}),
        duplicate_of=duplicate_of,
        also_in=also_in,
    )


def clean_advert() -> list[PhotoFindings]:
    """A vehicle shown well, without any alarm."""
    return [
        photo("front.jpg", "exterior", OUTSIDE),
        photo("side.jpg", "exterior", OUTSIDE),
        photo("door.jpg", "door_open", DOOR),
        photo("engine.jpg", "engine_bay", ENGINE),
        photo("rear.jpg", "rear", REAR),
        photo("glass.jpg", "close_up", ("glazing_seal",)),
        photo("hinge.jpg", "close_up", ("hinge",)),
    ]


def refinished_advert() -> list[PhotoFindings]:
    """A vehicle shown as well, with signs of a job all over."""
    return [
        photo("front.jpg", "exterior", OUTSIDE),
        photo(
            "door.jpg",
            "door_open",
            DOOR,
            {"painted_fastener": alarm("hinge", "left"), "masking_edge": alarm("door_shut", "left")},
        ),
        photo("engine.jpg", "engine_bay", ENGINE, {"overspray_hidden": alarm("wiring")}),
        photo("rear.jpg", "rear", REAR),
        photo("glass.jpg", "close_up", ("glazing_seal",), {"overspray_rubber": alarm("glazing_seal", "left")}),
    ]


def textbook(factory: float, sensitivity: float, false_alarm: float) -> tuple[WeighingSettings, dict[str, CueRates]]:
    """One cue that is always there after a job and never before, no cap, no innocent cause: a plain diagnostic test."""
    every_job = dict.fromkeys(HISTORIES[1:], 1.0)
    content = WeighingSettings.shipped().model_dump()
    content["prior"] = {"factory": factory} | dict.fromkeys(HISTORIES[1:], (1 - factory) / 5)
    content["cap_decibans"] = 200
    whole = {"regions": {"whole": 1.0}, "care": {"usual": 1.0}}
    content["jobs"] = dict.fromkeys(HISTORIES[1:], whole)
    content["cues"] = {"overspray_rubber": {"untouched": 0, "job": every_job, "escapes_by": "nothing"}}
    rates = CueRates(sensitivity=(sensitivity,) * 3, false_alarm=(false_alarm,) * 3, positives=500, negatives=500)
    return WeighingSettings.model_validate(content), {"overspray_rubber": rates}
