from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from synthetic_data.geometry import at_lines, line, loft, patch
from synthetic_data.pressings import (
    EDGE_M,
    SAG_M,
    BodyShape,
    Hang,
    Pressings,
    PressRanges,
    Unevenness,
    UsedSheet,
    inner_door,
    pressed,
    puckered,
)

RANGES = PressRanges(
    height_mm=(4, 8), arch_lip_mm=(4, 13), arch_band_mm=(24, 46), raised_bonnet_mm=(9, 20), raised_bonnet_share=0.35
)
STYLES = ("plain", "line", "double", "panel")
SHEET = loft(line((0.9, 0.8, 1.0), (0.0, 0.8, 1.0), 12), line((0.9, 0.8, 0.4), (0.0, 0.8, 0.4), 12), 8)


def tools(sides: str) -> Pressings:
    return Pressings(sides, (-0.24, 0.24), 5, 0.006)


@pytest.mark.parametrize("sides", STYLES)
def test_a_pressing_fades_before_the_edges_and_is_as_high_as_its_tool(sides: str) -> None:
    relief = tools(sides).side(0.9, 0.0, 1.0, 0.4)
    made = pressed(SHEET, relief, (0, 1, 0))
    points = made.points
    proud = points[..., 1] - 0.8
    x, z = points[..., 0], points[..., 2]
    at_edge = (x < EDGE_M / 2) | (x > 0.9 - EDGE_M / 2) | (z > 0.95) | (z < 0.45)
    assert np.abs(proud[at_edge]).max() < 1e-4
    if sides == "plain":
        assert made is SHEET
        return
    assert np.sign(proud[np.unravel_index(np.argmax(np.abs(proud)), proud.shape)]) == (-1 if sides == "panel" else 1)
    assert np.abs(proud).max() == pytest.approx({"double": 0.0042}.get(sides, 0.006), rel=0.08)
    between = at_lines(points, 0, np.linspace(0.0, patch(points).across_mm[-1] / 1000, 400))  # the grid's chords
    assert np.abs(between[..., 1] - 0.8 - relief(between)).max() < 4 * SAG_M
    # the outline stays where it was: neighbours still meet
    for end in (0, -1):
        assert points[end, [0, -1]] == pytest.approx(SHEET.points[end, [0, -1]])


def test_ribs_of_bonnet_and_roof_run_along_the_vehicle() -> None:
    flat = loft(line((1.8, -0.6, 1.0), (0.6, -0.6, 1.0), 20), line((1.8, 0.6, 1.0), (0.6, 0.6, 1.0), 20), 20)
    made = pressed(flat, tools("line").bonnet(1.8, 0.6, 0.6), (0, 0, 1)).points
    middle = made[np.abs(made[..., 0] - 1.2) < 0.05]
    assert middle[np.abs(np.abs(middle[:, 1]) - 0.24) < 0.01, 2].min() > 1.005
    assert np.abs(middle[np.abs(middle[:, 1]) < 0.1, 2] - 1.0).max() < 1e-6
    roof = tools("line").roof(1.8, 0.6, 0.6)(flat.points)
    assert roof.max() == pytest.approx(0.006, rel=0.2) and roof.min() >= 0


def test_used_sheet_is_dented_inwards_and_true_at_its_rim() -> None:
    flat = loft(line((0.9, 0.8, 1.0), (0.0, 0.8, 1.0), 46), line((0.9, 0.8, 0.4), (0.0, 0.8, 0.4), 46), 31).points
    slack, deep = 0.001, 0.003
    habits = UsedSheet(
        slack_mm=(1.0, 1.0),
        slack_wave_m=(0.3, 0.5),
        dents=(1, 1),
        dent_mm=(3.0, 3.0),
        dent_radius_m=(0.1, 0.1),
        rim_m=0.12,
        knocks=(1, 2),
        knock_mm=(2.0, 3.0),
        knock_radius_m=(0.05, 0.07),
        pucker_mm=(0.2, 0.7),
    )
    made = Unevenness.draw(habits, np.random.default_rng(4))
    sheets = [made.depth(flat) for _ in range(12)]
    for proud in sheets:
        assert not proud[[0, -1]].any() and not proud[:, [0, -1]].any()
        assert -deep - slack <= proud.min() and proud.max() < slack + 0.1 * deep
    dented = [proud.min() < -slack for proud in sheets]
    assert any(dented) and not all(dented)  # none or one a sheet
    again = Unevenness.draw(habits, np.random.default_rng(4))
    assert np.array_equal(again.depth(flat), sheets[0])


def test_an_inner_skin_is_stamped_below_its_card() -> None:
    relief = inner_door(0.9, 0.0, 0.4, 1.0)
    z = np.linspace(0.4, 1.0, 61)
    column = np.stack([np.full(61, 0.45), np.full(61, 0.75), z], 1)
    depth = relief(column)
    assert depth[(z > 0.44) & (z < 0.47)].min() > 0.006
    assert np.abs(depth[z > 0.55]).max() < 1e-6


def test_the_tools_are_drawn_from_the_generator_alone() -> None:
    first, again = (Pressings.draw(RANGES, np.random.default_rng(5)) for _ in range(2))
    assert first == again
    assert {Pressings.draw(RANGES, np.random.default_rng(k)).sides for k in range(40)} == set(STYLES)


SHAPE = BodyShape(0.83, 0.60, 1.15, 1.90, 1.07, 1.2, 1.8, (0.7, -1.7), 0.95, 0.08, 0.02, 0.03, 0.03, 0.02, 0.02, 0.0)


def test_a_bent_body_leans_in_from_its_widest_line_and_keeps_its_middle() -> None:
    z = np.linspace(0.60, 1.90, 200)
    side = SHAPE.bent(np.stack([np.zeros(200), np.full(200, 0.83), z], 1))
    inwards = 0.83 - side[:, 1]
    assert inwards.min() == pytest.approx(0, abs=1e-4) and z[np.argmin(inwards)] == pytest.approx(0.95, abs=0.01)
    assert inwards[0] == pytest.approx(0.02)
    assert np.abs(np.diff(inwards, n=2)).max() < 5e-5  # no crease
    panes = z > 1.16
    assert np.diff(inwards[panes]) == pytest.approx(0.08 * np.diff(z[panes]))  # flat, as glass is
    middle = np.stack([np.linspace(-1.7, 1.0, 200), np.full(200, 0.12), np.full(200, 0.9)], 1)
    assert SHAPE.bent(middle) == pytest.approx(middle, abs=1e-9)
    inner = SHAPE.bent(np.stack([np.zeros(200), np.full(200, 0.76), z], 1))
    assert side[:, 1] - inner[:, 1] == pytest.approx(0.07)  # a door stays as thick as it was
    right = SHAPE.bent(np.stack([np.zeros(200), np.full(200, -0.83), z], 1))
    assert np.array_equal(right, side * [1, -1, 1])


def test_a_hung_door_is_turned_a_little_about_its_hinges_and_its_edge_wanders_in_the_sheet() -> None:
    hang = Hang(askew_mrad=(1.0, 2.0), proud_mm=(-1.0, 1.5), wavy_mm=(0.2, 0.7), seam_share=(0.1, 0.2))
    pivot, rear = np.array([0.9, 0.8, 0.7]), np.array([0.0, 0.8, 0.7, 1.0])
    for seed in range(12):
        turn = hang.turn(pivot, 0.9, np.random.default_rng(seed))
        assert turn[:3, :3] @ turn[:3, :3].T == pytest.approx(np.eye(3)) and turn @ [*pivot, 1] == pytest.approx(
            [*pivot, 1]
        )
        _, out, up, _ = turn @ rear - rear
        assert -0.00101 < out < 0.00151 and 0.0009 < abs(up) < 0.0019
    moved = hang.wander(SHEET.points, np.random.default_rng(1)) - SHEET.points
    assert not moved[..., 1].any() and 0.0001 < np.abs(moved).max() < 0.0008


def test_a_side_narrows_towards_the_front_and_steps_in_at_the_belt() -> None:
    shape = replace(SHAPE, waist=0.01)
    z = np.array([1.10, 1.16])
    below, above = (
        shape.bent(np.array([[0.0, 0.83, one]]))[0, 1] - SHAPE.bent(np.array([[0.0, 0.83, one]]))[0, 1] for one in z
    )
    assert below == 0 and above == pytest.approx(-0.01)
    x = np.array([0.0, 0.6, -0.6])
    middle, front, rear = SHAPE.bent(np.stack([x, np.full(3, 0.83), np.full(3, 0.95)], 1))[:, 1]
    assert middle - front == pytest.approx(0.02 / 9) and rear == pytest.approx(front)


def test_a_wheels_opening_has_a_lip_that_ends_before_the_sill() -> None:
    tool = replace(tools("plain"), arch_lip_m=0.01, arch_band_m=0.03)
    relief = tool.side(0.9, -0.9, 1.0, 0.5, (0.0, 0.4, 0.45))
    theta = np.linspace(0.23, np.pi / 2, 200)
    rim, beyond = (
        relief(np.stack([r * np.cos(theta), np.full(200, 0.8), 0.4 + r * np.sin(theta)], 1)) for r in (0.45, 0.481)
    )
    assert rim[-1] == pytest.approx(0.01) and rim[0] < 1e-3 and not beyond.any()


def test_a_riveted_sheet_is_held_down_at_its_heads_and_not_between_them() -> None:
    row = line((0.7, 0.8, 0.95), (0.7, 0.8, 0.5), 10)
    depths = np.full(10, 0.0005)
    made = puckered(SHEET.points, row, np.array([0.0, 1.0, 0.0]), depths)
    assert made[[0, -1]][:, [0, -1]] == pytest.approx(SHEET.points[[0, -1]][:, [0, -1]])
    for at, deep in ((row[4], 0.0005), ((row[4] + row[5]) / 2, 0.0), (row[4] + [0.05, 0, 0], 0.0)):
        near = np.argmin(np.linalg.norm(made - at, axis=-1))
        off = np.linalg.norm(made.reshape(-1, 3)[near] - at)
        if deep:
            assert off < 0.0006 and 0.8 - made.reshape(-1, 3)[near, 1] == pytest.approx(deep, rel=0.05)
        else:
            assert 0.8 - made.reshape(-1, 3)[near, 1] < 0.00014


def test_knocks_dent_the_free_edges_and_spare_the_middle() -> None:
    flat = loft(line((0.9, 0.8, 1.0), (0.0, 0.8, 1.0), 46), line((0.9, 0.8, 0.4), (0.0, 0.8, 0.4), 46), 31).points
    habits = UsedSheet(
        slack_mm=(0, 0), slack_wave_m=(0.3, 0.5), dents=(0, 0), dent_mm=(1, 1), dent_radius_m=(0.1, 0.1), rim_m=0.1,
        knocks=(1, 1), knock_mm=(2.0, 2.0), knock_radius_m=(0.05, 0.05), pucker_mm=(0.2, 0.7),
    )  # fmt: skip
    off = Unevenness.draw(habits, np.random.default_rng(2)).knocked(flat, "b") - flat
    deep = np.abs(off[..., 1])
    assert deep[-1].max() == pytest.approx(0.002, rel=0.05) and deep[:20].max() < 1e-6
