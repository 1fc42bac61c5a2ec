"""The light of an advert's photos, estimated for all of them together.

The body's paint is the same in every photo, so what its colour changes by from one photo to the next is the light. With
all colours as the logarithms of red and of blue over green (linear light, where a light multiplies and so adds),

    body in photo i = paint + common light + own light i + error      neutral surface in i = common + own i + error
    place z in photo i = paint of z + common + own i + error

Paint, lights and places are the unknowns of one least-squares fit, all about zero with the standard deviations of
`IlluminantSettings` (a normal posterior); how far own lights spread is learnt from the advert. Errors have the tails of
Student's t (Lange, Little and Taylor 1989, Robust statistical modeling using the t distribution, JASA 84: weights
(ν + 2) / (ν + d²) in two dimensions), so that a dirty surface counts for little.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from pydantic import Field

from pipeline.colorimetry import Floats
from pipeline.configuration import Config

ROUNDS = 5  # of weighing anew; the weights then move by under a hundredth


class IlluminantSettings(Config):
    """Standard deviations of the logarithms of red and blue over green (`illuminant` in configs/colour.yaml)."""

    neutrals: dict[str, float] = Field(description="Of each neutral surface's own colour and of what it mirrors.")
    paint: float = Field(gt=0)
    common: float = Field(gt=0)
    photo: float = Field(gt=0)
    body: float = Field(gt=0)
    place: float = Field(gt=0)
    known: float = Field(gt=0, description="Photos for which `photo` counts, beside those of the advert.")
    freedom: float = Field(gt=0)


@dataclass(frozen=True, slots=True)
class PhotoColours:
    """What one photo shows: logarithms (2,) of red and blue over green, of the body, neutral surfaces and places."""

    body: Floats | None = None
    neutrals: Mapping[str, Floats] = field(default_factory=dict)
    places: Mapping[str, Floats] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class CommonLight:
    """The fit: `paint` and `common` (2,), `photos` (n, 2) the light of each, `places` by name; logarithms as above.

    `covariance` is that of paint, common light, own lights and places in this order, the same for red and blue.
    """

    paint: Floats
    common: Floats
    photos: Floats
    places: Mapping[str, Floats]
    covariance: Floats

    def variance_against_paint(self, place: str) -> float:
        """Variance of what a place's paint differs from the body's by."""
        k = 2 + len(self.photos) + list(self.places).index(place)
        return float(self.covariance[0, 0] + self.covariance[k, k] - 2 * self.covariance[0, k])


def common_light(photos: Sequence[PhotoColours], settings: IlluminantSettings) -> CommonLight | None:
    """Fit paint, lights and places to what an advert's photos show; None where no photo shows the body."""
    if all(photo.body is None for photo in photos):
        return None
    places = sorted({name for photo in photos for name in photo.places})
    count = len(photos)
    seen: list[tuple[tuple[int, ...], Floats, float]] = []  # unknowns that add up to it, what was seen, its deviation
    for k, photo in enumerate(photos):
        light = (1, 2 + k)
        if photo.body is not None:
            seen.append(((0, *light), photo.body, settings.body))
        for surface, colour in photo.neutrals.items():
            seen.append((light, colour, settings.neutrals[surface]))
        for name, colour in photo.places.items():
            seen.append(((*light, 2 + count + places.index(name)), colour, settings.place))
    matrix = np.zeros((len(seen), 2 + count + len(places)))
    for row, (unknowns, _, _) in zip(matrix, seen, strict=True):
        row[list(unknowns)] = 1
    values, deviations = np.array([one[1] for one in seen]), np.array([one[2] for one in seen])
    prior = np.array(
        [settings.paint, settings.common, *[settings.photo] * count, *[settings.paint] * len(places)], np.float64
    )
    own = np.s_[2 : 2 + count]
    weights = np.ones(len(seen))
    for _ in range(ROUNDS):
        weighted = matrix.T * (weights / deviations**2)
        covariance = np.linalg.inv(np.diag(prior**-2) + weighted @ matrix)
        fit = covariance @ weighted @ values
        errors = np.square(values - matrix @ fit).sum(axis=1) + 2 * (matrix @ covariance * matrix).sum(axis=1)
        weights = (settings.freedom + 2) / (settings.freedom + errors / deviations**2)
        apart = np.square(fit[own]).sum(axis=1) / 2 + np.diag(covariance)[own]
        prior[own] = np.sqrt((settings.known * settings.photo**2 + apart.sum()) / (settings.known + count))
    return CommonLight(
        paint=fit[0],
        common=fit[1],
        photos=fit[1] + fit[own],
        places={name: fit[2 + count + k] for k, name in enumerate(places)},
        covariance=covariance,
    )
