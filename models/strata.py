"""What a photo has in common with others: light, distance, place, dirt, body colour. Only what its table row says."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from typing import Any

from models.data import Sample

DISTANCES_M = (0.5, 1.0, 2.0, 4.0)
"""Bounds between the distances that are told apart."""
LEAST_CHROMA = 12.0
"""CIELAB C*ab below which a paint is called white, grey or black rather than by its hue."""
HUES = (
    (48.0, "red"), (82.0, "orange or brown"), (110.0, "yellow"), (190.0, "green"), (310.0, "blue"), (345.0, "purple"),
)  # fmt: skip
"""Upper bounds of the CIELAB hue angle in degrees; above the last it is red again. Rough, by eye (no source)."""


def strata(sample: Sample) -> dict[str, tuple[str, ...]]:
    """The strata of a photo by kind; kinds that its row does not tell are left out."""
    details = sample.details
    found: dict[str, tuple[str, ...]] = {}
    for column in ("family", "source", "dirt"):
        if (text := _text(details, column)) is not None:
            found[column] = (text,)
    if (light := _text(details, "light")) is not None:
        found["light"] = (
            re.split(r"[,\d]", light)[0].strip() or light,
        )  # "clear, sun 34°" and the like: the kind only
    if sample.shot is not None:
        found["shot"] = (sample.shot,)
    if (place := kind_of_place(sample)) is not None:
        found["place"] = (place,)
    if (distance := _number(details, "distance_m")) is not None:
        found["distance"] = (_distance(distance),)
    if "hard_negatives" in details:
        names = (_text(details, "hard_negatives") or "").replace(";", ",").split(",")
        found["hard negative"] = tuple(sorted({name.strip() for name in names if name.strip()})) or ("none",)
    lightness, a, b = (_number(details, f"body_{axis}") for axis in "Lab")
    if lightness is not None and a is not None and b is not None:
        found["body colour"] = (colour_name(lightness, a, b),)
    return found


def kind_of_place(sample: Sample) -> str | None:
    """What the photo was taken of: the row's `place`, told apart by shot where that is only a `view`."""
    place = _text(sample.details, "place")
    return f"view, {sample.shot}" if place == "view" else place


def members(samples: Iterable[Sample]) -> dict[str, dict[str, list[int]]]:
    """Rows of the photos in each stratum, by kind."""
    found: dict[str, dict[str, list[int]]] = {}
    for row, sample in enumerate(samples):
        for kind, names in strata(sample).items():
            for name in names:
                found.setdefault(kind, {}).setdefault(name, []).append(row)
    return {kind: dict(sorted(groups.items())) for kind, groups in found.items()}


def colour_name(lightness: float, a: float, b: float) -> str:
    """A rough word for a CIELAB colour (D65, 2°)."""
    if math.hypot(a, b) < LEAST_CHROMA:
        return "white" if lightness >= 80 else "black" if lightness < 25 else "grey"
    hue = math.degrees(math.atan2(b, a)) % 360
    return next((name for bound, name in HUES if hue < bound), "red")


def _distance(metres: float) -> str:
    place = sum(metres >= bound for bound in DISTANCES_M)
    if place == 0:
        return f"under {DISTANCES_M[0]:g} m"
    if place == len(DISTANCES_M):
        return f"{DISTANCES_M[-1]:g} m and more"
    return f"{DISTANCES_M[place - 1]:g} to {DISTANCES_M[place]:g} m"


def _text(details: Mapping[str, Any], column: str) -> str | None:
    value = details.get(column)
    return None if value is None else str(value).strip() or None


def _number(details: Mapping[str, Any], column: str) -> float | None:
    """A number of the row; None where it is empty or no number (tables of users hold anything)."""
    try:
        value = float(details[column])
    except (KeyError, TypeError, ValueError):
        return None
    return value if math.isfinite(value) else None
