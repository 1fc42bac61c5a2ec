"""Whether a photo is mirrored, told by lettering: letters on a plate that read better the other way round.

A mirrored photo shows the vehicle's left where its right is. Where no letters are large enough, nothing is told.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import numpy.typing as npt

from pipeline.network import Manifest, NetworkMaps
from pipeline.photos import LetteringSettings
from pipeline.plate import Line, read_line
from pipeline.records import Photo

SURFACE = "plate"
MARGIN = 0.06  # of a plate's own size, taken in around it: the network's edge is soft

Reader = Callable[[npt.NDArray[np.uint8]], Line]  # takes one line of letters, uint8 (H, W, 3), RGB


def is_mirrored(
    photo: Photo, maps: NetworkMaps, manifest: Manifest, settings: LetteringSettings, reader: Reader = read_line
) -> bool:
    """Whether the letters of the largest plate in the photo are the wrong way round."""
    crop = _largest_plate(photo, maps, manifest, settings)
    if crop is None:
        return False
    upright, turned = reader(crop), reader(np.ascontiguousarray(crop[:, ::-1]))
    letters = sum(character.isalnum() for character in turned.text)
    return (
        letters >= settings.least_letters
        and turned.score >= settings.least_score
        and turned.score - upright.score >= settings.least_gain
    )


def _largest_plate(
    photo: Photo, maps: NetworkMaps, manifest: Manifest, settings: LetteringSettings
) -> npt.NDArray[np.uint8] | None:
    """The plate's part of the photo; None where there is none, or too small to read."""
    if SURFACE not in manifest.surfaces:
        return None
    cells = (maps.surfaces[manifest.surfaces.index(SURFACE)] >= 0.5).astype(np.uint8)
    count, _, stats, _ = cv2.connectedComponentsWithStats(cells, connectivity=8)
    if count < 2:
        return None
    largest = stats[1 + int(stats[1:, cv2.CC_STAT_AREA].argmax())]
    left, top, width, height = (float(value) * maps.scale for value in largest[:4])
    if width < settings.least_width_px:
        return None
    rows = slice(max(0, int(top - MARGIN * height)), int(np.ceil(top + (1 + MARGIN) * height)))
    columns = slice(max(0, int(left - MARGIN * width)), int(np.ceil(left + (1 + MARGIN) * width)))
    return np.ascontiguousarray(photo.srgb[rows, columns])
