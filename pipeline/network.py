"""The exported network: a photo in, calibrated maps and scores out. ONNX Runtime on the CPU, torch where asked.

Nothing here knows what a cue means; `pipeline.cues` reads the maps. Weights never come from pickles, and their
digest is checked before they are used.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Annotated, Self

import cv2
import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from pipeline.errors import INSTALL_TRAINING, WeightsError
from pipeline.records import ZONES, CueRates, Probability

STRIDE = 4  # the dense maps have one cell for 4 × 4 pixels of the network's input
MOST_ENLARGED = 1.5  # a small photo is not blown up further: it would only look sharper than it is
MANIFEST = "cue_network.json"
ONNX = "cue_network.onnx"
SAFETENSORS = "cue_network.safetensors"
DEVICES = ("cpu", "torch", "cuda")
OUTPUTS = ("cues", "cue_scores", "surfaces", "zones", "shots", "vehicle")
SIDES = ("none", "left", "right")
EXPORT_AGAIN = "export the network again"
INSTALL_AGAIN = "install maskline again or export the network"

Floats = npt.NDArray[np.float32]
Forward = Callable[[Floats], Mapping[str, Floats]]


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore")  # a newer network may say more of itself than is needed here


class Scale(_Part):
    """A logit becomes a probability as sigmoid(scale · logit + offset) (Platt 1999)."""

    scale: float = Field(gt=0)
    offset: float


class ShotTemperature(_Part):
    """Logits become probabilities as softmax(logits / temperature) (Guo et al. 2017)."""

    temperature: float = Field(gt=0)


class Calibration(_Part):
    """From the network's logits to probabilities, fitted on held-out data."""

    cues: dict[str, Scale]
    shots: ShotTemperature
    vehicle: Scale


class Preprocess(_Part):
    """The photo's long side in pixels at the network's input, and what both sides are padded to a multiple of."""

    long_side_px: int = Field(ge=32)
    multiple: int = Field(ge=STRIDE)


class Architecture(_Part):
    """What torch needs to build the network; ONNX has it inside."""

    width: int = Field(default=128, gt=0)
    fine_width: int = Field(default=64, gt=0)


class NoveltyBlock(_Part):
    """A Gaussian of some features, at unit length: a variance along each of a few directions, `rest` elsewhere."""

    mean: tuple[float, ...]
    directions: tuple[tuple[float, ...], ...]
    variances: tuple[Annotated[float, Field(gt=0)], ...]
    rest: float = Field(gt=0)

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if len(self.variances) != len(self.directions) or {len(axis) for axis in self.directions} - {len(self.mean)}:
            raise ValueError("novelty: directions, variances and mean do not fit each other")
        return self

    @cached_property
    def _arrays(self) -> tuple[Floats, Floats, Floats]:
        axes = np.array(self.directions, np.float32).reshape(len(self.variances), len(self.mean))
        return np.array(self.mean, np.float32), axes, np.array(self.variances, np.float32)

    def distance(self, features: Floats) -> Floats:
        """Squared Mahalanobis distance, a feature, of features (..., F) brought to unit length."""
        mean, axes, variances = self._arrays
        centred = features / np.maximum(np.linalg.norm(features, axis=-1, keepdims=True), 1e-9) - mean
        along = centred @ axes.T
        across = centred - along @ axes  # and not the difference of two sums of squares, which cancel
        distance: Floats = ((along**2 / variances).sum(-1) + (across**2).sum(-1) / self.rest) / len(self.mean)
        return distance


class Novelty(_Part):
    """How unlike the vehicles learnt a photo is, by its pooled features (blocks in their order)."""

    blocks: tuple[NoveltyBlock, ...] = Field(min_length=1)
    limit: float = Field(gt=0)

    @property
    def features(self) -> int:
        """How many features the network must give."""
        return sum(len(block.mean) for block in self.blocks)

    def score(self, features: Floats) -> Floats:
        """Novelty of features (..., F): above 1 a photo is unlike anything learnt."""
        start, total = 0, np.zeros(features.shape[:-1], np.float32)
        for block in self.blocks:
            total = total + block.distance(features[..., start : start + len(block.mean)])
            start += len(block.mean)
        score: Floats = total / np.float32(self.limit)
        return score


class Manifest(_Part):
    """What the network says of itself: channels, preprocessing, calibration, limits and measured rates."""

    schema_version: int
    name: str
    created: str
    architecture: Architecture
    cues: tuple[str, ...]
    surfaces: tuple[str, ...]
    zones: tuple[str, ...] = Field(description="'none' first")
    sides: tuple[str, ...] = Field(default=(), description="'none' first; empty where the network tells no sides")
    shots: tuple[str, ...]
    preprocess: Preprocess
    calibration: Calibration
    limits: dict[str, Probability]
    box_limits: dict[str, Probability]
    rates: dict[str, CueRates]
    novelty: Novelty | None = Field(default=None, description="None where nobody fitted it: then no photo is novel")
    digests: dict[str, str]

    @model_validator(mode="after")
    def _complete(self) -> Self:
        for name, has in (
            ("calibration", self.calibration.cues), ("limits", self.limits), ("box_limits", self.box_limits),
        ):  # fmt: skip
            if missing := sorted(set(self.cues) - set(has)):
                raise ValueError(f"{name} lacks {', '.join(missing)}")
        if self.zones[:1] != ("none",):
            raise ValueError("the first zone is not 'none'")
        if self.sides not in ((), SIDES):
            raise ValueError(f"sides are not {', '.join(SIDES)}")
        return self

    @property
    def unknown_zones(self) -> tuple[str, ...]:
        """Zones that the network was not taught: it never shows them, so no photo of them is asked for."""
        return tuple(zone for zone in ZONES if zone not in self.zones)

    @property
    def outputs(self) -> tuple[str, ...]:
        """Names of the network's outputs that are read."""
        return (*OUTPUTS, *(("sides",) if self.sides else ()), *(("features",) if self.novelty else ()))


@dataclass(frozen=True, slots=True)
class NetworkMaps:
    """What the network says of one photo; every number is a calibrated probability.

    The maps cover the whole photo and nothing else, one cell for `scale` × `scale` pixels of the oriented photo.
    `cue_probability` is float32 (cues, h, w); `surfaces` (surfaces, h, w) and `zones` (zones with 'none' first, h,
    w) sum to 1 over the first axis. Channels are in the manifest's order. `cue_scores`, `shots` and `vehicle` are
    of the whole photo. `sides` (3, h, w) is none, the vehicle's left, its right; None where the network tells none.
    `novelty` above 1 says that the photo is unlike anything learnt; None where that was not fitted.
    """

    cue_probability: Floats
    cue_scores: dict[str, float]
    surfaces: Floats
    zones: Floats
    shots: dict[str, float]
    vehicle: float
    scale: float
    sides: Floats | None = None
    novelty: float | None = None


def shipped_weights() -> Path:
    """Folder of the network that comes with maskline."""
    return Path(__file__).parents[1] / "models" / "weights"


@dataclass(frozen=True)
class CueNetwork:
    """A loaded network. `forward` takes float32 (N, 3, H, W), sRGB in 0 to 1, and gives the logits by output name."""

    manifest: Manifest
    forward: Forward

    @classmethod
    def load(cls, folder: Path, *, device: str = "cpu", threads: int | None = None) -> Self:
        """Load the network in `folder`, check its digest and try it once.

        `device`: `cpu` is ONNX Runtime; `torch` is torch, on a GPU if there is one; `cuda` is torch on a GPU or an
        error. `threads` bounds the threads one photo is computed with (`cpu` only; None leaves it to the runtime).
        Raises WeightsError where files are missing, changed or do not fit, or the device is not there.
        """
        manifest = read_manifest(folder)
        if device not in DEVICES:
            raise WeightsError(folder, f"there is no device '{device}'", f"use one of {', '.join(DEVICES)}")
        if device == "cpu":
            forward = _onnx_forward(folder, manifest, threads)
        else:
            forward = _torch_forward(folder, manifest, device)
        _try_out(forward, manifest, folder)
        return cls(manifest, forward)

    def run(self, photos: Sequence[npt.NDArray[np.uint8]]) -> list[NetworkMaps]:
        """Maps of each photo (uint8 (H, W, 3), upright sRGB), in order. Photos of one size go through together."""
        prepared = [prepare(photo, self.manifest.preprocess) for photo in photos]
        groups: dict[tuple[int, ...], list[int]] = {}
        for index, item in enumerate(prepared):
            groups.setdefault(item.pixels.shape, []).append(index)
        maps: dict[int, NetworkMaps] = {}
        for indices in groups.values():
            logits = self.forward(np.stack([prepared[index].pixels for index in indices]))
            for place, index in enumerate(indices):
                maps[index] = self._calibrated({name: value[place] for name, value in logits.items()}, prepared[index])
        return [maps[index] for index in range(len(photos))]

    def _calibrated(self, logits: Mapping[str, Floats], photo: Prepared) -> NetworkMaps:
        manifest, calibration = self.manifest, self.manifest.calibration
        rows, columns = math.ceil(photo.height / STRIDE), math.ceil(photo.width / STRIDE)
        scales = [calibration.cues[cue] for cue in manifest.cues]
        slope = np.array([scale.scale for scale in scales], np.float32)
        offset = np.array([scale.offset for scale in scales], np.float32)
        dense = logits["cues"][:, :rows, :columns] * slope[:, None, None] + offset[:, None, None]
        scores = _sigmoid(logits["cue_scores"] * slope + offset)
        shots = _softmax(logits["shots"] / np.float32(calibration.shots.temperature))
        vehicle = _sigmoid(
            logits["vehicle"] * np.float32(calibration.vehicle.scale) + np.float32(calibration.vehicle.offset)
        )
        return NetworkMaps(
            cue_probability=_sigmoid(dense),
            cue_scores=dict(zip(manifest.cues, scores.tolist(), strict=True)),
            surfaces=_softmax(logits["surfaces"][:, :rows, :columns]),
            zones=_softmax(logits["zones"][:, :rows, :columns]),
            shots=dict(zip(manifest.shots, shots.tolist(), strict=True)),
            vehicle=float(vehicle),
            scale=STRIDE * photo.pixels_per_pixel,
            sides=_softmax(logits["sides"][:, :rows, :columns]) if manifest.sides else None,
            novelty=float(manifest.novelty.score(logits["features"])) if manifest.novelty else None,
        )


@dataclass(frozen=True, slots=True)
class Prepared:
    """A photo as the network takes it: float32 (3, H, W) in 0 to 1.

    `height` × `width` of it is photo, the rest padding. `pixels_per_pixel` is how many of the photo's own pixels one of
    these covers, along one axis.
    """

    pixels: Floats
    height: int
    width: int
    pixels_per_pixel: float


def prepare(photo: npt.NDArray[np.uint8], preprocess: Preprocess) -> Prepared:
    """Bring a uint8 (H, W, 3) photo to the network's size: reduced by area mean, padded right and below by its edge."""
    long_side = max(photo.shape[:2])
    factor = min(preprocess.long_side_px / long_side, MOST_ENLARGED)
    height, width = (max(1, round(side * factor)) for side in photo.shape[:2])
    if (height, width) != photo.shape[:2]:
        photo = cv2.resize(photo, (width, height), interpolation=cv2.INTER_AREA if factor < 1 else cv2.INTER_LINEAR)
    below, right = -height % preprocess.multiple, -width % preprocess.multiple
    padded = cv2.copyMakeBorder(photo, 0, below, 0, right, cv2.BORDER_REPLICATE)
    pixels = np.ascontiguousarray(padded.transpose(2, 0, 1), dtype=np.float32) / np.float32(255)
    return Prepared(pixels, height, width, 1 / factor)


def read_manifest(folder: Path) -> Manifest:
    """What the network in `folder` says of itself, without loading it. Raises WeightsError where that does not hold."""
    path = folder / MANIFEST
    try:
        return Manifest.model_validate_json(path.read_bytes())
    except OSError:
        raise WeightsError(
            path, "the network's manifest is not there", "install maskline again, or name a folder with a network"
        ) from None
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"]) or "content"
        raise WeightsError(
            path, f"the manifest does not hold ({where}: {first['msg'].lower()})", EXPORT_AGAIN
        ) from None


def _checked(path: Path, manifest: Manifest) -> bytes:
    """The bytes of a weights file, once they are known to be the manifest's."""
    try:
        content = path.read_bytes()
    except OSError:
        raise WeightsError(path, "the network's weights are not there", INSTALL_AGAIN) from None
    if hashlib.sha256(content).hexdigest() != manifest.digests.get(path.name):
        raise WeightsError(
            path,
            "the weights are not those of the manifest (digest differs)",
            INSTALL_AGAIN,
        )
    return content


def _onnx_forward(folder: Path, manifest: Manifest, threads: int | None) -> Forward:
    import onnxruntime  # here and not above: the commands that look at no photo start without it

    content = _checked(folder / ONNX, manifest)
    options = onnxruntime.SessionOptions()
    options.log_severity_level = 3  # errors only: its warnings mean nothing to a user
    options.intra_op_num_threads = threads or 0
    try:
        session = onnxruntime.InferenceSession(content, options, providers=["CPUExecutionProvider"])
    except Exception as error:  # the runtime's own exceptions have no common base
        raise WeightsError(folder / ONNX, f"ONNX Runtime cannot load it ({str(error)[:120]})", EXPORT_AGAIN) from None

    def forward(photos: Floats) -> Mapping[str, Floats]:
        return dict(zip(manifest.outputs, session.run(manifest.outputs, {"photos": photos}), strict=True))

    return forward


def _torch_forward(folder: Path, manifest: Manifest, device: str) -> Forward:
    try:
        import torch
        from safetensors.torch import load

        from models.network import Channels
        from models.network import CueNetwork as TorchNetwork
    except ImportError as error:
        raise WeightsError(
            folder, f"{error.name} is not installed", f"{INSTALL_TRAINING}; or use the device cpu"
        ) from None
    if device == "cuda" and not torch.cuda.is_available():
        raise WeightsError(folder, "torch finds no GPU here", "use the device cpu or torch")
    target = "cuda" if torch.cuda.is_available() else "cpu"
    sides = manifest.sides or SIDES  # the network has the head whether or not its manifest vouches for it
    channels = Channels(manifest.cues, manifest.surfaces, manifest.zones, sides, manifest.shots)
    content = _checked(folder / SAFETENSORS, manifest)
    try:
        network = TorchNetwork(channels, width=manifest.architecture.width, fine_width=manifest.architecture.fine_width)
        missing = network.load_state_dict(load(content), strict=False).missing_keys
    except Exception as error:  # safetensors and torch share no base either
        raise WeightsError(folder / SAFETENSORS, f"torch cannot load it ({str(error)[:120]})", EXPORT_AGAIN) from None
    if lost := [name for name in missing if not name.endswith("num_batches_tracked")]:
        raise WeightsError(folder / SAFETENSORS, f"it lacks {lost[0]}", EXPORT_AGAIN)
    network = network.eval().to(target).to(memory_format=torch.channels_last)

    def forward(photos: Floats) -> Mapping[str, Floats]:
        with torch.inference_mode():
            maps = network(torch.from_numpy(photos).to(target, memory_format=torch.channels_last))._asdict()
        return {name: maps[name].float().cpu().numpy() for name in manifest.outputs}

    return forward


def _try_out(forward: Forward, manifest: Manifest, folder: Path) -> None:
    """Run one small grey photo: what does not fit its manifest shows now, not in the middle of a batch."""
    side = math.lcm(32, manifest.preprocess.multiple)
    cells = (side // STRIDE, side // STRIDE)
    shapes: dict[str, tuple[int, ...]] = {
        "cues": (1, len(manifest.cues), *cells),
        "cue_scores": (1, len(manifest.cues)),
        "surfaces": (1, len(manifest.surfaces), *cells),
        "zones": (1, len(manifest.zones), *cells),
        "sides": (1, len(SIDES), *cells),
        "shots": (1, len(manifest.shots)),
        "vehicle": (1,),
        "features": (1, manifest.novelty.features if manifest.novelty else 0),
    }
    try:
        outputs = forward(np.full((1, 3, side, side), 0.5, np.float32))
    except Exception as error:  # the runtimes' own exceptions have no common base
        raise WeightsError(folder, f"the network does not run ({str(error)[:120]})", EXPORT_AGAIN) from None
    for name in manifest.outputs:
        if outputs[name].shape != shapes[name]:
            fault = f"its output '{name}' is {outputs[name].shape} where the manifest needs {shapes[name]}"
            raise WeightsError(folder, fault, EXPORT_AGAIN)


def _sigmoid(values: Floats) -> Floats:
    # through tanh: no overflow for large logits
    probabilities: Floats = np.float32(0.5) * (np.tanh(np.float32(0.5) * values) + np.float32(1))
    return probabilities


def _softmax(logits: Floats) -> Floats:
    """Softmax over the first axis."""
    powers: Floats = np.exp(logits - logits.max(axis=0))
    probabilities: Floats = powers / powers.sum(axis=0)
    return probabilities
