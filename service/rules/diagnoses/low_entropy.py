"""Low entropy: what is hashed hardly varies, so that nearly all lands on one member.

Source
------
A hash of one value has one result. Everything from other subnets carries the router's hardware address
(RFC 1812 section 3.3.2); fragments and tunnels have no ports (RFC 6438 section 1).
"""

from __future__ import annotations

from collections.abc import Callable

from service.rules.diagnoses import signs as reading
from service.rules.diagnoses.signs import Signs
from service.rules.situation import Situation
from service.terms import CONVERSATION, NO_ENDPOINTS, Diagnosis, Endpoints, Evidence, Item, Sure

NAME = "low-entropy"
SHARE = 0.95
LASTING_MS = 2 * 3_600_000
SEVERAL = 4  # conversations; fewer alike are no wonder
MANY = 20


def diagnosis(situation: Situation, signs: Signs) -> Diagnosis | None:
    """One member with nearly all of the team: shown where the conversations share what is hashed."""
    share = _share(signs)
    if signs.of < 0 or not share >= SHARE:
        return None
    here = list(reading.items_on(situation, signs.name, (CONVERSATION,)))
    speaks_for = f"{signs.name} carries {100 * share:.0f} % of the team"
    alike = _alike(here)
    if alike:
        text = f"what is hashed hardly varies: {alike}"
        return Diagnosis(NAME, Sure.SHOWN, text, (signs.name,), Evidence((speaks_for, alike)))
    lasted = (situation.finding.hot_until_ms or situation.finding.raised_ms) - situation.finding.since_ms
    many = sum(max(1, item.parts) for item in here) >= MANY
    if not many or lasted < LASTING_MS:
        return None
    missing = ("addresses and ports of the conversations: what the hash sees of them",)
    told = (speaks_for, f"{len(here)} or more conversations, for 2 h or more")
    text = "what is hashed hardly varies: many conversations, one member"
    return Diagnosis(NAME, Sure.PROBABLE, text, (signs.name,), Evidence(told, (), missing))


def _share(signs: Signs) -> float:
    rates = [reading.mean(row[signs.since_onset()]) for row in signs.bps]
    known = [rate for rate in rates if rate >= 0]
    return max(known) / sum(known) if len(known) > 1 and sum(known) > 0 else 0.0


def _alike(items: list[Item]) -> str:
    """What all the conversations have in common of what a hash may take; empty where they differ."""
    known = [item for item in items if item.name and item.endpoints != NO_ENDPOINTS]
    if len(known) < SEVERAL:
        return ""
    return next((told for told, of in _IN_COMMON if _one_value(known, of)), "")


_IN_COMMON: tuple[tuple[str, Callable[[Endpoints], object]], ...] = (
    ("all conversations are between the same two addresses", lambda e: (e.source, e.destination)),
    ("all conversations come from one hardware address, as behind a gateway", lambda e: e.source_mac),
    (
        "no conversation has ports, as in tunnels or fragments",
        lambda e: "none" if not e.source_port and e.source else "",
    ),
)


def _one_value(items: list[Item], of: Callable[[Endpoints], object]) -> bool:
    values = {of(item.endpoints) for item in items}
    return len(values) == 1 and not values & {"", ("", "")}
