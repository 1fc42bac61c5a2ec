"""The paint history of one vehicle: what the factory sprayed, what years did to it, what a painter did later and how.

Cause first, signs follow: a `PaintHistory` says which panels were refinished in which colour and with how much care;
`paint_vehicle` works out, part by part, what that leaves behind (a `PartTable` for the shader and seams bent where they
are filled). Every part draws from its own child seed, so a vehicle looks the same whatever doors stand open and from
wherever it is seen.
"""

from __future__ import annotations

import csv
import zlib
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
import torch

from pipeline.configuration import shipped
from pipeline.records import HISTORIES
from synthetic_data.crevices import Crevices, find_crevices
from synthetic_data.geometry import Patch, placed, pop_rivet, unit_normals
from synthetic_data.paint import GRAINS, MARKS, Grime, PartTable, filled_share, lab_to_linear_srgb
from synthetic_data.painter_settings import (
    ByCare,
    Colour,
    FillerHabits,
    FilmHabits,
    JointHabits,
    MarkHabits,
    MaskingHabits,
    MistHabits,
    PainterSettings,
    Response,
    RubberHabits,
    RunHabits,
    SeamHabits,
    TapeHabits,
    Tone,
    ToolHabits,
    UndersealHabits,
    VehicleHabits,
    WearHabits,
    dirt_settings,
    painter_settings,
)
from synthetic_data.stickers import drawn
from synthetic_data.vehicle import BodyFamily, Part, Site, Vehicle

KIND_NUMBER = {"other": 0, "sheet": 1, "shut": 2, "seal": 3, "fastener": 4, "seam": 5, "hidden": 6}
Lab = tuple[float, float, float]
FLAT_PARTS = ("door_skin", "wing", "tub_side", "tailgate", "bonnet", "rear_corner", "roof", "cab_corner", "wing_top")
# panels that are riveted or welded on, which accident work may join anew, on one side only
JOINED_PANELS = tuple(f"{name}_{side}" for name in ("wing_front", "tub", "rear_corner") for side in ("left", "right"))
BAY_PANELS = ("inner_wing_left", "inner_wing_right", "slam_panel", "bonnet_inside")
INSIDE_PANELS = ("shut_left", "shut_right", "bulkhead", "bed", "floor", *BAY_PANELS)
# the outside panel whose paint ends in a line on an inner one, and those whose spraying reaches the engine bay
OUTSIDE_OF = {
    "shut_left": "door_left",
    "shut_right": "door_right",
    "bulkhead": "cowl",
    "inner_wing_left": "wing_front_left",
    "inner_wing_right": "wing_front_right",
    "slam_panel": "front_panel",
    "bonnet_inside": "bonnet",
}
AROUND_THE_BAY = frozenset({"bonnet", "cowl", "front_panel", "wing_front_left", "wing_front_right"})
OLD_EDGE_FROM = 0.80  # one even draw a part says whether it has runs (from 0 up), an old edge (from here) or neither
# sheets down in a gap between panels: who sprays the outside only leaves them as they are
IN_GAPS = ("bonnet_gutter", "tailgate_jamb")
FOLDED_BELOW = 0.7  # cosine between a flange and the middle of its sheet
BESIDE_EDGE_MM = 30.0
AXLES = ("front_axle", "rear_axle")
GAP_ROWS = (3, 7)  # of a seam's grid, where the sheets end (`vehicle.seam`)
NEVER_REFINISHED = ("capping", "chassis", "crossmember", "arches", "floor_under", "wheels", "engine_bay", "")

NOTHING = {  # columns of a part without traces; a trace replaces them, it never changes them
    "masking": np.array([-1.0, 0, 0, 1]),
    "mist": np.zeros(5),
    "veil": np.array([0, 0, 0, 1.0, 0, 1]),
    "coated": np.zeros(2),
    "fill": np.zeros(3),
    "sag": np.array([0.0, 0, 0, 1, 0]),
    "texture": np.array([0.0, 0, 1, 0]),
    "gum": np.array([0.0, 0, 1, 0, 1, 0]),
    "gum_tone": np.zeros(3),
    "filler": np.array([0.0, 0, 0, 1, 1, 0, 0]),
    "filler_tone": np.zeros(3),
    "mark": np.array([0.0, 0, 0, 1, 1, 0]),
    "mark_tone": np.zeros(3),
    "sticker": np.array([0.0, 1, 0]),
}
for _column in NOTHING.values():
    _column.setflags(write=False)


@dataclass(frozen=True, slots=True)
class Job:
    """One refinish: panels, colour, care (0 rushed to 1 patient), coats, gloss of the new paint as a roughness."""

    panels: frozenset[str]
    lab: Lab
    care: float
    coats: int
    roughness: float


@dataclass(frozen=True, slots=True)
class PaintHistory:
    """A vehicle's paint from the factory to the advert. `code` is the factory code of the demo table or empty."""

    name: str
    factory_lab: Lab
    code: str
    factory_roughness: float
    years: float
    jobs: tuple[Job, ...]
    seed: int

    def job_of(self, panel: str) -> Job | None:
        return next((job for job in self.jobs if panel in job.panels), None)


@dataclass(frozen=True, slots=True)
class PaintedVehicle:
    """A vehicle with its seams bent as filled, what the shader needs and which panels and cues the painter caused."""

    vehicle: Vehicle
    history: PaintHistory
    table: PartTable
    grime: Grime
    crevices: Crevices
    refinished: frozenset[str]
    sealer_groups: frozenset[str]
    hard_negatives: frozenset[str]


def paint_names() -> list[tuple[str, str, Lab]]:
    """Code, name and CIELAB of the shipped invented paint table."""
    with shipped("paint_tables", "demo.csv").open(encoding="utf-8") as file:
        return [
            (row["code"], row["name"], (float(row["L"]), float(row["a"]), float(row["b"])))
            for row in csv.DictReader(file)
        ]


def sample_colour(rng: np.random.Generator) -> tuple[str, Lab]:
    """A factory colour: mostly from the table with the scatter of batches, sometimes any solid colour."""
    habits = painter_settings().colour
    if rng.random() < habits.from_table_probability:
        code, _, (lightness, a, b) = paint_names()[rng.integers(len(paint_names()))]
        sd_lightness, sd_a, sd_b = habits.batch_sd
        return code, (lightness + rng.normal() * sd_lightness, a + rng.normal() * sd_a, b + rng.normal() * sd_b)
    chroma, hue = rng.uniform(*habits.chroma) * rng.uniform(*habits.chroma_share), rng.uniform(0, 2 * np.pi)
    return "", (float(rng.uniform(*habits.lightness)), float(chroma * np.cos(hue)), float(chroma * np.sin(hue)))


def sample_history(name: str, vehicle: Vehicle, rng: np.random.Generator) -> PaintHistory:
    """A history of the named kind for this vehicle. Raises ValueError for a name that is not in `HISTORIES`."""
    if name not in HISTORIES:
        raise ValueError(f"history {name!r} is not one of {', '.join(HISTORIES)}")
    settings = painter_settings()
    habits = settings.job
    code, factory = sample_colour(rng)
    outside = sorted(
        {
            p.panel
            for p in vehicle.parts
            if p.kind in ("sheet", "seam", "fastener") and p.panel not in NEVER_REFINISHED + INSIDE_PANELS
        }
    )
    care = float(rng.beta(*habits.care_beta))

    def near(distance: float) -> Lab:
        step = rng.normal(size=3)
        step *= distance / np.linalg.norm(step)
        return (factory[0] + step[0], factory[1] + step[1], factory[2] + step[2])

    def whole(panels: set[str], lab: Lab) -> Job:
        coats = int(rng.integers(habits.coats[0], habits.coats[1] + 1))
        return Job(frozenset(panels), lab, care, coats, float(rng.uniform(*habits.roughness_all)))

    jobs: list[Job] = []
    if name in ("local_repair", "panels_refinished"):
        if name == "local_repair":
            chosen, match = {str(rng.choice(outside))}, habits.match_one_panel
        else:
            count = int(rng.integers(habits.panels[0], habits.panels[1] + 1))
            chosen, match = set(rng.choice(outside, size=count, replace=False).tolist()), habits.match_panels
        lab = near(rng.uniform(*match))
        jobs = [Job(frozenset(chosen), lab, care, 1, float(rng.uniform(*habits.roughness_panels)))]
    elif name == "refinished_same_colour":
        inside = set(INSIDE_PANELS) if rng.random() < habits.inside_too_probability else set()
        jobs = [whole(set(outside) | inside, near(rng.uniform(*habits.match_all)))]
    elif name.startswith("colour_change"):
        new = factory
        while np.linalg.norm(np.subtract(new, factory)) < habits.least_change:
            _, new = sample_colour(rng)
        inside = set(INSIDE_PANELS) if name.endswith("throughout") else set()
        jobs = [whole(set(outside) | inside, new)]
    return PaintHistory(
        name,
        factory,
        code,
        float(rng.uniform(*settings.vehicle.factory_roughness)),
        float(rng.uniform(*settings.vehicle.years)),
        tuple(jobs),
        int(rng.integers(2**31)),
    )


def sample_grime(rng: np.random.Generator) -> Grime:
    """Dirt of one vehicle on one day; washed for the advert or not."""
    dirt = dirt_settings()
    washed = rng.random() < dirt.washed_probability
    brown = (
        np.array(dirt.mud_colour)
        * rng.uniform(*dirt.mud_brightness)
        * np.array([1, rng.uniform(*dirt.mud_tint[0]), rng.uniform(*dirt.mud_tint[1])])
    )
    dusty = np.array(dirt.dust_colour) * rng.uniform(*dirt.dust_brightness)
    dust = rng.uniform(*(dirt.dust_when_washed if washed else dirt.dust))
    mud = rng.uniform(*(dirt.mud_when_washed if washed else dirt.mud))
    height = rng.uniform(*dirt.mud_height_mm)
    some = {
        name: float(rng.uniform(*dirt.amount[name])) if rng.random() < probability else 0.0
        for name, probability in dirt.probability.items()
    }
    gaps = rng.spawn(1)[0].uniform(*(dirt.gaps_when_washed if washed else dirt.gaps))  # changes no other draw
    return Grime(
        float(dust),
        float(mud),
        float(height),
        gaps=float(gaps),
        dust_colour=(float(dusty[0]), float(dusty[1]), float(dusty[2])),
        mud_colour=(float(brown[0]), float(brown[1]), float(brown[2])),
        **some,
    )


def paint_vehicle(vehicle: Vehicle, family: BodyFamily, history: PaintHistory, grime: Grime) -> PaintedVehicle:
    """Apply the history to every part. Returns the vehicle with its seams bent, and the shader's table."""
    settings = painter_settings()
    look = _SharedLook.draw(np.random.default_rng(history.seed), settings.vehicle)
    rows: list[dict[str, Any]] = []
    parts: list[Part] = []
    sealed: set[str] = set()
    hard: set[str] = set()
    sites: list[Site] = []
    rejoined = _rejoined(history, settings.joints)
    axle_x = {p.name: 1000 * float(p.patch.points[..., 0].mean()) for p in vehicle.parts if p.name in AXLES}
    wheels = np.array([axle_x[name] for name in AXLES])
    for part in vehicle.parts:
        part, joined_anew = _joined(part, history, settings.joints) if part.panel in rejoined else (part, False)
        rng = np.random.default_rng([history.seed, zlib.crc32(part.group.encode())])
        job = _job_of(part, history)
        row = _plain_row(part, history, look, settings, rng)
        if part.kind in ("sheet", "shut", "seam") and part.finish == "body":
            _body(row, part, history, job, look, settings, rng)
        if part.kind == "seal":
            _rubber(row, part, history, settings.rubber, rng, hard)
        elif part.kind == "fastener":
            _head(row, part, history, job, look, settings, rng, hard)
        elif part.kind == "seam":
            part = _groove(row, part, family, job, settings.seams, rng, sealed, hard)
        elif part.kind == "hidden":
            _hidden(row, part, history, look, settings, rng, hard)
        row["rejoined"], row["wheels"] = joined_anew, wheels
        sites.extend(_traces(row, part, history, job, look, settings, hard))
        if joined_anew and part.name.endswith((".3", ".3.right")):
            sites.append(_site_on(part, 1.0, 3.0, 0.16, "joint"))
        _renewed(row, part, history, job, look, settings, hard)
        rows.append(row)
        parts.append(part)
    columns = {name: torch.from_numpy(np.asarray([row[name] for row in rows])) for name in rows[0]}
    table = PartTable(**{k: v.float() if v.dtype == torch.float64 else v for k, v in columns.items()})
    refinished = frozenset().union(*(job.panels for job in history.jobs)) if history.jobs else frozenset()
    for name in ("moss", "snow", "drops", "polish", "cavity_wax"):
        if getattr(grime, name) > 0:
            hard.add(name)
    finished = replace(vehicle, parts=tuple(parts), sites=(*vehicle.sites, *sites))
    crevices = find_crevices(finished.parts)
    return PaintedVehicle(finished, history, table, grime, crevices, refinished, frozenset(sealed), frozenset(hard))


@lru_cache(maxsize=64)
def _linear(lab: Lab) -> npt.NDArray[np.float64]:
    """`lab_to_linear_srgb` of one colour, which hundreds of parts share."""
    colour = lab_to_linear_srgb(lab)
    colour.setflags(write=False)
    return colour


@dataclass(frozen=True, slots=True)
class _SharedLook:
    """What is the same all over one vehicle: the state of its rubber, the habits of its painter."""

    primer: Colour
    repair_primer: Colour
    trim: Colour
    seat: Colour
    wheel: Tone
    aluminium: bool
    rust: float
    chips: float
    gun: Colour
    touched_hinges: bool
    replaced_panel: str
    replacement_lab: Lab
    engine: Tone
    cover: Tone
    used: tuple[float, float, float]  # hairlines, spots, smears

    @staticmethod
    def draw(rng: np.random.Generator, habits: VehicleHabits) -> _SharedLook:
        primers, trims, engines = habits.primers, habits.trims, habits.engines
        gun = rng.normal(size=3) * habits.gun.sd + habits.gun.mean
        gun /= np.linalg.norm(gun)
        wheel = habits.wheels[rng.integers(len(habits.wheels))]
        primer, repair_primer = (primers[rng.integers(len(primers))] for _ in range(2))
        trim = trims[rng.integers(len(trims))]
        red, green, blue = np.array(trims[rng.integers(len(trims))]) * rng.uniform(*habits.seat_brightness)
        aluminium = bool(rng.random() < habits.aluminium_probability)
        rust = float(rng.beta(*habits.rust_beta))
        rng.beta(1, 1.6)  # drawn for nothing any more, but what is drawn after it shall not change
        chips = float(rng.beta(*habits.chips_beta))
        touched_hinges = bool(rng.random() < habits.touched_hinges_probability)
        is_replaced = rng.random() < habits.replaced_part_probability
        replaced_panel = str(rng.choice(habits.replaced_parts)) if is_replaced else "none"
        replacement_lab = sample_colour(rng)[1]
        engine, cover = (engines[rng.integers(len(engines))] for _ in range(2))
        return _SharedLook(
            primer,
            repair_primer,
            trim,
            (float(red), float(green), float(blue)),
            wheel,
            aluminium,
            rust,
            chips,
            (float(gun[0]), float(gun[1]), float(gun[2])),
            touched_hinges,
            replaced_panel,
            replacement_lab,
            engine,
            (engines[0], engines[-1], cover)[rng.integers(3)],
            (rng.uniform(*habits.hairlines), rng.uniform(*habits.spots), rng.uniform(*habits.smears)),
        )


def _job_of(part: Part, history: PaintHistory) -> Job | None:
    """The job that sprayed a part."""
    job = history.job_of(part.panel)
    outside_only = job is not None and job.panels.isdisjoint(INSIDE_PANELS)
    return None if outside_only and part.name.startswith(IN_GAPS) else job


def _plain_row(
    part: Part, history: PaintHistory, look: _SharedLook, settings: PainterSettings, rng: np.random.Generator
) -> dict[str, Any]:
    """The part as it came, a little used."""
    finish, metallic = part.finish, 0.0
    if finish == "body":
        colour, rough = _linear(history.factory_lab), history.factory_roughness
    elif finish in ("trim", "seat"):
        colour = np.array(look.trim if finish == "trim" else look.seat)
        finish = finish if finish == "trim" else _upholstery(history, settings.vehicle)
        rough = settings.vehicle.roughness[finish]
    elif finish in ("wheel", "engine", "cover"):
        tone = {"wheel": look.wheel, "engine": look.engine, "cover": look.cover}[finish]
        colour, rough, metallic = np.array(tone.colour), settings.vehicle.roughness[finish], tone.metallic
    else:
        material, scatter = settings.materials[finish], settings.scatter
        brightness = rng.uniform(*scatter.brightness) if finish in scatter.finishes else 1.0
        colour, metallic = np.array(material.colour) * brightness, material.metallic
        rough = float(np.clip(material.roughness * rng.uniform(*scatter.roughness), 0.05, 0.95))
    grey = float(colour.sum() / 3)
    covered = part.kind == "fastener" or (part.kind == "hidden" and part.panel != "engine_bay")
    response = None if covered else settings.responses.get(finish)
    return {
        **NOTHING,
        "kind": KIND_NUMBER[part.kind],
        "colour": colour,
        "under": colour,
        "primer": np.array(look.primer),
        "metal": np.array(settings.vehicle.metal.aluminium if look.aluminium else settings.vehicle.metal.steel),
        "has_under": False,
        "is_painted": finish in ("body", "wheel") and part.kind != "fastener",
        "roughness": rough,
        "metallic": metallic,
        "peel": 0.0,
        "fade": 0.0,
        "chips": 0.0,
        "used": np.zeros(3),
        "wear": np.array([0.0, 0, 0, 1, 1, 0]),
        "mist_colour": np.full(3, grey),
        "gap": 0.0,
        "crack": 0.0,
        "packed": 0.0,
        "sealer": 0.0,
        "rust": 0.0,
        "chalk": 0.0,
        "peeling": np.array([0.0, 0, 0, 1]),
        "crazing": 0.0,
        "rejoined": False,
        "sealed_over": False,
        "grain": _grain(response),
        "seed": float(rng.random()),
    }


def _grain(response: Response | None) -> Any:
    """The column of the shader's table (see `PartTable.grain`)."""
    if response is None:
        return np.zeros(3)
    return np.array([GRAINS.index(response.grain), response.sheen, response.kept_clean])


def _upholstery(history: PaintHistory, habits: VehicleHabits) -> str:
    """What all seats of a vehicle are covered with: vinyl or cloth."""
    return "cloth" if _stream(history, "seats").random() < habits.cloth_seats_probability else "vinyl"


def _body(
    row: dict[str, Any],
    part: Part,
    history: PaintHistory,
    job: Job | None,
    look: _SharedLook,
    settings: PainterSettings,
    rng: np.random.Generator,
) -> None:
    """Paint film: coats, fading, chips, and the lines and wear that show more than one coat."""
    film = settings.film
    _coats(row, part, history, job, look, film, rng)
    _wear(row, part, history, settings.wear)
    _line(row, part, history, job, settings.masking, rng)
    by_job = "refinish" if job is not None else "factory"
    width, height = part.patch.size_mm
    large = part.kind == "sheet" and "_weld." not in part.name
    spared = part.zone != "sill_rail" and row["wear"][0] == 0
    if large and spared and rng.random() < getattr(film.flaking_probability, by_job):
        row["peeling"] = np.array(
            [
                rng.uniform(*film.flaking),
                rng.uniform(*film.flake_at) * width,
                rng.uniform(*film.flake_at) * height,
                rng.uniform(*film.flake_radius_mm),
            ]
        )
        edge = rng.spawn(1)[0]  # changes no other draw
        if edge.random() < film.flake_at_edge_probability:  # water gets under a film from an edge or a corner
            front, rear, top, bottom = _outline(part.patch)
            row["peeling"][2] = bottom if edge.random() < film.flake_at_bottom_probability else top
            if edge.random() < film.flake_at_corner_probability:
                row["peeling"][1] = front if edge.random() < 0.5 else rear
    if part.kind == "sheet" and rng.random() < getattr(film.crazing_probability, by_job):
        row["crazing"] = float(rng.uniform(*film.crazing_cell_mm))


def _coats(
    row: dict[str, Any],
    part: Part,
    history: PaintHistory,
    job: Job | None,
    look: _SharedLook,
    habits: FilmHabits,
    rng: np.random.Generator,
) -> None:
    """What was sprayed on the part, and what the years did to it."""
    row["used"] = np.array(look.used) * rng.spawn(1)[0].uniform(*habits.used_of_part, 3)  # changes no other draw
    row["peel"] = float(rng.uniform(*habits.peel))
    faded = min(1.0, history.years / habits.years_to_fade) * rng.uniform(*habits.fade)
    row["fade"] = float(faded) * (habits.fade_of_shuts if part.kind == "shut" else 1.0)
    row["chips"] = look.chips * float(rng.uniform(*habits.chips))
    row["rust"] = 0.0 if look.aluminium else look.rust
    if job is not None:
        row["under"], row["has_under"] = row["colour"], True
        row["colour"], row["roughness"] = _linear(job.lab), job.roughness
        is_primed = rng.random() < habits.new_primer_probability
        row["primer"] = np.array(look.repair_primer if is_primed else look.primer)
        rushed = habits.peel_if_rushed * (1 - job.care)
        row["peel"] = float(rng.uniform(*habits.peel_of_refinish) + rushed * rng.random() ** 2)
        row["fade"] *= habits.fade_of_refinish
        row["chips"] *= habits.chips_of_refinish


def _outline(patch: Patch) -> tuple[float, float, float, float]:
    """Where a sheet ends and its folded flanges begin: first and last mm along, first and last mm across.

    A ring, as around a window, has no ends along.
    """
    normal = unit_normals(patch.points)
    ends: list[float] = []
    is_ring = np.allclose(patch.points[:, 0], patch.points[:, -1], atol=1e-6)
    for axis, mm in ((1, patch.along_mm), (0, patch.across_mm)):
        lines = np.moveaxis(normal, axis, 0)
        if axis == 1 and is_ring:
            lines = np.broadcast_to(lines[:1], lines.shape)
        level = np.flatnonzero((lines * lines[len(lines) // 2]).sum(-1).mean(axis=1) > FOLDED_BELOW)
        ends += [float(mm[level[0]]), float(mm[level[-1]])]
    return ends[0], ends[1], ends[2], ends[3]


def _wear(row: dict[str, Any], part: Part, history: PaintHistory, habits: WearHabits) -> None:
    """A place worn through where something rubs: feet, hands, loads, arms, stones; of any other sheet along an edge."""
    rng = _stream(history, f"wear {part.group}")
    name = part.name.removesuffix(".right").removesuffix(".left")
    causes = [cause for cause in habits.causes.get(name, habits.any_edge) if cause.side in (None, part.side)]
    elsewhere = habits.elsewhere_probability
    is_worn = rng.random() < (
        habits.probability.get(part.zone or "", elsewhere) if name in habits.causes else elsewhere
    )
    if not is_worn or part.kind == "seam" or "_weld." in part.name or name.startswith(("bonnet_rib", *IN_GAPS)):
        return
    cause = causes[rng.integers(len(causes))]
    first, last, top, bottom = _outline(part.patch)
    share, down = rng.uniform(*cause.along), rng.uniform(*cause.across)
    if part.name.endswith(".right"):  # the mirror image of the left one: its columns run the other way
        share = 1 - share
    row["wear"] = np.array(
        [
            rng.uniform(*habits.strength),
            first + share * (last - first),
            top + down * (bottom - top),
            rng.uniform(*cause.radius_along_mm),
            rng.uniform(*cause.radius_across_mm),
            rng.uniform(*habits.raggedness),
        ]
    )


def _line(
    row: dict[str, Any],
    part: Part,
    history: PaintHistory,
    job: Job | None,
    habits: MaskingHabits,
    rng: np.random.Generator,
) -> None:
    """The line in which new paint ends: in a shut, on the inside, or beside a rubber."""
    _, height = part.patch.size_mm
    in_gap, side = part.name.startswith(IN_GAPS), -1.0
    # no line runs along the middle ribs of the bonnet, nor round the inside of a pane's frame
    shut = part.kind == "shut" and not part.name.startswith(("bonnet_rib1", "bonnet_rib2", "door_window.back"))
    outer = history.job_of(part.panel if in_gap else OUTSIDE_OF.get(part.panel, "")) if shut or in_gap else None
    lined = job is None and outer is not None
    goes_in = lined and outer is not None and rng.random() < habits.line_in_shut_probability.at(outer.care)
    if lined and outer is not None and (goes_in or in_gap or part.name.startswith("shut")):
        # the outside was sprayed with the door closed or roughly masked: new paint ends in a line in the shut
        row["under"], row["has_under"] = row["colour"], True
        row["colour"], row["roughness"] = _linear(outer.lab), outer.roughness
        inwards = habits.line_in_shut_mm if part.name.startswith("shut") else habits.line_inside_mm
        at = rng.uniform(*(inwards if goes_in else habits.line_at_corner_mm))
        if in_gap:  # from the edge of the sheet that was sprayed, which is the outer one
            first, last = abs(part.patch.points[[0, -1], :, 1].mean(axis=1))
            at = rng.uniform(*(habits.line_in_gap_mm if goes_in else habits.line_at_corner_mm))
            at, side = (at, -1.0) if first > last else (height - at, 1.0)
        step, ragged = habits.step_mm, habits.raggedness_mm
    elif shut and job is not None and rng.random() < habits.missed_inside_probability.at(job.care):
        in_bay = part.panel in BAY_PANELS
        at = rng.uniform(*habits.missed_in_bay) * height if in_bay else rng.uniform(*habits.missed_inside_mm)
        step, ragged = habits.missed_step_mm, habits.missed_raggedness_mm
    elif job is not None and ".frame" in part.name and rng.random() < habits.strip_by_rubber_probability:
        # tape sat on the paint beside the rubber: a strip of the old coat stays
        at = height - rng.uniform(*habits.rubber_foot_mm) - rng.uniform(*habits.strip_mm)
        step, ragged = habits.strip_step_mm, habits.strip_raggedness_mm
    else:
        return
    row["masking"] = np.array([at, rng.uniform(*step), rng.uniform(*ragged), side])


def _rubber(
    row: dict[str, Any],
    part: Part,
    history: PaintHistory,
    habits: RubberHabits,
    rng: np.random.Generator,
    hard: set[str],
) -> None:
    """Rubber ages; what is sprayed beside it leaves mist, a bleed line or nothing."""
    row["roughness"] = float(rng.uniform(*habits.roughness))
    row["colour"] = row["colour"] * rng.uniform(*habits.brightness)
    if rng.random() < habits.chalk_probability:
        row["chalk"] = float(rng.uniform(*habits.chalk))
        hard.add("chalked_rubber")
    job = history.job_of(part.panel)
    if job is None and part.zone == "door_seal":
        outer = history.job_of(part.panel.replace("shut", "door"))
        job = outer if outer is not None and rng.random() < habits.door_seal_reached_probability else None
    if job is None or rng.random() > habits.mist_probability.at(job.care):
        return
    taped = rng.random() < habits.taped_probability
    fringe = float(rng.gamma(*habits.fringe_gamma) + habits.least_fringe_mm)
    row["mist"] = np.array(
        [
            rng.uniform(*habits.mist),
            fringe,
            rng.uniform(*habits.tape_line_mm) if taped else 0.0,
            rng.uniform(*habits.bleed_mm),
            rng.uniform(*habits.patchiness),
        ]
    )
    row["mist_colour"] = _linear(job.lab)
    row["chalk"] *= habits.chalk_of_sprayed


def _head(
    row: dict[str, Any],
    part: Part,
    history: PaintHistory,
    job: Job | None,
    look: _SharedLook,
    settings: PainterSettings,
    rng: np.random.Generator,
    hard: set[str],
) -> None:
    """A fastener head: painted with the body at the factory, coated later, touched up in black, rusty, or bare."""
    habits = settings.heads
    row["mist_colour"] = _linear(job.lab if job is not None else history.factory_lab)
    is_rusty = rng.random() < habits.rust_probability
    row["rust"] = float(rng.beta(*habits.rust_beta) * (habits.rust_least + look.rust)) if is_rusty else 0.0
    if part.finish == "body":
        zinc = settings.materials["zinc"]
        row["colour"], row["roughness"], row["metallic"] = np.array(zinc.colour), zinc.roughness, zinc.metallic
        turned = float(rng.random() < habits.factory_turned_probability) * rng.uniform(*habits.factory_turned)
        row["coated"] = np.array([1.0, turned])
    elif job is not None and rng.random() < (
        habits.rivet_coated_probability if "rivet" in part.name else habits.bolt_coated_probability.at(job.care)
    ):
        coated = rng.uniform(*habits.coated)
        row["coated"] = np.array(
            [coated, float(rng.random() < habits.turned_probability) * rng.uniform(*habits.turned)]
        )
    elif rng.random() < habits.black_touch_up_probability:
        black = habits.touch_up
        row["colour"], row["metallic"], row["roughness"] = np.array(black.colour), black.metallic, black.roughness
        hard.add("black_touch_up")
    elif part.finish in ("zinc", "bare") and rng.random() < habits.bright_probability:
        chrome = settings.materials["chrome"]
        row["colour"], row["metallic"] = np.array(chrome.colour), chrome.metallic
        row["roughness"] = float(rng.uniform(*habits.bright_roughness))
        hard.add("bright_head")
    if part.panel == "engine_bay" and any(one.panels & AROUND_THE_BAY for one in history.jobs):
        _veil(row, part.panel, history, look, settings.mist)
    on_chassis = part.panel in ("chassis", "crossmember")
    if on_chassis and not _undersealed(row, part.panel, history, settings.underseal, hard) and history.jobs:
        _veil(row, part.panel, history, look, settings.mist)


def _groove(
    row: dict[str, Any],
    part: Part,
    family: BodyFamily,
    job: Job | None,
    habits: SeamHabits,
    rng: np.random.Generator,
    sealed: set[str],
    hard: set[str],
) -> Part:
    """An open seam, one closed by thick paint or filler over a stretch, one packed with mud, or the factory's bead."""
    length, _ = part.patch.size_mm
    sideways = _sideways_mm(part.patch)
    # unrolled as if level: what fills a groove is as wide as the groove, not as long as the way down and up again
    part = replace(part, patch=replace(part.patch, across_mm=sideways))
    row["gap"] = float(sideways[GAP_ROWS[1]] - sideways[GAP_ROWS[0]]) / 2
    if family.seam_sealer.get(part.group.split(".")[0], False):
        sealed.add(part.group)
        hard.add("factory_sealer")
        in_body_colour = rng.random() < habits.sealer_in_body_colour_probability
        # a painter sprays over it
        row["filler_tone"] = row["colour"] if in_body_colour or job is not None else np.array(habits.sealer_colour)
        row["sealer"] = 1.0
        bead = float(rng.uniform(*habits.bead_mm))
        return replace(part, patch=_bent(part.patch, np.ones(part.patch.points.shape[1]), bead_mm=bead))
    if job is not None and rng.random() < habits.filled_probability.at(job.care):
        from_end = rng.random() < habits.from_end_probability
        start = -20.0 if from_end else float(rng.uniform(*habits.start) * length)
        to_end = rng.random() < habits.from_end_probability
        stop = length + 20.0 if to_end else start + float(rng.uniform(*habits.stretch)) * length
        is_level = rng.random() < habits.level_probability
        row["fill"] = np.array([rng.uniform(*(habits.level if is_level else habits.valley)), start, stop])
        row["crack"] = float(rng.random() < habits.crack_probability)
        row["filler_tone"] = np.array(habits.sealer_colour)
        along = torch.tensor(part.patch.along_mm.copy())
        fill = filled_share(along, torch.tensor(row["fill"]), torch.tensor(row["seed"], dtype=torch.float64))
        return replace(part, patch=_bent(part.patch, fill.numpy()))
    if rng.random() < habits.packed_probability:
        row["packed"] = float(rng.uniform(*habits.packed))
        hard.add("packed_seam")
        packed = np.full(part.patch.points.shape[1], rng.uniform(*habits.packed_level))
        return replace(part, patch=_bent(part.patch, packed))
    return part


def _sideways_mm(patch: Patch) -> np.ndarray[Any, Any]:
    """How far each row of a seam lies from its first one across the seam, its depth left out."""
    across = (patch.points - patch.points[0]).mean(axis=1) * 1000
    return np.asarray(across @ (across[-1] / np.linalg.norm(across[-1])))


def _stream(history: PaintHistory, name: str) -> np.random.Generator:
    """Random numbers of one thing's own: what is drawn for it changes nothing else."""
    return np.random.default_rng([history.seed, zlib.crc32(name.encode())])


def _rejoined(history: PaintHistory, habits: JointHabits) -> frozenset[str]:
    """The panel that accident work joined anew with blind rivets, at most one: its twin stays as the factory had it."""
    rng = _stream(history, "joints")
    for job in history.jobs:
        eligible = sorted(job.panels & set(JOINED_PANELS))
        chance = habits.rejoined_probability
        is_local = len(job.panels) <= habits.most_local_panels
        if eligible and rng.random() < (chance.local if is_local else chance.widespread):
            return frozenset({str(rng.choice(eligible))})
    return frozenset()


def _joined(part: Part, history: PaintHistory, habits: JointHabits) -> tuple[Part, bool]:
    """A weld or solid rivet of a panel that was joined anew: its row has blind rivets now, or was left."""
    row = part.name.split(".")[0]
    is_weld, is_rivet = row.endswith("_weld"), part.kind == "fastener" and row.endswith("_rivets")
    chance = habits.blind_for_weld_probability if is_weld else habits.blind_for_rivet_probability
    if not (is_weld or is_rivet) or _stream(history, f"joint {row}").random() > chance:
        return part, False
    points = part.patch.points
    foot, top = points[-1].mean(axis=0), points[0, 0]
    around = float(np.linalg.norm(points[-1] - foot, axis=1).mean()) / 1.02
    radius = habits.head_over_weld_radius_m if is_weld else around
    head = pop_rivet(radius).flipped()
    place = placed(foot, z=top - foot, x=points[-1, 0] - foot)
    finish = part.finish if is_rivet else "bare"
    return replace(part, patch=head.moved(place), kind="fastener", finish=finish), True


def _site_on(part: Part, along_mm: float, across_mm: float, extent_m: float, name: str, place: str = "blemish") -> Site:
    """A close-up of a place on a part, seen along its normal."""
    patch = part.patch
    c = int(np.clip(np.searchsorted(patch.along_mm, along_mm), 1, len(patch.along_mm) - 2))
    r = int(np.clip(np.searchsorted(patch.across_mm, across_mm), 1, len(patch.across_mm) - 2))
    normal = np.cross(patch.points[r + 1, c] - patch.points[r - 1, c], patch.points[r, c + 1] - patch.points[r, c - 1])
    if not normal.any():  # points lie on one another where the sheet is folded
        normal = np.cross(patch.points[-1, c] - patch.points[0, c], patch.points[r, -1] - patch.points[r, 0])
    return Site(
        f"{part.name}.{name}",
        place,
        part.zone,
        part.side,
        patch.points[r, c],
        normal / max(float(np.linalg.norm(normal)), 1e-12),
        float(np.clip(extent_m, 0.12, 0.7)),
        part.panel,
    )


def _beside_edge(part: Part, along_mm: float, across_mm: float) -> tuple[float, float]:
    """Where to look at what may lie on a folded edge: a little further in, on the sheet."""
    inwards = np.clip(np.array(part.patch.size_mm) / 2 - (along_mm, across_mm), -BESIDE_EDGE_MM, BESIDE_EDGE_MM)
    return along_mm + float(inwards[0]), across_mm + float(inwards[1])


def _traces(
    row: dict[str, Any],
    part: Part,
    history: PaintHistory,
    job: Job | None,
    look: _SharedLook,
    settings: PainterSettings,
    hard: set[str],
) -> list[Site]:
    """Filler, coarse coats, what tape left, and the innocent marks and upkeep that look like them."""
    if part.kind in ("fastener", "seal", "hidden"):  # no film, no flat sheet and no grain of their own
        return []
    rng = _stream(history, f"traces {part.group}")
    name, sites = part.name.split(".")[0], list[Site]()
    width, height = part.patch.size_mm
    is_film = part.kind in ("sheet", "shut", "seam") and part.finish == "body" and "_weld." not in part.name
    flat = is_film and name in FLAT_PARTS
    if is_film and job is not None:
        _coarse(row, part, history, job, settings.tool)
        if row["texture"][0] > 0 and flat:
            at, up = rng.uniform(*settings.tool.site, 2) * [width, height]
            sites.append(_site_on(part, at, up, rng.uniform(*settings.tool.site_m), "texture"))
    if flat and job is not None and rng.random() < _filler_chance(job, settings):
        sites.append(_fill(row, part, settings.filler, rng))
    elif flat and rng.random() < settings.marks.probability:
        sites.append(_mark(row, part, look, settings.marks, rng, hard))
    if is_film:
        sites.extend(_tape(row, part, job, settings.tape, rng))
    if flat:
        sites.extend(_sag(row, part, history, job, settings.runs))
    if flat and row["peeling"][0] > 0:
        sites.append(_site_on(part, *_beside_edge(part, *row["peeling"][1:3]), 0.004 * row["peeling"][3], "peeling"))
    if flat and row["wear"][0] > 0.5:
        extent = 0.004 * max(row["wear"][3:5])
        sites.append(_site_on(part, *_beside_edge(part, *row["wear"][1:3]), extent, "wear"))
    if part.kind == "seam" and row["fill"][0] > 0:  # where the open line stops
        sites += [
            _site_on(part, at, row["gap"] + 8.0, rng.uniform(*settings.seams.end_site_m), "fill", "body_seam")
            for at in row["fill"][1:]
            if 20 < at < width - 20
        ]
    texture = settings.texture
    is_plastic = part.surface == "black_part" and part.kind == "other"
    if is_plastic and rng.random() < texture.grained_plastic_probability:
        row["texture"] = np.array([3.0, rng.uniform(*texture.grain_mm), rng.uniform(*texture.grain_wave_mm), 0.0])
        hard.add("grained_plastic")
    if part.surface == "lamp":  # a pressed lens spreads its light by upright flutes or by rings
        is_fluted = name == "headlamp"
        wave = rng.uniform(*(texture.flute_wave_mm if is_fluted else texture.ring_wave_mm))
        row["texture"] = np.array([4.0 if is_fluted else 5.0, rng.uniform(*texture.lens_height) * wave, wave, 0.0])
    return sites


def _renewed(
    row: dict[str, Any],
    part: Part,
    history: PaintHistory,
    job: Job | None,
    look: _SharedLook,
    settings: PainterSettings,
    hard: set[str],
) -> None:
    """Hinges touched up in black, and a replaced part that came in another colour."""
    if part.zone == "hinge" and job is None and look.touched_hinges:
        black = settings.vehicle.touch_up
        row["colour"], row["roughness"], row["metallic"] = np.array(black.colour), black.roughness, black.metallic
        row["under"], row["wear"][0], row["peeling"][0], row["fade"] = row["colour"], 0.0, 0.0, 0.0
        hard.add("touched_up_hinges")
    if part.panel == look.replaced_panel and not history.jobs:
        row["colour"] = row["under"] = _linear(look.replacement_lab)
        row["wear"][0], row["peeling"][0] = 0.0, 0.0
        hard.add("replacement_part")


def _filler_chance(job: Job, settings: PainterSettings) -> float:
    """How likely a panel of this job was filled."""
    chance = settings.filler.probability
    is_local = len(job.panels) <= settings.joints.most_local_panels
    return (chance.local if is_local else chance.widespread).at(job.care)


def _coarse(row: dict[str, Any], part: Part, history: PaintHistory, job: Job, habits: ToolHabits) -> None:
    """A painter with a roller or a brush, and the grained coat that some put on sills, beds and the lower body."""
    rng = _stream(history, f"tool {history.jobs.index(job)}")
    tool = int(rng.random() < habits.coarse_probability.at(job.care)) * int(rng.integers(1, 3))
    height, wave = rng.uniform(*habits.height_mm), rng.uniform(*habits.wave_mm)
    texture = (float(tool), height, wave, np.deg2rad(rng.choice(habits.directions_deg)))
    protects, tone = rng.random() < habits.grained_probability, rng.uniform(*habits.grained_tone)
    area = habits.grained_areas[rng.integers(len(habits.grained_areas))]
    grain, reach = rng.uniform(*habits.grain_mm), rng.uniform(*habits.grain_wave_mm)
    if protects and part.kind != "seam" and part.panel.rsplit("_", 1)[0] in area:
        texture = (3.0, grain, reach, 0.0)
        if rng.random() < habits.dark_probability:
            row["colour"] = np.full(3, tone)
        row["wear"][0] *= habits.wear_left
    row["texture"] = np.array(texture)


def _fill(row: dict[str, Any], part: Part, habits: FillerHabits, rng: np.random.Generator) -> Site:
    """A dent filled and sanded: seen by its waves only, rubbed through in rings, or cracked."""
    width, height = part.patch.size_mm
    radius = float(rng.uniform(*habits.radius_mm))
    at, up = rng.uniform(*habits.at) * width, rng.uniform(*habits.at) * height
    way = rng.random()
    rubbed = rng.uniform(*habits.rubbed) if way < habits.rubbed_below else 0.0
    waves, slim = rng.uniform(*habits.waves_mm), rng.uniform(*habits.slimness)
    cracked = float(habits.cracked[0] < way < habits.cracked[1])
    row["filler"] = np.array([waves, at, up, radius, radius * slim, rubbed, cracked])
    tone = habits.tones[int(rng.choice(len(habits.tones), p=[tone.share for tone in habits.tones]))]
    row["filler_tone"] = np.array(tone.colour) * rng.uniform(*habits.tone_brightness)
    row["wear"][0], row["peeling"][0] = 0.0, 0.0
    return _site_on(part, at, up, radius * rng.uniform(*habits.site_radii) / 1000, "filler")


def _mark(
    row: dict[str, Any], part: Part, look: _SharedLook, habits: MarkHabits, rng: np.random.Generator, hard: set[str]
) -> Site:
    """What owners leave on a panel without painting it."""
    width, height = part.patch.size_mm
    name = str(rng.choice(list(habits.shares), p=list(habits.shares.values())))
    (least, most), (low, high) = habits.half_along_mm, habits.half_across_mm
    share = habits.most_share
    half = rng.uniform([least, low], [min(most, share * width), min(high, share * height) + 1])
    if name in ("primer_spot", "dent"):
        half = np.array([1.0, rng.uniform(*habits.spot_slimness)]) * rng.uniform(*habits.spot_radius_mm)
    if name == "sticker":
        number, along, across, peeled = drawn(rng)
        half = np.array([along, across]) * min(1.0, share * width / along, share * height / across)
        down = part.patch.points[0, :, 2].mean() >= part.patch.points[-1, :, 2].mean()
        row["sticker"] = np.array([number, 1.0 if down else -1.0, peeled])
    at, up = rng.uniform(*habits.at, 2) * [width, height]
    if name == "scuff":  # what stands beside a vehicle is lower than its middle
        up = rng.uniform(*habits.scuff_at) * height
    row["mark"] = np.array([MARKS.index(name), at, up, half[0], half[1], rng.uniform(*habits.depth_mm)])
    if name == "scuff":  # rubber or plastic, or another's paint
        is_rubber = rng.random() < habits.rubber_scuff_probability
        row["mark_tone"] = np.array(habits.rubber_scuff) if is_rubber else lab_to_linear_srgb(sample_colour(rng)[1])
    elif name == "primer_spot":
        row["mark_tone"] = np.array(look.primer) * rng.uniform(*habits.primer_brightness)
    else:
        row["mark_tone"] = np.array(habits.glue) * rng.uniform(*habits.glue_brightness)
    hard.add(name)
    return _site_on(part, at, up, half[0] * rng.uniform(*habits.site_halves) / 1000, name)


def _sag(row: dict[str, Any], part: Part, history: PaintHistory, job: Job | None, habits: RunHabits) -> list[Site]:
    """Runs on an upright panel sprayed too wet, or an old flake's edge under a newer coat; the factory seldom ran."""
    rng = _stream(history, f"sag {part.group}")
    width, height = part.patch.size_mm
    level = part.name.split(".")[0] in ("bonnet", "roof", "wing_top")
    way = rng.random()
    runs = habits.probability.at(job.care) if job is not None else habits.factory_probability
    old_edge = habits.old_edge_probability.at(job.care) if job is not None else 0.0
    if way < runs and not level:
        kind, deep = 1.0, rng.uniform(*habits.height_mm)
    elif OLD_EDGE_FROM < way < OLD_EDGE_FROM + old_edge:
        kind, deep = 2.0, rng.uniform(*habits.old_edge_height_mm)
    else:
        return []
    at, up = rng.uniform(*habits.along) * width, rng.uniform(*habits.across) * height
    radius = rng.uniform(*habits.radius_mm)
    row["sag"] = np.array([kind, at, up, radius, deep])
    return [_site_on(part, at, up, 0.0035 * radius, "sag")]


def _tape(row: dict[str, Any], part: Part, job: Job | None, habits: TapeHabits, rng: np.random.Generator) -> list[Site]:
    """Gum where masking tape sat: beside a rubber, on the masked side of a line, seldom straight across a panel."""
    width, height = part.patch.size_mm
    wide = float(rng.choice(habits.width_mm))
    length = rng.uniform(*habits.length) * width if rng.random() < habits.short_probability else width
    at, over = rng.uniform(*habits.at) * width, float(rng.random() < habits.painted_over_probability)

    def left(chance: ByCare) -> bool:
        return job is not None and rng.random() < chance.at(job.care)

    lined = part.kind == "shut" and row["masking"][0] >= 0
    if lined and rng.random() < habits.beyond_line_probability:
        edge, over = row["masking"][0] + 0.5, 0.0  # the paint lies below the line (see `PartTable.masking`)
    elif ".frame" in part.name and left(habits.by_rubber_probability):
        edge = height - habits.rubber_foot_mm - wide + rng.uniform(*habits.by_rubber_mm)
    elif part.kind == "sheet" and height > habits.least_panel_mm and left(habits.across_panel_probability):
        edge = rng.uniform(*habits.across_panel) * height
    else:
        return []
    row["gum"] = np.array([rng.uniform(*habits.left), edge, wide, at, length / 2, over])
    tone = np.array(habits.tones[int(rng.integers(len(habits.tones)))])
    row["gum_tone"] = tone * rng.uniform(*habits.tone_brightness)
    return [_site_on(part, at, edge + wide / 2, rng.uniform(*habits.site_m), "tape")]


def _bent(patch: Patch, fill: np.ndarray[Any, Any], bead_mm: float = 0.0) -> Patch:
    """Raise the groove of a seam by `fill` (0 open to 1 level) along its length; a bead stands proud of the sheet."""
    points = patch.points
    chord = (points[0] + points[-1])[None] / 2
    across = np.linspace(-1, 1, points.shape[0])[:, None]
    level = points[0][None] * (1 - (across[..., None] + 1) / 2) + points[-1][None] * ((across[..., None] + 1) / 2)
    depth = points - level
    # what was put in sinks into a soft valley that is deepest in the middle, whatever the groove's own walls are
    deepest = depth[len(depth) // 2]
    sideways = np.linalg.norm(level - chord, axis=-1) * 1000
    rim = sideways[GAP_ROWS[0]] + 1.2
    sunk = np.clip(1 - (sideways / rim) ** 2, 0, 1)[..., None] * deepest[None]
    soft = np.clip((fill - 0.2) / 0.4, 0, 1)[None, :, None]
    raised = np.where(
        fill[None, :, None] > 0, level + (depth + (sunk - depth) * soft) * (1 - fill[None, :, None]), points
    )
    if bead_mm:
        out = -(
            depth[points.shape[0] // 2]
            / np.maximum(np.linalg.norm(depth[points.shape[0] // 2], axis=-1, keepdims=True), 1e-9)
        )
        raised = level + out[None] * (bead_mm / 1000 * np.clip(1 - (sideways / 4.5) ** 2, 0, 1))[..., None]
    return replace(patch, points=raised)


def _veil(row: dict[str, Any], panel: str, history: PaintHistory, look: _SharedLook, habits: MistHabits) -> None:
    """Mist that passed under the sheet: one veil a group of parts, from one side, fading downwards."""
    rng = np.random.default_rng([history.seed, zlib.crc32(f"veil {panel}".encode())])
    job = history.jobs[-1]
    is_local = len(job.panels) <= habits.most_local_panels
    if rng.random() > habits.probability.at(job.care) * (habits.of_local_job if is_local else 1.0):
        return
    strength = rng.uniform(*habits.strength)
    row["veil"] = np.array([strength, *look.gun, rng.uniform(*habits.starts_mm), rng.uniform(*habits.fall_off_mm)])
    row["mist_colour"] = _linear(job.lab)


def _undersealed(
    row: dict[str, Any], panel: str, history: PaintHistory, habits: UndersealHabits, hard: set[str]
) -> bool:
    """Whether fresh underseal or chassis black covers a group of parts and their bolts, and any mist on them."""
    fresh = _stream(history, f"underseal {panel}")
    if panel not in ("chassis", "crossmember", "arches") or fresh.random() > habits.probability:
        return False
    row["sealed_over"], row["colour"] = True, np.full(3, fresh.uniform(*habits.brightness))
    row["rust"], row["roughness"], row["metallic"] = 0.0, float(fresh.uniform(*habits.roughness)), 0.0
    row["texture"] = np.array([3.0, fresh.uniform(*habits.grain_mm), fresh.uniform(*habits.wave_mm), 0.0])
    row["coated"] = np.zeros(2)
    hard.add("fresh_underseal")
    return True


def _hidden(
    row: dict[str, Any],
    part: Part,
    history: PaintHistory,
    look: _SharedLook,
    settings: PainterSettings,
    rng: np.random.Generator,
    hard: set[str],
) -> None:
    """Chassis, brackets, pipes: black or zinc, rusty, under underseal, black paint or the painter's mist."""
    habits = settings.hidden
    shared = np.random.default_rng([history.seed, zlib.crc32(part.panel.encode())])
    row["is_painted"] = False
    row["rust"] = float(look.rust * shared.uniform(*habits.rust))
    row["roughness"] = float(shared.uniform(*habits.roughness))
    if part.finish == "body":
        if shared.random() < habits.body_colour_probability:
            row["colour"] = _linear(history.factory_lab) * rng.uniform(*habits.body_colour_brightness)
        else:
            row["colour"] = np.array(habits.black)
        hard.add("body_coloured_underside")
        return
    if _undersealed(row, part.panel, history, settings.underseal, hard):
        return
    if any(part.panel != "engine_bay" or job.panels & AROUND_THE_BAY for job in history.jobs):
        _veil(row, part.panel, history, look, settings.mist)
    if part.panel == "engine_bay":
        row["rust"] = row["rust"] if part.finish in ("black", "cast") and part.surface != "rubber" else 0.0
        row["roughness"] = float(np.clip(rng.uniform(*habits.bay_roughness), 0.05, 0.95))
        if part.finish == "engine" and row["metallic"] == 0 and row["colour"].max() > 0.05:
            hard.add("painted_engine")
        return
    if shared.random() < habits.grey_undercoat_probability:
        row["colour"] = np.array(habits.undercoat)
        hard.add("grey_undercoat")
