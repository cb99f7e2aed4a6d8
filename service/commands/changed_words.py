"""A change with all that came of it, as lines for a terminal."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from service.webhooks import spoken


def lines(told: Mapping[str, Any]) -> Iterator[str]:
    """The lines of a change as REST tells it."""
    reference = f", {told['reference']}" if told["reference"] else ""
    yield f"{told['id']}: {told['at']} by {told['who']}{reference}: {told['what']}"
    yield f"{told['kind']}; compared from {told['after_begins_at']} on"
    for one in told["teams"]:
        yield from _of_team(one)
    for fleet in told["fleet"]:
        yield f"{fleet['direction']}: {fleet['text']}"
    yield told["note"]


def _of_team(one: Mapping[str, Any]) -> Iterator[str]:
    final = ", final" if one["final"] else ""
    yield f"  {one['device']} {one['team']} {one['direction']}: {one['outcome'].replace('-', ' ')}{final}"
    if one["prediction"]:
        yield f"    foretold {spoken.percent(one['prediction']['success'])} at {one['prediction']['made_at']}"
    if one["baseline"]:
        yield f"    {_baseline(one['baseline'])}"
    if one["verdict"]:
        yield f"    {one['verdict']['text']}"


def _baseline(told: Mapping[str, Any]) -> str:
    days = ", ".join(told["days"]) or "no day that can be compared"
    return f"compared with {days} ({told['zone']}): {told['counted']} of {told['windows']} windows count"
