import pytest

from pipeline.build_sheets import read_build_sheet
from pipeline.colour import colour_settings
from pipeline.histories import WeighingSettings
from pipeline.judging.answers import Place
from pipeline.judging.sheets import Sheet, SignWeights, around, entropy_bits, sheets_of
from pipeline.records import PhotoFindings
from tests.pipeline.made_screening import HEIGHT, HINGE, PANELS, SEAL, SURE_HINGE, WIDTH, finding, replace_box


def sheets(*photos: PhotoFindings) -> dict[str | None, Sheet]:
    found = sheets_of(photos, SignWeights(read_build_sheet("pellock"), WeighingSettings.shipped()), colour_settings())
    return {sheet.zone: sheet for sheet in found}


def photo(name: str = "a.jpg", number: int = 1, **content: object) -> PhotoFindings:
    return finding(name, f"{number:064x}", "advert", **content)  # type: ignore[arg-type]


def test_entropy_of_a_yes_or_no() -> None:
    # MacKay 2003, Information Theory, Inference, and Learning Algorithms: H2(0.1) is 0.47 bits (from memory)
    assert entropy_bits(0.1) == pytest.approx(0.469, abs=1e-3)
    assert entropy_bits(0.5) == 1 and entropy_bits(0) == entropy_bits(1) == 0


def test_all_sightings_of_a_place_are_on_one_sheet_unsure_ones_first() -> None:
    found = sheets(
        photo("b.jpg", 2, boxes={"painted_fastener": (SURE_HINGE,)}),
        photo("a.jpg", 1, boxes={"painted_fastener": (HINGE,), "overspray_rubber": (SEAL,)}),
    )
    assert [s.place for s in found["hinge"].sightings] == [Place.of(HINGE), Place.of(SURE_HINGE)]
    assert [s.cue for s in found["door_seal"].sightings] == ["overspray_rubber"]
    assert {p.photo for p in found["hinge"].photos} == {"a.jpg", "b.jpg"}
    assert found["hinge"].sightings[0].benefit > found["hinge"].sightings[1].benefit > 0


def test_what_the_factory_painted_itself_helps_nothing() -> None:
    # configs/build_sheets/pellock.yaml: rear corner rivets are bare, tub rivets painted by the factory
    rear, side = (replace_box(HINGE, zone=zone, side=None) for zone in ("tub_rear", "tub_side"))
    found = sheets(photo(boxes={"painted_fastener": (rear, side)}))
    assert found["tub_side"].sightings[0].benefit == 0 < found["tub_rear"].sightings[0].benefit
    assert list(found).index("tub_rear") < list(found).index("tub_side")


def test_a_place_without_a_sighting_has_a_sheet_too_and_an_unknown_place() -> None:
    found = sheets(photo(boxes={"painted_fastener": (replace_box(HINGE, zone=None),)}, zones=("roof",)))
    assert found["roof"].sightings == () and [p.photo for p in found["roof"].photos] == ["a.jpg"]
    assert len(found[None].sightings) == 1 and "bonnet" not in found
    assert list(found) == [None, "roof"]


def test_of_repeats_one_is_judged() -> None:
    first = photo("a.jpg", 1, boxes={"painted_fastener": (HINGE,)})
    again = photo("b.jpg", 2, boxes={"painted_fastener": (HINGE,)}).model_copy(update={"duplicate_of": "a.jpg"})
    assert [s.photo for s in sheets(first, again)["hinge"].sightings] == ["a.jpg"]


def test_a_measured_difference_is_judged_where_it_is_a_finding() -> None:
    small = PANELS.model_copy(update={"value": 0.5})
    assert sheets(photo(measures=(PANELS,)))["wing_front"].sightings[0].measure == PANELS
    assert "wing_front" not in sheets(photo(measures=(small,)))


@pytest.mark.parametrize("box", [(0, 0, 5, 5), (955, 715, 5, 5), (100, 100, 700, 30), (10, 10, 940, 700)])
def test_what_is_shown_of_a_place_holds_it_and_is_inside_the_photo(box: tuple[int, int, int, int]) -> None:
    x, y, width, height = box
    place = Place(x=x, y=y, width=width, height=height)
    cut = around(place, photo())
    assert cut.shares(place) == 1
    assert cut.x + cut.width <= WIDTH and cut.y + cut.height <= HEIGHT
    assert cut.width >= 400 and cut.height >= 300
