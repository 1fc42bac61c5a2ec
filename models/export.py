"""From a trained network to the folder that screening loads: ONNX, safetensors, card, and last the manifest.

The ONNX graph holds the weights and the normalisation; its batch, height and width are free (multiples of 32).
"""

from __future__ import annotations

import hashlib
import json
import re
import tempfile
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import torch
from safetensors.torch import save_file
from torch import Tensor, nn

from models.calibrate import Calibrated
from models.checkpoint import load_network, read_about, stored
from models.evaluate import show_interval
from models.network import MULTIPLE, STRIDE, Channels, CueMaps, CueNetwork
from models.predictions import PREPROCESS, Forward
from pipeline.errors import WeightsError
from pipeline.network import MANIFEST, ONNX, SAFETENSORS
from pipeline.records import SCHEMA_VERSION

CARD = "CARD.md"
OPSET = 18
TOLERANCE = 2e-3  # largest difference of a logit between eager and exported network, relative to the output's range


class _Outputs(nn.Module):
    def __init__(self, network: CueNetwork) -> None:
        super().__init__()
        self.network = network

    def forward(self, photos: Tensor) -> tuple[Tensor, ...]:
        return tuple(self.network(photos))


def write_onnx(network: CueNetwork, path: Path) -> None:
    """Write the network as one ONNX file. Raises WeightsError when it does not compute what the network computes."""
    network = network.cpu().eval()
    batch = torch.export.Dim("batch", min=1, max=256)
    rows, columns = torch.export.Dim("rows", min=1, max=256), torch.export.Dim("columns", min=1, max=256)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the exporter's own deprecations
        program = torch.onnx.export(
            _Outputs(network).eval(),
            (torch.zeros(2, 3, 4 * MULTIPLE, 5 * MULTIPLE),),
            dynamo=True,
            opset_version=OPSET,
            input_names=["photos"],
            output_names=list(CueMaps._fields),
            dynamic_shapes={"photos": {0: batch, 2: MULTIPLE * rows, 3: MULTIPLE * columns}},
            verbose=False,
        )
        assert program is not None
        program.optimize()
        program.save(path, external_data=False)
    worst = parity(network, onnx_forward(path), shapes=((1, 2, 3), (3, 4, 2)))
    if worst > TOLERANCE:
        raise WeightsError(path, f"its outputs differ from the network's by {worst:.2g}", "report it; do not ship it")


def parity(network: CueNetwork, forward: Forward, *, shapes: Sequence[tuple[int, int, int]]) -> float:
    """Largest difference between the network and `forward` on random photos, relative to each output's range.

    `shapes`: photos, rows and columns in units of 32 pixels.
    """
    worst = 0.0
    rng = np.random.default_rng(0)
    for photos, rows, columns in shapes:
        batch = rng.random((photos, 3, MULTIPLE * rows, MULTIPLE * columns), np.float32)
        with torch.inference_mode():
            eager = network(torch.from_numpy(batch))._asdict()
        outputs = forward(batch)
        for name, tensor in eager.items():
            wanted = tensor.numpy()
            if outputs[name].shape != wanted.shape:
                return float("inf")
            worst = max(worst, float(np.abs(outputs[name] - wanted).max() / max(1.0, np.ptp(wanted))))
    return worst


def onnx_forward(path: Path, *, threads: int | None = None) -> Forward:
    """The exported network on ONNX Runtime, CPU, as a function on arrays."""
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.log_severity_level = 3
    options.intra_op_num_threads = threads or 0
    session = onnxruntime.InferenceSession(str(path), options, providers=["CPUExecutionProvider"])
    names = [output.name for output in session.get_outputs()]

    def forward(photos: npt.NDArray[np.float32]) -> Mapping[str, npt.NDArray[np.floating[Any]]]:
        return dict(zip(names, session.run(names, {"photos": photos}), strict=True))

    return forward


def export(network_path: Path, calibrated: Calibrated, scores: Mapping[str, Any], out: Path, *, name: str) -> Path:
    """Write the folder that screening loads and return the manifest's path.

    `scores`: evaluations by data set, as written by evaluate.py; the card shows these and nothing else.
    """
    network = load_network(network_path)
    about = read_about(network_path)
    out.mkdir(parents=True, exist_ok=True)
    (out / MANIFEST).unlink(missing_ok=True)  # its presence means that the folder is complete
    save_file(stored(network, half=True), out / SAFETENSORS)
    with tempfile.TemporaryDirectory() as folder:
        write_onnx(network, Path(folder) / ONNX)
        (out / ONNX).write_bytes((Path(folder) / ONNX).read_bytes())
    manifest = {
        "schema_version": SCHEMA_VERSION,
        "name": name,
        "created": datetime.now(UTC).isoformat(timespec="seconds"),
        "architecture": {
            "backbone": "efficientnet_lite0",
            "stride": STRIDE,
            "width": network.width,
            "fine_width": network.fine_width,
        },
        **_channels(network.channels),
        "preprocess": PREPROCESS.model_dump(),
        **calibrated.model_dump(mode="json"),
        "digests": {file: hashlib.sha256((out / file).read_bytes()).hexdigest() for file in (ONNX, SAFETENSORS)},
        "training": about.get("training", {}),
        "scores": {data: headline(score) for data, score in scores.items()},
    }
    (out / CARD).write_text(model_card(manifest, about, scores), encoding="utf-8")
    (out / MANIFEST).write_text(readable_json(manifest) + "\n", encoding="utf-8")
    return out / MANIFEST


def readable_json(content: Any) -> str:
    """Indented JSON with lists of numbers on one line each: novelty alone holds thousands."""
    lists = re.compile(r"\[\s+(-?[\d.][^\[\]{}\"]*?)\s+\]")
    return lists.sub(lambda found: f"[{', '.join(found[1].replace(',', ' ').split())}]", json.dumps(content, indent=2))


def _channels(channels: Channels) -> dict[str, list[str]]:
    return {name: list(values) for name, values in asdict(channels).items()}


def headline(score: Mapping[str, Any]) -> dict[str, Any]:
    """The few numbers of an evaluation that go into the manifest."""
    keys = ("photos", "mean_average_precision", "peak_inside", "calibration_error", "shot_accuracy")
    return {key: score[key] for key in keys if score.get(key) is not None}


def model_card(manifest: Mapping[str, Any], about: Mapping[str, Any], scores: Mapping[str, Any]) -> str:
    """CARD.md from measured numbers only: what has not been measured is not mentioned."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("models", "templates"), undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["interval"] = show_interval
    return environment.get_template("card.md.j2").render(manifest=manifest, about=about, scores=scores)
