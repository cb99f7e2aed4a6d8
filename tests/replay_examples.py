"""A past to be replayed: teams of two members of 1 Gbit/s that are quiet but for episodes, polled every 30 s."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from examples import EPOCH_MS, GIGABIT

from service.replaying.brought import histories
from service.replaying.judging import Trial
from service.replaying.ruling import Ruling
from service.rules.layouts import layout_of
from service.terms import Facts, FactsTable, OperStatus, Parsed, PortName, Rule, Samples

POLL_MS = 30_000
DAY_MS = 86_400_000
MIDNIGHT_MS = EPOCH_MS // DAY_MS * DAY_MS  # of the day of EPOCH_MS
NONE_TOLD = np.zeros(0, dtype=np.int64)
FRAME, ON_WIRE = 1230, 1250  # octets of a frame as counted, and with what it has on the wire besides


@dataclass(frozen=True)
class Episode:
    """From when (minutes after the start), for how long, on which team, at which shares of line rate."""

    at_min: int
    minutes: int
    team: int = 0
    shares: tuple[float, float] = (0.92, 0.05)


def a_past(*episodes: Episode, teams: int = 1, hours: float = 3, start_ms: int = MIDNIGHT_MS) -> Parsed:
    """Samples of ports m1 and m2 of each team, a device for every two teams, egress as told, ingress at 1 %."""
    polls = round(hours * 3_600_000 / POLL_MS) + 1
    shares = np.full((teams, 2, polls), 0.13)
    for one in episodes:
        first = one.at_min * 60_000 // POLL_MS + 1
        shares[one.team, :, first : first + one.minutes * 60_000 // POLL_MS] = np.array(one.shares)[:, np.newaxis]
    # Nothing flows so evenly that its line could be a slower one: a wobble of a hundredth.
    shares *= 1 + 0.01 * np.sin(np.arange(polls))
    shares[:, :, 0] = 0
    frames = np.round(shares * GIGABIT * POLL_MS / 1000 / 8 / ON_WIRE).astype(np.uint64).cumsum(axis=2)
    frames = frames.reshape(teams * 2, polls)
    inward = np.full((teams * 2, polls), 30_000, dtype=np.uint64).cumsum(axis=1)
    counters = np.stack([frames * np.uint64(FRAME), inward * np.uint64(FRAME), frames, inward], axis=-1)
    ports = tuple(PortName(f"sm-{k // 2:02d}", f"t{k}m{m}", f"team{k}") for k in range(teams) for m in (1, 2))
    at_ms = start_ms + np.arange(polls, dtype=np.int64) * POLL_MS
    samples = Samples(
        port=np.repeat(np.arange(teams * 2, dtype=np.int32), polls),
        at_ms=np.tile(at_ms, teams * 2),
        facts=np.zeros(teams * 2 * polls, dtype=np.int32),
        known=np.full(teams * 2 * polls, 0b1111, dtype=np.uint16),
        counters=counters.reshape(-1, 4),
        received_ms=NONE_TOLD,
        uptime_ticks=NONE_TOLD,
        discontinuity_ticks=NONE_TOLD,
        columns=(0, 1, 2, 3),
    )
    facts = FactsTable.of([Facts(speed_bps=GIGABIT, oper=OperStatus.UP)])
    return Parsed(samples, facts, ports, np.arange(len(samples), dtype=np.int64))


def a_file(path, past: Parsed):
    """The same as a counter file, line by line in the order of time."""
    lines = ["time,device,port,team,speed_bps,out_octets,in_octets,out_packets,in_packets,oper_status"]
    samples = past.samples
    for row in np.argsort(samples.at_ms, kind="stable").tolist():
        port = past.ports[samples.port[row]]
        told = ",".join(map(str, samples.counters[row].tolist()))
        lines.append(f"{samples.at_ms[row] / 1000:.3f},{port.device},{port.port},{port.team},{GIGABIT},{told},up")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def a_trial(past: Parsed, **tried: float) -> Trial:
    """The usual rules against others (80 % and 20 % where nothing is told), over all of a past."""
    present = Ruling(Rule(), {})
    values = tried or {"hot_above": 0.8, "idle_below": 0.2}
    return Trial(present, present.changed(values), int(past.samples.at_ms.min()), int(past.samples.at_ms.max()))


def in_memory(past: Parsed):
    """Its histories, as those of a counter file."""
    return list(histories(past.samples, past.facts, layout_of(past.ports)[0], 30_000, {}))
