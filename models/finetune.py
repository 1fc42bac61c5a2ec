"""Go on from a trained network with a few hundred photos of one's own, in minutes on a processor, and say what it gave.

The backbone and all norms stay as they are. Half of every batch is replayed from a small set that comes along, so that
the old skill is kept; then old and new weights are averaged (Wortsman et al. 2022), by as much as suits the user's
validation photos without spoiling the replayed ones. Old and new are compared on vehicles that neither has seen, and
only a network that is surely better there, and no worse on the replayed photos, counts as better.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor, nn
from torch.utils.data import DataLoader

from models.calibrate import Calibrated, calibrate, cue_rates, score_levels
from models.checkpoint import NETWORK, load_exported, save_network
from models.compare import Candidate, compare, is_better, is_worse, write_comparison
from models.data import Item, PhotoSet, Sample, StepSampler, TrainingPhotos, read_set, sampling_probability, unpack
from models.export import export
from models.losses import loss_terms, weighted_sum
from models.network import Channels, CueNetwork
from models.novelty import with_limit
from models.predictions import Predictions, predict
from models.recipe import Recipe
from models.train import code_version, learning_rate_factor, torch_forward
from pipeline.errors import BatchError
from pipeline.network import MANIFEST, ONNX, SAFETENSORS
from pipeline.network import CueNetwork as Exported

SHARES_OF_NEW = (0.0, 0.25, 0.5, 0.75, 1.0)
REPLAYED_LOSS_ALLOWED = 1.05  # of the old network's, on replayed validation photos
OLD_SKILL_ALLOWED = 0.02  # drop of a score on replayed test photos
LEAST_LABELS = 10  # of either kind, before a cue is calibrated or its rates measured anew
CALIBRATION = "calibration.json"
VERDICT = "verdict.json"
WEIGHTS = "weights"


@dataclass(frozen=True)
class FinetuneJob:
    """`base`: exported folder. `data`: the user's sets with splits. `replay`: the set that comes along."""

    base: Path
    data: tuple[Path, ...]
    out: Path
    recipe: Recipe
    replay: Path
    time_limit_min: float | None = None
    device: str | None = None


@dataclass(frozen=True)
class Verdict:
    """Whether the new network is better on the user's held-out vehicles and has kept its old skill, and why."""

    better: bool
    reasons: tuple[str, ...]
    weights: Path
    share_of_new: float
    own: Mapping[str, Any]
    replayed: Mapping[str, Any]


def finetune(job: FinetuneJob, *, say: Callable[[str], None] = lambda _: None) -> Verdict:
    """Train, average, calibrate, compare and export to `job.out`.

    Raises BatchError for sets without the three splits, or with a vehicle in two of them.
    """
    started = time.monotonic()
    device = torch.device(job.device or ("cuda" if torch.cuda.is_available() else "cpu"))
    own, replay = [_whole(read_set(folder)) for folder in job.data], read_set(job.replay)
    manifest, old = Exported.load(job.base).manifest, load_exported(job.base)
    job.out.mkdir(parents=True, exist_ok=True)
    new = load_exported(job.base)
    steps = _learn(new, own, replay, job, device, say)
    share = choose_share(old, new, _split(own, "val"), replay.split("val").samples, device)
    say(f"keeps {share:.0%} of what was learnt")
    tuned = averaged(old, new, share)

    def predictions(network: CueNetwork, samples: Sequence[Sample]) -> Predictions:
        network = network.eval().to(device)
        return predict(torch_forward(network, device), network.channels, samples, batch=4)

    base = Calibrated(
        calibration=manifest.calibration, limits=manifest.limits, box_limits=manifest.box_limits, rates=manifest.rates,
        novelty=manifest.novelty,
    )  # fmt: skip
    own_test, replay_test = _split(own, "test"), replay.split("test").samples
    tested = predictions(tuned, own_test)
    held_out = predictions(tuned, (*_split(own, "val"), *replay.split("val").samples))
    calibrated = recalibrated(base, held_out, tested)
    name = f"{manifest.name} fine-tuned"
    pairs = {}
    for label, samples, found in (("own", own_test, tested), ("replayed", replay_test, None)):
        after = found if found is not None else predictions(tuned, samples)
        pairs[label] = compare(
            Candidate(manifest.name, predictions(old, samples), base), Candidate(name, after, calibrated), data=label
        )
        write_comparison(pairs[label], job.out / "comparison" / label)
    better, reasons = judge(pairs["own"], pairs["replayed"])
    training = {
        "went_on_from": manifest.name,
        "sets": {photos.name: len(photos.split("train").samples) for photos in own},
        "positives": {
            cue: sum(sample.cues[cue] == 1 for sample in _split(own, "train")) for cue in tuned.channels.cues
        },
        "steps": steps,
        "minutes": round((time.monotonic() - started) / 60, 2),
        "devices": 1,
        "share_of_new": share,
        "code": code_version(),
    }
    network_path = job.out / NETWORK
    save_network(tuned, network_path, half=True, about={"training": training})
    (job.out / CALIBRATION).write_text(calibrated.model_dump_json(indent=2) + "\n", encoding="utf-8")
    export(network_path, calibrated, {}, job.out / WEIGHTS, name=name)
    verdict = Verdict(better, reasons, job.out / WEIGHTS, share, pairs["own"], pairs["replayed"])
    content = {
        "better": better,
        "reasons": reasons,
        "share_of_new": share,
        **{key: pairs[key]["scores"] for key in pairs},
    }
    (job.out / VERDICT).write_text(json.dumps(content, indent=2) + "\n", encoding="utf-8")
    return verdict


def judge(own: Mapping[str, Any], replayed: Mapping[str, Any]) -> tuple[bool, tuple[str, ...]]:
    """Whether the second network of two comparisons is better, and the reasons in sentences.

    On the user's vehicles one score must be surely better (its whole interval above zero) and none surely worse; on the
    replayed photos no score may drop by more than OLD_SKILL_ALLOWED, nor surely.
    """
    reasons = []
    gains = losses = 0
    for name in ("mean average precision", "shot right", "vehicle or not right"):
        row = own["scores"][name]
        if row is None:
            continue
        low, difference, high = row["difference"]
        gains += is_better(row)
        losses += is_worse(row)
        word = "surely better" if is_better(row) else "surely worse" if is_worse(row) else "not surely different"
        reasons.append(
            f"your held-out vehicles, {name}: {row['first']:.3f} before, {row['second']:.3f} now, "
            f"difference {difference:+.3f} ({low:+.3f} to {high:+.3f}), {word}"
        )
    kept = True
    for name in ("mean average precision", "shot right"):
        row = replayed["scores"][name]
        if row is None:
            continue
        spoilt = row["difference"][1] < -OLD_SKILL_ALLOWED or is_worse(row)
        kept = kept and not spoilt
        reasons.append(
            f"photos that come along, {name}: {row['first']:.3f} before, {row['second']:.3f} now, "
            + ("the old skill suffers" if spoilt else "the old skill is kept")
        )
    if not gains and not losses:
        reasons.append("more labelled vehicles in the split `test` would tell finer differences")
    return gains > 0 and losses == 0 and kept, tuple(reasons)


def averaged(old: CueNetwork, new: CueNetwork, share: float) -> CueNetwork:
    """A network whose weights are `share` of the new and the rest of the old ones."""
    mixed = CueNetwork(old.channels, width=old.width, fine_width=old.fine_width)
    first, second = old.state_dict(), new.state_dict()
    mixed.load_state_dict({name: _mix(first[name], second[name].to(first[name].device), share) for name in first})
    return mixed.eval()


def choose_share(
    old: CueNetwork, new: CueNetwork, own: Sequence[Sample], replayed: Sequence[Sample], device: torch.device
) -> float:
    """The share of new weights with the least loss on the user's validation photos, if the replayed ones allow it."""
    found: dict[float, tuple[float, float]] = {}
    for share in SHARES_OF_NEW:
        network = averaged(old, new, share).to(device)
        found[share] = (label_loss(network, own, device), label_loss(network, replayed, device))
    allowed = found[0.0][1] * REPLAYED_LOSS_ALLOWED
    return min(
        (share for share in found if found[share][1] <= allowed or share == 0.0), key=lambda share: found[share][0]
    )


def label_loss(network: CueNetwork, samples: Sequence[Sample], device: torch.device) -> float:
    """Cross entropy of the photo-level labels, a known label on average, of the whole photos; 0 without any."""
    predictions = predict(torch_forward(network, device), network.channels, samples, batch=4)
    total, count = 0.0, 0
    for logits, labels in ((predictions.cue_scores, predictions.labels), (predictions.vehicle, _visible(predictions))):
        known = ~np.isnan(labels)
        signs = 2 * labels[known] - 1
        total += float(np.logaddexp(0, -signs * logits[known]).sum())
        count += int(known.sum())
    shots = network.channels.shots
    for logits, sample in zip(predictions.shots, predictions.samples, strict=True):
        if sample.shot in shots:
            total += float(np.logaddexp.reduce(logits) - logits[shots.index(sample.shot)])
            count += 1
    return total / max(count, 1)


def recalibrated(base: Calibrated, held_out: Predictions, tested: Predictions) -> Calibrated:
    """The old calibration, anew for cues with enough labels in `held_out`; the same for rates and `tested`.

    No ordinary real photos come along: what raised the old limit of a cue does not raise its new one.
    """
    cues = held_out.channels.cues
    fresh = calibrate(held_out)
    again = [cue for cue in cues if _enough(held_out, cue)]
    scales = {cue: (fresh if cue in again else base).calibration.cues[cue] for cue in cues}
    calibration = base.calibration.model_copy(update={"cues": scales})
    limits = {cue: (fresh if cue in again else base).limits[cue] for cue in cues}
    boxes = {cue: (fresh if cue in again and cue in _masked(held_out) else base).box_limits[cue] for cue in cues}
    old = {
        cue: base.rates[cue].model_copy(update={"levels": () if cue in again else base.rates[cue].levels})
        for cue in cues
    }  # the levels are scores of the calibration that they were set in
    limit_alone = {cue: score_levels(limits[cue], np.zeros(0), np.zeros(0)) for cue in cues}
    levels = {cue: (fresh.rates if cue in again else old)[cue].levels or limit_alone[cue] for cue in cues}
    measured = cue_rates(tested, calibration, levels)
    rates = {cue: (measured if _enough(tested, cue) else old)[cue] for cue in cues}
    novelty = base.novelty and with_limit(base.novelty, held_out)
    return Calibrated(calibration=calibration, limits=limits, box_limits=boxes, rates=rates, novelty=novelty)


def install(weights: Path, target: Path) -> None:
    """Put a network in the place of another; the manifest goes last, so that a half-copied one is noticed."""
    for name in (SAFETENSORS, ONNX, "CARD.md", MANIFEST):
        part = target / f"{name}.part"
        part.write_bytes((weights / name).read_bytes())
        part.replace(target / name)


def _learn(
    network: CueNetwork,
    own: Sequence[PhotoSet],
    replay: PhotoSet,
    job: FinetuneJob,
    device: torch.device,
    say: Callable[[str], None],
) -> int:
    """Teach all but the backbone; returns the steps taken."""
    recipe = job.recipe
    sets = [(photos.split("train"), 1 / (len(own) * len(photos.split("train").samples))) for photos in own]
    sets.append((replay.split("train"), 1 / len(replay.split("train").samples)))
    samples = [sample for photos, _ in sets for sample in photos.samples]
    network.to(device).eval()  # norms keep what they know: a batch of a few photos would mislead them
    network.photo.train()  # dropout only
    for parameter in network.backbone.parameters():
        parameter.requires_grad_(False)
    learning = [parameter for parameter in network.parameters() if parameter.requires_grad]
    optimizer = torch.optim.AdamW(learning, lr=recipe.learning_rate, weight_decay=recipe.weight_decay)
    torch.manual_seed(recipe.seed)
    step, started, progress = 0, time.monotonic(), 0.0
    for batch in _batches(samples, sets, network.channels, recipe):
        if progress >= 1:
            break
        for group in optimizer.param_groups:
            group["lr"] = recipe.learning_rate * learning_rate_factor(progress, recipe.warmup)
        photos, targets = unpack({key: value.to(device) for key, value in batch.items()}, len(network.channels.cues))
        loss = weighted_sum(loss_terms(network(photos), targets, recipe.losses), recipe.losses)
        optimizer.zero_grad(set_to_none=True)
        loss.backward()  # type: ignore[no-untyped-call]
        nn.utils.clip_grad_norm_(learning, recipe.clip_norm)
        optimizer.step()
        step += 1
        progress = step / (recipe.steps or 1)
        if job.time_limit_min is not None:
            progress = max(progress, (time.monotonic() - started) / (60 * job.time_limit_min))
        if step % 10 == 0 or progress >= 1:
            say(f"step {step}, {min(progress, 1):.0%}, loss {float(loss.detach()):.3f}")
    network.eval()
    return step


def _batches(
    samples: Sequence[Sample], sets: Sequence[tuple[PhotoSet, float]], channels: Channels, recipe: Recipe
) -> Iterator[Item]:
    probability = sampling_probability(sets, channels.cues)
    return iter(
        DataLoader(
            TrainingPhotos(samples, channels, recipe.augmentation),
            batch_sampler=StepSampler(probability, recipe.batch, seed=recipe.seed, rank=0, first_step=0),
            num_workers=recipe.workers or 0,
        )
    )


def _whole(photos: PhotoSet) -> PhotoSet:
    """The set, once it has photos in all three splits and no vehicle in two of them."""
    vehicles = {}
    for split in ("train", "val", "test"):
        vehicles[split] = {sample.vehicle for sample in photos.split(split).samples}
        if not vehicles[split]:
            raise BatchError(
                photos.name,
                f"no photo has the split `{split}`",
                "label photos of five vehicles or more and run `maskline data split` on the set",
            )
    torn = (vehicles["train"] | vehicles["val"]) & vehicles["test"] | vehicles["train"] & vehicles["val"]
    if torn:
        raise BatchError(
            photos.name, f"the vehicle {min(torn)} is in two splits", "run `maskline data split` on the set"
        )
    return photos


def _split(sets: Sequence[PhotoSet], name: str) -> tuple[Sample, ...]:
    return tuple(sample for photos in sets for sample in photos.split(name).samples)


def _mix(first: Tensor, second: Tensor, share: float) -> Tensor:
    return first + share * (second - first) if first.is_floating_point() else first


def _visible(predictions: Predictions) -> np.ndarray[Any, np.dtype[np.float64]]:
    return np.array([np.nan if s.vehicle_visible is None else s.vehicle_visible for s in predictions.samples], float)


def _enough(predictions: Predictions, cue: str) -> bool:
    labels = predictions.labels[:, predictions.channels.cues.index(cue)]
    return min(int((labels == 1).sum()), int((labels == 0).sum())) >= LEAST_LABELS


def _masked(predictions: Predictions) -> list[str]:
    return [cue for index, cue in enumerate(predictions.channels.cues) if predictions.cell_counts[index, 1].any()]
