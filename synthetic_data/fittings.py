"""What is screwed on: the works of a door, wipers, and small things outside.

Bought in and never painted with the body; each thing is a few merged shapes. Sizes are common practice, no source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from synthetic_data.geometry import (
    Patch,
    Points,
    block,
    box,
    disc,
    line,
    loft,
    patch,
    placed,
    resample,
    tube,
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
    latch = block((rear_x + 0.012, y - 0.048, belt - 0.12), (0.03, 0.034, 0.075), 0.004)
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
        cap = disc(pivot + ahead * 0.008, ahead, np.array([[0.0, 0.026], [0.011, 0.024], [0.014, 0.0], [0.02, -0.006]]))
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
    holder = block((body.x_front + 0.0825, 0, body.z_sill - 0.02), (0.004, 0.48, 0.118), 0.001)
    body.add("plate_holder", holder, "black_part", None, "black")
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
