"""Plates: found where the network sees one, read through a real reader, and never a code that is not there."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.colour import colour_settings, measure_colour
from pipeline.network import NetworkMaps
from pipeline.paint_table import Paint, demo_table
from pipeline.plate import Line, PlateReading, find_plate, match_code, measure_plate, read_lines
from pipeline.records import SHOTS, SURFACES, ZONES, Photo, PhotoFindings
from tests.pipeline.painted import made_findings
from tests.pipeline.plates import made_plate

SETTINGS = colour_settings().plate
PAINTS = demo_table()


def lines(*texts: str, score: float = 0.95, height: float = 20.0) -> list[Line]:
    return [Line(text, score, height) for text in texts]


def paint(code: str) -> Paint:
    return Paint(code, code, (50.0, 0.0, 0.0), None, None, ())


def photo_with_plate(box: tuple[int, int, int, int] | None, shot: str, size: tuple[int, int] = (600, 800)) -> tuple:
    """A photo and maps where the zone identification_plate fills `box` (left, top, width, height in cells of 4 px)."""
    rows, columns = size[0] // 4, size[1] // 4
    zones = np.zeros((1 + len(ZONES), rows, columns), np.float32)
    zones[0] = 1
    if box is not None:
        left, top, width, height = box
        window = np.s_[top : top + height, left : left + width]
        zones[0][window], zones[1 + ZONES.index("identification_plate")][window] = 0.1, 0.9
    maps = NetworkMaps(
        cue_probability=np.zeros((0, rows, columns), np.float32),
        cue_scores={},
        surfaces=np.full((len(SURFACES), rows, columns), 1 / len(SURFACES), np.float32),
        zones=zones,
        shots={name: float(name == shot) for name in SHOTS},
        vehicle=1.0,
        scale=4.0,
    )
    return Photo("a", "p.jpg", "0", "0", np.zeros((*size, 3), np.uint8)), maps


# --- the code ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "texts",
    [
        ("OW 503",),
        ("OW503",),
        ("PAINT OW 503",),
        ("PAINTOW 503",),
        ("TYPE PELLOCK 88", "ow-503", "OST1974B80651"),
        ("0W 5O3",),  # look-alikes: 0 for O, O for 0
        ("QW S03",),
    ],
)
def test_a_code_is_read_as_itself_or_through_look_alikes(texts: tuple[str, ...]) -> None:
    assert match_code(lines(*texts), PAINTS, SETTINGS).code == "OW 503"


@pytest.mark.parametrize(
    ("texts", "reason"),
    [
        (("OW 50",), "no code"),  # a character is missing
        (("OW 5033",), "no code"),  # one too many
        (("OW 5X3",), "no code"),  # no look-alike
        (("OW 513",), "may be a code of the paint table"),  # one character from OW 503: misread, or lacking
        (("A1OW503B7",), "no code"),  # within a longer number
        ((), "no letters"),
    ],
)
def test_what_is_no_code_of_the_table_is_unread(texts: tuple[str, ...], reason: str) -> None:
    reading = match_code(lines(*texts), PAINTS, SETTINGS)
    assert reading.code is None
    assert reason in reading.reason


@pytest.mark.parametrize(
    "texts", [("OW 999",), ("TYPE 88", "PAINT OW 999"), ("PAINTOW 999", "OST1974B80651"), ("COLOUR XX 999",)]
)
def test_a_code_that_the_table_lacks_is_told(texts: tuple[str, ...]) -> None:
    reading = match_code(lines(*texts), PAINTS, SETTINGS)
    assert reading.code is None
    assert reading.unlisted is not None and reading.unlisted.endswith("999")


@pytest.mark.parametrize(
    "texts",
    [
        ("OW 999", "OW 888"),  # which is the paint's?
        ("XX 999",),  # letters and digits as in the table, but no label and no letters of its codes
        ("OW 99",),
        ("OW 999B",),
        ("1974", "880", "OST19740001"),
    ],
)
def test_what_may_be_anything_is_no_code_that_the_table_lacks(texts: tuple[str, ...]) -> None:
    assert match_code(lines(*texts), PAINTS, SETTINGS).unlisted is None
    assert match_code(lines("OW 999", score=0.8), PAINTS, SETTINGS).unlisted is None  # not so sure


def test_a_plate_whose_code_is_in_the_table_has_none_that_the_table_lacks() -> None:
    for one in PAINTS:
        reading = match_code(lines(f"PAINT {one.code}", "OW 999"), PAINTS, SETTINGS)
        assert (reading.code, reading.unlisted) == (one.code, None)


def test_two_codes_on_one_plate_are_unread() -> None:
    reading = match_code(lines("OW 503", "OW 604"), PAINTS, SETTINGS)
    assert reading.code is None
    assert "more than one" in reading.reason


def test_letters_that_could_be_either_of_two_codes_are_unread() -> None:
    paints = [paint("K8B"), paint("KB8")]
    assert match_code(lines("K8B"), paints, SETTINGS).code == "K8B"  # exact against two look-alikes
    assert match_code(lines("KBB"), paints, SETTINGS).code is None  # one look-alike away from both


def test_short_codes_need_more_than_chance() -> None:
    plate = lines("TYPE 88", "NO 4 W 7 K 2", "B 1 9")
    assert match_code(plate, [paint("W"), paint("X")], SETTINGS) == PlateReading(
        None, pytest.approx(0.8, abs=0.2), "more than one code, or chance, would explain what was read"
    )


def test_small_and_unclear_letters_are_unread() -> None:
    assert "too small" in match_code(lines("OW 503", height=5), PAINTS, SETTINGS).reason
    assert "not clear" in match_code(lines("OW 503", score=0.3), PAINTS, SETTINGS).reason


def test_random_letters_never_give_a_code() -> None:
    rng = np.random.default_rng(0)
    characters = np.array(list("ABCDEFGHJKLMNPRSTUVWXYZ0123456789 "))
    for _ in range(500):
        texts = ["".join(rng.choice(characters, size=int(rng.integers(3, 16)))) for _ in range(6)]
        assert match_code(lines(*texts), PAINTS, SETTINGS).code is None


# --- where it is ---------------------------------------------------------------------------------------------------


def test_the_plate_is_where_the_network_sees_it() -> None:
    box = find_plate(*photo_with_plate((50, 40, 60, 30), "close_up"), SETTINGS)
    assert box is not None
    assert box.x <= 200 and box.x + box.width >= 440 and box.y <= 160 and box.y + box.height >= 280
    assert box.width < 400


def test_a_photo_of_a_plate_is_read_as_a_whole_where_no_zone_is_seen() -> None:
    box = find_plate(*photo_with_plate(None, "identification_plate"), SETTINGS)
    assert box is not None
    assert (box.x, box.y, box.width, box.height) == (0, 0, 800, 600)


def test_no_plate_and_a_tiny_one_are_not_tried() -> None:
    assert find_plate(*photo_with_plate(None, "engine_bay"), SETTINGS) is None
    assert find_plate(*photo_with_plate((50, 40, 10, 6), "engine_bay"), SETTINGS) is None


def test_without_a_table_nothing_is_read() -> None:
    def reader(picture: np.ndarray) -> list[Line]:
        raise AssertionError("read without a table")

    assert measure_plate(*photo_with_plate(None, "identification_plate"), (), SETTINGS, reader) is None


def test_an_unread_plate_is_a_measure_that_says_so() -> None:
    measure = measure_plate(*photo_with_plate(None, "identification_plate"), PAINTS, SETTINGS, lambda picture: [])
    assert measure is not None
    assert (measure.text, measure.value, measure.unit) == ("unread: no letters were found", 0.0, "probability")
    assert measure.uncertainty is None  # a probability has none of its own


def test_an_upside_down_plate_is_turned_round() -> None:
    photo, maps = photo_with_plate(None, "identification_plate")
    photo.srgb[0, 0] = 255  # the corner that tells the two ways apart

    def reader(picture: np.ndarray) -> list[Line]:
        return lines("E0S MO", score=0.7) if picture[0, 0, 0] else lines("OW 503")

    measure = measure_plate(photo, maps, PAINTS, SETTINGS, reader)
    assert measure is not None and measure.text == "OW 503"


@pytest.mark.parametrize(
    ("found", "looks"),
    [
        (lines("TYPE 88", "1974"), 1),  # so well read, they stand upright
        (lines("TYPE 88", score=0.5), 2),
        (lines("1974", score=0.6) + lines("OST19740001"), 1),  # on the mean of all letters
        ([], 1),
        (lines("TYPE 88", score=0.5, height=4.0), 1),  # too small either way up
    ],
)
def test_a_second_look_is_taken_where_letters_may_be_upside_down(found: list[Line], looks: int) -> None:
    taken = 0

    def reader(picture: np.ndarray) -> list[Line]:
        nonlocal taken
        taken += 1
        return found

    measure = measure_plate(*photo_with_plate(None, "identification_plate"), PAINTS, SETTINGS, reader)
    assert measure is not None and measure.text is not None and measure.text.startswith("unread: ")
    assert taken == looks


def test_a_plate_is_read_though_its_photo_is_unlike_what_was_learnt() -> None:
    photo, maps = photo_with_plate((50, 40, 60, 30), "close_up")
    photo = replace(photo, srgb=made_plate("OW 604", 20, np.random.default_rng(7), width=800, height=600))
    findings = made_findings(photo.srgb, "close_up", assessable=False)

    def read(findings: PhotoFindings, photo: Photo = photo) -> list[str | None]:
        found = measure_colour(photo, maps, findings, paints=PAINTS, reader=lambda picture: lines("OW 604"))
        return [measure.text for measure in found]

    unlike = findings.model_copy(update={"novelty": 1.4})
    assert read(unlike) == ["OW 604"]
    assert read(findings) == []  # too poor
    assert read(unlike, replace(photo, srgb=np.full_like(photo.srgb, 127))) == []  # both


def test_in_a_view_of_the_whole_vehicle_nothing_is_read() -> None:
    def reader(picture: np.ndarray) -> list[Line]:
        raise AssertionError("read where a plate is a spot")

    for shot in ("exterior", "rear", "underside"):
        assert measure_plate(*photo_with_plate((50, 40, 60, 30), shot), PAINTS, SETTINGS, reader) is None


def test_nothing_but_the_code_is_kept() -> None:
    measure = measure_plate(
        *photo_with_plate((50, 40, 60, 30), "engine_bay"),
        PAINTS,
        SETTINGS,
        lambda picture: lines("OST19740001", "OW 503"),
    )
    assert measure is not None
    assert measure.text == "OW 503"
    assert "OST" not in measure.model_dump_json()


# --- the real reader -----------------------------------------------------------------------------------------------


def test_the_reader_reads_a_plate() -> None:
    picture = made_plate("OW 604", 20, np.random.default_rng(7))
    assert match_code(read_lines(picture), PAINTS, SETTINGS).code == "OW 604"


def test_the_reader_reads_a_code_that_the_table_lacks() -> None:
    _, maps = photo_with_plate(None, "identification_plate", (750, 1000))
    made = Photo("a", "p.jpg", "0", "0", made_plate("OW 977", 20, np.random.default_rng(7)))
    measure = measure_plate(made, maps, PAINTS, SETTINGS)
    assert measure is not None and measure.text == "not in the paint table: OW 977"


def test_a_picture_without_letters_has_no_lines() -> None:
    assert read_lines(np.full((200, 300, 3), 127, np.uint8)) == []


def test_the_reader_reads_a_plate_that_is_upside_down() -> None:
    _, maps = photo_with_plate(None, "identification_plate", (750, 1000))
    picture = np.ascontiguousarray(made_plate("OW 604", 20, np.random.default_rng(7))[::-1, ::-1])
    measure = measure_plate(Photo("a", "p.jpg", "0", "0", picture), maps, PAINTS, SETTINGS)
    assert measure is not None and measure.text == "OW 604"


@pytest.mark.slow
@pytest.mark.parametrize("letter_px", [14, 20])
def test_plates_are_read_from_letters_of_14_pixels_on(letter_px: int) -> None:
    """At least 95 of 100, and none read as another code. Made plates: see tests/pipeline/plates.py."""
    read, wrong, count = 0, [], 60
    for k in range(count):
        rng = np.random.default_rng([11, letter_px, k])
        code = PAINTS[int(rng.integers(len(PAINTS)))].code
        found = match_code(read_lines(made_plate(code, letter_px, rng)), PAINTS, SETTINGS).code
        read += found == code
        wrong += [(code, found)] if found not in (code, None) else []
    assert not wrong
    assert read >= 0.95 * count
