"""Where dirt stays, against a k-d tree over finely sampled curves (scipy) and what is known of the vehicle's parts."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree

torch = pytest.importorskip("torch")

from synthetic_data.crevices import REACH_MM, find_crevices  # noqa: E402  (torch may be missing)
from synthetic_data.geometry import line, loft, patch, resample, rolled_edges, rounded_rectangle  # noqa: E402
from synthetic_data.vehicle import LANDING_ROWS, Part  # noqa: E402
from tests.synthetic_data.samples import vehicle  # noqa: E402

pytestmark = pytest.mark.usefixtures("one_thread")
LIFT = np.array([0.0, 0.0, 0.05])


def test_distance_is_that_to_the_nearest_of_finely_sampled_curves() -> None:
    flat = rounded_rectangle(0.4, 0.3, 0.05, 121)
    outline = np.column_stack([flat, np.full(121, 0.7)])
    rubber = Part("seal", patch(np.stack([outline, outline + LIFT])), "rubber", None, None, "rubber", "seal")
    curves = np.concatenate([resample(one, 40_000) for one in (outline, outline + LIFT)]) * 1000
    rng = np.random.default_rng(1)
    near = curves[rng.integers(len(curves), size=4000)] + rng.normal(size=(4000, 3)) * 4
    reference, _ = cKDTree(curves).query(near)
    got, hold = find_crevices([rubber]).nearest(torch.from_numpy(near).float())
    off = np.abs(got.numpy() - np.minimum(reference, REACH_MM))
    assert np.quantile(off, 0.99) < 0.4 and off.max() < 1.5 and (hold[reference < 6] > 0.9).all()


def test_far_away_and_without_parts_nothing_holds_dirt() -> None:
    places = torch.tensor([[0.0, 0.0, 9000.0], [-15000.0, 3.0, 2.0]])
    for parts in ((), vehicle().parts):
        distance, hold = find_crevices(parts).nearest(places)
        assert (distance == REACH_MM).all() and not hold.any()


def test_a_folded_edge_holds_dirt_and_a_cut_one_does_not() -> None:
    plain = loft(line((0, 0, 1), (0.5, 0, 1), 20), line((0, 0, 0.6), (0.5, 0, 0.6), 20), 20)
    for edges, held in (("t", [True, False]), ("tb", [True, True]), ("", [False, False])):
        sheet = Part("sheet", rolled_edges(plain, 0.004, 0.018, edges=edges), "paint", None, None, "body", "sheet")
        # the fold begins a bend's radius before the border, where the panel is still level
        at = torch.tensor([[250.0, 0.0, 997.0], [250.0, 0.0, 603.0]])
        distance, _ = find_crevices([sheet]).nearest(at)
        assert (distance < 2.0).tolist() == held


def test_a_shoulder_is_washed_and_what_falls_into_a_gap_stays() -> None:
    plain = loft(line((0, 0, 1), (0.5, 0, 1), 20), line((0, 0, 0.6), (0.5, 0, 0.6), 20), 20)
    rounded = Part("sheet", rolled_edges(plain, 0.03, 0.0, edges="t", steps=8), "paint", None, None, "body", "sheet")
    distance, _ = find_crevices([rounded]).nearest(torch.tensor([[250.0, 0.0, 970.0]]))
    assert distance == REACH_MM
    parts = vehicle().parts
    landings = [part.patch.points[LANDING_ROWS // 2] * 1000 for part in parts if part.name.startswith("shut.")]
    assert len(landings) == 2
    distance, _ = find_crevices(parts).nearest(torch.from_numpy(np.concatenate(landings)).float())
    assert (distance < 1.5).float().mean() > 0.9


def test_every_head_and_rubber_of_a_vehicle_holds_dirt_at_its_foot() -> None:
    parts = vehicle().parts
    crevices = find_crevices(parts)
    for kind in ("fastener", "seal"):
        feet = np.concatenate([part.patch.points[-1] for part in parts if part.kind == kind]) * 1000
        distance, hold = crevices.nearest(torch.from_numpy(feet).float())
        # a voxel keeps one piece: between a bolt and its washer some texels are told the other one
        assert (distance < 1.5).float().mean() > 0.93 and hold.max() <= 1
