"""Photos of flat things, drawn in the plane, then seen at an angle: papers on a table, a maker's plate on a panel."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from pipeline.records import SURFACES, ZONES
from synthetic_data.camera import Exposure
from synthetic_data.paint import lab_to_linear_srgb

Array = npt.NDArray[Any]
FONTS = (cv2.FONT_HERSHEY_SIMPLEX, cv2.FONT_HERSHEY_DUPLEX, cv2.FONT_HERSHEY_COMPLEX, cv2.FONT_HERSHEY_PLAIN)
LETTERS = np.array(list("ABCDEFGHJKLMNPRSTUVWXYZ0123456789"))


def _words(rng: np.random.Generator, letters: int) -> str:
    return (
        "".join(rng.choice(LETTERS, size=letters))
        if rng.random() < 0.5
        else "".join(rng.choice(list("aeinorstulcmdp "), size=letters))
    )


def _cloud(rng: np.random.Generator, shape: tuple[int, int], scale: int) -> Array:
    small = rng.normal(size=(max(2, shape[0] // scale), max(2, shape[1] // scale))).astype(np.float32)
    return np.asarray(cv2.resize(small, shape[::-1], interpolation=cv2.INTER_CUBIC))


def _seen_at_an_angle(
    rng: np.random.Generator, sheet: Array, inside: Array, back: Array, fill: float
) -> tuple[Array, Array]:
    """The sheet in perspective before the background; returns radiance and where the sheet is."""
    height, width = back.shape[:2]
    h, w = sheet.shape[:2]
    scale = fill * min(width / w, height / h)
    corners = np.array([[-w, -h], [w, -h], [w, h], [-w, h]], np.float32) * scale / 2
    turn = np.radians(rng.normal() * 8)
    corners = corners @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]], np.float32)
    corners *= 1 + rng.normal(size=(4, 2)).astype(np.float32) * 0.06
    corners += (
        np.array([width / 2, height / 2], np.float32)
        + rng.normal(size=2).astype(np.float32) * min(width, height) * 0.04
    )
    matrix = cv2.getPerspectiveTransform(
        np.array([[0, 0], [w, 0], [w, h], [0, h]], np.float32), corners.astype(np.float32)
    )
    seen = cv2.warpPerspective(sheet, matrix, (width, height), flags=cv2.INTER_AREA)
    cover = cv2.warpPerspective(inside, matrix, (width, height))[..., None]
    return back * (1 - cover) + seen * cover, cover[..., 0] > 0.5


def _lit(rng: np.random.Generator, picture: Array) -> Array:
    height, width = picture.shape[:2]
    yy, xx = np.mgrid[0:height, 0:width].astype(np.float32) / max(height, width)
    way = rng.normal(size=2)
    fall = 1 + 0.5 * (way[0] * (xx - 0.5) + way[1] * (yy - 0.4)) + 0.08 * _cloud(rng, (height, width), 200)
    return np.asarray(np.clip(picture * np.clip(fall, 0.15, 3)[..., None], 0, None), np.float32)


def _exposure(radiance: Array, surface: Array, zone: Array) -> Exposure:
    return Exposure(radiance, surface, zone, np.zeros_like(surface), {}, None, 0.4)


def _write(sheet: Array, text: str, at: tuple[int, int], font: int, size: float, ink: Array, width: int) -> None:
    """Text on a float sheet: drawn as coverage in bytes, which is what OpenCV's fonts take."""
    (wide, tall), below = cv2.getTextSize(text, font, size, width)
    left, top = max(at[0] - 2, 0), max(at[1] - tall - 4, 0)
    part = sheet[top : at[1] + below + 4, left : at[0] + wide + 4]
    if not part.size:
        return
    cover = np.zeros(part.shape[:2], np.uint8)
    cv2.putText(cover, text, (at[0] - left, at[1] - top), font, size, 255, width, cv2.LINE_AA)
    share = (cover / np.float32(255))[..., None]
    part += share * (np.asarray(ink, np.float32) - part)


def document_photo(rng: np.random.Generator, width: int, height: int) -> Exposure:
    """A printed form on a table or the floor."""
    w, h = 900, int(rng.choice([640, 1270]))
    sheet = (
        np.ones((h, w, 3), np.float32)
        * rng.uniform(0.65, 0.85)
        * np.array([1, rng.uniform(0.95, 1), rng.uniform(0.85, 1)], np.float32)
    )
    ink = rng.uniform(0.02, 0.15, 3).astype(np.float32)
    font, y = FONTS[rng.integers(len(FONTS))], 60
    _write(sheet, _words(rng, 12), (60, y), font, 1.6, ink, 3)
    while y < h - 60:
        y += int(rng.integers(26, 58))
        x = 60
        if rng.random() < 0.12:
            cv2.line(sheet, (40, y - 10), (w - 40, y - 10), tuple(float(c) for c in ink * 2), 2)
        while x < w - 200 and rng.random() < 0.85:
            text = _words(rng, int(rng.integers(3, 14)))
            _write(sheet, text, (x, y), font, float(rng.uniform(0.5, 0.75)), ink, 1)
            x += 30 + 14 * len(text)
        if rng.random() < 0.1:
            cv2.rectangle(
                sheet,
                (int(rng.integers(40, 500)), y),
                (int(rng.integers(520, w - 40)), min(y + 60, h - 10)),
                tuple(float(c) for c in ink * 2),
                2,
            )
    table = np.array(rng.uniform(0.03, 0.5, 3), np.float32) * (1 + 0.15 * _cloud(rng, (height, width), 60)[..., None])
    table = table + 0.03 * rng.normal(size=(height, width, 1)).astype(np.float32)
    radiance, _ = _seen_at_an_angle(
        rng, sheet, np.ones((h, w), np.float32), np.clip(table, 0.01, 1), float(rng.uniform(0.75, 1.3))
    )
    flat = np.full((height, width), SURFACES.index("background"), np.uint8)
    return _exposure(_lit(rng, radiance), flat, np.zeros_like(flat))


def plate_photo(rng: np.random.Generator, body_lab: tuple[float, float, float], width: int, height: int) -> Exposure:
    """A maker's plate with stamped or printed text, four fixings, on body colour."""
    w, h = int(rng.integers(700, 1100)), int(rng.integers(420, 700))
    dark = rng.random() < 0.4
    base = rng.uniform(0.02, 0.06) if dark else rng.uniform(0.35, 0.6)
    brushed = cv2.GaussianBlur(rng.normal(size=(h, w)).astype(np.float32), (61, 1), 0) * 0.25
    plate = np.clip(base * (1 + brushed), 0.005, 1)[..., None].repeat(3, 2).astype(np.float32)
    ink = (0.5, 0.5, 0.48) if dark else tuple(float(v) for v in rng.uniform(0.01, 0.08, 3))
    font = FONTS[rng.integers(len(FONTS))]
    _write(plate, _words(rng, 9).upper(), (60, 80), font, 1.7, np.array(ink), 3)
    for k, y in enumerate(range(140, h - 40, int(rng.integers(46, 70)))):
        _write(plate, _words(rng, 7), (50, y), font, 0.8, np.array(ink), 1)
        cv2.rectangle(plate, (250, y - 30), (w - 50, y + 8), ink, 1)
        offset = int(rng.integers(-2, 3))
        value = "".join(rng.choice(LETTERS, size=int(rng.integers(3, 15))))
        stamped = np.array((0.4, 0.4, 0.4)) if dark else 0.55 * np.array(ink)
        _write(plate, value, (262 + 3 * k % 9, y + offset), cv2.FONT_HERSHEY_DUPLEX, 0.95, stamped, 2)
    for x, y in ((24, 24), (w - 24, 24), (24, h - 24), (w - 24, h - 24)):
        cv2.circle(plate, (x, y), 14, (0.55, 0.55, 0.55), -1, cv2.LINE_AA)
        cv2.circle(plate, (x - 3, y - 3), 6, (0.9, 0.9, 0.9), -1, cv2.LINE_AA)
    body = lab_to_linear_srgb(body_lab).astype(np.float32) * (1 + 0.10 * _cloud(rng, (height, width), 120)[..., None])
    radiance, inside = _seen_at_an_angle(
        rng, plate, np.ones((h, w), np.float32), np.clip(body, 0.004, 1), float(rng.uniform(0.55, 1.1))
    )
    surface = np.where(inside, SURFACES.index("plate"), SURFACES.index("paint")).astype(np.uint8)
    zone = np.where(inside, 1 + ZONES.index("identification_plate"), 0).astype(np.uint8)
    return _exposure(_lit(rng, radiance), surface, zone)
