"""Takes the noise of few paths a pixel out of a render: two halves of it, each weighing the other's neighbours.

Non-local means with the noise measured from the halves (Rousselle, Knaus, Zwicker 2012, "Adaptive rendering with
non-local means filtering", and 2013, "Robust denoising using feature and color information"), on radiance divided by
albedo, so that what is painted on a surface stays as sharp as it was. Later passes look further apart (à trous), which
takes out what is left at coarser scale. A little of the noise is kept: what is flat looks painted, and a photo has
grain.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import torch

Tensor = torch.Tensor
STRIDES = (1, 2, 5)  # px between the neighbours of each pass
REACH = 2  # neighbours to each side, so 25 a pass
PATCH = 2  # px to each side of what is compared
SHARPNESS = 1.5  # how fast a neighbour's weight falls with its difference
DARKEST = 0.05  # added to albedo: a black surface still has its gloss
OUTLIER = 3.0  # times what the other half has there and around (common practice, no source)
LOST = 8  # px a side of the squares over which the light of outliers is given back
LONE_NOISE = 0.12  # variance, relative, above which a pixel weighs no more than its best neighbour does
KEPT = 0.14  # share of the fine noise in brightness that stays
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
    seen = torch.stack([first.radiance, second.radiance]) / base
    guides = first.guide(), second.guide()
    guide, spread = (guides[0] + guides[1]) / 2, _mean(_apart(*guides) / 4, 1)
    light = _limited(seen)
    for stride in STRIDES:
        light = _pass(light, guide, spread, stride)
    clean = light.mean(0)
    grain = (seen.mean((0, 1)) / clean.mean(0).clamp(min=1e-12) - 1).clamp(-1, 1.5)[None]
    fine = grain - _mean(grain, 2)  # what is coarse would look like stains, and darken where few paths bring light
    return clean * (1 + KEPT * fine) * base


def _limited(seen: Tensor) -> Tensor:
    """Both halves (2, 3, H, W) without what only one of them has seen: a single path of many times the light would
    spread as a bright square.

    A true glint is in the other half too. Where light comes by few paths, each is such an outlier: what both halves
    lose round about is given back evenly, or dim places grew darker.
    """
    level = seen.mean(1, keepdim=True)
    limit = OUTLIER * (_mean(level, 2) + level).flip(0)
    limited = seen * (limit / level.clamp(min=1e-12)).clamp(max=1)
    return limited + _evenly(seen - limited)


def _evenly(lost: Tensor) -> Tensor:
    """What both halves (2, 3, H, W) have lost, spread over squares and between them: (3, H, W)."""
    height, width = lost.shape[-2:]
    coarse = torch.nn.functional.avg_pool2d(lost, LOST, ceil_mode=True)
    least = _mean(coarse, 1).amin(0, keepdim=True)
    fine = torch.nn.functional.interpolate(least, scale_factor=float(LOST), mode="bilinear")
    return fine[0, :, :height, :width]


def _pass(light: Tensor, guide: Tensor, spread: Tensor, stride: int) -> Tensor:
    """Each half of (2, 3, H, W) filtered with weights from the other, so that noise does not choose what is like
    itself."""
    level = light.mean((0, 1))[None, None]
    variance = _mean(_apart(*light)[None] / 6, 2)  # of one half
    floor = (LEAST_CONTRAST * level).square() + 1e-12
    other = light.flip(0)
    sums, weights = torch.zeros_like(light), torch.zeros_like(light[:, :1])
    best = torch.full_like(weights, 1e-3)
    for shift in _shifts(stride, *light.shape[-2:]):
        # two places weigh each other alike, so each pair is met once
        (here, there), (variance_here, variance_there) = _overlap(other, shift), _overlap(variance, shift)
        (guide_here, guide_there), (spread_here, spread_there) = _overlap(guide, shift), _overlap(spread, shift)
        unlike = _apart(guide_here, guide_there).sub_(spread_here).sub_(torch.minimum(spread_here, spread_there))
        expected = 2 * torch.minimum(variance_here, variance_there)
        scale = variance_here + variance_there + torch.minimum(*_overlap(floor, shift))
        distance = _mean(_apart(here, there).div_(3).sub_(expected).div_(scale), PATCH).clamp_(min=0)
        weight = distance.mul_(-SHARPNESS).sub_(unlike.clamp_(min=0)).exp_()
        values = _overlap(light, shift)[::-1]
        for place in (0, 1):
            _overlap(sums, shift)[place].addcmul_(weight, values[place])
            _overlap(weights, shift)[place].add_(weight)
            strongest = _overlap(best, shift)[place]
            torch.maximum(strongest, weight, out=strongest)
    # a pixel unlike all others would stay as noisy as it was: a black or bright speck on every edge
    own = best + (1 - best) * torch.exp(-variance / (LONE_NOISE * _mean(level, 2).square() + 1e-12))
    return (sums + own * light) / (weights + own)


def _shifts(stride: int, height: int, width: int) -> Iterator[tuple[int, int]]:
    """One of each two opposite ways (rows, columns) to the neighbours of a pass that a picture is large enough for."""
    for y in range(0, (REACH + 1) * stride, stride):
        for x in range(-REACH * stride, (REACH + 1) * stride, stride):
            if (y, x) > (0, 0) and y < height and abs(x) < width:
                yield y, x


def _overlap(image: Tensor, shift: tuple[int, int]) -> tuple[Tensor, Tensor]:
    """Views of (…, H, W): every place that has a neighbour there, and these neighbours."""
    (y, x), (height, width) = shift, image.shape[-2:]
    left, right = max(-x, 0), max(x, 0)
    return image[..., : height - y, left : width - right], image[..., y:, right : width - left]


def _apart(one: Tensor, other: Tensor) -> Tensor:
    """Square of the distance of two (…, C, H, W): (…, 1, H, W). Channel by channel, as memory is what takes time."""
    total = torch.zeros_like(one.narrow(-3, 0, 1))
    for k in range(one.shape[-3]):
        difference = one.narrow(-3, k, 1) - other.narrow(-3, k, 1)
        total.addcmul_(difference, difference)
    return total


def _mean(image: Tensor, radius: int) -> Tensor:
    """Mean over a square window of (…, C, H, W), the rim repeated outwards. Ten times as fast as pooling is."""
    size = 2 * radius + 1
    image = torch.nn.functional.pad(image, (radius,) * 4, mode="replicate")
    for axis in (-1, -2):
        first, *others = (image.narrow(axis, k, image.shape[axis] - size + 1) for k in range(size))
        image = first.clone()
        for other in others:
            image += other
    return image.div_(size**2)
