import json
from pathlib import Path

import numpy as np
import pytest
import torch
from skimage.data import astronaut

from models.calibrate import Calibrated, calibrate
from models.checkpoint import load_network, save_network
from models.evaluate import evaluate
from models.export import CARD, export, model_card, onnx_forward, parity
from models.network import Channels, CueNetwork
from models.predictions import PREPROCESS
from pipeline.errors import WeightsError
from pipeline.network import MANIFEST, ONNX, SAFETENSORS, prepare, shipped_weights
from pipeline.network import CueNetwork as Exported
from tests.models.made_predictions import CUES, made_predictions


@pytest.fixture(scope="module")
def calibrated() -> Calibrated:
    return calibrate(made_predictions(200, seed=2))


@pytest.fixture(scope="module")
def exported(tmp_path_factory: pytest.TempPathFactory, calibrated: Calibrated) -> Path:
    folder = tmp_path_factory.mktemp("export")
    torch.manual_seed(0)
    network = CueNetwork(Channels(cues=CUES))
    network.train()
    with torch.no_grad():  # norms that are not the fresh ones: folding them must not change the result
        network(torch.rand(4, 3, 64, 64))
    path = folder / "network.safetensors"
    save_network(network, path, half=True, about={})
    export(path, calibrated, {}, folder / "weights", name="made")
    return folder


@pytest.mark.slow
def test_the_exported_network_computes_the_same_at_any_size(exported: Path) -> None:
    network = load_network(exported / "network.safetensors")
    forward = onnx_forward(exported / "weights" / ONNX)
    assert parity(network, forward, shapes=((1, 1, 1), (5, 2, 3), (1, 24, 32))) < 1e-4


@pytest.mark.slow
def test_the_shipped_pair_computes_the_same() -> None:
    """What screening runs, and what a GPU or a researcher goes on from, on a photo that scikit-image carries."""
    photo = np.ascontiguousarray(astronaut())
    first, second = (Exported.load(shipped_weights(), device=device).run([photo])[0] for device in ("cpu", "torch"))
    for one, other in ((first.shots, second.shots), (first.cue_scores, second.cue_scores)):
        assert one == pytest.approx(other, abs=2e-3)
    np.testing.assert_allclose(first.surfaces, second.surfaces, atol=0.02)
    assert first.vehicle == pytest.approx(second.vehicle, abs=2e-3)


def test_screening_loads_what_was_exported(exported: Path) -> None:
    weights = exported / "weights"
    loaded = Exported.load(weights)
    assert loaded.manifest.cues == CUES and loaded.manifest.name == "made"
    photo = np.random.default_rng(0).integers(0, 255, (300, 400, 3), np.uint8)
    (maps,) = loaded.run([photo])
    network = load_network(exported / "network.safetensors")
    with torch.inference_mode():
        logits = network(torch.from_numpy(prepare(photo, PREPROCESS).pixels)[None]).cue_scores[0].numpy()
    scale = loaded.manifest.calibration.cues["filler"]
    assert maps.cue_scores["filler"] == pytest.approx(
        1 / (1 + np.exp(-(scale.scale * logits[0] + scale.offset))), abs=1e-3
    )
    sizes = [(weights / name).stat().st_size for name in (ONNX, SAFETENSORS)]
    assert sum(sizes) < 25 * 2**20


@pytest.mark.slow
def test_changed_weights_are_noticed(exported: Path, tmp_path: Path) -> None:
    for name in (ONNX, SAFETENSORS, MANIFEST):
        (tmp_path / name).write_bytes((exported / "weights" / name).read_bytes())
    with (tmp_path / ONNX).open("ab") as file:
        file.write(b"\0")
    with pytest.raises(WeightsError, match="digest"):
        Exported.load(tmp_path)


@pytest.mark.slow
def test_an_unmeasured_network_has_no_numbers_in_its_card(exported: Path) -> None:
    card = (exported / "weights" / CARD).read_text()
    assert "Measured" not in card and "Trained on" in card
    manifest = json.loads((exported / "weights" / MANIFEST).read_text())
    assert manifest["scores"] == {} and manifest["training"] == {}


def test_the_card_shows_what_was_measured(calibrated: Calibrated) -> None:
    score = evaluate(made_predictions(80, seed=3), calibrated, data="held-out", resamples=20)
    manifest = {
        "name": "made", "created": "today", "architecture": {"backbone": "b", "stride": 4}, "cues": CUES,
        "preprocess": {"long_side_px": 1024}, "training": {}, "limits": calibrated.limits,
    }  # fmt: skip
    card = model_card(manifest, {}, {"held-out": score})
    low, mean, high = score["mean_average_precision"]
    assert f"{mean:.3f} ({low:.3f} to {high:.3f})" in card
    assert "### held-out, by cue" in card
