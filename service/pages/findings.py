"""GET /: what stands open, the worst first, and louder still, what cannot be seen."""

from __future__ import annotations

from fastapi import Request
from fastapi.responses import HTMLResponse
from sqlalchemy import Connection

from service.evaluation.listening import BLIND, Standing, State, counted, standings
from service.pages import routing
from service.pages.rendering import page
from service.pages.viewers import Watching
from service.storage import database, findings, tally
from service.storage.findings import Filters, Kept
from service.storage.listening import Pulse
from service.terms import SEVERITY_ORDER, SEVERITY_PHRASES
from service.web.services import Served
from service.webhooks import spoken
from service.webhooks.wording import text_of

MOST_SHOWN = 50
Known = tuple[Pulse, Standing]

router = routing.router()


@router.get("/")
def listing(request: Request, services: Served, viewer: Watching) -> HTMLResponse:
    """What stands open, the worst first."""
    now_ms = services.now_ms()
    with database.reading(services.engine) as connection:
        known = standings(connection, services.policy.waits_ms, now_ms)
        told = {"here": "findings", "live": "findings", "now_ms": now_ms, **_open(connection), **_seen(known, now_ms)}
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


def _open(connection: Connection) -> dict[str, object]:
    """Open findings as sentences, the worst first."""
    count = sum(tally.open_findings(connection).values())
    worst: list[Kept] = []
    for severity in reversed(SEVERITY_ORDER) if count else ():
        asked = Filters(state="open", severities=(str(severity),))
        worst += findings.listing(connection, asked, limit=MOST_SHOWN).items
    return {"open_count": count, "open": [_finding(kept) for kept in worst[:MOST_SHOWN]]}


def _finding(kept: Kept) -> dict[str, object]:
    found = kept.finding
    sentence = text_of(found, "unverified" if found.unverified else "raised").splitlines()[0]
    return {"kept": kept, "finding": found, "sentence": sentence, "phrase": SEVERITY_PHRASES[found.severity]}
