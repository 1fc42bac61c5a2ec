"""A finished screening whose findings are written by hand, with photos to look at: what judging starts from."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from pipeline import crops
from pipeline.build_sheets import Panel
from pipeline.outputs import write_outputs
from pipeline.photos import read_photo
from pipeline.records import DETECTED_CUES, AdvertDetails, Box, CueFinding, Measure, PhotoFindings, Quality
from pipeline.store import Screened, Store
from tests.pipeline.examples import heats_of, write_photo
from tests.pipeline.sightings import RATES

WIDTH, HEIGHT = 960, 720  # of the photos that `write_photo` makes
FIRST, SECOND = "mill-lane", "quay road & <b>yard"
HINGE = Box(x=480, y=320, width=120, height=80, score=0.6, zone="hinge", side="left")
SURE_HINGE = Box(x=200, y=100, width=60, height=40, score=0.97, zone="hinge", side="left")
SEAL = Box(x=100, y=500, width=80, height=60, score=0.5, zone="door_seal", side="left")
PANELS = Measure(
    cue="panel_mismatch", value=9.0, unit="dE00", uncertainty=0.8, zone="wing_front",
    regions=(Box(x=600, y=100, width=200, height=150, score=1.0, zone="wing_front", side="right"),),
)  # fmt: skip


def finding(
    name: str,
    sha256: str,
    advert: str,
    boxes: dict[str, tuple[Box, ...]] | None = None,
    shot: str = "close_up",
    zones: Sequence[str] = ("hinge", "door_seal"),
    measures: tuple[Measure, ...] = (),
) -> PhotoFindings:
    """One photo's findings; cues without a box score 0.01."""
    cues = {cue: CueFinding(score=0.01, assessable=True) for cue in DETECTED_CUES}
    for cue, found in (boxes or {}).items():
        cues[cue] = CueFinding(score=max(box.score for box in found), assessable=True, boxes=found)
    return PhotoFindings(
        advert=advert, photo=name, sha256=sha256, width=WIDTH, height=HEIGHT, shot={shot: 0.9, "exterior": 0.1},
        quality=Quality(sharpness=0.9, exposure=0.0, assessable=True), vehicle=0.98, cues=cues, measures=measures,
        zones=dict.fromkeys(zones, 0.05),
    )  # fmt: skip


def make_screening(folder: Path) -> Path:
    """Write a batch of two adverts to `folder/batch` and their screening to `folder/out`; return the latter.

    The first advert has sightings at the hinge (a.jpg, b.jpg) and the door seal (b.jpg), and a measure (c.jpg); its
    build sheet, that of the pellock, knows a decal on the rear door. The second has one photo with one sighting.
    """
    batch, out = folder / "batch", folder / "out"
    found: list[PhotoFindings] = []

    def add(advert: str, name: str, seed: int, **content: object) -> None:
        path = write_photo(batch / advert / name, seed, (200, 30, 30))
        photo = read_photo(path, advert)
        findings = finding(name, photo.sha256, advert, **content)  # type: ignore[arg-type]
        found.append(crops.write_pictures(photo, findings, heats_of(findings), out))
        hashes[photo.sha256] = photo.perceptual_hash

    hashes: dict[str, str] = {}
    add(FIRST, "a.jpg", 1, boxes={"painted_fastener": (HINGE,)})
    add(FIRST, "b.jpg", 2, boxes={"painted_fastener": (SURE_HINGE,), "overspray_rubber": (SEAL,)})
    add(FIRST, "c.jpg", 3, shot="rear", zones=("tub_rear",), measures=(PANELS,))
    add(SECOND, "only.jpg", 4, boxes={"painted_fastener": (replace_box(HINGE, score=0.7),)})
    details = {
        FIRST: AdvertDetails(title="Pellock, Marl Green", build_sheet="pellock", price=9000, currency="EUR"),
        SECOND: AdvertDetails(title='Brindle "tidy" <script>alert(1)</script>'),
    }
    (batch / FIRST / "advert.yaml").write_text(json.dumps({"build_sheet": "pellock"}))
    with Store.open(out) as store:
        for photo in found:
            store.keep("look", photo, hashes[photo.sha256])
        store.set_batch(
            Screened(adverts=details, set_aside=(), rates=RATES, made_with="Made by hand.", batch=str(batch)),
            [(photo.advert, photo.photo, photo.sha256) for photo in found],
        )
        write_outputs(store, out)
    return out


def show_rows(out: Path) -> None:
    """Let the rear door have two rows of heads and c.jpg show them, a millimetre a pixel, (0, 0) mm at (50, 690) px."""
    rows = {"low": {"first": [30, 20], "last": [830, 20], "heads": 11}}
    rows["high"] = {"first": [30, 600], "last": [830, 600], "heads": 9}
    panel = {"label": "Rear door", "zone": "tub_rear", "metal": "aluminium", "rows": rows}
    sheet = out / "riveted.yaml"
    sheet.write_text(json.dumps({"label": "Riveted", "refines": "pellock", "panels": {"tailgate": panel}}))
    places = Panel.model_validate(panel).heads.values()
    with Store.open(out) as store:
        screened, photos = store.screened(), list(store.hashes())
        adverts = {FIRST: screened.adverts[FIRST].model_copy(update={"build_sheet": str(sheet)})}
        rear = photo_of(store, FIRST, "c.jpg")
        seen = rear.model_copy(update={"heads": tuple((50 + x, 690 - y) for x, y in places)})
        store.keep("look", seen, next(known for *_, sha256, known in photos if sha256 == rear.sha256))
        batch = screened.model_copy(update={"adverts": screened.adverts | adverts})
        store.set_batch(batch, [(advert, photo, sha256) for advert, photo, sha256, _ in photos])
        write_outputs(store, out)


def replace_box(box: Box, **change: object) -> Box:
    return box.model_copy(update=change)


def photo_of(store: Store, advert: str, name: str) -> PhotoFindings:
    return next(photo for photo in store.findings(advert) if photo.photo == name)
