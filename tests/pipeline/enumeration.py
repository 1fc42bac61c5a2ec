"""Everything that may be the case, added up by plain loops over the YAML's numbers: the reference for weighing.

Nothing here calls the code under test; it loops over history, region, care, every innocent cause on or off, what the
factory made of the row that the photos show, and each cue there or absent.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import product
from math import prod
from typing import Any, NamedTuple

from pipeline.build_sheets import BuildSheet
from pipeline.coverage import zone_entries
from pipeline.histories import WeighingSettings
from pipeline.records import HISTORIES, Side


class Observation(NamedTuple):
    """One thing observed of a cue at a place, and how probable it is where the cue is there and where it is absent."""

    cue: str
    zone: str
    side: Side | None
    if_there: float
    if_absent: float


def joint(
    observations: Sequence[Observation],
    sheet: BuildSheet,
    settings: WeighingSettings,
    prior: Mapping[str, float] | None = None,
) -> dict[str, float]:
    """P(history and all observations), by history."""
    content = settings.model_dump()
    assert sheet.doubt is not None
    cues = sorted({seen.cue for seen in observations})
    causes = [(cue, c) for cue in cues for c in content["cues"][cue]["innocent"]]
    doubt = {"chance": sheet.doubt, "share": 0.9, "zones": None}
    causes += [(cue, doubt) for cue in cues if cue in ("painted_fastener", "filled_seam", "changed_joint")]
    rows = sorted({(o.cue, o.zone) for o in observations if 0 < _by_factory(sheet, o.cue, o.zone) < 1})
    same = content["same_row"]
    chances = dict.fromkeys(HISTORIES, 0.0)
    for history in HISTORIES:
        job = content["jobs"].get(history, {"regions": {None: 1.0}, "care": {None: 1.0}})
        for (region, where), (care, how) in product(job["regions"].items(), job["care"].items()):
            for held, kinds in product(product((0, 1), repeat=len(causes)), product(range(3), repeat=len(rows))):
                chance = (prior or content["prior"])[history] * where * how
                made = {}  # of each row: P(the factory made it so), given which row the photos show
                for row, kind in zip(rows, kinds, strict=True):
                    share = _by_factory(sheet, *row)
                    chance *= (same * share, same * (1 - share), 1 - same)[kind]
                    made[row] = (1.0, 0.0, share)[kind]
                chance *= prod(c["chance"] if on else 1 - c["chance"] for (_, c), on in zip(causes, held, strict=True))
                on_now = [pair for pair, on in zip(causes, held, strict=True) if on]
                for seen in observations:
                    there = _there(content, sheet, seen, history, region, care, on_now, made)
                    chance *= there * seen.if_there + (1 - there) * seen.if_absent
                chances[history] += chance
    return chances


def posterior(
    observations: Sequence[Observation],
    sheet: BuildSheet,
    settings: WeighingSettings,
    prior: Mapping[str, float] | None = None,
) -> dict[str, float]:
    """P(history | all observations)."""
    chances = joint(observations, sheet, settings, prior)
    return {history: chance / sum(chances.values()) for history, chance in chances.items()}


def _there(
    content: dict[str, Any],
    sheet: BuildSheet,
    seen: Observation,
    history: str,
    region: str | None,
    care: str | None,
    causes: Sequence[tuple[str, dict[str, Any]]],
    made: Mapping[tuple[str, str], float],
) -> float:
    """P(the cue is there) at a place whose side may be unknown."""
    model, zone = content["cues"][seen.cue], seen.zone
    factory = _by_factory(sheet, seen.cue, zone)
    if factory == 1:  # there but for a job that changed the joint
        model = content["cues"]["changed_joint"]
    sides = [seen.side] if seen.side or not zone_entries()[zone].sided else ["left", "right"]
    total = 0.0
    for side in sides:
        job = 0.0
        if region is not None:
            place = content["regions"][region]
            spared = model["needs_paint"] and zone in place["spares"]
            reached = place["zones"] == "all" or zone in place["zones"]
            if reached and not spared and (side is None or side in place["sides"]):
                effort = sheet.effort_min(zone) or zone_entries()[zone].effort_min
                left_on = effort / (effort + content["care"][care]["half_effort_min"])
                slips = content["care"][care]["slips"]
                escapes = {"removal": left_on, "workmanship": slips, "nothing": 1}[model["escapes_by"]]
                job = model["job"][history] * escapes
        absent = (1 - job) * (1 - model["untouched"]) * (1 - made.get((seen.cue, zone), 0.0))
        for cue, cause in causes:
            if cue == seen.cue and (cause["zones"] is None or zone in cause["zones"]):
                absent *= 1 - cause["share"]
        total += (1 - job if factory == 1 else 1 - absent) / len(sides)
    return total


def _by_factory(sheet: BuildSheet, cue: str, zone: str) -> float:
    """Share of the fasteners or seams of the zone that the factory itself painted or sealed."""
    joints = sheet.joints_in(zone)
    if cue == "painted_fastener":
        rows = [row.fastening for row in joints if row.fastening and row.fastening != "spot_weld"]
        return rows.count("rivet_painted") / len(rows) if rows else 0.0
    if cue == "filled_seam":
        seams = [row.seam for row in joints if row.seam]
        return seams.count("sealed") / len(seams) if seams else 0.0
    return 0.0
