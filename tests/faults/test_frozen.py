"""A worker freezes while it evaluates, another takes over, and the first wakes up in the belief that it still may."""

import os
import signal

import pytest
from faults import kill_loop
from faults.processes import opened, until
from sqlalchemy import select

from service.app.jobs import EVALUATION
from service.storage import database, tables

FREEZES = 5


def holder(engine):
    """Which process holds the lease on evaluation, and in which epoch."""
    told = tables.leases.c
    with database.reading(engine) as connection:
        row = connection.execute(select(told.owner, told.epoch).where(told.name == EVALUATION)).first()
    return (int(row.owner.split("-")[-2]), row.epoch) if row else (0, 0)


@pytest.mark.timeout(900)
@pytest.mark.usefixtures("_postgresql_template")
def test_wakes_up_to_find_itself_fenced_off(new_postgresql_url, tmp_path):
    url = new_postgresql_url("migrated")

    def ordeal(children):
        workers = {child.process.pid for child in children if child.half == "work"}
        epochs = []
        for _ in range(FREEZES):
            until(lambda: holder(engine)[0] in workers)
            frozen, epoch = holder(engine)
            os.kill(frozen, signal.SIGSTOP)
            try:
                # Where it holds locks, they are taken from it after a minute at most.
                until(lambda: holder(engine)[1] > epoch)  # noqa: B023  # asked within the turn of the loop
            finally:
                os.kill(frozen, signal.SIGCONT)
            epochs.append(holder(engine)[1])
        return {"epochs": epochs}

    with opened(url) as engine:
        counted = kill_loop.play(engine, url, tmp_path, ordeal)

    assert counted["epochs"] == sorted(set(counted["epochs"]))
    assert len(counted["epochs"]) == FREEZES
    assert counted["findings"] >= kill_loop.TEAMS
    assert counted["messages"] > counted["findings"]
