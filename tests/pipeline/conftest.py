"""A network of a few known weights, so that what a screening must find in a made photo is known beforehand."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import numpy.typing as npt
import onnx
import pytest
from onnx import TensorProto, helper, numpy_helper

from pipeline.network import SIDES
from pipeline.records import SHOTS, SURFACES, ZONES

# A cue is seen wherever the photo has its full colour: logit +15 there, -15 or less on grey and on the other colours.
CUE_COLOURS = {
    "overspray_rubber": (255, 0, 0),
    "overspray_hidden": (0, 255, 0),
    "painted_fastener": (0, 0, 255),
    "filled_seam": (0, 255, 255),
    "masking_edge": (255, 255, 0),
    "wear_through": (255, 0, 255),
}
# The zone seen at that colour; where a cue has none the network calls the place 'none'.
CUE_ZONES = {
    "overspray_rubber": "door_seal",
    "overspray_hidden": "chassis_rail",
    "painted_fastener": "hinge",
    "filled_seam": "body_seam",
    "masking_edge": "door_shut",
}
# The vehicle's side seen at that colour; elsewhere the network calls it 'none'.
CUE_SIDES = {"painted_fastener": "left", "overspray_rubber": "right"}


def colour_detector(colour: tuple[int, int, int]) -> tuple[list[float], float]:
    """Weights on R, G, B in 0 to 1 and a bias: +15 at one primary or secondary colour, -15 or less at others."""
    lit = [channel > 127 for channel in colour]
    return [30.0 if on else -30.0 for on in lit], -15.0 if sum(lit) == 1 else -45.0


def build_tiny_network(folder: Path) -> Path:
    """Write a network and its manifest to `folder`: cues by colour, a vehicle unless the photo is nearly white.

    Shots by brightness: nearly white is `document`, darker than a sixth is `interior`, all else is `exterior`.
    Surfaces: dark is `rubber`, light is `paint`.
    """
    cues, zones = list(CUE_COLOURS), ["none", *ZONES]
    detectors = {cue: colour_detector(colour) for cue, colour in CUE_COLOURS.items()}
    nothing: tuple[list[float], float] = ([0.0, 0.0, 0.0], 0.0)
    never: tuple[list[float], float] = ([0.0, 0.0, 0.0], -30.0)
    zone_rows = {zone: detectors[cue] for cue, zone in CUE_ZONES.items()}
    surface_rows = {"rubber": ([-10.0] * 3, 6.0), "paint": ([10.0] * 3, -6.0)}
    shot_rows = {"exterior": nothing, "document": ([20.0] * 3, -54.0), "interior": ([-20.0] * 3, 10.0)}
    nodes = [helper.make_node("AveragePool", ["photos"], ["cells"], kernel_shape=[4, 4], strides=[4, 4])]
    nodes.append(helper.make_node("GlobalAveragePool", ["photos"], ["mean"]))
    constants = []

    def convolve(source: str, name: str, rows: list[tuple[list[float], float]]) -> None:
        weights = np.array([row[0] for row in rows], np.float32)[:, :, None, None]
        constants.append(numpy_helper.from_array(weights, f"{name}_weights"))
        constants.append(numpy_helper.from_array(np.array([row[1] for row in rows], np.float32), f"{name}_bias"))
        nodes.append(helper.make_node("Conv", [source, f"{name}_weights", f"{name}_bias"], [name]))

    convolve("cells", "cues", [detectors[cue] for cue in cues])
    convolve("cells", "surfaces", [surface_rows.get(surface, never) for surface in SURFACES])
    convolve("cells", "zones", [nothing if zone == "none" else zone_rows.get(zone, never) for zone in zones])
    side_rows = {side: detectors[cue] for cue, side in CUE_SIDES.items()}
    convolve("cells", "sides", [side_rows.get(side, nothing) for side in SIDES])
    convolve("mean", "shots_map", [shot_rows.get(shot, never) for shot in SHOTS])
    convolve("mean", "vehicle_map", [([-20.0] * 3, 54.0)])
    nodes.append(helper.make_node("GlobalMaxPool", ["cues"], ["cue_peaks"]))
    nodes.append(helper.make_node("Flatten", ["cue_peaks"], ["cue_scores"]))
    nodes.append(helper.make_node("Flatten", ["shots_map"], ["shots"]))
    constants.append(numpy_helper.from_array(np.array([-1], np.int64), "flat"))
    nodes.append(helper.make_node("Reshape", ["vehicle_map", "flat"], ["vehicle"]))
    dense: list[str | int] = ["N", 0, "h", "w"]
    shapes: dict[str, list[str | int]] = {
        "cues": [dense[0], len(cues), *dense[2:]],
        "cue_scores": ["N", len(cues)],
        "surfaces": [dense[0], len(SURFACES), *dense[2:]],
        "zones": [dense[0], len(zones), *dense[2:]],
        "sides": [dense[0], len(SIDES), *dense[2:]],
        "shots": ["N", len(SHOTS)],
        "vehicle": ["N"],
    }
    graph = helper.make_graph(
        nodes,
        "tiny",
        [helper.make_tensor_value_info("photos", TensorProto.FLOAT, ["N", 3, "H", "W"])],
        [helper.make_tensor_value_info(name, TensorProto.FLOAT, shape) for name, shape in shapes.items()],
        constants,
    )
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 17)], ir_version=9)
    onnx.checker.check_model(model)
    content = model.SerializeToString()
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "cue_network.onnx").write_bytes(content)
    write_manifest(folder, {"cue_network.onnx": hashlib.sha256(content).hexdigest()})
    return folder


def write_manifest(folder: Path, digests: Mapping[str, str]) -> None:
    """The manifest of the tiny network, with plain calibration and made-up rates."""
    cues = list(CUE_COLOURS)
    manifest = {
        "schema_version": 1,
        "name": "tiny",
        "created": "2025-01-01T00:00:00Z",
        "architecture": {"backbone": "none", "stride": 4},
        "cues": cues,
        "surfaces": list(SURFACES),
        "zones": ["none", *ZONES],
        "sides": list(SIDES),
        "shots": list(SHOTS),
        "preprocess": {"long_side_px": 1024, "multiple": 32},
        "calibration": {
            "cues": {cue: {"scale": 1.0, "offset": 0.0} for cue in cues},
            "shots": {"temperature": 1.0},
            "vehicle": {"scale": 1.0, "offset": 0.0},
        },
        "limits": dict.fromkeys(cues, 0.5),
        "box_limits": dict.fromkeys(cues, 0.5),
        "rates": {
            cue: {
                "sensitivity": [0.8, 0.9, 0.95],
                "false_alarm": [0.005, 0.01, 0.03],
                "positives": 100,
                "negatives": 400,
            }
            for cue in cues
        },
        "digests": dict(digests),
        "training": {},
        "scores": {},
    }
    (folder / "cue_network.json").write_text(json.dumps(manifest, indent=1), encoding="utf-8")


@pytest.fixture(scope="session")
def tiny_network(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of a network that sees a cue wherever the photo has the cue's colour (`CUE_COLOURS`)."""
    return build_tiny_network(tmp_path_factory.mktemp("tiny_network"))


def made_photo(height: int = 600, width: int = 800, seed: int = 0) -> npt.NDArray[np.uint8]:
    """A crisp, well exposed grey picture with detail at every scale, no two seeds alike; uint8 (height, width, 3)."""
    rng = np.random.default_rng(seed)
    grey = np.zeros((height, width))
    for cells in (3, 8, 24, 80):
        field = rng.random((cells, cells)) / cells**0.5
        rows, columns = np.arange(height) * cells // height, np.arange(width) * cells // width
        grey += field[np.ix_(rows, columns)]
    grey = 60 + 140 * (grey - grey.min()) / np.ptp(grey)
    return np.repeat(grey.astype(np.uint8)[:, :, None], 3, axis=2)
