"""Advice: what could be done about a finding, side by side, and an option as a sheet for change control."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, Query, Response
from fastapi.responses import PlainTextResponse
from pydantic import StringConstraints

from service.evaluation import advising
from service.rules.advice import written
from service.rules.advice.stated import streams_of
from service.storage import database
from service.web import advice_models as models
from service.web.access import VIEW, Caller, needs
from service.web.parameters import KNOWN_ONLY
from service.web.refusals import NOT_KNOWN
from service.web.services import Served

MOST_STATED = 50
TOLD: dict[int | str, dict[str, Any]] = {
    **NOT_KNOWN,
    200: {"content": {"text/plain": {"schema": {"type": "string"}}}},
    409: {**NOT_KNOWN[404], "description": "It is no finding of one team, or the option must not be carried out"},
}

router = APIRouter(prefix="/v1/advice", tags=["advice"], dependencies=[KNOWN_ONLY])
Viewer = Annotated[Caller, Depends(needs(VIEW))]
# As rules/advice/stated.py reads it, so that the description of the service says so too: 1 to 256.
Stated = Annotated[
    str, StringConstraints(pattern=r"^.+=([1-9][0-9]?|1[0-9][0-9]|2[0-4][0-9]|25[0-6])$", max_length=500)
]
Streams = Annotated[
    list[Stated] | None,
    Query(
        max_length=MOST_STATED,
        description="Into how many alike conversations an item can be split, as night-copy=8; may be repeated",
    ),
]
Form = Annotated[Literal["json", "text"], Query(description="text is one plain page to read")]


@router.get("/{finding_id}", summary="What could be done", response_model=models.Advice, responses=TOLD)
def advice(
    services: Served, _caller: Viewer, finding_id: str, streams: Streams = None, form: Form = "json"
) -> dict[str, Any] | Response:
    """All options for a finding: odds, prerequisites at both ends, risks, and which must not be carried out and why.

    It advises only: an authorised person decides, by local change control, and nothing here changes a device.
    """
    stated = streams_of(streams or ())
    with database.reading(services.engine) as connection:
        found = advising.found(connection, finding_id, services.policy, services.now_ms(), stated)
    if form == "text":
        return PlainTextResponse(written.of_advice(found.advice, found.heading))
    return asdict(found.advice)


@router.get("/{finding_id}/{option}", summary="A change sheet", response_model=models.ChangeSheet, responses=TOLD)
def sheet(
    services: Served,
    _caller: Viewer,
    finding_id: str,
    option: str,
    streams: Streams = None,
    form: Form = "json",
) -> dict[str, Any] | Response:
    """An option as a sheet for change control; refused for what must not be carried out as things stand."""
    stated = streams_of(streams or ())
    with database.reading(services.engine) as connection:
        found = advising.found(connection, finding_id, services.policy, services.now_ms(), stated)
    made = found.sheet(option)
    return PlainTextResponse(written.of_sheet(made)) if form == "text" else asdict(made)
