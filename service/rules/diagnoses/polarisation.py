"""Polarisation: the hash reaches only some members, again and again, so that it is no luck.

Source
------
Two stages that hash the same fields the same way leave the second only what the first chose (RFC 2991 section 4
tells of such correlation). That the same position is hot in many teams is told once, of all of them: rules/fleet.
"""

from __future__ import annotations

from collections.abc import Sequence

from service.numerics import odds
from service.rules.diagnoses import signs as reading
from service.rules.diagnoses.deciding import BY_ADDRESS
from service.rules.diagnoses.signs import Signs
from service.rules.situation import Situation
from service.terms import CONVERSATION, Diagnosis, Evidence, Sure

NAME = "polarisation"
MANY_ITEMS = 8  # in effect, so that an empty member is not luck: below 1 in 100 for two members
EMPTY = 0.02


def diagnosis(situation: Situation, signs: Signs) -> Diagnosis | None:
    """A member that could carry and that many conversations never reach, where a hash deals conversations out."""
    weights = [item.bps for item in situation.items if item.kind == CONVERSATION and item.bps > 0]
    if signs.of < 0 or not _hashed(situation) or not weights or odds.effective(weights) < MANY_ITEMS:
        return None
    out = {member.port for member in situation.finding.members if member.why_not} | signs.unfit
    used = {port: reading.mean(signs.used[at]) for at, port in enumerate(situation.ports) if port not in out}
    empty = [port for port, mean in used.items() if mean < EMPTY]
    if not empty:
        return None
    count = odds.effective(weights)
    return _told(signs, (f"{count:.0f} conversations in effect, and {', '.join(empty)} below {100 * EMPTY:.0f} %",))


def _hashed(situation: Situation) -> bool:
    """Whether conversations may be dealt out one by one: methods that pin addresses keep many together."""
    team = situation.team
    if situation.finding.direction == "egress":
        return team.method not in {*BY_ADDRESS, "active-standby"}
    return team.bundle != "none"


def _told(signs: Signs, speaks_for: tuple[str, ...]) -> Diagnosis:
    missing = ("hash function and its inputs at each stage: whether it reaches all members",)
    text = "the hash reaches only some of the members, so another draw of the same hash will not help"
    return Diagnosis(NAME, Sure.PROBABLE, text, (signs.name,), Evidence(speaks_for, (), missing))


def reached(hashes: Sequence[int], earlier: Sequence[tuple[int, int]], members: int) -> tuple[int, ...]:
    """How many items a stage puts on each member, of those that the stages before it sent this way.

    Each stage takes the hash modulo its count of members; `earlier` are (members, chosen) of the stages before.

    Examples
    --------
    >>> reached(range(8), [(2, 0)], 2)
    (4, 0)
    """
    came = [value for value in hashes if all(value % count == chosen for count, chosen in earlier)]
    return tuple(sum(value % members == member for value in came) for member in range(members))
