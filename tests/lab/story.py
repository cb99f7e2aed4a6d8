"""What happens in the laboratory, told while it happens, and what is left to look at afterwards."""

from __future__ import annotations

import json
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

from lab import colliding
from lab.laboratory import Counts, Lab, laboratory
from lab.links import ADDRESSES, ADDRESSES_AND_PORTS, TEAM
from lab.serving import DEVICES, Service, serving
from receivers import Heard

READ_EVERY_S = 0.2
DISCOVERED_S, RAISED_S, CLEARED_S, MESSAGE_S = 30, 90, 90, 20
FOLLOWED_S = 40
# How long nothing is sent, and then five streams: of frames as a veth counts them, without the check sequence.
QUIET_S, PUSHED_S = 4, 16
PLANNED = {
    "streams": [{"count": 5, "bps": 2_000_000}],
    "framing": {"udp_octets": 1400, "rates_of": "frame"},
}
# Nothing moves any more, and whatever moved has been asked for since.
STILL_S = 4
Say = Callable[[str], None]


class Reading(NamedTuple):
    """The kernel's own counters, in and out by member, and between which moments they were read."""

    from_ms: float
    until_ms: float
    octets: dict[str, tuple[int, int]]


class Sample(NamedTuple):
    """A sample as the service keeps it."""

    device: str
    port: str
    at_ms: int
    in_octets: int
    out_octets: int


@dataclass
class Told:
    """What was seen of a story."""

    readings: list[Reading] = field(default_factory=list)
    raised: list[dict[str, Any]] = field(default_factory=list)
    over: list[dict[str, Any]] = field(default_factory=list)
    heard: list[Heard] = field(default_factory=list)
    samples: list[Sample] = field(default_factory=list)
    counts: dict[str, Counts] = field(default_factory=dict)
    spans_ms: dict[str, tuple[float, float]] = field(default_factory=dict)
    roles: dict[str, dict[str, set[str]]] = field(default_factory=dict)
    chosen: dict[str, list[str]] = field(default_factory=dict)
    trial: dict[str, Any] = field(default_factory=dict)

    def texts(self) -> list[str]:
        """The messages as people read them."""
        return [json.loads(message.body)["data"]["text"] for message in self.heard]


def collide_and_spread(folder: Path, say: Say) -> Told:
    """Conversations collide on one member until the hash is changed: a finding, a message, calm, another message."""
    with _running(folder) as (lab, service, told):
        talks = colliding.chosen(lab.links, colliding.STORY)
        say("conversations begin; addresses alone are hashed, and three of them meet on p1")
        with lab.talking(talks) as counts, _shares(told, say):
            told.raised = service.until(lambda: _as_many(service, "open"), RAISED_S, "a finding is raised")
            say(f"finding: {told.raised[0]['text'].splitlines()[0]}")
            service.until(lambda: len(service.receiver.heard) >= len(told.raised), MESSAGE_S, "its message arrives")
            say("message received; from now on ports are hashed too, and nobody told the service")
            lab.links.hash_by(ADDRESSES_AND_PORTS)
            start_ms = time.time() * 1000 + 1000
            told.over = service.until(lambda: _as_many(service, "cleared"), CLEARED_S, "it clears")
            told.spans_ms["spread"] = (start_ms, time.time() * 1000)
            say(f"over: {told.over[0]['text'].splitlines()[0]}")
            service.until(lambda: len(service.receiver.heard) >= 2 * len(told.raised), MESSAGE_S, "that is told")
            say("message received")
        told.counts = dict(counts)
    return told


def lose_a_member(folder: Path, say: Say) -> Told:
    """Calm conversations; the far end of p2 goes down and comes back."""
    with _running(folder) as (lab, service, told):
        talks = colliding.chosen(lab.links, colliding.CALM)
        lab.links.hash_by(ADDRESSES_AND_PORTS)
        say("calm conversations begin, one on each member")
        with lab.talking(talks) as counts, _shares(told, say):
            _for_a_while(service, told, "both")
            say("the far end of p2 goes down")
            lab.links.pull("p2")
            service.until(lambda: _roles(service, "p2") == {"out"}, FOLLOWED_S, "p2 is believed out")
            say("p2 is believed out of the team")
            _for_a_while(service, told, "one")
            say("the far end of p2 comes back")
            lab.links.plug("p2")
            service.until(lambda: _roles(service, "p2") == {"active"}, FOLLOWED_S, "p2 is believed back")
            say("p2 is believed back")
            _for_a_while(service, told, "both again")
        told.counts = dict(counts)
        told.raised = service.findings()
    return told


def push_through(folder: Path, say: Say) -> Told:
    """Five streams by plan, a recorded change of the hash while they run, and what the service makes of it."""
    with _running(folder) as (lab, service, told):
        talks = colliding.chosen(lab.links, colliding.ALIKE)
        told.chosen["before"] = lab.links.chosen(talks)
        time.sleep(QUIET_S)
        say("five streams of 2 Mbit/s each begin; addresses alone are hashed")
        with lab.talking(talks) as counts, _shares(told, say):
            begin = _now()
            time.sleep(PUSHED_S / 2)
            team = {"device": DEVICES[0], "team": TEAM}
            service.asked("/v1/changes", {"at": _now(), "what": "ports hashed too", "teams": [team]})
            lab.links.hash_by(ADDRESSES_AND_PORTS)
            told.chosen["after"] = lab.links.chosen(talks)
            say("ports are hashed too, and the change is recorded")
            time.sleep(PUSHED_S / 2 + 1)
        told.counts = dict(counts)
        say("the streams have ended")
        plan = {**team, "from": begin, "seconds": PUSHED_S, **PLANNED}
        told.trial = service.until(lambda: _complete(service, plan), MESSAGE_S, "polls reach past the end")
        say(f"counted is {100 * told.trial['count']['ratio']:.1f} % of what was expected")
    return told


def _complete(service: Service, plan: dict[str, Any]) -> dict[str, Any] | None:
    found: dict[str, Any] = service.asked("/v1/trials", plan)
    return found if found["complete"] else None


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")


def _for_a_while(service: Service, told: Told, name: str, seconds: float = 12) -> None:
    start = time.time() * 1000 + 2000
    time.sleep(seconds)
    told.spans_ms[name] = (start, time.time() * 1000)
    told.roles[name] = {port: _roles(service, port) for port in ("p1", "p2")}


@contextmanager
def _running(folder: Path) -> Iterator[tuple[Lab, Service, Told]]:
    told = Told()
    with laboratory(folder) as lab:
        lab.links.hash_by(ADDRESSES)
        with _read(lab, told), serving(lab) as service:
            service.until(lambda: len(_teams(service)) == len(DEVICES), DISCOVERED_S, "the team is discovered")
            yield lab, service, told
            time.sleep(STILL_S)
            told.heard = list(service.receiver.heard)
            told.samples = samples(service.database)


@contextmanager
def _read(lab: Lab, told: Told) -> Iterator[None]:
    """The kernel's counters read again and again, past the agent and the service."""
    over = threading.Event()

    def read() -> None:
        while not over.wait(READ_EVERY_S):
            from_ms = time.time() * 1000
            octets = lab.octets()
            told.readings.append(Reading(from_ms, time.time() * 1000, octets))

    yield from _alongside(read, over)


@contextmanager
def _shares(told: Told, say: Say, every_s: float = 5) -> Iterator[None]:
    """How busy each member is, said every few seconds, by the kernel's counters."""
    over = threading.Event()

    def tell() -> None:
        before = told.readings[-1]
        while not over.wait(every_s):
            now = told.readings[-1]
            busy = (f"{port} {rate / 200_000:5.1f} %" for port, rate in rates_bps(before, now).items())
            say("   ".join(busy))
            before = now

    yield from _alongside(tell, over)


def _alongside(work: Callable[[], None], over: threading.Event) -> Iterator[None]:
    thread = threading.Thread(target=work)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


def rates_bps(before: Reading, after: Reading) -> dict[str, float]:
    """How fast each member sent between two readings, in bit/s."""
    passed_s = (after.from_ms - before.from_ms) / 1000
    return {port: (after.octets[port][1] - before.octets[port][1]) * 8 / passed_s for port in after.octets}


def samples(database: Path) -> list[Sample]:
    """All samples that the service kept of members, read past its own code."""
    asked = """
        SELECT devices.name, ports.name, samples.at_ms, in_octets, out_octets
        FROM samples JOIN ports ON ports.id = port_id JOIN devices ON devices.id = device_id
        WHERE ports.name LIKE 'p_' ORDER BY samples.at_ms
    """
    with closing(sqlite3.connect(database)) as connection:
        return [Sample(*row) for row in connection.execute(asked)]


def _as_many(service: Service, state: str) -> list[dict[str, Any]]:
    """The findings in a state, once each device has one."""
    found = [finding for finding in service.findings() if finding["state"] == state]
    return found if len(found) == len(DEVICES) else []


def _teams(service: Service) -> list[dict[str, Any]]:
    listed: list[dict[str, Any]] = service.told("/v1/teams")["items"]
    return listed


def _roles(service: Service, port: str) -> set[str]:
    """The role that a port is believed to have, on all devices."""
    listed = service.told("/v1/inventory")["items"]
    return {row["believed"]["role"] for row in listed if row["port"] == port}
