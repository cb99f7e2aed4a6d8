"""What is foretold before a change is made: kept for good, and scored once its verdict is known."""

from __future__ import annotations

from http import HTTPStatus
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query
from sqlalchemy import Connection

from service.evaluation import foretelling
from service.evaluation.foretelling import Drawn
from service.storage import database, predictions
from service.web import change_forms
from service.web import change_models as models
from service.web.access import OPERATE, VIEW, Caller, needs
from service.web.changes import prediction_told
from service.web.parameters import KNOWN_ONLY, MOST_ID, USUAL_A_PAGE, Cursor, Limit
from service.web.refusals import NOT_KNOWN
from service.web.services import Served

router = APIRouter(prefix="/v1/predictions", tags=["predictions"], dependencies=[KNOWN_ONLY])
Viewer = Annotated[Caller, Depends(needs(VIEW))]
Operator = Annotated[Caller, Depends(needs(OPERATE))]


@router.post(
    "",
    summary="Foretell what a change will do",
    status_code=HTTPStatus.CREATED,
    response_model=models.Prediction,
    responses=NOT_KNOWN,
)
def foretell(services: Served, caller: Operator, told: change_forms.NewPrediction) -> dict[str, Any]:
    """Keep the chance that no member exceeds the hot line after a change that is still to be made.

    Nothing of it can be edited or removed afterwards. Refused while a change of the same team and direction awaits
    its verdict, unless it is about a later one.
    """
    said = _said(told)

    def work(connection: Connection) -> dict[str, Any]:
        made = foretelling.foretell(connection, said, caller.name, services.policy, services.now_ms())
        return prediction_told(made, None)

    return database.retried(services.engine, work)


@router.get("", summary="List predictions", response_model=models.Predictions)
def listing(
    services: Served,
    _caller: Viewer,
    team_id: Annotated[int | None, Query(ge=1, le=MOST_ID)] = None,
    finding_id: Annotated[str | None, Query(min_length=1, max_length=32)] = None,
    limit: Limit = USUAL_A_PAGE,
    cursor: Cursor = None,
) -> dict[str, Any]:
    """What was foretold, the last first, of one team or finding or of all."""
    team_ids = None if team_id is None else [team_id]
    with database.reading(services.engine) as connection:
        page = predictions.listing(connection, team_ids, finding_id, cursor=cursor, limit=limit)
        taken = predictions.taken(connection, [one.id for one in page.items])
    return {"items": [prediction_told(one, taken.get(one.id)) for one in page.items], "next": page.cursor}


@router.get("/score", summary="How well predictions came true", response_model=models.Score)
def score(services: Served, _caller: Viewer) -> dict[str, Any]:
    """The Brier score of all predictions whose verdict is final, and by fifths of their chance where there are 20."""
    with database.reading(services.engine) as connection:
        told = foretelling.score_of(connection)
    fifths = [one._asdict() for one in told.fifths]
    return {"count": told.count, "brier": told.brier, "text": told.text, "by_fifth": fifths}


@router.get("/{prediction_id}", summary="One prediction", response_model=models.Prediction)
def one(services: Served, _caller: Viewer, prediction_id: str) -> dict[str, Any]:
    """What was foretold, with all that it can be drawn again from."""
    with database.reading(services.engine) as connection:
        found = predictions.one(connection, prediction_id)
        return prediction_told(found, predictions.taken(connection, [found.id]).get(found.id))


def _said(told: change_forms.NewPrediction) -> foretelling.Told:
    given = told.inputs
    drawn = (
        Drawn(tuple(given.items_bps), tuple(given.links_bps), tuple(given.background_bps), given.line)
        if given is not None
        else None
    )
    same = ("device", "team", "direction", "option", "success", "seed", "finding_id", "text", "later_change")
    return foretelling.Told(drawn=drawn, **{name: getattr(told, name) for name in same})
