"""A page to look a set over: each cue present and as a hard negative, each shot, with the masks outlined."""

from __future__ import annotations

import html
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from pipeline.records import DETECTED_CUES, SHOTS
from synthetic_data.set_check import LabelledSet

TILE = (320, 240)  # width, height in px
OUTLINE = (255, 0, 255)  # blue, green, red: a colour no paint has
STYLE = "body{font:15px/1.4 system-ui,sans-serif;margin:24px;max-width:1340px}img{max-width:100%}h2{margin-top:32px}"


def write_contact_sheet(labelled: LabelledSet, out: Path, *, each: int = 8, seed: int = 0) -> Path:
    """Write `out`/index.html with one JPEG a row, `each` photos drawn at random in a row. Returns the page's path."""
    out.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(seed)
    rows = list(labelled.rows.values())
    parts = []
    for cue in DETECTED_CUES:
        present = [row for row in rows if row.get(f"cue_{cue}") == 1]
        hard = [row for row in rows if row.get(f"cue_{cue}") == 0 and row.get("hard_negatives")]
        if present:
            parts.append(_section(labelled, out, f"{cue}: present ({len(present)})", present, cue, each, rng))
            parts.append(_section(labelled, out, f"{cue}: hard negatives ({len(hard)})", hard, cue, each, rng))
    for shot in SHOTS:
        found = [row for row in rows if row.get("shot") == shot]
        if found:
            parts.append(_section(labelled, out, f"{shot} ({len(found)})", found, None, each, rng))
    page = out / "index.html"
    title = f"Contact sheet of {html.escape(labelled.folder.name)}"
    page.write_text(
        f'<!doctype html><html lang="en"><meta charset="utf-8"><title>{title}</title><style>{STYLE}</style>'
        f"<h1>{title}</h1><p>{len(rows)} photos. Masks are outlined.</p>{''.join(parts)}</html>",
        encoding="utf-8",
    )
    return page


def _section(
    labelled: LabelledSet,
    out: Path,
    title: str,
    rows: Sequence[dict[str, Any]],
    cue: str | None,
    each: int,
    rng: np.random.Generator,
) -> str:
    if not rows:
        return f"<h2>{html.escape(title)}</h2><p>None.</p>"
    chosen = [rows[int(number)] for number in rng.permutation(len(rows))[:each]]
    tiles = [_tile(labelled, row, cue) for row in chosen]
    tiles.extend([np.full((TILE[1], TILE[0], 3), 255, np.uint8)] * (-len(tiles) % 4))
    sheet = np.vstack([np.hstack(tiles[start : start + 4]) for start in range(0, len(tiles), 4)])
    name = title.split(" (")[0].replace(": ", "_").replace(" ", "_") + ".jpg"
    cv2.imwrite(os.fspath(out / name), sheet, [cv2.IMWRITE_JPEG_QUALITY, 88])
    return f'<h2>{html.escape(title)}</h2><img src="{html.escape(name)}" alt="{html.escape(title)}">'


def _tile(labelled: LabelledSet, row: dict[str, Any], cue: str | None) -> npt.NDArray[np.uint8]:
    """One photo fitted into a tile, masks of `cue` (or of all cues) outlined, with a caption."""
    from pycocotools import mask as coco

    picture = cv2.imread(os.fspath(labelled.folder / "images" / str(row["file"])), cv2.IMREAD_COLOR)
    tile = np.full((TILE[1], TILE[0], 3), 40, np.uint8)
    if picture is None:
        return tile
    image = labelled.images.get(str(row["file"]))
    scale = min(TILE[0] / picture.shape[1], TILE[1] / picture.shape[0])
    small = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    for annotation in labelled.annotations.get(int(image["id"]), []) if image else []:
        if cue is not None and labelled.cues.get(int(annotation["category_id"])) != cue:
            continue
        code = annotation["segmentation"]
        if not isinstance(code["counts"], str):
            code = coco.frPyObjects(code, *code["size"])
        shape = cv2.resize(coco.decode(code), (small.shape[1], small.shape[0]), interpolation=cv2.INTER_AREA)
        contours = cv2.findContours(shape, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)[0]
        cv2.drawContours(small, contours, -1, OUTLINE, 1)
    top, left = (TILE[1] - small.shape[0]) // 2, (TILE[0] - small.shape[1]) // 2
    tile[top : top + small.shape[0], left : left + small.shape[1]] = small
    caption = f"{row.get('split')} {row.get('hard_negatives') or ''}"[:48]
    for thickness, ink in ((3, (0, 0, 0)), (1, (255, 255, 255))):
        cv2.putText(tile, caption, (6, TILE[1] - 8), cv2.FONT_HERSHEY_SIMPLEX, 0.42, ink, thickness, cv2.LINE_AA)
    return tile
