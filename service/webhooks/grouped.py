"""One message about many findings: a storm is one thing to whoever is woken, however many teams it strikes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from service.terms import SEVERITY_ORDER, SEVERITY_PHRASES, Finding
from service.webhooks import envelope, spoken
from service.webhooks.fields import fields_of, finding_of
from service.webhooks.foreign import cut, plain, shortened
from service.webhooks.headline import headline
from service.webhooks.wording import MOST_A_LINE, MOST_LETTERS, moment_ms

TYPE = "lopside.findings."
MOST_LISTED = 200  # findings that a message names for programs
MOST_NAME = 40
LAST = "Advice only."


def event(  # noqa: PLR0913  # each told by its name
    parts: Sequence[Mapping[str, Any]],
    what: str,
    message_id: str,
    *,
    key: str = "",
    zone: str = "UTC",
    pages_at: str = "",
) -> dict[str, Any]:
    """The event that tells of many findings in place of these events, each of one; the worst stands for all.

    `key` is what they share, as the device at the far end, empty where nobody knows.
    """
    data = [part["data"] for part in parts]
    found = _worst_first([finding_of(told["finding"]) for told in data])
    listed = {told["finding"]["id"]: told["text"].partition("\n")[0] for told in data}
    text = _text(found, what, key, zone, pages_at)
    links = {"links": {"finding": f"{pages_at}/"}} if pages_at else {}
    parts_told = [_told(one, listed[one.id]) for one in found[:MOST_LISTED]]
    group = {"count": len(found), "key": key, "findings": parts_told}
    head = {"id": message_id, "source": envelope.SOURCE, "type": TYPE + what, "subject": message_id}
    at_ms = max(moment_ms(finding, what) for finding in found)
    return envelope.wrapped(head, what, at_ms, {"text": text, **links, "finding": fields_of(found[0]), "group": group})


def _told(finding: Finding, line: str) -> dict[str, Any]:
    return {
        "id": finding.id,
        "device": finding.device,
        "team": finding.team,
        "direction": finding.direction,
        "kind": finding.kind,
        "severity": str(finding.severity),
        "line": line,
    }


def _worst_first(findings: Sequence[Finding]) -> list[Finding]:
    return sorted(findings, key=lambda one: (-SEVERITY_ORDER.index(one.severity), -one.peak, one.device, one.team))


def _text(found: Sequence[Finding], what: str, key: str, zone: str, pages_at: str) -> str:
    worst = found[0]
    toward = f" toward {shortened(plain(key), MOST_NAME)}" if key else ""
    times = [moment_ms(finding, what) for finding in found]
    over = what == "cleared"
    span = spoken.lasting(max(times) - min(times))
    within = f" within {span}" if max(times) > min(times) else ""
    act = "" if over else f" {spoken.sentence(SEVERITY_PHRASES[worst.severity])}"
    word = {"cleared": "over", "escalated": "that nobody took"}.get(what, "raised")
    first = f"{len(found)} findings{toward} {word}{within}: {_kinds(found)}.{act}"
    lead = "Worst" if not over else "Among them"
    lines = [
        first,
        cut(f"{lead}: {headline(worst, what, moment_ms(worst, what), zone)}", 2 * MOST_A_LINE),
    ]
    last = f"{pages_at}/ lists them. {LAST}" if pages_at else LAST
    room = MOST_LETTERS - sum(len(line) + 1 for line in lines) - len(last)
    others = _others(found[1:], room)
    return "\n".join((*lines, *([others] if others else []), last))


def _kinds(found: Sequence[Finding]) -> str:
    counts = Counter((finding.severity, finding.kind) for finding in found)
    ranked = sorted(counts.items(), key=lambda one: (-SEVERITY_ORDER.index(one[0][0]), -one[1], one[0][1]))
    told = [f"{count} {kind} ({severity})" for (severity, kind), count in ranked[:4]]
    more = len(found) - sum(count for _, count in ranked[:4])
    return ", ".join(told) + (f" and {more} others" if more else "")


def _others(found: Sequence[Finding], room: int) -> str:
    """As many of the others by name as there is room for, and how many are left."""
    named: list[str] = []
    length = len("Also: .  and 99999 more")
    for finding in found:
        name = f"{shortened(plain(finding.device), MOST_NAME)}/{shortened(plain(finding.team), MOST_NAME)}"
        length += len(name) + 2
        if length > min(room, 2 * MOST_A_LINE):
            break
        named.append(name)
    if not named:
        return ""
    more = f" and {len(found) - len(named)} more" if len(found) > len(named) else ""
    return f"Also: {', '.join(named)}{more}."


def example(what: str = "raised") -> dict[str, Any]:
    """What checks show: a made-up finding as the only one of a message about many."""
    one = envelope.event_of(envelope.example_body(what))
    return event([one], what, "msg-many-0000000000000000000000example", key="sw-s1")
