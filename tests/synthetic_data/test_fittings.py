from __future__ import annotations

import numpy as np
import pytest

from synthetic_data.geometry import area_normals
from synthetic_data.vehicle import Part, build_vehicle, families
from tests.synthetic_data.samples import FAMILIES, vehicle

BOUGHT_IN = (
    "door_plugs", "door_works", "door_pocket", "door_latch", "binnacle", "dials", "dial_rims", "dash_controls",
    "pedals", "levers", "lever_knobs", "visors", "inner_mirror", "belt", "seat", "wiper",
    "mirror_glass", "glove_box", "column", "plate_holder", "side_repeater", "fuel_filler",
    "front_plate_letters", "rear_plate_letters", "door_handle", "door_lock", "door_lock_slot", "mirror_foot",
    "switch_words", "dash_wire", "shift_pattern",
)  # fmt: skip


def named(family: str, name: str, *doors: str) -> list[Part]:
    return [part for part in vehicle(family, *doors).parts if part.name.startswith(name)]


@pytest.mark.parametrize("family", FAMILIES)
def test_fittings_are_there_and_never_painted(family: str) -> None:
    for name in BOUGHT_IN:
        parts = named(family, name)
        assert parts, name
        for part in parts:
            assert part.surface != "paint" and part.finish != "body" and part.panel == "", part.name
            assert part.kind == "other", part.name


@pytest.mark.parametrize("family", FAMILIES)
def test_a_strap_holds_an_open_door_to_its_post(family: str) -> None:
    assert not named(family, "door_check")
    for side, sign in (("left", 1), ("right", -1)):
        (strap,) = named(family, "door_check", side)
        ends = strap.patch.points[:, [0, -1]].mean(axis=0)
        assert strap.side == side and (ends[:, 1] * sign > 0).all()
        inner = np.concatenate([p.patch.points.reshape(-1, 3) for p in named(family, f"door_inner.{side}", side)])
        shut = np.concatenate([p.patch.points.reshape(-1, 3) for p in named(family, f"shut.{side}", side)])
        post = np.linalg.norm(ends[:, None] - shut, axis=-1).min(axis=1)
        leaf = np.linalg.norm(ends[:, None] - inner, axis=-1).min(axis=1)
        assert min(post) < 0.08 and min(leaf) < 0.08


@pytest.mark.parametrize("family", FAMILIES)
def test_wipers_lie_on_the_glass(family: str) -> None:
    (glass,) = named(family, "windscreen.glass")
    points = glass.patch.points
    normal = np.cross(np.gradient(points, axis=0), np.gradient(points, axis=1)).sum(axis=(0, 1))
    normal /= np.linalg.norm(normal)
    for part in named(family, "wiper"):
        off = (part.patch.points.reshape(-1, 3) - points[0, 0]) @ normal
        assert off.min() > -0.012 and off.max() < 0.06, part.name


def test_the_driver_sits_on_the_side_of_the_wheel() -> None:
    for family in FAMILIES:
        wheel = named(family, "steering")[0].patch.points[..., 1].mean()
        for name in ("binnacle", "pedals"):
            assert np.sign(named(family, name)[0].patch.points[..., 1].mean()) == np.sign(wheel)


@pytest.mark.parametrize("family", FAMILIES)
def test_seats_are_stitched_cushions_that_were_sat_on(family: str) -> None:
    for sign in (-1.0, 1.0):
        face = named(family, f"seat{sign}")[0].patch.points
        lowest_inside, edge = face[8:-8, 4:-4, 2].min(), face[[0, -1], 4:-4, 2].mean()
        assert -0.02 < lowest_inside - edge < 0.03  # neither a pit nor a block
        bends = np.abs(np.diff(face[..., 2], n=2, axis=0))
        assert np.quantile(bends, 0.9) > 3 * np.median(bends)  # seams, not one smooth dome
        assert bool(named(family, "head_rest")) == FAMILIES[family].head_rests


@pytest.mark.parametrize("family", FAMILIES)
def test_belts_hang_in_a_curve_from_post_to_floor(family: str) -> None:
    for sign in (-1.0, 1.0):
        webbing = named(family, f"belt{sign}")[0].patch.points
        middle = webbing[1]
        way = np.linalg.norm(np.diff(middle, axis=0), axis=1).sum()
        assert 1.01 < way / np.linalg.norm(middle[-1] - middle[0]) < 1.3
        # common width, no source; where the body steps in at its waist, what hangs in it is bent with it
        assert np.linalg.norm(webbing[0] - webbing[2], axis=1) == pytest.approx(0.048, abs=0.004)
        assert np.sign(middle[:, 1].mean()) == sign


@pytest.mark.parametrize("family", FAMILIES)
def test_clips_hold_the_trim_at_the_front_and_a_hurried_painter_may_coat_them(family: str) -> None:
    clips = [part for part in vehicle(family).parts if part.kind == "fastener" and part.zone == "front_trim_clip"]
    assert {part.panel for part in clips} == {"front_panel", "wing_front_left", "wing_front_right"}
    assert {part.finish for part in clips} == {"black"} and len(clips) == 16
    surround = named(family, "grille_surround")[0].patch.points.reshape(-1, 3)
    for part in clips:
        if part.panel == "front_panel":  # on the frame, not past its edge
            head = part.patch.points.reshape(-1, 3)
            assert (head[:, 1:] > surround[:, 1:].min(axis=0)).all() and (
                head[:, 1:] < surround[:, 1:].max(axis=0)
            ).all()
    assert [site for site in vehicle(family).sites if site.zone == "front_trim_clip" and "clip" in site.name]


@pytest.mark.parametrize("family", FAMILIES)
def test_heads_of_one_row_differ_as_hands_leave_them(family: str) -> None:
    heads = [part.patch for part in vehicle(family).parts if part.name.startswith("wing_bolt") and part.side == "left"]
    turns = [np.arctan2(*(one.points[-1, 0] - one.points[-1].mean(axis=0))[:2]) for one in heads]
    assert len(heads) >= 5 and np.ptp(turns) > 0.3


@pytest.mark.parametrize("family", FAMILIES)
def test_a_lens_lies_before_its_reflector_and_bulb(family: str) -> None:
    lens, bowl, bulb = (named(family, f"headlamp{end}")[0] for end in ("_lens", "", "_bulb"))
    assert (lens.finish, lens.surface) == ("glass", "lamp")
    assert lens.patch.points[..., 0].min() > bulb.patch.points[..., 0].max()
    assert bowl.patch.points[0, :, 0].mean() < bowl.patch.points[-1, :, 0].mean() - 0.04  # hollow


@pytest.mark.parametrize("family", FAMILIES)
def test_pipe_and_loom_pass_the_outriggers_and_not_through_them(family: str) -> None:
    for k in range(3):
        arm = named(family, f"outrigger{k}")[0].patch.points.reshape(-1, 3)
        arm = arm[arm[:, 1] < 0.50]  # where they meet; it rises outwards
        low, high = arm.min(axis=0), arm.max(axis=0)
        for name in ("brake_pipe", "loom"):
            run = named(family, name)[0].patch.points.reshape(-1, 3)
            within = ((run > low + 0.001) & (run < high - 0.001)).all(axis=1)
            assert not within.any(), (name, k)


@pytest.mark.parametrize("family", FAMILIES)
def test_number_plates_bear_letters_that_are_covered_with_them(family: str) -> None:
    for name, out in (("front_plate", 1.0), ("rear_plate", -1.0)):
        (letters,) = named(family, f"{name}_letters")
        sheet = np.concatenate([p.patch.points.reshape(-1, 3) for p in named(family, name) if p.group == name])
        assert letters.surface == "plate" and letters.zone is None and letters.kind == "other"
        assert letters.finish != named(family, name)[0].finish
        flat = letters.patch.points.reshape(-1, 3)
        assert (flat[:, 1:] > sheet[:, 1:].min(axis=0)).all() and (flat[:, 1:] < sheet[:, 1:].max(axis=0)).all()
        proud = out * (flat[:, 0] - sheet[:, 0].mean())
        assert proud.max() > 0 and np.ptp(proud) < 0.03


@pytest.mark.parametrize("family", FAMILIES)
def test_the_key_slot_stands_upright_in_its_lock(family: str) -> None:
    for side, sign in (("left", 1), ("right", -1)):
        (barrel,), (slot,) = (named(family, f"{name}.{side}") for name in ("door_lock", "door_lock_slot"))
        low, high = barrel.patch.points.min(axis=(0, 1)), barrel.patch.points.max(axis=(0, 1))
        points = slot.patch.points.reshape(-1, 3)
        assert (points[:, [0, 2]] > low[[0, 2]]).all() and (points[:, [0, 2]] < high[[0, 2]]).all()
        assert np.ptp(points[:, 2]) > 2 * np.ptp(points[:, 0]) and (sign * points[:, 1]).max() > 0


def test_what_some_vehicles_have_lies_within_them() -> None:
    seen = set()
    for family in FAMILIES:
        for seed in range(5):
            built = build_vehicle(family, families()[family], np.random.default_rng(seed))
            tub = [p.patch.points for p in built.parts if p.name.startswith("tub_side")]
            reach = np.abs(np.concatenate([points.reshape(-1, 3) for points in tub])[:, 1]).max()
            for part in built.parts:
                things = ("load_", "papers", "sticker", "radio", "hitch", "aerial", "rear_badge", "front_flap")
                thing = next((one for one in things if part.name.startswith(one)), None)
                if thing is None:
                    continue
                seen.add(thing)
                assert part.surface != "paint" and part.zone is None and part.kind == "other", part.name
                assert np.abs(part.patch.points[..., 1]).max() < reach, part.name
    assert len(seen) == 8


@pytest.mark.parametrize("family", FAMILIES)
def test_what_is_printed_under_the_bonnet_is_there_and_is_treated_as_what_lies_there(family: str) -> None:
    for name in (
        "battery_label",
        "battery_caps",
        "fuse_label",
        "washer_word",
        "top_hose_print",
        "rocker_word",
        "fuses",
    ):
        parts = named(family, name, "bonnet")
        assert parts and not named(family, name), name
        assert all(part.kind == "hidden" and part.panel == "engine_bay" for part in parts), name


@pytest.mark.parametrize("family", FAMILIES)
def test_who_sits_before_it_can_read_the_dash(family: str) -> None:
    for name in ("switch_words", "radio_scale"):
        for part in named(family, name):
            points = part.patch.points
            assert points[:, 0, 1].mean() > points[:, -1, 1].mean(), name  # to the right, as one looks ahead
            assert area_normals(points).sum(axis=(0, 1))[0] < 0, name


@pytest.mark.parametrize("family", FAMILIES)
def test_wide_hoses_in_the_bay_end_on_something(family: str) -> None:
    ends = [p.patch.points.reshape(-1, 3) for p in named(family, "bay_collar", "bonnet")]
    ends += [p.patch.points.reshape(-1, 3) for p in named(family, "air_mouth", "bonnet")]
    for name in ("air_hose", "air_snout"):
        (hose,) = named(family, name, "bonnet")
        for end in hose.patch.points[:, [0, -1]].mean(axis=0):
            assert min(np.linalg.norm(one - end, axis=1).min() for one in ends) < 0.06, name


@pytest.mark.parametrize("family", FAMILIES)
def test_a_latch_closes_on_its_striker(family: str) -> None:
    latch = named(family, "door_latch.left")[0].patch.points.reshape(-1, 3)
    (striker,) = named(family, "striker.left", "left")
    loop = striker.patch.points.reshape(-1, 3)
    assert np.linalg.norm(latch[:, None] - loop[None], axis=-1).min() < 0.03
    (shut,) = (p for p in named(family, "shut.left", "left") if p.name == "shut.left")
    assert np.linalg.norm(shut.patch.points.reshape(-1, 1, 3) - loop[None, ::4], axis=-1).min() < 0.02


def test_a_snorkel_stands_on_the_wing_and_is_held_to_the_body() -> None:
    seen = 0
    for seed in range(8):
        parts = build_vehicle("brindle", families()["brindle"], np.random.default_rng(seed)).parts
        by_name = {part.name: part.patch.points.reshape(-1, 3) for part in parts}
        if "snorkel" not in by_name:
            continue
        seen += 1
        mouldings = by_name["snorkel_mouldings"]
        body = np.concatenate([p.patch.points.reshape(-1, 3) for p in parts if p.kind == "sheet" and p.side == "left"])
        high = mouldings[:, 2].max()
        for low, top in ((0.0, 1.15), (1.2, high - 0.2)):  # foot, stays
            there = mouldings[(mouldings[:, 2] > low) & (mouldings[:, 2] < top)]
            assert np.linalg.norm(there[:, None] - body[None], axis=-1).min() < 0.06
        assert by_name["snorkel"][:, 2].max() < high  # its end is in the head
    assert seen
