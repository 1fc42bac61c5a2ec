"""Letters (so number plates too) and faces found in a picture and covered, before it goes to a stranger.

Two finders, each with its weights in its package: letters by RapidOCR (PP-OCR's networks), faces by dlib's detector for
faces seen from the front. What is covered is filled with one grey: nothing of it is left in the file. Both miss some
(the README says how many, of what), so a person must look through what is shared.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from pydantic import Field

from pipeline.configuration import Config, load, shipped
from pipeline.errors import ScreeningError
from pipeline.records import Probability

Pixels = npt.NDArray[np.uint8]

FILL, EDGE = (128, 128, 128), (40, 40, 40)  # a plain grey field that nobody takes for a part of the vehicle


class RedactionSettings(Config):
    """When something counts as private, and how it is looked for (configs/redaction.yaml)."""

    least_letters: int = Field(gt=0)
    least_letter_score: Probability
    least_face: float
    margin: float = Field(ge=0)
    face_long_side_px: int = Field(gt=0)
    most_enlarged: float = Field(ge=1)


@dataclass(frozen=True, slots=True)
class Region:
    """A place in a picture, in its pixels; it may reach over the edge."""

    left: float
    top: float
    right: float
    bottom: float

    def grown(self, margin: float) -> Region:
        """Larger on every side by `margin` of the shorter side: finders cut close."""
        more = margin * min(self.right - self.left, self.bottom - self.top)
        return Region(self.left - more, self.top - more, self.right + more, self.bottom + more)

    def scaled(self, scale: float) -> Region:
        """The place in the same picture with `scale` times as many pixels a side."""
        return Region(scale * self.left, scale * self.top, scale * self.right, scale * self.bottom)

    def moved(self, right: float, down: float) -> Region:
        """The place in a frame whose origin lies so far to the left and above."""
        return Region(self.left + right, self.top + down, self.right + right, self.bottom + down)


@cache
def redaction_settings() -> RedactionSettings:
    """The shipped settings."""
    return load(shipped("redaction.yaml"), RedactionSettings)


def private_places(picture: Pixels, settings: RedactionSettings | None = None) -> list[Region]:
    """Every line of letters and every face found in a uint8 (H, W, 3) picture, with a margin.

    Raises ScreeningError where the package that finds faces is not installed.
    """
    settings = settings or redaction_settings()
    found = (*lines_of_letters(picture, settings), *faces(picture, settings))
    return [region.grown(settings.margin) for region in found]


def lines_of_letters(picture: Pixels, settings: RedactionSettings) -> list[Region]:
    """Lines with enough letters and digits that are read surely enough."""
    result = _letter_reader()(cv2.cvtColor(picture, cv2.COLOR_RGB2BGR))
    if result.boxes is None or result.txts is None:
        return []
    return [
        _around(np.asarray(box, np.float64))
        for box, text, score in zip(result.boxes, result.txts, result.scores, strict=True)
        if score >= settings.least_letter_score and sum(map(str.isalnum, text)) >= settings.least_letters
    ]


def faces(picture: Pixels, settings: RedactionSettings) -> list[Region]:
    """Faces seen from the front and about upright, from some 24 pixels on; small pictures are enlarged for it."""
    factor = max(1.0, min(settings.face_long_side_px / max(picture.shape[:2]), settings.most_enlarged))
    size = round(picture.shape[1] * factor), round(picture.shape[0] * factor)
    enlarged = cv2.resize(picture, size, interpolation=cv2.INTER_CUBIC)
    found, _, _ = _face_detector().run(enlarged, 1, settings.least_face)  # 1: doubled once more by the detector
    return [Region(face.left(), face.top(), face.right(), face.bottom()).scaled(1 / factor) for face in found]


def covered(picture: Pixels, regions: Iterable[Region]) -> Pixels:
    """The picture, uint8 (H, W, 3), with every region filled with plain grey."""
    result = picture.copy()
    height, width = picture.shape[:2]
    for region in regions:
        left, top = max(0, math.floor(region.left)), max(0, math.floor(region.top))
        right, bottom = min(width, math.ceil(region.right)), min(height, math.ceil(region.bottom))
        if left < right and top < bottom:
            result[top:bottom, left:right] = FILL
            cv2.rectangle(result, (left, top), (right - 1, bottom - 1), EDGE)
    return result


def _around(corners: npt.NDArray[np.float64]) -> Region:
    """The upright box around corners (n, 2)."""
    (left, top), (right, bottom) = corners.min(axis=0), corners.max(axis=0)
    return Region(float(left), float(top), float(right), float(bottom))


@cache
def _letter_reader() -> Any:
    from rapidocr import RapidOCR  # here: it takes half a second

    return RapidOCR(params={"Global.log_level": "critical", "Global.text_score": 0.0, "Global.use_cls": False})


@cache
def _face_detector() -> Any:
    try:
        import dlib
    except ImportError:
        raise ScreeningError(
            "dlib",
            "the package that finds faces is not installed",
            "run in maskline's source folder: pip install '.[share]'; or share with --no-redact",
        ) from None
    return dlib.get_frontal_face_detector()
