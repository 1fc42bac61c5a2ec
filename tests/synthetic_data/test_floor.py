"""The cab's floor: painted with the body, under whole mats on many vehicles and in sight on the others."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

torch = pytest.importorskip("torch")

from scipy.stats import binomtest  # noqa: E402

from synthetic_data.paint import lab_to_linear_srgb  # noqa: E402  (torch may be missing)
from synthetic_data.vehicle import Vehicle, build_vehicle, families  # noqa: E402
from tests.synthetic_data.samples import FAMILIES, NEW_LAB, OLD_LAB, resprayed  # noqa: E402

SEEDS = 60


def built(family: str, seed: int, *doors: str, **floor: float) -> Vehicle:
    body = families()[family]
    shares = body.floor.model_copy(update=floor)
    return build_vehicle(family, body.model_copy(update={"floor": shares}), np.random.default_rng(seed), doors)


def names(vehicle: Vehicle) -> set[str]:
    return {part.name for part in vehicle.parts}


@pytest.mark.parametrize("family", FAMILIES)
def test_the_floor_is_painted_with_the_body_and_faces_up(family: str) -> None:
    (floor,) = (part for part in built(family, 1).parts if part.name == "floor")
    assert (floor.surface, floor.zone, floor.finish, floor.panel) == ("paint", "floor", "body", "floor")
    across, along = np.gradient(floor.patch.points, axis=0), np.gradient(floor.patch.points, axis=1)
    assert (np.cross(across, along)[..., 2] > 0).all()


def test_mats_lie_in_the_shares_of_the_family() -> None:
    shares = families()["pellock"].floor
    kinds = Counter(
        "whole" if "floor_mat" in found else "short" if "short_mat" in found else "bare"
        for found in (names(built("pellock", seed)) for seed in range(SEEDS))
    )
    for kind, share in (("bare", shares.bare), ("short", shares.short_mat)):
        assert binomtest(kinds[kind], SEEDS, share).pvalue > 1e-3, (kind, kinds)
    assert kinds["whole"] > 0


@pytest.mark.parametrize("family", FAMILIES)
def test_under_a_whole_mat_no_floor_is_seen_and_none_is_aimed_at(family: str) -> None:
    covered = built(family, 3, "left", bare=0.0, short_mat=0.0)
    floor, mat = (next(p for p in covered.parts if p.name == name).patch.points for name in ("floor", "floor_mat"))
    assert floor[..., 2].max() < mat[..., 2].min()
    assert floor[..., :2].min(axis=(0, 1)) == pytest.approx(mat[..., :2].min(axis=(0, 1)), abs=2e-3)
    assert floor[..., :2].max(axis=(0, 1)) == pytest.approx(mat[..., :2].max(axis=(0, 1)), abs=2e-3)
    assert [part.name for part in covered.parts if part.zone == "floor"] == ["floor"]
    assert not [site for site in covered.sites if site.zone == "floor"]


@pytest.mark.parametrize("family", FAMILIES)
def test_without_whole_mats_floor_and_tunnel_are_seen_through_the_open_door(family: str) -> None:
    for shares in ({"bare": 1.0, "short_mat": 0.0}, {"bare": 0.0, "short_mat": 1.0}):
        shown = built(family, 3, "left", **shares)
        assert not names(shown) & {"floor_mat", "mats"} and ("short_mat" in names(shown)) == (shares["bare"] == 0)
        assert {part.group for part in shown.parts if part.zone == "floor"} == {"floor", "tunnel"}
        (site,) = (site for site in shown.sites if site.zone == "floor")
        mats = [part.patch.points[..., 0].min() for part in shown.parts if part.name == "short_mat"]
        assert site.panel == "floor" and all(site.target[0] < end for end in mats)
        assert not [site for site in built(family, 3, **shares).sites if site.zone == "floor"]  # doors closed


def test_mats_change_nothing_else() -> None:
    bare, covered = (
        {part.name: part for part in built("brindle", 5, "left", bare=share, short_mat=0.0).parts}
        for share in (1.0, 0.0)
    )
    assert set(bare) ^ set(covered) == {"floor_mat", "mats"}
    for name in set(bare) & set(covered):
        assert np.array_equal(bare[name].patch.points, covered[name].patch.points), name


@pytest.mark.parametrize("inside", [False, True])
def test_a_colour_change_of_the_outside_leaves_the_floor_in_the_old_colour(inside: bool) -> None:
    # design section 10 (common practice, no source): a quick colour change leaves shuts, bulkhead, bay and floor
    one = resprayed(1.0, 4, inside=inside)
    (row,) = (k for k, part in enumerate(one.vehicle.parts) if part.name == "floor")
    wanted = lab_to_linear_srgb(NEW_LAB if inside else OLD_LAB)
    assert one.table.colour[row].numpy() == pytest.approx(wanted, abs=1e-6)
    assert bool(one.table.has_under[row]) is inside
