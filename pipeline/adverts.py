"""Bring the adverts in: a folder, a zip or a CSV becomes adverts with their photo files. The input is only read."""

from __future__ import annotations

import csv
import re
import stat
import unicodedata
import zipfile
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import IO

from pipeline.configuration import load
from pipeline.errors import BatchError, ConfigError, PhotoError
from pipeline.photos import SUFFIXES, BatchLimits, photo_settings, sniff
from pipeline.records import Advert, AdvertDetails, SetAside

DETAILS = "advert.yaml"
RESULT = "maskline.sqlite"  # a folder that holds one was written by a screening and is no advert
# What operating systems and file servers leave in folders; never anybody's photo.
CLUTTER = {"__macosx", "thumbs.db", "ehthumbs.db", "desktop.ini", "icon\r", "@eadir", "$recycle.bin", "lost+found"}
NO_PHOTO = "it is not a JPEG, PNG, WebP, HEIC, AVIF or TIFF photo"
COLUMNS = ("advert", "photo")
CHUNK_BYTES = 1 << 20


@dataclass(frozen=True, slots=True)
class Batch:
    """All adverts of a batch in natural order of their names, and what could not be taken in."""

    adverts: tuple[Advert, ...]
    set_aside: tuple[SetAside, ...]


def read_batch(batch: Path, unpacked: Path, limits: BatchLimits | None = None) -> Batch:
    """Find the adverts of a batch: a folder, a `.zip`, or a CSV with the columns `advert,photo`.

    Each folder in the batch is one advert; photos straight in the batch are one advert more, named after the batch.
    A folder that holds nothing but one folder of folders is seen through. Photos of a CSV are given relative to it.
    A zip is unpacked into `unpacked`, a folder that is new or empty and must stay as long as the photos are read.
    Raises BatchError where there is no photo at all or the batch cannot be opened.
    """
    try:
        found = _find(batch, unpacked, limits or photo_settings().batch)
    except OSError as error:
        fault = f"it cannot be read or unpacked ({error.strerror or error})"
        raise BatchError(batch, fault, "check permissions and free space") from None
    if not any(advert.photos for advert in found.adverts):
        raise BatchError(batch, "there is no photo in it", "give a folder that holds one folder of photos an advert")
    adverts = sorted(found.adverts, key=lambda advert: _natural(advert.name))
    return Batch(tuple(adverts), tuple(found.set_aside))


def photo_names(advert: Advert) -> tuple[str, ...]:
    """What each photo is called within its advert: its file name, with as many folders before it as tell it apart."""
    names = [photo.name for photo in advert.photos]
    depth = 1
    while len(set(names)) < len(names):  # ends: no path is in an advert twice
        depth += 1
        twice = {name for name in names if names.count(name) > 1}
        names = [
            "/".join(photo.parts[-depth:]) if name in twice else name
            for photo, name in zip(advert.photos, names, strict=True)
        ]
    return tuple(names)


@dataclass(slots=True)
class _Found:
    adverts: list[Advert] = field(default_factory=list)
    set_aside: list[SetAside] = field(default_factory=list)

    def put_aside(self, advert: str, photo: str, fault: str, remedy: str) -> None:
        self.set_aside.append(SetAside(advert=advert, photo=photo, fault=fault, remedy=remedy))


def _find(batch: Path, unpacked: Path, limits: BatchLimits) -> _Found:
    if batch.is_dir():
        return _from_folder(batch, batch.resolve().name or "batch")
    if not batch.exists():
        raise BatchError(batch, "there is no such folder or file", "check the name")
    if batch.suffix.lower() == ".csv":
        return _from_csv(batch)
    if zipfile.is_zipfile(batch):
        return _from_zip(batch, unpacked, limits)
    raise BatchError(batch, "it is neither a folder nor a zip nor a CSV", "name the folder that holds the adverts")


# --- folders -----------------------------------------------------------------------------------------------------


def _from_folder(folder: Path, name: str) -> _Found:
    found = _Found()
    files, folders = _content(folder)
    while len(folders) == 1 and not _is_advert(files):
        inner_files, inner_folders = _content(folders[0])
        if not inner_folders or _is_advert(inner_files):
            break
        _put_stray_aside(found, files)
        files, folders = inner_files, inner_folders
    for place in folders:
        _add_folder(found, place)
    if _is_advert(files):
        taken = {advert.name for advert in found.adverts}
        _add_files(found, files, name if name not in taken else f"{name} (straight in the batch)")
    else:
        _put_stray_aside(found, files)
    return found


def _is_advert(files: Iterable[Path]) -> bool:
    return any(file.name == DETAILS or _is_photo(file) for file in files)


def _put_stray_aside(found: _Found, files: Iterable[Path]) -> None:
    for file in files:
        found.put_aside("", file.name, *_why_no_photo(file.name))


def _add_folder(found: _Found, folder: Path) -> None:
    try:
        files, folders = _content(folder)
    except OSError as error:
        fault = f"the folder cannot be read ({error.strerror or error})"
        found.put_aside(folder.name, "", fault, "check its permissions")
        return
    if _is_advert(files):
        _add_files(found, files, folder.name)
    else:
        found.put_aside(folder.name, "", "the folder holds no photo", "put the advert's photos straight into it")
    for inner in folders:
        fault = "it is a folder inside an advert's folder"
        found.put_aside(
            folder.name, f"{inner.name}/", fault, "move its photos up, or the folder beside the other adverts"
        )


def _add_files(found: _Found, files: Iterable[Path], name: str) -> None:
    """Make one advert of the files of one folder; what is no photo is set aside."""
    details, photos = AdvertDetails(), []
    for file in files:
        if file.name == DETAILS:
            details = _read_details(found, file, name)
        elif _is_photo(file):
            photos.append(file)
        else:
            found.put_aside(name, file.name, *_why_no_photo(file.name))
    found.adverts.append(Advert(name, details, tuple(photos)))


def _read_details(found: _Found, file: Path, advert: str) -> AdvertDetails:
    try:
        return load(file, AdvertDetails)
    except ConfigError as error:
        where = error.file.removeprefix(str(file)).lstrip(", ")
        found.put_aside(advert, file.name, f"{where}: {error.fault}" if where else error.fault, error.remedy)
        return AdvertDetails()


def _content(folder: Path) -> tuple[list[Path], list[Path]]:
    """Files and folders in natural order, without hidden ones, clutter and the results of earlier screenings."""
    files, folders = [], []
    for item in sorted(folder.iterdir(), key=lambda path: _natural(path.name)):
        if _is_clutter(item.name):
            continue
        if not item.is_dir():
            files.append(item)
        elif not (item / RESULT).exists():
            folders.append(item)
    return files, folders


def _is_clutter(name: str) -> bool:
    return name.startswith(".") or name.lower() in CLUTTER


def _is_photo(file: Path) -> bool:
    """By name or by content: a damaged photo is tried, so that it gets reported, and a misnamed one is welcome."""
    if file.suffix.lower() in SUFFIXES:
        return True
    try:
        with file.open("rb") as stream:
            return _holds_photo(stream.read(32))
    except OSError:
        return False


def _holds_photo(head: bytes) -> bool:
    """TIFF needs its suffix: raw camera files are TIFF inside, with a thumbnail as first picture."""
    return sniff(head) not in (None, "TIFF")


def _why_no_photo(name: str) -> tuple[str, str]:
    if name.lower() in ("advert.yml", DETAILS):
        return f"an advert's details are read from {DETAILS}", f"rename it to {DETAILS}"
    return NO_PHOTO, "save it as JPEG if it is a photo"


def _natural(name: str) -> tuple[list[tuple[int, int, str]], str]:
    """Sorts photo2 before photo10, whatever the case; the plain name decides between equals."""
    text = unicodedata.normalize("NFC", name).casefold()
    parts = re.findall(r"[0-9]+|[^0-9]+", text)
    return [(0, int(part), "") if part[0] in "0123456789" else (1, 0, part) for part in parts], name


# --- zips --------------------------------------------------------------------------------------------------------


def _from_zip(path: Path, unpacked: Path, limits: BatchLimits) -> _Found:
    unpacked.mkdir(parents=True, exist_ok=True)
    if any(unpacked.iterdir()):
        raise BatchError(unpacked, "the folder to unpack into is not empty", "name a new one")
    try:
        with zipfile.ZipFile(path) as archive:
            refused = _unpack(path, archive, unpacked, limits)
    except zipfile.BadZipFile as error:
        raise BatchError(path, f"the zip is damaged ({error})", "fetch it again") from None
    found = _from_folder(unpacked, path.stem)
    found.set_aside.extend(refused)
    return found


def _unpack(path: Path, archive: zipfile.ZipFile, unpacked: Path, limits: BatchLimits) -> list[SetAside]:
    """Write the zip's photos and details below `unpacked`; all else is named in the answer."""
    refused: list[SetAside] = []
    files, room = 0, limits.most_unpacked_bytes
    for entry in archive.infolist():
        place = PurePosixPath(entry.filename.replace("\\", "/"))
        if entry.is_dir() or any(_is_clutter(part) for part in place.parts if part != ".."):
            continue
        files += 1
        if files > limits.most_files:
            raise BatchError(path, f"it holds more than {limits.most_files} files", "unpack it and screen it in parts")
        try:
            room -= _unpack_file(archive, entry, unpacked, place, room)
        except PhotoError as error:
            refused.append(SetAside(advert=place.parent.name, photo=place.name, fault=error.fault, remedy=error.remedy))
        if room < 0:
            fault = f"it unpacks to more than {limits.most_unpacked_bytes / 1e9:g} GB"
            raise BatchError(path, fault, "unpack it and screen it in parts")
    return refused


def _unpack_file(
    archive: zipfile.ZipFile, entry: zipfile.ZipInfo, unpacked: Path, place: PurePosixPath, room: int
) -> int:
    """Write one photo or details file and return its bytes, at most just over `room`, whatever the zip says of it.

    Raises PhotoError where it is none or cannot be unpacked safely.
    """
    if place.is_absolute() or ".." in place.parts or re.match(r"[A-Za-z]:[\\/]", entry.filename):
        raise PhotoError(entry.filename, "its path leads out of the zip", "pack the zip again")
    if stat.S_IFMT(entry.external_attr >> 16) not in (0, stat.S_IFREG):
        raise PhotoError(entry.filename, "it is a link or device, not a file", "pack the photo itself")
    if entry.flag_bits & 1:
        raise PhotoError(entry.filename, "it is encrypted", "unpack the zip yourself and screen the folder")
    target = unpacked.joinpath(*place.parts)
    if target.exists():
        raise PhotoError(entry.filename, "the zip holds two files of this name", "give it a name of its own")
    try:
        with archive.open(entry) as stream:
            head = stream.read(32)
            if not (place.name == DETAILS or place.suffix.lower() in SUFFIXES or _holds_photo(head)):
                raise PhotoError(entry.filename, *_why_no_photo(place.name))
            target.parent.mkdir(parents=True, exist_ok=True)
            with target.open("xb") as written:
                return _copy(head, stream, written, room)
    except PhotoError:
        raise
    except Exception as error:  # zipfile and its decompressors raise whatever a damaged entry leads them into
        target.unlink(missing_ok=True)
        fault = f"it cannot be unpacked ({str(error)[:80] or type(error).__name__})"
        raise PhotoError(entry.filename, fault, "pack the zip again, or unpack it and screen the folder") from None


def _copy(head: bytes, stream: IO[bytes], written: IO[bytes], room: int) -> int:
    count, chunk = 0, head
    while chunk and count <= room:
        count += written.write(chunk)
        chunk = stream.read(CHUNK_BYTES)
    return count


# --- CSV ---------------------------------------------------------------------------------------------------------


def _from_csv(path: Path) -> _Found:
    found = _Found()
    photos: dict[str, dict[Path, None]] = {}
    for line, advert, photo in _rows(path):
        file = path.parent / photo
        if not advert or not photo:
            found.put_aside(
                advert, photo, f"line {line} of {path.name} names no {'photo' if advert else 'advert'}", "fill it in"
            )
            continue
        own = photos.setdefault(advert, {})
        try:
            is_file = file.is_file()
        except OSError:  # a name that no file can have
            is_file = False
        if not is_file:
            fault = f"there is no such file (line {line} of {path.name})"
            found.put_aside(advert, photo, fault, f"give its path relative to {path.name}")
        elif _is_photo(file):
            own[file] = None
        else:
            found.put_aside(advert, photo, *_why_no_photo(file.name))
    adverts_in: dict[Path, set[str]] = {}
    for advert, files in photos.items():
        for file in files:
            adverts_in.setdefault(file.parent, set()).add(advert)
    for advert, files in photos.items():
        folders = {file.parent for file in files}
        details = AdvertDetails()
        if len(folders) == 1 and adverts_in[folder := folders.pop()] == {advert} and (folder / DETAILS).exists():
            details = _read_details(found, folder / DETAILS, advert)  # the folder is this advert's alone
        found.adverts.append(Advert(advert, details, tuple(files)))
    return found


def _rows(path: Path) -> list[tuple[int, str, str]]:
    """(line, advert, photo) of each row that is not blank. Raises BatchError where the table itself does not hold."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            first = stream.readline()
            stream.seek(0)
            delimiter = max(",;\t", key=first.count)  # a comma where none is there: one column, said below
            reader = csv.DictReader(stream, delimiter=delimiter, strict=True)
            reader.fieldnames = [name.strip().lower() for name in reader.fieldnames or ()]
            missing = [name for name in COLUMNS if name not in reader.fieldnames]
            if missing:
                fault = f"its first line lacks the column {' and '.join(missing)}"
                raise BatchError(path, fault, f"name the columns {','.join(COLUMNS)} there")
            rows = [(reader.line_num, (row["advert"] or "").strip(), (row["photo"] or "").strip()) for row in reader]
    except (UnicodeDecodeError, csv.Error) as error:
        raise BatchError(path, f"it is not a CSV in UTF-8 ({error})", "save the table as CSV, UTF-8") from None
    return [(line, advert, photo) for line, advert, photo in rows if advert or photo]
