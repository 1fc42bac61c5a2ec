"""What the answers change in the findings: an innocent sighting is taken out, a sign is certain, a missed one is added.

Where readers differ nothing is changed: what the network saw stands until they agree. "Can't tell" is no voice.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from pipeline.judging.answers import (
    Answer,
    DecalMark,
    Mark,
    Place,
    ShotMark,
    judging_settings,
    sighting_of,
)
from pipeline.records import Box, CueFinding, Measure, PhotoFindings, Record

SAME_PLACE = 0.5  # a box that shares so much with a judged one is the same sighting, drawn by another network
NO_VEHICLE = ("document", "not_vehicle")

Kind = TypeVar("Kind", bound=Record)


@dataclass(frozen=True, slots=True)
class Judged:
    """One place on which the readers agree: what the network saw there (None for an added mark), what they say."""

    item: str
    seen: tuple[str, Place] | None
    mark: Mark

    @property
    def is_sign(self) -> bool:
        return self.mark.verdict == "sign"

    @property
    def is_there(self) -> bool:
        """Whether the cue itself is there, be its cause a refinish or an innocent one."""
        return self.is_sign or (self.mark.cause is not None and judging_settings().causes[self.mark.cause].there)

    def is_about(self, cue: str, box: Box) -> bool:
        """Whether a box of this cue is the place that was judged, maybe drawn by another network."""
        seen = [self.mark.box] if self.mark.cue == cue else []
        if self.seen is not None and self.seen[0] == cue:
            seen.append(self.seen[1])
        return any(place.shares(box) >= SAME_PLACE for place in seen)


def judged(answers: Iterable[Answer]) -> tuple[Judged, ...]:
    """The places of one photo on which all readers who gave a verdict agree, in the order of their answers."""
    by_item: dict[str, list[Mark]] = {}
    for answer in sorted(answers, key=lambda answer: answer.number):
        if isinstance(answer.content, Mark) and answer.content.verdict in ("sign", "innocent"):
            by_item.setdefault(answer.item, []).append(answer.content)
    return tuple(
        Judged(item, sighting_of(item), marks[-1])
        for item, marks in by_item.items()
        if len({(mark.verdict, mark.cue) for mark in marks}) == 1
    )


def agreed(answers: Iterable[Answer], kind: type[Kind]) -> tuple[Kind, ...]:
    """What the readers say of a photo beside its places, where they say the same: by item, the newest."""
    by_item: dict[str, list[Kind]] = {}
    for answer in sorted(answers, key=lambda answer: answer.number):
        if isinstance(answer.content, kind):
            by_item.setdefault(answer.item, []).append(answer.content)
    return tuple(
        contents[-1] for contents in by_item.values() if kind is DecalMark or len(set(map(str, contents))) == 1
    )


def with_verdicts(findings: PhotoFindings, answers: Sequence[Answer]) -> PhotoFindings:
    """One photo's findings as the readers see them; unchanged where there is no answer to it.

    A sign is a box of score 1 with `judged` set. A cue whose every sighting is innocent was not found (score 0), or,
    where dirt or the like hides the place or the cue is there for an innocent cause, cannot be judged.
    """
    if not answers:
        return findings
    cues, measures = dict(findings.cues), findings.measures
    for place in judged(answers):
        mark = place.mark
        if place.seen is not None:
            cue, seen = place.seen
            if not place.is_sign or (cue in cues and cue != mark.cue):
                if cue in cues:
                    cues[cue] = _without(cues[cue], seen, mark)
                measures = tuple(m for m in measures if m.cue != cue or not _is_at(m, seen))
        if place.is_sign and (place.seen is None or mark.cue in cues):
            where = place.seen[1] if place.seen else mark.box
            cues[mark.cue] = _with_sign(cues.get(mark.cue), mark, where)
            there = {"regions": cues[mark.cue].boxes[:1]}  # what was measured is shown where the sign is
            measures = tuple(
                m.model_copy(update=there) if m.cue == mark.cue and _is_at(m, where) else m for m in measures
            )
    measures += tuple(mark.measure for mark in agreed(answers, DecalMark) if mark.measure is not None)
    update: dict[str, object] = {"cues": cues, "measures": measures}
    for view in agreed(answers, ShotMark):
        update |= {"shot": {view.shot: 1.0}, "vehicle": 0.0 if view.shot in NO_VEHICLE else 1.0}
    return findings.model_copy(update=update)


def _without(finding: CueFinding, seen: Place, mark: Mark) -> CueFinding:
    rest = tuple(box for box in finding.boxes if box.judged or seen.shares(box) < SAME_PLACE)
    if len(rest) == len(finding.boxes):
        return finding  # another network does not see it
    if rest:
        score = max(box.score for box in rest)  # the limit is not known here: below the old score, it is open
        found = finding.found if score == finding.score or finding.found is False else None
        return finding.model_copy(update={"boxes": rest, "score": score, "found": found})
    cause = judging_settings().causes[mark.cause] if mark.cause else None
    if cause is not None and (cause.there or cause.hides):
        return CueFinding(score=None, assessable=False)
    return finding.model_copy(update={"boxes": (), "score": 0.0, "found": False})


def _with_sign(finding: CueFinding | None, mark: Mark, seen: Place) -> CueFinding:
    box = Box(**mark.box.model_dump(), score=1.0, zone=mark.zone, side=mark.side, judged=True)
    before = () if finding is None else finding.boxes
    rest = tuple(b for b in before if b.judged or max(seen.shares(b), mark.box.shares(b)) < SAME_PLACE)
    heat = None if finding is None else finding.heat
    return CueFinding(score=1.0, assessable=True, found=True, boxes=(box, *rest), heat=heat)


def _is_at(measure: Measure, seen: Place) -> bool:
    return bool(measure.regions) and seen.shares(measure.regions[0]) >= SAME_PLACE
