"""Our own line drawing of a utility vehicle, bonnet up and door off, to say where each zone lies.

One outline serves both sides (the right is the left in a mirror). What differs between families comes from the build
sheet: a load bed in place of the closed body, and where rows of rivets run.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import svg
from markupsafe import Markup

from pipeline.build_sheets import BuildSheet
from pipeline.records import Side
from pipeline.report.charts import markup, plain

Tone = Literal["refinish", "factory", "plain", "unseen"]

WIDTH, HEIGHT = 650, 275
WHEELS = ((148, 222), (474, 222))
LINES = (
    "M200 104 L226 48 M60 130 H186",  # windscreen, upper edge of the engine bay
    "M241 73 H321 V189 H221 V115 Z",  # the door's opening
    "M18 263 H636",  # ground
)
BED = "bed"  # the panel by which a build sheet says that the vehicle is a pickup
SIGNS: Mapping[Tone, str] = {"refinish": "+", "factory": "−", "plain": "", "unseen": ""}


@dataclass(frozen=True, slots=True)
class Place:
    """A zone's shape (SVG path, even-odd), where its number stands, and where the number's line ends, if it has one."""

    path: str
    number: tuple[int, int]
    line_to: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True)
class Mark:
    """What the drawing says of one zone: its number in the table, its name, and how it is filled."""

    zone: str
    number: int
    name: str
    tone: Tone


PLACES = {
    "roof": Place("M220 40 H600 V54 H216 Z", (420, 20), (420, 44)),
    "bonnet": Place("M200 98 L150 14 L141 19 L191 104 Z", (118, 34), (149, 33)),
    "bulkhead": Place("M188 92 H200 V128 H188 Z", (160, 82), (190, 98)),
    "wiring": Place(
        "M110 113 C120 99 130 123 142 110 S164 121 178 107 V116 C164 131 154 107 142 119 S120 108 110 122 Z",
        (128, 84),
        (134, 112),
    ),
    "under_bonnet_bracket": Place("M82 128 V102 H102 V110 H92 V128 Z", (66, 82), (86, 102)),
    "identification_plate": Place("M170 133 h18 v11 h-18 z", (152, 158), (172, 144)),
    "front_trim_clip": Place("M48 134 H58 V190 H48 Z", (24, 162), (48, 162)),
    "wing_front": Place("M62 132 H196 V204 H190 A46 46 0 0 0 106 204 H62 Z", (88, 166)),
    "hinge": Place("M197 122 h13 v12 h-13 z M197 170 h13 v12 h-13 z", (178, 176), (198, 176)),
    "door_shut": Place("M232 58 H336 V204 H206 V108 Z M237 66 V66 L214 112 V196 H328 V66 Z", (258, 150), (210, 150)),
    "door_seal": Place("M237 66 H328 V196 H214 V112 Z M241 73 L221 115 V189 H321 V73 Z", (292, 150), (325, 150)),
    "floor": Place("M230 189 H312 V195 H230 Z", (275, 175), (275, 192)),
    "sill_rail": Place("M204 206 H340 V213 H204 Z", (272, 246), (272, 210)),
    "chassis_rail": Place("M70 215 H596 V225 H70 Z", (380, 246), (380, 220)),
    "tub_side": Place("M342 114 H594 V204 H516 A46 46 0 0 0 432 204 H342 Z", (474, 148)),
    "body_seam": Place("M342 107 H596 V112 H342 Z", (548, 134), (526, 110)),
    "glazing_seal": Place(
        "M352 62 H470 V104 H352 Z M360 70 V96 H462 V70 Z M482 62 H590 V104 H482 Z M490 70 V96 H582 V70 Z",
        (411, 83),
        (464, 83),
    ),
    "decal": Place("M356 140 h34 v16 h-34 z", (373, 180), (373, 154)),
    "tub_rear": Place("M597 56 H607 V204 H597 Z", (629, 120), (605, 120)),
    "rear_crossmember": Place("M594 206 H614 V226 H594 Z", (632, 240), (612, 220)),
}

# on a pickup: the roof ends with the cab, its rear window takes the place of the side windows, the rear is the tailgate
PICKUP_PLACES = {
    "roof": Place("M220 40 H352 V54 H216 Z", (300, 18), (300, 44)),
    "glazing_seal": Place("M338 58 H352 V108 H338 Z M342 63 V103 H348 V63 Z", (378, 72), (350, 76)),
    "tub_rear": Place("M597 114 H607 V204 H597 Z", (629, 150), (605, 150)),
}
# where the rivets of a zone run, if its build sheet has riveted joints there
RIVETS = {
    "wing_front": "M72 141 H188",
    "tub_side": "M352 123 H586",
    "tub_rear": "M602 122 V198",
    "door_shut": "M331 66 V198",
    "rear_crossmember": "M599 216 H611",
    "roof": "M226 47 H346",
    "bulkhead": "M194 97 V124",
}


def places(sheet: BuildSheet) -> Mapping[str, Place]:
    """The shapes of every zone on a vehicle of this family."""
    return {**PLACES, **PICKUP_PLACES} if BED in sheet.known_panels else PLACES


def vehicle(sheet: BuildSheet, marks: Sequence[Mark], side: Side, described: str) -> Markup:
    """The vehicle from one side, every marked zone filled and numbered; `described` is its text for who hears it."""
    shapes = places(sheet)
    drawn = [mark for mark in marks if mark.zone in shapes]
    pattern = svg.Pattern(
        id=f"hatching-{side}",
        width=6,
        height=6,
        patternUnits="userSpaceOnUse",
        patternTransform=[svg.Rotate(45)],
        elements=[_line("hatching", "M0 0v6")],
    )
    body: list[svg.Element] = [
        *(_line("outline", line) for line in LINES),
        *(_zone(shapes[mark.zone].path, mark, side) for mark in drawn),
        *(_line("rivets", RIVETS[zone]) for zone in RIVETS if _is_riveted(sheet, zone)),
        *(
            svg.Circle(class_=[kind], cx=x, cy=y, r=radius)
            for x, y in WHEELS
            for kind, radius in (("wheel", 40), ("outline", 17))
        ),
    ]
    mirror: list[svg.Transform] = [] if side == "left" else [svg.Translate(WIDTH, 0), svg.Scale(-1, 1)]
    elements: list[svg.Element] = [svg.Defs(elements=[pattern]), svg.G(transform=mirror or None, elements=body)]
    for mark in drawn:
        elements += _number(shapes[mark.zone], mark, side)
    return markup(
        svg.SVG(
            viewBox=svg.ViewBoxSpec(0, 0, WIDTH, HEIGHT),
            extra={"role": "img", "aria-label": plain(described)},
            elements=elements,
        )
    )


def _line(kind: str, path: str) -> svg.Path:
    return svg.Path(class_=[kind], extra={"d": path})


def _zone(path: str, mark: Mark, side: Side) -> svg.Path:
    hatched = {"style": f"fill:url(#hatching-{side})"} if mark.tone == "unseen" else {}
    return svg.Path(
        class_=["zone", mark.tone],
        fill_rule="evenodd",
        extra={"d": path, **hatched},
        elements=[svg.Title(text=plain(mark.name))],
    )


def _is_riveted(sheet: BuildSheet, zone: str) -> bool:
    return any(joint.fastening in ("rivet_painted", "rivet_bare") for joint in sheet.joints_in(zone))


def _number(place: Place, mark: Mark, side: Side) -> list[svg.Element]:
    def across(x: int) -> int:
        return x if side == "left" else WIDTH - x

    x, y = across(place.number[0]), place.number[1]
    leader = (
        []
        if place.line_to is None
        else [svg.Line(class_=["leader"], x1=x, y1=y, x2=across(place.line_to[0]), y2=place.line_to[1])]
    )
    text = f"{mark.number}{SIGNS[mark.tone]}"
    return [
        *leader,
        svg.Circle(class_=["number-ground", mark.tone], cx=x, cy=y, r=11 if len(text) < 3 else 14),
        svg.Text(x=x, y=y + 4, text=text),
    ]
