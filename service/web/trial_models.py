"""The shapes of a heavy-traffic check and of what came of it."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

from pydantic import Field

from service.errors import WrongState
from service.numerics.frames import MOST_MTU, Transfer
from service.rules.trials.framing import MOST_DATAGRAM, Framing, of_tcp, of_udp
from service.rules.trials.plan import LAST_MS, LEAST_MS, LONGEST_MS, MOST_GROUPS, MOST_STREAMS, Changed, Group, Plan
from service.web.change_forms import Asked, Instant, Name
from service.web.models import Direction, Shape
from service.web.odds_models import MOST_BPS, WHOLE, Seed
from service.web.parameters import milliseconds

MOST_CHANGES = 8
Seconds = Annotated[int, Field(ge=0, le=LONGEST_MS // 1000), WHOLE]
Count = Annotated[int, Field(ge=1, le=MOST_STREAMS), WHOLE]
StreamBps = Annotated[int, Field(ge=1, le=MOST_BPS), WHOLE]


class TrialStreams(Asked):
    """Alike streams of so much each; they begin `after_seconds` into the check and last to its end where left out."""

    count: Count = 1
    bps: StreamBps
    after_seconds: Seconds = 0
    for_seconds: Annotated[int, Field(ge=1, le=LONGEST_MS // 1000), WHOLE] | None = None


class TrialFraming(Asked):
    """How streams are framed: full segments of TCP by the MTU, or datagrams of `udp_octets` where these are told."""

    rates_of: Literal["payload", "frame"] = Field(default="payload", description="Of what the stated rates are")
    mtu: Annotated[int, Field(ge=100, le=MOST_MTU), WHOLE] = 1500
    timestamps: bool = Field(default=True, description="Of TCP, RFC 7323")
    tagged: bool = False
    ip: Literal[4, 6] = 4
    udp_octets: Annotated[int, Field(ge=1, le=MOST_DATAGRAM - 40), WHOLE] | None = None


class TrialChange(Asked):
    """When something was changed during the check."""

    at: Instant
    what: str = Field(default="", max_length=2000)


class TrialPlan(Asked):
    """A plan of heavy traffic through a team; changes that are not named are those recorded for it."""

    device: Name
    team: Name
    direction: Direction = "egress"
    begin: Instant = Field(alias="from", description="When sending begins, RFC 3339")
    seconds: Annotated[int, Field(ge=LEAST_MS // 1000, le=LONGEST_MS // 1000), WHOLE]
    streams: list[TrialStreams] = Field(min_length=1, max_length=MOST_GROUPS)
    framing: TrialFraming = TrialFraming()
    changes: list[TrialChange] = Field(default=[], max_length=MOST_CHANGES)
    line: float | None = Field(
        default=None, gt=0, le=1, description="What the odds are about; the hot line of the team's rule where left out"
    )
    seed: Seed = 1


class TrialMember(Shape):
    """A member before the check, and in the stretch in which most was offered."""

    port: str
    speed_bps: int | None
    background_bps: float | None
    counted_bps: float | None
    utilisation: float | None


class TrialCount(Shape):
    """Counted less what ran before, over what counters should show of what was offered; it agrees within 2 %."""

    offered_bps: float
    expected_bps: float
    counted_bps: float
    background_bps: float | None
    ratio: float
    agrees: bool
    tolerance: float
    seconds: float
    frame_octets: float | None = Field(description="In the mean, as counted")


class TrialSeat(Shape):
    """How many streams a member carried."""

    port: str
    streams: int


class TrialStep(Shape):
    """A step in a member's rate; `streams` below 0 where they left, null where no whole number explains it."""

    port: str
    at: datetime
    earliest: datetime
    latest: datetime
    height_bps: float
    declared: Literal["begin", "end", "change", ""]
    streams: int | None
    stream_bps: float | None


class TrialShift(Shape):
    """What members did at a change; `seconds` is null where no member's rate changed."""

    change_at: datetime
    what: str
    seconds: float | None
    resolution_s: float = Field(description="How far polls lie apart: nothing is known more finely")
    moved_bps: float
    steps: list[TrialStep]
    before_bps: list[float]
    after_bps: list[float]
    lost_octets: float | None = Field(description="Not counted between the levels; TCP sends such again later")
    error_octets: float | None
    lost_ms: float | None
    discards: int | None
    text: str


class TrialOdds(Shape):
    """What the odds had said of one draw, beside what was seen while most was offered."""

    line: float
    success: float
    error: float
    seen_busiest: float | None
    seen_above: bool | None
    most_on_one: int | None
    as_uneven: float | None
    text: str


class TrialRecord(Shape):
    """A record of a conversation or virtual port in the stretch in which most was offered."""

    kind: str
    name: str
    port: str
    bps: float


class Trial(Shape):
    """What came of a plan, as far as polls reach."""

    device: str
    team: str
    direction: Direction
    begin: datetime = Field(alias="from")
    to: datetime
    until: datetime | None
    complete: bool
    poll_s: float
    members: list[TrialMember]
    count: TrialCount | None
    seats: list[TrialSeat]
    seats_by: Literal["steps", "records", ""]
    landed: list[TrialStep]
    shifts: list[TrialShift]
    foretold: TrialOdds | None
    discards: int | None
    records: list[TrialRecord]
    warnings: list[str]
    cautions: list[str]


def plan_of(told: TrialPlan, usual_line: float) -> Plan:
    """The plan in the core's words; WrongState where parts of it do not go together."""
    if sum(one.count for one in told.streams) > MOST_STREAMS:
        raise WrongState(f"a check has at most {MOST_STREAMS} streams")
    begin_ms = milliseconds("from", told.begin) or 0
    end_ms = begin_ms + told.seconds * 1000
    if not 0 <= begin_ms < end_ms < LAST_MS:
        raise WrongState("a check begins and ends between the years 1970 and 9999")
    return Plan(
        device=told.device,
        team=told.team,
        direction=told.direction,
        groups=tuple(_group(one, begin_ms, end_ms) for one in told.streams),
        begin_ms=begin_ms,
        end_ms=end_ms,
        framing=_framing(told.framing),
        line=usual_line if told.line is None else told.line,
        seed=told.seed,
        changes=tuple(Changed(milliseconds("at", one.at) or 0, one.what) for one in told.changes),
    )


def _group(one: TrialStreams, begin_ms: int, end_ms: int) -> Group:
    first_ms = begin_ms + one.after_seconds * 1000
    last_ms = end_ms if one.for_seconds is None else first_ms + one.for_seconds * 1000
    if not first_ms < last_ms <= end_ms:
        raise WrongState("streams that do not begin and end within the check; make it longer, or them shorter")
    return Group(one.count, float(one.bps), first_ms, last_ms)


def _framing(told: TrialFraming) -> Framing:
    by_frames = told.rates_of == "frame"
    if told.udp_octets is not None:
        return of_udp(told.udp_octets, ip=told.ip, tagged=told.tagged, by_frames=by_frames)
    return of_tcp(Transfer(told.mtu, told.timestamps, told.tagged, told.ip), by_frames=by_frames)
