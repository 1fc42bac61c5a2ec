"""Whether traces of editing tell a cue from an innocent edit in a semi-real set: a bench, not a test.

    python -m tests.synthetic_data.bench_semi_real SET

Sharpness, noise and blocks are measured `beside` the mark, where nothing was painted, all `around` it, and `inside` it.
Each is taken against the mean of the same mark's edits, so that what the photo shows cancels. Trees learn to tell the
two kinds apart on some vehicles and are asked on the others. An AUROC of 0.5 is chance. Where paint lies some of it is
the cue itself: a painted edge is sharp, dust is not. `control` is the measures all around with the cues saved once more
with other tables: what a trace of editing would give.
"""

from __future__ import annotations

import argparse
import io
import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import pandas
from PIL import Image
from sklearn.ensemble import RandomForestClassifier
from sklearn.metrics import roc_auc_score
from sklearn.model_selection import LeaveOneGroupOut, cross_val_predict

from models.resampling import resample
from pipeline.records import DETECTED_CUES
from synthetic_data.semi_real_covers import CUES
from synthetic_data.semi_real_marks import place_of, read_marks

BESIDE_PX = 24  # from the mark, beyond blur and the blocks of the file

Floats = npt.NDArray[np.float64]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("set", type=Path, metavar="SET")
    parser.add_argument("--marks", type=Path, help="marks that the set was made with, if not the shipped ones")
    chosen = parser.parse_args()
    photos = {photo.file: photo for photo in read_marks(chosen.marks).photos}
    frame = pandas.read_parquet(chosen.set / "images.parquet")
    details = [json.loads(camera) for camera in frame["camera"]]
    is_cue = (frame[[f"cue_{cue}" for cue in DETECTED_CUES]].to_numpy(float, na_value=np.nan) == 1).any(1)
    measures: dict[str, list[list[float]]] = {"beside": [], "around": [], "inside": [], "control": []}
    for file, detail, cue in zip(frame["file"], details, is_cue, strict=True):
        photo = photos[detail["photo"]]
        place = place_of(photo.marks[detail["mark"]], photo.width, photo.height)
        left, top, right, bottom = place.window
        inside = np.zeros((photo.height, photo.width), np.uint8)
        inside[top:bottom, left:right] = place.reduced(place.inside) > 0.5
        near = cv2.dilate(inside, np.ones((2 * BESIDE_PX + 1,) * 2, np.uint8))
        around = cv2.dilate(near, np.ones((2 * BESIDE_PX + 1,) * 2, np.uint8))
        rows, columns = np.nonzero(around)
        # from the corner of a block, so that blocks are where they are in the file
        window = (slice(rows.min() // 16 * 16, rows.max() + 1), slice(columns.min() // 16 * 16, columns.max() + 1))
        with Image.open(chosen.set / "images" / file) as image:
            picture = np.array(image.convert("RGB"))[window]
        everywhere = np.ones(picture.shape[:2], bool)
        measures["beside"].append(traces(picture, (around[window] > 0) & (near[window] == 0)))
        measures["around"].append(traces(picture, everywhere))
        measures["inside"].append(traces(picture, inside[window] > 0))
        measures["control"].append(traces(saved_again(picture) if cue else picture, everywhere))
    asked = np.array([next(cue for cue in CUES if cue in file) for file in frame["file"]])
    marks = np.array([f"{detail['photo']} {detail['mark']}" for detail in details])
    vehicles = frame["vehicle"].to_numpy(str)
    print(f"{len(frame)} photos, {int(is_cue.sum())} of them with a cue, of {len(set(vehicles))} vehicles")
    for name, rows in measures.items():
        said = told_apart(np.array(rows), is_cue, marks, vehicles)
        print(f"{name}: AUROC {interval(said, is_cue, vehicles)}")
        for cue in CUES:
            here = asked == cue
            print(f"    {cue} {interval(said[here], is_cue[here], vehicles[here])}")


def traces(picture: npt.NDArray[np.uint8], where: npt.NDArray[np.bool_]) -> list[float]:
    """Noise, its tails, its colour, sharpness and blocks of the pixels `where` (H, W), in levels of 255."""
    grey = picture.astype(np.float32).mean(-1)
    colour = picture[..., 0].astype(np.float32) - picture[..., 2]
    kernel = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32) / 6
    rest, tint = (np.abs(cv2.filter2D(field, -1, kernel))[where] for field in (grey, colour))
    if rest.size < 16:
        return [np.nan] * 8
    step = np.abs(np.diff(grey, axis=1, prepend=grey[:, :1]))
    edge = np.zeros_like(where)
    edge[:, 8::8] = True  # where blocks of the file meet
    blocks = float(step[where & edge].mean() / (step[where & ~edge].mean() + 0.1)) if (where & edge).any() else np.nan
    shares = [float(np.percentile(rest, share)) for share in (25, 50, 90, 99)]
    return [
        *shares,
        float(rest.mean()),
        float(np.median(tint)),
        blocks,
        float(rest.mean() / (step[where].mean() + 0.1)),
    ]


def saved_again(picture: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    """The photo after one more saving, with the tables of quality 75."""
    file = io.BytesIO()
    Image.fromarray(picture).save(file, "JPEG", quality=75)
    return np.array(Image.open(file).convert("RGB"))


def told_apart(
    rows: Floats, is_cue: npt.NDArray[np.bool_], marks: npt.NDArray[Any], vehicles: npt.NDArray[Any]
) -> Floats:
    """How like a cue each row looks to trees that learnt on the other vehicles."""
    values = np.where(np.isfinite(rows), rows, np.nan)
    paired = pandas.DataFrame(values).groupby(marks).transform(lambda column: column - column.mean()).to_numpy()
    trees = RandomForestClassifier(200, min_samples_leaf=5, random_state=0)
    said = cross_val_predict(trees, paired, is_cue, groups=vehicles, cv=LeaveOneGroupOut(), method="predict_proba")
    return np.asarray(said[:, 1], np.float64)


def interval(said: Floats, is_cue: npt.NDArray[np.bool_], vehicles: npt.NDArray[Any]) -> str:
    """AUROC with its interval over vehicles."""

    def auroc(drawn: npt.NDArray[np.intp]) -> float:
        both = len(np.unique(is_cue[drawn])) == 2
        return float(roc_auc_score(is_cue[drawn], said[drawn])) if both else float("nan")

    found = resample(list(vehicles), auroc)
    assert found is not None
    return "{1:.3f} ({0:.3f} to {2:.3f})".format(*found.interval)


if __name__ == "__main__":
    main()
