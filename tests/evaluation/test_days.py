import math

import pytest
from examples import EPOCH_MS
from walks.traffic import polls
from web_examples import asked

from service.evaluation import Evaluator, Policy, days, weekly
from service.storage import team_days
from service.terms import Rule

DAY_MS = 86_400_000
FIRST_MS = EPOCH_MS // DAY_MS * DAY_MS
AFTER_MS = FIRST_MS + DAY_MS + days.WAIT_MS
POLICY = Policy(lambda _device, _team: Rule())


@pytest.fixture
def watched(engine):
    """Ten minutes of two members of 1 Gbit/s at 92 % and 2 %, evaluated."""
    http = asked(engine, now_ms=lambda: EPOCH_MS + 800_000)
    assert http.post("/v1/samples", json={"samples": polls((10, (0.92, 0.02)))}).json()["rejected"] == []
    Evaluator(engine, POLICY).run(EPOCH_MS + 800_000)
    return engine


def egress(engine):
    with engine.connect() as connection:
        return next(day for day in team_days.read(connection, 0, AFTER_MS) if day.direction == 0)


class TestBringUpToDate:
    def test_sums_what_was_stranded(self, watched):
        """By hand: usable is 0.94 / 0.92 of 1 Gbit/s, 1.0217, so that 0.9783 of 2 Gbit/s lies stranded (RFC 7424, 5.1,
        gives the even split that usable capacity rests on)."""
        days.bring_up_to_date(watched, POLICY, AFTER_MS)
        day = egress(watched)

        assert day.stranded_bit_seconds / day.stranded_seconds == pytest.approx(2e9 - 0.94e9 / 0.92, rel=1e-3)
        assert day.stranded_seconds <= day.seen_seconds <= 600
        assert day.busy_bps == pytest.approx(0.94e9, rel=1e-3)
        assert day.busy_ms == EPOCH_MS // 3_600_000 * 3_600_000
        assert day.speeds_bps == (1e9, 1e9)
        assert day.even_p95 == pytest.approx(0.47, rel=1e-3)

    def test_makes_a_day_once(self, watched):
        assert days.bring_up_to_date(watched, POLICY, AFTER_MS) == 2
        assert days.bring_up_to_date(watched, POLICY, AFTER_MS) == 0

    def test_waits_an_hour_after_midnight(self, watched):
        assert days.bring_up_to_date(watched, POLICY, AFTER_MS - 1) == 0

    def test_catches_up_while_windows_are_kept(self, watched):
        assert days.bring_up_to_date(watched, POLICY, AFTER_MS + 12 * DAY_MS) >= 2
        assert not math.isnan(egress(watched).even_p95)

    def test_forgets_after_400_days(self, watched):
        days.bring_up_to_date(watched, POLICY, AFTER_MS)
        days.bring_up_to_date(watched, POLICY, FIRST_MS + 401 * DAY_MS)
        with watched.connect() as connection:
            assert team_days.read(connection, 0, AFTER_MS) == []


class TestWeek:
    def test_is_of_seven_whole_days(self, watched):
        days.bring_up_to_date(watched, POLICY, AFTER_MS)
        with watched.connect() as connection:
            week = weekly.week(connection, POLICY, AFTER_MS)
            before = weekly.week(connection, POLICY, AFTER_MS - DAY_MS)

        assert (week.from_ms, week.to_ms) == (FIRST_MS - 6 * DAY_MS, FIRST_MS + DAY_MS)
        assert (week.teams, before.teams) == (1, 0)
        assert math.isnan(before.seen)
