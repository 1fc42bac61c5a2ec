"""The identification plate: where it is in a photo, what stands on it, and which code of the paint table that is.

Letters are read by RapidOCR, whose networks come in its package. A code is only taken where each of its characters was
read, as itself or as one that readers take for it (0 and O, 8 and B), and where no other code of the table and no
chance hit explains the letters as well: else the plate is unread. A code of the table's form that is clearly read and
like none of its codes is told as one that the table lacks. No other letters of a plate are kept as text.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
import numpy.typing as npt
from pydantic import Field

from pipeline.configuration import Config, load, shipped
from pipeline.network import NetworkMaps
from pipeline.paint_table import Paint, bare
from pipeline.records import ZONES, Box, Measure, Photo, Probability

CUE = "plate_code"
UNREAD, UNLISTED = "unread", "not in the paint table"
CHARACTERS = 36  # letters and digits: what a code could be by chance
MARGIN = 0.15  # of a plate's own size, taken in around it: the network's edge is soft


class PlateSettings(Config):
    """When a plate is read, and when its code counts as read (`plate` in configs/colour.yaml)."""

    shots: tuple[str, ...]
    least_zone: Probability
    least_width_px: int = Field(gt=0)
    longest_side_px: int = Field(gt=0)
    least_letter_px: float = Field(ge=0)
    least_score: Probability
    read: Probability
    look_alikes: tuple[str, ...]
    look_alike: float = Field(gt=0, lt=1)
    unlisted_score: Probability
    unlisted_differs: int = Field(ge=1)
    labels: tuple[str, ...]
    upright_score: Probability


class ReaderSettings(Config):
    """The whole of configs/reader.yaml."""

    threads: int = Field(gt=0)
    find_side_px: int = Field(gt=0)
    least_line_px: int = Field(gt=0)


@dataclass(frozen=True, slots=True)
class Line:
    """One line of letters: what was read, how surely (0 to 1), and how high it is in pixels of the picture."""

    text: str
    score: float
    height_px: float


Reader = Callable[[npt.NDArray[np.uint8]], Sequence[Line]]  # takes uint8 (H, W, 3), RGB


@dataclass(frozen=True, slots=True)
class PlateReading:
    """What a plate says of the paint. `code` is as the table writes it, or None with the reason why it is unread.

    `unlisted`: a code that the table lacks, as the plate writes it; `probability` is then the reader's own score.
    """

    code: str | None
    probability: float
    reason: str = ""
    unlisted: str | None = None


def measure_plate(
    photo: Photo, maps: NetworkMaps, paints: Sequence[Paint], settings: PlateSettings, reader: Reader | None = None
) -> Measure | None:
    """Find and read the plate of a photo; None where there is no plate in it, or no table to match it with.

    The measure's `text` is the code as the table writes it, or `unread` and why, or `not in the paint table` and what
    stands there; its value is the probability of the code.
    """
    box = find_plate(photo, maps, settings) if paints else None
    if box is None:
        return None
    crop = photo.srgb[box.y : box.y + box.height, box.x : box.x + box.width]
    factor = min(1.0, settings.longest_side_px / max(crop.shape[:2]))
    if factor < 1:
        size = (max(1, round(crop.shape[1] * factor)), max(1, round(crop.shape[0] * factor)))
        crop = cv2.resize(crop, size, interpolation=cv2.INTER_AREA)
    read = reader or read_lines
    reading = PlateReading(None, 0.0)
    for turned in (crop, crop[::-1, ::-1]):  # upright, and if that says nothing, upside down
        lines = [Line(line.text, line.score, line.height_px / factor) for line in read(np.ascontiguousarray(turned))]
        seen = match_code(lines, paints, settings)
        reading = seen if seen.code or seen.unlisted or not reading.reason else reading
        if reading.code or reading.unlisted or not may_be_upside_down(lines, settings):
            break
    return Measure(
        cue=CUE,
        value=round(reading.probability, 4),
        unit="probability",
        uncertainty=None,
        zone="identification_plate",
        regions=(box,),
        text=reading.code or (f"{UNLISTED}: {reading.unlisted}" if reading.unlisted else f"{UNREAD}: {reading.reason}"),
    )


def find_plate(photo: Photo, maps: NetworkMaps, settings: PlateSettings) -> Box | None:
    """The largest place that is an identification plate, with a margin; the whole photo where the shot is of one.

    None in the shots where a plate is no more than a spot: letters take time to read.
    """
    shot = maps.shots.get("identification_plate", 0.0)
    if sum(maps.shots.get(name, 0.0) for name in settings.shots) < settings.least_zone:
        return None
    cells = (maps.zones[1 + ZONES.index("identification_plate")] >= settings.least_zone).astype(np.uint8)
    count, _, stats, _ = cv2.connectedComponentsWithStats(cells, connectivity=8)
    if count > 1:
        left, top, width, height, _ = (
            float(value) * maps.scale for value in stats[1 + int(stats[1:, cv2.CC_STAT_AREA].argmax())]
        )
        if width >= settings.least_width_px:
            x, y = max(0, int(left - MARGIN * width)), max(0, int(top - MARGIN * height))
            return Box(
                x=x,
                y=y,
                width=max(1, min(photo.width, int(left + (1 + MARGIN) * width)) - x),
                height=max(1, min(photo.height, int(top + (1 + MARGIN) * height)) - y),
                score=round(float(maps.zones[1 + ZONES.index("identification_plate")].max()), 4),
                zone="identification_plate",
            )
    if shot < settings.least_zone or photo.width < settings.least_width_px:
        return None
    return Box(x=0, y=0, width=photo.width, height=photo.height, score=round(shot, 4), zone="identification_plate")


def may_be_upside_down(lines: Sequence[Line], settings: PlateSettings) -> bool:
    """Whether letters were found that read so badly, on the mean of their letters, that they may be upside down."""
    large = [line for line in lines if line.height_px >= settings.least_letter_px and line.text]
    letters = sum(len(line.text) for line in large)
    return bool(large) and sum(line.score * len(line.text) for line in large) < settings.upright_score * letters


def match_code(lines: Sequence[Line], paints: Sequence[Paint], settings: PlateSettings) -> PlateReading:
    """The code of the table that stands on the plate, or why none is taken.

    Each code is as likely beforehand. Its evidence is the best place on the plate where all its characters stand, each
    as itself or, with the probability `look_alike`, as a look-alike. Against it stand the other codes of the table and
    chance: so many places on the plate, each with random letters and digits. So a code of one letter is never read.
    """
    large = [line for line in lines if line.height_px >= settings.least_letter_px]
    clear = [line.text for line in large if line.score >= settings.least_score]
    if not clear:
        reason = (
            "no letters were found" if not lines else "its letters are too small" if not large else "it is not clear"
        )
        return PlateReading(None, 0.0, reason)
    places = [place for text in clear for place in _places(text, settings)]
    codes = [bare(paint.code) for paint in paints]
    evidence = np.array([max((_read_as(place, code, settings) for place in places), default=0.0) for code in codes])
    best = int(evidence.argmax())
    if evidence[best] == 0:
        return _unlisted([line for line in large if line.score >= settings.unlisted_score], codes, settings)
    tried = sum(len(place) == len(codes[best]) for place in places)
    chance = len(codes) * tried * float(CHARACTERS) ** -len(codes[best])
    probability = float(evidence[best] / (evidence.sum() + chance))
    if probability < settings.read:
        return PlateReading(None, probability, "more than one code, or chance, would explain what was read")
    return PlateReading(paints[best].code, probability)


def _unlisted(lines: Sequence[Line], codes: Sequence[str], settings: PlateSettings) -> PlateReading:
    """The one code on a plate that has the form of the table's codes and is none of them; unread where there is none.

    Of the form is what has letters and digits where a code of the table has them, and either that code's letters or
    a label in its line. One that is nearly a code of the table may be that code, misread.
    """
    none = PlateReading(None, 0.0, "no code of the paint table stands on it")
    found: dict[str, PlateReading] = {}
    for line in lines:
        words, labelled = _words(line.text, settings)
        written = " ".join(words)
        place = bare(written)
        alike = [code for code in codes if _form(code) == _form(place)]
        letters = re.sub(r"\d", "", place)
        if alike and (labelled or (letters and letters in {re.sub(r"\d", "", code) for code in alike})):
            found[place] = PlateReading(None, line.score, none.reason, written)
    if len(found) != 1:
        return none
    ((place, reading),) = found.items()
    if any(_differ(place, code, settings) < settings.unlisted_differs for code in codes if len(code) == len(place)):
        return PlateReading(None, 0.0, "it may be a code of the paint table with a character misread")
    return reading


def _form(code: str) -> str:
    """Where a code has letters and where digits."""
    return "".join("9" if character.isdigit() else "A" for character in code)


def _differ(place: str, code: str, settings: PlateSettings) -> int:
    """How many characters of two codes of one length are neither the same nor look-alikes."""
    return sum(
        seen != true and not any(seen in group and true in group for group in settings.look_alikes)
        for seen, true in zip(place, code, strict=True)
    )


def _places(text: str, settings: PlateSettings) -> list[str]:
    """Every run of whole words of a line, without what stands between them; a label glued to a word is cut off."""
    words, _ = _words(text, settings, keep=True)
    return [bare("".join(words[i:j])) for i in range(len(words)) for j in range(i + 1, min(i + 5, len(words) + 1))]


def _words(text: str, settings: PlateSettings, *, keep: bool = False) -> tuple[list[str], bool]:
    """The words of a line, and whether a label stands among them or is glued to one; labels alone only with `keep`."""
    plain = re.findall(r"[^\W_]+", text.upper())
    words = plain
    for label in settings.labels:
        words = [word.removeprefix(label.upper()) or word for word in words]
    labels = {label.upper() for label in settings.labels}
    return [word for word in words if keep or word not in labels], words != plain or bool(labels & set(plain))


def _read_as(place: str, code: str, settings: PlateSettings) -> float:
    """Probability of reading `place` where `code` stands; 0 where a character is missing or no look-alike."""
    if len(place) != len(code):
        return 0.0
    probability = 1.0
    for seen, true in zip(place, code, strict=True):
        if seen != true:
            alike = any(seen in group and true in group for group in settings.look_alikes)
            probability *= settings.look_alike if alike else 0.0
    return probability


@cache
def reader_settings() -> ReaderSettings:
    """The shipped settings."""
    return load(shipped("reader.yaml"), ReaderSettings)


@cache
def _engine() -> Callable[..., object]:
    from rapidocr import RapidOCR  # here: it takes half a second, and most photos show no plate

    settings = reader_settings()
    engine: Callable[..., object] = RapidOCR(
        params={
            "Global.log_level": "critical",
            "Global.text_score": 0.0,
            "EngineConfig.onnxruntime.intra_op_num_threads": settings.threads,
            "EngineConfig.onnxruntime.inter_op_num_threads": settings.threads,
            "Det.limit_type": "max",
            "Det.limit_side_len": settings.find_side_px,
            "Rec.rec_img_shape": [3, 48, settings.least_line_px],
            "Rec.rec_batch_num": 1,  # lines that are read together are all filled up to the widest
        }
    )
    return engine


def read_lines(picture: npt.NDArray[np.uint8]) -> list[Line]:
    """Every line of letters in an upright uint8 (H, W, 3) picture."""
    # without the part that turns single lines round: it takes a W for an M now and then
    result = _engine()(cv2.cvtColor(picture, cv2.COLOR_RGB2BGR), use_det=True, use_cls=False)
    texts, scores, boxes = (getattr(result, name) for name in ("txts", "scores", "boxes"))
    if texts is None or boxes is None:
        return []
    return [
        Line(str(text), float(score), _height(np.asarray(box, np.float64)))
        for text, score, box in zip(texts, scores, boxes, strict=True)
    ]


def read_line(picture: npt.NDArray[np.uint8]) -> Line:
    """The one line of letters that fills an upright uint8 (H, W, 3) picture."""
    # the engine keeps what it was told last, so that both readers say whether to look for lines
    result = _engine()(cv2.cvtColor(picture, cv2.COLOR_RGB2BGR), use_det=False, use_cls=False)
    texts, scores = (getattr(result, name) for name in ("txts", "scores"))
    return Line(str(texts[0]), float(scores[0]), float(picture.shape[0])) if texts else Line("", 0.0, 0.0)


def _height(corners: npt.NDArray[np.float64]) -> float:
    """Height of a line's box (4, 2), corners clockwise from the upper left."""
    return float((np.hypot(*(corners[3] - corners[0])) + np.hypot(*(corners[2] - corners[1]))) / 2)
