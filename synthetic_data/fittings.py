"""What is screwed on: number plates, the works of a door, wipers, and small things outside.

Bought in and never painted with the body; each thing is a few merged shapes. Sizes are common practice, no source.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import numpy as np
from pydantic import Field

from pipeline.configuration import Config, load, shipped
from synthetic_data.geometry import (
    Patch,
    Points,
    Vector,
    block,
    box,
    disc,
    line,
    loft,
    pads,
    patch,
    placed,
    resample,
    rounded_rectangle,
    smoothstep,
    sweep,
    tube,
)
from synthetic_data.lettering import joined, lettering, strip, text
from synthetic_data.running_gear import bar, bent, brick, by, cluster, lathe, nut

if TYPE_CHECKING:
    from synthetic_data.vehicle import Builder

PLUG = np.array([[0.0, 0.002], [0.7, 0.0025], [0.9, 0.002], [1.0, 0.0]])  # radius, height m; turned
KNOB = np.stack([np.sin(np.linspace(0, np.pi, 8)), np.cos(np.linspace(0, np.pi, 8))], 1)
BARREL = np.array([[0.0, 0.0032], [0.0062, 0.0032], [0.0068, 0.0044], [0.0100, 0.0036], [0.0106, -0.001]])
SCREW = np.array([[0.0, 0.016], [0.004, 0.016], [0.004, 0.007], [0.0055, 0.006], [0.0055, -0.006], [0.0, -0.006]])
FRONT_PLATE_M, REAR_PLATE_M, SQUARE_PLATE_M = (0.46, 0.104), (0.40, 0.11), (0.28, 0.19)  # width, height


class NumberPlates(Config):
    """`patterns` of letters (A) and digits (0); `colours` are finishes of sheet and letters, drawn evenly."""

    patterns: list[str]
    letters: str
    colours: list[tuple[str, str]]
    two_rows_probability: float = Field(ge=0, le=1)
    bend_m: float = Field(ge=0)


class Fitted(Config):
    """Shares of vehicles that have each thing."""

    mud_flaps: float = Field(ge=0, le=1)
    hitch: float = Field(ge=0, le=1)
    aerial: float = Field(ge=0, le=1)
    badge: float = Field(ge=0, le=1)
    stickers: float = Field(ge=0, le=1)
    radio: float = Field(ge=0, le=1)
    papers: float = Field(ge=0, le=1)
    load: float = Field(ge=0, le=1)


class Wheels(Config):
    """Holes in a disc, drawn evenly; their width as a share of what fits, grooves as a share of a new tyre's."""

    holes: list[int]
    hole_width: tuple[float, float]
    tread_left: tuple[float, float]


class FittingSettings(Config):
    """`configs/synthesis/fittings.yaml`."""

    number_plates: NumberPlates
    badges: list[str]
    fitted: Fitted
    wheels: Wheels
    load_items: tuple[int, int]


@cache
def fitting_settings() -> FittingSettings:
    """What the shipped configuration says of fittings."""
    return load(shipped("synthesis", "fittings.yaml"), FittingSettings)


def door(body: Builder, front_x: float, rear_x: float) -> None:
    """Latch, plugs, crank, pull and pocket of the left door, closed."""
    y, belt, sill = body.y, body.z_belt, body.z_sill
    skin, card = y - 0.05, y - 0.066
    middle = (front_x + rear_x) / 2
    plugs = [
        disc((x, skin - 0.001, z), (0, -1, 0), PLUG * [0.013, 1])
        for x, z in (
            *((x, sill + 0.118) for x in np.linspace(rear_x + 0.10, front_x - 0.10, 3)),
            (front_x - 0.06, belt - 0.20), (front_x - 0.06, sill + 0.30), (rear_x + 0.06, belt - 0.30),
        )
    ]  # fmt: skip
    body.add("door_plugs", plugs, "rubber", None, "rubber", side="left")
    studs = [
        disc((x, card, z), (0, -1, 0), PLUG * [0.008, 1])
        for x in (rear_x + 0.13, front_x - 0.13)
        for z in (belt - 0.075, sill + 0.155)
    ]
    crank = [
        disc((middle + 0.10, card, belt - 0.26), (0, -1, 0), np.array([[0, 0.02], [0.024, 0.018], [0.028, 0.0]])),
        tube(line((middle + 0.10, card - 0.018, belt - 0.26), (middle + 0.02, card - 0.03, belt - 0.32), 6), 0.006),
        disc((middle + 0.02, card - 0.05, belt - 0.32), (0, -1, 0), KNOB * [0.012, 0.02]),
    ]
    pull = np.array(
        [
            [middle - 0.16, card, belt - 0.17],
            [middle - 0.16, card - 0.045, belt - 0.175],
            [middle + 0.06, card - 0.045, belt - 0.175],
            [middle + 0.06, card, belt - 0.17],
        ]
    )
    lever = block((rear_x + 0.20, card - 0.012, belt - 0.14), (0.09, 0.012, 0.018), 0.004)
    pocket = loft(
        line((front_x - 0.16, card - 0.05, sill + 0.30), (rear_x + 0.22, card - 0.05, sill + 0.30), 6),
        line((front_x - 0.16, card - 0.03, sill + 0.17), (rear_x + 0.22, card - 0.03, sill + 0.17), 6),
        4,
    )
    works = [*studs, *crank, tube(resample(pull, 18), 0.011), *lever]
    body.add("door_works", works, "interior", None, "black", side="left")
    body.add("door_pocket", pocket, "interior", None, "trim", side="left", facing=(0, -1, 0))
    _latch(body, np.array([rear_x + 0.035, y - 0.060, belt - 0.12]))


def _latch(body: Builder, at: Points) -> None:
    """A door's latch about `at`: its case on a plate screwed to the inner sheet, in its end a slot with the claw."""
    screw = np.array([[0.0, 0.0005], [0.0022, 0.0005], [0.0028, 0.0016], [0.0052, 0.0006], [0.0056, 0.0], [0.0, 0.0]])
    end = at + by(-0.026, 0, 0)
    plates = [brick(at + by(0.004, 0.010, 0), (0.078, 0.112, 0.0025), z=(0, 1, 0), bevel=0.001),
              brick(end, (0.030, 0.086, 0.003), z=(1, 0, 0), x=(0, 1, 0), bevel=0.001)]  # fmt: skip
    plates += [lathe(at + by(dx, 0.0085, dz), (0, -1, 0), screw) for dx in (-0.028, 0.036) for dz in (-0.047, 0.047)]
    plates += [lathe(end + by(-0.0016, 0, dz), (-1, 0, 0), screw) for dz in (-0.033, 0.033)]
    claw = np.array(
        [[0, -0.016, -0.011], [0, 0.002, -0.011], [0, 0.007, -0.003], [0, 0.004, 0.006], [0, -0.008, 0.008]]
    )
    plates.append(bar(resample(end + by(-0.0015, 0, 0) + claw, 12), 0.0034))
    body.add("door_latch", cluster(plates), "bare_metal", "door_shut", "zinc", side="left")
    slot = brick(end + by(-0.0012, -0.004, 0), (0.022, 0.015, 0.002), z=(1, 0, 0), x=(0, 1, 0), bevel=0.0005)
    case = [brick(at, (0.048, 0.024, 0.080), bevel=0.003), slot]
    case.append(bar(line(at + by(0.02, -0.002, 0.035), at + by(0.16, -0.004, 0.005), 4), 0.0025))
    body.add("door_latch_case", cluster(case), "black_part", "door_shut", "black", side="left")


def striker(body: Builder, side: str, face_x: float) -> None:
    """The loop that a latch closes on, on its plate on a post whose face lies at `face_x`."""
    m = 1.0 if side == "left" else -1.0
    at = np.array([face_x + 0.0015, m * (body.y - 0.061), body.z_belt - 0.12])
    loop = [at + by(out, m * along, 0) for out, along in ((0, 0.012), (0.042, 0.012), (0.042, -0.012), (0, -0.012))]
    shapes = [brick(at, (0.042, 0.072, 0.004), z=(1, 0, 0), x=(0, 1, 0), bevel=0.0015), bar(bent(loop, 14), 0.0042)]
    body.add(f"striker.{side}", cluster(shapes), "bare_metal", "door_shut", "zinc", side=side)


def snorkel(body: Builder) -> None:
    """An air intake beside the windscreen: a trunk from its flanged foot on the wing to a head clamped on top."""
    x, y, wing, roof = body.door_front, body.y, body.z_wing, body.z_roof
    way = np.array(
        [
            (0.30, 0.018, wing - 0.115),
            (0.20, 0.034, wing - 0.075),
            (0.075, 0.046, wing - 0.02),
            (0.045, 0.046, wing + 0.16),
            (0.042, 0.042, roof - 0.20),
            (0.042, 0.042, roof - 0.02),
        ]
    ) + by(x, y, 0)
    section = rounded_rectangle(0.078, 0.060, 0.020, 25)
    trunk = sweep(section, bent(way, 40), np.array([0.0, 1.0, 0.0]))
    body.add("snorkel", trunk, "black_part", None, "black", side="left")
    foot = np.array([x + 0.28, y, wing - 0.112])
    head = np.array([x + 0.055, y + 0.042, roof + 0.035])
    moulded = [brick(foot + by(0, 0.003, 0), (0.24, 0.125, 0.008), z=(0, 1, 0), bevel=0.003),
               brick(foot + by(0.01, 0.020, 0), (0.17, 0.088, 0.042), z=(0, 1, 0), bevel=0.014),
               brick(head, (0.16, 0.092, 0.125), x=(1, 0, 0.10), bevel=0.016),
               brick(head + by(0.082, 0, 0.008), (0.012, 0.104, 0.137), x=(1, 0, 0.10), bevel=0.004)]  # fmt: skip
    stays = [(x + 0.042, y + 0.042, z) for z in (body.z_belt + 0.20, roof - 0.17)]
    for at in stays:
        moulded.append(brick(np.add(at, (-0.012, -0.020, 0)), (0.034, 0.10, 0.030), bevel=0.004))
    body.add("snorkel_mouldings", cluster(moulded), "black_part", None, "black", side="left")
    slats = pads([(-0.040, 0.040)], [(0.018 * k - 0.050, 0.018 * k - 0.042) for k in range(6)], 0.005)
    grille = slats.moved(placed(head + by(0.0885, 0, 0.0089), z=(1, 0, 0.10), x=(0, 1, 0)))
    body.add("snorkel_grille", grille, "black_part", None, "black", side="left", facing=(1, 0, 0))
    bright = [nut(foot + by(dx, 0.0065, dz), (0, 1, 0), 0.006) for dx in (-0.105, 0.0, 0.105) for dz in (-0.052, 0.052)]
    bright += [brick((x + 0.042, y + 0.042, at), (0.082, 0.064, 0.013), bevel=0.003)
               for at in (stays[0][2], stays[1][2], roof - 0.036)]  # fmt: skip
    bright += [lathe((x + 0.042, y + 0.076, roof - 0.036), (1, 0, 0), SCREW)]
    body.add("snorkel_fixings", cluster(bright), "bare_metal", None, "zinc", side="left")


def wipers(body: Builder, base: Points, up: Points, ahead: Points) -> None:
    """Two parked wipers: `base` is the middle of the windscreen's foot, `up` runs up the glass, `ahead` out of it."""
    aside = np.array([0.0, 1.0 if body.flip_details else -1.0, 0.0])
    for sign in (-1, 1):
        pivot = base + [0, 0.25 * sign, 0] + up * 0.045
        tip = pivot + aside * 0.36 + up * 0.075 + ahead * 0.016
        arm = tube(line(pivot + ahead * 0.024, (pivot + tip) / 2 + ahead * 0.020, 5), 0.0055, around=8)
        blade = placed((pivot + 2 * tip) / 3 + up * 0.004, z=ahead, x=tip - pivot)
        rubber = [
            p.moved(blade) for p in (*box((0.36, 0.010, 0.018), 0.003)[:2], *box((0.34, 0.004, 0.024), 0.001)[:1])
        ]
        cap = disc(pivot + ahead * 0.008, ahead, np.array([[0.0, 0.026], [0.011, 0.024], [0.014, 0.0], [0.02, -0.006]]))
        body.add(f"wiper{sign}", [arm, *rubber, cap], "black_part", None, "black")


def door_handle(body: Builder, rear_x: float) -> None:
    """The left door's handle: escutcheon with its screws, a bar on two feet, push button, lock with its key slot."""
    y, z = body.y, body.z_belt - 0.09
    plate = block((rear_x + 0.12, y + 0.002, z), (0.20, 0.055, 0.006), 0.003, z=(0, 1, 0))
    rim = block((rear_x + 0.155, y + 0.0055, z), (0.10, 0.034, 0.002), 0.0005, z=(0, 1, 0))
    bar = [(0.205, 0.004), (0.203, 0.026), (0.19, 0.032), (0.11, 0.033), (0.10, 0.028), (0.098, 0.004)]
    grip = tube(resample(np.array([(rear_x + along, y + out, z) for along, out in bar]), 22), 0.0085, around=10)
    body.add("door_handle", [*plate, *rim[:2], grip], "black_part", None, "black", side="left")
    button = disc((rear_x + 0.073, y + 0.005, z), (0, 1, 0), np.array([[0, 0.010], [0.009, 0.009], [0.0115, 0.0]]))
    ends = [disc((rear_x + x, y + 0.005, z), (0, 1, 0), PLUG * [0.0045, 0.8]) for x in (0.029, 0.211)]
    body.add("door_button", [button, *ends], "bare_metal", None, "chrome", side="left")
    lock(body, "door_lock", (rear_x + 0.047, y + 0.005, z), (0, 1, 0), side="left")


def lock(body: Builder, name: str, at: Vector, out: Vector, *, side: str | None = None) -> None:
    """A lock's barrel with the slot for its key."""
    body.add(name, disc(at, out, BARREL), "bare_metal", None, "chrome", side=side, facing=out)
    slot = strip([np.array([[0.0, -0.0035], [0.0, 0.0035]])], 0.0022, 0.0003).moved(
        placed(np.add(at, 0.0034 * np.asarray(out)), z=out)
    )
    body.add(f"{name}_slot", slot, "black_part", None, "dial", side=side, facing=out)


def check_strap(body: Builder, side: str, matrix: Points) -> None:
    """The strap that stops an open door: from the post to the door's inner edge. `matrix` opens the left door."""
    z = (body.z_sill + body.z_belt) / 2 + 0.05
    post = np.array([body.door_front - 0.004, body.y - 0.06, z])
    edge = matrix[:3, :3] @ np.add(post, (-0.05, 0.012, 0)) + matrix[:3, 3]
    if side == "right":
        post = post * [1, -1, 1]
    way = edge - post
    across = np.cross(way, [0.0, 0.0, 1.0])
    across /= np.linalg.norm(across)
    half = np.array([0, 0, 0.014])
    strap = loft(line(post + half, edge + half, 8), line(post - half, edge - half, 8), 3)
    body.add(f"door_check.{side}", strap, "black_part", "door_shut", "black", side=side, facing=across)


def outside(body: Builder) -> None:
    """Mirror glasses, number plates, a fuel filler, side repeaters, flares over the wheels, and what some have."""
    y = body.y
    for side in ("left", "right"):
        if side not in body.open_doors:
            m = 1.0 if side == "left" else -1.0
            near, far = ((body.door_front - 0.0015, m * (y + out), body.z_belt) for out in (0.075, 0.265))
            low, high = np.array([0, 0, 0.06]), np.array([0, 0, 0.18])
            glass = loft(line(near + high, far + high, 4), line(near + low, far + low, 4), 4)
            body.add(f"mirror_glass.{side}", glass, "bare_metal", None, "chrome", side=side, facing=(-1, 0, 0))
            foot = block(
                (body.door_front + 0.03, m * (y + 0.001), body.z_belt + 0.03), (0.05, 0.05, 0.010), 0.003, z=(0, m, 0)
            )
            body.add(f"mirror_foot.{side}", foot[:2], "black_part", None, "black", side=side)
    repeater = block(
        (body.front_axle - body.arch - 0.03, y + 0.006, body.z_wing - 0.10), (0.06, 0.028, 0.016), 0.006, z=(0, 1, 0)
    )
    body.add("side_repeater", repeater, "lamp", None, "amber", both=True)
    filler_x = (body.x_rear + body.rear_axle - body.arch) / 2
    cap = np.array([[0.0, 0.022], [0.030, 0.022], [0.034, 0.018], [0.036, 0.004], [0.050, 0.003], [0.053, -0.002]])
    body.add(
        "fuel_filler", disc((filler_x, y, body.z_belt - 0.14), (0, 1, 0), cap), "black_part", None, "black",
        side="left", facing=(0, 1, 0),
    )  # fmt: skip
    if body.fitting_rng.random() < 0.55:
        for name, x in (("front", body.front_axle), ("rear", body.rear_axle)):
            body.add(f"{name}_flare", _flare(body, x), "black_part", None, "black", both=True, facing=(0, 1, 0))
    rng = body.rng.spawn(1)[0]  # changes no other draw
    _number_plates(body, rng)
    has = {name: bool(rng.random() < share) for name, share in fitting_settings().fitted}
    if has["mud_flaps"]:
        _mud_flaps(body)
    if has["hitch"]:
        _hitch(body)
    if has["aerial"]:
        _aerial(body, rng)
    if not body.spare_behind:  # the wheel would stand before them
        _tail_handle(body)
    if has["badge"] and not body.spare_behind:
        _badge(body, str(rng.choice(fitting_settings().badges)))


def _number_plates(body: Builder, rng: np.random.Generator) -> None:
    """One number in front and behind, on the family's rear face in one row or two."""
    settings = fitting_settings().number_plates
    finishes = settings.colours[rng.integers(len(settings.colours))]
    number = "".join(
        {"A": rng.choice(list(settings.letters)), "0": str(rng.integers(10))}.get(sign, sign)
        for sign in str(rng.choice(settings.patterns))
    )
    first, _, second = number.partition(" ")
    is_square = rng.random() < settings.two_rows_probability or body.spare_behind  # beside the wheel
    rows = [first, second] if is_square else [number]
    front = (body.x_front + 0.086, 0.0, body.z_sill - 0.02)
    _number_plate(body, "front_plate", front, (1, 0, 0), FRONT_PLATE_M, [number], finishes, rng, settings.bend_m)
    size = REAR_PLATE_M if len(rows) == 1 else SQUARE_PLATE_M
    _number_plate(body, "rear_plate", body.rear_plate_at, (-1, 0, 0), size, rows, finishes, rng, settings.bend_m)


def _number_plate(
    body: Builder,
    name: str,
    at: Vector,
    out: Vector,
    size: tuple[float, float],
    rows: list[str],
    finishes: tuple[str, str],
    rng: np.random.Generator,
    bend_m: float,
) -> None:
    """A pressed sheet with raised edge and letters on its holder, two screws in it, its corners a little bent."""
    (width, height), out = size, np.asarray(out, float)
    corners, curl = rng.uniform(-0.3, 1, 4) * bend_m, rng.uniform(-0.3, 0.3) * bend_m
    place = placed(at, z=out, x=(0, out[0], 0))

    def bent(flat: Patch) -> Patch:
        u, v = 2 * flat.points[..., 0] / width, 2 * flat.points[..., 1] / height
        off = curl * v * (1 - np.abs(u))
        for k, depth in enumerate(corners):
            near = 0.6 * u * (-1, 1, 1, -1)[k] + 0.9 * v * (-1, -1, 1, 1)[k]
            off = off + depth * smoothstep(0.75, 1.5, near) * 1.4
        return patch(flat.points + off[..., None] * [0, 0, 1]).moved(place)

    body.add(
        name, [bent(one) for one in box((width, height, 0.0016), 0.0006)[:2]], "plate", None, finishes[0], facing=out
    )
    edge = rounded_rectangle(width - 0.010, height - 0.010, 0.010, 61)
    tall = min((height - 0.024) / len(rows) - 0.008 * (len(rows) - 1), 0.082)
    strokes = [
        stroke
        for k, row in enumerate(rows)
        for stroke in text(row, tall, (0, (0.5 * len(rows) - 0.5 - k) * (tall + 0.014)), width=width - 0.05)
    ]
    stroke_m = min(0.15 * tall, 0.011)
    ink = joined(strip(strokes, stroke_m, 0.0007), strip([edge], 0.003, 0.0007))
    raised = ink.moved(placed((0, 0, 0.0010)))
    body.add(f"{name}_letters", bent(raised), "plate", None, finishes[1], facing=out)
    holder = block(np.subtract(at, 0.0035 * out), (width + 0.012, height + 0.012, 0.005), 0.001, z=out, x=(0, 1, 0))
    body.add("plate_holder" if out[0] > 0 else "rear_plate_holder", holder[:2], "black_part", None, "black")
    for sign in (-1, 1):  # number plates are riveted or screwed on anywhere: no sign
        body.fastener(
            f"{name}_rivet{sign}", np.add(at, (0.0012 * out[0], (width / 2 - 0.017) * sign, 0.0)), out,
            kind="pop" if body.flip_details else "slot", radius=0.0045, finish="bare", zone=None, panel="",
        )  # fmt: skip


def _mud_flaps(body: Builder) -> None:
    """Rubber behind each wheel, its corners round, clamped under a strip on an angle that hangs from the floor."""
    for name, axle in (("front", body.front_axle), ("rear", body.rear_axle)):
        x, low, high = axle - body.arch + 0.012, 0.52 * body.axle_z, body.z_sill - 0.02
        share, up = np.meshgrid(np.linspace(-1, 1, 9), np.linspace(low, high, 12), indexing="ij")
        round_m = 0.05
        narrow = round_m - np.sqrt(np.maximum(round_m**2 - np.maximum(low + round_m - up, 0) ** 2, 0))
        across = body.y - 0.136 + (0.124 - narrow) * share
        sag = 0.05 * ((high - up) / (high - low)) ** 2 + 0.006 * np.sin(18 * across + axle)
        sag = sag + 0.012 * share**2 * (high - up) / (high - low) + 0.003 * np.sin(40 * up + 9 * share)
        flap = np.stack([x - sag, across, up], -1)
        both = np.concatenate([flap, flap[::-1] - [0.006, 0, 0], flap[:1]])
        body.add(f"{name}_flap", patch(both), "black_part", None, "rubber", both=True)
        middle = np.array([x, body.y - 0.136, high - 0.028])
        strip_ = [brick(middle + by(0.003, 0, 0), (0.235, 0.032, 0.003), z=(1, 0, 0), x=(0, 1, 0)),
                  brick(middle + by(-0.009, 0, 0.012), (0.235, 0.056, 0.003), z=(1, 0, 0), x=(0, 1, 0)),
                  brick(middle + by(-0.024, 0, 0.044), (0.034, 0.235, 0.003)),
                  *(nut(middle + by(0.0045, dy, 0), (1, 0, 0), 0.007) for dy in (-0.095, 0.0, 0.095))]  # fmt: skip
        body.add(f"{name}_flap_strip", cluster(strip_), "bare_metal", None, "zinc", both=True)


def _hitch(body: Builder) -> None:
    """A ball on its bent neck under the tow plate, the socket for a trailer's lamps beside it."""
    x, z = body.x_rear - 0.035, body.z_chassis + 0.02
    neck = resample(
        np.array([[x, 0, z - 0.02], [x - 0.09, 0, z - 0.025], [x - 0.13, 0, z], [x - 0.13, 0, z + 0.05]]), 14
    )
    ball = disc((x - 0.13, 0, z + 0.072), (0, 0, 1), KNOB * 0.025)
    body.add("hitch", [tube(neck, 0.016), ball], "bare_metal", None, "cast")
    shell = np.array([[0.0, 0.030], [0.021, 0.030], [0.024, 0.024], [0.024, 0.018], [0.028, 0.016], [0.028, -0.02]])
    cable = resample(np.array([[x + 0.01, 0.17, z], [x + 0.03, 0.18, z - 0.07], [x + 0.2, 0.24, z - 0.05]]), 12)
    socket = [disc((x, 0.17, z), (-1, 0, 0), shell), tube(cable, 0.006, around=8)]
    body.add("hitch_socket", socket, "black_part", None, "black")


def _aerial(body: Builder, rng: np.random.Generator) -> None:
    """A rod on a wing."""
    at = np.array([body.door_front + 0.26, (body.y - 0.05) * (1 if rng.random() < 0.5 else -1), body.z_wing])
    socket = np.array([[0.0, 0.03], [0.006, 0.03], [0.009, 0.012], [0.02, 0.008], [0.022, 0]])
    rod = line(at, np.add(at, (rng.uniform(-0.25, -0.05), 0.0, rng.uniform(0.6, 0.9))), 5)
    body.add("aerial", [disc(at, (0, 0, 1), socket), tube(rod, 0.0016, around=6)], "black_part", None, "black")


def _tail_handle(body: Builder) -> None:
    """A paddle in its frame with a lock beside it, in the middle of the tailgate, above a badge's bolts."""
    down = 0.05 if body.family.badge_bolts else 0.115
    out, at = np.array([-1.0, 0.0, 0.0]), np.array([body.x_rear - 0.006, 0.0, body.z_belt - down])
    frame = block(at, (0.19, 0.066, 0.008), 0.003, z=out, x=(0, 1, 0))
    paddle = block(
        at + 0.010 * out + np.array([0, 0.022, 0.003]), (0.11, 0.040, 0.010), 0.004, z=(-1, 0, -0.22), x=(0, 1, 0)
    )
    body.add("tail_handle", [*frame[:2], *paddle[:2]], "black_part", None, "black")
    lock(body, "tail_lock", at + 0.004 * out - np.array([0, 0.064, 0]), out)


def _badge(body: Builder, words: str) -> None:
    """A bright word on a black plate at the rear."""
    at = np.array([body.x_rear - 0.006, -0.30 * body.y, body.z_belt - 0.085])
    wide = 0.031 * len(words) + 0.018
    plate = block(at, (wide, 0.046, 0.008), 0.002, z=(-1, 0, 0), x=(0, 1, 0))
    body.add("rear_badge", plate[:2], "black_part", None, "black")
    letters = lettering(words, 0.029, weight=1.1).moved(placed(at - [0.0041, 0, 0], z=(-1, 0, 0), x=(0, -1, 0)))
    body.add("rear_badge_letters", letters, "bare_metal", None, "chrome", facing=(-1, 0, 0))


def _flare(body: Builder, axle_x: float) -> Patch:
    """The plastic lip over a wheel arch."""
    low = np.arcsin(np.clip((body.z_sill - body.axle_z) / body.arch, -1, 1)) + 0.03
    theta = np.linspace(low, np.pi - low, 44)
    rings = [(0.032, 0.001), (0.030, 0.012), (0.018, 0.034), (0.004, 0.044), (-0.006, 0.040), (-0.008, 0.004)]
    rows = [
        np.stack(
            [
                axle_x + (body.arch + reach) * np.cos(theta),
                np.full(theta.shape, body.y + out + 0.8 * body.pressings.arch_lip_m * (reach < 0.03)),
                body.axle_z + (body.arch + reach) * np.sin(theta),
            ],
            1,
        )
        for reach, out in rings
    ]
    return patch(np.stack(rows))
