"""Does the loader keep the device busy? Training rate as a share of the rate with data already in memory: a bench.

    python -m tests.models.bench_training --data SET --steps 40

The same network, recipe and step twice: once on one batch that stays on the device, once on batches from the loader,
which decodes and augments as in training. One JSON line; the share to reach on a GPU is 0.8. On a processor the workers
of the loader and the network share the cores, so that the share says little there.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable
from pathlib import Path

import torch
from torch import nn
from torch.utils.data import DataLoader

from models.data import Item, StepSampler, TrainingPhotos, read_set, sampling_probability, start_worker, unpack
from models.losses import loss_terms, weighted_sum
from models.network import Channels, CueNetwork
from models.recipe import Recipe
from models.replay import shipped_replay
from models.train import cores, loader_size
from pipeline.configuration import load, shipped


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--data", type=Path, default=shipped_replay(), help="labelled set; by default the small one")
    parser.add_argument("--recipe", type=Path, default=shipped("training", "first.yaml"))
    parser.add_argument("--steps", type=int, default=40)
    parser.add_argument("--batch", type=int, help="photos a step; by default the recipe's on a GPU, else 2")
    chosen = parser.parse_args()
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    recipe = load(chosen.recipe, Recipe)
    batch = chosen.batch or (recipe.batch if device.type == "cuda" else 2)
    recipe = recipe.model_copy(update={"batch": batch})
    channels = Channels()
    photos = read_set(chosen.data).split("train")
    workers, ahead = loader_size(recipe, 1)
    loader = DataLoader(
        TrainingPhotos(photos.samples, channels, recipe.augmentation),
        batch_sampler=StepSampler(
            sampling_probability([(photos, 1.0)], channels.cues), batch, seed=recipe.seed, rank=0, first_step=0
        ),
        num_workers=workers, worker_init_fn=start_worker, pin_memory=device.type == "cuda",
        prefetch_factor=ahead if workers else None,
    )  # fmt: skip
    step = _stepper(recipe, channels, device)
    batches = iter(loader)
    first = _there(next(batches), device)
    for _ in range(5):  # kernels are chosen and caches filled
        step(first)
    in_memory = _rate(lambda: step(first), chosen.steps, batch, device)
    # The batches that wait already would flatter the loader: they are used up first.
    for _ in range(min(workers * ahead, chosen.steps)):
        next(batches)
    from_loader = _rate(lambda: step(_there(next(batches), device)), chosen.steps, batch, device)
    alone = _rate(lambda: next(batches), chosen.steps, batch, device)
    name = torch.cuda.get_device_name() if device.type == "cuda" else "cpu"
    result = {
        "data": chosen.data.name, "photos": len(photos.samples), "batch": batch, "steps": chosen.steps,
        "device": name, "cores": cores(), "workers": workers,
        "photos_per_s_in_memory": round(in_memory, 2), "photos_per_s_from_loader": round(from_loader, 2),
        "photos_per_s_loader_alone": round(alone, 2), "share": round(from_loader / in_memory, 3),
    }  # fmt: skip
    print(json.dumps(result))
    return 0


def _stepper(recipe: Recipe, channels: Channels, device: torch.device) -> Callable[[Item], None]:
    """One step of training as models/train.py takes it."""
    network = CueNetwork(channels, width=recipe.width, fine_width=recipe.fine_width).to(device)
    network = network.to(memory_format=torch.channels_last).train()
    optimizer = torch.optim.AdamW(network.parameters(), lr=1e-4)

    def step(batch: Item) -> None:
        photos, targets = unpack(batch, len(channels.cues))
        with torch.autocast(device.type, torch.bfloat16, enabled=recipe.precision == "bf16" and device.type == "cuda"):
            maps = network(photos.contiguous(memory_format=torch.channels_last))
        loss = weighted_sum(loss_terms(maps, targets, recipe.losses), recipe.losses)
        optimizer.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(network.parameters(), recipe.clip_norm)
        optimizer.step()

    return step


def _there(batch: Item, device: torch.device) -> Item:
    return {key: value.to(device, non_blocking=True) for key, value in batch.items()}


def _rate(work: Callable[[], object], steps: int, batch: int, device: torch.device) -> float:
    """Photos a second, the device waited for."""
    _wait(device)
    started = time.perf_counter()
    for _ in range(steps):
        work()
    _wait(device)
    return steps * batch / (time.perf_counter() - started)


def _wait(device: torch.device) -> None:
    if device.type == "cuda":
        torch.cuda.synchronize()


if __name__ == "__main__":
    sys.exit(main())
