"""The user's own photos of vehicles known to wear a factory colour, as the nearest thing to a colour chart.

A folder holds one folder a paint code, with photos in it. A reference is measured as an advert's photo is, so that what
exposure, gloss and the phone do to both falls out of the comparison, the more so the more alike view, light and
surroundings are. The report shows the nearest ones beside the advert's photo.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from pydantic import Field

from pipeline.colorimetry import delta_e00
from pipeline.configuration import Config
from pipeline.errors import ConfigError
from pipeline.paint_table import ColourReading, Paint, bare
from pipeline.photos import SUFFIXES


class ReferenceSettings(Config):
    """How like two photos are (`references` in configs/colour.yaml)."""

    view_weight: float = Field(ge=0)
    surroundings_delta_e00: float = Field(gt=0)
    shown: int = Field(gt=0)
    light_ln: float = Field(gt=0)
    least_likeness: float = Field(gt=0, lt=1)


@dataclass(frozen=True, slots=True)
class View:
    """From where, among what and in what light a photo was taken.

    Shot probabilities, the colours of ground and background, and by neutral surface the logarithms of red and of blue
    over green.
    """

    shot: Mapping[str, float]
    surroundings: Mapping[str, ColourReading]
    light: Mapping[str, tuple[float, float]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Reference:
    """One photo of a vehicle that is known to wear the paint of this code."""

    code: str
    photo: Path
    body: ColourReading
    view: View
    sha256: str  # of the file


@dataclass(frozen=True, slots=True)
class Near:
    """A reference and how like its view, light and surroundings are to those of a photo, 0 to 1."""

    reference: Reference
    likeness: float


def reference_photos(folder: Path) -> tuple[tuple[str, Path], ...]:
    """Paint code and file of each photo in a folder of references. Raises ConfigError where there are none."""
    if not folder.is_dir():
        raise ConfigError(folder, "there is no such folder", "name the folder that holds one folder a paint code")
    found = [
        (place.name, file)
        for place in sorted(folder.iterdir())
        if place.is_dir() and not place.name.startswith(".")
        for file in sorted(place.iterdir())
        if file.suffix.lower() in SUFFIXES and not file.name.startswith(".")
    ]
    if not found:
        raise ConfigError(
            folder, "there is no photo in it", "put the photos of each paint into a folder named by its code"
        )
    return tuple(found)


def likeness(first: View, second: View, settings: ReferenceSettings) -> float:
    """How like two photos' views, light and surroundings are: 1 the same, towards 0 the less alike.

    A surrounding that only one of them shows tells nothing; its place is taken by a middling difference. Their light
    counts where both show the same neutral surface.
    """
    shots = set(first.shot) | set(second.shot)
    view = sum(abs(first.shot.get(shot, 0.0) - second.shot.get(shot, 0.0)) for shot in shots) / 2
    apart = [settings.view_weight * view]
    for name in sorted(set(first.surroundings) | set(second.surroundings)):
        one, other = first.surroundings.get(name), second.surroundings.get(name)
        if one is None or other is None:
            apart.append(1.0)
        else:
            apart.append(float(delta_e00(np.array(one.lab), np.array(other.lab))) / settings.surroundings_delta_e00)
    shared = sorted(set(first.light) & set(second.light))
    if shared:
        off = [np.subtract(first.light[surface], second.light[surface]) for surface in shared]
        apart.append(float(np.linalg.norm(np.mean(off, axis=0))) / settings.light_ln)
    return float(np.exp(-0.5 * np.square(apart).sum()))


def nearest(view: View, references: Sequence[Reference], settings: ReferenceSettings) -> tuple[Near, ...]:
    """The references most like a photo, the most alike first; those that are too unlike are left out."""
    near = [Near(reference, likeness(view, reference.view, settings)) for reference in references]
    near = [item for item in near if item.likeness >= settings.least_likeness]
    near.sort(key=lambda item: (-item.likeness, str(item.reference.photo)))
    return tuple(near[: settings.shown])


def paints_as_photographed(
    paints: Sequence[Paint], references: Sequence[Reference], views: Sequence[View], settings: ReferenceSettings
) -> tuple[Paint, ...]:
    """The paints, those with references in the colour that these show in a light like that of the advert's photos.

    A reference counts by its likeness to the photo that it is most like. The more it counts the less is left of the
    table's own value, which counts as one reference.
    """
    shown: dict[str, list[tuple[float, np.ndarray]]] = {}
    for reference in references:
        weight = max((likeness(view, reference.view, settings) for view in views), default=0.0)
        shown.setdefault(bare(reference.code), []).append((weight, np.array(reference.body.lab)))
    changed = []
    for paint in paints:
        pairs = [(1.0, np.array(paint.lab)), *shown.get(bare(paint.code), [])]
        mean = np.average([lab for _, lab in pairs], axis=0, weights=[weight for weight, _ in pairs])
        lightness, a, b = (float(value) for value in mean)
        changed.append(replace(paint, lab=(lightness, a, b)) if len(pairs) > 1 else paint)
    return tuple(changed)
