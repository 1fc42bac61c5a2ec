"""What training minimises. Unknown labels carry no loss; masks teach the maps, photo labels teach through the maps."""

from __future__ import annotations

from typing import NamedTuple

import torch
from torch import Tensor
from torch.nn import functional

from models.network import CueMaps
from pipeline.configuration import Config

UNKNOWN = -1
IGNORE = 255


class Targets(NamedTuple):
    """Truth of a batch of N photos; h, w are the maps' sides."""

    cue_labels: Tensor  # (N, C) 1, 0 or UNKNOWN
    masks_known: Tensor  # (N, C) bool: `cue_masks` holds for this photo and cue
    cue_masks: Tensor  # (N, C, h, w) bool: any pixel of the cell shows the cue
    surfaces: Tensor  # (N, h, w) class or IGNORE
    zones: Tensor  # (N, h, w) class or IGNORE
    sides: Tensor  # (N, h, w) class or IGNORE
    shots: Tensor  # (N,) class or UNKNOWN
    vehicle: Tensor  # (N,) 1, 0 or UNKNOWN


class LossWeights(Config):
    """How much each term counts in the sum that is minimised."""

    focal: float = 1.0
    dice: float = 0.5
    photo: float = 1.0
    surfaces: float = 0.3
    zones: float = 0.3
    sides: float = 0.1
    shots: float = 0.3
    vehicle: float = 0.1
    focal_gamma: float = 2.0
    shot_smoothing: float = 0.05


def loss_terms(maps: CueMaps, targets: Targets, weights: LossWeights) -> dict[str, Tensor]:
    """Each term, unweighted, as a scalar; a term without any known label is zero (and has a zero gradient)."""
    cues = maps.cues.float()
    masks, known = targets.cue_masks.to(cues.dtype), targets.masks_known
    return {
        "focal": focal_loss(cues, masks, known, weights.focal_gamma),
        "dice": dice_loss(cues, masks, known),
        "photo": known_bce(maps.cue_scores.float(), targets.cue_labels),
        "surfaces": dense_cross_entropy(maps.surfaces, targets.surfaces),
        "zones": dense_cross_entropy(maps.zones, targets.zones),
        "sides": dense_cross_entropy(maps.sides, targets.sides),
        "shots": _mean_or_zero(
            functional.cross_entropy(
                maps.shots.float(), targets.shots.clamp(min=0), reduction="none", label_smoothing=weights.shot_smoothing
            ),
            targets.shots != UNKNOWN,
        ),
        "vehicle": known_bce(maps.vehicle.float(), targets.vehicle),
    }


def weighted_sum(terms: dict[str, Tensor], weights: LossWeights) -> Tensor:
    """The scalar to minimise."""
    return torch.stack([getattr(weights, name) * term for name, term in terms.items()]).sum()


def focal_loss(logits: Tensor, masks: Tensor, known: Tensor, gamma: float, *, least_cells: float = 64.0) -> Tensor:
    """Focal loss of dense cue logits (Lin et al. 2017), a mean over the cues that have a known mask.

    A cue's sum is divided by its positive cells in the batch, so that twelve-pixel bolts weigh as much as a whole
    panel; never by fewer than `least_cells`, or a batch without the cue would shout.
    """
    cross_entropy = functional.binary_cross_entropy_with_logits(logits, masks, reduction="none")
    wrongness = (masks - logits.sigmoid()).abs()
    losses = wrongness.pow(gamma) * cross_entropy * known[:, :, None, None]
    positives = (masks * known[:, :, None, None]).sum((0, 2, 3))
    by_cue = losses.sum((0, 2, 3)) / positives.clamp(min=least_cells)
    return _mean_or_zero(by_cue, known.any(0))


def dice_loss(logits: Tensor, masks: Tensor, known: Tensor) -> Tensor:
    """One minus the soft Dice coefficient (Milletari et al. 2016), over photos that show the cue and have its mask."""
    probability = logits.sigmoid()
    overlap = (probability * masks).sum((2, 3))
    size = probability.pow(2).sum((2, 3)) + masks.sum((2, 3))
    return _mean_or_zero(1 - (2 * overlap + 1) / (size + 1), known & masks.flatten(2).any(2))


def known_bce(logits: Tensor, labels: Tensor) -> Tensor:
    """Binary cross entropy over the labels that are not UNKNOWN."""
    losses = functional.binary_cross_entropy_with_logits(logits, labels.clamp(min=0).to(logits.dtype), reduction="none")
    return _mean_or_zero(losses, labels != UNKNOWN)


def dense_cross_entropy(logits: Tensor, classes: Tensor) -> Tensor:
    """Cross entropy over the cells whose class is not IGNORE."""
    total = functional.cross_entropy(logits.float(), classes.long(), ignore_index=IGNORE, reduction="sum")
    return total / (classes != IGNORE).sum().clamp(min=1)


def _mean_or_zero(losses: Tensor, counted: Tensor) -> Tensor:
    return torch.where(counted, losses, torch.zeros_like(losses)).sum() / counted.sum().clamp(min=1)
