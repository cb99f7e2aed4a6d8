"""Whether the process lives, and whether the service can do its work."""

from __future__ import annotations

from fastapi import APIRouter, Response
from sqlalchemy.exc import SQLAlchemyError

from service.errors import ServiceError
from service.evaluation.listening import Counts, counted, standings
from service.storage import database, deliveries
from service.storage.deliveries import Failing
from service.web import lag, models
from service.web.models import Check
from service.web.services import Served, Services
from service.webhooks.fields import instant

NOBODY = "no source has sent anything yet"

router = APIRouter(tags=["health"])


@router.get("/healthz", summary="Whether the process lives")
async def healthz() -> models.Life:
    """Answers as long as the process does; asks nobody else."""
    return models.Life(alive=True)


@router.get(
    "/readyz",
    summary="Whether the service can do its work",
    responses={503: {"model": models.Readiness, "description": "Not ready; says why"}},
)
def readyz(services: Served, response: Response) -> models.Readiness:
    """Ready is who has a current database and evaluates in time; what cannot be seen all the same is said too."""
    told = readiness(services)
    response.status_code = 200 if told.ready else 503
    return told


def readiness(services: Services) -> models.Readiness:
    """Every check with what it found."""
    checks = [_database(services)]
    blind: list[str] = []
    untold: list[str] = []
    if checks[0].holds:
        behind, blind = _evaluation(services)
        checks.append(behind)
        untold = _untold(services)
    ready = all(check.holds for check in checks)
    return models.Readiness(ready=ready, checks=checks, cannot_see=blind, cannot_tell=untold)


def _untold(services: Services) -> list[str]:
    """What receivers do not take; no reason to be asked nothing more, so that it is no check."""
    try:
        with database.reading(services.engine) as connection:
            failing = deliveries.failing(connection, services.now_ms())
    except SQLAlchemyError:
        return []
    return [failing_words(failing)] if failing else []


def failing_words(failing: Failing) -> str:
    """What is not delivered, without names."""
    parts = [f"{failing.waiting} messages wait"] if failing.waiting else []
    if failing.given_up:
        parts.append(f"{failing.given_up} were given up within a day")
    where = "a route" if failing.routes == 1 else f"{failing.routes} routes"
    return f"delivery on {where} has been failing since {instant(failing.since_ms)}: {', '.join(parts)}"


def _database(services: Services) -> Check:
    try:
        current = database.fits(services.engine)
    except (ServiceError, SQLAlchemyError):
        return Check(name="database", holds=False, text="the database cannot be reached")
    words = (
        "is there, with tables for this release"
        if current
        else "has tables that this release cannot work on; migrate it"
    )
    return Check(name="database", holds=current, text=f"the database {words}")


def _evaluation(services: Services) -> tuple[Check, list[str]]:
    now_ms, policy = services.now_ms(), services.policy
    try:
        with database.reading(services.engine) as connection:
            late = lag.of(connection, policy, now_ms)
            known = standings(connection, policy.waits_ms, now_ms)
    except SQLAlchemyError:
        return Check(name="evaluation", holds=False, text="the database went away"), []
    holds = late.worst_ms <= services.behind_after_ms
    words = "in time" if holds else f"behind by {late.worst_ms // 1000} s for {late.teams_behind} teams"
    blind = _blind(counted([stands for _, stands in known]))
    return Check(name="evaluation", holds=holds, text=f"evaluation is {words}"), blind


def _blind(sources: Counts) -> list[str]:
    """What cannot be seen, without names: whoever asks this need not have a key."""
    told = []
    if sources.blind:
        told.append(
            f"{sources.blind} of {sources.watched} sources are silent: nothing is known of their teams meanwhile;"
            f" findings are possible for {sources.heard} of {sources.watched}"
        )
    if sources.never:
        told.append(f"{sources.never} of the silent sources were never heard")
    if not sources.watched:
        told.append("no source is to be heard: what came was from files" if sources.ended else NOBODY)
    return told
