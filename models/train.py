"""Train the cue network.

One device:   python -m models.train --recipe configs/training/first.yaml --data SET --out RUN --time-limit-min 7
Several:      torchrun --nproc_per_node=2 -m models.train (the same options)
Run again with the same RUN to go on after a kill. RUN/network.safetensors and RUN/network.json are the result.
"""

from __future__ import annotations

import argparse
import math
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
import torch.distributed as dist
from torch import Tensor, nn
from torch.nn.parallel import DistributedDataParallel
from torch.optim.swa_utils import AveragedModel, get_ema_multi_avg_fn
from torch.utils.data import DataLoader

from models.backbone import load_imagenet
from models.checkpoint import NETWORK, save_network, start_from, write_whole
from models.data import (
    Item,
    PhotoSet,
    Sample,
    StepSampler,
    TrainingPhotos,
    read_set,
    sampling_probability,
    start_worker,
    unpack,
)
from models.losses import loss_terms, weighted_sum
from models.mix_style import add_mix_style
from models.network import Channels, CueNetwork
from models.predictions import Forward, predict
from models.recipe import Recipe
from models.scores import cue_scores
from models.tracking import Tracker
from pipeline.configuration import load
from pipeline.errors import BatchError, ScreeningError
from pipeline.records import DETECTED_CUES

RESUME = "resume.pt"
SYNC_STEPS = 10  # between looks at the clock, the losses and the log: each makes the device wait


@dataclass(frozen=True)
class TrainingJob:
    """One run. `data`: set folders. `device`: cpu or cuda, None for what is there. `store`: MLflow URI or None.

    `keep`: which training photos are used, None for all.
    """

    recipe: Recipe
    data: tuple[Path, ...]
    out: Path
    time_limit_min: float | None = None
    init: Path | None = None
    device: str | None = None
    store: str | None = None
    keep: Callable[[Sample], bool] | None = None


def train(job: TrainingJob) -> Path:
    """Train (or go on training) and return the path of the network written.

    Under torchrun every process calls this; the first one validates and writes. Raises BatchError for unusable data and
    for a run without an end (neither steps nor a time limit).
    """
    recipe = job.recipe
    if recipe.steps is None and job.time_limit_min is None:
        raise BatchError(job.out, "the run has no end", "set `steps` in the recipe or give a time limit")
    team = Team.join(job.device)
    try:
        return _Run(job, team).run()
    finally:
        team.leave()


@dataclass(frozen=True)
class Team:
    """The processes of a run, one a device."""

    rank: int
    size: int
    device: torch.device

    @classmethod
    def join(cls, device: str | None) -> Team:
        kind = device or ("cuda" if torch.cuda.is_available() else "cpu")
        rank, size = int(os.environ.get("RANK", "0")), int(os.environ.get("WORLD_SIZE", "1"))
        place = torch.device(kind, int(os.environ.get("LOCAL_RANK", "0"))) if kind == "cuda" else torch.device(kind)
        if kind == "cuda":
            torch.cuda.set_device(place)
            torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
        if size > 1:
            dist.init_process_group("nccl" if kind == "cuda" else "gloo")
        return cls(rank, size, place)

    def leave(self) -> None:
        if self.size > 1:
            dist.destroy_process_group()

    def agree(self, value: float) -> float:
        """The first process's value, for all."""
        if self.size == 1:
            return value
        shared = torch.tensor([value], dtype=torch.float64, device=self.device)
        dist.broadcast(shared, 0)
        return float(shared)


class _Run:
    def __init__(self, job: TrainingJob, team: Team) -> None:
        self.job, self.recipe, self.team = job, job.recipe, team
        sets = [read_set(folder) for folder in job.data]
        self.training = [
            (photos.split("train").where(job.keep), self.recipe.set_weights.get(photos.name, 1.0)) for photos in sets
        ]
        self.samples = [sample for photos, _ in self.training for sample in photos.samples]
        if not self.samples:
            raise BatchError(", ".join(map(str, job.data)), "there is no photo with split `train`", "check the sets")
        self.validation = validation_photos([photos.split("val") for photos in sets], self.recipe)
        self.channels = Channels(cues=taught_cues(self.recipe, self.samples))

        torch.manual_seed(self.recipe.seed)
        network = CueNetwork(self.channels, width=self.recipe.width, fine_width=self.recipe.fine_width)
        if job.init is not None:
            start_from(network, job.init)
        elif self.recipe.pretrained:
            load_imagenet(network.backbone)
        if self.recipe.mix_style:
            add_mix_style(network, self.recipe.mix_style)
        self.network = network.to(team.device).to(memory_format=torch.channels_last)
        average = warmed_average(self.recipe.average_decay)
        self.average = AveragedModel(self.network, multi_avg_fn=average, use_buffers=True)
        self.optimizer = torch.optim.AdamW(parameter_groups(self.network, self.recipe), betas=(0.9, 0.99))
        self.step, self.elapsed_s, self.validated_s = 0, 0.0, 0.0
        self._resume()
        self.parallel: nn.Module = (
            DistributedDataParallel(
                self.network,
                device_ids=[team.device.index] if team.device.type == "cuda" else None,
                gradient_as_bucket_view=True,
            )
            if team.size > 1
            else self.network
        )

    def run(self) -> Path:
        name = f"{self.recipe.name}-{int(time.time())}"
        if self.team.rank > 0:
            self._steps(None)
            return self.job.out / NETWORK
        with Tracker(self.job.out, name, self.job.store) as tracker:
            tracker.parameters(self._parameters())
            self._steps(tracker)
            scores = self._validate(tracker)
            path = self.job.out / NETWORK
            about = {
                "recipe": self.recipe.model_dump(mode="json"),
                "training": {
                    **self._data_summary(), "steps": self.step, "minutes": round(self.elapsed_s / 60, 2),
                    "devices": self.team.size, "code": code_version(), "validation": scores,
                },
            }  # fmt: skip
            save_network(self._averaged(), path, half=True, about=about)
            tracker.file(path, "network")
            tracker.file(path.with_suffix(".json"), "network")
        return path

    def _steps(self, tracker: Tracker | None) -> None:
        weights = self.recipe.losses
        started = time.monotonic() - self.elapsed_s
        progress = self._progress(started)
        batches = self._batches()
        sums: dict[str, Tensor] = {}
        waited_s, window_s = 0.0, time.monotonic()
        self.network.train()
        while progress < 1:
            rate = learning_rate_factor(progress, self.recipe.warmup)
            for group in self.optimizer.param_groups:
                group["lr"] = rate * group["peak_lr"]
            asked = time.monotonic()
            batch = next(batches)
            waited_s += time.monotonic() - asked
            # Dropout is the same after a resume. Not earlier: a loader's start draws a number, too.
            torch.manual_seed(self.recipe.seed + 1009 * self.step + self.team.rank)
            photos, targets = unpack(batch, len(self.channels.cues))
            if tracker is not None and self.step == 0:
                tracker.file(write_examples(photos, targets.cue_masks, self.job.out / "examples.jpg"), "examples")
            with torch.autocast(self.team.device.type, torch.bfloat16, enabled=self.recipe.precision == "bf16"):
                maps = self.parallel(photos.contiguous(memory_format=torch.channels_last))
            terms = loss_terms(maps, targets, weights)
            loss = weighted_sum(terms, weights)
            self.optimizer.zero_grad(set_to_none=True)
            loss.backward()  # type: ignore[no-untyped-call]
            norm = nn.utils.clip_grad_norm_(self.network.parameters(), self.recipe.clip_norm)
            self.optimizer.step()
            self.average.update_parameters(self.network)
            self.step += 1
            for key, term in {**terms, "sum": loss, "gradient_norm": norm}.items():
                sums[key] = sums.get(key, torch.zeros((), device=self.team.device)) + term.detach()

            if self.step % SYNC_STEPS and self.step != self.recipe.steps:
                progress = self._progress(started) if self.job.time_limit_min is None else progress
                continue
            means = {key: float(value) / (self.step % SYNC_STEPS or SYNC_STEPS) for key, value in sums.items()}
            if not math.isfinite(means["sum"]):
                raise BatchError(self.job.out, f"the loss is not finite at step {self.step}", "lower the learning rate")
            self.elapsed_s = time.monotonic() - started
            if tracker is not None:
                length = time.monotonic() - window_s
                speed = self.team.size * self.recipe.batch * SYNC_STEPS / length
                tracker.metrics(
                    self.step,
                    {f"loss/{key}": value for key, value in means.items()}
                    | {"rate": rate, "photos_per_s": speed, "waiting_share": waited_s / length},
                )
                print(
                    f"step {self.step}  {self.elapsed_s / 60:.2f} min  loss {means['sum']:.3f}  "
                    f"{speed:.0f} photos/s  waiting {waited_s / length:.0%}",
                    flush=True,
                )
            sums = {}
            due = self.elapsed_s - self.validated_s > 60 * self.recipe.validate_every_min
            if self.team.agree(float(due)):
                self.validated_s = self.elapsed_s
                if tracker is not None:
                    self._validate(tracker)
                    self._save()
            waited_s, window_s = 0.0, time.monotonic()
            progress = self._progress(started)
        if tracker is not None:
            self._save()

    def _progress(self, started: float) -> float:
        """Share of the run that is over, by steps and by the first process's clock, whichever is further."""
        by_steps = self.step / self.recipe.steps if self.recipe.steps else 0.0
        if self.job.time_limit_min is None:
            return by_steps
        elapsed = (time.monotonic() - started) / (60 * self.job.time_limit_min)
        return self.team.agree(max(by_steps, elapsed))

    def _batches(self) -> Iterator[Item]:
        workers, ahead = loader_size(self.recipe, self.team.size)
        probability = sampling_probability(self.training, self.channels.cues)
        loader = DataLoader(
            TrainingPhotos(self.samples, self.channels, self.recipe.augmentation),
            batch_sampler=StepSampler(
                probability, self.recipe.batch, seed=self.recipe.seed, rank=self.team.rank, first_step=self.step
            ),
            num_workers=workers,
            worker_init_fn=start_worker,
            pin_memory=self.team.device.type == "cuda",
            prefetch_factor=ahead if workers else None,
        )
        for batch in loader:
            yield {key: value.to(self.team.device, non_blocking=True) for key, value in batch.items()}

    def _averaged(self) -> CueNetwork:
        network = self.average.module
        assert isinstance(network, CueNetwork)
        return network

    def _validate(self, tracker: Tracker) -> dict[str, float]:
        """Scores of the averaged network on the validation photos."""
        if not self.validation:
            return {}
        network = self._averaged().eval()
        forward = torch_forward(network, self.team.device, half=self.recipe.precision == "bf16")
        predictions = predict(forward, self.channels, self.validation, batch=16, threads=min(16, cores()))
        scores = cue_scores(predictions)
        tracker.metrics(self.step, {f"val/{key}": value for key, value in scores.items()})
        shown = "  ".join(f"{key} {value:.3f}" for key, value in scores.items())
        print(f"validation at step {self.step}: {shown}", flush=True)
        return scores

    def _save(self) -> None:
        write_whole(
            self.job.out / RESUME,
            {
                "network": self.network.state_dict(),
                "average": self.average.state_dict(),
                "optimizer": self.optimizer.state_dict(),
                "counters": {"step": self.step, "elapsed_s": self.elapsed_s, "validated_s": self.validated_s},
                "cues": list(self.channels.cues),
            },
        )

    def _resume(self) -> None:
        path = self.job.out / RESUME
        if not path.exists():
            return
        state = torch.load(path, weights_only=True, map_location=self.team.device)
        if state["cues"] != list(self.channels.cues):
            raise BatchError(path, "it belongs to a run with other cues", "choose another output folder")
        self.network.load_state_dict(state["network"])
        self.average.load_state_dict(state["average"])
        self.optimizer.load_state_dict(state["optimizer"])
        self.step, self.elapsed_s = state["counters"]["step"], state["counters"]["elapsed_s"]
        self.validated_s = state["counters"]["validated_s"]

    def _parameters(self) -> dict[str, Any]:
        return {
            "recipe": self.recipe.model_dump(mode="json"),
            "data": self._data_summary(),
            "devices": self.team.size,
            "device": torch.cuda.get_device_name() if self.team.device.type == "cuda" else "cpu",
            "time_limit_min": self.job.time_limit_min,
            "torch": torch.__version__,
            "code": code_version(),
        }

    def _data_summary(self) -> dict[str, Any]:
        return {
            "sets": {photos.name: len(photos.samples) for photos, _ in self.training},
            "validation_photos": len(self.validation),
            "positives": {cue: sum(sample.cues[cue] == 1 for sample in self.samples) for cue in self.channels.cues},
        }


def taught_cues(recipe: Recipe, samples: Sequence[Sample]) -> tuple[str, ...]:
    """The cues to teach: the recipe's, else those that enough training photos show. Raises BatchError for none."""
    if recipe.cues is not None:
        return tuple(cue for cue in DETECTED_CUES if cue in recipe.cues)
    shown = {cue: sum(sample.cues[cue] == 1 for sample in samples) for cue in DETECTED_CUES}
    cues = tuple(cue for cue, count in shown.items() if count >= recipe.least_positives)
    if not cues:
        raise BatchError(recipe.name, f"no cue is on {recipe.least_positives} training photos", "add data or lower it")
    return cues


def validation_photos(sets: Sequence[PhotoSet], recipe: Recipe) -> tuple[Sample, ...]:
    """A fixed draw from the validation splits, at most `validation_photos`, grouped by photo shape as read."""
    samples = [sample for photos in sets for sample in photos.samples]
    if len(samples) > recipe.validation_photos:
        chosen = np.random.default_rng(recipe.seed).choice(len(samples), recipe.validation_photos, replace=False)
        samples = [samples[index] for index in sorted(chosen)]
    return tuple(samples)


def parameter_groups(network: CueNetwork, recipe: Recipe) -> list[dict[str, Any]]:
    """Peak learning rate and decay of each parameter: backbone stages slower the shallower, vectors without decay."""
    stages = 7
    groups: dict[tuple[float, float], list[Tensor]] = {}
    for name, parameter in network.named_parameters():
        factor = 1.0
        if name.startswith("backbone."):
            parts = name.split(".")
            stage = int(parts[2]) if parts[1] == "blocks" else 0
            factor = recipe.backbone_factor * recipe.stage_decay ** (stages - 1 - stage)
        decay = recipe.weight_decay if parameter.ndim > 1 and not name.startswith("pooling.") else 0.0
        groups.setdefault((recipe.learning_rate * factor, decay), []).append(parameter)
    return [
        {"params": parameters, "lr": 0.0, "peak_lr": rate, "weight_decay": decay}
        for (rate, decay), parameters in groups.items()
    ]


def warmed_average(decay: float) -> Callable[[Sequence[Tensor], Sequence[Tensor], Tensor | int], None]:
    """Exponential moving average whose memory grows with the run, so that the random start is soon forgotten."""

    def update(averages: Sequence[Tensor], current: Sequence[Tensor], averaged: Tensor | int) -> None:
        count = int(averaged)
        get_ema_multi_avg_fn(min(decay, (1 + count) / (10 + count)))(averages, current, averaged)  # type: ignore[no-untyped-call]

    return update


def learning_rate_factor(progress: float, warmup: float) -> float:
    """Linear warm-up, then a half cosine to nearly zero; `progress` is the share of the run that is over."""
    if progress < warmup:
        return (progress + 1e-3) / (warmup + 1e-3)
    return 0.01 + 0.99 * 0.5 * (1 + math.cos(math.pi * min(1.0, (progress - warmup) / (1 - warmup))))


def torch_forward(network: CueNetwork, device: torch.device, *, half: bool = False) -> Forward:
    """The network as a function on arrays, for `predict`."""

    def forward(photos: np.ndarray[Any, np.dtype[np.float32]]) -> Mapping[str, np.ndarray[Any, Any]]:
        with torch.inference_mode(), torch.autocast(device.type, torch.bfloat16, enabled=half):
            there = torch.from_numpy(photos).to(device).contiguous(memory_format=torch.channels_last)
            maps = network(there)
        return {name: value.float().cpu().numpy() for name, value in maps._asdict().items()}

    return forward


def write_examples(photos: Tensor, cue_masks: Tensor, path: Path, *, columns: int = 4, rows: int = 3) -> Path:
    """Write a sheet of training photos as the network gets them, cue masks tinted, and return its path."""
    tiles = []
    for photo, masks in zip(photos[: columns * rows].cpu(), cue_masks.cpu(), strict=False):
        tile = (255 * photo.permute(1, 2, 0)).byte().numpy()
        shown = cv2.resize(masks.any(0).byte().numpy(), tile.shape[1::-1], interpolation=cv2.INTER_NEAREST)
        tile[shown > 0] = (0.5 * tile[shown > 0] + (127, 0, 127)).astype(np.uint8)
        tiles.append(cv2.resize(tile, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA))
    tiles += [np.zeros_like(tiles[0])] * (-len(tiles) % columns)
    sheet = np.vstack([np.hstack(tiles[start : start + columns]) for start in range(0, len(tiles), columns)])
    cv2.imwrite(str(path), cv2.cvtColor(sheet, cv2.COLOR_RGB2BGR))
    return path


def cores() -> int:
    """Cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def loader_size(recipe: Recipe, processes: int) -> tuple[int, int]:
    """Loader workers of one process and how many batches each prepares ahead.

    Batches wait in shared memory, which containers often keep small: together they take at most half of what is free.
    """
    workers = recipe.workers if recipe.workers is not None else max(1, cores() // processes - 1)
    shared = Path("/dev/shm")
    if workers == 0 or not shared.exists():
        return workers, 4
    batch_bytes = recipe.batch * recipe.augmentation.height * recipe.augmentation.width * 3.5
    room = int(0.5 * shutil.disk_usage(shared).free / processes / batch_bytes)
    return max(1, min(workers, room)), max(1, min(4, room // workers))


def code_version() -> str:
    """The commit this runs from, or `unknown` outside a checkout."""
    found = subprocess.run(
        ["git", "describe", "--always", "--dirty"],
        capture_output=True,
        text=True,
        check=False,
        cwd=Path(__file__).parent,
    )
    return found.stdout.strip() or "unknown"


def main(arguments: Sequence[str] | None = None) -> int:
    """The command line for machines without the rest of maskline (`maskline model train` does the same)."""
    parser = argparse.ArgumentParser(description="Train the cue network.")
    parser.add_argument("--recipe", type=Path, required=True, help="YAML of configs/training")
    parser.add_argument("--data", type=Path, action="append", required=True, help="set folder; may be repeated")
    parser.add_argument("--out", type=Path, required=True, help="output folder; an unfinished run there goes on")
    parser.add_argument("--time-limit-min", type=float, help="end by the clock, schedule included")
    parser.add_argument(
        "--init", type=Path, help="earlier network to start from: network.safetensors, or an exported folder"
    )
    parser.add_argument("--device", choices=("cpu", "cuda"))
    parser.add_argument("--store", help="MLflow URI, for example sqlite:///mlflow.db")
    chosen = parser.parse_args(arguments)
    try:
        path = train(
            TrainingJob(
                load(chosen.recipe, Recipe), tuple(chosen.data), chosen.out, chosen.time_limit_min, chosen.init,
                chosen.device, chosen.store,
            )
        )  # fmt: skip
    except ScreeningError as error:
        print(error, file=sys.stderr)
        return 1
    print(f"wrote {path}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
