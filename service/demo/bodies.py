"""Readings as the body of a push: an Arrow stream whose columns are those of a counter file."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pyarrow as pa

from service.demo.blemishes import counter_bits
from service.demo.exchange import MEMBERS, TEAMS, position_of
from service.demo.plots import PLOTS, Plot
from service.demo.scenario import Readings
from service.terms import Ints

CONTENT_TYPE = "application/vnd.apache.arrow.stream"


def arrow_body(readings: Readings) -> bytes:
    """All readings as one record batch of an Arrow IPC stream."""
    batch = pa.RecordBatch.from_pydict(_columns(readings))
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, batch.schema) as stream:
        stream.write_batch(batch)
    body: bytes = sink.getvalue().to_pybytes()
    return body


def _columns(readings: Readings) -> dict[str, pa.Array]:
    team = readings.port // MEMBERS
    numbers = {"speed_bps": np.array([t.speed_bps for t in TEAMS])[team], "counter_bits": counter_bits()[team]}
    return {
        "time": _instants(readings.told_ms),
        "device": _words([t.device for t in TEAMS], team),
        "port": _words([port for t in TEAMS for port in t.ports], readings.port),
        "team": _words([t.name for t in TEAMS], team),
        "method": _words([t.method for t in TEAMS], team),
        "bundle": _words([t.bundle for t in TEAMS], team),
        "role": _words(_roles(PLOTS), readings.port),
        "oper_status": _words(["up"], np.zeros_like(team)),
        **{name: pa.array(column) for name, column in numbers.items()},
        **{name: pa.array(column) for name, column in readings.counters.items()},
        "uptime_ticks": pa.array(readings.uptime_ticks),
        "received_at": _instants(readings.received_ms),
    }


def _instants(at_ms: Ints) -> pa.Array:
    return pa.array(at_ms, pa.timestamp("ms", "UTC"))


def _words(words: Sequence[str], positions: Ints) -> pa.Array:
    return pa.DictionaryArray.from_arrays(pa.array(positions, pa.int32()), pa.array(words, pa.string()))


def _roles(plots: Sequence[Plot]) -> list[str]:
    """The declared role of every port of the exchange."""
    roles = ["active"] * (MEMBERS * len(TEAMS))
    for plot in plots:
        for member in plot.standby:
            roles[MEMBERS * position_of(plot.device, plot.team) + member] = "standby"
    return roles
