"""When recurring work runs; is handed what to run."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

import structlog
from apscheduler.schedulers.background import BackgroundScheduler

# The library's own default drops a run that is more than a second late without a word.
LATE_S = 300
# A clock that is set back by more than this would keep the jobs waiting until it is past where it was.
STEP_S = 2.0
LOOK_EVERY_S = 1.0


@dataclass(frozen=True)
class Job:
    """Work that is done every so often, never twice at a time; what is missed is made up by one run."""

    name: str
    every_s: float
    work: Callable[[], object]


@contextmanager
def running(jobs: Sequence[Job], offset_s: Callable[[], float] = float) -> Iterator[BackgroundScheduler]:
    """Run the jobs on threads of their own until the block ends; a run that has begun is waited for.

    `offset_s` says how far the clock is ahead of one that nobody sets: where it jumps, jobs are scheduled anew.
    """
    scheduler = BackgroundScheduler(
        timezone="UTC",
        job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": LATE_S},
        executors={"default": {"type": "threadpool", "max_workers": max(1, len(jobs))}},
    )
    for job in jobs:
        scheduler.add_job(told(job), "interval", seconds=job.every_s, id=job.name)
    scheduler.start()
    over = threading.Event()
    watch = threading.Thread(target=_follow_clock, args=(scheduler, jobs, offset_s, over), name="clock", daemon=True)
    watch.start()
    try:
        yield scheduler
    finally:
        over.set()
        watch.join()
        scheduler.shutdown(wait=True)


def _follow_clock(
    scheduler: BackgroundScheduler, jobs: Sequence[Job], offset_s: Callable[[], float], over: threading.Event
) -> None:
    """Schedule the jobs anew whenever the clock was set, until it is over."""
    log = structlog.get_logger("schedule")
    known_s = offset_s()
    while not over.wait(LOOK_EVERY_S):
        by_s = offset_s() - known_s
        known_s += by_s
        if abs(by_s) > STEP_S:
            log.warning("the clock was set", by_s=round(by_s, 3))
            for job in jobs:
                scheduler.reschedule_job(job.name, trigger="interval", seconds=job.every_s)


def told(job: Job) -> Callable[[], None]:
    """The job's work, with a failure logged and survived: the next run may well succeed."""
    log = structlog.get_logger("schedule")

    def work() -> None:
        try:
            job.work()
        except Exception:
            log.exception("a job failed and stays scheduled", job=job.name)

    return work
