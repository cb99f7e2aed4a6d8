"""A close look at one team: narrow windows for somebody who pushes traffic through it, for a limited time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from http import HTTPStatus
from typing import Annotated, Any

import numpy as np
from fastapi import APIRouter, Depends

from service.evaluation import closely
from service.evaluation.closely import CAUTIONS, Looked, Pace
from service.rules.closely import Followed, View, stretched
from service.storage import database, inventory
from service.storage.close_looks import CloseLook
from service.storage.inventory import Team
from service.terms import DIRECTIONS, Floats
from service.web import close_look_models as models
from service.web.access import OPERATE, VIEW, Caller, needs
from service.web.changes import verdict_told
from service.web.parameters import KNOWN_ONLY, Id
from service.web.services import Served, Services
from service.webhooks.fields import instant

NOT_RECORDED = "in the lab, not the recorded verdict: that is reached from decided windows, over comparable days"
DIGITS = 9  # of a share: none that a counter does not have

router = APIRouter(prefix="/v1/teams", tags=["teams"], dependencies=[KNOWN_ONLY])
Viewer = Annotated[Caller, Depends(needs(VIEW))]
Operator = Annotated[Caller, Depends(needs(OPERATE))]


@router.post(
    "/{team_id}/close-look",
    summary="Look closely at a team",
    status_code=HTTPStatus.CREATED,
    response_model=models.Look,
)
def begin(services: Served, caller: Operator, team_id: Id, told: models.NewLook) -> dict[str, Any]:
    """Show a team in narrow windows for some minutes, in place of any look at it before; it ends by itself.

    Where this service polls the device, it asks as often meanwhile; where somebody pushes, they have to push as often.
    At most eight teams are looked at closely at once. Windows of 30 s, findings and verdicts stay as they are.
    """
    look = begun(services, team_id, (told.seconds, told.minutes), caller.name)
    with database.reading(services.engine) as connection:
        return _look(inventory.team(connection, team_id), look, services.now_ms())


@router.delete("/{team_id}/close-look", summary="End a close look", response_model=models.Look)
def end(services: Served, caller: Operator, team_id: Id) -> dict[str, Any]:
    """End it before its time."""
    closely.end(services.engine, team_id, caller.name, services.now_ms())
    with database.reading(services.engine) as connection:
        found = closely.looked(connection, team_id, services.policy, services.now_ms())
    return _look(found.team, found.look, services.now_ms())


@router.get("/{team_id}/close-look", summary="What a close look shows", response_model=models.Looked)
def one(services: Served, _caller: Viewer, team_id: Id) -> dict[str, Any]:
    """The narrow windows since it began, every change since then, how long its shift took, and the verdict so far.

    Not the recorded verdict. It shows what was seen for a day after its end, as long as samples are kept.
    """
    with database.reading(services.engine) as connection:
        return shown(closely.looked(connection, team_id, services.policy, services.now_ms()), services.now_ms())


def begun(services: Services, team_id: int, wanted: tuple[int, int], who: str) -> CloseLook:
    """Begin a look of so many seconds a window and so many minutes."""
    seconds, minutes = wanted
    now_ms = services.now_ms()
    look = CloseLook(team_id, seconds * 1000, now_ms, now_ms + minutes * closely.MINUTE_MS, who)
    return closely.begin(services.engine, look, services.policy)


def shown(found: Looked, now_ms: int) -> dict[str, Any]:
    """A close look as it is shown."""
    starts = [] if found.view is None else found.view.span.starts().tolist()
    return _look(found.team, found.look, now_ms) | {
        "samples": _pace(found),
        "starts": [instant(start) for start in starts],
        "compared_seconds": found.compared_ms / 1000,
        "directions": [_way(found, way) for way in range(len(DIRECTIONS))],
        "notes": [*notes(found), NOT_RECORDED],
        "cautions": list(CAUTIONS),
    }


def notes(found: Looked) -> list[str]:
    """What has to be known to read the windows."""
    width_ms, reached_ms = found.look.width_ms, found.pace.reached_ms
    if reached_ms is None or closely.NEARLY * reached_ms <= width_ms:
        return []
    apart = f"samples lie {reached_ms / 1000:g} s apart, further than a window of {width_ms // 1000} s is long"
    if reached_ms > 2 * width_ms:
        return [f"{apart}: windows are unknown until samples come more often"]
    return [
        f"{apart}: a window between two samples is an interpolation, drawn hollow;"
        f" changes are followed in windows of {found.compared_ms // 1000} s"
    ]


def pace_text(pace: Pace, width_ms: int) -> str:
    """How often samples come, and what to do for more."""
    reached = "too few samples have come to say how often they do"
    if pace.reached_ms is not None:
        reached = f"samples come every {pace.reached_ms / 1000:g} s"
    if pace.polling is not None:
        asked = f"; the device is polled every {pace.polling.interval_ms / 1000:g} s"
        return f"{reached}{asked}" + (f"; {pace.polling.trouble}" if pace.polling.trouble else "")
    if pace.reached_ms is not None and closely.NEARLY * pace.reached_ms <= width_ms:
        return f"{reached}, pushed by their source"
    seconds = width_ms // 1000
    how = f"have it push every {seconds} s, on a Linux host with `lopside push --interval {seconds}`"
    return f"{reached}, pushed by their source: {how}"


def _look(team: Team, look: CloseLook, now_ms: int) -> dict[str, Any]:
    return {
        "team_id": team.id,
        "device": team.device,
        "team": team.name,
        "window_seconds": look.width_ms / 1000,
        "begun_at": instant(look.from_ms),
        "ends_at": instant(look.until_ms),
        "lasts": look.lasts(now_ms),
        "who": look.who,
    }


def _pace(found: Looked) -> dict[str, Any]:
    pace = found.pace
    return {
        "polled": pace.polling is not None,
        "asked_seconds": None if pace.asked_ms is None else pace.asked_ms / 1000,
        "reached_seconds": None if pace.reached_ms is None else pace.reached_ms / 1000,
        "newest_at": instant(pace.newest_ms),
        "text": pace_text(pace, found.look.width_ms),
    }


def _way(found: Looked, way: int) -> dict[str, Any]:
    view = found.view
    changes = [_followed(one) for one in found.followed[way]]
    if view is None:
        empty: dict[str, Any] = {"even_split": [], "busiest_share": [], "members": []}
        return {"direction": DIRECTIONS[way], **empty, "changes": changes}
    teams = view.found.teams
    return {
        "direction": DIRECTIONS[way],
        "even_split": _known(teams.even_split[0, :, way]),
        "busiest_share": _known(teams.busiest_share[0, :, way]),
        "members": _members(view, way),
        "changes": changes,
    }


def _members(view: View, way: int) -> list[dict[str, Any]]:
    members, shares = view.found.members, view.shares(way)
    between = stretched(view.found.intervals, len(view.layout.ports), view.span)
    return [
        {
            "port": name,
            "utilisation": _known(members.utilisation[row, :, way]),
            "share": _known(shares[place]),
            "coverage": np.round(members.coverage[row, :, way].astype(float), 6).tolist(),
            "interpolated": between[row].tolist(),
        }
        for place, (row, name) in enumerate(zip(view.rows, view.names, strict=True))
    ]


def _followed(one: Followed) -> dict[str, Any]:
    shift = asdict(one.shift)
    shift["resolution_seconds"] = shift.pop("resolution_s")
    same = ("kind", "what", "who")
    return {name: getattr(one.change, name) for name in same} | {
        "change_id": one.change.id,
        "at": instant(one.change.at_ms),
        "shift": shift,
        "independent_before": one.verdict.before.effective,
        "independent_after": one.verdict.after.effective,
        "needed": one.needed,
        "so_far": verdict_told(one.verdict),
    }


def _known(figures: Floats) -> Sequence[float | None]:
    return [None if np.isnan(figure) else figure for figure in np.round(figures.astype(float), DIGITS).tolist()]
