"""Samples from HTTP to a durable commit, as a ratio to what the database does bare; and the decoding of each form.

Bare is: the same rows, ready as the driver wants them, into a table of the same columns and key,
in transactions of the same size that reach the disk. Run by tests/benchmarks/run.py, or by itself.
"""

from __future__ import annotations

import http.client
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import msgspec
import numpy as np
import postgres
import storage as bare_storage
from examples import EPOCH_MS
from feed_examples import as_arrow, as_columnar, as_csv, as_json, as_ndjson
from sqlalchemy import Engine

from service.feeds import body
from service.storage import database, samples
from service.terms import Samples

PORTS, ROUNDS, CLIENTS = 10_000, 24, 2
COUNTED = ("in_octets", "out_octets", "in_packets", "out_packets")
# Hosts as they are in the field: three teams of two.
TEAMS = ("front", "store", "shift")
MEMBERS = 2
FORMS = {
    "JSON samples": (as_json, body.JSON),
    "JSON samples, fields differ": (
        lambda rows: as_json([{"mac": "02:00:5e:10:00:01", **rows[0]}, *rows[1:]]),
        body.JSON,
    ),
    "JSON columns": (as_columnar, body.JSON),
    "NDJSON": (as_ndjson, body.NDJSON),
    "CSV": (as_csv, body.CSV),
    "Arrow": (as_arrow, body.ARROW),
    "Arrow, zstd inside": (lambda rows: as_arrow(rows, "zstd"), body.ARROW),
}


def rows_of(number: int, sender: str = "sm") -> list[dict[str, object]]:
    """One sample of each port of a sender, as it writes it."""
    draw = np.random.default_rng(number)
    counters = draw.integers(0, 2**44, (PORTS, len(COUNTED))).tolist()
    at = EPOCH_MS / 1000 + 30 * number + 0.25
    return [
        {
            "time": at,
            "device": f"{sender}-{port // 6:04}",
            "port": f"m{port % 6 + 1}",
            "team": TEAMS[port % 6 // MEMBERS],
            "speed_bps": 10**9,
            "oper_status": "up",
            **dict(zip(COUNTED, counters[port], strict=True)),
        }
        for port in range(PORTS)
    ]


def decoding() -> None:
    """Print what a sample costs to decode and to resolve into arrays, in each form."""
    rows = rows_of(1)
    for name, (write, kind) in FORMS.items():
        octets = write(rows)
        best = min(_processor_s(octets, kind) for _ in range(9))
        print(
            f"decode {name:28} {best / PORTS * 1e6:5.2f} us/sample, {len(octets) / PORTS:4.0f} octets/sample",
            flush=True,
        )


def _processor_s(octets: bytes, kind: str) -> float:
    """The processor's time for one body, which other work on the machine hardly changes."""
    begun = time.process_time()
    body.parse(octets, kind)
    return time.process_time() - begun


class Client:
    """One sender that keeps its connection."""

    def __init__(self, port: int) -> None:
        self.connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)

    def push(self, octets: bytes) -> None:
        self.connection.request("POST", "/v1/samples", octets, {"content-type": body.JSON})
        answer = self.connection.getresponse()
        said = msgspec.json.decode(answer.read())
        assert answer.status == 200, said
        assert said["accepted"] == PORTS, said


@contextmanager
def serving(url: str) -> Iterator[int]:
    """This file's server in a process of its own; its port on loopback."""
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        port = listening.getsockname()[1]
    process = subprocess.Popen([sys.executable, __file__, "--serve", url, str(port)])
    try:
        _wait_for(port, process)
        yield port
    finally:
        process.terminate()
        process.wait(30)


def _wait_for(port: int, process: subprocess.Popen[bytes]) -> None:
    for _ in range(300):
        with socket.socket() as trying:
            if trying.connect_ex(("127.0.0.1", port)) == 0:
                return
        assert process.poll() is None, "the server did not start"
        time.sleep(0.1)
    raise TimeoutError("the server did not listen within 30 s")


def serve(url: str, port: int) -> None:
    """Serve as the service does, its clock set to the samples' time."""
    from service.app import running
    from service.web import api
    from service.web.services import Services

    services = Services(database.open(url), now_ms=lambda: EPOCH_MS + 7_200_000, requests_per_s=0)
    running.listen(api.make(services), "127.0.0.1", port)


def compare(name: str, url: str, bare: Callable[[Engine, Samples], Callable[[], None]]) -> None:
    """Both ways, turn by turn; then several senders at once."""
    engine = database.open(url)
    database.upgrade(engine)
    _make_bare(engine)
    bodies = [as_json(rows_of(number)) for number in range(ROUNDS + 1)]
    times: dict[str, list[float]] = {"bare": [], "pushed": []}
    with serving(url) as port:
        client = Client(port)
        client.push(bodies[-1])  # registers the ports
        for number in range(ROUNDS):
            work = bare(engine, bare_storage.batch(number))
            times["bare"].append(bare_storage.seconds(work))
            times["pushed"].append(bare_storage.seconds(lambda: client.push(bodies[number])))  # noqa: B023  # called at once
        together_s = _together(port)
    bare_s, pushed_s = (statistics.median(times[way]) for way in ("bare", "pushed"))
    print(
        f"{name:11} bare {PORTS / bare_s:9,.0f} rows/s, HTTP to commit {PORTS / pushed_s:9,.0f}:"
        f" {bare_s / pushed_s:.2f} of bare (goal 0.40); {CLIENTS} senders {PORTS / together_s:9,.0f}:"
        f" {bare_s / together_s:.2f}",
        flush=True,
    )
    engine.dispose()


def _make_bare(engine: Engine) -> None:
    columns = ", ".join(
        f"{name} {'bigint' if kind == '>i8' else 'integer'} NOT NULL" for name, kind in samples.COLUMNS.items()
    )
    with engine.begin() as connection:
        connection.exec_driver_sql(f"CREATE TABLE bare ({columns}, PRIMARY KEY (port_id, at_ms))")


def _together(port: int) -> float:
    """Seconds a batch with several senders at once.

    Each sender has ports of its own, which its first batch registers and its second finds registered.
    """
    bodies = [[as_json(rows_of(number, f"s{sender}")) for number in range(ROUNDS)] for sender in range(CLIENTS)]
    for of_sender in bodies:
        for _ in range(2):
            Client(port).push(of_sender.pop())

    def send(sender: int) -> None:
        client = Client(port)
        for octets in bodies[sender]:
            client.push(octets)

    def all_at_once() -> None:
        senders = [threading.Thread(target=send, args=(sender,)) for sender in range(CLIENTS)]
        for sender in senders:
            sender.start()
        for sender in senders:
            sender.join()

    return bare_storage.seconds(all_at_once) / sum(map(len, bodies))


def main() -> None:
    """Print what decoding costs, and both ratios."""
    decoding()
    with tempfile.TemporaryDirectory() as folder:
        compare("sqlite", f"sqlite:///{Path(folder) / 'bench.sqlite'}", bare_storage.bare_sqlite)
    with postgres.server(durable=True) as url:
        compare("postgresql", url, bare_storage.bare_postgresql)


if __name__ == "__main__":
    if "--serve" in sys.argv:
        serve(sys.argv[2], int(sys.argv[3]))
    else:
        main()
