"""Readings: units and statistics against references, impossible values refused, and what enters the weighing."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import median_abs_deviation, norm

from pipeline.build_sheets import read_build_sheet
from pipeline.errors import ConfigError
from pipeline.evidence import weigh
from pipeline.histories import WeighingSettings
from pipeline.readings import (
    MEDIAN_ERROR,
    MIL_UM,
    TO_SIGMA,
    PanelFilm,
    Reading,
    judge_readings,
    measures_of,
    read_readings,
)
from tests.pipeline.sightings import RATES, clean_advert, refinished_advert

SETTINGS = WeighingSettings.shipped()
PELLOCK, BRINDLE = read_build_sheet("pellock"), read_build_sheet("brindle")


def written(folder: Path, text: str) -> Path:
    path = folder / "readings.csv"
    path.write_text(text, encoding="utf-8")
    return path


def films(**by_panel: list[float]) -> dict[str, PanelFilm]:
    readings = [Reading(name, value, 1) for name, values in by_panel.items() for value in values]
    return {film.name: film for film in judge_readings(readings, PELLOCK, SETTINGS.readings)}


FACTORY = [118.0, 124.0, 121.0, 130.0, 127.0]


@pytest.mark.parametrize(
    "text",
    [
        "panel,reading_um,metal\nbonnet,127,aluminium\nbonnet,254,aluminium\n",
        "panel;reading_um\nbonnet;127,0\nbonnet;254,0\n",
        "\ufeffPanel ; Metal ; Reading_um\nbonnet ; aluminium ; 127\n\nbonnet ; ; 254\n",
        "panel,reading_mil\nbonnet,5\nbonnet,10\n",  # 1 mil = 0.001 inch = 25.4 µm exactly (international inch, 1959)
    ],
)
def test_comma_and_semicolon_um_and_mil_are_read(tmp_path: Path, text: str) -> None:
    readings = read_readings(written(tmp_path, text), PELLOCK, SETTINGS.readings)
    assert [(r.panel, r.thickness_um) for r in readings] == [("bonnet", 127.0), ("bonnet", 254.0)]


HEAD = "panel,reading_um,metal\n"


@pytest.mark.parametrize(
    ("text", "line", "fault"),
    [
        (HEAD + "bonnet,120,aluminium\nbonnet,-5,aluminium\n", 3, "no film of paint is -5 thick"),
        (HEAD + "bonnet,0,aluminium\n", 2, "no film of paint is 0 thick"),
        (HEAD + "bonnet,99999,aluminium\n", 2, "99999 µm is not between"),
        (HEAD + "bonnet,nan,aluminium\n", 2, "nan"),
        (HEAD + "bonnet,inf,aluminium\n", 2, "inf"),
        (HEAD + "bonnet,thick,aluminium\n", 2, "'thick' is no number"),
        (HEAD + "bonnet,120,steel\n", 2, "the gauge was set to steel, but bonnet is aluminium"),
        (HEAD + "bonnet,120,tin\n", 2, "'tin' is no metal"),
        (HEAD + "\nbonet,120,aluminium\n", 3, "has no panel 'bonet'"),
        (HEAD + "bonnet,120,aluminium,dry\n", 2, "4 values for 3 columns"),
        (HEAD + "bonnet\n", 2, "1 values for 3 columns"),
        ("panel,thickness\nbonnet,120\n", 1, "the columns are panel, thickness"),
        ("panel,reading_um,reading_mil\nbonnet,120,5\n", 1, "the columns are panel, reading_um, reading_mil"),
        ("panel,panel,reading_um\nbonnet,bonnet,5\n", 1, "the columns are panel, panel, reading_um"),
    ],
)
def test_impossible_values_are_refused_with_their_line(tmp_path: Path, text: str, line: int, fault: str) -> None:
    with pytest.raises(ConfigError) as caught:
        read_readings(written(tmp_path, text), PELLOCK, SETTINGS.readings)
    assert caught.value.file.endswith(f"readings.csv, line {line}")
    assert fault in caught.value.fault and caught.value.remedy


@pytest.mark.parametrize(("text", "fault"), [("", "empty"), ("\n \n", "empty"), (HEAD, "no readings")])
def test_a_file_without_readings_is_told(tmp_path: Path, text: str, fault: str) -> None:
    with pytest.raises(ConfigError, match=fault):
        read_readings(written(tmp_path, text), PELLOCK, SETTINGS.readings)


def test_files_that_cannot_be_read_are_told(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="no such file"):
        read_readings(tmp_path / "none.csv", PELLOCK, SETTINGS.readings)
    (tmp_path / "utf16.csv").write_bytes(HEAD.encode("utf-16"))
    with pytest.raises(ConfigError, match="UTF-8"):
        read_readings(tmp_path / "utf16.csv", PELLOCK, SETTINGS.readings)


def test_the_constants_are_those_of_the_normal_distribution() -> None:
    assert pytest.approx(1 / norm.ppf(0.75), rel=1e-6) == TO_SIGMA
    assert pytest.approx(np.sqrt(np.pi / 2), rel=1e-4) == MEDIAN_ERROR
    assert MIL_UM == 25.4


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(20, 900), min_size=1, max_size=12))
def test_the_statistics_are_scipys(values: list[float]) -> None:
    film = films(bonnet=values)["bonnet"]
    assert film.median_um == pytest.approx(np.median(values))
    assert film.spread_um == pytest.approx(median_abs_deviation(values, scale="normal"), rel=1e-6)


def test_one_spot_of_filler_does_not_hide_itself() -> None:
    # five readings of factory film and one of filler: a plain z-score cannot exceed (n - 1)/√n = 2.04 with n = 6
    # (Shiffler 1988), so a limit of 3 would miss it; the modified one does not (Iglewicz and Hoaglin 1993)
    values = [*FACTORY, 900.0]
    assert max(abs(np.array(values) - np.mean(values)) / np.std(values, ddof=1)) < 2.05
    film = films(bonnet=values)["bonnet"]
    assert film.outliers_um == (900.0,) and film.filler_um == 900.0
    assert film.median_um == pytest.approx(125.5)
    assert "900 µm at one place at least: as thick as filler" in film.judgement


def test_readings_that_agree_have_no_outliers() -> None:
    film = films(bonnet=[120.0, 120.0, 120.0, 120.0, 123.0])["bonnet"]
    assert film.spread_um == 0 and film.outliers_um == () and film.uncertainty_um > 0


@pytest.mark.parametrize(
    ("values", "says"),
    [
        (FACTORY, "within the factory's 85 to 165 µm."),
        ([290.0, 300.0, 310.0, 305.0, 295.0], "thicker than the factory's 85 to 165 µm"),
        ([40.0, 42.0, 41.0, 43.0, 40.0], "thinner than the factory's"),
        ([120.0, 125.0], "too few readings"),
    ],
)
def test_a_panel_is_judged_against_its_familys_range(values: list[float], says: str) -> None:
    assert says in films(bonnet=values)["bonnet"].judgement


def test_a_panel_is_judged_against_its_own_other_panels() -> None:
    judged = films(bonnet=[160.0] * 5, roof=[90.0] * 5, tailgate=[95.0] * 5, tub_left=[92.0] * 5)
    assert judged["bonnet"].others_um == 92.0
    assert "1.7 times its own other panels" in judged["bonnet"].judgement
    assert "other panels" not in judged["roof"].judgement


def test_a_panels_own_range_counts() -> None:
    readings = [Reading("bed", 150.0 + k, 1) for k in range(5)] + [Reading("bonnet", 150.0 + k, 1) for k in range(5)]
    bed, bonnet = (
        {film.name: film for film in judge_readings(readings, BRINDLE, SETTINGS.readings)}[name]
        for name in ("bed", "bonnet")
    )
    assert (bed.range_um, bonnet.range_um) == ((60, 140), (80, 160))
    assert "thicker" in bed.judgement and "within" in bonnet.judgement


# --- in the weighing ---------------------------------------------------------------------------------------------


def refinished_after(**by_panel: list[float]) -> float:
    measures = measures_of(list(films(**by_panel).values()))
    return weigh(clean_advert(), PELLOCK, RATES, SETTINGS, measures).refinished


def test_readings_enter_the_weighing_either_way() -> None:
    before = weigh(clean_advert(), PELLOCK, RATES, SETTINGS).refinished
    assert refinished_after(bonnet=FACTORY) < before < refinished_after(bonnet=[300.0] * 5)
    assert refinished_after(bonnet=FACTORY, roof=FACTORY, tub_left=FACTORY) < refinished_after(bonnet=FACTORY)


def test_each_panel_is_a_weight_at_its_zone_and_side() -> None:
    measures = measures_of(list(films(wing_front_left=[310.0] * 5, wing_front_right=FACTORY).values()))
    verdict = weigh([], PELLOCK, RATES, SETTINGS, measures)
    left, right = sorted(verdict.weights, key=lambda weight: weight.side or "")
    assert (left.cue, left.zone, left.side, left.photo) == ("film_thickness", "wing_front", "left", None)
    assert left.decibans > 0 > right.decibans
    assert "310 ±" in left.why and "µm" in left.why
    assert verdict.extent["wing_front"]["left"] > verdict.extent["wing_front"]["right"]


def test_filler_speaks_for_a_repair() -> None:
    plain, filled = (
        weigh([], PELLOCK, RATES, SETTINGS, measures_of(list(films(tub_left=values).values())))
        for values in (FACTORY, [*FACTORY, 1200.0])
    )
    assert {weight.cue for weight in filled.weights} == {"film_thickness", "filler"}
    assert any("Body filler: tub side, left side, 1200 ±" in weight.why for weight in filled.weights)
    assert filled.refinished > plain.refinished
    assert filled.history["local_repair"] > plain.history["local_repair"]


@pytest.mark.parametrize(("film_um", "coats"), [(250.0, 1), (310.0, 1), (420.0, 2), (480.0, 2)])
def test_a_thick_film_needs_more_than_one_refinish(film_um: float, coats: int) -> None:
    # pellock's factory film is 165 µm at most: 420 µm is more than two such coats, so it was refinished twice at least
    measures = measures_of(list(films(tub_left=[film_um] * 5, bonnet=[film_um] * 5).values()))
    assert weigh(refinished_advert(), PELLOCK, RATES, SETTINGS, measures).coats == coats


def test_filler_is_no_number_of_coats() -> None:
    measures = measures_of(list(films(tub_left=[1500.0] * 5).values()))
    assert weigh(refinished_advert(), PELLOCK, RATES, SETTINGS, measures).coats == 1
