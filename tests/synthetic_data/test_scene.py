"""Renders of a few hundred pixels against textbook optics, published colours and the promise of the masks."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import pytest
from scipy import ndimage

colour = pytest.importorskip("colour")
torch = pytest.importorskip("torch")
mi = pytest.importorskip("mitsuba")

from pipeline.records import DETECTED_CUES, SURFACES, ZONES  # noqa: E402  (mitsuba may be missing)
from synthetic_data.atlas import bake, baked_again, pieces_of  # noqa: E402
from synthetic_data.camera import Exposure  # noqa: E402
from synthetic_data.crevices import find_crevices  # noqa: E402
from synthetic_data.geometry import Patch, line, loft  # noqa: E402
from synthetic_data.grids import grids_of  # noqa: E402
from synthetic_data.paint import PartTable, lab_to_linear_srgb  # noqa: E402
from synthetic_data.painter import PaintedVehicle  # noqa: E402
from synthetic_data.scene import Stage, expose  # noqa: E402
from synthetic_data.untouched import untouched  # noqa: E402
from synthetic_data.vehicle import Part, Vehicle  # noqa: E402
from synthetic_data.view import View  # noqa: E402
from synthetic_data.visibility import OLD_COAT  # noqa: E402
from tests.synthetic_data.samples import CLEAN, OTHER, a_part, resprayed, stage, table_of, vehicle  # noqa: E402

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("one_thread")]
SIDE, UP, NOWHERE = np.array([0.0, 1, 0]), np.array([0.0, 0, 1]), np.zeros(3)


def shot(painted: PaintedVehicle, view: View, where: Stage, variant: str, samples: int = 16) -> Exposure:
    return expose(painted, view, where, variant=variant, samples=samples, seed=3)[0]


# --- flat samples ---------------------------------------------------------------------------------------------------


def samples_of(table: PartTable, patches: list[Patch]) -> PaintedVehicle:
    """Plain surfaces in place of a vehicle."""
    parts = tuple(Part(f"sample{k}", one, "paint", None, None, "body", "other") for k, one in enumerate(patches))
    model = Vehicle("samples", parts, (), 1.0, 1.0, 1.0, (), NOWHERE, NOWHERE)
    past = resprayed(0.5, 1).history
    return PaintedVehicle(model, past, table, CLEAN, find_crevices(model.parts), frozenset(), frozenset(), frozenset())


def tile(middle: Any, size: float) -> Patch:
    """A square in the plane x, z that faces +y."""
    x, z = middle
    top, low = (line((x - size / 2, 0, z + dz), (x + size / 2, 0, z + dz), 6) for dz in (size / 2, -size / 2))
    return loft(top, low, 6).flipped()


def from_ahead(distance: float, field_of_view: float, *, angle_deg: float = 0.0, pixels: int = 48) -> View:
    """Looks at the origin, `angle_deg` away from +y."""
    angle = math.radians(angle_deg)
    origin = distance * np.array([math.sin(angle), math.cos(angle), 0.0])
    return View(origin, NOWHERE, UP, field_of_view, pixels, pixels)


def test_texels_baked_anew_where_the_table_changed_are_those_of_the_whole_table_baked(variant: str) -> None:
    mi.set_variant(variant)
    painted = resprayed(0.1, 2)
    parts, table, other = painted.vehicle.parts, painted.table, untouched(painted.table)
    grids, every = grids_of([part.patch for part in parts]), np.ones(len(parts), bool)
    view = View(np.array([1.0, 2.5, 1.0]), np.array([0.0, 0.5, 0.7]), UP, 60.0, 40, 30)
    first, whole = (bake(painted, parts, grids, every, one, view, torch.device("cpu"), 3) for one in (table, other))
    again = baked_again(first, painted, table, other)
    for name in again.film.__slots__:
        torch.testing.assert_close(getattr(again.film, name), getattr(whole.film, name), msg=name)
    assert not torch.equal(first.film.colour, whole.film.colour)


def test_what_stands_behind_a_sheet_takes_no_fine_texels(variant: str) -> None:
    mi.set_variant(variant)
    front = tile((0.0, 0.0), 1.0)
    parts = samples_of(table_of(*[a_part(OTHER)] * 3), [
        front,
        replace(front, points=front.points * 0.8 - np.array([0, 0.3, 0])),
        replace(front, points=front.points - np.array([-0.9, 0.3, 0])),  # partly beside the first
    ]).vehicle.parts  # fmt: skip
    view = from_ahead(2.0, 60.0)
    pieces = pieces_of(grids_of([part.patch for part in parts]), np.ones(3, bool), view)
    finest = [pieces.texel_mm[pieces.patch == k].min() for k in range(3)]
    pixel = 2.0 * view.pixel_angle * 1000
    assert finest[0] < pixel and finest[2] < 1.2 * pixel and finest[1] > 2 * pixel


def one_sample(**look: Any) -> PaintedVehicle:
    return samples_of(table_of(a_part(OTHER, **look)), [tile((0, 0), 2.0)])


@pytest.mark.parametrize("albedo", [0.18, 0.5, 0.8])
def test_a_matt_patch_under_even_light_shows_its_albedo(albedo: float, variant: str) -> None:
    # textbook (furnace test): a diffuse surface under radiance 1 from everywhere has the radiance of its albedo. Ours
    # carries a varnish of refractive index 1.5 as well, which adds at most what Fresnel reflects on average, 9 %
    sample = one_sample(colour=(albedo,) * 3, roughness=1.0)
    radiance = shot(sample, from_ahead(2.0, 30.0), stage(ground=0.0, ground_m=0.01), variant, 64).radiance
    assert radiance.std() < 0.15 * radiance.mean()
    assert albedo * 0.95 < radiance.mean() < albedo * 1.05 + 0.05
    assert radiance.mean() < 1  # energy is not made


def fresnel(angle_deg: float, index: float = 1.5) -> float:
    """Unpolarised reflectance of a dielectric (textbook, e.g. Born and Wolf, Principles of Optics, 1.5.2)."""
    cos_in = math.cos(math.radians(angle_deg))
    cos_out = math.sqrt(1 - (math.sin(math.radians(angle_deg)) / index) ** 2)
    across = (cos_in - index * cos_out) / (cos_in + index * cos_out)
    along = (index * cos_in - cos_out) / (index * cos_in + cos_out)
    return (across**2 + along**2) / 2


def test_fresnel_formula_holds_its_textbook_values() -> None:
    assert fresnel(0) == pytest.approx(0.04)
    assert fresnel(89.9) > 0.97
    brewster = math.degrees(math.atan(1.5))
    assert fresnel(brewster) == pytest.approx(0.5 * math.sin(math.radians(2 * brewster - 90)) ** 2)


@pytest.mark.parametrize("angle_deg", [0.0, 45.0, 60.0, 75.0])
def test_gloss_follows_fresnel(angle_deg: float, variant: str) -> None:
    # black varnish mirrors the even light: what comes back is the reflectance of refractive index 1.5
    black = one_sample(colour=(0.0015,) * 3, roughness=0.05)
    view = from_ahead(3.0, 6.0, angle_deg=angle_deg)
    radiance = shot(black, view, stage(ground=0.0, ground_m=0.01), variant, 64).radiance.mean()
    assert radiance == pytest.approx(fresnel(angle_deg), rel=0.08, abs=0.004)


def test_a_colour_chart_comes_back(variant: str) -> None:
    # ColorChecker's values after November 2014 as colour-science publishes them (CIE xyY, D50), adapted to D65
    chart = colour.CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]
    xyz = np.array([colour.xyY_to_XYZ(value) for value in chart.data.values()])
    white_d65 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
    xyz = colour.adaptation.chromatic_adaptation_VonKries(
        xyz, colour.xy_to_XYZ(chart.illuminant), colour.xy_to_XYZ(white_d65), transform="Bradford"
    )
    published = colour.XYZ_to_Lab(xyz, white_d65)
    places = [((k % 6 - 2.5) * 0.3, (1.5 - k // 6) * 0.3) for k in range(24)]
    table = table_of(*(a_part(OTHER, colour=tuple(lab_to_linear_srgb(lab)), roughness=0.1) for lab in published))
    # lit from 45° and seen from straight ahead, as charts are measured (CIE 15:2018, 45°:0°): no gloss in the picture
    sky = np.full((64, 128, 3), 1e-4)
    lamp = lamp_pixel(math.radians(45))
    sky[lamp[0] - 1 : lamp[0] + 2, lamp[1] - 1 : lamp[1] + 2] = 300.0
    view = View(np.array([0.0, 8.0, 0]), NOWHERE, UP, 2 * math.degrees(math.atan(0.95 / 8)), 190, 130)
    painted = samples_of(table, [tile(place, 0.26) for place in places])
    radiance = shot(painted, view, stage(sky, ground=0.0, ground_m=0.01), variant, 64).radiance
    # with +y towards the viewer and z up, +x is to the left of the picture
    seen = []
    for x, z in places:
        column, row = 95 - x * 100, 65 - z * 100
        square = radiance[round(row) - 7 : round(row) + 8, round(column) - 7 : round(column) + 8]
        seen.append(square.reshape(-1, 3).mean(axis=0))
    white = list(chart.data).index("white 9.5 (.05 D)")
    scale = lab_to_linear_srgb(published[white])[1] / seen[white][1]
    linear = np.array(seen) * scale
    lab = colour.XYZ_to_Lab(colour.RGB_to_XYZ(linear, "sRGB"), white_d65)
    difference = dict(zip(chart.data, colour.delta_E(published, lab, method="CIE 2000"), strict=True))
    outside = {
        name for name, value in zip(chart.data, xyz, strict=True) if colour.XYZ_to_RGB(value, "sRGB").min() < 0.002
    }
    assert outside == {"cyan"}  # the one patch that sRGB cannot hold
    assert max(value for name, value in difference.items() if name not in outside) < 1.0


def lamp_pixel(angle: float) -> tuple[int, int]:
    """Row and column of the sky's picture for a direction `angle` from +y towards +x, at the horizon's height."""
    from synthetic_data.panorama import directions

    wanted = np.array([math.sin(angle), math.cos(angle), 0.0])
    at = np.argmax(directions(128, 64) @ wanted)
    return int(at) // 128, int(at) % 128


# --- a vehicle's labels -------------------------------------------------------------------------------------------


def side_view(side: float) -> View:
    return View(np.array([0.1, side * 6.5, 1.2]), np.array([0.1, 0, 0.95]), UP, 46.0, 160, 120)


@lru_cache
def seen_from(side: float, variant: str) -> Exposure:
    return shot(resprayed(0.3, 5), side_view(side), stage(), variant, 8)


@pytest.mark.parametrize(("direction", "number"), [(1.0, 1), (-1.0, 2)])
def test_a_side_is_labelled_as_that_side(direction: float, number: int, variant: str) -> None:
    exposure = seen_from(direction, variant)
    named = exposure.side[exposure.side > 0]
    assert len(named) > 2000 and (named == number).mean() > 0.97
    surfaces = {SURFACES[k] for k in np.unique(exposure.surface)}
    assert surfaces >= {"paint", "glass", "tyre", "ground", "background", "rubber"}
    zones = {name: exposure.zone == 1 + k for k, name in enumerate(ZONES)}
    wing, tub = (np.argwhere(zones[name])[:, 1].mean() for name in ("wing_front", "tub_side"))
    assert (wing < tub) == (direction > 0)  # its front is on the left of the picture when its left side is seen
    heights = [np.argwhere(zones[name])[:, 0].mean() for name in ("roof", "glazing_seal", "sill_rail")]
    assert heights == sorted(heights)
    paint = exposure.surface == SURFACES.index("paint")
    assert (exposure.zone[paint] > 0).mean() > 0.8  # wheels belong to no zone
    assert not exposure.zone[exposure.surface <= SURFACES.index("ground")].any()


def test_the_vehicle_stands_where_a_pinhole_puts_it(variant: str) -> None:
    # textbook: x' = f·x/z, y' = f·y/z about the middle of the picture
    exposure, view = seen_from(1.0, variant), side_view(1.0)
    points = np.concatenate([part.patch.points.reshape(-1, 3) for part in vehicle().parts])
    local = (points - view.origin) @ view.basis().T
    f = 80 / math.tan(math.radians(23))
    columns, rows = 80 + f * local[:, 0] / local[:, 2], 60 + f * local[:, 1] / local[:, 2]
    body = np.argwhere(exposure.surface > SURFACES.index("ground"))
    assert body.min(axis=0) == pytest.approx([rows.min(), columns.min()], abs=2)
    assert body.max(axis=0) == pytest.approx([rows.max(), columns.max()], abs=2)
    door = 6.5 - vehicle().width / 2
    assert exposure.depth_m is not None
    assert exposure.depth_m[58:66, 75:85].mean() == pytest.approx(door, abs=0.06)
    assert exposure.focus_m == pytest.approx(door, abs=0.3)


def test_depth_is_measured_along_the_view_axis(variant: str) -> None:
    # what `Exposure` promises; the ground's depth by the rule of three: height of the camera to fall of the ray
    exposure, view = seen_from(1.0, variant), side_view(1.0)
    assert exposure.depth_m is not None
    f = 80 / math.tan(math.radians(23))
    row, column = np.argwhere(exposure.surface == SURFACES.index("ground")).T
    falls = np.stack([(column + 0.5 - 80) / f, (row + 0.5 - 60) / f, np.ones(len(row))], 1) @ view.basis()[:, 2]
    assert exposure.depth_m[row, column] == pytest.approx(-view.origin[2] / falls, rel=1e-3)
    assert np.isinf(exposure.depth_m[exposure.surface == SURFACES.index("background")]).all()


def test_the_same_seed_gives_the_same_photo(variant: str) -> None:
    first, again = (shot(resprayed(0.3, 5), side_view(1.0), stage(), variant, 4) for _ in range(2))
    assert np.array_equal(first.surface, again.surface)
    assert first.radiance == pytest.approx(again.radiance, rel=1e-3, abs=1e-4)


def test_every_head_is_labelled_a_fastener_whatever_it_is_coated_with(variant: str) -> None:
    painted = resprayed(0.1, 5)
    fastener, paint = SURFACES.index("fastener"), SURFACES.index("paint")
    for panel, finish in (("tub_left", "body"), ("rear_corner_left", "bare")):
        view = close_up(painted, "fasteners", panel, 0.2)
        exposure = shot(painted, view, stage(), variant, 1)
        f = 80 / math.tan(math.radians(25))
        heads = [p for p in painted.vehicle.parts if p.kind == "fastener" and p.panel == panel and p.finish == finish]
        middles = np.array([head.patch.points.reshape(-1, 3).mean(axis=0) for head in heads])
        local = (middles - view.origin) @ view.basis().T
        column, row = (80 + f * local[:, 0] / local[:, 2]).round(), (60 + f * local[:, 1] / local[:, 2]).round()
        in_view = (column > 2) & (column < 157) & (row > 2) & (row < 117)
        assert in_view.sum() >= 2
        at = row[in_view].astype(int), column[in_view].astype(int)
        assert (exposure.surface[at] == fastener).all(), (panel, exposure.surface[at])
        assert (exposure.surface == paint).mean() > 0.5  # and the sheet between them is not
        assert 0.002 < (exposure.surface == fastener).mean() < 0.2


# --- with and without a cue ---------------------------------------------------------------------------------------


def close_up(painted: PaintedVehicle, place: str, panel: str, extent_m: float) -> View:
    """Straight on at a site of a painted panel, filling the picture with `extent_m`."""
    site = next(s for s in painted.vehicle.sites if s.place == place and s.panel == panel)
    origin = site.target + site.normal * extent_m / (2 * math.tan(math.radians(25)))
    return View(origin, site.target, UP, 50.0, 160, 120)


def without(painted: PaintedVehicle, column: str) -> PaintedVehicle:
    """The same vehicle with one of the painter's traces taken away everywhere."""
    values = getattr(painted.table, column).clone()
    values[:, 0] = 0
    return replace(painted, table=replace(painted.table, **{column: values}))


def unfilled(painted: PaintedVehicle) -> PaintedVehicle:
    """Every filled seam as it was built."""
    filled = painted.table.fill[:, 0] > 0
    parts = [
        replace(part, patch=replace(part.patch, points=before.patch.points)) if filled[k] else part
        for k, (before, part) in enumerate(zip(vehicle().parts, painted.vehicle.parts, strict=True))
    ]
    bare = without(painted, "fill")
    return replace(bare, vehicle=replace(bare.vehicle, parts=tuple(parts)))


CASES = {
    "overspray_rubber": ("mist", "glazing_rubber", "door_left", 0.16),
    "overspray_hidden": ("veil", "chassis", "chassis", 0.5),
    "painted_fastener": ("coated", "fasteners", "tub_left", 0.2),
    "filled_seam": ("fill", "body_seam", "tub_left", 0.2),
    "wear_through": ("wear", "sill_rail", "rail_left", 0.5),
}


@pytest.mark.parametrize("cue", CASES)
def test_a_render_differs_only_inside_the_cues_mask(cue: str, variant: str) -> None:
    column, place, panel, extent = CASES[cue]
    for seed in range(40):  # the first painter who left this cue here
        painted = resprayed(0.1, seed)
        view = close_up(painted, place, panel, extent)
        exposure, doubtful, _ = expose(painted, view, stage(), variant=variant, samples=1, seed=3)
        # bolts are small; a little mist under a vehicle is as faint as it often is there
        least = {"painted_fastener": 60, "overspray_hidden": 1500}.get(cue, 300)
        if cue in exposure.cues and exposure.cues[cue].sum() > least:
            break
    else:
        pytest.fail("no painter left it")
    exposure, doubtful, _ = expose(painted, view, stage(), variant=variant, samples=96, seed=3)
    bare = unfilled(painted) if cue == "filled_seam" else without(painted, column)
    clean, *_ = expose(bare, view, stage(), variant=variant, samples=96, seed=3)
    assert cue not in clean.cues
    # as a photo encodes them (sRGB, IEC 61966-2-1), over 3 x 3 pixels against the renderer's noise
    seen = [
        ndimage.uniform_filter(colour.cctf_encoding(np.clip(e.radiance, 0, 1), function="sRGB"), (3, 3, 1))
        for e in (exposure, clean)
    ]
    changed = np.abs(seen[0] - seen[1]).max(-1) > 0.08
    mask = exposure.cues[cue]
    allowed = ndimage.binary_dilation(mask | doubtful.get(cue, np.zeros_like(mask)), iterations=4)
    assert changed[~allowed].mean() < 0.01
    assert changed[mask].mean() > (0.15 if cue == "filled_seam" else 0.5)
    if cue != "filled_seam":  # whose shape stays: the untouched vehicle has the colours of an open seam only
        again = expose(painted, view, stage(), variant=variant, samples=96, seed=3).untouched()
        np.testing.assert_allclose(again.radiance[mask].mean(0), clean.radiance[mask].mean(0), rtol=0.1, atol=0.02)
        assert not again.cues
    assert set(exposure.cues) | set(doubtful) <= {*DETECTED_CUES, OLD_COAT}
    for name, bits in exposure.cues.items():
        assert not (bits & doubtful.get(name, np.zeros_like(bits))).any()
