"""Do the paint code, the advert, the registration document and the measured colour agree?

The anchor is what the factory recorded: its record, else the identification plate, else the code the seller names. A
registration document names a hue family, not which white, and may have been changed after a repaint: it can agree with
the anchor or with the paint of today, and both are told. Nothing is called a disagreement that light could explain.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np
from pydantic import Field

from pipeline.colorimetry import Floats, srgb_to_lab
from pipeline.configuration import Config
from pipeline.paint_difference import ColourDifference, what_is_paint
from pipeline.paint_table import (
    HUE_FAMILIES,
    ColourReading,
    Lab,
    Paint,
    Ranking,
    TableSettings,
    hue_families,
    hue_family,
    paint_named,
    rank,
    said_family,
    same_code,
)
from pipeline.records import AdvertDetails, Measure, Probability

CUE = "code_mismatch"
Source = Literal[
    "factory record", "identification plate", "paint code in the advert",
    "registration document", "colour in the advert", "photos",
]  # fmt: skip
Agreement = Literal["agree", "disagree", "cannot say"]
ANCHORS: tuple[Source, ...] = ("factory record", "identification plate", "paint code in the advert")


class IdentitySettings(Config):
    """When two statements agree (`identity` in configs/colour.yaml)."""

    agree: Probability
    disagree: Probability
    alike_in_light: tuple[tuple[str, ...], ...]
    paints_differ_lab: Lab
    coverage_factor: float = Field(gt=0)
    limit_delta_e00: float = Field(gt=0)


@dataclass(frozen=True, slots=True)
class Statement:
    """What one source says of the colour: a paint of the table, or only how probable each hue family is."""

    source: Source
    said: str
    families: dict[str, float]
    paint: Paint | None = None


@dataclass(frozen=True, slots=True)
class Comparison:
    """The anchor held against another source."""

    first: Statement
    second: Statement
    agreement: Agreement


@dataclass(frozen=True, slots=True)
class Identity:
    """Everything that the sources say of one vehicle's colour, and whether it fits together.

    `measure` is ΔE00 between the paint measured and the anchor's, or the nearest colour of the hue family that a
    document names; None where either is missing. `ranking` holds the paints of the table against the measured colour.
    `notes` are whole sentences, `warnings` those of them that do not fit together.
    """

    statements: tuple[Statement, ...]
    comparisons: tuple[Comparison, ...]
    measure: Measure | None
    ranking: Ranking | None
    notes: tuple[str, ...]
    warnings: tuple[str, ...]


def judge_identity(
    details: AdvertDetails,
    plate_codes: Sequence[str],
    body: ColourReading | None,
    paints: Sequence[Paint],
    table: TableSettings,
    settings: IdentitySettings,
    *,
    family: str | None = None,
    unlisted: Sequence[str] = (),
) -> Identity:
    """Join what an advert's sources say of its colour.

    `plate_codes`: codes read from its photos, one a photo, as the table writes them; `unlisted`: the same of codes that
    the table lacks; `family`: of the build sheet, None where it is not known.
    """
    plate = _code_on_plate(plate_codes, unlisted)
    statements = _statements(details, plate, body, paints, table)
    anchor = next((s for source in ANCHORS for s in statements if s.source == source), None)
    document = next((s for s in statements if s.source == "registration document"), None)
    against = anchor or document
    comparisons = [
        Comparison(against, other, _agreement(against, other, body, table, settings))
        for other in statements
        if against is not None and other is not against
    ]
    photos = next((s for s in statements if s.source == "photos"), None)
    words = [s for s in statements if s.source in ("registration document", "colour in the advert")]
    comparisons += [
        Comparison(said, photos, _agreement(said, photos, body, table, settings))
        for said in words
        if photos is not None and said is not against
    ]
    measure = None if body is None or against is None else _measure(against, body, table, settings)
    ranking = rank(body, paints, table, family=family, year=details.year) if body is not None and paints else None
    warnings = [_sentence(c) for c in comparisons if c.agreement == "disagree"]
    warnings += _notes_on_codes(details, plate_codes, unlisted, paints)
    if (
        anchor is not None
        and anchor.paint is not None
        and not anchor.paint.was_offered(family, details.year, table.years_of_grace)
    ):
        warnings.append(
            f"By the paint table {anchor.paint.name} ({anchor.paint.code}) was not offered for this family and year: "
            "a special order, a renewed plate or a table with a gap."
        )
    if ranking is not None and ranking.matches and ranking.none_of_them >= table.none_fits:
        warnings.append(
            f"By the paint table no vehicle{' of this family' if family else ''} left the factory in the colour that "
            "the photos show: a special order, a repaint or a table with a gap."
        )
    notes = [*warnings, *(_sentence(c) for c in comparisons if c.agreement != "disagree")]
    return Identity(tuple(statements), tuple(comparisons), measure, ranking, tuple(notes), tuple(warnings))


def _code_on_plate(plate_codes: Sequence[str], unlisted: Sequence[str]) -> str | None:
    """The one code of the table on the plate, if no more photos read one that the table lacks.

    Misread letters seldom make a code of the table, but easily one that it lacks, so between as many photos of each the
    table's is believed. None where two codes of the table were read.
    """
    return plate_codes[0] if len(set(plate_codes)) == 1 and len(plate_codes) >= len(unlisted) else None


def _statements(
    details: AdvertDetails,
    plate: str | None,
    body: ColourReading | None,
    paints: Sequence[Paint],
    table: TableSettings,
) -> list[Statement]:
    said: list[tuple[Source, str | None]] = [
        ("factory record", details.record_colour),
        ("identification plate", plate),
        ("paint code in the advert", details.paint_code),
        ("registration document", details.document_colour),
        ("colour in the advert", details.declared_colour),
    ]
    statements = []
    for source, words in said:
        # a document never names a paint, even where its word is also a paint's name
        paint = None
        if words and source != "registration document":
            paint = same_code(words, paints) or paint_named(words, paints)
        family = said_family(words, table.hue_words) if words else None
        if words and paint is not None:
            families = hue_families(ColourReading(paint.lab, table.scatter))
            statements.append(Statement(source, words, families, paint))
        elif words and family is not None:
            statements.append(Statement(source, words, {family: 1.0}))
    if body is not None:
        families = hue_families(body)
        statements.append(Statement("photos", " or ".join(sorted(families, key=lambda f: -families[f])[:2]), families))
    return statements


def _agreement(
    first: Statement,
    second: Statement,
    body: ColourReading | None,
    table: TableSettings,
    settings: IdentitySettings,
) -> Agreement:
    if first.paint is not None and second.paint is not None:
        return "agree" if first.paint == second.paint else "disagree"
    shared = sum(min(first.families.get(name, 0.0), second.families.get(name, 0.0)) for name in HUE_FAMILIES)
    if second.source != "photos" or body is None:
        return "agree" if shared >= settings.agree else "disagree" if shared <= settings.disagree else "cannot say"
    alike = _alike(first.families, settings)
    excluded = sum(share for name, share in second.families.items() if name in alike) <= settings.disagree
    if first.paint is None:
        return "agree" if shared >= settings.agree else "disagree" if excluded else "cannot say"
    apart = _apart(body, first.paint.lab, table, settings)
    beyond = apart.delta_e00 - settings.coverage_factor * apart.standard_uncertainty > settings.limit_delta_e00
    if shared >= settings.agree and not beyond:
        return "agree"
    return "disagree" if excluded and beyond else "cannot say"


def _measure(
    against: Statement, body: ColourReading, table: TableSettings, settings: IdentitySettings
) -> Measure | None:
    if against.paint is not None:
        lab, name = against.paint.lab, f"{against.paint.code} {against.paint.name}"
    elif len(against.families) == 1:
        (family,) = against.families
        lab, name = nearest_of_family(family, body), family
    else:
        return None
    apart = _apart(body, lab, table, settings)
    return Measure(
        cue=CUE,
        value=round(apart.delta_e00, 2),
        unit="dE00",
        uncertainty=round(apart.standard_uncertainty, 2),
        zone="identification_plate",
        text=f"{name} ({against.source})",
    )


@cache
def _colours() -> tuple[Floats, Floats]:
    """Colours all over sRGB (n, 3) in CIELAB and the index of the hue family of each (n,)."""
    steps = np.linspace(0, 1, 18)
    lab = srgb_to_lab(np.stack(np.meshgrid(steps, steps, steps), axis=-1).reshape(-1, 3))
    return lab, hue_family(lab)


def nearest_of_family(family: str, body: ColourReading) -> Lab:
    """The colour of a hue family that a measured colour is nearest to, by its own uncertainty; of sRGB's colours."""
    if HUE_FAMILIES[int(hue_family(np.array(body.lab)))] == family:
        return body.lab
    lab, families = _colours()
    own = lab[families == HUE_FAMILIES.index(family)]
    lightness, a, b = own[np.square((own - body.lab) / body.uncertainty).sum(axis=1).argmin()].tolist()
    return lightness, a, b


def _apart(body: ColourReading, lab: Lab, table: TableSettings, settings: IdentitySettings) -> ColourDifference:
    """How far the paint measured is from another.

    Photos tell hue and chroma better than lightness, so of a difference in lightness the less is taken for paint.
    """
    seen, own = np.array(body.lab), np.array(lab)
    doubt = np.diag(np.square(body.uncertainty) + np.square(table.scatter))
    return what_is_paint((seen + own) / 2, seen - own, doubt, settings.paints_differ_lab)


def _alike(families: dict[str, float], settings: IdentitySettings) -> set[str]:
    """Families that a photo in more or less light may show instead of these."""
    likely = {name for name, share in families.items() if share > settings.disagree}
    return likely.union(*(set(group) for group in settings.alike_in_light if likely & set(group)))


def _sentence(comparison: Comparison) -> str:
    first, second = comparison.first, comparison.second
    joined = {
        "agree": "agrees with",
        "disagree": "does not agree with",
        "cannot say": "may or may not agree with",
    }[comparison.agreement]
    return f"The {first.source} ({_named(first)}) {joined} the {second.source} ({_named(second)})."


def _named(statement: Statement) -> str:
    if statement.paint is not None:
        return f"{statement.paint.name}, {statement.paint.code}"
    return statement.said


def _notes_on_codes(
    details: AdvertDetails, plate_codes: Sequence[str], unlisted: Sequence[str], paints: Sequence[Paint]
) -> list[str]:
    notes = []
    plate, lacking = _code_on_plate(plate_codes, unlisted), sorted(set(unlisted))
    if len({*plate_codes, *lacking}) > 1:
        taken = f"; taken is {plate}, which the paint table has" if plate else ""
        read = ", ".join(sorted({*plate_codes, *lacking}))
        notes.append(f"Plates in the photos carry different codes: {read}{taken}.")
    said = [("code on the identification plate", code) for code in lacking if not plate]
    for name, words in (("paint code in the advert", details.paint_code), ("factory record", details.record_colour)):
        if paints and words and same_code(words, paints) is None and paint_named(words, paints) is None:
            said.append((name, words))
    notes += [
        f"The {name} ({words}) is not in the paint table: a special order, another maker's list, or a table with a gap."
        for name, words in said
    ]
    return notes
