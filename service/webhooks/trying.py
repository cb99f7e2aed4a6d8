"""A message that tries a route out: its type is not that of a finding, so that no receiver takes it for one."""

from __future__ import annotations

from typing import Any

from service.webhooks import envelope

TYPE = "lopside.test"
TEXT = "This is a test of the route {name}: lopside can reach you and nothing is wrong. No answer is needed."


def event(route: str, message_id: str, now_ms: int) -> dict[str, Any]:
    """The event of a test of a route."""
    head = {"id": message_id, "source": envelope.SOURCE, "type": TYPE}
    return envelope.wrapped(head, "test", now_ms, {"text": TEXT.format(name=route)})
