"""POST /v1/samples: a batch in any form, kept before it is answered.

The body is read once as octets and goes past the models: with ten thousand samples they would
take longer than all the rest.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Annotated, Literal

import orjson
from fastapi import APIRouter, Depends, Query, Request, Response
from sqlalchemy import Connection

from service import ingest
from service.errors import BadSignature, NoKey, Overloaded
from service.feeds import body
from service.ingest import Taken
from service.storage import database, pushes
from service.terms import Reject
from service.web import models, sample_forms
from service.web.access import FEED, Caller, needs
from service.web.parameters import KNOWN_ONLY
from service.web.services import Served, Services
from service.webhooks import signature

FeedName = Literal["push", "linux"]
HowItCame = Annotated[
    FeedName,
    Query(description="How the batch came to be: `linux` from `lopside push`, which decides how long windows wait"),
]
SIGNED = ("webhook-id", "webhook-timestamp", "webhook-signature")
MOST_PUSH_ID = 128

router = APIRouter(prefix="/v1/samples", tags=["samples"], dependencies=[KNOWN_ONLY])


async def _octets(request: Request) -> bytes:
    return await request.body()


@router.post(
    "",
    summary="Push samples",
    response_model=models.Taken,
    openapi_extra={"requestBody": sample_forms.request_body()},
)
def take(
    request: Request,
    services: Served,
    caller: Annotated[Caller, Depends(needs(FEED))],
    octets: Annotated[bytes, Depends(_octets)],
    feed: HowItCame = "push",
) -> Response:
    """Take a batch of samples: answers what was accepted, what was known, and what was rejected and why.

    One bad sample does not refuse the batch. A port that is new is registered where the sample
    names its team. The answer is sent once everything accepted is safely kept; sending the same
    batch again changes nothing.
    """
    with room(services):
        push_id = _believed(request, services, caller, octets)
        try:
            taken = _kept(request, services, octets, feed)
        except BaseException:
            if push_id:
                database.retried(services.engine, lambda connection: pushes.withdraw(connection, push_id))
            raise
    for outcome, count in _counts(taken).items():
        services.tally.add("samples", outcome, count=count)
    return Response(_told(taken), media_type="application/json")


@contextmanager
def room(services: Services) -> Iterator[None]:
    """Room for one push; Overloaded where there is none, because a queue of whole bodies would fill the memory."""
    if not services.pushes.acquire(blocking=False):
        raise Overloaded("pushes", services.most_pushes)
    try:
        yield
    finally:
        services.pushes.release()


def _kept(request: Request, services: Services, octets: bytes, feed: FeedName) -> Taken:
    form, packing = request.headers.get("content-type", ""), request.headers.get("content-encoding", "")
    parsed = body.parse(octets, form, packing, services.limits)
    return ingest.keep(services.engine, parsed, feed=feed, now_ms=services.now_ms(), limits=services.limits)


def _believed(request: Request, services: Services, caller: Caller, octets: bytes) -> str:
    """What a signed push is remembered by, if its sender made it and it was not taken before; empty if unsigned."""
    if not (services.require_signed_pushes or any(header in request.headers for header in SIGNED)):
        return ""
    if caller.is_keyless:
        raise NoKey("a signed push is checked with its key; send that as well: Authorization: Bearer ...")
    now_ms = services.now_ms()
    push_id = signature.verify(request.headers, octets, caller.secret.encode(), now_ms)
    if len(push_id) > MOST_PUSH_ID:
        raise BadSignature(f"webhook-id has more than {MOST_PUSH_ID} letters; make it shorter")
    # A timestamp may lie ahead by as much as it may lie back: so long would the signature be believed.
    until_ms = now_ms + 2 * signature.TOLERANCE_S * 1000
    seen = _remembered_as(caller, push_id)
    if not database.retried(services.engine, lambda connection: _is_new(connection, seen, now_ms, until_ms)):
        raise BadSignature("a push with this webhook-id was taken already; give each its own")
    return seen


def _remembered_as(caller: Caller, push_id: str) -> str:
    """Feeds do not know each other's ids, so that two may well count theirs from 1."""
    return hashlib.sha256(f"{caller.name}\0{push_id}".encode()).hexdigest()


def _is_new(connection: Connection, push_id: str, now_ms: int, until_ms: int) -> bool:
    pushes.forget(connection, now_ms)
    return pushes.is_new(connection, push_id, until_ms)


def _counts(taken: Taken) -> dict[str, int]:
    return {"accepted": taken.accepted, "duplicate": taken.duplicates, "rejected": len(taken.rejected)}


def _told(taken: Taken) -> bytes:
    rejected = [_rejected(one) for one in taken.rejected]
    return orjson.dumps({"accepted": taken.accepted, "duplicates": taken.duplicates, "rejected": rejected})


def _rejected(one: Reject) -> dict[str, int | str | None]:
    return {"index": one.index, "column": one.column or None, "value": one.value or None, "reason": one.reason}
