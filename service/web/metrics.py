"""GET /metrics: figures about the service itself, none about any port or team."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated

from fastapi import APIRouter, Depends, Response

from service.evaluation import listening
from service.evaluation.listening import Standing, State
from service.storage import database, deliveries
from service.storage import tally as counted
from service.storage.listening import Pulse
from service.web import lag, openmetrics
from service.web.access import VIEW, Caller, needs
from service.web.openmetrics import Family, Labels
from service.web.services import Served, Services, Tally

OUTCOMES = ("accepted", "duplicate", "rejected")
REQUEST = ("method", "route", "status")

router = APIRouter(tags=["health"])


@router.get(
    "/metrics",
    summary="Figures about the service",
    response_class=Response,
    responses={
        200: {"content": {openmetrics.MEDIA_TYPE: {"schema": {"type": "string"}}}, "description": "OpenMetrics"}
    },
)
def metrics(services: Served, _caller: Annotated[Caller, Depends(needs(VIEW))]) -> Response:
    """Counts of this process since it began, and how things stand in the database."""
    families = [*_kept(services), *_seen(services.tally)]
    return Response(openmetrics.written(families), media_type=openmetrics.MEDIA_TYPE)


def _kept(services: Services) -> list[Family]:
    now_ms = services.now_ms()
    with database.reading(services.engine) as connection:
        found, messages = counted.open_findings(connection), counted.deliveries(connection)
        waiting = deliveries.waiting(connection)
        late = lag.of(connection, services.policy, now_ms)
        known = listening.standings(connection, services.policy.waits_ms, now_ms)
    oldest_ms = now_ms if waiting.oldest_ms is None else waiting.oldest_ms
    return [
        Family("lopside_findings_open", "gauge", "Findings that are open.", _by("severity", found)),
        Family("lopside_deliveries", "gauge", "Messages kept, by what became of them.", _by("state", messages)),
        _seconds("lopside_delivery_waiting", "How long the oldest message owed has waited.", now_ms - oldest_ms),
        _seconds("lopside_evaluation_lag", "How long the oldest undecided window has been due.", late.worst_ms),
        *_heard(known, now_ms),
    ]


def _heard(known: list[tuple[Pulse, Standing]], now_ms: int) -> list[Family]:
    """How the sources do; those that ended are not among those known."""
    sources = listening.counted([stands for _, stands in known])
    polled = [pulse for pulse, _ in known if pulse.asked_every_ms is not None]
    stretched = sum((pulse.asked_every_ms or 0) > (pulse.usual_ms or 0) for pulse in polled)
    came = [listening.came_ms(pulse) for pulse, stands in known if stands.state in (State.HEARD, State.SILENT)]
    unheard_ms = now_ms - min((at_ms for at_ms in came if at_ms), default=now_ms)
    told = [
        Family("lopside_sources", "gauge", "Devices that should be heard.", {(): sources.watched}),
        Family("lopside_sources_silent", "gauge", "Devices of which nothing is heard now.", {(): sources.blind}),
        Family("lopside_source_states", "gauge", "Devices, by how they stand.", _by("state", sources._asdict())),
        _seconds("lopside_source_unheard", "The longest time since something came of a source.", unheard_ms),
    ]
    if not polled:
        return told
    lost, polls = sum(pulse.lost for pulse in polled), sum(pulse.polls for pulse in polled)
    clear = sum(bool(pulse.clear_text) for pulse in polled)
    return [
        *told,
        Family("lopside_polls", "counter", "Polls of devices, answered or not.", {(): polls}),
        Family("lopside_polls_lost", "counter", "Polls that were not answered.", {(): lost}),
        Family("lopside_sources_stretched", "gauge", "Devices polled less often than asked for.", {(): stretched}),
        Family("lopside_sources_clear_text", "gauge", "Devices that are polled in clear text.", {(): clear}),
    ]


def _seen(tally: Tally) -> list[Family]:
    samples = dict.fromkeys(OUTCOMES, 0) | {name[0]: count for name, count in tally.under("samples").items()}
    requests = {tuple(zip(REQUEST, name, strict=True)): count for name, count in tally.under("requests").items()}
    return [
        Family("lopside_samples", "counter", "Samples pushed to this process.", _by("outcome", samples)),
        Family("lopside_requests", "counter", "Requests answered by this process.", requests),
    ]


def _by(label: str, counts: Mapping[str, int]) -> dict[Labels, int]:
    return {((label, word),): count for word, count in counts.items()}


def _seconds(name: str, words: str, ms: int) -> Family:
    return Family(name, "gauge", words, {(): ms / 1000}, "seconds")
