"""What a receiver is sent: a CloudEvents 1.0 event in the structured JSON form, with a schema number.

`message.schema.json` beside this file describes `data`. Fields may be added under the same
number; a field that goes or changes its meaning takes a new one.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from importlib.resources import files
from typing import Any
from urllib.parse import quote

from service.terms import Finding, MemberFigure, Severity
from service.webhooks.fields import fields_of, finding_of, instant
from service.webhooks.wording import moment_ms, text_of

SCHEMA = 1
CONTENT_TYPE = "application/cloudevents+json; charset=utf-8"
TYPE_PREFIX = "lopside.finding."
SOURCE = "/lopside"


def event(  # noqa: PLR0913  # each told by its name
    finding: Finding,
    what: str,
    message_id: str,
    *,
    zone: str = "UTC",
    source: str = SOURCE,
    pages_at: str = "",
    told_ms: int | None = None,
) -> dict[str, Any]:
    """The event that tells of a finding's change; the same id and finding make the same event.

    With `pages_at` it leads to the pages that are seen there. What is told later than it happened is so in the words
    of `told_ms`.
    """
    links = {"links": _links(finding, pages_at)} if pages_at else {}
    told = {"text": text_of(finding, what, zone=zone, told_ms=told_ms), **links, "finding": fields_of(finding)}
    head = {"id": message_id, "source": source, "type": TYPE_PREFIX + what, "subject": finding.id}
    return wrapped(head, what, moment_ms(finding, what), told)


def wrapped(head: Mapping[str, str], what: str, at_ms: int, told: Mapping[str, Any]) -> dict[str, Any]:
    """An event of CloudEvents 1.0 around what is told; `head` holds its id, source, type and subject."""
    return {
        "specversion": "1.0",
        **head,
        "time": instant(at_ms),
        "datacontenttype": "application/json",
        "data": {"schema": SCHEMA, "what": what, **told},
    }


def _links(finding: Finding, pages_at: str) -> dict[str, str]:
    """The page of a finding and the chart of its time; of many teams there is no one chart."""
    page = f"{pages_at}/findings/{quote(finding.id)}"
    return {"finding": page} if finding.teams else {"finding": page, "chart": f"{page}/chart.svg"}


def combined(cleared: Mapping[str, Any], *, zone: str = "UTC", pages_at: str = "") -> dict[str, Any]:
    """The event of a clear as the one message of a finding nobody heard of while it lasted; its id stays."""
    finding = finding_of(cleared["data"]["finding"])
    return event(finding, "combined", cleared["id"], zone=zone, source=cleared["source"], pages_at=pages_at)


def body_of(told: Mapping[str, Any]) -> str:
    """The event as the text that is kept, signed and sent; what UTF-8 cannot hold is replaced."""
    text = json.dumps(told, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return text.encode("utf-8", "replace").decode()


def event_of(body: str) -> dict[str, Any]:
    """The event behind its text."""
    told: dict[str, Any] = json.loads(body)
    return told


def schema() -> dict[str, Any]:
    """The JSON Schema of `data`."""
    told: dict[str, Any] = json.loads(files(__package__).joinpath("message.schema.json").read_text("utf-8"))
    return told


def example_body(what: str = "raised") -> str:
    """A body as documentation shows it, indented: a made-up finding of the Brackenhythe Freight Exchange."""
    return json.dumps(
        event(_example(what), what, "msg-0000000000000000000000000000example"), indent=2, ensure_ascii=False
    )


def _example(what: str) -> Finding:
    first_ms = 1_795_572_840_000  # 2026-11-25T02:14:00Z
    hot, idle = MemberFigure("m1", 0.92, 1_000_000_000), MemberFigure("m2", 0.02, 1_000_000_000)
    return Finding(
        id="f0123456789abcdef0123",
        device="sm-07",
        team="front",
        direction="egress",
        family="distribution",
        kind="uneven",
        severity=Severity.WARNING,
        since_ms=first_ms,
        raised_ms=first_ms + 90_000,
        cleared_ms=first_ms + 6_480_000 if what in ("cleared", "combined") else None,
        hot=(hot,),
        idle=(idle,),
        members=(hot, idle),
        peak=0.93,
        peak_port="m1",
        peak_ms=first_ms + 60_000,
        even_split=0.47,
        imbalance=0.45,
        usable_bps=1_021_739_130,
        stranded_bps=978_260_870,
        room_bps=730_000_000,
        discard_ratio=0.0,
        basis="wire",
        windows_seen=3,
        windows_evaluable=3,
        owner="virtualisation",
        updated_ms=first_ms + 90_000,
        windows_flagged=3,
        hot_until_ms=first_ms + 90_000,
    )
