"""Neighbouring panels, and both sides of a masking edge, compared across the line between them.

Lines are found in the painted part of the photo; a strip on either side of each is sampled at places along it, and the
difference is taken place by place, so that dirt, gloss and a run of light along the line do not count. A gap between
panels is followed to its ends, as each stretch of it that is as long as a block of JPEG tells anew. A masking edge need
not be straight: it is the boundary of two hues (`pipeline.coats`), and a straight line where there is none. How sure
the difference is comes from the same pixels. What cannot be decided: panels that face different ways (bonnet and wing,
corners, the roof, an open door), where light alone may make any step; dusty panels; paint so dark that most of it is
reflection; burnt-out white. Flake and pearl, whose colour turns with the view, are not recognised.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from pydantic import Field
from scipy.stats import trim_mean

from pipeline.coats import CoatSettings, coat_boundary
from pipeline.colorimetry import LINEAR_OF_BYTE, LUMINANCE, Floats, lab_to_linear, linear_to_lab
from pipeline.colour_scene import Scene
from pipeline.configuration import Config
from pipeline.paint_difference import ColourDifference, NotAssessable, Nuisance, paint_difference
from pipeline.paint_table import Lab
from pipeline.records import ZONES, Box, Measure, Probability

ALONG = 32  # places along a line at which its strips are sampled
SAME_LINE_DEG, SAME_LINE_PX = 4.0, 5.0  # pieces of one gap come out of the detector so far apart
BOX_MARGIN_PX = 4.0
BREAK_PX = 5.0  # in a gap that is followed: what is longer is its end
TRIMMED = 0.15  # of the places along a line, at either end of a coordinate's values
LEAST_SHOWN = 0.4  # of a difference, in the darkest photos; dust on tyres never makes one shown more than whole
LEAST_LENGTH_PX = 18.0  # a shorter line is as often dirt, wear or a hinge as a gap (own renders)


class PanelSettings(Config):
    """How both sides of a line are compared (`panels` in configs/colour.yaml)."""

    work_long_side_px: int = Field(gt=0)
    least_length_share: dict[str, Probability]
    near_shots: tuple[str, ...]
    guard_px: int = Field(gt=0)
    strip_px: int = Field(gt=1)
    clipped: int = Field(gt=0, le=255)
    darkest: float = Field(gt=0, lt=1)
    least_places: Probability
    breadth: float = Field(ge=0)
    common_lab: float = Field(gt=0)
    gap_depth: float = Field(gt=0)
    uneven: float = Field(gt=0)
    upright_deg: float = Field(gt=0, le=90)
    flush_zones: tuple[tuple[str, str], ...]
    flush: Nuisance
    soils: tuple[Lab, ...] = Field(description="linear sRGB")
    soil_cover: float = Field(ge=0)
    block_px: float = Field(gt=0)
    block_lab: float = Field(gt=0)
    block_weight: float = Field(gt=0)
    rounding_lab: float = Field(gt=0)
    paints_differ_lab: Lab
    gloss: float = Field(ge=0)
    dilution: float = Field(gt=0, le=1)
    dilution_uncertainty: float = Field(ge=0)
    tyre: float = Field(gt=0)
    tyre_power: float = Field(ge=0)
    least_tyre_cells: int = Field(gt=0)
    doubt: float = Field(ge=1)
    large: float = Field(gt=0)
    most_uncertainty: tuple[float, float]
    most_measures: int = Field(gt=0)
    coats: CoatSettings


@dataclass(frozen=True, slots=True)
class Edge:
    """A line, straight or not, with paint on both sides, and what the strips beside it show.

    `ends` (2, 2): x and y in pixels of the scene. `first` and `second`: CIELAB of the strips, `step` the second less
    the first, `noise` (3, 3) its covariance. `depth`: logarithm of how much darker the line is than the darker strip.
    """

    ends: Floats
    first: Floats
    second: Floats
    step: Floats
    noise: Floats
    depth: float
    zones: tuple[str | None, str | None]

    @property
    def length(self) -> float:
        return float(np.hypot(*(self.ends[1] - self.ends[0])))

    @property
    def slant_deg(self) -> float:
        """Angle between the line and the photo's upright, 0 to 90."""
        return float(_slant_deg(self.ends[1] - self.ends[0]))


def measure_panels(scene: Scene, shot: str, masking_edges: Sequence[Box], settings: PanelSettings) -> list[Measure]:
    """ΔE00 across each panel gap (`panel_mismatch`), and across each masking edge the network saw (`masking_edge`).

    Gaps are looked for in the shots of `least_length_share` only. A gap's zone is that of the strip which is farther in
    hue and chroma from most of the painted area.
    """
    by_box: dict[int, Edge] = {}
    pieces = []
    for edge in find_edges(scene, settings, settings.least_length_share.get(shot), masking_edges):  # longest first
        middle = edge.ends.mean(axis=0) * scene.factor
        inside = next((k for k, box in enumerate(masking_edges) if _holds(box, middle)), None)
        if inside is not None:
            by_box.setdefault(inside, edge)
        elif None not in edge.zones:
            pieces.append(edge)
    if not pieces and not masking_edges:
        return []
    shown = share_shown(scene, settings)
    measures = _compare_gaps(scene, pieces, shot, settings, shown) if pieces else []
    for k, box in enumerate(masking_edges):
        # two hues tell where coats meet, a straight line may be a crease; without the former it is all there is
        edges = [*_boundary(scene, box, settings), *([by_box[k]] if k in by_box else [])]
        across = (compare_coats(edge, settings, shown) for edge in edges)
        found = next((one for one in across if isinstance(one, ColourDifference)), None)
        if found is not None:
            measures.append(_measure("masking_edge", found, box.zone, box))
    return measures


def _compare_gaps(
    scene: Scene, pieces: Sequence[Edge], shot: str, settings: PanelSettings, shown: float
) -> list[Measure]:
    """ΔE00 across the gaps that pieces of them led to, the longest ones first."""
    common = linear_to_lab(np.median(scene.light_of_paint(), axis=0))
    measures: list[Measure] = []
    for gap in measure_gaps(scene, join_edges(pieces), settings):
        if not _is_broad(gap, scene, settings) or min(_off_common(gap, common)) > settings.common_lab:
            continue
        found = compare_panels(gap, settings, shown, near=shot in settings.near_shots)
        if isinstance(found, ColourDifference):
            zone = _odd_zone(gap, common)
            measures.append(_measure("panel_mismatch", found, zone, _box(gap, scene, zone)))
            if len(measures) == settings.most_measures:
                break
    return measures


def share_shown(scene: Scene, settings: PanelSettings) -> float:
    """How much of a difference between paints the photo shows, by its exposure, which its tyres tell.

    Paint in the shade, or in a dark photo, shows its differences smaller, since CIELAB goes by the cube root of light.
    Tyres are of much the same grey on every vehicle (common practice, no source) and stand in the light of its sides.
    """
    tyre = scene.light_of_surface("tyre")
    if len(tyre) < settings.least_tyre_cells:
        return settings.dilution
    shown = settings.dilution * (np.median(tyre @ LUMINANCE) / settings.tyre) ** settings.tyre_power
    return float(np.clip(shown, LEAST_SHOWN, 1.0))


def compare_panels(
    gap: Edge, settings: PanelSettings, shown: float | None = None, *, near: bool = False
) -> ColourDifference | NotAssessable:
    """The difference of paint between two panels, where both lie in one plane, so that light falls on them alike.

    `shown`: how much of it the photo shows, if that is known better than for photos in general. `near`: whether too
    little of the vehicle is in view to be sure of the plane, so that only what no light explains is a sure difference.
    """
    if gap.zones not in settings.flush_zones and gap.zones[::-1] not in settings.flush_zones:
        return NotAssessable("the panels may face different ways, so that light alone may make any step")
    if gap.slant_deg > settings.upright_deg:
        return NotAssessable("the line is not upright: above and below it panels slope differently")
    if gap.depth < settings.gap_depth:
        return NotAssessable("no dark gap lies between: it may be a shadow's edge, a crease or a reflection")
    return compare_coats(gap, settings, shown) if near else compare_across(gap, settings, shown)


def compare_across(edge: Edge, settings: PanelSettings, shown: float | None = None) -> ColourDifference | NotAssessable:
    """The difference of paint across a line in one plane; its uncertainty: noise, JPEG, dirt and light.

    What gloss adds to both sides is taken off first: it hides most in a colour's darkest channel.
    """
    found, uncertainty = _difference(edge, settings, shown, settings.paints_differ_lab)
    of_small, of_large = settings.most_uncertainty
    is_large = found.delta_e00 > settings.large * found.standard_uncertainty
    if uncertainty > (of_large if is_large else of_small):
        return NotAssessable("the strips beside the line are too noisy, dirty, dark or unevenly lit")
    return found


def compare_coats(edge: Edge, settings: PanelSettings, shown: float | None = None) -> ColourDifference | NotAssessable:
    """The difference of paint across a line of which it is not known that one light falls on both sides.

    What is drawn round a masking edge may hold the edge of a shadow or of dirt instead; beside a gap seen from near one
    panel may be a corner. So a difference that these alone could make is told as unsure as it is large. Of a large one
    the strips may be as unsure as its exposure leaves it anyway.
    """
    found, uncertainty = _difference(edge, settings, shown, settings.coats.paints_differ_lab)
    if uncertainty > max(settings.most_uncertainty[0], settings.dilution_uncertainty * found.delta_e00):
        return NotAssessable("the strips beside the line are too noisy, dirty, dark or unevenly lit")
    if _may_be_light_or_soil(edge, settings):
        return ColourDifference(found.delta_e00, float(np.hypot(found.standard_uncertainty, found.delta_e00)))
    return found


def _may_be_light_or_soil(edge: Edge, settings: PanelSettings) -> bool:
    """Whether both sides, brought to one lightness, are too alike for two paints in any light, one of them soiled."""
    coats = settings.coats
    light = lab_to_linear(np.stack([edge.first, edge.second]))
    luminance = light @ LUMINANCE
    to_one = np.sqrt(luminance.prod()) / luminance
    first, second = linear_to_lab(light * to_one[:, None])
    soiling = _soiling((first + second) / 2, coats.soil_cover, settings)
    hues_differ = (0.0, *coats.paints_differ_lab[1:])  # light says nothing of how light a paint is
    found = paint_difference(
        (first + second) / 2,
        second - first,
        edge.noise + soiling.T @ soiling,
        coats.light,
        hues_differ,
        to_one.tolist(),
    )
    return found.delta_e00 < coats.coverage_factor * found.standard_uncertainty


def _soiling(lab: Floats, cover: float, settings: PanelSettings) -> Floats:
    """What each soil (soils, 3) does to a colour in CIELAB (3,) where it covers such a share of it."""
    light = lab_to_linear(lab)
    return linear_to_lab(light + cover * (np.array(settings.soils) - light)) - lab


def _difference(
    edge: Edge, settings: PanelSettings, shown: float | None, paints_differ: Lab
) -> tuple[ColourDifference, float]:
    """The difference of paint across a line, and that part of its uncertainty which does not come from exposure."""
    middle = (edge.first + edge.second) / 2
    light = lab_to_linear(middle)
    clear = light - np.minimum(settings.gloss, light / 2)
    soiling = _soiling(middle, settings.soil_cover, settings)
    noise = edge.noise + soiling.T @ soiling + np.eye(3) * settings.rounding_lab**2
    tilt = _slopes(clear) @ np.linalg.inv(_slopes(light))  # of CIELAB without gloss over CIELAB with it
    seen = paint_difference(
        linear_to_lab(clear), tilt @ edge.step, tilt @ noise @ tilt.T, settings.flush, paints_differ
    )
    shown = settings.dilution if shown is None else shown
    value, uncertainty = seen.delta_e00 / shown, settings.doubt * seen.standard_uncertainty / shown
    return ColourDifference(value, float(np.hypot(uncertainty, value * settings.dilution_uncertainty))), uncertainty


def _slopes(light: Floats) -> Floats:
    """Slopes (3, 3) of CIELAB over linear light."""
    small = 1e-4
    return np.asarray((linear_to_lab(light + small * np.eye(3)) - linear_to_lab(light)).T / small)


def find_edges(
    scene: Scene, settings: PanelSettings, least_share: float | None, masking_edges: Sequence[Box] = ()
) -> list[Edge]:
    """Straight lines with enough paint on both sides, longest first, with what their strips show.

    Only upright ones of at least this share of the photo's long side (None: no such), which may be gaps between flush
    panels, and those in a masking edge's box.
    """
    if least_share is None and not masking_edges:
        return []
    segments = _segments(scene, settings if least_share is not None else None, masking_edges)
    middles, ways = (segments[:, :2] + segments[:, 2:]) / 2 * scene.factor, segments[:, 2:] - segments[:, :2]
    long_side = max(int(side) for side in scene.srgb.shape)
    wanted = np.hypot(ways[:, 0], ways[:, 1]) >= (2.0 if least_share is None else least_share) * long_side
    wanted &= _slant_deg(ways) <= settings.upright_deg
    for box in masking_edges:
        wanted |= _holds(box, middles)
    return _edges(scene, segments[wanted].reshape(-1, 2, 2), settings)


def _boundary(scene: Scene, box: Box, settings: PanelSettings) -> list[Edge]:
    """The boundary of two hues in a masking edge's box, straight or not.

    None where too little paint lies beside it, or where its sides do not differ: in one paint it is any way through it.
    """
    reach = settings.guard_px + settings.strip_px
    boundary = coat_boundary(scene, box, reach, LEAST_LENGTH_PX, settings.coats)
    for edge in [] if boundary is None else _edges(scene, boundary[None], settings):
        found, uncertainty = _difference(edge, settings, None, settings.coats.paints_differ_lab)
        if found.delta_e00 >= settings.coats.coverage_factor * uncertainty:
            return [edge]
    return []


def join_edges(edges: Sequence[Edge]) -> Floats:
    """Lines (n, 2, 2) that pieces lie on, from the first to the last end of each line's pieces, as the longest runs.

    A gap has two flanks and is cut up by hinges, so that it comes in pieces.
    """
    groups: list[list[Edge]] = []
    for edge in sorted(edges, key=lambda edge: -edge.length):
        home = next((group for group in groups if _on_one_line(group[0], edge)), None)
        if home is None:
            groups.append([edge])
        else:
            home.append(edge)
    lines = [np.empty((0, 2, 2))]
    for group in groups:
        along = (group[0].ends[1] - group[0].ends[0]) / group[0].length
        across = np.array([-along[1], along[0]])
        off = np.average([edge.ends.mean(axis=0) @ across for edge in group], weights=[edge.length for edge in group])
        at = np.concatenate([edge.ends @ along for edge in group])
        lines.append((np.array([[at.min()], [at.max()]]) * along + off * across)[None])
    return np.concatenate(lines)


def measure_gaps(scene: Scene, lines: Floats, settings: PanelSettings) -> list[Edge]:
    """Gaps between panels along all of their length, from lines (n, 2, 2) that parts of them gave; longest first.

    Each line is followed by its own length beyond both ends, where it is darker than what lies beside it and where
    paint goes on to both sides: hinges, handles, lamps, frames and what comes after the panels' ends fall out.
    """
    way = lines[:, 1:] - lines[:, :1]
    followed = _edges(scene, lines + np.hstack([-way, way]), settings, follow=True)
    gaps: list[Edge] = []
    for gap in sorted(followed, key=lambda gap: -gap.length):
        if not any(_on_one_line(longer, gap) for longer in gaps):  # two lines may have led to the same gap
            gaps.append(gap)
    return gaps


def _edges(scene: Scene, lines: Floats, settings: PanelSettings, *, follow: bool = False) -> list[Edge]:
    """What the strips beside lines show; without those that have too little paint beside them.

    `lines` (n, points, 2): x and y of points that lie equally far apart along each, two if it is straight. `follow`:
    whether the lines are gaps drawn too long, of which only the part that looks like one counts.
    """
    if not len(lines):
        return []
    width, places = settings.strip_px, 3 * ALONG if follow else ALONG
    near = np.arange(1, width + 1) + settings.guard_px
    far = near + width + settings.guard_px
    line = np.arange(-(settings.guard_px // 2), settings.guard_px // 2 + 1)
    offsets = np.concatenate([-near[::-1], near, -far[::-1], far, line]).astype(np.float64)
    x, y = _places(lines, offsets, places)  # (n, places, offsets)
    rows, columns = (int(side) for side in scene.painted.shape)
    row = np.clip(((y + 0.5) / scene.cell_px).astype(np.intp), 0, rows - 1)
    column = np.clip(((x + 0.5) / scene.cell_px).astype(np.intp), 0, columns - 1)
    inside = (x >= 0) & (y >= 0) & (x <= scene.srgb.shape[1] - 1) & (y <= scene.srgb.shape[0] - 1)
    paint = (scene.painted & scene.in_focus)[row, column] & inside
    painted = paint[..., : 2 * width].mean(axis=-1) >= 0.9  # (n, places)
    beyond = paint[..., 2 * width : 4 * width].reshape(*painted.shape, 2, width).mean(axis=-1) >= settings.least_places
    if follow:
        painted &= beyond.all(axis=-1)
    kept = np.nonzero(painted.any(axis=1) if follow else painted.mean(axis=1) >= settings.least_places)[0]
    if not len(kept):
        return []
    at_x, at_y = (v[kept].reshape(len(kept) * places, -1).astype(np.float32) for v in (x, y))
    seen = cv2.remap(scene.srgb, at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    seen = seen.reshape(len(kept), places, -1, 3)
    zones = scene.zones[row[kept], column[kept]]
    edges = []
    for k, index in enumerate(kept):
        good = painted[index] & (seen[k, :, : 2 * width].max(axis=(1, 2)) < settings.clipped)
        light = LINEAR_OF_BYTE[seen[k]]
        depths = _depths(light, settings)
        whole = float(np.hypot(*np.diff(lines[index], axis=0).T).sum())
        ends = np.array([0.0, 1.0])
        if follow:
            good &= (depths > 0) & (_unevenness(light, settings) < settings.uneven)
            good &= _unbroken(good, max(1, round(BREAK_PX * places / whole)))
            ends = (np.nonzero(good)[0][[0, -1]] + 0.5) / places if good.any() else ends
        length = float(good.mean() * whole)
        if good.sum() < 2 or (length < LEAST_LENGTH_PX if follow else good.mean() < settings.least_places):
            continue  # one place alone has no direction
        edge = _edge(
            _along(lines[index : index + 1], ends)[0][0],
            light[good],
            zones[k][good],
            beyond[index][good].mean(axis=0) >= settings.least_places,
            max(1, min(round(length * scene.factor / settings.block_px), int(good.sum()) // 2)),
            float(np.median(depths[good])),
            settings,
        )
        edges += [] if edge is None else [edge]
    return edges


def _unbroken(good: npt.NDArray[np.bool_], most: int) -> npt.NDArray[np.bool_]:
    """Which places of a followed line (3 × ALONG,) are reached from its middle third over breaks of so many places."""
    closed = cv2.morphologyEx(good.astype(np.uint8), cv2.MORPH_CLOSE, np.ones(1 + most, np.uint8)).ravel() > 0
    reached = np.ones_like(good)
    reached[2 * ALONG :] = np.logical_and.accumulate(closed[2 * ALONG :])
    reached[:ALONG] = np.logical_and.accumulate(closed[:ALONG][::-1])[::-1]
    return reached


def _depths(light: Floats, settings: PanelSettings) -> Floats:
    """Logarithm (places,) of how much darker the line is than the darker strip; `light` as in `_edge`."""
    width = settings.strip_px
    luminance = light @ LUMINANCE
    # at a shadow's edge the line is as dark as the shadow, not darker
    darker = np.minimum(luminance[:, :width].mean(axis=1), luminance[:, width : 2 * width].mean(axis=1))
    line = luminance[:, 4 * width :].min(axis=1)
    return np.asarray(np.log((darker + settings.darkest) / (line + settings.darkest)))


def _unevenness(light: Floats, settings: PanelSettings) -> Floats:
    """How unlike the inner and the outer half of a strip are: logarithm (places,) of their ratio, the larger of both.

    They are so where a strip reaches into a gap that is wide, or bent where its line is straight.
    """
    half = settings.strip_px // 2
    luminance = np.maximum(light @ LUMINANCE, settings.darkest / 10)
    edges = [0, half, settings.strip_px, settings.strip_px + half, 2 * settings.strip_px]
    first, second, third, fourth = (
        np.log(luminance[:, one:two].mean(axis=1)) for one, two in itertools.pairwise(edges)
    )
    return np.asarray(np.maximum(np.abs(first - second), np.abs(third - fourth)))


def _edge(
    ends: Floats,
    light: Floats,
    zones: npt.NDArray[np.uint8],
    has_beyond: npt.NDArray[np.bool_],
    blocks: int,
    depth: float,
    settings: PanelSettings,
) -> Edge | None:
    """What the strips show; None if they are too dark.

    `light` (places, offsets, 3) holds both strips, then what lies beyond each, then the line itself; `has_beyond`:
    whether that is paint too. How far the step is known is taken from the photo: from how it differs between blocks
    along the line, and from how each panel differs from itself over a like distance, which dirt, light and the phone's
    compression do across the gap as well. Such a covariance tells dirt by its direction, whatever colour it has.
    """
    width = settings.strip_px
    strips = [light[:, k * width : (k + 1) * width].mean(axis=1) for k in range(4)]  # a mean: JPEG leaves few levels
    if min(np.median(strip @ LUMINANCE) for strip in strips[:2]) < settings.darkest:
        return None
    first, second, *beyond = (linear_to_lab(strip) for strip in strips)
    # beside a corner the network's zones are blurred, a little away from it they are not
    sides = [zones[:, k * width : (k + 1) * width] for k in (2 * has_beyond[0], 1 + 2 * has_beyond[1])]
    steps = second - first
    step = trim_mean(steps, TRIMMED, axis=0)
    parts = [
        _means(far - near, blocks)
        for near, far, known in zip((first, second), beyond, has_beyond, strict=True)
        if known
    ]
    off = _means(steps, blocks) - step
    # of one block: pooled with what is usual, which counts as so many blocks
    squares = off.T @ off + sum((part.T @ part / 2 for part in parts), np.zeros((3, 3)))
    weight = settings.block_weight + blocks - 1 + blocks * len(parts) / 2
    of_block = (settings.block_weight * settings.block_lab**2 * np.eye(3) + squares) / weight
    return Edge(
        ends,
        np.median(first, axis=0),
        np.median(second, axis=0),
        step,
        of_block / blocks,
        depth,
        (_likeliest(sides[0]), _likeliest(sides[1])),
    )


def _means(values: Floats, blocks: int) -> Floats:
    """Means (blocks, 3) of values (places, 3) that follow each other."""
    return np.stack([part.mean(axis=0) for part in np.array_split(values, blocks)])


def _likeliest(zones: npt.NDArray[np.uint8]) -> str | None:
    likeliest = int(np.bincount(zones.ravel(), minlength=1).argmax())
    return ZONES[likeliest - 1] if likeliest else None


def _segments(scene: Scene, panels: PanelSettings | None, masking_edges: Sequence[Box]) -> Floats:
    """Line segments (n, 4), x1 y1 x2 y2, where panels may be flush and in the boxes of masking edges, longest first.

    Detector: Grompone von Gioi, Jakubowicz, Morel, Randall (2010), IEEE TPAMI 32(4), 722-732, as in OpenCV.
    """
    looked_at = np.zeros_like(scene.painted)
    if panels is not None:
        flush = {1 + ZONES.index(zone) for pair in panels.flush_zones for zone in pair}
        looked_at = np.isin(scene.zones, sorted(flush))
    px = scene.cell_px * scene.factor
    for box in masking_edges:
        rows = slice(max(0, int(box.y / px) - 1), int((box.y + box.height) / px) + 2)
        looked_at[rows, max(0, int(box.x / px) - 1) : int((box.x + box.width) / px) + 2] = True
    looked_at &= scene.painted
    if not looked_at.any():
        return np.empty((0, 4))
    # gaps and seams between panels are no paint to the network, but belong to what is looked at
    closed = cv2.morphologyEx(looked_at.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
    size = (int(scene.srgb.shape[1]), int(scene.srgb.shape[0]))
    mask = cv2.resize(closed, size, interpolation=cv2.INTER_NEAREST)
    left, top, width, height = cv2.boundingRect(mask)
    window = np.s_[top : top + height, left : left + width]
    grey = cv2.cvtColor(scene.srgb[window], cv2.COLOR_RGB2GRAY)
    # what is not looked at becomes plain: the detector's time goes by the edges that it sees
    grey[mask[window] == 0] = int(np.median(grey[mask[window] > 0]))
    # at 0.6 of the size rather than its own 0.8: as many gaps, fewer stray lines, two thirds of the time
    found = cv2.createLineSegmentDetector(cv2.LSD_REFINE_NONE, scale=0.6).detect(grey)[0]
    if found is None:
        return np.empty((0, 4))
    segments = np.asarray(found, np.float64).reshape(-1, 4) + np.array([left, top, left, top])
    lengths = np.hypot(segments[:, 2] - segments[:, 0], segments[:, 3] - segments[:, 1])
    order = np.argsort(-lengths, kind="stable")
    return np.asarray(segments[order[lengths[order] >= LEAST_LENGTH_PX]])


def _places(lines: Floats, offsets: Floats, count: int = ALONG) -> tuple[Floats, Floats]:
    """x and y (n, count, offsets) of the places beside each line (n, points, 2), across it."""
    at, way = _along(lines, (np.arange(count) + 0.5) / count)
    normal = way / np.maximum(np.hypot(way[..., 0], way[..., 1]), 1e-9)[..., None]  # a bend may run back on itself
    return at[..., 0, None] - offsets * normal[..., 1, None], at[..., 1, None] + offsets * normal[..., 0, None]


def _along(lines: Floats, shares: Floats) -> tuple[Floats, Floats]:
    """Points (n, shares, 2) at these shares of each line (n, points, 2), and which way the line runs there."""
    steps = lines.shape[1] - 1
    piece = np.minimum((shares * steps).astype(np.intp), steps - 1)
    start, way = lines[:, piece], lines[:, piece + 1] - lines[:, piece]
    return start + (shares * steps - piece)[:, None] * way, way


def _on_one_line(first: Edge, second: Edge) -> bool:
    """Whether the second edge doubles the first or continues it, not farther beyond its ends than it is long."""
    along = (first.ends[1] - first.ends[0]) / first.length
    other = (second.ends[1] - second.ends[0]) / second.length
    if abs(float(along[0] * other[1] - along[1] * other[0])) > np.sin(np.radians(SAME_LINE_DEG)):
        return False
    apart = second.ends - first.ends[0]
    off = np.abs(along[0] * apart[:, 1] - along[1] * apart[:, 0])
    at = apart @ along
    return bool(off.max() <= SAME_LINE_PX and at.max() > -first.length and at.min() < 2 * first.length)


def _is_broad(gap: Edge, scene: Scene, settings: PanelSettings) -> bool:
    """Whether paint goes on beside the gap as a panel does: a wedge beside a long line is a face seen aslant."""
    reach = settings.breadth * gap.length
    outward = reach * np.linspace(0.25, 1, 4)
    x, y = _places(gap.ends[None], np.concatenate([-outward, outward]))
    rows, columns = (int(side) for side in scene.painted.shape)
    row, column = (y[0] / scene.cell_px).astype(np.intp), (x[0] / scene.cell_px).astype(np.intp)
    inside = (y[0] >= 0) & (x[0] >= 0) & (row < rows) & (column < columns)
    paint = scene.painted[np.clip(row, 0, rows - 1), np.clip(column, 0, columns - 1)] & inside
    return bool((paint.reshape(-1, 2, len(outward)).mean(axis=(0, 2)) >= settings.least_places).all())


def _off_common(gap: Edge, common: Floats) -> list[float]:
    """How far either strip is in a* and b* from most of what is painted (3,): where both are, it is no panel's gap."""
    return [float(np.hypot(*(lab - common)[1:])) for lab in (gap.first, gap.second)]


def _odd_zone(gap: Edge, common: Floats) -> str | None:
    first, second = _off_common(gap, common)
    return gap.zones[0] if first > second else gap.zones[1]


def _slant_deg(way: Floats) -> Floats:
    """Angle between ways (..., 2) and the photo's upright, 0 to 90."""
    return np.asarray(np.degrees(np.arctan2(np.abs(way[..., 0]), np.abs(way[..., 1]))))


def _holds(box: Box, points: Floats) -> npt.NDArray[np.bool_]:
    """Which points (..., 2), in pixels of the photo, lie in a box or at its border."""
    corner, size = np.array([box.x, box.y]), np.array([box.width, box.height])
    return np.asarray(((points >= corner - BOX_MARGIN_PX) & (points <= corner + size + BOX_MARGIN_PX)).all(axis=-1))


def _box(edge: Edge, scene: Scene, zone: str | None) -> Box:
    (left, top), (right, bottom) = edge.ends.min(axis=0) - BOX_MARGIN_PX, edge.ends.max(axis=0) + BOX_MARGIN_PX
    return scene.box(left, top, right, bottom, zone)


def _measure(cue: str, found: ColourDifference, zone: str | None, box: Box) -> Measure:
    return Measure(
        cue=cue,
        value=round(found.delta_e00, 2),
        unit="dE00",
        uncertainty=round(found.standard_uncertainty, 2),
        zone=zone,
        regions=(box,),
    )
