"""Messages that are owed, held, taken or given up; a given-up one can be owed again."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Depends
from sqlalchemy import Connection

from service.storage import audit, database, deliveries
from service.storage.deliveries import Delivery
from service.web import models
from service.web.access import OPERATE, Caller, needs
from service.web.models import DeliveryState
from service.web.parameters import KNOWN_ONLY, USUAL_A_PAGE, Cursor, Limit
from service.web.services import Served
from service.webhooks.fields import instant

router = APIRouter(prefix="/v1/deliveries", tags=["deliveries"], dependencies=[KNOWN_ONLY])
Operator = Annotated[Caller, Depends(needs(OPERATE))]


@router.get("", summary="List messages", response_model=models.Deliveries)
def listing(  # each parameter by its name
    services: Served,
    _caller: Operator,
    state: DeliveryState | None = None,
    finding_id: str | None = None,
    limit: Limit = USUAL_A_PAGE,
    cursor: Cursor = None,
) -> dict[str, Any]:
    """Messages, the newest first; what stands in them is for their receivers."""
    with database.reading(services.engine) as connection:
        page = deliveries.listing(connection, state=state, finding_id=finding_id, cursor=cursor, limit=limit)
    return {"items": [told(one) for one in page.items], "next": page.cursor}


@router.post("/{delivery_id}/resend", summary="Send a message again")
def resend(services: Served, caller: Operator, delivery_id: str) -> models.Resent:
    """Owe a message that was given up once more, under its own id, its attempts counted anew; 404 for any other."""
    now_ms = services.now_ms()

    def work(connection: Connection) -> None:
        deliveries.owe_again(connection, delivery_id, now_ms)
        audit.note(connection, now_ms, caller.name, "delivery.resend", delivery_id)

    database.retried(services.engine, work)
    return models.Resent(id=delivery_id, state="owed")


def told(one: Delivery) -> dict[str, Any]:
    """A message as it is listed."""
    return {
        "id": one.id,
        "finding_id": one.finding_id,
        "route": one.route,
        "what": one.what,
        "state": one.state,
        "attempts": one.attempts,
        "created_at": instant(one.created_ms),
        "settled_at": instant(one.settled_ms),
        "next_attempt_at": instant(one.next_attempt_ms) if one.state == deliveries.OWED else None,
        "last_outcome": one.last_outcome,
    }
