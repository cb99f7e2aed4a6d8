"""The database stops, comes back, or only reads: what was acknowledged is kept, who asks is told to come again."""

import contextlib
import time

import httpx
import postgres
import pytest
from faults.kill_loop import SETTINGS, Child, free_port
from receivers import listening
from sqlalchemy import func, select
from walks.traffic import polls

from service.storage import database, tables

SAMPLES = polls((4, (0.5, 0.5)))
PATIENCE_S = 90


@pytest.fixture(scope="module")
def server():
    with postgres.controlled(durable=True) as running:
        engine = database.open(running.url)
        database.upgrade(engine)
        engine.dispose()
        yield running


@pytest.fixture
def web(server, tmp_path):
    """Two halves of the service over the server, and the address of the one that answers."""
    port = free_port()
    with listening() as receiver:
        told = {"port": port, "url": server.url, "width": 30, "late": 90, "receiver": receiver.url()}
        (tmp_path / "settings.toml").write_text(SETTINGS.format(**told))
        children = [Child(half, tmp_path / "settings.toml", tmp_path / f"{half}.log") for half in ("web", "work")]
        try:
            for child in children:
                child.start()
            until(lambda: asked(f"http://127.0.0.1:{port}/healthz") == 200)
            yield f"http://127.0.0.1:{port}"
            assert all(child.is_alive() for child in children), "a process did not survive"
        finally:
            for child in children:
                if child.is_alive():
                    child.kill()


def until(holds):
    """Wait until something holds."""
    ends = time.monotonic() + PATIENCE_S
    while not holds():
        assert time.monotonic() < ends, "it never came to hold"
        time.sleep(0.2)


def asked(address):
    with contextlib.suppress(httpx.TransportError):
        return httpx.get(address, timeout=20).status_code
    return None


def push(address, first, last):
    now_s = int(time.time())
    shift = now_s - SAMPLES[-1]["time"] - 10
    some = [{**one, "time": one["time"] + shift, "received_at": one["time"] + shift} for one in SAMPLES[first:last]]
    return httpx.post(f"{address}/v1/samples", json={"samples": some}, timeout=30)


def kept(server):
    engine = database.open(server.url)
    with database.reading(engine) as connection:
        count = connection.scalar(select(func.count()).select_from(tables.samples))
    engine.dispose()
    return count


def is_told_to_come_again(answer):
    assert answer.status_code == 503
    assert int(answer.headers["retry-after"]) > 0
    assert answer.headers["content-type"] == "application/problem+json"
    assert "send it again later" in answer.json()["detail"]


@pytest.mark.timeout(600)
class TestDatabaseAway:
    def test_that_stops_and_comes_back_loses_nothing_that_was_acknowledged(self, server, web):
        before = kept(server)
        assert push(web, 0, 10).json()["accepted"] == 10

        server.stop()
        try:
            is_told_to_come_again(push(web, 10, 20))
            assert asked(f"{web}/healthz") == 200
            assert asked(f"{web}/readyz") == 503
        finally:
            server.start()

        until(lambda: asked(f"{web}/readyz") == 200)
        assert kept(server) == before + 10
        assert push(web, 10, 20).json()["accepted"] == 10
        assert kept(server) == before + 20

    def test_that_only_reads_since_another_took_over_is_away_for_whoever_writes(self, server, web):
        assert push(web, 20, 30).status_code == 200
        server.demote()
        try:
            until(lambda: asked(f"{web}/v1/findings") == 200)
            is_told_to_come_again(push(web, 30, 40))
        finally:
            server.promote()

        until(lambda: push(web, 30, 40).status_code == 200)
