"""What happened to a finding, each line with the facts that were noted with it: figures, a prediction, a cause."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple
from urllib.parse import urlencode

from sqlalchemy import Connection

from service.storage import judgements, predictions
from service.storage.findings import Entry, Kept
from service.terms import Prediction
from service.webhooks.fields import instant

WORDS = {
    "ack": "taken",
    "unverified": "could not be judged",
    "recurrent": "came again",
    "part-of": "taken together with others",
    "change": "changed",
    "verified": "compared",
    "wrong": "marked as wrong",
    "right": "right after all",
    "unshelved": "off the shelf",
    "escalated": "told to others",
    "quiet-ended": "told after a quiet time",
    "note": "noted",
}
CAUSES = {
    "standby-not-declared": "a standby was not declared",
    "speed-wrong": "a speed is wrong",
    "members-wrong": "the members are wrong",
    "expected-load": "the load was expected",
    "limits-too-tight": "the limits are too tight",
    "reading-wrong": "a reading is wrong",
    judgements.OTHER: "something else",
}


class Restated(NamedTuple):
    """A figure that late samples changed, None where unknown, and where the new one is worked out."""

    start_ms: int
    port: str
    old: float | None
    new: float | None
    working: str


class Happening(NamedTuple):
    """A line of history with its facts."""

    entry: Entry
    what: str
    prediction: Prediction | None = None
    restated: tuple[Restated, ...] = ()

    @property
    def cause(self) -> str:
        """Why it should not have been raised, in words; empty where that is not what the line says."""
        return CAUSES.get(self.entry.details.get("cause", ""), "")


class Judged(NamedTuple):
    """Why a finding stands marked as wrong, and what mends that."""

    cause: str
    mending: str


def happenings(connection: Connection, kept: Kept, history: Sequence[Entry]) -> list[Happening]:
    """All lines, the first first."""
    foretold = predictions.some(connection, {entry.details.get("prediction") or "" for entry in history} - {""})
    return [_happening(kept, entry, foretold) for entry in history]


def judged(history: Iterable[Entry]) -> Judged | None:
    """How a finding is judged; None where nobody holds it for wrong."""
    cause = judgements.cause_of(tuple(history))
    return Judged(CAUSES[cause], judgements.MENDING[cause]) if cause else None


def _happening(kept: Kept, entry: Entry, foretold: Mapping[str, Prediction]) -> Happening:
    told = entry.details
    restated = tuple(_restated(kept, one) for one in told.get("figures", ()))
    return Happening(entry, WORDS.get(entry.what, entry.what), foretold.get(told.get("prediction") or ""), restated)


def _restated(kept: Kept, one: Mapping[str, Any]) -> Restated:
    place = {"port": one["port"], "direction": kept.finding.direction, "start": instant(one["start_ms"])}
    working = f"/teams/{kept.team_id}/working?{urlencode(place)}"
    return Restated(one["start_ms"], one["port"], one["old"], one["new"], working)
