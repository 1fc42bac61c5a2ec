"""MixStyle: while training, photos of a batch lend each other part of their style.

Channel means and deviations of shallow feature maps carry a photo's style (light, camera, renderer), not what it shows.
Mixed between photos, renders with real ones too, they can no longer tell the network what to expect (Zhou et al. 2021,
"Domain generalization with MixStyle", equations 3 to 6; there after the first two of four stages). A photo is changed
alike all over, so that no place of it comes to differ from another.
"""

from __future__ import annotations

from typing import Any

import torch
from torch import Tensor, nn

from models.network import CueNetwork

STAGES = (1, 2)  # of the backbone: those whose maps lie at strides 4 and 8
SHARPNESS = 0.1  # of the beta distribution that shares are drawn from, as published: mostly near 0 and 1


def add_mix_style(network: CueNetwork, probability: float) -> None:
    """Let the backbone of `network` mix styles in this share of its steps, in training only."""

    def hook(stage: nn.Module, _: Any, maps: Tensor) -> Tensor:
        return mix_style(maps) if stage.training and float(torch.rand(())) < probability else maps

    blocks = network.backbone.get_submodule("blocks")
    for place in STAGES:
        blocks.get_submodule(str(place)).register_forward_hook(hook)


def mix_style(maps: Tensor) -> Tensor:
    """Maps (N, C, H, W), each with its channels' means and deviations moved part of the way to another's."""
    values = maps.float()
    mean = values.mean((2, 3), keepdim=True).detach()
    deviation = (values.var((2, 3), keepdim=True) + 1e-6).sqrt().detach()
    count = len(values)
    own = torch.distributions.Beta(SHARPNESS, SHARPNESS).sample((count, 1, 1, 1)).to(values.device)
    other = torch.randperm(count).to(values.device)
    new_mean, new_deviation = own * mean + (1 - own) * mean[other], own * deviation + (1 - own) * deviation[other]
    return ((values - mean) / deviation * new_deviation + new_mean).to(maps.dtype)
