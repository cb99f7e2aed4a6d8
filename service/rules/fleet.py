"""One cause in many teams: the same position hot more often than luck would have it.

Teams are alike that share a far end, a method, a direction and a number of members. Of those that are
hot, each would have its hot member at any position with equal chance if only luck decided.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from scipy.stats import binom

from service.terms import (
    SEVERITY_ORDER,
    UNKNOWN,
    Diagnosis,
    Evidence,
    Finding,
    MemberFigure,
    Sure,
    finding_id,
)

FEWEST_TEAMS = 8
UNLIKELY = 0.01
FAMILY = "distribution"
SEVERAL = "several"


class Alike(NamedTuple):
    """What teams have in common that may be one cause."""

    far_device: str
    method: str
    direction: str
    members: int


class HotTeam(NamedTuple):
    """A team with an open finding of uneven load, and the position of its hottest member."""

    team_id: int
    position: int
    finding: Finding


@dataclass(frozen=True)
class Pattern:
    """Hot teams of which so many share a position that luck alone would do it with probability `p` or less."""

    alike: Alike
    position: int
    parts: tuple[HotTeam, ...]
    others: int
    p: float


def pattern(alike: Alike, hot: Sequence[HotTeam]) -> Pattern | None:
    """The pattern of hot teams that are alike, None where luck explains it.

    Two-sided for two positions, and for more with each of them counted as one that could have stood out:
    n * P(X >= k) for X ~ Binomial(teams, 1/n), at most 1.

    >>> from scipy.stats import binomtest
    >>> round(float(binomtest(8, 8).pvalue), 4)
    0.0078
    """
    if len(hot) < FEWEST_TEAMS:
        return None
    position, count = Counter(team.position for team in hot).most_common(1)[0]
    p = chance(count, len(hot), alike.members)
    if p >= UNLIKELY:
        return None
    parts = tuple(team for team in hot if team.position == position)
    return Pattern(alike, position, parts, len(hot) - count, p)


def chance(count: int, teams: int, positions: int) -> float:
    """The chance that by luck alone some position is hot in at least `count` of so many teams (an upper bound).

    Source
    ------
    The binomial test; with two positions this is its two-sided p value.
    """
    return min(1.0, positions * float(binom.sf(count - 1, teams, 1 / positions)))


def position_of(finding: Finding) -> int | None:
    """The position of a finding's hottest member, None where no member is known to be hot."""
    known = [member for member in finding.hot if member.utilisation is not None]
    if not known:
        return None
    hottest = max(known, key=lambda member: member.utilisation or 0.0)
    return next((at for at, member in enumerate(finding.members) if member.port == hottest.port), None)


def raised(found: Pattern, at_ms: int, owner: str, decided_by: str) -> Finding:
    """The finding that tells of a pattern for the first time."""
    findings = [part.finding for part in found.parts]
    alike, names = found.alike, {finding.team for finding in findings}
    team = names.pop() if len(names) == 1 else SEVERAL
    first = findings[0]
    blank = replace(
        first,
        # Teams of another method or size toward the same far end may begin at the same moment.
        id=finding_id(alike.far_device, f"{team} {alike.method} {alike.members}", alike.direction, FAMILY, at_ms),
        device=alike.far_device,
        team=team,
        kind="fleet-pattern",
        since_ms=min(finding.since_ms for finding in findings),
        raised_ms=at_ms,
        cleared_ms=None,
        owner=owner,
        decided_by=decided_by,
        usable_bps=UNKNOWN,
        stranded_bps=UNKNOWN,
        room_bps=UNKNOWN,
        recurrences=0,
        rule_note="",
        advice="",
        change="",
        part_of="",
    )
    return with_parts(blank, found, at_ms)


def with_parts(finding: Finding, found: Pattern, at_ms: int) -> Finding:
    """The finding about a fleet with what its teams show now."""
    parts = [part.finding for part in found.parts]
    members = tuple(_position(parts, at) for at in range(found.alike.members))
    worst = max(parts, key=lambda part: part.peak)
    told = diagnosis(found)
    return replace(
        finding,
        severity=max((part.severity for part in parts), key=SEVERITY_ORDER.index),
        members=members,
        hot=(members[found.position],),
        idle=tuple(member for at, member in enumerate(members) if at != found.position),
        teams=tuple(sorted({*finding.teams, *(f"{part.device}/{part.team}" for part in parts)})),
        peak=max(worst.peak, finding.peak),
        peak_port=members[found.position].port,
        peak_ms=worst.peak_ms if worst.peak >= finding.peak else finding.peak_ms,
        even_split=_mean(part.even_split for part in parts),
        imbalance=_mean(part.imbalance for part in parts),
        discard_ratio=_worst(part.discard_ratio for part in parts),
        windows_seen=max(part.windows_seen for part in parts),
        windows_evaluable=max(part.windows_evaluable for part in parts),
        windows_flagged=max(part.windows_flagged for part in parts),
        hot_until_ms=max(part.hot_until_ms or part.raised_ms for part in parts),
        diagnosis=told.text,
        confidence=str(told.sure),
        diagnoses=(told,),
        evidence=told.evidence,
        updated_ms=at_ms,
    )


def diagnosis(found: Pattern) -> Diagnosis:
    """What the pattern says, and what it rests on."""
    teams = len(found.parts) + found.others
    sign = (
        f"position {found.position + 1} is hot in {len(found.parts)} of {teams} teams toward {found.alike.far_device}"
        f" (by luck p = {found.p:.2g})"
    )
    text = f"{sign}: one cause, not many"
    evidence = Evidence(
        speaks_for=(sign,),
        against=(f"{found.others} of the hot teams have another position hot",) if found.others else (),
        missing=(
            "what the far end hashes",
            "records of conversations: one heavy peer of all these teams would look the same",
        ),
    )
    return Diagnosis("fleet-pattern", Sure.PROBABLE, text, (f"position {found.position + 1}",), evidence)


def over(finding: Finding, at_ms: int) -> Finding:
    """The finding once none of its teams is hot any more."""
    return replace(finding, cleared_ms=at_ms, updated_ms=at_ms, unverified=False)


def _position(parts: Sequence[Finding], at: int) -> MemberFigure:
    known = [part.members[at] for part in parts if at < len(part.members)]
    told = [member.utilisation for member in known if member.utilisation is not None]
    speed = min((member.speed_bps for member in known), default=0)
    return MemberFigure(f"position {at + 1}", sum(told) / len(told) if told else None, speed)


def _mean(values: Iterable[float]) -> float:
    told = list(values)
    return sum(told) / len(told)


def _worst(values: Iterable[float | None]) -> float | None:
    return max((value for value in values if value is not None), default=None)
