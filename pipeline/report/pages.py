"""From the shortlist to the pages: `write_report` makes `OUT/report` anew, with every picture it shows inside.

One page for the shortlist, one an advert, and one that sets adverts side by side. All of them read without scripts.
"""

from __future__ import annotations

import math
import os
import re
import shutil
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import jinja2

from pipeline import crops
from pipeline.build_sheets import GENERIC, BuildSheet, read_build_sheet
from pipeline.colour import colour_settings, is_finding
from pipeline.coverage import can_judge, zone_entries, zones_shown
from pipeline.crops import Crop
from pipeline.errors import ConfigError, ScreeningError
from pipeline.histories import WeighingSettings
from pipeline.plate import CUE as PLATE
from pipeline.records import (
    CUES,
    MEASURED_CUES,
    SHOTS,
    ZONES,
    Advert,
    AdvertDetails,
    AdvertResult,
    Box,
    CueFinding,
    Decision,
    Measure,
    PhotoFindings,
    SetAside,
    Shortlist,
    Side,
    Weight,
)
from pipeline.report import charts, drawing, wording
from pipeline.report.charts import Axis
from pipeline.report.drawing import Mark, Tone

FOLDER = "report"
FINDINGS_A_PAGE = 12  # faint signs fill it up; those above their limits are all shown, the rest are in findings.jsonl
MEASURED_A_PAGE = 12  # places where what was measured is no finding; all of them are in the table
UNSEEN_ON_CARD = 4
PICKS = 3  # adverts named at the head of the first page
COMPARED = 4  # adverts side by side at most
SIDES: tuple[Side, ...] = ("left", "right")
MEASURES_SHOWN = (*CUES, PLATE)  # colours of single photos are not: the advert's is shown once
SMALL_DECIBANS = 0.5  # weights under this are drawn as one


@dataclass(frozen=True, slots=True)
class Step:
    """One bar of a sum: it runs from `start` to `end` (decibans for new paint).

    `anchor` is where its photo stands on the advert's page; `parts` are the weights that are drawn together in it.
    """

    label: str
    why: str
    decibans: float
    start: float
    end: float
    anchor: str | None = None
    parts: tuple[Step, ...] = ()


@dataclass(frozen=True, slots=True)
class Sum:
    """How the weights add up from the assumption before any photo to the probability after all of them."""

    before: float
    steps: tuple[Step, ...]
    total: float
    axis: Axis

    @property
    def probability(self) -> float:
        return 1 / (1 + 10 ** (-self.total / 10))


@dataclass(frozen=True, slots=True)
class HistorySums:
    """How the weights add up for each history against the factory's paint, in decibans; columns in `histories` order.

    The prior times the likelihoods is, history by history, the posterior, so each column adds up to its last row.
    """

    histories: tuple[str, ...]
    before: tuple[float, ...]
    rows: tuple[tuple[str, tuple[float, ...]], ...]
    together: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Sighting:
    """One place where a cue was seen or something was measured, as the advert's page shows it."""

    anchor: str
    cue: str
    findings: PhotoFindings
    box: Box
    crop: Crop | None  # None: the photo had more places than are cut out; the whole photo still shows it
    weight: Weight | None  # None: it counts for nothing by itself
    counted_in: str | None = None  # the photo in which the same sign at the same place counts instead
    measure: Measure | None = None  # what was measured there

    @property
    def decibans(self) -> float:
        return 0.0 if self.weight is None else self.weight.decibans

    @property
    def seen(self) -> CueFinding | None:
        """The cue as it was seen in the photo; None where the place was only measured."""
        finding = self.findings.cues.get(self.cue)
        return finding if finding is not None and self.box in finding.boxes else None

    @property
    def differs(self) -> bool:
        """Whether what was measured there is a finding: a decal has its limit from the build sheet, by its weight."""
        if self.measure is None:
            return False
        by_weight = self.cue == "decal_offset" and self.weight is not None and self.weight.found
        return by_weight or is_finding(self.measure, colour_settings())

    @property
    def name(self) -> str:
        """What it is called: `Painted fastener heads`, `Faint: masking edge`, `Neighbouring panels agree`."""
        if self.measure is not None and not self.is_finding:
            return wording.measured_name(self.measure)
        name = wording.cue_name(self.cue)
        return f"Faint: {name[:1].lower()}{name[1:]}" if self.is_faint else name

    @property
    def is_weighed(self) -> bool:
        """Whether it is the kind of thing that can count: the code on a plate does so with the colour only."""
        return self.cue in CUES

    @property
    def is_finding(self) -> bool:
        """Whether it stands among the findings: it was seen, or what was measured there is one."""
        return self.seen is not None or self.differs

    @property
    def is_faint(self) -> bool:
        """Whether the cue is below its limit in the photo, and nobody has judged the place."""
        return self.seen is not None and not self.box.judged and self.seen.found is not True

    @property
    def leads(self) -> bool:
        """Whether it is the surest place of a cue that is above its limit in the photo, was judged, or was measured."""
        if self.seen is None:
            return self.differs
        return not self.is_faint and (self.box.judged or self.box == self.seen.boxes[0])


@dataclass(frozen=True, slots=True)
class ZoneCell:
    """What is known of a zone on one side; on no side in particular where `side` is None.

    `state` is one of the states of coverage, or `not_told`: it was seen, but no photo tells on which side.
    """

    side: Side | None
    state: str
    weights: tuple[Weight, ...] = ()

    @property
    def decibans(self) -> float:
        return sum(weight.decibans for weight in self.weights)

    @property
    def is_hatched(self) -> bool:
        """Whether nothing is known of it: the place of a plate that no photo shows can have a weight from its words."""
        return self.state in ("not_seen", "not_assessable") and not self.decibans


@dataclass(frozen=True, slots=True)
class ZoneRow:
    """One zone in the table: a cell a side, and one for both where the vehicle has it once or the side is not told."""

    number: int  # in the table and on the drawing
    zone: str
    state: str
    built: str  # how the factory left it, from the build sheet
    sides: tuple[ZoneCell, ...]  # none, or left and right
    whole: ZoneCell | None

    @property
    def cells(self) -> tuple[ZoneCell, ...]:
        return self.sides if self.whole is None else (*self.sides, self.whole)

    @property
    def weights(self) -> tuple[Weight, ...]:
        return tuple(weight for cell in self.cells for weight in cell.weights)

    @property
    def decibans(self) -> float:
        return sum(cell.decibans for cell in self.cells)

    @property
    def is_hatched(self) -> bool:
        """Whether nothing is known of it on any side."""
        return all(cell.is_hatched for cell in self.cells)

    @property
    def spoken(self) -> tuple[ZoneCell, ...]:
        """The cells to show where there is little room: both sides where they speak against each other, else none."""
        spoken = tuple(cell for cell in self.cells if cell.decibans)
        return spoken if len({cell.decibans > 0 for cell in spoken}) > 1 else ()

    def tone(self, side: Side | None = None) -> Tone:
        """How the drawing of one side fills the place; of the whole vehicle where `side` is None."""
        here = [cell for cell in self.cells if side is None or cell.side in (side, None)]
        decibans = sum(cell.decibans for cell in here)
        if abs(decibans) >= SMALL_DECIBANS:
            return "refinish" if decibans > 0 else "factory"
        return "plain" if any(cell.state in ("seen", "not_told") for cell in here) else "unseen"


@dataclass(frozen=True, slots=True)
class AdvertView:
    """Everything the pages show of one advert."""

    result: AdvertResult
    details: AdvertDetails
    page: str
    sheet: BuildSheet
    sum: Sum
    history_sums: HistorySums | None
    panel_sums: Mapping[tuple[str, str], Sum]  # by zone and side, as in the result's `extent`
    photo_anchors: Mapping[str, str]  # where each photo stands on the page
    telling: PhotoFindings | None
    sign: Sighting | None
    clean: tuple[Weight, PhotoFindings] | None
    sightings: tuple[Sighting, ...]
    further_sightings: int
    measured: tuple[Sighting, ...]  # places where what was measured is no finding
    zones: tuple[ZoneRow, ...]
    unseen: tuple[str, ...]
    wall: tuple[tuple[str, tuple[PhotoFindings, ...]], ...]
    # with the photo it was measured in, or `at the vehicle`, and where that stands on the page
    measures: tuple[tuple[Measure, str, str | None], ...]
    set_aside: tuple[SetAside, ...]

    @property
    def histories(self) -> list[tuple[str, float]]:
        return sorted(self.result.history.items(), key=lambda item: -item[1])

    @property
    def strong(self) -> tuple[Sighting, ...]:
        """The findings that speak for a refinish, and all measured ones, strongest first."""
        return tuple(sighting for sighting in self.sightings if sighting.decibans > 0 or sighting.differs)

    @property
    def weak(self) -> tuple[Sighting, ...]:
        """The others: too uncertain to count for a refinish, or counted in another photo."""
        return tuple(sighting for sighting in self.sightings if not (sighting.decibans > 0 or sighting.differs))

    @property
    def plate_anchors(self) -> tuple[tuple[str, str], ...]:
        """The photos of the plate, and where each stands on the page."""
        return tuple((photo, anchor) for measure, photo, anchor in self.measures if measure.cue == PLATE and anchor)

    @property
    def zone_axis(self) -> Axis:
        """The axis on which the zones' weights are drawn, each from zero."""
        return Axis.holding([cell.decibans for row in self.zones for cell in row.cells])

    @property
    def rows_by_zone(self) -> dict[str, ZoneRow]:
        return {row.zone: row for row in self.zones}

    @property
    def photos_by_name(self) -> dict[str, PhotoFindings]:
        return {photo.photo: photo for _, photos in self.wall for photo in photos}

    def marks(self, side: Side) -> list[Mark]:
        """What the drawing of one side says."""
        return [
            Mark(row.zone, row.number, f"{wording.zone_name(row.zone)}: {wording.TONES[tone]}", tone)
            for row in self.zones
            for tone in (row.tone(side),)
        ]

    @property
    def title(self) -> str:
        return self.result.title or self.result.advert


@dataclass(slots=True)
class _Images:
    """Pictures the pages show, collected while they are written: from `out` to a name in `report/images`."""

    out: Path
    names: dict[Path, str] = field(default_factory=dict)

    def name(self, path: Path) -> str:
        return self.names.setdefault(path, crops.flat_name(path))

    def overlay(self, sighting: Sighting) -> str:
        """The cut of a sighting under its heat, made now where no page showed it before."""
        assert sighting.crop is not None
        crops.add_overlay(sighting.findings, sighting.crop, self.out)
        return self.name(crops.overlay_file(sighting.findings.sha256, sighting.crop))


def write_report(
    out: Path,
    adverts: Sequence[Advert],
    shortlist: Shortlist,
    findings_by_advert: Mapping[str, Sequence[PhotoFindings]],
    set_aside: Sequence[SetAside],
    made_with: str,
    readings: Mapping[str, Sequence[Measure]] | None = None,
    notice: str | None = None,
    into: Path | None = None,
) -> Path:
    """Write `out/report` with one page for the shortlist and one an advert, and return the first page.

    The pictures are linked from `out/crops` (copied where the disk has no links), so the folder can be sent alone.
    `notice` is a sentence that stands at the head of every page; `into` another folder to write `report` into.
    An earlier report is replaced only when the new one is complete. Raises ScreeningError where the disk refuses.
    """
    place = into or out
    fresh, final, old = place / f".{FOLDER}.partial", place / FOLDER, place / f".{FOLDER}.old"
    try:
        for left_over in (fresh, old):
            shutil.rmtree(left_over, ignore_errors=True)
        (fresh / "images").mkdir(parents=True)
        said = {"made_with": made_with, "notice": notice}
        _write_pages(fresh, adverts, shortlist, findings_by_advert, set_aside, said, readings or {}, out)
        if final.exists():
            final.replace(old)
        fresh.replace(final)
        shutil.rmtree(old, ignore_errors=True)
    except OSError as error:
        raise ScreeningError(
            error.filename or final,
            f"the report cannot be written ({error.strerror})",
            "free space or choose another --out",
        ) from None
    return final / "index.html"


def _write_pages(
    folder: Path,
    adverts: Sequence[Advert],
    shortlist: Shortlist,
    findings_by_advert: Mapping[str, Sequence[PhotoFindings]],
    set_aside: Sequence[SetAside],
    said: Mapping[str, str | None],
    readings: Mapping[str, Sequence[Measure]],
    out: Path,
) -> None:
    templates, images, settings = _templates(), _Images(out), WeighingSettings.shipped()
    details = {advert.name: advert.details for advert in adverts}
    pages = page_names([result.advert for result in shortlist.adverts])
    shared = {**said, "pages": pages, "image": images.name, "overlay": images.overlay, "several": len(pages) > 1}
    results = sorted(shortlist.adverts, key=lambda result: result.rank)
    cards = []
    for place, result in enumerate(results):
        view = advert_view(
            result,
            details.get(result.advert, AdvertDetails()),
            pages[result.advert],
            findings_by_advert.get(result.advert, ()),
            [entry for entry in set_aside if entry.advert == result.advert],
            readings.get(result.advert, ()),
            settings,
        )
        neighbours = {
            "previous": results[place - 1] if place else None,
            "next": results[place + 1] if place + 1 < len(results) else None,
        }
        page = templates.get_template("advert.html.j2").render(view=view, **neighbours, **shared)
        (folder / view.page).write_text(page, encoding="utf-8")
        cards.append(view)
    counts: dict[Decision, int] = {
        decision: sum(view.result.decision == decision for view in cards) for decision in wording.DECISIONS
    }
    index = templates.get_template("index.html.j2").render(
        views=cards,
        counts=counts,
        batch_set_aside=[entry for entry in set_aside if entry.advert not in pages],
        set_aside_count=len(set_aside),
        unseen_on_card=UNSEEN_ON_CARD,
        picks=PICKS,
        compared=COMPARED,
        **shared,
    )
    (folder / "index.html").write_text(index, encoding="utf-8")
    if len(cards) > 1:
        shown = {row.zone for view in cards for row in view.zones}
        zones = [zone for zone in dict.fromkeys((*ZONES, *sorted(shown))) if zone in shown]
        template = templates.get_template("compare.html.j2")
        compare = template.render(views=cards, zones=zones, compared=COMPARED, **shared)
        (folder / "compare.html").write_text(compare, encoding="utf-8")
    for asset in sorted((Path(__file__).parent / "assets").iterdir()):
        shutil.copyfile(asset, folder / asset.name)
    for path, name in images.names.items():
        _link(out / path, folder / "images" / name)


def _link(source: Path, target: Path) -> None:
    try:
        os.link(source, target)
    except FileNotFoundError:
        raise ScreeningError(
            source,
            "this picture is missing (removed, or the screening is an older version's)",
            "screen the batch again",
        ) from None
    except OSError:  # another file system, or one without links
        shutil.copyfile(source, target)


def _templates() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    words: dict[str, Callable[..., str]] = {
        name: getattr(wording, name)
        for name in (
            "probability_words", "percent", "percent_range", "weight_words", "signed", "measured", "money",
            "judged", "against_limit", "coordinate", "families",
            "cue_name", "zone_name", "shot_name", "place",
        )
    }  # fmt: skip
    environment.filters.update(words)
    environment.filters["percent"] = lambda probability: wording.percent(probability).replace(" %", "\u00a0%")
    environment.globals.update(wording=wording, crops=crops, charts=charts, drawing=drawing, sides=SIDES)
    return environment


def page_names(adverts: Sequence[str]) -> dict[str, str]:
    """A file name for each advert's page: readable, plain ASCII, and different for each on every file system."""
    names: dict[str, str] = {}
    taken: set[str] = set()
    for advert in adverts:
        plain = unicodedata.normalize("NFKD", advert).encode("ascii", "ignore").decode()
        words = re.sub(r"[^A-Za-z0-9]+", "-", plain).strip("-")[:60].lower() or "unnamed"
        stem = f"advert-{words.removeprefix('advert-')}"  # the prefix keeps clear of index.html and reserved names
        name, number = stem, 2
        while name in taken:
            name, number = f"{stem}-{number}", number + 1
        taken.add(name)
        names[advert] = f"{name}.html"
    return names


def advert_view(
    result: AdvertResult,
    details: AdvertDetails,
    page: str,
    findings: Sequence[PhotoFindings],
    set_aside: Sequence[SetAside],
    readings: Sequence[Measure] = (),
    settings: WeighingSettings | None = None,
) -> AdvertView:
    """Put together what the pages show of one advert; nothing is weighed here."""
    sheet = _sheet_of(details)
    places = _sightings(result, findings)
    sightings = tuple(place for place in places if place.is_finding)
    listed = sightings[: max(FINDINGS_A_PAGE, sum(sighting.leads for sighting in sightings))]
    measured = tuple(place for place in places if not place.is_finding)[:MEASURED_A_PAGE]
    photo_anchors = {photo.photo: f"photo-{number}" for number, photo in enumerate(findings, 1)}
    measures = _measures(result, findings, readings, (*listed, *measured), photo_anchors)
    anchors = _weight_anchors(result, (*listed, *measured), photo_anchors, bool(measures))
    sign, clean = _loudest_sign(listed), _loudest_clean(result, findings)
    if sign is not None and clean is not None:
        sign, clean = (sign, None) if abs(sign.decibans) >= abs(clean[0].decibans) else (None, clean)
    return AdvertView(
        result=result,
        details=details,
        page=page,
        sheet=sheet,
        sum=weight_sum(result, anchors),
        history_sums=history_sums(result),
        panel_sums=panel_sums(result, anchors),
        photo_anchors=photo_anchors,
        telling=telling_photo(findings),
        sign=sign,
        clean=clean,
        sightings=listed,
        further_sightings=len(sightings) - len(listed),
        measured=measured,
        zones=_zone_rows(result, findings, sheet, settings or WeighingSettings.shipped()),
        unseen=tuple(sorted((zone for zone, state in result.coverage.items() if state != "seen"), key=_effort_last)),
        wall=tuple(
            (shot, shown)
            for shot in SHOTS
            if (shown := tuple(photo for photo in findings if photo.likely_shot == shot))
        ),
        measures=measures,
        set_aside=tuple(set_aside),
    )


def _measures(
    result: AdvertResult,
    findings: Sequence[PhotoFindings],
    readings: Sequence[Measure],
    shown: Sequence[Sighting],
    photo_anchors: Mapping[str, str],
) -> tuple[tuple[Measure, str, str | None], ...]:
    """Every measured value that is shown in the table, with where it is from and where that stands on the page."""
    together = () if result.colour is None else result.colour.measures
    anchors = {(place.findings.photo, place.measure): place.anchor for place in shown if place.measure is not None}
    found = [
        *(
            (measure, photo.photo, anchors.get((photo.photo, measure), photo_anchors[photo.photo]))
            for photo in findings
            if photo.duplicate_of is None
            for measure in photo.measures
        ),
        *((measure, "all photos", None) for measure in together),
        *((measure, "at the vehicle", None) for measure in readings),
    ]
    return tuple(row for row in found if row[0].cue in MEASURES_SHOWN)


def weight_sum(result: AdvertResult, anchors: Sequence[str | None] = ()) -> Sum:
    """The weights as bars that follow on each other, strongest first, and end at the odds of a refinish in decibans.

    decibans = 10 log10(odds) (Good 1950). Where the sum begins is what was assumed before any photo. `anchors` say
    where the photo of each weight stands on the page, in the order of the weights.
    """
    bounded = min(max(result.refinished, 1e-6), 1 - 1e-6)
    total = 10 * math.log10(bounded / (1 - bounded))
    moves = [weight.decibans for weight in result.weights]
    return _sum(total - sum(moves), moves, result.weights, anchors, [weight.why for weight in result.weights])


def panel_sums(result: AdvertResult, anchors: Sequence[str | None] = ()) -> dict[tuple[str, str], Sum]:
    """The same for new paint on each panel and side of the result's `extent`, where it says what it adds up from."""
    sums = {}
    for zone, sides in result.extent.items():
        for side in sides:
            before = result.extent_before.get(zone, {}).get(side)
            if before is not None:
                moves = [weight.extent.get(zone, {}).get(side, 0.0) for weight in result.weights]
                sums[zone, side] = _sum(before, moves, result.weights, anchors)
    return sums


def _sum(
    before: float,
    moves: Sequence[float],
    weights: Sequence[Weight],
    anchors: Sequence[str | None],
    whys: Sequence[str] = (),
) -> Sum:
    """From `before`, by what each weight moves it; small moves together, those that move nothing left out."""
    ranked = sorted((place for place, move in enumerate(moves) if move != 0), key=lambda place: -abs(moves[place]))
    steps, end = [], before
    for place in ranked:
        label, why = wording.evidence_name(weights[place]), whys[place] if whys else ""
        steps.append(
            Step(label, why, moves[place], end, end + moves[place], anchors[place] if anchors else None),
        )
        end += moves[place]
    small = tuple(step for step in steps if abs(step.decibans) < SMALL_DECIBANS)
    if small:
        label = "One small weight" if len(small) == 1 else f"{len(small)} small weights together"
        start = small[0].start
        steps[-len(small) :] = [Step(label, "", end - start, start, end, parts=small)]
    ends = [before, *(step.end for step in steps)]
    return Sum(before, tuple(steps), end, Axis.holding(ends))


def _weight_anchors(
    result: AdvertResult, shown: Sequence[Sighting], photo_anchors: Mapping[str, str], has_measures: bool
) -> list[str | None]:
    """Where each weight can be seen: its finding, the photo in which the place is clean, or what was measured.

    None for a weight that no single photo and no measured value stands behind.
    """
    findings = {id(sighting.weight): sighting.anchor for sighting in shown if sighting.weight is not None}
    # across a masking edge of a shut both the edge and the difference of two paints weigh
    measured = {(place.findings.photo, place.box): place.anchor for place in shown if place.measure is not None}

    def anchor(weight: Weight) -> str | None:
        found = findings.get(id(weight))
        if found is None and weight.cue in MEASURED_CUES and weight.photo is not None and weight.box is not None:
            found = measured.get((weight.photo, weight.box))
        found = found or photo_anchors.get(weight.photo or "")
        if found is None and weight.cue in MEASURED_CUES:
            if weight.cue == "code_mismatch" and result.colour is not None:
                return "colour"
            return "measures" if has_measures else None
        return found

    return [anchor(weight) for weight in result.weights]


def history_sums(result: AdvertResult) -> HistorySums | None:
    """The weights history by history, or None where they do not say how likely each was under every history."""
    weights = sorted(
        (weight for weight in result.weights if weight.decibans != 0), key=lambda weight: -abs(weight.decibans)
    )
    others = tuple(name for name in result.history if name != "factory")
    if not weights or any(weight.likelihoods.get(name, 0) <= 0 for weight in weights for name in result.history):
        return None

    def against_factory(chances: Mapping[str, float]) -> tuple[float, ...]:
        return tuple(10 * math.log10(max(chances[name], 1e-9) / max(chances["factory"], 1e-9)) for name in others)

    rows = tuple((wording.evidence_name(weight), against_factory(weight.likelihoods)) for weight in weights)
    together = against_factory(result.history)
    before = tuple(end - sum(row[column] for _, row in rows) for column, end in enumerate(together))
    return HistorySums(others, before, rows, together)


def telling_photo(findings: Sequence[PhotoFindings]) -> PhotoFindings | None:
    """The photo by which a person knows the vehicle again: the surest good view of its outside, or the next best."""

    def worth(photo: PhotoFindings) -> tuple[bool, float, float]:
        return photo.quality.assessable, photo.vehicle * photo.shot.get("exterior", 0.0), photo.vehicle

    return max(findings, key=worth, default=None)


def _sightings(result: AdvertResult, findings: Sequence[PhotoFindings]) -> tuple[Sighting, ...]:
    """Places where a cue was seen or something was measured, a place at which both were once.

    First the surest of each cue above its limit and what was measured above it, then the heaviest, then by score. A
    repeated photo is shown once.
    """
    found = []
    for place, photo in enumerate(findings, 1):
        cut = {(crop.cue, crop.box): crop for crop in crops.crops_of(photo)}
        measured = {(measure.cue, measure.regions[0]): measure for measure in photo.measures if measure.regions}
        boxes = {
            (cue, box): f"{cue}-{n}" for cue, finding in photo.cues.items() for n, box in enumerate(finding.boxes, 1)
        }
        boxes |= {key: f"measured-{key[0]}-{n}" for n, key in enumerate(measured, 1) if key not in boxes}
        for (cue, box), name in boxes.items():
            crop, measure = cut.get((cue, box)), measured.get((cue, box))
            here = [weight for weight in result.weights if (weight.photo, weight.box) == (photo.photo, box)]
            weight = next((weight for weight in here if weight.cue == cue), None)
            if weight is None and measure is not None:  # what is measured across an edge weighs as another cue
                weight = next((weight for weight in here if weight.cue in MEASURED_CUES), None)
            if weight is not None or (crop is not None and photo.duplicate_of is None):
                counted = None if weight is not None else _counted_in(result, cue, box)
                anchor = f"finding-{place}-{name.replace('_', '-')}"
                found.append(Sighting(anchor, cue, photo, box, crop, weight, counted, measure))
    found.sort(key=lambda sighting: (not sighting.leads, -abs(sighting.decibans), -sighting.box.score))
    return tuple(found)


def _counted_in(result: AdvertResult, cue: str, box: Box) -> str | None:
    """The photo in which the same sign at the same place counts."""
    same = [w for w in result.weights if (w.cue, w.zone) == (cue, box.zone) and w.decibans > 0 and w.photo is not None]
    same.sort(key=lambda weight: weight.side != box.side)
    return same[0].photo if same else None


def _loudest_sign(sightings: Sequence[Sighting]) -> Sighting | None:
    """The cut-out place that speaks loudest for a refinish."""
    signs = [sighting for sighting in sightings if sighting.crop is not None and sighting.decibans > 0]
    return max(signs, key=lambda sighting: sighting.decibans, default=None)


def _loudest_clean(result: AdvertResult, findings: Sequence[PhotoFindings]) -> tuple[Weight, PhotoFindings] | None:
    """The weight that speaks loudest for the factory, with its photo, where it names one."""
    photos = {photo.photo: photo for photo in findings}
    clean = [weight for weight in result.weights if weight.decibans < 0 and weight.photo in photos]
    weight = min(clean, key=lambda weight: weight.decibans, default=None)
    return None if weight is None or weight.photo is None else (weight, photos[weight.photo])


def _effort_last(zone: str) -> float:
    """Sorts what takes longest to remove or mask, and so tells most, first."""
    entry = zone_entries().get(zone)
    return 0.0 if entry is None else -entry.effort_min


def _sheet_of(details: AdvertDetails) -> BuildSheet:
    """The build sheet that the advert was weighed with; a note of the result says where the one named failed."""
    try:
        return read_build_sheet(details.build_sheet or GENERIC)
    except ConfigError:
        return read_build_sheet(GENERIC)


def _zone_rows(
    result: AdvertResult, findings: Sequence[PhotoFindings], sheet: BuildSheet, settings: WeighingSettings
) -> tuple[ZoneRow, ...]:
    looked_from: dict[str, set[Side | None]] = {}
    for photo in findings:
        for zone in zones_shown(photo, settings.looks):
            if can_judge(photo, zone):
                looked_from.setdefault(zone, set()).add(photo.sides.get(zone))
    zones = dict.fromkeys([*result.coverage, *(weight.zone for weight in result.weights if weight.zone is not None)])
    rows = []
    for zone in zones:
        weights = tuple(weight for weight in result.weights if weight.zone == zone)
        state = result.coverage.get(zone, "seen")
        sides, whole = _zone_cells(zone, state, weights, looked_from.get(zone, set()))
        rows.append(ZoneRow(0, zone, state, wording.built(sheet, zone), sides, whole))
    # a sign on one side stands first even where the other side speaks against it; stable among equals
    rows.sort(key=lambda row: -max(abs(cell.decibans) for cell in row.cells))
    return tuple(replace(row, number=number) for number, row in enumerate(rows, 1))


def _zone_cells(
    zone: str, state: str, weights: tuple[Weight, ...], looked_from: set[Side | None]
) -> tuple[tuple[ZoneCell, ...], ZoneCell | None]:
    """A cell for each side where anything is known by side, and one for both where something is not."""
    entry = zone_entries().get(zone)
    if entry is None or not entry.sided:
        return (), ZoneCell(None, state, weights)
    told = {side: tuple(weight for weight in weights if weight.side == side) for side in SIDES}
    untold = tuple(weight for weight in weights if weight.side is None)
    seen = {side for side in SIDES if side in looked_from or told[side]}
    if state == "seen" and not seen:
        return (), ZoneCell(None, "not_told", untold)
    elsewhere = "not_told" if None in looked_from else "not_seen"
    sides = tuple(
        ZoneCell(side, ("seen" if side in seen else elsewhere) if state == "seen" else state, told[side])
        for side in SIDES
    )
    return sides, ZoneCell(None, "not_told", untold) if untold else None
