"""The cue network alone: no files, no losses, no labels. A backbone, a light pyramid, dense maps, two photo heads."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import torch
from torch import Tensor, nn
from torch.nn import functional

from models.backbone import CHANNELS, INPUT_MEAN, INPUT_STD, build_backbone
from pipeline.records import DETECTED_CUES, SHOTS, SURFACES, ZONES

STRIDE = 4
MULTIPLE = 32
SIDES = ("none", "left", "right")


@dataclass(frozen=True)
class Channels:
    """What each output channel stands for, in order. `zones` and `sides` begin with "none"."""

    cues: tuple[str, ...] = DETECTED_CUES
    surfaces: tuple[str, ...] = SURFACES
    zones: tuple[str, ...] = field(default=("none", *ZONES))
    sides: tuple[str, ...] = SIDES
    shots: tuple[str, ...] = SHOTS


class CueMaps(NamedTuple):
    """Raw outputs (logits, not calibrated: see calibrate.py) for photos (N, 3, H, W)."""

    cues: Tensor  # (N, C, H/4, W/4)
    cue_scores: Tensor  # (N, C), pooled from `cues`: the map is the evidence for the score
    surfaces: Tensor  # (N, S, H/4, W/4)
    zones: Tensor  # (N, 1 + Z, H/4, W/4)
    sides: Tensor  # (N, 3, H/4, W/4): none, the vehicle's left, its right
    shots: Tensor  # (N, shots)
    vehicle: Tensor  # (N,)
    features: Tensor  # (N, F) pooled: what the photo heads see, for telling photos unlike anything learnt


class EvidencePooling(nn.Module):
    """Photo-level logit of each cue from its map alone, growing with every pixel of it.

    A weighted sum (weights learnt, never negative) of the peak after 3 × 3 averaging, so that one noisy cell decides
    nothing, and of the log-mean-exp with learnt sharpness, which counts area (Pinheiro and Collobert 2015, eq. 2).
    """

    def __init__(self, cues: int) -> None:
        super().__init__()
        self.sharpness = nn.Parameter(torch.zeros(cues))
        self.weights = nn.Parameter(torch.full((2, cues), -0.5))
        self.offset = nn.Parameter(torch.zeros(cues))

    def forward(self, cues: Tensor) -> Tensor:
        """(N, C, h, w) to (N, C)."""
        cues = cues.float()
        peak = functional.avg_pool2d(cues, 3, stride=1, padding=1, count_include_pad=False).amax((2, 3))
        flat = cues.flatten(2)
        sharpness = (0.5 + functional.softplus(self.sharpness))[None, :, None]
        top = flat.amax(2, keepdim=True)
        area = top + torch.log(torch.exp(sharpness * (flat - top)).mean(2, keepdim=True)) / sharpness
        weights = functional.softplus(self.weights)
        return weights[0] * peak + weights[1] * area.squeeze(2) + self.offset


class CueNetwork(nn.Module):
    """Dense cue, surface, zone and side maps at stride 4, the kind of shot, and whether a vehicle is shown.

    A photo is of no vehicle only if both of the latter say so: `not_vehicle` is weighed by how likely none is shown.

    The heavy convolutions run at stride 8 and coarser; stride 4 gets a light refinement only, since two CPU cores must
    do six photos a second.
    """

    is_not_vehicle: Tensor  # (shots,) 1 at that shot

    def __init__(self, channels: Channels, *, width: int = 128, fine_width: int = 64) -> None:
        super().__init__()
        self.channels, self.width, self.fine_width = channels, width, fine_width
        self.backbone = build_backbone()
        fine, eighth, sixteenth, deepest = CHANNELS
        self.lateral_32 = _conv(deepest, width, 1)
        self.context = nn.Sequential(nn.Linear(deepest, width), nn.ReLU6(inplace=True))
        self.lateral_16 = _conv(sixteenth, width, 1)
        self.mix_16 = nn.Sequential(_conv(width, width, 3), _separable(width, width, 5))
        self.lateral_8 = _conv(eighth, width, 1)
        self.mix_8 = nn.Sequential(_conv(width, width, 3), _separable(width, width, 5))
        self.down_to_fine = _conv(width, fine_width, 1)
        self.lateral_4 = _conv(fine, fine_width, 1)
        self.mix_4 = _separable(fine_width, fine_width, 3)
        cues = nn.Conv2d(fine_width, len(channels.cues), 1)
        assert cues.bias is not None
        nn.init.constant_(cues.bias, -4.0)  # cues are rare: start from "no cue" (Lin et al. 2017, section 4.1)
        self.cues = nn.Sequential(_separable(fine_width, fine_width, 5), _separable(fine_width, fine_width, 3), cues)
        self.surfaces = nn.Conv2d(fine_width, len(channels.surfaces), 1)
        self.zones = nn.Conv2d(width, len(channels.zones), 1)
        self.sides = nn.Conv2d(width, len(channels.sides), 1)
        self.pooling = EvidencePooling(len(channels.cues))
        self.photo = nn.Sequential(nn.Linear(deepest + width, 256), nn.ReLU6(inplace=True), nn.Dropout(0.2))
        self.shots = nn.Linear(256, len(channels.shots))
        self.vehicle = nn.Linear(256, 1)
        is_not_vehicle = torch.tensor([float(shot == "not_vehicle") for shot in channels.shots])
        self.register_buffer("is_not_vehicle", is_not_vehicle, persistent=False)

    def forward(self, photos: Tensor) -> CueMaps:
        """photos: float32 (N, 3, H, W), sRGB in 0 to 1, H and W multiples of 32."""
        at_4, at_8, at_16, at_32 = self.backbone((photos - INPUT_MEAN) / INPUT_STD)
        pooled = at_32.mean((2, 3))
        coarse = self.lateral_32(at_32) + self.context(pooled)[:, :, None, None]
        coarse = self.mix_16(self.lateral_16(at_16) + _double(coarse))
        coarse = self.mix_8(self.lateral_8(at_8) + _double(coarse))
        fine = self.mix_4(self.lateral_4(at_4) + _double(self.down_to_fine(coarse)))
        cues = self.cues(fine)
        features = torch.cat((pooled, coarse.mean((2, 3))), 1)
        photo = self.photo(features)
        vehicle = self.vehicle(photo)  # as it comes, before calibration; so the shots' loss teaches it, too
        return CueMaps(
            cues=cues,
            cue_scores=self.pooling(cues),
            surfaces=self.surfaces(fine),
            zones=_double(self.zones(coarse)),
            sides=_double(self.sides(coarse)),
            shots=self.shots(photo) - functional.softplus(vehicle) * self.is_not_vehicle,
            vehicle=vehicle.squeeze(1),
            features=features,
        )


def _double(maps: Tensor) -> Tensor:
    return functional.interpolate(maps, scale_factor=2.0, mode="bilinear", align_corners=False)


def _conv(inputs: int, outputs: int, size: int, groups: int = 1) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(inputs, outputs, size, padding=size // 2, groups=groups, bias=False),
        nn.BatchNorm2d(outputs),
        nn.ReLU6(inplace=True),
    )


def _separable(inputs: int, outputs: int, size: int) -> nn.Sequential:
    return nn.Sequential(_conv(inputs, inputs, size, groups=inputs), _conv(inputs, outputs, 1))
