"""Two `lopside web` and two `lopside work` on one PostgreSQL, killed again and again while samples and messages flow.

    PYTHONPATH=tests:. python tests/faults/kill_loop.py --kills 200 --seed 1

plays it by hand and prints what was counted; `test_kill_loop.py` plays a short one. Time is the real one: windows of
10 s and polls every 2 s make findings rise and end within a minute or so.
"""

from __future__ import annotations

import argparse
import contextlib
import itertools
import json
import random
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
import postgres
from faults.processes import SETTINGS, Child, ended_at_the_end, free_port, secret_text
from receivers import Receiver, listening
from sqlalchemy import Engine, func, select
from standardwebhooks import Webhook

from service import ingest
from service.evaluation import Evaluator, Policy
from service.feeds import body
from service.storage import database, deliveries, tables
from service.terms import Rule

POLL_S, WIDTH_S = 2, 10
TEAMS, MEMBERS = 6, 2
HOT_S, CALM_S = 60, 60
LATE_S = 15
LEAST_LIFE_S, MOST_LIFE_S = 0.2, 12.0
QUIET_S = 150  # in which everything must have come to rest


@dataclass(eq=False)
class Feeder(threading.Thread):
    """Pushes what the members counted every other second, to whichever `web` takes it, until it is acknowledged."""

    ports: list[int]
    acknowledged: list[dict[str, Any]] = field(default_factory=list)
    batches: int = 0
    refused: Counter[str] = field(default_factory=Counter)
    over: threading.Event = field(default_factory=threading.Event)

    def __post_init__(self) -> None:
        super().__init__(daemon=True)
        self.begun_s = int(time.time()) // WIDTH_S * WIDTH_S
        self._octets = Counter[tuple[int, int]]()

    def run(self) -> None:
        doors = itertools.cycle(self.ports)
        for poll in itertools.count():
            at_s = self.begun_s + poll * POLL_S
            if self.over.wait(max(0.0, at_s - time.time())):
                return
            samples = [self._sample(at_s, team, member) for team in range(TEAMS) for member in range(MEMBERS)]
            while not self.over.is_set() and not self._is_taken(next(doors), samples):
                self.over.wait(0.2)

    def _is_taken(self, port: int, samples: list[dict[str, Any]]) -> bool:
        try:
            answer = httpx.post(f"http://127.0.0.1:{port}/v1/samples", json={"samples": samples}, timeout=20)
        except httpx.TransportError as broken:
            self.refused[type(broken).__name__] += 1
            return False
        if answer.status_code != 200:
            self.refused[str(answer.status_code)] += 1
            return False
        assert answer.json()["rejected"] == []
        self.acknowledged += samples
        self.batches += 1
        return True

    def _sample(self, at_s: int, team: int, member: int) -> dict[str, Any]:
        share = (0.9, 0.02)[member] if is_hot(at_s - self.begun_s, team) else 0.4
        self._octets[team, member] += round(share * 1_000_000_000 / 8 * POLL_S)
        octets = self._octets[team, member]
        told = {"time": at_s, "device": f"sm-{team:02}", "port": f"m{member + 1}", "team": "front"}
        counted = {"out_octets": octets, "out_packets": octets // 1000, "in_octets": 0, "in_packets": 0}
        return told | counted | {"speed_bps": 1_000_000_000, "uptime_ticks": at_s % 10_000_000 * 100}


def is_hot(after_s: int, team: int) -> bool:
    """Whether a team is driven onto one member: each in its own turn."""
    return (after_s + team * 20) % (HOT_S + CALM_S) < HOT_S


@contextlib.contextmanager
def service(
    url: str, receiver: Receiver, folder: Path, environment: Mapping[str, str]
) -> Iterator[tuple[list[Child], list[int]]]:
    """Two webs and two workers, which are told the environment; whatever of them lives at the end is ended."""
    ports = [free_port(), free_port()]
    children = []
    for number, half in enumerate(("web", "web", "work", "work")):
        settings = folder / f"settings-{number}.toml"
        told = {"port": ports[number % 2], "url": url, "width": WIDTH_S, "late": LATE_S, "receiver": receiver.url()}
        settings.write_text(SETTINGS.format(**told))
        own = environment if half == "work" else {}
        children.append(Child(half, settings, folder / f"{half}-{number}.log", environment=own))
    with ended_at_the_end(children):
        yield children, ports


def play(
    engine: Engine,
    url: str,
    folder: Path,
    ordeal: Callable[[list[Child]], Mapping[str, Any]],
    environment: Mapping[str, str] | None = None,
) -> dict[str, Any]:
    """Let the processes go through an ordeal, wait for rest, and hold what is left against what must be; the counts."""
    with listening() as receiver, service(url, receiver, folder, environment or {}) as (children, ports):
        feeder = Feeder(ports)
        feeder.start()
        counted = ordeal(children)
        time.sleep(HOT_S + CALM_S)
        feeder.over.set()
        feeder.join()
        rested_s = _rest(engine, feeder)
        assert all(child.is_alive() for child in children)
    return {**counted, "rested_s": rested_s} | held_against(engine, feeder, receiver)


def killing(kills: int, seed: int) -> Callable[[list[Child]], Mapping[str, Any]]:
    """An ordeal: one of the processes is killed and started again, so often."""

    def ordeal(children: list[Child]) -> Mapping[str, Any]:
        drawn = random.Random(seed)
        killed: Counter[str] = Counter()
        for _ in range(kills):
            child = drawn.choice(children)
            time.sleep(drawn.uniform(LEAST_LIFE_S, MOST_LIFE_S) / len(children))
            child.kill()
            child.start()
            killed[child.half] += 1
        return {"killed": dict(killed)}

    return ordeal


def _rest(engine: Engine, feeder: Feeder) -> int:
    """Wait until every window of what was pushed is decided and no message is owed; how long that took."""
    last_ms = max(sample["time"] for sample in feeder.acknowledged) * 1000
    begun = time.monotonic()
    while time.monotonic() - begun < QUIET_S:
        with database.reading(engine) as connection:
            decided_ms = connection.scalar(select(func.min(tables.teams.c.decided_ms))) or 0
            pending = connection.scalar(select(func.count()).select_from(tables.arrivals))
            owed = deliveries.waiting(connection).messages
        if decided_ms >= last_ms and not pending and not owed:
            break
        time.sleep(1)
    else:
        raise AssertionError(
            f"no rest after {QUIET_S} s: decided {decided_ms - last_ms}, {pending} pending, {owed} owed"
        )
    return round(time.monotonic() - begun)


def held_against(engine: Engine, feeder: Feeder, receiver: Receiver) -> dict[str, Any]:
    """What is kept against what was acknowledged, and what was heard against what was owed."""
    with database.reading(engine) as connection:
        kept = connection.scalar(select(func.count()).select_from(tables.samples)) or 0
        messages = deliveries.listing(connection, limit=10_000).items
        steps = Counter(tuple(row) for row in connection.execute(_steps()))
        windows = windows_of(connection)
    # One that was under way at the end may have been kept without an answer.
    assert len(feeder.acknowledged) <= kept <= len(feeder.acknowledged) + TEAMS * MEMBERS
    _hold_windows(engine, windows)
    assert set(steps.values()) <= {1}, "a step of a finding is in its history twice"
    told = _heard(receiver)
    owed = {message.id for message in messages if message.state == deliveries.TAKEN}
    assert {message.state for message in messages} <= {deliveries.TAKEN, deliveries.COMBINED}
    assert owed <= set(told), "a message that counts as taken was never heard"
    _hold_order(messages, receiver)
    return {
        "batches": feeder.batches,
        "samples": kept,
        "refused": dict(feeder.refused),
        "windows": len(windows),
        "findings": sum(1 for step in steps if step[1] == "raised"),
        "messages": len(owed),
        "heard": sum(told.values()),
        "repeats": sum(told.values()) - len(told),
    }


def _steps() -> Any:
    history = tables.finding_history.c
    whats = ("raised", "cleared")
    return select(history.finding_id, history.what, history.at_ms).where(history.what.in_(whats))


def _heard(receiver: Receiver) -> Counter[str]:
    """How often each message was heard; every one signed by us, by the clock of whoever sent it."""
    reader = Webhook(secret_text())
    for one in receiver.heard:
        at = datetime.fromtimestamp(int(one.headers["webhook-timestamp"]), UTC)
        signed = reader.sign(one.headers["webhook-id"], at, one.body.decode())
        assert one.headers["webhook-signature"] == signed
    return Counter(one.headers["webhook-id"] for one in receiver.heard)


def _hold_order(messages: Any, receiver: Receiver) -> None:
    """Within a finding nothing overtakes what came before it: a message is heard for good before the next is at all."""
    heard = [one.headers["webhook-id"] for one in receiver.heard]
    first = {name: at for at, name in reversed(list(enumerate(heard)))}
    last = {name: at for at, name in enumerate(heard)}
    of_findings = sorted((one for one in messages if one.finding_id), key=lambda one: (one.finding_id, one.position))
    for _, of_finding in itertools.groupby(of_findings, key=lambda one: one.finding_id):
        names = [message.id for message in of_finding if message.id in first]
        assert all(last[one] < first[following] for one, following in itertools.pairwise(names))


def windows_of(connection: Any) -> dict[tuple[str, int], tuple[int, int, bytes]]:
    """Every window that is kept: by device and start, its kinds and figures."""
    windows, teams, devices = tables.windows.c, tables.teams, tables.devices
    query = (
        select(devices.c.name, windows.start_ms, windows.kind_egress, windows.kind_ingress, windows.figures)
        .join(teams, teams.c.id == windows.team_id)
        .join(devices, devices.c.id == teams.c.device_id)
    )
    return {(row[0], row[1]): (row[2], row[3], bytes(row[4])) for row in connection.execute(query)}


def _hold_windows(engine: Engine, windows: dict[tuple[str, int], tuple[int, int, bytes]]) -> None:
    """The windows that somebody makes of the same samples in one quiet go are the same, each there once."""
    with database.reading(engine) as connection:
        kept = [dict(row._mapping) for row in connection.execute(_samples())]
    with tempfile.TemporaryDirectory() as folder:
        alone = database.open(f"sqlite:///{folder}/alone.sqlite")
        database.upgrade(alone)
        last_ms = max(row["at_ms"] for row in kept)
        told = json.dumps({"samples": [_as_pushed(row) for row in kept]}).encode()
        ingest.keep(alone, body.parse(told, "application/json"), feed="push", now_ms=last_ms)
        rule = Rule(raise_windows=2, raise_of=3, clear_windows=2, window_seconds=WIDTH_S)
        policy = Policy(lambda _device, _team: rule, {"push": LATE_S * 1000}, WIDTH_S * 1000)
        Evaluator(alone, policy).run(last_ms + LATE_S * 1000)
        with database.reading(alone) as connection:
            expected = windows_of(connection)
        alone.dispose()
    missing = expected.keys() - windows.keys()
    assert not missing, f"windows that are missing: {sorted(missing)[:5]}"
    differ = [name for name, told in expected.items() if windows[name] != told]
    assert not differ, f"{len(differ)} windows differ from those of one quiet go: {differ[:5]}"


def _samples() -> Any:
    samples, ports, devices = tables.samples.c, tables.ports, tables.devices
    counters = (samples.out_octets, samples.out_packets, samples.in_octets, samples.in_packets)
    return (
        select(
            devices.c.name.label("device"), ports.c.name.label("port"), samples.at_ms, samples.uptime_ticks, *counters
        )
        .join(ports, ports.c.id == samples.port_id)
        .join(devices, devices.c.id == ports.c.device_id)
        .order_by(samples.at_ms, devices.c.name, ports.c.name)
    )


def _as_pushed(row: dict[str, Any]) -> dict[str, Any]:
    told = {name: row[name] for name in row if name != "at_ms"}
    return told | {"time": row["at_ms"] // 1000, "team": "front", "speed_bps": 1_000_000_000}


def main() -> None:
    """By hand: how many kills, and what came of them."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    told = parser.parse_args()
    with postgres.server(durable=True) as url, tempfile.TemporaryDirectory() as folder:
        engine = database.open(url)
        database.upgrade(engine)
        print(json.dumps(play(engine, url, Path(folder), killing(told.kills, told.seed)), indent=1))
        engine.dispose()


if __name__ == "__main__":
    main()
