"""A vehicle of no family: parts, sizes and finishes of several put together, to learn from and never to measure on.

Where every vehicle seen has its tub's rivets painted at the factory, a network learns that heads in that place are
painted, and no longer looks (Tobin et al. 2017, "Domain randomization", is the idea).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import get_args

import numpy as np

from synthetic_data.vehicle import BodyFamily

MIXED = "mixed"
WIDER = 0.1  # of a range's middle, at both ends: sizes a little beyond those of the families
SEALED_PROBABILITY = 0.35


def mixed_family(families: Sequence[BodyFamily], rng: np.random.Generator) -> BodyFamily:
    """Each property of any one of `families`, ranges wider at both ends (`WIDER`); finishes and sealers are drawn."""

    def of_any(name: str) -> object:
        return getattr(families[int(rng.integers(len(families)))], name)

    def finish(values: tuple[str, ...]) -> str:
        return values[int(rng.integers(len(values)))]

    fields = BodyFamily.model_fields
    drawn: dict[str, object] = {name: of_any(name) for name in fields if name != "held_out"}
    for name, value in drawn.items():
        if isinstance(value, tuple):
            low, high = value
            rim = WIDER * (low + high) / 2
            drawn[name] = (low - rim, high + rim)
    _, finishes = get_args(fields["rivet_finish"].annotation)
    drawn["rivet_finish"] = {
        row: finish(get_args(finishes)) for row in sorted({row for one in families for row in one.rivet_finish})
    }
    drawn["seam_sealer"] = {
        seam: bool(rng.random() < SEALED_PROBABILITY)
        for seam in sorted({seam for one in families for seam in one.seam_sealer})
    }
    for name in ("hinge_bolt_finish", "rail_finish"):
        drawn[name] = finish(get_args(fields[name].annotation))
    return BodyFamily.model_validate(drawn)
