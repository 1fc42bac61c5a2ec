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
from typing import Any

import numpy as np
import torch

from pipeline.configuration import shipped
from pipeline.records import HISTORIES
from synthetic_data.geometry import Patch
from synthetic_data.paint import FILL_RAMP_MM, Grime, PartTable, lab_to_linear_srgb
from synthetic_data.vehicle import BodyFamily, Part, Vehicle

KIND_NUMBER = {"other": 0, "sheet": 1, "shut": 2, "seal": 3, "fastener": 4, "seam": 5, "hidden": 6}
Lab = tuple[float, float, float]
INSIDE_PANELS = ("shut_left", "shut_right", "bulkhead", "bed")
NEVER_REFINISHED = ("capping", "chassis", "crossmember", "arches", "floor_under", "wheels", "")

# material: linear sRGB, roughness, metallic (common practice, no source)
MATERIALS: dict[str, tuple[tuple[float, float, float], float, float]] = {
    "black": ((0.022, 0.022, 0.023), 0.48, 0.0),
    "rubber": ((0.026, 0.026, 0.027), 0.62, 0.0),
    "zinc": ((0.56, 0.57, 0.58), 0.36, 0.9),
    "bare": ((0.60, 0.59, 0.57), 0.30, 1.0),
    "chrome": ((0.80, 0.80, 0.82), 0.07, 1.0),
    "glass": ((0.03, 0.03, 0.03), 0.05, 0.0),
    "lamp": ((0.62, 0.63, 0.65), 0.08, 0.3),
    "red": ((0.33, 0.012, 0.010), 0.12, 0.0),
    "amber": ((0.62, 0.20, 0.012), 0.12, 0.0),
    "tyre": ((0.021, 0.021, 0.022), 0.80, 0.0),
    "mat": ((0.030, 0.030, 0.032), 0.90, 0.0),
    "dial": ((0.010, 0.010, 0.010), 0.20, 0.0),
    "seat_base": ((0.05, 0.05, 0.05), 0.5, 0.0),
    "number_plate": ((0.75, 0.75, 0.72), 0.35, 0.0),
    "lining": ((0.35, 0.34, 0.31), 0.9, 0.0),
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


def sample_grime(rng: np.random.Generator) -> Grime:
    """Dirt of one vehicle on one day: half are washed for the advert."""
    washed = rng.random() < 0.5
    brown = (
        np.array([0.16, 0.11, 0.07])
        * rng.uniform(0.6, 1.6)
        * np.array([1, rng.uniform(0.9, 1.1), rng.uniform(0.8, 1.2)])
    )
    dusty = np.array([0.34, 0.29, 0.22]) * rng.uniform(0.7, 1.3)
    return Grime(
        float(rng.uniform(0, 0.12) if washed else rng.uniform(0.05, 0.55)),
        float(rng.uniform(0, 0.2) if washed else rng.uniform(0.1, 0.9)),
        float(rng.uniform(250, 900)),
        float(rng.uniform(0, 0.3) if rng.random() < 0.2 else 0.0),
        (float(dusty[0]), float(dusty[1]), float(dusty[2])),
        (float(brown[0]), float(brown[1]), float(brown[2])),
    )


def paint_vehicle(vehicle: Vehicle, family: BodyFamily, history: PaintHistory, grime: Grime) -> PaintedVehicle:
    """Apply the history to every part. Returns the vehicle with its seams bent, and the shader's table."""
    shared = np.random.default_rng(history.seed)
    look = _SharedLook.draw(shared)
    rows: list[dict[str, Any]] = []
    parts: list[Part] = []
    sealed: set[str] = set()
    hard: set[str] = set()
    for part in vehicle.parts:
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
        rows.append(row)
        parts.append(part)
    columns = {name: torch.from_numpy(np.asarray([row[name] for row in rows])) for name in rows[0]}
    table = PartTable(**{k: v.float() if v.dtype == torch.float64 else v for k, v in columns.items()})
    refinished = frozenset().union(*(job.panels for job in history.jobs)) if history.jobs else frozenset()
    return PaintedVehicle(
        replace(vehicle, parts=tuple(parts)), history, table, grime, refinished, frozenset(sealed), frozenset(hard)
    )


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
    if worn and part.kind != "seam":
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
    outer = history.job_of(part.panel.replace("shut", "door")) if part.kind == "shut" else None
    if part.kind == "shut" and job is None and outer is not None and rng.random() < 0.55 + 0.35 * (1 - outer.care):
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
    elif part.kind == "shut" and job is not None and rng.random() < 0.5 * (1 - job.care):
        row["masking"] = np.array([rng.uniform(20, 100), rng.uniform(0.06, 0.18), rng.uniform(0.3, 4.0), -1.0])
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
    if part.kind == "sheet" and not rail and row["wear"][0] == 0 and rng.random() < (0.10 if job is not None else 0.03):
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
    if part.panel in ("chassis", "crossmember") and history.jobs:
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
        begun, ended = _ramp((along - start) / FILL_RAMP_MM + 0.5), _ramp((stop - along) / FILL_RAMP_MM + 0.5)
        fill = row["fill"][0] * begun * ended
        return replace(part, patch=_bent(part.patch, fill))
    if rng.random() < 0.35:
        row["packed"] = float(rng.uniform(0.6, 1.0))
        hard.add("packed_seam")
        return replace(part, patch=_bent(part.patch, np.full(part.patch.points.shape[1], rng.uniform(0.6, 0.9))))
    return part


def _ramp(t: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    """From 0 to 1 over t = 0 to 1, level at both ends."""
    return np.asarray(np.clip(t, 0, 1) ** 2 * (3 - 2 * np.clip(t, 0, 1)))


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
    if history.jobs:
        _veil(row, part.panel, history, look)
    if shared.random() < 0.15:
        row["colour"] = np.array([0.09, 0.085, 0.08])
        hard.add("grey_undercoat")
