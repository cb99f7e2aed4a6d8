from dataclasses import fields

import numpy as np
import pytest
from examples import GIGABIT, a_layout, facts_of, samples_of

from service.numerics.history import history, tick
from service.numerics.intervals import intervals
from service.numerics.windows import member_windows
from service.terms import Facts, OperStatus, Span

FACTS = facts_of(
    Facts(speed_bps=GIGABIT, oper=OperStatus.UP), Facts(speed_bps=GIGABIT, oper=OperStatus.DOWN, half_duplex=True)
)
SPAN = Span(0, 7)


def a_fleet():
    """Nine ports, of which two say nothing, polled every 12 s for 230 s, some of it before the span."""
    return samples_of(
        [
            {
                "port": port,
                "at": at,
                "facts": port % 2,
                "out_octets": 10**10 + at * (port + 1) * 9_000_000,
                "in_octets": 10**6 + at * 7_000,
                "out_packets": 10**6 + at * 9_000,
            }
            for port in (0, 1, 2, 4, 5, 7, 8)
            for at in range(-12 + port, 220, 12)
        ]
    )


class TestTick:
    @pytest.mark.parametrize("block", [1, 7, 20, 10_000])
    def test_gives_what_the_two_steps_give(self, block):
        samples = a_fleet()
        early = samples.at_ms < 0
        before, now = samples.take(early), samples.take(~early)
        expected = member_windows(intervals(now, FACTS, before), FACTS, 9, SPAN)

        found = tick(now, FACTS, 9, SPAN, before=before, block=block)

        for field in fields(found):
            if field.name != "span":
                assert np.array_equal(getattr(found, field.name), getattr(expected, field.name), equal_nan=True), (
                    field.name
                )

    def test_shifts_a_clock(self):
        samples = a_fleet()
        shift_ms = np.full(len(samples), 30_000)
        late = tick(samples, FACTS, 9, Span(30_000, 7), shift_ms=shift_ms)

        assert np.array_equal(late.utilisation, tick(samples, FACTS, 9, SPAN).utilisation, equal_nan=True)


class TestHistory:
    @pytest.mark.parametrize(("block", "workers"), [(1, 1), (50, 1), (10_000, 1), (20, 2)])
    def test_gives_the_same_values_and_reasons(self, block, workers):
        samples = a_fleet()
        expected = member_windows(intervals(samples, FACTS), FACTS, 9, SPAN)

        found = history(samples, FACTS, a_layout(9), SPAN, block=block, workers=workers)

        for name in ("utilisation", "coverage", "basis", "marks", "why_not"):
            assert np.array_equal(getattr(found, name), getattr(expected, name), equal_nan=name in ("utilisation",)), (
                name
            )
