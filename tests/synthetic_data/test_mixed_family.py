"""Vehicles of no family; the families are invented, so these check the drawing alone."""

import numpy as np
import pytest

from synthetic_data.mixed_family import MIXED, WIDER, mixed_family
from synthetic_data.vehicle import build_vehicle, families

NAMES = ("pellock", "brindle", "gannel")
FAMILIES = [families()[name] for name in NAMES]


def test_every_row_is_seen_in_every_finish_whatever_the_families_have() -> None:
    mixed = [mixed_family(FAMILIES, np.random.default_rng(seed)) for seed in range(60)]

    assert {one.rivet_finish["tub"] for one in FAMILIES} == {"body"}
    for row in ("wing", "tub", "waist", "rear"):
        assert {one.rivet_finish[row] for one in mixed} == {"body", "bare", "zinc"}
    assert {one.rail_finish for one in mixed} == {"body", "zinc"}
    assert {one.hinge_bolt_finish for one in mixed} == {"bare", "zinc", "black"}


def test_bodies_are_those_of_the_families_and_sizes_a_little_beyond() -> None:
    mixed = [mixed_family(FAMILIES, np.random.default_rng(seed)) for seed in range(60)]

    assert {one.body for one in mixed} == {one.body for one in FAMILIES}
    for one in mixed:
        low, high = one.wheelbase
        assert any(abs((low + high) - sum(of.wheelbase)) < 1e-9 for of in FAMILIES)
        assert high - low == pytest.approx(
            next(of.wheelbase[1] - of.wheelbase[0] for of in FAMILIES if abs(low + high - sum(of.wheelbase)) < 1e-9)
            + WIDER * (low + high)
        )


@pytest.mark.parametrize("doors", [(), ("left",), ("bonnet",)])
def test_a_mixed_vehicle_is_built_and_the_same_again(doors: tuple[str, ...]) -> None:
    body = mixed_family(FAMILIES, np.random.default_rng(3))
    first, again = (build_vehicle(MIXED, body, np.random.default_rng(3), doors) for _ in range(2))

    assert len(first.parts) == len(again.parts) > 500
    assert all(np.array_equal(a.patch.points, b.patch.points) for a, b in zip(first.parts, again.parts, strict=True))
