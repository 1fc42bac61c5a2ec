from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest
import torch

from models.data import read_set
from models.network import Channels, CueNetwork
from models.predictions import Floats, predict
from models.train import torch_forward
from tests.models.fake_set import write_fake_set

SIZES = ((96, 128), (128, 96), (70, 128), (64, 64))  # three of these are padded to sizes of their own


def test_batches_of_few_shapes_predict_what_photos_one_by_one_do(tmp_path: Path) -> None:
    # The reference is the same network called with one photo at a time.
    sets = [
        read_set(write_fake_set(tmp_path / str(number), count, seed=number, height=height, width=width))
        for number, (count, (height, width)) in enumerate(zip((5, 7, 3, 1), SIZES, strict=True))
    ]
    longest = max(len(part.samples) for part in sets)
    mixed = [part.samples[k] for k in range(longest) for part in sets if k < len(part.samples)]
    torch.manual_seed(0)
    network = CueNetwork(Channels()).eval()
    run = torch_forward(network, torch.device("cpu"))
    seen: list[tuple[int, ...]] = []

    def forward(photos: Floats) -> Mapping[str, np.ndarray]:
        seen.append(photos.shape)
        return run(photos)

    done: list[int] = []
    together = predict(forward, network.channels, mixed, batch=4, progress=done.append)
    shapes, seen = set(seen), []
    alone = predict(forward, network.channels, mixed, batch=1)
    assert {shape[0] for shape in seen} == {1}
    assert {shape[0] for shape in shapes} <= {1, 2, 4}
    assert len(shapes) <= 2 * len({shape[2:] for shape in shapes})  # full batches and one rest, for each size
    assert done[-1] == len(mixed) and done == sorted(done)
    assert together.samples == alone.samples == tuple(mixed)
    for name in ("cue_scores", "shots", "vehicle", "peak_inside", "features"):
        assert getattr(together, name) == pytest.approx(getattr(alone, name), abs=2e-4, nan_ok=True), name
    # a cell on the edge of a bin may fall to either side of it
    assert np.abs(together.cell_counts - alone.cell_counts).sum() <= 0.002 * alone.cell_counts.sum()
    assert (together.cell_counts.sum(axis=2) == alone.cell_counts.sum(axis=2)).all()
