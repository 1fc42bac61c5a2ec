"""Masking edges that are not straight, in drawn photos of two known paints: the difference is found, light is none."""

from __future__ import annotations

import dataclasses

import colour  # the reference library for CIEDE2000 (ISO/CIE 11664-6), not the code under test
import cv2
import numpy as np
import numpy.typing as npt
import pytest

from pipeline.coats import coat_boundary
from pipeline.colorimetry import Floats, encode, lab_to_linear
from pipeline.colour import colour_settings, is_finding, measure_colour
from pipeline.colour_scene import look
from pipeline.paint_difference import ColourDifference
from pipeline.paint_table import Lab
from pipeline.panels import compare_coats, find_edges
from pipeline.records import SURFACES, ZONES, Box, Measure, Photo
from tests.pipeline.painted import GREEN, HEIGHT, WIDTH, Made, made_findings, made_maps, step_of

SETTINGS = colour_settings()
BLUE: Lab = (42.0, -5.0, -25.0)
BOX = Box(x=200, y=220, width=400, height=120, score=0.9, zone="door_shut")
Y, X = np.mgrid[0:HEIGHT, 0:WIDTH].astype(np.float64)
Mask = npt.NDArray[np.bool_]
TORN = cv2.GaussianBlur(np.random.default_rng(3).normal(size=(1, WIDTH)), (0, 0), 4) * 25
WHERE: dict[str, Mask] = {  # the second coat lies
    "straight": Y - 280 > 0,
    "wavy": Y - 14 * np.sin(X / 23) > 280,
    "torn": Y - TORN > 280,
    "round a corner": (Y > 245) & (X > 300) & (np.hypot(np.minimum(X - 360, 0), np.minimum(Y - 305, 0)) < 60),
}


def drawn(
    light: Floats, *, rubber: Mask | None = None, amount: Floats | None = None, seed: int = 0, noise: float = 2.5
) -> Made:
    """A shut in linear light (HEIGHT, WIDTH, 3) as a phone and a site leave it; `amount`: what falls on it."""
    rng = np.random.default_rng(seed)
    surface = np.full((HEIGHT, WIDTH), SURFACES.index("background"))
    inside = (Y >= 100) & (Y < 500) & (X >= 60) & (X < 740)
    surface[inside] = SURFACES.index("paint")
    linear = np.where(inside[..., None], light, 0.4)
    if rubber is not None:
        surface[rubber] = SURFACES.index("rubber")
        linear = np.where(rubber[..., None], 0.02, linear)
    linear = linear * (1 + 0.3 * (X / WIDTH - 0.5))[..., None] * (1.0 if amount is None else amount)
    srgb = encode(cv2.GaussianBlur(linear, (0, 0), 0.8)) * 255 + rng.normal(size=linear.shape) * noise
    pixels = cv2.cvtColor(srgb.clip(0, 255).round().astype(np.uint8), cv2.COLOR_RGB2BGR)
    jpeg = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, 82])[1]
    seen = np.asarray(cv2.cvtColor(cv2.imdecode(jpeg, cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB), np.uint8)
    zone = np.where(surface == SURFACES.index("paint"), 1 + ZONES.index("door_shut"), 0)
    maps = made_maps(surface, zone, "door_open", WIDTH)
    return Made(Photo("a", "p", "p", "0", seen), maps, made_findings(seen, "door_open", "p", (BOX,)))


def coats(first: Lab, second: Lab, where: Mask) -> Floats:
    return np.where(where[..., None], lab_to_linear(np.array(second)), lab_to_linear(np.array(first)))


def measured(made: Made) -> list[Measure]:
    return [m for m in measure_colour(made.photo, made.maps, made.findings) if m.cue == "masking_edge"]


def found(made: Made) -> list[Measure]:
    return [m for m in measured(made) if is_finding(m, SETTINGS)]


def boundary(made: Made) -> Floats | None:
    scene = look(made.photo, made.maps, WIDTH, SETTINGS.sure, SETTINGS.clear, SETTINGS.focus)
    return coat_boundary(scene, BOX, 9, 18, SETTINGS.panels.coats)


def true_difference(first: Lab, second: Lab) -> float:
    return float(colour.delta_E(np.array(first), np.array(second), method="CIE 2000"))


@pytest.mark.parametrize("where", WHERE.values(), ids=WHERE)
@pytest.mark.parametrize("other", [BLUE, (62.0, 20.0, 45.0), (90.0, -0.8, 3.0)])
def test_two_coats_are_measured_whatever_way_their_edge_runs(where: Mask, other: Lab) -> None:
    (measure,) = measured(drawn(coats(GREEN, other, where)))
    assert abs(measure.value - true_difference(GREEN, other)) < 2 * measure.uncertainty
    assert (measure.zone, measure.regions) == ("door_shut", (BOX,))
    assert is_finding(measure, SETTINGS)


def test_differences_of_many_coats_are_as_uncertain_as_they_say() -> None:
    rng = np.random.default_rng(7)
    off = []
    for k in range(48):
        first = (float(rng.uniform(35, 75)), float(rng.uniform(-20, 30)), float(rng.uniform(-25, 35)))
        true = float(rng.uniform(5, 25))
        made = drawn(coats(first, step_of(first, true, rng), list(WHERE.values())[k % 4]), seed=k, noise=1 + k % 5)
        off += [(measure.value - true) / measure.uncertainty for measure in measured(made)]
    assert len(off) >= 40
    assert np.sqrt(np.mean(np.square(off))) < 1.2
    assert np.abs(off).max() < 3


def test_the_boundary_lies_where_the_coats_meet() -> None:
    curve = boundary(drawn(coats(GREEN, BLUE, WHERE["wavy"])))
    assert curve is not None
    off = curve[:, 1] - 280 - 14 * np.sin(curve[:, 0] / 23)
    assert np.abs(off).max() < 2.5
    assert curve[:, 0].min() < 210 and curve[:, 0].max() > 590


def test_a_straight_edge_gives_what_the_straight_line_gives() -> None:
    made = drawn(coats(GREEN, (62.0, 20.0, 45.0), WHERE["straight"]))
    scene = look(made.photo, made.maps, WIDTH, SETTINGS.sure, SETTINGS.clear, SETTINGS.focus)
    line = compare_coats(find_edges(scene, SETTINGS.panels, None, (BOX,))[0], SETTINGS.panels)
    (measure,) = measured(made)
    assert isinstance(line, ColourDifference)
    assert measure.value == pytest.approx(line.delta_e00, abs=1)


def test_a_bent_edge_behind_a_seal_is_measured() -> None:
    """Half of the box is rubber, and what the tape left of the old coat is a strip beside it."""
    foot = 300 - 30 * np.cos((X - 400) / 110)
    rubber = (foot - 60 < Y) & (foot > Y) & (X > 100) & (X < 700)
    (measure,) = found(drawn(coats(GREEN, BLUE, foot + 24 < Y), rubber=rubber))
    assert abs(measure.value - true_difference(GREEN, BLUE)) < 2 * measure.uncertainty
    too_narrow = drawn(coats(GREEN, BLUE, foot + 6 < Y), rubber=rubber)
    assert not found(too_narrow)  # no strip fits beside it


@pytest.mark.parametrize("where", WHERE.values(), ids=WHERE)
@pytest.mark.parametrize("paint", [GREEN, BLUE, (85.0, -0.8, 3.0), (70.0, 3.0, 24.0)])
def test_one_paint_is_no_finding(where: Mask, paint: Lab) -> None:
    plain = coats(paint, paint, where)
    assert not found(drawn(plain, noise=6))
    sky = (0.9, 1.0, 1.1)  # shade is lit by the sky
    for share, cast in ((0.5, (1.0, 1.0, 1.0)), (0.3, sky), (0.7, sky)):
        assert not found(drawn(plain, amount=np.where(where[..., None], share * np.array(cast), 1.0)))
    for soil in SETTINGS.panels.soils:
        assert not found(drawn(np.where(where[..., None], 0.7 * plain + 0.3 * np.array(soil), plain)))


def test_where_there_is_but_one_paint_nothing_is_measured() -> None:
    """The split of one paint's noise runs anywhere: that its sides are alike says nothing of the masking edge."""
    for seed in range(4):
        assert not measured(drawn(coats(GREEN, GREEN, WHERE["wavy"]), seed=seed, noise=2 + 2 * seed))


def test_what_shade_could_make_is_told_as_unsure() -> None:
    where = WHERE["wavy"]
    (measure,) = measured(drawn(coats(GREEN, GREEN, where), amount=np.where(where[..., None], 0.5, 1.0)))
    assert measure.value > 5
    assert measure.uncertainty > measure.value


def test_a_spot_and_what_is_not_in_the_edge_are_no_boundary() -> None:
    assert boundary(drawn(coats(GREEN, BLUE, np.hypot(X - 400, Y - 280) < 25))) is None
    made = drawn(coats(GREEN, BLUE, WHERE["wavy"]))
    for columns, is_there in ((slice(50, 150), True), (slice(75, 90), True), (slice(0, 0), False)):
        heat = np.zeros((1, *made.maps.surfaces.shape[1:]), np.float32)
        heat[0, :, columns] = 0.9
        seen = dataclasses.replace(made.maps, cue_probability=heat, cue_scores={"masking_edge": 0.9})
        curve = boundary(dataclasses.replace(made, maps=seen))
        assert (curve is not None) == is_there
        if curve is not None:
            assert abs(curve[:, 0].min() - max(200, 4 * columns.start)) < 15
            assert abs(curve[:, 0].max() - min(600, 4 * columns.stop)) < 15


def test_without_paint_in_the_box_nothing_is_measured() -> None:
    assert not measured(drawn(coats(GREEN, BLUE, WHERE["wavy"]), rubber=np.ones((HEIGHT, WIDTH), bool)))
