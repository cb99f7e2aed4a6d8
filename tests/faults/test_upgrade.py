"""A later release migrates the database while processes of this one run on it."""

import later_release
import postgres
import pytest
from faults.processes import asked, kept, push, running, until

from service.storage import database


@pytest.fixture
def server():
    with postgres.controlled() as controlled:
        engine = database.open(controlled.url)
        database.upgrade(engine)
        engine.dispose()
        yield controlled


@pytest.mark.timeout(300)
class TestLaterRelease:
    def test_that_only_added_lets_running_processes_go_on_and_others_start(self, server, tmp_path):
        engine = database.open(server.url)
        with running(server.url, tmp_path) as service:
            assert push(service.address, 0, 10).json()["accepted"] == 10
            later_release.come(engine, tmp_path / "next")

            assert push(service.address, 10, 20).json()["accepted"] == 10
            assert asked(f"{service.address}/readyz") == 200

        with running(server.url, tmp_path) as service:
            until(lambda: asked(f"{service.address}/readyz") == 200)
            assert push(service.address, 20, 30).json()["accepted"] == 10
        assert kept(server.url) == 30
        engine.dispose()

    def test_that_took_away_is_said_by_processes_of_this_one(self, server, tmp_path):
        engine = database.open(server.url)
        with running(server.url, tmp_path) as service:
            until(lambda: asked(f"{service.address}/readyz") == 200)
            later_release.come(engine, tmp_path / "next", oldest="9999")

            assert asked(f"{service.address}/readyz") == 503
        engine.dispose()
