"""The shapes of quiet times."""

from __future__ import annotations

from typing import Annotated

from pydantic import ConfigDict, Field, JsonValue

from service.web.change_forms import Whole
from service.web.models import At, Shape
from service.webhooks.quiet import MOST_LETTERS, MOST_MINUTES

MOMENT = r"^\d{4}-(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])T([01]\d|2[0-3]):[0-5]\d(:[0-5]\d)?$"
# Whom it is about has to be said, one way or another.
ABOUT: list[JsonValue] = [
    {"required": [name], "properties": {name: {"minItems": 1}}} for name in ("devices", "teams", "sites")
]
Pattern = Annotated[str, Field(min_length=1, max_length=255)]
Patterns = Annotated[list[Pattern], Field(max_length=50)]


class NewQuietTime(Shape):
    """When messages are to wait, and about whom; patterns with * and ?, an empty list means all."""

    model_config = ConfigDict(extra="forbid", strict=True, json_schema_extra={"anyOf": ABOUT})

    begins: str = Field(pattern=MOMENT, description="Date and time on the clock of `zone`, as 2026-11-24T22:00")
    minutes: Whole = Field(ge=1, le=MOST_MINUTES)
    zone: str = Field(default="UTC", max_length=64)
    recurrence: str = Field(
        default="", max_length=MOST_LETTERS, description="RRULE of RFC 5545, as FREQ=WEEKLY;BYDAY=TU; empty for once"
    )
    devices: Patterns = []
    teams: Patterns = []
    sites: Patterns = []
    because: str = Field(min_length=1, max_length=2000, pattern=r"\S")


class QuietTime(Shape):
    """A quiet time with what comes of it now."""

    id: str
    begins: str
    minutes: int
    zone: str
    recurrence: str
    devices: list[str]
    teams: list[str]
    sites: list[str]
    because: str
    set_by: str
    created_at: At
    ended_at: At | None
    lasts_until: At | None = Field(description="Until when messages wait now; null where they do not")
    next_begins_at: At | None


class QuietTimes(Shape):
    """All that stand, and the last that were ended."""

    items: list[QuietTime]
