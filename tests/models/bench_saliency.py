"""How well the maps explain the scores, beside Grad-CAM (Selvaraju et al. 2017, by captum): a bench, not a test.

    python -m tests.models.bench_saliency models/weights --data SET --photos 60 --out saliency.json

On photos that show a cue and have its mask: peak inside the mask, overlap at the own area of the mask, and the score
left while the hottest places are deleted (lower is better), for our dense map, Grad-CAM at the backbone and
at the shared layer of stride 8, and for places at random. Differences are paired, intervals resample vehicles.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import torch
from captum.attr import LayerAttribution, LayerGradCam
from scipy.special import expit
from torch import Tensor, nn

from models.checkpoint import load_exported
from models.data import Sample, decode_mask, read_set
from models.network import CueNetwork
from models.predictions import PREPROCESS
from models.resampling import resample
from models.saliency import cells_of, deletion, overlap_at_true_area, randomisation
from pipeline.network import prepare

MEASURES = ("peak inside", "overlap at true area", "score left by deletion")


class CueScores(nn.Module):
    """The photo-level cue logits alone, as captum wants them."""

    def __init__(self, network: CueNetwork) -> None:
        super().__init__()
        self.network = network

    def forward(self, photos: Tensor) -> Tensor:
        return self.network(photos).cue_scores


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("weights", type=Path, help="exported folder")
    parser.add_argument("--data", type=Path, required=True, help="labelled set with masks; its split `test` is used")
    parser.add_argument("--photos", type=int, default=60)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    chosen = parser.parse_args()
    network = load_exported(chosen.weights)
    network.requires_grad_(False)
    samples = [s for s in read_set(chosen.data).split("test").samples if set(s.masks) & set(network.channels.cues)]
    samples = samples[:: max(1, -(-len(samples) // chosen.photos))]
    pixels = [_prepared(sample)[0] for sample in samples[:8]]
    same = [photo for photo in pixels if photo.shape == pixels[0].shape]
    sane = randomisation(network, torch.from_numpy(np.stack(same)))
    network = network.to(chosen.device)
    rows: dict[str, list[list[float]]] = {}
    vehicles: list[str] = []
    for number, sample in enumerate(samples, start=1):
        for values in _measure(network, sample, chosen.device):
            vehicles.append(sample.vehicle)
            for name, row in values.items():
                rows.setdefault(name, []).append(row)
        print(f"{number} of {len(samples)} photos", file=sys.stderr)
    result = {
        "data": chosen.data.name, "photos": len(samples), "sightings": len(vehicles), "randomisation": sane,
        "methods": {name: _intervals(vehicles, np.array(row)) for name, row in rows.items()},
        "our map minus the other": {
            name: _intervals(vehicles, np.array(rows["our map"]) - np.array(row))
            for name, row in rows.items() if name != "our map"
        },
    }  # fmt: skip
    text = json.dumps(result, indent=1)
    if chosen.out:
        chosen.out.write_text(text + "\n", encoding="utf-8")
    print(text)
    return 0


def _measure(network: CueNetwork, sample: Sample, device: str) -> list[dict[str, list[float]]]:
    """For each masked cue: by method, the MEASURES in order."""
    photo, height, width = _prepared(sample)
    here = torch.from_numpy(photo)[None].to(device)
    with torch.inference_mode():
        maps = network(here).cues[0].float().cpu().numpy()
    scores = CueScores(network)
    found = []
    for index, cue in enumerate(network.channels.cues):
        if cue not in sample.masks:
            continue
        mask = cells_of(_mask(sample, cue, height, width), *maps.shape[1:])
        if not mask.any():
            continue
        heats = {
            "our map": maps[index],
            "Grad-CAM, last stage": _grad_cam(scores, network.backbone.blocks[-1], here, index, maps.shape[1:]),
            "Grad-CAM, stride 8": _grad_cam(scores, network.mix_8, here, index, maps.shape[1:]),
            "at random": np.random.default_rng(index).random(maps.shape[1:], np.float32),
        }
        score = _score_of(network, index, device)
        found.append(
            {
                name: [
                    float(mask.flat[int(heat.argmax())]), overlap_at_true_area(heat, mask), deletion(score, photo, heat)
                ]
                for name, heat in heats.items()
            }
        )  # fmt: skip
    return found


def _grad_cam(scores: CueScores, layer: nn.Module, photos: Tensor, cue: int, cells: tuple[int, ...]) -> np.ndarray:
    heat = LayerGradCam(scores, layer).attribute(photos.requires_grad_(True), target=cue, relu_attributions=True)
    enlarged = LayerAttribution.interpolate(heat, tuple(cells), interpolate_mode="bilinear")
    return enlarged[0, 0].detach().float().cpu().numpy()


def _score_of(network: CueNetwork, cue: int, device: str) -> Callable[[np.ndarray], np.ndarray]:
    def score(photos: np.ndarray) -> np.ndarray:
        with torch.inference_mode():
            logits = [network(torch.from_numpy(photo)[None].to(device)).cue_scores[0, cue] for photo in photos]
        return expit(np.array([float(logit) for logit in logits]))

    return score


def _prepared(sample: Sample) -> tuple[np.ndarray, int, int]:
    """Pixels (3, H, W) as the network takes them, and the height and width of the photo in them."""
    found = prepare(cv2.cvtColor(cv2.imread(str(sample.photo)), cv2.COLOR_BGR2RGB), PREPROCESS)
    return found.pixels, found.height, found.width


def _mask(sample: Sample, cue: str, height: int, width: int) -> np.ndarray:
    own = cv2.imread(str(sample.photo)).shape[:2]
    joined = np.maximum.reduce([decode_mask(outline, *own) for outline in sample.masks[cue]])
    return cv2.resize(joined, (width, height), interpolation=cv2.INTER_NEAREST)


def _intervals(vehicles: list[str], values: np.ndarray) -> dict[str, list[float] | None]:
    """(low, mean, high) of each measure."""
    found: dict[str, list[float] | None] = {}
    for column, name in enumerate(MEASURES):
        resampled = resample(vehicles, lambda rows, column=column: float(np.nanmean(values[rows, column])))
        found[name] = [round(value, 4) for value in resampled.interval] if resampled else None
    return found


if __name__ == "__main__":
    sys.exit(main())
