"""The report: what its words and sums say, that its pages hold together, and that its colours can be read."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from html.parser import HTMLParser
from itertools import combinations, pairwise
from pathlib import Path
from urllib.parse import unquote, urlsplit

import html5lib
import pytest

from pipeline import crops
from pipeline.build_sheets import read_build_sheet
from pipeline.errors import ScreeningError
from pipeline.records import (
    HISTORIES,
    ZONES,
    Box,
    ColourSummary,
    CueFinding,
    Decision,
    Measure,
    NearReference,
    PaintFit,
    PhotoFindings,
    SetAside,
    Shortlist,
    Weight,
)
from pipeline.report import charts, drawing, wording
from pipeline.report.charts import Axis
from pipeline.report.drawing import Mark
from pipeline.report.pages import (
    FINDINGS_A_PAGE,
    advert_view,
    history_sums,
    page_names,
    panel_sums,
    weight_sum,
    write_report,
)
from tests.pipeline.examples import advert, box, clean_weight, photo_findings, result, weight_of, with_pictures

CSS = (Path(wording.__file__).parent / "assets" / "report.css").read_text(encoding="utf-8")
NASTY = """<script>alert("x")</script> & 'quoted' {{ 7 * 7 }}"""


# --- words ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("probability", "words"),
    [  # Mastrandrea et al. 2010, IPCC guidance note on consistent treatment of uncertainties, table 1
        (1.0, "virtually certain"),
        (0.99, "virtually certain"),
        (0.95, "very likely"),
        (0.90, "very likely"),
        (0.70, "likely"),
        (0.66, "likely"),
        (0.50, "about as likely as not"),
        (0.33, "unlikely"),
        (0.20, "unlikely"),
        (0.10, "very unlikely"),
        (0.01, "exceptionally unlikely"),
        (0.0, "exceptionally unlikely"),
    ],
)
def test_probabilities_are_named_on_a_published_scale(probability: float, words: str) -> None:
    assert wording.probability_words(probability) == words


@pytest.mark.parametrize(
    ("bayes_factor", "words"),
    [  # Jeffreys, Theory of Probability, 3rd ed. 1961, appendix B: grades at half powers of ten (figures from memory)
        (1.0, "says nothing either way"),
        (3.0, "barely speaks for a refinish"),
        (4.0, "speaks substantially for a refinish"),
        (11.0, "speaks strongly for a refinish"),
        (33.0, "speaks very strongly for a refinish"),
        (1 / 4.0, "speaks substantially for the factory"),
    ],
)
def test_weights_are_named_on_a_published_scale(bayes_factor: float, words: str) -> None:
    assert wording.weight_words(10 * math.log10(bayes_factor)) == words


@pytest.mark.parametrize(
    ("probability", "text"),
    [(0.0, "0 %"), (0.004, "under 1 %"), (0.5, "50 %"), (0.996, "over 99 %"), (1.0, "100 %")],
)
def test_percentages_never_round_to_a_false_certainty(probability: float, text: str) -> None:
    assert wording.percent(probability) == text


def test_ranges_signs_and_prices_read_naturally() -> None:
    assert wording.percent_range(0.12, 0.3) == "12 to 30 %"
    assert wording.percent_range(0.501, 0.502) == "50 %"
    assert [wording.signed(value) for value in (3.04, -12.36, 0.0, -0.01)] == ["+3.0", "−12.4", "0.0", "0.0"]
    thickness = Measure(cue="film_thickness", value=183.4, unit="um", uncertainty=12.3)
    assert wording.measured(thickness) == "183 ± 12 µm"  # JCGM 100:2008, 7.2.6: two digits of the uncertainty
    assert wording.measured(thickness.model_copy(update={"uncertainty": 0.0})) == "183 ± 0 µm"
    assert wording.money(12500, "EUR") == "12\u202f500 EUR"
    assert wording.money(999.5, None) == "999.50"


def test_a_difference_of_colours_says_whether_it_counts() -> None:
    gap = Measure(cue="panel_mismatch", value=6.0, unit="dE00", uncertainty=0.9)
    assert wording.judged(gap) == "differs"
    assert wording.judged(gap.model_copy(update={"value": 1.0})) == "within what light and doubt allow"
    doubtful = gap.model_copy(update={"regions": (Box(x=1, y=1, width=9, height=9, score=0.5),)})
    assert wording.judged(doubtful) == "differs, if the edge is one"
    assert wording.judged(Measure(cue="film_thickness", value=300, unit="um", uncertainty=5)) == ""
    code = Measure(
        cue="code_mismatch", value=9.0, unit="dE00", uncertainty=5.0, text="OW 301 Kiln Red (factory record)"
    )
    assert wording.judged(code) == "against OW 301 Kiln Red (factory record)"
    assert wording.coordinate(Measure(cue="body_colour", value=-12.3, unit="a*", uncertainty=5.2)) == "a* −12 ± 5"
    assert wording.families({"blue": 0.12, "green": 0.84, "grey": 0.04}) == "green 84 %, blue 12 %"


def test_a_measured_value_says_how_it_stands_to_its_limit() -> None:
    gap = Measure(cue="panel_mismatch", value=6.0, unit="dE00", uncertainty=0.9)
    # configs/colour.yaml: 2.5, or 2.25 times the uncertainty
    assert wording.against_limit(gap) == "over its limit of 2.5"
    assert wording.against_limit(gap.model_copy(update={"uncertainty": 4.0})) == "under its limit of 9.0"
    assert wording.against_limit(Measure(cue="decal_offset", value=30, unit="mm", uncertainty=2)) == ""
    assert "differs by more than" in wording.measured_sentence(gap, True)
    assert "differs by no more than" in wording.measured_sentence(gap.model_copy(update={"value": 1.0}), False)
    edge = gap.model_copy(update={"cue": "masking_edge", "regions": (box(score=0.5),)})
    assert wording.against_limit(edge) == "over its limit of 2.5, if the edge is one"
    assert wording.measured_sentence(edge, False).endswith("if this is an edge at all.")


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("OW 503", "OW 503, read with a probability of 0.97."),
        ("unread: it is not clear", "unread: it is not clear."),
        ("not in the paint table: OW 999", "not in the paint table: OW 999."),
    ],
)
def test_a_code_is_told_with_how_surely_it_was_read(text: str, sentence: str) -> None:
    plate = Measure(cue="plate_code", value=0.97, unit="probability", uncertainty=None, text=text)
    assert wording.measured_sentence(plate, False) == sentence
    assert wording.measured(plate) == "0.97 probability" and wording.judged(plate) == text
    assert wording.measured_name(plate) == "Code on the plate"


def test_a_probability_never_rounds_to_a_false_certainty() -> None:
    assert [wording.probability(value) for value in (0.0001, 0.5, 0.9999)] == ["under 0.01", "0.50", "over 0.99"]


def test_a_measured_value_is_named_by_how_it_came_out() -> None:
    gap = Measure(cue="panel_mismatch", value=6.0, unit="dE00", uncertainty=0.9)
    assert wording.measured_name(gap) == "Neighbouring panels differ"
    assert wording.measured_name(gap.model_copy(update={"value": 1.0})) == "Neighbouring panels agree"
    code = Measure(cue="code_mismatch", value=8.8, unit="dE00", uncertainty=7.3, zone="identification_plate")
    fits = clean_weight("identification_plate").model_copy(update={"cue": "code_mismatch"})
    assert wording.measured_name(code, [fits]) == "Code and colour agree"
    assert wording.measured_name(code, [fits.model_copy(update={"found": True})]) == "Code and colour disagree"
    assert wording.measured_name(code) == "Code against colour"
    # a reading is not out of range, and no filler, for having been taken
    reading = Measure(cue="film_thickness", value=118, unit="um", uncertainty=4)
    assert wording.measured_name(reading) == "Film thickness"
    assert wording.measured_name(reading.model_copy(update={"cue": "filler"})) == "Film thickness where it is greatest"


def test_the_colour_of_an_advert_is_shown_once_with_code_and_paints(report: Path) -> None:
    (page,) = [text for name, text in pages_of(report).items() if "brindle-1" in name]
    assert page.count("L* 40 ± 9, a* −12 ± 5, b* 18 ± 5") == 1 and "green 84 %" in page
    assert "unread: its letters are too small" in page
    assert "The likeliest of 31 paints" in page
    assert "OW 503" in page and "12 ± 7 ΔE00" in page and "None of the table&#39;s" in page.replace("'", "&#39;")
    assert "The paint code does not agree" in page
    pair = page.split('class="pair"')[1].split("</li>")[0]  # the advert's own photo beside the reference
    assert pair.count("<img") == 2 and pair.count(f"images/{'1' * 16}-photo.jpg") == 2 and "alike by" in pair
    others = [text for name, text in pages_of(report).items() if "brindle-1" not in name]
    assert all("Colour and code" not in text for text in others)


def test_the_first_page_has_the_shortlist_as_a_table_too(report: Path) -> None:
    page = pages_of(report)["index.html"]
    rows = page.split('<table class="overview">')[1].split("</table>")[0].split("<tbody>")[1].split("<tr>")[1:]
    assert [row.split('class="number">')[1].split("<")[0] for row in rows] == ["1", "2", "3", "4"]
    assert "Likely factory paint" in rows[0] and "Brindle tray back" in rows[1] and "Likely refinished" in rows[2]
    assert all('<a href="' in row for row in rows)
    assert NASTY not in page  # what a seller writes is escaped here, too


def test_names_that_no_configuration_knows_are_still_readable() -> None:
    assert wording.cue_name("odd_cue") == "Odd cue"
    assert wording.zone_name(None) == "The vehicle"
    assert wording.place("hinge", "left") == "Door hinges, left side"


# --- sums ----------------------------------------------------------------------------------------------------------


def test_the_bars_follow_on_each_other_and_add_up() -> None:
    findings = photo_findings(boxes=(box(),))
    weights = (
        clean_weight("wiring", -0.2),
        weight_of(findings, 7.5),
        clean_weight(decibans=-3.0),
        clean_weight("roof", 0.1),
    )
    total = weight_sum(result(weights=weights, prior_decibans=0.9))
    assert total.before == pytest.approx(0.9)
    assert [step.decibans for step in total.steps] == pytest.approx([7.5, -3.0, -0.1])
    assert total.steps[-1].label == "2 small weights together"
    assert total.steps[0].start == pytest.approx(total.before)
    assert all(first.end == second.start for first, second in pairwise(total.steps))
    assert total.steps[-1].end == pytest.approx(total.total) == pytest.approx(0.9 + 7.5 - 3.0 - 0.1)
    # decibans are ten times the logarithm of the odds (Good 1950)
    odds = 10 ** (total.total / 10)
    assert odds / (1 + odds) == pytest.approx(result(weights=weights, prior_decibans=0.9).refinished)
    assert all(0 <= total.axis.across(place) <= 100 for step in total.steps for place in (step.start, step.end))


def test_what_counts_nothing_is_no_bar_but_is_still_shown() -> None:
    findings = photo_findings(boxes=(box(),))
    weight = weight_of(findings, 0.0)
    view = advert_view(result(weights=(weight,)), advert().details, "x.html", [findings], [])
    assert view.sum.steps == ()
    assert [sighting.weight for sighting in view.sightings] == [weight]
    assert view.sign is None


def test_each_panel_and_side_adds_up_to_its_probability() -> None:
    findings = photo_findings(boxes=(box(),))
    moves = ({"bonnet": {"centre": 7.0}}, {"bonnet": {"centre": -0.3}}, {"roof": {"centre": 2.0}}, {})
    weights = tuple(
        weight_of(findings).model_copy(update={"decibans": 3.0 - place, "extent": move})
        for place, move in enumerate(moves)
    )
    odds = 10 ** ((-4.0 + 7.0 - 0.3) / 10)  # Good 1950
    extent = {"bonnet": {"centre": odds / (1 + odds)}, "roof": {"centre": 0.5}}
    adverts = result(weights=weights, extent=extent, extent_before={"bonnet": {"centre": -4.0}})
    sums = panel_sums(adverts, ["one", "two", None, None])
    assert list(sums) == [("bonnet", "centre")]  # of the roof nobody says where it began
    bonnet = sums["bonnet", "centre"]
    assert [step.decibans for step in bonnet.steps] == pytest.approx([7.0, -0.3])
    assert bonnet.steps[0].anchor == "one" and bonnet.steps[-1].label == "One small weight"
    assert [part.anchor for part in bonnet.steps[-1].parts] == ["two"]
    assert bonnet.probability == pytest.approx(extent["bonnet"]["centre"])


def test_every_weight_leads_to_its_photo() -> None:
    seen, clean = photo_findings("a.jpg", "1" * 64, boxes=(box(),)), photo_findings("b.jpg", "2" * 64)
    weights = (weight_of(seen, 9.0), clean_weight(decibans=-5.0, photo="b.jpg"), clean_weight("roof", -4.0))
    view = advert_view(result(weights=weights), advert().details, "x.html", [seen, clean], [])
    assert [step.anchor for step in view.sum.steps] == [view.sightings[0].anchor, view.photo_anchors["b.jpg"], None]


def test_a_weight_from_a_measured_value_leads_to_where_that_stands() -> None:
    code, film = (
        clean_weight(decibans=-5.0 - n).model_copy(update={"cue": cue, "zone": "bonnet"})
        for n, cue in enumerate(("code_mismatch", "film_thickness"))
    )
    adverts = result(weights=(code, film)).model_copy(update={"colour": ColourSummary()})
    read = Measure(cue="film_thickness", value=118, unit="um", uncertainty=3, zone="bonnet")
    view = advert_view(adverts, advert().details, "x.html", [], [], [read])
    assert {step.label: step.anchor for step in view.sum.steps} == {
        "Code and colour agree: Bonnet": "colour",
        "Film thickness within range: Bonnet": "measures",
    }


def gap(value: float = 9.0, x: int = 500, cue: str = "panel_mismatch", place: Box | None = None) -> Measure:
    """A difference of two paints at a place of the photo, ± 1 ΔE00."""
    place = place or Box(x=x, y=200, width=20, height=150, score=1.0, zone="tub_side")
    return Measure(cue=cue, value=value, unit="dE00", uncertainty=1.0, zone=place.zone, regions=(place,))


def weight_of_measure(measure: Measure, photo: str = "a.jpg", decibans: float = 3.0, cue: str | None = None) -> Weight:
    return Weight(
        cue=cue or measure.cue, zone=measure.zone, photo=photo, box=measure.regions[0], decibans=decibans,
        why="Measured.", found=decibans > 0,
    )  # fmt: skip


def test_a_measured_difference_above_its_limit_is_a_finding_to_look_at(tmp_path: Path) -> None:
    far, near = gap(9.0), gap(0.8, x=300)
    photo = with_pictures(photo_findings("a.jpg", "1" * 64, boxes=(box(),), measures=(near, far)), tmp_path)
    counts = result(weights=(weight_of(photo, 2.0), weight_of_measure(far)))
    view = advert_view(counts, advert().details, "x.html", [photo], [])
    measured, seen = view.strong
    assert (measured.measure, measured.box, measured.differs, seen.measure) == (far, far.regions[0], True, None)
    assert [place.measure for place in view.measured] == [near]
    assert view.sum.steps[0].anchor == measured.anchor  # its weight leads to the place, not to the photo
    assert view.sign is measured  # the loudest sign is what the shortlist shows
    assert [anchor for *_, anchor in view.measures] == [view.measured[0].anchor, measured.anchor]
    page = write_report(tmp_path, [advert()], Shortlist(adverts=(counts,)), {"pellock-1": [photo]}, (), "By hand.")
    text = (page.parent / "advert-pellock-1.html").read_text(encoding="utf-8")
    article = text.split(f'id="{measured.anchor}"')[1].split("</article>")[0]
    cut, whole = (f"images/{'1' * 16}-{name}.jpg" for name in ("panel_mismatch-500-200-20-150", "photo"))
    assert (page.parent / cut).is_file() and article.count(f'src="{cut}"') == article.count(f'src="{whole}"') == 1
    assert article.count("<svg") == 2 and "Heat" not in article  # framed in the cut and in the whole photo
    assert (
        "9.0 ± 1.0 ΔE00" in article and "over its limit of 2.5" in article and "may have been painted anew" in article
    )
    assert f'<a href="#{measured.anchor}">a.jpg</a>' in text and f'href="#{measured.anchor}">Neighbouring' in text
    index = page.read_text(encoding="utf-8")
    assert f"advert-pellock-1.html#{measured.anchor}" in index and cut in index


def test_what_is_measured_across_a_masking_edge_stands_with_the_edge() -> None:
    edge = Box(x=400, y=300, width=90, height=60, score=0.9, zone="door_shut", side="left")
    across = gap(12.0, cue="masking_edge", place=edge)
    photo = photo_findings("a.jpg", "1" * 64, boxes=(edge,), cue="masking_edge", measures=(across,))
    weights = (weight_of(photo, 5.0, "masking_edge"), weight_of_measure(across, cue="shut_mismatch"))
    view = advert_view(result(weights=weights), advert().details, "x.html", [photo], [])
    (place,) = view.sightings
    assert place.seen is not None and place.measure == across and place.weight == weights[0]
    assert not view.measured
    assert [step.anchor for step in view.sum.steps] == [place.anchor, place.anchor]
    # where the edge itself weighs nothing, the difference of paints does
    view = advert_view(result(weights=weights[1:]), advert().details, "x.html", [photo], [])
    assert [found.weight for found in view.sightings] == [weights[1]]


def test_a_decal_off_its_place_is_a_finding_by_its_weight() -> None:
    place = Box(x=100, y=100, width=80, height=40, score=1.0, zone="decal", side="left")
    decal = Measure(cue="decal_offset", value=30, unit="mm", uncertainty=2, zone="decal", regions=(place,))
    photo = photo_findings("a.jpg", "1" * 64, measures=(decal,))
    for decibans, found in ((4.0, True), (-4.0, False)):
        weights = (weight_of_measure(decal, decibans=decibans),)
        view = advert_view(result(weights=weights), advert().details, "x.html", [photo], [])
        assert ([s.name for s in view.strong], [s.name for s in view.measured]) == (
            (["Decal off its place"], []) if found else ([], ["Place of the decal"])
        )
        assert view.sum.steps[0].anchor == (*view.strong, *view.measured)[0].anchor


def test_a_repeat_of_a_photo_shows_no_measured_place_again() -> None:
    photos = [
        photo_findings("a.jpg", "1" * 64, measures=(gap(),)),
        photo_findings("b.jpg", "2" * 64, measures=(gap(),), duplicate_of="a.jpg"),
    ]
    view = advert_view(result(), advert().details, "x.html", photos, [])
    assert [found.findings.photo for found in view.sightings] == ["a.jpg"] and len(view.measures) == 1


def test_small_weights_are_drawn_together_and_each_leads_to_its_photo() -> None:
    photos = [photo_findings(f"{n}.jpg", str(n) * 64) for n in (1, 2)]
    small = tuple(
        clean_weight(zone, -0.3, photo=photo.photo) for zone, photo in zip(("roof", "bonnet"), photos, strict=True)
    )
    view = advert_view(result(weights=small), advert().details, "x.html", photos, [])
    (step,) = view.sum.steps
    assert step.decibans == pytest.approx(-0.6)
    assert [part.anchor for part in step.parts] == [view.photo_anchors[photo.photo] for photo in photos]


def test_a_place_that_only_words_tell_of_is_not_hatched() -> None:
    weight = clean_weight("identification_plate", -1.2).model_copy(update={"cue": "code_mismatch"})
    told = result(weights=(weight,)).model_copy(
        update={"coverage": {"identification_plate": "not_seen", "roof": "not_seen"}}
    )
    rows = advert_view(told, advert().details, "x.html", [], []).rows_by_zone
    assert not rows["identification_plate"].is_hatched and rows["roof"].is_hatched


def test_nobody_is_sent_to_photos_that_are_not_listed() -> None:
    asked = result(decision="ask_first")
    assert asked.requests and "photos listed" in wording.decision_meaning(asked)
    assert "photos listed" not in wording.decision_meaning(asked.model_copy(update={"requests": ()}))


def test_what_is_open_is_still_said_to_lean() -> None:
    asked = result(decision="ask_first")
    for refinished, words in ((0.87, "Leans to a refinish"), (0.5, "Could be either"), (0.2, "Leans to factory paint")):
        assert wording.decision_meaning(asked.model_copy(update={"refinished": refinished})).startswith(words)


def test_what_was_found_is_named_as_found_whatever_it_speaks_for() -> None:
    found = weight_of(photo_findings(boxes=(box(),)), -1.0)
    assert wording.evidence_name(found) == "Painted fastener heads: Door hinges, left side"
    missed = found.model_copy(update={"found": False, "decibans": 1.0})
    assert wording.evidence_name(missed) == "No painted fastener heads: Door hinges, left side"
    faint = found.model_copy(update={"faint": True})
    assert wording.evidence_name(faint) == "Faint sign of painted fastener heads: Door hinges, left side"
    adrift = found.model_copy(update={"zone": None, "side": None})
    assert wording.evidence_name(adrift) == "Painted fastener heads: A place that the photo does not tell"


def test_what_was_not_found_is_named_in_english() -> None:
    absent = clean_weight("sill_rail")
    assert wording.sign_name(absent.model_copy(update={"cue": "wear_through"})) == "Not worn through to another colour"
    assert wording.sign_name(absent.model_copy(update={"cue": "changed_joint"})) == "Joint as the factory made it"
    assert wording.sign_name(absent.model_copy(update={"cue": "filler"})) == "No body filler"


def test_a_sentence_does_not_repeat_the_label_above_it() -> None:
    label = "Mist of paint on rubber: Door seal, left side"
    why = "Mist of paint on rubber: door seal, left side, in 2 photos (score 0.93); the factory left this bare."
    assert wording.beyond(why, label) == "In 2 photos (score 0.93); the factory left this bare."
    assert wording.beyond("Clean, and it takes days to mask.", label) == "Clean, and it takes days to mask."


def test_a_sign_of_which_the_network_kept_no_heat_shows_none(tmp_path: Path) -> None:
    plain = with_pictures(photo_findings("a.jpg", "1" * 64), tmp_path)
    mark = CueFinding(score=1.0, assessable=True, boxes=(box().model_copy(update={"score": 1.0, "judged": True}),))
    judged = plain.model_copy(update={"cues": {**plain.cues, "painted_fastener": mark}})
    crops.add_missing(judged, tmp_path)
    shortlisted = Shortlist(adverts=(result(weights=(weight_of(judged, 9.0),)),))
    page = write_report(tmp_path, [advert()], shortlisted, {"pellock-1": [judged]}, (), "Made by hand.")
    text = (page.parent / "advert-pellock-1.html").read_text(encoding="utf-8")
    assert "As photographed" in text and "under the heat of this sign" not in text
    assert not list(tmp_path.rglob("*-heat.*")) and not crops.are_missing(judged, tmp_path)


def test_certainty_does_not_break_the_sum() -> None:
    certain = result().model_copy(update={"refinished": 1.0})
    assert math.isfinite(weight_sum(certain).total)


def test_each_history_adds_up_to_its_probability() -> None:
    likelihoods = dict(zip(HISTORIES, (0.1, 0.2, 0.3, 0.5, 0.7, 0.4), strict=True))
    weight = weight_of(photo_findings(boxes=(box(),))).model_copy(update={"likelihoods": likelihoods})
    plain = result(weights=(weight,))
    prior = dict(zip(HISTORIES, (0.45, 0.13, 0.13, 0.11, 0.11, 0.07), strict=True))
    joint = {name: prior[name] * likelihoods[name] for name in HISTORIES}  # Bayes' rule
    history = {name: value / sum(joint.values()) for name, value in joint.items()}
    sums = history_sums(plain.model_copy(update={"history": history}))
    assert sums is not None
    for column, name in enumerate(sums.histories):
        assert sums.before[column] == pytest.approx(10 * math.log10(prior[name] / prior["factory"]))
        assert sums.before[column] + sum(row[column] for _, row in sums.rows) == pytest.approx(sums.together[column])
    assert history_sums(plain.model_copy(update={"weights": ()})) is None


# --- what is shown -------------------------------------------------------------------------------------------------


def test_findings_come_heaviest_first_and_a_repeat_is_shown_once() -> None:
    light, heavy = (
        photo_findings("a.jpg", "1" * 64, boxes=(box(),)),
        photo_findings("b.jpg", "2" * 64, boxes=(box(500),)),
    )
    repeat = photo_findings("c.jpg", "3" * 64, boxes=(box(10),), duplicate_of="a.jpg")
    weights = (weight_of(light, 2.0), weight_of(heavy, 9.0))
    view = advert_view(result(weights=weights), advert().details, "x.html", [light, heavy, repeat], [])
    assert [sighting.findings.photo for sighting in view.sightings] == ["b.jpg", "a.jpg"]
    assert view.sign is view.sightings[0]
    assert view.sum.steps[0].anchor == view.sightings[0].anchor


def test_the_number_of_findings_on_a_page_is_bounded() -> None:
    many = [
        photo_findings(f"{n}.jpg", f"{n:064d}", boxes=tuple(box(10 + 90 * m, 10, 40, 40) for m in range(5)))
        for n in range(4)
    ]
    view = advert_view(result(), advert().details, "x.html", many, [])
    assert len(view.sightings) == FINDINGS_A_PAGE and view.further_sightings == 20 - FINDINGS_A_PAGE


def test_a_clean_place_that_outweighs_the_signs_is_what_the_card_shows() -> None:
    findings = photo_findings("a.jpg", boxes=(box(),))
    weights = (weight_of(findings, 2.0), clean_weight(decibans=-5.0, photo="a.jpg"))
    view = advert_view(result(weights=weights), advert().details, "x.html", [findings], [])
    assert view.sign is None
    assert view.clean is not None and view.clean[0].zone == "bulkhead"


def test_the_telling_photo_shows_the_outside_if_any_does() -> None:
    inside, outside = photo_findings("a.jpg", shot="interior"), photo_findings("b.jpg", shot="exterior")
    blurred = photo_findings("c.jpg", assessable=False)
    assert telling([inside, blurred, outside]) == "b.jpg"
    assert telling([blurred, inside]) == "a.jpg"
    assert telling([]) is None


def telling(findings: list[PhotoFindings]) -> str | None:
    photo = advert_view(result(), advert().details, "x.html", findings, []).telling
    return None if photo is None else photo.photo


def test_every_zone_has_a_place_of_its_own_in_the_drawing() -> None:
    assert set(drawing.PLACES) == set(ZONES)
    numbers = [place.number for place in drawing.PLACES.values()]
    assert all(12 <= x <= drawing.WIDTH - 12 and 12 <= y <= drawing.HEIGHT - 12 for x, y in numbers)
    assert min(math.dist(first, second) for first, second in combinations(numbers, 2)) >= 22


def test_places_are_drawn_by_what_was_seen_there() -> None:
    weights = (clean_weight("bulkhead", -4.0), weight_of(photo_findings(boxes=(box(),)), 7.0))
    rows = advert_view(result(weights=weights), advert().details, "x.html", [], []).zones
    assert [(row.number, row.zone, row.tone()) for row in rows] == [
        (1, "hinge", "refinish"), (2, "bulkhead", "factory"), (3, "wiring", "unseen"), (4, "door_shut", "unseen"),
    ]  # fmt: skip
    assert advert_view(result(), advert().details, "x.html", [], []).zones[0].tone() == "plain"


def test_the_table_of_places_knows_the_sides() -> None:
    """A side counts as seen only where a photo tells it; what no photo tells stands apart, never as a clean side."""
    views = {"hinge": 0.05, "door_seal": 0.05, "glazing_seal": 0.05}
    told = photo_findings("a.jpg", shot="door_open").model_copy(update={"zones": views, "sides": {"hinge": "right"}})
    weights = (
        clean_weight("hinge", -2.0).model_copy(update={"side": "right"}),
        clean_weight("door_seal", -1.0),
    )
    coverage = {"hinge": "seen", "door_seal": "seen", "glazing_seal": "seen", "wing_front": "not_seen", "roof": "seen"}
    plain = result(weights=weights).model_copy(update={"coverage": coverage})
    rows = advert_view(plain, advert().details, "x.html", [told], []).rows_by_zone
    cells = {
        zone: [(cell.side, cell.state, cell.decibans) for cell in rows[zone].cells] for zone in coverage
    }  # fmt: skip
    assert cells == {
        "hinge": [("left", "not_seen", 0), ("right", "seen", -2.0)],
        "door_seal": [(None, "not_told", -1.0)],
        "glazing_seal": [(None, "not_told", 0)],
        "wing_front": [("left", "not_seen", 0), ("right", "not_seen", 0)],
        "roof": [(None, "seen", 0)],
    }
    assert [rows["hinge"].tone(side) for side in ("left", "right")] == ["unseen", "factory"]
    assert [rows["door_seal"].tone(side) for side in ("left", "right")] == ["factory", "factory"]
    assert rows["wing_front"].tone("left") == "unseen" and rows["roof"].tone("left") == "plain"


def test_the_drawing_follows_the_build_sheet() -> None:
    closed, pickup = read_build_sheet("pellock"), read_build_sheet("brindle")
    assert drawing.places(closed)["roof"] != drawing.places(pickup)["roof"]
    assert set(drawing.places(closed)) == set(drawing.places(pickup)) == set(ZONES)
    marks = [Mark("roof", 3, "Roof & <rail>", "unseen"), Mark("hinge", 1, "Hinge", "refinish")]
    left, right = (html5lib.parseFragment(drawing.vehicle(pickup, marks, side, "x")) for side in ("left", "right"))
    texts = [" ".join(drawn.itertext()) for drawn in (left, right)]
    assert all("Roof & <rail>" in text and "3" in text and "1+" in text for text in texts)
    riveted = {zone for zone in drawing.RIVETS if drawing.RIVETS[zone] in drawing.vehicle(closed, marks, "left", "x")}
    assert riveted == {"wing_front", "tub_side", "tub_rear"}  # the joints of configs/build_sheets/pellock.yaml
    assert wording.built(closed, "tub_rear") == "body colour; rivets bare"
    assert wording.built(closed, "body_seam") == "body colour; spot-welded, open seam, sealed seam"
    assert wording.built(closed, "glazing_seal") == "rubber"


def test_the_strongest_places_come_first_even_where_the_sides_disagree() -> None:
    weights = tuple(
        clean_weight("hinge", decibans).model_copy(update={"side": side})
        for side, decibans in (("left", 6.0), ("right", -6.0))
    )
    rows = advert_view(result(weights=(clean_weight("roof", -3.0), *weights)), advert().details, "", [], []).zones
    assert [row.zone for row in rows[:2]] == ["hinge", "roof"]


def test_a_sighting_says_where_it_counts() -> None:
    first = photo_findings("a.jpg", "1" * 64, boxes=(box(),))
    second = photo_findings("b.jpg", "2" * 64, boxes=(box(500),))
    alone = photo_findings("c.jpg", "3" * 64, boxes=(box(20),), cue="filled_seam")
    view = advert_view(result(weights=(weight_of(first, 6.0),)), advert().details, "", [first, second, alone], [])
    assert [(found.findings.photo, found.counted_in) for found in view.sightings] == [
        ("a.jpg", None), ("b.jpg", "a.jpg"), ("c.jpg", None),
    ]  # fmt: skip
    assert [found.findings.photo for found in view.strong] == ["a.jpg"]
    assert [found.findings.photo for found in view.weak] == ["b.jpg", "c.jpg"]


def test_bars_run_from_zero_to_their_value() -> None:
    axis = Axis.holding([4.0, -20.0])
    assert axis.across(0) == 50 and axis.across(axis.reach) == 100 and axis.across(-axis.reach) == 0
    assert axis.across(20) - 50 == pytest.approx(5 * (axis.across(4) - 50), abs=0.05)
    drawn = html5lib.parseFragment(charts.bar(axis, 0, -20, "factory"), namespaceHTMLElements=False)
    shape = next(drawn.iter("{http://www.w3.org/2000/svg}rect"))
    left, width = float(shape.get("x")), float(shape.get("width"))
    assert left == axis.across(-20) and left + width == pytest.approx(50)


def test_page_names_are_plain_and_differ() -> None:
    names = page_names(["Grüner Wagen/1", "gruner wagen 1", "advert-03", "工", "車", "x" * 300])
    assert list(names.values()) == [
        "advert-gruner-wagen-1.html",
        "advert-gruner-wagen-1-2.html",
        "advert-03.html",
        "advert-unnamed.html",
        "advert-unnamed-2.html",
        f"advert-{'x' * 60}.html",
    ]


# --- pages ---------------------------------------------------------------------------------------------------------


SEEN_COLOUR = ColourSummary(
    measures=(
        *(
            Measure(cue="body_colour", value=value, unit=unit, uncertainty=uncertainty)
            for unit, value, uncertainty in (("L*", 40.2, 8.9), ("a*", -12.1, 4.8), ("b*", 18.0, 5.1))
        ),
        Measure(cue="code_mismatch", value=31.0, unit="dE00", uncertainty=7.0, text="OW 301 Kiln Red"),
    ),
    families={"green": 0.84, "brown": 0.16},
    paints=(PaintFit(code="OW 503", name="Marl Green", delta_e00=12.2, uncertainty=6.6, probability=0.7),),
    paints_ranked=31,
    no_paint=0.3,
    plate="unread: its letters are too small",
    references=(NearReference(photo="a.jpg", reference="known.jpg", sha256="1" * 64, code="OW 503", likeness=0.8),),
    notes=("The paint code does not agree with the photos.",),
)


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A report of four adverts, one for each decision, with everything a page can hold."""
    return write_example_report(tmp_path_factory.mktemp("report"))


def write_example_report(out: Path) -> Path:
    measure = Measure(cue="panel_mismatch", value=3.214, unit="ΔE00", uncertainty=0.73, zone="bonnet")
    plate = Measure(
        cue="plate_code", value=0.97, unit="probability", uncertainty=None, zone="identification_plate", text="OW 503",
        regions=(Box(x=300, y=200, width=200, height=100, score=0.9, zone="identification_plate"),),
    )  # fmt: skip
    faint = photo_findings("d.jpg", "5" * 64, advert="brindle-1", boxes=(box(200, score=0.4),), cue="filled_seam")
    faint = with_pictures(faint, out)
    misted = with_pictures(
        photo_findings(
            "a.jpg",
            "1" * 64,
            advert="brindle-1",
            boxes=(box(),),
            also_in=("pellock-2/b.jpg",),
            measures=(measure, gap(9.0), gap(0.8, x=300), plate),
        ),
        out,
    )
    repeat = with_pictures(photo_findings("c.jpg", "3" * 64, advert="brindle-1", duplicate_of="a.jpg"), out)
    odd = photo_findings("e.jpg", "6" * 64, advert="brindle-1", assessable=False)
    odd = with_pictures(odd.model_copy(update={"novelty": 1.3}), out)
    clean = with_pictures(photo_findings("b.jpg", "2" * 64, advert="pellock-2", shot="engine_bay"), out)
    blurred = with_pictures(photo_findings(NASTY, "4" * 64, advert=NASTY, assessable=False, width=300, height=400), out)
    results = (
        result(
            "pellock-2", 1, weights=(clean_weight(decibans=-9.0, photo="b.jpg"),), decision="likely_factory", price=9800
        ),
        result("ask", 2, title="Brindle tray back", decision="ask_first", price=None, photos=0, set_aside=1),
        result(
            "brindle-1",
            3,
            title="Brindle pickup",
            weights=(
                weight_of(misted, 11.0).model_copy(update={"extent": {"wing_front": {"left": 8.9, "right": 0.1}}}),
                clean_weight("wiring", -2.0, "a.jpg").model_copy(
                    update={"extent": {"wing_front": {"left": -0.9, "right": -0.1}}}
                ),
            ),
            decision="likely_refinished",
            price=11000,
            photos=4,
            extent={"wing_front": {"left": 0.8, "right": 0.1}, "bonnet": {"centre": 0.4}},
            extent_before={"wing_front": {"left": -2.0, "right": -9.5}},
            colour=SEEN_COLOUR,
        ),
        result(NASTY, 4, title=NASTY, decision="not_enough_seen", price=4000, notes=(NASTY,)),
    )
    aside = (
        SetAside(advert="ask", photo=NASTY, fault="the file is empty", remedy="fetch it again"),
        SetAside(advert="", photo="notes.docx", fault="it is no photo", remedy="leave it out"),
    )
    adverts = [
        advert("pellock-2", year=1994, declared_colour="Marl Green"),
        advert("ask"),
        advert("brindle-1", notes=NASTY),
        advert(NASTY, title=NASTY),
    ]
    findings = {"pellock-2": [clean], "ask": [], "brindle-1": [misted, repeat, faint, odd], NASTY: [blurred]}
    page = write_report(out, adverts, Shortlist(adverts=results), findings, aside, "Made with maskline 0.1.0.")
    return page.parent


def pages_of(report: Path) -> dict[str, str]:
    return {path.name: path.read_text(encoding="utf-8") for path in sorted(report.glob("*.html"))}


def test_every_page_is_valid_html(report: Path) -> None:
    """The HTML Standard's parsing rules, as html5lib applies them in strict mode."""
    for name, page in pages_of(report).items():
        try:
            html5lib.HTMLParser(strict=True).parse(page)
        except html5lib.html5parser.ParseError as error:
            pytest.fail(f"{name}: {error}")


class _Outline(HTMLParser):
    """Collects what a page refers to and the order of its headings."""

    def __init__(self) -> None:
        super().__init__()
        self.links: list[str] = []
        self.ids: list[str] = []
        self.headings: list[int] = []
        self.images_without_alt = 0
        self.scripts: list[str | None] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        values = dict(attrs)
        self.links += [link for key in ("href", "src") if (link := values.get(key)) is not None]
        if identifier := values.get("id"):
            self.ids.append(identifier)
        self.ids += [f"->{target}" for target in (values.get("aria-labelledby") or "").split()]
        if re.fullmatch("h[1-6]", tag):
            self.headings.append(int(tag[1]))
        self.images_without_alt += tag == "img" and "alt" not in values
        if tag == "script":
            self.scripts.append(values.get("src"))


def outlines(report: Path) -> Iterator[tuple[str, _Outline]]:
    for name, page in pages_of(report).items():
        outline = _Outline()
        outline.feed(page)
        yield name, outline


def test_every_link_and_picture_is_there_and_nothing_comes_from_elsewhere(report: Path) -> None:
    ids = {name: outline.ids for name, outline in outlines(report)}
    for name, outline in outlines(report):
        for link in outline.links:
            parts = urlsplit(link)
            assert not parts.scheme and not parts.netloc, link
            target = unquote(parts.path) or name
            assert (report / target).is_file(), f"{name}: {link}"
            if parts.fragment:
                assert parts.fragment in ids[target], f"{name}: {link}"
    assert not re.findall(r"url\(|@import", CSS)


def test_each_page_of_an_advert_lists_its_parts_in_their_order(report: Path) -> None:
    shown = {}
    for name, page in pages_of(report).items():
        if name.startswith("advert-"):
            listed = re.findall(r'href="#([a-z]+)"', page.split('class="contents"')[1].split("</nav>")[0])
            assert [*listed, "cautions"] == re.findall(r'<h2 id="([a-z]+)"', page), name
            shown[name] = listed
    assert shown["advert-brindle-1.html"] == [
        "sum", "findings", "measures", "colour", "zones", "ask", "claims", "photos",
    ]  # fmt: skip
    assert shown["advert-ask.html"] == ["sum", "findings", "zones", "ask", "photos", "aside"]


def test_the_code_on_a_plate_is_shown_with_its_place_and_how_surely_it_was_read(tmp_path: Path) -> None:
    place = Box(x=300, y=200, width=200, height=100, score=0.9, zone="identification_plate")
    plate = Measure(cue="plate_code", value=0.97, unit="probability", uncertainty=None, text="OW 503", regions=(place,))
    photo = with_pictures(photo_findings("a.jpg", "1" * 64, measures=(plate,)), tmp_path)
    colour = ColourSummary(plate="OW 503", plate_probability=0.97)
    shortlisted = Shortlist(adverts=(result(colour=colour),))
    page = write_report(tmp_path, [advert()], shortlisted, {"pellock-1": [photo]}, (), "By hand.")
    text = text_of(page.parent / "advert-pellock-1.html")
    assert "Code on the plate OW 503, read with a probability of 0.97 ( a.jpg )" in text
    assert "Code on the plate The vehicle 0.97 probability OW 503 a.jpg" in text  # the table
    markup = (page.parent / "advert-pellock-1.html").read_text(encoding="utf-8")
    article = markup.split('id="finding-1-measured-plate-code-1"')[1].split("</article>")[0]
    assert "plate_code-300-200-200-100.jpg" in article and "Weight" not in article
    assert markup.count('href="#finding-1-measured-plate-code-1"') == 2


def test_how_many_paints_the_listed_ones_are_of_is_told() -> None:
    assert wording.of_ranked(5, 31) == "The five likeliest of 31 paints of the table"
    assert wording.of_ranked(1, 31) == "The likeliest of 31 paints of the table"
    assert wording.of_ranked(4, 4) == "Paints of the table"


def test_headings_run_in_order_and_every_picture_has_a_text(report: Path) -> None:
    for name, outline in outlines(report):
        assert outline.headings[0] == 1 and outline.headings.count(1) == 1, name
        assert all(lower - upper <= 1 for upper, lower in pairwise(outline.headings)), name
        assert outline.images_without_alt == 0, name
        own = [identifier for identifier in outline.ids if not identifier.startswith("->")]
        assert len(own) == len(set(own)), name
        assert {target[2:] for target in outline.ids if target.startswith("->")} <= set(own), name


def test_what_strangers_write_stays_text(report: Path) -> None:
    for name, outline in outlines(report):
        assert outline.scripts == ["report.js"], name
    assert "&lt;script&gt;" in (report / "index.html").read_text(encoding="utf-8")


def test_every_page_carries_the_cautions(report: Path) -> None:
    # design.md section 10 (common practice, no source)
    for page in pages_of(report).values():
        assert "It is no proof, and it accuses nobody." in page
        assert "Never go under a vehicle that is held only by a jack." in page
        assert "lead or isocyanates" in page
        assert "use a licensed inspector and follow local law" in page


def test_the_first_page_says_which_advert_to_keep_and_why(report: Path) -> None:
    page = text_of(report / "index.html")
    assert (
        "Keep 1 of 4 adverts The paint most likely still the factory's, best first: Pellock wagon, Marl Green Hinge"
        in page
    )
    assert "9\u202f800 EUR · 1994 · 1 photo" in page
    assert "A refinish is unlikely: 14 % (11 to 15 % under other assumptions)" in page
    assert "Not seen or not to be judged: wiring and hoses, door shut" in page
    assert "Still open: the 56 % for a refinish mostly rest on what was assumed" in page
    assert "Set aside: 2 These files could not be used." in page
    assert "notes.docx it is no photo leave it out" in page
    assert "No photo could be used" in page


def head_of_first_page(out: Path, decisions: Sequence[Decision], **further: object) -> str:
    adverts = [f"advert-{rank}" for rank in range(1, len(decisions) + 1)]
    results = [
        result(name, rank, title=None, decision=decision).model_copy(update=further)
        for rank, (name, decision) in enumerate(zip(adverts, decisions, strict=True), 1)
    ]
    page = write_report(out, [advert(name) for name in adverts], Shortlist(adverts=tuple(results)), {}, (), "By hand.")
    return text_of(page).partition(" Show ")[0]


def test_where_nothing_is_to_keep_the_first_page_says_what_to_do(tmp_path: Path) -> None:
    head = head_of_first_page(tmp_path, ("ask_first", "not_enough_seen", "likely_refinished", "likely_refinished"))
    assert "Nothing to keep yet of 4 adverts: ask about 1 Not clear either way. Before you drive, ask for these" in head
    assert "advert-1 Please photograph the wiring with the bonnet open." in head  # the photo, not the reason
    assert "Of the others, 2 are likely refinished, 1 shows too little to tell." in head
    head = head_of_first_page(tmp_path, ("ask_first",) * 5, requests=())
    assert "no further photo is expected to tell" in head and "and 2 more below" in head and "Of the others" not in head
    head = head_of_first_page(tmp_path, ("not_enough_seen", "likely_refinished"))
    assert "Nothing to keep of 2 adverts 1 is likely refinished, 1 shows too little to tell. All 2 as a table" in head
    head = head_of_first_page(tmp_path, ("likely_factory", "ask_first"))
    assert "Of the others, 1 could be either." in head


def test_an_adverts_page_holds_findings_places_requests_and_photos(report: Path) -> None:
    page = text_of(report / "advert-brindle-1.html")
    assert "Likely refinished What was seen speaks for a later paint job. Know this before you bid." in page
    assert "What is seen takes at least one refinish to explain." in page
    assert "Assumed before any photo +1.0 Painted fastener heads: Door hinges, left side Hinge bolts carry" in page
    assert "No body colour on hidden parts: Wiring and hoses Clean, and it takes days to mask. −2.0" in page
    assert "Together: 91 % for a refinish +10.0" in page
    assert "Seen 90 % (very likely) Weight +11.0 decibans speaks strongly for a refinish Photo a.jpg" in page
    assert "As photographed Heat In the whole photo" in page
    assert "Neighbouring panels differ Bonnet 3.21 ± 0.73 ΔE00 a.jpg" in page
    assert "Wiring and hoses factory: black No body colour" not in page  # the table, not the sum
    assert "Wiring and hoses factory: black −2.0 no body colour on hidden parts (−2.0)" in page
    assert "Door shut factory: body colour; bolts bare left side Cannot be judged right side Cannot be judged" in page
    assert "factory: body colour; bolts bare left side +11.0 right side Not seen painted fastener heads" in page
    assert "Front wing, left side 80 % Weights in decibans: +10 makes the odds of new paint there ten times" in page
    assert "Assumed before any photo −2.0 Painted fastener heads: Door hinges, left side +8.9 No body colour" in page
    assert "Wiring and hoses −0.9 Together: 80 % for new paint there +6.0 Front wing, right side 10 %" in page
    assert "Together: 10 % for new paint there −9.5 Bonnet 40 %" in page
    assert (
        "Please photograph the wiring with the bonnet open. Wiring and hoses · engine bay · expected to tell 0.42"
        in page
    )
    assert "Also in pellock-2/b.jpg" in page and "Repeats a.jpg; counted once" in page
    weak = text_of(report / page_names([NASTY])[NASTY])
    assert "Too weak to judge" in weak and "Nothing was seen that speaks either way" in weak
    assert "Unlike anything the network has learnt: not judged" in page and "Too weak to judge" not in page
    empty = text_of(report / "advert-ask.html")
    assert "No photo of this advert could be used." in empty and "the file is empty fetch it again" in empty


def test_the_page_side_by_side_holds_every_advert(report: Path) -> None:
    page = text_of(report / "compare.html")
    for row in (
        "Decision Likely factory paint Ask first Likely refinished Not enough seen",
        "Price 9\u202f800 EUR not given 11\u202f000 EUR 4\u202f000 EUR",
        "Refinishes at least 0 0 1 0",
        "Door hinges Seen, says nothing Seen, says nothing +11.0 Seen, says nothing",
        "Bulkhead −9.0 Seen, says nothing Seen, says nothing Seen, says nothing",
    ):
        assert row in page


def test_one_advert_alone_needs_no_page_side_by_side(tmp_path: Path) -> None:
    page = write_report(
        tmp_path, [advert()], Shortlist(adverts=(result(photos=0),)), {}, [], "", notice="Covered & so."
    )
    assert not (page.parent / "compare.html").exists()
    assert all("Covered &amp; so." in text and "compare" not in text for text in pages_of(page.parent).values())


def text_of(page: Path) -> str:
    tree = html5lib.parse(page.read_text(encoding="utf-8"), namespaceHTMLElements=False)
    return re.sub(r"[ \n]+", " ", " ".join(tree.find("body").itertext())).replace("\xa0", " ")  # thin spaces stay


def test_the_folder_can_be_moved_alone_and_written_again(tmp_path: Path) -> None:
    report = write_example_report(tmp_path)
    (report / "advert-of-last-week.html").write_text("stale", encoding="utf-8")
    before = pages_of(report) | {"advert-of-last-week.html": ""}
    again = write_example_report(tmp_path)
    assert again == report
    assert set(pages_of(report)) == set(before) - {"advert-of-last-week.html"}
    moved = report.rename(tmp_path / "elsewhere")
    assert all(path.stat().st_size > 500 for path in (moved / "images").iterdir())
    assert sorted(path.name for path in tmp_path.iterdir()) == ["crops", "elsewhere"]


def test_a_report_without_its_pictures_is_one_sentence_and_leaves_the_one_before(tmp_path: Path) -> None:
    report = write_example_report(tmp_path)
    before = pages_of(report)
    findings = with_pictures(photo_findings("a.jpg", "1" * 64), tmp_path)
    (tmp_path / crops.photo_file(findings.sha256)).unlink()
    with pytest.raises(ScreeningError, match=r"photo\.jpg: this picture is missing .*; screen the batch again"):
        write_report(tmp_path, [advert()], Shortlist(adverts=(result(),)), {"pellock-1": [findings]}, [], "")
    assert pages_of(report) == before


# --- colours -------------------------------------------------------------------------------------------------------


def relative_luminance(colour: str) -> float:
    """WCAG 2.2, definition of relative luminance."""
    channels = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(first: str, second: str) -> float:
    """WCAG 2.2, definition of contrast ratio."""
    lighter, darker = sorted((relative_luminance(first), relative_luminance(second)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def palettes() -> dict[str, dict[str, str]]:
    light, dark = re.findall(r":root \{([^}]*--paper[^}]*)\}", CSS)
    read = [dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", block)) for block in (light, dark)]
    return {"light": read[0], "dark": read[1]}


def test_the_contrast_formula_gives_the_published_extremes() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)  # WCAG 2.2: ratios range from 1 to 21
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)  # the well-known grey just short of AA


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_text_reaches_aa_contrast(scheme: str) -> None:
    colours = palettes()[scheme]
    grounds = ("paper", "card")
    pairs = [(text, ground) for text in ("ink", "quiet", "link", "factory", "refinish", "ask") for ground in grounds]
    pairs += [(name, f"{name}-tint") for name in ("factory", "refinish", "ask", "unseen")]
    pairs += [("card", "link"), ("quiet", "unseen-tint")]
    for text, ground in pairs:
        assert contrast(colours[text], colours[ground]) >= 4.5, f"{text} on {ground}"  # WCAG 2.2, 1.4.3


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_bar_and_edge_that_means_something_reaches_graphics_contrast(scheme: str) -> None:
    colours = palettes()[scheme]
    for part in ("factory", "refinish", "quiet", "ink"):
        for ground in ("paper", "card"):
            assert contrast(colours[part], colours[ground]) >= 3, f"{part} on {ground}"  # WCAG 2.2, 1.4.11
