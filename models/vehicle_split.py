"""Which photos train, which validate, which test: by vehicle, never by photo; every cue in each if possible."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.errors import BatchError
from pipeline.records import DETECTED_CUES

SPLITS = ("train", "val", "test")
SHARES = (0.7, 0.15, 0.15)


def split_rows(
    rows: Sequence[Mapping[str, Any]], *, shares: Sequence[float] = SHARES, seed: int = 0
) -> list[dict[str, Any]]:
    """The rows with their `split` set. Vehicles joined by an advert stay together.

    Iterative stratification (Sechidis et al. 2011): vehicles with the rarest cue go first, each to the split that still
    lacks most photos with it; then vehicles without cues to the split that lacks most photos.
    """
    groups = _groups(rows)
    order = np.random.default_rng(seed).permutation(len(groups))
    counts = np.array(
        [[sum(_label(rows[row], cue) == 1 for row in groups[index]) for cue in DETECTED_CUES] for index in order]
    )
    sizes = np.array([len(groups[index]) for index in order], float)
    wanted = np.array(shares, float) / sum(shares)
    lacking = wanted[:, None] * counts.sum(0)[None, :]
    lacking_photos = wanted * sizes.sum()
    chosen: dict[int, int] = {}
    while len(chosen) < len(groups):
        waiting = [index for index in range(len(groups)) if index not in chosen]
        left = counts[waiting].sum(0)
        if left.any():
            cue = int(np.argmin(np.where(left > 0, left, left.max() + 1)))
            vehicle = next(index for index in waiting if counts[index, cue])
            need = lacking[:, cue]
        else:
            vehicle, need = waiting[0], lacking_photos
        best = np.flatnonzero(need == need.max())
        split = int(best[np.argmax(lacking_photos[best])])
        chosen[vehicle] = split
        lacking[split] -= counts[vehicle]
        lacking_photos[split] -= sizes[vehicle]
    found = [dict(row) for row in rows]
    for place, split in chosen.items():
        for row in groups[order[place]]:
            found[row]["split"] = SPLITS[split]
    return found


def split_set(folder: Path, *, shares: Sequence[float] = SHARES, seed: int = 0) -> dict[str, tuple[int, int]]:
    """Write the splits of a set anew and return photos and vehicles by split. Raises BatchError for a broken table."""
    import pandas

    path = folder / "images.parquet"
    try:
        table = pandas.read_parquet(path)
    except (OSError, ValueError):
        raise BatchError(
            path, "there is no table of labels", "bring the labels in with `maskline data import`"
        ) from None
    lost = {"file", "vehicle"} - set(table.columns)
    if lost:
        raise BatchError(path, f"the column {min(lost)} is missing", "bring the labels in with `maskline data import`")
    records = table.astype(object).where(table.notna(), None).to_dict("records")
    rows = split_rows([{str(key): value for key, value in row.items()} for row in records], shares=shares, seed=seed)
    table["split"] = [row["split"] for row in rows]
    part = path.with_suffix(".part")
    table.to_parquet(part)
    part.replace(path)
    return {
        split: (int((table["split"] == split).sum()), int(table.loc[table["split"] == split, "vehicle"].nunique()))
        for split in SPLITS
    }


def _groups(rows: Sequence[Mapping[str, Any]]) -> list[list[int]]:
    """Rows that must stay together: of one vehicle, or of one advert."""
    parent = list(range(len(rows)))

    def root(row: int) -> int:
        while parent[row] != row:
            parent[row] = parent[parent[row]]
            row = parent[row]
        return row

    first: dict[tuple[str, str], int] = {}
    for number, row in enumerate(rows):
        for column in ("vehicle", "advert"):
            if row.get(column) is not None:
                parent[root(number)] = root(first.setdefault((column, str(row[column])), number))
    groups: dict[int, list[int]] = {}
    for number in range(len(rows)):
        groups.setdefault(root(number), []).append(number)
    return list(groups.values())


def _label(row: Mapping[str, Any], cue: str) -> int | None:
    value = row.get(f"cue_{cue}")
    return None if value is None else int(value)
