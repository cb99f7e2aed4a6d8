"""A message about sources: that they fell silent, which looks like calm to whoever waits for findings, or are heard."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from urllib.parse import quote

from service.webhooks import envelope
from service.webhooks.fields import instant
from service.webhooks.foreign import plain, shortened
from service.webhooks.spoken import clock, zone_name

TYPE = "lopside.sources."
SILENT, HEARD = "silent", "heard"
MOST_LISTED, MOST_NAMED, MOST_NAME = 200, 6, 40


def event(  # noqa: PLR0913  # each told by its name
    what: str,
    sources: Sequence[tuple[str, int]],
    message_id: str,
    now_ms: int,
    *,
    silent: int,
    zone: str = "UTC",
    pages_at: str = "",
) -> dict[str, Any]:
    """The event that tells of sources by name with since when they were silent; `silent` counts all that are now."""
    named = [_named(name, since_ms, now_ms, zone) for name, since_ms in sources[:MOST_NAMED]]
    more = f" and {len(sources) - len(named)} more" if len(sources) > len(named) else ""
    many, verb = ("A source", "is") if len(sources) == 1 else (f"{len(sources)} sources", "are")
    state = "silent, since" if what == SILENT else "heard again, silent since"
    lines = [f"{many} {verb} {state}: {', '.join(named)}{more}."]
    if what == SILENT:
        lines.append(f"Nothing is known there meanwhile, and no finding is possible. Silent in all: {silent}.")
    elif silent:
        lines.append(f"Still silent: {silent}.")
    link = f"{pages_at}/sources"
    lines.append(f"{link} lists them. Advice only." if pages_at else "Advice only.")
    told = [{"device": name, "silent_since": instant(since_ms)} for name, since_ms in sources[:MOST_LISTED]]
    data = {"text": "\n".join(lines), "silent": silent, "count": len(sources), "sources": told}
    links = {"links": {"sources": link}} if pages_at else {}
    head = {"id": message_id, "source": envelope.SOURCE, "type": TYPE + what, "subject": quote(sources[0][0])}
    return envelope.wrapped(head, what, now_ms, {**data, **links})


def _named(name: str, since_ms: int, now_ms: int, zone: str) -> str:
    since = clock(since_ms, now_ms, zone)
    return f"{shortened(plain(name), MOST_NAME)} ({since} {zone_name(since_ms, zone)})"


def example(what: str = SILENT) -> dict[str, Any]:
    """What checks show: a made-up message about a source."""
    return event(what, [("sm-07", 0)], "msg-0000000000000000000000000example", 0, silent=1)
