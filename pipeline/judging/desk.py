"""What the judging page shows and does, without a word of HTTP: sheets in, answers kept, outputs written anew."""

from __future__ import annotations

from collections import OrderedDict, defaultdict
from dataclasses import dataclass
from pathlib import Path
from threading import Lock
from typing import Any

from pipeline import crops
from pipeline.build_sheets import GENERIC, BuildSheet, Decal, read_build_sheet
from pipeline.colour import colour_settings
from pipeline.coverage import cue_entries, distinct_photos, zone_entries
from pipeline.decals import NotMeasured, Point, measure_decal
from pipeline.duplicates import PhotoKey, find_repeats, mark_repeats
from pipeline.errors import ConfigError, ScreeningError, UsageError
from pipeline.histories import WeighingSettings
from pipeline.judging.agreement import Agreement, agreements
from pipeline.judging.answers import (
    ADDED,
    DECAL,
    LOOKED_THROUGH,
    SHOT,
    Answer,
    DecalMark,
    Mark,
    Said,
    ShotMark,
    ThroughMark,
    judging_settings,
    sighting_of,
)
from pipeline.judging.pictures import Pictures, Shown
from pipeline.judging.sheets import Sheet, Sighting, SignWeights, added_sighting, sheets_of
from pipeline.judging.verdicts import with_verdicts
from pipeline.known_points import find_points
from pipeline.outputs import write_outputs
from pipeline.records import DETECTED_CUES, SHOTS, ZONES, PhotoFindings
from pipeline.report import wording
from pipeline.store import Store, read_shortlist

KEPT_ADVERTS = 8  # adverts whose sheets stay in memory
UNKNOWN, ALL = "unknown", "all"  # sheets of no zone: what no photo tells the place of, and all photos of the advert

Item = tuple[str, str]  # sha256 of the photo, name of the item


class NotThere(ScreeningError):
    """What was asked for is not part of this screening."""


class NotFitting(ScreeningError):
    """The answer does not fit the photo or the item that it is for."""


@dataclass(frozen=True, slots=True)
class _Advert:
    name: str
    build_sheet: BuildSheet
    photos: dict[str, PhotoFindings]  # by sha256
    sheets: dict[str, Sheet]  # by key of the zone
    by_photo: dict[str, tuple[Sighting, ...]]
    outlines: dict[str, dict[str, dict[str, Any]]]  # by sha256 and item, ready for JSON
    plain: dict[str, dict[str, Any]]  # what does not change of each photo, by sha256


class Desk:
    """One reader at one screening. Only one thread may call it, but for `write`."""

    def __init__(self, store: Store, out: Path, reader: str, pictures: Pictures) -> None:
        self.reader, self.pictures = reader, pictures
        self._store, self._out = store, out
        self._screened = store.screened()
        self._names = tuple(self._screened.adverts)
        self._repeats = find_repeats([PhotoKey(*row) for row in store.hashes()])
        self._settings, self._colour = WeighingSettings.shipped(), colour_settings()
        self._book = store.answers()
        self._newest: dict[str, dict[tuple[str, str], Answer]] = defaultdict(dict)  # by sha256: (reader, item)
        for (name, sha256, item), answer in self._book.newest().items():
            self._newest[sha256][name, item] = answer
        self._weights: dict[str, SignWeights] = {}  # by build sheet
        self._kept: OrderedDict[str, _Advert] = OrderedDict()
        self._items: dict[str, dict[str, tuple[Item, ...]]] = {}
        self.photos: dict[str, Shown] = {}
        for name in self._names:
            self._remember(self._advert(name))
        self._results = {result.advert: result for result in read_shortlist(out).adverts}
        self._writing = Lock()
        self._put, self._written = int(any(self._newest.values())), 0
        self.trouble: str | None = None

    # --- what is shown ---------------------------------------------------------------------------------------------

    def overview(self) -> list[dict[str, Any]]:
        """Every advert in the order of the shortlist: its name and title, what is thought of it, how much is judged."""
        rows = []
        for result in sorted(self._results.values(), key=lambda result: result.rank):
            if result.advert not in self._items:
                continue
            items = [item for items in self._items[result.advert].values() for item in items]
            zones = list(self._items[result.advert])
            first = next((zone for zone in zones if self._open(self._items[result.advert][zone])), None)
            rows.append(
                {
                    "advert": result.advert,
                    "title": result.title or result.advert,
                    "decision": result.decision,
                    "refinished": result.refinished,
                    "sightings": len(items),
                    "open": self._open(items),
                    "first": first or next(iter(zones), ALL),
                }
            )
        return rows

    def agreements(self) -> tuple[Agreement, ...]:
        """How far the readers of this screening agree."""
        return agreements(answer for here in self._newest.values() for answer in here.values())

    def vocabulary(self) -> dict[str, Any]:
        """The words a reader chooses from."""
        return {
            "cues": {
                cue: {"label": cue_entries()[cue].label, "zones": cue_entries()[cue].zones} for cue in DETECTED_CUES
            },
            "zones": {zone: {"label": entry.label, "sided": entry.sided} for zone, entry in zone_entries().items()},
            "shots": {shot: wording.shot_name(shot) for shot in SHOTS},
            "causes": {name: cause.label for name, cause in judging_settings().causes.items()},
        }

    def sheet(self, advert: str, zone: str) -> dict[str, Any]:
        """Everything of one sheet, ready for JSON. Raises NotThere."""
        found = self._advert(advert)
        if zone not in (*ZONES, UNKNOWN, ALL):
            raise NotThere(zone, "there is no such place", "choose one from the list")
        sheet = found.sheets.get(zone)
        if zone == ALL:
            shown = list(found.photos.values())
            sightings = [sighting for seen in found.by_photo.values() for sighting in seen]
            sightings.sort(key=lambda sighting: -sighting.benefit)
        else:
            shown = list(sheet.photos) if sheet else []
            sightings = list(sheet.sightings) if sheet else []
        added = self._added(found)
        for sighting in added:
            if zone in (ALL, sighting.zone or UNKNOWN):
                sightings.append(sighting)
                if all(photo.sha256 != sighting.sha256 for photo in shown):
                    shown.append(found.photos[sighting.sha256])
        here = {(sighting.sha256, sighting.item) for sighting in sightings}
        zones = list(dict.fromkeys([*found.sheets, *(s.zone or UNKNOWN for s in added), ALL]))
        return {
            "advert": advert,
            "title": self._screened.adverts[advert].title or advert,
            "zone": zone,
            "label": self._zone_label(zone),
            "sheets": [self._tally(advert, name) for name in zones],
            "status": self.status(advert),
            "sightings": [self._sighting(sighting) for sighting in sightings],
            "photos": {photo.sha256: self._photo(photo, found, here) for photo in shown},
            "decals": {
                name: {
                    "label": name.replace("_", " ").capitalize(),
                    "panel": found.build_sheet.known_panels[decal.panel].label,
                    "points": list(found.build_sheet.known_panels[decal.panel].ends),
                }
                for name, decal in found.build_sheet.decals.items()
                if decal is not None
            },
        }

    def status(self, advert: str) -> dict[str, Any]:
        """What is thought of the advert, and whether all answers are in the outputs yet."""
        result = self._results.get(advert)
        return {
            "behind": self.is_behind,
            "trouble": self.trouble,
            "decision": None if result is None else result.decision,
            "words": None if result is None else wording.DECISIONS[result.decision],
            "refinished": None if result is None else wording.percent(result.refinished),
        }

    # --- what is answered ------------------------------------------------------------------------------------------

    def put(self, advert: str, sha256: str, item: str, content: Said, seen: int, tab: str) -> dict[str, Any]:
        """Keep an answer and say what now holds.

        Raises AnsweredMeanwhile where the item is not as the reader saw it, NotThere or NotFitting where the answer
        belongs to nothing here.
        """
        found = self._advert(advert)
        if sha256 not in found.photos:
            raise NotThere(sha256[:12], "the advert has no such photo", "load the page again")
        content = self._fitted(found, found.photos[sha256], item, content)
        return self._now(advert, self._keep(self._book.put(self.reader, tab, sha256, item, content, seen)))

    def undo(self, advert: str, tab: str) -> dict[str, Any] | None:
        """Take back the newest answer given in this tab; None where there is none left. Raises AnsweredMeanwhile."""
        answer = self._book.undo(self.reader, tab)
        return None if answer is None else self._now(advert, self._keep(answer))

    @property
    def is_behind(self) -> bool:
        """Whether some answers are not in the outputs yet."""
        return self._put > self._written

    def write(self) -> None:
        """Weigh with all answers kept so far and write every output; what goes wrong is told by `status`."""
        with self._writing:
            if self._put == self._written:
                return
            put = self._put
            try:
                self._cut_out_marks()
                shortlist, _ = write_outputs(self._store, self._out)
            except Exception as error:  # whatever it is, answers go on being taken
                self.trouble = str(error) if isinstance(error, ScreeningError | OSError) else repr(error)
                return
            self._results = {result.advert: result for result in shortlist.adverts}
            self._written, self.trouble = put, None

    def _cut_out_marks(self) -> None:
        """Make the pictures of what readers marked, from the photos themselves as long as they are at hand."""
        answers = self._book.by_photo()
        for advert in {self.photos[sha256].advert for sha256 in answers if sha256 in self.photos}:
            for photo in self._store.findings(advert):
                found = with_verdicts(photo, answers.get(photo.sha256, ()))
                if crops.are_missing(found, self._out):
                    crops.add_missing(found, self._out, self.pictures.whole_pixels(self.photos[photo.sha256]))

    # --- inside ----------------------------------------------------------------------------------------------------

    def _advert(self, name: str) -> _Advert:
        if name in self._kept:
            self._kept.move_to_end(name)
            return self._kept[name]
        if name not in self._names:
            raise NotThere(name, "there is no such advert in this screening", "choose one from the list")
        weights = self._weights_by(self._screened.adverts[name].build_sheet or GENERIC)
        findings = mark_repeats(self._store.findings(name), self._repeats)
        sheets = sheets_of(findings, weights, self._colour)
        by_photo: dict[str, tuple[Sighting, ...]] = {}
        for sheet in sheets:
            for sighting in sheet.sightings:
                by_photo[sighting.sha256] = (*by_photo.get(sighting.sha256, ()), sighting)
        advert = _Advert(
            name,
            weights.model.sheet,
            {photo.sha256: photo for photo in distinct_photos(findings)},
            {sheet.zone or UNKNOWN: sheet for sheet in sheets},
            by_photo,
            {sha256: {s.item: _outline(s) for s in seen} for sha256, seen in by_photo.items()},
            {photo.sha256: _plain(photo) for photo in distinct_photos(findings)},
        )
        self._kept[name] = advert
        if len(self._kept) > KEPT_ADVERTS:
            self._kept.popitem(last=False)
        return advert

    def _weights_by(self, build_sheet: str) -> SignWeights:
        if build_sheet not in self._weights:
            try:
                found = read_build_sheet(build_sheet)
            except ConfigError:  # the shortlist's notes say so
                found = read_build_sheet(GENERIC)
            self._weights[build_sheet] = SignWeights(found, self._settings)
        return self._weights[build_sheet]

    def _remember(self, advert: _Advert) -> None:
        self._items[advert.name] = {
            zone: tuple((sighting.sha256, sighting.item) for sighting in sheet.sightings)
            for zone, sheet in advert.sheets.items()
            if sheet.sightings
        }
        for photo in advert.photos.values():
            shown = Shown(advert.name, photo.photo, photo.sha256, photo.width, photo.height)
            self.photos.setdefault(photo.sha256, shown)

    def _own(self, sha256: str, item: str) -> Answer | None:
        return self._newest.get(sha256, {}).get((self.reader, item))

    def _open(self, items: tuple[Item, ...] | list[Item]) -> int:
        return sum(not _is_answered(self._own(*item)) for item in items)

    def _tally(self, advert: str, zone: str) -> dict[str, Any]:
        items = self._items[advert].get(zone, ())
        return {"zone": zone, "label": self._zone_label(zone), "total": len(items), "open": self._open(items)}

    def _zone_label(self, zone: str) -> str:
        return {UNKNOWN: "Place not told", ALL: "All photos"}.get(zone) or wording.zone_name(zone)

    def _added(self, advert: _Advert) -> list[Sighting]:
        """Marks that readers added in this advert, each once: the reader's own version of it before another's."""
        found = []
        for sha256 in advert.photos.keys() & self._newest.keys():
            marks: dict[str, Answer] = {}
            for (name, item), answer in self._newest[sha256].items():
                if item.startswith(ADDED) and (name == self.reader or item not in marks):
                    marks[item] = answer
            found += [(answer.number, added_sighting(answer, advert.photos[sha256])) for answer in marks.values()]
        return [sighting for _, sighting in sorted(found, key=lambda mark: mark[0]) if sighting is not None]

    def _sighting(self, sighting: Sighting) -> dict[str, Any]:
        measure = sighting.measure
        return {
            "sha256": sighting.sha256,
            "item": sighting.item,
            "origin": sighting.origin,
            **_outline(sighting),
            "zone": sighting.zone,
            "side": sighting.side,
            "score": sighting.score,
            "words": _words(sighting) if measure is None else wording.measured(measure),
            "cut": sighting.cut.model_dump(),
            "heat": sighting.origin == "network",
            **self._answered(sighting.sha256, sighting.item),
        }

    def _answered(self, sha256: str, item: str) -> dict[str, Any]:
        own = self._own(sha256, item)
        said = None if own is None or own.content is None else own.content.model_dump(mode="json")
        return {"answer": said, "version": 0 if own is None else own.number}

    def _photo(self, photo: PhotoFindings, advert: _Advert, here: set[Item]) -> dict[str, Any]:
        others = [
            outline
            for item, outline in advert.outlines.get(photo.sha256, {}).items()
            if (photo.sha256, item) not in here
        ]
        decals = {
            name: {**self._answered(photo.sha256, f"{DECAL}{name}"), "found": self._found(advert, photo, decal)}
            for name, decal in advert.build_sheet.decals.items()
            if decal is not None
        }
        return {
            **advert.plain[photo.sha256],
            "shot": self._answered(photo.sha256, SHOT),
            "looked_through": self._answered(photo.sha256, LOOKED_THROUGH),
            "decals": decals,
            "others": others,
        }

    def _found(self, advert: _Advert, photo: PhotoFindings, decal: Decal) -> dict[str, Point]:
        """Known points of the decal's panel that the network found in the photo; none where it is not sure."""
        panel = advert.build_sheet.known_panels[decal.panel]
        found = find_points(panel, photo.heads, (photo.width, photo.height), self._colour.known_points)
        return {} if isinstance(found, NotMeasured) else found

    def _fitted(self, advert: _Advert, photo: PhotoFindings, item: str, content: Said) -> Said:
        """The answer as it is kept. Raises NotFitting."""
        fits = {
            Mark: item.startswith(ADDED) or sighting_of(item) is not None,
            ShotMark: item == SHOT,
            ThroughMark: item == LOOKED_THROUGH,
            DecalMark: isinstance(content, DecalMark) and item == f"{DECAL}{content.decal}",
        }
        if not fits[type(content)]:
            raise NotFitting(item, "the answer is of another kind than what it is for", "load the page again")
        if isinstance(content, Mark):
            box = content.box
            if box.x + box.width > photo.width or box.y + box.height > photo.height:
                raise NotFitting(photo.photo, "the box reaches out of the photo", "draw it inside")
            if content.verdict == "withdrawn" and not item.startswith(ADDED):
                raise NotFitting(photo.photo, "only a mark that a reader added can be withdrawn", "call it innocent")
            if content.zone is None or not zone_entries()[content.zone].sided:
                return content.model_copy(update={"side": None})
        if isinstance(content, DecalMark):
            decal = advert.build_sheet.decals.get(content.decal)
            if decal is None:
                raise NotFitting(content.decal, "the build sheet knows no such decal", "load the page again")
            panel = advert.build_sheet.known_panels[decal.panel]
            pixels = self.pictures.whole_pixels(self.photos[photo.sha256]) if decal.colours else None
            measured = measure_decal(panel, decal, content.points, content.corners, self._colour.decals, pixels)
            if isinstance(measured, NotMeasured):
                raise NotFitting(photo.photo, measured.reason, "place the points again")
            return content.model_copy(update={"measure": measured})
        return content

    def _keep(self, answer: Answer) -> Answer:
        self._newest[answer.sha256][answer.reader, answer.item] = answer
        self._put += 1
        return answer

    def _now(self, advert: str, answer: Answer) -> dict[str, Any]:
        """What the page needs to know after an answer."""
        photo = self.photos.get(answer.sha256)
        measure = answer.content.measure if isinstance(answer.content, DecalMark) else None
        return {
            "sha256": answer.sha256,
            "item": answer.item,
            **self._answered(answer.sha256, answer.item),
            "advert": None if photo is None else photo.advert,
            "photo": None if photo is None else photo.name,
            "note": None if measure is None else f"The decal is {wording.measured(measure)} off its place.",
            "sheets": [self._tally(advert, zone) for zone in self._items.get(advert, {})],
        }


def check_reader(name: str) -> str:
    """A reader's name as it is kept. Raises UsageError for none or one that is too long or no plain text."""
    plain = " ".join(name.split())
    if not plain or len(plain) > 60 or not plain.isprintable():
        raise UsageError("--reader", "it is empty, too long or no plain text", "give a name of at most 60 letters")
    return plain


def _is_answered(answer: Answer | None) -> bool:
    return answer is not None and isinstance(answer.content, Mark) and answer.content.verdict is not None


def _outline(sighting: Sighting) -> dict[str, Any]:
    return {"cue": sighting.cue, "name": wording.cue_name(sighting.cue), "place": sighting.place.model_dump()}


def _plain(photo: PhotoFindings) -> dict[str, Any]:
    shot = photo.likely_shot
    return {
        "name": photo.photo,
        "width": photo.width,
        "height": photo.height,
        "shot_words": f"{wording.shot_name(shot)} ({wording.percent(photo.shot[shot])})",
    }


def _words(sighting: Sighting) -> str:
    if sighting.score is None:
        return "marked by a reader"
    return f"{wording.probability_words(sighting.score)} ({wording.percent(sighting.score)})"
