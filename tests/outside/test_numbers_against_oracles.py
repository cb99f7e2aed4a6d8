"""Window sums against two independent ways to the same numbers: interpolation, and resampling of a data frame."""

import numpy as np
import pandas as pd
import pytest
from examples import GIGABIT, facts_of, samples_of
from hypothesis import given, settings
from hypothesis import strategies as st

from service.numerics.intervals import intervals
from service.numerics.windows import member_windows
from service.terms import EGRESS, Facts, Span

FEW = settings(max_examples=40, deadline=None)
WINDOWS = 10


@st.composite
def polls(draw):
    """Times in milliseconds and a counter, from before the first window to after the last, never above line rate."""
    at_ms, octets = [-draw(st.integers(1, 30_000))], [draw(st.integers(0, 2**40))]
    while at_ms[-1] < WINDOWS * 30_000:
        step_ms = draw(st.integers(1_000, 60_000))
        at_ms.append(at_ms[-1] + step_ms)
        octets.append(octets[-1] + draw(st.integers(0, step_ms * GIGABIT // 8000)))
    return at_ms, octets


def octets_of_windows(at_ms, octets, speed_bps=GIGABIT):
    rows = [{"at": at / 1000, "out_octets": count} for at, count in zip(at_ms, octets, strict=True)]
    facts = facts_of(Facts(speed_bps=speed_bps))
    found = member_windows(intervals(samples_of(rows), facts), facts, 1, Span(0, WINDOWS))
    return found.utilisation[0, :, EGRESS] * 30 * speed_bps / 8


class TestWindowSums:
    @FEW
    @given(polls())
    def test_are_what_numpy_interpolates_on_the_cumulative_counter(self, poll):
        at_ms, octets = poll
        grown = np.array(octets) - octets[0]  # small enough for a float
        edges = np.interp(np.arange(WINDOWS + 1) * 30_000, at_ms, grown)

        assert octets_of_windows(at_ms, octets) == pytest.approx(np.diff(edges), rel=1e-9, abs=1e-3)

    @FEW
    @given(polls())
    def test_are_what_pandas_resamples_from_seconds(self, poll):
        # Poll times rounded outwards to seconds, so that each second has one rate.
        at_s = np.unique(np.floor(np.array(poll[0]) / 1000).astype(int))
        at_s[-1] = max(at_s[-1], WINDOWS * 30)
        octets = poll[1][: len(at_s)]
        rate = pd.Series(np.diff(octets) / np.diff(at_s), index=pd.to_datetime(at_s[1:], unit="s"))
        seconds = pd.date_range(pd.Timestamp(at_s[0] + 1, unit="s"), pd.Timestamp(at_s[-1], unit="s"), freq="s")
        each = rate.reindex(seconds).bfill()  # the rate of a second is that of the interval that ends at or after it
        sums = each.resample("30s", closed="right", label="left").sum()
        expected = sums[(sums.index >= pd.Timestamp(0)) & (sums.index < pd.Timestamp(WINDOWS * 30, unit="s"))]

        # A second cut off an interval makes its rate higher than line rate: claim a faster line.
        found = octets_of_windows(at_s * 1000, octets, speed_bps=4 * GIGABIT)

        assert found == pytest.approx(expected.to_numpy(), rel=1e-9, abs=1e-3)
