"""The sheet to take to a viewing: where to look first and how, boxes to fill, gauge readings by panel, cautions.

One HTML page without scripts, links or files beside it; it prints to one or two pages of A4 and reads on a phone.
Places come in the order in which a person's look at them is expected to tell most, in bits over the histories, given
everything seen so far: a sign in doubt and a place never shown stand before what is settled.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from math import log
from pathlib import Path

import jinja2
import numpy as np
from pydantic import Field

from pipeline.build_sheets import BuildSheet, Metal, Panel, Zone
from pipeline.configuration import Config, load, shipped
from pipeline.coverage import cue_entries, zone_entries
from pipeline.evidence import Piece, Verdict, weigh
from pipeline.histories import WeighingSettings
from pipeline.photo_requests import Trial, expected_gain_bits, read_catalogue, trials_of
from pipeline.readings import PanelFilm
from pipeline.records import DETECTED_CUES, Advert, AdvertResult, CueRates, Probability, Side
from pipeline.report import wording

PROBES: dict[Metal, str] = {"steel": "magnetic", "aluminium": "eddy current"}


class Look(Config):
    """How well a careful person tells a sign at one place (an assumption: it only orders the places)."""

    sensitivity: Probability
    false_alarm: Probability


class Sign(Config):
    """What speaks for a cue, and what only looks like it."""

    sign: str
    innocent: str


class ViewingSettings(Config):
    """The words and limits of the sheet (`configs/viewing.yaml`)."""

    look: Look
    most_places: int = Field(ge=1)
    most_weights: int = Field(ge=1)
    least_bits: float = Field(ge=0)
    readings_a_panel: int = Field(ge=1)
    tools: tuple[str, ...]
    places: dict[Zone, str]
    signs: dict[str, Sign]
    panels: tuple[str, ...]
    papers: tuple[str, ...]
    cautions: tuple[str, ...]

    @classmethod
    def shipped(cls) -> ViewingSettings:
        """The settings that come with maskline."""
        return load(shipped("viewing.yaml"), cls)


@dataclass(frozen=True, slots=True)
class PlaceToLook:
    """One place on the sheet: what to look for there (the most telling cue first) and what the photos said."""

    zone: str
    side: Side | None
    gain_bits: float
    cues: tuple[str, ...]
    is_sign: bool  # photos may show a cue here
    photos_said: str

    @property
    def label(self) -> str:
        return wording.place(self.zone, self.side)


@dataclass(frozen=True, slots=True)
class PanelRow:
    """One panel on the sheet: the probe its metal needs, the factory's range, and what was read already."""

    name: str
    panel: Panel
    probe: str
    range_um: tuple[float, float]
    film: PanelFilm | None


def places_to_look(verdict: Verdict, settings: ViewingSettings) -> tuple[PlaceToLook, ...]:
    """The places whose look is expected to tell most, most telling first, at most one for a zone and known side."""
    sides: dict[str, list[Side | None]] = {}
    for piece in verdict.pieces:
        if piece.zone is not None and piece.side is not None and piece.is_sighting:
            sides.setdefault(piece.zone, []).append(piece.side)
    places = []
    for zone in settings.places:
        for side in dict.fromkeys(sides.get(zone, [None])):
            looks = _looks_at(verdict, zone, side, settings.look)
            alone = {look.cue: expected_gain_bits(verdict.model, verdict.belief, [look]) for look in looks}
            best: dict[str, Trial] = {}
            for look in sorted(looks, key=lambda look: -alone[look.cue]):
                best.setdefault(cue_entries()[look.cue].group, look)
            gain = expected_gain_bits(verdict.model, verdict.belief, list(best.values()))
            cues = tuple(look.cue for look in best.values() if alone[look.cue] >= settings.least_bits / 2)
            if gain >= settings.least_bits and cues:
                is_sign = any(piece.is_sighting for piece in _pieces_at(verdict, zone, side))
                places.append(PlaceToLook(zone, side, gain, cues, is_sign, _photos_said(verdict, zone, side)))
    # what the photos may show comes before what they did not show, where the sheet has no room for both
    places.sort(key=lambda place: (not place.is_sign, -place.gain_bits, place.zone, place.side or ""))
    kept = places[: settings.most_places]
    return tuple(sorted(kept, key=lambda place: (-place.gain_bits, place.zone, place.side or "")))


def viewing_sheet(
    advert: Advert,
    verdict: Verdict,
    films: Sequence[PanelFilm] = (),
    settings: ViewingSettings | None = None,
) -> str:
    """The sheet for one advert as HTML. `films`: readings taken already, shown with a strip plot."""
    settings = settings or ViewingSettings.shipped()
    places = places_to_look(verdict, settings)
    sought = {cue for place in places for cue in place.cues}
    return _template("viewing.html.j2").render(
        title=advert.details.title or advert.name,
        advert=advert,
        verdict=verdict,
        places=places,
        signs=[(wording.cue_name(cue), sign) for cue, sign in settings.signs.items() if cue in sought],
        rows=_panel_rows(verdict.model.sheet, films),
        strip=strip_plot_svg(films),
        cue_names={cue: wording.cue_name(cue) for cue in cue_entries()},
        settings=settings,
        wording=wording,
    )


def shot_list(
    sheet: BuildSheet,
    rates: Mapping[str, CueRates],
    weighing: WeighingSettings,
    settings: ViewingSettings | None = None,
    unknown_zones: Collection[str] = (),
) -> str:
    """The photos to take of one's own vehicle of this family, most telling first, as HTML for paper or phone.

    Where the network was not measured or not taught (`unknown_zones`), no photo is expected to tell anything: then what
    is hardest to hide comes first.
    """
    settings = settings or ViewingSettings.shipped()
    start = weigh((), sheet, rates, weighing, hidden=unknown_zones)
    shots = []
    for zone, photos in read_catalogue().photos.items():
        best = max(photos, key=lambda shot: _gain(start, zone, shot, rates))
        shots.append((_gain(start, zone, best, rates), start.model.effort_min(zone), zone, photos[best]))
    shots.sort(key=lambda shot: (-shot[0], -shot[1], shot[2]))
    plate = sheet.code_plate.where if sheet.code_plate else ""
    return _template("shot_list.html.j2").render(
        sheet=sheet,
        shots=[(wording.zone_name(zone), zone_entries()[zone].sided, text) for _, _, zone, text in shots],
        plate=plate,
        settings=settings,
        wording=wording,
    )


def statement(
    result: AdvertResult, made_with: str, sheet: str, prior_decibans: float, settings: ViewingSettings | None = None
) -> str:
    """One page for the file, as HTML: what is thought of the paint, for what, and what was and was not seen.

    `sheet`: label of the build sheet it was weighed with; `prior_decibans`: the odds of a refinish before any photo.
    """
    settings = settings or ViewingSettings.shipped()
    telling = sorted((w for w in result.weights if w.decibans), key=lambda weight: -abs(weight.decibans))
    shown = telling[: settings.most_weights]
    rest = telling[settings.most_weights :]
    return _template("statement.html.j2").render(
        title=result.title or result.advert,
        result=result,
        made_with=made_with,
        sheet=sheet,
        histories=sorted(result.history.items(), key=lambda item: -item[1]),
        weights=shown,
        rest=len(rest),
        rest_decibans=sum(weight.decibans for weight in rest),
        before=prior_decibans,
        total=prior_decibans + sum(weight.decibans for weight in telling),
        zones={state: [z for z, found in result.coverage.items() if found == state] for state in wording.STATES},
        wording=wording,
    )


def strip_plot_svg(films: Sequence[PanelFilm]) -> str:
    """A strip plot by panel as SVG: each reading a dot, the factory's range shaded, the median a bar; log scale, µm.

    Empty where there are no readings.
    """
    if not films:
        return ""
    values = [value for film in films for value in (*film.readings_um, *film.range_um)]
    low, high = min(values) / 1.3, max(values) * 1.3
    ticks = [tick for tick in (10, 20, 50, 100, 200, 500, 1000, 2000, 5000) if low < tick < high]
    return _template("film_strip.svg.j2").render(
        films=films, ticks=ticks, across=lambda value: round(160 + 470 * log(value / low) / log(high / low), 1)
    )


def _looks_at(verdict: Verdict, zone: str, side: Side | None, look: Look) -> list[Trial]:
    """What a person's look at this place would be asked, cue by cue, given what photos have said of it already."""
    model = verdict.model
    looks = []
    for cue, entry in cue_entries().items():
        if cue not in DETECTED_CUES or cue not in model.settings.cues or zone not in entry.zones:
            continue
        if model.expected_by_factory(cue, zone) >= 1:
            continue
        there = model.there(cue, zone, side)
        seen = next((p for p in verdict.pieces if (p.cue, p.zone) == (cue, zone) and p.side in (side, None)), None)
        if seen is not None:
            there = there * seen.ratio / (there * seen.ratio + 1 - there)
        looks.append(Trial(cue, np.asarray(there), look.sensitivity, look.false_alarm))
    return looks


def _photos_said(verdict: Verdict, zone: str, side: Side | None) -> str:
    """What the photos said of a place, in half a sentence."""
    here = _pieces_at(verdict, zone, side)
    found = [wording.cue_name(p.cue).lower() for p in here if p.is_sighting and p.telling.measure is None]
    if found:
        return f"photos may show {' and '.join(found)}"
    if here:
        return f"nothing found in {_photos(here)}"
    return {"not_assessable": "shown, but not to be judged", "not_seen": "not shown"}.get(
        verdict.coverage.get(zone, "not_seen"), "shown, nothing to be weighed"
    )


def _pieces_at(verdict: Verdict, zone: str, side: Side | None) -> list[Piece]:
    return [piece for piece in verdict.pieces if piece.zone == zone and piece.side in (side, None)]


def _photos(pieces: Sequence[Piece]) -> str:
    names = {look.photo for piece in pieces for look in piece.looks}
    return "1 photo" if len(names) == 1 else f"{len(names)} photos"


def _panel_rows(sheet: BuildSheet, films: Sequence[PanelFilm]) -> list[PanelRow]:
    by_name = {film.name: film for film in films}
    return [
        PanelRow(name, panel, PROBES[panel.metal], sheet.film_range_um(name), by_name.get(name))
        for name, panel in sheet.known_panels.items()
    ]


def _gain(start: Verdict, zone: str, shot: str, rates: Mapping[str, CueRates]) -> float:
    return expected_gain_bits(start.model, start.belief, trials_of(zone, shot, start, rates))


@cache
def _environment() -> jinja2.Environment:
    return jinja2.Environment(
        loader=jinja2.FileSystemLoader(Path(wording.__file__).parent / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _template(name: str) -> jinja2.Template:
    return _environment().get_template(name)
