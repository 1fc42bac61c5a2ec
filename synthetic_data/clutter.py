"""What lies about in a vehicle: a load in the tub or behind the seats, papers on the dash, stickers in the windscreen.

The same on all vehicles, and of none of their materials. Sizes are common practice, no source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from synthetic_data.fittings import fitting_settings
from synthetic_data.geometry import (
    Patch,
    Points,
    block,
    disc,
    line,
    loft,
    pads,
    patch,
    placed,
    resample,
    tube,
)
from synthetic_data.lettering import lettering, lines, strip

if TYPE_CHECKING:
    from synthetic_data.vehicle import Builder

PRINT = (["WASHER", "WATER 2 L"], ["OIL 10W 40", "FILTER", "SERVICE"], ["TYRES", "2 0 BAR", "2 4 BAR"])


def strew(body: Builder) -> None:
    """Load, papers and stickers of those vehicles that have some."""
    rng = body.rng.spawn(1)[0]  # changes no other draw
    fitted = fitting_settings().fitted
    draws = rng.random(3) < [fitted.load, fitted.papers, fitted.stickers]
    if draws[0]:
        _load(body, rng)
    if draws[1]:
        at = np.array([body.door_front - 0.06, rng.uniform(-0.25, 0.25), body.z_belt + 0.0145])
        _papers(body, at, rng)
    if draws[2]:
        _stickers(body, rng)


def _load(body: Builder, rng: np.random.Generator) -> None:
    """Some of a can, a crate, a coil of rope and a tool box on the floor behind the cab or the seats."""
    is_open = body.family.body not in ("wagon", "station")
    z = body.z_sill + (0.182 if is_open else 0.006)
    front, rear = (body.cab_rear - 0.10 if is_open else body.door_rear - 0.30), body.x_rear + 0.12
    makers = (_can, _crate, _rope, _tool_box)
    low, high = fitting_settings().load_items
    chosen = rng.permutation(len(makers))[: int(rng.integers(low, high + 1))]
    for place, k in zip(rng.permutation(4), chosen, strict=False):
        x = front + (rear - front) * (0.25 if place < 2 else 0.72) + rng.uniform(-0.08, 0.08)
        y = (body.y - 0.54) * (1 if place % 2 else -1) + rng.uniform(-0.06, 0.06)
        turn = rng.uniform(-0.4, 0.4) + (np.pi / 2) * rng.integers(2)
        makers[k](body, placed((x, y, z), x=(np.cos(turn), np.sin(turn), 0)), rng)


def _add(body: Builder, name: str, shapes: list[Patch], finish: str, place: Points) -> None:
    body.add(f"load_{name}", [one.moved(place) for one in shapes], "interior", None, finish)


def _can(body: Builder, place: Points, rng: np.random.Generator) -> None:
    """A fuel can with pressed sides, three handles and its cap."""
    finish = str(rng.choice(["olive", "red", "black"]))
    trunk = block((0, 0, 0.21), (0.34, 0.165, 0.42), 0.035, rows=3)
    cross = [np.array([[-0.12, -0.13], [0.12, 0.13]]), np.array([[-0.12, 0.13], [0.12, -0.13]])]
    sides = [strip(cross, 0.022, 0.004).moved(placed((0, 0.083 * s, 0.21), z=(0, s, 0))) for s in (-1, 1)]
    hold = np.array([[-0.11, 0, 0.41], [-0.10, 0, 0.455], [0.05, 0, 0.455], [0.06, 0, 0.41]])
    handles = [tube(np.add(resample(hold, 14), (0, dy, 0)), 0.008, around=8) for dy in (-0.05, 0.0, 0.05)]
    spout = disc((0.115, 0, 0.42), (0.4, 0, 1), np.array([[0, 0.05], [0.026, 0.05], [0.03, 0.04], [0.03, 0.0]]))
    _add(body, "can", [*trunk[:2], *sides, *handles, spout], finish, place)
    words = lettering("FUEL", 0.034).moved(placed((0, 0.0875, 0.37), z=(0, 1, 0), x=(-1, 0, 0)))
    _add(body, "can_letters", [words], "lining", place)


def _crate(body: Builder, place: Points, rng: np.random.Generator) -> None:
    """An open crate of three boards a side, rags and a bottle in it."""
    wide, deep, tall = 0.46, 0.32, 0.26
    boards = [(-0.125, -0.052), (-0.038, 0.038), (0.052, 0.125)]
    walls = []
    for s in (-1, 1):
        for half, reach, out in ((wide / 2, deep / 2, np.array([0, s, 0])), (deep / 2, wide / 2, np.array([s, 0, 0]))):
            middle = out * reach + [0, 0, tall / 2 + 0.005]
            aside = np.cross([0, 0, 1.0], out)
            outside = pads([(-half + 0.004, half - 0.004)], boards, 0.012)
            walls += [outside.moved(placed(middle, z=out, x=aside)), outside.moved(placed(middle, z=-out, x=-aside))]
    x, y = np.meshgrid(np.linspace(-wide / 2, wide / 2, 26), np.linspace(-deep / 2, deep / 2, 20), indexing="ij")
    bumps = sum(
        np.sin(a * x + b * y + c) for a, b, c in zip(*rng.uniform(8, 34, (2, 5)), rng.uniform(0, 6, 5), strict=True)
    )
    _add(body, "crate", walls, "timber", place)
    _add(body, "rags", [patch(np.stack([x, y, 0.11 + 0.016 * np.asarray(bumps)], -1))], "rope", place)
    bottle = np.array([[0, 0.30], [0.016, 0.30], [0.018, 0.27], [0.042, 0.22], [0.045, 0.20], [0.045, 0.0]])
    _add(
        body,
        "bottle",
        [disc((0.12, 0.05, 0.06), (0.1, 0.1, 1), bottle)],
        str(rng.choice(["red_cable", "bottle"])),
        place,
    )


def _rope(body: Builder, place: Points, rng: np.random.Generator) -> None:
    """A coil of rope with its end hanging out."""
    turn = np.linspace(0, 2 * np.pi * 5.2, 150)
    radius = 0.15 + 0.012 * np.sin(2 * turn / 5.2) + rng.normal(size=150).cumsum() * 0.0012
    height = 0.012 + 0.009 * turn / (2 * np.pi) + 0.006 * np.sin(turn * 0.9 + rng.uniform(0, 6))
    coil = np.stack([1.15 * radius * np.cos(turn), 0.9 * radius * np.sin(turn), height], 1)
    tail = coil[-1] + np.array([[0.03, 0.10, -0.02], [0.10, 0.18, -0.045], [0.14, 0.30, -0.045]])
    _add(body, "rope", [tube(np.concatenate([coil, resample(tail, 16)]), 0.008, around=8)], "rope", place)


def _tool_box(body: Builder, place: Points, rng: np.random.Generator) -> None:
    """A sheet box with its lid, handle and catches."""
    finish = str(rng.choice(["red_cable", "blue_cable", "black"]))
    trunk = block((0, 0, 0.085), (0.44, 0.20, 0.17), 0.008, rows=3)
    lid = block((0, 0, 0.195), (0.45, 0.21, 0.045), 0.010)
    _add(body, "tool_box", [trunk[0], *lid[:2]], finish, place)
    hold = np.array([[-0.09, 0, 0.215], [-0.085, 0, 0.245], [0.085, 0, 0.245], [0.09, 0, 0.215]])
    catches = [one for x in (-0.13, 0.13) for one in block((x, 0.107, 0.17), (0.03, 0.008, 0.05), 0.002)[:2]]
    _add(body, "tool_box_handle", [tube(resample(hold, 14), 0.006, around=8), *catches], "zinc", place)


def _papers(body: Builder, at: Points, rng: np.random.Generator) -> None:
    """A folded sheet, printed in lines, and a pen on the dash's tray."""
    turn = float(rng.uniform(-0.6, 0.6))
    place = placed(at, x=(np.sin(turn), -np.cos(turn), 0))
    across, along = np.meshgrid(np.linspace(-0.10, 0.10, 9), np.linspace(-0.06, 0.06, 6), indexing="ij")
    curl = 0.010 * np.abs(across / 0.10) ** 3 * (along > -0.03) + 0.002
    sheet = patch(np.stack([across, along, curl], -1)).moved(place)
    body.add("papers", sheet, "interior", None, "paper", facing=(0, 0, 1))
    rows = [line((-0.06, y), (0.06 - 0.05 * rng.random(), y), 2) for y in np.linspace(-0.04, 0.045, 8)]
    printed = strip(rows, 0.0022, 0.0004).moved(place @ placed((0, 0, 0.0045)))
    body.add("papers_print", printed, "interior", None, "plate_ink", facing=(0, 0, 1))
    pen = tube(line((0.03, -0.09, 0.006), (0.16, -0.05, 0.006), 4), 0.0042, around=8).moved(place)
    body.add("pen", pen, "interior", None, str(rng.choice(["blue_cable", "red_cable", "black"])))


def _stickers(body: Builder, rng: np.random.Generator) -> None:
    """One or two in a lower corner of the windscreen, on the inside of the glass."""
    base, up, out = body.screen
    side = float(rng.choice([-1.0, 1.0]))
    for k in range(int(rng.integers(1, 3))):
        at = base + up * (0.13 + 0.085 * k) + out * -0.0065 + np.array([0, side * (body.y - body.pillar - 0.13), 0])
        place = placed(at, z=out, x=(0, 1, 0))
        finish = str(rng.choice(["number_plate", "number_plate_yellow", "paper"]))
        round_one = rng.random() < 0.5
        ground = (
            disc((0, 0, 0), (0, 0, 1), np.array([[0.0, 0.0], [0.034, 0.0]]))
            if round_one
            else loft(line((-0.035, 0.03, 0), (0.035, 0.03, 0), 3), line((-0.035, -0.03, 0), (0.035, -0.03, 0), 3), 3)
        )
        body.add(f"sticker{k}", ground.moved(place), "interior", None, finish, facing=out)
        words = (
            [f"{rng.integers(1, 13)} {rng.integers(10, 30)}"] if round_one else list(PRINT[rng.integers(len(PRINT))])
        )
        printed = lines(words, 0.018 if round_one else 0.0075).moved(place)
        body.add(f"sticker{k}_print", printed, "interior", None, "plate_ink", facing=out)
