"""What each part of the method is worth: the same training without it, each measured on the same held-out photos.

`configs/training/ablations.yaml` names the variants. All get the same number of steps; several run side by side, on the
devices in turn.
"""

from __future__ import annotations

import json
import multiprocessing
import os
from collections.abc import Callable, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import torch
from pydantic import Field, ValidationError

from models.checkpoint import load_network
from models.data import Sample, read_set
from models.evaluate import mean_precision, mean_precision_within_place, place_numbers, show_interval, tidy, vehicles_of
from models.predictions import Predictions, predict
from models.recipe import Recipe
from models.resampling import RESAMPLES, interval_of
from models.scores import mean_of
from models.train import TrainingJob, cores, torch_forward, train
from pipeline.configuration import Config, load, shipped
from pipeline.errors import BatchError, ConfigError

RESULT = "ablations.json"


class Variant(Config):
    """One training: what is left out of the sets, and what is changed in the recipe."""

    without_sets: tuple[str, ...] = Field(default=(), description="folder names of sets that are left out")
    without_hard_negatives: bool = Field(default=False, description="photos with look-alikes in them are left out")
    recipe: dict[str, Any] = Field(default={}, description="fields of the recipe that differ, nested as there")


class Ablations(Config):
    """`configs/training/ablations.yaml`."""

    recipe: str = Field(description="the recipe that all begin from, by its name in configs/training")
    steps: int = Field(gt=0)
    variants: dict[str, Variant]


@dataclass(frozen=True)
class AblationJob:
    """`data`: sets to train on; `measured`: sets whose split `test` is measured; `device`: cpu, cuda or None.

    `at_once`: variants that run side by side; None: one a device.
    """

    ablations: Ablations
    data: tuple[Path, ...]
    measured: tuple[Path, ...]
    out: Path
    device: str | None = None
    at_once: int | None = None
    resamples: int = RESAMPLES


def read_ablations(path: Path | None = None) -> Ablations:
    """The shipped ones, or those of a file. Raises ConfigError, also for a recipe's field that does not exist."""
    source = path or shipped("training", "ablations.yaml")
    ablations = load(source, Ablations)
    for name, variant in ablations.variants.items():
        try:
            recipe_of(ablations, variant)
        except ValidationError as error:
            fault = error.errors()[0]
            where = ".".join(map(str, fault["loc"]))
            raise ConfigError(source, f"{name}: {where}: {fault['msg']}", "use a field of models/recipe.py") from None
    return ablations


def recipe_of(ablations: Ablations, variant: Variant) -> Recipe:
    """The recipe of one variant. Raises pydantic's ValidationError."""
    base = load(shipped("training", f"{ablations.recipe}.yaml"), Recipe)
    changed = _merged(base.model_dump(), variant.recipe)
    return Recipe.model_validate({**changed, "steps": ablations.steps, "validation_photos": 0})


def ablate(job: AblationJob, *, say: Callable[[str], None] = lambda _: None) -> Path:
    """Train and measure every variant; writes RESULT and the table of the card. Returns RESULT's path.

    A variant measured already is not run again. Raises BatchError for sets that cannot be used.
    """
    job.out.mkdir(parents=True, exist_ok=True)
    for folder in (*job.data, *job.measured):
        read_set(folder)  # a faulty set is named before the first training
    devices = max(1, torch.cuda.device_count()) if job.device != "cpu" else 1
    names = list(job.ablations.variants)
    beside = job.at_once or devices
    if beside == 1:
        measured = [_run_variant(job, name, 0, 1) for name in names]
    else:
        # spawn: a forked process cannot use CUDA
        with ProcessPoolExecutor(beside, multiprocessing.get_context("spawn"), max_tasks_per_child=1) as pool:
            run = partial(_run_variant, job)
            places = [number % devices for number in range(len(names))]
            measured = list(pool.map(run, names, places, [beside] * len(names)))
    result = {"steps": job.ablations.steps, "variants": dict(zip(names, measured, strict=True))}
    path = job.out / RESULT
    path.write_text(json.dumps(tidy(result), indent=2) + "\n", encoding="utf-8")
    say(as_table(result))
    return path


def as_table(result: Mapping[str, Any]) -> str:
    """The result as the card's Markdown table: mean average precision, and within places, by set."""
    sets = list(dict.fromkeys(name for scores in result["variants"].values() for name in scores["measured"]))
    lines = [
        "| training | photos | " + " | ".join(f"{name}: mAP | within place" for name in sets) + " |",
        "| --- " * (2 + 2 * len(sets)) + "|",
    ]
    for name, scores in result["variants"].items():
        cells = [
            show_interval(scores["measured"][data][key])
            for data in sets
            for key in ("mean_average_precision", "mean_average_precision_within_place")
        ]
        lines.append(" | ".join((f"| {name}", str(scores["training_photos"]), *cells)) + " |")
    return "\n".join(lines)


def _run_variant(job: AblationJob, name: str, device: int, beside: int) -> dict[str, Any]:
    out = job.out / name.replace(" ", "-")
    result = out / "scores.json"
    if result.exists():
        found: dict[str, Any] = json.loads(result.read_text(encoding="utf-8"))
        return found
    variant = job.ablations.variants[name]
    recipe = recipe_of(job.ablations, variant)
    if beside > 1:
        os.environ["LOCAL_RANK"] = str(device)  # which device a training process uses, as torchrun says it
        recipe = recipe.model_copy(update={"workers": max(1, cores() // beside - 1)})
    data = tuple(folder for folder in job.data if folder.name not in variant.without_sets)
    if not data:
        raise BatchError(name, "no set is left to train on", "give more sets, or leave out fewer")
    kept = _no_look_alikes if variant.without_hard_negatives else None
    path = train(TrainingJob(recipe, data, out, device=job.device, keep=kept))
    training = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))["training"]
    kind = job.device or ("cuda" if torch.cuda.is_available() else "cpu")
    place = torch.device(kind, device) if kind == "cuda" else torch.device(kind)
    network = load_network(path).to(place).to(memory_format=torch.channels_last)
    forward = torch_forward(network, place, half=kind == "cuda")
    measured = {}
    for folder in job.measured:
        samples = read_set(folder).split("test").samples
        predictions = predict(forward, network.channels, samples, threads=max(1, cores() // beside))
        measured[folder.name] = _scores(predictions, job.resamples)
    scores = {"training_photos": sum(training["sets"].values()), "measured": measured}
    result.write_text(json.dumps(tidy(scores)) + "\n", encoding="utf-8")
    return scores


def _no_look_alikes(sample: Sample) -> bool:
    return not sample.details.get("hard_negatives")


def _scores(predictions: Predictions, resamples: int) -> dict[str, Any]:
    labels, scores, places = predictions.labels, predictions.cue_scores, place_numbers(predictions)
    interval = partial(interval_of, vehicles_of(predictions), resamples=resamples)
    return {
        "photos": len(predictions.samples),
        "mean_average_precision": interval(lambda rows: mean_precision(labels[rows], scores[rows])),
        "mean_average_precision_within_place": interval(
            lambda rows: mean_precision_within_place(labels[rows], scores[rows], places[rows])
        ),
        "peak_inside": interval(lambda rows: mean_of(predictions.peak_inside[rows])),
    }


def _merged(base: dict[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    """`base` with `changes` put in, mapping by mapping."""
    return base | {
        key: _merged(base[key], value) if isinstance(value, Mapping) and isinstance(base.get(key), dict) else value
        for key, value in changes.items()
    }
