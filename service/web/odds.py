"""Odds: how likely a draw is to help, asked without a finding; nothing is kept of what is asked."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query

from service.web import odds_models
from service.web.access import VIEW, Caller, needs
from service.web.parameters import KNOWN_ONLY

MOST_EQUAL, MOST_EQUAL_LINKS = 100, 16

router = APIRouter(prefix="/v1/odds", tags=["odds"], dependencies=[KNOWN_ONLY])
Viewer = Annotated[Caller, Depends(needs(VIEW))]


@router.get("/equal", summary="Odds of equal items", response_model=odds_models.EqualOdds)
def equal(
    _caller: Viewer,
    items: Annotated[int, Query(ge=1, le=MOST_EQUAL, description="How many equal items")],
    links: Annotated[int, Query(ge=1, le=MOST_EQUAL_LINKS, description="How many members")] = 2,
) -> dict[str, Any]:
    """Exact odds of equal items that each land on one of the members, whichever, independently."""
    from service.numerics.odds_equal import equal_items

    return asdict(equal_items(items, links))


@router.post("", summary="Odds of given items", response_model=odds_models.Odds)
def asked(_caller: Viewer, question: odds_models.OddsQuestion) -> dict[str, Any]:
    """The chance that no member is above the line after one draw, and the best that whole items can reach."""
    from service.numerics.odds_asked import answer

    return asdict(answer(odds_models.question_of(question)))
