"""A report to pass on: one zip with the pages and their pictures, number plates and faces covered in every picture."""

from __future__ import annotations

import zipfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import cv2
import numpy as np

from pipeline import crops
from pipeline.crops import Pixels, crop_file, crops_of, overlay_file, photo_file, write_picture
from pipeline.errors import ScreeningError, UsageError
from pipeline.outputs import findings_of, write_report_to
from pipeline.records import PhotoFindings
from pipeline.redaction import Region, covered, private_places
from pipeline.store import FILE, Store

Progress = Callable[[int, int], None]  # photos done, photos in all
Find = Callable[[Pixels], Sequence[Region]]

COVERED = (
    "Letters and faces were looked for by a program and covered in grey. It misses some: look through the pictures "
    "before you pass them on. What the advert says in words was left as it is."
)
NOT_COVERED = "Number plates and faces were left as they are in these pictures."


@dataclass(frozen=True, slots=True)
class Shared:
    """What was written: the zip, how many pictures it holds, and how many of them have something covered."""

    bundle: Path
    pictures: int
    pictures_covered: int


def share(
    out: Path,
    bundle: Path,
    *,
    redact: bool = True,
    find: Find = private_places,
    progress: Progress | None = None,
) -> Shared:
    """Write the report of the screening in `out` to the zip `bundle`, by default with what is private covered.

    Raises UsageError where `out` holds no screening or `bundle` is no .zip, ScreeningError where the disk refuses or
    the package that finds faces is not installed.
    """
    if bundle.suffix.lower() != ".zip":
        raise UsageError(bundle, "a bundle is a zip file", "give it a name that ends in .zip")
    if not (out / FILE).is_file():
        raise UsageError(out, "no screening was written there", "name the --out folder of a screening")
    try:
        with TemporaryDirectory(prefix="maskline-") as scratch, Store.open(out) as store:
            page = write_report_to(store, out, Path(scratch), COVERED if redact else NOT_COVERED)
            folder = page.parent
            done = _cover(folder / "images", findings_of(store), find, progress) if redact else 0
            return Shared(bundle, _zip(folder, bundle), done)
    except OSError as error:
        raise ScreeningError(
            bundle, f"it cannot be written ({error.strerror})", "free space or choose another place"
        ) from None


def _cover(images: Path, findings: Sequence[PhotoFindings], find: Find, progress: Progress | None) -> int:
    """Cover what is private in every picture below `images`, and return in how many something was.

    What is found in the whole photo or in one of its cuts is covered in all of them. The files are links to those of
    the screening, so each is replaced, never written into.
    """
    here = {path.name for path in images.iterdir()}
    photos = {photo.sha256: photo for photo in findings}
    count = 0
    for done, photo in enumerate(photos.values(), 1):
        frames = {name: frame for name, frame in _frames(photo).items() if name in here}
        pictures = {name: _read(images / name) for name in frames}
        found = [
            _to_photo(region, frames[name], picture)
            for name, picture in pictures.items()
            if not name.endswith("-heat.jpg")  # the same cut without the heat is searched
            for region in find(picture)
        ]
        for name, picture in pictures.items():
            result = covered(picture, [_from_photo(region, frames[name], picture) for region in found])
            if not np.array_equal(result, picture):
                write_picture(images / name, result)
                count += 1
        if progress is not None:
            progress(done, len(photos))
    return count


Frame = tuple[float, float, float]  # left, top and width of a picture in its photo, pixels


def _frames(photo: PhotoFindings) -> dict[str, Frame]:
    """Where each picture of a photo is cut from it, by the name that the picture has in the report."""
    frames: dict[Path, Frame] = {photo_file(photo.sha256): (0.0, 0.0, float(photo.width))}
    for crop in crops_of(photo):
        frame = float(crop.left), float(crop.top), float(crop.width)
        frames |= {crop_file(photo.sha256, crop): frame, overlay_file(photo.sha256, crop): frame}
    return {crops.flat_name(path): frame for path, frame in frames.items()}


def _to_photo(region: Region, frame: Frame, picture: Pixels) -> Region:
    left, top, width = frame
    return region.scaled(width / picture.shape[1]).moved(left, top)


def _from_photo(region: Region, frame: Frame, picture: Pixels) -> Region:
    left, top, width = frame
    return region.moved(-left, -top).scaled(picture.shape[1] / width)


def _read(path: Path) -> Pixels:
    picture = cv2.imdecode(np.frombuffer(path.read_bytes(), np.uint8), cv2.IMREAD_COLOR)
    if picture is None:
        raise ScreeningError(path.name, "the picture is damaged", "screen the batch again")
    return np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2RGB), np.uint8)


def _zip(folder: Path, bundle: Path) -> int:
    """Write the folder to a zip that appears only when it is whole; return how many pictures it holds."""
    partial = bundle.with_name(f".{bundle.name}.partial")
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    try:
        bundle.parent.mkdir(parents=True, exist_ok=True)
        with zipfile.ZipFile(partial, "w") as archive:
            for path in files:
                packed = zipfile.ZIP_STORED if path.suffix == ".jpg" else zipfile.ZIP_DEFLATED
                archive.write(path, Path(folder.name, path.relative_to(folder)), packed)
        partial.replace(bundle)
    except BaseException:
        partial.unlink(missing_ok=True)
        raise
    return sum(path.suffix == ".jpg" for path in files)
