"""What `maskline share` finds and misses: `python -m tests.pipeline.bench_sharing`. Prints one line of JSON.

Plates: made ones (dark letters on white or yellow, in perspective, with noise, blur and JPEG) laid over the demo's own
renders, which carry no letters; a plate counts as covered where no more than a tenth of its letters' area stays open.
Faces: scikit-image's astronaut at several sizes and angles, and faces of its subset of Labeled Faces in the Wild (of
25 × 25 pixels, so enlarged ones are soft), laid over the same renders. False alarms: on the renders as they are, where
nothing is private. Everything at the size of the report's photos (720 pixels). Needs the extras `dev` and `share`.
"""

from __future__ import annotations

import json
import time
from importlib.resources import files
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
from skimage import data

from pipeline.crops import PHOTO_LONG_SIDE_PX, reduced
from pipeline.redaction import Region, covered, private_places
from tests.pipeline.plates import CHARACTERS, FONTS

Pixels = npt.NDArray[np.uint8]
LETTER_PX = (8, 10, 14, 20, 32)
FACE_PX = (16, 24, 32, 48, 96)
EACH = 16


def renders() -> list[Pixels]:
    folder = Path(str(files("synthetic_data").joinpath("demo", "adverts")))
    photos = [cv2.cvtColor(cv2.imread(str(path)), cv2.COLOR_BGR2RGB) for path in sorted(folder.glob("*/*.jpg"))]
    return [reduced(np.asarray(photo, np.uint8), PHOTO_LONG_SIDE_PX) for photo in photos]


def with_plate(photo: Pixels, letter_px: int, rng: np.random.Generator) -> tuple[Pixels, Region]:
    """The photo with a plate somewhere, and where its letters are."""
    text = "".join(rng.choice(CHARACTERS, size=int(rng.integers(5, 8))))
    font, ink = FONTS[rng.integers(2)], 60
    scale = cv2.getFontScaleFromHeight(font, ink, 8)
    (wide, high), _ = cv2.getTextSize(text, font, scale, 8)
    plate = np.full((high + 50, wide + 60, 3), (235, 235, 230) if rng.random() < 0.5 else (230, 190, 40), np.uint8)
    cv2.putText(plate, text, (30, high + 25), font, scale, (25, 25, 25), 8, cv2.LINE_AA)
    letters = np.array([[30, 25], [30 + wide, 25], [30 + wide, high + 25], [30, high + 25]], np.float64)
    size, turn, lean = letter_px / ink, rng.uniform(-0.15, 0.15), rng.uniform(0.75, 1.0)
    turned = np.array([[np.cos(turn) * lean, -np.sin(turn)], [np.sin(turn) * lean, np.cos(turn)]]) * size
    corners = np.array([[0, 0], [plate.shape[1], 0], plate.shape[1::-1], [0, plate.shape[0]]], np.float64) @ turned.T
    room = np.array(photo.shape[1::-1]) - np.ptp(corners, axis=0)
    shift = rng.uniform(0, 1, 2) * np.maximum(room, 1) - corners.min(axis=0)
    matrix = np.column_stack([turned, shift])
    size_xy = photo.shape[1], photo.shape[0]
    shown = cv2.warpAffine(plate, matrix, size_xy, flags=cv2.INTER_AREA)
    mask = cv2.warpAffine(np.full(plate.shape[:2], 255, np.uint8), matrix, size_xy)[:, :, None] / 255.0
    mixed = photo * (1 - mask) + shown * mask * rng.uniform(0.5, 1.0)
    mixed = cv2.GaussianBlur(mixed, (0, 0), float(rng.uniform(0.3, 0.9))) + rng.normal(0, 3, photo.shape)
    placed = letters @ turned.T + shift
    (left, top), (right, bottom) = placed.min(axis=0), placed.max(axis=0)
    return as_jpeg(mixed), Region(left, top, right, bottom)


def with_face(photo: Pixels, face: Pixels, rng: np.random.Generator) -> tuple[Pixels, Region]:
    """The photo with a face somewhere."""
    side = face.shape[0]
    left, top = (int(rng.integers(0, limit - side)) for limit in (photo.shape[1], photo.shape[0]))
    mixed = photo.astype(np.float64)
    mixed[top : top + side, left : left + side] = face
    return as_jpeg(mixed), Region(left + 0.2 * side, top + 0.2 * side, left + 0.8 * side, top + 0.8 * side)


def as_jpeg(picture: npt.NDArray[np.float64]) -> Pixels:
    _, content = cv2.imencode(
        ".jpg", np.clip(picture, 0, 255).astype(np.uint8)[:, :, ::-1], [cv2.IMWRITE_JPEG_QUALITY, 82]
    )
    return np.ascontiguousarray(cv2.imdecode(content, cv2.IMREAD_COLOR)[:, :, ::-1])


def is_covered(picture: Pixels, place: Region) -> bool:
    """Whether at least nine tenths of the place are under a cover."""
    white, found = np.full_like(picture, 255), private_places(picture)
    rows, columns = (
        slice(max(0, round(place.top)), round(place.bottom)),
        slice(max(0, round(place.left)), round(place.right)),
    )
    return float((covered(white, found)[rows, columns, 0] < 255).mean()) >= 0.9


def main() -> None:
    rng, photos = np.random.default_rng(5), renders()
    begun = time.perf_counter()
    alarms = [len(private_places(photo)) for photo in photos]
    seconds = (time.perf_counter() - begun) / len(photos)
    plates = {
        px: sum(is_covered(*with_plate(photos[rng.integers(len(photos))], px, rng)) for _ in range(EACH))
        for px in LETTER_PX
    }
    wild = [np.repeat((face * 255).astype(np.uint8)[:, :, None], 3, axis=2) for face in data.lfw_subset()[:100]]
    found = {}
    for px in FACE_PX:
        chosen = [cv2.resize(wild[n], (px, px), interpolation=cv2.INTER_CUBIC) for n in rng.permutation(100)[:EACH]]
        found[px] = sum(is_covered(*with_face(photos[rng.integers(len(photos))], face, rng)) for face in chosen)
    astronaut = data.astronaut()
    turned = {}
    for angle in (0, 15, 30, 45, 90):
        turn = cv2.getRotationMatrix2D((220, 125), angle, 1.0)
        head = cv2.warpAffine(astronaut, turn, (512, 512), borderMode=cv2.BORDER_REFLECT)[50:200, 145:295]
        turned[angle] = [
            px for px in FACE_PX
            if is_covered(*with_face(photos[0], cv2.resize(head, (2 * px, 2 * px), interpolation=cv2.INTER_AREA), rng))
        ]  # fmt: skip
    print(
        json.dumps(
            {
                "pictures": len(photos),
                "false_alarms": sum(alarms),
                "seconds_a_picture": round(seconds, 2),
                f"plates_covered_of_{EACH}_by_letter_px": plates,
                f"faces_covered_of_{EACH}_by_px": found,
                "astronaut_covered_by_angle_at_px": turned,
            }
        )
    )


if __name__ == "__main__":
    main()
