"""Photos: every format and mode comes out upright and in sRGB; every bad file becomes one sentence."""

from __future__ import annotations

import hashlib
import io
import struct
import warnings
import zlib
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import colour
import cv2
import numpy as np
import numpy.typing as npt
import pillow_heif
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageCms
from skimage.measure import blur_effect

from pipeline.errors import PhotoError
from pipeline.photos import (
    FORMATS,
    PhotoSettings,
    exposure,
    judge_quality,
    photo_settings,
    read_photo,
    sharpness,
    sniff,
)
from pipeline.records import Photo
from tests.pipeline.conftest import made_photo

SUFFIX = {"JPEG": "jpg", "PNG": "png", "WEBP": "webp", "HEIF": "heic", "AVIF": "avif", "TIFF": "tif"}
SHARED = Path(__file__).parents[3] / "shared" / "photos"

# Four colours, one a quarter: whatever is done to the picture shows in where they are.
QUARTERS = np.zeros((48, 64, 3), np.uint8)
QUARTERS[:24, :32] = (200, 40, 40)
QUARTERS[:24, 32:] = (40, 200, 40)
QUARTERS[24:, :32] = (40, 40, 200)
QUARTERS[24:, 32:] = (220, 220, 220)


def encoded(picture: Image.Image | npt.NDArray[np.uint8], kind: str, **options: object) -> bytes:
    """The picture as a file, lossless where the format can be, else at the highest quality."""
    image = picture if isinstance(picture, Image.Image) else Image.fromarray(picture)
    if kind in ("JPEG", "AVIF", "HEIF"):
        options = {"quality": 100, "subsampling": "4:4:4", **options}
    if kind == "HEIF":
        options["chroma"] = 444
        options.pop("subsampling")
    if kind == "WEBP":
        options = {"lossless": True, **options}
    stream = io.BytesIO()
    image.save(stream, kind, **options)
    return stream.getvalue()


def read(folder: Path, content: bytes, name: str = "photo.jpg", settings: PhotoSettings | None = None) -> Photo:
    path = folder / name
    path.write_bytes(content)
    return read_photo(path, "advert", settings=settings)


def fault(folder: Path, content: bytes, name: str = "photo.jpg", settings: PhotoSettings | None = None) -> str:
    """What the user reads; every message is one sentence that names the file."""
    with pytest.raises(PhotoError) as caught:
        read(folder, content, name, settings)
    message = str(caught.value)
    assert name in message
    assert message.endswith(".")
    assert "\n" not in message
    return message


def close(photo: Photo, wanted: npt.NDArray[np.uint8], most: int = 4) -> bool:
    """Equal but for compression, away from the edges between the quarters."""
    if photo.srgb.shape != wanted.shape:
        return False
    inner = np.abs(photo.srgb.astype(int) - wanted)
    rows, columns = wanted.shape[0] // 2, wanted.shape[1] // 2
    inner[rows - 8 : rows + 8] = inner[:, columns - 8 : columns + 8] = 0
    return bool(inner.max() <= most)


# --- formats -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", FORMATS)
def test_each_format_is_read_whatever_the_file_is_called(tmp_path: Path, kind: str) -> None:
    content = encoded(QUARTERS, kind)
    assert sniff(content[:32]) == kind
    for name in (f"photo.{SUFFIX[kind]}", "photo.jpg", "photo"):
        photo = read(tmp_path, content, name)
        assert close(photo, QUARTERS)
        assert photo.srgb.dtype == np.uint8
        assert photo.srgb.flags["C_CONTIGUOUS"]
        assert (photo.advert, photo.name) == ("advert", name)
        assert photo.sha256 == hashlib.sha256(content).hexdigest()
        assert len(bytes.fromhex(photo.perceptual_hash)) == 32


def test_reading_leaves_the_file_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "photo.jpg"
    path.write_bytes(encoded(QUARTERS, "JPEG"))
    path.chmod(0o444)
    before = path.stat()
    read_photo(path, "advert")
    after = path.stat()
    assert (after.st_mtime_ns, after.st_size, after.st_mode) == (before.st_mtime_ns, before.st_size, before.st_mode)
    assert [item.name for item in tmp_path.iterdir()] == ["photo.jpg"]


@pytest.mark.parametrize("kind", ["PNG", "WEBP", "AVIF", "TIFF"])
def test_first_frame_of_several_is_read(tmp_path: Path, kind: str) -> None:
    other = Image.fromarray(np.full_like(QUARTERS, 90))
    content = encoded(QUARTERS, kind, save_all=True, append_images=[other])
    assert close(read(tmp_path, content), QUARTERS, most=6)


# --- orientation -------------------------------------------------------------------------------------------------

# JEITA CP-3451 (Exif 2.32), table of the tag Orientation, from memory: which side of the upright picture the stored 0th
# row and the stored 0th column are.
ORIENTATIONS = {
    1: ("top", "left"),
    2: ("top", "right"),
    3: ("bottom", "right"),
    4: ("bottom", "left"),
    5: ("left", "top"),
    6: ("right", "top"),
    7: ("right", "bottom"),
    8: ("left", "bottom"),
}


def stored(upright: npt.NDArray[np.uint8], orientation: int) -> npt.NDArray[np.uint8]:
    """The picture as a camera held otherwise stores it, by the table above and nothing else."""
    row, column = ORIENTATIONS[orientation]
    turned = upright if row in ("top", "bottom") else upright.transpose(1, 0, 2)
    turned = turned[::-1] if row in ("bottom", "right") else turned
    turned = turned[:, ::-1] if column in ("right", "bottom") else turned
    return np.ascontiguousarray(turned)


def exif(orientation: int) -> Image.Exif:
    tags = Image.Exif()
    tags[0x0112] = orientation
    return tags


@pytest.mark.parametrize("orientation", ORIENTATIONS)
@pytest.mark.parametrize("kind", FORMATS)
def test_orientation_tag_is_obeyed(tmp_path: Path, kind: str, orientation: int) -> None:
    content = encoded(stored(QUARTERS, orientation), kind, exif=exif(orientation).tobytes())
    assert close(read(tmp_path, content), QUARTERS, most=6)


@given(st.sampled_from(list(ORIENTATIONS)), st.integers(1, 40), st.integers(1, 40), st.integers(0, 99))
@settings(max_examples=40, deadline=None)
def test_a_turned_photo_reads_as_the_upright_one(
    tmp_path_factory: pytest.TempPathFactory, orientation: int, height: int, width: int, seed: int
) -> None:
    upright = np.random.default_rng(seed).integers(0, 256, (height, width, 3), dtype=np.uint8)
    content = encoded(stored(upright, orientation), "PNG", exif=exif(orientation).tobytes())
    photo = read(tmp_path_factory.mktemp("turned"), content)
    assert np.array_equal(photo.srgb, upright)


def test_nonsense_orientation_is_taken_as_upright(tmp_path: Path) -> None:
    assert close(read(tmp_path, encoded(QUARTERS, "JPEG", exif=exif(99).tobytes())), QUARTERS)


# --- modes -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "TIFF"])
def test_greyscale(tmp_path: Path, kind: str) -> None:
    grey = np.tile(np.arange(0, 256, 4, np.uint8), (48, 1))
    photo = read(tmp_path, encoded(Image.fromarray(grey), kind))
    assert np.abs(photo.srgb.astype(int) - grey[:, :, None]).max() <= 2


def test_bilevel(tmp_path: Path) -> None:
    assert read(tmp_path, encoded(Image.new("1", (8, 8), 1), "TIFF")).srgb.min() == 255


def test_palette(tmp_path: Path) -> None:
    image = Image.fromarray(QUARTERS).quantize(4)
    assert close(read(tmp_path, encoded(image, "PNG")), QUARTERS, most=2)


@pytest.mark.parametrize("kind", ["JPEG", "TIFF"])
def test_cmyk(tmp_path: Path, kind: str) -> None:
    inks = np.zeros((40, 40, 4), np.uint8)
    inks[:, 20:] = (255, 0, 0, 0)  # full cyan beside bare paper
    photo = read(tmp_path, encoded(Image.fromarray(inks, "CMYK"), kind))
    assert np.abs(photo.srgb[20, 5].astype(int) - (255, 255, 255)).max() <= 2
    assert np.abs(photo.srgb[20, 35].astype(int) - (0, 255, 255)).max() <= 2


def ramp16(*channels: float) -> npt.NDArray[np.uint16]:
    ramp = np.tile(np.linspace(0, 65535, 64), (8, 1))
    if not channels:
        return ramp.astype(np.uint16)
    return np.stack([ramp * channel for channel in channels], axis=-1).astype(np.uint16)


@pytest.mark.parametrize("channels", [(), (1.0, 0.5, 0.25)])
@pytest.mark.parametrize("kind", ["png", "tif", "tif, compressed", "tif, other byte order"])
def test_sixteen_bits_keep_their_brightness(tmp_path: Path, kind: str, channels: tuple[float, ...]) -> None:
    values = ramp16(*channels)
    if kind == "png":
        content = cv2.imencode(".png", values[..., ::-1] if channels else values)[1].tobytes()
    else:
        stream = io.BytesIO()
        tifffile.imwrite(
            stream,
            values,
            photometric="rgb" if channels else "minisblack",
            compression="zlib" if "compressed" in kind else None,
            byteorder=">" if "order" in kind else "<",
        )
        content = stream.getvalue()
    wanted = values / 257 if channels else np.repeat(values[:, :, None], 3, axis=2) / 257
    assert np.abs(read(tmp_path, content).srgb - wanted).max() <= 1


def png16(values: npt.NDArray[np.uint16], colour_type: int) -> bytes:
    """A PNG of 16 bits (H, W, channels), chunk by chunk (PNG 5.3): OpenCV writes none of grey with transparency."""

    def chunk(name: bytes, content: bytes) -> bytes:
        return struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(name + content))

    header = struct.pack(">II5B", values.shape[1], values.shape[0], 16, colour_type, 0, 0, 0)
    rows = b"".join(b"\0" + row.astype(">u2").tobytes() for row in values)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b"")


def tiff(values: npt.NDArray[np.generic], **options: object) -> bytes:
    stream = io.BytesIO()
    tifffile.imwrite(stream, values, **options)
    return stream.getvalue()


def heic10(values: npt.NDArray[np.uint16]) -> bytes:
    """A HEIC of 10 bits from RGB of 16 bits."""
    stream, size = io.BytesIO(), (values.shape[1], values.shape[0])
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pillow_heif.options, "SAVE_HDR_TO_12_BIT", False)
        pillow_heif.from_bytes("RGB;16", size, values.tobytes()).save(stream, quality=100, chroma=444)
    depth = pillow_heif.open_heif(stream.getvalue(), convert_hdr_to_8bit=False).info["bit_depth"]
    assert depth == 10
    return stream.getvalue()


QUARTERS16 = QUARTERS.astype(np.uint16) * 257
OPAQUE16 = np.full((*QUARTERS.shape[:2], 1), 65535, np.uint16)
GREYS = np.repeat(QUARTERS[..., :1], 3, axis=2)


@pytest.mark.parametrize(
    ("content", "wanted"),
    [
        (lambda: png16(np.dstack([QUARTERS16, OPAQUE16]), 6), QUARTERS),
        (lambda: png16(np.dstack([QUARTERS16[..., :1], OPAQUE16]), 4), GREYS),
        (lambda: tiff(np.dstack([QUARTERS16, OPAQUE16]), photometric="rgb", extrasamples=["unassalpha"]), QUARTERS),
        (lambda: tiff(QUARTERS, photometric="rgb", bigtiff=True), QUARTERS),
        (lambda: heic10(QUARTERS16), QUARTERS),
        (
            lambda: encoded(
                QUARTERS,
                "MPO",
                save_all=True,
                append_images=[Image.fromarray(255 - QUARTERS)],
                quality=100,
                subsampling="4:4:4",
            ),
            QUARTERS,
        ),
    ],
    ids=["16-bit RGBA PNG", "16-bit grey-alpha PNG", "16-bit RGBA TIFF", "BigTIFF", "10-bit HEIC", "MPO"],
)
def test_rarer_kinds_of_picture(tmp_path: Path, content: Callable[[], bytes], wanted: npt.NDArray[np.uint8]) -> None:
    assert close(read(tmp_path, content()), wanted)


def test_transparency_lies_on_mid_grey(tmp_path: Path) -> None:
    pixels = np.zeros((4, 4, 4), np.uint8)
    pixels[:, :2, 0] = 255
    pixels[:2, :, 3] = 255
    photo = read(tmp_path, encoded(Image.fromarray(pixels), "PNG"))
    assert photo.srgb[0, 0].tolist() == [255, 0, 0]
    assert photo.srgb[3, 0].tolist() == photo.srgb[3, 3].tolist() == [128, 128, 128]
    keyed = Image.fromarray(np.zeros((4, 4), np.uint8))
    assert read(tmp_path, encoded(keyed, "PNG", transparency=0)).srgb.tolist() == np.full((4, 4, 3), 128).tolist()


# --- colour ------------------------------------------------------------------------------------------------------


D50 = np.array([0.9642, 1.0, 0.8249])  # ICC.1:2010, 7.2.16: the illuminant of the profile connection space


def fixed(*values: float) -> bytes:
    return b"".join(struct.pack(">i", round(value * 65536)) for value in values)


def icc_profile(kind: bytes, space: bytes, connection: bytes, tags: dict[bytes, bytes]) -> bytes:
    """An ICC v4 profile (ICC.1:2010, 7.2) of these tags and the three that each must have."""

    def text(words: str) -> bytes:
        content = words.encode("utf-16-be")
        return b"mluc\0\0\0\0" + struct.pack(">II4sII", 1, 12, b"enUS", len(content), 28) + content

    tags = {b"desc": text("made"), b"cprt": text("none"), b"wtpt": b"XYZ \0\0\0\0" + fixed(*D50), **tags}
    table, body, start = b"", b"", 128 + 4 + 12 * len(tags)
    for name, content in tags.items():
        table += struct.pack(">4sII", name, start + len(body), len(content))
        body += content + b"\0" * (-len(content) % 4)
    header = struct.pack(">I4sI4s4s4s", start + len(body), b"\0\0\0\0", 0x04300000, kind, space, connection)
    header += struct.pack(">6H", 2024, 1, 1, 0, 0, 0) + b"acsp" + b"\0" * 28 + fixed(*D50)
    return header.ljust(128, b"\0") + struct.pack(">I", len(tags)) + table + body


def matrix_profile(primaries: str) -> bytes:
    """A matrix/TRC profile (ICC.1:2010, 8.3.3) of an RGB space of colour-science, with the sRGB curve."""
    space = colour.RGB_COLOURSPACES[primaries]
    adapt = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        colour.xy_to_XYZ(space.whitepoint), D50, transform="Bradford"
    )
    columns = (adapt @ space.matrix_RGB_to_XYZ).T
    curve = b"para\0\0\0\0" + struct.pack(">HH", 3, 0) + fixed(2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)
    tags = {
        name: b"XYZ \0\0\0\0" + fixed(*column)
        for name, column in zip((b"rXYZ", b"gXYZ", b"bXYZ"), columns, strict=True)
    }
    return icc_profile(b"mntr", b"RGB ", b"XYZ ", tags | dict.fromkeys((b"rTRC", b"gTRC", b"bTRC"), curve))


INKS = np.array([(-40, -30, -30), (-50, 40, 0), (-20, 0, 60)])  # what full cyan, magenta and yellow add to paper's Lab


def ink_profile() -> bytes:
    """A table profile (lut8Type, ICC.1:2010, 10.9) of four inks on paper of Lab (100, 0, 0)."""
    shares = np.array(list(np.ndindex(2, 2, 2, 2)))
    lab = np.maximum((0, -128, -128), (100, 0, 0) + shares[:, :3] @ INKS)
    lab[shares[:, 3] == 1] = 0
    nodes = np.round(lab * (2.55, 1, 1) + (0, 128, 128)).astype(np.uint8)
    same = bytes(range(256))
    head = b"mft1\0\0\0\0" + bytes([4, 3, 2, 0]) + fixed(1, 0, 0, 0, 1, 0, 0, 0, 1)
    return icc_profile(b"prtr", b"CMYK", b"Lab ", {b"A2B0": head + 4 * same + nodes.tobytes() + 3 * same})


@pytest.mark.parametrize("kind", ["JPEG", "TIFF"])
def test_cmyk_goes_through_its_profile(tmp_path: Path, kind: str) -> None:
    """Reference: colour-science, Lab to sRGB with Bradford; colours inside sRGB."""
    inks = np.zeros((32, 64, 4), np.uint8)
    for ink in range(4):
        inks[:, 16 * ink : 16 * ink + 16, ink] = 128 if ink < 3 else 0
    lab = np.vstack([(100, 0, 0) + INKS * 128 / 255, (100, 0, 0)])
    xyz = colour.Lab_to_XYZ(lab, colour.XYZ_to_xy(D50))
    wanted = 255 * colour.XYZ_to_RGB(xyz, "sRGB", colour.XYZ_to_xy(D50), "Bradford", apply_cctf_encoding=True)
    photo = read(tmp_path, encoded(Image.fromarray(inks, "CMYK"), kind, icc_profile=ink_profile()))
    assert wanted.min() > 5 and wanted.max() < 256
    assert np.abs(photo.srgb[8, 8::16] - wanted).max() <= 4


@pytest.mark.parametrize("kind", FORMATS)
@pytest.mark.parametrize("space", ["Display P3", "Adobe RGB (1998)"])
def test_embedded_profile_is_converted_to_srgb(tmp_path: Path, kind: str, space: str) -> None:
    """Reference: colour-science, RGB_to_RGB with Bradford, on the same primaries; colours inside sRGB."""
    colours = np.array(
        [(128, 128, 128), (150, 110, 100), (90, 120, 160), (110, 140, 90), (200, 190, 170), (60, 50, 45)]
    )
    picture = np.repeat(np.repeat(colours.astype(np.uint8)[None], 16, axis=0), 16, axis=1)
    profile = matrix_profile(space)
    photo = read(tmp_path, encoded(picture, kind, icc_profile=profile))
    linear = colour.models.eotf_sRGB(colours / 255)
    converted = colour.RGB_to_RGB(linear, space, "sRGB", chromatic_adaptation_transform="Bradford")
    wanted = 255 * colour.models.eotf_inverse_sRGB(converted)
    assert np.abs(wanted - colours).max() > 5  # the profile matters
    assert np.abs(photo.srgb[8, 8::16] - wanted).max() <= (1 if kind in ("PNG", "WEBP", "TIFF") else 3)


def test_profile_of_srgb_itself_changes_nothing(tmp_path: Path) -> None:
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    colours = np.random.default_rng(0).integers(0, 256, (60, 80, 3), dtype=np.uint8)
    assert np.array_equal(read(tmp_path, encoded(colours, "PNG", icc_profile=profile)).srgb, colours)


def test_profile_that_does_not_fit_is_ignored(tmp_path: Path) -> None:
    for profile in (b"no profile", matrix_profile("Display P3")[:200]):
        assert close(read(tmp_path, encoded(QUARTERS, "PNG", icc_profile=profile)), QUARTERS, most=0)
    grey = Image.fromarray(QUARTERS[..., 0])
    assert close(
        read(tmp_path, encoded(grey, "PNG", icc_profile=matrix_profile("Display P3"))),
        np.repeat(QUARTERS[..., :1], 3, axis=2),
        most=0,
    )


def test_alpha_and_profile_together(tmp_path: Path) -> None:
    pixels = np.full((8, 8, 4), (90, 120, 160, 255), np.uint8)
    pixels[4:, :, 3] = 0
    plain = read(tmp_path, encoded(pixels[:4, :, :3], "PNG", icc_profile=matrix_profile("Display P3")))
    photo = read(tmp_path, encoded(Image.fromarray(pixels), "PNG", icc_profile=matrix_profile("Display P3")))
    assert np.array_equal(photo.srgb[:4], plain.srgb)
    assert photo.srgb[7, 7].tolist() == [128, 128, 128]


# --- bad files ---------------------------------------------------------------------------------------------------


def test_missing_file_and_folder(tmp_path: Path) -> None:
    for name in ("none.jpg", "."):
        with pytest.raises(PhotoError, match="it cannot be read"):
            read_photo(tmp_path / name, "advert")


def test_empty_file(tmp_path: Path) -> None:
    assert "the file is empty; fetch it again" in fault(tmp_path, b"")


@pytest.mark.parametrize(
    "content",
    [b"<!DOCTYPE html><html></html>", b"%PDF-1.7", b"GIF89a" + b"\0" * 30, b"BM" + b"\0" * 60, b"x", b"\0" * 400],
)
def test_what_is_no_photo(tmp_path: Path, content: bytes) -> None:
    assert "it is not a JPEG, PNG, WebP, HEIC, AVIF or TIFF photo" in fault(tmp_path, content)


@pytest.mark.parametrize("share", [0.02, 0.3, 0.8])
@pytest.mark.parametrize("kind", FORMATS)
def test_file_cut_short(tmp_path: Path, kind: str, share: float) -> None:
    content = encoded(made_photo(120, 160), kind)
    assert f"the {kind} file cannot be decoded" in fault(tmp_path, content[: max(40, int(share * len(content)))])


def limited(**decoding: int) -> PhotoSettings:
    shipped = photo_settings()
    return shipped.model_copy(update={"decoding": shipped.decoding.model_copy(update=decoding)})


def test_more_pixels_than_allowed(tmp_path: Path) -> None:
    size = struct.pack(">II5B", 30_000, 30_000, 8, 2, 0, 0, 0)
    header = struct.pack(">I", 13) + b"IHDR" + size + struct.pack(">I", zlib.crc32(b"IHDR" + size))
    bomb = b"\x89PNG\r\n\x1a\n" + header + b"\0\0\0\0IDAT" + struct.pack(">I", zlib.crc32(b"IDAT"))
    assert "it has more pixels than 120 million" in fault(tmp_path, bomb)
    assert "save it smaller" in fault(tmp_path, encoded(QUARTERS, "JPEG"), settings=limited(most_pixels=3071))
    assert read(tmp_path, encoded(QUARTERS, "JPEG"), settings=limited(most_pixels=3072)).width == 64


def test_more_bytes_than_allowed(tmp_path: Path) -> None:
    assert "save it smaller" in fault(tmp_path, encoded(QUARTERS, "JPEG"), settings=limited(most_bytes=100))


def test_values_without_a_scale(tmp_path: Path) -> None:
    values = ramp16().astype(np.float32) / 65535
    assert "32-bit values" in fault(tmp_path, tiff(values, photometric="minisblack"), "photo.tif")
    message = fault(tmp_path, tiff(np.dstack([values] * 3), photometric="rgb"), "photo.tif")
    assert "(damaged, or of a rare layout)" in message
    assert "0x" not in message


@pytest.mark.parametrize(
    ("values", "options"),
    [
        (ramp16(1, 1, 1).transpose(2, 0, 1), {"photometric": "rgb", "planarconfig": "separate"}),
        (ramp16(), {"photometric": "miniswhite"}),
    ],
)
def test_sixteen_bit_layouts_that_would_be_shown_wrongly(
    tmp_path: Path, values: npt.NDArray[np.uint16], options: dict[str, str]
) -> None:
    stream = io.BytesIO()
    tifffile.imwrite(stream, values, **options)
    assert "16-bit TIFF of a rare layout" in fault(tmp_path, stream.getvalue(), "photo.tif")


@given(
    st.sampled_from(FORMATS), st.lists(st.tuples(st.floats(0, 1), st.integers(0, 255)), max_size=12), st.floats(0.2, 1)
)
@settings(max_examples=150, deadline=None)
def test_damage_gives_a_photo_or_one_sentence(
    tmp_path_factory: pytest.TempPathFactory, kind: str, damage: list[tuple[float, int]], share: float
) -> None:
    content = bytearray(SOUND[kind][: int(share * len(SOUND[kind]))])
    for place, value in damage:
        content[int(place * (len(content) - 1))] = value
    path = tmp_path_factory.mktemp("damaged") / "photo.jpg"
    path.write_bytes(bytes(content))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            read_photo(path, "advert")
        except PhotoError as error:
            assert "\n" not in str(error)


SOUND = {kind: encoded(made_photo(40, 56), kind) for kind in FORMATS}


def test_decoders_print_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", 2000)  # Pillow warns of QUARTERS, but does not refuse it
    paths = []
    for index, kind in enumerate(FORMATS * 3):
        paths.append(tmp_path / f"{index}")
        paths[-1].write_bytes(encoded(QUARTERS, kind))
    filters = list(warnings.filters)
    with ThreadPoolExecutor(4) as pool:  # warnings are errors here: one that escaped in a thread would raise
        assert len(list(pool.map(lambda path: read_photo(path, "advert"), paths))) == len(paths)
    assert list(warnings.filters) == filters
    assert capfd.readouterr() == ("", "")


# --- quality -----------------------------------------------------------------------------------------------------


def photo_of(srgb: npt.NDArray[np.uint8]) -> Photo:
    return Photo("advert", "photo.jpg", "0" * 64, "0" * 64, srgb)


@pytest.mark.parametrize("sigma", [0.0, 0.7, 1.5, 4.0])
@pytest.mark.parametrize("shape", [(120, 160), (333, 201)])
def test_sharpness_is_one_minus_the_published_blur(shape: tuple[int, int], sigma: float) -> None:
    """Reference: scikit-image's blur_effect (Crete et al. 2007)."""
    luma = made_photo(*shape)[..., 0]
    luma = cv2.GaussianBlur(luma, (0, 0), sigma) if sigma else luma
    assert sharpness(luma) == pytest.approx(1 - blur_effect(luma / 255.0), abs=1e-4)


def test_more_blur_is_less_sharp() -> None:
    luma = made_photo()[..., 0]
    values = [sharpness(cv2.GaussianBlur(luma, (0, 0), sigma)) for sigma in (0.5, 1, 2, 4, 8)]
    assert values == sorted(values, reverse=True)
    shaken = cv2.blur(luma, (25, 1))  # along x only
    assert sharpness(shaken) < 0.35 < sharpness(luma)


@given(st.floats(0.2, 1), st.integers(0, 50))
@settings(max_examples=20, deadline=None)
def test_contrast_does_not_move_sharpness(gain: float, offset: int) -> None:
    luma = made_photo(120, 160)[..., 0]
    flat = (luma * gain + offset).clip(0, 255).astype(np.uint8)
    assert sharpness(flat) == pytest.approx(sharpness(luma), abs=0.05)


def test_plain_picture_is_not_sharp() -> None:
    assert sharpness(np.full((50, 50), 128, np.uint8)) == 0


def test_exposure_is_the_share_lost() -> None:
    limits = photo_settings().quality
    luma = np.full((10, 10), 128, np.uint8)
    assert exposure(luma, limits) == 0
    luma[:3] = 255
    assert exposure(luma, limits) == pytest.approx(0.3)
    luma[3:8] = 0
    assert exposure(luma, limits) == pytest.approx(-0.5)
    assert exposure(np.zeros((4, 4), np.uint8), limits) == -1
    assert exposure(np.full((4, 4), 255, np.uint8), limits) == 1


def test_what_can_be_judged() -> None:
    sound = made_photo(1200, 1600)
    assert judge_quality(photo_of(sound)).assessable
    assert not judge_quality(photo_of((sound * 0.05).astype(np.uint8))).assessable
    assert not judge_quality(photo_of(np.minimum(sound.astype(int) * 5, 255).astype(np.uint8))).assessable
    assert not judge_quality(photo_of(cv2.GaussianBlur(sound, (0, 0), 8))).assessable
    assert not judge_quality(photo_of(sound[:200, :300])).assessable
    assert not judge_quality(photo_of(np.zeros((1, 1, 3), np.uint8))).assessable


def test_a_large_photo_is_judged_at_the_working_size() -> None:
    small = made_photo(768, 1024)
    large = small.repeat(4, axis=0).repeat(4, axis=1)
    assert judge_quality(photo_of(large)) == judge_quality(photo_of(small))


@pytest.mark.skipif(not SHARED.is_dir(), reason="the shared photos are not here")
def test_all_shared_photos_are_read_and_can_be_judged() -> None:
    paths = sorted(SHARED.glob("s*.jpg"))
    assert len(paths) == 52
    qualities = {path.name: judge_quality(read_photo(path, "advert")) for path in paths}
    small = {name for name, quality in qualities.items() if not quality.assessable}
    assert small <= {"s007.jpg", "s020.jpg"}  # under 400 pixels
