"""Film-thickness readings taken at the vehicle: a gauge's CSV in, panels judged, and measures that enter the weighing.

Steel is read with magnetic induction (ISO 2178), aluminium with eddy current (ISO 2360); practice: ISO 2808. The
spread is the median absolute deviation, scaled to a standard deviation, and outliers are told by the modified z-score
(Iglewicz and Hoaglin 1993), so that one spot of filler does not hide itself by widening the spread.
"""

from __future__ import annotations

import csv
import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline.build_sheets import BuildSheet, Metal, Panel
from pipeline.errors import ConfigError
from pipeline.histories import ReadingSettings
from pipeline.records import Measure

MIL_UM = 25.4  # 1 mil is a thousandth of an inch, and an inch is exactly 25.4 mm
TO_SIGMA = 1.482602  # MAD of a normal distribution to its standard deviation: 1 / Φ⁻¹(3/4)
MEDIAN_ERROR = 1.2533  # standard error of a median over that of a mean, normal distribution: √(π/2)
UNITS = {"reading_um": 1.0, "reading_mil": MIL_UM}
COLUMNS = "panel,reading_um (or reading_mil) and, if wanted, metal"


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading of one panel; `line` of the file it stands on."""

    panel: str
    thickness_um: float
    line: int


@dataclass(frozen=True, slots=True)
class PanelFilm:
    """The film of one panel, from all its readings (µm)."""

    name: str
    panel: Panel
    readings_um: tuple[float, ...]
    median_um: float
    spread_um: float  # robust standard deviation of the readings
    uncertainty_um: float  # standard uncertainty of the median, k = 1
    outliers_um: tuple[float, ...]
    range_um: tuple[float, float]  # the factory's
    others_um: float | None  # median of the other panels' medians
    filler_um: float | None  # the thickest reading, where it is as thick as filler
    few: bool  # fewer readings than a panel needs

    @property
    def judgement(self) -> str:
        """What the panel's film says, in one sentence."""
        low, high = self.range_um
        if self.median_um > high + 2 * self.uncertainty_um:
            found = f"thicker than the factory's {low:.0f} to {high:.0f} µm"
        elif self.median_um < low - 2 * self.uncertainty_um:
            found = f"thinner than the factory's {low:.0f} to {high:.0f} µm: polished, or a panel replaced"
        else:
            found = f"within the factory's {low:.0f} to {high:.0f} µm"
        if self.others_um is not None:
            ratio = self.median_um / self.others_um
            if ratio > 1.5 or ratio < 1 / 1.5:
                found += f", and {ratio:.1f} times its own other panels"
        if self.filler_um is not None:
            found += f", and {self.filler_um:.0f} µm at one place at least: as thick as filler"
        return found + ("; too few readings to rely on." if self.few else ".")


def read_readings(path: Path, sheet: BuildSheet, settings: ReadingSettings) -> tuple[Reading, ...]:
    """Read `panel,reading_um[,metal]` (comma or semicolon; `reading_mil` for mil) in the order of the file.

    With semicolons a decimal comma is understood. `metal` is the metal the gauge was set to. Raises ConfigError that
    names the line for an unknown panel, a value that no film can have (not a number, 0 or less, a gauge's 99999), or
    a reading taken with the wrong probe for the panel's metal.
    """
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except FileNotFoundError:
        raise ConfigError(path, "there is no such file", "check the name") from None
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError(path, f"it cannot be read as UTF-8 text ({error})", "save it as UTF-8 CSV") from None
    filled = [(number, line) for number, line in enumerate(lines, start=1) if line.strip()]
    if not filled:
        raise ConfigError(path, "the file is empty", f"give it the columns {COLUMNS}")
    first, head = filled[0]
    delimiter = ";" if ";" in head else ","
    header = [cell.strip().lower() for cell in _cells(head, delimiter)]
    units = [name for name in header if name in UNITS]
    if sorted(header) not in (sorted(["panel", *units]), sorted(["panel", "metal", *units])) or len(units) != 1:
        raise ConfigError(f"{path}, line {first}", f"the columns are {', '.join(header)}", f"give it {COLUMNS}")
    readings, unit = [], units[0]
    for number, line in filled[1:]:
        where = f"{path}, line {number}"
        cells = [cell.strip() for cell in _cells(line, delimiter)]
        if len(cells) > len(header) or len(cells) < len(header) - ("metal" in header):
            raise ConfigError(where, f"there are {len(cells)} values for {len(header)} columns", f"give it {COLUMNS}")
        row = dict(zip(header, cells, strict=False))
        panel = _known_panel(row["panel"], sheet, where)
        _check_metal(row.get("metal", ""), row["panel"], panel.metal, where)
        number_text = row[unit].replace(",", ".") if delimiter == ";" else row[unit]
        readings.append(Reading(row["panel"], _thickness(number_text, UNITS[unit], settings, where), number))
    if not readings:
        raise ConfigError(path, "there are no readings in it", "add a line a reading")
    return tuple(readings)


def judge_readings(readings: Sequence[Reading], sheet: BuildSheet, settings: ReadingSettings) -> tuple[PanelFilm, ...]:
    """The film of every panel that was read, in the build sheet's order."""
    by_panel: defaultdict[str, list[float]] = defaultdict(list)
    for reading in readings:
        by_panel[reading.panel].append(reading.thickness_um)
    medians = {name: float(np.median(values)) for name, values in by_panel.items()}
    films = []
    for name, panel in sheet.known_panels.items():
        if name not in by_panel:
            continue
        values = np.array(by_panel[name])
        median = medians[name]
        gauge = settings.gauge_um + settings.gauge_share * median
        spread = TO_SIGMA * float(np.median(np.abs(values - median)))
        # readings that all agree leave a spread of 0: what the gauge cannot tell apart is then no outlier
        far = np.abs(values - median) / max(spread, gauge) > settings.outlier_limit
        others = [value for other, value in medians.items() if other != name]
        films.append(
            PanelFilm(
                name=name,
                panel=panel,
                readings_um=tuple(float(value) for value in values),
                median_um=median,
                spread_um=spread,
                uncertainty_um=math.hypot(MEDIAN_ERROR * spread / math.sqrt(len(values)), gauge),
                outliers_um=tuple(float(value) for value in values[far]),
                range_um=sheet.film_range_um(name),
                others_um=float(np.median(others)) if others else None,
                filler_um=float(values.max()) if values.max() >= settings.filler_um else None,
                few=len(values) < settings.least_readings,
            )
        )
    return tuple(films)


def measures_of(films: Sequence[PanelFilm]) -> tuple[Measure, ...]:
    """What enters the weighing: each panel's median as `film_thickness`, and its thickest place as `filler`."""
    measures = []
    for film in films:
        values = {"film_thickness": film.median_um}
        if film.filler_um is not None:
            values["filler"] = film.filler_um
        for cue, value in values.items():
            measures.append(
                Measure(
                    cue=cue,
                    value=value,
                    unit="um",
                    uncertainty=film.uncertainty_um,
                    zone=film.panel.zone,
                    panel=film.name,
                )
            )
    return tuple(measures)


def _cells(line: str, delimiter: str) -> list[str]:
    return next(csv.reader([line], delimiter=delimiter))


def _known_panel(name: str, sheet: BuildSheet, where: str) -> Panel:
    if name not in sheet.known_panels:
        known = ", ".join(sheet.known_panels)
        raise ConfigError(where, f"the build sheet ({sheet.label}) has no panel '{name}'", f"use one of {known}")
    return sheet.known_panels[name]


def _check_metal(metal: str, name: str, wanted: Metal, where: str) -> None:
    probes = {"steel": "magnetic induction (ISO 2178)", "aluminium": "eddy current (ISO 2360)"}
    if metal and metal not in probes:
        raise ConfigError(where, f"'{metal}' is no metal a gauge is set to", "write steel or aluminium")
    if metal and metal != wanted:
        raise ConfigError(
            where,
            f"the gauge was set to {metal}, but {name} is {wanted}, so the reading means nothing",
            f"read it again with {probes[wanted]}, or mend the panel's metal in the build sheet",
        )


def _thickness(text: str, unit_um: float, settings: ReadingSettings, where: str) -> float:
    try:
        value = float(text) * unit_um
    except ValueError:
        raise ConfigError(where, f"'{text}' is no number", "write the reading as the gauge shows it") from None
    if not 0 < value <= settings.most_um:  # also refuses nan
        raise ConfigError(
            where,
            f"no film of paint is {text} thick: {value:g} µm is not between 0 and {settings.most_um:g} µm",
            "take the line out, or read the place again after the zero check",
        )
    return value
