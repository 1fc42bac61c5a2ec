"""Pictures for the human eye: each photo reduced, each place where a cue was seen or something was measured, and the
heat of each cue.

All files of one photo lie in a folder named by the photo's digest, so that the same photo in two adverts is cut once.
They are written while the photo is decoded and carry no metadata of the photo (no place, no time, no camera). A place
under its heat is made of two of them, and only where a page shows it.
"""

from __future__ import annotations

import shutil
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from pipeline.colour import colour_settings, is_finding
from pipeline.errors import ScreeningError
from pipeline.records import Box, Photo, PhotoFindings

FOLDER = "crops"
PHOTO_LONG_SIDE_PX = 720
JPEG_QUALITY = 82
CROP_LEAST_PX = 320  # a sign without its surroundings cannot be judged
CROP_MOST_PX = 640  # of a larger place the middle is cut out: the whole photo shows the rest
CONTEXT = 0.35  # share of the box added on each side
CROPS_A_PHOTO = 5  # of what was seen, or more where more are findings, and as many of what was measured
FAINTEST = 3  # of 255: heat under this is not drawn

Pixels = npt.NDArray[np.uint8]
Heat = npt.NDArray[np.float32]
Levels = npt.NDArray[np.uint8]  # the same in steps of 1/255, as it is kept in files


@dataclass(frozen=True, slots=True)
class Crop:
    """One place that is cut out: the cue and its box, and where the picture is cut (photo pixels)."""

    cue: str
    box: Box
    left: int
    top: int
    width: int
    height: int

    @property
    def holds_all(self) -> bool:
        """Whether the whole box is in the picture; of a larger one it shows the middle."""
        return self.box.width <= self.width and self.box.height <= self.height


def folder_of(sha256: str) -> Path:
    """Where the pictures of one photo lie, from OUT."""
    return Path(FOLDER, sha256[:16])


def photo_file(sha256: str) -> Path:
    """The whole photo, reduced to 720 pixels on its long side; path from OUT."""
    return folder_of(sha256) / "photo.jpg"


def crop_file(sha256: str, crop: Crop) -> Path:
    """The place as photographed; path from OUT."""
    return folder_of(sha256) / f"{_name_of(crop)}.jpg"


def overlay_file(sha256: str, crop: Crop) -> Path:
    """The same cut under the heat of its cue; path from OUT."""
    return folder_of(sha256) / f"{_name_of(crop)}-heat.jpg"


def heat_file(sha256: str, cue: str) -> Path:
    """The cue's probability over the whole photo as a grey PNG, 255 is certain; path from OUT."""
    return folder_of(sha256) / f"{cue}-heat.png"


def flat_name(path: Path) -> str:
    """The name of a picture where all lie in one folder, from its path from OUT."""
    return f"{path.parent.name}-{path.name}"


def crops_of(findings: PhotoFindings) -> tuple[Crop, ...]:
    """The places of a photo worth cutting out: what was seen, strongest first, then what was measured elsewhere.

    Of what was seen all that a person judged to be signs, and the strongest finding of each cue in each zone and on
    each side, since that is what is weighed; then the strongest faint signs, before any second. Of what was measured
    first what is a finding.
    """
    places = dict.fromkeys((*_seen(findings), *_measured(findings)))  # a masking edge is often both
    return tuple(Crop(cue, box, *_cut(box, findings.width, findings.height)) for cue, box in places)


def files_of(findings: PhotoFindings) -> tuple[Path, ...]:
    """Every picture that belongs to a finished photo; paths from OUT."""
    crops = crops_of(findings)
    heated = [cue for cue in _cues_in(crops, findings) if findings.cues[cue].heat is not None]
    return (
        photo_file(findings.sha256),
        *(heat_file(findings.sha256, cue) for cue in heated),
        *(crop_file(findings.sha256, crop) for crop in crops),
    )


def write_pictures(photo: Photo, findings: PhotoFindings, heats: Mapping[str, Heat], out: Path) -> PhotoFindings:
    """Write all pictures of one photo below `out`; return its findings with `heat` filled where a heat map was written.

    `heats` holds float32 (h, w) probabilities in the photo's own aspect at any resolution. Pictures of an earlier look
    are replaced. Raises ScreeningError where the disk refuses.
    """
    crops = crops_of(findings)
    sha256 = findings.sha256
    shutil.rmtree(out / folder_of(sha256), ignore_errors=True)
    try:
        (out / folder_of(sha256)).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ScreeningError(
            out / folder_of(sha256),
            f"the pictures cannot be written ({error.strerror})",
            "free space or choose another --out",
        ) from None
    write_picture(out / photo_file(sha256), reduced(photo.srgb, PHOTO_LONG_SIDE_PX))
    for crop in crops:
        _write_cut(sha256, crop, photo.srgb, out)
    cues = dict(findings.cues)
    for cue in _cues_in(crops, findings):
        write_picture(out / heat_file(sha256, cue), cv2.convertScaleAbs(heats[cue], alpha=255))
        cues[cue] = cues[cue].model_copy(update={"heat": heat_file(sha256, cue).as_posix()})
    return findings.model_copy(update={"cues": cues})


def are_missing(findings: PhotoFindings, out: Path) -> bool:
    """Whether some cut of a photo is not there yet."""
    return bool(_missing(findings, out))


def add_missing(findings: PhotoFindings, out: Path, srgb: Pixels | None = None) -> None:
    """Cut out what is not there yet: the places that a person marked or mended after the screening.

    `srgb` is the photo at its own size, uint8 (H, W, 3); without it the photo as it was reduced has to do. Raises
    ScreeningError where the disk refuses.
    """
    sha256, missing = findings.sha256, _missing(findings, out)
    if missing and srgb is None:
        small = _read(out / photo_file(sha256), cv2.IMREAD_COLOR)
        if small is None:
            return  # whoever shows the photo will say that it is gone
        large = cv2.resize(small, (findings.width, findings.height), interpolation=cv2.INTER_CUBIC)
        srgb = np.asarray(cv2.cvtColor(large, cv2.COLOR_BGR2RGB), np.uint8)
    for crop in missing:
        assert srgb is not None
        _write_cut(sha256, crop, srgb, out)


def add_overlay(findings: PhotoFindings, crop: Crop, out: Path) -> None:
    """Lay the heat that was kept over a cut, where that is not done yet. Raises ScreeningError where the disk refuses.

    Heat that was lost is cold all over.
    """
    path = out / overlay_file(findings.sha256, crop)
    plain = None if path.is_file() else _read(out / crop_file(findings.sha256, crop), cv2.IMREAD_GRAYSCALE)
    if plain is None:
        return  # done, or the cut is gone, as whoever shows it will say
    heat = _read(out / heat_file(findings.sha256, crop.cue), cv2.IMREAD_GRAYSCALE)
    size = findings.width, findings.height
    here = _heat_in(np.zeros((2, 2), np.uint8) if heat is None else heat, crop, size)
    write_picture(path, heat_overlay(plain, here))


def remove_others(out: Path, keep: frozenset[str]) -> None:
    """Remove the pictures of photos that are not (any more) in the batch, given the digests of those that are."""
    names = {folder_of(sha256).name for sha256 in keep}
    folder = out / FOLDER
    if folder.is_dir():
        for child in folder.iterdir():
            if child.is_dir() and child.name not in names:
                shutil.rmtree(child, ignore_errors=True)


def heat_overlay(grey: Pixels, heat: Levels) -> Pixels:
    """`heat` laid over a picture in grey: uint8 (H, W) both, of heat 255 is certain, to sRGB uint8 (H, W, 3).

    Clear where the cue is improbable, through violet and orange to yellow where it is certain; even steps of the scale
    look even and grow lighter all along, so they read in grey print too. A line runs where the cue is as likely as not.
    """
    under, over = _heat_scale()
    shaded = cv2.multiply(grey, cv2.LUT(heat, under), scale=1 / 255)
    colours = cv2.LUT(cv2.cvtColor(heat, cv2.COLOR_GRAY2RGB), over)
    mixed = cv2.add(cv2.cvtColor(shaded, cv2.COLOR_GRAY2RGB), colours)
    likely = cv2.threshold(heat, 127, 255, cv2.THRESH_BINARY)[1]
    outlines, _ = cv2.findContours(likely, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    cv2.drawContours(mixed, outlines, -1, (20, 20, 20), 3, cv2.LINE_AA)
    cv2.drawContours(mixed, outlines, -1, (255, 255, 255), 1, cv2.LINE_AA)
    return np.asarray(mixed, np.uint8)


@cache
def _heat_scale() -> tuple[Pixels, Pixels]:
    """By level of heat: what share of the grey photo stays, uint8 (256,) of 255, and the colour laid over it, RGB."""
    levels = np.arange(256)
    share = np.where(levels < FAINTEST, 0, np.minimum(levels / 255 * 1.6, 1) * 0.75)
    colours = cv2.applyColorMap(levels.astype(np.uint8)[None], cv2.COLORMAP_PLASMA)[:, :, ::-1]
    under = np.round(0.85 * 255 * (1 - share)).astype(np.uint8)  # a little darker all over, so that the heat stands out
    return under, np.round(colours * share[None, :, None]).astype(np.uint8)


def _seen(findings: PhotoFindings) -> list[tuple[str, Box]]:
    places = [
        (cue, number, box) for cue, finding in findings.cues.items() for number, box in enumerate(finding.boxes, 1)
    ]
    places.sort(key=lambda place: (-place[2].score, place[0], place[1]))
    before: Counter[tuple[str, str | None, str | None]] = Counter()
    ranked = []
    for cue, number, box in places:
        turn = -1 if box.judged else before[cue, box.zone, box.side]
        ranked.append((turn, not findings.cues[cue].found, -box.score, cue, number, box))
        before[cue, box.zone, box.side] += 1
    most = max(CROPS_A_PHOTO, sum(turn < 0 or (turn == 0 and not is_faint) for turn, is_faint, *_ in ranked))
    chosen = sorted(sorted(ranked, key=lambda item: item[:5])[:most], key=lambda item: item[2])
    return [(cue, box) for *_, cue, _, box in chosen]


def _measured(findings: PhotoFindings) -> list[tuple[str, Box]]:
    measures = [measure for measure in findings.measures if measure.regions]
    # differences of colour that are findings, what is no difference of colour (a decal, a plate), those that are none
    measures.sort(key=lambda m: (not is_finding(m, colour_settings()), m.unit == "dE00", -m.value))
    return [(measure.cue, measure.regions[0]) for measure in measures[:CROPS_A_PHOTO]]


def _cues_in(crops: Sequence[Crop], findings: PhotoFindings) -> list[str]:
    """The cues that were seen in the places cut out; what was only measured has no heat."""
    cut = dict.fromkeys(crop.cue for crop in crops)
    return [cue for cue in cut if cue in findings.cues and findings.cues[cue].boxes]


def _missing(findings: PhotoFindings, out: Path) -> list[Crop]:
    return [crop for crop in crops_of(findings) if not (out / crop_file(findings.sha256, crop)).is_file()]


def _name_of(crop: Crop) -> str:
    """By its place, not by its number: a person who takes one finding out must not rename the others' pictures."""
    return "-".join(map(str, (crop.cue, crop.box.x, crop.box.y, crop.box.width, crop.box.height)))


def _write_cut(sha256: str, crop: Crop, srgb: Pixels, out: Path) -> None:
    here = np.s_[crop.top : crop.top + crop.height, crop.left : crop.left + crop.width]
    write_picture(out / crop_file(sha256, crop), srgb[here])


def _cut(box: Box, photo_width: int, photo_height: int) -> tuple[int, int, int, int]:
    """(left, top, width, height) around the box with its surroundings, inside the photo, in the photo's own pixels."""

    def along(start: int, length: int, limit: int) -> tuple[int, int]:
        size = min(max(round(length * (1 + 2 * CONTEXT)), CROP_LEAST_PX), CROP_MOST_PX, limit)
        return min(max(start + length // 2 - size // 2, 0), limit - size), size

    left, width = along(box.x, box.width, photo_width)
    top, height = along(box.y, box.height, photo_height)
    return left, top, width, height


def reduced(pixels: Pixels, long_side_px: int) -> Pixels:
    """The picture with its long side at `long_side_px` at most; uint8 (H, W, 3)."""
    height, width = pixels.shape[:2]
    scale = long_side_px / max(height, width)
    if scale >= 1:
        return pixels
    size = max(1, round(width * scale)), max(1, round(height * scale))
    while pixels.shape[1] >= 2 * size[0] and pixels.shape[0] >= 2 * size[1]:
        # halved, the interpolation is the mean of four pixels, and much faster than averaging over part pixels
        pixels = cv2.resize(pixels, (pixels.shape[1] // 2, pixels.shape[0] // 2), interpolation=cv2.INTER_LINEAR)
    return np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_LINEAR), np.uint8)


def _heat_in(heat: Levels, crop: Crop, photo_size: tuple[int, int]) -> Levels:
    """The part of a photo's heat map that lies in the crop, sampled at the crop's pixels."""
    across, down = heat.shape[1] / photo_size[0], heat.shape[0] / photo_size[1]  # map pixels per photo pixel
    # pixel centres: crop pixel i shows photo place left + i + 0.5, which is map pixel (left + i + 0.5) * across - 0.5
    matrix = np.array(
        [[across, 0, (crop.left + 0.5) * across - 0.5], [0, down, (crop.top + 0.5) * down - 0.5]],
        np.float64,
    )
    sampled = cv2.warpAffine(
        heat,
        matrix,
        (crop.width, crop.height),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(sampled, np.uint8)


def _read(path: Path, flags: int) -> Pixels | None:
    """A picture as OpenCV reads it; None, and no warning of OpenCV's, where the file is gone."""
    return cv2.imread(str(path), flags) if path.is_file() else None


def write_picture(path: Path, pixels: Pixels) -> None:
    """Write uint8 (H, W, 3) RGB or (H, W) grey as JPEG or PNG, by the file's ending, without any metadata.

    The file is replaced, so that another name of an earlier one keeps what it had. Raises ScreeningError where the disk
    refuses.
    """
    image = cv2.cvtColor(np.ascontiguousarray(pixels), cv2.COLOR_RGB2BGR) if pixels.ndim == 3 else pixels
    parameters = [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY] if path.suffix == ".jpg" else []
    done, content = cv2.imencode(path.suffix, image, parameters)
    partial = path.with_name(f".{path.name}.partial")
    try:
        if not done:
            raise OSError(0, "the encoder refused the picture")
        partial.write_bytes(content.tobytes())
        partial.replace(path)
    except OSError as error:
        raise ScreeningError(
            path, f"it cannot be written ({error.strerror})", "free space or choose another --out"
        ) from None
