import numpy as np
import pytest
from examples import GIGABIT, a_layout, facts_of

from service.numerics import steady, window_loop
from service.numerics.history import history
from service.numerics.intervals import intervals
from service.numerics.windows import Grid, member_windows, ports_of, room_for
from service.terms import Facts, Form, OperStatus, Role, Samples, Span

UP, DOWN, STANDBY, NARROW, UNKNOWN_SPEED, SHARED, RATE, ABSURD = range(8)
FACTS = facts_of(
    Facts(speed_bps=GIGABIT, oper=OperStatus.UP),
    Facts(speed_bps=10 * GIGABIT, oper=OperStatus.DOWN),
    Facts(speed_bps=GIGABIT // 10, oper=OperStatus.UP, role=Role.STANDBY),
    Facts(speed_bps=GIGABIT, counter_bits=32),
    Facts(speed_bps=0),
    Facts(speed_bps=GIGABIT, half_duplex=True),
    Facts(speed_bps=GIGABIT, form=Form.RATE),
    Facts(speed_bps=2 * 10**18),
)
NOT_TOLD = np.empty(0, dtype=np.int64)
N_PORTS = 12


def octets_of(rows, **columns):
    """Samples of (port, ms, facts, known, out, in) rows, octets alone."""
    port, at_ms, facts, known, out, into = zip(*rows, strict=True)
    return Samples(
        port=np.array(port, dtype=np.int32),
        at_ms=np.array(at_ms, dtype=np.int64),
        facts=np.array(facts, dtype=np.int32),
        known=np.array(known, dtype=np.uint16),
        counters=np.array([out, into], dtype=np.uint64).T,
        received_ms=NOT_TOLD,
        uptime_ticks=columns.get("uptime_ticks", NOT_TOLD),
        discontinuity_ticks=NOT_TOLD,
        columns=columns.get("columns", (0, 1)),
    )


def a_ragged_day(seed):
    """Ports polled unevenly, with gaps, resets, unknown directions and a few changes of facts."""
    rng = np.random.default_rng(seed)
    steps_ms = [30_000, 30_000, 30_000, 29_000, 31_500, 10_000, 45_000, 60_000, 61_000, 90_000, 400_000, 7, 1]
    rows = []
    for port in range(N_PORTS):
        facts = int(rng.choice([UP, UP, UP, UP, DOWN, STANDBY, NARROW, UNKNOWN_SPEED, SHARED, RATE, ABSURD]))
        a_change, too_fast = rng.random() < 0.2, rng.random() < 0.2
        at_ms, out, into = int(rng.integers(-200_000, 100_000)), int(rng.integers(0, 1 << 60)), 0
        for _ in range(int(rng.integers(0, 60))):
            step_ms = int(rng.choice(steps_ms))
            most = int(FACTS.speed_bps[facts] % 10**11) * step_ms // 8000
            at_ms += step_ms
            out = int(rng.integers(0, 1000)) if rng.random() < 0.02 else out + most * int(rng.integers(0, 101)) // 100
            into += most * 2 if too_fast and rng.random() < 0.1 else most // 3
            facts = int(rng.choice([UP, DOWN, STANDBY])) if a_change and rng.random() < 0.1 else facts
            rows.append((port, at_ms, facts, int(rng.choice([3] * 12 + [2, 1, 0])), out, into))
    return octets_of(rows)


def same(found, expected):
    for name in ("utilisation", "coverage", "basis", "marks", "why_not"):
        assert np.array_equal(getattr(found, name), getattr(expected, name), equal_nan=name == "utilisation"), name


def laid(samples, before=None, n_ports=2):
    """Which ports are left to the general way, of four windows of half a minute."""
    grid = Grid(0, 30_000, 0.8, 0.75)
    return steady.lay(samples, before, ports_of(FACTS), grid, 0, room_for(n_ports, 4, described=False))


class TestLay:
    @pytest.mark.parametrize("seed", range(20))
    def test_gives_what_the_general_way_gives_to_the_last_bit(self, seed):
        samples, span = a_ragged_day(seed), Span(60_000 * (seed % 2), 25)
        expected = member_windows(intervals(samples, FACTS), FACTS, N_PORTS, span)

        for block in (1, 40, 10_000):
            same(history(samples, FACTS, a_layout(N_PORTS), span, block=block), expected)

    @pytest.mark.parametrize("seed", range(10))
    def test_goes_on_from_what_was_carried(self, seed):
        samples, span = a_ragged_day(seed), Span(0, 25)
        early = samples.at_ms < 300_000
        before = samples.take(early & np.append((samples.port[1:] != samples.port[:-1]) | ~early[1:], True))
        now = samples.take(~early)
        expected = member_windows(intervals(now, FACTS, before), FACTS, N_PORTS, span)

        same(history(now, FACTS, a_layout(N_PORTS), span, before=before, block=70), expected)

    def test_gives_the_same_uncompiled(self, monkeypatch):
        samples, span = a_ragged_day(3), Span(0, 25)
        expected = history(samples, FACTS, a_layout(N_PORTS), span)
        for name in ("lay_steady", "add", "close", "less", "more", "marks_of", "is_uncertain", "reason_of"):
            monkeypatch.setattr(window_loop, name, getattr(window_loop, name).py_func)
        monkeypatch.setattr(steady, "lay_steady", window_loop.lay_steady)

        same(history(samples, FACTS, a_layout(N_PORTS), span), expected)

    def test_takes_most_ragged_ports(self):
        samples = a_ragged_day(0)
        taken = N_PORTS - sum(end - first for first, end in laid(samples, n_ports=N_PORTS))

        assert taken >= N_PORTS // 3

    def test_takes_gaps_resets_and_unknown_directions(self):
        rows = [(0, 0, UP, 3, 10**9, 5), (0, 30_000, UP, 3, 10, 6), (0, 400_000, UP, 1, 11, 0), (1, 0, DOWN, 3, 0, 0)]

        assert laid(octets_of(rows)) == []

    @pytest.mark.parametrize("facts", [NARROW, UNKNOWN_SPEED, SHARED, RATE, ABSURD])
    def test_leaves_facts_that_need_more_care(self, facts):
        rows = [(0, 0, UP, 3, 0, 0), (0, 30_000, UP, 3, 1, 1), (1, 0, facts, 3, 0, 0), (1, 30_000, facts, 3, 1, 1)]

        assert laid(octets_of(rows)) == [(1, 2)]

    def test_leaves_a_change_of_facts(self):
        rows = [(0, 0, UP, 3, 0, 0), (0, 30_000, DOWN, 3, 1, 1), (1, 0, UP, 3, 0, 0), (1, 30_000, UP, 3, 1, 1)]

        assert laid(octets_of(rows)) == [(0, 1)]

    def test_leaves_a_change_of_facts_since_what_was_carried(self):
        now = octets_of([(0, 30_000, UP, 3, 1, 1), (1, 30_000, UP, 3, 1, 1)])
        before = octets_of([(0, 0, UP, 3, 0, 0), (1, 0, DOWN, 3, 0, 0)])

        assert laid(now, before) == [(1, 2)]

    def test_leaves_more_octets_than_line_rate_surely_carries(self):
        surely, hardly = 30 * GIGABIT // 8, 30 * GIGABIT // 8 * 102 // 100
        rows = [(0, 0, UP, 3, 0, 0), (0, 30_000, UP, 3, surely, 0), (1, 0, UP, 3, 0, 0), (1, 30_000, UP, 3, 0, hardly)]

        assert laid(octets_of(rows)) == [(1, 2)]


class TestIsLean:
    def test_only_of_octets_without_ticks_shifts_or_bounds(self):
        samples, out = octets_of([(0, 0, UP, 3, 0, 0)]), room_for(1, 1, described=False)
        ticking = octets_of([(0, 0, UP, 3, 0, 0)], uptime_ticks=np.zeros(1, dtype=np.int64))
        one_sided = octets_of([(0, 0, UP, 3, 0, 0)], columns=(0, 2))

        assert steady.is_lean(samples, None, out)
        assert not steady.is_lean(ticking, None, out)
        assert not steady.is_lean(one_sided, None, out)
        assert not steady.is_lean(samples, np.zeros(1, dtype=np.int64), out)
        assert not steady.is_lean(samples, None, room_for(1, 1, described=True))
