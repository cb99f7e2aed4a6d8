"""What is wrong with the data of the demo's day, so that it can be seen to do no harm."""

from __future__ import annotations

import numpy as np

from service.demo.exchange import HOSTS, TEAMS
from service.demo.plots import tuesday, wednesday
from service.terms import Ints, Truths

NARROW = ("sm-14", "front")  # counters of 32 bits, where 10 s at 1 Gbit/s leave one reading only
ROLLOVER = ("sm-16", tuesday(9, 17))  # uptime passes 2^32 hundredths of a second
SILENT = ("uw-06", wednesday(2, 5))  # nothing is heard after that
AHEAD = ("sm-02", 25_000)  # the device's clock, in milliseconds
TWICE_MS = tuesday(6)  # the batch that holds this instant is pushed twice
UPTIME_ROUND = 2**32  # RFC 3418: sysUpTime is in hundredths of a second, modulo 2^32


def counter_bits() -> Ints:
    """Width of each team's counters, shape (n_teams,)."""
    return np.array([32 if (team.device, team.name) == NARROW else 64 for team in TEAMS], dtype=np.int64)


def clock_ahead_ms() -> Ints:
    """How far each host's clock is ahead of true time, shape (n_hosts,)."""
    return np.array([AHEAD[1] if host == AHEAD[0] else 0 for host in HOSTS], dtype=np.int64)


def uptime_ticks(draw: np.random.Generator, times_ms: Ints) -> Ints:
    """Each host's uptime in 1/100 s at each time, modulo 2^32, shape (n_hosts, n_times)."""
    device, rolls_ms = ROLLOVER
    hundredths = draw.integers(10**8, 10**9, len(HOSTS))  # 12 to 116 days
    hundredths[HOSTS.index(device)] = UPTIME_ROUND - (rolls_ms - times_ms[0]) // 10
    ticks: Ints = hundredths[:, None] + (times_ms - times_ms[0]) // 10
    return ticks % UPTIME_ROUND


def is_heard(times_ms: Ints) -> Truths:
    """Whether each host's reading at each true time arrives at all, shape (n_hosts, n_times)."""
    device, last_ms = SILENT
    return ~(np.equal(HOSTS, device)[:, None] & (times_ms > last_ms))
