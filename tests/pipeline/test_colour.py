"""Colour in photos of known paint: what light does is no finding, what paint does is one, and doubt is told."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import cv2
import numpy as np
import pytest
from scipy.stats import chi2

from pipeline.build_sheets import read_build_sheet
from pipeline.colorimetry import LUMINANCE, delta_e00, lab_to_linear, linear_to_lab
from pipeline.colour import (
    BODY,
    BODY_LIGHT,
    NEUTRAL_LIGHT,
    RATIOS,
    SHUT_LIGHT,
    agree,
    colour_settings,
    compare_places,
    is_finding,
    may_be_soil,
    measure_advert,
    measure_colour,
    readings_of,
)
from pipeline.colour_scene import look
from pipeline.evidence import measured_ratio
from pipeline.histories import WeighingSettings
from pipeline.paint_difference import ColourDifference, NotAssessable, Nuisance, paint_difference
from pipeline.paint_table import ColourReading, Lab, demo_table
from pipeline.panels import Edge, compare_panels, measure_panels
from pipeline.plate import UNLISTED
from pipeline.records import SURFACES, ZONES, AdvertDetails, Box, CueFinding, Measure, PhotoFindings
from tests.pipeline.painted import GREEN, HEIGHT, WIDTH, Light, Made, made_side, step_of

SETTINGS = colour_settings()
WHITE: Lab = (90.0, -0.8, 3.0)
LIGHTS = {
    "even": Light(),
    "sky above, ground below": Light(sky_to_ground=0.7),
    "curved panels": Light(bulge=0.25),
    "blue shade": Light(cast=(0.8, 1.0, 1.25), exposure=0.6),
    "grass below": Light(sky_to_ground=0.4, low_cast=(0.8, 1.1, 0.7)),
    "gloss": Light(gloss=0.06),
    "all of it": Light(
        sky_to_ground=0.5, bulge=0.15, cast=(0.9, 1, 1.15), low_cast=(0.9, 1.05, 0.8), gloss=0.03, exposure=0.8
    ),
}


def measured(made: Made, cue: str = "panel_mismatch") -> list[Measure]:
    return [m for m in measure_colour(made.photo, made.maps, made.findings) if m.cue == cue]


def found(made: Made, cue: str = "panel_mismatch") -> list[Measure]:
    return [m for m in measured(made, cue) if is_finding(m, SETTINGS)]


def side(*paints: Lab, seed: int = 0, **options: object) -> Made:
    return made_side(tuple(paints), np.random.default_rng(seed), **options)  # type: ignore[arg-type]


# --- panels --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("light", LIGHTS.values(), ids=LIGHTS)
@pytest.mark.parametrize("dirt", [0.0, 0.5])
def test_one_paint_in_any_light_is_no_finding(light: Light, dirt: float) -> None:
    for body in (GREEN, WHITE, (36.0, 45.0, 28.0), (70.0, 3.0, 24.0)):
        assert not found(side(body, body, body, light=light, dirt=dirt))


@pytest.mark.parametrize("light", LIGHTS.values(), ids=LIGHTS)
def test_a_door_in_another_paint_is_found_at_both_its_gaps(light: Light) -> None:
    door = (46.0, -8.0, 22.0)
    true = float(delta_e00(np.array(GREEN), np.array(door)))
    measures = found(side(GREEN, door, GREEN, light=light))
    assert len(measures) == 2
    for measure in measures:
        assert (measure.unit, measure.zone) == ("dE00", "tub_side")
        assert abs(measure.value - true) < 2.5 * measure.uncertainty


def test_the_finding_lies_on_the_gap() -> None:
    (measure,) = found(side(GREEN, (46.0, -8.0, 22.0), (46.0, -8.0, 22.0)))
    (box,) = measure.regions
    assert box.x <= 270 <= box.x + box.width
    assert box.width < 40
    assert 150 < box.y + box.height / 2 < 450


def test_the_finding_tells_the_vehicles_side_where_the_network_is_sure_of_it() -> None:
    made = side(GREEN, (46.0, -8.0, 22.0), GREEN)
    assert {m.regions[0].side for m in found(made)} == {None}
    for sure, told in ((0.95, "right"), (0.6, None)):
        sides = np.full((3, *made.maps.surfaces.shape[1:]), (1 - sure) / 2, np.float32)
        sides[2] = sure  # none, left, right
        seen = dataclasses.replace(made, maps=dataclasses.replace(made.maps, sides=sides))
        assert {m.regions[0].side for m in found(seen)} == {told}


def test_panels_of_one_paint_are_measured_as_near_none() -> None:
    measures = measured(side(GREEN, GREEN, GREEN))
    assert len(measures) == 2
    assert all(measure.value < 1 and measure.uncertainty > 0.5 for measure in measures)


def test_known_differences_over_many_vehicles() -> None:
    """To reach: a difference of 4 found in 90 % or more, one under 1 called in 3 % or less, median error 1 or less."""
    rng = np.random.default_rng(5)
    lights = list(LIGHTS.values())
    errors, hits, calls, small, large = [], 0, 0, 0, 0
    for k in range(120):
        body = (float(rng.uniform(35, 75)), float(rng.uniform(-20, 30)), float(rng.uniform(-25, 35)))
        true = 4.0 if k % 2 else float(rng.uniform(0, 1))
        other = step_of(body, true, rng)
        made = made_side(
            (other, body, body), rng, light=lights[k % len(lights)], dirt=float(rng.uniform(0, 0.4)), quality=75
        )
        at_gap = [m for m in measured(made) if abs(m.regions[0].x + m.regions[0].width / 2 - 270) < 20]
        if not at_gap:
            continue
        errors += [abs(at_gap[0].value - true)]
        called = is_finding(at_gap[0], SETTINGS)
        large, hits = large + (true > 1), hits + (called and true > 1)
        small, calls = small + (true < 1), calls + (called and true < 1)
    assert large + small >= 100  # most could be measured at all
    assert hits >= 0.9 * large
    assert calls <= 0.03 * small
    assert np.median(errors) <= 1.0


def test_an_upright_shadow_edge_on_a_panel_is_no_finding() -> None:
    for at in (0.2, 0.5, 0.8):
        assert not found(side(GREEN, GREEN, GREEN, light=Light(shadow_from=at)))


def test_panels_that_face_different_ways_are_not_compared() -> None:
    made = side(GREEN, (60.0, -8.0, 22.0), GREEN, zones=("bonnet", "wing_front", "roof"))
    assert not measured(made)


def test_lines_without_a_gap_are_not_compared() -> None:
    assert not measured(side(GREEN, (46.0, -8.0, 22.0), GREEN, gap_light=1.0))


def test_burnt_out_and_black_paint_is_not_compared() -> None:
    assert not measured(side(WHITE, WHITE, WHITE, light=Light(exposure=2.0)))
    assert not measured(side((8.0, 0.0, 0.0), (14.0, 0.0, 0.0), (8.0, 0.0, 0.0)))


def test_the_mirrored_photo_gives_the_same_differences() -> None:
    made = side(GREEN, (46.0, -8.0, 22.0), GREEN, light=LIGHTS["all of it"])
    maps = dataclasses.replace(made.maps, surfaces=made.maps.surfaces[..., ::-1], zones=made.maps.zones[..., ::-1])
    photo = dataclasses.replace(made.photo, srgb=np.ascontiguousarray(made.photo.srgb[:, ::-1]))
    mirrored = measured(dataclasses.replace(made, photo=photo, maps=maps))
    assert sorted(m.value for m in mirrored) == pytest.approx(sorted(m.value for m in measured(made)), abs=0.5)


@pytest.mark.parametrize("scale", [0.8, 1.5, 2.0, 3.0])
def test_the_photos_size_does_not_matter(scale: float) -> None:
    door = (46.0, -8.0, 22.0)
    plain, scaled = (sorted(m.value for m in measured(side(GREEN, door, GREEN, scale=s))) for s in (1.0, scale))
    assert scaled == pytest.approx(plain, abs=0.8)
    for measure in measured(side(GREEN, door, GREEN, scale=scale)):
        box = measure.regions[0]
        assert box.x + box.width <= WIDTH * scale and box.y + box.height <= HEIGHT * scale


def test_noise_widens_the_uncertainty() -> None:
    door = (46.0, -8.0, 22.0)
    quiet, loud = (
        np.mean([m.uncertainty for m in measured(side(GREEN, door, GREEN, noise=n, quality=q))])
        for n, q in ((1.0, 95), (12.0, 60))
    )
    assert loud > quiet


def test_dirt_widens_the_uncertainty() -> None:
    door = (46.0, -8.0, 22.0)
    clean, dirty = (
        np.mean([m.uncertainty / m.value for m in measured(side(GREEN, door, GREEN, dirt=dirt))]) for dirt in (0.0, 0.6)
    )
    assert dirty > clean


def test_a_gap_is_followed_past_hinges_to_its_ends() -> None:
    """Of a gap that fittings cut up, all of what lies between them is measured, as one gap."""
    made = side(GREEN, (46.0, -8.0, 22.0), GREEN)
    srgb, surfaces = made.photo.srgb.copy(), made.maps.surfaces.copy()
    for top in (200, 360):
        srgb[top : top + 20, 255:285] = 25
        surfaces[:, top // 4 : top // 4 + 5, 64:71] = 0
        surfaces[SURFACES.index("black_part"), top // 4 : top // 4 + 5, 64:71] = 1
    cut = dataclasses.replace(
        made, photo=dataclasses.replace(made.photo, srgb=srgb), maps=dataclasses.replace(made.maps, surfaces=surfaces)
    )
    (gap,) = (m for m in measured(cut) if m.regions[0].x < 300)
    assert gap.regions[0].height > 250  # of 300
    whole = next(m for m in measured(made) if m.regions[0].x < 300)
    assert gap.value == pytest.approx(whole.value, abs=1)


@pytest.mark.parametrize("bend", [lambda y: y / 20, lambda y: max(0, y - 150) / 12, lambda y: (y - 150) ** 2 / 2500])
def test_a_gap_that_leans_or_bends_is_no_difference(bend: Callable[[int], float]) -> None:
    """Beside the straight line that a part of it gave, a strip may lie in its dark."""
    made = side(GREEN, GREEN, GREEN)
    srgb = made.photo.srgb.copy()
    for y in range(300):
        left = round(268 + bend(y))
        srgb[150 + y, left : left + 4] = 20
    bent = measured(dataclasses.replace(made, photo=dataclasses.replace(made.photo, srgb=srgb)))
    assert all(measure.value < 1 for measure in bent)


def test_a_gap_out_of_focus_is_not_compared_and_the_sharp_one_beside_it_is() -> None:
    made = side(GREEN, (46.0, -8.0, 22.0), GREEN)
    scene = look(made.photo, made.maps, WIDTH, SETTINGS.sure, SETTINGS.clear, SETTINGS.focus)
    assert len(measure_panels(scene, "exterior", (), SETTINGS.panels)) == 2
    half = scene.in_focus.copy()
    half[:, half.shape[1] // 2 :] = False
    (left,) = measure_panels(dataclasses.replace(scene, in_focus=half), "exterior", (), SETTINGS.panels)
    assert left.regions[0].x < 300


def test_what_is_out_of_focus_gives_no_colour() -> None:
    made = side(GREEN, GREEN, GREEN)
    blurred = dataclasses.replace(made.photo, srgb=cv2.GaussianBlur(made.photo.srgb, (0, 0), 8))
    for photo, is_sharp in ((made.photo, True), (blurred, False)):
        scene = look(photo, made.maps, WIDTH, SETTINGS.sure, SETTINGS.clear, SETTINGS.focus)
        assert scene.in_focus.all() == is_sharp
        assert scene.painted[~scene.in_focus].any() != is_sharp  # paint, too, lies where it is blurred
        assert not scene.clear[~scene.in_focus].any()


def test_a_white_vehicle_on_grass_at_dusk_raises_no_colour_finding() -> None:
    dusk = Light(sky_to_ground=0.8, bulge=0.15, cast=(0.75, 0.95, 1.35), low_cast=(0.7, 1.15, 0.6), exposure=0.3)
    for seed in range(6):
        made = side(WHITE, WHITE, WHITE, seed=seed, light=dusk, dirt=0.2, noise=6, quality=65)
        measures = measure_colour(made.photo, made.maps, made.findings)
        assert not [m for m in measures if is_finding(m, SETTINGS)]
        details = AdvertDetails(paint_code="OW 103", document_colour="white", declared_colour="white", year=1980)
        seen = made.findings.model_copy(update={"measures": measures})
        advert = measure_advert(details, [seen], paints=demo_table(), family="pellock")
        assert "disagree" not in {c.agreement for c in advert.identity.comparisons}
        assert advert.identity.measure is not None  # and it is no sign in the weighing either
        weighing = WeighingSettings.shipped()
        ratio = measured_ratio(advert.identity.measure, read_build_sheet("pellock"), weighing)
        assert ratio is not None and 10 * np.log10(ratio) < weighing.enough.sign_decibans / 2


def test_in_a_close_up_only_hue_tells_panels_apart() -> None:
    lighter, redder = (GREEN[0] + 9, GREEN[1], GREEN[2]), (GREEN[0], GREEN[1] + 22, GREEN[2])
    for shot, finds_lighter in (("exterior", True), ("close_up", False)):
        assert bool(found(side(GREEN, lighter, GREEN, shot=shot))) is finds_lighter
        assert found(side(GREEN, redder, GREEN, shot=shot))
        assert not found(side(GREEN, GREEN, GREEN, shot=shot))
    # what was measured is told all the same, as unsure as it is large
    near = measured(side(GREEN, lighter, GREEN, shot="close_up"))
    assert near and all(measure.uncertainty >= measure.value > 4 for measure in near)


def test_an_open_door_is_not_compared_with_the_wing_it_stands_across() -> None:
    assert not measured(side(GREEN, (46.0, -8.0, 22.0), GREEN, shot="door_open"))


def test_a_line_between_surfaces_unlike_the_vehicle_is_no_gap() -> None:
    """The network takes floors, walls and rocks for paint at times: they have joints, but not the vehicle's colour."""
    made = made_side((GREEN, GREEN, GREEN), np.random.default_rng(0))
    srgb = made.photo.srgb.copy()
    srgb[150:450, 440:640] = srgb[150:450, 440:640, [1, 0, 2]]  # brown, about the gap at 540
    other = dataclasses.replace(made, photo=dataclasses.replace(made.photo, srgb=srgb))
    assert [m for m in measured(made) if m.regions[0].x > 500]
    assert not [m for m in measured(other) if m.regions[0].x > 500]


def test_a_wedge_beside_a_long_line_is_no_panel() -> None:
    made = side(GREEN, (46.0, -8.0, 22.0), GREEN)
    surfaces = made.maps.surfaces.copy()
    paint, other = SURFACES.index("paint"), SURFACES.index("background")
    for columns in (slice(0, 58), slice(77, 126)):  # cells of 4 px: wing and door end 38 px from their gap at 270 px
        surfaces[other, :, columns] += surfaces[paint, :, columns]
        surfaces[paint, :, columns] = 0
    narrow = dataclasses.replace(made, maps=dataclasses.replace(made.maps, surfaces=surfaces))
    at_gap = [m for m in measured(narrow) if abs(m.regions[0].x + m.regions[0].width / 2 - 270) < 20]
    assert measured(made) and not at_gap


# --- why a gap is not compared -------------------------------------------------------------------------------------


def edge(**changes: object) -> Edge:
    plain = Edge(
        ends=np.array([[100.0, 100.0], [102.0, 300.0]]),
        first=np.array([40.0, -12.0, 18.0]),
        second=np.array([44.0, -10.0, 20.0]),
        step=np.array([4.0, 2.0, 2.0]),
        noise=0.04 * np.eye(3),
        depth=0.8,
        zones=("wing_front", "tub_side"),
    )
    return dataclasses.replace(plain, **changes)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"zones": ("bonnet", "wing_front")}, "face different ways"),
        ({"ends": np.array([[100.0, 100.0], [300.0, 110.0]])}, "not upright"),
        ({"depth": 0.0}, "no dark gap"),
        ({"noise": 30 * np.eye(3)}, "too noisy"),
    ],
)
def test_what_is_not_compared_says_why(changes: dict[str, object], words: str) -> None:
    answer = compare_panels(edge(**changes), SETTINGS.panels)
    assert isinstance(answer, NotAssessable)
    assert words in answer.reason


def test_a_gap_seen_from_either_side_gives_the_same() -> None:
    plain = edge()
    turned = edge(
        ends=plain.ends[::-1], first=plain.second, second=plain.first, step=-plain.step, zones=plain.zones[::-1]
    )
    assert compare_panels(plain, SETTINGS.panels) == compare_panels(turned, SETTINGS.panels)


def test_what_both_sides_mirror_hides_no_difference() -> None:
    """Light adds (Grassmann's law): a gloss on both sides makes deep paints look more alike than they are."""
    import colour  # the reference library, not the code under test

    deep, other = np.array([30.0, 40.0, 25.0]), np.array([33.0, 38.0, 19.0])
    first, second = (linear_to_lab(lab_to_linear(lab) + SETTINGS.panels.gloss) for lab in (deep, other))
    answer = compare_panels(
        edge(first=first, second=second, step=second - first, noise=1e-4 * np.eye(3)), SETTINGS.panels
    )
    assert isinstance(answer, ColourDifference)
    true, seen = (float(colour.delta_E(*pair, method="CIE 2000")) for pair in ((deep, other), (first, second)))
    assert seen < 0.8 * true
    assert answer.delta_e00 * SETTINGS.panels.dilution == pytest.approx(true, rel=0.1)


def test_dust_on_one_side_is_told_from_paint_by_its_direction() -> None:
    """Of two differences alike, the one that dust on one side would make is less sure."""
    middle = np.array([36.0, 20.0, -20.0])
    light = lab_to_linear(middle)
    dusty = linear_to_lab(light + 0.1 * (np.array(SETTINGS.panels.soils[1]) - light)) - middle
    across = np.cross(dusty, [1.0, 0.0, 0.0])
    answers = [
        compare_panels(edge(first=middle, second=middle, step=step, noise=1e-4 * np.eye(3)), SETTINGS.panels)
        for step in (dusty, across * np.linalg.norm(dusty) / np.linalg.norm(across))
    ]
    dust, paint = (answer.standard_uncertainty / answer.delta_e00 for answer in answers)  # type: ignore[union-attr]
    assert dust > paint


# --- what is paint -------------------------------------------------------------------------------------------------

FLUSH = SETTINGS.panels.flush
NOTHING = Nuisance(slope=0.0, tint=1e-6, veil=1e-6, echo=0.0)


def test_without_light_and_noise_the_difference_is_that_of_the_formula() -> None:
    middle, step = np.array([50.0, 20.0, -30.0]), np.array([3.0, -4.0, 5.0])
    answer = paint_difference(middle, step, 1e-9 * np.eye(3), NOTHING, (100.0, 100.0, 100.0))
    assert answer.delta_e00 == pytest.approx(float(delta_e00(middle - step / 2, middle + step / 2)), abs=1e-4)
    assert answer.standard_uncertainty < 1e-3


def test_what_more_light_would_do_is_left_out_what_it_would_not_stays() -> None:
    light = np.array([0.2, 0.1, 0.05])
    middle = linear_to_lab(light)
    brighter = linear_to_lab(light * 1.06) - linear_to_lab(light / 1.06)
    other = np.cross(brighter, [0.0, 0.0, 1.0])
    other *= np.linalg.norm(brighter) / np.linalg.norm(other)
    slope = Nuisance(slope=1.0, tint=0.001, veil=0.0001, echo=0.0)
    shade, paint = (
        paint_difference(middle, step, 0.01 * np.eye(3), slope, (6.0, 6.0, 6.0)) for step in (brighter, other)
    )
    assert shade.delta_e00 < 0.5
    assert paint.delta_e00 > 2
    assert shade.standard_uncertainty > 2  # and it says that it cannot know


@pytest.mark.parametrize("noise", [0.1, 1.0, 4.0])
def test_uncertainty_agrees_with_random_noise(noise: float) -> None:
    """Repeated measurements scatter about the truth as the uncertainty says (JCGM 100:2008, 4.2)."""
    rng = np.random.default_rng(2)
    middle, true = np.array([50.0, 5.0, -5.0]), np.array([6.0, 5.0, -4.0])
    wide = (60.0, 60.0, 60.0)
    drawn = [
        paint_difference(middle, true + rng.normal(size=3) * np.sqrt(noise), noise * np.eye(3), NOTHING, wide)
        for _ in range(800)
    ]
    values = [answer.delta_e00 for answer in drawn]
    assert np.std(values) == pytest.approx(np.mean([answer.standard_uncertainty for answer in drawn]), rel=0.15)


# --- masking edges -------------------------------------------------------------------------------------------------


def test_two_paints_across_a_masking_edge_are_measured() -> None:
    """In a door shut, without a gap: the network's box says where."""
    box = Box(x=255, y=150, width=30, height=300, score=0.9, zone="door_shut")
    old, new = (40.0, -12.0, 18.0), (52.0, -6.0, -20.0)
    zones = ("door_shut", "door_shut", "door_shut")
    (measure,) = measured(side(old, new, new, gap_light=1.0, zones=zones, masking=(box,)), "masking_edge")
    true = float(delta_e00(np.array(old), np.array(new)))
    assert abs(measure.value - true) < 2.5 * measure.uncertainty
    assert (measure.zone, measure.regions) == ("door_shut", (box,))
    assert is_finding(measure, SETTINGS)
    unsure = measure.model_copy(update={"regions": (box.model_copy(update={"score": 0.2}),)})
    assert not is_finding(unsure, SETTINGS)


def test_a_masking_edge_in_one_paint_differs_by_little() -> None:
    box = Box(x=255, y=150, width=30, height=300, score=0.9, zone="door_shut")
    made = side(GREEN, GREEN, GREEN, gap_light=0.8, zones=("door_shut",) * 3, masking=(box,))
    assert not found(made, "masking_edge")


# --- shuts ---------------------------------------------------------------------------------------------------------


def test_a_shut_in_another_hue_is_found_and_one_in_shade_is_not() -> None:
    zones = ("door_shut", "tub_side", "tub_side")
    blue, dark_green = (42.0, -5.0, -25.0), (24.0, -8.0, 12.0)
    (other,) = found(side(blue, GREEN, GREEN, zones=zones, shot="door_open"), "shut_mismatch")
    assert (other.zone, other.unit) == ("door_shut", "dE00")
    assert not found(side(dark_green, GREEN, GREEN, zones=zones, shot="door_open"), "shut_mismatch")
    (same,) = measured(side(GREEN, GREEN, GREEN, zones=zones, shot="door_open"), "shut_mismatch")
    assert same.value < 2 < 4 * same.uncertainty


def test_the_engine_bay_is_compared_with_the_wing() -> None:
    blue = (42.0, -5.0, -25.0)
    for zone in ("bulkhead", "bonnet"):
        zones = (zone, "wing_front", "wing_front")
        (other,) = found(side(blue, GREEN, GREEN, zones=zones, shot="engine_bay"), "shut_mismatch")
        assert (other.zone, other.unit) == (zone, "dE00")
        (same,) = measured(side(GREEN, GREEN, GREEN, zones=zones, shot="engine_bay"), "shut_mismatch")
        assert same.value < 2 < 4 * same.uncertainty
    # a closed bonnet is part of the outside
    zones = ("bonnet", "wing_front", "wing_front")
    assert not measured(side(blue, GREEN, GREEN, zones=zones, shot="exterior"), "shut_mismatch")


def test_hue_and_chroma_must_differ_by_more_uncertainties_than_one_coordinate() -> None:
    """By chance alone 95 % of a plane's normal distribution lie within this radius (SciPy's chi-squared)."""
    assert SETTINGS.coverage_factor["shut_mismatch"] == pytest.approx(chi2.ppf(0.95, 2) ** 0.5, abs=0.01)
    shut = Measure(cue="shut_mismatch", value=9.0, unit="dE00", uncertainty=4.0, zone="door_shut")
    assert not is_finding(shut, SETTINGS)
    assert is_finding(shut.model_copy(update={"value": 10.0}), SETTINGS)


def test_a_floor_in_another_paint_is_found_and_a_dirty_or_covered_one_is_not() -> None:
    zones = ("floor", "tub_side", "tub_side")
    blue = (42.0, -5.0, -25.0)
    (other,) = found(side(blue, GREEN, GREEN, zones=zones, shot="door_open"), "shut_mismatch")
    assert (other.zone, other.unit) == ("floor", "dE00")
    (same,) = measured(side(GREEN, GREEN, GREEN, zones=zones, shot="door_open"), "shut_mismatch")
    assert same.zone == "floor" and same.value < 4
    mud = tuple(linear_to_lab(np.array(SETTINGS.shuts.soils[0])))
    for cover in (0.5, 0.8, 1.0):  # from the outside's paint to nothing but mud
        dirty = tuple(np.array(GREEN) * (1 - cover) + np.array(mud) * cover)
        made = side(dirty, GREEN, GREEN, zones=zones, shot="door_open")
        assert not found(made, "shut_mismatch"), cover
    assert not measured(side(mud, GREEN, GREEN, zones=zones, shot="door_open"), "shut_mismatch")
    # a mat: the network sees no paint there
    made = side(blue, GREEN, GREEN, zones=zones, shot="door_open")
    surfaces, floor = made.maps.surfaces.copy(), made.maps.zones[1 + ZONES.index("floor")] > 0
    surfaces[:, floor] = 0
    surfaces[SURFACES.index("interior"), floor] = 1
    covered = dataclasses.replace(made, maps=dataclasses.replace(made.maps, surfaces=surfaces))
    assert not measured(covered, "shut_mismatch") and not measured(covered, SHUT_LIGHT)


def test_a_network_without_the_zone_measures_no_floor() -> None:
    made = side((42.0, -5.0, -25.0), GREEN, GREEN, zones=("floor", "tub_side", "tub_side"), shot="door_open")
    zones = made.maps.zones[: 1 + ZONES.index("floor")].copy()  # none, and the zones before it
    zones[0] += made.maps.zones[1 + ZONES.index("floor")]
    older = dataclasses.replace(made, maps=dataclasses.replace(made.maps, zones=zones))
    assert not measured(older, "shut_mismatch") and measured(older, BODY)


def test_what_soil_explains_lies_between_the_paint_and_soil() -> None:
    shuts = SETTINGS.shuts
    mud = np.asarray(linear_to_lab(np.array(shuts.soils[0])))
    green, blue, red = (np.array([mud[0], *ab]) for ab in ((-30.0, 20.0), (0.0, -35.0), (45.0, 30.0)))
    assert may_be_soil(green, mud, shuts) and may_be_soil(green, (green + mud) / 2, shuts)
    assert not may_be_soil(green, green, shuts)  # clean, and the same paint
    assert not may_be_soil(green, blue, shuts) and not may_be_soil(blue, red, shuts)


@pytest.mark.parametrize(("zone", "missing"), [("door_shut", SHUT_LIGHT), ("tub_side", BODY)])
def test_a_place_of_which_the_network_is_not_sure_is_not_compared(zone: str, missing: str) -> None:
    """Trim and carpet look like a shut in another colour, and a spot of bare primer taken for a panel is no outside."""
    made = side((42.0, -5.0, -25.0), GREEN, GREEN, zones=("door_shut", "tub_side", "tub_side"), shot="door_open")
    zones = made.maps.zones.copy()
    place = 1 + ZONES.index(zone)
    zones[0] += zones[place] * 0.45
    zones[place] *= 0.55
    assert measured(made, "shut_mismatch")
    unsure = dataclasses.replace(made, maps=dataclasses.replace(made.maps, zones=zones))
    assert not measured(unsure, "shut_mismatch") and not measured(unsure, missing)


def test_a_place_too_dark_for_its_colour_is_not_compared() -> None:
    answer = compare_places(np.tile([0.1, 0.2, 0.08], (50, 1)), np.tile([0.003, 0.003, 0.006], (50, 1)), SETTINGS.shuts)
    assert isinstance(answer, NotAssessable)
    assert "too dark" in answer.reason


def test_a_place_too_dark_beside_the_outside_is_not_compared_across_photos_either() -> None:
    outside = [photo_measured(colour_measures(BODY, GREEN), f"o{k}") for k in range(3)]
    for lab in ((5.0, -1.0, -6.0), (6.0, 0.0, -10.0)):  # blue by a step or two of the eight bits
        dark = side(lab, GREEN, GREEN, zones=("door_shut", "tub_side", "tub_side"), shot="door_open")
        found = measured(dark, SHUT_LIGHT) + measured(dark, "shut_mismatch")
        assert not found and not measure_advert(AdvertDetails(), [*outside, photo_measured(found, "d")]).measures
    light = side((42.0, -5.0, -25.0), GREEN, GREEN, zones=("door_shut", "tub_side", "tub_side"), shot="door_open")
    assert measured(light, SHUT_LIGHT)


def test_a_place_in_deep_shade_beside_a_sunlit_one_is_not_compared() -> None:
    """Sun on one paint, and what seats and ground throw on it under the same tone curve, look like two paints."""
    zones = ("door_shut", "tub_side", "tub_side")
    sunlit: Lab = (86.0, -8.0, 22.0)
    for lightness, is_told in ((12.0, False), (30.0, True)):  # 1/48 and 1/11 of the outside's light
        made = side((lightness, -6.0, -14.0), sunlit, sunlit, zones=zones, shot="door_open")
        assert bool(measured(made, SHUT_LIGHT)) == bool(found(made, "shut_mismatch")) == is_told
        assert measured(made, BODY)
    green, blue = np.array([0.3, 0.6, 0.24]), np.array([0.08, 0.12, 0.3])
    deepest = SETTINGS.shuts.deepest_shade * (green @ LUMINANCE) / (blue @ LUMINANCE)
    for share, is_told in ((0.95, False), (1.05, True)):
        places = np.tile(green, (50, 1)), np.tile(share * deepest * blue, (50, 1))
        for pair in (places, places[::-1]):  # whichever of them is in the shade
            answer = compare_places(*pair, SETTINGS.shuts)
            assert is_told == (not isinstance(answer, NotAssessable) or "shade" not in answer.reason)


def test_a_shut_in_one_of_the_outsides_two_colours_is_not_compared() -> None:
    """The side wears the shut's paint on one half and is clad in grey on the other."""
    blue, grey = (50.0, -8.0, -38.0), (54.0, 2.0, 4.0)
    zones = ("door_shut", "tub_side", "tub_side")
    assert found(side(blue, grey, grey, zones=zones, shot="door_open"), "shut_mismatch")
    clad_in_part = side(blue, blue, grey, zones=zones, shot="door_open")
    assert not measured(clad_in_part, "shut_mismatch") and not measured(clad_in_part, SHUT_LIGHT)
    clad, painted = np.array([0.2, 0.2, 0.2]), np.array([0.13, 0.2, 0.32])
    for share, words in ((0.3, "two colours"), (0.1, None)):  # so few may be chips, or misread
        outside = np.where(np.arange(100)[:, None] < 100 * share, painted, clad)
        answer = compare_places(outside, np.tile(painted / 2, (50, 1)), SETTINGS.shuts)
        assert (words is None) == isinstance(answer, ColourDifference)
        assert words is None or words in answer.reason  # type: ignore[union-attr]


def test_a_darker_second_colour_counts_although_shade_is_left_out_of_the_outside() -> None:
    """The lower body is darker than the rest: its cells are taken for shade where the outside's own colour is read."""
    zones = ("door_shut", "tub_side", "tub_side")
    low, high = (35.0, -6.0, -30.0), (70.0, -2.0, 4.0)
    made = side(low, high, high, zones=zones, shot="door_open")
    assert measured(made, "shut_mismatch")
    srgb = made.photo.srgb.copy()
    srgb[340:450, 280:780] = srgb[340:450, 30:31]  # a third of the outside in the shut's colour
    two = dataclasses.replace(made, photo=dataclasses.replace(made.photo, srgb=srgb))
    assert not measured(two, "shut_mismatch") and not measured(two, SHUT_LIGHT)


def test_white_against_grey_cannot_be_told_from_shade() -> None:
    zones = ("door_shut", "tub_side", "tub_side")
    assert not measured(side((45.0, 0.0, 0.0), (90.0, 0.0, 0.0), (90.0, 0.0, 0.0), zones=zones), "shut_mismatch")
    answer = compare_places(np.full((50, 3), 0.8), np.full((50, 3), 0.2), SETTINGS.shuts)
    assert isinstance(answer, NotAssessable)
    assert "white, grey and black" in answer.reason


def test_a_shut_of_all_colours_is_not_compared() -> None:
    mixed = np.random.default_rng(0).uniform(0.02, 0.3, (30, 3)) ** 2
    answer = compare_places(np.tile([0.2, 0.4, 0.2], (40, 1)), mixed, SETTINGS.shuts)
    assert isinstance(answer, NotAssessable)
    assert "more than one colour" in answer.reason


def test_places_do_not_depend_on_how_much_light_falls_on_them() -> None:
    green, blue = np.array([0.1, 0.2, 0.08]), np.array([0.08, 0.12, 0.3])
    answers = [compare_places(np.tile(green, (50, 1)), np.tile(blue * k, (50, 1)), SETTINGS.shuts) for k in (1.0, 0.6)]
    assert all(isinstance(answer, ColourDifference) for answer in answers)
    assert answers[0].delta_e00 == pytest.approx(answers[1].delta_e00, rel=0.2)  # type: ignore[union-attr]


# --- which photos are measured -------------------------------------------------------------------------------------


def test_poor_photos_papers_and_other_things_are_not_measured() -> None:
    made = side(GREEN, (60.0, 0.0, 0.0), GREEN)
    poor = made.findings.model_copy(update={"quality": made.findings.quality.model_copy(update={"assessable": False})})
    assert measure_colour(made.photo, made.maps, poor) == ()
    assert measure_colour(made.photo, dataclasses.replace(made.maps, vehicle=0.1), made.findings) == ()
    for shot in ("document", "not_vehicle"):
        other = side(GREEN, (60.0, 0.0, 0.0), GREEN, shot=shot)
        assert measure_colour(other.photo, other.maps, other.findings) == ()


def test_no_measure_of_a_photo_is_told_as_exact() -> None:
    flat = side((75.0, 0.0, 0.0), (75.0, 0.0, 0.0), (75.0, 0.0, 0.0), noise=0.0)
    measures = measure_colour(flat.photo, flat.maps, flat.findings)
    lights = [measure for measure in measures if measure.cue == "body_light"]
    assert len(lights) == 3 and all(measure.uncertainty for measure in measures)


def test_a_photo_without_paint_gives_nothing() -> None:
    made = side(GREEN, GREEN, GREEN)
    surfaces = np.zeros_like(made.maps.surfaces)
    surfaces[0] = 1
    assert measure_colour(made.photo, dataclasses.replace(made.maps, surfaces=surfaces), made.findings) == ()


def test_a_tiny_photo_does_not_break() -> None:
    made = side(GREEN, GREEN, GREEN, scale=0.05)
    assert isinstance(measure_colour(made.photo, made.maps, made.findings), tuple)


# --- the colour itself and the advert ------------------------------------------------------------------------------


def test_the_body_colour_comes_with_its_uncertainty() -> None:
    measures = measured(side(GREEN, GREEN, GREEN), BODY)
    assert [m.unit for m in measures] == ["L*", "a*", "b*"]
    reading = readings_of(measures, BODY)[None]
    assert np.abs((np.array(reading.lab) - GREEN) / reading.uncertainty).max() < 1.5


def test_with_the_bonnet_open_wing_and_bonnet_tell_nothing_of_the_outside() -> None:
    """Their inner faces are seen as well, which a colour change of the outside leaves in the old paint."""
    for zones, told in ((("wing_front", "bonnet", "wing_front"), False), (("tub_side", "tub_side", "roof"), True)):
        made = side(GREEN, GREEN, GREEN, zones=zones, shot="engine_bay")
        assert bool(measured(made, BODY)) is told
        assert measured(side(GREEN, GREEN, GREEN, zones=zones, shot="exterior"), BODY)


def test_a_tyre_tells_the_cast_of_the_light() -> None:
    """The same vehicle in yellow light: nearer to its own colour with the tyre's help than without."""
    made = side(WHITE, WHITE, WHITE, light=Light(cast=(1.15, 1, 0.75), low_cast=(1.15, 1, 0.75), exposure=0.7))
    trusting = readings_of(measured(made, BODY), BODY)[None]
    none = SETTINGS.model_copy(update={"body": SETTINGS.body.model_copy(update={"neutrals": {"tyre": 0.0}})})
    blind = readings_of(measure_colour(made.photo, made.maps, made.findings, none), BODY)[None]
    assert abs(trusting.lab[2] - WHITE[2]) < 0.7 * abs(blind.lab[2] - WHITE[2])


def photo_measured(measures: list[Measure], name: str, **changes: object) -> PhotoFindings:
    return side(GREEN, GREEN, GREEN, name=name).findings.model_copy(update={"measures": tuple(measures), **changes})


def colour_measures(cue: str, lab: Lab, zone: str | None = None) -> list[Measure]:
    return [
        Measure(cue=cue, value=v, unit=u, uncertainty=s, zone=zone)
        for v, u, s in zip(lab, ("L*", "a*", "b*"), SETTINGS.body.uncertainty, strict=True)
    ]


def test_photos_agree_on_one_body_colour_whatever_an_odd_one_says() -> None:
    labs: list[Lab] = [(40, -12, 18), (42, -11, 17), (38, -13, 19), (41, -12, 18), (80, 40, -40)]
    body = measure_advert(AdvertDetails(), [photo_measured(colour_measures(BODY, lab), str(lab)) for lab in labs]).body
    assert body is not None
    assert body.lab == pytest.approx((41, -12, 18), abs=1)


def test_more_photos_narrow_the_uncertainty_but_not_without_end() -> None:
    one, ten, many = (agree([ColourReading(GREEN, (10, 6, 6))] * n, SETTINGS.body) for n in (1, 10, 10_000))
    assert one is not None and ten is not None and many is not None
    assert one.uncertainty > ten.uncertainty > many.uncertainty
    assert many.uncertainty[0] == pytest.approx(10 * np.sqrt(SETTINGS.body.shared), rel=0.01)
    assert agree([], SETTINGS.body) is None


def test_a_repeated_photo_counts_once() -> None:
    labs: list[Lab] = [(40, -12, 18), (42, -11, 17), (80, 40, -40)]
    photos = [photo_measured(colour_measures(BODY, lab), str(lab)) for lab in labs]
    repeats = [photo_measured(colour_measures(BODY, labs[2]), f"r{k}", duplicate_of=str(labs[2])) for k in range(5)]
    assert measure_advert(AdvertDetails(), photos + repeats).body == measure_advert(AdvertDetails(), photos).body


def seen_as(cue: str, lab: Lab, zone: str | None = None, text: str | None = None, cast: float = 0.0) -> list[Measure]:
    """The light of a paint in a photo whose red is exp(cast) too strong and whose blue as much too weak."""
    red, green, blue = lab_to_linear(np.array(lab)) * np.exp([cast, 0, -cast])
    values = (np.log(red / green), np.log(blue / green), np.log(np.array([red, green, blue]) @ LUMINANCE))
    return [
        Measure(cue=cue, value=float(v), unit=unit, uncertainty=0.05, zone=zone, text=text)
        for v, unit in zip(values, RATIOS, strict=True)
    ]


OUTSIDE = [photo_measured(seen_as(BODY_LIGHT, (40, -12, 18)), f"o{k}") for k in range(4)]


def test_a_shut_seen_alone_is_compared_with_the_outside_of_other_photos() -> None:
    orange, green = (
        [photo_measured(seen_as(SHUT_LIGHT, lab, "door_shut"), f"s{k}") for k in range(4)]
        for lab in ((50, 55, 60), (20, -8, 12))
    )
    (measure,) = measure_advert(AdvertDetails(), OUTSIDE + orange).measures
    assert (measure.cue, measure.zone, measure.unit) == ("shut_mismatch", "door_shut", "dE00")
    assert is_finding(measure, SETTINGS)
    (same,) = measure_advert(AdvertDetails(), OUTSIDE + green).measures
    assert not is_finding(same, SETTINGS)


def test_a_shut_alone_in_warm_light_is_no_finding_where_the_light_is_known() -> None:
    """The outside's paint in a photo as yellow as a lamp: a neutral surface there says so."""
    warm = photo_measured(
        [
            *seen_as(SHUT_LIGHT, (40, -12, 18), "bulkhead", cast=0.25),
            *seen_as(NEUTRAL_LIGHT, (25, 0, 0), text="tyre", cast=0.25),
        ],
        "warm",
    )
    blind = warm.model_copy(update={"measures": tuple(m for m in warm.measures if m.cue == SHUT_LIGHT)})
    tyre = seen_as(NEUTRAL_LIGHT, (25, 0, 0), text="tyre")
    outside = [photo.model_copy(update={"measures": (*photo.measures, *tyre)}) for photo in OUTSIDE]
    (told,), (guessed,) = (measure_advert(AdvertDetails(), [*outside, photo]).measures for photo in (warm, blind))
    assert told.value < 0.6 * guessed.value
    assert not is_finding(guessed, SETTINGS)  # nobody knows that photo's light, and it says so


def test_a_shut_compared_in_one_photo_is_not_compared_again() -> None:
    both = seen_as(BODY_LIGHT, (40, -12, 18)) + seen_as(SHUT_LIGHT, (50, 55, 60), "door_shut")
    in_one = Measure(cue="shut_mismatch", value=30, unit="dE00", uncertainty=3, zone="door_shut")
    assert measure_advert(AdvertDetails(), [photo_measured([*both, in_one], "p")]).measures == ()
    assert measure_advert(AdvertDetails(), [photo_measured(both, "p")]).measures != ()


def test_a_floor_in_a_photo_of_the_interior_is_compared_with_the_outside_of_others() -> None:
    blue = (42.0, -5.0, -25.0)
    for paint, is_found in ((blue, True), (GREEN, False)):
        made = side(paint, paint, paint, zones=("floor", "floor", "floor"), shot="interior")
        inside = made.findings.model_copy(update={"measures": measure_colour(made.photo, made.maps, made.findings)})
        assert not [m for m in inside.measures if m.cue in (BODY_LIGHT, "shut_mismatch")]
        outside = [side(GREEN, GREEN, GREEN, seed=k) for k in range(3)]
        photos = [
            one.findings.model_copy(update={"measures": measure_colour(one.photo, one.maps, one.findings)})
            for one in outside
        ]
        differences = [m for m in measure_advert(AdvertDetails(), [*photos, inside]).measures if m.zone == "floor"]
        assert len(differences) == 1 and is_finding(differences[0], SETTINGS) is is_found


def test_what_looks_like_the_outside_from_within_is_not_read_as_the_outside() -> None:
    made = side(GREEN, GREEN, GREEN, zones=("tub_side", "roof", "wing_front"), shot="interior")
    assert not measured(made, BODY)
    assert measured(side(GREEN, GREEN, GREEN, zones=("tub_side", "roof", "wing_front"), shot="exterior"), BODY)


def test_a_masking_edge_that_could_not_be_compared_is_told() -> None:
    box = Box(x=10, y=10, width=50, height=50, score=0.9, zone="door_shut")
    across = Measure(cue="masking_edge", value=9.0, unit="dE00", uncertainty=2.0, zone="door_shut", regions=(box,))
    for found, measures, is_told in ((True, [], True), (True, [across], False), (False, [], False)):
        cues = {"masking_edge": CueFinding(score=0.9, assessable=True, found=found, boxes=(box,))}
        notes = measure_advert(AdvertDetails(), [photo_measured(measures, "p", cues=cues)]).notes
        assert any("its two paints were not compared" in note for note in notes) == is_told


def test_what_could_not_be_compared_is_said() -> None:
    notes = measure_advert(AdvertDetails(), [photo_measured([], "p")]).notes
    assert notes == ("No photo shows two neighbouring panels so that their colours could be compared.",)


def test_an_unread_plate_is_said() -> None:
    plate = Measure(cue="plate_code", value=0.3, unit="probability", uncertainty=None, text="unread: it is not clear")
    notes = measure_advert(AdvertDetails(), [photo_measured([plate], "p")], paints=demo_table()).notes
    assert any("its paint code is unread: it is not clear" in note for note in notes)
    assert measure_advert(AdvertDetails(), [photo_measured([plate], "p")]).summary().plate_probability is None


def test_a_plate_with_a_code_that_the_table_lacks_is_said_with_what_it_may_be() -> None:
    plate = Measure(cue="plate_code", value=0.97, unit="probability", uncertainty=None, text=f"{UNLISTED}: OW 999")
    photos = [photo_measured([plate, *colour_measures(BODY, (40, -10, -28))], f"p{k}") for k in range(2)]
    advert = measure_advert(AdvertDetails(year=1980), photos, paints=demo_table(), family="pellock")
    assert advert.summary().plate == "OW 999 (not in the paint table)"
    assert advert.summary().plate_probability is None  # how surely letters are read is not how surely a code is
    (note,) = [note for note in advert.summary().notes if "OW 999" in note]
    assert "a special order, another maker's list, or a table with a gap" in note
    assert not any("unread" in note for note in advert.notes)
    assert [m.cue for m in advert.measures] == []  # nothing to measure against


def test_a_colour_near_no_entry_of_the_table_is_said_in_the_outputs() -> None:
    photos = [photo_measured(colour_measures(BODY, (60, 75, -60)), f"p{k}") for k in range(12)]  # no factory's magenta
    summary = measure_advert(AdvertDetails(year=1980), photos, paints=demo_table(), family="pellock").summary()
    assert summary.no_paint is not None and summary.no_paint > SETTINGS.table.none_fits
    assert any("a special order, a repaint or a table with a gap" in note for note in summary.notes)


def test_a_plate_read_in_a_photo_is_the_anchor() -> None:
    plate = Measure(cue="plate_code", value=0.99, unit="probability", uncertainty=None, text="OW 301")
    photos = [photo_measured([plate, *colour_measures(BODY, (40, -10, -28))], f"p{k}") for k in range(3)]
    advert = measure_advert(AdvertDetails(year=1980), photos, paints=demo_table(), family="pellock")
    (measure,) = advert.measures
    assert (measure.cue, measure.text) == ("code_mismatch", "OW 301 Kiln Red (identification plate)")
    assert [c.agreement for c in advert.identity.comparisons] == ["disagree"]
    (pair,) = advert.summary().comparisons
    assert (pair.first, pair.second, pair.agreement) == ("identification plate", "photos", "disagree")
    assert advert.summary().plate_probability == 0.99


def test_a_code_is_as_sure_as_the_photo_that_tells_it_best_and_several_as_the_least_sure() -> None:
    plate = Measure(cue="plate_code", value=0.96, unit="probability", uncertainty=None, text="OW 301")
    better, other = plate.model_copy(update={"value": 0.99}), plate.model_copy(update={"value": 0.97, "text": "OW 503"})
    photos = [photo_measured([one], f"p{k}") for k, one in enumerate((plate, better, other))]
    for shown, read in ((2, ("OW 301", 0.99)), (3, ("OW 301, OW 503", 0.97))):
        summary = measure_advert(AdvertDetails(), photos[:shown], paints=demo_table()).summary()
        assert (summary.plate, summary.plate_probability) == read
