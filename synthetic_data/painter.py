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
from typing import Any, Literal

import numpy as np
import torch

from pipeline.configuration import Config, load, shipped
from pipeline.records import HISTORIES
from synthetic_data.crevices import Crevices, find_crevices
from synthetic_data.geometry import Patch, placed, pop_rivet, smoothstep
from synthetic_data.paint import FILL_RAMP_MM, MARKS, Grime, PartTable, lab_to_linear_srgb
from synthetic_data.vehicle import BodyFamily, Part, Site, Vehicle

KIND_NUMBER = {"other": 0, "sheet": 1, "shut": 2, "seal": 3, "fastener": 4, "seam": 5, "hidden": 6}
Lab = tuple[float, float, float]
Range = tuple[float, float]
FLAT_PARTS = ("door_skin", "wing", "tub_side", "tailgate", "bonnet", "rear_corner", "roof", "cab_corner", "wing_top")
FILLER_TONES = ((0.48, 0.24, 0.20), (0.33, 0.33, 0.32), (0.60, 0.53, 0.38), (0.20, 0.34, 0.28), (0.66, 0.64, 0.60))
GUM_TONES = ((0.42, 0.24, 0.07), (0.30, 0.27, 0.21), (0.55, 0.42, 0.20), (0.20, 0.17, 0.12))
# panels that are riveted or welded on, which accident work may join anew, on one side only
JOINED_PANELS = tuple(f"{name}_{side}" for name in ("wing_front", "tub", "rear_corner") for side in ("left", "right"))
BAY_PANELS = ("inner_wing_left", "inner_wing_right", "slam_panel", "bonnet_inside")
INSIDE_PANELS = ("shut_left", "shut_right", "bulkhead", "bed", *BAY_PANELS)
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
NEVER_REFINISHED = ("capping", "chassis", "crossmember", "arches", "floor_under", "wheels", "engine_bay", "")

# what engines left their makers in: black, grey, green, blue, red-brown, bare alloy; a painted block is no mist
ENGINE_TONES = (
    ((0.020, 0.020, 0.020), 0.0), ((0.20, 0.20, 0.19), 0.0), ((0.10, 0.22, 0.16), 0.0), ((0.03, 0.08, 0.22), 0.0),
    ((0.20, 0.03, 0.02), 0.0), ((0.42, 0.42, 0.41), 0.8),
)  # fmt: skip
# material: linear sRGB, roughness, metallic (common practice, no source)
MATERIALS: dict[str, tuple[tuple[float, float, float], float, float]] = {
    "black": ((0.022, 0.022, 0.023), 0.48, 0.0),
    "rubber": ((0.026, 0.026, 0.027), 0.62, 0.0),
    "zinc": ((0.56, 0.57, 0.58), 0.36, 0.9),
    "bare": ((0.60, 0.59, 0.57), 0.30, 1.0),
    "chrome": ((0.80, 0.80, 0.82), 0.07, 1.0),
    "glass": ((0.03, 0.03, 0.03), 0.05, 0.0),
    "lamp": ((0.66, 0.67, 0.69), 0.09, 0.75),  # the reflector behind the lens
    "red": ((0.33, 0.012, 0.010), 0.12, 0.0),
    "amber": ((0.62, 0.20, 0.012), 0.12, 0.0),
    "tyre": ((0.021, 0.021, 0.022), 0.80, 0.0),
    "mat": ((0.030, 0.030, 0.032), 0.90, 0.0),
    "dial": ((0.010, 0.010, 0.010), 0.20, 0.0),
    "seat_base": ((0.05, 0.05, 0.05), 0.5, 0.0),
    "number_plate": ((0.75, 0.75, 0.72), 0.35, 0.0),
    "lining": ((0.35, 0.34, 0.31), 0.9, 0.0),
    "cast": ((0.20, 0.19, 0.18), 0.6, 0.6),
    "battery": ((0.020, 0.020, 0.022), 0.35, 0.0),
    "bottle": ((0.62, 0.60, 0.50), 0.35, 0.0),
    "red_cable": ((0.32, 0.02, 0.015), 0.4, 0.0),
    "blue_cable": ((0.03, 0.07, 0.30), 0.4, 0.0),
}


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
    if rng.random() < 0.65:
        code, _, lab = paint_names()[rng.integers(len(paint_names()))]
        return code, (lab[0] + rng.normal() * 1.0, lab[1] + rng.normal() * 0.8, lab[2] + rng.normal() * 0.8)
    chroma, hue = rng.uniform(0, 62) * rng.uniform(0.3, 1), rng.uniform(0, 2 * np.pi)
    return "", (float(rng.uniform(14, 90)), float(chroma * np.cos(hue)), float(chroma * np.sin(hue)))


def sample_history(name: str, vehicle: Vehicle, rng: np.random.Generator) -> PaintHistory:
    """A history of the named kind for this vehicle. Raises ValueError for a name that is not in `HISTORIES`."""
    if name not in HISTORIES:
        raise ValueError(f"history {name!r} is not one of {', '.join(HISTORIES)}")
    code, factory = sample_colour(rng)
    outside = sorted(
        {
            p.panel
            for p in vehicle.parts
            if p.kind in ("sheet", "seam", "fastener") and p.panel not in NEVER_REFINISHED + INSIDE_PANELS
        }
    )
    care = float(rng.beta(1.2, 1.6))

    def near(distance: float) -> Lab:
        step = rng.normal(size=3)
        step *= distance / np.linalg.norm(step)
        return (factory[0] + step[0], factory[1] + step[1], factory[2] + step[2])

    jobs: list[Job] = []
    if name == "local_repair":
        chosen = {str(rng.choice(outside))}
        jobs = [Job(frozenset(chosen), near(rng.uniform(1.0, 6.0)), care, 1, float(rng.uniform(0.08, 0.35)))]
    elif name == "panels_refinished":
        chosen = set(rng.choice(outside, size=int(rng.integers(2, 6)), replace=False).tolist())
        jobs = [Job(frozenset(chosen), near(rng.uniform(1.0, 7.0)), care, 1, float(rng.uniform(0.08, 0.35)))]
    elif name == "refinished_same_colour":
        inside = set(INSIDE_PANELS) if rng.random() < 0.25 else set()
        jobs = [
            Job(
                frozenset(set(outside) | inside),
                near(rng.uniform(1.0, 6.5)),
                care,
                int(rng.integers(1, 3)),
                float(rng.uniform(0.06, 0.4)),
            )
        ]
    elif name.startswith("colour_change"):
        new = factory
        while np.linalg.norm(np.subtract(new, factory)) < 22:
            _, new = sample_colour(rng)
        inside = set(INSIDE_PANELS) if name.endswith("throughout") else set()
        jobs = [
            Job(frozenset(set(outside) | inside), new, care, int(rng.integers(1, 3)), float(rng.uniform(0.06, 0.4)))
        ]
    return PaintHistory(
        name,
        factory,
        code,
        float(rng.uniform(0.10, 0.40)),
        float(rng.uniform(12, 45)),
        tuple(jobs),
        int(rng.integers(2**31)),
    )


class DirtSettings(Config):
    """`configs/synthesis/dirt.yaml`."""

    washed_probability: float
    dust: Range
    dust_when_washed: Range
    mud: Range
    mud_when_washed: Range
    gaps: Range
    gaps_when_washed: Range
    mud_height_mm: Range
    probability: dict[Literal["salt", "moss", "snow", "drops", "polish", "cavity_wax"], float]
    amount: dict[Literal["salt", "moss", "snow", "drops", "polish", "cavity_wax"], Range]


def sample_grime(rng: np.random.Generator) -> Grime:
    """Dirt of one vehicle on one day; washed for the advert or not."""
    dirt = load(shipped("synthesis", "dirt.yaml"), DirtSettings)
    washed = rng.random() < dirt.washed_probability
    brown = (
        np.array([0.16, 0.11, 0.07])
        * rng.uniform(0.6, 1.6)
        * np.array([1, rng.uniform(0.9, 1.1), rng.uniform(0.8, 1.2)])
    )
    dusty = np.array([0.34, 0.29, 0.22]) * rng.uniform(0.7, 1.3)
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
    shared = np.random.default_rng(history.seed)
    look = _SharedLook.draw(shared)
    rows: list[dict[str, Any]] = []
    parts: list[Part] = []
    sealed: set[str] = set()
    hard: set[str] = set()
    sites: list[Site] = []
    rejoined = _rejoined(history)
    for part in vehicle.parts:
        part, joined_anew = _joined(part, history) if part.panel in rejoined else (part, False)
        rng = np.random.default_rng([history.seed, zlib.crc32(part.group.encode())])
        job = history.job_of(part.panel)
        row = _plain_row(part, history, look, rng)
        if part.kind in ("sheet", "shut", "seam") and part.finish == "body":
            _body(row, part, history, job, look, rng)
        if part.kind == "seal":
            _rubber(row, part, history, rng, hard)
        elif part.kind == "fastener":
            _head(row, part, history, job, look, rng, hard)
        elif part.kind == "seam":
            part = _groove(row, part, family, job, rng, sealed, hard)
        elif part.kind == "hidden":
            _hidden(row, part, history, look, rng, hard)
        row["rejoined"] = joined_anew
        sites.extend(_traces(row, part, history, job, look, hard))
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


@dataclass(frozen=True, slots=True)
class _SharedLook:
    """What is the same all over one vehicle: the state of its rubber, the habits of its painter."""

    primer: tuple[float, float, float]
    repair_primer: tuple[float, float, float]
    trim: tuple[float, float, float]
    seat: tuple[float, float, float]
    wheel: tuple[float, float, float]
    aluminium: bool
    rust: float
    chalk: float
    chips: float
    gun: tuple[float, float, float]
    wheel_metallic: float
    touched_hinges: bool
    replaced_panel: str
    replacement_lab: Lab
    engine: tuple[tuple[float, float, float], float]
    cover: tuple[tuple[float, float, float], float]

    @staticmethod
    def draw(rng: np.random.Generator) -> _SharedLook:
        primers = [(0.23, 0.23, 0.23), (0.20, 0.055, 0.03), (0.36, 0.38, 0.14), (0.45, 0.45, 0.43), (0.12, 0.12, 0.13)]
        trims = [(0.035, 0.035, 0.036), (0.11, 0.085, 0.06), (0.16, 0.16, 0.16), (0.05, 0.06, 0.07)]
        wheels = [
            ((0.70, 0.70, 0.68), 0.0),
            ((0.55, 0.55, 0.56), 0.7),
            ((0.03, 0.03, 0.03), 0.0),
            ((0.42, 0.36, 0.24), 0.0),
        ]
        gun = rng.normal(size=3) * [0.6, 1.0, 0.2] + [0, 0, 0.35]
        gun /= np.linalg.norm(gun)
        wheel = wheels[rng.integers(4)]
        return _SharedLook(
            primers[rng.integers(5)],
            primers[rng.integers(5)],
            trims[rng.integers(4)],
            tuple(np.array(trims[rng.integers(4)]) * rng.uniform(0.7, 1.6)),
            wheel[0],
            bool(rng.random() < 0.6),
            float(rng.beta(1.2, 2.5)),
            float(rng.beta(1, 1.6)),
            float(rng.beta(1.3, 2)),
            (float(gun[0]), float(gun[1]), float(gun[2])),
            wheel[1],
            bool(rng.random() < 0.18),
            str(rng.choice(["front_panel", "bonnet", "tailgate"])) if rng.random() < 0.14 else "none",
            sample_colour(rng)[1],
            ENGINE_TONES[rng.integers(len(ENGINE_TONES))],
            ENGINE_TONES[(0, 5, int(rng.integers(len(ENGINE_TONES))))[rng.integers(3)]],
        )


def _plain_row(part: Part, history: PaintHistory, look: _SharedLook, rng: np.random.Generator) -> dict[str, Any]:
    """The part as it came, a little used."""
    finish = part.finish
    if finish == "body":
        colour, rough, metallic = lab_to_linear_srgb(history.factory_lab), history.factory_roughness, 0.0
    elif finish == "trim":
        colour, rough, metallic = np.array(look.trim), 0.6, 0.0
    elif finish == "seat":
        colour, rough, metallic = np.array(look.seat), 0.75, 0.0
    elif finish == "wheel":
        colour, rough, metallic = np.array(look.wheel), 0.4, look.wheel_metallic
    elif finish in ("engine", "cover"):
        tone, metallic = look.engine if finish == "engine" else look.cover
        colour, rough = np.array(tone), 0.4
    else:
        tone, rough, metallic = MATERIALS[finish]
        scatter = rng.uniform(0.75, 1.35) if finish in ("black", "rubber", "zinc", "bare") else 1.0
        colour, rough = np.array(tone) * scatter, float(np.clip(rough * rng.uniform(0.75, 1.3), 0.05, 0.95))
    grey = float(np.mean(colour))
    return {
        "kind": KIND_NUMBER[part.kind],
        "colour": colour,
        "under": colour,
        "primer": np.array(look.primer),
        "metal": np.array([0.70, 0.70, 0.71] if look.aluminium else [0.42, 0.41, 0.40]),
        "has_under": False,
        "is_painted": finish in ("body", "wheel") and part.kind != "fastener",
        "roughness": rough,
        "metallic": metallic,
        "peel": 0.0,
        "fade": 0.0,
        "chips": 0.0,
        "wear": np.array([0.0, 0, 0, 1, 1, 0]),
        "masking": np.array([-1.0, 0, 0, 1]),
        "mist": np.zeros(5),
        "veil": np.array([0, 0, 0, 1.0, 0, 1]),
        "mist_colour": np.full(3, grey),
        "coated": np.zeros(2),
        "fill": np.zeros(3),
        "crack": 0.0,
        "packed": 0.0,
        "sealer": 0.0,
        "rust": 0.0,
        "chalk": 0.0,
        "peeling": np.array([0.0, 0, 0, 1]),
        "crazing": 0.0,
        "sag": np.array([0.0, 0, 0, 1, 0]),
        "texture": np.array([0.0, 0, 1, 0]),
        "gum": np.array([0.0, 0, 1, 0, 1, 0]),
        "gum_tone": np.zeros(3),
        "filler": np.array([0.0, 0, 0, 1, 1, 0, 0]),
        "filler_tone": np.zeros(3),
        "mark": np.array([0.0, 0, 0, 1, 1, 0]),
        "mark_tone": np.zeros(3),
        "rejoined": False,
        "sealed_over": False,
        "seed": float(rng.random()),
    }


def _body(
    row: dict[str, Any], part: Part, history: PaintHistory, job: Job | None, look: _SharedLook, rng: np.random.Generator
) -> None:
    """Paint film: coats, fading, chips, and the lines and wear that show more than one coat."""
    width, height = part.patch.size_mm
    row["peel"] = float(rng.uniform(0.0, 0.003))
    row["fade"] = float(min(1.0, history.years / 45) * rng.uniform(0.1, 0.7)) * (0.3 if part.kind == "shut" else 1.0)
    row["chips"] = look.chips * float(rng.uniform(0.2, 1.0))
    row["rust"] = 0.0 if look.aluminium else look.rust
    if job is not None:
        row["under"], row["has_under"] = row["colour"], True
        row["colour"], row["roughness"] = lab_to_linear_srgb(job.lab), job.roughness
        row["primer"] = np.array(look.repair_primer if rng.random() < 0.5 else look.primer)
        row["peel"] = float(rng.uniform(0.001, 0.004) + 0.010 * (1 - job.care) * rng.random() ** 2)
        row["fade"] *= 0.4
        row["chips"] *= 0.6
    rail = part.zone == "sill_rail"
    worn = rng.random() < (0.65 if rail else 0.30 if part.zone in ("tub_side", "bonnet", "door_shut") else 0.12)
    if worn and part.kind != "seam" and "_weld." not in part.name and "bonnet_rib" not in part.name:
        across = float(rng.uniform(62, 100)) if rail else float(rng.uniform(0.1, 0.9) * height)
        reach = rng.uniform(90, 320) if rail else rng.uniform(20, 110)
        row["wear"] = np.array(
            [
                rng.uniform(0.6, 1.25),
                rng.uniform(0.12, 0.88) * width,
                across,
                reach,
                rng.uniform(14, 60) if rail else reach * rng.uniform(0.3, 1.0),
                rng.uniform(0.4, 1.5),
            ]
        )
    outer = history.job_of(OUTSIDE_OF.get(part.panel, "")) if part.kind == "shut" else None
    # no line runs along the middle ribs of the bonnet
    shut = part.kind == "shut" and not part.name.startswith(("bonnet_rib1", "bonnet_rib2"))
    if shut and job is None and outer is not None and rng.random() < 0.55 + 0.35 * (1 - outer.care):
        # the outside was sprayed with the door closed or roughly masked: new paint ends in a line in the shut
        row["under"], row["has_under"] = row["colour"], True
        row["colour"], row["roughness"] = lab_to_linear_srgb(outer.lab), outer.roughness
        row["masking"] = np.array(
            [
                rng.uniform(5, 60) if part.name.startswith("shut") else rng.uniform(10, 90),
                rng.uniform(0.06, 0.22),
                rng.uniform(0.3, 6.0),
                -1.0,
            ]
        )
    elif shut and job is not None and rng.random() < 0.5 * (1 - job.care):
        reach = rng.uniform(20, 100) if part.panel not in BAY_PANELS else rng.uniform(0.6, 0.95) * height
        row["masking"] = np.array([reach, rng.uniform(0.06, 0.18), rng.uniform(0.3, 4.0), -1.0])
    elif job is not None and ".frame" in part.name and rng.random() < 0.40:
        # tape sat on the paint beside the rubber: a strip of the old coat stays
        row["masking"] = np.array(
            [
                height - rng.uniform(23, 27) - rng.uniform(2.0, 11.0),
                rng.uniform(0.06, 0.18),
                rng.uniform(0.2, 3.0),
                -1.0,
            ]
        )
    large = part.kind == "sheet" and "_weld." not in part.name
    if large and not rail and row["wear"][0] == 0 and rng.random() < (0.10 if job is not None else 0.03):
        row["peeling"] = np.array(
            [rng.uniform(0.7, 1.1), rng.uniform(0.2, 0.8) * width, rng.uniform(0.2, 0.8) * height, rng.uniform(40, 180)]
        )
    if part.kind == "sheet" and rng.random() < (0.045 if job is not None else 0.015):
        row["crazing"] = float(rng.uniform(2, 9))


def _rubber(row: dict[str, Any], part: Part, history: PaintHistory, rng: np.random.Generator, hard: set[str]) -> None:
    """Rubber ages; what is sprayed beside it leaves mist, a bleed line or nothing."""
    row["roughness"] = float(rng.uniform(0.35, 0.85))
    row["colour"] = row["colour"] * rng.uniform(0.6, 2.0)
    if rng.random() < 0.35:
        row["chalk"] = float(rng.uniform(0.3, 1.0))
        hard.add("chalked_rubber")
    job = history.job_of(part.panel)
    if job is None and part.zone == "door_seal":
        outer = history.job_of(part.panel.replace("shut", "door"))
        job = outer if outer is not None and rng.random() < 0.4 else None
    if job is None or rng.random() > 0.5 + 0.5 * (1 - job.care):
        return
    taped = rng.random() < 0.4
    fringe = float(rng.gamma(2.0, 2.4) + 1.0)  # common practice, no source: dense over 0.5 to 6 mm, a veil beyond
    row["mist"] = np.array(
        [
            rng.uniform(0.8, 1.6),
            fringe,
            rng.uniform(1.5, 13.0) if taped else 0.0,
            rng.uniform(0.5, 5.0),
            rng.uniform(0.2, 1.0),
        ]
    )
    row["mist_colour"] = lab_to_linear_srgb(job.lab)
    row["chalk"] *= 0.5


def _head(
    row: dict[str, Any],
    part: Part,
    history: PaintHistory,
    job: Job | None,
    look: _SharedLook,
    rng: np.random.Generator,
    hard: set[str],
) -> None:
    """A fastener head: painted with the body at the factory, coated later, touched up in black, rusty, or bare."""
    body = lab_to_linear_srgb(job.lab if job is not None else history.factory_lab)
    row["mist_colour"] = body
    row["rust"] = float(rng.beta(1, 2) * (0.3 + look.rust)) if rng.random() < 0.4 else 0.0
    plain = row["colour"]
    if part.finish == "body":
        base = MATERIALS["zinc"]
        row["colour"], row["roughness"], row["metallic"] = np.array(base[0]), base[1], base[2]
        row["coated"] = np.array([1.0, float(rng.random() < 0.2) * rng.uniform(0.2, 0.7)])
    elif job is not None and rng.random() < (0.92 if "rivet" in part.name else 0.35 + 0.6 * (1 - job.care)):
        row["coated"] = np.array([rng.uniform(0.75, 1.0), float(rng.random() < 0.35) * rng.uniform(0.2, 0.9)])
    elif rng.random() < 0.12:
        row["colour"], row["metallic"], row["roughness"] = np.array([0.02, 0.02, 0.02]), 0.0, 0.35
        hard.add("black_touch_up")
    elif part.finish in ("zinc", "bare") and rng.random() < 0.25:
        row["colour"], row["roughness"], row["metallic"] = (
            np.array(MATERIALS["chrome"][0]),
            float(rng.uniform(0.05, 0.2)),
            1.0,
        )
        hard.add("bright_head")
    else:
        row["colour"] = plain
    if part.panel == "engine_bay" and any(one.panels & AROUND_THE_BAY for one in history.jobs):
        _veil(row, part.panel, history, look)
    if part.panel in ("chassis", "crossmember") and not _undersealed(row, part.panel, history, hard) and history.jobs:
        _veil(row, part.panel, history, look)


def _groove(
    row: dict[str, Any],
    part: Part,
    family: BodyFamily,
    job: Job | None,
    rng: np.random.Generator,
    sealed: set[str],
    hard: set[str],
) -> Part:
    """An open seam, one closed by thick paint or filler over a stretch, one packed with mud, or the factory's bead."""
    length, _ = part.patch.size_mm
    if family.seam_sealer.get(part.group.split(".")[0], False):
        sealed.add(part.group)
        hard.add("factory_sealer")
        row["colour"] = row["colour"] if rng.random() < 0.6 else np.array([0.42, 0.41, 0.38])
        row["sealer"] = 1.0
        return replace(
            part, patch=_bent(part.patch, np.ones(part.patch.points.shape[1]), bead_mm=float(rng.uniform(0.6, 1.6)))
        )
    if job is not None and rng.random() < 0.42 + 0.48 * (1 - job.care):
        start = -20.0 if rng.random() < 0.5 else float(rng.uniform(0.0, 0.4) * length)
        stop = length + 20.0 if rng.random() < 0.5 else start + float(rng.uniform(0.35, 0.6)) * length
        level = rng.uniform(0.94, 1.0) if rng.random() < 0.25 else rng.uniform(0.60, 0.92)  # a shallow valley is left
        row["fill"] = np.array([level, start, stop])
        row["crack"] = float(rng.random() < 0.35)
        along = part.patch.along_mm
        begun, ended = (smoothstep(0, 1, way / FILL_RAMP_MM + 0.5) for way in (along - start, stop - along))
        fill = row["fill"][0] * begun * ended
        return replace(part, patch=_bent(part.patch, fill))
    if rng.random() < 0.35:
        row["packed"] = float(rng.uniform(0.6, 1.0))
        hard.add("packed_seam")
        return replace(part, patch=_bent(part.patch, np.full(part.patch.points.shape[1], rng.uniform(0.6, 0.9))))
    return part


def _stream(history: PaintHistory, name: str) -> np.random.Generator:
    """Random numbers of one thing's own: what is drawn for it changes nothing else."""
    return np.random.default_rng([history.seed, zlib.crc32(name.encode())])


def _rejoined(history: PaintHistory) -> frozenset[str]:
    """The panel that accident work joined anew with blind rivets, at most one: its twin stays as the factory had it."""
    rng = _stream(history, "joints")
    for job in history.jobs:
        eligible = sorted(job.panels & set(JOINED_PANELS))
        local = len(job.panels) <= 5
        if eligible and rng.random() < (0.75 if local else 0.30):
            return frozenset({str(rng.choice(eligible))})
    return frozenset()


def _joined(part: Part, history: PaintHistory) -> tuple[Part, bool]:
    """A weld or solid rivet of a panel that was joined anew: its row has blind rivets now, or was left."""
    row = part.name.split(".")[0]
    is_weld, is_rivet = row.endswith("_weld"), part.kind == "fastener" and row.endswith("_rivets")
    if not (is_weld or is_rivet) or _stream(history, f"joint {row}").random() > (0.85 if is_weld else 0.6):
        return part, False
    points = part.patch.points
    foot, top = points[-1].mean(axis=0), points[0, 0]
    radius = 0.0042 if is_weld else float(np.linalg.norm(points[-1] - foot, axis=1).mean()) / 1.02
    head = pop_rivet(radius).flipped()
    place = placed(foot, z=top - foot, x=points[-1, 0] - foot)
    finish = part.finish if is_rivet else "bare"
    return replace(part, patch=head.moved(place), kind="fastener", finish=finish), True


def _site_on(part: Part, along_mm: float, across_mm: float, extent_m: float, name: str) -> Site:
    """A close-up of a place on a part, seen along its normal."""
    patch = part.patch
    c = int(np.clip(np.searchsorted(patch.along_mm, along_mm), 1, len(patch.along_mm) - 2))
    r = int(np.clip(np.searchsorted(patch.across_mm, across_mm), 1, len(patch.across_mm) - 2))
    normal = np.cross(patch.points[r + 1, c] - patch.points[r - 1, c], patch.points[r, c + 1] - patch.points[r, c - 1])
    return Site(
        f"{part.name}.{name}",
        "blemish",
        part.zone,
        part.side,
        patch.points[r, c],
        normal / max(float(np.linalg.norm(normal)), 1e-12),
        float(np.clip(extent_m, 0.12, 0.7)),
        part.panel,
    )


def _traces(
    row: dict[str, Any], part: Part, history: PaintHistory, job: Job | None, look: _SharedLook, hard: set[str]
) -> list[Site]:
    """Filler, coarse coats, what tape left, and the innocent marks and upkeep that look like them."""
    rng = _stream(history, f"traces {part.group}")
    name, sites = part.name.split(".")[0], list[Site]()
    width, height = part.patch.size_mm
    is_film = part.kind in ("sheet", "shut", "seam") and part.finish == "body" and "_weld." not in part.name
    flat = is_film and name in FLAT_PARTS
    if is_film and job is not None:
        _coarse(row, part, history, job)
        if row["texture"][0] > 0 and flat:
            at, up = rng.uniform(0.2, 0.8, 2) * [width, height]
            sites.append(_site_on(part, at, up, rng.uniform(0.12, 0.4), "texture"))
    if flat and job is not None and rng.random() < (0.40 if len(job.panels) <= 5 else 0.10) * (1.25 - 0.5 * job.care):
        sites.append(_fill(row, part, rng))
    elif flat and rng.random() < 0.26:
        sites.append(_mark(row, part, look, rng, hard))
    if is_film:
        sites.extend(_tape(row, part, job, rng))
    if flat:
        sites.extend(_sag(row, part, history, job))
    if flat and row["peeling"][0] > 0:
        sites.append(_site_on(part, row["peeling"][1], row["peeling"][2], 0.004 * row["peeling"][3], "peeling"))
    if flat and row["wear"][0] > 0.5:
        sites.append(_site_on(part, row["wear"][1], row["wear"][2], 0.004 * row["wear"][3], "wear"))
    if row["rejoined"] and part.name.endswith((".3", ".3.right")):
        sites.append(_site_on(part, 1.0, 3.0, 0.16, "joint"))
    if part.zone == "hinge" and job is None and look.touched_hinges:
        row["colour"], row["roughness"], row["metallic"] = np.array([0.018, 0.018, 0.019]), 0.32, 0.0
        row["under"], row["wear"][0], row["peeling"][0], row["fade"] = row["colour"], 0.0, 0.0, 0.0
        hard.add("touched_up_hinges")
    if part.panel == look.replaced_panel and not history.jobs:
        row["colour"] = row["under"] = lab_to_linear_srgb(look.replacement_lab)
        row["wear"][0], row["peeling"][0] = 0.0, 0.0
        hard.add("replacement_part")
    if part.surface == "black_part" and part.kind == "other" and rng.random() < 0.5:
        row["texture"] = np.array([3.0, rng.uniform(0.05, 0.14), rng.uniform(1.0, 2.5), 0.0])
        hard.add("grained_plastic")
    if part.surface == "lamp":  # a pressed lens spreads its light by upright flutes or by rings
        kind, wave = (4.0, rng.uniform(4.0, 9.0)) if name == "headlamp" else (5.0, rng.uniform(2.0, 4.0))
        row["texture"] = np.array([kind, rng.uniform(0.06, 0.10) * wave, wave, 0.0])
    return sites


def _coarse(row: dict[str, Any], part: Part, history: PaintHistory, job: Job) -> None:
    """A painter with a roller or a brush, and the grained coat that some put on sills, beds and the lower body."""
    rng = _stream(history, f"tool {history.jobs.index(job)}")
    tool = int(rng.random() < 0.10 + 0.30 * (1 - job.care)) * int(rng.integers(1, 3))
    texture = (float(tool), rng.uniform(0.025, 0.10), rng.uniform(1.6, 4.5), rng.choice([0.0, 0.0, np.pi / 2]))
    protects, tone = rng.random() < 0.16, rng.uniform(0.008, 0.05)
    protected = {"all": {"rail", "bed", "tub", "rear_corner"}, "low": {"rail"}, "bed": {"rail", "bed"}}
    area = protected[str(rng.choice(["all", "low", "bed"]))]
    grain, reach = rng.uniform(0.12, 0.40), rng.uniform(2.0, 5.0)
    if protects and part.kind != "seam" and part.panel.rsplit("_", 1)[0] in area:
        texture = (3.0, grain, reach, 0.0)
        if rng.random() < 0.6:
            row["colour"] = np.full(3, tone)
        row["wear"][0] *= 0.5
    row["texture"] = np.array(texture)


def _fill(row: dict[str, Any], part: Part, rng: np.random.Generator) -> Site:
    """A dent filled and sanded: seen by its waves only, rubbed through in rings, or cracked."""
    width, height = part.patch.size_mm
    radius = float(rng.uniform(45, 160))
    at, up = rng.uniform(0.2, 0.8) * width, rng.uniform(0.2, 0.8) * height
    way = rng.random()
    rubbed = rng.uniform(0.55, 1.25) if way < 0.55 else 0.0
    waves, slim = rng.uniform(0.12, 0.55), rng.uniform(0.45, 1.0)
    row["filler"] = np.array([waves, at, up, radius, radius * slim, rubbed, float(0.45 < way < 0.80)])
    tone = np.array(FILLER_TONES[int(rng.choice(5, p=[0.32, 0.22, 0.22, 0.12, 0.12]))])
    row["filler_tone"] = tone * rng.uniform(0.8, 1.2)
    row["wear"][0], row["peeling"][0] = 0.0, 0.0
    return _site_on(part, at, up, radius * rng.uniform(1.6, 3.2) / 1000, "filler")


def _mark(row: dict[str, Any], part: Part, look: _SharedLook, rng: np.random.Generator, hard: set[str]) -> Site:
    """What owners leave on a panel without painting it."""
    width, height = part.patch.size_mm
    kind = int(rng.choice(np.arange(1, len(MARKS)), p=[0.15, 0.13, 0.16, 0.16, 0.25, 0.15]))
    half = rng.uniform([30, 15], [min(150, 0.3 * width), min(70, 0.3 * height) + 1])
    if MARKS[kind] in ("primer_spot", "dent"):
        half = np.array([1.0, rng.uniform(0.6, 1.2)]) * rng.uniform(20, 80)
    at, up = rng.uniform(0.22, 0.78, 2) * [width, height]
    row["mark"] = np.array([kind, at, up, half[0], half[1], rng.uniform(0.8, 5.0)])
    if MARKS[kind] == "sticker":
        row["mark_tone"] = lab_to_linear_srgb(sample_colour(rng)[1])
    elif MARKS[kind] == "scuff":  # rubber or plastic, or another's paint
        row["mark_tone"] = np.full(3, 0.03) if rng.random() < 0.5 else lab_to_linear_srgb(sample_colour(rng)[1])
    elif MARKS[kind] == "primer_spot":
        row["mark_tone"] = np.array(look.primer) * rng.uniform(0.8, 1.2)
    else:
        row["mark_tone"] = np.array([0.20, 0.14, 0.06]) * rng.uniform(0.3, 1.6)
    hard.add(MARKS[kind])
    return _site_on(part, at, up, half[0] * rng.uniform(2.5, 4.5) / 1000, MARKS[kind])


def _sag(row: dict[str, Any], part: Part, history: PaintHistory, job: Job | None) -> list[Site]:
    """Runs on an upright panel sprayed too wet, or an old flake's edge under a newer coat; the factory seldom ran."""
    rng = _stream(history, f"sag {part.group}")
    width, height = part.patch.size_mm
    level = part.name.split(".")[0] in ("bonnet", "roof", "wing_top")
    hurried = 1.2 - job.care if job is not None else 0.06
    way = rng.random()
    if way < 0.14 * hurried and not level:
        kind, deep = 1.0, rng.uniform(0.12, 0.40)
    elif 0.80 < way < 0.80 + 0.12 * hurried and job is not None:
        kind, deep = 2.0, rng.uniform(0.07, 0.18)
    else:
        return []
    at, up, radius = rng.uniform(0.2, 0.8) * width, rng.uniform(0.15, 0.7) * height, rng.uniform(35, 110)
    row["sag"] = np.array([kind, at, up, radius, deep])
    return [_site_on(part, at, up, 0.0035 * radius, "sag")]


def _tape(row: dict[str, Any], part: Part, job: Job | None, rng: np.random.Generator) -> list[Site]:
    """Gum where masking tape sat: beside a rubber, on the masked side of a line, seldom straight across a panel."""
    width, height = part.patch.size_mm
    wide = float(rng.choice([19, 25, 38, 50]))
    length = rng.uniform(0.15, 0.6) * width if rng.random() < 0.5 else width
    at, over = rng.uniform(0.1, 0.9) * width, float(rng.random() < 0.3)
    careless = 1.2 - 0.6 * job.care if job is not None else 1.0
    lined = part.kind == "shut" and row["masking"][0] >= 0
    if lined and rng.random() < 0.45:  # the paint lies below the line (see `PartTable.masking`), the tape beyond it
        edge, over = row["masking"][0] + 0.5, 0.0
    elif job is not None and ".frame" in part.name and rng.random() < 0.30 * careless:
        edge = height - 25.0 - wide + rng.uniform(-4, 2)  # up to the rubber's foot
    elif job is not None and part.kind == "sheet" and height > 150 and rng.random() < 0.05 * careless:
        edge = rng.uniform(0.1, 0.85) * height
    else:
        return []
    row["gum"] = np.array([rng.uniform(0.85, 1.6), edge, wide, at, length / 2, over])
    row["gum_tone"] = np.array(GUM_TONES[int(rng.integers(len(GUM_TONES)))]) * rng.uniform(0.8, 1.25)
    return [_site_on(part, at, edge + wide / 2, rng.uniform(0.10, 0.3), "tape")]


def _bent(patch: Patch, fill: np.ndarray[Any, Any], bead_mm: float = 0.0) -> Patch:
    """Raise the groove of a seam by `fill` (0 open to 1 level) along its length; a bead stands proud of the sheet."""
    points = patch.points
    chord = (points[0] + points[-1])[None] / 2
    across = np.linspace(-1, 1, points.shape[0])[:, None]
    level = points[0][None] * (1 - (across[..., None] + 1) / 2) + points[-1][None] * ((across[..., None] + 1) / 2)
    depth = points - level
    raised = level + depth * (1 - fill[None, :, None])
    if bead_mm:
        out = -(
            depth[points.shape[0] // 2]
            / np.maximum(np.linalg.norm(depth[points.shape[0] // 2], axis=-1, keepdims=True), 1e-9)
        )
        offset = np.linalg.norm(level - chord, axis=-1) * 1000
        raised = (
            level + out[None] * (bead_mm / 1000 * np.clip(1 - (np.minimum(offset, 4.5) / 4.5) ** 2, 0, 1))[..., None]
        )
    return replace(patch, points=raised)


def _veil(row: dict[str, Any], panel: str, history: PaintHistory, look: _SharedLook) -> None:
    """Mist that passed under the sheet: one veil a group of parts, from one side, fading downwards."""
    rng = np.random.default_rng([history.seed, zlib.crc32(f"veil {panel}".encode())])
    job = history.jobs[-1]
    widespread = len(job.panels) > 6
    if rng.random() > (0.25 + 0.65 * (1 - job.care)) * (1.0 if widespread else 0.5):
        return
    row["veil"] = np.array([rng.uniform(0.5, 1.25), *look.gun, rng.uniform(450, 700), rng.uniform(120, 500)])
    row["mist_colour"] = lab_to_linear_srgb(job.lab)


def _undersealed(row: dict[str, Any], panel: str, history: PaintHistory, hard: set[str]) -> bool:
    """Whether fresh underseal or chassis black covers a group of parts and their bolts, and any mist on them."""
    fresh = _stream(history, f"underseal {panel}")
    if panel not in ("chassis", "crossmember", "arches") or fresh.random() > 0.13:
        return False
    row["sealed_over"], row["colour"] = True, np.full(3, fresh.uniform(0.008, 0.016))
    row["rust"], row["roughness"], row["metallic"] = 0.0, float(fresh.uniform(0.2, 0.5)), 0.0
    row["texture"] = np.array([3.0, fresh.uniform(0.0, 0.5), fresh.uniform(4.0, 9.0), 0.0])
    row["coated"] = np.zeros(2)
    hard.add("fresh_underseal")
    return True


def _hidden(
    row: dict[str, Any], part: Part, history: PaintHistory, look: _SharedLook, rng: np.random.Generator, hard: set[str]
) -> None:
    """Chassis, brackets, pipes: black or zinc, rusty, under underseal, black paint or the painter's mist."""
    shared = np.random.default_rng([history.seed, zlib.crc32(part.panel.encode())])
    row["is_painted"] = False
    row["rust"] = float(look.rust * shared.uniform(0.2, 1.0))
    row["roughness"] = float(shared.uniform(0.35, 0.85))
    if part.finish == "body":
        row["colour"] = (
            lab_to_linear_srgb(history.factory_lab) * rng.uniform(0.5, 0.9)
            if shared.random() < 0.4
            else np.array([0.03, 0.03, 0.03])
        )
        hard.add("body_coloured_underside")
        return
    if _undersealed(row, part.panel, history, hard):
        return
    if any(part.panel != "engine_bay" or job.panels & AROUND_THE_BAY for job in history.jobs):
        _veil(row, part.panel, history, look)
    if part.panel == "engine_bay":
        row["rust"] = row["rust"] if part.finish in ("black", "cast") and part.surface != "rubber" else 0.0
        row["roughness"] = float(np.clip(rng.uniform(0.25, 0.7), 0.05, 0.95))
        if part.finish == "engine" and row["metallic"] == 0 and row["colour"].max() > 0.05:
            hard.add("painted_engine")
        return
    if shared.random() < 0.15:
        row["colour"] = np.array([0.09, 0.085, 0.08])
        hard.add("grey_undercoat")
