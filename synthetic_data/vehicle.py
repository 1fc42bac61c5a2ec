"""An invented body-on-frame utility vehicle: parts, each a patch with surface, zone, side and factory finish.

Built from a `BodyFamily` (ranges in `configs/synthesis/families.yaml`) and a random generator. x points forward from
the middle of the wheelbase, y to the left, z up; metres. Which parts the factory painted, left bare or riveted follows
the family.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Literal

import numpy as np
from pydantic import Field

from pipeline.configuration import Config, load, shipped
from synthetic_data import cabin, clutter, engine_bay, fasteners, fittings, running_gear, wheels
from synthetic_data.geometry import (
    MIRROR_Y,
    Patch,
    Points,
    Vector,
    area_normals,
    block,
    lengths,
    line,
    loft,
    patch,
    placed,
    plate,
    resample,
    rolled_edges,
    rounded_corners,
    rounded_rectangle,
    slotted,
    smoothstep,
    spot_weld,
    sweep,
    tube,
    turned,
    unit_normals,
    with_lines,
)
from synthetic_data.pressings import (
    WAIST_M,
    BodyShape,
    Hang,
    Pressings,
    PressRanges,
    Relief,
    ShapeRanges,
    Unevenness,
    UsedSheet,
    inner_door,
    pressed,
    puckered,
)

Kind = Literal["sheet", "shut", "seal", "fastener", "seam", "hidden", "other"]
Range = tuple[float, float]
RUBBER = np.array(  # section of a glazing rubber, from its lip on the sheet to the glass: shares of half width, height
    [
        [1.08, -0.12], [1.0, 0.10], [0.95, 0.36], [0.84, 0.62], [0.66, 0.84], [0.42, 0.93], [0.24, 0.88], [0.16, 0.66],
        [0.12, 0.52], [-0.02, 0.50], [-0.06, 0.66], [-0.14, 0.90], [-0.34, 0.98], [-0.58, 0.86], [-0.78, 0.62],
        [-0.90, 0.36], [-0.98, 0.10],
    ]
)  # fmt: skip
ON_BODY = (  # of doors and bonnet, when they open
    "door_check", "bonnet_gutter", "bonnet_latch", "bonnet_seal", "bonnet_prop",
    *(f"door_hinge{k}.{what}1" for k in (0, 1) for what in ("leaf", "bolt")),
)  # fmt: skip
WAIST_LINES = np.linspace(0.2, 1.2, 6) * WAIST_M  # of a sheet under the belt, from its upper edge
LANDING_ROWS = 10  # of a shut, from its outer edge
SEAT_REACH_M, SEAT_SHIFT_M = 0.04, 0.02  # how far from a rivet its sheet's points may be, aside and along
SEAT_AROUND_M = 0.12  # how far from a row of rivets to look for them; a sheet's points lie closer together


class FloorShares(Config):
    """Shares of vehicles whose cab has no mat, or a short one; whole mats hide the floor of all others."""

    bare: float = Field(ge=0, le=1)
    short_mat: float = Field(ge=0, le=1)


class BodyFamily(Config):
    """Ranges of one invented family, metres unless the key says otherwise."""

    body: Literal["wagon", "pickup", "station", "chassis_cab"]
    held_out: bool = False
    floor: FloorShares
    wheelbase: Range
    width: Range
    rear_overhang: Range
    roof_height: Range
    belt_height: Range
    door_length: Range
    window_radius: Range
    tyre_radius: Range
    rivet_pitch_mm: Range
    rivet_radius_mm: Range
    rivet_finish: dict[str, Literal["body", "bare", "zinc"]] = Field(
        description="Factory finish of each row of rivets."
    )
    badge_bolts: bool = Field(default=False, description="Two rows on the tailgate, as in the family's build sheet.")
    hinge_bolt_finish: Literal["bare", "zinc", "black"]
    rail_finish: Literal["body", "zinc"]
    seam_sealer: dict[str, bool] = Field(description="Seams the factory sealed with an even bead.")
    seal_width_mm: Range
    bonnet_bulge: Range
    head_rests: bool = Field(description="Whether the seats have them.")


class Families(Config):
    sheet: UsedSheet
    press: PressRanges
    shape: ShapeRanges
    hang: Hang
    fastenings: fasteners.Fastenings
    families: dict[str, BodyFamily]


def families() -> dict[str, BodyFamily]:
    """The body families of the shipped configuration."""
    return _families().families


@cache
def _families() -> Families:
    return load(shipped("synthesis", "families.yaml"), Families)


@dataclass(frozen=True, slots=True)
class Part:
    """One patch. `panel` names what is painted in one go; `group` keeps the patches of one thing together."""

    name: str
    patch: Patch
    surface: str
    zone: str | None
    side: str | None
    finish: str
    kind: Kind
    panel: str = ""
    group: str = ""


@dataclass(frozen=True, slots=True)
class Site:
    """A place worth a close-up: where to stand, what to aim at, and how large the thing is."""

    name: str
    place: str
    zone: str | None
    side: str | None
    target: Points
    normal: Points
    extent_m: float
    panel: str = ""


@dataclass(frozen=True, slots=True)
class Vehicle:
    """All parts of one vehicle with its doors as they stand, and the places worth a close-up.

    The bonnet is no door: with it open there is an engine bay among the parts, whose middle is `bay_centre`.
    """

    family: str
    parts: tuple[Part, ...]
    sites: tuple[Site, ...]
    length: float
    width: float
    height: float
    open_doors: tuple[str, ...]
    door_centre: Points
    bay_centre: Points


def build_vehicle(name: str, family: BodyFamily, rng: np.random.Generator, open_doors: Sequence[str] = ()) -> Vehicle:
    """One vehicle of a family. The same generator state gives the same vehicle whatever stands open.

    `open_doors` holds any of left, right and bonnet.
    """
    return Builder(name, family, rng, tuple(open_doors)).build()


class Builder:
    """Collects parts; each method adds one assembly. Left-hand parts are mirrored to the right."""

    def __init__(self, name: str, family: BodyFamily, rng: np.random.Generator, open_doors: tuple[str, ...]) -> None:

        def draw(limits: tuple[float, float]) -> float:
            return float(rng.uniform(*limits))

        self.name, self.family, self.rng, self.open_doors = name, family, rng, open_doors
        self.parts: list[Part] = []
        self.sites: list[Site] = []
        self.wheelbase, self.width = draw(family.wheelbase), draw(family.width)
        self.tyre = draw(family.tyre_radius)
        self.axle_z = self.tyre
        self.arch = self.tyre + draw((0.07, 0.12))
        self.y = self.width / 2
        self.front_axle, self.rear_axle = self.wheelbase / 2, -self.wheelbase / 2
        self.x_front = self.front_axle + draw((0.50, 0.64))
        self.x_rear = self.rear_axle - draw(family.rear_overhang)
        self.door_front = self.front_axle - self.arch - draw((0.05, 0.12))
        self.door_rear = self.door_front - draw(family.door_length)
        self.z_sill = self.axle_z + draw((0.16, 0.24))
        self.z_belt = draw(family.belt_height)
        self.z_roof = draw(family.roof_height)
        self.z_wing = self.z_belt - draw((0.06, 0.12))
        self.z_chassis = self.z_sill - 0.10
        self.gap = draw((0.004, 0.009))
        self.bonnet_half = self.y - draw((0.20, 0.30))
        self.pillar = draw((0.06, 0.09))
        self.window_radius = draw(family.window_radius)
        self.seal_width = draw(family.seal_width_mm) / 1000
        self.seal_height = draw((0.006, 0.012))
        self.pitch, self.rivet = draw(family.rivet_pitch_mm) / 1000, draw(family.rivet_radius_mm) / 1000
        self.bulge = draw((0.002, 0.012))
        self.bonnet_bulge = draw(family.bonnet_bulge)
        self.door_angle = np.radians(draw((50, 85)))
        self.lamp_radius = draw((0.085, 0.10))
        self.hinge_kind = str(rng.choice(["strap", "block", "butt"]))
        self.fastener_kind = str(rng.choice(["hex", "flange", "cross", "socket"]))
        self.x_seam = self.door_rear - draw((0.10, 0.18))
        self.flip_details = bool(rng.integers(2))
        # what only an open bonnet shows changes nothing else
        self.bay_rng, self.fitting_rng, self.seat_rng, head_rng, pane_rng, sheet_rng, shape_rng = rng.spawn(7)
        self.seat_flutes = int(self.seat_rng.choice([0, 3, 5, 7]))
        self.head_seed = int(head_rng.integers(2**31))
        shares = fittings.fitting_settings().wheels
        wheel_rng = np.random.default_rng([self.head_seed, zlib.crc32(b"wheels")])
        self.wheel_kind = wheels.WheelKind(
            int(wheel_rng.choice(shares.holes)),
            float(wheel_rng.uniform(*shares.hole_width)),
            float(wheel_rng.uniform(*shares.tread_left)),
        )
        self.wing_bolt_kind = str(head_rng.choice(["hex", "flange", "cross", "slot"]))
        self.trim_kind = str(head_rng.choice(["clip", "slot", "cross"]))
        self.bonnet_angle = float(np.radians(self.bay_rng.uniform(48, 62)))
        self.pressings = Pressings.draw(_families().press, self.fitting_rng)
        self.unevenness = Unevenness.draw(_families().sheet, sheet_rng)
        self._shape(_families().shape, shape_rng)
        self.doors_slide, self.sides_slide = (bool(draw < 0.5) for draw in pane_rng.random(2))

    def _shape(self, ranges: ShapeRanges, rng: np.random.Generator) -> None:
        """Draw how this body is bent, how its edges are made and how its doors hang."""

        def draw(limits: tuple[float, float]) -> float:
            return float(rng.uniform(*limits))

        self.shape = BodyShape(
            self.y, self.z_sill, self.z_belt, self.z_roof, self.z_wing, self.front_axle, self.x_front,
            (self.door_front, self.x_rear if self.family.body in ("wagon", "station") else self.x_seam),
            self.z_sill + draw(ranges.widest) * (self.z_belt - self.z_sill),
            draw(ranges.tumblehome), draw(ranges.turn_under), draw(ranges.nose_taper), draw(ranges.nose_drop),
            draw(ranges.roof_bow), draw(ranges.plan_bow), draw(ranges.waist_mm) / 1000,
        )  # fmt: skip
        self.shoulder, self.fold, self.hem, self.hem_step, self.corner, self.landing = (
            draw(limits) / 1000
            for limits in (
                ranges.shoulder_mm,
                ranges.fold_mm,
                ranges.hem_mm,
                ranges.hem_step_mm,
                ranges.corner_mm,
                ranges.landing_mm,
            )
        )
        self.hang = _families().hang
        hinged = (self.door_front, self.y, (self.z_sill + self.z_belt) / 2)
        reach = self.door_front - self.door_rear
        self.hung = {side: self.hang.turn(hinged, reach, rng) for side in ("left", "right")}
        self.edge_share, self.edge_rng = ranges.edge_share, rng

    # --- bookkeeping -----------------------------------------------------------------------------------------

    def add(
        self,
        name: str,
        surfaces: Patch | Sequence[Patch],
        surface: str,
        zone: str | None,
        finish: str,
        kind: Kind = "other",
        *,
        side: str | None = None,
        panel: str = "",
        group: str = "",
        both: bool = False,
        inward: bool = False,
        facing: Vector | None = None,
    ) -> None:
        """Add one or more patches; `both` adds the mirrored ones too, sides named left and right.

        The outside is found by itself, or is the side that looks along `facing`.
        """
        for k, one in enumerate([surfaces] if isinstance(surfaces, Patch) else surfaces):
            one = _turned_outwards(one, inward) if facing is None else _turned_towards(one, facing)
            part = Part(
                f"{name}.{k}" if k else name,
                one,
                surface,
                zone,
                "left" if both else side,
                finish,
                kind,
                panel,
                group or name,
            )
            self.parts.append(part)
            if both:
                self.parts.append(
                    replace(
                        part,
                        name=f"{part.name}.right",
                        patch=one.moved(MIRROR_Y),
                        side="right",
                        panel=panel.replace("left", "right"),
                        group=part.group.replace("left", "right") + ".right",
                    )
                )

    def site(
        self,
        name: str,
        place: str,
        zone: str | None,
        target: Vector,
        normal: Vector,
        extent: float,
        *,
        side: str | None = None,
        panel: str = "",
        both: bool = False,
    ) -> None:
        point, out = np.asarray(target, float), np.asarray(normal, float)
        self.sites.append(
            Site(name, place, zone, "left" if both else side, point, out / np.linalg.norm(out), extent, panel)
        )
        if both:
            flip = np.array([1.0, -1.0, 1.0])
            self.sites.append(
                Site(
                    f"{name}.right",
                    place,
                    zone,
                    "right",
                    point * flip,
                    out * flip / np.linalg.norm(out),
                    extent,
                    panel.replace("left", "right"),
                )
            )

    def build(self) -> Vehicle:
        self.front()
        self.windscreen()
        self.doors()
        self.rear_body()
        self.rails()
        self.chassis()
        self.wheels()
        cabin.fit_out(self)
        self.trim()
        fittings.outside(self)
        clutter.strew(self)
        if "bonnet" in self.open_doors:
            engine_bay.fit_out(self)
        self._bend()
        return Vehicle(
            self.name,
            tuple(self.parts),
            tuple(self.sites),
            self.x_front - self.x_rear,
            self.width,
            self.z_roof,
            tuple(door for door in self.open_doors if door != "bonnet"),
            np.array([(self.door_front + self.door_rear) / 2, self.y, (self.z_sill + self.z_belt) / 2]),
            np.array([(self.x_front + self.door_front) / 2, 0.0, self.z_wing - 0.15]),
        )

    def _bend(self) -> None:
        """Give the straight body its shape: what stands open is bent as it lay closed, wheels not at all."""
        self.parts = [
            part
            if part.panel == "wheels"
            else replace(part, patch=replace(part.patch, points=self._bent(part.patch.points, part.name, part.side)))
            for part in self.parts
        ]
        self.sites = [replace(site, target=self._bent(site.target, site.name, site.side)) for site in self.sites]

    def _bent(self, points: Points, name: str, side: str | None) -> Points:
        stays = name.startswith(ON_BODY)
        if name.startswith(("door", "handle")) and side is not None and not stays:
            opened = self._door_turn(side)
        elif "bonnet" in self.open_doors and name.startswith("bonnet") and not stays:
            opened = self.bonnet_lift()
        else:
            return self.shape.bent(points)
        closed = np.linalg.inv(opened)
        bent = self.shape.bent(points @ closed[:3, :3].T + closed[:3, 3])
        return np.asarray(bent @ opened[:3, :3].T + opened[:3, 3])

    def edge(self, radius: float) -> float:
        """The radius of the next sheet's edge: no two sheets come from the folding press alike."""
        return radius * float(self.edge_rng.uniform(*self.edge_share))

    # --- shapes used by several assemblies -------------------------------------------------------------------

    def side_panel(
        self,
        x0: float,
        x1: float,
        top: float,
        *,
        arch_at: float | None = None,
        rows: int = 26,
        columns: int = 30,
        edges: str = "tblr",
        relief: Relief | None = None,
        shoulder: float = 0.0,
    ) -> Patch:
        """A flat side panel between x0 > x1, from the sill (or the wheel arch) to `top`, edges folded in.

        With a `shoulder` it goes on over the top, round over that radius.
        """
        x = np.linspace(x0, x1, columns)
        if arch_at is not None:
            round_ = arch_at + self.arch * np.cos(np.linspace(0.1, np.pi - 0.1, 24))
            x = np.sort(np.concatenate([x, round_[(round_ < x0) & (round_ > x1)]]))[::-1]
        low = np.full(len(x), self.z_sill)
        if arch_at is not None:
            reach = self.arch**2 - (x - arch_at) ** 2
            low = np.maximum(low, np.where(reach > 0, self.axle_z + np.sqrt(np.maximum(reach, 0)), 0))
        upper = np.stack([x, np.full(len(x), self.y), np.full(len(x), top)], 1)
        lower = np.stack([x, np.full(len(x), self.y), low], 1)
        sheet = self.waved(loft(upper, lower, rows, bulge=0.0 if shoulder else self.bulge))
        sheet = sheet if relief is None else pressed(sheet, relief, (0, 1, 0))
        if shoulder:
            sheet = rolled_edges(sheet, shoulder, 0.0, edges="t", steps=8)
        else:
            sheet = patch(with_lines(sheet.points, 0, WAIST_LINES))
        return rolled_edges(sheet, self.edge(self.fold), 0.018, edges=edges.replace("t", "") if shoulder else edges)

    def waved(self, surface: Patch) -> Patch:
        """The unevenness of hand-finished sheet, a few tenths of a millimetre over some decimetres, and that of use."""
        rows, columns = surface.points.shape[:2]
        coarse = self.rng.normal(size=(max(3, rows // 5), max(3, columns // 5)))
        grid_r, grid_c = np.linspace(0, coarse.shape[0] - 1, rows), np.linspace(0, coarse.shape[1] - 1, columns)
        r, c = (
            np.floor(grid_r).astype(int).clip(0, coarse.shape[0] - 2),
            np.floor(grid_c).astype(int).clip(0, coarse.shape[1] - 2),
        )
        fr, fc = smoothstep(0, 1, grid_r - r)[:, None], smoothstep(0, 1, grid_c - c)[None]
        wave = (
            coarse[r][:, c] * (1 - fr) * (1 - fc)
            + coarse[r + 1][:, c] * fr * (1 - fc)
            + coarse[r][:, c + 1] * (1 - fr) * fc
            + coarse[r + 1][:, c + 1] * fr * fc
        )
        proud = 0.0004 * wave + self.unevenness.depth(surface.points)
        return patch(surface.points + unit_normals(surface.points) * proud[..., None])

    def window(
        self,
        name: str,
        origin: Points,
        u: Points,
        v: Points,
        width: float,
        height: float,
        margin: Sequence[float],
        *,
        zone: str,
        panel: str,
        both: bool = False,
        side: str | None = None,
        transform: Points | None = None,
        sites: bool = True,
        shut: str = "",
        slides: bool = False,
    ) -> None:
        """A framed pane: hollow sheet ring, glazing rubber, glass.

        `origin` is the middle; margins are those left, right, top and bottom of the sheet. The inside of the ring
        belongs to the panel `shut` where one is named. A pane that `slides` is two, one behind the other.
        """
        w = np.cross(u, v)

        def at(curve: Points, out: float = 0.0) -> Points:
            return origin + curve[:, :1] * u + curve[:, 1:] * v + out * w

        count = 121
        inner = rounded_rectangle(width, height, self.window_radius, count)
        left, right, top, bottom = margin
        shift = np.array([(right - left) / 2, (top - bottom) / 2])
        outer = rounded_rectangle(width + left + right, height + top + bottom, 0.012, count) + shift

        def apply(surface: Patch) -> Patch:
            return surface if transform is None else surface.moved(transform)

        near = rounded_rectangle(
            width + 0.024, height + 0.024, self.window_radius + 0.012, count
        )  # so that distances to the rubber are true
        sheet = patch(np.concatenate([loft(at(outer), at(near), 8).points[:-1], loft(at(near), at(inner), 4).points]))
        frame = rolled_edges(sheet.flipped(), 0.003, 0.02, edges="tb")
        self.add(f"{name}.frame", apply(frame), "paint", zone, "body", "sheet", panel=panel, both=both, side=side)
        back = apply(loft(at(outer, -0.023), at(inner, -0.023), 2))
        way_in = -w if transform is None else -(transform[:3, :3] @ w)
        self.add(
            f"{name}.back", back, "paint", "door_shut" if shut else zone, "body", "shut" if shut else "sheet",
            panel=shut or panel, both=both, side=side, group=f"{name}.back" if shut else f"{name}.frame", facing=way_in,
        )  # fmt: skip
        sw, sh = self.seal_width, self.seal_height
        lip = np.concatenate([RUBBER * [sw / 2, sh], [[-sw / 2 - 0.001, -0.005]]])
        path = at(rounded_rectangle(width - 0.2 * sw, height - 0.2 * sw, self.window_radius, 241))
        seal = sweep(lip, path, w, closed=True)
        self.add(
            f"{name}.seal", apply(seal), "rubber", "glazing_seal", "rubber", "seal", panel=panel, both=both, side=side
        )
        rows, half = np.linspace(0.0, 1.0, 6)[:, None, None], width / 2
        meets = 0.014
        spans = [(-half, meets, -0.004), (-meets, half, -0.013)] if slides else [(-half, half, -0.004)]
        glass = []
        for low, high, depth in spans:
            edge = np.column_stack([np.clip(0.995 * inner[:, 0], low, high), 0.995 * inner[:, 1]])
            middle = at(0 * inner + ((low + high) / 2 * slides, 0.0), depth * slides)
            glass.append(apply(patch(middle[None] * (1 - rows) + at(edge, depth)[None] * rows)))
        self.add(f"{name}.glass", glass, "glass", None, "glass", both=both, side=side)
        if slides:  # the ground edge of the outer pane, the felt before the inner one, its catch

            def strip(x: float, out: float, size: Vector) -> list[Patch]:
                return [apply(p) for p in block(origin + x * u + out * w, size, 0.0008, z=w, x=u)[:2]]

            ground = strip(meets, -0.004, (0.002, height - 0.006, 0.005))
            self.add(f"{name}.edge", ground[:1], "glass", None, "glass_edge", both=both, side=side)
            felt = strip(-meets, -0.010, (0.009, height - 0.004, 0.006)) + strip(
                meets + 0.022, -0.008, (0.018, 0.042, 0.008)
            )
            self.add(f"{name}.felt", felt, "rubber", None, "rubber", both=both, side=side)
        if sites:
            for cx, cy, weight in ((-1, -1, 1.0), (1, -1, 1.0), (0, -1, 1.0), (-1, 1, 1.0)):
                point = origin + u * cx * (width / 2 - 0.02) + v * cy * (height / 2 - 0.005)
                if transform is not None:
                    point = transform[:3, :3] @ point + transform[:3, 3]
                out = w if transform is None else transform[:3, :3] @ w
                self.site(
                    f"{name}.seal.{cx}{cy}",
                    "glazing_rubber",
                    "glazing_seal",
                    point,
                    out,
                    0.14 * weight,
                    both=both,
                    side=side,
                    panel=panel,
                )

    def fastener(
        self,
        name: str,
        at: Points,
        out: Points,
        *,
        kind: str,
        radius: float,
        finish: str,
        zone: str | None,
        panel: str,
        side: str | None = None,
        both: bool = False,
        turn: float = 0.0,
        lost: bool = False,
    ) -> None:
        """One bolt, screw or rivet head; `radius` is that of the head in metres.

        `turn` is where a hand would have left it; every head differs a little in turn, seat and slant from the next.
        One that may be `lost` is missing on some vehicles, and another kind stands in for it on others.
        """
        habits = _families().fastenings
        rng = np.random.default_rng([self.head_seed, zlib.crc32(name.encode())])
        fate, turn = rng.random(), turn + rng.uniform(-np.pi, np.pi)
        place = placed(at, z=out, x=(np.cos(turn), np.sin(turn), 0.3))
        if lost and fate < habits.missing:
            gone = fasteners.hole(radius).moved(place)
            self.add(name, gone, "black_part", zone, "black", panel=panel, side=side, both=both, facing=out)
            return
        if lost and fate > 1 - habits.replaced:
            kind = str(rng.choice(fasteners.INSTEAD[kind]))
        shapes = fasteners.head(kind, radius, habits, rng)
        self.add(
            name,
            [s.moved(place) for s in shapes],
            "bare_metal" if finish in ("bare", "zinc") else "black_part" if finish == "black" else "paint",
            zone,
            finish,
            "fastener",
            panel=panel,
            side=side,
            both=both,
            group=name,
            facing=out,
        )

    def rivets(
        self,
        name: str,
        start: Vector,
        end: Vector,
        out: Vector,
        *,
        zone: str,
        panel: str,
        row: str,
        both: bool = True,
        side: str | None = None,
        bulge: float = 0.0,
    ) -> None:
        """A row of rivets at the family's pitch, with a close-up site in its middle."""
        first, last = np.asarray(start, float), np.asarray(end, float)
        count = max(2, round(float(np.linalg.norm(last - first)) / self.pitch) + 1)
        finish = self.family.rivet_finish.get(row, "body")
        t, normal = np.linspace(0, 1, count)[:, None], np.asarray(out, float)
        row_line = line(first, last, count) + normal * 3.6 * bulge * t * (1 - t)
        jitter = self.rng.normal(size=(count, 3)) * 0.0006 * (1 - np.abs(normal))
        self.draw_in(row_line, normal, panel)
        for k, at in enumerate(self.seated(row_line + jitter, normal, panel)):
            self.fastener(
                f"{name}.{k}",
                at,
                normal,
                kind="rivet",
                radius=self.rivet,
                finish=finish,
                zone=zone,
                panel=panel,
                both=both,
                side=side,
            )
        middle = line(first, last, 5)
        for k in (1, 3):
            self.site(
                f"{name}.site{k}",
                "fasteners",
                zone,
                middle[k],
                out,
                3.2 * self.pitch,
                both=both,
                side=side,
                panel=panel,
            )

    def draw_in(self, row: Points, out: Points, panel: str) -> None:
        """Pucker the sheet that lies under a row of heads (n, 3), and its twin on the other side."""
        depths = self.edge_rng.uniform(*_families().sheet.pucker_mm, len(row)) / 1000
        for k, part in enumerate(self.parts):
            if part.kind == "sheet" and part.panel == panel and _lies_under(row, out, part.patch.points):
                self.parts[k] = replace(part, patch=patch(puckered(part.patch.points, row, out, depths)))
                twin = k + 1
                if twin < len(self.parts) and self.parts[twin].name == f"{part.name}.right":
                    self.parts[twin] = replace(self.parts[twin], patch=self.parts[k].patch.moved(MIRROR_Y))

    def seated(self, row: Points, out: Points, panel: str) -> Points:
        """A row (n, 3) moved along `out` onto the panel's sheet, which bulges, waves and pressings carry off it."""
        low, high = row.min(axis=0) - SEAT_AROUND_M, row.max(axis=0) + SEAT_AROUND_M
        sheets = [p.patch.points for p in self.parts if p.kind == "sheet" and p.panel == panel]
        near = [sheet[((sheet > low) & (sheet < high)).all(axis=-1)] for sheet in sheets]
        shifts = np.zeros(len(row))
        for k, at in enumerate(row):
            nearest = SEAT_REACH_M
            for points in near:
                away = points - at
                along = away @ out
                across = away - along[:, None] * out
                aside = np.where(np.abs(along) < SEAT_SHIFT_M, lengths(across), np.inf)
                around = np.argpartition(aside, 8)[:9] if len(aside) > 9 else np.arange(len(aside))
                around = around[np.isfinite(aside[around])]
                if len(around) and aside[around].min() < nearest:
                    weight = 1 / (aside[around] + 1e-3)  # a plane through what lies nearest
                    plane = np.column_stack([np.ones(len(around)), across[around]]) * weight[:, None]
                    nearest = float(aside[around].min())
                    shifts[k] = np.linalg.lstsq(plane, along[around] * weight, rcond=1e-6)[0][0]
        return np.asarray(row + shifts[:, None] * out)

    def welds(
        self, name: str, start: Vector, end: Vector, out: Vector, *, zone: str, panel: str, like: str, bulge: float
    ) -> None:
        """A row of spot welds on both sides, painted as the sheet `like` that they are in, with close-up sites."""
        first, last, normal = (np.asarray(v, float) for v in (start, end, out))
        count = max(2, round(float(np.linalg.norm(last - first)) / (0.85 * self.pitch)) + 1)
        t = np.linspace(0, 1, count)[:, None]
        row = line(first, last, count) + normal * 3.6 * bulge * t * (1 - t)
        self.draw_in(row, normal, panel)
        for k, at in enumerate(self.seated(row, normal, panel)):
            dimple = spot_weld(0.003).flipped().moved(placed(at, z=normal))
            self.add(f"{name}.{k}", dimple, "paint", zone, "body", "sheet", panel=panel, group=like, both=True)
        for k, at in enumerate(line(first, last, 7)[1:-1:2]):
            self.site(f"{name}.site{k}", "fasteners", zone, at, normal, 3.5 * self.pitch, both=True, panel=panel)

    def seam(
        self,
        name: str,
        start: Vector,
        end: Vector,
        out: Vector,
        *,
        panel: str,
        both: bool = True,
        zone: str = "body_seam",
        side: str | None = None,
        bulge: float = 0.0,
    ) -> None:
        """The join of two sheets: a groove the painter may fill; it follows a sheet that stands `bulge` proud."""
        half, g = 0.008, self.gap / 2
        profile = np.array(
            [
                [half, 0],
                [g + 0.0035, 0],
                [g + 0.0012, -0.0006],
                [g, -0.0022],
                [g * 0.9, -0.009],
                [0, -0.0095],
                [-g * 0.9, -0.009],
                [-g, -0.0022],
                [-g - 0.0012, -0.0006],
                [-g - 0.0035, 0],
                [-half, 0],
            ]
        )
        t = np.linspace(0, 1, 161)[:, None]
        path = line(start, end, 161) + np.asarray(out, float) * (4 * bulge * t * (1 - t) + 0.0003)
        strip = sweep(profile, path, np.asarray(out, float))
        uneven = self.edge_rng.uniform(*self.hang.seam_share) * np.sin(5.0 * t[:, 0] + self.edge_rng.uniform(0, 6.3))
        aside = strip.points - path  # the groove's sides wander, the sheets it lies on do not
        aside -= (aside @ np.asarray(out, float))[..., None] * np.asarray(out, float)
        strip = patch(strip.points + (np.abs(profile[:, 0]) < half)[:, None, None] * uneven[:, None] * aside)
        self.add(name, strip, "paint", zone, "body", "seam", panel=panel, both=both, side=side, group=name, facing=out)
        for k, at in enumerate(line(start, end, 7)[1:-1:2]):
            self.site(f"{name}.site{k}", "body_seam", zone, at, out, 0.22, both=both, side=side, panel=panel)

    def hinge(
        self,
        name: str,
        at: Vector,
        axis: Vector,
        out: Vector,
        along: Vector,
        *,
        panel: str,
        transform: Points | None = None,
    ) -> None:
        """An external hinge: two leaves, a barrel, bolts. `along` points over the leaves."""
        centre, axis_, out_, along_ = (np.asarray(v, float) for v in (at, axis, out, along))
        lw, lh = {"strap": (0.11, 0.045), "block": (0.055, 0.075), "butt": (0.06, 0.10)}[self.hinge_kind]
        corner, slim = {"strap": (0.020, 0.35), "block": (0.010, 0.0), "butt": (0.014, 0.25)}[self.hinge_kind]
        thick = 0.0055
        finish = "body" if self.flip_details else "black"
        surface = "paint" if finish == "body" else "black_part"
        outline = rounded_rectangle(lw + 0.006, lh, corner, 61) + np.array([lw / 2 + 0.005, 0.0])
        outline = outline * np.stack([np.ones(61), 1 - slim * outline[:, 0] / outline[:, 0].max()], 1)
        outline[:, 0] = np.maximum(outline[:, 0], 0.004)  # the knuckles' side
        for sign in (1, -1):
            leaf = plate(outline, thick, 0.0016).moved(placed(centre, z=out_, x=along_ * sign))
            self.add(
                f"{name}.leaf{sign}", leaf, surface, "hinge", finish, "sheet",
                panel=panel, side="left", group=f"{name}.leaf", facing=out_,
            )  # fmt: skip
            spots = [(0.3, 0.0), (0.75, 0.0)] if self.hinge_kind == "strap" else [(0.5, -0.3), (0.5, 0.3)]
            for k, (u, v) in enumerate(spots):
                spot = centre + along_ * sign * (0.008 + u * lw) + axis_ * v * lh + out_ * thick
                self.fastener(
                    f"{name}.bolt{sign}.{k}",
                    spot,
                    out_,
                    kind=self.fastener_kind,
                    radius=0.0075 if self.fastener_kind in ("hex", "flange") else 0.0085,
                    finish=self.family.hinge_bolt_finish,
                    zone="hinge",
                    panel=panel,
                    side="left",
                    lost=True,
                )
        barrel = turned(_knuckles(lh * 1.1, 0.0085, 3 if lh < 0.09 else 5), 24)
        self.add(
            f"{name}.barrel", barrel.moved(placed(centre + out_ * 0.0075, z=axis_)), surface, "hinge", finish, "sheet",
            panel=panel, side="left", group=f"{name}.leaf",
        )  # fmt: skip
        self.site(f"{name}.site", "fasteners", "hinge", centre, out_, 0.26, side="left", panel=panel)

    def small_lamp(self, name: str, at: Vector, out: Vector, radius: float, finish: str) -> None:
        """A round lamp on both sides: a domed lens in a bezel."""
        place = placed(at, z=out)
        dome = np.array([[0, 0.55], [0.4, 0.53], [0.68, 0.45], [0.84, 0.32], [0.88, 0.0]]) * radius
        ring = np.array([[0.85, 0.02], [0.87, 0.22], [0.90, 0.30], [1.10, 0.26], [1.16, 0.16], [1.17, -0.02]]) * radius
        self.add(name, turned(dome, 32).flipped().moved(place), "lamp", None, finish, both=True)
        bezel = turned(ring, 32).flipped().moved(place)
        chrome = self.flip_details
        self.add(
            f"{name}_rim", bezel, "bare_metal" if chrome else "black_part", None, "chrome" if chrome else "black",
            both=True,
        )  # fmt: skip
        spots = (placed((1.01 * radius * s, 0, 0.28 * radius), x=(np.cos(9 * s), np.sin(9 * s), 0)) for s in (-1, 1))
        screws = [slotted(0.0026).moved(place @ spot) for spot in spots]
        self.add(f"{name}_screw", screws, "bare_metal", None, "zinc", both=True, facing=out)

    # --- assemblies --------------------------------------------------------------------------------------------

    def front(self) -> None:
        y, g = self.y, self.gap
        x0, x1 = self.x_front - 0.03, self.door_front + g
        self.add(
            "wing",
            self.side_panel(
                x0,
                x1,
                self.z_wing,
                arch_at=self.front_axle,
                shoulder=self.shoulder,
                relief=self.pressings.side(x0, x1, self.z_belt, self.z_sill, (self.front_axle, self.axle_z, self.arch)),
            ),
            "paint",
            "wing_front",
            "body",
            "sheet",
            panel="wing_front_left",
            both=True,
        )
        top = rolled_edges(
            self.waved(
                loft(
                    line((x0, self.bonnet_half + g, self.z_wing), (x1, self.bonnet_half + g, self.z_wing), 30),
                    line(
                        (x0, y - self.shoulder + 0.001, self.z_wing), (x1, y - self.shoulder + 0.001, self.z_wing), 30
                    ),
                    12,
                    bulge=0.4 * self.bulge,
                )
            ),
            self.edge(self.fold),
            0.02,
            edges="t",
        )
        self.add(
            "wing_top",
            top,
            "paint",
            "wing_front",
            "body",
            "sheet",
            panel="wing_front_left",
            both=True,
            facing=(0, 0, 1),
        )
        lamp_y, lamp_z = (self.bonnet_half + y) / 2, self.z_wing - 0.14
        self.lamp_radius = min(self.lamp_radius, (y - self.bonnet_half) / 2.55)  # its trim stays on the face

        def on_face(curve: Points, z_: float) -> Points:
            return np.column_stack([np.full(len(curve), x0), lamp_y + curve[:, 0], z_ + curve[:, 1]])

        outline = rounded_rectangle(y - self.bonnet_half, self.z_wing - self.z_sill, 0.004, 121)
        outline = _corner_cut(outline, outline.max(axis=0) - self.shoulder, self.shoulder)
        hole = 1.96 * self.lamp_radius
        face = loft(
            on_face(outline, (self.z_wing + self.z_sill) / 2),
            on_face(rounded_rectangle(hole, hole, 0.499 * hole, 121), lamp_z),
            12,
        )
        self.add(
            "wing_face",
            rolled_edges(face.flipped(), self.edge(self.fold), 0.02, edges="tb"),
            "paint",
            "wing_front",
            "body",
            "sheet",
            panel="wing_front_left",
            both=True,
            facing=(1, 0, 0),
        )
        self._headlamp(np.array([x0 + 0.004, lamp_y, lamp_z]))
        self.small_lamp("indicator", (x0 + 0.002, lamp_y, lamp_z - 0.19), (1, 0, 0), 0.036, "amber")
        self.site(
            "headlamp.site",
            "trim",
            "front_trim_clip",
            (x0, lamp_y, lamp_z),
            (1, 0, 0),
            0.35,
            both=True,
            panel="wing_front_left",
        )
        # grille panel with its opening
        gx = x0 - 0.035
        half, z0, z1 = self.bonnet_half, self.z_sill + 0.02, self.z_wing + 0.01
        centre = np.array([gx, 0, (z0 + z1) / 2])

        def at(curve: Points) -> Points:
            return centre + np.column_stack([np.zeros(len(curve)), curve])

        grille_w, grille_h = 2 * half * 0.72, (z1 - z0) * 0.62
        ring = loft(
            at(rounded_rectangle(2 * half - 0.01, z1 - z0, 0.01, 121)),
            at(rounded_rectangle(grille_w, grille_h, 0.03, 121)),
            8,
        )
        self.add(
            "grille_panel",
            rolled_edges(ring.flipped(), 0.004, 0.02, edges="b"),
            "paint",
            "wing_front",
            "body",
            "sheet",
            panel="front_panel",
        )
        self._grille_surround(np.array([gx, 0, centre[2]]), grille_w, grille_h)
        bars = 9 if self.flip_details else 14
        for k in range(bars):
            z = centre[2] + grille_h * ((k + 0.5) / bars - 0.5)
            a, b = (gx - 0.012, -grille_w / 2, z), (gx - 0.012, grille_w / 2, z)
            if self.flip_details:
                yy = grille_w * ((k + 0.5) / bars - 0.5)
                a, b = (gx - 0.012, yy, centre[2] - grille_h / 2), (gx - 0.012, yy, centre[2] + grille_h / 2)
            self.add(f"grille_bar{k}", tube(line(a, b, 12), 0.0075), "black_part", None, "black")
        dark = loft(
            line((gx - 0.08, -half, z1), (gx - 0.08, half, z1), 6),
            line((gx - 0.08, -half, z0), (gx - 0.08, half, z0), 6),
            6,
        )
        self.add("radiator", dark, "black_part", None, "black")
        # bonnet and the cowl behind it
        xb = self.door_front + 0.30
        gutter = np.array([[-12, 0], [-11, -10], [-6, -14], [12, -14], [16, -10], [16, 0]]) / 1000
        drain = line((x0 - 0.01, half, self.z_wing - 0.012), (xb, half, self.z_wing - 0.012), 30)
        gutter_strip = sweep(gutter * [-1, 1], drain, np.array([0, 0, 1.0]))
        self.add(
            "bonnet_gutter", gutter_strip, "paint", "wing_front", "body", "sheet",
            panel="wing_front_left", both=True, facing=(0, 0, 1),
        )  # fmt: skip
        left = line((self.x_front - 0.02, half - g, self.z_wing + 0.012), (xb, half - g, self.z_wing + 0.030), 36)
        bonnet = self.waved(loft(left * [1, -1, 1], left, 30, bulge=self.bonnet_bulge))
        bonnet = patch(self.unevenness.knocked(self.hang.wander(bonnet.points, self.edge_rng), "l"))
        bonnet = pressed(bonnet, self.pressings.bonnet(self.x_front, xb, half), (0, 0, 1))
        first_site = len(self.sites)
        skin = rolled_edges(rounded_corners(bonnet, self.corner, ("tl", "bl")), self.edge(0.009), 0.03)
        lift = self.bonnet_lift() if "bonnet" in self.open_doors else np.eye(4)
        self.add("bonnet", skin, "paint", "bonnet", "body", "sheet", panel="bonnet", facing=(0, 0, 1))
        self.parts[-1] = replace(self.parts[-1], patch=self.parts[-1].patch.moved(lift))
        self.site(
            "bonnet.site",
            "panel_surface",
            "bonnet",
            ((self.x_front + xb) / 2, 0.15, self.z_wing + 0.03),
            (0, 0, 1),
            0.7,
            panel="bonnet",
        )
        self.site(
            "bonnet_edge.site",
            "panel_surface",
            "bonnet",
            (self.x_front - 0.02, 0.2, self.z_wing),
            (1, 0, 0.8),
            0.45,
            panel="bonnet",
        )
        self.sites[first_site:] = [
            replace(s, target=lift[:3, :3] @ s.target + lift[:3, 3], normal=lift[:3, :3] @ s.normal)
            for s in self.sites[first_site:]
        ]
        cowl = loft(
            line((xb - g, -y + 0.01, self.z_wing + 0.03), (xb - g, y - 0.01, self.z_wing + 0.03), 30),
            line((self.door_front + 0.01, -y + 0.01, self.z_belt), (self.door_front + 0.01, y - 0.01, self.z_belt), 30),
            10,
        )
        cowl = rolled_edges(self.waved(cowl.flipped()), self.edge(0.008), 0.03)
        self.add("cowl", cowl, "paint", "bulkhead", "body", "sheet", panel="cowl")
        wall = engine_bay.bulkhead(self.door_front + 0.10, y - 0.05, self.z_wing, self.z_sill)
        self.add("bulkhead", wall, "paint", "bulkhead", "body", "shut", panel="bulkhead", facing=(1, 0, 0))
        self.rivets(
            "wing_rivets",
            (x1 + 0.035, y, self.z_wing - 0.05),
            (x1 + 0.035, y, self.z_sill + 0.06),
            (0, 1, 0),
            zone="wing_front",
            panel="wing_front_left",
            row="wing",
            bulge=self.bulge,
        )
        up = np.array([0.0, 0.0, 1.0])
        ahead, behind = (np.array([x, self.bonnet_half + 0.045, self.z_wing]) for x in (x0 - 0.12, x1 + 0.12))
        for k, spot in enumerate(self.seated(line(ahead, behind, 5), up, "wing_front_left")):
            self.fastener(
                f"wing_bolt{k}",
                spot,
                up,
                kind=self.wing_bolt_kind,
                radius=0.007,
                finish=self.family.hinge_bolt_finish,
                zone="wing_front",
                panel="wing_front_left",
                both=True,
                lost=True,
            )
        self.site(
            "wing_bolts.site",
            "fasteners",
            "wing_front",
            (self.front_axle, self.bonnet_half + 0.045, self.z_wing),
            (0, 0.3, 1),
            0.35,
            both=True,
            panel="wing_front_left",
        )
        self.site(
            "wing.site",
            "panel_surface",
            "wing_front",
            (self.door_front + 0.2, y, (self.z_wing + self.z_sill) / 2 + 0.1),
            (0, 1, 0),
            0.6,
            both=True,
            panel="wing_front_left",
        )
        vent = block((self.door_front + 0.22, y + 0.004, self.z_wing - 0.16), (0.16, 0.10, 0.012), 0.004, z=(0, 1, 0))
        self.add("wing_vent", vent, "black_part", "front_trim_clip", "black", both=True)

    def _headlamp(self, at: Points) -> None:
        """Reflector with its bulb behind a domed lens, bezel with its screws, gasket; `at` is the middle of the rim."""
        lamp, r = placed(at, z=(1, 0, 0)), self.lamp_radius
        bowl = np.array([[0.12, -0.0565], [0.3, -0.053], [0.55, -0.042], [0.78, -0.024], [0.94, -0.006], [1.0, 0.002]])
        lens = np.array([[0, 0.03], [0.3, 0.029], [0.6, 0.0245], [0.85, 0.015], [1.0, 0.003]])
        bulb = np.array([[0, -0.016], [0.05, -0.017], [0.085, -0.024], [0.085, -0.040], [0.17, -0.046], [0.17, -0.058]])
        rim = np.array([[0.985, 0.001], [0.99, 0.006], [1.03, 0.011], [1.09, 0.012], [1.16, 0.006], [1.2, -0.004]])
        scale, chrome = np.array([r, 1]), self.flip_details
        self.add("headlamp", turned(bowl * scale, 40).moved(lamp), "lamp", None, "lamp", both=True, facing=(1, 0, 0))
        self.add(
            "headlamp_bulb", turned(bulb * scale, 20).moved(lamp), "lamp", None, "chrome", both=True, facing=(1, 0, 0)
        )
        self.add(
            "headlamp_lens", turned(lens * scale, 40).moved(lamp), "lamp", None, "glass", both=True, facing=(1, 0, 0)
        )
        gasket = np.array([[0.012, -0.001], [0.011, 0.005], [0.007, 0.007], [0.0, 0.007], [-0.014, 0.005]])
        ring = turned(gasket + np.array([1.2 * r, 0.0]), 60).moved(lamp)  # proud of the rim, its foot on the paint
        self.add(
            "lamp_gasket", ring, "rubber", "front_trim_clip", "black", "seal",
            panel="wing_front_left", both=True, facing=(1, 0, 0),
        )  # fmt: skip
        self.add(
            "headlamp_rim", turned(rim * scale, 40).moved(lamp), "bare_metal" if chrome else "black_part",
            "front_trim_clip", "chrome" if chrome else "black", both=True, facing=(1, 0, 0),
        )  # fmt: skip
        for k, angle in enumerate((0.5 * np.pi, 1.17 * np.pi, 1.83 * np.pi)):
            spot = np.add(at, (0.0115, 1.075 * r * np.cos(angle), 1.075 * r * np.sin(angle)))
            self.trim_clip(f"lamp_clip{k}", spot, (1, 0, 0), panel="wing_front_left", both=True)

    def trim_clip(self, name: str, at: Vector, out: Vector, *, panel: str, both: bool = False) -> None:
        """One of the screws or clips, black from the factory, that hold trim at the front."""
        self.fastener(
            name, np.asarray(at, float), np.asarray(out, float), kind=self.trim_kind, radius=0.0048,
            finish="black", zone="front_trim_clip", panel=panel, both=both, lost=True,
        )  # fmt: skip

    def _grille_surround(self, middle: Points, width: float, height: float) -> None:
        """A black frame over the edge of the grille's opening, clipped on along all four sides."""
        section = np.array([[14, -1], [13.5, 5], [10, 8], [-10, 8], [-14, 4], [-16, -20]]) / 1000
        loop = rounded_rectangle(width + 0.016, height + 0.016, 0.036, 121)
        path = middle + np.column_stack([np.zeros(121), loop])
        frame = sweep(section, path, np.array([1.0, 0, 0]), closed=True)
        self.add("grille_surround", frame, "black_part", "front_trim_clip", "black", facing=(1, 0, 0))
        half_y, half_z = width / 2 + 0.008, height / 2 + 0.008
        spots = [(y * half_y, z * half_z) for z in (-1, 1) for y in (-0.8, -0.27, 0.27, 0.8)]
        for k, (y, z) in enumerate([*spots, (-half_y, 0.0), (half_y, 0.0)]):
            self.trim_clip(f"grille_clip{k}", np.add(middle, (0.0085, y, z)), (1, 0, 0), panel="front_panel")
        for k, y in enumerate((-0.5 * half_y, 0.5 * half_y)):
            at = np.add(middle, (0.008, y, half_z))
            self.site(f"grille_clips.site{k}", "trim", "front_trim_clip", at, (1, 0, 0.2), 0.30, panel="front_panel")

    def bonnet_lift(self) -> Points:
        """The 4 × 4 map that opens the bonnet about its rear edge."""
        pivot = np.array([self.door_front + 0.30, 0.0, self.z_wing + 0.036])
        c, s = np.cos(self.bonnet_angle), np.sin(self.bonnet_angle)
        matrix = np.eye(4)
        matrix[:3, :3] = [[c, 0, -s], [0, 1, 0], [s, 0, c]]
        matrix[:3, 3] = pivot - matrix[:3, :3] @ pivot
        return matrix

    def windscreen(self) -> None:
        tilt = np.radians(float(self.rng.uniform(1, 14)))
        height = (self.z_roof - 0.085 - self.z_belt) / np.cos(tilt)  # up behind the fold of the roof
        u, v = np.array([0.0, 1.0, 0.0]), np.array([-np.sin(tilt), 0.0, np.cos(tilt)])
        base = np.array([self.door_front + 0.03 + np.sin(tilt) * height, 0.0, self.z_belt])
        m = self.pillar
        self.window(
            "windscreen",
            base + v * height / 2,
            u,
            v,
            2 * self.y - 2 * m - 0.06,
            height - 0.13,
            (m, m, 0.06, 0.07),
            zone="wing_front",
            panel="screen_frame",
        )
        self.screen_top_x = base[0] - np.sin(tilt) * height
        edge = base + np.array([0, self.y - 0.03, 0]) - v * 0.01
        post = loft(
            line(edge, edge + v * (height + 0.005), 20),
            line(
                (self.door_front + self.gap / 2, self.y, self.z_belt),
                (self.door_front + self.gap / 2, self.y, self.z_roof - 0.088),
                20,
            ),
            8,
        )
        self.add(
            "a_post",
            rolled_edges(post, 0.003, 0.015, edges="b"),
            "paint",
            "wing_front",
            "body",
            "sheet",
            panel="screen_frame",
            both=True,
        )
        self.screen = base, v, np.cross(u, v)
        fittings.wipers(self, *self.screen)

    def doors(self) -> None:
        y, g = self.y, self.gap
        x0, x1 = self.door_front - g / 2, self.door_rear + g / 2
        lx, cz = x0 - x1, (self.z_sill + self.z_belt) / 2
        for side in ("left", "right"):
            first = len(self.parts)
            first_site = len(self.sites)
            panel = f"door_{side}"
            sheet = self.waved(
                loft(
                    line((x0, y, self.z_belt), (x1, y, self.z_belt), 36),
                    line((x0, y, self.z_sill + 0.01), (x1, y, self.z_sill + 0.01), 36),
                    26,
                    bulge=self.bulge,
                )
            )
            relief = self.pressings.side(x0, x1, self.z_belt, self.z_sill)
            sheet = patch(self.unevenness.knocked(self.hang.wander(sheet.points, self.edge_rng), "br"))
            sheet = patch(with_lines(sheet.points, 0, WAIST_LINES))
            sheet = rounded_corners(pressed(sheet, relief, (0, 1, 0)), self.corner, ("bl", "br"))
            hem = self.edge(self.hem)
            lower = rolled_edges(sheet, hem, 0.049 - hem, hem=self.hem_step)
            self.add("door_skin", lower, "paint", "tub_side", "body", "sheet", panel=panel, side="left")
            upper_h = self.z_roof - 0.09 - self.z_belt
            m = self.pillar * 0.75
            self.window(
                "door_window",
                np.array([(x0 + x1) / 2, y - 0.004, self.z_belt + 0.02 + (upper_h - m - 0.02) / 2]),
                np.array([-1.0, 0, 0]),
                np.array([0, 0, 1.0]),
                lx - 2 * m,
                upper_h - m - 0.02,
                (m, m, m, 0.02),
                zone="tub_side",
                panel=panel,
                side="left",
                shut=f"shut_{side}",
                slides=self.doors_slide,
            )
            inset, low = self.hem_step - 0.001, self.z_sill + 0.009 + self.hem_step
            inner = loft(
                line((x0 - inset, y - 0.0488, self.z_belt - inset), (x1 + inset, y - 0.0488, self.z_belt - inset), 14),
                line((x0 - inset, y - 0.0488, low), (x1 + inset, y - 0.0488, low), 14),
                14,
            )
            stamped = inner_door(x0 - 0.03, x1 + 0.03, self.z_sill + 0.04, self.z_belt)
            self.add(
                "door_inner",
                pressed(inner, stamped, (0, 1, 0)),
                "paint",
                "door_shut",
                "body",
                "shut",
                panel=f"shut_{side}",
                side="left",
                inward=True,
            )
            card = loft(
                line((x0 - 0.11, y - 0.062, self.z_belt - 0.06), (x1 + 0.11, y - 0.062, self.z_belt - 0.06), 14),
                line((x0 - 0.11, y - 0.062, self.z_sill + 0.14), (x1 + 0.11, y - 0.062, self.z_sill + 0.14), 14),
                14,
            )
            self.add(
                "door_card",
                rolled_edges(card.flipped(), 0.006, 0.01),
                "interior",
                None,
                "trim",
                side="left",
                inward=True,
            )
            rubber = rounded_rectangle(lx - 0.05, self.z_belt - self.z_sill - 0.05, 0.04, 161)
            path = np.column_stack([(x0 + x1) / 2 + rubber[:, 0], np.full(161, y - 0.052), cz + rubber[:, 1]])
            theta = np.linspace(0, 2 * np.pi, 14)
            self.add(
                "door_rubber",
                sweep(0.008 * np.stack([np.cos(theta), np.sin(theta)], 1), path, np.array([0, -1.0, 0]), closed=True),
                "rubber",
                "door_seal",
                "rubber",
                "seal",
                panel=f"shut_{side}",
                side="left",
            )
            fittings.door_handle(self, x1)
            self.site(
                "door.site",
                "panel_surface",
                "tub_side",
                ((x0 + x1) / 2, y, cz),
                (0, 1, 0),
                0.6,
                side="left",
                panel=panel,
            )
            self.site(
                "handle.site",
                "panel_surface",
                "tub_side",
                (x1 + 0.12, y, self.z_belt - 0.12),
                (0, 1, 0),
                0.4,
                side="left",
                panel=panel,
            )
            fittings.door(self, x0, x1)
            for k, z in enumerate((self.z_belt - 0.10, self.z_sill + 0.16)):
                self.hinge(f"door_hinge{k}", (self.door_front, y, z), (0, 0, 1), (0, 1, 0), (1, 0, 0), panel=panel)
            self._finish_door(side, first, first_site)
        self._aperture()

    def _finish_door(self, side: str, first: int, first_site: int) -> None:
        """Open the door, or mirror it: it was built closed on the left."""
        matrix, closed = self._door_turn(side), MIRROR_Y if side == "right" else np.eye(4)
        self.parts[first:] = [
            replace(
                p,
                patch=p.patch.moved(closed if p.name.startswith(ON_BODY) else matrix),
                side=side,
                name=f"{p.name}.{side}",
                group=f"{p.group}.{side}",
            )
            for p in self.parts[first:]
        ]
        self.sites[first_site:] = [
            replace(
                s,
                target=matrix[:3, :3] @ s.target + matrix[:3, 3],
                normal=matrix[:3, :3] @ s.normal,
                side=side,
                name=f"{s.name}.{side}",
            )
            for s in self.sites[first_site:]
        ]

    def _door_turn(self, side: str) -> Points:
        """The 4 × 4 map from the left door as it should lie, closed, to this side's door as it hangs and stands."""
        matrix = np.eye(4)
        if side in self.open_doors:
            pivot = np.array([self.door_front + 0.004, self.y + 0.012, 0.0])
            c, s = np.cos(-self.door_angle), np.sin(-self.door_angle)
            matrix[:2, :2] = [[c, -s], [s, c]]
            matrix[:3, 3] = pivot - matrix[:3, :3] @ pivot
        matrix = matrix @ self.hung[side]
        return MIRROR_Y @ matrix if side == "right" else matrix

    def _aperture(self) -> None:
        """The door opening: shut faces all the way round as one folded sweep, the body's seal on its inner flange."""
        x0, x1 = self.door_front, self.door_rear
        z0, z1 = self.z_sill, self.z_roof - 0.085
        outline = rounded_rectangle(x0 - x1 + 0.002, z1 - z0 + 0.002, self.corner + 0.004, 241)
        path = np.column_stack([(x0 + x1) / 2 - outline[:, 0], np.full(241, self.y), (z0 + z1) / 2 + outline[:, 1]])
        profile = np.array(
            [
                [0.0, -0.001],
                [-0.001, -0.004],
                [-0.001, -0.030],
                [-0.003, -0.033],
                [-0.022, -0.034],
                [-0.026, -0.037],
                [-0.026, -0.085],
                [-0.030, -0.090],
                [-0.055, -0.091],
                [-0.058, -0.094],
                [-0.058, -0.140],
            ]
        )
        # from under the outer sheets' edge to the shut face: the landing that is seen down in the gap
        reach, deep = self.gap + 0.006, self.landing
        landing = np.array([[reach, -deep], [0.004, -deep], [0.0005, -deep - 0.0012], [-0.001, -deep - 0.004]])
        fine = np.concatenate([resample(landing, LANDING_ROWS), resample(profile[profile[:, 1] < -deep - 0.005], 30)])
        shut = sweep(fine * np.array([-1, 1]), path, np.array([0, 1.0, 0]), closed=True)
        # as before: millimetres count from where the shut would begin without a landing
        shut = replace(
            shut, across_mm=shut.across_mm - float(lengths(np.diff(landing[:3], axis=0)).sum()) * 1000 + 1000 * deep
        )
        for panel_side, mirror in (("left", np.eye(4)), ("right", MIRROR_Y)):
            self.add(
                f"shut.{panel_side}",
                shut.moved(mirror),
                "paint",
                "door_shut",
                "body",
                "shut",
                panel=f"shut_{panel_side}",
                side=panel_side,
                inward=True,
            )
            inset = rounded_rectangle(x0 - x1 - 0.075, z1 - z0 - 0.075, 0.03, 241)
            seal_path = np.column_stack(
                [(x0 + x1) / 2 - inset[:, 0], np.full(241, self.y - 0.088), (z0 + z1) / 2 + inset[:, 1]]
            )
            theta = np.linspace(-0.3, np.pi + 0.3, 16)
            bead = np.stack([0.010 * np.cos(theta), 0.012 * np.sin(theta)], 1)
            self.add(
                f"shut_seal.{panel_side}",
                sweep(bead, seal_path, np.array([0, 1.0, 0]), closed=True).moved(mirror),
                "rubber",
                "door_seal",
                "rubber",
                "seal",
                panel=f"shut_{panel_side}",
                side=panel_side,
            )
            if panel_side not in self.open_doors:
                continue
            fittings.check_strap(self, panel_side, self._door_turn(panel_side))
            m = mirror[1, 1]
            for k, z in enumerate(np.linspace(z0 + 0.15, self.z_belt + 0.1, 4)):
                self.site(
                    f"b_post.{k}.{panel_side}",
                    "door_shut",
                    "door_shut",
                    (x1 + 0.01, m * (self.y - 0.05), z),
                    (1.0, m * 1.0, 0.15),
                    0.28,
                    side=panel_side,
                    panel=f"shut_{panel_side}",
                )
            for k, x in enumerate(np.linspace(x1 + 0.2, x0 - 0.2, 3)):
                self.site(
                    f"shut_sill.{k}.{panel_side}",
                    "sill_rail",
                    "sill_rail",
                    (x, m * (self.y - 0.01), z0 - 0.01),
                    (0, m * 1.0, 0.9),
                    0.40,
                    side=panel_side,
                    panel=f"rail_{panel_side}",
                )
            fittings.striker(self, panel_side, x1 - 0.026)
            for k, dz in enumerate((-0.02, 0.02)):
                self.fastener(
                    f"striker_bolt{k}.{panel_side}",
                    np.array([x1 - 0.0225, m * (self.y - 0.061), self.z_belt - 0.12 + dz]),
                    np.array([1.0, 0, 0]),
                    kind="socket",
                    radius=0.006,
                    finish="zinc",
                    zone="door_shut",
                    panel=f"shut_{panel_side}",
                    side=panel_side,
                )

    def rear_body(self) -> None:
        y, x1 = self.y, self.door_rear - self.gap / 2
        body = self.family.body
        seam_half = 0.008
        post = self.side_panel(x1, self.x_seam + seam_half - 0.0005, self.z_belt, columns=14, edges="tbl")
        self.add("b_post_skin", post, "paint", "tub_side", "body", "sheet", panel="tub_left", both=True)
        side = self.side_panel(
            self.x_seam - seam_half + 0.0005, self.x_rear, self.z_belt, arch_at=self.rear_axle, columns=44, edges="tbr",
            relief=self.pressings.side(
                self.x_seam, self.x_rear, self.z_belt, self.z_sill, (self.rear_axle, self.axle_z, self.arch)
            ),
        )  # fmt: skip
        self.add("tub_side", side, "paint", "tub_side", "body", "sheet", panel="tub_left", both=True)
        self.seam(
            "tub_seam",
            (self.x_seam, y, self.z_belt - 0.003),
            (self.x_seam, y, self.z_sill + 0.01),
            (0, 1, 0),
            panel="tub_left",
            bulge=self.bulge,
        )
        self.rivets(
            "tub_rivets",
            (self.x_seam - 0.03, y, self.z_belt - 0.06),
            (self.x_seam - 0.03, y, self.z_sill + 0.05),
            (0, 1, 0),
            zone="tub_side",
            panel="tub_left",
            row="tub",
            bulge=self.bulge,
        )
        self.welds(
            "tub_weld",
            (self.x_seam + 0.028, y, self.z_belt - 0.05),
            (self.x_seam + 0.028, y, self.z_sill + 0.04),
            (0, 1, 0),
            zone="tub_side",
            panel="tub_left",
            like="b_post_skin",
            bulge=self.bulge,
        )
        waist = self.z_belt - 0.035
        self.rivets(
            "waist_rivets",
            (self.x_seam - 0.12, y, waist),
            (self.x_rear + 0.1, y, waist),
            (0, 1, 0),
            zone="tub_side",
            panel="tub_left",
            row="waist",
        )
        self.site(
            "tub.site",
            "panel_surface",
            "tub_side",
            (self.x_rear + 0.25, y, self.z_belt - 0.25),
            (0, 1, 0),
            0.5,
            both=True,
            panel="tub_left",
        )
        has_top = body in ("wagon", "station")
        cab_rear = self.x_rear if has_top else self.x_seam - 0.03
        self.cab_rear = cab_rear
        z = self.z_belt + seam_half * 2
        if has_top:
            length = x1 - cab_rear
            panes = 1 if length < 1.3 else 2
            for k in range(panes):
                w = length / panes
                cx = x1 - w * (k + 0.5)
                h = self.z_roof - 0.09 - z
                m = self.pillar
                self.window(
                    f"side_window{k}",
                    np.array([cx, y - 0.004, z + h / 2]),
                    np.array([-1.0, 0, 0]),
                    np.array([0, 0, 1.0]),
                    w - 2 * m - 0.06,
                    h - 2.4 * m,
                    (m + 0.03, m + 0.03, m, 1.4 * m),
                    zone="tub_side",
                    panel="top_left",
                    both=True,
                    slides=self.sides_slide,
                )
            self.seam(
                "waist_seam",
                (x1 - 0.02, y - 0.001, self.z_belt + seam_half),
                (self.x_rear, y - 0.001, self.z_belt + seam_half),
                (0, 1, 0),
                panel="tub_left",
            )
        else:
            filler = self.side_panel(x1, cab_rear, self.z_belt, columns=8)
            upper = replace(
                filler, points=filler.points * [1, 1, (self.z_roof - 0.09 - z) / (self.z_belt - self.z_sill)]
            )
            upper = replace(upper, points=upper.points + np.array([0, -0.004, z - upper.points[..., 2].min()]))
            self.add("cab_corner", upper, "paint", "tub_side", "body", "sheet", panel="top_left", both=True)
            self._back_window(cab_rear, z)
            self._load_bed(cab_rear)
        roof_line = line(
            (self.screen_top_x + 0.03, y - 0.005, self.z_roof - 0.05),
            (cab_rear - 0.01, y - 0.005, self.z_roof - 0.05),
            50,
        )
        flat = loft(roof_line * [1, -1, 1], roof_line, 40).points  # to be crowned, its edges straight all round
        from_ends = np.minimum(flat[..., 0] - roof_line[-1, 0], roof_line[0, 0] - flat[..., 0])
        crown = 0.05 * (1 - (flat[..., 1] / roof_line[0, 1]) ** 2) * smoothstep(0.0, 0.40, from_ends)
        roof = self.waved(patch(flat + crown[..., None] * [0.0, 0.0, 1.0]))
        roof = pressed(roof, self.pressings.roof(self.screen_top_x, cab_rear, y), (0, 0, 1))
        self.add("roof", rolled_edges(roof, 0.02, 0.03), "paint", "roof", "body", "sheet", panel="roof")
        self.site(
            "roof.site",
            "panel_surface",
            "roof",
            (self.screen_top_x - 0.3, 0.3, self.z_roof),
            (0, 0, 1),
            0.8,
            panel="roof",
        )
        gutter = np.array([[0.012, 0.0], [0.012, -0.012], [-0.004, -0.012], [-0.004, 0.0]])
        self.add(
            "gutter",
            sweep(gutter, roof_line + np.array([0, 0.006, -0.012]), np.array([0, 0, 1.0])),
            "paint",
            "roof",
            "body",
            "sheet",
            panel="roof",
            both=True,
        )
        self._rear_face(has_top)

    def _back_window(self, x: float, z: float) -> None:
        h = self.z_roof - 0.09 - z
        self.window(
            "back_window",
            np.array([x, 0, z + h / 2]),
            np.array([0, -1.0, 0]),
            np.array([0, 0, 1.0]),
            2 * self.y - 0.5,
            h - 0.14,
            (0.24, 0.24, 0.07, 0.07),
            zone="tub_rear",
            panel="cab_back",
        )

    def _load_bed(self, x: float) -> None:
        y, zb = self.y, self.z_belt
        zf = self.z_sill + 0.18
        floor = loft(
            line((x, -y + 0.06, zf), (x, y - 0.06, zf), 20),
            line((self.x_rear + 0.03, -y + 0.06, zf), (self.x_rear + 0.03, y - 0.06, zf), 20),
            30,
        )
        self.add("bed_floor", floor, "paint", "tub_side", "body", "shut", panel="bed", facing=(0, 0, 1))
        inner = loft(
            line((x, y - 0.06, zb), (self.x_rear + 0.03, y - 0.06, zb), 30),
            line((x, y - 0.06, zf), (self.x_rear + 0.03, y - 0.06, zf), 30),
            12,
        )
        self.add("bed_side", inner.flipped(), "paint", "tub_side", "body", "shut", panel="bed", both=True, inward=True)
        cap = np.array([[0.032, -0.01], [0.032, 0.0], [0.026, 0.004], [-0.026, 0.004], [-0.032, 0.0], [-0.032, -0.01]])
        path = line((x, y - 0.028, zb), (self.x_rear + 0.02, y - 0.028, zb), 40)
        self.add(
            "bed_capping",
            sweep(cap, path, np.array([0, 0, 1.0])),
            "bare_metal",
            "tub_side",
            "zinc",
            "sheet",
            panel="capping",
            both=True,
        )
        for k, xx in enumerate(np.arange(x - 0.05, self.x_rear + 0.05, -0.11)):
            self.fastener(
                f"capping_rivet{k}",
                np.array([xx, y - 0.028, zb + 0.004]),
                np.array([0, 0, 1.0]),
                kind="rivet",
                radius=self.rivet,
                finish="bare",
                zone="tub_side",
                panel="capping",
                both=True,
            )
        wall = loft(
            line((x - 0.02, -y + 0.06, zb), (x - 0.02, y - 0.06, zb), 16),
            line((x - 0.02, -y + 0.06, zf), (x - 0.02, y - 0.06, zf), 16),
            10,
        )
        self.add("bed_front", wall, "paint", "tub_side", "body", "shut", panel="bed", facing=(-1, 0, 0))

    def _rear_face(self, has_top: bool) -> None:
        y, g, x = self.y, self.gap, self.x_rear
        zb, zs = self.z_belt, self.z_sill
        width = 2 * y
        gate = width * 0.62 if has_top else width - 0.30
        corner = (width - gate) / 2
        face = loft(
            line((x, gate / 2, zb), (x, -gate / 2, zb), 30),
            line((x, gate / 2, zs + 0.02), (x, -gate / 2, zs + 0.02), 30),
            20,
            bulge=0.004,
        )
        sheet = patch(self.unevenness.knocked(self.hang.wander(self.waved(face).points, self.edge_rng), "blr"))
        sheet = pressed(sheet, self.pressings.tailgate(gate / 2, zs, zb), (-1, 0, 0))
        self.add(
            "tailgate",
            rolled_edges(
                rounded_corners(sheet, self.corner, ("bl", "br")), self.edge(self.hem), 0.03, hem=self.hem_step
            ),
            "paint",
            "tub_rear",
            "body",
            "sheet",
            panel="tailgate",
        )
        post = loft(line((x, y, zb), (x, gate / 2 + g, zb), 10), line((x, y, zs), (x, gate / 2 + g, zs), 10), 20)
        self.add(
            "rear_corner",
            rolled_edges(patch(with_lines(self.waved(post).points, 0, WAIST_LINES)), self.edge(self.fold), 0.02),
            "paint",
            "tub_rear",
            "body",
            "sheet",
            panel="rear_corner_left",
            both=True,
        )
        channel = np.array([[-20, -4], [-19, -11], [-14, -13], [14, -13], [19, -11], [20, -4]]) / 1000
        jamb = line((x, gate / 2 + g / 2, zb - 0.002), (x, gate / 2 + g / 2, zs + 0.01), 24)
        jamb_strip = sweep(channel, jamb, np.array([-1.0, 0, 0]))
        self.add(
            "tailgate_jamb", jamb_strip, "paint", "tub_rear", "body", "sheet",
            panel="rear_corner_left", both=True, facing=(-1, 0, 0),
        )  # fmt: skip
        lip = tube(np.add(jamb, (0.012, 0, 0)), 0.45 * g, around=9)
        self.add("tailgate_rubber", lip, "rubber", None, "rubber", both=True)
        for k, dz in enumerate((0.10, 0.20, 0.29)):
            at = (x - 0.002, y - corner * 0.5, zs + dz)
            self.small_lamp(f"rear_lamp{k}", at, (-1, 0, 0), 0.038, ("red", "amber", "red")[k])
        self.rivets(
            "rear_rivets",
            (x - 0.001, y - 0.03, zb - 0.04),
            (x - 0.001, y - 0.03, zs + 0.36),
            (-1, 0, 0),
            zone="tub_rear",
            panel="rear_corner_left",
            row="rear",
        )
        self.seam(
            "rear_seam",
            (x - 0.001, y - corner + 0.012, zb - 0.01),
            (x - 0.001, y - corner + 0.012, zs + 0.02),
            (-1, 0, 0),
            panel="rear_corner_left",
        )
        self.site(
            "tailgate.site", "panel_surface", "tub_rear", (x, 0.1, (zb + zs) / 2), (-1, 0, 0), 0.6, panel="tailgate"
        )
        self.site(
            "capping.site",
            "panel_surface",
            "tub_side",
            (self.x_rear + 0.4, y, zb - 0.02),
            (0, 1, 0.6),
            0.5,
            both=True,
            panel="tub_left",
        )
        if has_top:
            h = self.z_roof - 0.09 - zb - 0.016
            self.window(
                "rear_window",
                np.array([x, 0, zb + 0.016 + h / 2]),
                np.array([0, -1.0, 0]),
                np.array([0, 0, 1.0]),
                gate - 0.16,
                h - 0.15,
                (y - gate / 2 + 0.08, y - gate / 2 + 0.08, 0.07, 0.08),
                zone="tub_rear",
                panel="rear_top",
            )
        spare = has_top and self.flip_details
        if spare:
            self._wheel(np.array([x - 0.13, 0.05, (zb + zs) / 2 + 0.06]), np.array([-1.0, 0, 0]), stands=False)
        self.spare_behind, self.rear_plate_at = (
            spare,
            np.array([x - 0.011, 0.17 - gate / 2 if spare else 0.0, zs + 0.12]),
        )
        # around the badge, set out by a jig: the same on every vehicle of the family, whatever its width and height
        behind = np.array([-1.0, 0, 0])
        for row, up in (("low", 0.235), ("high", 0.355)) if self.family.badge_bolts else ():
            jig = line((x, 0.12, zs + up), (x, -0.12, zs + up), 5)
            for k, seat in enumerate(self.seated(jig, behind, "tailgate")):
                self.fastener(
                    f"badge_bolt_{row}.{k}", seat, behind, kind="dome", radius=0.0065, finish="zinc",
                    zone="tub_rear", panel="tailgate",
                )  # fmt: skip
        if self.family.badge_bolts:
            self.site("badge.site", "fasteners", "tub_rear", (x, 0.0, zs + 0.295), behind, 0.48, panel="tailgate")

    def rails(self) -> None:
        """The rail under the doors: what boots wear first."""
        y = self.y
        x0, x1 = self.front_axle - self.arch - 0.01, self.rear_axle + self.arch + 0.01
        finish = self.family.rail_finish
        profile = np.array(
            [
                [0.060, 0.0],
                [-0.016, 0.002],
                [-0.022, -0.001],
                [-0.025, -0.007],
                [-0.025, -0.058],
                [-0.021, -0.064],
                [0.040, -0.066],
            ]
        )
        rail = sweep(
            resample(profile, 30) * [-1, 1],
            line((x0, y - 0.012, self.z_sill + 0.001), (x1, y - 0.012, self.z_sill + 0.001), 120),
            np.array([0, 0, 1.0]),
        )
        self.add(
            "rail",
            rail,
            "paint" if finish == "body" else "bare_metal",
            "sill_rail",
            finish,
            "sheet",
            panel="rail_left",
            both=True,
        )
        for k, x in enumerate(np.linspace(x0 - 0.15, x1 + 0.15, 4)):
            self.site(
                f"rail.site{k}",
                "sill_rail",
                "sill_rail",
                (x, y, self.z_sill - 0.02),
                (0, 1, 0.45),
                0.38,
                both=True,
                panel="rail_left",
            )

    def rail_height(self, x: Points) -> Points:
        """How high the chassis rail's middle lies at `x` (n,): it goes up over the axles."""
        over = [
            np.exp(-(((x - axle) / reach) ** 2)) for axle, reach in ((self.rear_axle, 0.35), (self.front_axle, 0.3))
        ]
        return np.asarray(self.z_chassis + 0.07 * (over[0] + over[1]))

    def chassis(self) -> None:
        z = self.z_chassis
        length = line((self.x_front - 0.10, 0.42, z), (self.x_rear + 0.03, 0.42, z), 80)
        length[:, 2] = self.rail_height(length[:, 0])
        outline = rounded_rectangle(0.07, 0.12, 0.008, 29)
        self.add(
            "chassis_rail",
            sweep(outline, length, np.array([0, 0, 1.0])),
            "black_part",
            "chassis_rail",
            "black",
            "hidden",
            panel="chassis",
            both=True,
        )
        arms = np.linspace(self.door_front - 0.1, self.rear_axle + 0.45, 3)
        for k, x in enumerate(arms):
            arm = sweep(
                rounded_rectangle(0.05, 0.07, 0.006, 25),
                line((x, 0.44, z), (x, self.y - 0.08, z + 0.03), 14),
                np.array([0, 0, 1.0]),
            )
            self.add(f"outrigger{k}", arm, "black_part", "chassis_rail", "black", "hidden", panel="chassis", both=True)
            for j, dx in enumerate((-0.025, 0.025)):
                self.fastener(
                    f"bracket_bolt{k}.{j}",
                    np.array([x + 0.05 + dx, self.y - 0.096, z + 0.03]),
                    np.array([0, 1.0, 0]),
                    kind="hex",
                    radius=0.009,
                    finish="zinc",
                    zone="chassis_rail",
                    panel="chassis",
                    both=True,
                    turn=1.0 * j,
                )
            self.site(
                f"outrigger.site{k}",
                "chassis",
                "chassis_rail",
                (x, self.y - 0.13, z + 0.02),
                (0.25, 1.0, -0.12),
                0.40,
                both=True,
                panel="chassis",
            )
        self.site(
            "chassis.site",
            "chassis",
            "chassis_rail",
            (self.door_rear + 0.2, 0.46, z),
            (0.1, 1.0, -0.1),
            0.5,
            both=True,
            panel="chassis",
        )
        pipe = line((self.front_axle - 0.2, 0.463, z + 0.02), (self.rear_axle, 0.463, z + 0.025), 90)
        pipe[:, 2] += 0.004 * np.sin(pipe[:, 0] * 9)

        def near_arm(x: Points) -> Points:  # the pipe goes over the outriggers, the loom under them
            return np.asarray(np.exp(-(((x[:, None] - arms) / 0.055) ** 4)).sum(axis=1))

        pipe[:, 2] += 0.028 * near_arm(pipe[:, 0])
        self.add(
            "brake_pipe",
            tube(pipe, 0.0032, around=10),
            "bare_metal",
            "chassis_rail",
            "zinc",
            "hidden",
            panel="chassis",
            both=True,
        )
        cable = line((self.front_axle - 0.3, 0.47, z - 0.03), (self.x_rear + 0.2, 0.47, z - 0.02), 100)
        cable[:, 2] += 0.008 * np.sin(cable[:, 0] * 5 + 1) - 0.026 * near_arm(cable[:, 0])
        self.add(
            "loom", tube(cable, 0.008, around=10), "black_part", "wiring", "black", "hidden", panel="chassis", both=True
        )
        ends = [(pipe[0], pipe[0] - pipe[4], 0.0032), (pipe[-1], pipe[-1] - pipe[-5], 0.0032)]
        unions = [engine_bay.union(at, way, radius) for at, way, radius in ends]
        self.add(
            "brake_union", unions, "bare_metal", "chassis_rail", "zinc", "hidden", panel="chassis", both=True
        )  # fmt: skip
        boots = [engine_bay.boot(cable[k], cable[k] - cable[m], 0.008) for k, m in ((0, 5), (-1, -6))]
        self.add("loom_boot", boots, "rubber", "wiring", "rubber", "hidden", panel="chassis", both=True)
        running_gear.hold(self, arms, pipe, cable)
        running_gear.fit_out(self)
        cross = sweep(
            rounded_rectangle(0.07, 0.14, 0.010, 41),
            line((self.x_rear + 0.015, -self.y + 0.02, z + 0.03), (self.x_rear + 0.015, self.y - 0.02, z + 0.03), 80),
            np.array([0, 0, 1.0]),
        )
        self.add("rear_crossmember", cross, "black_part", "rear_crossmember", "black", "hidden", panel="crossmember")
        for k, yy in enumerate(np.linspace(-self.y + 0.12, self.y - 0.12, 6)):
            self.fastener(
                f"crossmember_bolt{k}",
                np.array([self.x_rear - 0.02, yy, z + 0.055]),
                np.array([-1.0, 0, 0]),
                kind="hex",
                radius=0.0095,
                finish="zinc",
                zone="rear_crossmember",
                panel="crossmember",
                turn=float(k),
            )
            if k in (1, 4):
                self.site(
                    f"crossmember.site{k}",
                    "chassis",
                    "rear_crossmember",
                    (self.x_rear - 0.02, yy, z + 0.04),
                    (-1, 0, 0.1),
                    0.42,
                    panel="crossmember",
                )
        tow = block((self.x_rear - 0.03, 0, z + 0.02), (0.14, 0.10, 0.02), 0.004, z=(-1, 0, 0))
        self.add("tow_plate", tow, "black_part", "rear_crossmember", "black", "hidden", panel="crossmember")
        floor = loft(
            line(
                (self.door_front + 0.1, -self.y + 0.06, self.z_sill),
                (self.door_front + 0.1, self.y - 0.06, self.z_sill),
                16,
            ),
            line(
                (self.x_rear + 0.02, -self.y + 0.06, self.z_sill), (self.x_rear + 0.02, self.y - 0.06, self.z_sill), 16
            ),
            24,
        )
        self.add(
            "floor_under",
            floor,
            "paint",
            "chassis_rail",
            "body",
            "hidden",
            panel="floor_under",
            facing=(0, 0, -1),
        )
        for name, x in (("front", self.front_axle), ("rear", self.rear_axle)):
            low = np.arcsin((self.z_sill - 0.03 - self.axle_z) / self.arch)
            theta = np.linspace(low, np.pi - low, 26)
            rim = np.column_stack(
                [
                    x + (self.arch - 0.004) * np.cos(theta),
                    np.full(26, self.y - 0.006),
                    self.axle_z + (self.arch - 0.004) * np.sin(theta),
                ]
            )
            self.add(
                f"{name}_arch",
                loft(rim, rim * [1, 0, 1] + [0, self.y - 0.30, 0], 8),
                "black_part",
                "chassis_rail",
                "black",
                "hidden",
                panel="arches",
                both=True,
                facing=(0, 0, -1),
            )

    def wheels(self) -> None:
        for x in (self.front_axle, self.rear_axle):
            first = len(self.parts)
            self._wheel(np.array([x, self.y - 0.13, self.axle_z]), np.array([0, 1.0, 0]), stands=True)
            for part in self.parts[first:]:
                self.parts.append(replace(part, patch=part.patch.moved(MIRROR_Y), name=part.name + ".right"))

    def _wheel(self, centre: Points, out: Points, *, stands: bool) -> None:
        for name, surface, look, finish in wheels.wheel(
            self.tyre + wheels.SINK_M, centre, out, self.wheel_kind, stands=stands
        ):
            part = Part(name, surface, look, None, None, finish, "other", "wheels", "wheels")
            self.parts.append(part)

    def trim(self) -> None:
        bar = sweep(
            rounded_rectangle(0.06, 0.13, 0.012, 33),
            line(
                (self.x_front + 0.05, -self.y + 0.02, self.z_sill - 0.02),
                (self.x_front + 0.05, self.y - 0.02, self.z_sill - 0.02),
                50,
            ),
            np.array([0, 0, 1.0]),
        )
        chrome = self.rng.random() < 0.3
        self.add("bumper", bar, "bare_metal" if chrome else "black_part", None, "chrome" if chrome else "black")
        head = block(
            (self.door_front + 0.02, self.y + 0.17, self.z_belt + 0.12), (0.22, 0.14, 0.04), 0.015, z=(1, 0, 0), rows=3
        )
        arm = resample(
            np.array(
                [
                    [self.door_front + 0.03, self.y - 0.01, self.z_belt + 0.03],
                    [self.door_front + 0.03, self.y + 0.1, self.z_belt + 0.08],
                    [self.door_front + 0.02, self.y + 0.16, self.z_belt + 0.12],
                ]
            ),
            14,
        )
        for side in ("left", "right"):
            if side not in self.open_doors:
                turn = MIRROR_Y if side == "right" else np.eye(4)
                shapes = [one.moved(turn) for one in (*head, tube(arm, 0.008))]
                self.add(f"mirror.{side}", shapes, "black_part", None, "black", side=side)
        if self.rng.random() < 0.3:
            fittings.snorkel(self)
        if self.rng.random() < 0.3:
            for sign in (-1, 1):
                rail = line(
                    (self.screen_top_x - 0.05, sign * (self.y - 0.12), self.z_roof + 0.06),
                    (self.cab_rear + 0.05, sign * (self.y - 0.12), self.z_roof + 0.06),
                    20,
                )
                self.add(f"rack_rail{sign}", tube(rail, 0.014), "black_part", None, "black")
            for k, x in enumerate(np.linspace(self.screen_top_x - 0.1, self.cab_rear + 0.1, 7)):
                self.add(
                    f"rack_bar{k}",
                    tube(
                        line((x, -self.y + 0.12, self.z_roof + 0.05), (x, self.y - 0.12, self.z_roof + 0.05), 12), 0.010
                    ),
                    "black_part",
                    None,
                    "black",
                )


def _knuckles(length: float, radius: float, count: int) -> Points:
    """Profile (rows, 2: radius, height) of a hinge's knuckles around their pin, whose riveted ends stand out."""
    pin, step, groove = 0.6 * radius, length / count, 0.0006
    rows = [[0.0, -length / 2 - 0.003], [0.7 * pin, -length / 2 - 0.0028], [pin, -length / 2 - 0.0015]]
    for k in range(count):
        low, high = -length / 2 + k * step + groove, -length / 2 + (k + 1) * step - groove
        rows += [
            [pin, low],
            [radius - 0.001, low],
            [radius, low + 0.001],
            [radius, high - 0.001],
            [radius - 0.001, high],
            [pin, high],
        ]
    rows += [[r, -z] for r, z in rows[2::-1]]
    return np.array(rows)


def _corner_cut(outline: Points, centre: Points, radius: float) -> Points:
    """An outline (n, 2) whose corner beyond `centre`, up and to the right, is round."""
    off = outline - centre
    far = lengths(off)
    beyond = (off > 0).all(axis=1) & (far > radius)
    return np.where(beyond[:, None], centre + off * (radius / np.maximum(far, 1e-12))[:, None], outline)


def _lies_under(row: Points, out: Points, sheet: Points) -> bool:
    """Whether both ends of a row of heads, which look along `out`, lie over a sheet's grid that does so too."""
    low, high, ends = sheet.min(axis=(0, 1)), sheet.max(axis=(0, 1)), row[[0, -1]]
    facing, aside = area_normals(sheet).sum(axis=(0, 1)), np.abs(out) < 0.5
    over = bool(((low < ends) & (ends < high))[:, aside].all())
    near = bool(np.abs((ends - np.where(out > 0, high, low)) @ out).max() < 0.03)
    return over and near and float(facing @ out) > 0.7 * float(lengths(facing))


def _turned_towards(surface: Patch, facing: Vector) -> Patch:
    """The patch with its normals, on the whole, along `facing`."""
    normal = area_normals(surface.points).sum(axis=(0, 1))
    return surface if float(normal @ np.asarray(facing, float)) >= 0 else surface.flipped()


def _turned_outwards(surface: Patch, inward: bool = False) -> Patch:
    """The patch with its normals away from the vehicle's middle line, or from its own middle if it closes on itself."""
    points = surface.points
    normal = area_normals(points)
    centre = points.reshape(-1, 3).mean(axis=0)
    mean_normal = normal.sum(axis=(0, 1)) / (lengths(normal) + 1e-15).sum()
    if lengths(mean_normal) < 0.6:  # wraps around: a tube, a band, a dome's side
        outward = float((normal * (points - centre)).sum())
    else:
        outward = float(mean_normal @ (centre - np.array([centre[0] * 0.6, 0.0, 1.0])))
        outward = -outward if inward else outward
    return surface if outward >= 0 else surface.flipped()
