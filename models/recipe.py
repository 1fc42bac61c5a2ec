"""A training recipe: everything that decides a run apart from its data, output folder and time."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from models.augment import Augmentation
from models.losses import LossWeights
from pipeline.configuration import Config


class Recipe(Config):
    """`configs/training/*.yaml`."""

    name: str
    seed: int = 0
    cues: tuple[str, ...] | None = Field(
        default=None, description="cues to teach; None: all that the data shows often enough"
    )
    least_positives: int = Field(default=30, description="a cue on fewer training photos is not taught")
    width: int = Field(default=128, gt=0)
    fine_width: int = Field(default=64, gt=0)
    pretrained: bool = True
    set_weights: dict[str, float] = Field(
        default={}, description="how often a photo of a set is drawn, by folder name; others count 1"
    )
    batch: int = Field(default=48, gt=0, description="photos per device and step")
    steps: int | None = Field(default=None, gt=0, description="None: until the time limit")
    learning_rate: float = 1.5e-3
    backbone_factor: float = Field(default=0.4, description="learning rate of the deepest backbone stage, relative")
    stage_decay: float = Field(default=0.8, description="factor from one backbone stage to the next shallower one")
    weight_decay: float = 0.02
    mix_style: float = Field(default=0, ge=0, le=1, description="share of steps in which photos lend each other style")
    warmup: float = Field(default=0.04, ge=0, lt=1, description="share of the run")
    clip_norm: float = 2.0
    average_decay: float = Field(default=0.998, ge=0, lt=1, description="of the exponential moving average")
    precision: Literal["bf16", "fp32"] = "bf16"
    workers: int | None = Field(default=None, ge=0, description="loader processes per device; None: from the cores")
    validate_every_min: float = 2.0
    validation_photos: int = Field(default=400, ge=0)
    augmentation: Augmentation = Augmentation()
    losses: LossWeights = LossWeights()
