"""One row an advert, in the order in which a buyer wants to look at them, each with what it is thought for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence

from pipeline.build_sheets import GENERIC, BuildSheet, read_build_sheet
from pipeline.colour import AdvertColour
from pipeline.coverage import distinct_photos, hidden_zones
from pipeline.errors import ConfigError
from pipeline.evidence import Verdict, place_in_words, weigh
from pipeline.histories import WeighingSettings
from pipeline.photo_requests import rank_requests
from pipeline.records import (
    Advert,
    AdvertResult,
    CueRates,
    Decision,
    Measure,
    PhotoFindings,
    SetAside,
    Shortlist,
)
from pipeline.report import wording

# What a buyer wants: first what is worth the trip, then what may be, then what nobody can tell yet, then what to drop.
ORDER: tuple[Decision, ...] = ("likely_factory", "ask_first", "not_enough_seen", "likely_refinished")


def shortlist(
    adverts: Sequence[Advert],
    findings_by_advert: Mapping[str, Sequence[PhotoFindings]],
    set_aside: Sequence[SetAside],
    rates: Mapping[str, CueRates],
    settings: WeighingSettings,
    measures_by_advert: Mapping[str, Sequence[Measure]] | None = None,
    colours: Mapping[str, AdvertColour] | None = None,
    unknown_zones: Collection[str] = (),
) -> Shortlist:
    """Weigh every advert and rank them all.

    `rates`: by cue, what the network was measured to do (its manifest); `measures_by_advert`: readings taken at a
    viewing; `colours`: what the photos of each say together of its colour; `unknown_zones`: those that the network
    was not taught, where no photo is asked for. Within a decision the less probably
    refinished comes first, then what was looked at more, then the name. A build sheet that an advert names and that
    cannot be read is replaced by the generic one and noted.
    """
    sheets: dict[str, tuple[BuildSheet, str | None]] = {}
    rows: list[tuple[Advert, Verdict, AdvertColour | None, tuple[str, ...]]] = []
    for advert in adverts:
        name = advert.details.build_sheet or GENERIC
        if name not in sheets:
            sheets[name] = sheet_or_generic(name)
        sheet, fault = sheets[name]
        findings = findings_by_advert.get(advert.name, ())
        colour = (colours or {}).get(advert.name)
        measures = [*(measures_by_advert or {}).get(advert.name, ()), *(colour.measures if colour else ())]
        hidden = hidden_zones(advert.details, settings.covers)
        verdict = weigh(findings, sheet, rates, settings, measures, {*hidden, *unknown_zones})
        notes = [*([fault] if fault else ()), *(colour.identity.warnings if colour else ())]
        notes += _decal_notes(findings, sheet, advert.details.year)
        rows.append(
            (
                advert,
                verdict,
                colour,
                (*notes, *_notes(findings, verdict), *_hidden_notes(hidden), *_changes(advert, findings, verdict)),
            )
        )
    rows.sort(key=lambda row: (ORDER.index(row[1].decision), row[1].refinished, -row[1].looked_at, row[0].name))
    lost = Counter(photo.advert for photo in set_aside)
    return Shortlist(
        adverts=tuple(
            _result(
                rank,
                advert,
                verdict,
                colour,
                notes,
                len(findings_by_advert.get(advert.name, ())),
                lost[advert.name],
                rates,
            )
            for rank, (advert, verdict, colour, notes) in enumerate(rows, start=1)
        )
    )


def _result(
    rank: int,
    advert: Advert,
    verdict: Verdict,
    colour: AdvertColour | None,
    notes: tuple[str, ...],
    photos: int,
    set_aside: int,
    rates: Mapping[str, CueRates],
) -> AdvertResult:
    return AdvertResult(
        advert=advert.name,
        title=advert.details.title,
        rank=rank,
        history=verdict.history,
        refinished=verdict.refinished,
        refinished_range=verdict.refinished_range,
        weights=verdict.weights,
        coverage=verdict.coverage,
        requests=rank_requests(verdict, rates),
        decision=verdict.decision,
        reason=verdict.reason,
        extent=verdict.extent,
        extent_before=verdict.extent_before,
        coats=verdict.coats,
        notes=notes,
        colour=None if colour is None else colour.summary(),
        price=advert.details.price,
        currency=advert.details.currency,
        photos=photos,
        set_aside=set_aside,
    )


def sheet_or_generic(name: str) -> tuple[BuildSheet, str | None]:
    """The build sheet of this name or path; where it cannot be read, the generic one and a note that says so."""
    try:
        return read_build_sheet(name), None
    except ConfigError as error:
        return read_build_sheet(GENERIC), f"Weighed with the build sheet {GENERIC}, since the one named fails: {error}"


def _notes(findings: Sequence[PhotoFindings], verdict: Verdict) -> list[str]:
    """What a buyer should know besides the weights, each as one sentence."""
    notes = [
        f"The photo {photo.photo} is also in {', '.join(photo.also_in)}: one vehicle twice, or a photo from elsewhere."
        for photo in sorted(findings, key=lambda photo: photo.photo)
        if photo.also_in
    ]
    repeats = len(findings) - len(distinct_photos(findings))
    if repeats:
        repeat = "repeats another one and counts" if repeats == 1 else "repeat another one and count"
        notes.append(f"{repeats} of {len(findings)} photos {repeat} once.")
    novel = sum(photo.is_novel for photo in findings)
    if novel:
        notes.append(
            f"{novel} of {len(findings)} photos {'is' if novel == 1 else 'are'} unlike anything the network has "
            "learnt, and not judged (but for a code on a plate)."
        )
    weak = sum(not photo.quality.assessable and not photo.is_novel for photo in findings)
    if weak:
        notes.append(
            f"{weak} of {len(findings)} photos {'is' if weak == 1 else 'are'} too blurred, dark or small to be judged."
        )
    low, high = verdict.refinished_range
    if low < verdict.model.settings.costs.go_below <= high or low <= verdict.model.settings.costs.drop_above < high:
        notes.append(
            "The decision hangs on what was assumed before any photo: "
            f"the probability of a refinish runs from {100 * low:.0f} % to {100 * high:.0f} % over the range assumed."
        )
    return notes


RENEWED = "renewed, or a panel from another vehicle; by itself no sign of a refinish."


def _decal_notes(findings: Sequence[PhotoFindings], sheet: BuildSheet, year: int | None) -> list[str]:
    """Decals that were measured and are of other years or of another colour than the factory's: no refinish by itself.

    A decal's colour counts as another only where it can be none of those that the build sheet gives.
    """
    measured = {m.panel: m for photo in findings for m in photo.measures if m.cue == "decal_offset"}
    notes = []
    for name, decal in sorted(sheet.decals.items()):
        if decal is None or decal.panel not in measured:
            continue
        words, seen = name.replace("_", " "), measured[decal.panel].text
        if decal.years is not None and year is not None and not decal.years[0] <= year <= decal.years[1]:
            notes.append(
                f"The decal {words} is of {decal.years[0]} to {decal.years[1]} and the vehicle of {year}: {RENEWED}"
            )
        if decal.colours is not None and seen is not None and not set(seen.split(", ")) & set(decal.colours):
            of_years = "" if decal.years is None else f" of {decal.years[0]} to {decal.years[1]}"
            own = " or ".join(decal.colours)
            notes.append(f"The decal {words} looks {seen}, and the factory's{of_years} is {own}: {RENEWED}")
    return notes


def _hidden_notes(hidden: Mapping[str, str]) -> list[str]:
    """What hides which places, one sentence for each word that told of it."""
    notes = []
    for said in dict.fromkeys(hidden.values()):
        places = " and ".join(place_in_words(zone, None) for zone in hidden if hidden[zone] == said)
        notes.append(f"The advert says \u201c{said}\u201d: nothing found on {places} is no sign of factory paint.")
    return notes


def _changes(advert: Advert, findings: Sequence[PhotoFindings], verdict: Verdict) -> list[str]:
    """What is other than in an earlier screening: the advert's own words, its photos, what is thought of it."""
    before = advert.before
    if before is None:
        return []
    notes = []
    then, now = before.details.model_dump(), advert.details.model_dump()
    words = [f"{_key(key)} from {_said(then[key])} to {_said(now[key])}" for key in now if now[key] != then[key]]
    if words:
        notes.append(f"Changed since an earlier screening: {'; '.join(words)}.")
    photos = {photo.sha256 for photo in findings}
    new, gone = len(photos - set(before.photos)), len(set(before.photos) - photos)
    if new or gone:
        counts = [
            f"{count} photo{'' if count == 1 else 's'} {what}"
            for count, what in ((new, "new"), (gone, "gone"))
            if count
        ]
        notes.append(f"Since an earlier screening: {', '.join(counts)}.")
    if before.refinished is not None and before.decision is not None:
        was, is_now = wording.percent(before.refinished), wording.percent(verdict.refinished)
        if (was, before.decision) != (is_now, verdict.decision):
            was += f" ({wording.DECISIONS[before.decision].lower()})"
            is_now += f" ({wording.DECISIONS[verdict.decision].lower()})"
            notes.append(f"A refinish was put at {was} then and is put at {is_now} now.")
    return notes


def _key(name: str) -> str:
    return name.replace("_", " ")


def _said(value: object) -> str:
    if isinstance(value, tuple):
        return ", ".join(map(str, value)) or "nothing"
    if isinstance(value, float):
        value = f"{value:,.10g}"
    return "nothing" if value is None else f"\u201c{value}\u201d"
