"""A database that answers nobody for a while, and one whose disk is full."""

import contextlib
import os
import subprocess
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import httpx
import postgres
import pytest
from faults.processes import asked, is_told_to_come_again, kept, opened, push, running, until, upgrade
from sqlalchemy import text

AT_ONCE = 48  # more than the service has threads and connections
DISK_MB = 400
PORTS = 400


@contextlib.contextmanager
def migrated(**told):
    with postgres.controlled(**told) as server:
        upgrade(server.url)
        yield server


@contextlib.contextmanager
def small_disk(place):
    """A file system of its own of a few megabytes, which only root may mount."""
    place.mkdir()
    told = ["-t", "tmpfs", "-o", f"size={DISK_MB}m,mode=0755", "lopside-test", place]
    mounted = subprocess.run(["mount", *told], capture_output=True, text=True, check=False)
    if mounted.returncode:
        pytest.skip(f"a small disk cannot be mounted here: {mounted.stderr.strip()}")
    try:
        yield place
    finally:
        subprocess.run(["umount", place], check=True)
        place.rmdir()


@contextlib.contextmanager
def held(url):
    """Nobody gets at the table of samples."""
    with opened(url) as engine, engine.connect() as connection:
        connection.execute(text("LOCK TABLE samples IN ACCESS EXCLUSIVE MODE"))
        yield


def fill(place):
    """Take up what is free on a disk; the file that does."""
    ballast = place / "ballast"
    for octets in (65536, 1):  # until not one more finds room
        with contextlib.suppress(OSError), ballast.open("ab", buffering=0) as file:
            while file.write(bytes(octets)):
                pass
    return ballast


def flood(address, poll):
    """Push one sample of each of many ports; the answer."""
    at_s = int(time.time()) - 60 + poll
    counted = {"in_octets": poll, "out_octets": poll, "in_packets": poll, "out_packets": poll, "speed_bps": 10**9}
    samples = [
        {"time": at_s, "device": f"sm-{port // 4}", "port": f"m{port % 4}", "team": "front", **counted}
        for port in range(PORTS)
    ]
    return httpx.post(f"{address}/v1/samples", json={"samples": samples}, timeout=90)


@pytest.mark.timeout(600)
class TestSlow:
    def test_is_waited_for_a_while_and_then_whoever_pushes_is_told_to_come_again(self, tmp_path):
        with migrated() as server, running(server.url, tmp_path) as service:
            assert push(service.address, 0, 10).json()["accepted"] == 10

            with held(server.url), ThreadPoolExecutor(AT_ONCE) as pool:
                answers = [pool.submit(flood, service.address, poll) for poll in range(AT_ONCE)]
                assert asked(f"{service.address}/healthz") == 200
                for answer in answers:
                    is_told_to_come_again(answer.result())

            until(lambda: asked(f"{service.address}/readyz") == 200)
            assert kept(server.url) == 10
            assert flood(service.address, 0).json()["accepted"] == PORTS


@pytest.fixture
def disk():
    with small_disk(Path("/tmp") / f"lopside-disk-{os.getpid()}") as place:
        yield place


@pytest.mark.timeout(600)
class TestDiskFull:
    def test_keeps_what_was_acknowledged_and_goes_on_when_there_is_room(self, disk, tmp_path):
        with migrated(durable=True, top=disk / "pg") as server, running(server.url, tmp_path) as service:
            assert flood(service.address, 0).json()["accepted"] == PORTS
            acknowledged = PORTS
            ballast = fill(disk)
            for poll in range(1, 400):
                answer = flood(service.address, poll)
                if answer.status_code != 200:
                    break
                acknowledged += answer.json()["accepted"]
            is_told_to_come_again(answer)
            assert asked(f"{service.address}/healthz") == 200

            ballast.unlink()
            with contextlib.suppress(RuntimeError):  # it may have gone on by itself
                server.start()
            until(lambda: asked(f"{service.address}/readyz") == 200)
            until(lambda: flood(service.address, poll).status_code == 200)
            assert kept(server.url) >= acknowledged + PORTS
