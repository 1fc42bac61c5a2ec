"""What is screwed on: the works of a door, the driver's place, and small things outside.

Bought in and never painted with the body; each thing is a few merged shapes. Sizes are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from synthetic_data.geometry import (
    Patch,
    Points,
    Vector,
    box,
    line,
    loft,
    patch,
    placed,
    resample,
    tube,
    turned,
)

if TYPE_CHECKING:
    from synthetic_data.vehicle import Builder

PLUG = np.array([[0.0, 0.002], [0.7, 0.0025], [0.9, 0.002], [1.0, 0.0]])  # radius, height m; turned
KNOB = np.stack([np.sin(np.linspace(0, np.pi, 8)), np.cos(np.linspace(0, np.pi, 8))], 1)


def door(body: Builder, front_x: float, rear_x: float) -> None:
    """Latch, plugs, crank, pull and pocket of the left door, closed."""
    y, belt, sill = body.y, body.z_belt, body.z_sill
    skin, card = y - 0.05, y - 0.066
    middle = (front_x + rear_x) / 2
    plugs = [
        _disc((x, skin - 0.001, z), (0, -1, 0), PLUG * [0.013, 1])
        for x, z in (
            *((x, sill + 0.118) for x in np.linspace(rear_x + 0.10, front_x - 0.10, 3)),
            (front_x - 0.06, belt - 0.20), (front_x - 0.06, sill + 0.30), (rear_x + 0.06, belt - 0.30),
        )
    ]  # fmt: skip
    body.add("door_plugs", plugs, "rubber", None, "rubber", side="left")
    studs = [
        _disc((x, card, z), (0, -1, 0), PLUG * [0.008, 1])
        for x in (rear_x + 0.13, front_x - 0.13)
        for z in (belt - 0.075, sill + 0.155)
    ]
    crank = [
        _disc((middle + 0.10, card, belt - 0.26), (0, -1, 0), np.array([[0, 0.02], [0.024, 0.018], [0.028, 0.0]])),
        tube(line((middle + 0.10, card - 0.018, belt - 0.26), (middle + 0.02, card - 0.03, belt - 0.32), 6), 0.006),
        _disc((middle + 0.02, card - 0.05, belt - 0.32), (0, -1, 0), KNOB * [0.012, 0.02]),
    ]
    pull = np.array(
        [
            [middle - 0.16, card, belt - 0.17],
            [middle - 0.16, card - 0.045, belt - 0.175],
            [middle + 0.06, card - 0.045, belt - 0.175],
            [middle + 0.06, card, belt - 0.17],
        ]
    )
    lever = _block((rear_x + 0.20, card - 0.012, belt - 0.14), (0.09, 0.012, 0.018), 0.004)
    pocket = loft(
        line((front_x - 0.16, card - 0.05, sill + 0.30), (rear_x + 0.22, card - 0.05, sill + 0.30), 6),
        line((front_x - 0.16, card - 0.03, sill + 0.17), (rear_x + 0.22, card - 0.03, sill + 0.17), 6),
        4,
    )
    works = [*studs, *crank, tube(resample(pull, 18), 0.011), *lever]
    body.add("door_works", works, "interior", None, "black", side="left")
    body.add("door_pocket", pocket, "interior", None, "trim", side="left", facing=(0, -1, 0))
    latch = _block((rear_x + 0.012, y - 0.048, belt - 0.12), (0.03, 0.034, 0.075), 0.004)
    body.add("door_latch", latch, "bare_metal", "door_shut", "zinc", side="left")


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
        cap = _disc(
            pivot + ahead * 0.008, ahead, np.array([[0.0, 0.026], [0.011, 0.024], [0.014, 0.0], [0.02, -0.006]])
        )
        body.add(f"wiper{sign}", [arm, *rubber, cap], "black_part", None, "black")


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


def cab(body: Builder) -> None:
    """Instruments, switches, levers, pedals, mats, visors, mirror, belts."""
    y, sill, belt = body.y, body.z_sill, body.z_belt
    bulkhead = body.door_front
    driver = 1.0 if body.flip_details else -1.0
    face = bulkhead - 0.175
    binnacle = _block((face + 0.03, driver * 0.36, belt - 0.06), (0.10, 0.34, 0.15), 0.02)
    dials, rims = list[Patch](), list[Patch]()
    for dy, radius in ((-0.075, 0.052), (0.06, 0.052), (0.135, 0.022)):
        at = (face - 0.022, driver * 0.36 + dy, belt - 0.05)
        dials.append(_disc(at, (-1, 0, 0.15), np.array([[0.0, 0.001], [0.95, 0.001]]) * [radius, 1]))
        rims.append(
            _disc(
                at, (-1, 0, 0.15), np.array([[0.93, 0.001], [0.96, 0.008], [1.06, 0.006], [1.08, -0.004]]) * [radius, 1]
            )
        )
        needle = line((0, -0.3 * radius, 0.003), (0.45 * radius, 0.65 * radius, 0.003), 3)
        rims.append(tube(needle, 0.0012, around=5).moved(placed(at, z=(-1, 0, 0.15))))
    body.add("binnacle", binnacle, "interior", None, "trim")
    body.add("dials", dials, "interior", None, "dial", facing=(-1, 0, 0))
    body.add("dial_rims", rims, "interior", None, "chrome")
    switches = [
        shape
        for k in range(5)
        for shape in _knob((face - 0.012, 0.032 * (k - 2) - 0.02, belt - 0.10), (0.018, 0.028, 0.022))
    ]
    slat, z = np.meshgrid([-0.055, 0.055], np.linspace(-0.024, 0.024, 13))
    depth = face - 0.004 - 0.008 * (np.arange(13) % 4 == 1)[:, None] + 0 * slat
    vents = [patch(np.stack([depth, middle + slat, belt - 0.03 + z], -1)) for middle in (-0.16, 0.16)]
    rail = np.array(
        [[face, -driver * 0.20, belt - 0.02], [face - 0.05, -driver * 0.22, belt - 0.02],
         [face - 0.05, -driver * 0.56, belt - 0.02], [face, -driver * 0.58, belt - 0.02]]
    )  # fmt: skip
    stalks = [
        tube(
            line((face - 0.06, driver * 0.36, belt - 0.02), (face - 0.09, driver * 0.36 + dy, belt + 0.01), 5),
            0.006,
            around=8,
        )
        for dy in (-0.15, 0.15)
    ]
    body.add(
        "dash_controls",
        [*switches, *vents, *stalks, tube(resample(rail, 20), 0.011, around=10)],
        "interior",
        None,
        "black",
    )
    pedals = list[Patch]()
    for dy, wide in ((-0.10, 0.055), (0.0, 0.055), (0.10, 0.04)):
        foot = np.array([bulkhead - 0.05, driver * 0.34 + dy, sill + 0.17])
        pedals += [p.moved(placed(foot, z=(-1, 0, 0.35), x=(0, 1, 0))) for p in box((wide, 0.07, 0.012), 0.003)]
        stem = np.add(foot, [(0.01, 0, 0.02), (0.06, 0, 0.16), (0.12, 0, 0.28)])
        pedals.append(tube(resample(stem, 8), 0.008, around=8))
    body.add("pedals", pedals, "interior", None, "black")
    ribs = np.linspace(-y + 0.10, y - 0.10, 60)
    wave = np.stack([np.zeros(60), ribs, 0.004 * (np.arange(60) % 2)], 1)
    front, back = (np.add(wave, (bulkhead + x, 0, sill + 0.018)) for x in (0.04, -0.55))
    mats = loft(front, back, 4)
    body.add("mats", mats, "interior", None, "mat", facing=(0, 0, 1))
    tunnel = _block((bulkhead - 0.30, 0, sill + 0.08), (0.62, 0.26, 0.16), 0.04)
    body.add("tunnel", tunnel, "interior", None, "mat")
    levers, knobs = list[Patch](), list[Patch]()
    for x, side, tall, lean in ((-0.34, 0.07, 0.26, 0.02), (-0.42, -0.06, 0.20, -0.02)):
        foot = np.array([bulkhead + x, side, sill + 0.15])
        top = np.add(foot, (-0.03, lean, 0.01 + tall))
        levers.append(tube(line(foot, top, 5), 0.007, around=8))
        levers.append(_disc(foot, (0, 0, 1), np.array([[0.008, 0.07], [0.022, 0.05], [0.03, 0.03], [0.05, 0.0]])))
        knobs.append(_disc(top, (0, 0, 1), KNOB * [0.018, 0.022]))
    brake = resample(
        np.array(
            [
                [bulkhead - 0.52, 0.15, sill + 0.16],
                [bulkhead - 0.40, 0.15, sill + 0.24],
                [bulkhead - 0.33, 0.15, sill + 0.32],
            ]
        ),
        10,
    )
    body.add("levers", [*levers, tube(brake, 0.012, around=8)], "interior", None, "black")
    body.add("lever_knobs", knobs, "interior", None, ("red", "lining", "black")[int(body.fitting_rng.integers(3))])
    header_x, header_z = body.screen_top_x - 0.04, body.z_roof - 0.10
    visors = [
        p.moved(placed((header_x - 0.05, sign * 0.36, header_z), z=(0.25, 0, 1)))
        for sign in (-1, 1)
        for p in box((0.13, 0.42, 0.016), 0.006)
    ]
    body.add("visors", visors, "interior", None, "lining")
    mirror = _block((header_x - 0.03, 0, header_z - 0.06), (0.02, 0.20, 0.055), 0.008)
    stem = tube(line((header_x - 0.02, 0, header_z - 0.05), (header_x + 0.03, 0, header_z + 0.02), 4), 0.006, around=8)
    body.add("inner_mirror", [*mirror, stem], "interior", None, "black")
    for sign in (-1, 1):
        post = np.array([body.door_rear - 0.03, sign * (y - 0.09), 0.0])
        top, hip = np.add(post, (0, 0, belt + 0.22)), np.add(post, (0.20, -sign * 0.06, sill + 0.34))
        belt_path = resample(np.array([top, np.add((top + hip) / 2, (0.03, -sign * 0.02, 0)), hip]), 12)
        half = np.array([0.022, 0.0, 0.006])
        strap = loft(belt_path + half, belt_path - half, 3)
        body.add(f"belt{sign}", strap, "interior", None, "black", facing=(0.3, -sign, 0))


def outside(body: Builder) -> None:
    """Mirror glasses, plate holders, a fuel filler, side repeaters, flares over the wheels."""
    y = body.y
    for side in ("left", "right"):
        if side not in body.open_doors:
            m = 1.0 if side == "left" else -1.0
            near, far = ((body.door_front - 0.0015, m * (y + out), body.z_belt) for out in (0.075, 0.265))
            low, high = np.array([0, 0, 0.06]), np.array([0, 0, 0.18])
            glass = loft(line(near + high, far + high, 4), line(near + low, far + low, 4), 4)
            body.add(f"mirror_glass.{side}", glass, "bare_metal", None, "chrome", side=side, facing=(-1, 0, 0))
    holder = _block((body.x_front + 0.0825, 0, body.z_sill - 0.02), (0.004, 0.48, 0.118), 0.001)
    body.add("plate_holder", holder, "black_part", None, "black")
    repeater = [
        p.moved(placed((body.front_axle - body.arch - 0.03, y + 0.006, body.z_wing - 0.10), z=(0, 1, 0)))
        for p in box((0.06, 0.028, 0.016), 0.006)
    ]
    body.add("side_repeater", repeater, "lamp", None, "amber", both=True)
    filler_x = (body.x_rear + body.rear_axle - body.arch) / 2
    cap = np.array([[0.0, 0.022], [0.030, 0.022], [0.034, 0.018], [0.036, 0.004], [0.050, 0.003], [0.053, -0.002]])
    body.add(
        "fuel_filler", _disc((filler_x, y, body.z_belt - 0.14), (0, 1, 0), cap), "black_part", None, "black",
        side="left", facing=(0, 1, 0),
    )  # fmt: skip
    if body.fitting_rng.random() < 0.55:
        for name, x in (("front", body.front_axle), ("rear", body.rear_axle)):
            body.add(f"{name}_flare", _flare(body, x), "black_part", None, "black", both=True, facing=(0, 1, 0))


def _flare(body: Builder, axle_x: float) -> Patch:
    """The plastic lip over a wheel arch."""
    low = np.arcsin(np.clip((body.z_sill - body.axle_z) / body.arch, -1, 1)) + 0.03
    theta = np.linspace(low, np.pi - low, 44)
    rings = [(0.032, 0.001), (0.030, 0.012), (0.018, 0.034), (0.004, 0.044), (-0.006, 0.040), (-0.008, 0.004)]
    rows = [
        np.stack(
            [
                axle_x + (body.arch + reach) * np.cos(theta),
                np.full(theta.shape, body.y + out),
                body.axle_z + (body.arch + reach) * np.sin(theta),
            ],
            1,
        )
        for reach, out in rings
    ]
    return patch(np.stack(rows))


def _disc(at: Vector, axis: Vector, profile: Points) -> Patch:
    return turned(profile, 18 if profile[:, 0].max() < 0.03 else 36).flipped().moved(placed(at, z=axis))


def _knob(at: Vector, size: Sequence[float]) -> list[Patch]:
    """A small block that looks backwards from the dash, without the side that nobody sees."""
    return [p.moved(placed(at, z=(-1, 0, 0), x=(0, 1, 0))) for p in box(size, 0.003)[:2]]


def _block(centre: Vector, size: Sequence[float], bevel: float) -> list[Patch]:
    return [p.moved(placed(centre)) for p in box(size, bevel)]
