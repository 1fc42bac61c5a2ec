"""Our own line drawing of a utility vehicle from the left, bonnet up and door off, to say where each zone lies."""

from __future__ import annotations

from dataclasses import dataclass

WIDTH, HEIGHT = 650, 275
WHEELS = ((148, 222), (474, 222))
LINES = (
    "M200 104 L226 48 M60 130 H186",  # windscreen, upper edge of the engine bay
    "M241 73 H321 V189 H221 V115 Z",  # the door's opening
    "M18 263 H636",  # ground
)


@dataclass(frozen=True, slots=True)
class Place:
    """A zone's shape (SVG path, even-odd), where its number stands, and where the number's line ends, if it has one."""

    path: str
    number: tuple[int, int]
    line_to: tuple[int, int] | None = None


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
