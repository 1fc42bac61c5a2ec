"""A network on disk: safetensors beside a JSON that says what its channels are. Never a pickle."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any

import torch
from safetensors import SafetensorError
from safetensors.torch import load_file, save_file
from torch import Tensor

from models.network import Channels, CueNetwork
from pipeline.errors import WeightsError
from pipeline.network import MANIFEST, SAFETENSORS

NETWORK = "network.safetensors"


def save_network(network: CueNetwork, path: Path, *, half: bool, about: Mapping[str, Any]) -> None:
    """Write `path` (safetensors) and, last, its JSON. `half` stores the filters as float16, all else as float32."""
    save_file(stored(network, half=half), path)
    content = {"channels": asdict(network.channels), "width": network.width, "fine_width": network.fine_width, **about}
    path.with_suffix(".json").write_text(json.dumps(content, indent=2) + "\n", encoding="utf-8")


def stored(network: CueNetwork, *, half: bool) -> dict[str, Tensor]:
    """The tensors as they go to disk. Vectors (norms, offsets) stay float32: wide in range, and few."""
    return {
        name: (tensor.half() if half and tensor.ndim > 1 else tensor).detach().cpu().contiguous()
        for name, tensor in network.state_dict().items()
        if not name.endswith("num_batches_tracked")
    }


def read_about(path: Path) -> dict[str, Any]:
    """The JSON beside a network. Raises WeightsError when it is missing or broken."""
    try:
        content: dict[str, Any] = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        raise WeightsError(
            path.with_suffix(".json"), "the network's description is missing or broken", "train or copy it again"
        ) from None
    return content


def load_network(path: Path) -> CueNetwork:
    """The network in `path`, for evaluation, float32. Raises WeightsError when files are missing or do not fit."""
    about = read_about(path)
    try:
        channels = Channels(**{name: tuple(values) for name, values in about["channels"].items()})
        network = CueNetwork(channels, width=about["width"], fine_width=about["fine_width"])
        network.load_state_dict(_read(path), strict=False)
    except (KeyError, TypeError, RuntimeError) as error:
        raise WeightsError(
            path, f"the weights do not fit ({str(error)[:120]})", "train or copy the network again"
        ) from None
    return network.eval()


def load_exported(folder: Path) -> CueNetwork:
    """The network of an exported folder (see export.py), for evaluation, float32. Raises WeightsError."""
    try:
        about = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
        channels = Channels(
            **{field.name: tuple(about[field.name]) for field in fields(Channels) if field.name in about}
        )
        network = CueNetwork(
            channels, width=about["architecture"]["width"], fine_width=about["architecture"]["fine_width"]
        )
        network.load_state_dict(_read(folder / SAFETENSORS), strict=False)
    except (OSError, ValueError, KeyError, TypeError, RuntimeError) as error:
        raise WeightsError(folder, f"the weights do not fit ({str(error)[:120]})", "export the network again") from None
    return network.eval()


def start_from(network: CueNetwork, path: Path) -> list[str]:
    """Fill `network` with earlier weights, output channels by their names; returns the tensors left as they were.

    `path`: a run's network.safetensors or an exported folder. A cue the earlier network did not know keeps its fresh
    weights.
    """
    earlier_one = load_exported(path) if path.is_dir() else load_network(path)
    channels, source, target = asdict(earlier_one.channels), earlier_one.state_dict(), network.state_dict()
    left = []
    for name, tensor in target.items():
        if name.endswith("num_batches_tracked"):
            continue
        earlier = source.get(name)
        head = _head_of(name)
        if earlier is not None and head is not None:
            old, new = list(channels[head]), list(getattr(network.channels, head))
            axis = tensor.ndim - 1 if name == "pooling.weights" else 0
            for index, channel in enumerate(new):
                if channel in old and earlier.select(axis, 0).shape == tensor.select(axis, 0).shape:
                    tensor.select(axis, index).copy_(earlier.select(axis, old.index(channel)))
                else:
                    left.append(f"{name}[{channel}]")
        elif earlier is not None and earlier.shape == tensor.shape:
            tensor.copy_(earlier)
        else:
            left.append(name)
    return left


def _head_of(name: str) -> str | None:
    """Which list of channels the tensor's entries belong to, if they do."""
    if name.startswith("pooling.") or name in ("cues.2.weight", "cues.2.bias"):
        return "cues"
    first, _, rest = name.partition(".")
    return first if first in ("surfaces", "zones", "sides", "shots") and rest in ("weight", "bias") else None


def _read(path: Path) -> dict[str, Tensor]:
    try:
        return {name: tensor.float() for name, tensor in load_file(path).items()}
    except (OSError, SafetensorError):
        raise WeightsError(path, "the weights are missing or not safetensors", "name a .safetensors file") from None


def write_whole(path: Path, content: Any) -> None:
    """torch.save so that a kill leaves either the old file or the new one."""
    part = path.with_suffix(".part")
    torch.save(content, part)
    part.replace(path)
