"""Made identification plates: known text on brushed metal, at an angle, through noise, blur and JPEG."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

FONTS = (cv2.FONT_HERSHEY_SIMPLEX, cv2.FONT_HERSHEY_DUPLEX, cv2.FONT_HERSHEY_COMPLEX)
CHARACTERS = np.array(list("ABCDEFGHJKLMNPRSTUVWXYZ0123456789"))


def made_plate(
    code: str, letter_px: float, rng: np.random.Generator, *, label: str = "PAINT", width: int = 1000, height: int = 750
) -> npt.NDArray[np.uint8]:
    """A photo (height, width, 3) of a plate on a painted panel; the code's capital letters are `letter_px` high."""
    w, h = 760, 460
    dark = rng.random() < 0.4
    brushed = cv2.GaussianBlur(rng.normal(size=(h, w)).astype(np.float32), (61, 1), 0) * 12
    plate = (40.0 if dark else 165.0) + brushed
    ink = 190.0 if dark else float(rng.uniform(15, 70))
    letters = np.zeros((h, w), np.uint8)
    font = FONTS[rng.integers(len(FONTS))]
    capital = 40.0  # height of the code's letters in the plane
    scale = cv2.getFontScaleFromHeight(font, int(capital), 3)
    rows = [
        ("TYPE", f"{rng.integers(80, 130)}"),
        (label, code),
        ("NO", "".join(rng.choice(CHARACTERS, size=14))),
        ("YEAR", str(rng.integers(1965, 1994))),
    ]
    for k, (name, text) in enumerate(rows):
        y = 95 + 105 * k
        cv2.putText(letters, name, (30, y), font, scale * 0.6, 255, 2, cv2.LINE_AA)
        cv2.putText(letters, text, (235, y), font, scale, 255, 3, cv2.LINE_AA)
    plate += (ink - plate) * (letters / 255)
    for x, y in ((18, 18), (w - 18, 18), (18, h - 18), (w - 18, h - 18)):
        plate[cv2.circle(np.zeros((h, w), np.uint8), (x, y), 11, 255, -1) > 0] = 150
    plate = np.repeat(plate[..., None], 3, axis=2)
    zoom = letter_px / capital
    corners = np.array([[-w, -h], [w, -h], [w, h], [-w, h]], np.float32) * zoom / 2
    turn = np.radians(rng.normal() * 5)
    corners = corners @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]], np.float32)
    corners *= 1 + rng.normal(size=(4, 2)).astype(np.float32) * 0.04
    corners += np.array([width / 2, height / 2], np.float32)
    matrix = cv2.getPerspectiveTransform(
        np.array([[0, 0], [w, 0], [w, h], [0, h]], np.float32), corners.astype(np.float32)
    )
    body = np.ones((height, width, 3)) * rng.uniform(30, 210, 3)
    # supersampled by 2: warping alone would alias where the plate is made smaller
    big = cv2.warpPerspective(plate, np.diag([2.0, 2.0, 1.0]) @ matrix, (2 * width, 2 * height), flags=cv2.INTER_AREA)
    cover = cv2.warpPerspective(np.ones((h, w), np.float32), np.diag([2.0, 2.0, 1.0]) @ matrix, (2 * width, 2 * height))
    seen = cv2.resize(big, (width, height), interpolation=cv2.INTER_AREA)
    share = cv2.resize(cover, (width, height), interpolation=cv2.INTER_AREA)[..., None]
    light = 1 + 0.3 * rng.normal() * np.linspace(-0.5, 0.5, width)[None, :, None]
    photo = (body * (1 - share) + seen * share) * light
    photo = cv2.GaussianBlur(photo, (0, 0), float(rng.uniform(0.4, 0.8))) + rng.normal(size=photo.shape) * rng.uniform(
        2, 6
    )
    jpeg = cv2.imencode(
        ".jpg", photo.clip(0, 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(60, 93))]
    )[1]
    return np.asarray(cv2.cvtColor(cv2.imdecode(jpeg, cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB), np.uint8)
