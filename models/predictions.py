"""Run a network over labelled photos and keep what calibration and evaluation need, map by map, photo by photo."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property
from itertools import islice
from typing import NamedTuple

import cv2
import numpy as np
import numpy.typing as npt

from models.data import Sample, cue_mask, read_pixels, to_cells
from models.network import MULTIPLE, Channels
from pipeline.network import Prepared, Preprocess, prepare

LONG_SIDE_PX = 1024
PREPROCESS = Preprocess(long_side_px=LONG_SIDE_PX, multiple=MULTIPLE)
LOGIT_EDGES = np.linspace(-16.0, 16.0, 257)  # bins of the cell histograms

Floats = npt.NDArray[np.float32]
Forward = Callable[[Floats], Mapping[str, npt.NDArray[np.floating]]]
"""float32 (N, 3, H, W) in 0 to 1 to logits by output name (the fields of network.CueMaps)."""


@dataclass(frozen=True)
class Predictions:
    """Logits of a list of photos (rows) and how the dense maps lie on the true masks.

    `peak_inside` (rows, cues): 1 where the map's peak cell touches the true mask, 0 where not, nan where there is none.
    `cell_counts` (cues, 2, bins): cells without (0) and with (1) the cue by logit bin (LOGIT_EDGES; the end bins take
    the rest), over the photos that show the cue and have its mask. `features` (rows, F): pooled features of each photo;
    F is 0 for exported networks from before they had any.
    """

    channels: Channels
    samples: tuple[Sample, ...]
    cue_scores: Floats
    shots: Floats
    vehicle: Floats
    peak_inside: Floats
    cell_counts: npt.NDArray[np.int64]
    features: Floats

    @cached_property
    def labels(self) -> Floats:
        """(rows, cues) 1, 0, or nan for unknown."""
        cues = self.channels.cues
        known = [[np.nan if sample.cues[cue] is None else sample.cues[cue] for cue in cues] for sample in self.samples]
        return np.array(known, np.float32).reshape(len(self.samples), len(cues))


def predict(
    forward: Forward,
    channels: Channels,
    samples: Sequence[Sample],
    *,
    batch: int = 8,
    threads: int = 2,
    progress: Callable[[int], None] = lambda _: None,
) -> Predictions:
    """Run `forward` over the whole photos, as screening does (long side LONG_SIDE_PX).

    Photos of one size go through together, and `forward` sees few shapes: `batch` photos, or 1, 2, 4, ... of them.
    `progress` is called with the number of photos done. Memory stays flat: maps are reduced at once.
    """
    cues = len(channels.cues)
    rows: dict[int, tuple[Floats, Floats, float, Floats, Floats]] = {}
    counts = np.zeros((cues, 2, len(LOGIT_EDGES) - 1), np.int64)
    with ThreadPoolExecutor(threads) as pool:
        for group in _same_size(_ahead(pool, channels, samples, 2 * batch), batch, most_waiting=4 * batch):
            logits = forward(_stacked([loaded.prepared.pixels for loaded in group], batch))
            for place, (row, _, cells) in enumerate(group):
                maps = logits["cues"][place, :, : cells.shape[1], : cells.shape[2]].astype(np.float32)
                rows[row] = (
                    logits["cue_scores"][place].astype(np.float32),
                    logits["shots"][place].astype(np.float32),
                    float(logits["vehicle"][place]),
                    _compare(maps, cells, [cue in samples[row].masks for cue in channels.cues], counts),
                    logits["features"][place].astype(np.float32) if "features" in logits else np.zeros(0, np.float32),
                )
            progress(len(rows))
    of_photo = [rows[row] for row in range(len(rows))]
    return Predictions(
        channels=channels,
        samples=tuple(samples),
        cue_scores=np.array([row[0] for row in of_photo], np.float32).reshape(len(rows), cues),
        shots=np.array([row[1] for row in of_photo], np.float32).reshape(len(rows), len(channels.shots)),
        vehicle=np.array([row[2] for row in of_photo], np.float32),
        peak_inside=np.array([row[3] for row in of_photo], np.float32).reshape(len(rows), cues),
        cell_counts=counts,
        features=np.array([row[4] for row in of_photo], np.float32).reshape(len(rows), -1 if rows else 0),
    )


class _Loaded(NamedTuple):
    row: int
    prepared: Prepared
    cells: npt.NDArray[np.uint8]


def _load(row: int, sample: Sample, channels: Channels) -> _Loaded:
    photo, labels = read_pixels(sample, channels.cues)
    prepared = prepare(photo, PREPROCESS)
    resized = cv2.resize(labels, (prepared.width, prepared.height), interpolation=cv2.INTER_NEAREST)
    return _Loaded(row, prepared, to_cells(resized))


def _ahead(pool: ThreadPoolExecutor, channels: Channels, samples: Sequence[Sample], ahead: int) -> Iterator[_Loaded]:
    """Loaded photos in order, `ahead` of them at most waiting in memory."""
    waiting = iter(enumerate(samples))
    running = [pool.submit(_load, row, sample, channels) for row, sample in islice(waiting, ahead)]
    while running:
        yield running.pop(0).result()
        running += [pool.submit(_load, row, sample, channels) for row, sample in islice(waiting, 1)]


def _same_size(loaded: Iterable[_Loaded], batch: int, most_waiting: int) -> Iterator[list[_Loaded]]:
    """Photos of one size, `batch` at a time; fewer only at the end, or of a size that would wait too long."""
    waiting: dict[tuple[int, ...], list[_Loaded]] = {}
    for item in loaded:
        group = waiting.setdefault(item.prepared.pixels.shape, [])
        group.append(item)
        if len(group) == batch:
            yield waiting.pop(item.prepared.pixels.shape)
        elif sum(map(len, waiting.values())) >= most_waiting:
            yield waiting.pop(max(waiting, key=lambda shape: len(waiting[shape])))
    yield from waiting.values()


def _stacked(photos: Sequence[Floats], batch: int) -> Floats:
    """One array of them, the last repeated up to a power of two or `batch`: a GPU plans anew for each new shape."""
    wanted = min(1 << (len(photos) - 1).bit_length(), batch)
    return np.stack([*photos, *[photos[-1]] * (wanted - len(photos))])


def _compare(
    maps: Floats, cells: npt.NDArray[np.uint8], has_mask: Sequence[bool], counts: npt.NDArray[np.int64]
) -> Floats:
    """Peak inside the mask, by cue; adds this photo's cells to `counts`."""
    inside = np.full(len(has_mask), np.nan, np.float32)
    for index in np.flatnonzero(has_mask):
        mask = cue_mask(cells, int(index))
        if not mask.any():
            continue
        inside[index] = mask.flat[int(maps[index].argmax())]
        clipped = np.clip(maps[index], LOGIT_EDGES[0], LOGIT_EDGES[-1])
        for present in (0, 1):
            counts[index, present] += np.histogram(clipped[mask == present], LOGIT_EDGES)[0]
    return inside
