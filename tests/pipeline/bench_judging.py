"""How long a step of judging takes on the server: `python -m tests.pipeline.bench_judging --findings 5000`.

A batch of adverts with findings drawn at random, and then one advert that holds them all; a step is what a key press
asks for: an answer kept (on the disk), an undo, a sheet loaded again, a page opened. Prints one line of JSON with the
median and the 95th percentile of each, in milliseconds, HTTP included and the browser not.
"""

from __future__ import annotations

import json
import time
from contextlib import suppress
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Annotated, Any

import numpy as np
import typer
from starlette.testclient import TestClient

from pipeline.errors import ScreeningError
from pipeline.judging.answers import judging_settings
from pipeline.judging.desk import Desk
from pipeline.judging.pictures import Pictures
from pipeline.judging.service import make_app
from pipeline.outputs import write_outputs
from pipeline.records import DETECTED_CUES, ZONES, AdvertDetails, Box
from pipeline.store import Screened, Store
from tests.pipeline.made_screening import finding
from tests.pipeline.sightings import RATES

HOST = "http://127.0.0.1:8471"
A_PHOTO = 5  # findings


def screening(out: Path, findings: int, adverts: int, seed: int = 0) -> list[str]:
    """Write a screening with so many findings; return the adverts' names."""
    rng = np.random.default_rng(seed)
    names = [f"advert {number}" for number in range(adverts)]
    entries = []
    out.mkdir()
    with Store.open(out) as store:
        for number in range(findings // A_PHOTO):
            advert, sha256 = names[number % adverts], f"{number:064x}"
            boxes: dict[str, tuple[Box, ...]] = {}
            for _ in range(A_PHOTO):
                cue, zone = (str(rng.choice(names)) for names in (DETECTED_CUES, ZONES))
                x, y, score = int(rng.integers(800)), int(rng.integers(600)), float(rng.uniform(0.05, 0.95))
                box = Box(x=x, y=y, width=100, height=80, score=score, zone=zone, side="left")
                boxes[cue] = (*boxes.get(cue, ()), box)
            found = finding(f"{number}.jpg", sha256, advert, boxes, zones=ZONES[:5])
            store.keep("look", found, "".join(rng.choice(list("0123456789abcdef"), 64)))
            entries.append((advert, found.photo, sha256))
        details = dict.fromkeys(names, AdvertDetails(build_sheet="pellock"))
        store.set_batch(Screened(adverts=details, set_aside=(), rates=RATES, made_with="bench"), entries)
    return names


def measure(out: Path, names: list[str], steps: int) -> dict[str, Any]:
    """Open the page as a reader does and step through sheets; times in ms."""
    times: dict[str, list[float]] = {name: [] for name in ("answer", "undo", "sheet", "page", "overview")}
    with Store.open(out) as store:
        with suppress(ScreeningError):  # the tables are there; the report needs pictures, which this bench has none of
            write_outputs(store, out)
        start = time.perf_counter()
        desk = Desk(store, out, "anna", Pictures(out, {}))
        opened_s = time.perf_counter() - start
        app = make_app(desk, made_with="bench", quiet_s=judging_settings().quiet_s + 1e6)
        client = TestClient(app, base_url=HOST, headers={"origin": HOST})

        def timed(step: str, method: str, path: str, **request: Any) -> Any:
            start = time.perf_counter()
            reply = client.request(method, path, **request)
            times[step].append(1000 * (time.perf_counter() - start))
            assert reply.status_code == 200, reply.text
            return reply

        for number in range(steps):
            place = {"advert": names[number % len(names)], "zone": ZONES[number % len(ZONES)]}
            timed("page", "GET", "/sheet", params=place)
            sheet = timed("sheet", "GET", "/api/sheet", params=place).json()
            timed("overview", "GET", "/")
            for s in sheet["sightings"][:2]:
                content = {"kind": "mark", "verdict": "sign", "cue": s["cue"], "box": s["place"], "zone": s["zone"]}
                body = {"advert": place["advert"], "sha256": s["sha256"], "item": s["item"], "content": content}
                timed("answer", "POST", "/api/answer", json=body | {"seen": s["version"], "tab": "a" * 32})
            if sheet["sightings"]:
                timed("undo", "POST", "/api/undo", json={"advert": place["advert"], "tab": "a" * 32})
        sightings = sum(row["sightings"] for row in desk.overview())
    return {
        "adverts": len(names),
        "sightings": sightings,
        "opened_s": round(opened_s, 2),
        **{
            f"{step}_ms": dict(zip(("median", "p95"), np.percentile(all_, (50, 95)).round(1).tolist(), strict=True))
            for step, all_ in times.items()
        },
    }


def main(
    findings: Annotated[int, typer.Option(help="Findings in all.")] = 5000,
    adverts: Annotated[int, typer.Option(help="Adverts of the first batch.")] = 100,
    steps: Annotated[int, typer.Option(help="Sheets to step through.")] = 40,
) -> None:
    with TemporaryDirectory() as folder:
        results = []
        for number in (adverts, 1):
            out = Path(folder) / str(number)
            results.append(measure(out, screening(out, findings, number), steps))
    typer.echo(json.dumps(results))


if __name__ == "__main__":
    typer.run(main)
