from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import pytest
import yaml
from scipy.spatial import cKDTree

from pipeline.configuration import shipped
from pipeline.records import SURFACES, ZONES
from synthetic_data.geometry import grid_triangles
from synthetic_data.vehicle import LANDING_ROWS, Part, Vehicle, build_vehicle, families

FAMILIES = families()
DOORS = ((), ("left",), ("right",), ("bonnet",))


@lru_cache
def built(family: str, seed: int = 1, doors: tuple[str, ...] = ()) -> Vehicle:
    return build_vehicle(family, FAMILIES[family], np.random.default_rng(seed), doors)


def by_name(vehicle: Vehicle) -> dict[tuple[str, int], Part]:
    """Parts by name; what has no place of its own (wheel nuts) is counted through."""
    count: Counter[str] = Counter()
    parts = {}
    for part in vehicle.parts:
        parts[part.name, count[part.name]] = part
        count[part.name] += 1
    return parts


def facing(part: Part) -> Any:
    """Mean direction of the outward side."""
    points = part.patch.points
    normal = np.cross(np.gradient(points, axis=0), np.gradient(points, axis=1)).sum(axis=(0, 1))
    return normal / np.linalg.norm(normal)


@pytest.mark.parametrize("doors", DOORS)
@pytest.mark.parametrize("family", FAMILIES)
def test_every_family_stands_on_its_wheels_within_its_measures(family: str, doors: tuple[str, ...]) -> None:
    body = FAMILIES[family]
    for seed in range(4):
        vehicle = built(family, seed, doors)
        points = np.concatenate([part.patch.points.reshape(-1, 3) for part in vehicle.parts])
        assert np.isfinite(points).all()
        assert body.width[0] <= vehicle.width <= body.width[1]
        assert body.roof_height[0] <= vehicle.height <= body.roof_height[1]
        low, high = points.min(0), points.max(0)
        assert low[2] == pytest.approx(0, abs=0.001)  # tyres touch the ground
        assert high[2] < vehicle.height + 0.12  # a roof rack
        assert vehicle.length <= high[0] - low[0] < vehicle.length + 0.45  # bumper, tow plate, spare wheel
        reach = vehicle.width / 2 + np.array([0.30, body.door_length[1] + 0.05])  # a mirror, an open door
        assert high[1] < reach[int("left" in doors)] and -low[1] < reach[int("right" in doors)]
        assert vehicle.open_doors == tuple(door for door in doors if door != "bonnet")


@pytest.mark.parametrize("family", FAMILIES)
def test_words_are_those_of_the_contract(family: str) -> None:
    for part in built(family, doors=("left", "bonnet")).parts:
        assert part.surface in SURFACES and part.side in (None, "left", "right"), part.name
        assert part.zone is None or part.zone in ZONES, part.name
        assert min(part.patch.size_mm) > 0, part.name


@pytest.mark.parametrize("doors", DOORS)
@pytest.mark.parametrize("family", FAMILIES)
def test_left_is_left_and_has_a_right_to_match(family: str, doors: tuple[str, ...]) -> None:
    vehicle = built(family, doors=doors)
    for part in vehicle.parts:
        if part.side is not None:
            assert (part.patch.points[..., 1].mean() > 0) == (part.side == "left"), part.name  # y points to the left
            assert ("right" if part.side == "left" else "left") not in part.panel, part.name
    for site in vehicle.sites:
        if site.side is not None:
            assert (site.target[1] > 0) == (site.side == "left"), site.name
    parts = by_name(vehicle)
    mirrored = [name for name, _ in parts if (f"{name}.right", 0) in parts and parts[name, 0].group != "wheels"]
    assert len(mirrored) > 60
    for name in mirrored:
        left, right = parts[name, 0].patch.points, parts[f"{name}.right", 0].patch.points
        assert np.allclose(left[:, ::-1] * [1, -1, 1], right), name


@pytest.mark.parametrize("doors", DOORS)
@pytest.mark.parametrize("family", FAMILIES)
def test_every_site_aims_at_something_and_looks_at_its_outside(family: str, doors: tuple[str, ...]) -> None:
    vehicle = built(family, doors=doors)
    seen = [part for part in vehicle.parts if part.surface != "glass"]
    near = cKDTree(np.concatenate([part.patch.points.reshape(-1, 3) for part in seen]))
    for site in vehicle.sites:
        assert np.linalg.norm(site.normal) == pytest.approx(1)
        assert near.query(site.target)[0] < 0.05, site.name  # a grid cell of the coarsest panels
        assert 0.05 < site.extent_m < 1.0
        assert site.zone in ZONES
    places = {site.place for site in vehicle.sites}
    assert places >= {"glazing_rubber", "fasteners", "body_seam", "sill_rail", "chassis", "panel_surface"}
    assert ("door_shut" in places) == (doors in (("left",), ("right",)))
    assert ("engine_bay" in places) == (doors == ("bonnet",))


# --- the same vehicle -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("doors", DOORS[1:])
@pytest.mark.parametrize("family", FAMILIES)
def test_what_stands_open_changes_nothing_else(family: str, doors: tuple[str, ...]) -> None:
    for seed in range(4):
        closed, opened = by_name(built(family, seed)), by_name(built(family, seed, doors))
        common = [key for key in closed if key in opened and not key[0].startswith(("door", "bonnet"))]
        assert len(common) > 0.75 * len(closed)  # the rest are parts of doors
        for key in common:
            first, second = closed[key], opened[key]
            assert np.array_equal(first.patch.points, second.patch.points), key
            assert replace(first, patch=second.patch) == second, key
        lost = {name for name, _ in set(closed) - set(opened)}
        assert all(name.startswith(("door_hinge", "mirror")) for name in lost), lost


@pytest.mark.parametrize("family", FAMILIES)
def test_an_open_bonnet_shows_what_lies_under_it(family: str) -> None:
    for seed in range(4):
        closed, opened = built(family, seed), built(family, seed, ("bonnet",))
        added = [part for part in opened.parts if part.name not in {one.name for one in closed.parts}]
        assert {"under_bonnet_bracket", "wiring", "wing_front", "bonnet"} <= {part.zone for part in added}
        assert {"inner_wing_left", "inner_wing_right", "slam_panel", "bonnet_inside"} <= {p.panel for p in added}
        names = {part.name for part in added}
        assert names >= {"engine_block", "rocker_cover", "air_filter", "radiator_core", "top_hose", "battery"}
        assert names >= {"brake_servo", "washer_bottle", "bulkhead_loom", "relay_box", "fan_belt"}
        # all of it lies between the wings, above the chassis and under the lifted bonnet
        points = np.concatenate([p.patch.points.reshape(-1, 3) for p in added if not p.name.startswith("bonnet")])
        low, high = points.min(0), points.max(0)
        assert np.abs(points[:, 1]).max() < opened.width / 2 - 0.15 and high[2] < opened.bay_centre[2] + 0.24
        assert high[0] < closed.length / 2 + 0.5 and low[2] > 0.3
        lifted = by_name(opened)["bonnet", 0].patch.points.reshape(-1, 3)
        assert lifted[np.argmax(lifted[:, 0]), 2] > opened.bay_centre[2] + 0.5


@pytest.mark.parametrize("side", ["left", "right"])
def test_an_open_door_is_the_closed_one_turned(side: str) -> None:
    closed, opened = by_name(built("pellock")), by_name(built("pellock", doors=(side,)))
    doors = [
        key
        for key, part in closed.items()
        if part.panel in (f"door_{side}", f"shut_{side}") and part.kind != "fastener"
    ]
    doors = [key for key in doors if key[0].startswith(("door_skin", "door_window", "door_inner", "door_rubber"))]
    assert len(doors) == 6
    for key in doors:  # keyed by name: paint is drawn by group and must not change
        first, second = closed[key].patch.points.reshape(-1, 3), opened[key].patch.points.reshape(-1, 3)
        assert closed[key].group == opened[key].group
        assert not np.allclose(first, second)
        spans = [np.linalg.norm(points[::7] - points[0], axis=1) for points in (first, second)]
        assert np.allclose(*spans)  # a turn keeps all distances


def test_another_seed_is_another_vehicle() -> None:
    first, second = built("pellock", 1), built("pellock", 2)
    assert (first.length, first.width, first.height) != (second.length, second.width, second.height)


# --- what the family says ---------------------------------------------------------------------------------------

METALS = {"body": "paint", "bare": "bare_metal", "zinc": "bare_metal", "black": "black_part"}


@pytest.mark.parametrize("family", FAMILIES)
def test_rivets_and_bolts_are_finished_as_the_family_says(family: str) -> None:
    body, rows = FAMILIES[family], Counter[str]()
    for part in built(family).parts:
        if "_rivets." in part.name:
            row = part.name.split("_rivets.")[0]
            rows[row] += 1
            assert part.finish == body.rivet_finish[row] and part.surface == METALS[part.finish], part.name
            assert max(np.ptp(part.patch.points.reshape(-1, 3), axis=0)) <= 2.05e-3 * body.rivet_radius_mm[1]
        elif part.kind == "fastener" and (".bolt" in part.name or part.name.startswith("wing_bolt")):
            assert part.finish == body.hinge_bolt_finish and part.surface == METALS[part.finish], part.name
    assert set(rows) == set(body.rivet_finish) and min(rows.values()) >= 4
    rails = [part for part in built(family).parts if part.zone == "sill_rail"]
    assert len(rails) == 2 and {part.finish for part in rails} == {body.rail_finish}


@pytest.mark.parametrize("family", FAMILIES)
def test_rivets_stand_at_the_familys_pitch(family: str) -> None:
    low, high = FAMILIES[family].rivet_pitch_mm
    for seed in range(4):
        rows = defaultdict(list)
        for part in built(family, seed).parts:
            if "_rivets." in part.name and part.side == "left":
                rows[part.name.split(".")[0]].append(part.patch.points[0, 0])
        for name, heads in rows.items():
            gaps = np.linalg.norm(np.diff(heads, axis=0), axis=1) * 1000
            # a row has a whole number of gaps: up to half a pitch is spread over them
            slack = 0.5 / len(gaps)
            assert low * (1 - slack) - 2 < gaps.mean() < high * (1 + slack) + 2, name


@pytest.mark.parametrize("family", FAMILIES)
def test_an_open_seam_is_a_gap_that_one_factory_film_cannot_bridge(family: str) -> None:
    # common practice, no source: a film of 80 to 180 µm against a gap of millimetres
    seams = [part for part in built(family).parts if part.kind == "seam"]
    assert len(seams) >= 4 and {part.zone for part in seams} == {"body_seam"}
    for part in seams:
        across = part.patch.points[:, 80] - part.patch.points[0, 80]
        chord = across[-1] / np.linalg.norm(across[-1])
        depth = np.linalg.norm(across - (across @ chord)[:, None] * chord, axis=1)
        flanks = (across @ chord)[depth > 0.002]
        assert 0.003 < flanks.max() - flanks.min() < 0.012 and depth.max() > 0.008, part.name


def test_a_sealed_seam_of_the_configuration_is_one_that_is_built() -> None:
    for name, body in FAMILIES.items():
        seams = {part.name for part in built(name).parts if part.kind == "seam"}
        assert {seam for seam, sealed in body.seam_sealer.items() if sealed} <= seams, name


def test_the_held_out_family_is_the_one_kept_for_testing() -> None:
    settings = yaml.safe_load(shipped("synthesis", "adverts.yaml").read_text(encoding="utf-8"))
    held_out = {name for name, body in FAMILIES.items() if body.held_out}
    assert held_out == set(settings["test_families"]) and held_out.isdisjoint(settings["families"])


# --- how sheets meet (common practice, no source) ----------------------------------------------------------------


@pytest.mark.parametrize("family", FAMILIES)
def test_the_roof_is_crowned_and_lies_over_what_it_covers_without_a_gap(family: str) -> None:
    for seed in range(4):
        parts = by_name(built(family, seed))
        roof = parts["roof", 0].patch.points.reshape(-1, 3)
        low = roof[:, 2].min()  # of its folded edges
        assert roof[:, 2].max() > low + 0.08
        for end in (roof[:, 0].min(), roof[:, 0].max()):
            edge = roof[np.abs(roof[:, 0] - end) < 0.008]
            strips = np.array_split(edge[np.argsort(edge[:, 1])], 5)
            assert max(strip[:, 2].min() for strip in strips) < low + 0.006  # as low in the middle as at the corners
        for name in ("windscreen.frame", "rear_window.frame", "back_window.frame", "door_window.frame.left"):
            if (name, 0) in parts:
                top = parts[name, 0].patch.points[..., 2].max()
                assert low < top < low + 0.05, name


@pytest.mark.parametrize("family", FAMILIES)
def test_a_door_is_a_closed_box_that_hangs_on_the_body(family: str) -> None:
    parts, closed = by_name(built(family, doors=("left",))), by_name(built(family))
    skin, inner = (parts[f"door_{name}.left", 0].patch.points for name in ("skin", "inner"))
    rim = np.concatenate([inner[0], inner[-1], inner[:, 0], inner[:, -1]])
    assert cKDTree(skin.reshape(-1, 3)).query(rim)[0].max() < 0.03  # half a cell of the skin's fold
    for k in (0, 1):
        leaves = [parts[f"door_hinge{k}.leaf{sign}.left", 0].patch.points.reshape(-1, 3) for sign in (1, -1)]
        barrel = cKDTree(parts[f"door_hinge{k}.barrel.left", 0].patch.points.reshape(-1, 3))
        assert all(barrel.query(leaf)[0].min() < 0.02 for leaf in leaves)
        for sign, stays in ((1, True), (-1, False)):
            at = [one[f"door_hinge{k}.leaf{sign}.left", 0].patch.points for one in (parts, closed)]
            assert np.array_equal(*at) == stays


@pytest.mark.parametrize("family", FAMILIES)
def test_down_in_the_gap_around_a_door_lies_the_body_in_its_colour(family: str) -> None:
    for seed in range(4):
        parts = by_name(built(family, seed))
        skin, landing = parts["door_skin.left", 0].patch.points, parts["shut.left", 0].patch
        rear, middle = skin[..., 0].min(), skin[..., 2].mean()
        level = np.abs(landing.points[:LANDING_ROWS, :, 2] - middle) < 0.05
        behind = landing.points[:LANDING_ROWS][level & (landing.points[:LANDING_ROWS, :, 0] < rear + 0.02)]
        assert behind[:, 0].min() < rear - 0.004  # under the next sheet's edge
        deep = np.interp(middle, *skin[:, -6, 1:].T[[1, 0]][:, np.argsort(skin[:, -6, 2])]) - behind[:, 1].max()
        assert 0.004 < deep < 0.020
        assert parts["shut.left", 0].finish == parts["tailgate_jamb", 0].finish == "body"


def test_no_door_hangs_quite_as_the_next() -> None:
    parts = by_name(built("pellock"))
    left, right = (parts[f"door_skin.{side}", 0].patch.points for side in ("left", "right"))
    left, right = (np.stack([skin.min((0, 1)), skin.max((0, 1))]) for skin in (left, right * [1, -1, 1]))
    assert not np.allclose(left, right, atol=2e-4)
    assert np.allclose(left, right, atol=0.008)


def test_a_hinge_has_knuckles_on_a_pin() -> None:
    for seed in range(4):
        barrel = by_name(built("pellock", seed))["door_hinge0.barrel.left", 0].patch.points
        middle = barrel.mean(axis=1)
        reach = np.linalg.norm(barrel - middle[:, None], axis=-1).mean(axis=1)
        knuckle = reach > 0.8 * reach.max()
        assert np.count_nonzero(np.diff(knuckle.astype(int)) == 1) in (3, 5)


def test_sliding_panes_overlap_one_behind_the_other() -> None:
    seen = set()
    for seed in range(8):
        panes = [p for p in built("pellock", seed).parts if p.name.startswith("door_window.glass") and p.side == "left"]
        seen.add(len(panes))
        if len(panes) == 2:
            front, back = sorted(panes, key=lambda pane: -pane.patch.points[..., 0].mean())
            assert 0.02 < back.patch.points[..., 0].max() - front.patch.points[..., 0].min() < 0.04
            middles = [pane.patch.points[..., 1].mean() for pane in (front, back)]
            assert 0.006 < abs(middles[0] - middles[1]) < 0.012
    assert seen == {1, 2}


# --- which side is out: steers where dust, mud and mist settle --------------------------------------------------

UP, DOWN, AHEAD, BACK, LEFT = (0, 0, 1), (0, 0, -1), (1, 0, 0), (-1, 0, 0), (0, 1, 0)
OUTWARD = {
    "roof": UP,
    "bonnet": UP,
    "wing_top": UP,
    "wing": LEFT,
    "wing_face": AHEAD,
    "grille_panel": AHEAD,
    "windscreen.frame": AHEAD,
    "door_skin": LEFT,
    "tub_side": LEFT,
    "cab_corner": LEFT,
    "tailgate": BACK,
    "back_window.frame": BACK,
    "rail": LEFT,
    "tub_seam": LEFT,
    "waist_seam": LEFT,
    "rear_seam": BACK,
    "bulkhead": AHEAD,
    "footwell": BACK,
    "floor_mat": UP,
    "headlining": DOWN,
    "bed_floor": UP,
    "bed_front": BACK,
    "floor_under": DOWN,
    "front_arch": DOWN,
    "rear_arch": DOWN,
    "tub_rivets.0": LEFT,
    "wing_bolt0": UP,
    "crossmember_bolt0": BACK,
}


@pytest.mark.parametrize("family", FAMILIES)
def test_outsides_are_out(family: str) -> None:
    wrong = [
        f"{part.name}: {facing(part).round(2)}"
        for part in built(family).parts
        if part.name in OUTWARD and facing(part) @ OUTWARD[part.name] < 0.7
    ]
    assert not wrong


@pytest.mark.parametrize("family", FAMILIES)
def test_rivets_sit_on_their_sheet_however_it_bulges_and_waves(family: str) -> None:
    vehicle = built(family, 4)
    sheets = [part for part in vehicle.parts if part.kind == "sheet" and max(part.patch.size_mm) > 100]
    rivets = [part for part in vehicle.parts if part.kind == "fastener" and "rivets" in part.name]
    assert len(rivets) > 40
    for rivet in rivets:
        foot = rivet.patch.points[-1].mean(axis=0)
        out = rivet.patch.points[0].mean(axis=0) - foot
        heights = [
            height_over(
                foot, out / np.linalg.norm(out), part.patch.points.reshape(-1, 3)[grid_triangles(part.patch.points)]
            )
            for part in sheets
            if part.panel == rivet.panel
        ]
        assert min(heights, key=abs) == pytest.approx(-0.0005, abs=0.0005), rivet.name


def height_over(point: Any, out: Any, triangles: Any) -> float:
    """Signed distance of a point from triangles (n, 3, 3) along `out`, infinite where none lies there.

    Source: Möller and Trumbore 1997, "Fast, minimum storage ray/triangle intersection".
    """
    first, second = triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0]
    across = np.cross(out, second)
    determinant = (first * across).sum(axis=1)
    hit = np.abs(determinant) > 1e-14
    inverse, start = 1 / np.where(hit, determinant, 1), point - triangles[:, 0]
    u, turned = inverse * (start * across).sum(axis=1), np.cross(start, first)
    v, along = inverse * (turned @ out), inverse * (second * turned).sum(axis=1)
    hit &= (u >= -1e-6) & (v >= -1e-6) & (u + v <= 1 + 1e-6)
    return -float(min(along[hit], key=abs)) if hit.any() else np.inf
