"""`maskline model`: train, calibrate, evaluate and export the network, and bring a run's log into a store."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import Progress

from models.ablate import AblationJob, ablate, read_ablations
from models.calibrate import Calibrated, calibrate, with_rates
from models.checkpoint import load_network
from models.compare import Candidate, compare, write_comparison
from models.data import Sample, read_set
from models.evaluate import evaluate, show_interval, write_evaluation
from models.export import export, onnx_forward
from models.finetune import FinetuneJob, finetune, install
from models.network import Channels
from models.novelty import fit_novelty
from models.predictions import Forward, Predictions, predict
from models.recipe import Recipe
from models.replay import MOST_BYTES, shipped_replay, write_replay
from models.tracking import import_run
from models.train import TrainingJob, cores, torch_forward, train
from pipeline.configuration import load, shipped
from pipeline.errors import BatchError, ScreeningError, WeightsError
from pipeline.network import ONNX, Manifest, shipped_weights
from pipeline.network import CueNetwork as Exported

app = typer.Typer(help="Train, calibrate, evaluate and export the network.", no_args_is_help=True)
errors = Console(stderr=True)

CALIBRATION = "calibration.json"
DEFAULT_STORE = "sqlite:///mlflow.db"
Data = Annotated[list[Path], typer.Option("--data", help="Folder of a labelled set; may be repeated.")]
Device = Annotated[str | None, typer.Option(help="cpu or cuda; by default what is there.")]


@contextmanager
def _told() -> Iterator[None]:
    """Errors a user can meet become one line and exit code 1."""
    try:
        yield
    except ScreeningError as error:
        errors.print(str(error), markup=False, highlight=False, soft_wrap=True)
        raise typer.Exit(1) from None


@app.command("train")
def train_command(
    data: Data,
    out: Annotated[Path, typer.Option(help="Folder of the run; an unfinished run there goes on.")],
    recipe: Annotated[Path | None, typer.Option(help="Recipe (YAML); by default the shipped one.")] = None,
    time_limit_min: Annotated[float | None, typer.Option(help="End by the clock, schedule included.")] = None,
    init: Annotated[
        Path | None, typer.Option(help="Earlier network to start from: network.safetensors, or an exported folder.")
    ] = None,
    base: Annotated[
        str | None, typer.Option("--from", help="Fine-tune this network: `shipped`, or an exported folder.")
    ] = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="With --from: put the new network in its place, if it is better.")
    ] = False,
    device: Device = None,
    store: Annotated[str, typer.Option(help="MLflow store or server.")] = DEFAULT_STORE,
) -> None:
    """Train a network on labelled sets, or fine-tune one with --from.

    Fine-tuning takes minutes on a processor and a few hundred photos, split by vehicle (`maskline data split`). It says
    whether the new network is better on the vehicles of the split `test`; only then does --replace replace the old one.
    """
    if base is not None:
        with _told():
            _finetune(base, data, out, recipe, time_limit_min, replace, device)
        return
    with _told():
        chosen = load(recipe or shipped("training", "first.yaml"), Recipe)
        path = train(TrainingJob(chosen, tuple(data), out, time_limit_min, init, device, store))
    typer.echo(f"wrote {path}")


def _finetune(
    base: str,
    data: list[Path],
    out: Path,
    recipe: Path | None,
    time_limit_min: float | None,
    replace: bool,
    device: str | None,
) -> None:
    folder = shipped_weights() if base == "shipped" else Path(base)
    chosen = load(recipe or shipped("training", "finetune.yaml"), Recipe)
    job = FinetuneJob(folder, tuple(data), out, chosen, shipped_replay(), time_limit_min, device)
    verdict = finetune(job, say=lambda text: typer.echo(text, err=True))
    for reason in verdict.reasons:
        typer.echo(f"{reason[0].upper()}{reason[1:]}.")
    if verdict.better:
        typer.echo(f"Better. The new network: {verdict.weights} (screen with --weights).")
    else:
        typer.echo(f"Not shown to be better. The new network is in {verdict.weights}; the old one stays.")
    if replace:
        if not verdict.better:
            raise WeightsError(
                folder, "the new network is not shown to be better, the old one stays", "label more photos"
            )
        install(verdict.weights, folder)
        typer.echo(f"Replaced the network in {folder}.")


@app.command("replay")
def replay_command(
    source: Annotated[Path, typer.Argument(help="A rendered set with splits.")],
    out: Annotated[Path, typer.Option(help="New folder; what ships is models/replay.")],
    most_mb: Annotated[float, typer.Option(help="Size that the folder may reach.")] = MOST_BYTES / 1e6,
    seed: Annotated[int, typer.Option(min=0, help="Another seed takes other photos.")] = 0,
) -> None:
    """Choose the small set that comes along, with which fine-tuning keeps the old skill."""
    with _told():
        count = write_replay(source, out, most_bytes=round(most_mb * 1e6), seed=seed)
    typer.echo(f"{count} photos in {out}.")


@app.command("calibrate")
def calibrate_command(
    network: Annotated[Path, typer.Argument(help="network.safetensors of a run.")],
    data: Data,
    ordinary: Annotated[
        list[Path] | None,
        typer.Option(help="Set of ordinary real photos; no limit lets those of its split `train` through."),
    ] = None,
    device: Device = None,
) -> None:
    """Fit probabilities and limits on the split `val`, measure rates on the split `test`; writes calibration.json.

    What is unlike anything learnt is fitted on the vehicles of the split `train`, its limit on those of `val`.
    """
    with _told():
        channels, forward = _trained(network, device)
        held_out = _predict(channels, forward, _samples(data, "val"), "val")
        usual = _predict(channels, forward, _samples(ordinary, "train"), "ordinary") if ordinary else None
        found = calibrate(held_out, usual)
        found = with_rates(found, _predict(channels, forward, _samples(data, "test"), "test"))
        learnt = _predict(channels, forward, learnt_photos(data), "train")
        found = found.model_copy(update={"novelty": fit_novelty(learnt, held_out)})
        path = network.parent / CALIBRATION
        path.write_text(found.model_dump_json(indent=2) + "\n", encoding="utf-8")
    typer.echo(f"wrote {path}")


@app.command("evaluate")
def evaluate_command(
    weights: Annotated[Path, typer.Argument(help="Exported folder, or a calibrated network.safetensors.")],
    data: Data,
    out: Annotated[Path, typer.Option(help="Folder for evaluation.json and evaluation.html, one below it a set.")],
    split: Annotated[str, typer.Option(help="Which split; sets without splits count as `test`.")] = "test",
    device: Device = None,
) -> None:
    """Measure a network on labelled photos."""
    with _told():
        channels, forward, calibrated = _loaded(weights, device)
        for folder in data:
            predictions = _predict(channels, forward, _samples([folder], split), folder.name)
            score = evaluate(predictions, calibrated, data=folder.name)
            path = write_evaluation(score, out / folder.name)
            typer.echo(
                f"{folder.name}: mean average precision {show_interval(score['mean_average_precision'])}, "
                f"shot right {show_interval(score['shot_accuracy'])}; wrote {path.with_suffix('.html')}"
            )


@app.command("compare")
def compare_command(
    first: Annotated[Path, typer.Argument(help="Exported folder, or a calibrated network.safetensors.")],
    second: Annotated[Path, typer.Argument(help="The other one.")],
    data: Data,
    out: Annotated[Path, typer.Option(help="Folder for comparison.json and comparison.html, one below it a set.")],
    split: Annotated[str, typer.Option(help="Which split; sets without splits count as `test`.")] = "test",
    device: Device = None,
) -> None:
    """Compare two networks on the same photos: the difference, with its interval over draws of vehicles."""
    with _told():
        networks = [_loaded(path, device) for path in (first, second)]
        for folder in data:
            samples = _samples([folder], split)
            one, other = (
                Candidate(str(path), _predict(channels, forward, samples, folder.name), calibrated)
                for path, (channels, forward, calibrated) in zip((first, second), networks, strict=True)
            )
            found = compare(one, other, data=folder.name)
            path = write_comparison(found, out / folder.name)
            told = [
                f"{name} {show_interval(row['difference'])}"
                for name in ("mean average precision", "shot right")
                if (row := found["scores"][name])
            ]
            difference = ", ".join(told) or "these photos cannot tell"
            typer.echo(f"{folder.name}, second minus first: {difference}; wrote {path.with_suffix('.html')}")


@app.command("ablate")
def ablate_command(
    data: Data,
    measure: Annotated[list[Path], typer.Option(help="Set whose split `test` is measured; may be repeated.")],
    out: Annotated[Path, typer.Option(help="Folder of the runs; variants measured there are not run again.")],
    ablations: Annotated[Path | None, typer.Option(help="Variants (YAML); by default the shipped ones.")] = None,
    device: Device = None,
    at_once: Annotated[int | None, typer.Option(min=1, help="Variants side by side; by default one a device.")] = None,
) -> None:
    """Train once without each part of the method, and measure what it is worth."""
    with _told():
        job = AblationJob(read_ablations(ablations), tuple(data), tuple(measure), out, device, at_once)
        path = ablate(job, say=typer.echo)
    typer.echo(f"wrote {path}")


@app.command("export")
def export_command(
    network: Annotated[Path, typer.Argument(help="network.safetensors of a run, calibrated.")],
    out: Annotated[Path, typer.Option(help="Folder that screening loads.")],
    name: Annotated[str, typer.Option(help="Name of the network.")] = "maskline",
    score: Annotated[list[Path] | None, typer.Option(help="evaluation.json for the card; may be repeated.")] = None,
) -> None:
    """Write ONNX, safetensors, manifest and card from a trained and calibrated network."""
    with _told():
        scores = {}
        for path in score or []:
            content = json.loads(path.read_text(encoding="utf-8"))
            scores[content["data"]] = content
        manifest = export(network, _calibration(network), scores, out, name=name)
    typer.echo(f"wrote {manifest}")


@app.command("import-run")
def import_command(
    run: Annotated[Path, typer.Argument(help="Output folder of a training run.")],
    store: Annotated[str, typer.Option(help="MLflow store or server.")] = DEFAULT_STORE,
) -> None:
    """Bring a run made on another machine into an MLflow store."""
    with _told():
        count = import_run(run, store)
    typer.echo(f"{count} numbers taken over into {store}")


def _trained(path: Path, device: str | None) -> tuple[Channels, Forward]:
    import torch

    place = torch.device(device or ("cuda" if torch.cuda.is_available() else "cpu"))
    network = load_network(path).to(place).to(memory_format=torch.channels_last)
    return network.channels, torch_forward(network, place)


def _loaded(weights: Path, device: str | None) -> tuple[Channels, Forward, Calibrated]:
    return _exported(weights) if weights.is_dir() else _run(weights, device)


def _run(path: Path, device: str | None) -> tuple[Channels, Forward, Calibrated]:
    return *_trained(path, device), _calibration(path)


def _calibration(network: Path) -> Calibrated:
    path = network.parent / CALIBRATION
    try:
        return Calibrated.model_validate_json(path.read_bytes())
    except (OSError, ValueError):
        raise WeightsError(path, "the network is not calibrated", "run `maskline model calibrate` first") from None


def _exported(folder: Path) -> tuple[Channels, Forward, Calibrated]:
    manifest: Manifest = Exported.load(folder).manifest  # digest checked, tried once
    channels = Channels(manifest.cues, manifest.surfaces, manifest.zones, shots=manifest.shots)
    calibrated = Calibrated(
        calibration=manifest.calibration, limits=manifest.limits, box_limits=manifest.box_limits, rates=manifest.rates,
        novelty=manifest.novelty,
    )  # fmt: skip
    return channels, onnx_forward(folder / ONNX), calibrated


def _samples(folders: list[Path], split: str) -> list[Sample]:
    samples = [sample for folder in folders for sample in read_set(folder).split(split).samples]
    if not samples:
        raise BatchError(", ".join(map(str, folders)), f"no photo has the split `{split}`", "check the set's table")
    return samples


def learnt_photos(folders: list[Path], *, most: int = 1000) -> list[Sample]:
    """Photos to learn what is familiar from: of each set's split `train`, `most` at most, evenly spaced."""
    chosen: list[Sample] = []
    for folder in folders:
        samples = read_set(folder).split("train").samples
        chosen += samples[:: max(1, -(-len(samples) // most))]
    return chosen


def _predict(channels: Channels, forward: Forward, samples: list[Sample], label: str) -> Predictions:
    with Progress(console=errors, transient=True) as bar:
        task = bar.add_task(label, total=len(samples))
        done: Callable[[int], None] = lambda count: bar.update(task, completed=count)  # noqa: E731
        return predict(forward, channels, samples, threads=min(8, cores()), progress=done)


if __name__ == "__main__":
    app()
