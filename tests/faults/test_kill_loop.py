"""Several processes share one PostgreSQL, and any of them may die at any moment."""

import pytest
from faults import kill_loop
from faults.processes import opened

KILLS = 24


@pytest.mark.timeout(900)
@pytest.mark.usefixtures("_postgresql_template")
def test_loses_and_doubles_nothing_whoever_is_killed_when(new_postgresql_url, tmp_path):
    url = new_postgresql_url("migrated")
    with opened(url) as engine:
        counted = kill_loop.play(engine, url, tmp_path, kill_loop.killing(KILLS, seed=20261127))

    assert sum(counted["killed"].values()) == KILLS
    assert counted["findings"] >= kill_loop.TEAMS
    assert counted["messages"] > counted["findings"]
