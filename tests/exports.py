"""Exports as somebody's program writes them, and the windows that a feed's samples make."""

from __future__ import annotations

from examples import EPOCH_MS, GIGABIT

from service.feeds.mapping import Mapping, Series
from service.rules.assess import Run, assess
from service.rules.layouts import layout_of
from service.terms import Rule, Span

SPACING_S = 20
START_S = EPOCH_MS // 1000


def a_long_mapping(**changes):
    """Rows of port and time with columns `at`, `host`, `bond`, `nic`, `got`, `sent`."""
    told = {
        "unit": "kB/s",
        "time_column": "at",
        "interval_s": SPACING_S,
        "device_column": "host",
        "team_column": "bond",
        "port_column": "nic",
        "in_column": "got",
        "out_column": "sent",
        "speed_bps": GIGABIT,
    }
    return Mapping(**told | changes)


def a_wide_mapping(ports=("m1", "m2"), **changes):
    """Rows of time with columns `at` and, for each port, `m1 sent` and `m1 got`."""
    ways = (("sent", "egress"), ("got", "ingress"))
    told = {
        "unit": "kB/s",
        "time_column": "at",
        "interval_s": SPACING_S,
        "device": "sm-07",
        "team": "front",
        "speed_bps": GIGABIT,
        "series": tuple(Series(f"{port} {word}", port, way) for port in ports for word, way in ways),
    }
    return Mapping(**told | changes)


def windows_of(parsed, count):
    """The windows of 30 s that samples make of the one team, from the start of the examples on."""
    layout, _ = layout_of(parsed.ports)
    span = Span(EPOCH_MS, count)
    run = Run(parsed.samples, parsed.facts, layout, (Rule(),) * len(layout.teams), span, now_ms=span.end_ms)
    return assess(run).members
