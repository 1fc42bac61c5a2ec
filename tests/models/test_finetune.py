from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas
import pytest
import torch
from typer.testing import CliRunner

from models.augment import Augmentation
from models.calibrate import calibrate
from models.checkpoint import load_exported, save_network
from models.cli import app
from models.data import read_pixels, read_set
from models.export import export
from models.finetune import (
    FinetuneJob,
    Verdict,
    averaged,
    choose_share,
    finetune,
    install,
    judge,
    label_loss,
    recalibrated,
)
from models.network import Channels, CueNetwork
from models.predictions import predict
from models.recipe import Recipe
from models.replay import shipped_replay, turns, write_replay
from models.train import torch_forward
from models.vehicle_split import split_rows
from pipeline.configuration import load, shipped
from pipeline.errors import BatchError
from pipeline.network import MANIFEST, ONNX, SAFETENSORS
from pipeline.network import CueNetwork as Exported
from tests.models.fake_set import TAUGHT, write_fake_set
from tests.models.made_predictions import made_predictions

CPU = torch.device("cpu")
RECIPE = Recipe(
    name="tiny", steps=40, batch=6, precision="fp32", workers=0, learning_rate=3e-3,
    augmentation=Augmentation(height=64, width=96, least_area=0.8),
)  # fmt: skip


def blank(folder: Path) -> CueNetwork:
    """A network that knows nothing, with norms that fit the drawn photos."""
    samples = read_set(folder).samples[:8]
    torch.manual_seed(0)
    network = CueNetwork(Channels(cues=TAUGHT), width=32, fine_width=16).train()
    photos = torch.stack([torch.from_numpy(read_pixels(sample, TAUGHT)[0].copy()) for sample in samples])
    with torch.no_grad():
        for _ in range(20):
            network(photos.permute(0, 3, 1, 2).float() / 255)
    return network.eval()


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_fake_set(tmp_path_factory.mktemp("data") / "set", 24)


def row(first: float, difference: tuple[float, float, float]) -> dict[str, object]:
    return {"first": first, "second": first + difference[1], "difference": difference, "second_better": 0.5}


def scores(**rows: object) -> dict[str, object]:
    names = {"precision": "mean average precision", "shot": "shot right", "vehicle": "vehicle or not right"}
    return {"scores": {long: rows.get(short) for short, long in names.items()}}


def test_better_means_surely_better_and_nothing_lost() -> None:
    kept = scores(precision=row(0.8, (-0.03, 0.0, 0.02)), shot=row(0.9, (0.0, 0.0, 0.0)))
    sure, unsure, worse = row(0.5, (0.01, 0.2, 0.3)), row(0.5, (-0.01, 0.2, 0.3)), row(0.5, (-0.3, -0.2, -0.1))
    assert judge(scores(precision=sure), kept)[0]
    assert judge(scores(shot=sure, precision=unsure), kept)[0]
    assert not judge(scores(precision=unsure), kept)[0]
    assert not judge(scores(precision=sure, shot=worse), kept)[0]
    assert not judge(scores(), kept)[0]
    better, reasons = judge(scores(precision=sure), scores(precision=row(0.8, (-0.1, -0.03, 0.02))))
    assert not better and "the old skill suffers" in reasons[-1]


def test_the_average_lies_between_the_two_networks(data: Path) -> None:
    old, new = blank(data), blank(data)
    with torch.no_grad():
        for parameter in new.parameters():
            parameter += 1
    mixed = averaged(old, new, 0.25)
    for name, tensor in old.state_dict().items():
        if tensor.is_floating_point():
            assert torch.allclose(mixed.state_dict()[name], 0.75 * tensor + 0.25 * new.state_dict()[name], atol=1e-5)
    same = averaged(old, new, 0.0).state_dict()
    assert all(torch.equal(same[name], tensor) for name, tensor in old.state_dict().items())


def test_what_spoils_the_replayed_photos_is_not_taken(data: Path) -> None:
    samples = read_set(data).samples[:6]
    old, broken = blank(data), blank(data)
    with torch.no_grad():
        broken.pooling.offset += 40  # sees every cue everywhere
    assert label_loss(broken, samples, CPU) > 5 * label_loss(old, samples, CPU)
    assert choose_share(old, broken, samples, samples, CPU) == 0.0


def test_the_shipped_recipe_and_the_shipped_photos_hold() -> None:
    assert load(shipped("training", "finetune.yaml"), Recipe).steps == 150
    replay = read_set(shipped_replay())
    vehicles = [{sample.vehicle for sample in replay.split(name).samples} for name in ("train", "val", "test")]
    assert all(vehicles) and not vehicles[0] & vehicles[1] and not (vehicles[0] | vehicles[1]) & vehicles[2]
    assert sum(path.stat().st_size for path in shipped_replay().rglob("*") if path.is_file()) <= 3_000_000


def test_the_small_set_holds_every_cue_in_turn_and_stays_small(tmp_path: Path) -> None:
    source = write_fake_set(tmp_path / "set", 72)
    samples = read_set(source).samples
    first = turns(samples, np.random.default_rng(0))
    assert len(first) == len(samples)
    assert first[0].cues["overspray_rubber"] == 1 and first[1].cues["painted_fastener"] == 1
    assert not any(first[2].cues[cue] for cue in TAUGHT)
    count = write_replay(source, tmp_path / "small", most_bytes=300_000)
    small = read_set(tmp_path / "small")
    assert count == len(small.samples) < 72
    assert sum(path.stat().st_size for path in (tmp_path / "small").rglob("*") if path.is_file()) <= 300_000
    original = {sample.photo.name: sample for sample in samples}
    for sample in small.samples:
        assert sample.cues == original[sample.photo.name].cues and set(sample.masks) == set(
            original[sample.photo.name].masks
        )
        assert (sample.split == "test") == (original[sample.photo.name].split == "test")
    with pytest.raises(BatchError, match="something already"):
        write_replay(source, tmp_path / "small")


def test_sets_without_held_out_vehicles_are_refused(tmp_path: Path) -> None:
    folder = write_fake_set(tmp_path / "set", 24)
    table = pandas.read_parquet(folder / "images.parquet")
    job = FinetuneJob(tmp_path / "none", (folder,), tmp_path / "run", RECIPE, folder, device="cpu")
    table.assign(split="train").to_parquet(folder / "images.parquet")
    with pytest.raises(BatchError, match="no photo has the split `val`"):
        finetune(job)
    table.assign(vehicle="one").to_parquet(folder / "images.parquet")
    with pytest.raises(BatchError, match="vehicle one is in two splits"):
        finetune(job)
    # the least number of vehicles that is asked for is the least that gives each split one
    for vehicles, filled in ((4, False), (5, True)):
        few = [{"vehicle": f"v{row % vehicles}", "cue_filler": row % 2} for row in range(20)]
        assert ({row["split"] for row in split_rows(few)} == {"train", "val", "test"}) == filled


def test_only_cues_with_enough_labels_are_calibrated_anew() -> None:
    wild, few = made_predictions(600, seed=1, scale=3.0), made_predictions(12, seed=2, scale=3.0)
    old = calibrate(made_predictions(600, seed=3))
    again = recalibrated(old, wild, few)
    assert again.calibration.cues["filler"].scale == pytest.approx(old.calibration.cues["filler"].scale / 3, rel=0.3)
    without_levels = {cue: rates.model_copy(update={"levels": ()}) for cue, rates in old.rates.items()}
    assert again.rates == without_levels  # scores of another calibration, and too few photos to measure new ones
    assert recalibrated(old, few, few).calibration.cues == old.calibration.cues
    assert recalibrated(old, few, few).limits == old.limits


@pytest.mark.slow
def test_a_blank_network_learns_a_users_set_and_says_so(data: Path, tmp_path: Path) -> None:
    network, path, base = blank(data), tmp_path / "network.safetensors", tmp_path / "weights"
    save_network(network, path, half=False, about={})
    found = predict(torch_forward(network, CPU), network.channels, read_set(data).samples)
    export(path, calibrate(found), {}, base, name="blank")
    own = write_fake_set(tmp_path / "own", 96, seed=1)
    replay = write_fake_set(tmp_path / "replay", 48, seed=2)
    verdict = finetune(FinetuneJob(base, (own,), tmp_path / "run", RECIPE, replay, device="cpu"))
    assert verdict.better, verdict.reasons
    assert any(row and row["difference"][0] > 0 for row in verdict.own["scores"].values())
    assert Exported.load(verdict.weights).manifest.name == "blank fine-tuned"
    assert "went on from `blank`" in (verdict.weights / "CARD.md").read_text()
    old, new = load_exported(base), load_exported(verdict.weights)
    assert torch.equal(old.backbone.conv_stem.weight, new.backbone.conv_stem.weight)
    target = tmp_path / "installed"
    target.mkdir()
    for name in (MANIFEST, ONNX, SAFETENSORS):
        (target / name).write_bytes((base / name).read_bytes())
    install(verdict.weights, target)
    assert Exported.load(target).manifest.name == "blank fine-tuned"


def test_a_network_that_is_not_better_replaces_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    verdict = Verdict(False, ("your held-out vehicles: no difference",), tmp_path / "new", 0.0, {}, {})
    monkeypatch.setattr("models.cli.finetune", lambda job, say: verdict)
    for folder, content in ((tmp_path / "new", "new"), (tmp_path / "old", "old")):
        folder.mkdir()
        for name in (MANIFEST, ONNX, SAFETENSORS, "CARD.md"):
            (folder / name).write_text(content)
    arguments = ["train", "--from", str(tmp_path / "old"), "--data", str(tmp_path), "--out", str(tmp_path / "run")]
    done = CliRunner().invoke(app, arguments)
    assert done.exit_code == 0 and "Not shown to be better" in done.output
    done = CliRunner().invoke(app, [*arguments, "--replace"])
    assert done.exit_code == 1 and "the old one stays" in done.output
    assert {path.read_text() for path in (tmp_path / "old").iterdir()} == {"old"}
    monkeypatch.setattr("models.cli.finetune", lambda job, say: replace(verdict, better=True))
    done = CliRunner().invoke(app, [*arguments, "--replace"])
    assert done.exit_code == 0 and {path.read_text() for path in (tmp_path / "old").iterdir()} == {"new"}
