"""GET /: what stands open, the worst first, and louder still, what cannot be seen."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, get_args
from urllib.parse import urlencode

from fastapi import Depends, Query, Request
from fastapi.responses import HTMLResponse
from sqlalchemy import Connection

from service.errors import WrongQuestion
from service.evaluation.listening import BLIND, Standing, State, counted, standings
from service.pages import routing
from service.pages.rendering import page
from service.pages.viewers import Watching
from service.storage import cursors, database, findings, tally
from service.storage.findings import OPERATOR_STATES, STATES, Filters, Kept
from service.storage.listening import Pulse
from service.terms import SEVERITY_ORDER, SEVERITY_PHRASES
from service.web.models import KindWord
from service.web.parameters import Cursor
from service.web.services import Served
from service.webhooks import spoken
from service.webhooks.wording import text_of

MOST_SHOWN = 50
Known = tuple[Pulse, Standing]

router = routing.router()


Typed = Annotated[str, Query(max_length=255)]
CHOICES = {
    "state": STATES,
    "severity": tuple(str(one) for one in reversed(SEVERITY_ORDER)),
    "kind": get_args(KindWord),
    "operator_state": OPERATOR_STATES,
}


def typed(  # noqa: PLR0913, PLR0917  # each field of the form by its name
    device: Typed = "",
    team: Typed = "",
    kind: Typed = "",
    severity: Typed = "",
    state: Typed = "",
    operator_state: Typed = "",
) -> dict[str, str]:
    """What the form asks for: a browser sends a field that was left alone as an empty one."""
    told = {"device": device, "team": team, "kind": kind, "severity": severity, "state": state}
    asked = {name: text.strip() for name, text in {**told, "operator_state": operator_state}.items() if text.strip()}
    for name, words in CHOICES.items():
        if name in asked and asked[name] not in words:
            raise WrongQuestion(name, f"is one of {', '.join(words)}, not {asked[name]!r}")
    return asked


@router.get("/")
def listing(
    request: Request,
    services: Served,
    viewer: Watching,
    asked: Annotated[dict[str, str], Depends(typed)],
    cursor: Cursor = None,
) -> HTMLResponse:
    """What stands open, the worst first, or what the form asks for."""
    now_ms = services.now_ms()
    with database.reading(services.engine) as connection:
        known = standings(connection, services.policy.waits_ms, now_ms)
        shown = {**_found(connection, asked, cursor), **_seen(known, now_ms)}
    told = {"here": "findings", "live": "findings", "now_ms": now_ms, "asked": asked, "choices": CHOICES, **shown}
    return page(request, viewer, "findings.html", told)


def _seen(known: list[Known], now_ms: int) -> dict[str, object]:
    """What cannot be seen, the longest silent first, and what is seen less well than it should be."""
    blind = sorted(
        (one for one in known if one[1].state in BLIND), key=lambda one: (one[1].since_ms or 0, one[0].device)
    )
    polled = [pulse for pulse, _ in known if pulse.asked_every_ms is not None]
    clear = [pulse for pulse, _ in known if pulse.clear_text]
    return {
        "sources": counted([stands for _, stands in known]),
        "blind": [_silence(*one, now_ms) for one in blind[:MOST_SHOWN]],
        "polled": len(polled),
        "stretched": sum((pulse.asked_every_ms or 0) > (pulse.usual_ms or 0) for pulse in polled),
        "clear": clear[:MOST_SHOWN],
        "clear_count": len(clear),
    }


def _silence(pulse: Pulse, stands: Standing, now_ms: int) -> dict[str, object]:
    """Since when a source is silent, and why, as far as asking it shows."""
    what = "nothing" if stands.state is State.SILENT else "never heard, asked in vain"
    lasted = None if stands.since_ms is None else spoken.lasting(max(0, now_ms - stands.since_ms))
    told = {"device": pulse.device, "what": what, "lasted": lasted, "since_ms": stands.since_ms}
    return {**told, "trouble": pulse.trouble}


def _found(connection: Connection, asked: dict[str, str], cursor: str | None) -> dict[str, object]:
    """Findings as sentences, the worst first, with where the list goes on."""
    count = sum(tally.open_findings(connection).values())
    wanted = Filters(
        device=asked.get("device"),
        team=asked.get("team"),
        kinds=(asked["kind"],) if "kind" in asked else None,
        severities=(asked["severity"],) if "severity" in asked else None,
        state=asked.get("state", "open"),
        operator_state=asked.get("operator_state"),
    )
    worst, following = _worst(connection, wanted, cursor) if count or asked or cursor else ([], None)
    more = f"/?{urlencode({**asked, 'cursor': following})}" if following else ""
    return {"open_count": count, "open": [_finding(kept) for kept in worst], "more": more}


def _worst(connection: Connection, wanted: Filters, cursor: str | None) -> tuple[list[Kept], str | None]:
    """A page, severity after severity, the newest first within each; its cursor names the severity and the place."""
    place, inner = (0, "") if cursor is None else cursors.read(cursor, int, str)
    order = list(wanted.severities or CHOICES["severity"])
    if not 0 <= int(place) < len(order):
        raise WrongQuestion("cursor", "is of another list; start again without it")
    worst: list[Kept] = []
    for rank in range(int(place), len(order)):
        of_one = replace(wanted, severities=(order[rank],))
        room = MOST_SHOWN - len(worst)
        found = findings.listing(connection, of_one, str(inner) or None, limit=room or 1)
        if not room and found.items:
            return worst, cursors.written([rank, ""])
        worst += found.items
        if found.cursor:
            return worst, cursors.written([rank, found.cursor])
        inner = ""
    return worst, None


def _finding(kept: Kept) -> dict[str, object]:
    found = kept.finding
    sentence = text_of(found, "unverified" if found.unverified else "raised").splitlines()[0]
    return {"kept": kept, "finding": found, "sentence": sentence, "phrase": SEVERITY_PHRASES[found.severity]}
