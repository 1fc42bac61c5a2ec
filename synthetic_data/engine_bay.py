"""What lies under the bonnet: inner wings, engine, radiator, battery, brackets, hoses and cables; built only when open.

Sheet metal here was painted with the body (panels of its own, which a quick job leaves in the old colour); everything
else was bought in black, bare or zinc plated and bolted on after paint (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from scipy.spatial import ConvexHull

from synthetic_data.geometry import (
    Patch,
    Points,
    Vector,
    block,
    box,
    line,
    loft,
    pads,
    patch,
    placed,
    resample,
    smoothstep,
    sweep,
    tube,
    turned,
)
from synthetic_data.lettering import joined, lettering, lines, wrapped
from synthetic_data.running_gear import bar, bent, brick, by, cluster, lathe, nut

if TYPE_CHECKING:
    from synthetic_data.vehicle import Builder

BRACKET, WIRING = "under_bonnet_bracket", "wiring"
DRUM = np.array([[0.0, 1.0], [0.86, 1.0], [0.95, 0.96], [1.0, 0.86], [1.0, -1.0]])  # radius, height; turned


def fit_out(body: Builder) -> None:
    """Add the engine bay of a vehicle whose bonnet stands open. Draws from `body.bay_rng` alone."""
    bay = _Bay(body)
    bay.sheet_metal()
    bay.bonnet()
    bay.engine()
    bay.cooling()
    bay.electrics()
    bay.brakes_and_bottles()
    bay.sites()


def bulkhead(x: float, half_width: float, top: float, bottom: float) -> Patch:
    """The wall behind the engine with its pressed ribs, looking forward."""
    across, up = np.meshgrid(np.linspace(-half_width, half_width, 70), np.linspace(top, bottom, 26))
    rib = np.exp(-(((np.mod(across + 0.11, 0.22) - 0.11) / 0.016) ** 4)) * _between(up, bottom + 0.06, top - 0.07, 0.02)
    return patch(np.stack([x + 0.007 * rib, across, up], -1))


def boot(at: Vector, way: Vector, radius: float) -> Patch:
    """The rubber that ends a cable at `at`: a sleeve that widens towards the plug it covers, along `way`."""
    profile = np.array([[0.0, 2.6], [1.9, 2.6], [2.1, 2.3], [2.1, 0.6], [1.7, 0.2], [1.45, -1.6], [1.02, -2.2]])
    return turned(profile * radius, 14).moved(placed(at, z=way))


def union(at: Vector, way: Vector, radius: float) -> Patch:
    """The hexagonal nut with which a pipe ends."""
    profile = np.array(
        [[0.0, 2.2], [1.5, 2.2], [1.6, 1.2], [2.3, 1.0], [2.4, 0.6], [2.4, -1.6], [2.2, -2.0], [1.0, -2.1]]
    )
    return turned(profile * radius, 19, sides=6).moved(placed(at, z=way))


def grommet(at: Vector, out: Vector, radius: float) -> Patch:
    """The rubber ring in a sheet that a cable or hose passes, its foot on the sheet at `at`."""
    profile = np.array([[1.0, 0.45], [1.5, 0.42], [1.7, 0.0]])
    return turned(profile * radius, 20).moved(placed(at, z=out))


class _Bay:
    """The space between radiator, bulkhead and wings; x forward, y left, z up, metres."""

    def __init__(self, body: Builder) -> None:
        self.body, self.rng = body, body.bay_rng
        self.front, self.back = body.x_front - 0.19, body.door_front + 0.112
        self.half, self.top, self.bottom = body.bonnet_half - 0.012, body.z_wing, body.z_sill
        self.middle = (self.front + self.back) / 2
        self.driver = 1.0 if body.flip_details else -1.0  # +1: steering on the left
        self.number = 0

    # --- shapes ------------------------------------------------------------------------------------------------

    def hidden(
        self,
        name: str,
        surfaces: Patch | list[Patch],
        finish: str = "black",
        zone: str | None = None,
        *,
        surface: str | None = None,
    ) -> None:
        look = surface or {"zinc": "bare_metal", "bare": "bare_metal", "rubber": "rubber"}.get(finish, "black_part")
        self.body.add(name, surfaces, look, zone, finish, "hidden", panel="engine_bay")

    def block(self, name: str, centre: Vector, size: Vector, bevel: float, finish: str = "black") -> None:
        self.hidden(name, block(centre, size, bevel), finish)

    def drum(self, at: Vector, axis: Vector, radius: float, length: float, profile: Points = DRUM) -> Patch:
        """A turned body whose middle is `at`."""
        return turned(profile * [radius, length / 2], 30).moved(placed(at, z=axis))

    def hose(
        self,
        name: str,
        points: Sequence[Vector],
        radius: float,
        finish: str = "rubber",
        zone: str | None = WIRING,
        *,
        ribbed: bool = False,
    ) -> None:
        """A pipe, hose or cable through the points, bent round its corners; a ribbed one is smooth at its ends."""
        path = _bent_through(np.asarray(points, float))
        if ribbed:
            path = resample(path, 97)
        surface = tube(path, radius, around=12)
        if ribbed:
            rib = 1 - 0.13 * (np.arange(97) % 4 > 1) * (np.abs(np.arange(97) - 48) < 41)
            surface = patch(path + (surface.points - path) * rib[:, None])
        self.hidden(name, surface, finish, zone)

    def clip(self, at: Vector, axis: Vector, radius: float) -> None:
        """A hose clip: a bright band with its screw."""
        self.number += 1
        band = np.array([[1.0, 0.004], [1.05, 0.0045], [1.05, -0.0045], [1.0, -0.004]]) * [radius, 1]
        place = placed(at, z=axis)
        screw = [p.moved(place @ placed((radius * 1.1, 0, 0))) for p in box((0.008, 0.014, 0.008), 0.001)]
        self.hidden(f"bay_clip{self.number}", [turned(band, 22).moved(place), *screw], "zinc", WIRING)

    def spigot(self, at: Points, way: Vector, radius: float, clear: float) -> None:
        """What a hose from `at` along `way` is pushed on: a collar `clear` metres on, and the clip beyond it."""
        self.number += 1
        along = np.asarray(way, float) / np.linalg.norm(way)
        collar = np.array(
            [[0.0, 0.008], [radius * 1.05, 0.008], [radius * 1.12, 0.005], [radius * 1.12, -0.008], [0.0, -0.008]]
        )
        self.hidden(f"bay_collar{self.number}", cluster([lathe(at + clear * along, along, collar)]), "cast")
        self.clip(at + (clear + 0.017) * along, along, radius)

    def label(
        self, name: str, at: Vector, out: Vector, right: Vector, size: tuple[float, float], words: Sequence[str],
        *, ground: str = "number_plate",
    ) -> None:  # fmt: skip
        """A sticker with lines of print; `right` is the way one reads."""
        (width, height), place = size, placed(at, z=out, x=right)
        tall = min(0.5 * height / len(words), 0.9 * width / max(map(len, words)))
        upper, lower = (line((-width / 2, y, 0.0), (width / 2, y, 0.0), 3) for y in (height / 2, -height / 2))
        self.hidden(name, loft(lower, upper, 3).moved(place), ground)
        self.hidden(f"{name}_print", lines(words, tall, 1.6).moved(place @ placed((0, 0, 1e-4))), "plate_ink")

    def bolt(self, at: Vector, out: Vector, radius: float = 0.0075, *, zone: str = BRACKET, panel: str = "") -> None:
        self.number += 1
        self.body.fastener(
            f"bay_bolt{self.number}",
            np.asarray(at, float),
            np.asarray(out, float),
            kind="hex",
            radius=radius,
            finish="zinc",
            zone=zone,
            panel=panel or "engine_bay",
            turn=float(self.rng.uniform(0, 6)),
        )

    def bracket(self, at: Vector, out: Vector, along: Vector, size: tuple[float, float], reach: float) -> None:
        """An angle bolted to a wall at `at`: one leg flat on it with two bolts, the other standing out by `reach`."""
        self.number += 1
        place = placed(at, z=out, x=along)
        width, height = size
        leg = [p.moved(place @ placed((0, 0, 0.0015))) for p in box((width, height, 0.003), 0.001)]
        shelf = [p.moved(place @ placed((0, height / 2, reach / 2))) for p in box((width, 0.003, reach), 0.001)]
        self.hidden(f"bay_bracket{self.number}", [*leg, *shelf], "black", BRACKET)
        for u in (-0.32, 0.32):
            head = place @ np.array([u * width, -0.15 * height, 0.003, 1.0])
            self.bolt(head[:3], out)

    # --- assemblies --------------------------------------------------------------------------------------------

    def sheet_metal(self) -> None:
        """Inner wings with the bulge of the wheel, their row of bolts, the panel over the radiator."""
        body = self.body
        x, z = np.meshgrid(
            np.linspace(self.front - 0.02, self.back - 0.01, 64), np.linspace(self.top - 0.006, self.bottom - 0.06, 34)
        )
        inside = body.arch + 0.03 - np.hypot(x - body.front_axle, z - body.axle_z)
        bulge = 0.15 * _between(inside, 0.0, 9.0, 0.06)
        step = 0.012 * _between(z, self.bottom, self.top - 0.085, 0.012)
        wall = patch(np.stack([x, self.half - step - bulge, z], -1))
        body.add(
            "inner_wing",
            wall,
            "paint",
            "wing_front",
            "body",
            "shut",
            panel="inner_wing_left",
            both=True,
            facing=(0, -1, 0),
        )
        for k, at in enumerate(np.linspace(self.front - 0.10, self.back + 0.14, 6)):
            body.fastener(
                f"inner_wing_bolt{k}",
                np.array([at, self.half - 0.001, self.top - 0.045]),
                np.array([0, -1.0, 0]),
                kind="hex",
                radius=0.007,
                finish=body.family.hinge_bolt_finish,
                zone="wing_front",
                panel="inner_wing_left",
                both=True,
                turn=float(k),
            )
        flange = np.array(
            [[0.055, -0.020], [0.055, -0.003], [0.050, 0.0], [-0.050, 0.0], [-0.055, -0.003], [-0.055, -0.03]]
        )
        slam = sweep(
            resample(flange, 26),
            line((body.x_front - 0.10, -self.half, self.top), (body.x_front - 0.10, self.half, self.top), 50),
            np.array([0, 0, 1.0]),
        )
        body.add("slam_panel", slam, "paint", "bonnet", "body", "shut", panel="slam_panel", facing=(0, 0, 1))
        at = np.array([body.x_front - 0.10, 0.0, self.top])
        claw = bent(at + np.array([[0.020, 0, 0.012], [0.012, 0, 0.030], [-0.010, 0, 0.032], [-0.016, 0, 0.018]]), 12)
        latch = [
            brick(at + by(0, 0, 0.0025), (0.066, 0.175, 0.004)),
            *(brick(at + by(0, y, 0.018), (0.055, 0.004, 0.034)) for y in (-0.018, 0.018)),
            bar(claw, 0.0045),
            lathe(
                at + by(0.018, 0, 0.012),
                (0, 1, 0),
                np.array([[0, 0.024], [0.005, 0.024], [0.005, -0.024], [0, -0.024]]),
            ),
        ]
        self.hidden("bonnet_latch", cluster(latch), "zinc")
        cable: list[Vector] = [at + by(-0.02, 0.01, 0.014), at + by(-0.05, 0.10 * self.driver, 0.010),
                 (self.front - 0.03, 0.85 * self.driver * self.half, self.top - 0.03),
                 (self.front - 0.16, self.driver * (self.half - 0.012), self.top - 0.10),
                 (self.middle, self.driver * (self.half - 0.016), self.top - 0.115),
                 (self.back + 0.01, self.driver * (self.half - 0.05), self.top - 0.11)]  # fmt: skip
        self.hose("bonnet_cable", cable, 0.0032, "black")
        for y in (-0.07, 0.07):
            self.bolt((body.x_front - 0.10, y, self.top + 0.0045), (0, 0, 1), zone="bonnet", panel="slam_panel")
        theta = np.linspace(-0.2, np.pi + 0.2, 14)
        bead = np.stack([0.009 * np.cos(theta), 0.012 * np.sin(theta)], 1)
        lip = line(
            (self.back + 0.175, -self.half + 0.02, self.top + 0.028),
            (self.back + 0.175, self.half - 0.02, self.top + 0.028),
            60,
        )
        body.add("bonnet_seal", sweep(bead, lip, np.array([0, 0, 1.0])), "rubber", None, "rubber", "seal", panel="cowl")

    def bonnet(self) -> None:
        """The underside of the lifted bonnet, its frame, hinges and prop."""
        body, lift = self.body, self.body.bonnet_lift()
        x0, x1 = body.x_front - 0.04, body.door_front + 0.32
        z = self.top - 0.004
        edge = line((x0, self.half - 0.02, z), (x1, self.half - 0.02, z + 0.016), 40)
        lining = loft(edge * [1, -1, 1], edge, 30, bulge=0.5 * body.bonnet_bulge).moved(lift)
        body.add(
            "bonnet_inside",
            lining,
            "paint",
            "bonnet",
            "body",
            "shut",
            panel="bonnet_inside",
            facing=lift[:3, :3] @ [0, 0, -1.0],
        )
        hat = np.array([[0.035, 0.0], [0.024, 0.018], [0.019, 0.020], [-0.019, 0.020], [-0.024, 0.018], [-0.035, 0.0]])
        corners = [(x0 - 0.05, 0.06), (x0 - 0.05, self.half - 0.07), (x1 + 0.05, self.half - 0.07), (x1 + 0.05, 0.06)]
        ribs = [
            np.array([[x, y, z - 0.002] for x, y in (*corners, *[(a, -b) for a, b in corners[::-1]])]),
            np.array([[x1 + 0.07, 0.30 * self.half, z + 0.006], [x0 - 0.08, 0.30 * self.half, z - 0.004]]),
            np.array([[x1 + 0.07, -0.30 * self.half, z + 0.006], [x0 - 0.08, -0.30 * self.half, z - 0.004]]),
        ]
        for k, rib in enumerate(ribs):
            path = _bent_through(rib, 0.05)
            section = sweep(resample(hat, 18), path, np.array([0, 0, -1.0])).moved(lift)
            body.add(
                f"bonnet_rib{k}",
                section,
                "paint",
                "bonnet",
                "body",
                "shut",
                panel="bonnet_inside",
                group="bonnet_inside",
                facing=lift[:3, :3] @ [0, 0, -1.0],
            )
        for sign in (-1, 1):
            at = np.array([body.door_front + 0.33, sign * (self.half - 0.14), z + 0.012])
            leaf = [p.moved(lift @ placed(at + by(0.045, 0, -0.006))) for p in box((0.09, 0.05, 0.006), 0.002)]
            self.hidden(f"bonnet_hinge{sign}", leaf, "black")
            for dx in (0.025, 0.068):
                body.fastener(
                    f"bonnet_hinge_bolt{sign}{dx}",
                    (lift @ [*(at + by(dx, 0, -0.009)), 1.0])[:3],
                    lift[:3, :3] @ [0, 0, -1.0],
                    kind="hex",
                    radius=0.007,
                    finish=body.family.hinge_bolt_finish,
                    zone="bonnet",
                    panel="bonnet_inside",
                    turn=dx * 90,
                )
        foot = np.array([self.front - 0.02, self.driver * (self.half - 0.05), self.top - 0.01])
        head = (lift @ [x0 - 0.16, self.driver * (self.half - 0.07), z - 0.02, 1.0])[:3]
        self.hose("bonnet_prop", [foot, foot + 0.5 * (head - foot), head], 0.005, "zinc", None)

    def engine(self) -> None:
        """Block, head, cover, manifolds, air filter, generator with belt and fan."""
        rng, side = self.rng, -self.driver  # manifolds on the side away from the steering column
        back, front = self.back + 0.10, self.front - 0.20
        length, x = front - back, (front + back) / 2
        low, head = self.bottom - 0.02, self.top - float(rng.uniform(0.24, 0.30))
        self.block("engine_block", (x, 0, (low + head) / 2), (length, 0.25, head - low), 0.015, "engine")
        self.block("engine_head", (x, 0.01 * side, head + 0.04), (length - 0.03, 0.20, 0.085), 0.012, "engine")
        cover = block((x, 0.02 * side, head + 0.115), (length - 0.07, 0.15, 0.075), 0.022, rows=4)
        self.hidden("rocker_cover", cover, "cover", surface="bare_metal")
        fins = [(-0.060 + 0.012 * k, -0.055 + 0.012 * k) for k in (0, 1, 2, 7, 8, 9)]  # beside the bolts
        ribs_at = placed((x, 0.02 * side, head + 0.1515))
        fin = pads([(-0.38 * length, 0.24 * length)], fins, 0.005).moved(ribs_at)
        self.body.add(
            "rocker_ribs", fin, "bare_metal", None, "cover", "hidden", panel="engine_bay", facing=(0, 0, 1)
        )  # fmt: skip
        raised = lettering("DIESEL", 0.034, weight=1.3).moved(ribs_at @ placed((0, 0, 0.0008), x=(-1, 0, 0)))
        self.hidden("rocker_word", raised, "bare")
        for at in (-0.25, 0.25):
            self.bolt((x + at * length, 0.02 * side, head + 0.152), (0, 0, 1), 0.009)
        skirt = brick((x, 0.02 * side, head + 0.085), (length - 0.045, 0.176, 0.009), bevel=0.003)
        self.hidden("rocker_skirt", cluster([skirt]), "cover", surface="bare_metal")
        studs = [(x + at * (length - 0.09), 0.02 * side + 0.080 * edge, head + 0.089)
                 for at in (-0.5, -0.17, 0.17, 0.5) for edge in (-1, 1)]  # fmt: skip
        self.hidden("rocker_nuts", cluster([nut(at, (0, 0, 1), 0.0055) for at in studs]), "zinc", BRACKET)
        self.hidden("oil_cap", self.drum((x + 0.36 * length, 0.02 * side, head + 0.168), (0, 0, 1), 0.030, 0.035))
        for k, at in enumerate(np.linspace(-0.36, 0.36, 4)):
            start = np.array([x + at * length, side * 0.10, head + 0.03])
            bend: list[Vector] = [
                start,
                start + by(0, side * 0.07, 0.01),
                (x + 0.7 * at * length, side * 0.17, head - 0.09),
            ]
            self.hose(f"exhaust_branch{k}", bend, 0.021, "cast", None)
            plug = np.array([x + at * length, -side * 0.115, head + 0.055])
            turn = 0.5 * np.pi * k + 0.4
            post = np.array([x + 0.30 * length, -side * 0.19, head + 0.045]) + 0.024 * by(np.cos(turn), np.sin(turn), 0)
            self.hose(
                f"plug_lead{k}",
                [plug, plug + by(0, -side * 0.05, 0.05), post + by(0, 0, 0.05), post],
                0.0038,
                "black",
            )
            boots = [boot(plug, (0, side, -0.8), 0.0042), boot(post, (0, 0, -1), 0.0042)]
            self.hidden(f"plug_boot{k}", boots, "rubber", WIRING)
        self.hose(
            "exhaust_log",
            [(x - 0.3 * length, side * 0.18, head - 0.10), (x + 0.27 * length, side * 0.18, head - 0.10)],
            0.026,
            "cast",
            None,
        )
        cap = np.array(
            [[0, 1.0], [0.25, 1.0], [0.3, 0.8], [0.8, 0.75], [0.95, 0.4], [1.0, 0.3], [1.0, 0.1], [0.8, 0.0], [0.8, -1]]
        )
        self.hidden(
            "distributor", self.drum((x + 0.30 * length, -side * 0.19, head - 0.02), (0, 0, 1), 0.044, 0.11, cap)
        )
        flange = np.array([[0, 1.0], [1.0, 1.0], [1.0, -1.0]])
        log_ends = [(x + at * length, side * 0.18, head - 0.10) for at in (-0.3, 0.27)]
        self.hidden("exhaust_flange", [self.drum(at, (1, 0, 0), 0.040, 0.012, flange) for at in log_ends], "cast")
        plenum = [(x - 0.3 * length, side * 0.15, head + 0.075), (x + 0.3 * length, side * 0.15, head + 0.075)]
        self.hose("inlet", plenum, 0.030, "bare", None)
        filter_at = np.array([x - 0.05, side * 0.30, self.top - 0.13])
        can = np.array(
            [[0, 1.0], [0.9, 1.0], [0.97, 0.9], [1.0, 0.72], [1.04, 0.70], [1.04, 0.62], [1.0, 0.6], [1.0, -1.0]]
        )
        self.hidden(
            "air_filter", self.drum(filter_at, (0, 0, 1), 0.105, float(rng.uniform(0.15, 0.22)), can), "black", BRACKET
        )
        self.bolt(filter_at + by(0, 0, 0.10), (0, 0, 1), 0.010)
        rim = [by(0.110 * np.cos(a), 0.110 * np.sin(a), 0.0) for a in np.arange(4) * np.pi / 2 + 0.6]
        latch = (0.014, 0.05, 0.006)
        clips = [p for out in rim for p in block(filter_at + out + by(0, 0, 0.052), latch, 0.001, z=out)]
        self.hidden("air_filter_clips", clips, "zinc", BRACKET)
        self.hose(
            "air_hose",
            [
                filter_at + by(-0.08, 0, 0.02),
                filter_at + by(-0.17, -0.10 * side, 0.03),
                (x - 0.2 * length, side * 0.15, head + 0.08),
            ],
            0.034,
            ribbed=True,
        )
        self.spigot(filter_at + by(-0.08, 0, 0.02), (-0.09, -0.10 * side, 0.01), 0.034, 0.030)
        plenum_at = np.array([x - 0.2 * length, side * 0.15, head + 0.08])
        self.spigot(plenum_at, filter_at + by(-0.17, -0.10 * side, 0.03) - plenum_at, 0.034, 0.028)
        self.hose(
            "air_snout",
            [
                filter_at + by(0.09, 0, 0.04),
                filter_at + by(0.22, 0.02 * side, 0.02),
                (self.front - 0.05, side * 0.30, self.top - 0.20),
            ],
            0.036,
            ribbed=True,
        )
        self.spigot(filter_at + by(0.09, 0, 0.04), (0.13, 0.02 * side, -0.02), 0.036, 0.024)
        mouth = np.array([self.front - 0.05, side * 0.30, self.top - 0.20])
        horn = np.array([[0.0, 0.012], [0.044, 0.020], [0.056, 0.020], [0.058, 0.016], [0.042, -0.004], [0.038, -0.03],
                         [0.0, -0.03]])  # fmt: skip
        reach = self.half - 0.34
        strap = [brick(mouth + by(0, side * (0.04 + reach / 2), 0.030), (0.026, reach, 0.003)),
                 brick((mouth[0], side * (self.half - 0.004), mouth[2] + 0.047), (0.026, 0.004, 0.036)),
                 nut((mouth[0], side * (self.half - 0.006), mouth[2] + 0.052), (0, -side, 0), 0.007)]  # fmt: skip
        away = mouth - filter_at - by(0.22, 0.02 * side, 0.02)
        self.hidden("air_mouth", cluster([lathe(mouth, away, horn), *strap]), "black", BRACKET)
        self.bracket(
            (x - 0.05, side * (self.half - 0.013), self.top - 0.17), (0, -side, 0), (1, 0, 0), (0.16, 0.09), 0.10
        )
        gen = np.array([front - 0.10, -side * 0.21, head - 0.10])
        ribs = np.array(
            [
                [0, 1.0],
                [0.55, 1.0],
                [0.6, 0.9],
                [0.95, 0.85],
                [1.0, 0.7],
                [1.0, 0.1],
                [0.93, 0.05],
                [0.93, -0.05],
                [1.0, -0.1],
                [1.0, -0.7],
                [0.9, -1.0],
            ]
        )
        self.hidden("generator", self.drum(gen, (1, 0, 0), 0.066, 0.15, ribs), "cast")
        wheel = np.array(
            [[0, 0.4], [0.3, 0.4], [0.35, 0.9], [0.95, 0.9], [1.0, 0.7], [0.9, 0.0], [1.0, -0.7], [0.95, -0.9]]
        )
        pulleys = [(gen[1], gen[2], 0.035), (0.0, head - 0.06, 0.06), (0.0, low + 0.06, 0.075)]
        for k, (y, z, radius) in enumerate(pulleys):
            self.hidden(f"pulley{k}", self.drum((front + 0.018, y, z), (1, 0, 0), radius, 0.024, wheel), "zinc")
        self.hidden("fan_belt", tube(_around(pulleys, front + 0.018), 0.006, around=8, closed=True), "rubber")
        for k in range(6):
            a = k * np.pi / 3 + 0.2
            blade = block(
                (front + 0.065, 0.095 * np.cos(a), head - 0.06 + 0.095 * np.sin(a)),
                (0.13, 0.06, 0.004),
                0.001,
                z=(1, -0.5 * np.sin(a), 0.5 * np.cos(a)),
                x=(0, np.cos(a), np.sin(a)),
            )
            self.hidden(f"fan{k}", blade, "black")

    def cooling(self) -> None:
        """Radiator with its tank and cap, the top hose, heater hoses to the bulkhead."""
        x, width = self.front, 1.55 * self.half
        low, high = self.bottom + 0.06, self.top - 0.085
        self.block("radiator_core", (x, 0, (low + high) / 2), (0.05, width, high - low), 0.004)
        tank = block((x, 0, high + 0.030), (0.075, width, 0.06), 0.018, rows=4)
        self.hidden("radiator_tank", tank, "black", BRACKET)
        cap = np.array([[0, 0.9], [0.5, 1.0], [0.8, 0.8], [1.0, 0.75], [1.0, -1.0]])
        self.hidden("radiator_cap", self.drum((x, 0.35 * width, high + 0.070), (0, 0, 1), 0.032, 0.028, cap), "zinc")
        for sign in (-1, 1):
            self.bracket(
                (x - 0.03, sign * (self.half - 0.004), high - 0.02), (0, -sign, 0), (1, 0, 0), (0.10, 0.06), 0.07
            )
        tall = self.top - 0.22
        outlet = np.array([x - 0.03, -0.30 * width * self.driver, high + 0.03])
        inlet = np.array([x - 0.20, 0.0, tall])
        top: list[Vector] = [outlet, outlet + by(-0.07, 0, 0.005), (x - 0.13, -0.05 * self.driver, tall + 0.06), inlet]
        self.hose("top_hose", top, 0.024)
        printed = wrapped(lettering("COOLANT 48", 0.012), _bent_through(np.array(top)), 0.0241, by(0, 0, 1))
        self.hidden("top_hose_print", printed, "lining", WIRING)
        hot = (x, -0.02 * width, high + 0.0604)
        self.label("radiator_label", hot, (0, 0, 1), (0, 1, 0), (0.12, 0.045), ["HOT", "FAN STARTS"],
                   ground="number_plate_yellow")  # fmt: skip
        self.clip(outlet + by(-0.025, 0, 0), (1, 0, 0), 0.0245)
        self.clip(inlet + by(0.015, -0.012 * self.driver, 0.015), (0.7, 0, 0.7), 0.0245)
        for k, y in enumerate((0.20, 0.27)):
            wall = np.array([self.back + 0.008, -self.driver * y, self.top - 0.18 - 0.05 * k])
            run: list[Vector] = [
                wall,
                wall + by(0.07, 0, 0.01),
                (self.middle + 0.05, -self.driver * (0.155 + 0.03 * k), self.top - 0.20),
                (self.front - 0.25, -self.driver * 0.10, self.top - 0.24),
            ]
            self.hose(f"heater_hose{k}", run, 0.0115)
            self.clip(wall + by(0.025, 0, 0.0), (1, 0, 0), 0.012)
            self.hidden(f"grommet{k}", grommet(wall, (1, 0, 0), 0.012), "rubber", WIRING)
            self.clip(np.asarray(run[-1]) + by(-0.02, 0, 0.008), (1, 0, -0.3), 0.012)
            self.hidden(f"heater_stub{k}", self.drum(run[-1], (1, 0, -0.3), 0.0095, 0.05), "cast")

    def electrics(self) -> None:
        """Battery, leads, relay box, looms along wing and bulkhead with their ties, horn, wiper motor."""
        rng, side = self.rng, self.driver * (1 if self.rng.random() < 0.5 else -1)
        at = np.array([self.front - 0.20, self.driver * (self.half - 0.14), self.top - 0.24])
        self.hidden("battery", block(at, (0.25, 0.17, 0.19), 0.006), "battery")
        lid = block(at + by(0, 0, 0.10), (0.252, 0.172, 0.022), 0.006)
        self.hidden("battery_lid", lid, "black")
        caps = [self.drum(at + by(x, 0.035 * self.driver, 0.114), (0, 0, 1), 0.0115, 0.008)
                for x in (-0.10, -0.068, -0.036, 0.036, 0.068, 0.10)]  # fmt: skip
        self.hidden("battery_caps", caps, "black")
        signs = joined(lettering("+", 0.020, (0.052, 0.0)), lettering("-", 0.020, (-0.052, 0.0)))
        signs = signs.moved(placed(at + by(0, -0.05 * self.driver, 0.1111)))
        self.hidden("battery_signs", signs, "lining")
        face = at + by(0, -0.0855 * self.driver, -0.02)
        self.label("battery_label", face, (0, -self.driver, 0), (self.driver, 0, 0), (0.16, 0.09),
                   ["12 V", "70 AH 600 A"])  # fmt: skip
        self.hidden(
            "battery_tray",
            block(at - [0, 0, 0.105], (0.29, 0.21, 0.012), 0.003),
            "black",
            BRACKET,
        )
        strap = block(at + by(0, 0, 0.116), (0.035, 0.20, 0.004), 0.001)
        self.hidden("battery_strap", strap, "black", BRACKET)
        for sign in (-1, 1):
            self.hose(
                f"battery_rod{sign}",
                [at + by(0, 0.096 * sign, 0.117), at + by(0, 0.096 * sign, -0.10)],
                0.003,
                "zinc",
                BRACKET,
            )
            self.bolt(at + by(0, 0.096 * sign, 0.119), (0, 0, 1), 0.006)
            post = at + by(0.085 * sign, -0.05 * self.driver, 0.125)
            self.hidden(f"terminal{sign}", self.drum(post, (0, 0, 1), 0.014, 0.03), "zinc", WIRING)
            self.hidden(f"terminal_clamp{sign}", block(post, (0.034, 0.030, 0.014), 0.003), "cast", WIRING)
            lead = [post + by(0, 0, 0.006), post + by(-0.05, -0.04 * self.driver, 0.03)]
            if sign > 0:  # the live one goes back along the wing and through the bulkhead
                wall = np.array([self.back + 0.012, self.driver * 0.80 * self.half, self.top - 0.16])
                lead += [wall + by(0.16, -0.02 * self.driver, 0.01), wall]
                self.hidden("battery_grommet", grommet(wall, (1, 0, 0), 0.0075), "rubber", WIRING)
            else:
                lug = np.array([at[0] - 0.17, self.driver * (self.half - 0.014), self.top - 0.16])
                lead += [lug + by(0.02, -0.03 * self.driver, 0.02), lug]
                self.bolt(lug, (0, -self.driver, 0), 0.007)
            self.hose(f"battery_lead{sign}", lead, 0.0055, "red_cable" if sign > 0 else "black")
        relays = np.array([self.back + 0.16, side * (self.half - 0.045), self.top - 0.10])
        self.hidden("relay_box", block(relays, (0.15, 0.05, 0.09), 0.008), "black", BRACKET)
        self.bracket(relays + by(0.16, side * 0.033, -0.02), (0, -side, 0), (1, 0, 0), (0.09, 0.05), 0.03)
        fuses = pads([(0.024 * k - 0.056, 0.024 * k - 0.040) for k in range(5)], [(-0.012, 0.012)], 0.010)
        self.hidden("fuses", fuses.moved(placed(relays + by(0, 0, 0.0455))), "amber")
        face = relays + by(0, -0.0255 * side, 0)
        self.label("fuse_label", face, (0, -side, 0), (side, 0, 0), (0.12, 0.066),
                   ["FUSES", "10 15 20 10 30", "FAN LAMP HORN"])  # fmt: skip
        for sign in (-1, 1):
            y = sign * (self.half - 0.022)
            path = [
                (self.front + 0.02, y, self.top - 0.13),
                (self.middle + 0.1, y, self.top - 0.075),
                (self.middle - 0.2, y, self.top - 0.085),
                (self.back + 0.03, y, self.top - 0.07),
            ]
            self._loom(f"wing_loom{sign}", path, (0, -sign, 0))
            plug = block(path[0] + by(0.012, 0, -0.004), (0.034, 0.018, 0.024), 0.003)
            self.hidden(f"wing_plug{sign}", [*plug, boot(path[0], (1, 0, -0.4), 0.0062)], "black", WIRING)
            self.hidden(f"wing_grommet{sign}", grommet(by(-0.022, 0, 0) + path[-1], (1, 0, 0), 0.010), "rubber", WIRING)
        along = [
            (self.back + 0.018, y * self.half, self.top - 0.075 + 0.008 * np.sin(9 * y))
            for y in np.linspace(-0.9, 0.9, 6)
        ]
        self._loom("bulkhead_loom", along, (1, 0, 0))
        drop = self.driver * 0.55 * self.half
        self._loom(
            "engine_loom",
            [
                (self.back + 0.02, drop, self.top - 0.08),
                (self.back + 0.09, 0.8 * drop, self.top - 0.19),
                (self.middle - 0.1, 0.5 * drop, self.top - 0.30),
            ],
            (0, 0, 1),
        )
        end = np.array([self.middle - 0.1, 0.5 * drop, self.top - 0.30])
        socket = block(end, (0.045, 0.022, 0.030), 0.004, z=(0.6, -0.2, -0.8))
        self.hidden("engine_plug", [*socket, boot(end + by(-0.02, 0, 0.012), (0.6, 0, -0.4), 0.0075)], "black", WIRING)
        horn = np.array([self.front - 0.02, -self.driver * (self.half - 0.05), self.top - 0.22])
        dish = np.array([[0, 0.25], [0.25, 0.25], [0.3, 0.1], [0.9, 0.0], [1.0, 0.1], [1.0, -0.3]])
        self.hidden("horn", self.drum(horn, (-1, 0, 0.1), 0.045, 0.09, dish), str(rng.choice(["black", "red"])))
        motor = np.array([self.back + 0.055, -self.driver * 0.42, self.top - 0.10])
        self.hidden("wiper_motor", self.drum(motor, (0, 1, 0), 0.037, 0.14), "cast")
        self.bracket(motor + by(-0.053, 0.10 * self.driver, 0), (1, 0, 0), (0, 1, 0), (0.10, 0.06), 0.04)

    def _loom(self, name: str, points: Sequence[Vector], out: Vector) -> None:
        """A taped bundle, with a second thin wire that leaves it here and there, and ties every hand's breadth."""
        path = _bent_through(np.asarray(points, float))
        self.hidden(name, tube(path, 0.0085, around=12), "black", WIRING)
        stray = path + np.asarray(out, float) * 0.009 + by(0, 0, 0.004)
        stray[:, 2] += 0.006 * np.sin(np.linspace(0, 23, len(stray)))
        self.hidden(
            f"{name}_wire",
            tube(stray, 0.0024, around=6),
            str(self.rng.choice(["red_cable", "blue_cable", "black"])),
            WIRING,
        )
        count = max(2, int(np.linalg.norm(path[-1] - path[0]) / 0.11))
        for k in np.linspace(3, len(path) - 4, count).astype(int):
            along = path[k + 1] - path[k - 1]
            band = np.array([[1.0, 0.0024], [1.22, 0.0024], [1.22, -0.0024], [1.0, -0.0024]]) * [0.0095, 1]
            tie = turned(band, 16).moved(placed(path[k], z=along))
            self.hidden(f"{name}_tie{k}", tie, "black", WIRING)

    def brakes_and_bottles(self) -> None:
        """Brake servo and cylinder with their pipes, heater box, bottles for water, the maker's brackets under them."""
        at = np.array([self.back + 0.075, self.driver * 0.66 * self.half, self.top - 0.20])
        bowl = np.array(
            [
                [0, 1.0],
                [0.3, 1.0],
                [0.45, 0.7],
                [0.9, 0.45],
                [1.0, 0.2],
                [1.04, 0.0],
                [1.0, -0.2],
                [0.9, -0.6],
                [0.5, -1.0],
            ]
        )
        self.hidden("brake_servo", self.drum(at, (1, 0, 0), 0.105, 0.13, bowl), "black", BRACKET)
        pump = at + by(0.14, 0, 0)
        self.hidden("brake_cylinder", self.drum(pump, (1, 0, 0), 0.022, 0.16), "cast")
        cup = block(pump + by(0, 0, 0.05), (0.11, 0.05, 0.055), 0.010)
        self.hidden("brake_reservoir", cup, "bottle")
        self.hidden("brake_cap", self.drum(pump + by(0.01, 0, 0.088), (0, 0, 1), 0.022, 0.02))
        for k, dx in enumerate((-0.03, 0.04)):
            out = pump + by(dx, -self.driver * 0.02, -0.005)
            self.hose(
                f"bay_pipe{k}",
                [
                    out,
                    out + by(0, -self.driver * 0.05, 0.01),
                    (self.back + 0.06, self.driver * (0.42 - 0.03 * k) * self.half, self.top - 0.34),
                    (self.back + 0.03, self.driver * 0.3 * self.half, self.bottom),
                ],
                0.003,
                "zinc",
                BRACKET,
            )
            self.hidden(f"bay_union{k}", union(out, (0, self.driver, 0), 0.0032), "zinc", BRACKET)
        heater = np.array([self.back + 0.09, -self.driver * 0.62 * self.half, self.top - 0.31])
        self.hidden("heater_box", block(heater, (0.17, 0.30, 0.22), 0.02), "black")
        bottle = np.array([self.middle - 0.12, -self.driver * (self.half - 0.09), self.top - 0.15])
        side = -self.driver if self.rng.random() < 0.5 else self.driver
        bottle[1] = side * abs(bottle[1])
        bottle[0] += 0.0 if side == self.driver else -0.14
        self.hidden("washer_bottle", block(bottle, (0.14, 0.09, 0.19), 0.018, rows=3), "bottle")
        moulded = lettering("WASHER", 0.014).moved(
            placed(bottle + by(0, -0.0453 * side, 0.03), z=(0, -side, 0), x=(side, 0, 0))
        )
        self.hidden("washer_word", moulded, "plate_ink")
        self.hidden("washer_cap", self.drum(bottle + by(0, 0, 0.105), (0, 0, 1), 0.025, 0.025), "black")
        self.bracket(bottle + by(0.11, side * 0.076, -0.03), (0, -side, 0), (1, 0, 0), (0.07, 0.06), 0.05)
        self.hose(
            "washer_hose",
            [
                bottle + by(0.02, 0, 0.11),
                bottle + by(-0.08, -0.05 * side, 0.13),
                (self.back + 0.05, side * 0.3, self.top - 0.05),
                (self.back + 0.010, side * 0.3, self.top - 0.055),
            ],
            0.003,
        )
        wall = (self.back + 0.008, side * 0.3, self.top - 0.055)
        self.hidden("washer_grommet", grommet(wall, (1, 0, 0), 0.0055), "rubber", WIRING)

    def sites(self) -> None:
        """Close-ups: brackets and cables on the wings, the bulkhead, flanges, the frame of the bonnet."""
        body = self.body
        for k, x in enumerate(np.linspace(self.front - 0.12, self.back + 0.2, 3)):
            for side, sign in (("left", 1.0), ("right", -1.0)):
                at = (x, sign * (self.half - 0.02), self.top - 0.09)
                body.site(
                    f"inner_wing.{k}.{side}",
                    "engine_bay",
                    "wing_front",
                    at,
                    (0.1, -sign, 0.75),
                    0.34,
                    side=side,
                    panel=f"inner_wing_{side}",
                )
        for k, y in enumerate(np.linspace(-0.6, 0.6, 4) * self.half):
            body.site(
                f"bulkhead.{k}",
                "engine_bay",
                "bulkhead",
                (self.back + 0.015, y, self.top - 0.09),
                (1, 0, 0.55),
                0.36,
                panel="bulkhead",
            )
        for name, y, z in (("filter", -self.driver * 0.30, 0.04), ("battery", self.driver * (self.half - 0.14), 0.13)):
            x = self.front - 0.20 if name == "battery" else self.middle - 0.10
            body.site(
                f"bay.{name}",
                "engine_bay",
                BRACKET,
                (x, y, self.top - z),
                (0.15, -0.2 * np.sign(y), 1),
                0.36,
                panel="engine_bay",
            )
        body.site(
            "slam_panel.site",
            "engine_bay",
            "bonnet",
            (body.x_front - 0.10, 0.1, self.top),
            (0.4, 0, 1),
            0.40,
            panel="slam_panel",
        )
        lift = body.bonnet_lift()
        spot = (lift @ [body.x_front - 0.12, 0.2, self.top, 1.0])[:3]
        body.site(
            "bonnet_inside.site", "engine_bay", "bonnet", spot, lift[:3, :3] @ [0, 0, -1.0], 0.45, panel="bonnet_inside"
        )


def _between(value: Points, low: float, high: float, soft: float) -> Points:
    """1 between two values, 0 outside, with soft flanks."""
    return np.asarray(smoothstep(0, 1, (value - low) / soft + 0.5) * smoothstep(0, 1, (high - value) / soft + 0.5))


def _bent_through(points: Points, reach: float = 0.0) -> Points:
    """A smooth path from first to last point: its corners cut (Chaikin), or rounded over `reach` metres only."""
    if reach:
        rounded = [points[:1]]
        for before, at, after in zip(points[:-2], points[1:-1], points[2:], strict=True):
            first, second = (at + (p - at) * min(0.5, reach / np.linalg.norm(p - at)) for p in (before, after))
            t = np.linspace(0, 1, 7)[:, None]
            rounded.append((1 - t) ** 2 * first + 2 * t * (1 - t) * at + t**2 * second)
        points = np.concatenate([*rounded, points[-1:]])
        return resample(points, 90)
    for _ in range(4):
        left, right = 0.75 * points[:-1] + 0.25 * points[1:], 0.25 * points[:-1] + 0.75 * points[1:]
        points = np.concatenate([points[:1], np.stack([left, right], 1).reshape(-1, 3), points[-1:]])
    return resample(points, 40)


def _around(pulleys: list[tuple[float, float, float]], x: float) -> Points:
    """A belt in the plane x around round pulleys (y, z, radius): their convex outline, closed."""
    angle = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    dots = np.concatenate([np.stack([y + r * np.cos(angle), z + r * np.sin(angle)], 1) for y, z, r in pulleys])
    outline = resample(dots[ConvexHull(dots).vertices], 80, closed=True)
    return np.column_stack([np.full(len(outline), x), outline])
