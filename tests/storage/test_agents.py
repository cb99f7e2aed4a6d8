import pytest
from examples import EPOCH_MS

from service.storage import agents
from service.storage.agents import Polling


def a_polling(device="sm-07", **changes):
    told = {"address": "[2001:db8::7]:161", "version": "3", "clear_text": False, "interval_ms": 10_000}
    return Polling(**{"device": device, **told, "stretched_ms": 10_000, "since_ms": EPOCH_MS, **changes})


class TestNote:
    def test_keeps_every_field_as_it_was_told(self, connection):
        full = a_polling(
            clear_text=True,
            version="2c",
            stretched_ms=15_000,
            asked_ms=EPOCH_MS + 1,
            answered_ms=EPOCH_MS + 2,
            failures=3,
            next_ms=EPOCH_MS + 4,
            took_ms=5,
            skew_ms=1200,
            polls=2**40,
            lost=7,
            trouble="does not answer",
            notes=("speaks of a team of nine", "counts Straße twice"),
        )
        agents.note(connection, [full])

        assert agents.listing(connection) == (full,)

    def test_lets_the_last_word_stand_but_not_the_first_instant(self, connection):
        agents.note(connection, [a_polling(trouble="does not answer", failures=2)])
        agents.note(connection, [a_polling(since_ms=EPOCH_MS + 9, polls=1)])

        assert agents.listing(connection) == (a_polling(polls=1),)

    def test_takes_devices_that_nobody_has_heard_of(self, connection):
        agents.note(connection, [a_polling("sm-99", trouble="does not answer"), a_polling("sm-08")])

        assert [polling.device for polling in agents.listing(connection)] == ["sm-08", "sm-99"]

    def test_notes_nothing_of_nobody(self, connection):
        agents.note(connection, [])

        assert agents.listing(connection) == ()


class TestForget:
    @pytest.mark.parametrize("gone", [{"sm-07"}, ["sm-07", "sm-99"]])
    def test_forgets_only_those_that_are_named(self, connection, gone):
        agents.note(connection, [a_polling("sm-07"), a_polling("sm-08")])
        agents.forget(connection, gone)
        agents.forget(connection, ())

        assert [polling.device for polling in agents.listing(connection)] == ["sm-08"]
