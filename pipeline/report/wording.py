"""Names and numbers in plain words: what a probability, a weight, a decision or a zone is called on the pages."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from pipeline.build_sheets import BuildSheet, Fastening, Finish, Seam
from pipeline.colour import colour_settings, differs, is_finding, limit_of
from pipeline.coverage import cue_entries, shot_entries, zone_entries
from pipeline.plate import CUE as PLATE
from pipeline.plate import UNLISTED, UNREAD
from pipeline.records import AdvertResult, Decision, Measure, PhotoFindings, Side, Weight, ZoneState

# design.md section 10 and common practice, no source
CAUTIONS = (
    "A finding is a reason to look and to ask. It is no proof, and it accuses nobody.",
    "Never go under a vehicle that is held only by a jack.",
    "Do not sand old paint or test it with solvent: it can release lead or isocyanates. Leave that to a professional.",
    "For a purchase or a dispute, use a licensed inspector and follow local law.",
)

DECISIONS: dict[Decision, str] = {
    "likely_factory": "Likely factory paint",
    "ask_first": "Ask first",
    "likely_refinished": "Likely refinished",
    "not_enough_seen": "Not enough seen",
}
DECISION_MEANINGS: dict[Decision, str] = {
    "likely_factory": "What was seen speaks for the factory's paint. Worth keeping.",
    "likely_refinished": "What was seen speaks for a later paint job. Know this before you bid.",
    "not_enough_seen": "The photos do not show the places that tell. This is no clean bill.",
}
SAID_OF_MANY: dict[Decision, tuple[str, str]] = {  # after a number: one, more than one
    "likely_factory": ("is likely in factory paint", "are likely in factory paint"),
    "ask_first": ("could be either", "could be either"),
    "likely_refinished": ("is likely refinished", "are likely refinished"),
    "not_enough_seen": ("shows too little to tell", "show too little to tell"),
}
LEANS = 0.66  # as `probability_words`: from here a refinish is likely, and below the rest of it unlikely
HISTORY_NAMES = {
    "factory": "Factory paint throughout",
    "local_repair": "One place repaired",
    "panels_refinished": "Some panels refinished",
    "refinished_same_colour": "Whole vehicle refinished in its colour",
    "colour_change_outside_only": "Colour changed, outside only",
    "colour_change_throughout": "Colour changed throughout",
}
STATES: dict[ZoneState, str] = {
    "seen": "Seen",
    "not_seen": "Not seen",
    "not_assessable": "Cannot be judged",
}
CELL_STATES = {  # of a zone on one side
    "seen": "Seen, says nothing",
    "not_told": "Seen, side not told",
    "not_seen": STATES["not_seen"],
    "not_assessable": STATES["not_assessable"],
}
NUMBERS = ("none", "one", "two", "three", "four", "five", "six")
TONES = {
    "refinish": "speaks for a refinish",
    "factory": "speaks for the factory",
    "plain": "seen, says little",
    "unseen": "not seen or not to be judged",
}
FINISHES: dict[Finish, str] = {
    "body_colour": "body colour", "black": "black", "bare": "bare", "zinc": "zinc", "rubber": "rubber",
}  # fmt: skip
FASTENINGS: dict[Fastening, str] = {
    "spot_weld": "spot-welded", "rivet_painted": "rivets painted",
    "rivet_bare": "rivets bare", "bolt_bare": "bolts bare",
}  # fmt: skip
SEAMS: dict[Seam, str] = {"open": "open seam", "sealed": "sealed seam"}
SIDES: dict[Side, str] = {"left": "left side", "right": "right side"}


def decision_meaning(result: AdvertResult) -> str:
    """What an advert's decision means for the reader; nobody is sent to photos that are not listed."""
    if result.decision != "ask_first":
        return DECISION_MEANINGS[result.decision]
    leans = "Could be either"
    if max(result.refinished, 1 - result.refinished) >= LEANS:
        leans = f"Leans to {'a refinish' if result.refinished >= LEANS else 'factory paint'}, but could still be either"
    if not result.requests:
        return f"{leans}, and no photo to ask for is expected to tell. Look at the vehicle itself."
    return f"{leans}. Ask the seller for the photos listed before driving out."


def probability_words(probability: float) -> str:
    """A probability on the scale of the IPCC's guidance note on uncertainty (Mastrandrea et al. 2010, table 1)."""
    if probability >= 0.99:
        return "virtually certain"
    if probability >= 0.90:
        return "very likely"
    if probability >= 0.66:
        return "likely"
    if probability > 0.33:
        return "about as likely as not"
    if probability > 0.10:
        return "unlikely"
    if probability > 0.01:
        return "very unlikely"
    return "exceptionally unlikely"


def percent(probability: float) -> str:
    """Whole percent, but never a false 0 % or 100 %."""
    if 0 < probability < 0.01:
        return "under 1 %"
    if 0.99 < probability < 1:
        return "over 99 %"
    return f"{100 * probability:.0f} %"


def percent_range(low: float, high: float) -> str:
    """Two probabilities as one range."""
    first, second = percent(low), percent(high)
    return first if first == second else f"{first.removesuffix(' %')} to {second}"


def weight_words(decibans: float) -> str:
    """How strong one weight is and for which side, in grades of Jeffreys (Theory of Probability, 3rd ed. 1961, app. B).

    His half powers of ten are steps of 5 decibans. His last grade, 'decisive', is left out: photos decide nothing.
    """
    size = abs(decibans)
    if size < 0.5:
        return "says nothing either way"
    side = "a refinish" if decibans > 0 else "the factory"
    if size < 5:
        return f"barely speaks for {side}"
    if size < 10:
        return f"speaks substantially for {side}"
    if size < 15:
        return f"speaks strongly for {side}"
    return f"speaks very strongly for {side}"


def signed(decibans: float, decimals: int = 1) -> str:
    """A weight with its sign, by default with one decimal: `+3.0`, `−12.4`, `0.0`."""
    text = f"{abs(decibans):.{decimals}f}"
    return text if float(text) == 0 else f"{'+' if decibans > 0 else '−'}{text}"


UNITS = {"um": "µm", "dE00": "ΔE00"}


def measured(measure: Measure) -> str:
    """A value with its standard uncertainty, both to the digits that the uncertainty leaves (JCGM 100:2008, 7.2.6).

    A probability has no uncertainty of its own.
    """
    if measure.uncertainty is None:
        return f"{probability(measure.value)} {measure.unit}"
    step = 0 if measure.uncertainty <= 0 else 1 - math.floor(math.log10(measure.uncertainty))
    digits = min(max(step, 0), 3)
    unit = UNITS.get(measure.unit, measure.unit)
    return f"{measure.value:.{digits}f} ± {measure.uncertainty:.{digits}f} {unit}"


def probability(value: float) -> str:
    """Two decimals, but never a false certainty: `0.97`, `over 0.99`."""
    return "over 0.99" if value > 0.99 else "under 0.01" if value < 0.01 else f"{value:.2f}"


def read_code(code: str, chance: float | None) -> str:
    """A code with how surely it was read: `OW 503, read with a probability of 0.97`."""
    return code if chance is None else f"{code}, read with a probability of {probability(chance)}"


def judged(measure: Measure) -> str:
    """Whether a difference of colours counts as one; for those without a limit of their own, against what it is."""
    settings = colour_settings()
    if measure.cue == "decal_offset":
        return f"it looks {measure.text}" if measure.text else ""
    if measure.cue == PLATE:
        return measure.text or ""
    if measure.unit != "dE00" or measure.cue not in settings.limit_delta_e00:
        return f"against {measure.text}" if measure.text else ""
    if is_finding(measure, settings):
        return "differs"
    return "differs, if the edge is one" if differs(measure, settings) else "within what light and doubt allow"


def against_limit(measure: Measure) -> str:
    """Whether a difference of colours is above its limit; nothing for what has none: `over its limit of 5.3`."""
    limit = limit_of(measure, colour_settings())
    if limit is None:
        return ""
    unsure = measure.value >= limit and not is_finding(measure, colour_settings())
    return f"{'over' if measure.value >= limit else 'under'} its limit of {limit:.1f}{', if the edge is one' * unsure}"


MEASURED_SENTENCES = {  # where it is a finding, and where it is none
    "panel_mismatch": (
        "The paint on the two sides of this gap differs by more than light and doubt explain: one of the panels may "
        "have been painted anew.",
        "The paint on the two sides of this gap differs by no more than light and doubt may explain.",
    ),
    "shut_mismatch": (
        "The paint here is of another hue than the outside's in the same photo, by more than light and doubt explain: "
        "one of the two may have been painted anew.",
        "The paint here differs from the outside's in the same photo by no more than light and doubt may explain.",
    ),
    "masking_edge": (
        "The paint on the two sides of this edge differs by more than light and doubt explain.",
        "The paint on the two sides of this edge differs by no more than light and doubt may explain.",
    ),
    "decal_offset": (
        "The decal is farther from the factory's place than the build sheet allows: it may have been put on anew.",
        "",
    ),
}


def measured_sentence(measure: Measure, is_one: bool) -> str:
    """What a measured value says of its place; `is_one`: it is a finding."""
    if measure.cue == PLATE:
        is_read = measure.text is not None and not measure.text.startswith((UNREAD, UNLISTED))
        return f"{read_code(measure.text or '', measure.value if is_read else None)}."
    if measure.cue not in MEASURED_SENTENCES:
        return ""
    if not is_one and differs(measure, colour_settings()):
        return "The paint on the two sides differs by more than light and doubt explain, if this is an edge at all."
    return MEASURED_SENTENCES[measure.cue][0 if is_one else 1]


MEASURED_NAMES = {  # of what has no limit of its own: weighing tells what the value speaks for
    "code_mismatch": "Code against colour",
    "decal_offset": "Place of the decal",
    "film_thickness": "Film thickness",
    "filler": "Film thickness where it is greatest",
    PLATE: "Code on the plate",
}


def measured_name(measure: Measure, weights: Sequence[Weight] = ()) -> str:
    """What was measured, by its outcome where one is known: `Neighbouring panels agree`.

    A difference of colours is judged by its limit. Of code and colour, which have none, the advert's `weights` tell.
    """
    settings = colour_settings()
    if measure.unit == "dE00" and measure.cue in settings.limit_delta_e00:
        if is_finding(measure, settings):
            return cue_name(measure.cue)
        agrees = measure.value < settings.limit_delta_e00[measure.cue]
        return (_agrees(measure.cue) if agrees else None) or f"{cue_name(measure.cue)}: undecided"
    weight = next((weight for weight in weights if weight.cue == measure.cue == "code_mismatch"), None)
    if weight is not None:
        return sign_name(weight)
    return MEASURED_NAMES.get(measure.cue) or cue_name(measure.cue)


def coordinate(measure: Measure) -> str:
    """One coordinate of a colour: `a* −12 ± 5`."""
    return f"{measure.unit} {measure.value:.0f} ± {measure.uncertainty or 0:.0f}".replace("-", "−")


def families(probabilities: Mapping[str, float]) -> str:
    """Hue families that a colour may be, the likeliest first: `green 83 %, blue 12 %`; those under 5 % left out."""
    ranked = sorted(probabilities.items(), key=lambda item: -item[1])
    return ", ".join(f"{name} {percent(share)}" for name, share in ranked if share >= 0.05)


def of_ranked(shown: int, ranked: int) -> str:
    """How many paints of the table are listed: `The five likeliest of 31 paints of the table`."""
    if shown >= ranked:
        return "Paints of the table"
    number = "" if shown == 1 else f"{NUMBERS[shown] if shown < len(NUMBERS) else shown} "
    return f"The {number}likeliest of {ranked} paints of the table"


def money(amount: float, currency: str | None) -> str:
    """A price as the advert gives it: `12 500 EUR`, with thin spaces."""
    text = f"{amount:,.2f}" if amount % 1 else f"{amount:,.0f}"
    return f"{text} {currency}".replace(",", "\u202f") if currency else text.replace(",", "\u202f")


def cue_name(cue: str) -> str:
    """The cue's label, or its name in words where the configuration does not know it."""
    entry = cue_entries().get(cue)
    return _plain(cue) if entry is None else entry.label


def zone_name(zone: str | None) -> str:
    """The zone's label; `The vehicle` where a finding belongs to no zone."""
    if zone is None:
        return "The vehicle"
    entry = zone_entries().get(zone)
    return _plain(zone) if entry is None else entry.label


def shot_name(shot: str) -> str:
    """The label of a kind of view."""
    entry = shot_entries().get(shot)
    return _plain(shot) if entry is None else entry.label


def place(zone: str | None, side: Side | None) -> str:
    """Zone and side together: `Door hinges, left side`."""
    return zone_name(zone) if side is None else f"{zone_name(zone)}, {SIDES[side]}"


def not_judged(photo: PhotoFindings) -> str:
    """Why a photo is not judged; nothing where it is."""
    if photo.is_novel:
        return "Unlike anything the network has learnt: not judged"
    return "" if photo.quality.assessable else "Too weak to judge"


def sign_name(weight: Weight) -> str:
    """The cue as found or not: `Painted fastener heads`, `No painted fastener heads`, `Code and colour agree`."""
    name = cue_name(weight.cue)
    if weight.faint:
        return f"Faint sign of {name[:1].lower()}{name[1:]}"
    return name if weight.found else _agrees(weight.cue) or f"No {name[:1].lower()}{name[1:]}"


def _agrees(cue: str) -> str | None:
    entry = cue_entries().get(cue)
    return None if entry is None else entry.agrees


def evidence_name(weight: Weight) -> str:
    """What a weight is about: `Painted fastener heads: Door hinges, left side`, or `No painted fastener heads: …`."""
    where = place(weight.zone, weight.side)
    if weight.zone is None and weight.photo is not None:
        where = "A place that the photo does not tell"
    return f"{sign_name(weight)}: {where}"


def beyond(why: str, label: str) -> str:
    """What a weight's sentence says beyond its label, which stands above it: `In 2 photos (score 0.96).`"""
    said = why[len(label) :].lstrip(" :,") if why.lower().startswith(label.lower()) else why
    return said[:1].upper() + said[1:]


def built(sheet: BuildSheet, zone: str) -> str:
    """How the factory left a zone: `body colour; rivets bare, open seam`."""
    finish = sheet.finish(zone)
    joints = sheet.joints_in(zone)
    fastenings = dict.fromkeys(FASTENINGS[joint.fastening] for joint in joints if joint.fastening is not None)
    seams = dict.fromkeys(SEAMS[joint.seam] for joint in joints if joint.seam is not None)
    parts = ("" if finish is None else FINISHES[finish], ", ".join((*fastenings, *seams)))
    return "; ".join(part for part in parts if part)


def _plain(name: str) -> str:
    return name.replace("_", " ").capitalize()
