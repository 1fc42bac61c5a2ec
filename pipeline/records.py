"""What stages hand to each other and what is written to disk: the pydantic models are the contract of the files."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict, Field, field_validator

SCHEMA_VERSION = 1

Side = Literal["left", "right"]
Decision = Literal["likely_factory", "ask_first", "likely_refinished", "not_enough_seen"]
ZoneState = Literal["seen", "not_seen", "not_assessable"]
Probability = Annotated[float, Field(ge=0.0, le=1.0)]

SHOTS = (
    "exterior", "door_open", "engine_bay", "rear", "underside", "interior",
    "identification_plate", "close_up", "document", "not_vehicle",
)  # fmt: skip
DETECTED_CUES = (
    "overspray_rubber", "overspray_hidden", "painted_fastener", "filled_seam", "masking_edge", "tape_residue",
    "wear_through", "film_defect", "filler", "coarse_texture", "changed_joint",
)  # fmt: skip
MEASURED_CUES = ("panel_mismatch", "shut_mismatch", "code_mismatch", "decal_offset", "film_thickness")
CUES = DETECTED_CUES + MEASURED_CUES
ZONES = (
    "door_shut", "bulkhead", "sill_rail", "glazing_seal", "door_seal", "hinge", "wing_front", "bonnet", "roof",
    "tub_side", "tub_rear", "rear_crossmember", "chassis_rail", "under_bonnet_bracket", "wiring", "front_trim_clip",
    "body_seam", "decal", "identification_plate", "floor",
)  # fmt: skip
SURFACES = (
    "background", "ground", "paint", "rubber", "black_part", "bare_metal", "glass", "tyre", "interior", "lamp", "plate",
    "fastener",
)  # fmt: skip
HISTORIES = (
    "factory", "local_repair", "panels_refinished", "refinished_same_colour", "colour_change_outside_only",
    "colour_change_throughout",
)  # fmt: skip


class Record(BaseModel):
    """Base of everything that is written to or read from an output file."""

    model_config = ConfigDict(frozen=True, extra="forbid")


# --- adverts and photos ------------------------------------------------------------------------------------------


class AdvertDetails(Record):
    """What an advert says of itself (`advert.yaml`); every key may be missing."""

    title: str | None = None
    price: float | None = Field(default=None, ge=0)
    currency: str | None = None
    year: int | None = Field(default=None, ge=1900, le=2100)
    build_sheet: str | None = None
    declared_colour: str | None = None
    paint_code: str | None = None
    document_colour: str | None = None
    record_colour: str | None = None
    hidden: tuple[str, ...] = Field(
        default=(), description="Zones that photos show under fresh underseal, chassis black or wax: nothing is judged."
    )
    notes: str | None = None

    @field_validator("hidden")
    @classmethod
    def _are_zones(cls, hidden: tuple[str, ...]) -> tuple[str, ...]:
        for name in hidden:
            if name not in ZONES:
                raise ValueError(f"there is no zone '{name}', the zones are {', '.join(ZONES)}")
        return hidden


class Before(Record):
    """An advert as an earlier screening had it, before its words or photos changed for the last time.

    `photos`: SHA-256 of each; `refinished` and `decision` are what was thought of it then, where that is still known.
    """

    details: AdvertDetails
    photos: tuple[str, ...]
    refinished: Probability | None = None
    decision: Decision | None = None


@dataclass(frozen=True, slots=True)
class Advert:
    """One advert of a batch: its name (unique in the batch), what it says, and its photo files in reading order.

    `before`: what it was in an earlier screening into the same folder, where it has changed since.
    """

    name: str
    details: AdvertDetails
    photos: tuple[Path, ...]
    before: Before | None = None


class SetAside(Record):
    """A photo (or an advert's file) that could not be used, and why. Nothing else is lost."""

    advert: str
    photo: str
    fault: str
    remedy: str


@dataclass(frozen=True, slots=True)
class Photo:
    """One decoded photo, upright and in sRGB.

    `srgb` is uint8 (H, W, 3). `sha256` is of the file's bytes; `perceptual_hash` is a 256-bit hash as 64 hex
    digits (64 bits tell too few photos apart: see configs/photos.yaml).
    """

    advert: str
    name: str
    sha256: str
    perceptual_hash: str
    srgb: npt.NDArray[np.uint8] = field(repr=False)

    @property
    def height(self) -> int:
        return int(self.srgb.shape[0])

    @property
    def width(self) -> int:
        return int(self.srgb.shape[1])


class Quality(Record):
    """Whether a photo can be judged at all.

    `sharpness`: 0 (smeared) to 1 (crisp to the pixel); `exposure`: -1 (black) to 1 (burnt out), 0 is well exposed.
    """

    sharpness: float = Field(ge=0, le=1)
    exposure: float = Field(ge=-1, le=1)
    assessable: bool


# --- what the network was measured to do -------------------------------------------------------------------------


Interval = tuple[Probability, Probability, Probability]


class Level(BaseModel):
    """A score (calibrated probability) and how often it is exceeded, as (low, mean, high) of a 95 % interval.

    `sensitivity`: by photos that show the cue; `false_alarm`: by photos that do not; `ordinary`: by photos like the
    ordinary real ones given to calibration, the share expected at most; null where none were given.
    """

    model_config = ConfigDict(frozen=True, extra="ignore")

    score: Probability
    sensitivity: Interval
    false_alarm: Interval
    ordinary: Probability | None = None

    @property
    def exceeded(self) -> float:
        """How often it is exceeded without the cue, at worst."""
        return max(self.false_alarm[2], self.ordinary or 0.0)


class CueRates(BaseModel):
    """How often the network finds a cue at its default limit, as (low, mean, high) of a 95 % interval.

    `sensitivity`: share of the `positives` found; `false_alarm`: share of the `negatives` wrongly found; `levels`: the
    same at the limit and at lower scores, from above. Read from the network's own evaluation, never typed in.
    """

    model_config = ConfigDict(frozen=True, extra="ignore")

    sensitivity: Interval
    false_alarm: Interval
    positives: int = Field(ge=0)
    negatives: int = Field(ge=0)
    levels: tuple[Level, ...] = Field(default=(), description="Empty for networks from before they were measured.")

    @property
    def at_worst(self) -> tuple[tuple[float, float], ...]:
        """(sensitivity, false alarms) as shrunk, at each level or the limit alone; empty where nothing was measured."""
        if not (self.positives and self.negatives):
            return ()
        at_limit = (self.sensitivity[0], self.false_alarm[2])
        return tuple((level.sensitivity[0], level.exceeded) for level in self.levels) or (at_limit,)

    @field_validator("levels")
    @classmethod
    def _descend(cls, levels: tuple[Level, ...]) -> tuple[Level, ...]:
        if any(lower.score >= higher.score for higher, lower in pairwise(levels)):
            raise ValueError("levels must go from the highest score down")
        return levels


# --- findings: one line of findings.jsonl a photo ----------------------------------------------------------------


class Box(Record):
    """A place in the oriented photo, in pixels; `score` is the calibrated probability of the cue there."""

    x: int = Field(ge=0)
    y: int = Field(ge=0)
    width: int = Field(gt=0)
    height: int = Field(gt=0)
    score: Probability
    zone: str | None = None
    side: Side | None = None
    judged: bool = Field(default=False, description="Whether a person looked at the place and called it a sign.")


class CueFinding(Record):
    """One cue in one photo. Not assessable means that the photo cannot show it: `score` is then null, never 0."""

    score: Probability | None
    assessable: bool
    found: bool | None = Field(
        default=None, description="Whether the score is above the network's limit for a finding; null: not said."
    )
    boxes: tuple[Box, ...] = ()
    heat: str | None = None


class Measure(Record):
    """One measured value with its standard uncertainty (k = 1, JCGM 100:2008, 2.3.1)."""

    cue: str
    value: float
    unit: str
    uncertainty: float | None = Field(ge=0, description="Null for a probability, which has none of its own.")
    zone: str | None = None
    panel: str | None = Field(default=None, description="Panel of the build sheet that was measured, for readings.")
    text: str | None = Field(default=None, description="What was read, for identification plates.")
    regions: tuple[Box, ...] = ()


class PhotoFindings(Record):
    """Everything seen in one photo."""

    advert: str
    photo: str
    sha256: str
    width: int = Field(gt=0)
    height: int = Field(gt=0)
    shot: dict[str, Probability]
    quality: Quality
    vehicle: Probability
    cues: dict[str, CueFinding]
    measures: tuple[Measure, ...] = ()
    novelty: float | None = Field(
        default=None,
        ge=0,
        description="How unlike the vehicles learnt the photo is; above 1 it is not judged. Null where not known.",
    )
    zones: dict[str, Probability] = Field(
        default_factory=dict,
        description="Share of the photo's area that shows the zone, by zone; zones not shown are left out.",
    )
    sides: dict[str, Side] = Field(
        default_factory=dict,
        description="The vehicle's side on which the photo shows a zone, by zone; left out where that is not sure.",
    )
    heads: tuple[tuple[float, float], ...] = Field(
        default=(),
        description="Centres of fastener heads of which the network is sure, pixels: known points to measure from.",
    )
    duplicate_of: str | None = Field(
        default=None,
        description="Photo of this advert that this one repeats (the largest is kept); its sightings count once.",
    )
    also_in: tuple[str, ...] = Field(
        default=(), description="`advert/photo` of the same photo in other adverts of the batch."
    )

    @property
    def is_novel(self) -> bool:
        """Whether it is too unlike anything learnt to be judged."""
        return self.novelty is not None and self.novelty > 1

    @property
    def likely_shot(self) -> str:
        return max(self.shot, key=lambda name: self.shot[name])


# --- shortlist.json ----------------------------------------------------------------------------------------------


class Weight(Record):
    """One piece of evidence: positive decibans speak for a refinish, negative ones for factory paint (Good 1950)."""

    cue: str
    zone: str | None
    side: Side | None = None
    photo: str | None
    box: Box | None = None
    decibans: float
    why: str
    found: bool = Field(default=True, description="Whether the cue was found there, or looked for and not found.")
    faint: bool = Field(
        default=False,
        description="Whether what speaks for the cue is a faint sign only, too low a score for a finding.",
    )
    extent: dict[str, dict[str, float]] = Field(
        default_factory=dict,
        description="Decibans it adds to the odds that a place has new paint, by zone and side as in `extent`.",
    )
    likelihoods: dict[str, float] = Field(
        default_factory=dict,
        description="Likelihood of this observation under each history: what the decibans are made of.",
    )


class Request(Record):
    """A photo or an answer to ask the seller for, and how much it is expected to tell (bits over the histories)."""

    zone: str
    shot: str
    gain_bits: float = Field(ge=0)
    text: str


class PaintFit(Record):
    """How well one paint of the table fits the colour measured, in ΔE00 with its standard uncertainty."""

    code: str
    name: str
    delta_e00: float = Field(ge=0)
    uncertainty: float = Field(ge=0)
    probability: Probability


class NearReference(Record):
    """A reference photo that is like one of the advert's in view, light and surroundings."""

    photo: str
    reference: str = Field(description="File name of the reference.")
    sha256: str = Field(description="Of the reference's file.")
    code: str
    likeness: Probability


class SourceComparison(Record):
    """Whether two sources say the same of the colour."""

    first: str = Field(description="Such as `identification plate`.")
    second: str
    agreement: Literal["agree", "disagree", "cannot say"]


class ColourSummary(Record):
    """What the photos of an advert say together of its colour."""

    measures: tuple[Measure, ...] = Field(
        default=(), description="The advert's own, beside those of its photos; `body_colour` is L*, a*, b* in CIELAB."
    )
    families: dict[str, Probability] = Field(default_factory=dict, description="Probability of each hue family.")
    paints: tuple[PaintFit, ...] = Field(default=(), description="The likeliest of the paint table, best first.")
    paints_ranked: int = Field(default=0, ge=0, description="How many paints of the table the colour was held against.")
    no_paint: Probability | None = Field(default=None, description="That the colour is none of the table's.")
    plate: str | None = Field(
        default=None,
        description="Paint code read from the plate, whether the table has it or not, or `unread` and why; null: none.",
    )
    plate_probability: Probability | None = Field(
        default=None,
        description="That the code was read right, in the photo that tells it best; of several codes, of the least "
        "sure. Null where none of the table's was read.",
    )
    comparisons: tuple[SourceComparison, ...] = Field(
        default=(), description="Codes, documents, the advert's words and the photos, by pair."
    )
    references: tuple[NearReference, ...] = ()
    notes: tuple[str, ...] = ()


class AdvertResult(Record):
    """One row of the shortlist."""

    advert: str
    title: str | None
    rank: int = Field(ge=1)
    history: dict[str, Probability]
    refinished: Probability
    refinished_range: tuple[Probability, Probability] = Field(
        description="`refinished` under the lowest and the highest prior of the config."
    )
    weights: tuple[Weight, ...]
    coverage: dict[str, ZoneState]
    requests: tuple[Request, ...]
    decision: Decision
    reason: str
    extent: dict[str, dict[str, Probability]] = Field(
        default_factory=dict, description="Probability that a place has new paint, by zone and side."
    )
    extent_before: dict[str, dict[str, float]] = Field(
        default_factory=dict, description="Decibans of those odds before any photo; each weight's `extent` adds to it."
    )
    coats: int = Field(ge=0, description="The least number of refinishes that explains what is seen.")
    notes: tuple[str, ...] = ()
    colour: ColourSummary | None = None
    price: float | None = None
    currency: str | None = None
    photos: int = Field(ge=0)
    set_aside: int = Field(ge=0)


class Shortlist(Record):
    """The whole of shortlist.json."""

    schema_version: Literal[1] = 1
    adverts: tuple[AdvertResult, ...]
