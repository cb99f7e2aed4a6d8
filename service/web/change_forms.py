"""The shapes of what is told about changes and predictions."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, ConfigDict, Field

from service.errors import WrongQuestion
from service.evaluation.recording import MOST_TEAMS
from service.web.models import Direction, Shape
from service.web.parameters import milliseconds

ChangeKind = Literal["method", "far-end", "re-draw", "capacity", "repair", "other"]
OptionName = Literal[
    "leave",
    "source-mac",
    "ip-pair",
    "layer4-tuple",
    "virtual-port",
    "load-aware",
    "active-standby",
    "add-capacity",
    "mend",
]
Name = Annotated[str, Field(min_length=1, max_length=255)]
Rate = Annotated[float, Field(ge=0, le=1e15, allow_inf_nan=False)]
Speed = Annotated[float, Field(ge=1, le=1e15, allow_inf_nan=False)]
Chance = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]


def _instant(text: str) -> str:
    try:
        milliseconds("at", text)
    except WrongQuestion as wrong:
        raise ValueError(wrong.why) from wrong
    return text


def _whole(value: Any) -> Any:
    """To JSON 300 and 300.0 are one number."""
    return int(value) if isinstance(value, float) and value.is_integer() else value


Whole = Annotated[int, BeforeValidator(_whole)]
Instant = Annotated[str, AfterValidator(_instant), Field(json_schema_extra={"format": "date-time"})]


class Asked(Shape):
    """Something that is told, with no field that nobody knows."""

    model_config = ConfigDict(extra="forbid", strict=True)


class ChangedTeam(Asked):
    """A team that was changed; both directions unless one is named."""

    device: Name
    team: Name
    direction: Direction | None = None
    prediction: str | None = Field(
        default=None,
        min_length=1,
        max_length=32,
        description="What the change is held against; left out, the last one made for this team before the change",
    )


class NewChange(Asked):
    """That something was changed by people at one team or at many, when, by whom and why."""

    at: Instant = Field(description="When it was made, RFC 3339")
    what: str = Field(min_length=1, max_length=2000)
    teams: list[ChangedTeam] = Field(min_length=1, max_length=MOST_TEAMS)
    who: str | None = Field(default=None, min_length=1, max_length=255, description="Who made it; the caller else")
    reference: str = Field(default="", max_length=255, description="Its number in your own change control")
    kind: ChangeKind = "other"
    settle_seconds: Whole = Field(default=300, ge=0, le=86_400, description="Nothing so near to it counts")
    compare_until: Instant | None = Field(
        default=None, description="Until when it is watched on each day that is compared, at most a day"
    )
    request: str = Field(default="", max_length=128, description="Your name for this request: told twice, kept once")


class Inputs(Asked):
    """What odds are drawn from."""

    items_bps: list[Rate] = Field(min_length=1, max_length=200)
    links_bps: list[Speed] = Field(min_length=1, max_length=8)
    background_bps: list[Rate] = Field(default=[], max_length=8, description="By link; nothing where left out")
    line: float = Field(default=0.75, ge=0.01, le=1, allow_inf_nan=False)


class NewPrediction(Asked):
    """What is foretold of a team and direction before a change: stated, drawn from inputs, or a finding's advice."""

    device: Name
    team: Name
    direction: Direction
    option: OptionName
    success: Chance | None = Field(default=None, description="The chance that no member exceeds the hot line")
    inputs: Inputs | None = Field(default=None, description="Drawn from these where success is left out")
    finding_id: str = Field(
        default="", max_length=32, description="Its advice gives the chance where nothing else does"
    )
    seed: Whole = Field(default=1, ge=0, le=2**31 - 1)
    text: str = Field(default="", max_length=2000)
    later_change: bool = Field(default=False, description="It is about a change still to come, not one made already")
