"""What sources say of a colour, joined: agree, disagree, or it cannot be said."""

from __future__ import annotations

import pytest

from pipeline.colour import colour_settings
from pipeline.identity import Agreement, Identity, judge_identity
from pipeline.paint_table import ColourReading, Lab, demo_table
from pipeline.records import AdvertDetails

SETTINGS = colour_settings()
PHOTO = SETTINGS.body.uncertainty  # of a colour read from one photo
SURE = (3.0, 2.0, 2.0)


def judged(
    plate: tuple[str, ...] = (),
    body: Lab | None = None,
    uncertainty: Lab = PHOTO,
    family: str | None = "pellock",
    **details: object,
) -> Identity:
    reading = None if body is None else ColourReading(body, uncertainty)
    return judge_identity(
        AdvertDetails(**details), plate, reading, demo_table(), SETTINGS.table, SETTINGS.identity, family=family
    )


def agreement(identity: Identity, first: str, second: str) -> Agreement:
    return next(c.agreement for c in identity.comparisons if (c.first.source, c.second.source) == (first, second))


def test_plate_papers_and_photos_that_fit_agree() -> None:
    identity = judged(("OW 503",), (38, -8, 17), document_colour="green", declared_colour="Marl Green", year=1980)
    assert {c.agreement for c in identity.comparisons} == {"agree"}
    assert identity.measure is not None
    assert identity.measure.value < 5


def test_a_plate_of_another_hue_than_the_photos_disagrees() -> None:
    identity = judged(("OW 301",), (40, -10, -28), year=1980)  # Kiln Red on the plate, blue in the photos
    assert agreement(identity, "identification plate", "photos") == "disagree"
    assert identity.measure is not None
    measure = identity.measure
    assert (measure.cue, measure.unit, measure.zone) == ("code_mismatch", "dE00", "identification_plate")
    assert measure.value - 2 * measure.uncertainty > SETTINGS.identity.limit_delta_e00
    assert any("does not agree" in note for note in identity.notes)


def test_a_dark_photo_of_a_light_paint_is_no_disagreement() -> None:
    """A white vehicle at dusk: light grey, a little blue. Light explains that, so it cannot be said."""
    identity = judged(("OW 103",), (62, -1, -6), year=1980)
    assert agreement(identity, "identification plate", "photos") == "cannot say"


@pytest.mark.parametrize("white", ["OW 103", "OW 118"])
def test_which_white_it_is_cannot_be_told_from_photos(white: str) -> None:
    identity = judged((white,), (88, -1, 9), year=1970)
    assert agreement(identity, "identification plate", "photos") != "disagree"


def test_a_document_changed_after_a_repaint_fits_the_photos_not_the_plate() -> None:
    identity = judged(("OW 503",), (40, -10, -28), document_colour="blue", year=1980)
    assert agreement(identity, "identification plate", "registration document") == "disagree"
    assert agreement(identity, "registration document", "photos") == "agree"


def test_a_document_names_a_family_never_a_paint() -> None:
    identity = judged(("OW 118",), document_colour="Chalk White", year=1970)  # Curd Cream is cream, not white
    (document,) = [s for s in identity.statements if s.source == "registration document"]
    assert document.paint is None
    assert document.families == {"white": 1.0}


def test_the_factory_record_stands_above_the_plate() -> None:
    identity = judged(("OW 604",), record_colour="Marl Green", paint_code="OW 503", year=1980)
    assert agreement(identity, "factory record", "identification plate") == "disagree"
    assert agreement(identity, "factory record", "paint code in the advert") == "agree"


def test_the_same_code_written_otherwise_agrees() -> None:
    identity = judged(("OW 503",), paint_code="ow503", year=1980)
    assert agreement(identity, "identification plate", "paint code in the advert") == "agree"


def test_without_an_anchor_nothing_is_measured_against_a_paint() -> None:
    identity = judged(body=(40, -10, -28), declared_colour="blue")
    assert identity.measure is None
    assert identity.comparisons == ()


def test_without_anything_nothing_is_said() -> None:
    identity = judged()
    assert (identity.statements, identity.comparisons, identity.measure, identity.ranking) == ((), (), None, None)


def test_two_plates_with_different_codes_are_told_and_none_is_the_anchor() -> None:
    identity = judged(("OW 503", "OW 604"))
    assert not identity.statements
    assert any("different codes: OW 503, OW 604" in note for note in identity.notes)


def test_a_colour_that_no_vehicle_of_the_family_left_in_is_told() -> None:
    identity = judged(body=(60, 60, -40), uncertainty=SURE, year=1980)
    assert any("no vehicle of this family left the factory" in note for note in identity.notes)


def test_a_colour_near_one_of_the_table_is_not_called_special() -> None:
    identity = judged(body=(55, -12, -25), year=1980)
    assert not any("no vehicle" in note for note in identity.notes)


def test_a_paint_not_offered_for_the_family_is_told() -> None:
    identity = judged(("OW 309",), family="brindle", year=1980)  # Damson: pellock and gannel only
    assert any("was not offered for this family and year" in note for note in identity.notes)


def test_a_code_missing_from_the_table_may_be_a_special_order() -> None:
    identity = judged(paint_code="OW 999", year=1980)
    assert any("not in the paint table: a special order" in note for note in identity.notes)


def test_without_a_table_hue_families_still_compare() -> None:
    identity = judge_identity(
        AdvertDetails(document_colour="blue"),
        (),
        ColourReading((36, 45, 28), PHOTO),
        (),
        SETTINGS.table,
        SETTINGS.identity,
    )
    assert agreement(identity, "registration document", "photos") == "disagree"
    assert identity.ranking is None
