"""The photos as a reader sees them: whole and upright at their own resolution, cut out, and under the heat of a cue.

They come from the batch that was screened. A photo that is not there any more, or has been changed, is shown as the
screening reduced it. What is sent carries no metadata.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from threading import Lock

import cv2
import numpy as np

from pipeline import crops
from pipeline.adverts import photo_names, read_batch
from pipeline.crops import Pixels
from pipeline.errors import PhotoError, ScreeningError
from pipeline.judging.answers import Place
from pipeline.photos import read_photo

KEPT = 8  # decoded photos in memory: those of one sheet, 36 MB each at 12 megapixels
CUT_MOST_PX = 900
JPEG_QUALITY = 90


@dataclass(frozen=True, slots=True)
class Shown:
    """One photo of the batch; width and height are those of the upright photo, px."""

    advert: str
    name: str
    sha256: str
    width: int
    height: int


class Pictures:
    """Pictures of one screening. `photos` gives each photo's file by advert and name; see `photo_files`."""

    def __init__(self, out: Path, photos: Mapping[tuple[str, str], Path]) -> None:
        self._out, self._photos = out, photos
        self._lock = Lock()  # a photo that two requests want is decoded once
        self._decoded = lru_cache(maxsize=KEPT)(self._decode)

    def pixels(self, photo: Shown) -> Pixels:
        """sRGB uint8 (H, W, 3), at the photo's own size or, where its file is gone, reduced. Raises PhotoError."""
        with self._lock:
            return self._decoded(photo.advert, photo.name, photo.sha256)

    def whole_pixels(self, photo: Shown) -> Pixels:
        """sRGB uint8 (H, W, 3) at the photo's own size, soft where its file is gone. Raises PhotoError."""
        pixels = self.pixels(photo)
        if pixels.shape[:2] == (photo.height, photo.width):
            return pixels
        return np.asarray(cv2.resize(pixels, (photo.width, photo.height), interpolation=cv2.INTER_CUBIC), np.uint8)

    def whole(self, photo: Shown) -> bytes:
        """The photo as JPEG. Raises PhotoError where neither its file nor the reduced one can be read."""
        return _jpeg(self.pixels(photo))

    def small(self, photo: Shown) -> bytes:
        """The photo as the screening reduced it, or as it is where that was lost. Raises PhotoError."""
        try:
            return (self._out / crops.photo_file(photo.sha256)).read_bytes()
        except OSError:
            return self.whole(photo)

    def cut(self, photo: Shown, place: Place) -> bytes:
        """A part of the photo as JPEG, at most 900 pixels long. Raises PhotoError."""
        pixels = self.pixels(photo)
        scale = pixels.shape[1] / photo.width
        left, top = round(place.x * scale), round(place.y * scale)
        part = pixels[top : top + max(1, round(place.height * scale)), left : left + max(1, round(place.width * scale))]
        if part.size == 0:
            raise PhotoError(photo.name, "the place is outside the photo", "choose a place inside it")
        most = CUT_MOST_PX / max(part.shape[:2])
        if most < 1:
            size = max(1, round(part.shape[1] * most)), max(1, round(part.shape[0] * most))
            part = np.asarray(cv2.resize(part, size, interpolation=cv2.INTER_AREA), np.uint8)
        return _jpeg(part)

    def heat(self, sha256: str, cue: str) -> bytes | None:
        """The heat of one cue over the whole photo as a PNG to lay over it: clear where improbable. None: not kept."""
        grey = cv2.imread(str(self._out / crops.heat_file(sha256, cue)), cv2.IMREAD_GRAYSCALE)
        if grey is None:
            return None
        colour = cv2.applyColorMap(grey, cv2.COLORMAP_PLASMA)
        alpha = np.clip(grey.astype(np.float32) * 1.6, 0, 255) * 0.75
        done, content = cv2.imencode(".png", np.dstack([colour, alpha.astype(np.uint8)]))
        return content.tobytes() if done else None

    def _decode(self, advert: str, name: str, sha256: str) -> Pixels:
        path = self._photos.get((advert, name))
        if path is not None:
            try:
                photo = read_photo(path, advert, name)
                if photo.sha256 == sha256:
                    return photo.srgb
            except PhotoError:
                pass
        return read_photo(self._out / crops.photo_file(sha256), advert, name).srgb


def photo_files(batch: str | None, unpacked: Path) -> dict[tuple[str, str], Path]:
    """Where each photo of a batch lies, by advert and name; nothing where the batch is not at hand any more.

    A zip is unpacked into the folder `unpacked`, which must stay as long as the photos are looked at.
    """
    if batch is None:
        return {}
    try:
        found = read_batch(Path(batch), unpacked)
    except ScreeningError:
        return {}
    return {
        (advert.name, name): path
        for advert in found.adverts
        for name, path in zip(photo_names(advert), advert.photos, strict=True)
    }


def _jpeg(pixels: Pixels) -> bytes:
    bgr = cv2.cvtColor(np.ascontiguousarray(pixels), cv2.COLOR_RGB2BGR)
    done, content = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    if not done:
        raise PhotoError("photo", "it cannot be encoded", "look at the photo in another program")
    return content.tobytes()
