"""The shapes of a close look at one team."""

from __future__ import annotations

from typing import Literal

from pydantic import ConfigDict, Field

from service.evaluation.closely import MOST_MINUTES
from service.web.change_forms import ChangeKind, Whole
from service.web.change_models import Verdict
from service.web.models import At, Direction, Shape, Share

Seconds = Literal[5, 10, 15]


class NewLook(Shape):
    """How narrow the windows are to be, and for how long somebody looks."""

    model_config = ConfigDict(extra="forbid", strict=True)

    seconds: Seconds = Field(description="The width of a window")
    minutes: Whole = Field(ge=1, le=MOST_MINUTES)


class Look(Shape):
    """A close look as it was begun, and until when it lasts."""

    team_id: int
    device: str
    team: str
    window_seconds: float
    begun_at: At
    ends_at: At
    lasts: bool
    who: str


class Pace(Shape):
    """How often samples of the team come; null where nobody can tell."""

    polled: bool = Field(description="Whether this service asks the device; else somebody pushes")
    asked_seconds: float | None = Field(description="The interval in which the device is to be polled now")
    reached_seconds: float | None = Field(description="How far the last samples lie apart")
    newest_at: At | None
    text: str


class Shift(Shape):
    """How long until members stood on their new shares after a change, give or take `resolution_seconds`."""

    moving: Literal["not-yet", "none-seen", "settled", "unknown"]
    seconds: float | None
    resolution_seconds: float
    discards: int | None = Field(description="Frames discarded on members meanwhile; null where nobody counts them")
    text: str


class Followed(Shape):
    """A change as the narrow windows show it. `so_far` is no recorded verdict: that is reached from decided windows."""

    change_id: str
    at: At
    kind: ChangeKind
    what: str
    who: str
    shift: Shift
    independent_before: float
    independent_after: float
    needed: int = Field(description="So many independent windows are needed on either side")
    so_far: Verdict


class LookedMember(Shape):
    """One member, window by window; null is unknown."""

    port: str
    utilisation: list[Share | None]
    share: list[Share | None] = Field(description="Of what the whole team carries")
    coverage: list[Share]
    interpolated: list[bool] = Field(description="The samples lie further apart than the window is long")


class LookedWay(Shape):
    """One direction, window by window as in `starts`."""

    direction: Direction
    even_split: list[Share | None]
    busiest_share: list[Share | None]
    members: list[LookedMember]
    changes: list[Followed]


class Looked(Look):
    """What a close look shows now, worked out anew from kept samples; nothing of it is kept."""

    samples: Pace
    starts: list[At] = Field(description="Where each window begins")
    compared_seconds: float = Field(
        description="Changes are followed in windows of this width: no narrower than samples"
    )
    directions: list[LookedWay]
    notes: list[str]
    cautions: list[str]
