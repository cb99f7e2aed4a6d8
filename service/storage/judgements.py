"""What people said of findings that were wrong, and why: kept as lines of history, taken back by a later line."""

from __future__ import annotations

from collections import Counter

from sqlalchemy import Connection, select

from service.storage import findings, tables

WRONG, RIGHT = "wrong", "right"
OTHER = "other"
# Each cause with what mends it, so that the same finding does not come again for the same reason.
MENDING = {
    "standby-not-declared": (
        "Declare the member as standby in an inventory file with `lopside inventory import FILE`."
    ),
    "speed-wrong": "Declare the port's speed in an inventory file with `lopside inventory import FILE`.",
    "members-wrong": "Declare the team's members in an inventory file with `lopside inventory import FILE`.",
    "expected-load": "Shelve it for as long as the load is expected, and say in the note what the load is.",
    "limits-too-tight": "Try other limits over kept history with `lopside replay`, then set those that fit.",
    "reading-wrong": "Look at the working of the figure on the team's page: it names the samples it was made of.",
    OTHER: "The note says what it was.",
}
CAUSES = tuple(MENDING)

_history = tables.finding_history


def counts(connection: Connection, from_ms: int, to_ms: int) -> dict[str, int]:
    """How many findings were marked wrong within [from_ms, to_ms), by cause, and not taken back within it.

    A finding marked several times counts once, with the cause given last. Causes are in their own order, those that
    nobody gave are left out.
    """
    query = (
        select(_history.c.finding_id, _history.c.what, _history.c.details)
        .where(_history.c.at_ms >= from_ms, _history.c.at_ms < to_ms, _history.c.what.in_((WRONG, RIGHT)))
        .order_by(_history.c.at_ms, _history.c.id)
    )
    last = {row[0]: _cause(row[1], row[2]) for row in connection.execute(query)}
    tally = Counter(last.values())
    return {cause: tally[cause] for cause in CAUSES if tally[cause]}


def cause_of(history: tuple[findings.Entry, ...]) -> str:
    """The cause for which a finding stands marked as wrong, empty where it does not."""
    said = [entry for entry in history if entry.what in {WRONG, RIGHT}]
    return said[-1].details.get("cause", OTHER) if said and said[-1].what == WRONG else ""


def _cause(what: str, details: str) -> str:
    return findings.details_of(details).get("cause", OTHER) if what == WRONG else ""
