"""What `configs/synthesis/painter.yaml` and `dirt.yaml` hold: the habits of painters, factories, owners and weather."""

from __future__ import annotations

from functools import cache
from typing import Annotated, Literal

from pydantic import Field

from pipeline.configuration import Config, load, shipped

Range = tuple[float, float]
Colour = tuple[float, float, float]  # linear sRGB
Probability = Annotated[float, Field(ge=0, le=1)]
Blemish = Literal["decal_ghost", "old_glue", "sticker", "primer_spot", "dent", "scuff"]
Weather = Literal["salt", "moss", "snow", "drops", "polish", "cavity_wax"]


class ByCare(Config):
    """A probability that depends on the painter's care."""

    patient: Probability
    rushed: Probability

    def at(self, care: float) -> float:
        """The probability at a care from 0 (rushed) to 1 (patient)."""
        return self.patient + (self.rushed - self.patient) * (1 - care)


class ByReach(Config):
    """A probability of a repair to few panels and of a repaint of many."""

    local: Probability
    widespread: Probability


class FillerByReach(Config):
    """The same, where care counts too."""

    local: ByCare
    widespread: ByCare


class ByJob(Config):
    """A probability of the factory's paint and of a refinish."""

    factory: Probability
    refinish: Probability


class Tone(Config):
    """A colour that is painted or cast, and how metallic it is, 0 to 1."""

    colour: Colour
    metallic: float


class Material(Tone):
    """The same with its roughness, 0 to 1."""

    roughness: float


class Response(Config):
    """How a material without paint looks up close: grain, sheen at grazing view, and how free of dust it is kept."""

    grain: Literal[
        "rubber", "plastic", "vinyl", "cloth", "felt", "mat", "tyre", "tyre_wall", "tread", "spangle", "cast", "brushed"
    ]
    sheen: Probability = 0.0
    kept_clean: Probability = 0.0


class ColourHabits(Config):
    """Colours that leave the factory."""

    from_table_probability: Probability
    batch_sd: tuple[float, float, float]
    lightness: Range
    chroma: Range
    chroma_share: Range


class JobHabits(Config):
    """What is refinished, and how near the new paint comes to the old."""

    care_beta: Range
    panels: tuple[int, int]
    match_one_panel: Range
    match_panels: Range
    match_all: Range
    least_change: float
    inside_too_probability: Probability
    coats: tuple[int, int]
    roughness_panels: Range
    roughness_all: Range


class Metal(Config):
    aluminium: Colour
    steel: Colour


class Gun(Config):
    """Direction of the spray gun: a normal distribution in vehicle axes."""

    mean: tuple[float, float, float]
    sd: tuple[float, float, float]


class VehicleHabits(Config):
    """What is the same all over one vehicle."""

    years: Range
    factory_roughness: Range
    aluminium_probability: Probability
    metal: Metal
    rust_beta: Range
    chips_beta: Range
    seat_brightness: Range
    gun: Gun
    touched_hinges_probability: Probability
    touch_up: Material
    replaced_part_probability: Probability
    replaced_parts: tuple[str, ...]
    cloth_seats_probability: Probability
    roughness: dict[str, float]  # of trim, vinyl and cloth seats, wheel, engine, cover
    hairlines: Range
    spots: Range
    smears: Range
    primers: tuple[Colour, ...]
    trims: tuple[Colour, ...]
    wheels: tuple[Tone, ...]
    engines: tuple[Tone, ...]


class Scatter(Config):
    """How far a material differs from part to part."""

    finishes: frozenset[str]
    brightness: Range
    roughness: Range


class FilmHabits(Config):
    """The coats of one part."""

    used_of_part: Range
    peel: Range
    peel_of_refinish: Range
    peel_if_rushed: float
    fade: Range
    years_to_fade: float
    chips: Range
    fade_of_shuts: float
    fade_of_refinish: float
    chips_of_refinish: float
    new_primer_probability: Probability
    flaking_probability: ByJob
    flaking: Range
    flake_at: Range
    flake_at_edge_probability: Probability
    flake_at_bottom_probability: Probability
    flake_at_corner_probability: Probability
    flake_radius_mm: Range
    crazing_probability: ByJob
    crazing_cell_mm: Range


class WearCause(Config):
    """Where something rubs a part, as shares of its visible sheet."""

    along: Range
    across: Range
    radius_along_mm: Range
    radius_across_mm: Range
    side: Literal["left", "right"] | None = None


class WearHabits(Config):
    """A place worn through."""

    probability: dict[str, Probability]
    elsewhere_probability: Probability
    strength: Range
    raggedness: Range
    causes: dict[str, tuple[WearCause, ...]]  # by part
    any_edge: tuple[WearCause, ...]  # of all other parts


class MaskingHabits(Config):
    """Where new paint ends in a line."""

    line_in_shut_probability: ByCare
    line_in_shut_mm: Range
    line_at_corner_mm: Range
    line_in_gap_mm: Range
    line_inside_mm: Range
    step_mm: Range
    raggedness_mm: Range
    missed_inside_probability: ByCare
    missed_inside_mm: Range
    missed_in_bay: Range
    missed_step_mm: Range
    missed_raggedness_mm: Range
    strip_by_rubber_probability: Probability
    rubber_foot_mm: Range
    strip_mm: Range
    strip_step_mm: Range
    strip_raggedness_mm: Range


class RubberHabits(Config):
    """Rubber, and the mist on it."""

    roughness: Range
    brightness: Range
    chalk_probability: Probability
    chalk: Range
    chalk_of_sprayed: float
    door_seal_reached_probability: Probability
    mist_probability: ByCare
    mist: Range
    fringe_gamma: Range
    least_fringe_mm: float
    taped_probability: Probability
    tape_line_mm: Range
    bleed_mm: Range
    patchiness: Range


class HeadHabits(Config):
    """Heads of bolts, rivets and screws."""

    rust_probability: Probability
    rust_beta: Range
    rust_least: float
    factory_turned_probability: Probability
    factory_turned: Range
    rivet_coated_probability: Probability
    bolt_coated_probability: ByCare
    coated: Range
    turned_probability: Probability
    turned: Range
    black_touch_up_probability: Probability
    touch_up: Material
    bright_probability: Probability
    bright_roughness: Range


class SeamHabits(Config):
    """Seams, sealed, filled, packed or open."""

    sealer_in_body_colour_probability: Probability
    sealer_colour: Colour
    bead_mm: Range
    filled_probability: ByCare
    from_end_probability: Probability
    start: Range
    stretch: Range
    level_probability: Probability
    level: Range
    valley: Range
    crack_probability: Probability
    packed_probability: Probability
    packed: Range
    packed_level: Range
    end_site_m: Range


class JointHabits(Config):
    """Joints made anew with blind rivets."""

    most_local_panels: int
    rejoined_probability: ByReach
    blind_for_weld_probability: Probability
    blind_for_rivet_probability: Probability
    head_over_weld_radius_m: float


class MistHabits(Config):
    """Mist on black and bare parts."""

    probability: ByCare
    most_local_panels: int
    of_local_job: Probability
    strength: Range
    starts_mm: Range
    fall_off_mm: Range


class HiddenHabits(Config):
    """Chassis, brackets, pipes."""

    rust: Range
    roughness: Range
    body_colour_probability: Probability
    body_colour_brightness: Range
    black: Colour
    bay_roughness: Range
    grey_undercoat_probability: Probability
    undercoat: Colour


class UndersealHabits(Config):
    """Fresh underseal."""

    probability: Probability
    brightness: Range
    roughness: Range
    grain_mm: Range
    wave_mm: Range


class ToolHabits(Config):
    """Coarse coats."""

    coarse_probability: ByCare
    height_mm: Range
    wave_mm: Range
    directions_deg: tuple[float, ...]
    grained_probability: Probability
    grained_areas: tuple[frozenset[str], ...]
    grained_tone: Range
    grain_mm: Range
    grain_wave_mm: Range
    dark_probability: Probability
    wear_left: float
    site: Range
    site_m: Range


class FillerTone(Config):
    colour: Colour
    share: Probability


class FillerHabits(Config):
    """Dents filled and sanded."""

    probability: FillerByReach
    radius_mm: Range
    at: Range
    rubbed_below: Probability
    cracked: Range
    rubbed: Range
    waves_mm: Range
    slimness: Range
    tones: tuple[FillerTone, ...]
    tone_brightness: Range
    site_radii: Range


class RunHabits(Config):
    """Runs, and old edges under a newer coat."""

    probability: ByCare
    factory_probability: Probability
    height_mm: Range
    old_edge_probability: ByCare
    old_edge_height_mm: Range
    along: Range
    across: Range
    radius_mm: Range


class TapeHabits(Config):
    """Gum of masking tape."""

    width_mm: tuple[float, ...]
    short_probability: Probability
    length: Range
    at: Range
    painted_over_probability: Probability
    beyond_line_probability: Probability
    by_rubber_probability: ByCare
    by_rubber_mm: Range
    rubber_foot_mm: float
    across_panel_probability: ByCare
    least_panel_mm: float
    across_panel: Range
    left: Range
    tones: tuple[Colour, ...]
    tone_brightness: Range
    site_m: Range


class MarkHabits(Config):
    """Innocent marks on a panel."""

    probability: Probability
    shares: dict[Blemish, Probability]
    half_along_mm: Range
    half_across_mm: Range
    most_share: float
    spot_radius_mm: Range
    spot_slimness: Range
    at: Range
    depth_mm: Range
    scuff_at: Range
    rubber_scuff_probability: Probability
    rubber_scuff: Colour
    primer_brightness: Range
    glue: Colour
    glue_brightness: Range
    site_halves: Range


class TextureHabits(Config):
    """Plastic and lenses that come textured."""

    grained_plastic_probability: Probability
    grain_mm: Range
    grain_wave_mm: Range
    flute_wave_mm: Range
    ring_wave_mm: Range
    lens_height: Range


class PainterSettings(Config):
    """`configs/synthesis/painter.yaml`, where each value is explained."""

    colour: ColourHabits
    job: JobHabits
    vehicle: VehicleHabits
    materials: dict[str, Material]
    responses: dict[str, Response]
    scatter: Scatter
    film: FilmHabits
    wear: WearHabits
    masking: MaskingHabits
    rubber: RubberHabits
    heads: HeadHabits
    seams: SeamHabits
    joints: JointHabits
    mist: MistHabits
    hidden: HiddenHabits
    underseal: UndersealHabits
    tool: ToolHabits
    filler: FillerHabits
    runs: RunHabits
    tape: TapeHabits
    marks: MarkHabits
    texture: TextureHabits


class DirtSettings(Config):
    """`configs/synthesis/dirt.yaml`."""

    washed_probability: Probability
    dust: Range
    dust_when_washed: Range
    mud: Range
    mud_when_washed: Range
    gaps: Range
    gaps_when_washed: Range
    mud_height_mm: Range
    probability: dict[Weather, Probability]
    amount: dict[Weather, Range]
    mud_colour: Colour
    mud_brightness: Range
    mud_tint: tuple[Range, Range]
    dust_colour: Colour
    dust_brightness: Range


@cache
def painter_settings() -> PainterSettings:
    return load(shipped("synthesis", "painter.yaml"), PainterSettings)


@cache
def dirt_settings() -> DirtSettings:
    return load(shipped("synthesis", "dirt.yaml"), DirtSettings)
