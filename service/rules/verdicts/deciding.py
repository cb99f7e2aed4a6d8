"""Which verdict holds: the first of cannot tell yet, moved, worse, evened out, improved, unchanged, cannot tell yet.

The limits are this project's, in points of utilisation: what moves less than five is not worth a change.
"""

from __future__ import annotations

from typing import NamedTuple

from service.rules.verdicts.case import Case
from service.rules.verdicts.waiting import when_enough, when_narrow
from service.rules.words import counted, signed_points
from service.terms import Outcome, Side

LIMIT = 0.05  # excess that moves less than this has not changed
NEEDED = 8  # independent windows on either side
SPAN_OF_TAU = 10  # a series shorter than so many tau hides its own correlation
COMPARABLE_FROM = 0.60  # of the windows after, in bands of load that the time before has
LOAD_FROM, LOAD_TO = 0.8, 1.25
HARM_FROM = 1e-5  # of frames dropped
LEFT_OF_FLAGGED = 0.25
HELD_BACK = "the busiest member was full before and held load back, so that all loads are compared as one"
ROUNDING = 1e-12  # differences of means of quotients


class Decision(NamedTuple):
    """A verdict's outcome, why, and from when it could be told if it cannot yet."""

    outcome: Outcome
    reasons: tuple[str, ...] = ()
    could_tell_ms: int | None = None


def decided(case: Case) -> Decision:
    """The first outcome that holds."""
    against = incomparable(case) or members_differ(case)
    if against:
        return Decision(Outcome.CANNOT_TELL_YET, against)
    if few := too_few(case):
        return Decision(Outcome.CANNOT_TELL_YET, few, when_enough(case, NEEDED, SPAN_OF_TAU))
    return _of_interval(case)


def _of_interval(case: Case) -> Decision:
    if case.difference is None or case.low is None or case.high is None:
        return Decision(Outcome.CANNOT_TELL_YET, ("too few windows to say how far the means may be off",))
    if _moved(case):
        return _told(Outcome.MOVED, case)
    if case.low > LIMIT + ROUNDING or drops_newly(case):
        return _told(Outcome.WORSE, case)
    if case.high < -LIMIT - ROUNDING:
        return _told(Outcome.EVENED_OUT if _seldom_flagged(case) else Outcome.IMPROVED, case)
    if case.low >= -LIMIT - ROUNDING and case.high <= LIMIT + ROUNDING:
        return _told(Outcome.UNCHANGED, case)
    reason = f"the difference may be anything from {signed_points(case.low)} to {signed_points(case.high)} points"
    return Decision(Outcome.CANNOT_TELL_YET, (reason,), when_narrow(case, LIMIT))


def _told(outcome: Outcome, case: Case) -> Decision:
    return Decision(outcome, (HELD_BACK,) if case.squeezed else ())


def incomparable(case: Case) -> tuple[str, ...]:
    """Why the two sides cannot be compared as to load, nothing where they can."""
    ratio = case.load_ratio
    if ratio is None:
        return ()
    if ratio < LOAD_FROM or (ratio > LOAD_TO and not case.squeezed):
        return (f"load not comparable: {ratio:.2f} times what it was before",)
    if not (case.before.counted and case.after.counted) or case.squeezed:
        return ()
    if case.comparable < COMPARABLE_FROM - ROUNDING:
        return (f"load not comparable: {case.comparable:.0%} of the windows after have a load that was seen before",)
    return ()


def members_differ(case: Case) -> tuple[str, ...]:
    """Which members count on one side only; a team of other members is another team."""
    return tuple(
        f"{', '.join(ports)} {'counts' if len(ports) == 1 else 'count'} only {side} the change"
        for ports, side in ((case.only_before, "before"), (case.only_after, "after"))
        if ports
    )


def too_few(case: Case) -> tuple[str, ...]:
    """On which side too little was seen, and by how much."""
    sides = ((case.before, "before"), (case.after, "after"))
    return tuple(told for side, name in sides if (told := _too_few(side, name)))


def is_enough(side: Side) -> bool:
    """Whether a side holds enough independent windows, over a time long enough to know that they are."""
    return side.effective >= NEEDED - ROUNDING and side.windows >= SPAN_OF_TAU * side.tau - ROUNDING


def _too_few(side: Side, name: str) -> str:
    if is_enough(side):
        return ""
    if side.counted == 0:
        return f"no window {name} the change in which all members were known and the even split reached 10 %"
    if side.effective < NEEDED:
        return f"{side.counted} windows {name} the change say as much as {side.effective:.1f} independent ones"
    return f"{side.windows} windows {name} the change are too short a time: each resembles {side.tau:.0f} others"


def drops_newly(case: Case) -> bool:
    """Whether frames are dropped that are known not to have been before."""
    now, then = case.after.discard_ratio, case.before.discard_ratio
    return now is not None and then is not None and then < HARM_FROM <= now


def harms(case: Case) -> tuple[str, ...]:
    """What got worse besides balance."""
    told = []
    if drops_newly(case):
        was = f"{case.before.discard_ratio:.0e}" if case.before.discard_ratio else "0"
        told.append(f"discards {case.after.discard_ratio:.0e} of frames, before {was}")
    if case.gone:
        told.append(f"{counted(len(case.gone), 'member')} lost: {', '.join(case.gone)}")
    return tuple(told)


def _moved(case: Case) -> bool:
    hot, was = case.after.hot_port, case.before.hot_port
    return bool(hot and was) and hot != was and abs(case.difference or 0.0) <= LIMIT + ROUNDING


def _seldom_flagged(case: Case) -> bool:
    return case.after.flagged_minutes <= LEFT_OF_FLAGGED * case.before.flagged_minutes + ROUNDING
