"""Checks that were drawn: polls at any moment, noise of 2 %, other traffic; every stream must be found again."""

from __future__ import annotations

import numpy as np
import pytest
from rules.trials.planned import BEGIN_MS, a_group, a_plan

from service.rules.trials.cells import Cells
from service.rules.trials.trial import judged

RUNS = 40
NOISE = 0.02


def drawn(random):
    """A plan of alike streams of 100 Mbit/s, how many each member has before and after a change, and the polls."""
    members, streams = int(random.integers(2, 5)), int(random.integers(2, 9))
    before, after = (np.bincount(random.integers(0, members, streams), minlength=members) for _ in range(2))
    change_s = 300 + random.uniform(0, 10)
    edges_s = np.arange(-60, 641, 10) + random.uniform(0, 10)
    edges_s[1:-1] += random.normal(0, 0.3, len(edges_s) - 2)
    on_old, on_new = np.clip(edges_s, 0, change_s), np.clip(edges_s, change_s, 600) - change_s
    octets = np.diff((np.outer(before, on_old) + np.outer(after, on_new)) * 100e6 / 8)
    octets = octets * (1 + random.normal(0, NOISE, octets.shape)) + np.abs(random.normal(2e6, 1e6, octets.shape))
    cells = Cells(
        ports=tuple(f"m{at + 1}" for at in range(members)),
        speeds_bps=np.full(members, 10**9, dtype=np.int64),
        counts=np.zeros(members, dtype=np.int64),
        edges_ms=(BEGIN_MS + edges_s * 1000).astype(np.int64),
        octets=octets,
        frames=octets / 1000,
        discards=np.zeros_like(octets),
    )
    return a_plan(a_group(streams, 100), changes_s=(change_s,)), before, after, cells


@pytest.fixture(scope="module")
def checks():
    random = np.random.default_rng(2)
    runs = [drawn(random) for _ in range(RUNS)]
    return [(before, after, judged(plan, cells)) for plan, before, after, cells in runs]


class TestUnderNoise:
    def test_finds_every_stream_on_its_member(self, checks):
        for before, _, found in checks:
            assert [seat.streams for seat in found.seats] == before.tolist()

    def test_finds_what_every_change_moved_within_a_poll(self, checks):
        for before, after, found in checks:
            [shift] = found.shifts
            moved = {f"m{at + 1}": int(by) for at, by in enumerate(after - before) if by}

            assert {step.port: step.streams for step in shift.steps} == moved
            assert shift.seconds is None if not moved else abs(shift.seconds) <= shift.resolution_s

    def test_agrees_with_what_was_offered(self, checks):
        assert all(found.count.agrees for _, _, found in checks)

    def test_seldom_takes_noise_for_loss(self, checks):
        """The error told is twice the standard error: about 1 in 40 lies above by luck (normal distribution)."""
        false = sum(found.shifts[0].lost_octets > found.shifts[0].error_octets for _, _, found in checks)

        assert false <= 4
