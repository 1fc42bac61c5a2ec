from collections import defaultdict
from pathlib import Path

import numpy as np
import pandas
import pytest

from models.vehicle_split import split_rows, split_set
from pipeline.errors import BatchError
from tests.models.fake_set import write_fake_set


def rows(vehicles: int, *, seed: int = 0) -> list[dict[str, object]]:
    rng = np.random.default_rng(seed)
    return [
        {
            "file": f"{v}-{p}.jpg",
            "vehicle": f"v{v}",
            "cue_filler": int(v % 7 == 0),
            "cue_masking_edge": int(rng.random() < 0.3),
        }
        for v in range(vehicles)
        for p in range(int(rng.integers(1, 9)))
    ]


def by_split(found: list[dict[str, object]], column: str) -> dict[object, list[object]]:
    groups = defaultdict(list)
    for row in found:
        groups[row["split"]].append(row[column])
    return groups


def test_no_vehicle_is_torn_and_shares_and_cues_are_kept() -> None:
    found = split_rows(rows(60))
    vehicles = {split: set(names) for split, names in by_split(found, "vehicle").items()}
    assert not vehicles["train"] & vehicles["val"] and not vehicles["train"] & vehicles["test"]
    assert not vehicles["val"] & vehicles["test"]
    shares = {split: len(files) / len(found) for split, files in by_split(found, "file").items()}
    assert shares == {
        "train": pytest.approx(0.7, abs=0.04),
        "val": pytest.approx(0.15, abs=0.04),
        "test": pytest.approx(0.15, abs=0.04),
    }
    rare = {split: sum(labels) for split, labels in by_split(found, "cue_filler").items()}  # 9 of 60 vehicles
    assert min(rare.values()) >= 2


def test_adverts_of_one_vehicle_and_vehicles_of_one_advert_stay_together() -> None:
    chain = [
        {"file": str(i), "vehicle": v, "advert": a, "cue_filler": None}
        for i, (v, a) in enumerate([("v1", "a1"), ("v1", "a2"), ("v2", "a2"), ("v3", None), ("v4", None), ("v5", None)])
    ]
    for seed in range(5):
        found = split_rows(chain, seed=seed)
        assert len({row["split"] for row in found[:3]}) == 1
    assert split_rows(chain, seed=1) == split_rows(chain, seed=1)


def test_a_set_on_disk_is_split_anew(tmp_path: Path) -> None:
    folder = write_fake_set(tmp_path / "set", 24)
    found = split_set(folder, shares=(1, 1, 1), seed=3)
    assert sum(photos for photos, _ in found.values()) == 24 and [v for _, v in found.values()] == [2, 2, 2]
    table = pandas.read_parquet(folder / "images.parquet")
    assert table.groupby("vehicle")["split"].nunique().max() == 1
    (folder / "images.parquet").unlink()
    with pytest.raises(BatchError, match="no table"):
        split_set(folder)
