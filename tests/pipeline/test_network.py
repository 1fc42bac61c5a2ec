"""The network's files are checked, its input is prepared and its output calibrated as the manifest says."""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import scipy.special
from hypothesis import given, settings
from hypothesis import strategies as st
from onnx.reference import ReferenceEvaluator

from pipeline.errors import WeightsError
from pipeline.network import CueNetwork, Novelty, Preprocess, prepare
from tests.pipeline.conftest import CUE_COLOURS, made_photo

PREPROCESS = Preprocess(long_side_px=1024, multiple=32)


def copy_with(network: Path, folder: Path, **changes: Any) -> Path:
    """The network's folder with keys of its manifest changed, or left out where the new value is None."""
    shutil.copytree(network, folder)
    path = folder / "cue_network.json"
    manifest = json.loads(path.read_text(encoding="utf-8")) | changes
    path.write_text(json.dumps({k: v for k, v in manifest.items() if v is not None}), encoding="utf-8")
    return folder


def refusal(folder: Path, **options: Any) -> str:
    with pytest.raises(WeightsError) as caught:
        CueNetwork.load(folder, **options)
    message = str(caught.value)
    assert message.endswith(".")
    assert "\n" not in message
    return message


# --- the files ---------------------------------------------------------------------------------------------------


def test_changed_weights_are_refused(tiny_network: Path, tmp_path: Path) -> None:
    folder = copy_with(tiny_network, tmp_path / "copy")
    with (folder / "cue_network.onnx").open("ab") as stream:
        stream.write(b"\0")
    assert "digest differs" in refusal(folder)


def test_missing_files(tiny_network: Path, tmp_path: Path) -> None:
    assert "the network's manifest is not there" in refusal(tmp_path)
    folder = copy_with(tiny_network, tmp_path / "copy")
    (folder / "cue_network.onnx").unlink()
    assert "the network's weights are not there" in refusal(folder)


def test_weights_that_are_no_network(tiny_network: Path, tmp_path: Path) -> None:
    digest = hashlib.sha256(b"nothing").hexdigest()
    folder = copy_with(tiny_network, tmp_path / "copy", digests={"cue_network.onnx": digest})
    (folder / "cue_network.onnx").write_bytes(b"nothing")
    assert "ONNX Runtime cannot load it" in refusal(folder)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"cues": None}, "cues: field required"),
        ({"cues": [*CUE_COLOURS, "filler"]}, "calibration lacks filler"),
        ({"limits": {}}, "limits lacks"),
        ({"box_limits": {"overspray_rubber": 2}}, "box_limits.overspray_rubber"),
        ({"zones": ["hinge", "none"]}, "the first zone is not 'none'"),
        ({"surfaces": ["paint"]}, "its output 'surfaces' is (1, 12, 8, 8) where the manifest needs (1, 1, 8, 8)"),
        ({"shots": ["exterior"]}, "its output 'shots' is"),
        ({"digests": {}}, "digest differs"),
    ],
)
def test_manifest_that_does_not_fit(tiny_network: Path, tmp_path: Path, changes: dict[str, Any], words: str) -> None:
    assert words in refusal(copy_with(tiny_network, tmp_path / "copy", **changes))


def test_broken_manifest(tiny_network: Path, tmp_path: Path) -> None:
    folder = copy_with(tiny_network, tmp_path / "copy")
    (folder / "cue_network.json").write_text("{", encoding="utf-8")
    assert "the manifest does not hold" in refusal(folder)


def test_unknown_keys_of_a_newer_manifest_are_let_through(tiny_network: Path, tmp_path: Path) -> None:
    folder = copy_with(tiny_network, tmp_path / "copy", speed={"photos_per_s": 3}, tasks=["rust"])
    assert CueNetwork.load(folder, threads=1).manifest.name == "tiny"


def test_a_network_that_tells_no_sides_is_used_without_them(tiny_network: Path, tmp_path: Path) -> None:
    network = CueNetwork.load(copy_with(tiny_network, tmp_path / "copy", sides=[]), threads=1)
    assert network.run([made_photo()])[0].sides is None


def test_sides_of_another_order_are_refused(tiny_network: Path, tmp_path: Path) -> None:
    folder = copy_with(tiny_network, tmp_path / "copy", sides=["none", "right", "left"])
    assert "sides are not none, left, right" in refusal(folder)


NOVELTY: dict[str, Any] = {
    "blocks": [{"mean": [0.0, 1.0], "directions": [[1.0, 0.0]], "variances": [4.0], "rest": 1.0}],
    "limit": 0.05,
}


def test_novelty_is_the_distance_of_the_features_in_units_of_the_limit(tiny_network: Path) -> None:
    network = CueNetwork.load(tiny_network, threads=1)
    manifest = network.manifest.model_copy(update={"novelty": Novelty.model_validate(NOVELTY)})
    features = np.array([[6.0, 8.0], [5.0, 0.0]], np.float32)
    knowing = CueNetwork(manifest, lambda photos: {**network.forward(photos), "features": features[: len(photos)]})
    photos = [np.zeros((64, 64, 3), np.uint8)] * 2
    # By hand: at unit length (0.6, 0.8) and (1, 0); (0.6²/4 + 0.2²/1) / 2 features / 0.05 and (1²/4 + 1²/1) / 2 / 0.05
    assert [maps.novelty for maps in knowing.run(photos)] == pytest.approx([1.3, 12.5], rel=1e-5)
    assert network.run(photos)[0].novelty is None


def test_a_network_without_the_features_its_manifest_needs_is_refused(tiny_network: Path, tmp_path: Path) -> None:
    assert "does not run" in refusal(copy_with(tiny_network, tmp_path / "copy", novelty=NOVELTY))
    broken = {"blocks": [{**NOVELTY["blocks"][0], "variances": []}], "limit": 2.0}
    assert "do not fit each other" in refusal(copy_with(tiny_network, tmp_path / "other", novelty=broken))


def test_unknown_device(tiny_network: Path) -> None:
    assert "there is no device 'tpu'; use one of cpu, torch, cuda" in refusal(tiny_network, device="tpu")


# --- the input ---------------------------------------------------------------------------------------------------


@given(st.integers(1, 400), st.integers(1, 400), st.integers(1, 8))
@settings(max_examples=60, deadline=None)
def test_prepared_photo_fits_the_network(height: int, width: int, enlarge: int) -> None:
    height, width = height * enlarge, width * enlarge
    prepared = prepare(np.zeros((height, width, 3), np.uint8), PREPROCESS)
    channels, rows, columns = prepared.pixels.shape
    assert channels == 3
    assert rows % 32 == columns % 32 == 0
    assert 0 <= rows - prepared.height < 32
    assert 0 <= columns - prepared.width < 32
    assert max(prepared.height, prepared.width) <= 1024
    assert prepared.pixels_per_pixel >= 1 / 1.5
    assert max(prepared.height, prepared.width) == round(max(height, width) / prepared.pixels_per_pixel)


def test_reducing_takes_the_mean_of_the_area() -> None:
    photo = np.random.default_rng(0).integers(0, 256, (1536, 2048, 3), dtype=np.uint8)
    prepared = prepare(photo, PREPROCESS)
    wanted = photo.reshape(768, 2, 1024, 2, 3).mean(axis=(1, 3)).transpose(2, 0, 1) / 255
    assert prepared.pixels.dtype == np.float32
    assert np.abs(prepared.pixels - wanted).max() <= 0.51 / 255  # the mean is rounded to 8 bits
    assert prepared.pixels_per_pixel == 2


def test_padding_repeats_the_edge_on_the_right_and_below() -> None:
    photo = made_photo(700, 1000)
    prepared = prepare(cv2.resize(photo, (1000, 700)), Preprocess(long_side_px=1000, multiple=32))
    assert prepared.pixels.shape == (3, 704, 1024)
    assert np.array_equal(prepared.pixels[:, :700, :1000], photo.transpose(2, 0, 1) / np.float32(255))
    assert np.array_equal(prepared.pixels[:, :, 1000:], np.repeat(prepared.pixels[:, :, 999:1000], 24, axis=2))
    assert np.array_equal(prepared.pixels[:, 700:], np.repeat(prepared.pixels[:, 699:700], 4, axis=1))


# --- the output --------------------------------------------------------------------------------------------------


def coloured(height: int, width: int) -> np.ndarray[Any, np.dtype[np.uint8]]:
    photo = made_photo(height, width)
    photo[40:120, 40:140] = CUE_COLOURS["overspray_rubber"]
    return photo


def test_output_is_the_networks_calibrated(tiny_network: Path, tmp_path: Path) -> None:
    """References: onnx's own evaluator for the network, scipy.special for sigmoid and softmax."""
    cues = {cue: {"scale": 0.1 + 0.05 * index, "offset": index - 2.0} for index, cue in enumerate(CUE_COLOURS)}
    calibration = {"cues": cues, "shots": {"temperature": 2.5}, "vehicle": {"scale": 0.2, "offset": -1.0}}
    network = CueNetwork.load(copy_with(tiny_network, tmp_path / "copy", calibration=calibration), threads=1)
    photo = coloured(320, 416)
    maps = network.run([photo])[0]
    prepared = prepare(photo, PREPROCESS)
    reference = ReferenceEvaluator(str(tiny_network / "cue_network.onnx"))
    names = ["cues", "cue_scores", "surfaces", "zones", "shots", "vehicle"]
    logits = dict(zip(names, reference.run(names, {"photos": prepared.pixels[None]}), strict=True))
    rows, columns = -(-prepared.height // 4), -(-prepared.width // 4)
    for index, (cue, scale) in enumerate(cues.items()):
        wanted = scipy.special.expit(scale["scale"] * logits["cues"][0, index, :rows, :columns] + scale["offset"])
        assert np.allclose(maps.cue_probability[index], wanted, atol=1e-5)
        score = scipy.special.expit(scale["scale"] * logits["cue_scores"][0, index] + scale["offset"])
        assert maps.cue_scores[cue] == pytest.approx(score, abs=1e-5)
    for name, dense in (("surfaces", maps.surfaces), ("zones", maps.zones)):
        assert np.allclose(dense, scipy.special.softmax(logits[name][0, :, :rows, :columns], axis=0), atol=1e-5)
    assert np.allclose(list(maps.shots.values()), scipy.special.softmax(logits["shots"][0] / 2.5), atol=1e-5)
    assert maps.vehicle == pytest.approx(scipy.special.expit(0.2 * logits["vehicle"][0] - 1), abs=1e-4)
    assert maps.cue_probability.dtype == maps.surfaces.dtype == maps.zones.dtype == np.float32


def test_maps_cover_the_photo_without_its_padding(tiny_network: Path) -> None:
    maps = CueNetwork.load(tiny_network, threads=1).run([made_photo(600, 1000)])[0]  # 1024 × 614, padded to 640
    assert maps.cue_probability.shape[1:] == maps.zones.shape[1:] == (154, 256)
    assert maps.scale * 256 == 1000
    assert abs(maps.scale * 154 - 600) < maps.scale


def test_photos_of_mixed_sizes_come_back_in_order(tiny_network: Path) -> None:
    network = CueNetwork.load(tiny_network, threads=1)
    photos = [coloured(300, 400), made_photo(400, 300), made_photo(300, 400), coloured(400, 300)]
    together = network.run(photos)
    assert [maps.cue_scores["overspray_rubber"] > 0.5 for maps in together] == [True, False, False, True]
    for photo, maps in zip(photos, together, strict=True):
        alone = network.run([photo])[0]
        assert maps.cue_scores == pytest.approx(alone.cue_scores)
        assert np.allclose(maps.cue_probability, alone.cue_probability)
    assert network.run([]) == []


def test_extreme_shapes_go_through(tiny_network: Path) -> None:
    network = CueNetwork.load(tiny_network, threads=1)
    for shape in ((1, 1), (1, 5000), (3000, 2), (7, 31)):
        maps = network.run([np.zeros((*shape, 3), np.uint8)])[0]
        assert np.isfinite(maps.cue_probability).all()
        assert maps.cue_probability.shape[1] >= 1


# --- torch -------------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_torch_runs_the_same_network(tiny_network: Path, tmp_path: Path) -> None:
    torch = pytest.importorskip("torch")
    safetensors = pytest.importorskip("safetensors.torch")
    pytest.importorskip("timm")
    from models.network import Channels
    from models.network import CueNetwork as TorchNetwork

    manifest = CueNetwork.load(tiny_network, threads=1).manifest
    torch.manual_seed(0)
    network = TorchNetwork(Channels(manifest.cues, manifest.surfaces, manifest.zones, shots=manifest.shots)).eval()
    weights = safetensors.save(dict(network.state_dict()))
    digests = {"cue_network.safetensors": hashlib.sha256(weights).hexdigest()}
    folder = copy_with(tiny_network, tmp_path / "copy", digests=digests)
    (folder / "cue_network.safetensors").write_bytes(weights)
    photo = coloured(120, 160)
    maps = CueNetwork.load(folder, device="torch").run([photo])[0]
    with torch.inference_mode():
        outputs = network(torch.from_numpy(prepare(photo, PREPROCESS).pixels[None]))
    rows, columns = maps.cue_probability.shape[1:]
    wanted = torch.sigmoid(outputs.cues[0, :, :rows, :columns]).numpy()
    assert np.allclose(maps.cue_probability, wanted, atol=1e-4)
    assert list(maps.shots.values()) == pytest.approx(torch.softmax(outputs.shots[0], 0).tolist(), abs=1e-4)
    del network, weights
    state = safetensors.load((folder / "cue_network.safetensors").read_bytes())
    state.pop("vehicle.bias")
    short = safetensors.save(state)
    (folder / "cue_network.safetensors").write_bytes(short)
    digests = {"cue_network.safetensors": hashlib.sha256(short).hexdigest()}
    again = copy_with(folder, tmp_path / "again", digests=digests)
    assert "it lacks vehicle.bias" in refusal(again, device="torch")
    if not torch.cuda.is_available():
        assert "torch finds no GPU here" in refusal(folder, device="cuda")


def test_an_older_network_says_which_zones_it_was_not_taught(tiny_network: Path) -> None:
    manifest = CueNetwork.load(tiny_network).manifest
    older = manifest.model_copy(update={"zones": manifest.zones[:-1]})
    assert manifest.unknown_zones == () and manifest.zones[-1] == "floor" and older.unknown_zones == ("floor",)
