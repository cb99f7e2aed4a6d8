"""The shapes of answers about changes, predictions and verdicts."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Literal

from pydantic import Field

from service.web.change_forms import ChangeKind
from service.web.models import Direction, Page, Shape

OutcomeWord = Literal["evened-out", "improved", "unchanged", "worse", "moved", "cannot-tell-yet"]


class Span(Shape):
    """A stretch of time, half-open."""

    start: datetime
    end: datetime


class Baseline(Shape):
    """What a change is compared with, frozen when the change was recorded."""

    spans: list[Span]
    days: list[str] = Field(description="The dates on which the spans begin, in `zone`")
    zone: str
    windows: int
    counted: int = Field(description="Of the windows, those with an even split of at least 10 %")
    frozen_at: datetime


class VerdictSide(Shape):
    """One side of a comparison."""

    windows: int
    counted: int
    effective: float
    tau: float
    excess: float | None
    busiest: float | None
    share: float | None
    even_split: float | None
    delivered_bps: int | None
    flagged_minutes: float
    discard_ratio: float | None
    hot_port: str


class Verdict(Shape):
    """What came of a change for one team and direction; `low` and `high` bound the difference with 95 %."""

    outcome: OutcomeWord
    text: str
    before: VerdictSide
    after: VerdictSide
    difference: float | None
    low: float | None
    high: float | None
    boot_low: float | None
    boot_high: float | None
    load_ratio: float | None
    comparable: float | None
    harm: list[str]
    now_full: bool
    reasons: list[str]
    could_tell_at: datetime | None


class Prediction(Shape):
    """What was foretold, and what came of it once that is known."""

    id: str
    team_id: int
    direction: Direction
    option: str
    success: float
    made_at: datetime
    made_by: str
    seed: int
    text: str
    inputs: dict[str, Any]
    finding_id: str | None
    change_id: str | None = Field(description="The change that is held against it")


class Change(Shape):
    """A change as it was recorded."""

    id: str
    at: datetime
    who: str
    what: str
    reference: str
    kind: ChangeKind
    settle_seconds: float
    after_begins_at: datetime = Field(description="No window counts from as long before the change until then")
    created_at: datetime
    created_by: str
    outcomes: dict[str, int] = Field(description="How many teams and directions have which outcome")


class Result(Shape):
    """One team and direction of a change."""

    team_id: int
    device: str
    team: str
    direction: Direction
    outcome: OutcomeWord
    final: bool
    verdict_at: datetime | None
    verdict: Verdict | None
    baseline: Baseline | None
    prediction: Prediction | None


class Fleet(Shape):
    """What came of a change over all its teams in one direction, beside what luck alone would do."""

    direction: Direction
    text: str
    outcomes: dict[str, int]
    told: int = Field(description="Teams with a verdict")
    better: int = Field(description="Of these, those that evened out or improved")
    p: float | None = Field(description="One-sided sign test against even odds")
    by_luck: float
    give_or_take: float
    is_shown: bool


class WholeChange(Change):
    """A change with all that came of it."""

    teams: list[Result]
    fleet: list[Fleet]
    note: str


class Fifth(Shape):
    """Predictions of about the same chance, and how often they came true."""

    low: float
    high: float
    count: int
    foretold: float
    came_true: float


class Score(Shape):
    """How well what was foretold came true: the Brier score, 0 is perfect, 0.25 is guessing even odds."""

    count: int
    brier: float | None
    text: str
    by_fifth: list[Fifth]


class Changes(Page[Change]):
    """Changes on one page."""


class Predictions(Page[Prediction]):
    """Predictions on one page."""
