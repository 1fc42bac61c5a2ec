"""The factory's paints: read from a table, named by hue family, and ranked against a colour measured in photos.

A table is a CSV with the columns `code,name,L,a,b,from_year,to_year,families`: CIELAB for D65 and the 2° observer
(ISO/CIE 11664-4), families separated by spaces, a year or the families left empty where they are not known. A photo's
colour is weak evidence of a paint: every comparison carries the measured colour's uncertainty and the paint's scatter.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path

import numpy as np
from pydantic import Field

from pipeline.colorimetry import Floats, delta_e00
from pipeline.configuration import Config, shipped
from pipeline.errors import ConfigError
from pipeline.records import Probability

COLUMNS = ("code", "name", "L", "a", "b", "from_year", "to_year", "families")
HUE_FAMILIES = ("white", "grey", "black", "beige", "brown", "red", "orange", "yellow", "green", "blue", "violet")
DRAWS = 512  # points that stand for a measured colour's uncertainty

Lab = tuple[float, float, float]


class TableSettings(Config):
    """How a measured colour is held against a paint table (`table` in configs/colour.yaml)."""

    scatter: Lab
    special_order: Probability
    gamut_volume: float = Field(gt=0)
    years_of_grace: int = Field(ge=0)
    none_fits: Probability
    hue_words: dict[str, tuple[str, ...]]


@dataclass(frozen=True, slots=True)
class Paint:
    """One paint of the factory. `families` is empty where the table does not say which it was offered for."""

    code: str
    name: str
    lab: Lab
    from_year: int | None
    to_year: int | None
    families: tuple[str, ...]

    def was_offered(self, family: str | None, year: int | None, years_of_grace: int) -> bool:
        """Whether a vehicle of this family and year may have left in it; what is not known speaks for it.

        The year an advert names is often that of the registration: `years_of_grace` on either side.
        """
        if family is not None and self.families and family not in self.families:
            return False
        if year is None:
            return True
        first, last = self.from_year or year, self.to_year or year
        return first - years_of_grace <= year <= last + years_of_grace


@dataclass(frozen=True, slots=True)
class ColourReading:
    """A colour measured in photos: CIELAB with the standard uncertainty of each coordinate (k = 1)."""

    lab: Lab
    uncertainty: Lab


@dataclass(frozen=True, slots=True)
class PaintMatch:
    """How well a paint fits a measured colour. `probability` is among the paints offered and a colour in no table."""

    paint: Paint
    delta_e00: float
    uncertainty: float
    probability: float


@dataclass(frozen=True, slots=True)
class Ranking:
    """Paints by probability, the likeliest first, and the probability that the colour is none of them."""

    matches: tuple[PaintMatch, ...]
    none_of_them: float


@cache
def demo_table() -> tuple[Paint, ...]:
    """The invented table that ships for the demo."""
    return read_paint_table(shipped("paint_tables", "demo.csv"))


def read_paint_table(path: Path) -> tuple[Paint, ...]:
    """Read a table of paints. Raises ConfigError with file, line and remedy for what does not hold."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            reader = csv.DictReader(stream, strict=True)
            missing = [name for name in COLUMNS if name not in (reader.fieldnames or ())]
            if missing:
                raise ConfigError(
                    f"{path}, line 1",
                    f"the column {' and '.join(missing)} is missing",
                    f"name the columns {','.join(COLUMNS)}",
                )
            paints = [_paint(row, f"{path}, line {reader.line_num}") for row in reader]
    except FileNotFoundError:
        raise ConfigError(path, "there is no such file", "check the name") from None
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise ConfigError(path, f"it is not a CSV in UTF-8 ({error})", "save the table as CSV, UTF-8") from None
    if not paints:
        raise ConfigError(path, "there is no paint in it", "add one line a paint")
    twice = next((paint.code for k, paint in enumerate(paints) if same_code(paint.code, paints[:k])), None)
    if twice is not None:
        raise ConfigError(path, f"the code '{twice}' is in it twice", "keep one line a code")
    return tuple(paints)


def bare(code: str) -> str:
    """A code without what is written now one way, now another: case, spaces and marks between."""
    return re.sub(r"[\W_]+", "", code).upper()


def same_code(code: str, paints: Iterable[Paint]) -> Paint | None:
    """The paint of this code, written in whatever way."""
    return next((paint for paint in paints if bare(paint.code) == bare(code)), None)


def paint_named(words: str, paints: Iterable[Paint]) -> Paint | None:
    """The paint whose code or name stands in these words; None where there is none or more than one."""
    text = _spaced(words)
    found = [paint for paint in paints if _spaced(paint.code) in text or _spaced(paint.name) in text]
    return found[0] if len(found) == 1 else None


def _spaced(words: str) -> str:
    """Letters and digits alone, each word between spaces, so that one text can be looked for in another."""
    return " " + " ".join(re.findall(r"[^\W_]+", words.casefold())) + " "


def difference(reading: ColourReading, lab: Lab) -> tuple[float, float]:
    """ΔE00 of a measured colour from another, and its standard uncertainty.

    The uncertainties of the coordinates go through the formula by finite differences of their own size (JCGM 100:2008,
    5.1.3 note 2), which holds near 0 too, where ΔE00 has no slope.
    """
    here, other = np.array(reading.lab), np.array(lab)
    steps = np.diag(reading.uncertainty)
    value = float(delta_e00(here, other))
    moved = np.stack([delta_e00(here + steps, other), delta_e00(here - steps, other)]) - value
    return value, float(np.sqrt((moved**2).mean(axis=0).sum()))


def rank(
    reading: ColourReading,
    paints: Sequence[Paint],
    settings: TableSettings,
    *,
    family: str | None = None,
    year: int | None = None,
) -> Ranking:
    """How probably each paint offered for this family and year is the one measured.

    Every paint offered is as likely beforehand; with the probability `special_order` the colour is any other one that
    a photo can show, evenly spread over `gamut_volume`.
    """
    offered = [paint for paint in paints if paint.was_offered(family, year, settings.years_of_grace)]
    if not offered:
        return Ranking((), 1.0)
    deviation = np.hypot(reading.uncertainty, settings.scatter)
    apart = (np.array([paint.lab for paint in offered]) - reading.lab) / deviation
    density = np.exp(-0.5 * (apart**2).sum(axis=1)) / ((2 * np.pi) ** 1.5 * deviation.prod())
    joint = (1 - settings.special_order) / len(offered) * density
    other = settings.special_order / settings.gamut_volume
    total = joint.sum() + other
    matches = [
        PaintMatch(paint, *difference(reading, paint.lab), float(share / total))
        for paint, share in zip(offered, joint, strict=True)
    ]
    matches.sort(key=lambda match: (-match.probability, match.paint.code))
    return Ranking(tuple(matches), float(other / total))


# --- hue families --------------------------------------------------------------------------------------------------


def hue_family(lab: Floats) -> Floats:
    """Index in HUE_FAMILIES of each colour (..., 3): the word that a registration document would use.

    Limits in CIELAB lightness, chroma and hue angle: common practice, no source. Pale warm colours are beige, dark ones
    brown; what has hardly any chroma is white, grey or black.
    """
    values = np.asarray(lab, np.float64)
    lightness, chroma = values[..., 0], np.hypot(values[..., 1], values[..., 2])
    hue = np.degrees(np.arctan2(values[..., 2], values[..., 1])) % 360
    pale_warm = (hue >= 30) & (hue < 112) & (chroma < 35) & (lightness >= 55)
    dark_warm = (hue >= 20) & (hue < 95) & (lightness < 55) & (chroma < np.where(hue < 40, 20, 55))
    cases = [
        (chroma < 9) & (lightness >= 80),
        (chroma < np.where(pale_warm | dark_warm, 6, 9)) & (lightness > 22) & (lightness < 80),
        (chroma < 9) & (lightness <= 22),
        pale_warm,
        dark_warm,
        (hue >= 350) | (hue < 42),
        hue < 76,
        hue < 105,
        hue < 200,
        hue < 311,
    ]
    names = ("white", "grey", "black", "beige", "brown", "red", "orange", "yellow", "green", "blue")
    return np.asarray(
        np.select(cases, [HUE_FAMILIES.index(name) for name in names], HUE_FAMILIES.index("violet")), np.float64
    )


@lru_cache(maxsize=1)
def _draws() -> Floats:
    return np.random.default_rng(0).standard_normal((DRAWS, 3))


def hue_families(reading: ColourReading) -> dict[str, float]:
    """Probability of each hue family for a measured colour, those under one in a thousand left out."""
    drawn = np.array(reading.lab) + _draws() * np.array(reading.uncertainty)
    share = np.bincount(hue_family(drawn).astype(int), minlength=len(HUE_FAMILIES)) / DRAWS
    return {name: float(part) for name, part in zip(HUE_FAMILIES, share, strict=True) if part >= 0.001}


def said_family(words: str, hue_words: Mapping[str, Sequence[str]]) -> str | None:
    """The hue family that words name ("Weiß", "dark green"); None where they name none or more than one."""
    said = set(re.findall(r"[^\W\d_]+", words.casefold()))
    found = [family for family, names in hue_words.items() if said & {name.casefold() for name in names}]
    return found[0] if len(found) == 1 else None


def _paint(row: dict[str, str | None], where: str) -> Paint:
    if row.get(None):  # type: ignore[call-overload]  # csv puts surplus fields under None
        raise ConfigError(where, "the line has more fields than the first line", "put texts with commas in quotes")
    code, name = (row["code"] or "").strip(), (row["name"] or "").strip()
    if not bare(code):
        raise ConfigError(where, "the paint has no code", "give it one")
    lab = tuple(_number(row[column], column, where) for column in ("L", "a", "b"))
    if not 0 <= lab[0] <= 100 or max(abs(lab[1]), abs(lab[2])) > 128:
        raise ConfigError(where, f"{lab} is no CIELAB colour", "L is 0 to 100, a and b are -128 to 128")
    first, last = (_year(row[column], column, where) for column in ("from_year", "to_year"))
    if first is not None and last is not None and first > last:
        raise ConfigError(where, f"from_year {first} is after to_year {last}", "mend the years")
    return Paint(code, name or code, (lab[0], lab[1], lab[2]), first, last, tuple((row["families"] or "").split()))


def _number(text: str | None, column: str, where: str) -> float:
    try:
        value = float(text or "")
    except ValueError:
        value = float("nan")
    if not np.isfinite(value):
        raise ConfigError(where, f"{column} is {text!r}", "give a number, with a point before the decimals")
    return value


def _year(text: str | None, column: str, where: str) -> int | None:
    if not (text or "").strip():
        return None
    value = _number(text, column, where)
    if value != int(value) or not 1900 <= value <= 2100:
        raise ConfigError(where, f"{column} is {text!r}", "give a year, or leave it empty")
    return int(value)
