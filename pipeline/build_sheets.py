"""How the factory left a vehicle family: what it painted, what it left bare, how it joined.

Observation becomes evidence only through a build sheet. A sheet may refine another (`refines:`): it then says only
what differs. An entry it gives replaces the whole inherited entry of that name; an entry given as `null` is taken away.
How to write one is told at the head of `configs/build_sheets/generic_utility.yaml`.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Literal, Self, TypeVar

import numpy as np
from pydantic import AfterValidator, Field, model_validator

from pipeline.configuration import Config, line_of, load, shipped
from pipeline.errors import ConfigError
from pipeline.paint_table import HUE_FAMILIES
from pipeline.records import ZONES, Probability, Side

Finish = Literal["body_colour", "black", "bare", "zinc", "rubber"]
Fastening = Literal["spot_weld", "rivet_painted", "rivet_bare", "bolt_bare"]
Seam = Literal["open", "sealed"]
Metal = Literal["steel", "aluminium"]
Millimetres = tuple[float, float]
Entry = TypeVar("Entry")

GENERIC = "generic_utility"


def _is_zone(name: str) -> str:
    if name not in ZONES:
        raise ValueError(f"there is no zone '{name}', the zones are {', '.join(ZONES)}")
    return name


def _rises(limits: tuple[float, float]) -> tuple[float, float]:
    if not 0 < limits[0] < limits[1]:
        raise ValueError("give two positive numbers, the smaller one first")
    return limits


def _years_rise(years: tuple[int, int]) -> tuple[int, int]:
    if years[0] > years[1]:
        raise ValueError("the first year is after the last")
    return years


def _is_hue_family(name: str) -> str:
    if name not in HUE_FAMILIES:
        raise ValueError(f"there is no colour '{name}', the colours are {', '.join(HUE_FAMILIES)}")
    return name


Zone = Annotated[str, AfterValidator(_is_zone)]
HueFamily = Annotated[str, AfterValidator(_is_hue_family)]
Years = Annotated[tuple[int, int], AfterValidator(_years_rise)]
FilmRange = Annotated[tuple[float, float], AfterValidator(_rises)]


class ZoneBuild(Config):
    """One place as it left the factory; `effort_min` overrides the minutes of `configs/zones.yaml` for this family."""

    finish: Finish
    effort_min: float | None = Field(default=None, gt=0)


class Joint(Config):
    """One row of fasteners or one join. `fastening` and `seam` are two things; leave out the one it does not have."""

    zone: Zone
    fastening: Fastening | None = None
    seam: Seam | None = None

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        if self.fastening is None and self.seam is None:
            raise ValueError("a joint needs a fastening, a seam or both")
        return self


class Row(Config):
    """A row of fastener heads, evenly spaced from the first to the last, mm in the panel's frame."""

    first: Millimetres
    last: Millimetres
    heads: int = Field(ge=4, le=60)


class Panel(Config):
    """A panel of the body: its metal decides the gauge's probe.

    `points` and `rows` are in the panel's own frame, mm, x to the right and y upwards as seen from outside.
    """

    label: str
    zone: Zone
    metal: Metal
    side: Side | None = None
    film_um: FilmRange | None = Field(default=None, description="Factory film, µm, if not the family's.")
    points: dict[str, Millimetres] = Field(default_factory=dict)
    rows: dict[str, Row] = Field(default_factory=dict)

    @property
    def heads(self) -> dict[str, Millimetres]:
        """Every head of the rows, by row and number from its first, which is 1."""
        return {
            f"{name}_{k + 1}": (float(x), float(y))
            for name, row in self.rows.items()
            for k, (x, y) in enumerate(np.linspace(row.first, row.last, row.heads))
        }

    @property
    def known_points(self) -> dict[str, Millimetres]:
        """Named points and heads."""
        return {**self.heads, **self.points}

    @property
    def ends(self) -> tuple[str, ...]:
        """Points worth a click: the named ones, and the first and last head of each row."""
        return (*self.points, *(f"{name}_{k}" for name, row in self.rows.items() for k in (1, row.heads)))


class Decal(Config):
    """Where the factory put a decal: its lower left corner in the panel's frame, its size, how far it may be off.

    `years`: in which the factory put it on in this make and colour; `colours`: what most of it may be. Both are left
    out where that is not known.
    """

    panel: str
    x_mm: float
    y_mm: float
    width_mm: float = Field(gt=0)
    height_mm: float = Field(gt=0)
    tolerance_mm: float = Field(gt=0)
    years: Years | None = None
    colours: tuple[HueFamily, ...] | None = None


class CodePlate(Config):
    """Where the plate with the paint code is, or `carries_code: false` where this family has none."""

    where: str
    zone: Zone | None = None
    carries_code: bool = True


class BuildSheet(Config):
    """How one vehicle family left the factory.

    `film_um` is the factory's range of film thickness in µm; `doubt` the probability that a vehicle weighed with this
    sheet was in truth joined otherwise (a generic sheet fits no vehicle exactly).
    """

    label: str
    refines: str | None = None
    family: str | None = None
    maker: str | None = None
    years: Years | None = None
    doubt: Probability | None = None
    film_um: FilmRange | None = None
    zones: dict[Zone, ZoneBuild | None] = Field(default_factory=dict)
    joints: dict[str, Joint | None] = Field(default_factory=dict)
    panels: dict[str, Panel | None] = Field(default_factory=dict)
    decals: dict[str, Decal | None] = Field(default_factory=dict)
    code_plate: CodePlate | None = None

    def finish(self, zone: str) -> Finish | None:
        """The factory's finish of a zone, or None where the sheet does not say."""
        built = self.zones.get(zone)
        return None if built is None else built.finish

    def effort_min(self, zone: str) -> float | None:
        """Minutes to take off or mask what is in this zone, where the sheet says other than `configs/zones.yaml`."""
        built = self.zones.get(zone)
        return None if built is None else built.effort_min

    def joints_in(self, zone: str) -> tuple[Joint, ...]:
        return tuple(joint for joint in self.joints.values() if joint is not None and joint.zone == zone)

    def film_range_um(self, panel: str | None = None) -> tuple[float, float]:
        """The factory's film in µm, on one panel or on the family's. Raises KeyError for a panel the sheet lacks."""
        own = None if panel is None else self.known_panels[panel].film_um
        film = own or self.film_um
        assert film is not None  # a sheet that was read is complete
        return film

    def decal_tolerance_mm(self, panel: str | None) -> float | None:
        """How far the factory's decals on a panel may be off, mm: the loosest of them; None where it has none."""
        return max(
            (decal.tolerance_mm for decal in self.decals.values() if decal is not None and decal.panel == panel),
            default=None,
        )

    @property
    def known_panels(self) -> dict[str, Panel]:
        return {name: panel for name, panel in self.panels.items() if panel is not None}


def known_build_sheets() -> tuple[str, ...]:
    """Names of the build sheets that ship with maskline."""
    return tuple(sorted(path.stem for path in shipped("build_sheets").glob("*.yaml")))


def read_build_sheet(name_or_path: str) -> BuildSheet:
    """Read a build sheet and everything it refines.

    `name_or_path` is the name of a shipped sheet (`pellock`) or the path of a YAML file. Raises ConfigError with file,
    line and remedy for a missing or wrong entry, an unknown sheet, or sheets that refine each other in a circle.
    """
    path = _path_of(name_or_path, beside=None)
    sheet = _refined(path, ())
    _check_whole(sheet, path)
    return sheet


def _path_of(name_or_path: str, beside: Path | None) -> Path:
    if name_or_path.endswith((".yaml", ".yml")):
        path = Path(name_or_path)
        return path if beside is None else beside.parent / path
    if name_or_path not in known_build_sheets():
        raise ConfigError(
            name_or_path if beside is None else f"{beside}, line {line_of(beside, ('refines',))}",
            f"there is no build sheet '{name_or_path}'",
            f"use one of {', '.join(known_build_sheets())}, or give the path of a .yaml file",
        )
    return shipped("build_sheets", f"{name_or_path}.yaml")


def _refined(path: Path, above: tuple[Path, ...]) -> BuildSheet:
    sheet = load(path, BuildSheet)
    if sheet.refines is None:
        return sheet
    base_path = _path_of(sheet.refines, beside=path)
    if base_path.resolve() in (path.resolve(), *(sheet_above.resolve() for sheet_above in above)):
        raise ConfigError(
            f"{path}, line {line_of(path, ('refines',))}",
            "the build sheets refine each other in a circle",
            "let one of them refine nothing",
        )
    base = _refined(base_path, (*above, path))
    said = {name: getattr(sheet, name) for name in sheet.model_fields_set}
    merged = {
        name: _replaced(getattr(base, name), value) if isinstance(value, Mapping) else value
        for name, value in said.items()
    }
    return base.model_copy(update=merged)


def _replaced(base: Mapping[str, Entry | None], own: Mapping[str, Entry | None]) -> dict[str, Entry]:
    return {name: entry for name, entry in {**base, **own}.items() if entry is not None}


def _check_whole(sheet: BuildSheet, path: Path) -> None:
    """What can only be told once the inherited entries are in."""
    for name in ("family", "years", "doubt", "film_um", "code_plate"):
        if getattr(sheet, name) is None:
            raise ConfigError(path, f"the build sheet has no `{name}`", f"add `{name}`, or refine {GENERIC}")
    missing = [zone for zone in ZONES if sheet.finish(zone) is None]
    if missing:
        raise ConfigError(
            path,
            f"it does not say how the factory left {', '.join(missing)}",
            f"add them under `zones`, or refine {GENERIC}",
        )
    for name, decal in sheet.decals.items():
        if decal is None:
            continue
        where = f"{path}, line {line_of(path, ('decals', name, 'panel'))}"
        if decal.panel not in sheet.known_panels:
            raise ConfigError(
                where,
                f"the decal '{name}' is on a panel '{decal.panel}' that is not under `panels`",
                "name one of its panels",
            )
        # four points fix a plane in a photo: a homography has eight unknowns, a point gives two equations
        if len(sheet.known_panels[decal.panel].ends) < 4:
            raise ConfigError(
                where,
                f"the panel '{decal.panel}' of the decal '{name}' has fewer than four named points",
                "measure four points of it that a photo shows",
            )
