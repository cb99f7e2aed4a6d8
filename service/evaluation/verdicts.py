"""What came of changes, brought up to date from kept windows until it is final."""

from __future__ import annotations

from functools import partial
from typing import NamedTuple

from sqlalchemy import Connection, Engine

from service.evaluation import baselines, noting
from service.evaluation.plan import Policy
from service.rules.verdicts.baseline import KEPT_DAYS, LONGEST_MS
from service.rules.verdicts.comparing import verdict
from service.rules.verdicts.following import following, so_far
from service.storage import changes, database, inventory
from service.storage.changes import Line
from service.terms import Baseline, Change, Outcome, Side, Stretches, Verdict

DAY_MS, HOUR_MS = 86_400_000, 3_600_000
AT_ONCE = 50  # teams and directions a round
AGAIN_MS = 600_000  # one is compared no more often


class Course(NamedTuple):
    """How far the time after a change has come: what of it is compared, and whether no more will be."""

    after: Stretches
    ended: bool


def bring_up_to_date(engine: Engine, policy: Policy, now_ms: int) -> int:
    """Reach the verdicts that are awaited as far as windows have come; how many are others than they were."""
    with database.reading(engine) as connection:
        lines = changes.awaited(connection, AT_ONCE)
    due = [line for line in lines if line.verdict_ms is None or line.verdict_ms + AGAIN_MS <= now_ms]
    news, failed = 0, []
    for line in due:
        try:
            news += database.retried(engine, partial(reach, line=line, policy=policy, now_ms=now_ms))
        except Exception as failure:  # what fails for one team must not keep the others waiting
            failed.append(failure)
            database.retried(engine, partial(changes.pass_over, line=line, now_ms=now_ms))
    if failed:
        raise failed[0]
    return news


def reach(connection: Connection, *, line: Line, policy: Policy, now_ms: int) -> bool:
    """Compare one team and direction of a change, and say what came of it where that is news; whether it was.

    `line` is as it was awaited: where another process has reached it since, nothing is said twice.
    """
    inventory.hold_decided(connection, [line.team_id])
    now = changes.line(connection, line.change_id, line.place)
    if now.final or now.verdict_ms != line.verdict_ms:
        return False
    change, frozen = changes.one(connection, line.change_id), line.baseline or Baseline()
    course = _course(connection, change, line, policy, now_ms)
    told = _compared(connection, line, frozen, course, policy)
    final = course.ended or (told.outcome != Outcome.CANNOT_TELL_YET and _length(course.after) >= _length(frozen))
    changes.tell(connection, line, told, now_ms, final=final)
    news = told.outcome != line.outcome or final
    if news:
        as_told = line._replace(outcome=told.outcome, verdict=told, verdict_ms=now_ms, final=final)
        noting.note_verdict(connection, change, as_told, now_ms)
    return news


def _course(connection: Connection, change: Change, line: Line, policy: Policy, now_ms: int) -> Course:
    """The time after, as far as windows are decided: to the next change, a week, or while the time before is kept."""
    begin_ms = baselines.first_ms(change, policy.width_ms)
    frozen = line.baseline or Baseline()
    later = [
        one.change.at_ms - one.change.settle_ms
        for one in changes.of_teams(connection, [line.team_id], change.at_ms)
        if one.line.place == line.place and (one.change.at_ms, one.change.id) > (change.at_ms, change.id)
    ]
    oldest_ms = frozen.spans[0][0] if frozen.spans else begin_ms
    end_ms = min([*later, begin_ms + LONGEST_MS, oldest_ms + KEPT_DAYS * DAY_MS - HOUR_MS])
    decided_ms = inventory.decided(connection, [line.team_id]).get(line.team_id) or 0
    until_ms = min(end_ms, decided_ms)
    after = following(begin_ms, frozen.length_ms, until_ms, zone=policy.zone, working_days=policy.working_days)
    # A device that says nothing any more decides nothing either: then the clock ends the wait.
    return Course(after, decided_ms >= end_ms or now_ms >= end_ms + DAY_MS)


def _compared(connection: Connection, line: Line, frozen: Baseline, course: Course, policy: Policy) -> Verdict:
    elapsed_ms = max((end - start for start, end in course.after.spans), default=0)
    before = baselines.series(connection, line.place, so_far(frozen.spans, elapsed_ms), policy)
    after = baselines.series(connection, line.place, course.after, policy)
    if before is None or after is None:
        return _nothing_to_compare(before is None, bool(course.after.spans))
    rule = policy.rules_for(line.device, line.team)
    return verdict(before, after, clear_below=rule.clear_below)


def _nothing_to_compare(before: bool, begun: bool) -> Verdict:
    if not begun:
        reason = "no window has been decided since the settle time ended"
    else:
        reason = "no comparable hours before the change are kept" if before else "the team has no members"
    return Verdict(Outcome.CANNOT_TELL_YET, f"cannot tell yet: {reason}", Side(), Side(), reasons=(reason,))


def _length(told: Stretches | Baseline) -> int:
    return sum(end - start for start, end in told.spans)
