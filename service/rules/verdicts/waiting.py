"""When a verdict that cannot be told yet could be, if what follows is like what was seen."""

from __future__ import annotations

import math

from service.rules.verdicts.case import Case

LONGEST_MS = 7 * 86_400_000  # after a week nothing is waited for any more
T_OF_MANY = 2.0  # of Student's distribution with many degrees of freedom, rounded up


def when_enough(case: Case, needed: float, span_of_tau: float) -> int | None:
    """When the time after holds enough windows; None where it is the time before that lacks them."""
    if case.before.effective < needed or case.before.windows < span_of_tau * case.before.tau:
        return None
    if not case.used[1]:
        return None
    of_windows = case.after.windows / case.used[1]
    return _at(case, max(needed * case.after.tau * of_windows, span_of_tau * case.after.tau))


def when_narrow(case: Case, limit: float) -> int | None:
    """When the interval would have shrunk until it lies on one side of the nearer limit.

    Only the time after grows: where the time before alone leaves more doubt, waiting does not help.
    """
    if case.difference is None or not case.used[1]:
        return None
    room = abs(abs(case.difference) - limit) / T_OF_MANY
    left = room * room - case.variances[0]
    if left <= 0:
        return None
    return _at(case, case.after.windows * case.variances[1] / left)


def _at(case: Case, windows: float) -> int | None:
    """When so many windows after have been seen, at the pace of those that were: nights alone take days."""
    if case.first_after_ms is None or not math.isfinite(windows):
        return None
    wait_ms = math.ceil(windows * case.after_ms / max(1, case.after.windows))
    return case.first_after_ms + wait_ms if wait_ms <= LONGEST_MS else None
