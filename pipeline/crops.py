"""Pictures for the human eye: each photo reduced, and each place where a cue was seen, alone and under its heat.

All files of one photo lie in a folder named by the photo's digest, so that the same photo in two adverts is cut once.
They are written while the photo is decoded and carry no metadata of the photo (no place, no time, no camera).
"""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from pipeline.errors import ScreeningError
from pipeline.records import Box, Photo, PhotoFindings

FOLDER = "crops"
PHOTO_LONG_SIDE_PX = 720
JPEG_QUALITY = 82
CROP_LEAST_PX = 320  # a sign without its surroundings cannot be judged
CROP_MOST_PX = 640  # of a larger place the middle is cut out: the whole photo shows the rest
CONTEXT = 0.35  # share of the box added on each side
CROPS_A_PHOTO = 5
FAINTEST = 0.01  # heat under this is not drawn

Pixels = npt.NDArray[np.uint8]
Heat = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Crop:
    """One place that is cut out: the cue and its box, and where the picture is cut (photo pixels)."""

    cue: str
    box: Box
    number: int  # among the boxes of this cue, from 1
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
    """The places of a photo worth cutting out, strongest first: each cue's strongest before any cue's second."""
    ranked = [
        (rank, box, cue, number)
        for cue, finding in findings.cues.items()
        for rank, (number, box) in enumerate(sorted(enumerate(finding.boxes, 1), key=lambda item: -item[1].score))
    ]
    ranked.sort(key=lambda item: (item[0], -item[1].score, item[2]))
    chosen = sorted(ranked[:CROPS_A_PHOTO], key=lambda item: -item[1].score)
    return tuple(Crop(cue, box, number, *_cut(box, findings.width, findings.height)) for _, box, cue, number in chosen)


def files_of(findings: PhotoFindings) -> tuple[Path, ...]:
    """Every picture that belongs to a finished photo; paths from OUT."""
    crops = crops_of(findings)
    heated = dict.fromkeys(crop.cue for crop in crops if findings.cues[crop.cue].heat is not None)
    return (
        photo_file(findings.sha256),
        *(heat_file(findings.sha256, cue) for cue in heated),
        *(file for crop in crops for file in _files_of_crop(findings, crop)),
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
        _write_cut(sha256, crop, photo.srgb, out, heats[crop.cue])
    cues = dict(findings.cues)
    for cue in dict.fromkeys(crop.cue for crop in crops):
        write_picture(out / heat_file(sha256, cue), np.round(heats[cue] * 255).astype(np.uint8))
        cues[cue] = cues[cue].model_copy(update={"heat": heat_file(sha256, cue).as_posix()})
    return findings.model_copy(update={"cues": cues})


def are_missing(findings: PhotoFindings, out: Path) -> bool:
    """Whether some cut of a photo is not there yet."""
    return bool(_missing(findings, out))


def add_missing(findings: PhotoFindings, out: Path, srgb: Pixels | None = None) -> None:
    """Cut out what is not there yet: the places that a person marked or mended after the screening.

    `srgb` is the photo at its own size, uint8 (H, W, 3); without it the photo as it was reduced has to do. There is no
    picture of heat for a cue of which the network saw nothing. Raises ScreeningError where the disk refuses.
    """
    sha256, missing = findings.sha256, _missing(findings, out)
    if missing and srgb is None:
        small = cv2.imread(str(out / photo_file(sha256)), cv2.IMREAD_COLOR)
        if small is None:
            return  # whoever shows the photo will say that it is gone
        large = cv2.resize(small, (findings.width, findings.height), interpolation=cv2.INTER_CUBIC)
        srgb = np.asarray(cv2.cvtColor(large, cv2.COLOR_BGR2RGB), np.uint8)
    for crop in missing:
        assert srgb is not None
        _write_cut(sha256, crop, srgb, out, _kept_heat(findings, crop.cue, out))


def remove_others(out: Path, keep: frozenset[str]) -> None:
    """Remove the pictures of photos that are not (any more) in the batch, given the digests of those that are."""
    names = {folder_of(sha256).name for sha256 in keep}
    folder = out / FOLDER
    if folder.is_dir():
        for child in folder.iterdir():
            if child.is_dir() and child.name not in names:
                shutil.rmtree(child, ignore_errors=True)


def heat_overlay(plain: Pixels, heat: Heat) -> Pixels:
    """`plain` in grey with `heat` laid over it: uint8 (H, W, 3) and float32 (H, W) in 0 to 1 give uint8 (H, W, 3).

    Clear where the cue is improbable, through violet and orange to yellow where it is certain; even steps of the scale
    look even and grow lighter all along, so they read in grey print too. A line runs where the cue is as likely as not.
    """
    grey = cv2.convertScaleAbs(cv2.cvtColor(plain, cv2.COLOR_RGB2GRAY), alpha=0.85)
    mixed = cv2.cvtColor(grey, cv2.COLOR_GRAY2RGB)
    left, top, width, height = cv2.boundingRect((heat >= FAINTEST).astype(np.uint8))  # most of a cut is cold
    if width:
        warm = np.s_[top : top + height, left : left + width]
        scale = cv2.applyColorMap(np.round(heat[warm] * 255).astype(np.uint8), cv2.COLORMAP_PLASMA)
        share = (np.clip(heat[warm] * 1.6, 0, 1) * 0.75)[:, :, None]
        mixed[warm] = np.clip(mixed[warm] * (1 - share) + scale[:, :, ::-1] * share, 0, 255)
    outlines, _ = cv2.findContours((heat >= 0.5).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    cv2.drawContours(mixed, outlines, -1, (20, 20, 20), 3, cv2.LINE_AA)
    cv2.drawContours(mixed, outlines, -1, (255, 255, 255), 1, cv2.LINE_AA)
    return np.asarray(mixed, np.uint8)


def _missing(findings: PhotoFindings, out: Path) -> list[Crop]:
    return [
        crop
        for crop in crops_of(findings)
        if not all((out / path).is_file() for path in _files_of_crop(findings, crop))
    ]


def _files_of_crop(findings: PhotoFindings, crop: Crop) -> tuple[Path, ...]:
    plain = crop_file(findings.sha256, crop)
    return (plain,) if findings.cues[crop.cue].heat is None else (plain, overlay_file(findings.sha256, crop))


def _kept_heat(findings: PhotoFindings, cue: str, out: Path) -> Heat | None:
    """The heat that the screening kept, cold all over where its file was lost; None where there was none to keep."""
    if findings.cues[cue].heat is None:
        return None
    kept = cv2.imread(str(out / heat_file(findings.sha256, cue)), cv2.IMREAD_GRAYSCALE)
    return np.zeros((2, 2), np.float32) if kept is None else np.asarray(kept / 255, np.float32)


def _name_of(crop: Crop) -> str:
    """By its place, not by its number: a person who takes one finding out must not rename the others' pictures."""
    return "-".join(map(str, (crop.cue, crop.box.x, crop.box.y, crop.box.width, crop.box.height)))


def _write_cut(sha256: str, crop: Crop, srgb: Pixels, out: Path, heat: Heat | None) -> None:
    plain = np.ascontiguousarray(srgb[crop.top : crop.top + crop.height, crop.left : crop.left + crop.width])
    write_picture(out / crop_file(sha256, crop), plain)
    if heat is not None:
        here = _heat_in(heat, crop, (srgb.shape[1], srgb.shape[0]), (plain.shape[1], plain.shape[0]))
        write_picture(out / overlay_file(sha256, crop), heat_overlay(plain, here))


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
    if scale <= 0.5:  # whole cells first: averaging over part cells is six times slower
        whole = int(1 / scale)
        pixels = cv2.resize(pixels, (width // whole, height // whole), interpolation=cv2.INTER_AREA)
    size = max(1, round(width * scale)), max(1, round(height * scale))
    return np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), np.uint8)


def _heat_in(heat: Heat, crop: Crop, photo_size: tuple[int, int], size: tuple[int, int]) -> Heat:
    """The part of a photo's heat map that lies in the crop, sampled at `size` (width, height) pixels."""
    across, down = heat.shape[1] / photo_size[0], heat.shape[0] / photo_size[1]  # map pixels per photo pixel
    step_x, step_y = crop.width / size[0] * across, crop.height / size[1] * down
    # pixel centres: crop pixel i shows photo place left + (i + 0.5) * step, which is map pixel that * across - 0.5
    matrix = np.array(
        [[step_x, 0, crop.left * across + step_x / 2 - 0.5], [0, step_y, crop.top * down + step_y / 2 - 0.5]],
        np.float64,
    )
    sampled = cv2.warpAffine(
        heat, matrix, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE
    )
    return np.clip(np.asarray(sampled, np.float32), 0, 1)


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
