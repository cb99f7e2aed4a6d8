"""NOT-4: quiet times hold the message, not the measuring."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from examples import a_finding

from service import delivery
from service.storage import deliveries, findings, quiet_times
from service.terms import QuietTime, Severity
from service.webhooks import envelope
from service.webhooks.routes import Route

MINUTE = 60_000
CHAT = Route("chat", "https://chat.example/hook")
# A quiet time from 22:00 to 23:00; the finding of the examples is moved to 22:20.
BEGINS = datetime(2026, 11, 25, 22, tzinfo=UTC)
START_MS = round(BEGINS.timestamp() * 1000)
SHIFT = START_MS + 20 * MINUTE - a_finding().raised_ms
RAISED = replace(
    a_finding(),
    **{name: getattr(a_finding(), name) + SHIFT for name in ("since_ms", "raised_ms", "updated_ms", "peak_ms")},
    hot_until_ms=None,
)
END_MS = START_MS + 60 * MINUTE


def announce(connection, **told):
    usual = {"id": "q1", "begins": BEGINS.replace(tzinfo=None), "minutes": 60, "devices": ("sm-*",), "because": "work"}
    quiet_times.add(connection, QuietTime(**{**usual, **told}))


def owing(connection, finding, what, at_ms, routes=(CHAT,)):
    findings.save(connection, 1, finding)
    return delivery.owe(connection, finding, what, routes, at_ms)


def texts(connection, state="owed"):
    told = deliveries.listing(connection, state=state).items
    return [envelope.event_of(one.body)["data"]["text"] for one in told]


def states(connection):
    return {(one.what, one.state) for one in deliveries.listing(connection).items}


@pytest.fixture
def quiet(engine):
    with engine.begin() as connection:
        announce(connection)
    return engine


class TestQuietTime:
    def test_leaves_what_was_shelved_meanwhile_to_the_shelf(self, quiet):
        with quiet.begin() as connection:
            owing(connection, RAISED, "raised", RAISED.raised_ms)
            findings.set_operator(connection, RAISED.id, "shelved", "R. Olin", END_MS + 60 * MINUTE)

        assert delivery.release(quiet, [CHAT], END_MS) == 0
        with quiet.connect() as connection:
            assert states(connection) == {("raised", "untold")}

    def test_tells_all_the_same_of_what_became_grave_on_a_shelf(self, quiet):
        with quiet.begin() as connection:
            owing(connection, RAISED, "raised", RAISED.raised_ms)
            findings.set_operator(connection, RAISED.id, "shelved", "R. Olin", END_MS + 60 * MINUTE)
            owing(connection, replace(RAISED, severity=Severity.CRITICAL), "severity", RAISED.raised_ms + MINUTE)

        assert delivery.release(quiet, [CHAT], END_MS) == 1

    def test_tells_at_its_end_what_is_still_open_with_since_when(self, quiet):
        with quiet.begin() as connection:
            owing(connection, RAISED, "raised", RAISED.raised_ms)
            assert states(connection) == {("raised", "held")}
        assert delivery.release(quiet, [CHAT], END_MS - 1) == 0

        assert delivery.release(quiet, [CHAT], END_MS) == 1

        with quiet.begin() as connection:
            [text] = texts(connection)
            assert "Since 22:18 UTC." in text
            assert "92 % for 41 min" in text.split("\n")[0]
            assert [line.what for line in findings.history(connection, RAISED.id)] == ["quiet-ended"]

    def test_tells_nobody_of_what_began_and_ended_within_it(self, quiet):
        over = replace(RAISED, cleared_ms=START_MS + 50 * MINUTE)
        with quiet.begin() as connection:
            owing(connection, RAISED, "raised", RAISED.raised_ms)
            owing(connection, over, "cleared", over.cleared_ms)

        assert delivery.release(quiet, [CHAT], END_MS) == 0
        with quiet.begin() as connection:
            assert states(connection) == {("raised", "untold")}
            assert findings.one(connection, RAISED.id).finding.cleared_ms == over.cleared_ms

    def test_tells_the_end_of_what_was_told_before_it(self, quiet):
        before = replace(RAISED, raised_ms=START_MS - MINUTE, since_ms=START_MS - 3 * MINUTE)
        over = replace(before, cleared_ms=START_MS + 50 * MINUTE)
        with quiet.begin() as connection:
            owing(connection, before, "raised", before.raised_ms)
            owing(connection, over, "cleared", over.cleared_ms)
            assert states(connection) == {("raised", "owed"), ("cleared", "held")}

        assert delivery.release(quiet, [CHAT], END_MS) == 1
        with quiet.begin() as connection:
            assert states(connection) == {("raised", "owed"), ("cleared", "owed")}

    def test_tells_once_of_what_changed_several_times(self, quiet):
        graver = replace(RAISED, severity=Severity.MAJOR, updated_ms=START_MS + 30 * MINUTE)
        with quiet.begin() as connection:
            owing(connection, RAISED, "raised", RAISED.raised_ms)
            owing(connection, graver, "severity", graver.updated_ms)

        assert delivery.release(quiet, [CHAT], END_MS) == 1
        with quiet.begin() as connection:
            assert states(connection) == {("raised", "owed"), ("severity", "combined")}
            [text] = texts(connection)
            assert "Act now." in text

    def test_tells_the_end_of_what_it_held_to_who_heard_at_last(self, quiet):
        over = replace(RAISED, cleared_ms=END_MS + 5 * MINUTE)
        with quiet.begin() as connection:
            owing(connection, RAISED, "raised", RAISED.raised_ms)
        delivery.release(quiet, [CHAT], END_MS)
        with quiet.begin() as connection:
            owing(connection, over, "cleared", over.cleared_ms)
            assert states(connection) == {("raised", "owed"), ("cleared", "owed")}

    def test_goes_on_where_another_has_begun_meanwhile(self, quiet):
        with quiet.begin() as connection:
            announce(connection, id="q2", begins=datetime.fromisoformat("2026-11-25T22:30"), minutes=60)
            owing(connection, RAISED, "raised", RAISED.raised_ms)

        assert delivery.release(quiet, [CHAT], END_MS) == 0
        assert delivery.release(quiet, [CHAT], END_MS + 30 * MINUTE) == 1

    def test_says_nothing_twice_when_asked_twice(self, quiet):
        with quiet.begin() as connection:
            owing(connection, RAISED, "raised", RAISED.raised_ms)

        assert [delivery.release(quiet, [CHAT], END_MS) for _ in range(2)] == [1, 0]

    def test_holds_nothing_of_other_teams_nor_before_nor_after(self, quiet):
        with quiet.begin() as connection:
            owing(connection, replace(RAISED, id="f2", device="uw-01"), "raised", RAISED.raised_ms)
            owing(connection, replace(RAISED, id="f3"), "raised", END_MS)
            owing(connection, replace(RAISED, id="f4"), "raised", START_MS - 1)
            assert states(connection) == {("raised", "owed")}

    def test_that_was_ended_lets_go_at_once(self, quiet):
        with quiet.begin() as connection:
            owing(connection, RAISED, "raised", RAISED.raised_ms)
            quiet_times.end(connection, "q1", START_MS + 25 * MINUTE)

        assert delivery.release(quiet, [CHAT], START_MS + 25 * MINUTE) == 1
