"""Paint tables: read with clear errors, ranked with honest doubt, hue families against published colour names."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import ImageColor

from pipeline.colorimetry import delta_e00, lab_to_linear, srgb_to_lab
from pipeline.colour import colour_settings
from pipeline.errors import ConfigError
from pipeline.paint_table import (
    HUE_FAMILIES,
    ColourReading,
    bare,
    demo_table,
    difference,
    hue_families,
    hue_family,
    paint_named,
    rank,
    read_paint_table,
    said_family,
    same_code,
)

TABLE = colour_settings().table
HEADER = "code,name,L,a,b,from_year,to_year,families\n"
GREEN = next(paint for paint in demo_table() if paint.name == "Marl Green")

# CSS Color Module Level 4 (W3C), section 6.1: names whose colour word is beyond doubt, with our word for it.
CSS_NAMES = {
    "white": "white", "snow": "white", "whitesmoke": "white", "black": "black", "gray": "grey", "dimgray": "grey",
    "silver": "grey", "darkgray": "grey", "red": "red", "darkred": "red", "firebrick": "red", "crimson": "red",
    "orange": "orange", "darkorange": "orange", "yellow": "yellow", "gold": "yellow", "goldenrod": "yellow",
    "green": "green", "darkgreen": "green", "forestgreen": "green", "seagreen": "green", "darkolivegreen": "green",
    "yellowgreen": "green", "darkseagreen": "green", "blue": "blue", "navy": "blue", "darkblue": "blue",
    "royalblue": "blue", "steelblue": "blue", "skyblue": "blue", "lightblue": "blue", "cadetblue": "blue",
    "purple": "violet", "indigo": "violet", "darkviolet": "violet", "violet": "violet", "sienna": "brown",
    "saddlebrown": "brown", "beige": "beige", "wheat": "beige", "tan": "beige", "cornsilk": "beige",
}  # fmt: skip


@pytest.mark.parametrize(("name", "family"), CSS_NAMES.items())
def test_published_colour_names_fall_into_their_hue_family(name: str, family: str) -> None:
    lab = srgb_to_lab(np.array(ImageColor.getrgb(name), np.uint8))
    assert HUE_FAMILIES[int(hue_family(lab))] == family


@pytest.mark.parametrize("paint", demo_table(), ids=lambda paint: paint.name)
def test_paints_fall_into_the_family_that_their_own_name_says(paint) -> None:
    said = said_family(paint.name, TABLE.hue_words)
    assert said in (None, HUE_FAMILIES[int(hue_family(np.array(paint.lab)))])


@pytest.mark.parametrize(
    ("words", "family"),
    [
        ("Weiß", "white"),
        ("dark green", "green"),
        ("VERT FONCÉ", "green"),
        ("azul", "blue"),
        ("green and white", None),
        ("as new", None),
        ("greenish", None),
    ],
)
def test_words_of_papers_name_a_family_or_none(words: str, family: str | None) -> None:
    assert said_family(words, TABLE.hue_words) == family


def test_every_hue_family_has_words() -> None:
    assert set(TABLE.hue_words) == set(HUE_FAMILIES)


def test_the_gamut_volume_is_that_of_srgb() -> None:
    """Share of random CIELAB points that are sRGB colours; sampling error 0.3 % (1 sigma)."""
    rng = np.random.default_rng(1)
    lab = rng.uniform([0, -128, -128], [100, 128, 128], (500_000, 3))
    linear = lab_to_linear(lab)
    share = ((linear >= 0) & (linear <= 1)).all(axis=1).mean()
    assert share * 100 * 256 * 256 == pytest.approx(TABLE.gamut_volume, rel=0.015)


# --- ranking -------------------------------------------------------------------------------------------------------


def test_an_exact_reading_names_its_paint() -> None:
    ranking = rank(ColourReading(GREEN.lab, (1, 1, 1)), demo_table(), TABLE, family="pellock", year=1975)
    assert ranking.matches[0].paint == GREEN
    assert ranking.matches[0].probability > 0.99
    assert ranking.matches[0].delta_e00 == 0


def test_probabilities_are_of_all_paints_and_of_none() -> None:
    ranking = rank(ColourReading((50, 0, 0), (17, 6.5, 7)), demo_table(), TABLE)
    assert sum(match.probability for match in ranking.matches) + ranking.none_of_them == pytest.approx(1)


def test_a_photo_alone_does_not_settle_between_two_whites() -> None:
    ranking = rank(ColourReading((80, 0, 5), colour_settings().body.uncertainty), demo_table(), TABLE)
    assert ranking.matches[0].probability < 0.8
    assert {match.paint.name for match in ranking.matches[:4]} >= {"Chalk White", "Curd Cream"}


def test_a_colour_in_no_table_is_said_to_be_none() -> None:
    ranking = rank(ColourReading((60, 60, -40), (10, 6, 6)), demo_table(), TABLE)
    assert ranking.none_of_them > TABLE.none_fits


def test_paints_of_another_family_or_year_are_not_offered() -> None:
    lichen = next(paint for paint in demo_table() if paint.name == "Lichen")  # 1964 to 1980, not on the gannel
    reading = ColourReading(lichen.lab, (3, 3, 3))
    assert rank(reading, demo_table(), TABLE, family="pellock", year=1981).matches[0].paint == lichen
    for family, year in (("gannel", 1970), ("pellock", 1990)):
        offered = [match.paint for match in rank(reading, demo_table(), TABLE, family=family, year=year).matches]
        assert lichen not in offered


def test_no_table_ranks_nothing() -> None:
    assert rank(ColourReading((50, 0, 0), (5, 5, 5)), (), TABLE).matches == ()


@given(st.floats(0.1, 20), st.floats(-30, 30), st.floats(-30, 30))
def test_uncertainty_of_a_difference_grows_with_that_of_the_reading(u: float, a: float, b: float) -> None:
    near, far = (difference(ColourReading((50, a, b), (k * u,) * 3), (50.0, 0.0, 0.0))[1] for k in (1, 2))
    assert 0 < near < far


def test_uncertainty_of_a_difference_agrees_with_random_draws() -> None:
    reading, other = ColourReading((45, 20, -30), (3, 2, 2)), (60.0, -5.0, 10.0)
    rng = np.random.default_rng(0)
    drawn = delta_e00(np.array(reading.lab) + rng.normal(size=(20_000, 3)) * reading.uncertainty, np.array(other))
    value, uncertainty = difference(reading, other)
    assert value == pytest.approx(drawn.mean(), abs=0.2)
    assert uncertainty == pytest.approx(drawn.std(), rel=0.1)


def test_hue_families_of_a_sure_reading_are_one() -> None:
    assert hue_families(ColourReading((36, -9.5, 19.5), (0.1, 0.1, 0.1))) == {"green": 1.0}
    unsure = hue_families(ColourReading((60, 0, 2), (17, 6.5, 7)))
    assert len(unsure) > 3
    assert sum(unsure.values()) == pytest.approx(1, abs=0.02)


# --- codes and names -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("written", ["OW 503", "ow503", "OW-503", " Ow.503 "])
def test_codes_are_the_same_however_written(written: str) -> None:
    assert same_code(written, demo_table()) == GREEN
    assert bare(written) == "OW503"


def test_a_paint_is_found_by_name_in_a_sentence() -> None:
    assert paint_named("repainted in the original Marl Green, 2009", demo_table()) == GREEN
    assert paint_named("Marl Green over Chalk White", demo_table()) is None
    assert paint_named("marlgreen", demo_table()) is None


# --- reading -------------------------------------------------------------------------------------------------------


def table_of(folder: Path, *lines: str, header: str = HEADER) -> Path:
    path = folder / "paints.csv"
    path.write_text(header + "\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_what_is_not_known_may_be_left_empty(tmp_path: Path) -> None:
    (paint,) = read_paint_table(table_of(tmp_path, "7,Fog,60,0,-2,,,"))
    assert (paint.from_year, paint.to_year, paint.families) == (None, None, ())
    assert paint.was_offered("anything", 1950, 0)


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ((), "no paint"),
        (("1,Fog,sixty,0,0,,,",), "line 2"),
        (("1,Fog,60,0,0,,,", "2,Fog,160,0,0,,,"), "line 3"),
        (("1,Fog,60,0,0,1990,1980,",), "after to_year"),
        (("1,Fog,60,0,0,19x0,1980,",), "from_year"),
        (("1,Fog,60,0,0,1980.5,1980,",), "from_year"),
        ((",Fog,60,0,0,,,",), "no code"),
        (("A 1,Fog,60,0,0,,,", "a-1,Mist,70,0,0,,,"), "twice"),
        (("1,Fog,60,0,0,,,,surplus",), "more fields"),
        (("1,Fog,nan,0,0,,,",), "L is"),
    ],
)
def test_what_does_not_hold_is_told_with_its_place(tmp_path: Path, lines: tuple[str, ...], words: str) -> None:
    with pytest.raises(ConfigError, match=words) as caught:
        read_paint_table(table_of(tmp_path, *lines))
    assert str(tmp_path / "paints.csv") in str(caught.value)


def test_a_missing_column_is_named(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="the column b is missing"):
        read_paint_table(table_of(tmp_path, "1,Fog,60,0", header="code,name,L,a,from_year,to_year,families\n"))


def test_a_missing_file_and_bytes_that_are_no_text_are_told(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="no such file"):
        read_paint_table(tmp_path / "none.csv")
    (tmp_path / "bad.csv").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ConfigError, match="UTF-8"):
        read_paint_table(tmp_path / "bad.csv")
