"""What can be measured of a vehicle's colour in its photos, and what an advert's photos say together.

Two places in one light tell most: panels across their gap and both sides of a masking edge (`pipeline.panels`). A shut
against the outside lies in another light: only hue and chroma are compared there, in one photo first, and else across
the advert's photos by a light estimated for all of them together (`pipeline.illuminant`). Of the engine bay the
bulkhead and the open bonnet are compared with the wings: inner wings carry the zone of outer ones, but in such a photo
most of the zone is outer face. Where the bonnet turns its outer face to the camera, two outer faces are compared. The
colour itself, for the paint table, is weak by nature and carries a wide uncertainty. Values are CIEDE2000 or CIELAB
with a standard uncertainty (k = 1, JCGM 100:2008).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Annotated

import numpy as np
from pydantic import Field

from pipeline.colorimetry import LUMINANCE, Floats, linear_to_lab
from pipeline.colour_scene import Scene, look
from pipeline.configuration import Config, load, shipped
from pipeline.decals import DecalSettings
from pipeline.focus import FocusSettings
from pipeline.identity import Identity, IdentitySettings, judge_identity
from pipeline.illuminant import IlluminantSettings, PhotoColours, common_light
from pipeline.known_points import PointSettings
from pipeline.network import NetworkMaps
from pipeline.paint_difference import ColourDifference, NotAssessable, Nuisance, paint_difference
from pipeline.paint_table import ColourReading, Lab, Paint, TableSettings, hue_families
from pipeline.panels import PanelSettings, measure_panels
from pipeline.photos import judge_quality
from pipeline.plate import CUE as PLATE
from pipeline.plate import UNLISTED, UNREAD, PlateSettings, Reader, measure_plate
from pipeline.records import (
    AdvertDetails,
    Box,
    ColourSummary,
    Measure,
    NearReference,
    PaintFit,
    Photo,
    PhotoFindings,
    Probability,
    SourceComparison,
)
from pipeline.references import Near, Reference, ReferenceSettings, View, nearest, paints_as_photographed

COORDINATES = ("L*", "a*", "b*")
RATIOS = ("ln R/G", "ln B/G", "ln Y")  # of linear light as the photo shows it
BODY = "body_colour"  # cue of measures that hold a colour, one a coordinate
BODY_LIGHT, SHUT_LIGHT, NEUTRAL_LIGHT = "body_light", "shut_light", "neutral_light"  # one a ratio
PAINTS_TOLD = 5  # of the ranked table
LEAST_LIGHT = 1e-4  # linear; less than a step of the 8 bits
LEAST_SPREAD = 0.003  # of RATIOS: a step of the 8 bits in bright paint, 2.4 / 220, over √12 (JCGM 100:2008, 4.3.7)
SURROUNDINGS = {"ground": "ground_colour", "background": "background_colour"}  # surface: cue


class ShutSettings(Config):
    """How shut, bulkhead, open bonnet and floor are compared with the outside (`shuts` in configs/colour.yaml)."""

    shots: tuple[str, ...] = Field(description="In which a place is compared with the outside of the same photo.")
    inner_zones: dict[str, tuple[str, ...]] = Field(description="Zone: the shots in which it is looked at.")
    outer_zones: tuple[str, ...]
    turned_inside_out: dict[str, tuple[str, ...]]
    mostly_outside: dict[str, tuple[str, ...]] = Field(description="Shot: the zones that places are compared with.")
    soiled_zones: tuple[str, ...]
    soils: tuple[Lab, ...] = Field(min_length=1, description="linear sRGB")
    soil_near_lab: float = Field(gt=0)
    least_cells: int = Field(gt=0)
    darkest: float = Field(gt=0, lt=1)
    deepest_shade: float = Field(gt=0, lt=1, description="Of the lighter place's light, that the other must show.")
    most_spread_lab: float = Field(gt=0)
    second_colour: Probability = Field(description="Share of the outside from which its second colour counts.")
    in_one_photo: Nuisance
    paints_differ_lab: Lab
    least_chroma: float = Field(ge=0)
    most_uncertainty: float = Field(gt=0)
    most_uncertainty_across: float = Field(gt=0)


class BodySettings(Config):
    """How a colour is read from a photo (`body`)."""

    least_cells: int = Field(gt=0)
    quantiles: tuple[Probability, Probability]
    neutrals: dict[str, Probability] = Field(description="Surface: how far its colour is believed to be the light's.")
    lightness: tuple[float, float]
    chroma_gain: float = Field(gt=0)
    uncertainty: Lab
    spread_doubt: float = Field(ge=0)
    cast_doubt: float = Field(ge=0)
    shared: Probability


class ColourSettings(Config):
    """The whole of configs/colour.yaml."""

    least_vehicle: Probability
    sure: Probability
    clear: tuple[int, int]
    focus: FocusSettings
    limit_delta_e00: dict[str, float]
    coverage_factor: dict[str, Annotated[float, Field(gt=0)]]
    panels: PanelSettings
    shuts: ShutSettings
    body: BodySettings
    illuminant: IlluminantSettings
    table: TableSettings
    plate: PlateSettings
    identity: IdentitySettings
    references: ReferenceSettings
    decals: DecalSettings
    known_points: PointSettings


class Misleading(NotAssessable):
    """Two places of one paint may look as unlike as these in their photo, and one of them beside other photos, too."""


@cache
def colour_settings() -> ColourSettings:
    """The shipped settings."""
    return load(shipped("colour.yaml"), ColourSettings)


def is_finding(measure: Measure, settings: ColourSettings) -> bool:
    """Whether a difference is a finding: across a masking edge of which the network is not sure it is none.

    Whether a code fits the photos is judged by hue family first: see `pipeline.identity`.
    """
    return differs(measure, settings) and all(region.score >= settings.sure for region in measure.regions)


def differs(measure: Measure, settings: ColourSettings) -> bool:
    """Whether a difference is neither below its cue's limit nor below its uncertainty times the factor."""
    limit = limit_of(measure, settings)
    return limit is not None and measure.value >= limit


def limit_of(measure: Measure, settings: ColourSettings) -> float | None:
    """From which ΔE00 on a difference counts: its cue's limit, or its uncertainty times the factor if that is more."""
    limit = settings.limit_delta_e00.get(measure.cue)
    if limit is None or measure.unit != "dE00" or measure.uncertainty is None:
        return None
    return max(limit, settings.coverage_factor[measure.cue] * measure.uncertainty)


def measure_colour(
    photo: Photo,
    maps: NetworkMaps,
    findings: PhotoFindings,
    settings: ColourSettings | None = None,
    paints: Sequence[Paint] = (),
    reader: Reader | None = None,
) -> tuple[Measure, ...]:
    """Everything that one photo says of colour and of the plate; nothing if it is too poor or shows no vehicle.

    Of a photo that is unlike anything learnt only the plate is read.

    `panel_mismatch`, `shut_mismatch` and `masking_edge` are differences in dE00. For the advert's sake `body_colour`,
    `ground_colour` and `background_colour` are three measures each (L*, a*, b*), and so are `body_light`, `shut_light`
    and `neutral_light` (ln R/G, ln B/G, ln Y). `plate_code` needs a table of paints; `reader` replaces the one that
    reads letters.
    """
    settings = settings or colour_settings()
    shot = findings.likely_shot
    can_judge = findings.quality.assessable
    # no learnt cue is in letters: a plate is read, though its photo is unlike what the network learnt
    can_read = can_judge or (findings.is_novel and judge_quality(photo).assessable)
    if not can_read or maps.vehicle < settings.least_vehicle or shot in ("document", "not_vehicle"):
        return ()
    plate = measure_plate(photo, maps, paints, settings.plate, reader)
    read = () if plate is None else (plate,)
    if shot == "identification_plate" or not can_judge:
        return read
    scene = look(photo, maps, settings.panels.work_long_side_px, settings.sure, settings.clear, settings.focus)
    seam = findings.cues.get("masking_edge")
    return (
        *measure_panels(scene, shot, () if seam is None else seam.boxes, settings.panels),
        *measure_places(scene, shot, settings),
        *read,
    )


# --- whole places --------------------------------------------------------------------------------------------------


def measure_places(scene: Scene, shot: str, settings: ColourSettings) -> list[Measure]:
    """Colour of the outside (`body_colour`), how each shut differs from it (`shut_mismatch`), and the light of all."""
    shuts, body = settings.shuts, settings.body
    inner_faces = shuts.turned_inside_out.get(shot, ())
    outside = scene.light_of_zones(tuple(zone for zone in shuts.outer_zones if zone not in inner_faces))
    inner = {zone: scene.light_of_place(zone) for zone, shots in shuts.inner_zones.items() if shot in shots}
    well_lit = {zone: _well_lit(light, body) for zone, light in inner.items() if len(light) >= shuts.least_cells}
    measures = []
    beside = scene.light_of_zones(shuts.mostly_outside[shot]) if shot in shuts.mostly_outside else outside
    is_compared = shot in shuts.shots and len(beside) >= shuts.least_cells
    misleading = set[str]()
    for zone, inside in well_lit.items() if is_compared else ():
        soiled = zone in shuts.soiled_zones
        found = compare_places(_well_lit(beside, body), inside, shuts, whole=beside, soiled=soiled)
        if isinstance(found, ColourDifference):
            measures.append(_difference(found, zone, (scene.place_box(zone),)))
        elif isinstance(found, Misleading):
            misleading.add(zone)
    neutrals = neutral_lights(scene, body)
    if len(outside) >= body.least_cells:
        measures += _measures_of(read_colour(outside, light_cast(neutrals, body), body), BODY, None)
        measures += _light_of(_well_lit(outside, body), BODY_LIGHT)
    # what is too dark or of more than one colour here, or misleads, does so in the comparison across photos, too
    for zone, inside in well_lit.items():
        if zone not in misleading and can_be_told(inside, shuts):
            measures += _light_of(inside, SHUT_LIGHT, zone)
    if not measures:
        return []
    for surface, light in neutrals.items():
        measures += _light_of(light, NEUTRAL_LIGHT, text=surface)
    for surface, cue in SURROUNDINGS.items():
        light = scene.light_of_surface(surface)
        if len(light) >= body.least_cells:
            lab = linear_to_lab(light)
            measures += _measures_of(ColourReading(_lab(np.median(lab, axis=0)), _lab(lab.std(axis=0))), cue, None)
    return measures


def _difference(found: ColourDifference, zone: str, regions: tuple[Box, ...] = ()) -> Measure:
    return Measure(
        cue="shut_mismatch",
        value=round(found.delta_e00, 2),
        unit="dE00",
        uncertainty=round(found.standard_uncertainty, 2),
        zone=zone,
        regions=regions,
    )


def _well_lit(light: Floats, body: BodySettings) -> Floats:
    """Cells (n, 3) without the darkest, taken for shade, and the brightest, taken for gloss."""
    luminance = light @ LUMINANCE
    low, high = np.quantile(luminance, body.quantiles)
    return np.asarray(light[(luminance >= low) & (luminance <= high)])


def compare_places(
    outside: Floats, inside: Floats, shuts: ShutSettings, *, whole: Floats | None = None, soiled: bool = False
) -> ColourDifference | NotAssessable:
    """The difference in hue and chroma of two places given as linear light (n, 3), brought to one lightness.

    Shuts lie in shade, so how light they are says nothing of their paint. Cannot be decided: white against grey or
    black, or one grey against another; a place in deep shade beside one in the sun; a place in one of the outside's
    two colours, looked for in the `whole` of it with what lies in shade or shines; nor what dirt would explain, where
    the inside is often dirty (`soiled`).
    """
    light = np.stack([np.median(outside, axis=0), np.median(inside, axis=0)])
    if any(_is_dark(one, shuts) for one in light):
        return NotAssessable("one of the places is too dark for its colour to be told")
    if (misleading := _misleading(light, outside if whole is None else whole, shuts)) is not None:
        return misleading
    luminance = light @ LUMINANCE
    level = float(np.sqrt(luminance.prod()))
    to_one = level / luminance
    lab = _at_level(light, level)
    if np.hypot(lab[:, 1], lab[:, 2]).max() < shuts.least_chroma:
        return NotAssessable("both places look grey: white, grey and black cannot be told apart in different light")
    if soiled and may_be_soil(lab[0], lab[1], shuts):
        return NotAssessable("the place may be the outside's paint under dirt, or dirt alone")
    spread = np.stack([_spread(linear_to_lab(cells)) for cells in (outside, inside)])
    if any(_is_mixed(one, shuts) for one in spread):
        return NotAssessable("one of the places shows more than one colour: dirt, bare parts, or not one place")
    # neighbouring cells share dirt and light: a tenth of them counts
    cells = np.array([[len(outside)], [len(inside)]]) / 10
    noise = (np.square(spread) / np.maximum(cells, 1)).sum(axis=0)
    found = paint_difference(
        lab.mean(axis=0), lab[1] - lab[0], np.diag(noise), shuts.in_one_photo, shuts.paints_differ_lab, to_one.tolist()
    )
    if found.standard_uncertainty > shuts.most_uncertainty:
        return NotAssessable("the two places are too dark or too dirty, or lie in too different a light")
    return found


def can_be_told(light: Floats, shuts: ShutSettings) -> bool:
    """Whether a place given as linear light (n, 3) is light enough and of one colour, so that it can be named alone."""
    return not (_is_dark(np.median(light, axis=0), shuts) or _is_mixed(_spread(linear_to_lab(light)), shuts))


def _misleading(light: Floats, outside: Floats, shuts: ShutSettings) -> Misleading | None:
    """Why outside and inside, linear light (2, 3), may look unlike in one paint; None if nothing says that they may.

    `outside` (n, 3) is all of the former.

    Where one shows only `deepest_shade` of the other's light, the lighter one lies in sun or sky, the other in what
    seats, floor and ground throw there, in their colours. And the phone's tone curve does not treat them alike: its
    shoulder pales the one, and what was taken from all channels to make black black is most of the other's weaker ones,
    and drives them apart from its strongest.

    Or the outside wears a second colour: cladding, a roof, a panel in primer. One paint scatters by no more than
    `most_spread_lab`, so cells farther than that from the outside's own colour are of another. Where many of them are
    near the inside's, it is no colour that the outside lacks.
    """
    luminance = light @ LUMINANCE
    if luminance.min() < shuts.deepest_shade * luminance.max():
        return Misleading("one of the places lies in so much deeper shade that light alone may turn its colour")
    level = float(np.sqrt(luminance.prod()))
    cells = _at_level(outside, level)
    off_outside, off_inside = (np.hypot(*(cells - lab)[:, 1:].T) for lab in _at_level(light, level))
    is_second = (off_outside > shuts.most_spread_lab) & (off_inside < shuts.most_spread_lab)
    if is_second.mean() >= shuts.second_colour:
        return Misleading("the outside shows two colours, and the inside is like one of them")
    return None


def _is_dark(light: Floats, shuts: ShutSettings) -> bool:
    """Whether a place's linear light (3,) is too little for its colour to be told."""
    return bool(light @ LUMINANCE < shuts.darkest)


def _is_mixed(spread: Floats, shuts: ShutSettings) -> bool:
    """Whether a place whose colour spreads so far (3,), CIELAB, shows more than one: dirt, bare parts, two places."""
    return bool(np.hypot(spread[1], spread[2]) > shuts.most_spread_lab)


def may_be_soil(outside: Floats, inside: Floats, shuts: ShutSettings) -> bool:
    """Whether the inside looks like soil, or other than the outside as soil on the outside's paint would.

    Both are CIELAB (3,) of one lightness, to which soil is brought. What covers a part of a surface mixes the two
    colours, which in hue and chroma is close to the line between them.
    """
    level = ((outside[0] + 16) / 116) ** 3  # CIE 15:2018, 8.2.1, for L* above 8
    ends = _at_level(np.array(shuts.soils), level)[:, 1:]
    start, seen = outside[1:], inside[1:]
    way = ends - start
    share = np.clip(((seen - start) * way).sum(axis=1) / np.maximum(np.square(way).sum(axis=1), 1e-9), 0, 1)
    off_way = np.linalg.norm(seen - start - share[:, None] * way, axis=1).min()
    off_soil, off_paint = np.linalg.norm(seen - ends, axis=1).min(), np.linalg.norm(seen - start)
    return bool(off_soil < shuts.soil_near_lab or off_way < shuts.soil_near_lab <= off_paint)


def _at_level(light: Floats, level: float) -> Floats:
    """CIELAB (n, 3) of linear light (n, 3) brought to one luminance."""
    return linear_to_lab(light * (level / np.maximum(light @ LUMINANCE, LEAST_LIGHT))[:, None])


def _spread(lab: Floats) -> Floats:
    """Standard deviation of a place's colour by coordinate, from the median deviation."""
    return np.asarray(1.4826 * np.median(np.abs(lab - np.median(lab, axis=0)), axis=0))


def neutral_lights(scene: Scene, body: BodySettings) -> dict[str, Floats]:
    """Linear light (n, 3) of each neutral surface in view, those believed first to be told by first."""
    lights = {surface: scene.light_of_surface(surface) for surface in body.neutrals}
    return {surface: light for surface, light in lights.items() if len(light) >= body.least_cells}


def light_cast(neutrals: Mapping[str, Floats], body: BodySettings) -> Floats:
    """Logarithms of the light's red, green and blue against its green, from a neutral surface; zeros without one.

    Tyres, plastic and rubber are dirty, bare metal mirrors what is around it: they are believed by a share only.
    """
    for surface, light in neutrals.items():
        median = np.maximum(np.median(light, axis=0), LEAST_LIGHT)
        return np.asarray(body.neutrals[surface] * np.log(median / median[1]))
    return np.zeros(3)


def read_colour(light: Floats, cast: Floats, body: BodySettings) -> ColourReading:
    """A paint's colour from linear light (n, 3) of all its cells, the cast of the light taken out.

    Exposure makes a photo of paint darker or lighter than the paint, gloss makes it paler. What they do on average is
    taken out (`lightness`, `chroma_gain`). What they leave is uncertain, the more so the more the hue runs over the
    paint, as in two lights at once (half the range of its middle two thirds, times `spread_doubt`), and the more was
    taken out (times `cast_doubt`).
    """
    lit = np.median(_well_lit(light, body), axis=0)
    seen = linear_to_lab(lit * np.exp(-cast))
    taken_out = seen - linear_to_lab(lit)
    low, high = np.quantile(linear_to_lab(light), (1 / 6, 5 / 6), axis=0)
    doubt = np.hypot(body.spread_doubt * (high - low) / 2, body.cast_doubt * taken_out) * body.chroma_gain
    doubt[0] = 0.0  # how light and dark it is stands in the uncertainty of every photo
    offset, slope = body.lightness
    own = (np.clip(offset + slope * seen[0], 0, 100), body.chroma_gain * seen[1], body.chroma_gain * seen[2])
    return ColourReading(_lab(own), _lab(np.hypot(body.uncertainty, doubt)))


# --- the advert ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class AdvertColour:
    """What all photos of an advert say together.

    `measures` are the advert's own differences, beside the measures of its photos. `plate`: a paint code, in the
    table or not, or `unread` and why; None where no photo shows a plate. `plate_probability`: that a code of the table
    was read right. `near`: by photo, the references most like it.
    """

    body: ColourReading | None
    measures: tuple[Measure, ...]
    identity: Identity
    notes: tuple[str, ...]
    plate: str | None = None
    plate_probability: float | None = None
    near: tuple[tuple[str, Near], ...] = ()

    def summary(self) -> ColourSummary:
        """As it is written to the shortlist."""
        ranking = self.identity.ranking
        return ColourSummary(
            measures=(*(() if self.body is None else _measures_of(self.body, BODY, None)), *self.measures),
            families={} if self.body is None else hue_families(self.body),
            paints=tuple(
                PaintFit(
                    code=match.paint.code,
                    name=match.paint.name,
                    delta_e00=round(match.delta_e00, 2),
                    uncertainty=round(match.uncertainty, 2),
                    probability=match.probability,
                )
                for match in (ranking.matches[:PAINTS_TOLD] if ranking else ())
            ),
            paints_ranked=len(ranking.matches) if ranking else 0,
            no_paint=ranking.none_of_them if ranking is not None and ranking.matches else None,
            plate=self.plate,
            plate_probability=self.plate_probability,
            comparisons=tuple(
                SourceComparison(first=pair.first.source, second=pair.second.source, agreement=pair.agreement)
                for pair in self.identity.comparisons
            ),
            references=tuple(
                NearReference(
                    photo=photo,
                    reference=near.reference.photo.name,
                    sha256=near.reference.sha256,
                    code=near.reference.code,
                    likeness=round(near.likeness, 4),
                )
                for photo, near in self.near
            ),
            notes=self.notes,
        )


def measure_advert(
    details: AdvertDetails,
    findings: Sequence[PhotoFindings],
    settings: ColourSettings | None = None,
    paints: Sequence[Paint] = (),
    references: Sequence[Reference] = (),
    family: str | None = None,
) -> AdvertColour:
    """Agree on one body colour, compare shuts across photos where no photo shows both, and judge the identity.

    `findings` hold the measures of `measure_colour`; a photo that repeats another counts once. `references`: photos of
    known paints, which then stand for what the table says of them. `family`: of the build sheet, None where it is not
    known.
    """
    settings = settings or colour_settings()
    own = [photo for photo in findings if photo.duplicate_of is None]
    body = agree([reading for photo in own for reading in readings_of(photo.measures, BODY).values()], settings.body)
    measures = _shuts_across(own, settings)
    near: list[tuple[str, Near]] = []
    if references:
        views = {photo.photo: view_of(photo) for photo in own if BODY in {measure.cue for measure in photo.measures}}
        paints = paints_as_photographed(paints, references, list(views.values()), settings.references)
        near = [(name, one) for name, view in views.items() for one in nearest(view, references, settings.references)]
        near.sort(key=lambda pair: -pair[1].likeness)
    read = [measure for photo in own for measure in photo.measures if measure.cue == PLATE]
    plates = [measure.text for measure in read if measure.text]
    unlisted = [text.removeprefix(f"{UNLISTED}: ") for text in plates if text.startswith(UNLISTED)]
    codes = [text for text in plates if not text.startswith((UNREAD, UNLISTED))]
    identity = judge_identity(
        details, codes, body, paints, settings.table, settings.identity, family=family, unlisted=unlisted
    )
    if identity.measure is not None:
        measures.append(identity.measure)
    notes = [*identity.notes]
    told = [*sorted(set(codes)), *(f"{code} ({UNLISTED})" for code in sorted(set(unlisted)))]
    plate = ", ".join(told) or (plates[0] if plates else None)
    surest = [max(measure.value for measure in read if measure.text == code) for code in set(codes)]
    if plates and not told:
        notes.append(f"A photo shows the identification plate, but its paint code is {plate}.")
    if any(_has_uncompared_edge(photo) for photo in own):
        notes.append(
            "A masking edge was seen where too little clean paint lies on both sides, so that its two paints were not "
            "compared."
        )
    if not any(measure.cue == "panel_mismatch" for photo in own for measure in photo.measures):
        notes.append("No photo shows two neighbouring panels so that their colours could be compared.")
    shown = tuple(near[: settings.references.shown])
    return AdvertColour(body, tuple(measures), identity, tuple(notes), plate, min(surest, default=None), shown)


def _has_uncompared_edge(photo: PhotoFindings) -> bool:
    """Whether the network found a masking edge in a photo and none could be compared across."""
    edge = photo.cues.get("masking_edge")
    return edge is not None and edge.found is True and not any(m.cue == "masking_edge" for m in photo.measures)


def readings_of(measures: Sequence[Measure], cue: str) -> dict[str | None, ColourReading]:
    """The colours that measures hold, by zone."""
    found: dict[str | None, dict[str, tuple[float, float]]] = {}
    for measure in measures:
        if measure.cue == cue and measure.unit in COORDINATES and measure.uncertainty is not None:
            found.setdefault(measure.zone, {})[measure.unit] = measure.value, measure.uncertainty
    return {
        zone: ColourReading(_lab([by[name][0] for name in COORDINATES]), _lab([by[name][1] for name in COORDINATES]))
        for zone, by in found.items()
        if len(by) == len(COORDINATES)
    }


def view_of(photo: PhotoFindings) -> View:
    """From where, among what and in what light a photo was taken."""
    seen = {surface: readings_of(photo.measures, cue) for surface, cue in SURROUNDINGS.items()}
    lights = lights_of(photo.measures, NEUTRAL_LIGHT)
    return View(
        photo.shot,
        {surface: by_zone[None] for surface, by_zone in seen.items() if None in by_zone},
        {surface: (float(light[0]), float(light[1])) for (_, surface), light in lights.items() if surface},
    )


def reference_of(code: str, path: Path, photo: PhotoFindings) -> Reference | None:
    """A photo of a vehicle known to wear this paint, measured as an advert's is; None where it shows no paint."""
    body = readings_of(photo.measures, BODY).get(None)
    return None if body is None else Reference(code, path, body, view_of(photo), photo.sha256)


def agree(readings: Sequence[ColourReading], body: BodySettings) -> ColourReading | None:
    """One colour from those of several photos: the median by coordinate, so that odd photos do not count.

    Photos of one phone and place share part of their error (`shared`, of the variance), which does not average out.
    """
    if not readings:
        return None
    values = np.array([reading.lab for reading in readings])
    middle = np.median(values, axis=0)
    single = np.mean([reading.uncertainty for reading in readings], axis=0)
    scatter = 1.4826 * np.median(np.abs(values - middle), axis=0)
    own = np.maximum(single * np.sqrt(1 - body.shared), scatter) / np.sqrt(len(readings))
    return ColourReading(_lab(middle), _lab(np.hypot(single * np.sqrt(body.shared), own)))


def _shuts_across(photos: Sequence[PhotoFindings], settings: ColourSettings) -> list[Measure]:
    """Shuts that no photo shows together with the outside, against the paint of the outside in other photos."""
    shuts = settings.shuts
    compared = {m.zone for photo in photos for m in photo.measures if m.cue == "shut_mismatch"}
    bodies, places = [], dict[str, list[Floats]]()
    colours = []
    for photo in photos:
        body = lights_of(photo.measures, BODY_LIGHT).get((None, None))
        neutrals = lights_of(photo.measures, NEUTRAL_LIGHT)
        seen = {z: light for (z, _), light in lights_of(photo.measures, SHUT_LIGHT).items() if z and z not in compared}
        bodies += [] if body is None else [body]
        for zone, light in seen.items():
            places.setdefault(zone, []).append(light)
        colours.append(
            PhotoColours(
                body=None if body is None else body[:2],
                neutrals={s: light[:2] for (_, s), light in neutrals.items() if s in settings.illuminant.neutrals},
                places={zone: light[:2] for zone, light in seen.items()},
            )
        )
    lights = common_light(colours, settings.illuminant) if places else None
    measures = []
    if lights is None:
        return []
    for zone, own in sorted(places.items()):
        level = np.exp([np.median([light[2] for light in one]) for one in (bodies, own)])
        middle = float(np.sqrt(level.prod()))  # shade says nothing of paint
        lab = linear_to_lab(_linear(np.stack([lights.paint, lights.places[zone]]), middle))
        if np.hypot(lab[:, 1], lab[:, 2]).max() < shuts.least_chroma:
            continue
        if zone in shuts.soiled_zones and may_be_soil(lab[0], lab[1], shuts):
            continue
        step = 0.05
        slopes = (linear_to_lab(_linear(lights.places[zone] + step * np.eye(2), middle)) - lab[1]) / step
        noise = np.square(slopes).sum(axis=0) * lights.variance_against_paint(zone)
        found = paint_difference(
            lab.mean(axis=0), lab[1] - lab[0], np.diag(noise), shuts.in_one_photo, shuts.paints_differ_lab
        )
        if found.standard_uncertainty <= shuts.most_uncertainty_across:
            measures.append(_difference(found, zone))
    return measures


def lights_of(measures: Sequence[Measure], cue: str) -> dict[tuple[str | None, str | None], Floats]:
    """The lights (3,) that measures hold, as RATIOS, by zone and text."""
    found: dict[tuple[str | None, str | None], dict[str, float]] = {}
    for measure in measures:
        if measure.cue == cue and measure.unit in RATIOS:
            found.setdefault((measure.zone, measure.text), {})[measure.unit] = measure.value
    return {
        key: np.array([by[name] for name in RATIOS]) for key, by in found.items() if all(name in by for name in RATIOS)
    }


def _linear(ratios: Floats, luminance: float) -> Floats:
    """Linear light (..., 3) of this luminance with these logarithms (..., 2) of red and blue over green."""
    light = np.exp(np.stack([ratios[..., 0], np.zeros(ratios.shape[:-1]), ratios[..., 1]], axis=-1))
    return np.asarray(light * (luminance / (light @ LUMINANCE))[..., None])


def _light_of(light: Floats, cue: str, zone: str | None = None, text: str | None = None) -> list[Measure]:
    """A place's light as the photo shows it, from linear light (n, 3) of its cells, as RATIOS."""
    cells = np.maximum(light, LEAST_LIGHT)
    logs = np.log(np.column_stack([cells[:, 0] / cells[:, 1], cells[:, 2] / cells[:, 1], cells @ LUMINANCE]))
    return [
        Measure(
            cue=cue, value=round(float(value), 4), unit=unit, uncertainty=round(float(one), 4), zone=zone, text=text
        )
        for value, one, unit in zip(
            np.median(logs, axis=0), np.maximum(_spread(logs), LEAST_SPREAD), RATIOS, strict=True
        )
    ]


def _measures_of(reading: ColourReading, cue: str, zone: str | None) -> list[Measure]:
    return [
        Measure(cue=cue, value=value, unit=unit, uncertainty=uncertainty, zone=zone)
        for value, uncertainty, unit in zip(reading.lab, reading.uncertainty, COORDINATES, strict=True)
    ]


def _lab(values: Sequence[float] | Floats) -> Lab:
    lightness, a, b = (round(float(value), 2) for value in values)
    return lightness, a, b
