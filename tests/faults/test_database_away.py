"""The database stops, comes back, or only reads: what was acknowledged is kept, who asks is told to come again."""

import postgres
import pytest
from faults.processes import asked, is_told_to_come_again, kept, push, running, until, upgrade


@pytest.fixture(scope="module")
def server():
    with postgres.controlled(durable=True) as controlled:
        upgrade(controlled.url)
        yield controlled


@pytest.fixture
def web(server, tmp_path):
    with running(server.url, tmp_path) as service:
        yield service.address


@pytest.mark.timeout(600)
class TestDatabaseAway:
    def test_that_stops_and_comes_back_loses_nothing_that_was_acknowledged(self, server, web):
        before = kept(server.url)
        assert push(web, 0, 10).json()["accepted"] == 10

        server.stop()
        try:
            is_told_to_come_again(push(web, 10, 20))
            assert asked(f"{web}/healthz") == 200
            assert asked(f"{web}/readyz") == 503
        finally:
            server.start()

        until(lambda: asked(f"{web}/readyz") == 200)
        assert kept(server.url) == before + 10
        assert push(web, 10, 20).json()["accepted"] == 10
        assert kept(server.url) == before + 20

    def test_that_only_reads_since_another_took_over_is_away_for_whoever_writes(self, server, web):
        assert push(web, 20, 30).status_code == 200
        server.demote()
        try:
            until(lambda: asked(f"{web}/v1/findings") == 200)
            is_told_to_come_again(push(web, 30, 40))
        finally:
            server.promote()

        until(lambda: push(web, 30, 40).status_code == 200)
