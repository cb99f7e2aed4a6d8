"""What operators make of findings: taken, closed, shelved until a time, noted, marked as wrong; the pages do the same.

The operator states are those of RFC 8632 ("none", "ack", "closed", "shelved"). Measuring goes on whatever is made of a
finding.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sqlalchemy import Connection

from service.errors import WrongQuestion, WrongState
from service.storage import audit, findings, judgements
from service.storage.findings import SHELVED
from service.web.access import Caller
from service.webhooks.fields import instant

DAY_MS = 86_400_000
MOST_DAYS = 14
MOST_NOTE, MOST_WHO = 2000, 255
ACK, CLOSED = "ack", "closed"
UNSHELVED = "unshelved"
# From which operator states each may be reached; repeating it is no harm.
REACHED_FROM = {
    ACK: ("none", ACK),
    CLOSED: ("none", ACK, SHELVED, CLOSED),
    SHELVED: ("none", ACK, SHELVED),
    "none": (SHELVED,),
}


@dataclass(frozen=True)
class Act:
    """Who does something to which finding, when, and what they say with it."""

    finding_id: str
    who: str
    now_ms: int
    note: str = ""


def named(caller: Caller, told: str | None) -> str:
    """A key has a name and nobody takes another; whoever asks without one may give theirs."""
    if told and len(told) > MOST_WHO:
        raise WrongQuestion("who", f"has at most {MOST_WHO} characters")
    return (told if caller.is_keyless else None) or caller.name


def take(connection: Connection, act: Act) -> None:
    """Say that somebody is at it."""
    _put(connection, act, ACK)


def close(connection: Connection, act: Act) -> None:
    """Say that nothing more is to be done."""
    _put(connection, act, CLOSED)


def note(connection: Connection, act: Act) -> None:
    """Add words to its history."""
    findings.one(connection, act.finding_id)
    _write(connection, _with_words(act, "a note has to say something"), "note")


def shelve(connection: Connection, act: Act, until_ms: int) -> None:
    """Lay it aside until a time, for a reason: forever, or without one, it would be forgotten."""
    _with_words(act, "say why it is shelved, for whoever finds it there")
    if until_ms <= act.now_ms:
        raise WrongState("this end is past; a shelf ends in the future")
    if until_ms > act.now_ms + MOST_DAYS * DAY_MS:
        raise WrongState(f"this end is too far off; a shelf ends within {MOST_DAYS} days")
    before = _reach(connection, act, SHELVED)
    findings.set_operator(connection, act.finding_id, SHELVED, act.who, until_ms)
    _write(connection, act, SHELVED, {"from": before, "to": SHELVED, "until": instant(until_ms) or ""})


def unshelve(connection: Connection, act: Act) -> None:
    """Take it off the shelf before its time."""
    before = _reach(connection, act, "none")
    findings.set_operator(connection, act.finding_id, "none", act.who)
    _write(connection, act, UNSHELVED, {"from": before, "to": "none"})


def mark_wrong(connection: Connection, act: Act, cause: str) -> None:
    """Say that it should not have been raised, and why; the finding itself stays as it is."""
    findings.one(connection, act.finding_id)
    if cause not in judgements.CAUSES:
        raise WrongQuestion("cause", f"is one of {', '.join(judgements.CAUSES)}")
    if cause == judgements.OTHER:
        _with_words(act, "say what the other cause is")
    _write(connection, act, judgements.WRONG, {"cause": cause})


def mark_right(connection: Connection, act: Act) -> None:
    """Take back that it was wrong."""
    findings.one(connection, act.finding_id)
    if not judgements.cause_of(findings.history(connection, act.finding_id)):
        raise WrongState("this finding is not marked as wrong, so there is nothing to take back")
    _write(connection, act, judgements.RIGHT)


def _put(connection: Connection, act: Act, state: str) -> None:
    """Put a finding into an operator state, unless it is there."""
    before = _reach(connection, act, state)
    if before != state:
        findings.set_operator(connection, act.finding_id, state, act.who)
    if before != state or act.note:
        _write(connection, act, state, {"from": before, "to": state})


def _reach(connection: Connection, act: Act, state: str) -> str:
    """The operator state in which a finding is, from which another may be reached."""
    before = findings.one(connection, act.finding_id).operator_state
    if before not in REACHED_FROM[state]:
        raise WrongState(f"this finding is {before}; only {' or '.join(REACHED_FROM[state])} becomes {state}")
    return before


def _with_words(act: Act, why: str) -> Act:
    if not act.note.strip():
        raise WrongState(f"the note is empty; {why}")
    return act


def _write(connection: Connection, act: Act, what: str, details: Mapping[str, str] | None = None) -> None:
    """One line of history and one of the audit."""
    if len(act.note) > MOST_NOTE:
        raise WrongQuestion("note", f"has at most {MOST_NOTE} characters")
    findings.note(connection, act.finding_id, act.now_ms, what, act.who, act.note, details)
    told = {**(details or {}), "note": act.note}
    audit.note(connection, act.now_ms, act.who, f"finding.{what}", act.finding_id, told)
