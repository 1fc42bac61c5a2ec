"""The semi-real set: photos of real vehicles, each with one cue, or one innocent edit, painted on a marked surface.

A network that sees cues on renders only, and real photos without, learns that what is real is clean. Here each marked
place is painted as often with the cue as with something innocent that looks like it, by the same means, so that traces
of editing tell nothing. The photos themselves, unedited, are not in the set: nobody knows that they show no cue.
"""

from __future__ import annotations

import hashlib
import io
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image

from pipeline.errors import BatchError
from synthetic_data.camera import decode_srgb
from synthetic_data.dataset import PhotoLabels, annotate, code_version, finish_set, open_set, shards, write_shard
from synthetic_data.semi_real import (
    body_colour,
    composite,
    estimate_blur,
    estimate_light,
    estimate_noise,
    save_like,
)
from synthetic_data.semi_real_covers import CUES, INNOCENT, LEAST_LIGHTNESS, Surface, drawn_paint
from synthetic_data.semi_real_marks import MarkedPhoto, Marks, place_of

Bytes = npt.NDArray[np.uint8]
LEAST_DIFFERENCE = 6.0  # CIE 1976 colour difference from the unedited photo that an eye notices; by eye
SEEN_SIDE_PX, SEEN_BLUR_PX = 1024, 0.7  # the long side a photo is screened at; what keeps noise out of the difference
LEAST_PX, LEAST_SHARE = 16, 0.3  # so many pixels, and so much of a cue's mask, must differ by that
MOST_DRAWS = 12  # until an edit can be seen
GROUP_GAP, MOST_ANNOTATIONS = 0.02, 8  # pieces of one mask, see dataset.annotate


@dataclass(frozen=True, slots=True)
class Edit:
    """One edit of a photo: a cue, or something innocent in its stead, on the mark of that number, time and again."""

    cue: str
    mark: int
    turn: int
    innocent: bool

    @property
    def name(self) -> str:
        return f"{self.cue}_{self.mark:02d}_{'innocent' if self.innocent else 'cue'}_{self.turn}"


@dataclass(frozen=True, slots=True)
class Edited:
    """An edited photo (H, W, 3), where the cue shows (H, W) bool (nowhere if innocent), and what was drawn."""

    picture: Bytes
    mask: npt.NDArray[np.bool_]
    drawn: str


@dataclass(frozen=True, slots=True)
class SemiReal:
    """What came of making a set: photos in it, marked photos used, and those that are missing or another version.

    `unseen`: edits left out this time because in them, or in their counterparts, nothing that was drawn could be seen.
    """

    photos: int
    used: int
    missing: tuple[str, ...]
    changed: tuple[str, ...]
    unseen: int


def edits_of(photo: MarkedPhoto, turns: int) -> Iterator[Edit]:
    """Every edit of a photo: each mark, each cue its surface can show and the photo does not, both ways in turn."""
    for cue, (kinds, _) in CUES.items():
        if cue in photo.already:
            continue
        for number, mark in enumerate(photo.marks):
            if mark.kind in kinds:
                for turn in range(turns):
                    yield Edit(cue, number, turn, innocent=False)
                    yield Edit(cue, number, turn, innocent=True)


def body_albedo(picture: Bytes, photo: MarkedPhoto) -> npt.NDArray[Any]:
    """Albedo (3,) of the body: median colour of what is marked as painted, or an invented paint where nothing is."""
    pixels = []
    for mark in photo.marks:
        if mark.kind in ("panel", "shut"):
            place = place_of(mark, photo.width, photo.height)
            left, top, right, bottom = place.window
            pixels.append(picture[top:bottom, left:right][place.reduced(place.inside) > 0.5])
    if not pixels:
        return drawn_paint(np.random.default_rng(int(photo.sha256[:8], 16)), least_luminance=LEAST_LIGHTNESS)
    linear = decode_srgb(np.concatenate(pixels).astype(np.float32) / 255)
    return body_colour(linear, np.ones(len(linear), bool), photo.body_reflectance)


def draw_edit(
    picture: Bytes, photo: MarkedPhoto, edit: Edit, body: npt.NDArray[Any], rng: np.random.Generator
) -> Edited | None:
    """The photo (H, W, 3) with an edit; `body`: albedo of its paint. None where nothing drawn could be seen."""
    mark = photo.marks[edit.mark]
    place = place_of(mark, photo.width, photo.height)
    left, top, right, bottom = place.window
    window = picture[top:bottom, left:right]
    encoded = window.astype(np.float32) / 255
    linear = decode_srgb(encoded).astype(np.float32)
    inside = place.reduced(place.inside) > 0.5
    if not inside.any():
        return None
    if mark.kind in ("panel", "shut"):  # on a body of two colours, that of the place itself
        body = body_colour(linear, inside, photo.body_reflectance)
    surface = Surface(mark.kind, body, photo.mm_per_px, linear)
    light = estimate_light(linear, place, mark.kind, photo.body_reflectance)
    blur_px = estimate_blur(encoded)
    noise = estimate_noise(picture.astype(np.float32) / 255, float(encoded[inside].mean()))
    for _ in range(MOST_DRAWS):
        draw = INNOCENT[edit.cue][rng.integers(len(INNOCENT[edit.cue]))] if edit.innocent else CUES[edit.cue][1]
        layers = draw(place, surface, rng)
        after, mask = composite(picture, place, layers, light, blur_px=blur_px, noise=noise, rng=rng)
        shown = np.ones(inside.shape, bool) if edit.innocent else mask[top:bottom, left:right]
        least_share = 0.0 if edit.innocent else LEAST_SHARE
        if can_be_seen(window, after[top:bottom, left:right], shown, least_share, max(photo.width, photo.height)):
            return Edited(after, mask, draw.__name__)
    return None


def can_be_seen(
    before: Bytes, after: Bytes, shown: npt.NDArray[np.bool_], least_share: float, long_side: int = SEEN_SIDE_PX
) -> bool:
    """Whether enough pixels of `shown` (H, W) differ between two pictures (H, W, 3) for an eye to notice (CIE 1976).

    They are parts of a photo of that `long_side` (px), and are looked at no larger than a photo is screened.
    """
    scale = min(SEEN_SIDE_PX / long_side, 1.0)
    size = tuple(max(round(side * scale), 1) for side in (shown.shape[1], shown.shape[0]))
    first, second = (
        cv2.GaussianBlur(
            cv2.cvtColor(
                cv2.resize(each.astype(np.float32) / 255, size, interpolation=cv2.INTER_AREA), cv2.COLOR_RGB2LAB
            ),
            (0, 0),
            SEEN_BLUR_PX,
        )
        for each in (before, after)
    )
    here = cv2.resize(shown.astype(np.float32), size, interpolation=cv2.INTER_AREA) >= 0.5
    differs = (np.linalg.norm(first - second, axis=-1) >= LEAST_DIFFERENCE) & here
    return bool(differs.sum() >= max(LEAST_PX, least_share * here.sum()))


def make_semi_real(
    folders: Sequence[Path],
    marks: Marks,
    out: Path,
    *,
    seed: int,
    turns: int = 2,
    processes: int = 1,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> SemiReal:
    """Make (or go on making) the set in `out` from those marked photos that lie in the folders.

    Each mark is painted `turns` times a cue with the cue and as often with something innocent. The same marks, seed,
    turns and version give the same photos, however many `processes` share the work. `progress(done, total)` counts
    marked photos. Raises BatchError where no marked photo is found or `out` holds another set.
    """
    found, missing, changed = find_photos(folders, marks)
    if not found:
        where = ", ".join(map(str, folders))
        fault = f"none of the {len(marks.photos)} marked photos is there" + (", or not as marked" if changed else "")
        raise BatchError(where, fault, "name the folders that hold them")
    recipe = {
        "config": {
            "marks": hashlib.sha256(marks.model_dump_json().encode()).hexdigest(),
            "turns": turns,
        },
        "seed": seed,
        "version": code_version(),
    }
    open_set(out, recipe)
    done = {int(path.stem) for path in shards(out)}
    todo = [number for number, photo in enumerate(marks.photos) if photo.file in found and number not in done]
    tasks = [(out, number, found[marks.photos[number].file], marks.photos[number], seed, turns) for number in todo]
    unseen = 0
    progress(len(marks.photos) - len(todo), len(marks.photos))
    with _workers(processes) as mapped:
        for count, lost in enumerate(mapped(_write_edits, tasks), start=1):
            unseen += lost
            progress(len(marks.photos) - len(todo) + count, len(marks.photos))
    finish_set(out, recipe, len(marks.photos))
    photos = sum(1 for _ in (out / "images").iterdir())
    return SemiReal(photos, len(found), missing, changed, unseen)


def find_photos(folders: Sequence[Path], marks: Marks) -> tuple[dict[str, bytes], tuple[str, ...], tuple[str, ...]]:
    """The marked photos in the folders (name: bytes), those missing, and those of the right name but another digest."""
    by_name: dict[str, list[Path]] = {}
    for folder in folders:
        for path in sorted(folder.rglob("*")):
            if path.is_file():
                by_name.setdefault(path.name, []).append(path)
    found: dict[str, bytes] = {}
    missing: list[str] = []
    changed: list[str] = []
    for photo in marks.photos:
        versions = [path.read_bytes() for path in by_name.get(photo.file, ())]
        right = [data for data in versions if hashlib.sha256(data).hexdigest() == photo.sha256]
        if right:
            found[photo.file] = right[0]
        else:
            (changed if versions else missing).append(photo.file)
    return found, tuple(missing), tuple(changed)


@contextmanager
def _workers(processes: int) -> Iterator[Callable[..., Iterable[int]]]:
    """A `map` over so many processes, in order; one runs here."""
    if processes == 1:
        yield map
        return
    with ProcessPoolExecutor(processes, get_context("spawn"), cv2.setNumThreads, (1,)) as pool:
        yield pool.map


def _write_edits(task: tuple[Path, int, bytes, MarkedPhoto, int, int]) -> int:
    """Write every edit of one photo, and last its shard; gives how many could not be seen."""
    out, number, data, photo, seed, turns = task
    with Image.open(io.BytesIO(data)) as image:
        picture = np.array(image.convert("RGB"))
    if picture.shape[:2] != (photo.height, photo.width):
        raise BatchError(photo.file, f"it is not {photo.width}x{photo.height} as marked", "mend the marks")
    body = body_albedo(picture, photo)
    records, unseen = [], 0
    edits = edits_of(photo, turns)
    for pair in zip(edits, edits, strict=True):
        cue, innocent = (draw_edit(picture, photo, edit, body, _rng(seed, photo, edit)) for edit in pair)
        if cue is None or innocent is None:  # one alone would tell what the place shows
            unseen += 2
            continue
        for edit, edited in zip(pair, (cue, innocent), strict=True):
            name = f"{Path(photo.file).stem}_{edit.name}.jpg"
            (out / "images" / name).write_bytes(save_like(edited.picture, data))
            annotations = [] if edit.innocent else annotate(edited.mask, GROUP_GAP, MOST_ANNOTATIONS)
            records.append(
                {
                    "file": name,
                    "width": photo.width,
                    "height": photo.height,
                    "labels": {**_labels(photo, edit, edited), "split": photo.split},
                    "annotations": [{"cue": edit.cue, **annotation} for annotation in annotations],
                    "camera": {"photo": photo.file, "mark": edit.mark, "drawn": edited.drawn},
                }
            )
    write_shard(out, number, records)
    return unseen


def _labels(photo: MarkedPhoto, edit: Edit, edited: Edited) -> dict[str, Any]:
    """The row's labels. Only the edit's own cue is known: of the rest, a photo of a real vehicle tells nothing surely.

    The cue is absent under an innocent edit because whoever marked the photo looked for it there and saw none
    (`already` names the others).
    """
    labels = PhotoLabels(
        advert=photo.vehicle,
        vehicle=photo.vehicle,
        family=photo.family,
        shot=photo.shot,
        vehicle_visible=photo.vehicle_visible,
        source="semi_real",
        place=photo.marks[edit.mark].kind,
        hard_negatives=edited.drawn if edit.innocent else "",
        **{f"cue_{edit.cue}": int(not edit.innocent)},
    )
    dumped: dict[str, Any] = labels.model_dump(mode="json")
    return dumped


def _rng(seed: int, photo: MarkedPhoto, edit: Edit) -> np.random.Generator:
    """Chance of one edit: by what is drawn where alone, so that further marks change no other photo."""
    mark = photo.marks[edit.mark].model_dump_json()
    identity = f"{seed}:{photo.sha256}:{mark}:{edit.cue}:{edit.turn}:{edit.innocent}"
    return np.random.default_rng(int.from_bytes(hashlib.sha256(identity.encode()).digest()[:8], "big"))
