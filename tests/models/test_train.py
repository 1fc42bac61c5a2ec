import json
from dataclasses import asdict
from pathlib import Path
from types import SimpleNamespace

import pytest
import torch
from safetensors.torch import load_file
from typer.testing import CliRunner

from models.augment import Augmentation
from models.checkpoint import load_exported, load_network, save_network, start_from
from models.cli import app
from models.data import read_set
from models.network import Channels, CueNetwork
from models.predictions import predict
from models.recipe import Recipe
from models.scores import cue_scores
from models.tracking import LOG, import_run
from models.train import (
    RESUME,
    TrainingJob,
    learning_rate_factor,
    loader_size,
    main,
    parameter_groups,
    taught_cues,
    torch_forward,
    train,
)
from pipeline.configuration import load, shipped
from pipeline.errors import BatchError, WeightsError
from pipeline.network import shipped_weights
from tests.models.fake_set import TAUGHT, write_fake_set

RECIPE = Recipe(
    name="tiny", least_positives=3, steps=90, batch=8, precision="fp32", workers=0, learning_rate=3e-3,
    average_decay=0.9, validate_every_min=60,
    augmentation=Augmentation(height=96, width=128, least_area=0.6, whole_view=0.95),
)  # fmt: skip


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_fake_set(tmp_path_factory.mktemp("data") / "set", 72)


@pytest.mark.parametrize("name", ["first", "full_view", "finetune"])
def test_the_shipped_recipes_hold(name: str) -> None:
    recipe = load(shipped("training", f"{name}.yaml"), Recipe)
    assert recipe.name == name and recipe.augmentation.hue_deg <= 10


def test_the_rate_warms_up_and_fades() -> None:
    factors = [learning_rate_factor(step / 100, 0.1) for step in range(101)]
    assert factors[0] < 0.02 and max(factors) == pytest.approx(1, abs=1e-3) and factors[100] == pytest.approx(0.01)
    assert factors[:11] == sorted(factors[:11]) and factors[10:] == sorted(factors[10:], reverse=True)


def test_shallow_backbone_stages_learn_slower_and_vectors_do_not_decay() -> None:
    network = CueNetwork(Channels(cues=TAUGHT))
    groups = parameter_groups(network, RECIPE)
    rates = {id(p): (group["peak_lr"], group["weight_decay"]) for group in groups for p in group["params"]}
    named = dict(network.named_parameters())
    assert len(rates) == len(named)
    stem = rates[id(named["backbone.conv_stem.weight"])]
    deep = rates[id(named["backbone.blocks.6.0.conv_pw.weight"])]
    head = rates[id(named["shots.weight"])]
    assert stem[0] < deep[0] < head[0] == RECIPE.learning_rate
    assert head[1] > 0 and rates[id(named["shots.bias"])][1] == rates[id(named["pooling.weights"])][1] == 0


def test_only_cues_that_the_data_shows_are_taught(data: Path) -> None:
    samples = read_set(data).samples
    assert taught_cues(RECIPE, samples) == TAUGHT
    assert taught_cues(RECIPE.model_copy(update={"cues": ("filler",)}), samples) == ("filler",)
    with pytest.raises(BatchError, match="no cue"):
        taught_cues(RECIPE.model_copy(update={"least_positives": 1000}), samples)


def test_the_loader_leaves_room_in_shared_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("models.train.shutil.disk_usage", lambda _: SimpleNamespace(free=64 * 2**20))
    workers, ahead = loader_size(Recipe(name="x", batch=4, workers=8), 1)
    assert workers * ahead * 4 * 512 * 640 * 3.5 <= 32 * 2**20


def test_a_run_without_an_end_or_photos_is_refused(data: Path, tmp_path: Path) -> None:
    with pytest.raises(BatchError, match="no end"):
        train(TrainingJob(RECIPE.model_copy(update={"steps": None}), (data,), tmp_path / "run"))
    folder = write_fake_set(tmp_path / "set", 4)
    (folder / "images.parquet").unlink()
    (folder / "images.csv").write_text("file,split\np000.jpg,test\n")
    with pytest.raises(BatchError, match="split `train`"):
        train(TrainingJob(RECIPE, (folder,), tmp_path / "run"))


def test_earlier_weights_are_taken_over_by_the_names_of_their_channels(tmp_path: Path) -> None:
    torch.manual_seed(3)
    old = CueNetwork(Channels(cues=("painted_fastener", "filler")))
    save_network(old, tmp_path / "old.safetensors", half=False, about={})
    new = CueNetwork(Channels(cues=("overspray_rubber", "filler", "painted_fastener")))
    fresh = new.cues[2].weight[0].clone()
    left = start_from(new, tmp_path / "old.safetensors")
    assert torch.equal(new.cues[2].weight[1:].flip(0), old.cues[2].weight)
    assert torch.equal(new.cues[2].weight[0], fresh)
    assert torch.equal(new.shots.weight, old.shots.weight)
    assert torch.equal(new.backbone.conv_stem.weight, old.backbone.conv_stem.weight)
    assert {name.partition("[")[2] for name in left} == {"overspray_rubber]"}


def test_training_can_begin_from_an_exported_network() -> None:
    network = CueNetwork(Channels())
    left = start_from(network, shipped_weights())
    ours, taught = asdict(network.channels), asdict(load_exported(shipped_weights()).channels)
    fresh = {channel for head in ours for channel in set(ours[head]) - set(taught[head])}
    assert {name.partition("[")[2].rstrip("]") for name in left} == fresh


def test_a_network_comes_back_from_disk_and_a_broken_one_is_named(tmp_path: Path) -> None:
    network = CueNetwork(Channels(cues=TAUGHT)).eval()
    path = tmp_path / "network.safetensors"
    save_network(network, path, half=True, about={"training": {"steps": 1}})
    again = load_network(path)
    assert again.channels == network.channels
    photos = torch.rand(1, 3, 64, 64)
    with torch.inference_mode():
        for ours, theirs in zip(again(photos), network(photos), strict=True):
            assert torch.allclose(ours, theirs, atol=0.02)
    assert path.stat().st_size < 16 * 2**20
    path.write_bytes(b"broken")
    with pytest.raises(WeightsError, match="not safetensors"):
        load_network(path)
    path.with_suffix(".json").unlink()
    with pytest.raises(WeightsError, match="description"):
        load_network(path)


@pytest.mark.slow
def test_a_tiny_set_is_learnt_by_heart(data: Path, tmp_path: Path) -> None:
    path = train(TrainingJob(RECIPE, (data,), tmp_path / "run", device="cpu"))
    network = load_network(path)
    photos = read_set(data).split("val", "test").samples
    scores = cue_scores(predict(torch_forward(network, torch.device("cpu")), network.channels, photos))
    assert scores["map"] > 0.95 and scores["peak_inside"] > 0.9 and scores["shot_accuracy"] > 0.9
    assert (tmp_path / "run" / "examples.jpg").exists()
    kinds = [json.loads(line)["kind"] for line in (tmp_path / "run" / LOG).read_text().splitlines()]
    assert kinds[:2] == ["run", "parameters"] and kinds[-1] == "end" and "metrics" in kinds


@pytest.mark.slow
def test_a_killed_run_goes_on_to_the_same_result(data: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    recipe = RECIPE.model_copy(
        update={
            "steps": 14, "batch": 2, "validation_photos": 0, "validate_every_min": 0.0, "width": 32,
            "augmentation": Augmentation(height=64, width=64),
        }
    )  # fmt: skip
    whole = train(TrainingJob(recipe, (data,), tmp_path / "whole", device="cpu"))

    monkeypatch.setattr("models.train.loss_terms", dying_after(12))
    job = TrainingJob(recipe, (data,), tmp_path / "killed", device="cpu")
    with pytest.raises(KeyboardInterrupt):
        train(job)
    assert torch.load(tmp_path / "killed" / RESUME, weights_only=True)["counters"]["step"] == 10
    monkeypatch.undo()
    again = train(job)
    first, second = load_file(whole), load_file(again)
    assert all(torch.equal(first[name], second[name]) for name in first)


def dying_after(steps: int) -> object:
    from models.losses import loss_terms

    count = 0

    def terms(*arguments: object) -> object:
        nonlocal count
        count += 1
        if count > steps:
            raise KeyboardInterrupt
        return loss_terms(*arguments)  # type: ignore[arg-type]

    return terms


def test_errors_are_one_line_and_exit_code_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    recipe = tmp_path / "recipe.yaml"
    recipe.write_text("name: x\nlearning_rat: 1\n")
    assert main(["--recipe", str(recipe), "--data", str(tmp_path), "--out", str(tmp_path / "run")]) == 1
    message = capsys.readouterr().err
    assert "line 2" in message and message.count("\n") == 1
    result = CliRunner().invoke(app, ["evaluate", str(tmp_path), "--data", str(tmp_path), "--out", str(tmp_path)])
    assert result.exit_code == 1 and "manifest is not there" in result.output
    assert not isinstance(result.exception, WeightsError)


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")  # MLflow's own imports
def test_a_log_can_be_brought_into_a_store(tmp_path: Path) -> None:
    import mlflow

    from models.tracking import Tracker

    picture = tmp_path / "curve.txt"
    picture.write_text("curve")
    with Tracker(tmp_path / "run", "made", None) as tracker:
        tracker.parameters({"recipe": {"seed": 3}})
        tracker.metrics(10, {"loss/sum": 2.0})
        tracker.metrics(20, {"loss/sum": 1.0})
        tracker.file(picture, "curves")
    store = f"sqlite:///{tmp_path}/mlflow.db"
    assert import_run(tmp_path / "run", store) == 2
    client = mlflow.MlflowClient(tracking_uri=store)
    (run,) = client.search_runs([client.get_experiment_by_name("maskline").experiment_id])
    assert run.info.run_name == "made" and run.info.status == "FINISHED"
    assert run.data.params == {"recipe.seed": "3"}
    assert [point.value for point in client.get_metric_history(run.info.run_id, "loss/sum")] == [2.0, 1.0]


def test_a_broken_log_is_named(tmp_path: Path) -> None:
    with pytest.raises(BatchError, match="no log"):
        import_run(tmp_path, "sqlite://")
    (tmp_path / LOG).write_text("{not json\n")
    with pytest.raises(BatchError, match="not JSON"):
        import_run(tmp_path, "sqlite://")
