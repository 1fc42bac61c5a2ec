"""Heads of bolts, screws and rivets: each of its kind, none quite as the next."""

from __future__ import annotations

import numpy as np
import pytest

from synthetic_data.fasteners import INSTEAD, Fastenings, head, hole
from synthetic_data.vehicle import build_vehicle, families

HABITS = Fastenings(replaced=0.1, missing=0.05, no_washer=0.1, wide_washer=0.1, rivet_askew_mrad=20, bolt_askew_mrad=40)
TRUE = HABITS.model_copy(update={"no_washer": 0.0, "rivet_askew_mrad": 0.0, "bolt_askew_mrad": 0.0})


@pytest.mark.parametrize("kind", ["rivet", "pop", *INSTEAD])
def test_a_head_stands_on_its_sheet_and_is_as_wide_as_its_kind(kind: str) -> None:
    for seed in range(6):
        shapes = head(kind, 0.006, HABITS, np.random.default_rng(seed))
        points = np.concatenate([one.points.reshape(-1, 3) for one in shapes])
        assert -0.0025 < points[:, 2].min() < 0.0003 and 0.001 < points[:, 2].max() < 0.011
        reach = np.abs(points[:, :2]).max() / 0.006
        assert 0.9 < reach < (1.05 if kind in ("rivet", "pop") else 2.5)
        for one in shapes:  # the outer side is up: the first row is the middle
            normal = np.cross(np.gradient(one.points, axis=0), np.gradient(one.points, axis=1)).sum(axis=(0, 1))
            assert normal[2] > 0


def test_a_chamfer_leaves_a_hexagon_below_and_a_circle_above() -> None:
    shape = head("hex", 0.01, TRUE, np.random.default_rng(1))[0].points
    reach = np.linalg.norm(shape[..., :2] - shape[0, 0, :2], axis=-1)
    assert np.ptp(reach[2]) < 1e-6 and reach[-1].min() / reach[-1].max() == pytest.approx(np.cos(np.pi / 6), rel=1e-3)


def test_no_head_is_quite_as_the_next_and_the_same_draw_gives_the_same() -> None:
    first, second, again = (head("hex", 0.006, HABITS, np.random.default_rng(seed)) for seed in (1, 2, 1))
    assert not np.allclose(first[0].points, second[0].points, atol=1e-5)
    assert all(np.array_equal(a.points, b.points) for a, b in zip(first, again, strict=True))
    rivets = [head("rivet", 0.005, HABITS, np.random.default_rng(seed))[0].points for seed in range(20)]
    assert np.ptp([one[..., 2].max() for one in rivets]) > 0.0003


def test_some_bolts_are_lost_or_replaced_but_no_rivet_and_no_badge_bolt() -> None:
    body, lost, kinds = families()["brindle"], 0, set()
    for seed in range(20):
        parts = build_vehicle("brindle", body, np.random.default_rng(seed)).parts
        bolts = [part for part in parts if part.name.startswith(("wing_bolt", "grille_clip"))]
        gone = [part for part in bolts if part.kind != "fastener"]
        assert all(part.surface == "black_part" and np.ptp(part.patch.points[..., 0]) < 0.02 for part in gone)
        lost += len(gone)
        kinds |= {part.patch.points.shape for part in bolts}
        for name in ("_rivets.", "badge_bolt"):
            assert all(part.kind == "fastener" for part in parts if name in part.name)
    assert 0 < lost < 40 and len(kinds) > 3
    assert hole(0.006).points[..., 2].max() < 0.0005
