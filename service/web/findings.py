"""Findings: the list, one with its history, and what operators make of it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any

from fastapi import APIRouter, Body, Depends, Query
from sqlalchemy import Connection

from service.storage import database, deliveries, findings
from service.storage.findings import Entry, Filters, Kept
from service.terms import Severity
from service.web import acts, models
from service.web.access import OPERATE, VIEW, Caller, needs
from service.web.deliveries import told as message
from service.web.models import Direction, KindWord, OperatorState, State
from service.web.parameters import KNOWN_ONLY, USUAL_A_PAGE, Cursor, Instant, Limit, milliseconds
from service.web.services import Served, Services
from service.webhooks.fields import fields_of, instant
from service.webhooks.wording import text_of

MOST_DELIVERIES = 500

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
    return _done(services, caller, finding_id, remark, acts.take)


@router.post("/{finding_id}/close", summary="Close a finding", response_model=models.WholeFinding)
def close(services: Served, caller: Operator, finding_id: str, remark: Remarked = None) -> dict[str, Any]:
    """Say that nothing more is to be done; measuring and clearing go on. Again is no harm."""
    return _done(services, caller, finding_id, remark, acts.close)


@router.post("/{finding_id}/note", summary="Note something on a finding", response_model=models.WholeFinding)
def note(services: Served, caller: Operator, finding_id: str, remark: models.Note) -> dict[str, Any]:
    """Add a line to its history."""
    return _done(services, caller, finding_id, remark, acts.note)


@router.post("/{finding_id}/shelve", summary="Shelve a finding", response_model=models.WholeFinding)
def shelve(services: Served, caller: Operator, finding_id: str, shelf: models.Shelf) -> dict[str, Any]:
    """Lay it aside until a time, at most 14 days ahead, for a reason; again moves the end.

    Meanwhile no messages go out of it, except that it rose to major or critical, and that it is over. When the
    time has come and it is still open, a message `unshelved` goes out.
    """
    until_ms = milliseconds("until", shelf.until) or 0
    return _done(services, caller, finding_id, shelf, acts.shelve, until_ms)


@router.post("/{finding_id}/unshelve", summary="Take a finding off the shelf", response_model=models.WholeFinding)
def unshelve(services: Served, caller: Operator, finding_id: str, remark: Remarked = None) -> dict[str, Any]:
    """Take it off the shelf before its time; no message goes out of this itself."""
    return _done(services, caller, finding_id, remark, acts.unshelve)


@router.post("/{finding_id}/wrong", summary="Mark a finding as wrong", response_model=models.WholeFinding)
def wrong(services: Served, caller: Operator, finding_id: str, told: models.Wrong) -> dict[str, Any]:
    """Say why it should not have been raised, so that causes are counted; the finding itself stays as it is."""
    return _done(services, caller, finding_id, told, acts.mark_wrong, told.cause)


@router.post("/{finding_id}/right", summary="Take back that a finding was wrong", response_model=models.WholeFinding)
def right(services: Served, caller: Operator, finding_id: str, remark: Remarked = None) -> dict[str, Any]:
    """Say that it was right after all; refused where it is not marked as wrong."""
    return _done(services, caller, finding_id, remark, acts.mark_right)


def _done(
    services: Services,
    caller: Caller,
    finding_id: str,
    remark: models.Remark | None,
    does: Callable[..., None],
    *more: Any,
) -> dict[str, Any]:
    """Do it, and answer with what the finding has become."""
    who, note = acts.named(caller, remark.who if remark else None), remark.note if remark else ""
    act = acts.Act(finding_id, who, services.now_ms(), note)

    def work(connection: Connection) -> dict[str, Any]:
        does(connection, act, *more)
        return _whole(connection, finding_id)

    # Committed here, inside the function: what follows is the answer.
    return database.retried(services.engine, work)


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
        "shelved_until_at": instant(kept.shelved_until_ms),
        "text": text_of(kept.finding, "cleared" if cleared else "raised"),
    }


def _happening(entry: Entry) -> dict[str, Any]:
    return {**entry._asdict(), "at": instant(entry.at_ms)}
