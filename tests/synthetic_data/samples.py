"""Parts, vehicles and light for the generator's tests. Importing it skips where torch is missing."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
import pytest

torch = pytest.importorskip("torch")

from synthetic_data.paint import Grime, PartTable  # noqa: E402  (torch may be missing)
from synthetic_data.painter import (  # noqa: E402
    INSIDE_PANELS,
    NEVER_REFINISHED,
    Job,
    PaintedVehicle,
    PaintHistory,
    paint_vehicle,
)
from synthetic_data.vehicle import Vehicle, build_vehicle, families  # noqa: E402

FAMILIES = families()
OTHER, SHEET, SHUT, SEAL, FASTENER, SEAM, HIDDEN = range(7)
CLEAN = Grime(0.0, 0.0, 500.0, 0.0, (0.34, 0.29, 0.22), (0.16, 0.11, 0.07))
GREEN, RED, WHITE = (0.03, 0.10, 0.04), (0.35, 0.02, 0.02), (0.70, 0.68, 0.62)
RUBBER, ZINC, BLACK = (0.03,) * 3, (0.56,) * 3, (0.022,) * 3
OLD_LAB, NEW_LAB = (38.0, -22.0, 12.0), (72.0, 4.0, 22.0)  # a green and a sand, far apart


def a_part(kind: int, **changes: Any) -> dict[str, Any]:
    """One part without any history."""
    plain = {
        "kind": kind,
        "colour": {SEAL: RUBBER, FASTENER: ZINC, HIDDEN: BLACK}.get(kind, GREEN),
        "under": GREEN,
        "primer": (0.23, 0.23, 0.23),
        "metal": (0.7, 0.7, 0.7),
        "has_under": False,
        "is_painted": kind in (SHEET, SHUT, SEAM),
        "roughness": 0.3,
        "metallic": 0.9 if kind == FASTENER else 0.0,
        "peel": 0.0,
        "fade": 0.0,
        "chips": 0.0,
        "used": (0.0, 0.0, 0.0),
        "wheels": (600.0, -1800.0),
        "wear": (0.0, 0, 0, 1, 1, 0),
        "masking": (-1.0, 0, 0, 1),
        "mist": (0.0,) * 5,
        "veil": (0.0, 0, 0, 1, 0, 1),
        "mist_colour": GREEN,
        "coated": (0.0, 0.0),
        "fill": (0.0,) * 3,
        "gap": 3.0,
        "crack": 0.0,
        "packed": 0.0,
        "sealer": 0.0,
        "rust": 0.0,
        "chalk": 0.0,
        "peeling": (0.0, 0, 0, 1),
        "crazing": 0.0,
        "sag": (0.0, 0, 0, 1, 0),
        "texture": (0.0, 0, 1, 0),
        "gum": (0.0, 0, 1, 0, 1, 0),
        "gum_tone": (0.42, 0.24, 0.07),
        "filler": (0.0, 0, 0, 1, 1, 0, 0),
        "filler_tone": (0.50, 0.20, 0.18),
        "mark": (0.0, 0, 0, 1, 1, 0),
        "mark_tone": (0.3, 0.3, 0.3),
        "sticker": (0.0, 1.0, 0.3),
        "rejoined": False,
        "sealed_over": False,
        "grain": (0.0, 0.0, 0.0),
        "seed": 0.4,
    }
    return plain | changes


def table_of(*rows: dict[str, Any]) -> PartTable:
    columns = {name: torch.tensor([row[name] for row in rows]) for name in rows[0]}
    return PartTable(**columns)


@lru_cache
def vehicle(family: str = "pellock", *doors: str) -> Vehicle:
    return build_vehicle(family, FAMILIES[family], np.random.default_rng(3), doors)


def painted(past: PaintHistory, family: str = "pellock", *doors: str) -> PaintedVehicle:
    return paint_vehicle(vehicle(family, *doors), FAMILIES[family], past, CLEAN)


def resprayed(care: float, seed: int, *, inside: bool = False, family: str = "pellock") -> PaintedVehicle:
    """The outside of a green vehicle sprayed sand, with a stated care."""
    panels = {part.panel for part in vehicle(family).parts if part.kind in ("sheet", "seam", "fastener")}
    panels -= set(NEVER_REFINISHED) | set(INSIDE_PANELS)
    job = Job(frozenset(panels | (set(INSIDE_PANELS) if inside else set())), NEW_LAB, care, 1, 0.2)
    return painted(PaintHistory("colour_change_outside_only", OLD_LAB, "", 0.2, 25.0, (job,), seed), family)


def stage(sky: Any = None, ground: float = 0.18, ground_m: float = 12.0) -> Any:
    """Light of radiance 1 from everywhere unless a sky is given."""
    from synthetic_data.scene import Stage, light_up

    sky = np.ones((32, 64, 3)) if sky is None else sky
    return Stage(light_up(sky, 0.0), np.full((8, 8, 3), ground, np.float32), ground_m, 0.0, 0.0, 0.0, 5000.0)
