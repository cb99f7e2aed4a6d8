"""A verdict in plain words, with the figures that it rests on."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

from service.rules.words import signed_points
from service.terms import Outcome, Side, Verdict

WORDS = {
    Outcome.EVENED_OUT: "evened out",
    Outcome.IMPROVED: "improved but uneven",
    Outcome.UNCHANGED: "unchanged",
    Outcome.WORSE: "worse",
    Outcome.MOVED: "moved",
    Outcome.CANNOT_TELL_YET: "cannot tell yet",
}
BACK_OUT = "consider backing the change out, under your own change control"


def worded(verdict: Verdict) -> Verdict:
    """The verdict with its text."""
    return replace(verdict, text=text_of(verdict))


def text_of(verdict: Verdict) -> str:
    """One line: the verdict, why, and the figures."""
    parts = (*_why(verdict), *_figures(verdict), *_wait(verdict), *_harm(verdict))
    return f"{heading(verdict)}: {'; '.join(parts)}" if parts else heading(verdict)


def heading(verdict: Verdict) -> str:
    """The verdict in a few words, as "evened out; team now full"."""
    word = WORDS[verdict.outcome]
    if verdict.outcome is Outcome.CANNOT_TELL_YET and verdict.could_tell_ms is None and _is_incomparable(verdict):
        word = "cannot tell"
    harm = ", with harm" if verdict.harm else ""
    full = "; team now full" if verdict.outcome is Outcome.EVENED_OUT and verdict.now_full else ""
    return word + harm + full


def _is_incomparable(verdict: Verdict) -> bool:
    return any(reason.startswith("load not comparable") for reason in verdict.reasons)


def _why(verdict: Verdict) -> tuple[str, ...]:
    if verdict.outcome is Outcome.MOVED:
        return (f"{verdict.before.hot_port} was the busiest, now it is {verdict.after.hot_port}", *verdict.reasons)
    return verdict.reasons


def _figures(verdict: Verdict) -> tuple[str, ...]:
    before, after = verdict.before, verdict.after
    if before.excess is None or after.excess is None:
        return ()
    return (
        f"busiest member {100 * before.excess:.1f} points above the even split before, {100 * after.excess:.1f} after"
        + _bounds(verdict),
        *_shares(before, after),
        *_load(verdict),
    )


def _bounds(verdict: Verdict) -> str:
    if verdict.difference is None or verdict.low is None or verdict.high is None:
        return ""
    between = f"{signed_points(verdict.low)} to {signed_points(verdict.high)}"
    return f" (change {signed_points(verdict.difference)}, 95 % {between})"


def _shares(before: Side, after: Side) -> tuple[str, ...]:
    if before.share is None or after.share is None:
        return ()
    return (f"share {before.share:.3f} before, {after.share:.3f} after",)


def _load(verdict: Verdict) -> tuple[str, ...]:
    if verdict.load_ratio is None or verdict.outcome is Outcome.CANNOT_TELL_YET:
        return ()
    return (f"delivered {100 * (verdict.load_ratio - 1):+.1f} %",)


def _wait(verdict: Verdict) -> tuple[str, ...]:
    if verdict.could_tell_ms is None:
        return ()
    return (f"could be told from about {hour(verdict.could_tell_ms)}, if the load goes on like this",)


def _harm(verdict: Verdict) -> tuple[str, ...]:
    return (*verdict.harm, BACK_OUT) if verdict.harm else ()


def hour(at_ms: int) -> str:
    """An instant to the minute, rounded up, in UTC."""
    return datetime.fromtimestamp(-(-at_ms // 60_000) * 60, UTC).strftime("%Y-%m-%d %H:%M UTC")
