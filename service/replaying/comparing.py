"""Findings under two rulings side by side: which are the same, which differ in what, which only one of them has."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from service.terms import Finding

ONLY_PRESENT, ONLY_TRIED, CHANGED = "only-present", "only-tried", "changed"
FOREVER_MS = 2**62
Place = tuple[str, str, str, str]


@dataclass(frozen=True)
class Difference:
    """One finding that the rulings do not share, or not as it is; `fields` name what is otherwise."""

    what: str
    present: Finding | None
    tried: Finding | None
    fields: tuple[str, ...] = ()

    @property
    def one(self) -> Finding:
        """The finding, of the present rules where both have it."""
        found = self.present or self.tried
        assert found is not None  # a difference is about at least one of them
        return found


@dataclass(frozen=True)
class Comparison:
    """How many findings either ruling has and how many are the same, and where they differ, by time."""

    present: int
    tried: int
    same: int
    differences: tuple[Difference, ...]


def compared(present: Sequence[Finding], tried: Sequence[Finding]) -> Comparison:
    """Match the findings of a team, direction and family that were open at one time, and tell what differs."""
    theirs = _by_place(tried)
    found: list[Difference] = []
    same = 0
    for place, mine in _by_place(present).items():
        for one, other in _matched(mine, theirs.pop(place, [])):
            difference = _difference(one, other)
            same += difference is None
            found += [difference] if difference else []
    found += [Difference(ONLY_TRIED, None, other) for some in theirs.values() for other in some]
    found.sort(key=lambda difference: (difference.one.raised_ms, difference.one.id))
    return Comparison(len(present), len(tried), same, tuple(found))


def _by_place(findings: Iterable[Finding]) -> dict[Place, list[Finding]]:
    places: dict[Place, list[Finding]] = {}
    for finding in sorted(findings, key=lambda finding: finding.raised_ms):
        places.setdefault((finding.device, finding.team, finding.direction, finding.family), []).append(finding)
    return places


def _matched(present: Sequence[Finding], tried: Sequence[Finding]) -> Iterable[tuple[Finding | None, Finding | None]]:
    """Pairs of findings that were open at one time, each in the order of time; a half is None where there is none."""
    left = list(tried)
    for one in present:
        other = next((other for other in left if _overlap(one, other)), None)
        if other is not None:
            left.remove(other)
        yield one, other
    yield from ((None, other) for other in left)


def _overlap(one: Finding, other: Finding) -> bool:
    return one.since_ms < _end_ms(other) and other.since_ms < _end_ms(one)


def _end_ms(finding: Finding) -> int:
    return FOREVER_MS if finding.cleared_ms is None else finding.cleared_ms


def _difference(one: Finding | None, other: Finding | None) -> Difference | None:
    if one is None or other is None:
        return Difference(ONLY_TRIED if one is None else ONLY_PRESENT, one, other)
    told, against = _shown(one), _shown(other)
    fields = tuple(name for name in told if told[name] != against[name])
    return Difference(CHANGED, one, other, fields) if fields else None


def _shown(finding: Finding) -> dict[str, object]:
    """What two findings are compared by."""
    return {
        "kind": finding.kind,
        "severity": str(finding.severity),
        "since": finding.since_ms,
        "raised": finding.raised_ms,
        "cleared": finding.cleared_ms,
        "hot": tuple(member.port for member in finding.hot),
    }
