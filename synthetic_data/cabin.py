"""The cab: floor, dash with instruments, steering wheel, levers, pedals, seats and safety belts.

Bought in and never painted with the body, but for footwell and floor. Sizes are common practice, no source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from synthetic_data import floor
from synthetic_data.fittings import fitting_settings
from synthetic_data.geometry import (
    Patch,
    Points,
    Vector,
    block,
    disc,
    line,
    loft,
    pads,
    patch,
    placed,
    resample,
    sweep,
    tube,
    turned,
)
from synthetic_data.lettering import joined, lettering, strip, text

if TYPE_CHECKING:
    from synthetic_data.vehicle import Builder

KNOB = np.stack([np.sin(np.linspace(0, np.pi, 9)), np.cos(np.linspace(0, np.pi, 9))], 1)  # radius, height; turned
DASH = np.array(  # behind the bulkhead, over the middle of the dash; m, from the windscreen round to under the tray
    [
        [0.03, 0.040], [-0.08, 0.042], [-0.165, 0.036], [-0.187, 0.026], [-0.195, 0.008], [-0.188, -0.010],
        [-0.177, -0.018], [-0.175, -0.024], [-0.175, -0.118], [-0.177, -0.124], [-0.192, -0.130], [-0.194, -0.139],
        [-0.186, -0.146], [-0.10, -0.150], [0.02, -0.150],
    ]
)  # fmt: skip
DASH_M = -0.03  # of the dash's middle over the belt line
SWITCHES = ("FAN", "LIGHT", "WASH", "HEAT", "FOG")
FACE_M = -0.155  # of the dash's face behind the bulkhead
SEAT_Y_M = 0.38


def fit_out(body: Builder) -> None:
    """Everything in the cab. Draws from `body.fitting_rng` and `body.seat_rng`; the floor and what hangs under the
    dash draw from their own."""
    driver = 1.0 if body.flip_details else -1.0
    _shell(body)
    _dash(body, driver)
    _steering(body, driver)
    _pedals(body, driver)
    _levers(body)
    _overhead(body)
    for sign in (-1.0, 1.0):
        _seat(body, sign)
        _belt(body, sign)


def _shell(body: Builder) -> None:
    """Floor and tunnel with their mats, the footwell's wall, the headlining."""
    floor.lay(body)
    wall_x, half = body.door_front + 0.09, body.y - 0.06
    footwell = loft(
        line((wall_x, -half, body.z_wing), (wall_x, half, body.z_wing), 12),
        line((wall_x, -half, body.z_sill), (wall_x, half, body.z_sill), 12),
        12,
    )
    body.add("footwell", footwell.flipped(), "paint", "bulkhead", "body", "shut", panel="bulkhead", inward=True)
    roof, inside = body.z_roof - 0.08, body.y - 0.08
    lining = loft(
        line((body.screen_top_x - 0.02, -inside, roof), (body.screen_top_x - 0.02, inside, roof), 8),
        line((body.cab_rear + 0.03, -inside, roof), (body.cab_rear + 0.03, inside, roof), 8),
        8,
    )
    body.add("headlining", lining, "interior", None, "lining", inward=True)


def _dash(body: Builder, driver: float) -> None:
    """A padded roll over a flat face with a glove box, switches and vents, a tray below; the binnacle before it."""
    y, middle = body.y - 0.07, body.z_belt + DASH_M
    section = np.array([body.door_front + 0.02, 0, middle]) + DASH[:, [0, 0, 1]] * [1, 0, 1]
    roll = [np.add(section, (0, at, 0)) for at in np.linspace(-y, y, 22)]
    body.add("dash", patch(np.stack(roll, axis=1)), "interior", None, "trim", facing=(-1, 0, 0.5))
    for sign in (-1, 1):  # closed, or one would look into it past the post
        _cheek(body, f"dash_end{sign}", np.add(section, (0, sign * y, 0)), body.door_front + 0.05, sign)
    face, low = body.door_front + FACE_M, middle - 0.071

    def on_face(surface: Patch, y_: float, z_: float, proud: float = 0.0) -> Patch:
        """A strip laid on the face so that who sits before it reads along its x; its y is up."""
        return surface.moved(placed((face - proud, y_, z_), z=(-1, 0, 0), x=(0, -1, 0)))

    glove_y = -driver * 0.40
    lid = on_face(pads([(-0.17, 0.17)], [(-0.040, 0.040)], 0.006), glove_y, low, 0.0012)
    gap = on_face(pads([(-0.176, 0.176)], [(-0.046, 0.046)], 0.0015), glove_y, low)
    body.add("glove_box", lid, "interior", None, "trim", facing=(-1, 0, 0))
    latch = disc((face - 0.007, glove_y, low + 0.022), (-1, 0, 0), np.array([[0, 0.012], [0.010, 0.010], [0.013, 0]]))
    slats = [(-0.022 + 0.011 * k, -0.016 + 0.011 * k) for k in range(5)]
    vents = [on_face(pads([(-0.05, 0.05)], slats, 0.005), at, low + 0.010, 0.001) for at in (-0.15, 0.15)]
    keys = [(0.030 * k - 0.071, 0.030 * k - 0.049) for k in range(5)]
    plate = on_face(pads([(-0.085, 0.085)], [(-0.020, 0.020)], 0.002), 0.0, low - 0.026)
    rockers = on_face(pads(keys, [(-0.012, -0.001), (0.001, 0.012)], 0.007), 0.0, low - 0.026, 0.002)
    rail = np.array([[0, 0.20, 0.045], [-0.065, 0.215, 0.045], [-0.065, 0.56, 0.045], [0, 0.575, 0.045]])
    rail = np.add(resample(rail * [1, -driver, 1], 20), (face, 0, low))
    controls = [gap, *vents, plate, rockers, tube(rail, 0.011, around=10)]
    body.add("dash_controls", controls, "interior", None, "black")
    body.add("glove_latch", latch, "interior", None, "chrome", facing=(-1, 0, 0))
    words = joined(*(lettering(word, 0.0052, (0.030 * k - 0.060, 0.0)) for k, word in enumerate(SWITCHES)))
    body.add("switch_words", on_face(words, 0.0, low + 0.001), "interior", None, "lining", facing=(-1, 0, 0))
    _under_dash(body, driver, np.array([face, 0.0, middle - 0.150]), body.rng.spawn(1)[0])
    _instruments(body, np.array([face, driver * 0.36, middle + 0.01]))


def _instruments(body: Builder, at: Points) -> None:
    """A hooded binnacle on the dash with its dials: their scales, needles and bright rings."""
    section = np.array(  # backwards, up: from under the dials over the hood to its roots
        [[0.0, -0.075], [0.028, -0.072], [0.035, -0.066], [0.035, 0.052], [0.075, 0.066], [0.078, 0.074], [0.06, 0.080],
         [-0.03, 0.070]]
    )  # fmt: skip
    curve = at + section[:, [0, 0, 1]] * [-1, 0, 1]
    hood = np.stack([np.add(curve, (0, aside, 0)) for aside in (-0.18, 0.0, 0.18)], axis=1)
    body.add("binnacle", patch(hood), "interior", None, "trim", facing=(-1, 0, 0))
    for sign in (-1, 1):
        _cheek(body, f"binnacle_end{sign}", np.add(curve, (0, 0.18 * sign, 0)), at[0] + 0.03, sign)
    ring = np.array([[0.93, 0.001], [0.96, 0.008], [1.06, 0.006], [1.08, -0.004]])
    dials, rims, marks = list[Patch](), list[Patch](), list[Patch]()
    for dy, radius, word in (
        (-0.095, 0.050, "RPM"),
        (0.015, 0.050, "KM"),
        (0.095, 0.021, "FUEL"),
        (0.142, 0.021, "OIL"),
    ):
        place = placed(np.add(at, (-0.0365, dy, -0.006)), z=(-1, 0, 0), x=(0, -1, 0))
        dials.append(turned(np.array([[0.0, 0.001], [0.95, 0.001]]) * [radius, 1], 28).moved(place))
        rims.append(turned(ring * [radius, 1], 28).moved(place))
        marks.append(_scale(radius, word).moved(place @ placed((0, 0, 0.0010))))
        needle = line((0.12 * radius, -0.25 * radius, 0.003), (-0.40 * radius, 0.68 * radius, 0.003), 3)
        marks.append(tube(needle, 0.0011, around=5).moved(place))
    body.add("dials", dials, "interior", None, "dial", facing=(-1, 0, 0))
    body.add("dial_rims", rims, "interior", None, "chrome", facing=(-1, 0, 0))
    body.add("dial_marks", marks, "interior", None, "lining", facing=(-1, 0, 0))


def _cheek(body: Builder, name: str, section: Points, root_x: float, sign: int) -> None:
    """The plane end of a section, from its curve forward to `root_x`."""
    root = np.column_stack([np.full(len(section), root_x), section[:, 1:]])
    body.add(name, patch(np.stack([section, root], axis=1)), "interior", None, "trim", facing=(0, sign, 0))


def _scale(radius: float, word: str) -> Patch:
    """The marks round a dial, numbers within them where it is large, and what it shows."""
    is_large = radius > 0.03
    angle = np.linspace(-2.2, 2.2, 12 if is_large else 6) + np.pi / 2
    ways = np.stack([np.cos(angle), np.sin(angle)], 1) * radius
    ticks = strip([np.stack([0.74 * way, 0.90 * way]) for way in ways], 0.055 * radius, 0.0006)
    tall = (0.17 if is_large else 0.26) * radius
    numbers = [lettering(f"{20 * k}", tall, tuple(0.56 * way)) for k, way in enumerate(ways[::-2])] if is_large else []
    return joined(ticks, *numbers, lettering(word, tall, (0.0, -0.44 * radius)))


def _under_dash(body: Builder, driver: float, at: Points, rng: np.random.Generator) -> None:
    """Wires that hang from under the dash's edge on the driver's side, tied and with their plug; in many a radio.

    `at` is the edge's middle.
    """
    for k, (finish, drop) in enumerate((("red_cable", 0.05), ("blue_cable", 0.065), ("black", 0.085))):
        ends = np.array([[0.06, 0.10, 0.01], [0.03, 0.16, -0.6 * drop], [0.02, 0.24, -drop], [0.03, 0.31, -0.03]])
        path = resample(np.add(at, ends * [1, driver, 1] + [0.004 * k, 0, 0]), 6)
        smooth = np.concatenate([path[:1], (path[:-1] + path[1:]) / 2, path[-1:]])
        body.add(f"dash_wire{k}", tube(resample(smooth, 22), 0.0022, around=6), "interior", None, finish)
    plug = block(np.add(at, (0.024, driver * 0.20, -0.05)), (0.022, 0.034, 0.024), 0.003, z=(0, 0.2, 1))
    body.add("dash_plug", plug, "interior", None, "lining")
    if rng.random() >= fitting_settings().fitted.radio:
        return
    front = placed(np.add(at, (-0.0005, 0.0, -0.030)), z=(-1, 0, 0), x=(0, -1, 0))  # from the case's face backwards
    case = block(np.add(at, (0.075, 0.0, -0.030)), (0.15, 0.186, 0.056), 0.004)
    keys = pads([(0.022 * k - 0.053, 0.022 * k - 0.035) for k in range(5)], [(-0.019, -0.009)], 0.004).moved(front)
    knob = np.array([[0.0, 0.016], [0.009, 0.016], [0.011, 0.013], [0.0115, 0.0]])
    knobs = [turned(knob, 18).moved(front @ placed((x, 0.002, 0))) for x in (-0.074, 0.074)]
    body.add("radio", [*case, keys, *knobs], "interior", None, "black")
    window = pads([(-0.05, 0.05)], [(-0.002, 0.020)], 0.0012).moved(front)
    body.add("radio_window", window, "interior", None, "dial", facing=(-1, 0, 0))
    scale = [np.array([[x, 0.001], [x, 0.004]]) for x in np.linspace(-0.044, 0.044, 12)]
    band = strip([*scale, *text("88 92 96 104", 0.006, (0.0, 0.013))], 0.0008, 0.0003).moved(
        front @ placed((0, 0, 0.0012))
    )
    body.add("radio_scale", band, "interior", None, "lining", facing=(-1, 0, 0))


def _steering(body: Builder, driver: float) -> None:
    """Wheel with flat spokes and a horn push, column in its shroud, stalks."""
    place = placed((body.door_front - 0.36, driver * 0.36, body.z_belt + 0.02), z=(-0.8, 0, 0.6))
    angle = np.linspace(0, 2 * np.pi, 61)
    ring = 0.20 * np.stack([np.cos(angle), np.sin(angle), 0 * angle], 1)
    body.add("steering", tube(ring, 0.0125, around=11, closed=True).moved(place), "interior", None, "black")
    spokes = []
    for a in (0.25, np.pi - 0.25, 1.5 * np.pi):
        out = np.array([np.cos(a), np.sin(a), 0])
        path = np.stack([0.02 * out + [0, 0, -0.022], 0.12 * out + [0, 0, -0.018], 0.198 * out])
        flat = np.array([[0.016, 0.0], [0.013, 0.003], [-0.013, 0.003], [-0.016, 0.0], [-0.013, -0.003], [0.016, 0.0]])
        spokes.append(sweep(flat, resample(path, 6), np.array([0, 0, 1.0])).moved(place))
    push = np.array(
        [[0, 0.016], [0.022, 0.014], [0.030, 0.008], [0.032, 0.002], [0.044, 0.0], [0.052, -0.012], [0.05, -0.04]]
    )
    boss = turned(push, 22).moved(place)
    shroud = turned(np.array([[0.036, -0.035], [0.046, -0.045], [0.048, -0.14], [0.030, -0.16], [0.026, -0.40]]), 15)
    stalks = [
        tube(line((s * 0.04, 0.02, -0.075), (s * 0.155, 0.035, -0.060), 5), 0.0055, around=8).moved(place)
        for s in (-1, 1)
    ]
    tips = [
        disc((s * 0.155, 0.035, -0.060), (s, 0.1, 0.1), np.array([[0, 0.012], [0.009, 0.010], [0.009, -0.02]]))
        for s in (-1, 1)
    ]
    parts = [*spokes, boss, shroud.moved(place), *stalks, *(tip.moved(place) for tip in tips)]
    body.add("column", parts, "interior", None, "black")


def _pedals(body: Builder, driver: float) -> None:
    """Ribbed rubber pads on bent arms that hang from their shaft in a box on the bulkhead."""
    shapes = list[Patch]()
    for dy, wide, tall in ((-0.11, 0.060, 0.052), (0.0, 0.060, 0.052), (0.11, 0.045, 0.11)):
        foot = np.array([body.door_front - 0.05, driver * 0.34 + dy, body.z_sill + 0.17])
        place = placed(foot, z=(-1, 0, 0.45), x=(0, 1, 0))
        step = tall / 6
        ribs = [(-tall / 2 + step * (k + 0.15), -tall / 2 + step * (k + 0.75)) for k in range(6)]
        shapes.append(pads([(-wide / 2, wide / 2)], ribs, 0.003).moved(place))
        shapes.append(
            block((0, 0, 0), (wide + 0.006, tall + 0.006, 0.012), 0.003)[0].moved(place @ placed((0, 0, -0.006)))
        )
        arm = np.add(foot, [(0.01, 0, -0.01), (0.05, 0, 0.08), (0.055, 0, 0.20), (0.12, 0, 0.30)])
        shapes.append(tube(resample(arm, 10), 0.0085, around=8))
    box_at = np.array([body.door_front + 0.058, driver * 0.34, body.z_sill + 0.505])
    shapes += block(box_at, (0.075, 0.31, 0.10), 0.006)
    shapes.append(tube(line(np.add(box_at, (0, -0.17, -0.03)), np.add(box_at, (0, 0.17, -0.03)), 4), 0.008, around=8))
    body.add("pedals", shapes, "interior", None, "black")


def _levers(body: Builder) -> None:
    """Gear and transfer levers in pleated gaiters on their plate, a hand brake with its grip and button."""
    levers, knobs = list[Patch](), list[Patch]()
    plate_z = body.z_sill + 0.158
    pleats = 7
    rise = np.linspace(0, 1, 2 * pleats + 1)
    pleated = np.stack([0.056 - 0.042 * rise**0.8 + 0.0045 * (np.arange(2 * pleats + 1) % 2), 0.006 + 0.085 * rise], 1)
    for x, side, tall, lean, size in ((-0.32, 0.045, 0.29, 0.03, 1.0), (-0.42, -0.055, 0.20, -0.02, 0.72)):
        foot = np.array([body.door_front + x, side, plate_z])
        top = np.add(foot, (-0.05, lean, tall))
        bent = resample(np.array([foot, np.add(foot, (0.004, 0.3 * lean, 0.45 * tall)), top]), 8)
        levers.append(tube(bent, 0.0065, around=8))
        gaiter = turned((pleated * size)[::-1], 22, sides=4)
        lean_axis = placed(foot, z=bent[3] - bent[0])
        levers.append(gaiter.moved(lean_axis @ placed((0, 0, 0), x=(1, 1, 0))))
        levers += block(np.add(foot, (0, 0, 0.001)), (0.125 * size, 0.125 * size, 0.008), 0.003)[:2]
        knob = np.array(
            [[0, 0.030], [0.010, 0.029], [0.018, 0.024], [0.022, 0.012], [0.021, 0.0], [0.014, -0.012], [0.009, -0.022]]
        )
        knobs.append(disc(top, top - bent[-3], knob * (0.6 + 0.4 * size)))
        if size == 1.0:
            badge = disc(np.add(top, (-0.002, 0, 0.0297)), top - bent[-3], np.array([[0.0, 0.001], [0.010, 0.0]]))
            body.add("shift_plate", badge, "interior", None, "lining", facing=(0, 0, 1))
            gates = [np.array([[x, -0.005], [x, 0.005]]) for x in (-0.004, 0.0, 0.004)]
            gates.append(np.array([[-0.004, 0.0], [0.004, 0.0]]))
            drawn = strip(gates, 0.0011, 0.0003).moved(
                placed(np.add(top, (-0.002, 0, 0.0309)), z=top - bent[-3], x=(0, -1, 0))
            )
            body.add("shift_pattern", drawn, "interior", None, "plate_ink", facing=(0, 0, 1))
    at = np.array([body.door_front, 0.15, body.z_sill])
    brake = resample(at + np.array([[-0.52, 0, 0.16], [-0.42, 0, 0.22], [-0.33, 0, 0.31]]), 10)
    way = brake[-1] - brake[-3]
    grip = np.array(
        [
            [0.012, 0.0],
            [0.0165, -0.006],
            [0.0155, -0.03],
            [0.017, -0.05],
            [0.0155, -0.07],
            [0.0165, -0.10],
            [0.012, -0.11],
        ]
    )
    levers += [tube(brake, 0.010, around=8), disc(brake[-1], way, grip)]
    levers += block(np.add(at, (-0.52, 0, 0.15)), (0.10, 0.035, 0.05), 0.006)
    body.add("levers", levers, "interior", None, "black")
    button = disc(brake[-1], way, np.array([[0, 0.014], [0.006, 0.013], [0.007, 0.0]]))
    body.add("brake_button", button, "interior", None, "chrome")
    body.add("lever_knobs", knobs, "interior", None, ("red", "lining", "black")[int(body.fitting_rng.integers(3))])


def _overhead(body: Builder) -> None:
    """Sun visors and the mirror."""
    x, z = body.screen_top_x - 0.04, body.z_roof - 0.10
    visors = [
        one for sign in (-1, 1) for one in block((x - 0.05, sign * 0.36, z), (0.13, 0.42, 0.016), 0.006, z=(0.25, 0, 1))
    ]
    body.add("visors", visors, "interior", None, "lining")
    mirror = block((x - 0.03, 0, z - 0.06), (0.02, 0.20, 0.055), 0.008)
    stem = tube(line((x - 0.02, 0, z - 0.05), (x + 0.03, 0, z + 0.02), 4), 0.006, around=8)
    body.add("inner_mirror", [*mirror, stem], "interior", None, "black")


# --- seats -----------------------------------------------------------------------------------------------------------


def _seat(body: Builder, sign: float) -> None:
    """Cushion and back with piped edges and stitched panels, on a box with runners; a head rest in some families."""
    base = np.array([body.door_rear + 0.24, sign * SEAT_Y_M, body.z_sill + 0.30])
    body.add(f"seat_box{sign}", block(base - [0, 0, 0.17], (0.42, 0.46, 0.26), 0.01), "interior", None, "seat_base")
    runners = [block(np.add(base, (0.01, side * 0.19, -0.045)), (0.46, 0.028, 0.022), 0.004)[0] for side in (-1, 1)]
    body.add(f"seat_runner{sign}", runners, "interior", None, "zinc")
    flutes = body.seat_flutes
    used = body.seat_rng.uniform(0.4, 1.0) * (1.0 if sign == (1.0 if body.flip_details else -1.0) else 0.5)
    seats = [
        *(one.moved(placed(np.add(base, (0, 0, -0.05)), z=(-0.07, 0, 1), x=(0, 1, 0))) for one in
          _cushion((0.48, 0.48, 0.12), flutes, 0.026 * used, body.seat_rng)),
        *(one.moved(placed(np.add(base, (-0.235, 0, 0.32)), z=(1, 0, 0.22), x=(0, 1, 0))) for one in
          _cushion((0.46, 0.56, 0.09), flutes, 0.012 * used, body.seat_rng)),
    ]  # fmt: skip
    body.add(f"seat{sign}", seats, "interior", None, "seat")
    if body.family.head_rests:
        rest = placed(np.add(base, (-0.325, 0, 0.71)), z=(1, 0, 0.2), x=(0, 1, 0))
        body.add(
            f"head_rest{sign}",
            [one.moved(rest) for one in _cushion((0.26, 0.17, 0.075), 0, 0.0, body.seat_rng)],
            "interior", None, "seat",
        )  # fmt: skip
        posts = [
            tube(line((s * 0.06, -0.07, 0.03), (s * 0.06, -0.16, 0.03), 4), 0.006, around=8).moved(rest)
            for s in (-1, 1)
        ]
        body.add(f"head_rest_post{sign}", posts, "interior", None, "chrome")


def _cushion(size: tuple[float, float, float], flutes: int, sag: float, rng: np.random.Generator) -> list[Patch]:
    """Its face, domed, stitched into `flutes` panels within a border and sat in by `sag` metres; and its piped side.

    The face looks along z, the side ends in the back; x is across, y away from the sitter's knees (or up).
    """
    wide, long, thick = size
    inner = 0.70
    seams_u = np.linspace(-inner, inner, flutes + 1) if flutes else np.zeros(0)
    seams_v = np.array([-inner, inner]) if flutes else np.zeros(0)

    def lines(seams: Points) -> Points:
        around = seams[:, None] + [-0.05, -0.018, 0.0, 0.018, 0.05]
        return np.unique(np.concatenate([around.ravel(), np.linspace(-1, 1, 13), [-0.94, 0.94]]).clip(-1, 1).round(4))

    u, v = np.meshgrid(lines(seams_u), lines(seams_v), indexing="ij")
    x = u * (1 - 0.11 * np.abs(v) ** 5) * wide / 2
    y = v * (1 - 0.11 * np.abs(u) ** 5) * long / 2

    def groove(at: Points, seams: Points) -> Points:
        return np.asarray(sum((np.exp(-(((at - seam) / 0.022) ** 2)) for seam in seams), np.zeros(at.shape)))

    within_u, within_v = np.abs(u) < inner + 0.02, np.abs(v) < inner + 0.02
    stitched = np.maximum(groove(u, seams_u) * within_v, groove(v, seams_v) * within_u)
    dome = 0.20 * thick * (1 - np.abs(u) ** 3) * (1 - np.abs(v) ** 3)
    pit = sag * np.exp(-((u / 0.55) ** 2) - ((v - 0.15) / 0.6) ** 2)
    folds = np.zeros(u.shape)
    for _ in range(5 if sag else 2):  # short creases that run out from where one sits
        a, b = rng.uniform(-0.8, 0.8, 2)
        turn, reach = rng.uniform(0, np.pi), rng.uniform(0.15, 0.4)
        along = (u - a) * np.cos(turn) + (v - b) * np.sin(turn)
        aside = (v - b) * np.cos(turn) - (u - a) * np.sin(turn)
        folds += np.exp(-((along / reach) ** 2)) * np.exp(-((aside / 0.06) ** 2))
    z = thick / 2 + dome - 0.007 * stitched - pit - 0.0035 * folds
    face = patch(np.stack([x, y, z], -1))
    rim = face.points
    loop = resample(np.concatenate([rim[:-1, 0], rim[-1, :-1], rim[:0:-1, -1], rim[0, :0:-1]]), 57, closed=True)
    across = np.gradient(loop, axis=0)
    across[0] = across[-1] = loop[1] - loop[-2]
    out = np.stack([across[:, 1], -across[:, 0], 0 * across[:, 0]], 1)
    out /= np.linalg.norm(out, axis=1, keepdims=True)
    puff = 0.004 * np.sin(np.linspace(0, 2 * np.pi, 57) * 5 + rng.uniform(0, 6))[:, None]
    # piping: out, round and in again under it; then the bulging side, tucked in at the bottom
    profile = [(-0.001, -0.001), (0.003, 0.004), (0.008, 0.003), (0.010, -0.003), (0.006, -0.009), (0.001, -0.012)]
    rows = [loop + out * o + [0, 0, d] for o, d in profile]
    low = np.array([0, 0, -thick / 2])
    flat = loop * [1, 1, 0]
    rows += [0.5 * (rows[-1] + flat + low) + out * (0.011 + puff), flat + low + out * 0.004 + [0, 0, 0.012]]
    rows += [flat * [0.95, 0.95, 1] + low, flat * 0.0 + low]
    return [face, patch(np.stack(rows))]


def _belt(body: Builder, sign: float) -> None:
    """A three-point belt that nobody wears: from its reel up to the ring on the post, down again in a slack curve.

    Its tongue hangs where the slack ends; the lock stands on its stalk at the other side of the seat.
    """
    post, side = body.door_rear - 0.035, sign * (body.y - 0.095)
    top = np.array([post, side, body.z_belt + 0.24])
    reel = np.array([post - 0.01, side, body.z_sill + 0.16])
    anchor = np.array([post + 0.16, sign * (SEAT_Y_M + 0.275), body.z_sill + 0.07])
    slack = float(body.seat_rng.uniform(0.12, 0.22))
    t = np.linspace(0, 1, 22)[:, None]
    hang = top * (1 - t) + anchor * t + 4 * t * (1 - t) * (np.array([0.4, -0.5 * sign, 0.0]) * slack + [0, 0, -0.06])
    turn = (0.9 + 0.5 * np.sin(2.4 * t + sign))[:, 0]  # the webbing twists a little on its way
    across = np.stack([np.sin(turn), -sign * np.cos(turn), 0.25 * np.ones(22)], 1) * 0.023
    webbing = [
        _strap(hang, across),
        _strap(line(np.add(top, (-0.008, 0, 0)), reel, 8), np.array([[0.022, -0.006 * sign, 0.0]])),
    ]
    ring_way = np.linspace(0, 2 * np.pi, 17)
    ring = np.stack([0.030 * np.cos(ring_way), 0 * ring_way, 0.018 * np.sin(ring_way)], 1)
    body.add(f"belt{sign}", webbing, "interior", None, "black", facing=(0.4, -sign, 0.1))
    housing = [
        *block(reel - [0, 0, 0.03], (0.075, 0.05, 0.12), 0.010),
        *block(np.add(top, (0, 0.012 * sign, 0.028)), (0.05, 0.02, 0.075), 0.008),
        *block(anchor - [0, 0, 0.02], (0.04, 0.012, 0.07), 0.004),
    ]
    inner = np.array([body.door_rear + 0.10, sign * (SEAT_Y_M - 0.265), body.z_sill + 0.40])
    stalk = tube(line(inner - [0.05, 0, 0.20], inner, 5), 0.010, around=8)
    lock = block(np.add(inner, (0.012, 0, 0.035)), (0.024, 0.036, 0.075), 0.006, z=(0.25, 0, 1))
    body.add(f"belt_housing{sign}", [*housing, stalk, *lock], "interior", None, "black")
    button = block(np.add(inner, (0.022, 0, 0.072)), (0.016, 0.026, 0.006), 0.002, z=(0.25, 0, 1))[1]
    body.add(f"belt_button{sign}", button, "interior", None, "red", facing=(0, 0, 1))
    spot = 13
    tongue = block(
        hang[spot], (0.052, 0.05, 0.003), 0.001, z=np.cross(across[spot], hang[spot + 1] - hang[spot]), x=across[spot]
    )
    body.add(
        f"belt_ring{sign}",
        [tube(ring, 0.004, around=7, closed=True).moved(placed(top)), *tongue[:2]],
        "interior",
        None,
        "chrome",
    )


def _strap(path: Points, across: Vector) -> Patch:
    """Webbing along a path; `across` (n, 3) reaches from its middle to an edge."""
    half = np.broadcast_to(np.asarray(across, float), path.shape)
    return patch(np.stack([path + half, path + 0.001, path - half]))
