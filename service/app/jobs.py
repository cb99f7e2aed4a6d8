"""The recurring work: evaluation, delivery, housekeeping, and who of several processes does it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import structlog

from service import schedule
from service.app.clock import offset_s as clock_offset_s
from service.app.collecting import COLLECT_EVERY_S, collect, forget_agents
from service.app.parts import Parts
from service.app.turn import COLLECTION, LEASE_MS, RENEW_EVERY_MS
from service.schedule import Job
from service.settings.reading import Settings
from service.storage import declarations, leases

if TYPE_CHECKING:
    from service.storage.retention import Retention

EVALUATE_EVERY_S = 2
LISTEN_EVERY_S = 3
DELIVER_EVERY_S = 1
CLEAN_EVERY_S = 600
COMPARE_EVERY_S = 60
VERIFY_EVERY_S = 60
UNSHELVE_EVERY_S = 5
RELEASE_EVERY_S = 5
PASS_ON_EVERY_S = 10
TELL_EVERY_S = 20
SUM_UP_EVERY_S = 600
EVALUATION, HOUSEKEEPING = "evaluation", "housekeeping"
MOST_SLICES = 1000

log = structlog.get_logger("work")


def jobs_of(parts: Parts) -> tuple[Job, ...]:
    """The recurring work; polling only where there are agents to poll."""
    polling = (Job("collection", COLLECT_EVERY_S, lambda: collect(parts)),) if parts.settings.agents else ()
    return (
        *polling,
        Job("evaluation", EVALUATE_EVERY_S, lambda: evaluate(parts)),
        Job("listening", LISTEN_EVERY_S, lambda: hear(parts)),
        Job("lease", RENEW_EVERY_MS / 1000, lambda: keep_lease(parts)),
        Job("delivery", DELIVER_EVERY_S, lambda: deliver(parts)),
        Job("housekeeping", CLEAN_EVERY_S, lambda: clean(parts)),
        Job("agreement", COMPARE_EVERY_S, lambda: compare(parts)),
        Job("verdicts", VERIFY_EVERY_S, lambda: verify(parts)),
        Job("shelves", UNSHELVE_EVERY_S, lambda: unshelve(parts)),
        Job("quiet times", RELEASE_EVERY_S, lambda: release(parts)),
        Job("silences", TELL_EVERY_S, lambda: tell_of_silences(parts)),
        Job("passing on", PASS_ON_EVERY_S, lambda: pass_on(parts)),
        Job("days", SUM_UP_EVERY_S, lambda: sum_up(parts)),
    )


def evaluate(parts: Parts) -> None:
    """Evaluate what is due, unless another process is the one that evaluates."""
    epoch = held_epoch(parts)
    if epoch is None:
        return
    declared = parts.settings.declared()
    if declared:
        with parts.engine.begin() as connection:
            declarations.declare(connection, declared)
    outcome = parts.shift.evaluator(parts, epoch).run(parts.clock())
    if outcome.raised or outcome.cleared:
        log.info("evaluated", windows=outcome.windows, raised=outcome.raised, cleared=outcome.cleared)


def hear(parts: Parts) -> None:
    """Note which sources fell silent and which are heard again, unless another process is the one that evaluates."""
    if held_epoch(parts) is None:
        return
    outcome = parts.shift.listener(parts).listen(parts.clock())
    if outcome.silent:
        log.warning("sources fell silent", count=outcome.silent)
    if outcome.heard:
        log.info("sources are heard again", count=outcome.heard)


def compare(parts: Parts) -> None:
    """Hold readings of the same traffic against each other, in the process that evaluates."""
    from service.app.parts import policy_of
    from service.evaluation import agreement

    if not evaluates(parts):
        return
    said = agreement.compare(parts.engine, policy_of(parts.settings), parts.clock())
    if said:
        log.info("readings of the same traffic differ", events=said)


def verify(parts: Parts) -> None:
    """Bring verdicts on recorded changes up to date, in the process that evaluates."""
    from service.app.parts import policy_of
    from service.evaluation import verdicts

    if not evaluates(parts):
        return
    said = verdicts.bring_up_to_date(parts.engine, policy_of(parts.settings), parts.clock())
    if said:
        log.info("verdicts on changes", news=said)


def unshelve(parts: Parts) -> None:
    """End the shelves that ran out, in the process that evaluates."""
    from service.evaluation import shelving

    if not evaluates(parts):
        return
    ended = shelving.end_run_out(parts.engine, parts.routes, parts.clock())
    if ended:
        log.info("shelves ended", count=ended)


def release(parts: Parts) -> None:
    """Let go of the messages that quiet times held, in the process that evaluates."""
    from service import delivery

    if not evaluates(parts):
        return
    released = delivery.release(parts.engine, parts.routes, parts.clock())
    if released:
        log.info("quiet times ended", messages=released)


def pass_on(parts: Parts) -> None:
    """Tell other routes of what nobody took, in the process that evaluates."""
    from service import delivery

    if not evaluates(parts):
        return
    counts = delivery.pass_on(parts.engine, parts.routes, parts.clock())
    if any(counts.values()):
        log.warning("told another route", escalated=counts["escalated"], another_way=counts["another_way"])


def tell_of_silences(parts: Parts) -> None:
    """Tell people of sources that have been silent for long, in the process that evaluates."""
    from service import delivery

    after_ms = parts.settings.lateness.silence_told_min * 60_000
    if not after_ms or not evaluates(parts):
        return
    told = delivery.tell_of_silences(parts.engine, parts.routes, parts.clock(), after_ms)
    if told:
        log.info("told of silent sources", messages=told)


def sum_up(parts: Parts) -> None:
    """Make what each team's days came to, in the process that evaluates."""
    from service.app.parts import policy_of
    from service.evaluation import days

    if not evaluates(parts):
        return
    made = days.bring_up_to_date(parts.engine, policy_of(parts.settings), parts.clock())
    if made:
        log.info("days summed up", rows=made)


def evaluates(parts: Parts) -> bool:
    """Whether this process has evaluated before and still is the one that does."""
    return parts.shift.epoch is not None and held_epoch(parts) is not None


def held_epoch(parts: Parts) -> int | None:
    """Take or keep the lease on evaluation: its epoch, or None while another process holds it."""
    with parts.engine.begin() as connection:
        return leases.take(connection, EVALUATION, parts.owner, LEASE_MS, parts.shared_ms(connection, parts.clock()))


def keep_lease(parts: Parts) -> None:
    """Keep the lease while a long evaluation runs, so that nobody else begins on the same windows."""
    if parts.shift.epoch is not None and held_epoch(parts) is None:
        parts.shift.epoch = None
        log.warning("another process took over evaluation while this one was at it")


def deliver(parts: Parts) -> None:
    """Send what is due; messages are claimed one by one, so any number of processes may do this at once."""
    from service import delivery

    if parts.send is None:
        return
    outcome = delivery.deliver_due(parts.engine, parts.send, parts.routes, now_ms=parts.clock())
    if outcome.given_up:
        log.warning("messages were given up", count=outcome.given_up)


def clean(parts: Parts) -> None:
    """Make room for days to come and remove what is past its time, a slice a transaction."""
    from service.storage import retention

    with parts.engine.begin() as connection:
        now_ms = parts.shared_ms(connection, parts.clock())
        if leases.take(connection, HOUSEKEEPING, parts.owner, LEASE_MS, now_ms) is None:
            return
        retention.prepare(connection, parts.clock())
    for _ in range(MOST_SLICES):
        with parts.engine.begin() as connection:
            pruned = retention.prune(connection, parts.clock(), kept_for(parts.settings))
        if not pruned.more:
            return


def kept_for(settings: Settings) -> Retention:
    """How long the settings want things kept."""
    from service.storage.retention import DAY_MS, HOUR_MS, Retention

    told = settings.retention
    return Retention(
        samples_ms=told.samples_h * HOUR_MS,
        windows_ms=told.windows_d * DAY_MS,
        rollups_ms=told.rollups_d * DAY_MS,
        events_ms=told.events_d * DAY_MS,
        items_ms=told.items_h * HOUR_MS,
        messages_ms=told.messages_d * DAY_MS,
    )


@contextmanager
def at_work(parts: Parts) -> Iterator[None]:
    """The recurring work, until the block ends; others may then take over at once."""
    parts.turn.prepare(parts.settings)
    forget_agents(parts)
    clean(parts)
    try:
        with schedule.running(jobs_of(parts), clock_offset_s):
            yield
    finally:
        parts.turn.end()
        with parts.engine.begin() as connection:
            for name in (EVALUATION, HOUSEKEEPING, COLLECTION):
                leases.give_up(connection, name, parts.owner, parts.shared_ms(connection, parts.clock()))
