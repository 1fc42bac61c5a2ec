"""The painter's habits: whether they fit the vehicles, the contract's zones and each other."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from pydantic import BaseModel

pytest.importorskip("torch")

from pipeline.records import ZONES
from synthetic_data.paint import GRAINS
from synthetic_data.painter_settings import ByCare, painter_settings
from tests.synthetic_data.samples import FAMILIES, vehicle

SETTINGS = painter_settings()
PAINTED = {"body", "trim", "seat", "wheel", "engine", "cover"}  # finishes in a colour of the vehicle's own


def habits(model: BaseModel, name: str = "") -> Iterator[tuple[str, object]]:
    for key, value in model:
        where = f"{name}.{key}"
        yield where, value
        if isinstance(value, BaseModel):
            yield from habits(value, where)


@pytest.mark.parametrize("family", FAMILIES)
def test_every_finish_of_a_vehicle_has_a_material(family: str) -> None:
    finishes = {part.finish for part in vehicle(family, "left", "right", "bonnet").parts}
    assert finishes - PAINTED <= set(SETTINGS.materials)


def test_every_response_is_drawn_and_belongs_to_a_finish() -> None:
    assert set(GRAINS[1:]) == {one.grain for one in SETTINGS.responses.values()}
    assert set(SETTINGS.responses) <= set(SETTINGS.materials) | PAINTED | {"vinyl", "cloth"}


def test_zones_are_those_of_the_contract() -> None:
    assert set(SETTINGS.wear.probability) <= set(ZONES)


def test_what_is_worn_is_a_part_of_some_vehicle() -> None:
    names = {part.name for family in FAMILIES for part in vehicle(family).parts}
    names = {name.removesuffix(".right").removesuffix(".left") for name in names}
    assert set(SETTINGS.wear.causes) <= names


def test_a_rushed_painter_leaves_a_sign_more_often_than_a_patient_one() -> None:
    # common practice, no source
    chances = [(where, value) for where, value in habits(SETTINGS) if isinstance(value, ByCare)]
    assert chances
    for where, chance in chances:
        assert chance.at(1.0) < chance.at(0.5) < chance.at(0.0), where


def test_a_blemish_is_drawn_from_shares_of_the_whole() -> None:
    assert sum(SETTINGS.marks.shares.values()) == pytest.approx(1)
    assert sum(tone.share for tone in SETTINGS.filler.tones) == pytest.approx(1)
