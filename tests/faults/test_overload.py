"""Twice what the service is set to take, and more at once than it has room for: refused politely, nothing lost."""

import postgres
import pytest
from faults import overload
from faults.processes import asked, kept, push, running, until, upgrade

RATED_PER_S, SECONDS, CONNECTIONS, BATCH = 40, 10, 48, 100


@pytest.fixture
def url():
    with postgres.server() as address:
        upgrade(address)
        yield address


def hold(counts, url, batch):
    """What every overload leaves behind: each acknowledged sample, and an answer when to come again for the rest."""
    assert counts["shed"] > 0
    assert (counts["bare"], counts["other"]) == (0, 0)
    # At the end a batch a connection is under way, and may be kept without an answer.
    assert counts["acknowledged"] <= kept(url) <= counts["acknowledged"] + CONNECTIONS * batch


@pytest.mark.timeout(300)
class TestOverload:
    def test_of_one_caller_is_refused_beyond_the_rated_load(self, url, tmp_path):
        told = {"LOPSIDE_SERVER__REQUESTS_PER_S": str(RATED_PER_S)}
        with running(url, tmp_path, environment=told) as service:
            counts = overload.load(service.address, seconds=SECONDS, connections=CONNECTIONS, batch=BATCH)

            assert counts["requests"] >= 2 * RATED_PER_S * SECONDS
            assert counts["acknowledged"] <= BATCH * RATED_PER_S * (counts["seconds"] + 5)
            hold(counts, url, BATCH)
            until(lambda: push(service.address, 0, 10).status_code == 200)

    def test_of_more_at_once_than_there_is_room_for_is_refused(self, url, tmp_path):
        told = {"LOPSIDE_SERVER__REQUESTS_PER_S": "100000"}
        with running(url, tmp_path, environment=told) as service:
            counts = overload.load(service.address, seconds=SECONDS, connections=CONNECTIONS, batch=20 * BATCH)

            hold(counts, url, 20 * BATCH)
            until(lambda: asked(f"{service.address}/healthz") == 200)
            until(lambda: push(service.address, 0, 10).status_code == 200)
