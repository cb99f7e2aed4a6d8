"""POST /v1/replays: what other rules would have raised. Nothing is kept of it, and nothing sent."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends
from pydantic import AwareDatetime, ConfigDict, Field

from service.errors import Overloaded, ReplayRefused
from service.replaying.comparing import Difference
from service.replaying.judging import Errand, Outcome, Trial, replayed
from service.replaying.replay import Replay, replay
from service.replaying.ruling import VALUES, Ruling, ruling_of
from service.rules.table import MOST_OF
from service.terms import Finding
from service.web import past
from service.web.access import VIEW, Caller, needs
from service.web.models import Direction, KindWord, Shape
from service.web.parameters import KNOWN_ONLY
from service.web.services import Served, Services
from service.webhooks.fields import instant

MOST_H = 168
HOUR_MS = 3_600_000
BUDGET_MS = 30_000

router = APIRouter(prefix="/v1/replays", tags=["replays"], dependencies=[KNOWN_ONLY])
Line = Annotated[float, Field(ge=0.01, le=1)]


class Values(Shape):
    """Values of a rule; those left out are as the settings have them."""

    model_config = ConfigDict(extra="forbid")

    hot_above: Line | None = None
    idle_below: Line | None = None
    clear_below: Line | None = None
    raise_windows: Annotated[int, Field(ge=1, le=MOST_OF)] | None = None
    raise_of: Annotated[int, Field(ge=1, le=MOST_OF)] | None = None
    clear_windows: Annotated[int, Field(ge=1, le=2880)] | None = None
    window_seconds: Literal[10, 15, 20, 30, 60, 300] | None = None
    coverage_min: Line | None = None

    def told(self) -> dict[str, float]:
        """Those that are given."""
        return self.model_dump(exclude_none=True)


class Question(Shape):
    """Which rules are to be tried, over which hours, on which devices."""

    model_config = ConfigDict(extra="forbid")

    begin: AwareDatetime = Field(alias="from")
    hours: Annotated[int, Field(ge=1, le=MOST_H)]
    devices: Annotated[list[Annotated[str, Field(min_length=1, max_length=255)]], Field(max_length=100)] = Field(
        default=[], description="Only these; all of them where none is named"
    )
    tried: Values
    against: Values = Field(default=Values(), description="What is compared with, over the settings")


class Brief(Shape):
    """A finding as one of the rules would have raised it."""

    severity: str
    kind: KindWord
    since_at: datetime
    raised_at: datetime
    cleared_at: datetime | None = Field(description="null where it is open at the end")
    hot: list[str]
    peak: float | None
    peak_port: str


class Differing(Shape):
    """A finding that only one of the rules has, or that they have otherwise: `fields` name what differs."""

    what: Literal["only-present", "only-tried", "changed"]
    device: str
    team: str
    direction: Direction
    family: str
    fields: list[str]
    present: Brief | None
    tried: Brief | None


class Side(Shape):
    """The values of a general rule, and how many findings it makes."""

    rule: Values
    findings: int


class Answer(Shape):
    """What either of the rules would have raised."""

    begin: datetime = Field(alias="from")
    to: datetime
    teams: int
    windows: int = Field(description="Of teams in one direction, under the present rules")
    evaluable: int
    present: Side
    tried: Side
    same: int
    differences: list[Differing]


@router.post("", summary="Replay history under other rules", response_model=Answer)
def answer(services: Served, _caller: Annotated[Caller, Depends(needs(VIEW))], question: Question) -> dict[str, Any]:
    """Judge what is kept by other rules; nothing is written, and nobody is told.

    One is worked at at a time, and none for longer than half a minute: ask for fewer devices or hours then.
    """
    if not services.replays.acquire(blocking=False):
        raise Overloaded("replays", 1)
    try:
        return told(_replayed(services, question))
    finally:
        services.replays.release()


def told(done: Replay) -> dict[str, Any]:
    """A replay as it is shown."""
    trial, found = done.trial, done.comparison
    return {
        "from": instant(trial.first_ms),
        "to": instant(trial.end_ms),
        "teams": done.teams,
        "windows": done.windows,
        "evaluable": done.evaluable,
        "present": {"rule": _values(trial.present), "findings": found.present},
        "tried": {"rule": _values(trial.tried), "findings": found.tried},
        "same": found.same,
        "differences": [_difference(one) for one in found.differences],
    }


def _replayed(services: Services, question: Question) -> Replay:
    now_ms = services.now_ms()
    kept = past.Kept(services.engine, services.policy, now_ms, services.limits.retention_ms)
    first_ms = int(question.begin.timestamp() * 1000)
    wanted = past.teams(kept, question.devices)
    present = ruling_of(services.policy.rules_for, wanted).changed(question.against.told())
    end_ms = max(first_ms + 1, min(first_ms + question.hours * HOUR_MS, now_ms))
    trial = Trial(present, present.changed(question.tried.told()), first_ms, end_ms)
    return replay(past.histories(kept, trial, question.devices), trial, _within(services.now_ms, now_ms + BUDGET_MS))


def _within(now_ms: Callable[[], int], until_ms: int) -> Callable[[Sequence[Errand]], Iterator[Outcome]]:
    """One errand after the other for as long as there is time."""

    def spread(errands: Sequence[Errand]) -> Iterator[Outcome]:
        for errand in errands:
            if now_ms() > until_ms:
                raise ReplayRefused(
                    f"took longer than {BUDGET_MS // 1000} s; ask for fewer devices or hours, or run `lopside replay`"
                )
            yield replayed(errand)

    return spread


def _values(ruling: Ruling) -> dict[str, float]:
    return {name: getattr(ruling.general, name) for name in VALUES}


def _difference(one: Difference) -> dict[str, Any]:
    about = one.one
    return {
        "what": one.what,
        **{name: getattr(about, name) for name in ("device", "team", "direction", "family")},
        "fields": list(one.fields),
        "present": _brief(one.present),
        "tried": _brief(one.tried),
    }


def _brief(finding: Finding | None) -> dict[str, Any] | None:
    if finding is None:
        return None
    return {
        "severity": str(finding.severity),
        "kind": finding.kind,
        "since_at": instant(finding.since_ms),
        "raised_at": instant(finding.raised_ms),
        "cleared_at": instant(finding.cleared_ms),
        "hot": [member.port for member in finding.hot],
        "peak": finding.peak if finding.peak == finding.peak else None,  # NaN is not itself
        "peak_port": finding.peak_port,
    }
