from collections.abc import Sequence

from pipeline.build_sheets import read_build_sheet
from pipeline.evidence import Verdict, weigh
from pipeline.histories import WeighingSettings
from pipeline.judging.answers import Answer, DecalMark, Mark, Place, ShotMark, item_of
from pipeline.judging.verdicts import with_verdicts
from pipeline.records import Measure, PhotoFindings
from tests.pipeline.made_screening import HINGE, PANELS, SEAL, finding, replace_box
from tests.pipeline.sightings import RATES

PHOTO = "ab" * 32
ITEM = item_of("painted_fastener", HINGE)


def photo(**boxes: object) -> PhotoFindings:
    return finding("a.jpg", PHOTO, "advert", {"painted_fastener": (HINGE,)} | boxes, zones=("hinge", "door_seal"))


def said(
    verdict: str | None,
    cause: str | None = None,
    *,
    item: str = ITEM,
    reader: str = "anna",
    number: int = 1,
    **change: object,
) -> Answer:
    content: dict[str, object] = {
        "verdict": verdict, "cue": "painted_fastener", "cause": cause, "box": Place.of(HINGE),
        "zone": "hinge", "side": "left",
    }  # fmt: skip
    return Answer(number, reader, PHOTO, item, Mark.model_validate(content | change))


def weighed(*photos: PhotoFindings) -> Verdict:
    return weigh(photos, read_build_sheet("pellock"), RATES, WeighingSettings.shipped())


def test_without_answers_nothing_changes() -> None:
    assert with_verdicts(photo(), ()) is not None
    assert with_verdicts(photo(), ()) == photo()
    for verdict in ("cannot_tell", None):
        assert with_verdicts(photo(), (said(verdict),)) == photo()


def test_a_sign_is_certain_and_keeps_the_other_boxes() -> None:
    other = replace_box(HINGE, x=10, score=0.2)
    found = with_verdicts(photo(painted_fastener=(HINGE, other)), (said("sign"),)).cues["painted_fastener"]
    assert [(box.score, box.judged) for box in found.boxes] == [(1.0, True), (0.2, False)]
    assert found.score == 1 and found.assessable


def test_a_mended_box_replaces_what_was_seen() -> None:
    mended = Place(x=500, y=330, width=50, height=50)
    found = with_verdicts(photo(), (said("sign", box=mended, side="right"),)).cues["painted_fastener"]
    assert [(Place.of(box), box.side) for box in found.boxes] == [(mended, "right")]


def test_an_innocent_sighting_is_taken_out() -> None:
    found = with_verdicts(photo(), (said("innocent", "shadow"),)).cues["painted_fastener"]
    assert (found.score, found.boxes, found.assessable) == (0, (), True)
    other = replace_box(HINGE, x=10, score=0.2)
    found = with_verdicts(photo(painted_fastener=(HINGE, other)), (said("innocent", "shadow"),)).cues[
        "painted_fastener"
    ]
    assert (found.score, found.boxes) == (0.2, (other,))


def test_what_hides_a_place_or_is_there_innocently_does_not_make_it_clean() -> None:
    # trade notes: fresh underseal, wax or dirt hide mist, so the place is not assessable, never clean (common practice)
    for cause in ("dirt", "wax_or_underseal", "factory_made", "upkeep"):
        found = with_verdicts(photo(), (said("innocent", cause),)).cues["painted_fastener"]
        assert (found.score, found.assessable) == (None, False)


def test_another_cue_takes_the_place_of_the_one_seen() -> None:
    found = with_verdicts(photo(), (said("sign", cue="masking_edge"),)).cues
    assert found["painted_fastener"].boxes == () and found["painted_fastener"].score == 0
    assert found["masking_edge"].score == 1 and found["masking_edge"].boxes[0].judged


def test_a_missed_sign_is_added_even_where_the_network_was_never_taught() -> None:
    answer = said("sign", item="added 00ff", cue="filler", zone="wing_front", side="right")
    found = with_verdicts(photo(), (answer,))
    assert found.cues["filler"].boxes[0].judged and "filler" not in RATES
    telling = [weight for weight in weighed(found).weights if weight.cue == "filler"]
    assert telling[0].decibans > 1 and "judged by eye" in telling[0].why and telling[0].side == "right"
    withdrawn = said("withdrawn", item="added 00ff", cue="filler")
    assert with_verdicts(photo(), (withdrawn,)) == photo()


def test_readers_who_differ_change_nothing_until_they_agree() -> None:
    differ = (said("sign", reader="anna"), said("innocent", "dirt", reader="ben", number=2))
    assert with_verdicts(photo(), differ) == photo()
    agree = (
        said("sign", reader="anna"),
        said("sign", reader="ben", number=2),
        said("cannot_tell", reader="cid", number=3),
    )
    assert with_verdicts(photo(), agree).cues["painted_fastener"].boxes[0].judged


def test_a_verdict_holds_for_the_same_place_drawn_by_another_network() -> None:
    redrawn = replace_box(HINGE, x=HINGE.x + 10, width=HINGE.width - 15, score=0.8)
    elsewhere = replace_box(HINGE, x=10, score=0.8)
    found = with_verdicts(photo(painted_fastener=(redrawn, elsewhere)), (said("innocent", "shadow"),))
    assert found.cues["painted_fastener"].boxes == (elsewhere,)


def test_a_measure_can_be_innocent_too() -> None:
    seen = finding("a.jpg", PHOTO, "advert", measures=(PANELS,))
    item = item_of("panel_mismatch", PANELS.regions[0])
    answer = said("innocent", "shadow", item=item, cue="panel_mismatch", zone="wing_front")
    assert with_verdicts(seen, (answer,)).measures == ()
    assert with_verdicts(seen, (said("sign", item=item, cue="panel_mismatch", zone="wing_front"),)) == seen


def test_what_was_measured_across_an_edge_goes_with_the_edge() -> None:
    across = PANELS.model_copy(update={"cue": "painted_fastener", "regions": (HINGE,)})  # one cue, seen and measured
    seen = photo().model_copy(update={"measures": (across,)})
    assert with_verdicts(seen, (said("innocent", "shadow"),)).measures == ()
    assert with_verdicts(seen, (said("sign", cue="film_defect"),)).measures == ()
    sign = with_verdicts(seen, (said("sign"),))
    assert [measure.regions for measure in sign.measures] == [sign.cues["painted_fastener"].boxes[:1]]


def test_the_kind_of_view_is_what_the_reader_says() -> None:
    rear = with_verdicts(photo(), (Answer(1, "anna", PHOTO, "shot", ShotMark(shot="rear")),))
    assert rear.shot == {"rear": 1.0} and rear.vehicle == 1
    paper = with_verdicts(photo(), (Answer(1, "anna", PHOTO, "shot", ShotMark(shot="document")),))
    assert paper.vehicle == 0 and weighed(paper).weights == ()


def test_a_measured_decal_joins_the_measures() -> None:
    measure = Measure(cue="decal_offset", value=30, unit="mm", uncertainty=2, zone="decal", panel="tailgate")
    mark = DecalMark(decal="maker_badge", points={}, corners=((1.0, 2.0),), measure=measure)
    assert with_verdicts(photo(), (Answer(1, "anna", PHOTO, "decal maker_badge", mark),)).measures == (measure,)


def refinished(answers: Sequence[Answer]) -> float:
    return weighed(with_verdicts(photo(overspray_rubber=(SEAL,)), answers)).refinished


def test_the_weighing_follows_the_reader() -> None:
    open_ = refinished(())
    assert refinished((said("sign"),)) > open_ > refinished((said("innocent", "shadow"),))


def test_a_sign_never_weighs_less_than_what_the_network_is_certain_of() -> None:
    certain = photo(painted_fastener=(replace_box(HINGE, score=1.0),))
    assert weighed(with_verdicts(certain, (said("sign"),))).refinished >= weighed(certain).refinished


def test_a_sign_stands_against_clean_looks_of_a_network_that_missed_it() -> None:
    clean = [finding(f"{n}.jpg", f"{n:064d}", "advert", zones=("hinge",)) for n in range(8)]
    sign = with_verdicts(photo(), (said("sign"),))
    alone = next(w for w in weighed(sign).weights if w.cue == "painted_fastener")
    among = next(w for w in weighed(sign, *clean).weights if w.cue == "painted_fastener" and w.side == "left")
    assert among.decibans > 0 and abs(among.decibans - alone.decibans) < 3
