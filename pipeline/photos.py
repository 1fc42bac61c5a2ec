"""One photo: from a file of any common kind to upright sRGB, and whether that can be judged.

Formats are told by content, never by a file's name. Only the first picture of an animated or multi-page file is read.
"""

from __future__ import annotations

import hashlib
import threading
import warnings
from functools import cache, lru_cache
from io import BytesIO
from pathlib import Path

import cv2
import imagehash
import numpy as np
import numpy.typing as npt
import pillow_heif
from PIL import Image, ImageCms, ImageOps, UnidentifiedImageError
from pydantic import Field

from pipeline.configuration import Config, load, shipped
from pipeline.errors import PhotoError
from pipeline.records import Photo, Quality

pillow_heif.register_heif_opener()

FORMATS = ("JPEG", "PNG", "WEBP", "HEIF", "AVIF", "TIFF")
SUFFIXES = (".jpg", ".jpeg", ".jpe", ".jfif", ".png", ".webp", ".heic", ".heif", ".avif", ".tif", ".tiff")
HASH_SIDE = 16  # a perceptual hash of 16 × 16 bits
MID_GREY = (128, 128, 128)


class DecodingLimits(Config):
    """A larger file or picture is set aside unread."""

    most_bytes: int = Field(gt=0)
    most_pixels: int = Field(gt=0)


class QualityLimits(Config):
    """What a photo must have to be judged; see `judge_quality`."""

    working_long_side_px: int = Field(gt=0)
    least_sharpness: float = Field(ge=0, le=1)
    dark_luma: int = Field(gt=0, le=255)
    bright_luma: int = Field(ge=0, lt=255)
    darkest: float = Field(ge=-1, le=0)
    brightest: float = Field(ge=0, le=1)
    least_long_side_px: int = Field(ge=0)


class RepeatLimits(Config):
    """When two photos are one picture; see `pipeline.duplicates`."""

    most_bits: int = Field(ge=0, lt=HASH_SIDE**2 // 2)
    least_set_bits: int = Field(ge=0, le=HASH_SIDE**2 // 2)


class BatchLimits(Config):
    """How much of a zip is unpacked."""

    most_files: int = Field(gt=0)
    most_unpacked_bytes: int = Field(gt=0)


class LookingLimits(Config):
    """What the network's maps must show to become findings; see `pipeline.cues` and `pipeline.findings`."""

    least_vehicle: float = Field(ge=0, le=1)
    most_boxes: int = Field(gt=0)
    least_box_cells: int = Field(gt=0)
    least_zone_share: float = Field(ge=0, le=1)
    least_side: float = Field(gt=0.5, le=1)


class LetteringSettings(Config):
    """When letters tell that a photo is mirrored; see `pipeline.lettering`."""

    least_width_px: float = Field(gt=0)
    least_letters: int = Field(ge=1)
    least_score: float = Field(ge=0, le=1)
    least_gain: float = Field(gt=0, le=1)


class PhotoSettings(Config):
    """The whole of configs/photos.yaml."""

    decoding: DecodingLimits
    quality: QualityLimits
    repeats: RepeatLimits
    batch: BatchLimits
    looking: LookingLimits
    lettering: LetteringSettings


@cache
def photo_settings() -> PhotoSettings:
    """The shipped settings."""
    return load(shipped("photos.yaml"), PhotoSettings)


def sniff(head: bytes) -> str | None:
    """The photo format (one of `FORMATS`) that a file's first 32 bytes tell, or None.

    Signatures: ISO/IEC 10918-1 B.1.1.3 (JPEG), PNG 5.2, RFC 9649 2.4 (WebP), TIFF 6.0 section 2 (and BigTIFF),
    ISO/IEC 23008-12 and AV1 Image File Format (brands in the `ftyp` box).
    """
    if head.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    if head.startswith(b"RIFF") and head[8:12] == b"WEBP":
        return "WEBP"
    if head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return "TIFF"
    if head[4:8] == b"ftyp":
        brands = {head[8:12]} | {head[at : at + 4] for at in range(16, len(head) - 3, 4)}
        if brands & {b"avif", b"avis"}:
            return "AVIF"
        if brands & {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"}:
            return "HEIF"
    return None


def read_photo(path: Path, advert: str, name: str | None = None, settings: PhotoSettings | None = None) -> Photo:
    """Decode one photo to upright 8-bit sRGB. The file is only read.

    `name` is what the photo is called in the advert, by default its file name. Raises PhotoError where the file is
    missing, empty, damaged, too large or not a photo.
    """
    limits = (settings or photo_settings()).decoding
    content = _read(path, limits.most_bytes)
    kind = sniff(content[:32])
    if kind is None:
        raise PhotoError(
            path, "it is not a JPEG, PNG, WebP, HEIC, AVIF or TIFF photo", "save it as JPEG or fetch it again"
        )
    try:
        with _quiet:
            image = Image.open(BytesIO(content), formats=(kind,))
            if image.width * image.height > limits.most_pixels:
                raise Image.DecompressionBombError
            _refuse_misread(path, image)
            image.load()
            ImageOps.exif_transpose(image, in_place=True)
            upright = _to_srgb(path, image)
            perceptual_hash = str(imagehash.phash(upright, hash_size=HASH_SIDE))
    except PhotoError:
        raise
    except (Image.DecompressionBombError, MemoryError):
        fault = f"it has more pixels than {limits.most_pixels / 1e6:.0f} million or than memory holds"
        raise PhotoError(path, fault, "save it smaller") from None
    except Exception as error:  # decoders raise whatever a damaged file leads them into
        unknown = isinstance(error, UnidentifiedImageError)  # its message tells where in memory the file lay
        reason = "damaged, or of a rare layout" if unknown else str(error) or type(error).__name__
        raise PhotoError(
            path, f"the {kind} file cannot be decoded ({reason[:80]})", "fetch it again or save it as JPEG"
        ) from None
    return Photo(
        advert=advert,
        name=name or path.name,
        sha256=hashlib.sha256(content).hexdigest(),
        perceptual_hash=perceptual_hash,
        srgb=np.array(upright, np.uint8),
    )


def judge_quality(photo: Photo, settings: PhotoSettings | None = None) -> Quality:
    """Measure sharpness and exposure at the working size and decide whether the photo can be judged at all."""
    limits = (settings or photo_settings()).quality
    luma = cv2.cvtColor(photo.srgb, cv2.COLOR_RGB2GRAY)  # BT.601 weights
    long_side = max(luma.shape)
    if long_side > limits.working_long_side_px:
        factor = limits.working_long_side_px / long_side
        size = (max(1, round(photo.width * factor)), max(1, round(photo.height * factor)))
        luma = cv2.resize(luma, size, interpolation=cv2.INTER_AREA)
    sharp, light = sharpness(luma), exposure(luma, limits)
    return Quality(
        sharpness=round(sharp, 4),
        exposure=round(light, 4),
        assessable=sharp >= limits.least_sharpness
        and limits.darkest <= light <= limits.brightest
        and long_side >= limits.least_long_side_px,
    )


def sharpness(luma: npt.NDArray[np.uint8]) -> float:
    """How crisp a uint8 (H, W) picture is: 0 smeared or plain, 1 crisp to the pixel.

    1 minus the blur of Crete, Dolmiere, Ladet, Nicolas (2007), "The blur effect", Proc. SPIE 6492: the share of the
    gradients that a strong blur (11 pixels) takes away, along the axis where it takes less. A ratio of gradients,
    so neither contrast nor how much of the picture is plain moves it; grain and JPEG blocks pass for detail.
    """
    picture = luma.astype(np.float32)
    lost = (_share_lost_to_blur(picture), _share_lost_to_blur(np.ascontiguousarray(picture.T)))
    return min((share for share in lost if share is not None), default=0.0)


def exposure(luma: npt.NDArray[np.uint8], limits: QualityLimits) -> float:
    """Share of a uint8 (H, W) picture in which nothing is seen: negative where the dark takes more, else positive."""
    share = np.bincount(luma.ravel(), minlength=256) / luma.size
    value = np.arange(256)
    dark = float(share @ np.clip((limits.dark_luma - value) / limits.dark_luma, 0, 1))
    bright = float(share @ np.clip((value - limits.bright_luma) / (255 - limits.bright_luma), 0, 1))
    return min(bright, 1.0) if bright >= dark else -min(dark, 1.0)


def _share_lost_to_blur(picture: npt.NDArray[np.float32]) -> float | None:
    """Share of the gradients along x that a blur along x takes away; None for a picture without any."""
    border = cv2.BORDER_REFLECT
    blurred = cv2.blur(picture, (11, 1), borderType=border)
    before = np.abs(cv2.Sobel(picture, cv2.CV_32F, 1, 0, ksize=3, borderType=border))[2:-1, 2:-1]
    after = np.abs(cv2.Sobel(blurred, cv2.CV_32F, 1, 0, ksize=3, borderType=border))[2:-1, 2:-1]
    total = float(before.sum(dtype=np.float64))
    return float(np.maximum(before - after, 0).sum(dtype=np.float64)) / total if total > 0 else None


def _read(path: Path, most_bytes: int) -> bytes:
    try:
        size = path.stat().st_size
        if size > most_bytes:
            raise PhotoError(
                path, f"the file has {size / 1e6:.0f} MB, more than {most_bytes / 1e6:.0f}", "save it smaller"
            )
        content = path.read_bytes()
    except OSError as error:
        raise PhotoError(
            path, f"it cannot be read ({error.strerror or error})", "check the file and its permissions"
        ) from None
    if not content:
        raise PhotoError(path, "the file is empty", "fetch it again")
    return content


class _Quiet:
    """Silences the process's warnings while at least one thread decodes; what matters of them is checked here.

    `warnings.catch_warnings` alone is not safe with threads: one that ends restores the filters under the others.
    """

    def __init__(self) -> None:
        self._lock, self._decoding = threading.Lock(), 0
        self._caught: warnings.catch_warnings[None] | None = None

    def __enter__(self) -> None:
        with self._lock:
            if not self._decoding:
                self._caught = warnings.catch_warnings(action="ignore")
                self._caught.__enter__()
            self._decoding += 1

    def __exit__(self, *error: object) -> None:
        with self._lock:
            self._decoding -= 1
            if not self._decoding and self._caught is not None:
                self._caught.__exit__(None, None, None)


_quiet = _Quiet()


def _refuse_misread(path: Path, image: Image.Image) -> None:
    """Set aside what Pillow opens but shows wrongly: 16-bit TIFF with inverted grey or with its channels in planes."""
    tags = getattr(image, "tag_v2", None)
    if tags is None or max(tags.get(258, (1,))) <= 8:  # BitsPerSample
        return
    if (
        tags.get(284) == 2 or tags.get(262) == 0
    ):  # PlanarConfiguration: planar; PhotometricInterpretation: white is zero
        raise PhotoError(path, "it is a 16-bit TIFF of a rare layout", "save it as an ordinary TIFF, as PNG or as JPEG")


def _to_srgb(path: Path, image: Image.Image) -> Image.Image:
    """Any mode, with or without an ICC profile, to RGB of 8 bits. Transparency lies on mid grey.

    Mid grey because white would pass for a burnt-out photo, black for an underexposed one, and either draws a hard
    edge.
    """
    profile = image.info.get("icc_profile")
    if image.mode in ("I", "F"):
        raise PhotoError(
            path,
            "it stores 32-bit values, which do not say how bright they are meant",
            "save it with 8 or 16 bits a channel",
        )
    if image.mode.startswith("I;16"):
        image = Image.fromarray(((np.asarray(image).astype(np.uint32) + 128) // 257).astype(np.uint8))
    alpha = image.convert("RGBA").getchannel("A") if image.has_transparency_data else None
    if image.mode not in ("RGB", "L", "CMYK"):
        image = image.convert("L" if image.mode in ("1", "LA", "La") else "RGB")
    if profile:
        image = _through_profile(image, bytes(profile))
    if image.mode != "RGB":
        image = image.convert("RGB")
    if alpha is not None:
        image = Image.composite(image, Image.new("RGB", image.size, MID_GREY), alpha)
    return image


def _through_profile(image: Image.Image, profile: bytes) -> Image.Image:
    """To sRGB by the embedded profile; unchanged where that is broken or for another mode, as viewers do too."""
    try:
        transform = _transform(profile, image.mode)
        converted = None if transform is None else ImageCms.applyTransform(image, transform)
    except (ImageCms.PyCMSError, OSError, ValueError):
        return image
    return image if converted is None else converted


@lru_cache(maxsize=32)
def _transform(profile: bytes, mode: str) -> ImageCms.ImageCmsTransform | None:
    """From the profile to sRGB; None where that moves no colour by more than one step of 255, as sRGB itself does.

    The transform takes longer than decoding, and many photos carry the profile of sRGB.
    """
    # Relative colorimetric: colours that sRGB holds come through unchanged, which measuring them later needs.
    transform = ImageCms.buildTransform(
        ImageCms.ImageCmsProfile(BytesIO(profile)),
        ImageCms.createProfile("sRGB"),
        mode,
        "RGB",
        ImageCms.Intent.RELATIVE_COLORIMETRIC,
        ImageCms.Flags.BLACKPOINTCOMPENSATION,
    )
    if mode != "RGB":
        return transform
    colours = np.stack(np.meshgrid(*3 * [np.arange(0, 256, 15, dtype=np.uint8)]), axis=-1).reshape(18, -1, 3)
    converted = np.asarray(ImageCms.applyTransform(Image.fromarray(colours), transform))
    return None if np.abs(converted.astype(int) - colours).max() <= 1 else transform
