"""The shapes of requests and answers: times RFC 3339 UTC, rates whole bit/s, ratios fractions, null where unknown."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Generic, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field

from service.terms import Severity

Item = TypeVar("Item")
At = datetime
Share = float

Direction = Literal["egress", "ingress"]
State = Literal["open", "cleared"]
OperatorState = Literal["none", "ack", "closed", "shelved"]
Cause = Literal[
    "standby-not-declared",
    "speed-wrong",
    "members-wrong",
    "expected-load",
    "limits-too-tight",
    "reading-wrong",
    "other",
]
KindWord = Literal[
    "uneven",
    "uneven-and-full",
    "skewed",
    "full",
    "hot-no-sibling",
    "oscillating",
    "degraded",
    "one-sided",
    "unanswered",
    "sick",
    "fleet-pattern",
]
DeliveryState = Literal["owed", "taken", "given-up", "combined", "held", "untold"]


class Shape(BaseModel):
    """Something that goes over the wire."""

    model_config = ConfigDict(populate_by_name=True)


class Page(Shape, Generic[Item]):
    """Part of a list; `next` asks for what follows, null at the end."""

    items: list[Item]
    next: str | None = Field(description="The cursor of the next page")


class Problem(Shape):
    """What is the matter, as in RFC 9457."""

    type: str
    title: str
    status: int
    detail: str
    errors: list[dict[str, str]] | None = Field(default=None, description="Where several things are wrong at once")


class Rejected(Shape):
    """One sample that was not taken: its index or line, and how to mend it."""

    index: int
    column: str | None
    value: str | None
    reason: str


class Taken(Shape):
    """What became of a batch."""

    accepted: int
    duplicates: int
    rejected: list[Rejected]


class Member(Shape):
    """One member as a finding shows it."""

    port: str
    utilisation: float | None
    speed_bps: int
    why_not: str


class Evidence(Shape):
    """What speaks for a finding, what against it, and what nobody has told."""

    speaks_for: list[str] = Field(alias="for")
    against: list[str]
    missing: list[str]


class Diagnosis(Shape):
    """One explanation of a finding, how sure it is, and its own evidence."""

    name: str
    sure: Literal["possible", "probable", "shown"]
    text: str
    members: list[str]
    evidence: Evidence


class Finding(Shape):
    """Something raised about a team and direction."""

    id: str
    device: str
    team: str
    team_id: int
    direction: Direction
    family: str
    kind: KindWord
    severity: Severity
    state: State
    operator_state: OperatorState
    operator: str = Field(description="Who set the operator state")
    shelved_until_at: datetime | None = Field(description="When its shelf ends and it is told of again, if still open")
    since_at: datetime
    raised_at: datetime
    cleared_at: datetime | None
    updated_at: datetime
    hot_until_at: datetime | None
    hot: list[Member]
    idle: list[Member]
    members: list[Member]
    peak: float | None
    peak_port: str
    peak_at: datetime
    even_split: float | None
    imbalance: float | None
    usable_bps: int | None
    stranded_bps: int | None
    room_bps: int | None
    discard_ratio: float | None
    basis: str
    windows_seen: int
    windows_evaluable: int
    windows_flagged: int
    recurrences: int
    unverified: bool
    uncertain: bool
    owner: str | None
    diagnosis: str | None
    confidence: str | None
    diagnoses: list[Diagnosis]
    decided_by: str = Field(description="Who chooses the member in this direction")
    advice: str = Field(description="What would help, with the odds")
    change: str = Field(description="The change that was recorded while it was open")
    part_of: str | None = Field(description="The finding about a fleet that this one is part of")
    teams: list[str] = Field(description="Of a finding about a fleet: its teams, as device/team")
    evidence: Evidence
    rule_note: str
    text: str


class Happening(Shape):
    """A line of a finding's history."""

    at: datetime
    what: str
    who: str
    text: str
    details: dict[str, Any]


class Told(Shape):
    """A message about a finding, and whether it was taken."""

    id: str
    route: str
    what: str
    state: DeliveryState
    attempts: int
    created_at: datetime
    settled_at: datetime | None


class WholeFinding(Finding):
    """A finding with all that happened to it."""

    history: list[Happening]
    deliveries: list[Told]


class Remark(Shape):
    """What an operator says with what they do; `who` counts only where no key says it."""

    model_config = ConfigDict(extra="forbid")

    note: str = Field(default="", max_length=2000)
    who: str | None = Field(default=None, min_length=1, max_length=255)


class Note(Remark):
    """A note, which has to say something."""

    note: str = Field(min_length=1, max_length=2000)


class Shelf(Note):
    """Why a finding is laid aside, and until when."""

    note: str = Field(min_length=1, max_length=2000, description="Why; spaces alone are no reason")
    until: str = Field(
        description="RFC 3339, in the future and at most 14 days ahead", json_schema_extra={"format": "date-time"}
    )


class Wrong(Remark):
    """Why a finding should not have been raised; `other` needs a note."""

    cause: Cause


class Check(Shape):
    """One thing that has to hold before the service is ready."""

    name: str
    holds: bool
    text: str


class Readiness(Shape):
    """Whether the service can do its work, and what it cannot see though it can."""

    ready: bool
    checks: list[Check]
    cannot_see: list[str]
    cannot_tell: list[str] = Field(description="What people were not told though they should have been")


class Life(Shape):
    """The process answers."""

    alive: bool


class Delivery(Told):
    """A message that is owed, taken, given up, or combined into a later one."""

    finding_id: str | None
    next_attempt_at: At | None
    last_outcome: str


class Resent(Shape):
    """A message that is owed again."""

    id: str
    state: DeliveryState


class Findings(Page[Finding]):
    """Findings on one page."""


class Deliveries(Page[Delivery]):
    """Deliveries on one page."""
