"""Which part of a difference between two colours is paint, and which part light alone could make.

Light is no paint. Given the difference d of two places in CIELAB, what light and the photo's noise may do to it as a
covariance N, and how far two paints may lie apart as a covariance P around none,

    estimate = P (P + N)⁻¹ d          covariance = P - P (P + N)⁻¹ P

are the mean and covariance of the paints' difference (a normal posterior). Along what light can do little is left of d,
and the uncertainty says so; across it d stays as it was seen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from pydantic import Field

from pipeline.colorimetry import LUMINANCE, Floats, delta_e00, lab_to_linear, linear_to_lab
from pipeline.configuration import Config
from pipeline.paint_table import Lab

SMALL = (
    0.05  # share of a standard deviation over which a slope is taken: a whole one may leave the range that is straight
)


class Nuisance(Config):
    """What light alone may do between two places, as standard deviations.

    `slope`: of the logarithm of the light that reaches them; `tint`: of the logarithms of its red and blue against its
    green; `veil`: light reflected on top, as a share of white; `echo`: light that paint threw on paint, or that dust
    and haze made paler, as the power to which the colour seems raised, less 1.
    """

    slope: float = Field(ge=0)
    tint: float = Field(gt=0)
    veil: float = Field(gt=0)
    echo: float = Field(ge=0)


@dataclass(frozen=True, slots=True)
class ColourDifference:
    """Difference of two painted places, on the CIEDE2000 scale, with its standard uncertainty (k = 1)."""

    delta_e00: float
    standard_uncertainty: float


@dataclass(frozen=True, slots=True)
class NotAssessable:
    """Why two places cannot be compared. Never a difference of zero."""

    reason: str


def paint_difference(
    middle: Floats, step: Floats, noise: Floats, nuisance: Nuisance, paints_differ: Lab, veils: Sequence[float] = (1.0,)
) -> ColourDifference:
    """What of `step` (CIELAB, around the colour `middle`) is paint.

    `noise` (3, 3) is the covariance of `step`; `paints_differ` the standard deviation by coordinate of what paints
    differ by. `veils`: how strongly the veil counts at each place, where they were brought to one lightness.
    """
    light = np.maximum(lab_to_linear(middle), 1e-4)
    moves = [nuisance.slope * light, *(nuisance.tint * light * channel for channel in np.eye(3)[[0, 2]])]
    moves += [nuisance.veil * veil * np.ones(3) for veil in veils]
    moves += [nuisance.echo * light * np.log(light / (light @ LUMINANCE))]
    effects = (linear_to_lab(light + SMALL * np.stack(moves)) - linear_to_lab(light)) / SMALL
    return what_is_paint(middle, step, noise + effects.T @ effects, paints_differ)


def what_is_paint(middle: Floats, step: Floats, doubt: Floats, paints_differ: Lab) -> ColourDifference:
    """What of `step` (CIELAB, around the colour `middle`) is paint, where all else may be as the covariance `doubt`."""
    prior = np.diag(np.square(paints_differ))
    weight = prior @ np.linalg.inv(prior + doubt)
    estimate, left = weight @ step, prior - weight @ prior
    variances, axes = np.linalg.eigh((left + left.T) / 2)
    off = axes.T * np.sqrt(np.maximum(variances, 0))[:, None]
    ends = np.concatenate([estimate[None], estimate + off, estimate - off])
    value, *moved = delta_e00(middle - ends / 2, middle + ends / 2)
    return ColourDifference(float(value), float(np.sqrt(np.square(np.array(moved) - value).sum() / 2)))
