"""Whether the maps explain the scores: they must depend on what was learnt, and what they point at must matter.

Randomisation (Adebayo et al. 2018, "Sanity checks for saliency maps"): a map that looks the same from a network whose
weights were drawn at random explains nothing. Deletion (Petsiuk et al. 2018): when the places a map ranks highest are
taken out of the photo first, the score must fall faster than when others are.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterator, Sequence

import cv2
import numpy as np
import numpy.typing as npt
import torch
from scipy.stats import spearmanr
from torch import Tensor, nn

from models.network import STRIDE, CueNetwork

Floats = npt.NDArray[np.float32]
CASCADE = (("cues",), ("mix_4", "lateral_4", "down_to_fine"), ("mix_8", "lateral_8"), ("mix_16", "lateral_16"),
           ("lateral_32", "context"), ("backbone",))  # fmt: skip
"""Parts of the network from the maps down to the photo, as they are randomised one after the other."""
SHARES = (0.0, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0)
"""Shares of the photo's area that are taken out, most salient first."""


def randomisation(network: CueNetwork, photos: Tensor, *, seed: int = 0) -> dict[str, float]:
    """Likeness of the cue maps before and after randomising, from the top down to the part named (cumulative).

    Mean over photos and cues of the Spearman rank correlation of the cells, 1 for `as it is`; near 0 is sane.
    `photos` (N, 3, H, W) as the network takes them.
    """
    with torch.inference_mode():
        before = network(photos).cues.numpy()
        found = {"as it is": likeness(before, before)}
        for name, changed in randomised(network, seed=seed):
            found[name] = likeness(before, changed(photos).cues.numpy())
    return found


def randomised(network: CueNetwork, *, seed: int = 0) -> Iterator[tuple[str, CueNetwork]]:
    """The network with ever more of it drawn anew, from the maps down, each filter at its own scale.

    The scale stays, so that the maps neither vanish nor saturate: only what was learnt is gone.
    """
    changed = copy.deepcopy(network).eval()
    generator = torch.Generator().manual_seed(seed)
    for parts in CASCADE:
        for part in parts:
            for module in changed.get_submodule(part).modules():
                if isinstance(module, (nn.Conv2d, nn.Linear)):
                    weight = module.weight.data
                    weight.copy_(torch.randn(weight.shape, generator=generator) * weight.std() + weight.mean())
        yield parts[0], changed


def likeness(first: Floats, second: Floats) -> float:
    """Mean Spearman rank correlation of maps (N, C, h, w), map by map; a map without any contrast counts 0."""
    ranks = [
        0.0 if one.min() == one.max() or other.min() == other.max() else float(spearmanr(one, other).statistic)
        for one, other in zip(first.reshape(-1, first[0, 0].size), second.reshape(-1, first[0, 0].size), strict=True)
    ]
    return float(np.mean(ranks))


def deletion(
    score: Callable[[Floats], npt.NDArray[np.floating]],
    photo: Floats,
    heat: Floats,
    *,
    shares: Sequence[float] = SHARES,
) -> float:
    """Mean score while the photo loses what `heat` (h, w) ranks highest; the lower, the better the heat explains it.

    `photo` (3, H, W) in 0 to 1; what is taken out is replaced by the photo blurred beyond recognition, which leaves no
    edges and no colours that were not there. `score` maps photos (N, 3, H, W) to N numbers. The mean is the area under
    the curve of the score over the share taken out.
    """
    order = np.argsort(-heat, axis=None, kind="stable")
    places = np.empty(order.size, np.int64)
    places[order] = np.arange(order.size)
    rank = places.reshape(heat.shape)
    veil = blurred(photo)
    steps = []
    for share in shares:
        gone = np.ascontiguousarray((rank < round(share * order.size)).astype(np.uint8))
        gone = cv2.resize(gone, (photo.shape[2], photo.shape[1]), interpolation=cv2.INTER_NEAREST)
        steps.append(np.where(gone[None] > 0, veil, photo))
    scores = np.asarray(score(np.stack(steps).astype(np.float32)), np.float64)
    return float(np.trapezoid(scores, np.asarray(shares)) / (shares[-1] - shares[0]))


def blurred(photo: Floats) -> Floats:
    """The photo (3, H, W) without anything to recognise: Gaussian, standard deviation a twelfth of the long side."""
    sigma = max(photo.shape[1:]) / 12
    smooth: Floats = cv2.GaussianBlur(np.ascontiguousarray(photo.transpose(1, 2, 0)), (0, 0), sigma).transpose(2, 0, 1)
    return smooth


def overlap_at_true_area(heat: Floats, mask: npt.NDArray[np.bool_]) -> float:
    """Intersection over union of the mask and as many of the hottest cells as it has: no limit to choose."""
    count = int(mask.sum())
    hottest = np.zeros(heat.size, bool)
    hottest[np.argsort(-heat, axis=None, kind="stable")[:count]] = True
    both = int((hottest.reshape(heat.shape) & mask).sum())
    return both / (2 * count - both) if count else float("nan")


def cells_of(mask: npt.NDArray[np.uint8], height: int, width: int) -> npt.NDArray[np.bool_]:
    """A mask of the photo (H, W) as cells (height, width) of the maps: any pixel counts."""
    padded = np.zeros((height * STRIDE, width * STRIDE), np.uint8)
    padded[: mask.shape[0], : mask.shape[1]] = mask[: height * STRIDE, : width * STRIDE]
    cells: npt.NDArray[np.bool_] = padded.reshape(height, STRIDE, width, STRIDE).max((1, 3)) > 0
    return cells
