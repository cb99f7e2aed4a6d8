"""GET /teams/{id}/lab: one team in narrow windows, for somebody who pushes traffic through it and changes something."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from fastapi import Request, Response
from fastapi.responses import HTMLResponse
from markupsafe import Markup

from service.charts import drawing
from service.charts.plots import Line, Mark, Plot
from service.errors import UnusableForm
from service.evaluation import closely, recording
from service.evaluation.closely import CAUTIONS, MOST_MINUTES, WIDTHS_S, Looked
from service.evaluation.recording import CHANGE_KINDS
from service.pages import routing
from service.pages.rendering import page
from service.pages.spoken import per_cent
from service.pages.viewers import Deed, Doing, Watching
from service.rules.closely import View, stretched
from service.storage import close_looks, database, inventory
from service.terms import DIRECTIONS, Singles, Truths
from service.web.access import OPERATE
from service.web.close_looks import begun, shown
from service.web.parameters import Id
from service.web.services import Served

# The decided windows of the recorded verdict are no narrower, so that less would not count.
SETTLE_MS = 30_000
MOST_WHAT, MOST_NAME = 2000, 255
WHOLE = 1 - 1e-6

router = routing.router()


@router.get("/teams/{team_id}/lab")
def lab(request: Request, services: Served, viewer: Watching, team_id: Id) -> HTMLResponse:
    """What a close look shows now, with the forms to begin, end and mark; the last one for a day after its end."""
    now_ms = services.now_ms()
    with database.reading(services.engine) as connection:
        team = inventory.team(connection, team_id)
        look = close_looks.of_team(connection, team_id)
        found = closely.looked(connection, team_id, services.policy, now_ms) if look else None
    told: dict[str, Any] = {
        "here": "teams",
        "live": f"lab:{team_id}",
        "team": team,
        "look": look,
        "lasts": look is not None and look.lasts(now_ms),
        "now_ms": now_ms,
        "cautions": CAUTIONS,
        "widths": WIDTHS_S,
        "most_minutes": MOST_MINUTES,
        "kinds": CHANGE_KINDS,
        "may": viewer.may(OPERATE),
        "shown": shown(found, now_ms) if found else None,
        "measured": measured,
        "charts": _charts(found) if found else [],
    }
    return page(request, viewer, "lab.html", told)


@router.post("/teams/{team_id}/lab/begin")
def begin(services: Served, deed: Doing, team_id: Id) -> Response:
    """Look closely from now on."""
    seconds = _whole(deed, "seconds", WIDTHS_S, "choose one of the widths")
    minutes = _whole(deed, "minutes", range(1, MOST_MINUTES + 1), f"write a number from 1 to {MOST_MINUTES}")
    begun(services, team_id, (seconds, minutes), deed.viewer.caller.name)
    return routing.done(f"/teams/{team_id}/lab")


@router.post("/teams/{team_id}/lab/end")
def end(services: Served, deed: Doing, team_id: Id) -> Response:
    """Look closely no longer."""
    closely.end(services.engine, team_id, deed.viewer.caller.name, services.now_ms())
    return routing.done(f"/teams/{team_id}/lab")


@router.post("/teams/{team_id}/lab/mark")
def mark(services: Served, deed: Doing, team_id: Id) -> Response:
    """Record that something was changed just now, as any other change is recorded."""
    now_ms = services.now_ms()
    with database.reading(services.engine) as connection:
        team = inventory.team(connection, team_id)
    if deed.text("kind") not in CHANGE_KINDS:
        raise UnusableForm("choose one of the kinds", "kind")
    said = recording.Told(
        at_ms=now_ms,
        what=_words(deed, "what", MOST_WHAT) or "changed in the lab",
        teams=(recording.Asked(team.device, team.name),),
        who=_words(deed, "who", MOST_NAME),
        reference=_words(deed, "reference", MOST_NAME),
        kind=deed.text("kind"),
        settle_ms=SETTLE_MS,
    )
    recording.record(services.engine, said, deed.viewer.caller.name, services.policy, now_ms)
    return routing.done(f"/teams/{team_id}/lab")


def measured(members: Sequence[dict[str, Any]], at: int) -> str:
    """How far the figures of a window were measured, in a word or two."""
    if any(member["utilisation"][at] is None for member in members):
        return "not of every member"
    if any(member["interpolated"][at] for member in members):
        return "interpolated"
    return "in part" if any(member["coverage"][at] < WHOLE for member in members) else "in whole"


def _whole(deed: Deed, name: str, allowed: range | tuple[int, ...], why: str) -> int:
    told = deed.text(name)
    if not (told.isascii() and told.isdecimal()) or len(told) > 4 or int(told) not in allowed:
        raise UnusableForm(why, name)
    return int(told)


def _words(deed: Deed, name: str, most: int) -> str:
    if len(deed.text(name)) > most:
        raise UnusableForm(f"at most {most} characters are kept", name)
    return deed.text(name)


def _charts(found: Looked) -> list[Markup]:
    """The chart of each direction; none while there is no whole window."""
    if found.view is None:
        return []
    # Made by our own charts, which escape what they are told.
    return [Markup(drawing.both(_plot(found, found.view, way))) for way in range(len(DIRECTIONS))]  # noqa: S704


def _plot(found: Looked, view: View, way: int) -> Plot:
    team, span = found.team, view.span
    carried = view.found.members
    between = stretched(view.found.intervals, len(view.layout.ports), span)
    lines = tuple(
        Line(name, carried.utilisation[row, :, way], _hollow(carried.coverage[row, :, way], between[row]))
        for row, name in zip(view.rows, view.names, strict=True)
    )
    return Plot(
        title=f"{team.name} on {team.device}, {DIRECTIONS[way]}, in windows of {span.width_ms // 1000} s",
        summary=_summary(view, way),
        first_ms=span.first_ms,
        width_ms=span.width_ms,
        lines=lines,
        even_split=view.found.teams.even_split[0, :, way],
        hot_above=view.rule.hot_above,
        idle_below=view.rule.idle_below,
        marks=tuple(Mark(one.change.at_ms, one.change.what) for one in found.followed[way]),
    )


def _hollow(coverage: Singles, between: Truths) -> Truths:
    """Which windows are not wholly measured: in part, or spread from longer intervals between samples."""
    hollow: Truths = ((coverage < WHOLE) & (coverage > 0)) | between
    return hollow


def _summary(view: View, way: int) -> str:
    """The last window in words, for those who do not see lines."""
    members = view.found.members.utilisation[list(view.rows), -1, way]
    told = (f"{name} {per_cent(float(figure))}" for name, figure in zip(view.names, members, strict=True))
    return f"Last window: {', '.join(told)}; even split {per_cent(float(view.found.teams.even_split[0, -1, way]))}."
