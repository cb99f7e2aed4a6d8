"""The demo's 26 hours as counters: background, plots and blemishes, the same for the same seed.

Values in, values out: nothing here reads a clock or knows how the counters will travel.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.demo import background, blemishes
from service.demo.exchange import HOSTS, MEMBERS, TEAMS, position_of
from service.demo.plots import END_MS, PLOTS, START_MS, Plot, Stretch
from service.terms import DIRECTIONS, Counters, Floats, Ints, Singles, Truths

SEED = 20260601
POLL_MS = 10_000
PER_WINDOW = 3
WIRE_OVERHEAD = 20  # octets of preamble, start delimiter and gap a frame (IEEE 802.3)
WAYS = ("out", "in")  # by direction: egress, ingress
# Counters of a direction, and below what each starts: hosts have been up for a while.
COUNTED = {
    "octets": 2**40,
    "ucast_packets": 2**30,
    "mcast_packets": 2**20,
    "bcast_packets": 2**20,
    "discards": 2**8,
}


@dataclass(frozen=True)
class Traffic:
    """What every port carries in every sample, arrays of shape (n_ports, 2, n_intervals), egress first.

    `wire` is a share of line rate, `frame_octets` the mean frame, the rest are shares of frames.
    """

    wire: Floats
    frame_octets: Singles
    multicast: Singles
    broadcast: Singles
    discards: Singles


@dataclass(frozen=True)
class Readings:
    """What the hosts say, as it arrives: rows of one port at one time, in the order of arrival.

    `port` is the position among the exchange's ports, `told_ms` the host's own clock,
    `received_ms` true time; `counters` maps a column of a pushed batch to its values.
    """

    port: Ints
    told_ms: Ints
    received_ms: Ints
    uptime_ticks: Ints
    counters: dict[str, Counters]

    def __len__(self) -> int:
        return len(self.port)


@dataclass(frozen=True)
class Scenario:
    """The whole day: true times (n_times,), counters by column (n_times, n_ports), and what each host adds to them."""

    times_ms: Ints
    traffic: Traffic
    counters: dict[str, Counters]
    uptime_ticks: Ints  # (n_hosts, n_times)
    heard: Truths  # (n_hosts, n_times)
    delay_ms: Ints  # (n_hosts,) from reading to arrival

    def between(self, start_ms: int, end_ms: int) -> Readings:
        """The readings taken in (start_ms, end_ms], in order of time and port."""
        first, last = np.searchsorted(self.times_ms, (start_ms, end_ms), side="right")
        host = host_of_port()
        row, port = np.nonzero(self.heard[host, first:last].T)
        time, device = row + first, host[port]
        return Readings(
            port=port,
            told_ms=self.times_ms[time] + blemishes.clock_ahead_ms()[device],
            received_ms=self.times_ms[time] + self.delay_ms[device],
            uptime_ticks=self.uptime_ticks[device, time],
            counters={name: column[time, port] for name, column in self.counters.items()},
        )


def host_of_port() -> Ints:
    """The host that each port of the exchange belongs to, shape (n_ports,)."""
    hosts = np.array([HOSTS.index(team.device) for team in TEAMS], dtype=np.int64)
    return hosts.repeat(MEMBERS)


def line_rates() -> Ints:
    """Each port's speed in bit/s, shape (n_ports,)."""
    return np.array([team.speed_bps for team in TEAMS], dtype=np.int64).repeat(MEMBERS)


def scenario(seed: int = SEED, plots: tuple[Plot, ...] = PLOTS) -> Scenario:
    """The day of the given seed with the given plots."""
    draw = np.random.default_rng(seed)
    times = np.arange(START_MS, END_MS + 1, POLL_MS, dtype=np.int64)
    traffic = _ordinary(draw, times)
    for plot in plots:
        for stretch in plot.stretches:
            _paint(draw, traffic, _port(plot, stretch), stretch)
    return Scenario(
        times_ms=times,
        traffic=traffic,
        counters=_counters(draw, traffic),
        uptime_ticks=blemishes.uptime_ticks(draw, times),
        heard=blemishes.is_heard(times),
        delay_ms=draw.integers(50, 400, len(HOSTS)),
    )


def _ordinary(draw: np.random.Generator, times: Ints) -> Traffic:
    windows = times[:-1:PER_WINDOW]
    wire = background.wire_shares(draw, windows, PER_WINDOW)
    frame = draw.uniform(900, 1400, wire.shape[:2]).astype(np.float32)
    return Traffic(
        wire=wire,
        frame_octets=np.repeat(frame[..., None], wire.shape[2], axis=2),
        multicast=np.full(wire.shape, 0.0001, dtype=np.float32),
        broadcast=np.full(wire.shape, 0.0002, dtype=np.float32),
        discards=np.zeros(wire.shape, dtype=np.float32),
    )


def _port(plot: Plot, stretch: Stretch) -> int:
    return MEMBERS * position_of(plot.device, plot.team) + stretch.member


def _paint(draw: np.random.Generator, traffic: Traffic, port: int, stretch: Stretch) -> None:
    """Put a stretch in place of what its port carried in its direction."""
    first, last = (round((at - START_MS) / POLL_MS) for at in (stretch.start_ms, stretch.end_ms))
    place = (port, stretch.direction, slice(first, last))
    noise = np.clip(draw.standard_normal(last - first), -3, 3)
    traffic.wire[place] = stretch.wire_bps / line_rates()[port] * (1 + stretch.wander * noise)
    traffic.frame_octets[place] = stretch.frame_octets
    traffic.multicast[place] = stretch.multicast
    traffic.broadcast[place] = stretch.broadcast
    traffic.discards[place] = stretch.discards


def _counters(draw: np.random.Generator, traffic: Traffic) -> dict[str, Counters]:
    """Running counters by column of a batch, each of shape (n_times, n_ports)."""
    counters = {}
    for direction in range(len(DIRECTIONS)):
        for name, counted in zip(COUNTED, _deltas(traffic, direction), strict=True):
            counters[f"{WAYS[direction]}_{name}"] = _running(draw.integers(0, COUNTED[name], len(counted)), counted)
    return counters


def _deltas(traffic: Traffic, direction: int) -> tuple[Ints, ...]:
    """What each interval adds to each counter of a direction, in the order of COUNTED, shape (n_ports, n_intervals).

    Octets count header and check sequence (RFC 3635); what a frame adds on the wire is left out.
    """
    octets_in_a_poll = line_rates()[:, None] / 8 * (POLL_MS / 1000)
    wire = np.rint(traffic.wire[:, direction] * octets_in_a_poll).astype(np.int64)
    frames = np.rint(wire / (traffic.frame_octets[:, direction] + WIRE_OVERHEAD)).astype(np.int64)
    multicast, broadcast, discards = (
        np.rint(share[:, direction] * frames).astype(np.int64)
        for share in (traffic.multicast, traffic.broadcast, traffic.discards)
    )
    return wire - WIRE_OVERHEAD * frames, frames - multicast - broadcast, multicast, broadcast, discards


def _running(start: Ints, counted: Ints) -> Counters:
    """Counters that begin at `start`, grow by what was counted and wrap at their width, shape (n_times, n_ports)."""
    bits = blemishes.counter_bits().repeat(MEMBERS)
    readings = np.zeros((counted.shape[1] + 1, len(counted)), dtype=np.int64)
    np.cumsum(counted.T, axis=0, out=readings[1:])
    readings += start
    return np.where(bits == 32, readings % 2**32, readings).astype(np.uint64)
