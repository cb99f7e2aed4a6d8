"""POST /v1/trials: what came of heavy traffic that somebody pushes through a team. Nothing is kept, nothing sent."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Annotated, Any

from fastapi import APIRouter, Depends

from service.evaluation import trials
from service.rules.trials.outcome import Landed, Shift, Trial
from service.storage import database
from service.web import trial_models as models
from service.web.access import VIEW, Caller, needs
from service.web.parameters import KNOWN_ONLY
from service.web.refusals import NOT_KNOWN
from service.web.services import Served
from service.webhooks.fields import instant

MOST_RECORDS = 200
TOLD: Mapping[int | str, dict[str, Any]] = {
    **NOT_KNOWN,
    409: {**NOT_KNOWN[404], "description": "The team has no members now, or streams do not lie within the check"},
}

router = APIRouter(prefix="/v1/trials", tags=["trials"], dependencies=[KNOWN_ONLY])


@router.post("", summary="Check heavy traffic against its plan", response_model=models.Trial, responses=dict(TOLD))
def answer(
    services: Served, _caller: Annotated[Caller, Depends(needs(VIEW))], told: models.TrialPlan
) -> dict[str, Any]:
    """Counted against offered, where streams landed, how long a change took, and what the odds had said.

    Ask again while it runs: the answer reaches as far as samples do. The service itself sends no traffic; push
    only through links you own or have leave for, at an agreed time with an agreed end.
    """
    plan = models.plan_of(told, services.policy.rules_for(told.device, told.team).hot_above)
    with database.reading(services.engine) as connection:
        return shown(trials.evaluated(connection, plan, services.policy, services.now_ms()))


def shown(found: Trial) -> dict[str, Any]:
    """A check as it is shown."""
    told = asdict(found)
    for name in ("begin_ms", "end_ms", "until_ms", "items"):
        del told[name]
    return told | {
        "from": instant(found.begin_ms),
        "to": instant(found.end_ms),
        "until": instant(found.until_ms),
        "landed": [_step(step) for step in found.landed],
        "shifts": [_shift(shift) for shift in found.shifts],
        "records": [
            {"kind": one.kind, "name": one.name, "port": one.port, "bps": one.bps} for one in found.items[:MOST_RECORDS]
        ],
    }


def _step(step: Landed) -> dict[str, Any]:
    same = ("port", "height_bps", "declared", "streams", "stream_bps")
    return {name: getattr(step, name) for name in same} | {
        "at": instant(step.at_ms),
        "earliest": instant(step.earliest_ms),
        "latest": instant(step.latest_ms),
    }


def _shift(shift: Shift) -> dict[str, Any]:
    told = asdict(shift)
    del told["change_ms"]
    return told | {"change_at": instant(shift.change_ms), "steps": [_step(step) for step in shift.steps]}
