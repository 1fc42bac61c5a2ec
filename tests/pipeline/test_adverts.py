"""Batches of every form come in whole; what does not is named, and nothing in the input changes."""

from __future__ import annotations

import os
import stat
import zipfile
from collections.abc import Iterable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.adverts import Batch, photo_names, read_batch
from pipeline.errors import BatchError
from pipeline.photos import BatchLimits
from pipeline.records import Advert, AdvertDetails

JPEG = b"\xff\xd8\xff\xe0" + b"\0" * 40  # told by its first bytes; nothing is decoded here


def write(folder: Path, files: Iterable[str], content: bytes = JPEG) -> Path:
    for name in files:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    return folder


def read(batch: Path, limits: BatchLimits | None = None) -> Batch:
    return read_batch(batch, batch.parent / "unpacked", limits)


def shown(batch: Batch) -> dict[str, list[str]]:
    return {advert.name: list(photo_names(advert)) for advert in batch.adverts}


def faults(batch: Batch) -> dict[str, str]:
    return {f"{item.advert}/{item.photo}": item.fault for item in batch.set_aside}


def zipped(path: Path, files: dict[str, bytes]) -> Path:
    path.parent.mkdir(exist_ok=True)
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            archive.writestr(name, content)
    return path


def refusal(batch: Path, limits: BatchLimits | None = None) -> str:
    with pytest.raises(BatchError) as caught:
        read(batch, limits)
    message = str(caught.value)
    assert message.endswith(".")
    assert "\n" not in message
    return message


# --- folders -----------------------------------------------------------------------------------------------------


def test_each_folder_is_an_advert_in_natural_order(tmp_path: Path) -> None:
    batch = write(
        tmp_path / "batch", ["car 10/b.jpg", "Car 2/photo10.jpg", "Car 2/photo2.JPG", "car 1/1.heic", "car 1/a.png"]
    )
    found = read(batch)
    assert list(shown(found).items()) == [
        ("car 1", ["1.heic", "a.png"]),
        ("Car 2", ["photo2.JPG", "photo10.jpg"]),
        ("car 10", ["b.jpg"]),
    ]
    assert found.set_aside == ()
    assert all(photo.is_file() for advert in found.adverts for photo in advert.photos)


def test_photos_straight_in_the_folder_are_one_advert(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    batch = write(tmp_path / "my car", ["1.jpg", "2.jpg"])
    (batch / "advert.yaml").write_text("title: Pellock hard-top\nprice: 4500\n", encoding="utf-8")
    found = read(batch)
    assert shown(found) == {"my car": ["1.jpg", "2.jpg"]}
    assert found.adverts[0].details == AdvertDetails(title="Pellock hard-top", price=4500)
    monkeypatch.chdir(batch)
    assert shown(read_batch(Path(), tmp_path / "unpacked")) == {"my car": ["1.jpg", "2.jpg"]}


def test_folders_and_photos_straight_in_the_batch(tmp_path: Path) -> None:
    batch = write(tmp_path / "batch", ["batch/1.jpg", "other/1.jpg", "loose.jpg"])
    assert shown(read(batch)) == {
        "batch": ["1.jpg"],
        "batch (straight in the batch)": ["loose.jpg"],
        "other": ["1.jpg"],
    }


def test_clutter_is_ignored_and_other_files_are_set_aside(tmp_path: Path) -> None:
    batch = write(
        tmp_path / "batch",
        ["a/1.jpg", "a/.hidden.jpg", "a/Thumbs.db", "__MACOSX/._1.jpg", ".DS_Store", "a/desktop.ini"],
    )
    write(batch, ["a/notes.txt", "list.csv", "a/clip.mp4", "a/raw.dng"], b"II*\0")
    found = read(batch)
    assert shown(found) == {"a": ["1.jpg"]}
    assert set(faults(found)) == {"a/notes.txt", "/list.csv", "a/clip.mp4", "a/raw.dng"}
    assert set(faults(found).values()) == {"it is not a JPEG, PNG, WebP, HEIC, AVIF or TIFF photo"}


def test_photos_are_known_by_content_and_damaged_ones_by_name(tmp_path: Path) -> None:
    batch = write(tmp_path / "batch", ["a/download", "a/photo.jpg_large"])
    write(batch, ["a/empty.jpg"], b"")
    assert shown(read(batch)) == {"a": ["download", "empty.jpg", "photo.jpg_large"]}


def test_a_wrapper_folder_is_seen_through(tmp_path: Path) -> None:
    batch = write(tmp_path / "batch", ["download/adverts/a/1.jpg", "download/adverts/b/1.jpg"])
    write(batch, ["download/readme.txt"], b"hello")
    found = read(batch)
    assert shown(found) == {"a": ["1.jpg"], "b": ["1.jpg"]}
    assert set(faults(found)) == {"/readme.txt"}


def test_a_single_advert_is_no_wrapper(tmp_path: Path) -> None:
    assert shown(read(write(tmp_path / "batch", ["a/1.jpg"]))) == {"a": ["1.jpg"]}


def test_deeper_folders_are_set_aside_not_mixed_in(tmp_path: Path) -> None:
    batch = write(tmp_path / "batch", ["a/1.jpg", "a/more/2.jpg", "b/1.jpg"])
    found = read(batch)
    assert shown(found) == {"a": ["1.jpg"], "b": ["1.jpg"]}
    assert faults(found) == {"a/more/": "it is a folder inside an advert's folder"}


def test_a_folder_without_photos_is_set_aside_but_one_with_details_is_an_advert(tmp_path: Path) -> None:
    batch = write(tmp_path / "batch", ["a/1.jpg"])
    write(batch, ["texts/readme.txt", "later/advert.yaml"], b"title: to come\n")
    found = read(batch)
    assert shown(found) == {"a": ["1.jpg"], "later": []}
    assert faults(found) == {"texts/": "the folder holds no photo"}


def test_results_of_an_earlier_screening_are_no_advert(tmp_path: Path) -> None:
    batch = write(tmp_path / "batch", ["a/1.jpg", "out/maskline.sqlite", "out/crops/1.jpg"])
    found = read(batch)
    assert shown(found) == {"a": ["1.jpg"]}
    assert found.set_aside == ()


def test_links(tmp_path: Path) -> None:
    batch = write(tmp_path / "batch", ["a/1.jpg"])
    (batch / "a" / "2.jpg").symlink_to(batch / "a" / "1.jpg")
    (batch / "a" / "gone.jpg").symlink_to(tmp_path / "nowhere.jpg")
    (batch / "a" / "gone").symlink_to(tmp_path / "nowhere")
    found = read(batch)
    assert shown(found) == {"a": ["1.jpg", "2.jpg", "gone.jpg"]}  # reading it will say that it is not there
    assert set(faults(found)) == {"a/gone"}


def test_the_input_stays_as_it_is(tmp_path: Path) -> None:
    batch = write(tmp_path / "batch", ["a/1.jpg", "b/2.jpg"])
    before = {path: path.stat().st_mtime_ns for path in sorted(batch.rglob("*"))}
    read(batch)
    assert {path: path.stat().st_mtime_ns for path in sorted(batch.rglob("*"))} == before


@given(
    st.lists(
        st.text(st.characters(blacklist_categories=["Cs"], blacklist_characters="/\0"), min_size=1, max_size=12),
        min_size=1,
        max_size=8,
        unique_by=str.casefold,
    )
)
@settings(max_examples=60, deadline=None)
def test_any_name_is_taken(tmp_path_factory: pytest.TempPathFactory, names: list[str]) -> None:
    batch = write(tmp_path_factory.mktemp("names") / "batch", ["a/1.jpg"])
    kept = []
    for name in names:
        try:
            (batch / "a" / f"x{name}.jpg").write_bytes(JPEG)
        except OSError:  # longer than the file system takes
            continue
        kept.append(f"x{name}.jpg")
    found = read(batch)
    assert sorted(photo.name for photo in found.adverts[0].photos) == sorted(["1.jpg", *kept])
    assert read(batch) == found


# --- advert.yaml -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "fault", "remedy"),
    [
        ("titel: x\n", "line 1: titel: extra inputs are not permitted", "use one of: title, price"),
        ("title: x\nyear: old\n", "line 2: year: input should be a valid integer", "mend the value"),
        ("title: x\npaint_code: 614\n", "line 2: paint_code: input should be a valid string (found 614)", "in quotes"),
        ("price: -3\n", "line 1: price: input should be greater than or equal to 0", "mend the value"),
        ("title: 'x\n", "line 2: it is not valid YAML", "mend that line"),
        ("- a\n- b\n", "line 1: content: input should be a valid dictionary", "mend the value"),
        ("title: !!python/name:os.system x\n", "line 1: it is not valid YAML", "mend that line"),
        ("title: \0\n", "it is not valid YAML", "mend or replace"),
        ("\xff\xfe", "it cannot be read as UTF-8 text", "save it as a UTF-8"),
    ],
)
def test_broken_details_are_set_aside_and_the_advert_goes_on(
    tmp_path: Path, text: str, fault: str, remedy: str
) -> None:
    batch = write(tmp_path / "batch", ["a/1.jpg"])
    (batch / "a" / "advert.yaml").write_bytes(text.encode("latin-1"))
    found = read(batch)
    assert shown(found) == {"a": ["1.jpg"]}
    assert found.adverts[0].details == AdvertDetails()
    (entry,) = found.set_aside
    assert (entry.advert, entry.photo) == ("a", "advert.yaml")
    assert entry.fault.startswith(fault)
    assert remedy in entry.remedy
    assert str(tmp_path) not in entry.fault


def test_details_that_unfold_without_end_are_refused_at_once(tmp_path: Path) -> None:
    batch = write(tmp_path / "batch", ["a/1.jpg"])
    lines = ["notes: &n0 [x, x, x, x, x, x, x, x, x]"]
    lines += [f"k{step}: &n{step} [{', '.join([f'*n{step - 1}'] * 9)}]" for step in range(1, 12)]
    (batch / "a" / "advert.yaml").write_text("\n".join(lines), encoding="utf-8")
    assert len(read(batch).set_aside) == 1


def test_empty_details_and_misnamed_details(tmp_path: Path) -> None:
    batch = write(tmp_path / "batch", ["a/1.jpg", "b/1.jpg"])
    write(batch, ["a/advert.yaml", "b/advert.yml"], b"")
    found = read(batch)
    assert found.adverts[0].details == AdvertDetails()
    assert [entry.remedy for entry in found.set_aside] == ["rename it to advert.yaml"]


# --- zips --------------------------------------------------------------------------------------------------------


def test_zip_of_folders(tmp_path: Path) -> None:
    batch = zipped(
        tmp_path / "batch.zip",
        {
            "batch/b/2.jpg": JPEG,
            "batch/a/1.jpg": JPEG,
            "batch/a/advert.yaml": b"title: x\n",
            "__MACOSX/batch/a/._1.jpg": JPEG,
            "batch/a/.DS_Store": b"x",
            "batch/a/note.txt": b"x",
            "batch/a/download": JPEG,
        },
    )
    before = batch.read_bytes()
    found = read(batch)
    assert shown(found) == {"a": ["1.jpg", "download"], "b": ["2.jpg"]}
    assert found.adverts[0].details.title == "x"
    assert set(faults(found)) == {"a/note.txt"}
    assert batch.read_bytes() == before
    assert found.adverts[0].photos[0].read_bytes() == JPEG


def test_zip_of_photos_is_one_advert(tmp_path: Path) -> None:
    assert shown(read(zipped(tmp_path / "my car.zip", {"1.jpg": JPEG, "2.jpg": JPEG}))) == {
        "my car": ["1.jpg", "2.jpg"]
    }


@pytest.mark.parametrize(
    "name", ["../out.jpg", "a/../../out.jpg", "/out.jpg", "..\\out.jpg", "C:\\out.jpg", "\\out.jpg"]
)
def test_zip_paths_that_lead_out(tmp_path: Path, name: str) -> None:
    found = read(zipped(tmp_path / "in" / "batch.zip", {"a/1.jpg": JPEG, name: JPEG}))
    assert shown(found) == {"a": ["1.jpg"]}
    assert [item.fault for item in found.set_aside] == ["its path leads out of the zip"]
    assert not list(tmp_path.rglob("out.jpg"))
    assert not Path("/out.jpg").exists()


def test_zip_links_are_not_made(tmp_path: Path) -> None:
    batch = tmp_path / "batch.zip"
    with zipfile.ZipFile(batch, "w") as archive:
        archive.writestr("a/1.jpg", JPEG)
        link = zipfile.ZipInfo("a/link.jpg")
        link.external_attr = (stat.S_IFLNK | 0o777) << 16
        archive.writestr(link, "/etc/hostname")
    found = read(batch)
    assert shown(found) == {"a": ["1.jpg"]}
    assert faults(found) == {"a/link.jpg": "it is a link or device, not a file"}


def test_zip_bombs_stop_at_the_limit(tmp_path: Path) -> None:
    limits = BatchLimits(most_files=3, most_unpacked_bytes=3_000_000)
    batch = zipped(tmp_path / "big.zip", {"a/1.jpg": JPEG + b"\0" * 50_000_000})
    assert "it unpacks to more than 0.003 GB" in refusal(batch, limits)
    assert sum(path.stat().st_size for path in (tmp_path / "unpacked").rglob("*.jpg")) < 6_000_000
    many = zipped(tmp_path / "in" / "many.zip", {f"a/{number}.jpg": JPEG for number in range(4)})
    assert "it holds more than 3 files" in refusal(many, limits)


def test_a_zip_that_lies_about_its_sizes(tmp_path: Path) -> None:
    batch = zipped(tmp_path / "batch.zip", {"a/1.jpg": JPEG, "a/2.jpg": JPEG + b"\0" * 100_000})
    content = bytearray(batch.read_bytes())
    real = (len(JPEG) + 100_000).to_bytes(4, "little")
    while (place := content.find(real)) >= 0:  # in the entry's own header and in the directory
        content[place : place + 4] = (50).to_bytes(4, "little")
    batch.write_bytes(content)
    found = read(batch)
    assert shown(found)["a"][0] == "1.jpg"
    assert {entry.fault.split(" (")[0] for entry in found.set_aside} == {"it cannot be unpacked"}


def test_damaged_encrypted_and_doubled_entries_are_set_aside(tmp_path: Path) -> None:
    batch = zipped(tmp_path / "batch.zip", {"a/1.jpg": JPEG, "a/damaged.jpg": os.urandom(300), "a/locked.jpg": JPEG})
    with zipfile.ZipFile(batch, "a") as archive, pytest.warns(UserWarning, match="Duplicate name"):
        archive.writestr("a/1.jpg", JPEG)
    content = bytearray(batch.read_bytes())
    with zipfile.ZipFile(batch) as archive:
        damaged = archive.getinfo("a/damaged.jpg").header_offset
    content[damaged + 100] ^= 0xFF
    directory = (
        content.rindex(b"a/locked.jpg") - 46
    )  # the entry in the central directory; bit 0 of its flags is "encrypted"
    content[directory + 8] |= 1
    batch.write_bytes(content)
    found = read(batch)
    assert shown(found) == {"a": ["1.jpg"]}
    assert {photo: fault.split(" (")[0] for photo, fault in faults(found).items()} == {
        "a/damaged.jpg": "it cannot be unpacked",
        "a/locked.jpg": "it is encrypted",
        "a/1.jpg": "the zip holds two files of this name",
    }


def test_the_folder_to_unpack_into_must_be_empty(tmp_path: Path) -> None:
    batch = zipped(tmp_path / "batch.zip", {"1.jpg": JPEG})
    read(batch)
    assert "the folder to unpack into is not empty" in refusal(batch)


# --- CSV ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("delimiter", "start"), [(",", ""), (";", "\ufeff"), ("\t", "")])
def test_csv(tmp_path: Path, delimiter: str, start: str) -> None:
    write(tmp_path, ["photos/10.jpg", "photos/9.jpg", "b.jpg"])
    rows = ["Advert,Photo,site", "one,photos/10.jpg,x", "one,photos/9.jpg,", "", "two,b.jpg,", "two,b.jpg,"]
    batch = tmp_path / "batch.csv"
    batch.write_text(start + "\n".join(rows).replace(",", delimiter), encoding="utf-8")
    found = read(batch)
    assert shown(found) == {"one": ["10.jpg", "9.jpg"], "two": ["b.jpg"]}
    assert found.set_aside == ()


def test_csv_rows_that_do_not_hold(tmp_path: Path) -> None:
    write(tmp_path, ["1.jpg"])
    write(tmp_path, ["note.txt"], b"x")
    batch = tmp_path / "batch.csv"
    batch.write_text(
        f"advert,photo\na,1.jpg\na,gone.jpg\n,1.jpg\na\na,note.txt\na,.\na,{'x' * 300}.jpg\n", encoding="utf-8"
    )
    found = read(batch)
    assert shown(found) == {"a": ["1.jpg"]}
    assert [entry.fault.split(" (")[0] for entry in found.set_aside] == [
        "there is no such file",
        "line 4 of batch.csv names no advert",
        "line 5 of batch.csv names no photo",
        "it is not a JPEG, PNG, WebP, HEIC, AVIF or TIFF photo",
        "there is no such file",
        "there is no such file",
    ]
    assert "line 3 of batch.csv" in found.set_aside[0].fault


def test_csv_takes_details_of_a_folder_that_is_one_adverts_alone(tmp_path: Path) -> None:
    write(tmp_path, ["a/1.jpg", "b/1.jpg", "b/2.jpg"])
    for folder in "ab":
        (tmp_path / folder / "advert.yaml").write_text(f"title: {folder}\n", encoding="utf-8")
    batch = tmp_path / "batch.csv"
    batch.write_text("advert,photo\none,a/1.jpg\ntwo,b/1.jpg\nthree,b/2.jpg\n", encoding="utf-8")
    assert {advert.name: advert.details.title for advert in read(batch).adverts} == {
        "one": "a",
        "two": None,
        "three": None,
    }


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "its first line lacks the column advert and photo"),
        (b"photo\n1.jpg\n", "its first line lacks the column advert"),
        (b"advert,photo\n", "there is no photo in it"),
        (b"advert,photo\na,\xff\xfe.jpg\n", "it is not a CSV in UTF-8"),
        (b'advert,photo\na,"1.jpg', "it is not a CSV in UTF-8"),
        (b"advert,photo\na," + b"x" * 200_000, "it is not a CSV in UTF-8"),
    ],
)
def test_csv_that_does_not_hold(tmp_path: Path, content: bytes, words: str) -> None:
    batch = tmp_path / "batch.csv"
    batch.write_bytes(content)
    assert words in refusal(batch)


def test_photos_of_one_name_are_told_apart() -> None:
    paths = ("/x/a/front/1.jpg", "/x/a/rear/1.jpg", "/x/b/rear/1.jpg", "/x/2.jpg")
    advert = Advert("a", AdvertDetails(), tuple(Path(path) for path in paths))
    assert photo_names(advert) == ("front/1.jpg", "a/rear/1.jpg", "b/rear/1.jpg", "2.jpg")
    assert photo_names(Advert("a", AdvertDetails(), ())) == ()


# --- nothing to do -----------------------------------------------------------------------------------------------


def test_batches_that_cannot_be_used(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    assert "there is no photo in it; give a folder" in refusal(tmp_path / "empty")
    assert "there is no photo in it" in refusal(write(tmp_path / "texts", ["a/readme.txt"], b"x"))
    assert "there is no such folder or file" in refusal(tmp_path / "none")
    (tmp_path / "photo.jpg").write_bytes(JPEG)
    assert "it is neither a folder nor a zip nor a CSV" in refusal(tmp_path / "photo.jpg")
    (tmp_path / "broken.zip").write_bytes(b"PK\3\4 not a zip")
    assert "it is neither a folder nor a zip nor a CSV" in refusal(tmp_path / "broken.zip")
    damaged = zipped(tmp_path / "damaged.zip", {"1.jpg": JPEG})
    damaged.write_bytes(damaged.read_bytes().replace(b"PK\1\2", b"XX\1\2"))
    assert "the zip is damaged" in refusal(damaged)
    assert "there is no photo in it" in refusal(zipped(tmp_path / "texts.zip", {"a.txt": b"x"}))
