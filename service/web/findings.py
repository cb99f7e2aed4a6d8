"""Findings: the list, one with its history, and what operators make of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Annotated, Any

from fastapi import APIRouter, Body, Depends, Query
from sqlalchemy import Connection

from service.errors import WrongState
from service.storage import audit, database, deliveries, findings
from service.storage.findings import Entry, Filters, Kept
from service.terms import Severity
from service.web import models
from service.web.access import OPERATE, VIEW, Caller, needs
from service.web.deliveries import told as message
from service.web.models import Direction, KindWord, OperatorState, State
from service.web.parameters import KNOWN_ONLY, USUAL_A_PAGE, Cursor, Instant, Limit, milliseconds
from service.web.services import Served, Services
from service.webhooks.fields import fields_of, instant
from service.webhooks.wording import text_of

MOST_DELIVERIES = 500
ACK, CLOSED = "ack", "closed"
# From which operator states each may be reached; repeating it is no harm.
REACHED_FROM = {ACK: ("none", ACK), CLOSED: ("none", ACK, "shelved", CLOSED)}

router = APIRouter(prefix="/v1/findings", tags=["findings"], dependencies=[KNOWN_ONLY])
Viewer = Annotated[Caller, Depends(needs(VIEW))]
Operator = Annotated[Caller, Depends(needs(OPERATE))]
Remarked = Annotated[models.Remark | None, Body()]


def wanted_of(  # noqa: PLR0913, PLR0917  # each filter by its name
    device: str | None = None,
    team: str | None = None,
    team_id: Annotated[int | None, Query(ge=1, le=2**31 - 1)] = None,
    direction: Direction | None = None,
    kind: Annotated[list[KindWord] | None, Query()] = None,
    severity: Annotated[list[Severity] | None, Query()] = None,
    state: State | None = None,
    operator_state: OperatorState | None = None,
    since: Instant = None,
    until: Instant = None,
) -> Filters:
    """The filters that a query names."""
    return Filters(
        device=device,
        team=team,
        team_id=team_id,
        direction=direction,
        kinds=kind,
        severities=severity,
        state=state,
        operator_state=operator_state,
        since_ms=milliseconds("since", since),
        until_ms=milliseconds("until", until),
    )


@router.get("", summary="List findings", response_model=models.Findings)
def listing(
    services: Served,
    _caller: Viewer,
    wanted: Annotated[Filters, Depends(wanted_of)],
    limit: Limit = USUAL_A_PAGE,
    cursor: Cursor = None,
) -> dict[str, Any]:
    """Findings, the last raised first; `since` and `until` bound when they were raised, half-open.

    Follow `next` for more: what is raised meanwhile shifts nothing.
    """
    with database.reading(services.engine) as connection:
        page = findings.listing(connection, wanted, cursor, limit)
    return {"items": [told(kept) for kept in page.items], "next": page.cursor}


@router.get("/{finding_id}", summary="One finding", response_model=models.WholeFinding)
def one(services: Served, _caller: Viewer, finding_id: str) -> dict[str, Any]:
    """One finding with its evidence, its history and the messages it owed."""
    with database.reading(services.engine) as connection:
        return _whole(connection, finding_id)


@router.post("/{finding_id}/ack", summary="Acknowledge a finding", response_model=models.WholeFinding)
def ack(services: Served, caller: Operator, finding_id: str, remark: Remarked = None) -> dict[str, Any]:
    """Say that somebody is at it; refused where it was closed. Again is no harm."""
    return _done(services, lambda connection: _put(connection, services, caller, finding_id, (ACK, remark)))


@router.post("/{finding_id}/close", summary="Close a finding", response_model=models.WholeFinding)
def close(services: Served, caller: Operator, finding_id: str, remark: Remarked = None) -> dict[str, Any]:
    """Say that nothing more is to be done; measuring and clearing go on. Again is no harm."""
    return _done(services, lambda connection: _put(connection, services, caller, finding_id, (CLOSED, remark)))


@router.post("/{finding_id}/note", summary="Note something on a finding", response_model=models.WholeFinding)
def note(services: Served, caller: Operator, finding_id: str, remark: models.Note) -> dict[str, Any]:
    """Add a line to its history."""

    def work(connection: Connection) -> dict[str, Any]:
        findings.one(connection, finding_id)
        _write(connection, services.now_ms(), _who(caller, remark), finding_id, ("note", remark.note))
        return _whole(connection, finding_id)

    return _done(services, work)


def _done(services: Services, work: Callable[[Connection], dict[str, Any]]) -> dict[str, Any]:
    # Committed here, inside the function: what follows is the answer.
    return database.retried(services.engine, work)


def _put(
    connection: Connection, services: Services, caller: Caller, finding_id: str, said: tuple[str, models.Remark | None]
) -> dict[str, Any]:
    """Put a finding into an operator state, unless it is there."""
    state, remark = said
    words = remark.note if remark else ""
    kept = findings.one(connection, finding_id)
    if kept.operator_state not in REACHED_FROM[state]:
        raise WrongState(
            f"this finding is {kept.operator_state}; only {' or '.join(REACHED_FROM[state])} becomes {state}"
        )
    if kept.operator_state != state:
        findings.set_operator(connection, finding_id, state, _who(caller, remark))
    if kept.operator_state != state or words:
        change = {"from": kept.operator_state, "to": state}
        _write(connection, services.now_ms(), _who(caller, remark), finding_id, (state, words), change)
    return _whole(connection, finding_id)


def _write(  # noqa: PLR0913, PLR0917  # one line of history and one of the audit, value by value
    connection: Connection,
    now_ms: int,
    who: str,
    finding_id: str,
    said: tuple[str, str],
    change: Mapping[str, str] | None = None,
) -> None:
    what, words = said
    findings.note(connection, finding_id, now_ms, what, who, words)
    audit.note(connection, now_ms, who, f"finding.{what}", finding_id, {**(change or {}), "note": words})


def _who(caller: Caller, remark: models.Remark | None) -> str:
    """A key has a name and nobody takes another; whoever asks without one may give theirs."""
    return (remark.who if caller.is_keyless and remark else None) or caller.name


def _whole(connection: Connection, finding_id: str) -> dict[str, Any]:
    kept = findings.one(connection, finding_id)
    owed = deliveries.listing(connection, finding_id=finding_id, limit=MOST_DELIVERIES)
    history = [_happening(entry) for entry in findings.history(connection, finding_id)]
    return {**told(kept), "history": history, "deliveries": [message(one) for one in owed.items]}


def told(kept: Kept) -> dict[str, Any]:
    """A finding as it is told."""
    cleared = kept.finding.cleared_ms is not None
    return {
        **fields_of(kept.finding),
        "team_id": kept.team_id,
        "state": "cleared" if cleared else "open",
        "operator_state": kept.operator_state,
        "operator": kept.operator,
        "text": text_of(kept.finding, "cleared" if cleared else "raised"),
    }


def _happening(entry: Entry) -> dict[str, Any]:
    return {**entry._asdict(), "at": instant(entry.at_ms)}
