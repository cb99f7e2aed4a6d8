"""A week of every scheduled job in simulated time: hot for an hour a day, one maintenance, one silence, no drift."""

import json
from collections import Counter
from datetime import UTC, datetime, timedelta

import pytest
from receivers import listening
from sqlalchemy import func, select
from walks.traffic import START_S, polls

from service import ingest
from service.app import Parts, jobs
from service.demo.clock import Clock
from service.feeds import body
from service.settings.reading import settled
from service.storage import database, deliveries, quiet_times, tables
from service.terms import QuietTime
from service.webhooks.client import Client

DAYS, DAY_S, HOUR_S, STEP_S = 7, 86_400, 3_600, 900
HOT_AFTER_S, HOT_S = 6 * HOUR_S, HOUR_S
QUIET_DAY, SILENT_DAY = 2, 4
KEPT_H = 24
SETTINGS = {
    "rules": {"window_seconds": 60, "raise_windows": 3, "raise_of": 4, "clear_windows": 4},
    "retention": {"samples_h": KEPT_H, "windows_d": 2, "rollups_d": 3, "events_d": 3},
}


ONE_DAY = polls(
    (HOT_AFTER_S / 60, (0.4, 0.4)), (HOT_S / 60, (0.95, 0.05)), ((DAY_S - HOT_AFTER_S - HOT_S) / 60, (0.4, 0.4))
)
COUNTERS = ("out_octets", "out_packets")
A_DAY_COUNTS = [
    {name: last[name] - first[name] for name in COUNTERS} for first, last in zip(ONE_DAY, ONE_DAY[-2:], strict=False)
]


def a_day(day):
    """A poll a minute of both members of one team, in the shape of a push; counters go on from day to day."""
    for number, one in enumerate(ONE_DAY):
        after_s, counted = one["time"] - START_S, A_DAY_COUNTS[number % 2]
        if after_s % 60 == 0 and after_s < DAY_S and not is_silent(day, after_s):
            at_s = one["time"] + day * DAY_S
            moved = {"time": at_s, "received_at": at_s, "uptime_ticks": one["uptime_ticks"] + day * DAY_S * 100}
            yield {**one, **moved, **{name: one[name] + day * counted[name] for name in COUNTERS}}


def is_silent(day, after_s):
    return day == SILENT_DAY and 10 * HOUR_S < after_s < 12 * HOUR_S


@pytest.fixture
def parts(sqlite_engine):
    clock = Clock(START_S * 1000)
    with listening() as receiver:
        settings = settled(SETTINGS)
        yield (
            Parts(
                settings,
                sqlite_engine,
                (receiver.route(),),
                Client(),
                clock.now_ms,
                "the only worker",
                shared_ms=lambda _, own_ms: own_ms,
            ),
            clock,
            receiver,
        )


@pytest.mark.timeout(900)
def test_raises_what_was_hot_once_a_day_and_keeps_no_more_than_it_is_told(parts):
    parts, clock, receiver = parts
    begins = datetime.fromtimestamp(START_S, UTC).replace(tzinfo=None) + timedelta(days=QUIET_DAY, seconds=HOT_AFTER_S)
    maintenance = QuietTime("q1", begins, minutes=150, devices=("sm-07",), because="cabling", set_by="R. Olin")
    with parts.engine.begin() as connection:
        quiet_times.add(connection, maintenance)
    for day in range(DAYS):
        samples = list(a_day(day))
        for step in range(DAY_S // STEP_S):
            reached_s = START_S + day * DAY_S + (step + 1) * STEP_S
            due = [one for one in samples if reached_s - STEP_S <= one["time"] < reached_s]
            clock.advance_to(reached_s * 1000)
            if due:
                told = body.parse(json.dumps({"samples": due}).encode(), "application/json")
                assert not ingest.keep(parts.engine, told, feed="push", now_ms=reached_s * 1000).rejected
            for job in jobs.jobs_of(parts):
                job.work()

    end_ms = (START_S + DAYS * DAY_S) * 1000
    _hold_findings(parts.engine)
    _hold_messages(parts.engine, receiver)
    _hold_room(parts.engine, end_ms)


def _hold_findings(engine):
    """One finding a day, raised in the fourth minute of the hot hour at the latest and over soon after it."""
    raised, cleared = tables.findings.c.raised_ms, tables.findings.c.cleared_ms
    with database.reading(engine) as connection:
        found = connection.execute(select(raised, cleared).order_by(raised)).all()
    assert len(found) == DAYS
    for day, (raised_ms, cleared_ms) in enumerate(found):
        hot_ms = (START_S + day * DAY_S + HOT_AFTER_S) * 1000
        assert 0 < raised_ms - hot_ms <= 4 * 60_000
        assert 0 < cleared_ms - hot_ms - HOT_S * 1000 <= 5 * 60_000


def _hold_messages(engine, receiver):
    """Each was told once, raised before cleared, but for what fell within the maintenance; the silence was too."""
    with database.reading(engine) as connection:
        states = Counter(one.state for one in deliveries.listing(connection, limit=1000).items)
    told = [json.loads(one.body)["data"]["what"] for one in receiver.heard]
    of_sources = [what for what in told if what in ("silent", "heard")]
    assert [what for what in told if what not in of_sources] == ["raised", "cleared"] * (DAYS - 1)
    assert of_sources == ["silent", "heard"]
    assert set(states) == {deliveries.TAKEN, deliveries.UNTOLD}


def _hold_room(engine, end_ms):
    """Nothing is kept for longer than it was told to be, and nothing waits."""
    kept = {
        tables.samples.c.at_ms: timedelta(hours=KEPT_H),
        tables.windows.c.start_ms: timedelta(days=2),
        tables.rollups.c.start_ms: timedelta(days=3),
    }
    with database.reading(engine) as connection:
        for column, kept_for in kept.items():
            begins_ms = end_ms - kept_for / timedelta(milliseconds=1) - 2 * STEP_S * 1000
            assert connection.scalar(select(func.min(column))) >= begins_ms
        assert connection.scalar(select(func.count()).select_from(tables.arrivals)) == 0
        assert connection.scalar(select(func.count(tables.team_days.c.day_ms.distinct()))) == DAYS
