"""Polarisation: the hash reaches only some members, again and again, so that it is no luck.

Source
------
Two stages that hash the same fields the same way leave the second only what the first chose (RFC 2991 section 4
tells of such correlation). The binomial test holds luck against it: 8 of 8 on one of two has p = 0.0078.
"""

from __future__ import annotations

from collections.abc import Sequence

from service.numerics import odds
from service.rules import fleet
from service.rules.diagnoses import signs as reading
from service.rules.diagnoses.signs import Signs
from service.rules.situation import Situation
from service.terms import CONVERSATION, Diagnosis, Evidence, Sure

NAME = "polarisation"
MANY_ITEMS = 8  # in effect, so that an empty member is not luck: below 1 in 100 for two members
EMPTY = 0.02


def diagnosis(situation: Situation, signs: Signs) -> Diagnosis | None:
    """The same position hot in many teams alike, or a member that many conversations never reach."""
    if signs.of < 0:
        return None
    return _by_teams(situation, signs) or _by_items(situation, signs)


def _by_teams(situation: Situation, signs: Signs) -> Diagnosis | None:
    alike = [one for one in situation.neighbours if one.members == len(situation.ports)]
    same = 1 + sum(one.position == signs.of for one in alike)
    if 1 + len(alike) < fleet.FEWEST_TEAMS:
        return None
    p = fleet.chance(same, 1 + len(alike), len(situation.ports))
    if p >= fleet.UNLIKELY:
        return None
    told = f"the same position is hot in {same} of {1 + len(alike)} teams alike, by luck {p:.1g}"
    return _told(signs, (told,))


def _by_items(situation: Situation, signs: Signs) -> Diagnosis | None:
    """Many conversations, and a member that none of them is on."""
    weights = [item.bps for item in situation.items if item.kind == CONVERSATION and item.bps > 0]
    if not weights or odds.effective(weights) < MANY_ITEMS:
        return None
    empty = [port for at, port in enumerate(situation.ports) if reading.mean(signs.used[at]) < EMPTY]
    if not empty:
        return None
    count = odds.effective(weights)
    return _told(signs, (f"{count:.0f} conversations in effect, and {', '.join(empty)} below {100 * EMPTY:.0f} %",))


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
