"""How well both coats are compared across masking edges: `python -m tests.pipeline.bench_edges SET [SET ...]`.

A SET is a folder of a data set with masks (`images.parquet`, `annotations.json`, `images/`), rendered or semi-real.
Each photo labelled for masking edges goes through the shipped network, or the one of `--weights`, and through what
colour does with the boxes of masking edges. Prints one line of JSON a set: of the boxes on a true edge, in photos where
the network finds the cue and of those it is sure of, and of the boxes in photos without one, how many were compared and
how many are findings, each with the number of photos. Of renders whose adverts the present generator plans as they were
made, it tells how far the values lie from the difference of the two paints that the vehicle wears. Takes about 0.5 s a
photo; needs the extra `train`.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import numpy as np
import pandas as pd
import typer
from pycocotools import mask as coco

from pipeline.colorimetry import delta_e00
from pipeline.colour import colour_settings, is_finding, measure_colour
from pipeline.findings import look_at
from pipeline.network import CueNetwork, shipped_weights
from pipeline.photos import judge_quality, read_photo

CUE = "masking_edge"
LEAST_SHARE = 0.01  # of a box, that a true edge must fill


def true_masks(folder: Path) -> dict[str, np.ndarray]:
    """By file name, where true masking edges lie, bool (H, W)."""
    labels = json.loads((folder / "annotations.json").read_text())
    names = {image["id"]: Path(image["file_name"]).name for image in labels["images"]}
    (category,) = (one["id"] for one in labels["categories"] if one["name"] == CUE)
    masks: dict[str, np.ndarray] = {}
    for annotation in labels["annotations"]:
        if annotation["category_id"] == category:
            name, mask = names[annotation["image_id"]], coco.decode(annotation["segmentation"]) > 0
            masks[name] = masks[name] | mask if name in masks else mask
    return masks


def true_difference(advert: str, seed: int, family: str, body: tuple[float, float, float]) -> float | None:
    """ΔE00 of a vehicle's two paints; None where it wears more, or is not planned with this body's paint any more."""
    from synthetic_data.adverts import advert_settings, plan_advert

    for known in (None, family):  # the family is drawn, but for those that are held out
        paint = plan_advert(int(advert[1:]), seed, advert_settings(), family=known).paint
        labs = [paint.factory_lab, *(job.lab for job in paint.jobs)]
        if len(labs) == 2 and min(np.abs(np.array(lab) - body).max() for lab in labs) < 0.01:
            return float(delta_e00(*np.array(labs)))
    return None


def counted(boxes: pd.DataFrame) -> dict[str, list[int] | int]:
    """How many boxes there are, were compared and are findings, each with the number of their photos."""
    kinds = {"boxes": boxes, "compared": boxes[boxes["value"].notna()], "findings": boxes[boxes["finding"]]}
    return {name: [len(rows), rows["photo"].nunique()] for name, rows in kinds.items()}


def main(
    sets: Annotated[list[Path], typer.Argument(help="Folders of data sets with masks.")],
    weights: Annotated[Path | None, typer.Option(help="Folder of a network, if not the shipped one.")] = None,
    threads: Annotated[int, typer.Option(help="Of the network.")] = 2,
) -> None:
    """Print what was compared against what is true."""
    network, settings = CueNetwork.load(weights or shipped_weights(), threads=threads), colour_settings()
    for folder in sets:
        table, masks = pd.read_parquet(folder / "images.parquet"), true_masks(folder)
        seed = json.loads((folder / "set.json").read_text()).get("seed")
        rows = []
        for row in table[table[f"cue_{CUE}"].notna()].to_dict("records"):
            name, body = Path(row["file"]).name, (row["body_L"], row["body_a"], row["body_b"])
            photo = read_photo(folder / "images" / name, row["advert"])
            maps = network.run([photo.srgb])[0]
            findings = look_at(photo, maps, judge_quality(photo), network.manifest).findings
            cue = findings.cues[CUE]
            measures = {m.regions[0]: m for m in measure_colour(photo, maps, findings) if m.cue == CUE}
            is_planned = bool(measures) and not pd.isna(row["body_L"])
            true = true_difference(row["advert"], seed, row["family"], body) if is_planned else None
            for box in cue.boxes:
                on = name in masks and masks[name][box.y : box.y + box.height, box.x : box.x + box.width].mean()
                measure = measures.get(box)
                rows.append(
                    {
                        "photo": name,
                        "label": int(row[f"cue_{CUE}"]),
                        "found": cue.found is True,
                        "sure": box.score >= settings.sure,
                        "on_edge": on >= LEAST_SHARE,
                        "value": None if measure is None else measure.value,
                        "uncertainty": None if measure is None else measure.uncertainty,
                        "finding": measure is not None and is_finding(measure, settings),
                        "true": true,
                    }
                )
        boxes = pd.DataFrame(rows).astype({"value": float, "uncertainty": float, "true": float})
        edges = boxes[(boxes["label"] == 1) & boxes["on_edge"]]
        known = edges[edges["finding"] & edges["true"].notna()]
        off = (known["value"] - known["true"]).abs()
        result = {
            "set": folder.name,
            "true_where_found": counted(edges[edges["found"]]),
            "true_and_sure": counted(edges[edges["sure"]]),
            "false": counted(boxes[boxes["label"] == 0]),
            "false_and_sure": counted(boxes[(boxes["label"] == 0) & boxes["sure"]]),
            "findings_within_two_uncertainties": [int((off <= 2 * known["uncertainty"]).sum()), len(known)],
            "median_share_of_true_difference": round((known["value"] / known["true"]).median(), 2)
            if len(known)
            else None,
        }
        print(json.dumps(result))


if __name__ == "__main__":
    typer.run(main)
