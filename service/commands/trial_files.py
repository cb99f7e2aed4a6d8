"""A heavy-traffic check held against counter files."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from service.commands.judged import Judged, brought, judged
from service.commands.readings import Reading
from service.errors import NotFound
from service.rules.trials.outcome import Trial
from service.rules.trials.plan import Plan
from service.rules.trials.trial import Place, of_assessment
from service.terms import Rule


def tried(files: Sequence[Path], plan: Plan, zone: str | None) -> tuple[Trial, tuple[str, ...]]:
    """What came of a plan by the samples of files, and what of these could not be used; NotFound without the team."""
    held = brought(files, Rule(), Reading(zone=zone))
    for part in judged(held):
        found = _tried(part, plan)
        if found is not None:
            return found, held.rejects_told()
    raise NotFound("team", f"{plan.device} {plan.team}")


def _tried(part: Judged, plan: Plan) -> Trial | None:
    names = [(team.device, team.team) for team in part.layout.teams]
    if (plan.device, plan.team) not in names:
        return None
    unset = np.zeros(len(part.layout.ports), dtype=np.int64)
    place = Place(part.layout, names.index((plan.device, plan.team)), unset)
    return of_assessment(plan, part.assessment, place)
