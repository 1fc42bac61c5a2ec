"""How well shuts, body colours and codes come out on renders: `python -m tests.pipeline.bench_shuts SET [SET ...]`.

A SET is a folder of a rendered data set (`images.parquet` and `images/`): its column `history` says which vehicles left
their shuts in the factory's paint under another outside, `body_L`, `body_a` and `body_b` which paint a photo shows.
Each photo goes through the shipped network, or the one of `--weights`, and through all that colour does with it. Prints
one line of JSON: how many shuts of one paint were called another and how many of two paints were found, in one photo
(those of the engine bay apart: bulkhead and open bonnet) and across an advert's photos; how far measured body colours
lie from their own paint and from the nearest paint of the demo table that is 20 ΔE00 or more off it; and what share
colour takes of the processor time of decoding, network, cues and colour. A colour change throughout is left out of the
shuts: parts of them may wear the old paint. Takes about 1 s a photo.
"""

from __future__ import annotations

import json
import time
from collections import defaultdict
from pathlib import Path
from typing import Annotated

import numpy as np
import pandas as pd
import typer

from pipeline.colorimetry import delta_e00
from pipeline.colour import BODY, colour_settings, is_finding, measure_advert, measure_colour
from pipeline.findings import look_at
from pipeline.network import CueNetwork, shipped_weights
from pipeline.paint_table import Lab, Paint, demo_table
from pipeline.photos import judge_quality, read_photo
from pipeline.records import AdvertDetails, Measure, PhotoFindings

ONE_PAINT = ("factory", "local_repair", "panels_refinished", "refinished_same_colour")
TWO_PAINTS = ("colour_change_outside_only",)
OFF_DELTA_E00 = 20.0  # that a wrong code's paint lies off the right one's at least


class Clock:
    """Seconds of processor time spent on each of several things."""

    def __init__(self) -> None:
        self.spent: dict[str, float] = defaultdict(float)
        self.since = time.process_time()

    def note(self, name: str) -> None:
        """What was done since the last note."""
        now = time.process_time()
        self.spent[name] += now - self.since
        self.since = now


def against(lab: Lab, photo: PhotoFindings) -> float | None:
    """ΔE00 of the colour that one photo shows from a code's paint, as for an advert that names the code."""
    paint = Paint("X 1", "X", lab, None, None, ())
    found = measure_advert(AdvertDetails(paint_code="X 1"), [photo], paints=[paint]).identity.measure
    return None if found is None else found.value


def counted(measures: list[tuple[str, Measure]]) -> dict[str, list[int]]:
    """How many shuts of one paint were called another, and how many of two paints were found, of how many each."""
    called = {"one_paint_called": ONE_PAINT, "two_paints_found": TWO_PAINTS}
    settings = colour_settings()
    return {
        name: [sum(is_finding(m, settings) for h, m in measures if h in of), sum(h in of for h, _ in measures)]
        for name, of in called.items()
    }


def main(
    sets: Annotated[list[Path], typer.Argument(help="Folders of rendered data sets.")],
    weights: Annotated[Path | None, typer.Option(help="Folder of a network, if not the shipped one.")] = None,
    threads: Annotated[int, typer.Option(help="Of the network.")] = 2,
) -> None:
    """Print what was measured against what is true."""
    network = CueNetwork.load(weights or shipped_weights(), threads=threads)
    clock, count = Clock(), 0
    in_one, in_bay, across = list[tuple[str, Measure]](), list[tuple[str, Measure]](), list[tuple[str, Measure]]()
    own, other = list[float](), list[float]()
    for folder in sets:
        table = pd.read_parquet(folder / "images.parquet")
        for advert, rows in table.groupby("advert"):
            seen = []
            for row in rows.itertuples():
                clock.note("else")
                photo = read_photo(folder / "images" / Path(row.file).name, str(advert))
                quality = judge_quality(photo)
                clock.note("decoding")
                maps = network.run([photo.srgb])[0]
                clock.note("network")
                findings = look_at(photo, maps, quality, network.manifest).findings
                clock.note("cues")
                measures = measure_colour(photo, maps, findings)  # no plate is read: `bench_plate`
                clock.note("colour")
                seen.append(findings.model_copy(update={"measures": measures}))
                count += 1
                true = (row.body_L, row.body_a, row.body_b)
                if BODY not in {m.cue for m in measures} or pd.isna(row.body_L):
                    continue
                wrong = [p.lab for p in demo_table() if delta_e00(np.array(p.lab), np.array(true)) >= OFF_DELTA_E00]
                nearest = min(wrong, key=lambda lab: float(delta_e00(np.array(lab), np.array(true))))
                for found, lab in ((own, true), (other, nearest)):
                    value = against(lab, seen[-1])
                    found += [] if value is None else [value]
            clock.note("else")
            history = str(rows["history"].iloc[0])
            for photo in seen:
                places = in_bay if photo.likely_shot == "engine_bay" else in_one
                places += [(history, m) for m in photo.measures if m.cue == "shut_mismatch"]
            across += [(history, m) for m in measure_advert(AdvertDetails(), seen).measures if m.cue == "shut_mismatch"]
            clock.note("colour")
    whole = sum(seconds for name, seconds in clock.spent.items() if name != "else")
    result = {
        "photos": count,
        "shuts_in_one_photo": counted(in_one),
        "engine_bay_in_one_photo": counted(in_bay),
        "shuts_across_photos": counted(across),
        "body_colours": len(own),
        "off_own_paint_delta_e00": [round(float(f(own)), 1) for f in (np.mean, np.std)] if own else None,
        "off_another_delta_e00": [round(float(f(other)), 1) for f in (np.mean, np.std)] if other else None,
        "share_of_time": round(clock.spent["colour"] / whole, 3) if whole else None,
        "ms_a_photo": round(1000 * clock.spent["colour"] / count, 1) if count else None,
    }
    print(json.dumps(result))


if __name__ == "__main__":
    typer.run(main)
