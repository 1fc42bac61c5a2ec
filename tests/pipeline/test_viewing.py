"""The viewing sheet: the order of its places against enumeration, what stands on it, and that it fits two pages."""

from __future__ import annotations

import re
import shutil
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from scipy.stats import entropy

from pipeline.build_sheets import known_build_sheets, read_build_sheet
from pipeline.coverage import cue_entries, zone_entries
from pipeline.evidence import Verdict, weigh
from pipeline.histories import WeighingSettings
from pipeline.photo_requests import read_catalogue
from pipeline.readings import PanelFilm, Reading, judge_readings
from pipeline.records import DETECTED_CUES, HISTORIES, ZONES, Advert, AdvertDetails, AdvertResult, Before, PhotoFindings
from pipeline.report.wording import CAUTIONS, STATES, zone_name
from pipeline.shortlist import shortlist
from pipeline.viewing import ViewingSettings, places_to_look, shot_list, statement, strip_plot_svg, viewing_sheet
from tests.pipeline.enumeration import Observation, joint
from tests.pipeline.sightings import DOOR, OUTSIDE, RATES, alarm, clean_advert, photo, refinished_advert

WEIGHING, SETTINGS = WeighingSettings.shipped(), ViewingSettings.shipped()
ALL_PLACES = SETTINGS.model_copy(update={"most_places": len(ZONES), "least_bits": 0.0})
PELLOCK, BRINDLE = read_build_sheet("pellock"), read_build_sheet("brindle")
ADVERT = Advert("pellock-17", AdvertDetails(title="Pellock <b>1978</b> & more"), ())
SVG = "{http://www.w3.org/2000/svg}"


def verdict(findings: list[PhotoFindings]) -> Verdict:
    return weigh(findings, PELLOCK, RATES, WEIGHING)


def in_doubt() -> Verdict:
    return verdict(
        [
            photo("front.jpg", "exterior", OUTSIDE),
            photo("door.jpg", "door_open", DOOR, {"painted_fastener": alarm("hinge", "left")}),
            photo("glass.jpg", zones=("glazing_seal",), alarms={"overspray_rubber": alarm("glazing_seal", "right")}),
        ]
    )


def films() -> tuple[PanelFilm, ...]:
    read = {
        "bonnet": [120, 125, 122, 128, 124],
        "door_left": [280, 290, 910, 285, 283],
        "shut_left": [118, 121, 119, 122, 120],
    }
    readings = [Reading(name, float(value), 1) for name, values in read.items() for value in values]
    return judge_readings(readings, PELLOCK, WEIGHING.readings)


class Page(HTMLParser):
    """Tags with their attributes, and the text."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.text = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in ("meta", "line", "rect", "circle"):
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += f" {data}"


# --- the order of places -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("seen_ratio", [None, 0.3, 8.0])
def test_the_gain_of_a_look_is_that_of_plain_enumeration(seen_ratio: float | None) -> None:
    # overspray_hidden at brindle's chassis rail, unseen, found clean or found by a photo: the photo and the person
    # look at the same rail, so both outcomes hang on the same fact
    findings = {
        None: [],
        0.3: [photo("u.jpg", "underside", ("chassis_rail",), score=0.0)],
        8.0: [photo("u.jpg", "underside", (), {"overspray_hidden": alarm("chassis_rail")})],
    }[seen_ratio]
    seen = weigh(findings, BRINDLE, RATES, WEIGHING)
    (place,) = [place for place in places_to_look(seen, ALL_PLACES) if place.zone == "chassis_rail"]
    assert place.cues == ("overspray_hidden",)
    ratio = seen.pieces[0].ratio if seen.pieces else 1.0
    table = []
    for s, f in (
        (SETTINGS.look.sensitivity, SETTINGS.look.false_alarm),
        (1 - SETTINGS.look.sensitivity, 1 - SETTINGS.look.false_alarm),
    ):
        chances = joint([Observation("overspray_hidden", "chassis_rail", None, ratio * s, f)], BRINDLE, WEIGHING)
        table.append([chances[history] for history in HISTORIES])
    both = np.array(table) / np.sum(table)
    bits = entropy(both.sum(1), base=2) + entropy(both.sum(0), base=2) - entropy(both.ravel(), base=2)
    assert place.gain_bits == pytest.approx(bits, rel=1e-6)


def test_places_come_most_telling_first_and_signs_are_never_crowded_out() -> None:
    places = places_to_look(in_doubt(), SETTINGS)
    gains = [place.gain_bits for place in places]
    assert gains == sorted(gains, reverse=True) and len(places) <= SETTINGS.most_places
    signs = {(place.zone, place.side): place.photos_said for place in places if place.is_sign}
    assert signs == {
        ("hinge", "left"): "photos may show painted fastener heads",
        ("glazing_seal", "right"): "photos may show mist of paint on rubber",
    }
    said = {place.zone: place.photos_said for place in places}
    assert said["wiring"] == "not shown" and said["bonnet"] == "nothing found in 1 photo"


def test_a_place_tells_less_once_it_was_shown_well() -> None:
    shown = [photo("glass.jpg", zones=("glazing_seal",))]
    before, after = (
        {place.zone: place.gain_bits for place in places_to_look(verdict(seen), ALL_PLACES)} for seen in ([], shown)
    )
    assert after["glazing_seal"] < before["glazing_seal"]


def test_what_the_factory_painted_is_not_looked_for() -> None:
    tub = [place for place in places_to_look(verdict([]), SETTINGS) if place.zone == "tub_side"]
    assert all("painted_fastener" not in place.cues for place in tub)


# --- what stands on it -------------------------------------------------------------------------------------------


def test_every_zone_and_sign_has_its_words() -> None:
    assert set(SETTINGS.places) == set(ZONES)
    assert set(SETTINGS.signs) == set(DETECTED_CUES)


@pytest.mark.parametrize("name", known_build_sheets())
@pytest.mark.parametrize("findings", [[], clean_advert(), refinished_advert()])
def test_the_sheet_holds_all_that_is_needed(name: str, findings: list[PhotoFindings]) -> None:
    sheet = read_build_sheet(name)
    page = Page(viewing_sheet(ADVERT, weigh(findings, sheet, RATES, WEIGHING)))
    assert page.open == []
    for caution in (*CAUTIONS, *SETTINGS.cautions):
        assert caution in page.text
    for panel in sheet.known_panels.values():
        assert panel.label in page.text
    assert sheet.code_plate is not None and sheet.code_plate.where in page.text
    for standard in ("ISO 2178", "ISO 2360", "ISO 2808"):
        assert standard in page.text
    boxes = [attrs for tag, attrs in page.tags if tag == "td" and attrs.get("class") == "box"]
    assert len(boxes) == len(sheet.known_panels) * (SETTINGS.readings_a_panel + 1)


def test_each_panel_names_the_probe_of_its_metal() -> None:
    text = " ".join(Page(viewing_sheet(ADVERT, verdict([]))).text.split())
    assert "Bonnet bonnet aluminium, eddy current 85 to 165" in text
    assert "Bulkhead bulkhead steel, magnetic 85 to 165" in text


@pytest.mark.parametrize("html", [viewing_sheet(ADVERT, in_doubt(), films()), shot_list(PELLOCK, RATES, WEIGHING)])
def test_the_page_needs_nothing_beside_it(html: str) -> None:
    page = Page(html)
    assert not {tag for tag, _ in page.tags} & {"script", "link", "img", "iframe", "a"}
    assert not [attrs for _, attrs in page.tags if {"src", "href", "onclick"} & set(attrs)]
    assert "url(" not in html and "@import" not in html
    headings = [int(tag[1]) for tag, _ in page.tags if tag in ("h1", "h2", "h3")]
    assert headings[0] == 1 and all(b - a <= 1 for a, b in pairwise(headings))


def test_what_an_advert_says_is_text_and_never_markup() -> None:
    html = viewing_sheet(ADVERT, in_doubt())
    assert "Pellock &lt;b&gt;1978&lt;/b&gt; &amp; more" in html and "<b>1978" not in html


def test_nothing_seen_is_no_clean_bill_on_the_sheet() -> None:
    text = " ".join(Page(viewing_sheet(ADVERT, verdict([]))).text.split())
    assert "Not enough seen" in text and "mostly rest on what was assumed" in text


def test_readings_taken_already_are_filled_in() -> None:
    text = " ".join(Page(viewing_sheet(ADVERT, in_doubt(), films())).text.split())
    assert "120 125 122 128 124 124 ±" in text
    assert "Door, left: thicker than the factory's 85 to 165 µm" in text and "910 µm at one place at least" in text


# --- the strip plot ----------------------------------------------------------------------------------------------


def test_the_strip_plot_has_a_dot_for_each_reading_at_its_place() -> None:
    judged = films()
    root = ElementTree.fromstring(strip_plot_svg(judged))
    dots = [float(dot.get("cx", "")) for dot in root.iter(f"{SVG}circle")]
    values = [value for film in judged for value in film.readings_um]
    assert len(dots) == len(values)
    slope, start = np.polyfit(np.log(values), dots, 1)  # logarithmic: equal ratios are equal distances
    np.testing.assert_allclose(slope * np.log(values) + start, dots, atol=0.1)
    ranges = [e for e in root.iter(f"{SVG}rect") if e.get("class") == "range"]
    assert len(ranges) == len(judged) and len(
        [e for e in root.iter(f"{SVG}line") if e.get("class") == "median"]
    ) == len(judged)
    assert "Door, left median 285" in (root.get("aria-label") or "")


def test_without_readings_there_is_no_plot() -> None:
    assert strip_plot_svg(()) == ""


# --- the shot list -----------------------------------------------------------------------------------------------


def test_the_shot_list_has_every_place_once_most_telling_first() -> None:
    page = Page(shot_list(PELLOCK, RATES, WEIGHING))
    text = page.text
    for shots in read_catalogue().photos.values():
        assert sum(" ".join(t.split()) in " ".join(text.split()) for t in shots.values()) == 1
    assert text.index("1. Door shut") < text.index("Decal")
    assert "carries the paint code from 1979 on" in text
    assert all(caution in text for caution in CAUTIONS)
    assert set(cue_entries()) >= set(RATES)


def test_where_nothing_was_measured_what_is_hardest_to_hide_comes_first() -> None:
    text = Page(shot_list(PELLOCK, {}, WEIGHING)).text
    assert text.index("1. Bulkhead") < text.index("2. Wiring") < text.index("Decal")


def test_the_shot_list_asks_for_both_sides_where_there_are_two() -> None:
    html = shot_list(PELLOCK, RATES, WEIGHING)
    rows = {row.split("</h3>")[0].split(". ")[-1]: row for row in html.split("<h3>")[1:]}
    assert all(("<span>left</span><span>right</span>" in rows[entry.label]) == entry.sided
               for zone, entry in zone_entries().items() if zone in read_catalogue().photos)  # fmt: skip


# --- the statement for the file ----------------------------------------------------------------------------------


def stated(findings: list[PhotoFindings], **details: object) -> tuple[AdvertResult, Page]:
    told = AdvertDetails.model_validate({"title": ADVERT.details.title, "build_sheet": "pellock"} | details)
    (result,) = shortlist([Advert("a", told, ())], {"a": findings}, (), RATES, WEIGHING).adverts
    return result, Page(statement(result, "Made with a test.", PELLOCK.label, 0.0))


def test_the_statement_adds_up_from_the_assumption_to_the_probability() -> None:
    # log odds, Good (1950): what is printed in decibans must give the printed probability back, to its last digit
    for findings in (clean_advert(), in_doubt_photos(), refinished_advert()):
        result, page = stated(findings)
        cells = [
            cell.replace("\u2212", "-") for cell in page.text.split() if cell[0] in "+-\u2212" and cell[1:2].isdigit()
        ]
        *weights, total = (float(cell) for cell in cells)
        assert sum(weights) == pytest.approx(total, abs=0.05 * (len(weights) + 1))
        assert 1 / (1 + 10 ** (-total / 10)) == pytest.approx(result.refinished, abs=0.012)
        assert page.open == [] and not {tag for tag, _ in page.tags} & {"script", "link", "img"}


def test_every_observation_on_the_statement_names_its_photo() -> None:
    result, page = stated(refinished_advert())
    shown = sorted((w for w in result.weights if w.decibans), key=lambda w: -abs(w.decibans))[: SETTINGS.most_weights]
    text = " ".join(page.text.split())
    for weight in shown:
        assert weight.photo is not None and f"{weight.why} {weight.photo} " in text


def test_the_statement_says_what_was_and_was_not_seen() -> None:
    result, page = stated([*clean_advert(), photo("u.jpg", "underside", ("chassis_rail",))], hidden=["chassis_rail"])
    text = " ".join(page.text.split())
    for state, name in STATES.items():
        listed = text.split(name)[1]
        zones = [zone for zone, found in result.coverage.items() if found == state]
        assert zones and all(zone_name(zone).lower() in listed.lower() for zone in zones)
    assert "Cannot be judged: Roof, chassis rail." in text
    assert "What this statement is not" in text and all(caution in text for caution in CAUTIONS)
    assert "Pellock <b>1978</b> & more" in text


def test_the_statement_names_the_advert_once_where_it_has_no_title() -> None:
    untitled, titled = (" ".join(stated(clean_advert(), title=title)[1].text.split()) for title in (None, "Wagon"))
    assert re.search(r"show: a \d+ photos? looked at", untitled) and "show: Wagon a · " in titled


def test_a_statement_on_nothing_is_no_clean_bill() -> None:
    text = " ".join(stated([])[1].text.split())
    assert "Not enough seen" in text and "This is no clean bill." in text
    assert "Nothing was seen that weighs either way." in text


# --- on paper ----------------------------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("name", known_build_sheets())
def test_the_sheets_print_to_two_pages_and_fit_a_phone(name: str, tmp_path: Path) -> None:
    sync_api = pytest.importorskip("playwright.sync_api")
    browser_path = shutil.which("chromium")
    if browser_path is None:
        pytest.skip("no chromium")
    sheet = read_build_sheet(name)
    read = {panel: [120.0, 130.0, 125.0, 128.0, 119.0] for panel in sheet.known_panels}
    readings = [Reading(panel, value, 1) for panel, values in read.items() for value in values]
    judged = judge_readings(readings, sheet, WEIGHING.readings)
    seen = weigh(in_doubt_photos(), sheet, RATES, WEIGHING)
    pages = {
        "sheet": viewing_sheet(ADVERT, seen),
        "read": viewing_sheet(ADVERT, seen, judged[:8]),
        "shots": shot_list(sheet, RATES, WEIGHING),
    }
    long_title = "Ostrelle Pellock hard-top with a title that goes on for a while, one owner, long list of extras"
    details = AdvertDetails(title=long_title, build_sheet=name, notes="waxed")
    advert = Advert("mill-lane", details, (), Before(details=AdvertDetails(title="Pellock"), photos=("1" * 64,)))
    (result,) = shortlist(
        [advert], {advert.name: [*in_doubt_photos(), *refinished_advert()]}, (), RATES, WEIGHING
    ).adverts
    pages["statement"] = statement(result, "Made with maskline and a network.", sheet.label, 0.0)
    most = {"statement": 1}
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=browser_path, args=["--no-sandbox"])
        for title, html in pages.items():
            page = browser.new_page(viewport={"width": 360, "height": 740})
            page.set_content(html)
            assert page.evaluate("document.documentElement.scrollWidth") <= 360, title
            pdf = page.pdf(prefer_css_page_size=True)
            assert 1 <= pdf.count(b"/Type /Page\n") <= most.get(title, 2), title
        browser.close()


def in_doubt_photos() -> list[PhotoFindings]:
    return [*clean_advert()[:3], photo("x.jpg", zones=(), alarms={"wear_through": alarm("sill_rail", "left")})]
