"""GET /: one page without script that says what stands open, and louder still, what cannot be seen."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable
from html import escape
from typing import Annotated

from fastapi import APIRouter, Depends
from fastapi.responses import HTMLResponse
from sqlalchemy import Connection

from service.evaluation.listening import BLIND, Standing, State, counted, standings
from service.storage import database, findings, tally
from service.storage.findings import Filters, Kept
from service.storage.listening import Pulse
from service.terms import SEVERITY_ORDER, SEVERITY_PHRASES
from service.web.access import VIEW, Caller, needs
from service.web.parameters import KNOWN_ONLY
from service.web.services import Served
from service.webhooks import spoken
from service.webhooks.fields import instant
from service.webhooks.wording import text_of

MOST_SHOWN = 50
# Words and borders carry everything, so that it reads alike in black and white, by day and by night.
STYLE = """
:root{color-scheme:light dark}
body{font:1rem/1.5 system-ui,sans-serif;max-width:44rem;margin:0 auto;padding:0 1rem 3rem;overflow-wrap:anywhere}
h1{font-size:1.4rem}h2{font-size:1.1rem;margin-top:2rem}
ul{list-style:none;padding:0}li{margin:.75rem 0;padding:.25rem 0 .25rem .75rem;border-left:3px solid}
.blind{border:4px double;padding:0 1rem;font-weight:bold}
.critical,.major{border-left-width:9px}.warning{border-left-style:dotted}
small{display:block}
"""
_HASH = base64.b64encode(hashlib.sha256(STYLE.encode()).digest()).decode()
POLICY = f"default-src 'none'; style-src 'sha256-{_HASH}'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'"

NOBODY = "No source has sent anything yet."
Known = tuple[Pulse, Standing]

router = APIRouter(dependencies=[KNOWN_ONLY], include_in_schema=False)


@router.get("/")
def landing(services: Served, _caller: Annotated[Caller, Depends(needs(VIEW))]) -> HTMLResponse:
    """What stands open, the worst first."""
    now_ms = services.now_ms()
    with database.reading(services.engine) as connection:
        known = standings(connection, services.policy.waits_ms, now_ms)
        body = (*_blindness(known, now_ms), *_stretched(known), *_open(connection), *_clear_text(known))
    return HTMLResponse(_page(body, now_ms), headers={"content-security-policy": POLICY})


def _page(body: Iterable[str], now_ms: int) -> str:
    return "\n".join(
        (
            '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            f"<title>lopside</title>\n<style>{STYLE}</style>\n</head>\n<body>\n<main>\n<h1>lopside</h1>",
            "<p>Watches teams of network ports and says when one member runs hot while its siblings idle."
            " It advises; it never changes a device.</p>",
            *body,
            f'<p>As of {_at(now_ms)}. For programs: <a href="/openapi.json">/openapi.json</a></p>',
            "</main>\n</body>\n</html>\n",
        )
    )


def _blindness(known: list[Known], now_ms: int) -> list[str]:
    """What cannot be seen, before anything that can; nothing where all sources are heard."""
    sources = counted([stands for _, stands in known])
    if not sources.watched:
        told = "No source is to be heard: what came was from files." if sources.ended else NOBODY
        return [f'<section class="blind"><h2>Nothing is seen</h2><p>{told}</p></section>']
    if not sources.blind:
        return [f"<p>All {sources.watched} sources are heard.</p>"]
    # The longest silent first; those that were never heard of show that by their words.
    blind = sorted(
        (one for one in known if one[1].state in BLIND), key=lambda one: (one[1].since_ms or 0, one[0].device)
    )
    never = [f"<p>{sources.never} of them were never heard.</p>"] if sources.never else []
    return [
        f'<section class="blind"><h2>Not seen: {sources.blind} of {sources.watched} sources are silent</h2>',
        f"<p>Findings are possible for {sources.heard} of {sources.watched} sources only.</p>",
        *never,
        *_listed([f"<li>{_silence(*one, now_ms)}</li>" for one in blind[:MOST_SHOWN]], sources.blind),
        "</section>",
    ]


def _silence(pulse: Pulse, stands: Standing, now_ms: int) -> str:
    """Since when a source is silent, and why, as far as asking it shows."""
    what = "nothing" if stands.state is State.SILENT else "never heard, asked in vain"
    if stands.since_ms is None:
        return f"{escape(pulse.device)}: never heard"
    lasted = escape(spoken.lasting(max(0, now_ms - stands.since_ms)))
    why = f"<small>{escape(pulse.trouble)}</small>" if pulse.trouble else ""
    return f"{escape(pulse.device)}: {what} for {lasted}, since {_at(stands.since_ms)}{why}"


def _stretched(known: list[Known]) -> list[str]:
    polled = [pulse for pulse, _ in known if pulse.asked_every_ms is not None]
    count = sum((pulse.asked_every_ms or 0) > (pulse.usual_ms or 0) for pulse in polled)
    return [f"<p>{count} of {len(polled)} polled sources are polled less often than asked for.</p>"] if count else []


def _clear_text(known: list[Known]) -> list[str]:
    """Which sources are asked so that anybody on the way can read along."""
    polled = [pulse for pulse, _ in known if pulse.clear_text]
    if not polled:
        return []
    items = [f"<li>{escape(pulse.device)}: SNMP version {escape(pulse.version)}</li>" for pulse in polled[:MOST_SHOWN]]
    return [
        f"<h2>Polled in clear text: {len(polled)}</h2>",
        "<p>Anybody on the way can read the community and the counters, and ask the device themselves.</p>",
        *_listed(items, len(polled)),
    ]


def _open(connection: Connection) -> list[str]:
    """Open findings as sentences, the worst first."""
    count = sum(tally.open_findings(connection).values())
    if not count:
        return ["<h2>Open findings: none</h2>", "<p>Silence is not proof of health.</p>"]
    worst: list[Kept] = []
    for severity in reversed(SEVERITY_ORDER):
        asked = Filters(state="open", severities=(str(severity),))
        worst += findings.listing(connection, asked, limit=MOST_SHOWN).items
    return [f"<h2>Open findings: {count}</h2>", *_listed([_finding(kept) for kept in worst[:MOST_SHOWN]], count)]


def _finding(kept: Kept) -> str:
    found = kept.finding
    sentence = text_of(found, "unverified" if found.unverified else "raised").splitlines()[0]
    standing = f"{found.severity}, {SEVERITY_PHRASES[found.severity]}; {found.kind}; raised {_at(found.raised_ms)}"
    taken = f"; {kept.operator_state} by {kept.operator}" if kept.operator_state != "none" else ""
    return f'<li class="{found.severity}">{escape(sentence)}<small>{escape(standing + taken)}</small></li>'


def _listed(items: list[str], count: int) -> list[str]:
    more = [f"<p>And {count - len(items)} more.</p>"] if count > len(items) else []
    return ["<ul>", *items, "</ul>", *more]


def _at(ms: int) -> str:
    return (instant(ms // 1000 * 1000) or "").replace("T", " ").replace("Z", " UTC")
