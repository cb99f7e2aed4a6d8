"""When recurring work runs; is handed what to run."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

import structlog
from apscheduler.schedulers.background import BackgroundScheduler

# The library's own default drops a run that is more than a second late without a word.
LATE_S = 300


@dataclass(frozen=True)
class Job:
    """Work that is done every so often, never twice at a time; what is missed is made up by one run."""

    name: str
    every_s: float
    work: Callable[[], object]


@contextmanager
def running(jobs: Sequence[Job]) -> Iterator[BackgroundScheduler]:
    """Run the jobs on threads of their own until the block ends; a run that has begun is waited for."""
    scheduler = BackgroundScheduler(
        timezone="UTC",
        job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": LATE_S},
        executors={"default": {"type": "threadpool", "max_workers": max(1, len(jobs))}},
    )
    for job in jobs:
        scheduler.add_job(told(job), "interval", seconds=job.every_s, id=job.name)
    scheduler.start()
    try:
        yield scheduler
    finally:
        scheduler.shutdown(wait=True)


def told(job: Job) -> Callable[[], None]:
    """The job's work, with a failure logged and survived: the next run may well succeed."""
    log = structlog.get_logger("schedule")

    def work() -> None:
        try:
            job.work()
        except Exception:
            log.exception("a job failed and stays scheduled", job=job.name)

    return work
