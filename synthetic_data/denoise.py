"""Takes the noise of few paths a pixel out of a render: two halves of it, each weighing the other's neighbours.

Non-local means with the noise measured from the halves (Rousselle, Knaus, Zwicker 2012, "Adaptive rendering with
non-local means filtering", and 2013, "Robust denoising using feature and color information"), on radiance divided by
albedo, so that what is painted on a surface stays as sharp as it was. The second pass looks three pixels apart (à
trous), which takes out what is left at coarser scale.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import torch

Tensor = torch.Tensor
STRIDES = (1, 3)  # px between the neighbours of each pass
REACH = 2  # neighbours to each side, so 25 a pass
DARKEST = 0.05  # added to albedo: a black surface still has its gloss
OUTLIER = 3.0  # times what the other half has there and around (common practice, no source)
LEAST_CONTRAST = 4e-3  # relative; below this nothing is kept apart though no noise was measured
# differences of what a pixel shows at which a neighbour counts e⁻¹: tried on renders of 12 paths against 128
NORMAL_SCALE, LOG_DEPTH_SCALE, LOG_ALBEDO_SCALE = 0.3, 0.1, 0.6


@dataclass(frozen=True, slots=True)
class Half:
    """Means over half of a pixel's paths, (C, H, W) float32: radiance 3, and of the first surfaces albedo 3, normal 3,
    distance 1 in m (0 where nothing is hit)."""

    radiance: Tensor = field(repr=False)
    albedo: Tensor = field(repr=False)
    normal: Tensor = field(repr=False)
    distance: Tensor = field(repr=False)

    def guide(self) -> Tensor:
        """(7, H, W) in units of the scales above."""
        return torch.cat(
            [
                self.normal / NORMAL_SCALE,
                torch.log(self.distance + 0.05) / LOG_DEPTH_SCALE,
                torch.log(self.albedo + DARKEST) / LOG_ALBEDO_SCALE,
            ]
        )


def denoise(first: Half, second: Half) -> Tensor:
    """Radiance (3, H, W) of both halves together without most of their noise. The halves must be independent."""
    base = (first.albedo + second.albedo) / 2 + DARKEST
    light, other = first.radiance / base, second.radiance / base
    light, other = _limited(light, other), _limited(other, light)
    guides = first.guide(), second.guide()
    guide, spread = (guides[0] + guides[1]) / 2, _mean((guides[0] - guides[1]).square() / 4, 1)
    for stride in STRIDES:
        light, other = _pass(light, other, guide, spread, stride)
    return (light + other) / 2 * base


def _limited(light: Tensor, other: Tensor) -> Tensor:
    """One half without what only it has seen: a single path of many times the light would spread as a bright square.

    A true glint is in the other half too.
    """
    level, others = light.mean(0, keepdim=True), other.mean(0, keepdim=True)
    limit = OUTLIER * (_mean(others, 2) + others)
    return light * (limit / level.clamp(min=1e-12)).clamp(max=1)


def _pass(light: Tensor, other: Tensor, guide: Tensor, spread: Tensor, stride: int) -> tuple[Tensor, Tensor]:
    """Each half filtered with weights from the other half, so that noise does not choose what is like itself."""
    level = (light + other).mean(0, keepdim=True) / 2
    variance = _mean((light - other).square().mean(0, keepdim=True) / 2, 2)  # of one half
    floor = (LEAST_CONTRAST * level).square() + 1e-12
    sums, weights = [torch.zeros_like(light), torch.zeros_like(light)], [torch.zeros_like(level) for _ in range(2)]
    for there, its_variance, its_guide, its_spread in _neighbours(
        (torch.cat([light, other]), variance, guide, spread), stride
    ):
        expected = variance + torch.minimum(variance, its_variance)
        scale = variance + its_variance + floor
        apart = ((guide - its_guide).square() - spread - torch.minimum(spread, its_spread)).clamp(min=0)
        unlike = apart.sum(0, keepdim=True)
        pair = there[:3], there[3:]
        for half, (mine, its) in enumerate(zip((light, other), pair, strict=True)):
            distance = _mean(((mine - its).square().mean(0, keepdim=True) - expected) / scale, 1).clamp(min=0)
            weight = torch.exp(-(distance + unlike))
            sums[1 - half] += weight * pair[1 - half]
            weights[1 - half] += weight
    return sums[0] / weights[0], sums[1] / weights[1]


def _neighbours(images: tuple[Tensor, ...], stride: int) -> Iterator[tuple[Tensor, ...]]:
    """The images shifted to every neighbour of the window, the middle included; the rim is repeated outwards."""
    height, width = images[0].shape[1:]
    pad = stride * REACH
    padded = [torch.nn.functional.pad(image[None], (pad,) * 4, mode="replicate")[0] for image in images]
    for y in range(0, 2 * pad + 1, stride):
        for x in range(0, 2 * pad + 1, stride):
            yield tuple(image[:, y : y + height, x : x + width] for image in padded)


def _mean(image: Tensor, radius: int) -> Tensor:
    """Mean over a square window of (C, H, W)."""
    padded = torch.nn.functional.pad(image[None], (radius,) * 4, mode="replicate")
    return torch.nn.functional.avg_pool2d(padded, 2 * radius + 1, 1)[0]
