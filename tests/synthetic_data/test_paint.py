from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import lru_cache
from itertools import combinations
from typing import Any

import numpy as np
import pytest
from scipy import ndimage

colour = pytest.importorskip("colour")
torch = pytest.importorskip("torch")

from synthetic_data.crevices import find_crevices  # noqa: E402  (torch may be missing)
from synthetic_data.geometry import Patch, line, loft, rolled_edges  # noqa: E402
from synthetic_data.paint import (  # noqa: E402
    CUE_BIT,
    D65_WHITE,
    GRAINS,
    MARKS,
    XYZ_TO_SRGB,
    Film,
    Grime,
    Noise,
    Texels,
    _thrown,
    filled_share,
    lab_to_linear_srgb,
    luminance,
    mix,
    shade,
    smoothstep,
)
from synthetic_data.vehicle import Part  # noqa: E402
from tests.synthetic_data.samples import (  # noqa: E402
    BLACK,
    CLEAN,
    FASTENER,
    GREEN,
    HIDDEN,
    OTHER,
    RED,
    RUBBER,
    SEAL,
    SEAM,
    SHEET,
    SHUT,
    WHITE,
    ZINC,
    a_part,
    table_of,
)

pytestmark = pytest.mark.usefixtures("one_thread")
CPU = torch.device("cpu")
WIDTH, HEIGHT, TEXEL = 240.0, 120.0, 2.0  # millimetres
SHAPE = (61, 121)


# --- colour against colour-science ---------------------------------------------------------------------------------


def test_cielab_becomes_linear_srgb_as_colour_science_has_it() -> None:
    # reference: colour-science's RGB_to_XYZ and XYZ_to_Lab, D65; colours are drawn in the gamut, so nothing is clipped
    wanted = np.random.default_rng(1).uniform(0.003, 0.94, (500, 3))
    space = colour.RGB_COLOURSPACES["sRGB"]
    lab = colour.XYZ_to_Lab(colour.RGB_to_XYZ(wanted, space), space.whitepoint)
    assert lab_to_linear_srgb(lab) == pytest.approx(wanted, abs=4e-4)
    assert lab_to_linear_srgb(lab.reshape(50, 10, 3)).shape == (50, 10, 3)


def test_dark_and_light_ends_are_what_paint_can_be() -> None:
    assert lab_to_linear_srgb((0, 0, 0)) == pytest.approx([0.002] * 3)
    assert lab_to_linear_srgb((100, 0, 0)) == pytest.approx([0.95] * 3)
    # L* = 8 is where the cube root takes over from the straight line: 903.3 Y, so Y = 8/903.3 (CIE 15:2018, 8.2.1)
    assert lab_to_linear_srgb((8, 0, 0)) == pytest.approx([8 / 903.296] * 3, rel=1e-3)


def test_constants_are_the_standards() -> None:
    # IEC 61966-2-1:1999 as colour-science derives it from primaries and white; D65 of CIE 15
    space = colour.RGB_COLOURSPACES["sRGB"]
    assert pytest.approx(space.matrix_XYZ_to_RGB, abs=5e-4) == XYZ_TO_SRGB
    assert pytest.approx(colour.xy_to_XYZ(space.whitepoint), abs=5e-4) == D65_WHITE
    rgb = np.random.default_rng(2).uniform(0, 1, (20, 3))
    reference = colour.RGB_luminance(rgb, space.primaries, space.whitepoint)
    assert luminance(torch.tensor(rgb).float()).numpy() == pytest.approx(reference, abs=2e-4)


# --- noise and blending -----------------------------------------------------------------------------------------------


@lru_cache
def noise() -> Noise:
    return Noise(5, CPU)


@pytest.mark.parametrize("octaves", [1, 2, 3, 4])
@pytest.mark.parametrize("channel", [0, 3, 5])
def test_noise_has_the_moments_it_promises(octaves: int, channel: int) -> None:
    # moments of a normal distribution; trilinear weights t and 1 - t leave (2/3)^(3/2) of the lattice's deviation
    # (∫t² + (1 - t)² dt = 2/3 along each axis, textbook), and the module multiplies by 1.55
    places = torch.from_numpy(np.random.default_rng(3).uniform(-3e4, 3e4, (40_000, 3)).astype(np.float32))
    values = noise()(places, 180.0, octaves=octaves, channel=channel).double().numpy()
    assert values.mean() == pytest.approx(0, abs=0.05)
    assert values.std() == pytest.approx(1.55 * (2 / 3) ** 1.5, rel=0.03)
    assert (values**3).mean() == pytest.approx(0, abs=0.1)
    assert (values**4).mean() / (values**2).mean() ** 2 == pytest.approx(3, abs=0.6)


def test_noise_is_smooth_within_a_wavelength_and_forgets_beyond() -> None:
    places = torch.from_numpy(np.random.default_rng(4).uniform(-3e4, 3e4, (20_000, 3)).astype(np.float32))

    def likeness(distance: float) -> float:
        moved = places + torch.tensor([distance, 0.0, 0.0])
        return float(np.corrcoef(noise()(places, 50.0), noise()(moved, 50.0))[0, 1])

    assert likeness(2.5) > 0.98 and abs(likeness(150.0)) < 0.06


def test_noise_comes_from_its_seed_alone() -> None:
    places = torch.rand((2000, 3), generator=torch.Generator().manual_seed(1)) * 1e4
    again, other = Noise(5, CPU), Noise(6, CPU)
    assert torch.equal(noise()(places, 40.0, octaves=3), again(places, 40.0, octaves=3))
    fields = [noise()(places, 40.0, channel=channel).numpy() for channel in range(6)]
    fields.append(other(places, 40.0).numpy())
    for first, second in combinations(fields, 2):
        assert abs(np.corrcoef(first, second)[0, 1]) < 0.12


def test_smoothstep_and_mix() -> None:
    # textbook: 3t² - 2t³
    t = torch.linspace(-0.5, 1.5, 41)
    u = t.clamp(0, 1)
    assert torch.allclose(smoothstep(0.0, 1.0, t), 3 * u**2 - 2 * u**3)
    assert torch.allclose(smoothstep(5.0, 3.0, torch.tensor([6.0, 4.0, 2.0])), torch.tensor([0.0, 0.5, 1.0]))
    black, white = torch.zeros(3, 3), torch.ones(3, 3)
    assert torch.equal(mix(black, white, torch.tensor([0.0, 0.5, 1.0]))[:, 1], torch.tensor([0.0, 0.5, 1.0]))


# --- causes and cues ------------------------------------------------------------------------------------------------


def sheet_of_texels(normal: tuple[float, float, float] = (0, 1, 0), parts: int = 1, step_mm: float = TEXEL) -> Texels:
    """A rectangle of texels, 0.3 m above the ground, once for each part; each texel stands for `step_mm`."""
    rows, columns = SHAPE
    across, along = torch.meshgrid(torch.linspace(0, HEIGHT, rows), torch.linspace(0, WIDTH, columns), indexing="ij")
    along, across = along.reshape(-1).repeat(parts), across.reshape(-1).repeat(parts)
    whole = torch.ones_like(along)
    return Texels(
        position_mm=torch.stack([along, torch.zeros_like(along), 300 + across], 1),
        normal=torch.tensor(normal).float().expand(len(along), 3),
        along_mm=along,
        across_mm=across,
        width_mm=WIDTH * whole,
        height_mm=HEIGHT * whole,
        part=torch.arange(parts).repeat_interleave(rows * columns),
        step_mm=step_mm * whole,
    )


def look(
    *rows: dict[str, Any],
    grime: Grime = CLEAN,
    normal: tuple[float, float, float] = (0, 1, 0),
    step_mm: float = TEXEL,
) -> Film:
    generator = torch.Generator().manual_seed(9)
    return shade(sheet_of_texels(normal, len(rows), step_mm), table_of(*rows), grime, noise(), generator)


def named(bits: Any) -> set[str]:
    return {cue for cue, bit in CUE_BIT.items() if bool((bits & bit).any())}


def marked(bits: Any, cue: str) -> Any:
    return ((bits & CUE_BIT[cue]) > 0).numpy().reshape(SHAPE)


def encoded(film: Film) -> Any:
    """Colours as a photo has them (sRGB, IEC 61966-2-1), from colour-science."""
    return colour.cctf_encoding(film.colour.double().numpy(), function="sRGB").reshape(*SHAPE, 3)


def step(first: Film, second: Film, blur_mm: float = 0.0) -> Any:
    """Difference of the encoded colours, at once or as a photo shows it that has pixels of `blur_mm`."""
    size = max(1, round(blur_mm / TEXEL))
    seen = [ndimage.uniform_filter(encoded(film), (size, size, 1)) for film in (first, second)]
    return np.abs(seen[0] - seen[1]).max(-1)


# cue: part without its cause, what the cause is
CAUSES: dict[str, tuple[str, dict[str, Any], dict[str, Any]]] = {
    "mist": ("overspray_rubber", a_part(SEAL), {"mist": (1.0, 12.0, 0.0, 2.0, 0.4)}),
    "tape line": ("overspray_rubber", a_part(SEAL), {"mist": (1.2, 2.0, 20.0, 6.0, 0.4)}),
    "veil": ("overspray_hidden", a_part(HIDDEN), {"veil": (1.2, 0.0, 1.0, 0.0, 300.0, 400.0), "mist_colour": WHITE}),
    "coated head": ("painted_fastener", a_part(FASTENER), {"coated": (1.0, 0.0)}),
    "turned head": ("painted_fastener", a_part(FASTENER), {"coated": (1.0, 0.7)}),
    "filled": ("filled_seam", a_part(SEAM), {"fill": (1.0, 60.0, 180.0)}),
    "wear": (
        "wear_through",
        a_part(SHEET, under=WHITE, has_under=True),
        {"wear": (1.0, 120.0, 60.0, 60.0, 30.0, 0.6)},
    ),
    "peeling": ("film_defect", a_part(SHEET, under=WHITE, has_under=True), {"peeling": (1.0, 120.0, 60.0, 40.0)}),
    "crazing": ("film_defect", a_part(SHEET), {"crazing": 5.0}),
    "filler": (
        "filler",
        a_part(SHEET, under=WHITE, has_under=True),
        {"filler": (0.3, 120.0, 60.0, 50.0, 40.0, 1.1, 0.0)},
    ),
}
# the same for what only a near look tells: relief, and gum
CLOSE: dict[str, tuple[str, dict[str, Any], dict[str, Any]]] = {
    "runs": ("film_defect", a_part(SHEET), {"sag": (1.0, 120.0, 40.0, 60.0, 0.3)}),
    "old edge": ("film_defect", a_part(SHEET), {"sag": (2.0, 120.0, 60.0, 45.0, 0.12)}),
    "roller": ("coarse_texture", a_part(SHEET), {"texture": (1.0, 0.06, 3.0, 0.0)}),
    "brush": ("coarse_texture", a_part(SHEET), {"texture": (2.0, 0.06, 3.0, 0.0)}),
    "grains": ("coarse_texture", a_part(SHEET), {"texture": (3.0, 0.25, 3.0, 0.0)}),
    "cracked filler": ("filler", a_part(SHEET), {"filler": (0.3, 120.0, 60.0, 50.0, 40.0, 0.0, 1.0)}),
    "blind rivet": ("changed_joint", a_part(FASTENER), {"rejoined": True}),
    "gum": ("tape_residue", a_part(SHEET), {"gum": (1.5, 40.0, 25.0, 120.0, 90.0, 0.0)}),
    "gum under paint": ("tape_residue", a_part(SHEET), {"gum": (1.5, 40.0, 25.0, 120.0, 90.0, 1.0)}),
}


@pytest.mark.parametrize("cause", CAUSES)
def test_a_cue_is_there_where_its_cause_is_switched_on_and_nowhere_else(cause: str) -> None:
    cue, plain, change = CAUSES[cause]
    before, after = look(plain), look(plain | change)
    assert not before.cues.any() and not before.unknown.any()
    assert named(after.cues) == {cue}
    mask = marked(after.cues, cue)
    assert 0.01 < mask.mean() < 1 or cue == "painted_fastener"
    doubt = ndimage.binary_dilation(mask | marked(after.unknown, cue), iterations=2)
    outside = (step(before, after, blur_mm=6) > 0.06) & ~doubt  # 15 of 255
    assert outside.mean() < 0.002
    changed = step(before, after) > 0.06
    if cause == "filled":  # the dirt of the open groove is gone, and the mesh is bent (test_painter.py)
        assert changed[mask].mean() > 0.05
    elif cause != "crazing":  # cracks are thin; their patch is marked
        assert changed[mask].mean() > 0.5


@pytest.mark.parametrize("cause", CLOSE)
def test_what_needs_a_near_look_is_called_near_and_left_open_far(cause: str) -> None:
    cue, plain, change = CLOSE[cause]
    before, near, far = look(plain, step_mm=0.4), look(plain | change, step_mm=0.4), look(plain | change, step_mm=3.0)
    assert not before.cues.any() and named(near.cues) == {cue}
    assert named(far.cues) == set() and cue in named(far.unknown)
    mask = marked(near.cues, cue)
    bent = np.abs((near.relief_mm - before.relief_mm).numpy().reshape(SHAPE)) > 0.015
    if cause != "blind rivet":  # the painter bends the mesh: test_painter.py
        assert bent[mask].mean() > 0.3
    if cause in ("runs", "gum", "gum under paint"):
        assert bent[~ndimage.binary_dilation(mask, iterations=9)].mean() < 0.02


def test_gum_under_paint_is_called_from_farther_where_the_paint_came_off() -> None:
    film = look(a_part(SHEET, gum=(1.5, 40.0, 25.0, 120.0, 90.0, 1.0)), step_mm=1.0)
    called, doubtful = marked(film.cues, "tape_residue"), marked(film.unknown, "tape_residue")
    amber = encoded(film)[..., 0] - encoded(film)[..., 2] > 0.15
    assert called.any() and doubtful.any() and amber[called].mean() > 0.8 and amber[doubtful].mean() < 0.1


def test_runs_run_down_and_end_in_a_bead() -> None:
    # common practice, no source: a run starts where the coat was too wet and hangs from there
    film = look(a_part(SHEET, sag=(1.0, 120.0, 40.0, 60.0, 0.3)), step_mm=0.4)
    relief = film.relief_mm.numpy().reshape(SHAPE)
    assert relief.min() >= 0 and 0.25 < relief.max() < 0.5
    assert relief[22:].sum() > 4 * relief[:18].sum()  # row 20 is where it started, rows go down


def test_a_masking_edge_is_where_two_paints_meet() -> None:
    plain = a_part(SHUT, under=WHITE, has_under=True)
    before, after = look(plain), look(plain | {"masking": (50.0, 0.1, 3.0, -1.0)})
    assert named(before.cues) == set() and named(after.cues) == {"masking_edge"}
    mask = marked(after.cues, "masking_edge")
    old = step(before, after) > 0.1
    assert not old[:20].any() and old[35:].all()  # side -1: the new paint reaches from row 0 to the line
    border = old ^ ndimage.binary_erosion(old, border_value=1)
    assert border.any() and mask[border].mean() > 0.97
    assert mask.any(axis=0).all() and mask.mean() < 0.15  # a band along the whole part, not more
    # the step stands proud by its height, and a little more at the edge of the tape
    relief = after.relief_mm.numpy().reshape(SHAPE)
    assert relief[:17].mean() - relief[40:].mean() == pytest.approx(0.1, abs=0.02)


def test_a_masking_line_leaves_a_tall_panel_beside_it_as_it_is() -> None:
    line = a_part(SHUT, under=WHITE, has_under=True, masking=(50.0, 0.1, 3.0, -1.0))
    tall = replace(sheet_of_texels(parts=2), across_mm=20 * sheet_of_texels(parts=2).across_mm)  # 2.4 m
    for seed in (0.1, 0.5, 0.9):
        rows = table_of(a_part(SHEET, seed=seed), line), table_of(a_part(SHEET, seed=seed), a_part(SHUT))
        films = [shade(tall, table, CLEAN, noise(), torch.Generator().manual_seed(9)) for table in rows]
        beside = slice(0, SHAPE[0] * SHAPE[1])
        assert torch.allclose(films[0].colour[beside], films[1].colour[beside])
        assert torch.isfinite(films[0].colour).all()


def test_a_masking_edge_in_the_old_colour_shows_by_its_step_only() -> None:
    plain = a_part(SHUT, under=GREEN, has_under=True)
    high, low = plain | {"masking": (50.0, 0.12, 1.0, -1.0)}, plain | {"masking": (50.0, 0.02, 1.0, -1.0)}
    near, far, slight = look(high, step_mm=0.5), look(high, step_mm=2.0), look(low, step_mm=0.5)
    assert named(near.cues) == {"masking_edge"}
    for film in (far, slight):  # from afar a thin line, not a step
        assert named(film.cues) == set() and named(film.unknown) == {"masking_edge"}


def test_wear_through_one_coat_is_no_sign() -> None:
    worn = look(a_part(SHEET, wear=(1.2, 120.0, 60.0, 60.0, 30.0, 0.6)), step_mm=1.0)
    assert (step(look(a_part(SHEET)), worn) > 0.2).mean() > 0.02  # primer and metal show
    assert not worn.cues.any() and not worn.unknown.any()
    afar = look(a_part(SHEET, wear=(1.2, 120.0, 60.0, 60.0, 30.0, 0.6)), step_mm=3.0)
    assert not afar.cues.any() and named(afar.unknown) == {"wear_through"}  # nobody can count the coats from there


def test_an_older_coat_under_a_flake_may_be_taken_for_wear() -> None:
    flaked = {"peeling": (1.0, 120.0, 60.0, 40.0)}
    bared = look(a_part(SHEET, under=WHITE, has_under=True, **flaked))
    assert named(bared.cues) == {"film_defect"} and named(bared.unknown) == {"wear_through"}
    for one in (a_part(SHEET, **flaked), a_part(SHEET, under=GREEN, has_under=True, **flaked)):
        assert not look(one).unknown.any()


def test_wear_shows_its_rings_in_order() -> None:
    # common practice, no source: top colour, older colour, primer, metal, from the rim to the middle
    film = look(a_part(SHEET, under=RED, has_under=True, wear=(1.2, 120.0, 60.0, 60.0, 60.0, 0.0)))
    row = film.colour.numpy().reshape(*SHAPE, 3)[30, 60:]
    coats = np.array([GREEN, RED, (0.23,) * 3, (0.62,) * 3])
    nearest = np.argmin(np.linalg.norm(row[:, None] - coats, axis=2), axis=1)
    order = [int(coat) for k, coat in enumerate(nearest) if k == 0 or coat != nearest[k - 1]]
    assert order == [3, 2, 1, 0]
    metallic = film.metallic.numpy().reshape(SHAPE)
    assert metallic[30, 60] > 0.5 and not metallic[0].any()


def test_wear_on_the_old_side_of_a_masking_line_is_wear_of_one_coat() -> None:
    part = a_part(SHUT, under=WHITE, has_under=True, masking=(60.0, 0.1, 0.5, -1.0))
    film = look(part | {"wear": (1.0, 120.0, 60.0, 60.0, 40.0, 0.2)})
    mask = marked(film.cues, "wear_through")
    assert mask[:27].any() and not mask[34:].any()


def test_wear_to_a_coat_of_the_same_colour_cannot_be_called() -> None:
    film = look(a_part(SHEET, under=GREEN, has_under=True, wear=(1.0, 120.0, 60.0, 60.0, 30.0, 0.6)))
    assert named(film.cues) == set() and named(film.unknown) == {"wear_through"}


@pytest.mark.parametrize(
    ("cue", "part"),
    [
        ("overspray_rubber", a_part(SEAL, mist=(1.0, 12.0, 0.0, 2.0, 0.4), mist_colour=RUBBER)),
        ("overspray_hidden", a_part(HIDDEN, veil=(1.2, 0.0, 1.0, 0.0, 300.0, 400.0), mist_colour=BLACK)),
        ("painted_fastener", a_part(FASTENER, coated=(1.0, 0.0), mist_colour=ZINC)),
        ("painted_fastener", a_part(FASTENER, coated=(0.4, 0.0))),  # hardly coated
    ],
)
def test_what_is_too_faint_is_unknown_not_absent(cue: str, part: dict[str, Any]) -> None:
    film = look(part)
    assert named(film.cues) == set() and named(film.unknown) == {cue}


INNOCENT = {
    "chips": a_part(SHEET, chips=1.0),
    "fading": a_part(SHEET, fade=1.0),
    "orange peel": a_part(SHEET, peel=0.01),
    "use": a_part(SHEET, used=(1.0, 1.0, 1.0)),
    "chalked rubber": a_part(SEAL, chalk=1.0),
    "rusty bracket": a_part(HIDDEN, rust=0.9),
    "rusty bolt": a_part(FASTENER, rust=0.9),
    "packed seam": a_part(SEAM, packed=1.0),
    "factory bead": a_part(SEAM, sealer=1.0),
    "wheel": a_part(OTHER, is_painted=True, chips=1.0),
    "grained plastic": a_part(OTHER, texture=(3.0, 0.1, 1.5, 0.0)),
    **{
        name: a_part(SHEET, mark=(float(MARKS.index(name)), 120.0, 60.0, 50.0, 30.0, 3.0), mark_tone=WHITE)
        for name in MARKS[1:]
    },
}


@pytest.mark.parametrize("name", INNOCENT)
def test_what_age_and_factory_leave_is_no_cue(name: str) -> None:
    part = INNOCENT[name]
    near = 0.4 if name in ("orange peel", "use") else TEXEL  # finer than its waves and lines
    film, plain = look(part, step_mm=near), look(a_part(part["kind"], is_painted=part["is_painted"]))
    assert not film.cues.any() and not film.unknown.any()
    changed = step(plain, film).max() > 0.03 or (film.relief_mm - plain.relief_mm).abs().max() > 0.004
    assert changed  # it can be seen: a hard negative, not nothing


@pytest.mark.parametrize("cause", CAUSES)
def test_what_dirt_covers_is_unknown(cause: str) -> None:
    cue, plain, change = CAUSES[cause]
    dusty = replace(CLEAN, dust=1.0)
    upward = look(plain | change, normal=(0, 0, 1))
    covered = look(plain | change, grime=dusty, normal=(0, 0, 1))
    seen = marked(upward.cues, cue)
    hidden = seen & ~marked(covered.cues, cue)
    assert hidden.mean() > 0.3 * seen.mean()
    assert marked(covered.unknown, cue)[hidden].all()
    assert not marked(covered.cues, cue)[~seen].any()


def test_dirt_alone_is_no_cue() -> None:
    filthy = Grime(1.0, 1.0, 900.0, 0.3, CLEAN.dust_colour, CLEAN.mud_colour)
    for kind in (SHEET, SHUT, SEAL, FASTENER, SEAM, HIDDEN):
        film = look(a_part(kind), grime=filthy)
        assert not film.cues.any() and not film.unknown.any()
        assert (step(look(a_part(kind)), film) > 0.05).mean() > 0.2


@pytest.mark.parametrize(("dirt", "kind"), [("polish", SEAL), ("polish", SEAM), ("cavity_wax", HIDDEN), ("salt", SEAL)])
def test_what_is_smeared_on_is_no_cue_and_can_be_seen(dirt: str, kind: int) -> None:
    film = look(a_part(kind), grime=replace(CLEAN, **{dirt: 1.0}))
    assert not film.cues.any() and not film.unknown.any()
    assert (step(look(a_part(kind)), film) > 0.05).mean() > 0.01


def test_dirt_in_a_corner_is_dark_there_thins_out_and_is_no_cue() -> None:
    # common practice, no source: dense in the corner, gone within some millimetres; not on the rubber that mist lies on
    texels, dirty = sheet_of_texels(step_mm=0.5), replace(CLEAN, gaps=1.0)
    corner = find_crevices([Part("seal", _strip(60.0), "rubber", None, None, "rubber", "seal")])
    films = {}
    for kind in (SHEET, SHUT, FASTENER, SEAL, HIDDEN):
        films[kind] = [
            shade(texels, table_of(a_part(kind)), grime, noise(), torch.Generator().manual_seed(9), corner)
            for grime in (CLEAN, dirty)
        ]
        assert not films[kind][1].cues.any() and not films[kind][1].unknown.any()
    for kind in (SHEET, SHUT, FASTENER):
        clean, soiled = (luminance(film.colour).numpy().reshape(SHAPE).mean(axis=1) for film in films[kind])
        lost = 1 - soiled / clean
        assert lost[30] > 0.4 and lost[30] > 1.5 * lost[31] > 2 * lost[32] and abs(lost[[20, 40]]).max() < 1e-6
    for kind in (SEAL, HIDDEN):
        assert torch.equal(films[kind][0].colour, films[kind][1].colour)


def test_a_cue_under_dirt_in_a_corner_is_unknown() -> None:
    corner = find_crevices([Part("seal", _strip(60.0), "rubber", None, None, "rubber", "seal")])
    texels, table = sheet_of_texels(step_mm=0.5), table_of(a_part(FASTENER, coated=(1.0, 0.0)))
    film = shade(texels, table, replace(CLEAN, gaps=1.0), noise(), torch.Generator().manual_seed(9), corner)
    called, open_ = marked(film.cues, "painted_fastener"), marked(film.unknown, "painted_fastener")
    assert (called ^ open_).all() and open_[30].mean() > 0.2 and not open_[34:].any() and not open_[:26].any()


def _strip(across_mm: float) -> Patch:
    """A thin strip whose edges lie in the sheet of texels, all along it."""
    start, end = np.array([0, 0, 300 + across_mm]) / 1000, np.array([WIDTH, 0, 300 + across_mm]) / 1000
    return loft(line(start, end, 40), line(start, end, 40) + np.array([0, 1e-5, 0]), 3)


def _bent_at(across_mm: float) -> Patch:
    """A sheet that goes on beyond the texels on three sides and is folded where `across_mm` is."""
    along = line(
        np.array([-0.1, 0, 0.3 + across_mm / 1000]), np.array([0.1 + WIDTH / 1000, 0, 0.3 + across_mm / 1000]), 40
    )
    return rolled_edges(loft(along, along + np.array([0, 0, 0.25]), 20), 0.001, 0.01)


def test_mist_under_fresh_underseal_or_wax_cannot_be_judged() -> None:
    misted = a_part(HIDDEN, veil=(1.2, 0.0, 1.0, 0.0, 300.0, 400.0), mist_colour=WHITE)
    covered = look(misted | {"sealed_over": True})
    assert not covered.cues.any() and "overspray_hidden" in named(covered.unknown)
    plain, waxed = look(misted), look(misted, grime=replace(CLEAN, cavity_wax=1.0))
    lost = marked(plain.cues, "overspray_hidden") & ~marked(waxed.cues, "overspray_hidden")
    assert lost.mean() > 0.05 and marked(waxed.unknown, "overspray_hidden")[lost].all()


def test_mist_comes_from_where_the_gun_was() -> None:
    veil = {"veil": (1.2, 0.0, 1.0, 0.0, 300.0, 400.0), "mist_colour": WHITE}
    toward, away = (look(a_part(HIDDEN, **veil), normal=normal) for normal in ((0, 1, 0), (0, -1, 0)))
    assert named(toward.cues) == {"overspray_hidden"} and not away.cues.any()
    assert torch.equal(away.colour, look(a_part(HIDDEN), normal=(0, -1, 0)).colour)


def test_a_pipe_leaves_its_shadow_in_the_mist_behind_it() -> None:
    # common practice, no source: shadows of pipes and brackets printed on what is behind
    part = a_part(HIDDEN, veil=(1.2, 0.0, 1.0, 0.0, 300.0, 400.0), mist_colour=WHITE)
    texels, table = sheet_of_texels(), table_of(part)
    lee = (texels.along_mm > 100) & (texels.along_mm < 130)
    open_, shaded = (
        shade(one, table, CLEAN, noise(), torch.Generator().manual_seed(9))
        for one in (texels, replace(texels, lee=lee))
    )
    assert torch.equal(open_.colour[~lee], shaded.colour[~lee])
    assert shaded.colour[lee].mean() < 0.5 * open_.colour[lee].mean()
    assert (open_.cues[lee] != 0).float().mean() > 3 * (shaded.cues[lee] != 0).float().mean()


def test_a_seam_is_filled_between_its_ends_unevenly_and_at_least_as_much_as_said() -> None:
    along, seed = torch.linspace(0, 300, 601), torch.tensor(0.3)
    share = filled_share(along, torch.tensor([0.7, 60.0, 240.0]).expand(601, 3), seed)
    inside, beyond = (along > 70) & (along < 230), (along < 50) | (along > 250)
    assert share[inside].min() >= 0.7 and share.max() <= 1 and share[inside].std() > 0.01
    assert not share[beyond].any() and not filled_share(along, torch.zeros(601, 3), seed).any()


def test_mist_thins_out_from_the_paint_edge() -> None:
    # common practice, no source: dense at the edge, thinning into specks over the fringe
    after = step(look(a_part(SEAL)), look(a_part(SEAL, mist=(1.2, 12.0, 0.0, 0.0, 0.2)))).mean(axis=1)
    assert after[:2].mean() > 1.3 * after[6:10].mean() > 3 * after[25:].mean()


def test_droplets_show_one_by_one_in_fine_texels_and_as_a_veil_in_coarse_ones() -> None:
    # common practice, no source: specks of 20 to 200 µm; what a texel averages over is as light as the specks in it
    part = a_part(SEAL, mist=(1.0, 12.0, 0.0, 0.0, 0.2))
    fine, coarse = (look(part, step_mm=step).colour[:, 1].numpy().reshape(SHAPE)[6:16] for step in (0.1, 3.0))
    assert fine.mean() == pytest.approx(coarse.mean(), rel=0.1)
    assert fine.std(axis=1).mean() > 2 * coarse.std(axis=1).mean()


def every_part() -> Iterator[dict[str, Any]]:
    for _, plain, change in (*CAUSES.values(), *CLOSE.values()):
        yield plain | change
    yield from INNOCENT.values()


def test_a_film_stays_within_what_a_surface_can_be() -> None:
    film = look(*every_part(), grime=Grime(0.5, 0.8, 700.0, 0.2, CLEAN.dust_colour, CLEAN.mud_colour))
    assert film.colour.min() >= 0.0015 and film.colour.max() <= 0.97
    for share in (film.roughness, film.metallic):
        assert share.min() >= 0 and share.max() <= 1
    for values in (film.colour, film.roughness, film.metallic, film.relief_mm):
        assert torch.isfinite(values).all()
    assert not (film.cues & film.unknown).any()  # called or unknown, never both
    assert named(film.cues) >= {cue for cue, _, _ in CAUSES.values()}


def test_the_same_seeds_give_the_same_film_and_parts_do_not_mix() -> None:
    parts = list(every_part())
    first, again, alone = look(*parts), look(*parts), look(parts[6])
    assert torch.equal(first.colour, again.colour) and torch.equal(first.cues, again.cues)
    texels = SHAPE[0] * SHAPE[1]
    assert torch.equal(first.cues[6 * texels : 7 * texels], alone.cues)  # a sheet's look needs no grain
    assert torch.allclose(first.colour[6 * texels : 7 * texels], alone.colour)


@pytest.mark.parametrize("grain", GRAINS[1:])
def test_a_material_has_a_response_of_its_own_and_no_cue(grain: str) -> None:
    plain = a_part(OTHER, colour=(0.05, 0.05, 0.05), metallic=0.5)
    film, smooth = look(plain | {"grain": (float(GRAINS.index(grain)), 0.2, 0.0)}), look(plain)
    assert not film.cues.any() and not film.unknown.any()
    for values, before in ((film.roughness, smooth.roughness), (film.colour, smooth.colour)):
        assert torch.isfinite(values).all() and values.std() > before.std()
    assert film.roughness.min() >= 0.05 and film.roughness.max() <= 1
    assert torch.allclose(film.sheen, 0.2 * (1 - film.metallic))


@pytest.mark.parametrize("grain", ["plastic", "vinyl", "cloth", "mat", "tyre_wall", "tread", "cast"])
def test_grain_too_fine_for_the_texels_leaves_no_relief(grain: str) -> None:
    # sampled below twice its frequency a wave turns into a coarser one (Shannon 1949)
    part = a_part(OTHER, grain=(float(GRAINS.index(grain)), 0.0, 0.0))
    near, far = (look(part, step_mm=step).relief_mm.reshape(SHAPE) for step in (0.4, 40.0))
    for axis in (0, 1) if grain not in ("mat", "tyre_wall") else (0,):  # ribs and rings run along
        assert far.diff(dim=axis).std() < 0.7 * near.diff(dim=axis).std()


def test_dirt_lies_less_where_hands_and_roads_rub() -> None:
    dusty = Grime(0.6, 0.0, 500.0, 0.0, (0.34, 0.29, 0.22), (0.16, 0.11, 0.07))
    seat = a_part(OTHER, colour=(0.02, 0.02, 0.02), grain=(float(GRAINS.index("vinyl")), 0.0, 0.75))
    shelf = seat | {"grain": (0.0, 0.0, 0.0)}
    sat_on, left = (look(part, grime=dusty, normal=(0, 0, 1)).colour.mean() for part in (seat, shelf))
    assert sat_on < 0.6 * left


# --- outlines -------------------------------------------------------------------------------------------------------


def test_wear_goes_along_the_part() -> None:
    # common practice, no source: boots and hands rub along a sill, so what they leave is longer than it is high
    film = look(a_part(SHEET, wear=(0.9, 120.0, 60.0, 60.0, 40.0, 1.5)), step_mm=0.5)
    worn = (step(look(a_part(SHEET)), film) > 0.1).astype(float)
    breaks = [np.abs(np.diff(worn, axis=axis)).sum() for axis in (0, 1)]
    assert worn.mean() > 0.05 and breaks[0] > 1.25 * breaks[1]  # more outline is crossed going up than going along


def test_use_is_subtle_and_seen_from_near_only() -> None:
    used = a_part(SHEET, used=(1.0, 1.0, 1.0))
    near, far = (
        step(look(a_part(SHEET), step_mm=size), look(used, step_mm=size)) for size in (0.4, 6.0)
    )  # texels of the second size are wider than what use leaves
    assert 0.004 < near.mean() < 0.03 and np.quantile(near, 0.5) < 0.02 < near.max()
    assert far.max() == 0


def test_an_edge_wears_before_the_sheet_beside_it() -> None:
    worn = a_part(SHEET, wear=(0.40, 120.0, 60.0, 80.0, 40.0, 0.0))  # too little to go through a flat sheet
    edge = find_crevices([Part("bent", _bent_at(60.0), "paint", None, None, "body", "sheet")])
    films = [
        shade(sheet_of_texels(step_mm=0.5), table_of(worn), CLEAN, noise(), torch.Generator().manual_seed(9), near)
        for near in (None, edge)
    ]
    rubbed = step(films[0], films[1]) > 0.05
    assert rubbed[28:33].any() and not rubbed[:22].any() and not rubbed[39:].any()  # row 30 lies on the edge


def test_stones_chip_fronts_and_what_is_behind_a_wheel() -> None:
    # common practice, no source; the sheet lies at x of 0 to 0.24 m, 0.3 m up
    def chipped(wheel_x: float) -> int:
        part = a_part(SHEET, chips=1.0, wheels=(wheel_x, -3000.0))
        struck = (look(part).relief_mm < -0.02).numpy().reshape(SHAPE)
        assert struck.mean() < 0.05
        return int(ndimage.label(struck)[1])

    assert chipped(550.0) > 2 * chipped(3000.0) > 0  # behind a wheel, and far from any

    def struck(x: float, z: float, normal: tuple[float, float, float]) -> float:
        where = torch.tensor([[x, 800.0, z]])
        return float(_thrown(where, torch.tensor([normal]), torch.tensor([[1100.0, -1100.0]])))

    ahead, aside, up, back = (1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0), (-1.0, 0.0, 0.0)
    assert struck(1600, 700, ahead) > struck(1600, 1300, ahead) > 3 * struck(-1800, 700, back)
    assert struck(600, 500, aside) > 3 * struck(600, 1000, aside) and struck(600, 500, aside) > 2 * struck(
        -700, 500, aside
    )
    assert struck(1600, 1000, up) > 5 * struck(900, 1000, up) and struck(0, 1800, up) < 0.05  # bonnet, roof


def test_drops_of_mud_are_many_small_and_few_large_and_end_where_splashes_do() -> None:
    muddy = replace(CLEAN, mud=0.5, mud_height_mm=250.0)
    drops = step(look(a_part(SHEET)), look(a_part(SHEET), grime=muddy)) > 0.1
    labels, count = ndimage.label(drops)
    sizes = np.sort(ndimage.sum(drops, labels, range(1, count + 1)))
    assert count > 20 and np.median(sizes) * 3 < sizes[-1]
    clear = look(a_part(SHEET), grime=replace(muddy, mud_height_mm=20.0))  # the sheet begins 300 mm up
    assert step(look(a_part(SHEET)), clear).max() < 0.02


def test_rust_begins_at_an_edge_lifts_the_paint_and_is_no_cue() -> None:
    # common practice, no source: a sheet rusts from its edges inwards, and scabs are few
    edge = find_crevices([Part("seal", _strip(60.0), "rubber", None, None, "rubber", "seal")])
    steel = a_part(SHEET, rust=1.0, chips=1.0)
    films = [
        shade(sheet_of_texels(step_mm=0.5), table_of(part), CLEAN, noise(), torch.Generator().manual_seed(9), edge)
        for part in (steel, steel | {"rust": 0.0})
    ]
    brown = step(films[1], films[0]) > 0.1
    near = slice(27, 34)  # row 30 lies on the edge
    assert brown[near].mean() > 0.15 and brown[near].mean() > 5 * brown[:22].mean()
    assert (films[0].relief_mm - films[1].relief_mm).max() > 0.1
    assert not films[0].cues.any() and not films[0].unknown.any()


def test_rust_of_a_worn_place_runs_down_an_upright_sheet_only() -> None:
    worn = a_part(SHEET, rust=0.9, wear=(1.1, 120.0, 30.0, 60.0, 25.0, 0.2))
    for normal, stained in (((0.0, 1.0, 0.0), True), ((0.0, 0.0, 1.0), False)):
        steel, clean = look(worn, normal=normal), look(worn | {"rust": 0.0}, normal=normal)
        changed = step(clean, steel) > 0.03
        assert changed[36:].any() == stained  # the bare metal ends at row 24


def test_a_spot_from_a_can_thins_out_and_one_within_tape_ends_in_a_line() -> None:
    def rim(seed: float) -> float:
        spot = a_part(SHEET, mark=(float(MARKS.index("primer_spot")), 120.0, 60.0, 50.0, 40.0, 3.0), seed=seed)
        covered = step(look(a_part(SHEET, seed=seed), step_mm=3.0), look(spot, step_mm=3.0))
        covered /= covered.max()
        return float(((covered > 0.1) & (covered < 0.9)).sum() / (covered >= 0.9).sum())

    taped, sprayed = rim(0.01), rim(0.02)  # 29 seeds modulo 1: 0.29 and 0.58
    assert 2.5 * taped < sprayed  # a texel of 2 mm blurs the line, too
