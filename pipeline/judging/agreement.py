"""How far two readers agree beyond chance: Cohen's kappa (Cohen 1960, Educ. Psychol. Meas. 20(1), 37-46)."""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

from pipeline.judging.answers import Answer, Mark, sighting_of


@dataclass(frozen=True, slots=True)
class Agreement:
    """Two readers on the sightings that both answered. `kappa` is None where chance alone makes them agree fully."""

    first: str
    second: str
    both: int
    same: int
    kappa: float | None


def cohen_kappa(first: Sequence[Hashable], second: Sequence[Hashable]) -> float | None:
    """(observed - expected) / (1 - expected) agreement of two lists of answers to the same items, in the same order.

    None where it is not defined: no item, or both gave one and the same answer throughout.
    """
    items = len(first)
    ours, theirs = Counter(first), Counter(second)
    expected = sum(ours[answer] * theirs[answer] for answer in ours)  # times items², so that whole numbers stay whole
    if expected == items**2:
        return None
    observed = sum(a == b for a, b in zip(first, second, strict=True))
    return (observed * items - expected) / (items**2 - expected)


def agreements(answers: Iterable[Answer]) -> tuple[Agreement, ...]:
    """Every two readers, on what the network saw: sign, innocent, can't tell, or a sign of another cue."""
    by_reader: dict[str, dict[tuple[str, str], str]] = {}
    for answer in answers:
        seen = sighting_of(answer.item)
        if seen is None or not isinstance(answer.content, Mark) or answer.content.verdict is None:
            continue
        mark = answer.content
        said = f"sign of {mark.cue}" if mark.verdict == "sign" and mark.cue != seen[0] else str(mark.verdict)
        by_reader.setdefault(answer.reader, {})[answer.sha256, answer.item] = said
    found = []
    for first, second in combinations(sorted(by_reader), 2):
        both = sorted(by_reader[first].keys() & by_reader[second].keys())
        if both:
            ours, theirs = ([by_reader[name][item] for item in both] for name in (first, second))
            same = sum(a == b for a, b in zip(ours, theirs, strict=True))
            found.append(Agreement(first, second, len(both), same, cohen_kappa(ours, theirs)))
    return tuple(found)
