"""What a painted surface looks like, texel by texel: coats, wear, mist, masking lines, dirt.

`shade` is one pure function from where the texels lie and what the painter did to colour, roughness, metal, relief and
cue masks. It runs on torch tensors so that the same code serves a GPU and a laptop. Lengths are millimetres, colours
linear sRGB.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import torch
from torch import Tensor

from pipeline.records import DETECTED_CUES
from synthetic_data.crevices import AT_EDGE, REACH_MM, Crevices
from synthetic_data.stickers import HEIGHT, sheet
from synthetic_data.wheels import LETTER_BAND, PITCHES, RIB_BAND, moulded

CUE_BIT = {cue: 1 << k for k, cue in enumerate(DETECTED_CUES)}
OLD_COAT_BIT = 1 << len(DETECTED_CUES)  # of a masking edge, the side that the tape kept free
# XYZ (D65, Y = 1) to linear sRGB, IEC 61966-2-1:1999, equation 7
XYZ_TO_SRGB = np.array(
    [[3.2406255, -1.537208, -0.4986286], [-0.9689307, 1.8757561, 0.0415175], [0.0557101, -0.2040211, 1.0569959]]
)
D65_WHITE = np.array([0.95047, 1.0, 1.08883])  # CIE 15, 2° observer, rounded to five places
LATTICE = 64
TAPE_PIECE_MM = 170.0
BRUSH_MM = (260.0, 42.0)  # length and width of a stroke (common practice, no source)
MIST_FROM_MM, MIST_MOST = 700.0, 0.86  # the vehicle's flank, where mist enters; most of a surface it covers
LIP_FOOT_MM = 4.5  # the foot of a rubber's lip, which lies in the shadow of the lip itself
FILL_RAMP_MM = 12.0  # a filled stretch of a seam ends over this length
# linear sRGB (common practice, no source): rust that is old and dense, fresh and loose, and washed over paint
RUST_CORE, RUST_FRESH, RUST_STAIN = (0.050, 0.022, 0.012), (0.19, 0.072, 0.022), (0.30, 0.13, 0.045)
PEEL_MM = (2.6, 4.2)  # waves of the orange peel, within the 1 to 10 mm seen up close (common practice, no source)
# texels coarser than these leave a doubt (common practice, no source; chosen by eye on renders)
RINGS_MM = 1.5  # how many coats a worn place shows
STEP_MM = 0.8  # whether a line in one colour is a step in the paint
HOLE_MM = 0.8  # whether a rivet's head has a hole
CREPE_MM = 0.6  # the crepe of a tape under paint
GUM_MM = 1.6  # what a tape left
RUN_MM = 1.2  # runs, and the edge of an old flake under a newer coat: both are relief only
FILLER_MM, CRACK_MM = 2.5, 1.3  # a patch of filler, a crack in it
SCAB_MM = 64.0  # at most one scab of rust in a square of this side
EDGE_MM = 2.5  # so far from a folded edge it is rubbed more than the sheet is
USE_MM, USE_TEXELS = 300.0, 1024  # side of the tile of what use leaves, and how many texels it has
USE_FADES_MM = (0.5, 1.3)  # texels between these see it less and less
USE_COARSE, USE_COARSE_SHARE = 3.3, (0.3, 0.0, 0.8)  # the same, so many times larger: long scratches, wide smears
DRIED, SPECK = (0.46, 0.44, 0.40), (0.035, 0.028, 0.020)  # lime of dried drops; tar and flies
RUN_MARKS = 0.12  # cover of what rain leaves where it always runs down (common practice, no source)
MARKS = ("none", "decal_ghost", "old_glue", "sticker", "primer_spot", "dent", "scuff")  # innocent marks on a panel


def lab_to_linear_srgb(lab: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """CIELAB (D65, 2°; last axis L*, a*, b*) to linear sRGB clipped to 0.002 to 0.95 (CIE 15:2018, 8.2.1, inverted)."""
    values = np.asarray(lab, float)
    fy = (values[..., 0] + 16) / 116
    f = np.stack([fy + values[..., 1] / 500, fy, fy - values[..., 2] / 200], -1)
    delta = 6 / 29
    xyz = np.where(f > delta, f**3, 3 * delta**2 * (f - 4 / 29)) * D65_WHITE
    return np.asarray(np.clip(xyz @ XYZ_TO_SRGB.T, 0.002, 0.95))


@dataclass(frozen=True, slots=True)
class Texels:
    """Where texels lie: position (N, 3) mm, unit normal (N, 3), unrolled coordinates (N,) mm, their part (N,).

    `width_mm` and `height_mm` are those of the whole part; `step_mm` is the texel's own size. `lee` (N,) bool is where
    something near stands between a texel and the gun that the mist came from; None where that is not known. `grain` is
    white noise (N,), 0 to 1; None has it drawn.
    """

    position_mm: Tensor
    normal: Tensor
    along_mm: Tensor
    across_mm: Tensor
    width_mm: Tensor
    height_mm: Tensor
    part: Tensor
    step_mm: Tensor
    lee: Tensor | None = None
    grain: Tensor | None = None

    def at(self, rows: Tensor) -> Texels:
        """Only the texels with these numbers."""
        values: dict[str, Any] = {name: getattr(self, name) for name in self.__slots__}
        some: dict[str, Any] = {name: None if value is None else value[rows] for name, value in values.items()}
        return Texels(**some)


@dataclass(frozen=True, slots=True)
class PartTable:
    """One row a part, everything the shader asks of it (see `painter.paint_vehicle`).

    Colours (P, 3) linear sRGB, lengths mm. kind: 0 other, 1 sheet, 2 shut, 3 seal, 4 fastener, 5 seam, 6 hidden.
    """

    kind: Tensor
    colour: Tensor  # top coat, or the material's own colour
    under: Tensor  # the coat below it (the old colour of a refinished panel, else the colour itself)
    primer: Tensor
    metal: Tensor  # colour of the bare substrate
    has_under: Tensor  # bool
    is_painted: Tensor  # bool: carries a paint film
    roughness: Tensor
    metallic: Tensor
    peel: Tensor  # slope of the orange peel
    fade: Tensor  # 0 to 1
    chips: Tensor  # 0 to 1
    used: Tensor  # (P, 3): hairline scratches, spots of dried water and dirt, smears in the gloss, about 1
    wheels: Tensor  # (P, 2): x of the vehicle's front and rear axle, mm
    wear: Tensor  # (P, 6): strength, centre along, centre across, radius along, radius across, raggedness
    masking: (
        Tensor  # (P, 4): distance of the line from row 0 (negative: none), step, raggedness mm, new side (+1 below)
    )
    mist: Tensor  # (P, 5): strength, fringe mm, tape line mm (0: none), bleed mm, patchiness
    veil: Tensor  # (P, 6): strength, gun direction xyz, height where it starts mm, fall-off mm
    mist_colour: Tensor
    coated: Tensor  # (P, 2): share of a fastener's head coated, how much of its edges is turned bright
    fill: Tensor  # (P, 3): how full a seam is at least, 0 to 1, from and to which place along it
    gap: Tensor  # half the width of a seam's joint, mm
    crack: Tensor  # a crack along a filled seam, 0 to 1
    packed: Tensor  # seam packed with mud or polish, 0 to 1
    sealer: Tensor  # factory bead, 0 to 1
    rust: Tensor
    chalk: Tensor
    peeling: Tensor  # (P, 4): strength, centre along, centre across, radius
    crazing: Tensor  # cell size mm, 0: none
    sag: Tensor  # (P, 5): kind (0 none, 1 runs, 2 edge of an older flake), centre along, across, radius, height mm
    # (P, 4): kind (0 none, 1 roller, 2 brush, 3 grains, 4 flutes, 5 rings), height mm, wavelength mm, direction
    texture: Tensor
    gum: Tensor  # (P, 6): how much is left (0 none), edge, width, centre along, half length mm, painted over
    gum_tone: Tensor
    filler: Tensor  # (P, 7): waves mm, centre along, across, radius along, across mm, rubbed through, crack
    filler_tone: Tensor  # of a panel's filler, or of what the factory or a painter put into a seam
    mark: Tensor  # (P, 6): one of MARKS, centre along, centre across, half along, half across, depth mm
    mark_tone: Tensor
    sticker: Tensor  # (P, 3): its number on the sheet, +1 where rows run down and -1 where up, how far it has come off
    rejoined: Tensor  # bool: a blind rivet where the factory had a weld or a solid rivet
    sealed_over: Tensor  # bool: fresh underseal or chassis black, under which nothing can be judged
    grain: Tensor  # (P, 3): one of GRAINS, sheen at grazing view, how free of dust hands and clothes keep it, 0 to 1
    seed: Tensor

    def to(self, device: torch.device) -> PartTable:
        return PartTable(**{name: getattr(self, name).to(device) for name in self.__slots__})


@dataclass(frozen=True, slots=True)
class Grime:
    """What lies on the whole vehicle: shares 0 to 1, `mud_height_mm` is how far up splashes reach."""

    dust: float
    mud: float
    mud_height_mm: float
    salt: float
    dust_colour: tuple[float, float, float]
    mud_colour: tuple[float, float, float]
    moss: float = 0.0
    snow: float = 0.0
    drops: float = 0.0
    polish: float = 0.0  # white residue in corners
    cavity_wax: float = 0.0  # amber film and runs underneath and in the shuts
    gaps: float = 0.0  # what a wash leaves along edges, rubbers, trims and heads


@dataclass(frozen=True, slots=True)
class Film:
    """The surface as seen: colour (N, 3) linear, roughness, metallic, sheen, relief mm, cue and unknown bits (N,).

    `sheen` is what fibres and chalk of unpainted materials scatter at grazing view; bits are int32.
    """

    colour: Tensor
    roughness: Tensor
    metallic: Tensor
    sheen: Tensor
    relief_mm: Tensor
    cues: Tensor
    unknown: Tensor

    def put(self, rows: Tensor, other: Film) -> Film:
        """This film with another's texels at these numbers."""
        return Film(*(getattr(self, name).index_copy(0, rows, getattr(other, name)) for name in self.__slots__))


class Noise:
    """Smooth random fields of position, many at a time, from one seed; values about normal with deviation 0.84."""

    def __init__(self, seed: int, device: torch.device, channels: int = 6) -> None:
        generator = np.random.default_rng(seed)
        lattice = generator.normal(size=(channels, LATTICE, LATTICE, LATTICE)).astype(np.float32)
        wrapped = np.pad(lattice, ((0, 0), (0, 1), (0, 1), (0, 1)), mode="wrap")
        self.lattice = torch.from_numpy(wrapped)[None].to(device)
        turns = [np.linalg.qr(generator.normal(size=(3, 3)))[0] for _ in range(8)]
        self.turns = [torch.tensor(t, dtype=torch.float32, device=device) for t in turns]
        self.shifts = torch.tensor(generator.uniform(0, LATTICE, (8, 3)), dtype=torch.float32, device=device)
        self.calls = 0

    def __call__(
        self,
        position_mm: Tensor,
        wavelength_mm: float,
        *,
        octaves: int = 1,
        channel: int = 0,
        gain: float = 0.5,
        rounded: bool = False,
    ) -> Tensor:
        """(N,) values of one field at (N, 3) positions; `wavelength_mm` of the coarsest octave.

        `rounded` for relief that mirrors: straight interpolation has creases, which a glossy coat shows as a grid.
        """
        total = torch.zeros(len(position_mm), device=position_mm.device)
        weight, norm = 1.0, 0.0
        for octave in range(octaves):
            which = (octave + 3 * channel) % 8
            at = (position_mm @ self.turns[which].T) / (wavelength_mm / 2**octave) + self.shifts[which]
            if rounded:
                at = torch.floor(at) + smoothstep(0.0, 1.0, at - torch.floor(at))
            grid = ((at % LATTICE) / LATTICE) * 2 - 1
            field = torch.nn.functional.grid_sample(
                self.lattice[:, channel : channel + 1], grid[None, None, None], align_corners=True
            )
            total += weight * field.reshape(-1)
            norm += weight**2
            weight *= gain
        scaled: Tensor = total * (1.55 / norm**0.5)
        return scaled


@lru_cache(maxsize=2)
def noise_of(seed: int, device: torch.device) -> Noise:
    """The fields of one vehicle, kept from photo to photo."""
    return Noise(seed, device)


def smoothstep(low: float | Tensor, high: float | Tensor, value: Tensor) -> Tensor:
    """0 below `low`, 1 above `high`, smooth between."""
    t = ((value - low) / (high - low)).clamp(0, 1)
    return t * t * (3 - 2 * t)


def mix(first: Tensor, second: Tensor, share: Tensor) -> Tensor:
    """`first` where share is 0, `second` where it is 1; share (N,), colours (N, 3) or values (N,)."""
    return first + (second - first) * (share[:, None] if first.ndim == 2 else share)


def luminance(colour: Tensor) -> Tensor:
    """Relative luminance of linear sRGB, IEC 61966-2-1."""
    return colour @ torch.tensor([0.2126, 0.7152, 0.0722], device=colour.device)


def _visible(first: Tensor, second: Tensor, least: float = 0.07) -> Tensor:
    """Whether two colours side by side can be told apart in a photo: a rough lightness and chroma distance."""
    a, b = first.clamp(0, 1) ** (1 / 2.4), second.clamp(0, 1) ** (1 / 2.4)
    return (a - b).abs().amax(-1) > least


def _specked(density: Tensor, grain: Tensor, step_mm: Tensor) -> Tensor:
    """Cover of a mist of this density: droplets of some 0.2 mm show one by one only where texels are as small."""
    speck = (grain < density).float()
    share = torch.where(density > 0.75, 0.0, (0.2 / step_mm).clamp(0, 1))
    return (density * (1 - share) + speck * share).clamp(0, 1)


def shade(
    texels: Texels,
    table: PartTable,
    grime: Grime,
    noise: Noise,
    generator: torch.Generator | None,
    crevices: Crevices | None = None,
) -> Film:
    """The look of every texel. Cues are marked where the cause lies; one too faint to be seen is marked unknown.

    Dirt in gaps lies only where `crevices` are given.
    """
    device = texels.position_mm.device
    position, part, n = texels.position_mm, texels.part, len(texels.part)
    grain = torch.rand(n, generator=generator, device=device) if texels.grain is None else texels.grain
    colour = table.colour[part].clone()
    roughness, metallic = table.roughness[part].clone(), table.metallic[part].clone()
    relief = torch.zeros(n, device=device)
    cues = torch.zeros(n, dtype=torch.int32, device=device)
    unknown = torch.zeros_like(cues)
    kind = table.kind[part]

    # shared fields, computed once
    broad = noise(position, 180.0, octaves=3, channel=0)
    fine = noise(position, 14.0, octaves=4, channel=1)
    tiny = noise(position, 2.2, octaves=2, channel=2)
    thrown = _thrown(position, texels.normal, table.wheels[part])
    corner, hold = torch.full_like(broad, REACH_MM), torch.zeros_like(broad)  # how far off the next one is, in mm
    if crevices is not None:
        corner, hold = crevices.to(device).nearest(position)

    def at(mask: Tensor) -> Tensor:
        return torch.nonzero(mask, as_tuple=True)[0]

    def film(rows: Tensor) -> None:
        """The paint itself: fading, orange peel, chips, masking lines, wear, peeling, crazing."""
        p = part[rows]
        tone, under, pos = colour[rows], table.under[p], position[rows]
        rough, metal, height = roughness[rows], metallic[rows], torch.zeros(len(rows), device=device)
        bits, unsure = (
            torch.zeros(len(rows), dtype=torch.int32, device=device),
            torch.zeros(len(rows), dtype=torch.int32, device=device),
        )
        b, f, t = broad[rows], fine[rows], tiny[rows]
        up = texels.normal[rows, 2].clamp(0, 1)
        # what looks up has most of the sun, and of what stands upright its upper part
        sun = 0.35 + 0.2 * smoothstep(500.0, 1700.0, pos[:, 2])
        fade = (table.fade[p] * (sun + (1 - sun) * up) * (0.85 + 0.10 * b)).clamp(0, 0.6)
        tone = mix(tone, 0.75 * tone + 0.25 * luminance(tone)[:, None] + 0.02, fade)
        rough = (rough + 0.35 * fade + 0.01 * b).clamp(0.06, 0.9)
        fine_enough = _rows(texels.step_mm[rows] < 0.5 * PEEL_MM[0])
        height[fine_enough] += table.peel[p[fine_enough]] * _peel(
            pos[fine_enough], texels.normal[rows[fine_enough]], f[fine_enough], texels.step_mm[rows[fine_enough]]
        )
        # masking line: two paints, or one paint with a step and another gloss
        mask_row = table.masking[p]
        has_line = mask_row[:, 0] >= 0
        old = torch.zeros(len(rows), dtype=torch.bool, device=device)
        if bool(has_line.any()):
            ragged = mask_row[:, 2] * (
                0.25 * f + 1.1 * torch.relu(noise(pos, 60.0, octaves=2, channel=4) - 0.4) * (0.5 + f.clamp(-1, 1))
            )
            # tape comes in pieces of a hand's reach, each laid a little askew
            reach = texels.along_mm[rows] / TAPE_PIECE_MM + table.seed[p]
            piece = torch.floor(reach)
            laid = _chance(torch.stack([piece, torch.round(97.0 * table.seed[p])], 1), 2) - 0.5
            ragged += (0.3 * mask_row[:, 2]).clamp(0.3, 1.5) * (laid[:, 0] + 2.0 * laid[:, 1] * (reach - piece - 0.5))
            distance = (texels.across_mm[rows] - mask_row[:, 0] + ragged) * mask_row[:, 3]
            old = has_line & (distance < 0)
            tone = torch.where(old[:, None], under, tone)
            rough = torch.where(old, (rough + 0.2 * torch.sign(mask_row[:, 1] - 0.11)).clamp(0.06, 0.9), rough)
            # what crept under the tape, and the dirt that the ridge of paint has held since
            own = (table.seed[p] * 7.3) % 1
            haze = old & (own < 0.6)
            density = 0.7 * torch.exp(distance.clamp(max=0) / (3.0 + 14.0 * own)) * smoothstep(-1.2, 0.6, f + b)
            tone = mix(tone, table.colour[p], _specked(density, grain[rows], texels.step_mm[rows]) * haze)
            dirt = has_line * torch.exp(-(((distance + 0.5) / 0.6) ** 2)) * smoothstep(0.2, 0.9, table.seed[p])
            dirt = dirt * smoothstep(-0.8, 0.4, f + 0.5 * b)
            tone = mix(tone, 0.3 * tone, 0.85 * dirt)
            height = torch.where(
                has_line,
                height
                + mask_row[:, 1] * smoothstep(-0.25, 0.25, distance)
                + 0.5 * mask_row[:, 1] * torch.exp(-((distance - 0.5) ** 2) / 0.4),
                height,
            )
            near = has_line & (distance.abs() < 5.0)
            stepped = (mask_row[:, 1] > 0.06) & (texels.step_mm[rows] < STEP_MM)
            seen = _visible(table.colour[p], under) | stepped
            bits |= torch.where(near & seen, CUE_BIT["masking_edge"], 0).int()
            bits |= torch.where(near & seen & old, OLD_COAT_BIT, 0).int()
            unsure |= torch.where(near & ~seen, CUE_BIT["masking_edge"], 0).int()
        coat = _Coat(
            table, p, pos, texels.along_mm[rows], texels.across_mm[rows], texels.step_mm[rows], b, f, t,
            tone, rough, metal, height, bits, unsure,
        )  # fmt: skip
        _filled(coat, noise)
        _brushed(coat, noise)
        _sagged(coat, noise)
        upright = 1 - texels.normal[rows, 2].abs()
        _worn(coat, old, upright, torch.exp(-corner[rows] / EDGE_MM) * (hold[rows] == AT_EDGE), noise)
        tone, rough, metal, height, bits, unsure = (
            coat.tone, coat.rough, coat.metal, coat.height, coat.bits, coat.unsure,
        )  # fmt: skip
        # peeling flakes with a raised rim, another coat beneath; crazing
        flake = table.peeling[p]
        if bool((flake[:, 0] > 0).any()):
            level = torch.full_like(b, -1.0)
            close = _rows(flake[:, 0] > 0)
            du, dv = texels.along_mm[rows[close]] - flake[close, 1], texels.across_mm[rows[close]] - flake[close, 2]
            d2 = (du**2 + dv**2) / flake[close, 3] ** 2
            close, du, dv = close[d2 < 6], du[d2 < 6], dv[d2 < 6]
            level[close] = _flaking(du, dv, flake[close], table.seed[p[close]], b[close], f[close], t[close])
            off = level > 0
            tone = torch.where(off[:, None], torch.where(table.has_under[p][:, None], under, table.primer[p]), tone)
            rough = torch.where(off, (rough + 0.3).clamp(0, 0.85), rough)
            tone = mix(tone, 0.45 * tone, 0.7 * off * smoothstep(0.05, 0.0, level))  # dirt and shade under the lip
            lifted = 0.12 * smoothstep(-0.2, -0.02, level)  # what is about to go stands up
            height += torch.where(off, torch.full_like(height, -0.10), lifted)
            near = level > -0.05
            bits |= torch.where(near, CUE_BIT["film_defect"], 0).int()
            # the older coat under a flake looks as under a worn place
            bared = off & table.has_under[p] & _visible(table.colour[p], under)
            unsure |= torch.where(bared, CUE_BIT["wear_through"], 0).int()
        coat.tone, coat.rough, coat.height, coat.bits, coat.unsure = tone, rough, height, bits, unsure
        _crazed(coat, noise)
        bunched = noise(pos, 150.0, octaves=2, channel=5)
        _struck(coat, texels.normal[rows], thrown[rows], corner[rows], hold[rows], bunched)
        _rusted(coat, texels.normal[rows], upright, corner[rows], hold[rows], bunched, noise)
        _marked(coat, noise)
        _used(coat, bunched)
        _taped(coat, noise)
        colour[rows], roughness[rows], metallic[rows] = coat.tone, coat.rough, coat.metal
        relief[rows] += coat.height
        cues[rows] |= coat.bits
        unknown[rows] |= coat.unsure & ~coat.bits

    sheen = table.grain[part, 1].clone()
    left = 1 - table.grain[part, 2]
    _grained(colour, roughness, metallic, relief, left, texels, table, broad, fine, tiny, noise)

    painted = table.is_painted[part] & (kind != 4)
    if bool(painted.any()):
        film(at(painted))

    # seams: what the painter or the years put into the groove
    rows = at(kind == 5)
    if len(rows):
        joint = _Coat(
            table, part[rows], position[rows], texels.along_mm[rows],
            texels.across_mm[rows] - texels.height_mm[rows] / 2, texels.step_mm[rows],
            broad[rows], fine[rows], tiny[rows], colour[rows], roughness[rows], metallic[rows],
            torch.zeros_like(broad[rows]), cues[rows], unknown[rows],
        )  # fmt: skip
        _jointed(joint, torch.tensor(grime.mud_colour, device=device), noise)
        colour[rows], roughness[rows], metallic[rows] = joint.tone, joint.rough, joint.metal
        relief[rows] += joint.height
        cues[rows], unknown[rows] = joint.bits, joint.unsure & ~joint.bits

    # fasteners: bare, or under the coat
    rows = at(kind == 4)
    if len(rows):
        p = part[rows]
        cover, bright = table.coated[p, 0], table.coated[p, 1]
        rim = (texels.across_mm[rows] / texels.height_mm[rows].clamp(min=1e-3)).clamp(0, 1)
        coat = (cover > 0) & (fine[rows] * 0.5 + tiny[rows] * 0.2 < 3.0 * cover - 1.0)
        worn = (bright > 0) & (rim > 0.45) & (rim < 0.75) & (tiny[rows] * 0.6 + fine[rows] * 0.6 > 1.6 - 2.2 * bright)
        coat = coat & ~worn
        paint_tone = table.mist_colour[p] * (1 + 0.02 * tiny[rows, None])
        colour[rows] = torch.where(
            coat[:, None], paint_tone, colour[rows] * (1 + 0.06 * fine[rows, None]).clamp(0.6, 1.3)
        )
        metallic[rows] = torch.where(coat, 0.0, metallic[rows])
        roughness[rows] = torch.where(
            coat, 0.28 + 0.04 * tiny[rows], (roughness[rows] + 0.06 * fine[rows]).clamp(0.08, 0.9)
        )
        relief[rows] += torch.where(coat, 0.03 * fine[rows], 0.015 * tiny[rows])
        rusty = ~coat & (table.rust[p] > 0) & (fine[rows] + 0.5 * tiny[rows] > 1.4 - 2.6 * table.rust[p])
        rust_tone = torch.tensor([0.20, 0.075, 0.025], device=device) * (
            1 + 0.35 * tiny[rows, None] + 0.3 * fine[rows, None]
        ).clamp(0.3, 2)
        colour[rows] = torch.where(rusty[:, None], rust_tone, colour[rows])
        metallic[rows] = torch.where(rusty, 0.0, metallic[rows])
        roughness[rows] = torch.where(rusty, 0.9, roughness[rows])
        shown = _visible(table.mist_colour[p], table.colour[p])
        sure = (cover > 0.55) & shown
        cues[rows] |= torch.where((cover > 0) & sure, CUE_BIT["painted_fastener"], 0).int()
        unknown[rows] |= torch.where((cover > 0) & ~sure, CUE_BIT["painted_fastener"], 0).int()
        holed = texels.step_mm[rows] < HOLE_MM
        cues[rows] |= torch.where(table.rejoined[p] & holed, CUE_BIT["changed_joint"], 0).int()
        unknown[rows] |= torch.where(table.rejoined[p] & ~holed, CUE_BIT["changed_joint"], 0).int()

    # rubber: chalk, mist and tape lines
    rows = at(kind == 3)
    if len(rows):
        p, pos = part[rows], position[rows]
        chalk = (table.chalk[p] * smoothstep(-0.8, 1.2, broad[rows] + 0.4 * fine[rows])).clamp(0, 1)
        colour[rows] = mix(
            colour[rows], torch.tensor([0.16, 0.16, 0.15], device=device).expand(len(rows), 3), 0.8 * chalk
        )
        colour[rows] *= (1 + 0.08 * fine[rows, None] + 0.05 * tiny[rows, None]).clamp(0.5, 1.5)
        relief[rows] += 0.03 * noise(pos, 5.0, octaves=3, channel=3) - 0.05 * (
            noise(pos, 25.0, octaves=2, channel=4).abs() < 0.03
        ).float() * (table.chalk[p] > 0.2)
        strength, fringe, tape, bleed, patchy = table.mist[p].unbind(1)
        if bool((strength > 0).any()):
            wander = noise(pos, 70.0, octaves=3, channel=5)
            reach = fringe * (1.0 + 0.45 * wander * patchy).clamp(0.1, 2.5)
            edge = torch.relu(texels.across_mm[rows] - LIP_FOOT_MM)
            soft = torch.exp(-edge / reach.clamp(min=0.05)) * (1 + 0.3 * fine[rows])
            fingers = tape + bleed * torch.relu(noise(pos, 9.0, octaves=2, channel=4) + 0.6 * wander)
            hard = smoothstep(0.35, -0.35, edge - fingers)
            density = strength * torch.where(tape > 0, torch.maximum(hard, 0.35 * soft), soft)
            density = density * smoothstep(-1.9 * patchy, -0.4 * patchy + 1e-3, wander + 0.2 * fine[rows])
            cover = _specked(density, grain[rows], texels.step_mm[rows])
            body = table.mist_colour[p]
            shown = _visible(body, colour[rows])
            colour[rows] = mix(colour[rows], body, cover * (strength > 0))
            roughness[rows] = mix(roughness[rows], torch.full_like(cover, 0.55), cover * (strength > 0))
            marked = (density > 0.2) & (strength > 0)
            faint = (density > 0.04) & (strength > 0) & ~marked
            cues[rows] |= torch.where(marked & shown, CUE_BIT["overspray_rubber"], 0).int()
            unknown[rows] |= torch.where((marked & ~shown) | faint, CUE_BIT["overspray_rubber"], 0).int()

    # hidden black and bare parts: the veil that drifted under the sheet
    rows = at((kind == 6) | ((kind == 4) & (table.veil[part, 0] > 0)))
    if len(rows):
        p, pos = part[rows], position[rows]
        ordinary = at(kind[rows] == 6)
        colour[rows[ordinary]] *= (1 + 0.12 * fine[rows[ordinary], None] + 0.10 * broad[rows[ordinary], None]).clamp(
            0.3, 1.8
        )
        relief[rows[ordinary]] += 0.06 * fine[rows[ordinary]]
        # a brown bloom all over thin paint, dense and scaly in places, more where water hangs: no islands of one tone
        eaten = 1.9 * table.rust[p] + 0.45 * broad[rows] + 0.12 * fine[rows] - 0.25 * texels.normal[rows, 2] - 0.75
        bloom = smoothstep(-0.5, 0.7, eaten) * (table.rust[p] > 0) * (kind[rows] == 6)
        loose = smoothstep(0.0, 1.6, eaten + 0.12 * tiny[rows])
        rust_tone = mix(_tone(RUST_CORE, pos), 0.65 * _tone(RUST_FRESH, pos), loose)
        rust_tone = rust_tone * (1 + 0.16 * tiny[rows, None] + 0.12 * fine[rows, None]).clamp(0.4, 1.6)
        colour[rows] = mix(colour[rows], rust_tone, 0.9 * bloom)
        roughness[rows] = mix(roughness[rows], torch.full_like(bloom, 0.92), bloom)
        metallic[rows] = metallic[rows] * (1 - bloom)
        relief[rows] += 0.10 * bloom * smoothstep(0.4, 1.2, eaten) * tiny[rows]
        veil = table.veil[p]
        if bool((veil[:, 0] > 0).any()):
            facing = (texels.normal[rows] * veil[:, 1:4]).sum(-1)
            fall = torch.exp(-torch.relu(veil[:, 4] - pos[:, 2]) / veil[:, 5].clamp(min=1.0))
            sheet = smoothstep(-0.35, -0.25, noise(pos, 420.0, channel=5))
            cloud = smoothstep(-1.1, 1.2, noise(pos, 170.0, octaves=3, channel=4, gain=0.7))
            # it drifts in from the gun's side, and what stands before a place leaves its shadow there
            level = torch.nn.functional.normalize(veil[:, 1:3], dim=1)
            inward = torch.relu(MIST_FROM_MM - (pos[:, :2] * level).sum(-1)) / (2 * veil[:, 5].clamp(min=1.0))
            fall = fall * (0.45 + 0.55 * torch.exp(-inward))
            # on what faces the gun, and, as dust, on what faces up
            caught = torch.maximum(smoothstep(-0.35, 0.75, facing), 0.65 * texels.normal[rows, 2])
            density = veil[:, 0] * caught * fall * cloud * (0.25 + 0.75 * sheet)
            if texels.lee is not None:
                density = density * torch.where(texels.lee[rows], 0.2, 1.0)
            density = MIST_MOST * (1 - torch.exp(-1.5 * density))  # droplets fall on droplets: no closed coat
            cover = _specked(density, grain[rows], texels.step_mm[rows])
            body = table.mist_colour[p]
            # twice the usual step: it lies in shade, which halves them (common practice, no source)
            shown = _visible(mix(colour[rows], body, density), colour[rows], 0.14)
            colour[rows] = mix(colour[rows], body, cover)
            metallic[rows] = metallic[rows] * (1 - cover)
            roughness[rows] = mix(roughness[rows], torch.full_like(cover, 0.6), cover)
            marked = density > 0.23
            cues[rows] |= torch.where(marked & shown, CUE_BIT["overspray_hidden"], 0).int()
            unknown[rows] |= torch.where(
                (marked & ~shown) | ((density > 0.04) & ~marked), CUE_BIT["overspray_hidden"], 0
            ).int()

    # grain that a part came with, and fresh underseal
    rows = at((table.texture[part, 0] > 0) & ~painted)
    if len(rows):
        p = part[rows]
        grown = _texture_relief(
            table.texture[p], position[rows], texels.along_mm[rows], texels.across_mm[rows], table.seed[p], noise
        )
        # flutes and rings of a lens finer than the texels would turn into coarse ones
        lens, wave = table.texture[p, 0] > 3, table.texture[p, 2]
        relief[rows] += torch.where(lens, grown * smoothstep(0.4, 0.2, texels.step_mm[rows] / wave), grown)
    rows = at(table.sealed_over[part])
    if len(rows):
        hides = CUE_BIT["overspray_hidden"] | CUE_BIT["coarse_texture"] | CUE_BIT["painted_fastener"]
        unknown[rows] |= hides
        cues[rows] &= ~hides

    packed = torch.zeros(n, device=device)
    if crevices is not None and grime.gaps > 0:
        packed = _packed(corner, hold, texels, kind, grime, broad, fine, tiny)
    _soil(
        colour, roughness, metallic, relief, cues, unknown, texels, kind, grime, packed, thrown, broad, fine, tiny,
        noise, left,
    )  # fmt: skip
    roughness, metallic = roughness.clamp(0.05, 1.0), metallic.clamp(0, 1)
    return Film(colour.clamp(0.0015, 0.97), roughness, metallic, sheen * (1 - metallic), relief, cues, unknown)


@dataclass(slots=True)
class _Coat:
    """The paint on some texels while it is put together, changed in place, and where they lie (see `Texels`)."""

    table: PartTable
    part: Tensor
    position: Tensor
    along: Tensor
    across: Tensor
    step: Tensor
    broad: Tensor
    fine: Tensor
    tiny: Tensor
    tone: Tensor
    rough: Tensor
    metal: Tensor
    height: Tensor
    bits: Tensor
    unsure: Tensor

    def call(self, rows: Tensor, cue: str, seen: Tensor, doubtful: Tensor) -> None:
        self.bits[rows] |= torch.where(seen, CUE_BIT[cue], 0).int()
        self.unsure[rows] |= torch.where(doubtful & ~seen, CUE_BIT[cue], 0).int()


def _rows(mask: Tensor) -> Tensor:
    return torch.nonzero(mask, as_tuple=True)[0]


def _chance(cells: Tensor, count: int, first: int = 0) -> Tensor:
    """Numbers (N, count - first), even in 0 to 1, of each whole-numbered cell (N, d): of `count` those from `first`."""
    turns = torch.tensor([[12.99, 78.23, 37.72], [39.35, 11.14, 83.16], [73.16, 52.24, 9.15]], device=cells.device)
    steps = torch.arange(first, count, device=cells.device)
    # summed one by one: a product of matrices may round otherwise for another number of rows
    phase = (cells.float()[:, :, None] * turns[: cells.shape[1], steps % 3]).sum(1)
    return torch.frac((phase * (1 + 0.37 * steps)).sin().abs() * 4375.8)


def _scattered(
    position: Tensor, normal: Tensor, part: Tensor, cell_mm: float, share: Tensor
) -> tuple[Tensor, Tensor, Tensor]:
    """Spots at random on surfaces, at most one a cell of the plane that a place faces most.

    Returns texels near one (M,), their offsets from its middle in that plane (M, 3) and its chances (M, 6).
    """
    rows = _rows(share > 5e-4)  # a chance is rounded to some 3e-4
    across = torch.nn.functional.one_hot(normal[rows].abs().argmax(dim=1), 3).to(position.dtype)
    flat = position[rows] * (1 - across)
    cells = torch.floor(flat / cell_mm)
    own = cells + across * (part[rows, None] + 0.5)
    near = _rows(_chance(own, 7, 6)[:, 0] + 5e-4 < share[rows])
    chance = _chance(own[near], 6)
    middle = (0.3 + 0.4 * chance[:, :3]) * cell_mm * (1 - across[near])
    return rows[near], flat[near] - cells[near] * cell_mm - middle, chance


def _thrown(position: Tensor, normal: Tensor, wheels: Tensor) -> Tensor:
    """How much (N,) strikes a place of what the road throws, 0.03 to some 3: on fronts and the bonnet's leading edge,
    low down, and behind the wheels, less the higher up (common practice, no source).

    `wheels` as `PartTable.wheels`.
    """
    x, z = position[:, 0], position[:, 2]
    faced = normal.clamp(0, 1)
    ahead = 2.0 * faced[:, 0] * torch.exp(-torch.relu(z - 600) / 700)
    lip = 1.4 * faced[:, 2] * torch.exp(-torch.relu(wheels[:, 0] + 480 - x) / 160) * (z > 600)
    low = torch.exp(-torch.relu(z - 480) / 170)
    behind = wheels - x[:, None]
    plume = (smoothstep(60.0, 320.0, behind) * torch.exp(-torch.relu(behind - 350) / 500)).amax(1)
    plume = plume * torch.exp(-torch.relu(z - 420) / 240)
    side = normal[:, 1].abs() * (0.5 * low + 1.8 * plume)
    return 0.03 + ahead + lip + side + 0.5 * (-normal[:, 0]).clamp(0, 1) * low


def _tone(colour: tuple[float, float, float], like: Tensor) -> Tensor:
    """One colour (N, 3) for as many texels as `like` has."""
    return torch.tensor(colour, device=like.device).expand(len(like), 3)


def _peel(position: Tensor, normal: Tensor, fine: Tensor, step: Tensor) -> Tensor:
    """Orange peel (N,), of deviation about 1: domes of much the same size without any order.

    Waves of like length from all sides, those that the surface cuts slantwise left weaker; texels too coarse for them
    have none.
    """
    total = torch.zeros_like(fine)
    count = 9
    for k in range(count):
        z = (k + 0.5) / count
        turn = 2.39996 * k  # the golden angle spreads directions evenly
        way = position.new_tensor([(1 - z * z) ** 0.5 * math.cos(turn), (1 - z * z) ** 0.5 * math.sin(turn), z])
        wave = PEEL_MM[0] + (PEEL_MM[1] - PEEL_MM[0]) * ((0.618 * k) % 1)
        turned = 2.0 if k % 2 else -2.0
        total += (1 - (normal @ way) ** 2) * (position @ (way * (6.28319 / wave)) + turned * fine + k).sin()
    peel: Tensor = total * smoothstep(0.5, 0.25, step / PEEL_MM[0]) / (0.55 * count**0.5)
    return peel


def _struck(coat: _Coat, normal: Tensor, thrown: Tensor, distance: Tensor, hold: Tensor, bunched: Tensor) -> None:
    """Stone chips in bunches where the road throws, and along edges; scratches where something dragged along.

    Only to the primer or the metal, no sign of a refinish. `bunched` (N,) is a smooth field of about normal values.
    """
    table, p, t = coat.table, coat.part, coat.tiny
    chip = table.chips[p]
    if not bool((chip > 0).any()):
        return
    at_edge = hold * torch.exp(-distance / 2.5) * smoothstep(0.2, 1.2, bunched) * (0.35 + thrown.clamp(max=1.5))
    hit = (thrown * torch.exp(1.7 * bunched - 1.0)).clamp(max=6)
    chipped, bared, rim, rusty = _chips(
        coat.position, normal, p, chip * (hit + 2.5 * at_edge), coat.step, t, table.rust[p]
    )
    dulled = 0.75 + 0.1 * t[:, None]  # nothing that lies bare stays clean
    tone = mix(mix(coat.tone, dulled * table.primer[p], chipped), 0.8 * dulled * table.metal[p], bared)
    tone = tone * (1 - 0.65 * rim)[:, None]
    rust = mix(_tone(RUST_CORE, tone), _tone(RUST_FRESH, tone), smoothstep(-0.8, 0.8, t + coat.fine))
    tone = mix(tone, rust, rusty)
    rough = mix(coat.rough, torch.full_like(coat.rough, 0.8), torch.maximum(chipped, rusty))
    coat.height -= 0.12 * chipped
    # twigs and sleeves drag along the vehicle, all of one brush in much the same way; deep here, shallow there
    rows = _rows((chip > 0.15) & (bunched < -0.9))
    if len(rows):
        along, across, seed, step = coat.along[rows], coat.across[rows], table.seed[p[rows]], coat.step[rows]
        bent = across + 3.0 * coat.broad[rows]
        drawn = _scratches(along, bent, 0.10, seed, 7.0, 150.0, step)
        drawn = torch.maximum(drawn, _scratches(along, bent, -0.45, seed, 13.0, 60.0, step))
        pressed = drawn * smoothstep(-0.9, -1.5, bunched[rows]) * (0.55 + 0.35 * coat.fine[rows]).clamp(0.1, 1)
        tone[rows] = mix(tone[rows], 0.6 * tone[rows] + 0.14, 1.2 * pressed.clamp(max=0.8))
        rough[rows] += 0.2 * pressed
    coat.tone, coat.rough = tone, rough


def _rusted(
    coat: _Coat,
    normal: Tensor,
    upright: Tensor,
    distance: Tensor,
    hold: Tensor,
    bunched: Tensor,
    noise: Noise,
) -> None:
    """Rust of steel: it begins at edges, heads and trims and in scabs low down, and creeps on below the paint.

    From where it began outwards: a dark scaly core, the torn lip of the paint, paint lifted, a stain; below a scab that
    burst the stain runs down. The years, not a painter: no cue.
    """
    table = coat.table
    rust = table.rust[coat.part]
    wet = torch.exp(-torch.relu(coat.position[:, 2] - 450) / 350)  # water and salt stay low
    begun = smoothstep(0.3, 1.5, bunched + 2.0 * rust - 0.75) * (0.35 + 0.65 * wet)
    rows = _rows((rust > 0.1) & (hold > 0.45) & (begun > 0.02) & (distance < REACH_MM))
    if len(rows):
        f, t = coat.fine[rows], coat.tiny[rows]
        # from places a hand apart, which differ in age: no even border
        apart = smoothstep(-0.2, 1.5, noise(coat.position[rows], 42.0, octaves=2, channel=4) + 1.2 * begun[rows] - 0.7)
        reach = 7.0 * begun[rows].sqrt() * apart * (1 + 0.35 * f).clamp(0.3, 1.5)
        _corrode(coat, rows, reach - distance[rows] + 0.15 * t, 0.5 * reach, torch.zeros_like(f))
    scabs = (0.5 * rust * wet * smoothstep(0.2, 1.6, bunched + rust)).clamp(max=0.5)
    rows, off, chance = _scattered(coat.position, normal, coat.part, SCAB_MM, scabs)
    if len(rows):
        f, t = coat.fine[rows], coat.tiny[rows]
        size = (2.4 * (1.03 - chance[:, 3]) ** -0.6).clamp(max=0.24 * SCAB_MM)  # few are large
        apart = off.norm(dim=1) * (1 + 0.14 * f + 0.05 * t)
        # the older a scab the more of it has burst; the smallest are blisters still
        burst = size * smoothstep(1.6, 4.5, size) * (0.25 + 0.5 * chance[:, 4])
        down = torch.relu(-off[:, 2])
        aside = (off - off[:, 2:] * off.new_tensor([0.0, 0.0, 1.0])).norm(dim=1)
        streak = noise(coat.position[rows] * off.new_tensor([1.0, 1.0, 0.04]), 3.0, channel=2)
        run = smoothstep(1.0, 0.3, aside / (0.8 * size) + 0.25 * streak) * torch.exp(-down / (1.6 * size))
        run = run * smoothstep(0.3 * SCAB_MM, 0.1 * SCAB_MM, down) * (off[:, 2] < 0) * upright[rows] * (burst > 0.8)
        _corrode(coat, rows, size - apart, size - burst, 0.7 * run)


def _corrode(coat: _Coat, rows: Tensor, inward: Tensor, under: Tensor, run: Tensor) -> None:
    """Change paint where rust reaches: `inward` (M,) mm from its front, which crept `under` mm below the paint."""
    f, t, step = coat.fine[rows], coat.tiny[rows], coat.step[rows]
    open_ = inward - under  # mm from the lip of the paint
    soft = (0.5 * step).clamp(min=0.12)
    core = smoothstep(-soft, soft, open_) * (under < inward + 5)
    lip = torch.exp(-((open_ + 0.35) ** 2) / (0.3**2 + soft**2)) * (under > 0.2)
    lifted = smoothstep(0.0, 1.0, inward / under.clamp(min=0.3)) * (1 - core)
    stain = torch.maximum(0.45 * smoothstep(-2.5, 0.6, inward) * (under < inward + 2.5), run)
    scale = mix(_tone(RUST_CORE, f), _tone(RUST_FRESH, f), smoothstep(2.5, 0.0, open_ + 0.7 * f + 0.4 * t))
    tone = mix(coat.tone[rows], coat.tone[rows] * 0.55 + 0.45 * _tone(RUST_STAIN, f), stain.clamp(0, 0.85))
    tone = mix(tone, scale * (1 + 0.25 * t[:, None]).clamp(0.4, 1.7), core)
    coat.tone[rows] = mix(tone, 0.25 * tone, 0.7 * torch.exp(-((open_ - 0.25) ** 2) / (0.25**2 + soft**2)) * (core > 0))
    coat.rough[rows] = mix(coat.rough[rows], torch.full_like(f, 0.92), torch.maximum(core, 0.5 * stain))
    coat.metal[rows] *= 1 - core
    coat.height[rows] += 0.35 * lifted * (1 + 0.2 * f) + 0.15 * lip + core * (0.05 + 0.12 * t)


def _chips(
    position: Tensor,
    normal: Tensor,
    part: Tensor,
    share: Tensor,
    step: Tensor,
    tiny: Tensor,
    steel_rust: Tensor,
) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """Cover (N,) of stone chips, of the metal in their middles, of the dirty step around and of rust.

    They are splinters with straight sides, few of them large; the steel of some has rusted and run a little way down.
    """
    cell = 9.0
    cover, bare, rim, rust = (torch.zeros_like(share) for _ in range(4))
    rows, off, chance = _scattered(position, normal, part, cell, (0.09 * share).clamp(max=0.45))
    axes = torch.nn.functional.normalize(chance.roll(2, 1).reshape(-1, 2, 3) - 0.5, dim=-1)
    u, v = (off * axes[:, 0]).sum(-1), (off * axes[:, 1]).sum(-1)
    w = (off * torch.linalg.cross(axes[:, 0], axes[:, 1])).sum(-1)
    # six faces at unlike distances, three cut corners, and a torn rim
    sides = [u, -(0.6 + chance[:, 0]) * u, 1.3 * v, -(0.7 + 1.2 * chance[:, 1]) * v, w, -(0.6 + chance[:, 2]) * w]
    sides += [0.9 * (u + v), 0.95 * (w - u), 0.8 * (u - v - w)]
    far = torch.stack(sides).amax(0) * (1 + 0.3 * tiny[rows])
    size = (0.26 * (1.015 - chance[:, 3]) ** -0.72).clamp(max=4.2)  # most are specks, a few are large
    wide = torch.maximum(size, 0.6 * step[rows]).clamp(max=0.5 * cell)  # a chip finer than a texel pales
    inward = wide - far
    paled = (size / wide) ** 2
    cover[rows] = paled * smoothstep(-0.08, 0.12, inward)
    bare[rows] = paled * smoothstep(0.0, 0.3, inward - 0.35 - 0.8 * chance[:, 5])
    rim[rows] = paled * smoothstep(-0.25, -0.05, inward) * smoothstep(0.30, 0.10, inward) * (size > 0.4)
    below = torch.relu(-off[:, 2])
    aside = (off - off[:, 2:] * off.new_tensor([0.0, 0.0, 1.0])).norm(dim=1)
    run = (
        0.7
        * (off[:, 2] < 0)
        * torch.exp(-below / (0.8 * size))
        * smoothstep(0.6, 0.2, aside / size + 0.15 * tiny[rows])
    )
    stained = torch.maximum(0.9 * smoothstep(-0.15, 0.25, inward - 0.3 * size), run)
    rust[rows] = paled * stained * (size > 0.7) * (chance[:, 4] < steel_rust[rows])
    return cover, bare, rim, rust


def _flaking(
    along: Tensor, across: Tensor, flake: Tensor, seed: Tensor, broad: Tensor, fine: Tensor, tiny: Tensor
) -> Tensor:
    """How far paint has come off, above 0 where it has: it breaks along cracks, in scales of two sizes.

    `along` and `across` from the middle in mm; `flake` as `PartTable.peeling`.
    """
    level = torch.zeros_like(along)
    for scale, weight, bend in ((19.0, 0.65, 1.0), (7.0, 0.35, 0.5)):
        u, v = (along + bend * (1.6 * fine + 0.4 * tiny)) / scale, (across + bend * (1.6 * broad - 1.2 * fine)) / scale
        nearest = torch.full_like(u, 9.0)
        own = torch.zeros_like(u)
        for i in (-1, 0, 1):
            for j in (-1, 0, 1):
                cell = torch.stack([torch.floor(u) + i, torch.floor(v) + j, torch.round(97.0 * seed)], 1)
                chance = _chance(cell, 3)
                x, y = cell[:, 0] + chance[:, 0], cell[:, 1] + chance[:, 1]
                away = (u - x) ** 2 + (v - y) ** 2
                reach = (x**2 + y**2) * scale**2 / flake[:, 3] ** 2
                own = torch.where(away < nearest, 1.2 * torch.exp(-reach) + 0.55 * (chance[:, 2] - 0.5), own)
                nearest = torch.minimum(nearest, away)
        level += weight * own
    return flake[:, 0] * (level + 0.30 * broad) - 0.62


def _scratches(
    along: Tensor, across: Tensor, angle: float, seed: Tensor, apart_mm: float, long_mm: float, step: Tensor
) -> Tensor:
    """Cover (N,) of straight thin scratches at about `angle` to the part, at most one a strip of `apart_mm`."""
    u, v = along * math.cos(angle) + across * math.sin(angle), across * math.cos(angle) - along * math.sin(angle)
    strip, own = torch.floor(v / apart_mm), torch.round(97.0 * seed)
    shifted = u / long_mm + 0.618 * strip
    cell = torch.floor(shifted)
    chance = _chance(torch.stack([strip, cell, own], 1), 4)
    way = shifted - cell
    away = (v - (strip + 0.3 + 0.4 * chance[:, 0] + 0.3 * (chance[:, 1] - 0.5) * (way - 0.5)) * apart_mm).abs()
    half = 0.06 + 0.22 * chance[:, 2] ** 2
    wide = torch.maximum(half, 0.6 * step)
    drawn = smoothstep(0.0, 0.2, way) * smoothstep(1.0, 0.5, way) * (chance[:, 3] < 0.7)
    return drawn * half / wide * smoothstep(1.0, 0.4, away / wide)


def _worn(coat: _Coat, old: Tensor, upright: Tensor, edge: Tensor, noise: Noise) -> None:
    """Wear through the coats, ring by ring: rubbed thin with smooth contours, scratched along the way of what rubs.

    `old` (N,): where a masking line left the old coat on top; `upright` (N,): 1 where rain runs down, 0 on the flat;
    `edge` (N,): 1 on a folded edge, where a film is thinnest and is rubbed most, less beside it.
    """
    wear = coat.table.wear[coat.part]
    radial = ((coat.along - wear[:, 1]) / wear[:, 3]) ** 2 + ((coat.across - wear[:, 2]) / wear[:, 4]) ** 2
    rows = _rows((wear[:, 0] > 0) & (radial < 9.0))
    if not len(rows):
        return
    table, p, wear, radial, step = coat.table, coat.part[rows], wear[rows], radial[rows], coat.step[rows]
    along, across, seed = coat.along[rows], coat.across[rows], table.seed[coat.part[rows]]
    b, f, t = coat.broad[rows], coat.fine[rows], coat.tiny[rows]
    tone, under, rough, metal = coat.tone[rows], table.under[p], coat.rough[rows], coat.metal[rows]
    # smooth contours, since what rubs is softer than a coat's unevenness, drawn out along its way
    drawn_out = torch.stack([along / 5.0, across, 997.0 * seed], 1)
    soft = noise(drawn_out, 17.0, octaves=2, channel=4, gain=0.5)
    rubbed = _scratches(along, across, 0.05, seed, 2.6, 85.0, step)
    falls = torch.exp(-0.6 * radial)
    uneven = wear[:, 5] * (0.10 * b + 0.06 * soft + 0.006 * f + 0.003 * t)
    depth = wear[:, 0] * (torch.exp(-radial) + (uneven + 0.3 * edge[rows]) * falls)
    two = table.has_under[p] & ~old[rows]
    primer, substrate = table.primer[p], table.metal[p]
    # a coat thins out before it is gone: each shows the next through a feathered rim, through its peaks first
    through_top = depth > 0.42
    grained = depth + 0.006 * t
    tone = mix(tone, torch.where(two[:, None], under, primer), smoothstep(0.35, 0.47, grained))
    old_gone = torch.where(two, 0.66, 0.55)
    tone = mix(tone, primer, smoothstep(old_gone - 0.04, old_gone + 0.04, grained))
    metal_shows = torch.where(two, 0.80, 0.70)
    bare = depth > metal_shows
    # metal goes dull where nobody touches it any more, and stays bright in the newest scratches
    bright = substrate * (0.76 + 0.10 * f + 0.04 * b + 0.4 * rubbed).clamp(0.4, 1.15)[:, None]
    tone = mix(tone, bright, smoothstep(metal_shows - 0.03, metal_shows + 0.03, grained))
    metal = torch.where(bare, torch.full_like(metal, 0.8), metal)
    rough = torch.where(through_top, (rough + 0.25).clamp(0, 0.8), rough)
    rough = torch.where(bare, (0.5 + 0.06 * f - 0.15 * rubbed).clamp(0.25, 0.8), rough)
    coat.height[rows] -= 0.05 * (
        smoothstep(0.38, 0.46, depth) + smoothstep(0.62, 0.70, depth) * two + smoothstep(0.77, 0.83, depth)
    )
    # steel rusts from the rim of the paint inwards, dense at the rim, and stains what is below
    rusts, inside = table.rust[p] > 0.3, depth - metal_shows
    crept = (0.05 + 0.30 * (table.rust[p] - 0.3) * (1 + 0.8 * b + 0.4 * f)).clamp(min=0.01)
    rust = rusts * smoothstep(-0.015, 0.015, inside) * smoothstep(1.3 * crept, 0.5 * crept, inside)
    loose = smoothstep(0.0, 1.0, inside / crept + 0.15 * t + 0.2 * f)
    brown = mix(_tone(RUST_CORE, tone), _tone(RUST_FRESH, tone), loose)
    tone = mix(tone, brown * (1 + 0.15 * t).clamp(0.4, 1.6)[:, None], 0.95 * rust)
    aside = ((along - wear[:, 1]) / wear[:, 3]) ** 2
    reach = torch.relu(torch.log(wear[:, 0].clamp(min=1e-3) / metal_shows) - aside)
    below = across - wear[:, 2] - wear[:, 4] * reach.sqrt()
    streaks = noise(torch.stack([along, 0.03 * across, 997.0 * seed], 1), 9.0, octaves=2, channel=2)
    streaks = smoothstep(-0.2, 1.4, streaks)
    run = streaks * torch.exp(-torch.relu(below) / (0.5 * wear[:, 4] + 12.0 * streaks)) * (below > -3)
    run = rusts * (reach > 0) * upright[rows] * (table.rust[p] - 0.2) * run * (~bare)
    halo = rusts * smoothstep(-0.14, 0.0, inside) * (~bare)
    stained = torch.maximum(0.5 * halo, run).clamp(max=0.7)
    tone = mix(tone, 0.5 * tone + 0.5 * _tone(RUST_STAIN, tone), stained)
    metal, rough = metal * (1 - rust), mix(rough, torch.full_like(rough, 0.85), rust)
    coat.tone[rows], coat.rough[rows], coat.metal[rows] = tone, rough, metal
    worn = through_top & two
    seen = _visible(table.colour[p], under)
    blurred = through_top & ~two & (step > RINGS_MM)
    coat.call(rows, "wear_through", worn & seen, (worn & ~seen) | blurred | (two & ((depth > 0.36) | (stained > 0.05))))


@lru_cache(maxsize=2)
def _use(device: torch.device) -> Tensor:
    """What washing, rain and hands leave on any paint, as one tile (1, 3, `USE_TEXELS` + 1, the same) that repeats.

    Hairlines from 0 to 1; spots from -1, dark specks, to 1, pale rims of dried drops; smears of about normal values.
    """
    size, rng = 2 * USE_TEXELS, np.random.default_rng(4)
    mm = size / USE_MM

    def drawn(canvas: npt.NDArray[np.uint8], points: npt.NDArray[np.float64], tone: float, wide: int = 1) -> None:
        for x in (-size, 0, size):
            for y in (-size, 0, size):
                moved = np.round((points * mm + (x, y)) * 8).astype(np.int32)
                if (moved.max(0) > 0).all() and (moved.min(0) < 8 * size).all():
                    cv2.polylines(canvas, [moved], False, int(tone), wide, cv2.LINE_AA, 3)

    def arc(middle: npt.NDArray[np.float64], radius: float, start: float, length: float) -> npt.NDArray[np.float64]:
        turn = start + np.linspace(0, length / radius, 14)
        return middle + radius * np.stack([np.cos(turn), np.sin(turn)], 1)

    hair, pale, dark, smear = (np.zeros((size, size), np.uint8) for _ in range(4))
    for _ in range(16):  # a cloth or brush goes around; what it held scratches faintly, side by side
        middle, radius = rng.uniform(0, USE_MM, 2), rng.uniform(50, 140)
        for _ in range(16):
            off = rng.normal(size=2) * 0.25 * radius
            drawn(hair, arc(middle + off, radius, rng.uniform(0, 6.3), rng.uniform(8, 70)), rng.uniform(40, 120))
    for _ in range(170):  # what brushed past: most of it short and shallow
        way, long = rng.uniform(0, 6.3), float(np.clip(rng.lognormal(2.2, 0.9), 2, 130))
        middle, bend = rng.uniform(0, USE_MM, 2), rng.uniform(150, 900)
        drawn(hair, arc(middle, bend, way, long), 60 + 190 * rng.random() ** 2)
    for _ in range(26):  # drops that dried stand near each other, pale rims of a few millimetres
        middle = rng.uniform(0, USE_MM, 2)
        for _ in range(int(rng.integers(2, 9))):
            radius = rng.uniform(0.5, 2.4)
            ring = arc(middle + rng.normal(size=2) * 9, radius, rng.uniform(0, 6.3), 6.4 * radius * rng.uniform(0.5, 1))
            drawn(pale, ring, rng.uniform(70, 220))
    for _ in range(420):  # dust nibs, tar, flies
        place, long = rng.uniform(0, USE_MM, 2), 0.15 + 1.2 * rng.random() ** 4
        drawn(dark, arc(place, 2.0, rng.uniform(0, 6.3), long), rng.uniform(60, 230), 1 + int(4.5 * rng.random() ** 4))
    for _ in range(60):  # hands and cloths
        middle, radius, start = rng.uniform(0, USE_MM, 2), rng.uniform(40, 160), rng.uniform(0, 6.3)
        long, tone = rng.uniform(20, 120), rng.uniform(60, 200)
        for lane in range(6):
            drawn(smear, arc(middle, radius + 3.2 * lane, start, long), tone * rng.uniform(0.4, 1.2), int(2.5 * mm))
    soft = cv2.GaussianBlur(np.pad(smear, 128, mode="wrap").astype(np.float32), (0, 0), 15.0)[128:-128, 128:-128]
    spots = pale.astype(np.float32) - dark
    tile = np.stack([hair / 255.0, spots / 255.0, (soft - soft.mean()) / soft.std()]).astype(np.float32)
    halved = tile.reshape(3, USE_TEXELS, 2, USE_TEXELS, 2).mean((2, 4))
    return torch.from_numpy(np.pad(halved, ((0, 0), (0, 1), (0, 1)), mode="wrap"))[None].to(device)


def _used(coat: _Coat, bunched: Tensor) -> None:
    """What every vehicle's paint has, sprayed yesterday or at the factory: hairlines, dried drops, specks, smears.

    `bunched` (N,) is a smooth field of about normal values: specks and scratches come many at a place.
    """
    rows = _rows(coat.step < USE_COARSE * USE_FADES_MM[1])
    if not len(rows):
        return
    p, step = coat.part[rows], coat.step[rows]
    seed = coat.table.seed[p]
    turn = 6.28 * seed
    u = (coat.along[rows] * turn.cos() + coat.across[rows] * turn.sin()) / USE_MM
    v = (coat.across[rows] * turn.cos() - coat.along[rows] * turn.sin()) / USE_MM
    left = torch.zeros(3, len(rows), device=step.device)
    for scale, share in ((1.0, (1.0, 1.0, 1.0)), (USE_COARSE, USE_COARSE_SHARE)):
        near = _rows(step < scale * USE_FADES_MM[1])
        at = torch.stack([u[near], v[near]], 1) / scale + seed[near, None] * u.new_tensor([61.0, 97.0])
        grid = (at - torch.floor(at)) * 2 - 1
        tile = torch.nn.functional.grid_sample(_use(step.device), grid[None, None], align_corners=True)[0, :, 0]
        shown = smoothstep(scale * USE_FADES_MM[1], scale * USE_FADES_MM[0], step[near])
        left[:, near] += tile * shown * u.new_tensor(share)[:, None]
    hair, spot, smear = (left * coat.table.used[p].T).unbind(0)
    many = smoothstep(-0.9, 1.8, bunched[rows])
    hair, spot = 1.5 * hair * (1 - many) ** 2, spot * (0.1 + 1.8 * many)
    tone = coat.tone[rows]
    tone = mix(tone, 0.65 * tone + 0.20, hair.clamp(0, 1))
    tone = mix(tone, _tone(DRIED, tone), (0.5 * spot).clamp(0, 0.6))
    tone = mix(tone, _tone(SPECK, tone), (-0.9 * spot).clamp(0, 0.9))
    coat.tone[rows] = tone * (1 + 0.018 * smear)[:, None]
    coat.rough[rows] = (coat.rough[rows] * (1 + 0.16 * smear) + 0.15 * hair + 0.2 * spot.abs()).clamp(0.05, 0.95)


def _crazed(coat: _Coat, noise: Noise) -> None:
    """Crazing: long cracks along the pull in the film, shorter ones across that end at them, their lips curled up."""
    cell = coat.table.crazing[coat.part]
    rows = _rows(cell > 0)
    if not len(rows):
        return
    cell, seed, step = cell[rows], coat.table.seed[coat.part[rows]], coat.step[rows]
    pos, b, f, t = coat.position[rows], coat.broad[rows], coat.fine[rows], coat.tiny[rows]
    angle = 3.14 * seed
    u = coat.along[rows] * angle.cos() + coat.across[rows] * angle.sin() + cell * (0.5 * f + 0.06 * t)
    v = coat.across[rows] * angle.cos() - coat.along[rows] * angle.sin()
    v += cell * (0.9 * noise(pos, 60.0, channel=4) + 0.3 * f)
    grown = smoothstep(-0.3, 0.9, b)  # from patches that bore the most sun
    nearest = torch.full_like(u, 99.0)
    for along, across, wide, needs in ((u, v, 1.4, 0.15), (v, u, 0.8, 0.45), (u, v, 0.45, 0.8)):
        # a strip of its own for each crack across: it ends at the long ones beside it
        strip = torch.floor(across / (wide * cell))
        chance = _chance(torch.stack([strip, torch.round(97.0 * seed), 0 * strip + 50.0 * wide], 1), 2)
        if wide > 1:
            away = (across / (wide * cell) - strip - 0.3 - 0.4 * chance[:, 0]).abs() * wide * cell
            part = torch.floor(along / (9.0 * cell) + 7.0 * chance[:, 1])
        else:
            gap = wide * cell * 1.6
            part = torch.floor(along / gap + 7.0 * chance[:, 0])
            place = _chance(torch.stack([part, strip, torch.round(97.0 * seed)], 1), 1)[:, 0]
            away = (along / gap + 7.0 * chance[:, 0] - part - 0.3 - 0.4 * place).abs() * gap
        is_open = _chance(torch.stack([part, strip, torch.round(89.0 * seed)], 1), 1)[:, 0] < 1.5 * grown - needs + 0.4
        nearest = torch.where(is_open & (grown > 0.02), torch.minimum(nearest, away / wide**0.5), nearest)
    crack = _cracked(nearest, 0.13, step)
    coat.tone[rows] = mix(coat.tone[rows], 0.3 * coat.tone[rows], 0.9 * crack)
    coat.height[rows] += 0.05 * torch.exp(-((nearest / 0.5) ** 2)) - 0.09 * crack
    coat.call(rows, "film_defect", grown > 0.35, grown > 0.02)


def _filled(coat: _Coat, noise: Noise) -> None:
    """A patch of body filler: waves, the edge where it shrank, rubbed through in rings, pinholes, a crack."""
    spot = coat.table.filler[coat.part]
    reach = ((coat.along - spot[:, 1]) / spot[:, 3]) ** 2 + ((coat.across - spot[:, 2]) / spot[:, 4]) ** 2
    rows = _rows((spot[:, 0] > 0) & (reach < 4.0))
    if not len(rows):
        return
    p, pos, spot, r2 = coat.part[rows], coat.position[rows], spot[rows], reach[rows]
    b, f, t, step = coat.broad[rows], coat.fine[rows], coat.tiny[rows], coat.step[rows]
    waves, rubbed = spot[:, 0], spot[:, 5]
    height = waves * noise(pos, 75.0, octaves=2, channel=4) * torch.exp(-(r2**2))
    height += 0.35 * waves * torch.exp(-(((r2.sqrt() - 1.0 - 0.08 * f) / 0.10) ** 2))
    # the sander feathered the older coats around the filler; where the new paint is rubbed thin they come out in rings
    seed = coat.table.seed[p]
    sanded = torch.maximum(
        _scratches(coat.along[rows], coat.across[rows], 0.5 + 0.2, seed, 1.7, 45.0, step),
        _scratches(coat.along[rows], coat.across[rows], -0.35, seed, 2.3, 60.0, step),
    )
    edge = 0.06 * noise(pos, 70.0, channel=5, rounded=True) + 0.004 * f + 0.003 * t
    depth = rubbed * torch.exp(-1.2 * r2) * (1 + 0.10 * b) + rubbed * edge * torch.exp(-0.4 * r2)
    older, primer, filler = coat.table.under[p], coat.table.primer[p], coat.table.filler_tone[p]
    tone, rough = coat.tone[rows], coat.rough[rows]
    soft = 0.03 + 0.03 * ((13.0 * seed) % 1)  # how long the sander feathered
    two = coat.table.has_under[p].float()
    tone = mix(tone, older, two * smoothstep(0.40 - soft, 0.40 + soft, depth))
    tone = mix(tone, primer * (1 + 0.04 * f[:, None]), smoothstep(0.48 - soft, 0.48 + soft, depth))
    bare = smoothstep(0.60 - 1.5 * soft, 0.60 + 1.5 * soft, depth + 0.05 * b)
    body = filler * (1 + 0.05 * b + 0.04 * f + 0.03 * t).clamp(0.7, 1.3)[:, None]
    holes = (bare > 0.7) & (noise(pos, 1.8, channel=2) > 2.3) & (b > -0.3)
    tone = mix(tone, body, bare)
    tone = torch.where(holes[:, None], 0.3 * body, tone)
    # its marks lie in the rubbed coats, and end where they end
    tone = tone * (1 + 0.10 * sanded * smoothstep(0.40, 0.55, depth))[:, None]
    rough = mix(rough, 0.65 - 0.1 * sanded, smoothstep(0.36, 0.46, depth))
    height -= 0.08 * smoothstep(0.36, 0.60, depth) + 0.25 * holes
    seen = (depth > 0.40) & (_visible(filler, coat.table.colour[p]) | _visible(primer, coat.table.colour[p]))
    # a crack along the old dent, its edges lifted, with short ones that leave it to the sides
    apart = coat.across[rows] - spot[:, 2] + 0.3 * spot[:, 4] * noise(pos, 110.0, octaves=3, channel=5) + 0.25 * t
    cell = torch.floor(coat.along[rows] / 38.0)
    chance = _chance(torch.stack([cell, torch.round(97.0 * seed)], 1), 4)
    side, far = torch.where(chance[:, 0] < 0.5, 1.0, -1.0), (5.0 + 22.0 * chance[:, 1]).clamp(max=0.6 * spot[:, 4])
    out = apart * side
    leaves = coat.along[rows] - 38.0 * (cell + 0.3 + 0.4 * chance[:, 2]) - 0.8 * (chance[:, 3] - 0.5) * out - 0.9 * f
    branch = torch.where((out > 0) & (out < far), leaves.abs(), torch.full_like(out, 99.0))
    off = torch.minimum(apart.abs(), branch)
    broken = (spot[:, 6] > 0) & (r2 < 0.8 + 0.2 * f)
    crack = broken * _cracked(off, 0.28, step)
    flaked = broken & (off < 3.5) & (f + 0.6 * t > 1.5)
    tone = torch.where(flaked[:, None], body, tone)
    tone = mix(tone, 0.15 * tone, crack)
    height += torch.where(broken, 0.12 * torch.exp(-((off / 1.6) ** 2)) - 0.3 * crack - 0.15 * flaked, 0.0)
    coat.tone[rows], coat.rough[rows] = tone, rough
    coat.height[rows] += height
    coat.call(rows, "filler", (seen & (step < FILLER_MM)) | (broken & (off < 6.0) & (step < CRACK_MM)), r2 < 1.4)
    coat.call(rows, "wear_through", torch.zeros_like(seen), (depth > 0.40) | flaked)
    coat.call(rows, "film_defect", torch.zeros_like(seen), broken & (off < 8.0))


def _sagged(coat: _Coat, noise: Noise) -> None:
    """Runs of too wet a coat, or the edge of an old flake that shows through a newer one: relief alone."""
    sag = coat.table.sag[coat.part]
    dx, dy = coat.along - sag[:, 1], coat.across - sag[:, 2]
    rows = _rows((sag[:, 0] > 0) & (dx.abs() < 1.6 * sag[:, 3]) & (dy.abs() < 2.2 * sag[:, 3]))
    if not len(rows):
        return
    p, sag, dx, dy = coat.part[rows], sag[rows], dx[rows], dy[rows]
    b, f, radius, deep = coat.broad[rows], coat.fine[rows], sag[:, 3], sag[:, 4]
    runs = sag[:, 0] == 1
    # a curtain, and drops that ran down from it at irregular places, each with a bead at its end; rows run downwards
    drop = torch.floor(dx / 24.0)
    chance = [torch.frac((drop * k + 91.7 * coat.table.seed[p]).sin().abs() * 437.5) for k in (12.99, 7.23, 3.77)]
    middle, reach = (drop + 0.3 + 0.4 * chance[0]) * 24.0, radius * (0.25 + 1.3 * chance[1])
    width = 2.6 + 1.6 * chance[2] + 1.2 * torch.exp(-(((dy - reach) / 7.0) ** 2))
    thread = torch.exp(-(((dx - middle + 0.6 * f) / width) ** 2)) * smoothstep(-6.0, 6.0, dy)
    thread = thread * smoothstep(4.0, -4.0, dy - reach) * (0.7 + 0.5 * torch.exp(-(((dy - reach) / 8.0) ** 2)))
    curtain = 0.5 * torch.exp(-(((dy - 2.0 * f) / 7.0) ** 2))
    rim = smoothstep(1.0, 0.8, dx.abs() / radius)
    ridges = deep * rim * torch.maximum(thread * (chance[0] > 0.35), curtain)
    # the older coat's broken edge, rounded by what lies on it
    level = 1.2 * torch.exp(-(dx**2 + dy**2) / radius**2) + 0.30 * f + 0.22 * b - 0.62
    hollow = -deep * smoothstep(-0.05, 0.05, level)
    coat.height[rows] += torch.where(runs, ridges, hollow)
    near = torch.where(runs, ridges > 0.2 * deep, level.abs() < 0.14)
    coat.call(rows, "film_defect", near & (coat.step[rows] < RUN_MM), near)


def _texture_relief(
    texture: Tensor, position: Tensor, along: Tensor, across: Tensor, seed: Tensor, noise: Noise
) -> Tensor:
    """Relief (N,) in mm of a roller's stipple, a brush's lines, sprayed grains or the pattern of a lamp's lens.

    `texture` as in `PartTable`; flutes are upright on a lens that looks ahead or back, rings go around its middle.
    """
    kind, height, wave, way = texture.unbind(1)
    scale = (4.0 / wave.clamp(min=0.5))[:, None]
    stipple = noise(position * scale, 4.0, octaves=2, channel=3)
    u, v = along * way.cos() + across * way.sin(), across * way.cos() - along * way.sin()
    # strokes of a brush's width and an arm's length, each a little turned; its bristles draw fine even lines
    row = torch.floor(v / BRUSH_MM[1])
    stroke = torch.floor(u / BRUSH_MM[0] + 0.618 * row)
    chance = _chance(torch.stack([row, stroke, torch.round(97.0 * seed)], 1), 3) - 0.5
    turned = v + 0.05 * chance[:, 0] * (u - BRUSH_MM[0] * (stroke - 0.618 * row + 0.5)) + 91.0 * chance[:, 1]
    bristles = noise(
        torch.stack([u / 70.0, turned, 997.0 * seed + 50.0 * chance[:, 2]], 1) * scale,
        2.2,
        octaves=2,
        channel=2,
        gain=0.8,
    )
    ends = u / BRUSH_MM[0] + 0.618 * row - stroke
    bristles = bristles * smoothstep(0.0, 0.05, ends) * smoothstep(1.0, 0.95, ends)
    lap = v / BRUSH_MM[1] - row
    bristles = bristles * (0.75 + 0.5 * chance[:, 2]) + 0.9 * torch.exp(-((lap * BRUSH_MM[1] / 0.9) ** 2))
    grains = smoothstep(0.1, 1.0, stipple)
    pattern = torch.where(kind == 1, stipple + 0.4 * torch.relu(stipple), torch.where(kind == 2, bristles, grains))
    if bool((kind > 3).any()):
        over = torch.where(kind == 4, position[:, 1], across) / wave
        pattern = torch.where(kind > 3, (torch.pi * over).sin().abs(), pattern)
    return height * pattern


def _brushed(coat: _Coat, noise: Noise) -> None:
    """A coat put on by roller or brush, or a coarse protective one."""
    rows = _rows(coat.table.texture[coat.part, 0] > 0)
    if not len(rows):
        return
    p = coat.part[rows]
    texture = coat.table.texture[p]
    relief = _texture_relief(
        texture, coat.position[rows], coat.along[rows], coat.across[rows], coat.table.seed[p], noise
    )
    share = (relief / texture[:, 1].clamp(min=1e-3)).clamp(-1, 1.5)
    coat.height[rows] += relief
    coat.tone[rows] *= 1 + (0.05 * share)[:, None]
    coat.rough[rows] = torch.where(texture[:, 0] == 3, torch.full_like(relief, 0.6), coat.rough[rows])
    resolved = coat.step[rows] < texture[:, 2] / 3
    coat.call(rows, "coarse_texture", resolved, ~resolved)


def _taped(coat: _Coat, noise: Noise) -> None:
    """What masking tape left: gum in a straight band, its crepe and its dirty edges; at times painted over."""
    gum = coat.table.gum[coat.part]
    off, away = coat.across - gum[:, 1], (coat.along - gum[:, 3]).abs()
    rows = _rows((gum[:, 0] > 0) & (off > -3) & (off < gum[:, 2] + 3) & (away < gum[:, 4] + 6))
    if not len(rows):
        return
    p, gum, off, away, step = coat.part[rows], gum[rows], off[rows], away[rows], coat.step[rows]
    b, f, t = coat.broad[rows], coat.fine[rows], coat.tiny[rows]
    inward = torch.minimum(off, gum[:, 2] - off) + 0.3 * f
    inward = torch.minimum(inward, gum[:, 4] - away + 3.0 * f)
    band = smoothstep(-0.3, 0.4, inward)
    rim = torch.exp(-torch.relu(inward) / 2.0)
    along = coat.along[rows]
    crepe = noise(torch.stack([along, off / 7.0, 997.0 * coat.table.seed[p]], 1), 1.6, octaves=2, channel=2)
    left = smoothstep(0.35, 0.9, 0.45 * b + 0.35 * f + 0.8 * rim + gum[:, 0] - 1 + 0.12 * crepe)
    cover = band * left
    over = gum[:, 5] > 0.5
    bared = ~over | (f + 0.5 * t > 1.3)
    tone = coat.table.gum_tone[p] * (1 + 0.12 * crepe + 0.08 * f)[:, None].clamp(0.5, 1.5)
    dirty = mix(tone, 0.3 * tone, (0.8 * rim + 0.25 * smoothstep(0.3, 1.2, f)).clamp(0, 0.9))
    coat.tone[rows] = mix(coat.tone[rows], dirty, 0.92 * cover * bared)
    coat.rough[rows] = mix(coat.rough[rows], torch.where(over, 0.45, 0.72), cover)
    coat.metal[rows] *= 1 - cover * bared
    coat.height[rows] += cover * (0.08 + 0.03 * crepe)
    bare = (step < GUM_MM) & _visible(coat.table.gum_tone[p], coat.table.colour[p])
    plain = torch.where(bared, bare, step < CREPE_MM)  # under paint only its crepe tells
    coat.call(rows, "tape_residue", (cover > 0.45) & plain, cover > 0.08)
    coat.call(rows, "masking_edge", torch.zeros_like(plain), cover > 0.08)  # its edge is the line that tape left


def _marked(coat: _Coat, noise: Noise) -> None:
    """Innocent marks: the ghost of a decal, old glue, a sticker, a spot of primer, a dent, a scuff."""
    mark = coat.table.mark[coat.part]
    u, v = (coat.along - mark[:, 1]) / mark[:, 3], (coat.across - mark[:, 2]) / mark[:, 4]
    rows = _rows((mark[:, 0] > 0) & (u.abs() < 2.2) & (v.abs() < 2.2))
    if not len(rows):
        return
    p, mark, u, v = coat.part[rows], mark[rows], u[rows], v[rows]
    f, t = coat.fine[rows], coat.tiny[rows]
    tone, rough, height = coat.tone[rows], coat.rough[rows], coat.height[rows]
    own, seed = coat.table.mark_tone[p], coat.table.seed[p]
    inward = torch.minimum((1 - u.abs()) * mark[:, 3], (1 - v.abs()) * mark[:, 4])  # mm from the outline
    inside, line = inward > 0, (inward.abs() < 0.7) & (f > -0.6)
    kind = mark[:, 0].long()
    ghost, glue, sticker, spot, dent, scuff = (kind == MARKS.index(name) for name in MARKS[1:])
    tone = torch.where((ghost & inside)[:, None], 0.9 * tone + 0.1 * coat.table.colour[p] - 0.01, tone)
    tone = torch.where((ghost & line)[:, None], 0.55 * tone, tone)
    # glue stays at the rim and in the strips that the scraper missed
    scraped = noise(torch.stack([u * mark[:, 3] / 9.0, v * mark[:, 4], 997.0 * coat.table.seed[p]], 1), 9.0, octaves=2)
    blotch = smoothstep(0.3, 0.9, scraped + 0.25 * f + 0.9 * torch.exp(-torch.relu(inward) / 3.0)) * inside
    tone = mix(tone, own * (1 + 0.15 * t)[:, None], 0.9 * blotch * glue)
    height = height + 0.15 * blotch * glue
    stuck, near = torch.zeros_like(u), _rows(sticker & (u.abs() < 1.2) & (v.abs() < 1.2))
    if len(near):
        tone[near], stuck[near] = _stuck(coat, rows[near], u[near], v[near], tone[near])
    height = height + 0.08 * stuck
    oval = _patched(coat, rows, u, v, mark) * spot
    tone = mix(tone, own * (1 + 0.03 * f[:, None]), oval)
    rough = torch.where(stuck > 0.5, 0.3, mix(rough, torch.full_like(rough, 0.75), torch.maximum(oval, blotch * glue)))
    height = height - mark[:, 5] * torch.exp(-2.0 * (u**2 + v**2)) * dent
    # smeared on along the motion, over everything: streaks that thin out
    smear = noise(torch.stack([coat.along[rows] / 16.0, coat.across[rows], 997.0 * seed], 1), 6.0, octaves=3)
    drag = noise(torch.stack([coat.along[rows] / 50.0, coat.across[rows], 997.0 * seed], 1), 1.8, octaves=2, channel=2)
    rubbed = smoothstep(0.2, 1.9, smear + 1.3 - 1.6 * (0.5 * u**2 + v**2) + 0.5 * drag + 0.2 * t) * scuff
    tone = mix(tone, own, 0.9 * rubbed)
    coat.tone[rows], coat.rough[rows], coat.height[rows] = tone, rough, height
    covered = (stuck > 0.5) | (oval > 0.5) | (rubbed > 0.5)
    coat.unsure[rows] |= torch.where(covered, coat.bits[rows], 0)
    coat.bits[rows] &= torch.where(covered, 0, coat.bits[rows])
    coat.metal[rows] *= 1 - covered.float()


@lru_cache(maxsize=2)
def _stickers(device: torch.device) -> Tensor:
    """The sheet of stickers (1, 4, n × HEIGHT, WIDTH) on a device."""
    return torch.from_numpy(sheet().copy()).to(device).permute(2, 0, 1)[None]


def _stuck(coat: _Coat, rows: Tensor, u: Tensor, v: Tensor, tone: Tensor) -> tuple[Tensor, Tensor]:
    """Tone (M, 3) with stickers over it, and their cover (M,); `u` and `v` from -1 to 1 across them.

    The film shrinks from its edges and tears off from one corner, where glue stays; its print pales.
    """
    p = coat.part[rows]
    f, t, mark = coat.fine[rows], coat.tiny[rows], coat.table.mark[p]
    number, turn, peeled = coat.table.sticker[p].unbind(1)
    printed = _stickers(tone.device)
    level = (number + 0.5 + 0.5 * turn * v.clamp(-0.99, 0.99)) * HEIGHT / printed.shape[2]
    at = torch.stack([turn * u, 2 * level - 1], 1)
    seen = torch.nn.functional.grid_sample(printed, at[None, None], align_corners=False)[0, :, 0].T
    off_u, off_v = (1 - u.abs()) * mark[:, 3], (1 - v.abs()) * mark[:, 4]
    is_round = mark[:, 3] == mark[:, 4]
    inward = torch.where(is_round, (1 - torch.hypot(u, v)) * mark[:, 3], torch.minimum(off_u, off_v))  # mm
    corner = torch.hypot((turn * u - 1) * mark[:, 3], (turn * v + 1) * mark[:, 4])  # mm from the upper right one
    whole = seen[:, 3] * (inward > 0)
    left = smoothstep(-0.5, 0.5, inward + 0.6 + 1.2 * f - 3.0 * peeled**2)
    left = left * smoothstep(-1.0, 1.0, corner + 4.0 * f + 12.0 - 30.0 * peeled)
    pale = (0.35 * peeled * (1 + smoothstep(0.6, 1.8, t + f))).clamp(0, 0.7)
    film = mix(seen[:, :3] / seen[:, 3:].clamp(min=1e-3), torch.full_like(tone, 0.42), pale) * (1 + 0.03 * f)[:, None]
    tone = mix(tone, torch.full_like(tone, 0.16), whole * (1 - left) * (0.35 + 0.25 * f).clamp(0, 0.8))
    tone = mix(tone, film, whole * left)
    rim = torch.exp(-((inward / 0.9) ** 2)) * (0.25 + 0.3 * peeled)  # dirt sticks to the film's edge
    return tone * (1 - rim)[:, None], whole * left


def _patched(coat: _Coat, rows: Tensor, u: Tensor, v: Tensor, mark: Tensor) -> Tensor:
    """Cover (M,) of a spot of primer: from a can, in passes side by side with mist around, some of them within tape."""
    seed = coat.table.seed[coat.part[rows]]
    taped = (29.0 * seed) % 1 < 0.4
    # passes of the can: each lies a little elsewhere and overlaps the last
    lane = torch.floor(1.5 * v + 1.5)
    begins = 0.3 * _chance(torch.stack([lane, torch.round(97.0 * seed)], 1), 2)
    ends = torch.maximum(u - 1 + begins[:, 0], -u - 1 + begins[:, 1])
    out = torch.hypot(torch.relu(ends + 0.55), torch.relu(v.abs() - 0.45)) / 0.75  # 0 inside, 1 where mist ends
    mist = torch.exp(-4.5 * out**2) * (1 + 0.05 * coat.fine[rows])
    grain = _chance(torch.floor(coat.position[rows] / 0.7), 1)[:, 0]
    sprayed = _specked(mist, grain, coat.step[rows])
    askew = 0.06 * (((53.0 * seed) % 1) - 0.5)
    inward = torch.minimum((0.8 - (u + askew * v).abs()) * mark[:, 3], (0.75 - (v - askew * u).abs()) * mark[:, 4])
    within = smoothstep(-0.3, 0.3, inward + 0.06 * coat.tiny[rows])
    coat.height[rows] += 0.06 * torch.where(taped, within * (1 + torch.exp(-((inward - 0.4) ** 2))), sprayed)
    return torch.where(taped, within, sprayed)


def filled_share(along_mm: Tensor, fill: Tensor, seed: Tensor) -> Tensor:
    """How full a seam is at a place along it, 0 open to 1 level; `painter` bends the mesh by the same profile.

    `fill` (..., 3) as `PartTable.fill`, `seed` the part's own. What was put in shrank unevenly: it is fuller in places.
    """
    least, start, stop = fill.unbind(-1)
    waves = sum((along_mm * (6.28 / length) + seed * turn).sin() for length, turn in ((31.0, 91.0), (74.0, 57.0)))
    return (
        (least + (least > 0) * (1 - least) * 0.4 * (1 + 0.5 * waves))
        * smoothstep(0.0, 1.0, (along_mm - start) / FILL_RAMP_MM + 0.5)
        * smoothstep(0.0, 1.0, (stop - along_mm) / FILL_RAMP_MM + 0.5)
    )


def _cracked(away: Tensor, half: float, step: Tensor) -> Tensor:
    """Cover (N,) of a hair crack `half` mm to each side; a texel wider than the crack takes its share of it."""
    wide = (0.6 * step).clamp(min=half)
    return half / wide * smoothstep(1.0, 0.4, away / wide)


def _jointed(joint: _Coat, mud: Tensor, noise: Noise) -> None:
    """What the factory, the painter or the years put into the groove of a seam, or left open.

    `joint.across` counts from the middle of the groove. A filled seam shows by the open line that stops, by the valley
    where the filler shrank, its smeared rims, tool marks, pinholes and a crack along a flange.
    """
    table, p, lateral, along = joint.table, joint.part, joint.across, joint.along
    f, t, seed = joint.fine, joint.tiny, table.seed[joint.part]
    off, gap = lateral.abs(), table.gap[p]
    fill = filled_share(along, table.fill[p], seed)
    packed, sealed = table.packed[p], table.sealer[p]
    shut = 1 - (1 - fill) * (1 - sealed) * (1 - packed)
    groove = smoothstep(gap + 0.6, gap - 0.4, off + 0.2 * f)
    open_dirt = ((1 - shut) * groove * smoothstep(-0.6, 0.8, f)).clamp(0, 1)
    joint.tone = mix(joint.tone, (0.5 * mud).expand_as(joint.tone), 0.85 * open_dirt)
    # mud or polish, level or sunk, its rims crumbled
    share = packed * smoothstep(gap + 0.5, gap - 0.3, off + 0.3 * f + 0.15 * t)
    is_mud = seed > 0.5  # polish dries to broken crumbs, most of them along the flanges, and greys
    crumbs = (0.25 + 0.75 * torch.exp(-(((off - gap) / 0.9) ** 2))) * smoothstep(-0.7, 0.6, f + 0.3 * t)
    share = torch.where(is_mud, share, share * crumbs)
    residue = torch.where(is_mud[:, None], mud, torch.tensor([0.42, 0.42, 0.40], device=mud.device))
    joint.tone = mix(joint.tone, residue * (1 + 0.15 * t[:, None]), share)
    joint.rough = mix(joint.rough, torch.full_like(off, 0.9), share)
    joint.height += share * 0.25 * f
    # the factory's bead: drawn from a nozzle, dirt at its feet
    bead = sealed * smoothstep(4.9, 4.3, off + 0.12 * f)
    drawn = noise(torch.stack([along, 0.2 * lateral, 997.0 * seed], 1), 7.0, octaves=2, channel=3)
    joint.tone = mix(joint.tone, table.filler_tone[p] * (1 + 0.04 * f[:, None]), bead)
    joint.tone = mix(joint.tone, 0.45 * joint.tone, 0.7 * sealed * torch.exp(-(((off - 4.7) / 0.5) ** 2)))
    joint.rough = mix(joint.rough, torch.full_like(off, 0.5), bead)
    joint.height += 0.03 * bead * drawn
    rows = _rows(fill > 0)
    if not len(rows):
        return
    fill, off, gap, seed, along, lateral = fill[rows], off[rows], gap[rows], seed[rows], along[rows], lateral[rows]
    f, t, step, p = f[rows], t[rows], joint.step[rows], p[rows]
    closed = smoothstep(0.2, 0.7, fill)
    wander = noise(torch.stack([along, 40.0 * torch.sign(lateral), 997.0 * seed], 1), 26.0, octaves=3, channel=4)
    rim = (gap + 1.4 + 0.9 * wander).clamp(max=7.3)  # how far it was smeared onto the sheets
    smeared = closed * smoothstep(0.5, -0.5, off - rim)
    drags = noise(torch.stack([along / 30.0, lateral, 997.0 * seed], 1), 1.5, octaves=2, channel=2)
    own = 0.4 + 0.6 * ((17.0 * seed) % 1)  # how carelessly
    height = own * smeared * (0.16 + 0.045 * drags) + 0.05 * smeared * f
    rough = (joint.rough[rows] + (0.05 + 0.10 * own) * smeared * (1 + 0.3 * f)).clamp(0.06, 0.9)  # new paint sank in
    valley = smeared * smoothstep(0.0, 0.10, 1 - fill)
    dirt = valley * torch.exp(-((lateral / (0.35 * gap)) ** 2)) * smoothstep(-0.9, 0.9, f + 0.4 * wander)
    tone = joint.tone[rows]
    tone = mix(tone, 0.4 * tone, 0.7 * dirt)
    # pinholes, few and in some seams only, show what lies under the paint
    cell = torch.stack([torch.floor(along / 5.0), torch.floor(lateral / 4.0), torch.round(97.0 * seed)], 1)
    chance = _chance(cell, 4)
    away = torch.hypot(along - 5.0 * (cell[:, 0] + 0.2 + 0.6 * chance[:, 0]), lateral - 4.0 * (cell[:, 1] + 0.5))
    hole = 0.2 + 0.5 * chance[:, 1] ** 2
    porous = (chance[:, 2] < 0.16) & ((31.0 * seed) % 1 < 0.5) & (off < gap + 0.5)
    holed = closed * porous * _cracked(away / hole, 1.0, step / hole)
    tone = mix(tone, 0.25 * table.filler_tone[p], 0.9 * holed)
    # the flanges work: the filler lets go along one of them, its lips lifted, on and off
    at = torch.where((53.0 * seed) % 1 < 0.5, 1.0, -1.0) * 0.8 * gap
    apart = (lateral - at - 0.5 * wander - 0.12 * t).abs()
    runs = noise(torch.stack([along, 997.0 * seed, 0.0 * along], 1), 95.0, octaves=2, channel=5)
    split = (table.crack[p] > 0) * smoothstep(0.55, 0.75, fill) * smoothstep(-0.5, -0.2, runs)
    crack = split * _cracked(apart, 0.22, step)
    tone = mix(tone, 0.12 * tone, crack)
    height += split * (0.10 * torch.exp(-((apart / 0.9) ** 2))) - 0.3 * crack - 0.3 * holed
    joint.tone[rows], joint.rough[rows] = tone, rough
    joint.height[rows] += height
    joint.call(rows, "filled_seam", (fill > 0.35) & (off < rim), (fill > 0.03) & (off < rim + 0.7))


def _splashes(texels: Texels, cell_mm: float, share: Tensor, fine: Tensor, tiny: Tensor) -> Tensor:
    """Cover (N,) of drops thrown up by the wheels: longer along their flight, to the rear and up; few are large."""
    cover = torch.zeros_like(share)
    rows, off, chance = _scattered(texels.position_mm, texels.normal, texels.part, cell_mm, share)
    flight = torch.nn.functional.normalize(torch.tensor([-1.0, 0.0, 0.7], device=share.device), dim=0)
    along = (off * flight).sum(-1)
    beside = (off - along[:, None] * flight).norm(dim=-1)
    size = cell_mm * (0.07 + 0.26 * chance[:, 3] ** 2)
    wide = torch.maximum(size, 0.6 * texels.step_mm[rows]).clamp(max=0.5 * cell_mm)
    outline = 1 + 0.16 * fine[rows] + 0.12 * tiny[rows]
    inward = outline - torch.hypot(along / (1 + 1.2 * chance[:, 4]), beside) / wide
    cover[rows] = (size / wide) ** 2 * smoothstep(0.0, 0.45, inward) * (0.45 + 0.55 * chance[:, 5])
    return cover


def _packed(
    distance: Tensor,
    hold: Tensor,
    texels: Texels,
    kind: Tensor,
    grime: Grime,
    broad: Tensor,
    fine: Tensor,
    tiny: Tensor,
) -> Tensor:
    """Cover (N,) of the dirt that sits in corners: dense and dark in the corner, thinning over some millimetres.

    Not on rubber and hidden parts, where it would lie on a painter's mist. A texel wider than the dirt takes its share.
    """
    reach = 1.7 * (1 + 0.45 * fine + 0.3 * broad).clamp(0.25, 2.6)
    wide = torch.maximum(reach, 0.6 * texels.step_mm)
    line = torch.exp(-distance / wide) * reach / wide
    ledge = 0.8 + 0.3 * texels.normal[:, 2].clamp(-1, 1)
    crumbs = smoothstep(-1.3, 1.0, 0.7 * fine + 0.5 * broad + 0.35 * tiny)
    cover = 1.35 * grime.gaps * hold * line * ledge * (0.3 + 0.7 * crumbs)
    return (cover * smoothstep(REACH_MM, 0.6 * REACH_MM, distance) * ((kind != 3) & (kind != 6))).clamp(0, 0.92)


def _soil(
    colour: Tensor,
    roughness: Tensor,
    metallic: Tensor,
    relief: Tensor,
    cues: Tensor,
    unknown: Tensor,
    texels: Texels,
    kind: Tensor,
    grime: Grime,
    packed: Tensor,
    thrown: Tensor,
    broad: Tensor,
    fine: Tensor,
    tiny: Tensor,
    noise: Noise,
    left: Tensor,
) -> None:
    """Dirt in gaps, dust on what faces up, mud from below, salt, moss, polish, wax, snow, drops.

    What they cover can't be seen. `left` (N,) is the share of it that nothing has rubbed off.
    """
    device = colour.device
    grimy = 0.22 * torch.tensor(grime.mud_colour, device=device) * (1 + 0.15 * tiny[:, None])
    colour += (grimy - colour) * packed[:, None]
    roughness += (0.9 - roughness) * packed
    metallic *= 1 - packed
    up = texels.normal[:, 2]
    low = torch.exp(-torch.relu(texels.position_mm[:, 2]) / max(grime.mud_height_mm, 1.0))
    # rain drew the film on upright sheets into runs; arms and cloths took it off in swathes
    runs = noise(texels.position_mm * up.new_tensor([1.0, 1.0, 0.05]), 26.0, octaves=2, channel=4, gain=0.7)
    runs = (torch.relu(runs - 0.3) - torch.relu(-0.9 - runs)) * smoothstep(0.6, 0.2, up.abs())
    drawn = texels.position_mm * up.new_tensor([0.12, 1.0, 1.0])
    swathe = noise(texels.position_mm * up.new_tensor([0.4, 1.0, 1.0]), 230.0, channel=5, rounded=True)
    rubbed = smoothstep(0.6, 2.0, swathe + 0.2 * noise(drawn, 15.0, octaves=2, channel=3, gain=0.8))
    rubbed = rubbed * (1 - 0.6 * up.clamp(0, 1))  # nobody leans on what lies flat for long
    wiped = 1 - 0.8 * max(1 - grime.dust, 0) * rubbed  # much dust has lain for long
    settled = (0.85 + 0.04 * broad + 0.05 * fine + 0.30 * runs).clamp(0.1, 1.6)
    dust = grime.dust * (0.25 + 0.75 * smoothstep(-0.2, 0.9, up)) * settled * wiped
    dust += RUN_MARKS * torch.relu(runs) * (kind == 1)
    spread = torch.where(kind == 6, 1.0, 0.5 + 0.6 * thrown.clamp(max=1.5))
    film = grime.mud * spread * low**2 * (0.6 + 0.22 * runs + 0.10 * fine).clamp(0, 1) * wiped
    # drops fly in gushes: thick where one struck, none beside it
    gush = torch.exp(1.5 * broad - 0.9).clamp(max=3)
    splashed = (1.1 * grime.mud * torch.where(kind == 6, 0.4, torch.relu(thrown - 0.05)) * low * gush).clamp(0, 1)
    mud = 0.8 * film
    for cell, most in ((4.0, 0.5), (9.0, 0.3), (20.0, 0.1)):
        mud = torch.maximum(mud, 0.85 * _splashes(texels, cell, most * splashed, fine, tiny))
    mud = mud.clamp(0, 1)
    dust, mud = dust * left, mud * left
    salt = grime.salt * smoothstep(0.2, 1.4, broad + 0.5 * fine) * low
    for share, tone in ((dust, grime.dust_colour), (salt, (0.6, 0.6, 0.6)), (mud, grime.mud_colour)):
        share = share.clamp(0, 0.96)
        target = torch.tensor(tone, device=device) * (1 + 0.05 * tiny[:, None])
        colour += (target - colour) * share[:, None]
        roughness += (0.95 - roughness) * share
        metallic *= 1 - share
    hidden = ((mud + dust.clamp(0, 1)) > 0.75) | (packed > 0.75)
    if grime.moss > 0:  # in what holds water: seams, the foot of a rubber
        foot = torch.where(kind == 3, smoothstep(12.0, 5.0, texels.across_mm), torch.zeros_like(fine))
        groove = smoothstep(6.5, 3.0, (texels.across_mm - texels.height_mm / 2).abs())
        wet = torch.maximum(torch.where(kind == 5, groove, foot), 0.7 * packed)
        tufts = noise(texels.position_mm, 4.0, octaves=3, channel=0, gain=0.8)
        grown = smoothstep(0.6 - 1.3 * grime.moss, 1.8 - 1.3 * grime.moss, 0.5 * broad + 0.7 * fine)
        moss = smoothstep(0.15, 0.85, wet * grown * (1 + 0.35 * tufts + 0.15 * tiny))
        fresh, dry = torch.tensor([[[0.07, 0.10, 0.02]], [[0.12, 0.11, 0.03]]], device=device)
        green = mix(fresh, dry, smoothstep(-1.0, 1.5, fine))
        green = green * (1 + 0.3 * tiny + 0.3 * tufts).clamp(0.3, 2)[:, None]
        colour += (green - colour) * moss[:, None]
        roughness += (0.97 - roughness) * moss
        metallic *= 1 - moss
        relief += 0.8 * moss * (1 + 0.3 * tiny + 0.2 * tufts)
        hidden |= moss > 0.5
    if grime.polish > 0:  # what a cloth left in corners: at the foot of rubbers, along seams, round heads
        seam_edge = (texels.across_mm - texels.height_mm / 2).abs()
        corner = torch.where(kind == 3, torch.exp(-torch.relu(texels.across_mm - 2) / 3.0), 0.0)
        corner = torch.where(kind == 5, torch.exp(-(((seam_edge - 4.5) / 2.0) ** 2)), corner)
        rim = torch.exp(-torch.relu(0.92 * texels.height_mm - texels.across_mm) / 0.8)
        corner = torch.where(kind == 4, rim, corner)
        left = corner * smoothstep(1.2 - 1.4 * grime.polish, 1.9 - 1.4 * grime.polish, broad + 0.6 * fine + 0.2 * tiny)
        white = torch.tensor([0.62, 0.63, 0.62], device=device) * (1 + 0.1 * tiny[:, None])
        colour += (white - colour) * (0.85 * left)[:, None]
        roughness += (0.9 - roughness) * left
        metallic *= 1 - left
    if grime.cavity_wax > 0:
        sags = texels.position_mm * torch.tensor([1.0, 1.0, 0.22], device=device)  # it ran down before it set
        wet = noise(sags, 55.0, octaves=3, channel=4) + 0.5 * broad
        coat = ((kind == 6) | ((kind == 2) & (up < 0.3))) * smoothstep(
            1.0 - 1.6 * grime.cavity_wax, 1.7 - 1.6 * grime.cavity_wax, wet
        )
        amber = torch.tensor([0.17, 0.095, 0.03], device=device) * (1 + 0.2 * fine[:, None]).clamp(0.4, 1.6)
        colour += (0.5 * colour + 0.5 * amber - colour) * coat[:, None]
        roughness += (0.22 - roughness) * coat
        metallic *= 1 - 0.7 * coat
        relief += 0.15 * coat * (1 + 0.4 * fine)
        hidden |= coat > 0.6
    if grime.snow > 0:
        lies = smoothstep(0.15, 0.6, up) * smoothstep(
            0.9 - 1.8 * grime.snow, 1.2 - 1.8 * grime.snow, broad + 0.25 * fine
        )
        lies = lies * ((kind != 6) & (kind != 2))  # not under a bonnet or behind a door
        colour += (torch.tensor([0.86, 0.88, 0.92], device=device) - colour) * lies[:, None]
        roughness += (0.9 - roughness) * lies
        metallic *= 1 - lies
        relief += 3.0 * lies * (1 + 0.25 * fine)
        hidden |= lies > 0.5
    if grime.drops > 0:
        outside = (kind != 6) & (texels.step_mm < 1.5) & (up > -0.2)
        drop = outside * smoothstep(
            2.1 - 0.9 * grime.drops, 2.9 - 0.9 * grime.drops, noise(texels.position_mm, 5.0, channel=1) + 0.3 * broad
        )
        colour *= 1 - 0.15 * drop[:, None]
        roughness += (0.05 - roughness) * drop
        relief += 0.7 * drop
    unknown |= torch.where(hidden, cues, 0)
    cues &= torch.where(hidden, 0, cues)


# --- materials without paint -----------------------------------------------------------------------------------------


def _grained(
    colour: Tensor,
    roughness: Tensor,
    metallic: Tensor,
    relief: Tensor,
    left: Tensor,
    texels: Texels,
    table: PartTable,
    broad: Tensor,
    fine: Tensor,
    tiny: Tensor,
    noise: Noise,
) -> None:
    """The grain of each material and where it is rubbed, faded or dull, in place, before years and painters add theirs.

    Grain finer than the texels fades out, it would turn into a coarser one.
    """
    grain = table.grain[texels.part, 0]
    for number, respond in enumerate(_RESPONSES.values(), 1):
        rows = _rows(grain == number)
        if not len(rows):
            continue
        piece = _Material(
            texels.position_mm[rows], texels.normal[rows, 2], texels.along_mm[rows], texels.across_mm[rows],
            texels.width_mm[rows], texels.height_mm[rows], texels.step_mm[rows], table.seed[texels.part[rows]],
            broad[rows], fine[rows], tiny[rows], colour[rows], roughness[rows], metallic[rows],
            torch.zeros_like(fine[rows]), left[rows],
        )  # fmt: skip
        respond(piece, noise)
        colour[rows], roughness[rows], metallic[rows] = piece.tone.clamp(min=0), piece.rough, piece.metal
        relief[rows] += piece.height
        left[rows] = piece.left


@dataclass(slots=True)
class _Material:
    """Texels of one material (see `Texels`); tone, roughness, metal, relief and the dirt left are changed in place."""

    position: Tensor
    up: Tensor
    along: Tensor
    across: Tensor
    width: Tensor
    tall: Tensor
    step: Tensor
    seed: Tensor
    broad: Tensor
    fine: Tensor
    tiny: Tensor
    tone: Tensor
    rough: Tensor
    metal: Tensor
    height: Tensor
    left: Tensor

    def resolved(self, wave_mm: float) -> Tensor:
        """1 where a wave this long shows in the texels, 0 where it is lost."""
        return smoothstep(0.6, 0.25, self.step / wave_mm)

    def drawn(self, long_mm: float, wide_mm: float, noise: Noise) -> Tensor:
        """Fine lines along the part, as a die or a brush draws them."""
        at = torch.stack([self.along * (wide_mm / long_mm), self.across, 997.0 * self.seed], 1)
        return noise(at, wide_mm, octaves=2, channel=2) * self.resolved(wide_mm)

    def tint(self, factor: Tensor) -> None:
        self.tone = self.tone * factor[:, None]

    def cover(self, tone: tuple[float, float, float], share: Tensor) -> None:
        self.tone = mix(self.tone, self.tone.new_tensor(tone), share.clamp(0, 1))


def _rubber_grain(m: _Material, noise: Noise) -> None:
    """Drawn through a die: fine lines along it, a parting line; grey and dull where weather reaches."""
    lines = m.drawn(80.0, 1.3, noise)
    parting = torch.exp(-(((m.across - 0.5 * m.tall) / 0.35) ** 2)) * m.resolved(1.2)
    m.height += 0.012 * lines + 0.12 * parting
    weathered = smoothstep(-0.5, 1.2, 0.8 * m.broad + 0.5 * m.fine + 0.5 * m.up.clamp(0, 1))
    m.cover((0.075, 0.074, 0.070), 0.30 * weathered)
    m.tint((1 + 0.07 * lines).clamp(0.7, 1.4))
    m.rough = (m.rough - 0.14 + 0.26 * weathered + 0.05 * lines).clamp(0.25, 0.95)


def _plastic_grain(m: _Material, noise: Noise) -> None:
    """Embossed like leather; greyed by the sun on what faces up, polished where hands rub the grain off."""
    pebbles = smoothstep(-0.4, 0.7, noise(m.position, 1.9, octaves=2, channel=3))
    rubbed = smoothstep(0.35, 1.2, noise(m.position, 90.0, octaves=2, channel=4) + 0.25 * m.fine)
    shown = (1 - 0.7 * rubbed) * m.resolved(1.9)
    m.height += 0.06 * pebbles * shown
    m.tint(1 + 0.45 * (pebbles - 0.5) * shown)
    m.left = m.left * (1 - 0.6 * rubbed)
    faded = smoothstep(-0.1, 0.9, m.up) * smoothstep(-0.9, 0.9, m.broad + 0.3 * m.fine)
    m.cover((0.075, 0.074, 0.072), 0.45 * faded * (1 - rubbed) * (luminance(m.tone) < 0.08))
    m.rough = (m.rough + 0.12 * faded - 0.20 * rubbed + 0.05 * m.tiny * (1 - rubbed)).clamp(0.22, 0.95)


def _creased(m: _Material, wave_mm: float, width: float, noise: Noise, channel: int) -> Tensor:
    """Lines (N,) that wander about and meet: 1 in a crease, 0 beside it."""
    return torch.exp(-((noise(m.position, wave_mm, octaves=2, channel=channel, rounded=True) / width) ** 2))


def _stitched(m: _Material, bright: float) -> Tensor:
    """Stitches to each side of the seams between a cushion's middle and its border (`cabin._cushion`), which the cover
    puckers towards. Returns how near (N,) a seam is, 0 to 1."""
    near = torch.zeros_like(m.along)
    for at, size, way, length in ((m.across, m.tall, m.along, m.width), (m.along, m.width, m.across, m.tall)):
        beyond = 999.0 * ((size < 150) | ((way / length - 0.5).abs() > 0.35))
        from_seam = ((at / size - 0.5).abs() - 0.35).abs() * size + beyond
        line = torch.exp(-(((from_seam - 6.0) / 0.7) ** 2)) * m.resolved(3.0)
        thread = line * smoothstep(0.2, 0.35, (0.5 - ((way / 5.5) % 1 - 0.5).abs()) * 2)
        wide = (0.6 * m.step).clamp(min=2.2)  # a texel wider than the seam takes its share of it
        seam = 2.2 / wide * torch.exp(-((from_seam / wide) ** 2))
        pulled = torch.exp(-torch.relu(from_seam - 4.0) / 13.0) * m.resolved(14.0)
        pucker = (0.45 * way + 2.0 * m.fine + 2.0 * m.broad + 0.1 * from_seam).sin() * smoothstep(-0.2, 0.8, m.broad)
        m.height += 0.35 * thread - 0.3 * line + 0.45 * pulled * pucker
        m.tint((1 - 0.6 * torch.maximum(0.7 * line, seam)) * (1 + 0.14 * pulled * pucker))
        m.tone = mix(m.tone, bright * m.tone + 0.04, 0.85 * thread)
        near = torch.maximum(near, pulled)
    return near


def _vinyl_grain(m: _Material, noise: Noise) -> None:
    """Leathercloth: fine grain, creased and polished where sat on, its edges rubbed pale, dirt in its seams."""
    middle = 4 * (m.across / m.tall) * (1 - m.across / m.tall) * 4 * (m.along / m.width) * (1 - m.along / m.width)
    sat = smoothstep(0.4, 0.9, middle + 0.15 * m.broad)
    crease = _creased(m, 13.0, 0.16, noise, 5) * (0.25 + 0.75 * sat) * m.resolved(5.0)
    crease = crease * smoothstep(-0.5, 0.7, m.fine)
    pebbles = smoothstep(-0.5, 0.6, noise(m.position, 1.7, octaves=2, channel=3)) * m.resolved(1.7)
    m.height += 0.045 * pebbles - 0.16 * crease
    near = _stitched(m, 1.6)
    m.left = m.left * (0.4 + 0.6 * near)
    edge = torch.minimum(m.across, m.tall - m.across)
    worn = torch.exp(-edge / 9.0) * smoothstep(0.0, 1.0, m.fine + 0.6 * m.broad)
    m.tone = mix(m.tone, 0.55 * m.tone + 0.10, 0.7 * worn)
    m.tint((1 - 0.30 * crease) * (1 + 0.3 * (pebbles - 0.5)))
    m.rough = (m.rough - 0.12 * sat + 0.10 * crease + 0.20 * worn + 0.03 * m.tiny).clamp(0.22, 0.8)


def _cloth_grain(m: _Material, noise: Noise) -> None:
    """A plain weave in stripes, rubbed pale where sat on, stained where coats and hands went."""
    stripe = ((m.across / 46.0) % 1 - 0.5).abs()
    m.tint(1 - 0.32 * smoothstep(0.33, 0.31, stripe) + 0.35 * smoothstep(0.06, 0.05, stripe))
    _felt_grain(m, noise)
    stain = smoothstep(0.4, 1.3, noise(m.position, 140.0, octaves=3, channel=5))
    m.tint(1 - 0.28 * stain)
    _stitched(m, 1.4)


def _felt_grain(m: _Material, noise: Noise) -> None:
    """Threads over and under each other, 1 mm apart."""
    over, under = (6.283 * m.along / 2.1).sin(), (6.283 * m.across / 2.1).sin()
    weave = over * under * m.resolved(2.1)
    m.height += 0.07 * weave
    m.tint((1 + 0.14 * weave + 0.07 * m.tiny + 0.06 * m.fine).clamp(0.5, 1.6))
    m.rough = (m.rough + 0.04 * m.fine).clamp(0.05, 1.0)  # flattened here and there


def _mat_grain(m: _Material, noise: Noise) -> None:
    """Ribbed rubber, its ribs scuffed grey, its grooves full of dirt."""
    rib = (6.283 * m.across / 9.0).cos()
    shown = m.resolved(9.0)
    m.height += 0.5 * smoothstep(-0.4, 0.4, rib) * shown
    trodden = smoothstep(-0.6, 0.9, m.broad + 0.4 * m.fine)
    m.cover((0.10, 0.098, 0.092), (0.15 + 0.35 * smoothstep(0.1, 0.7, rib) * shown) * trodden)
    m.cover((0.11, 0.085, 0.058), 0.55 * smoothstep(0.0, -0.7, rib) * shown * smoothstep(-1.0, 0.6, m.fine))
    m.rough = (m.rough - 0.22 + 0.15 * trodden + 0.08 * m.fine).clamp(0.4, 0.95)


def _tyre_grain(m: _Material, noise: Noise) -> None:
    """Sidewall rubber: brown bloom in cloudy rings, splashed dry, a faint gloss where nothing rubs."""
    rings = noise(torch.stack([0.02 * m.along, m.across, 997.0 * m.seed], 1), 16.0, octaves=3, channel=2)
    bloom = smoothstep(-0.7, 1.3, 0.7 * rings + 0.6 * m.broad + 0.3 * m.fine)
    m.cover((0.092, 0.080, 0.064), 0.42 * bloom)
    m.height += 0.02 * m.drawn(200.0, 2.0, noise)
    m.rough = (m.rough - 0.16 + 0.26 * bloom + 0.04 * m.tiny).clamp(0.35, 0.95)


def _tyre_wall_grain(m: _Material, noise: Noise) -> None:
    """The outer wall: raised letters, rings, and ribs towards the shoulder; dirt stays between, letters rub clean."""
    _tyre_grain(m, noise)
    share = m.across / m.tall.clamp(min=1.0)
    low, high = LETTER_BAND
    mould = torch.from_numpy(moulded().copy()).to(m.tone)[None, None]
    # read from outside, letters run against the columns and stand on the rim
    at = torch.stack([1 - 2 * m.along / m.width, 1 - 2 * (share - low) / (high - low)], 1)
    letters = torch.nn.functional.grid_sample(mould, at[None, None], align_corners=False).reshape(-1)
    letters = letters * (share > low) * (share < high) * m.resolved(12.0)  # strokes are 3 mm wide
    ribs = smoothstep(-0.2, 0.3, (6.283 * 300 * m.along / m.width).sin()) * m.resolved(5.0)
    ribs = ribs * smoothstep(0.0, 0.01, share - RIB_BAND[0]) * smoothstep(0.0, 0.01, RIB_BAND[1] - share)
    rings = smoothstep(-0.3, 0.3, (6.283 * m.across / 2.4).sin()) * m.resolved(2.4)
    rings = rings * ((share - 0.25).abs() < 0.045)
    m.height += 1.0 * letters + 0.6 * ribs + 0.35 * rings
    raised = torch.maximum(letters, torch.maximum(ribs, rings))
    between = (1 - raised) * ((share > low) & (share < high))
    m.cover((0.105, 0.090, 0.070), 0.30 * between)
    m.tint(1 - 0.6 * letters + 0.25 * (ribs + rings))
    m.rough = m.rough - 0.14 * letters
    m.left = m.left * (1 - 0.75 * letters - 0.3 * torch.maximum(ribs, rings))


def _tread_grain(m: _Material, noise: Noise) -> None:
    """Blocks with sipes, tops scuffed by the road, dust and soil in the grooves."""
    pitch = m.width / PITCHES
    place = (m.along / pitch) % 1
    across = m.across / m.tall.clamp(min=1.0)
    zigzag = ((m.across / 9.0) % 1 - 0.5).abs() * 0.09
    sipe = torch.stack([(place - one - zigzag).abs() for one in (0.42, 0.60, 0.78)]).amin(0) * pitch
    middle = ((across - 0.5).abs() * m.tall - 4.0 * ((m.along / 14.0) % 1 - 0.5).abs()).abs()
    cut = torch.maximum(smoothstep(1.1, 0.4, sipe), smoothstep(1.4, 0.6, middle)) * m.resolved(3.0)
    groove = smoothstep(0.25, 0.22, place)
    scuffed = smoothstep(-0.8, 0.9, m.broad + 0.5 * m.fine)
    m.cover((0.080, 0.075, 0.068), 0.45 * scuffed * (1 - groove))
    m.cover((0.13, 0.10, 0.07), 0.6 * groove * smoothstep(-0.8, 0.8, m.fine + 0.5 * m.broad))
    m.tint(1 - 0.75 * cut)
    m.height += 0.05 * m.fine - 0.7 * cut
    m.left = m.left * (0.5 + 0.5 * groove)
    m.rough = (m.rough - 0.05 * scuffed + 0.05 * m.tiny).clamp(0.45, 0.98)


def _spangle_grain(m: _Material, noise: Noise) -> None:
    """Zinc: crystals that mirror unlike each other where it is thick; bright, or dull and grey, with white bloom."""
    warped = m.position + 3.0 * torch.stack([m.fine, m.broad, -m.fine], 1)
    cell = torch.floor(warped / 7.0) + 13.0 * torch.round(97.0 * m.seed)[:, None]
    crystal = (_chance(cell, 2) - 0.5) * (m.resolved(7.0) * ((7.3 * m.seed) % 1 < 0.6))[:, None]
    dull = smoothstep(0.35, 0.65, (3.7 * m.seed) % 1)
    bloom = dull * smoothstep(0.1, 1.1, noise(m.position, 40.0, octaves=3, channel=5) + 0.4 * m.fine)
    m.tint((1 + 0.34 * crystal[:, 0]) * (1 - 0.20 * dull))
    m.rough = (m.rough + 0.24 * crystal[:, 1] + 0.16 * dull + 0.25 * bloom).clamp(0.12, 0.9)
    m.metal = m.metal * (1 - 0.25 * dull - 0.5 * bloom).clamp(0, 1)
    m.cover((0.46, 0.46, 0.45), 0.5 * bloom)


def _cast_grain(m: _Material, noise: Noise) -> None:
    """The sand it was cast in, oily brown in the hollows, dull."""
    sand = noise(m.position, 2.4, octaves=3, channel=3)
    m.height += 0.06 * sand * m.resolved(2.4)
    soiled = smoothstep(-0.4, 1.1, m.broad + 0.4 * m.fine - 0.2 * sand)
    m.cover((0.055, 0.045, 0.035), 0.5 * soiled)
    m.metal = m.metal * (1 - 0.5 * soiled)
    m.rough = (m.rough + 0.06 * sand + 0.10 * soiled).clamp(0.3, 0.95)


def _brushed_grain(m: _Material, noise: Noise) -> None:
    """Rolled or brushed metal: drawn lines, tarnished in clouds, brighter where touched."""
    lines = m.drawn(60.0, 0.8, noise)
    tarnish = smoothstep(-0.5, 1.2, m.broad + 0.5 * m.fine)
    m.tint((1 + 0.06 * lines) * (1 - 0.22 * tarnish))
    m.rough = (m.rough + 0.07 * lines - 0.06 + 0.20 * tarnish).clamp(0.08, 0.8)


_RESPONSES: dict[str, Callable[[_Material, Noise], None]] = {
    "rubber": _rubber_grain,
    "plastic": _plastic_grain,
    "vinyl": _vinyl_grain,
    "cloth": _cloth_grain,
    "felt": _felt_grain,
    "mat": _mat_grain,
    "tyre": _tyre_grain,
    "tyre_wall": _tyre_wall_grain,
    "tread": _tread_grain,
    "spangle": _spangle_grain,
    "cast": _cast_grain,
    "brushed": _brushed_grain,
}
GRAINS = ("none", *_RESPONSES)  # as `PartTable.grain` counts them
