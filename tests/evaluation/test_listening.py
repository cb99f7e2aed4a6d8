from dataclasses import dataclass

import pytest
from evaluation.rounds import Rounds
from examples import EPOCH_MS
from sqlalchemy import update
from storage_examples import a_polling
from walks.traffic import START_S, polls

from service.evaluation import Policy, listening
from service.evaluation.listening import Counts, Listener, Outcome, State
from service.storage import agents, events, inventory, tables
from service.storage import listening as kept_listening
from service.storage.database import reading
from service.storage.listening import Pulse
from service.terms import PortName, Rule

SECOND = 1000
HOUR = 3600 * SECOND
WAITS_MS = Policy(lambda _device, _team: Rule()).waits_ms


def a_pulse(**told):
    """A source that sends every 10 s and did so at EPOCH_MS."""
    usual = {"last_sample_ms": EPOCH_MS, "last_received_ms": EPOCH_MS, "interval_ms": 10_000, "clock_offset_ms": None}
    return Pulse(
        **{
            "device": "sm-07",
            "device_id": 1,
            "feed": "push",
            "refresh_ms": None,
            "silent_since_ms": None,
            **usual,
            **told,
        }
    )


POLLED = {"feed": "snmp", "asked_every_ms": 10_000, "usual_ms": 10_000, "polled_since_ms": EPOCH_MS}


def state(pulse, after_ms):
    return listening.standing(pulse, EPOCH_MS + after_ms, WAITS_MS)


class TestStanding:
    @pytest.mark.parametrize(("after_ms", "word"), [(90_000, "heard"), (90_001, "silent")])
    def test_spares_one_that_sends_what_its_windows_wait(self, after_ms, word):
        assert state(a_pulse(), after_ms).state == word

    # Three polls of 10 s and the half by which the third is late.
    @pytest.mark.parametrize(("after_ms", "word"), [(35_000, "heard"), (35_001, "silent")])
    def test_knows_after_three_polls_of_one_that_is_polled(self, after_ms, word):
        assert state(a_pulse(**POLLED), after_ms).state == word

    @pytest.mark.parametrize(("after_ms", "word"), [(140_000, "heard"), (140_001, "silent")])
    def test_counts_polls_as_they_are_stretched(self, after_ms, word):
        assert state(a_pulse(**{**POLLED, "asked_every_ms": 40_000}), after_ms).state == word

    def test_is_silent_since_the_newest_sample_by_our_clock(self):
        assert state(a_pulse(clock_offset_ms=-25_000), HOUR).since_ms == EPOCH_MS - 25_000

    def test_is_never_heard_where_no_poll_was_answered(self):
        pulse = a_pulse(device_id=None, last_sample_ms=None, last_received_ms=None, interval_ms=None, **POLLED)

        assert state(pulse, 0) == (State.NEVER, EPOCH_MS)

    def test_is_heard_while_it_answers_though_it_has_no_port_to_tell_of(self):
        untold = {"last_sample_ms": None, "last_received_ms": None, "interval_ms": None}
        pulse = a_pulse(device_id=None, answered_ms=EPOCH_MS, **untold, **POLLED)

        assert state(pulse, 20_000).state is State.HEARD
        assert state(pulse, 40_000) == (State.SILENT, EPOCH_MS)

    @pytest.mark.parametrize("feed", ["csv", "snmp"])
    def test_has_ended_with_its_file_or_its_polling(self, feed):
        assert state(a_pulse(feed=feed), HOUR) == (State.ENDED, None)
        assert state(a_pulse(feed=feed, silent_since_ms=EPOCH_MS), HOUR).state is State.ENDED

    def test_expects_no_more_of_a_past_that_was_handed_in(self):
        past = a_pulse(last_sample_ms=EPOCH_MS - 48 * HOUR)

        assert state(past, HOUR).state is State.HEARD
        assert state(a_pulse(last_sample_ms=EPOCH_MS - 47 * HOUR), HOUR).state is State.SILENT

    def test_expects_no_more_of_one_that_sent_a_single_sample(self):
        assert state(a_pulse(interval_ms=None), HOUR).state is State.HEARD

    def test_stays_silent_with_a_straggler_from_before(self):
        assert state(a_pulse(silent_since_ms=EPOCH_MS, last_received_ms=EPOCH_MS + HOUR), HOUR).state is State.SILENT

    def test_is_silent_no_more_once_something_newer_came(self):
        assert state(a_pulse(silent_since_ms=EPOCH_MS - 60_000), 10_000).state is State.HEARD


class TestGlance:
    """Each source in the state it could be in, by device or by agent: a glance tells what a look at each would."""

    def keep(self, connection):
        told = {
            "heard": {},
            "late": {"last_received_ms": EPOCH_MS - HOUR},
            "silent": {"silent_since_ms": EPOCH_MS - HOUR},
            "back": {"silent_since_ms": EPOCH_MS - 2 * HOUR},
            "mute": {"last_sample_ms": None, "last_received_ms": None},
            "unpaced": {"interval_ms": None},
            "file": {"feed": "csv"},
            "left": {"feed": "snmp"},
            "polled": {"feed": "snmp"},
            "stretched": {"feed": "snmp"},
        }
        for device, more in told.items():
            inventory.resolve(connection, [PortName(device, "m1", "front")], feed="push", now_ms=EPOCH_MS)
            usual = {"last_sample_ms": EPOCH_MS, "last_received_ms": EPOCH_MS, "interval_ms": 10_000}
            connection.execute(update(tables.devices).where(tables.devices.c.name == device).values(usual | more))
        polled = [
            a_polling("polled"),
            a_polling("stretched", stretched_ms=40_000),
            a_polling("sm-30", clear_text=True, version="2c", answered_ms=EPOCH_MS),
            a_polling("sm-31", clear_text=True, version="2c"),
        ]
        agents.note(connection, polled)

    @pytest.mark.parametrize("after_ms", [0, 9_999, 10_000, 30_000, 39_999, 120_000, HOUR])
    def test_counts_what_standings_tell(self, connection, after_ms):
        self.keep(connection)
        now_ms = EPOCH_MS + after_ms

        counts, closer = listening.glance(connection, WAITS_MS, now_ms)
        told = listening.standings(connection, WAITS_MS, now_ms)

        assert counts == listening.counted([stands for _, stands in told])
        others = [one for one in told if one[1].state is not State.HEARD]
        assert sorted(others) == sorted(one for one in closer if one[1].state is not State.HEARD)

    def test_looks_closely_only_at_those_that_are_not_plainly_heard(self, connection):
        self.keep(connection)

        closer = {pulse.device for pulse, _ in listening.glance(connection, WAITS_MS, EPOCH_MS + 5_000).closer}

        assert not closer & {"heard", "polled", "stretched"}

    def test_knows_how_devices_are_polled(self, connection):
        self.keep(connection)

        assert kept_listening.polled(connection, 1) == (4, 1, 2, (("sm-30", "2c"),))


class TestCounted:
    def test_counts_the_unheard_as_blind_and_the_ended_as_not_watched(self):
        states = [State.HEARD] * 5 + [State.SILENT] * 3 + [State.NEVER] * 2 + [State.ENDED]

        found = listening.counted([listening.Standing(one) for one in states])

        assert found == Counts(heard=5, silent=3, never=2, ended=1)
        assert (found.watched, found.blind) == (10, 5)


@dataclass
class Heard:
    """Sources that are heard when a test says so, and a listener that looks every 3 s of simulated time."""

    engine: object
    listener: Listener

    def sent(self, device, at_ms, received_ms=None, feed="push", **noted):
        """Something came of a source."""
        with self.engine.begin() as connection:
            inventory.resolve(connection, [PortName(device, "m1", "front")], feed=feed, now_ms=EPOCH_MS)
            table = tables.devices
            told = {"last_sample_ms": at_ms, "last_received_ms": received_ms or at_ms, **noted}
            connection.execute(update(table).where(table.c.name == device).values(told))

    def walk(self, begin_ms, end_ms, *, every_ms=10_000, devices=("sm-07",), look_ms=3_000):
        """Sources send every so often, and the listener looks, in [begin, end); what it noted altogether."""
        silent = heard = 0
        for now_ms in range(EPOCH_MS + begin_ms, EPOCH_MS + end_ms, 1_000):
            if (now_ms - EPOCH_MS) % every_ms == 0:
                for device in devices:
                    self.sent(device, now_ms)
            if (now_ms - EPOCH_MS) % look_ms == 0:
                outcome = self.listener.listen(now_ms)
                silent, heard = silent + outcome.silent, heard + outcome.heard
        return silent, heard

    def since(self):
        with reading(self.engine) as connection:
            return {one.name: one.silent_since_ms for one in inventory.devices(connection).items}

    def told(self):
        with reading(self.engine) as connection:
            return [kept.event for kept in reversed(events.listing(connection).items)]


@pytest.fixture
def sources(engine):
    return Heard(engine, Listener(engine, WAITS_MS))


class TestListener:
    def test_notes_a_source_that_missed_three_polls_since_its_last_sample(self, sources):
        assert sources.walk(0, 60_000) == (0, 0)

        # The last sample came at 50 s: the third poll is missed at 85 s, and somebody looks by 88 s.
        assert sources.walk(60_000, 85_000, devices=()) == (0, 0)
        assert sources.walk(85_000, 89_000, devices=()) == (1, 0)
        assert sources.since() == {"sm-07": EPOCH_MS + 50_000}
        [event] = sources.told()
        assert (event.kind, event.port, event.at_ms) == ("silent", "", EPOCH_MS + 50_000)

    def test_says_how_long_it_was_silent_once_it_is_heard_again(self, sources):
        sources.walk(0, 60_000)
        sources.walk(60_000, 650_000, devices=())

        assert sources.walk(650_000, 660_000) == (0, 1)
        assert sources.since() == {"sm-07": None}
        _, event = sources.told()
        assert (event.kind, event.at_ms) == ("heard-again", EPOCH_MS + 650_000)
        assert event.text.endswith("(silent for 10 min)")

    def test_says_each_thing_once(self, sources):
        sources.walk(0, 60_000)

        assert sources.walk(60_000, 400_000, devices=()) == (1, 0)
        assert sources.walk(400_000, 500_000) == (0, 1)
        assert [event.kind for event in sources.told()] == ["silent", "heard-again"]

    def test_learns_that_a_source_sends_a_minute_at_a_time(self, sources):
        sources.sent("sm-07", EPOCH_MS, interval_ms=10_000)

        assert sources.walk(0, 900_000, every_ms=60_000) == (0, 0)
        # The last came at 840 s, and three and a half minutes later it is missed.
        assert sources.walk(900_000, 1_050_000, devices=()) == (0, 0)
        assert sources.walk(1_050_000, 1_056_000, devices=()) == (1, 0)

    def test_holds_what_it_did_not_hear_itself_against_nobody(self, sources):
        sources.walk(0, 60_000)
        sources.listener.listen(EPOCH_MS + HOUR)

        assert sources.walk(HOUR, HOUR + 60_000) == (0, 0)

    def test_tells_soon_after_it_was_deaf_of_those_that_do_not_come_back(self, sources):
        sources.sent("sm-07", EPOCH_MS, interval_ms=10_000)

        found = [sources.listener.listen(EPOCH_MS + HOUR + after).silent for after in (0, 60_000, 90_000, 93_000)]

        # Nothing is learned yet: it is spared what its windows wait, 90 s.
        assert found == [0, 0, 0, 1]

    def test_tells_of_silence_though_it_looks_only_now_and_then(self, sources):
        sources.sent("sm-07", EPOCH_MS, interval_ms=10_000)

        assert [sources.listener.listen(EPOCH_MS + k * 120_000).silent for k in range(3)] == [0, 1, 0]

    def test_marks_no_file_and_takes_back_a_mark_of_one(self, sources):
        sources.sent("sm-07", EPOCH_MS, feed="csv", interval_ms=10_000, silent_since_ms=EPOCH_MS)

        assert sources.walk(0, 300_000, devices=()) == (0, 0)
        assert sources.since() == {"sm-07": None}
        assert sources.told() == []

    def test_notes_a_device_that_answers_polls_no_more(self, sources):
        sources.sent("sm-30", EPOCH_MS, feed="snmp")
        with sources.engine.begin() as connection:
            agents.note(connection, [a_polling(answered_ms=EPOCH_MS), a_polling("sm-31")])

        assert sources.walk(0, 35_000, devices=()) == (0, 0)
        assert sources.walk(35_000, 40_000, devices=()) == (1, 0)
        assert sources.since() == {"sm-30": EPOCH_MS}

    def test_leaves_a_source_that_was_heard_while_it_looked(self, sources):
        sources.sent("sm-07", EPOCH_MS, interval_ms=10_000)
        stale = a_pulse(last_received_ms=EPOCH_MS - 1)
        fallen = listening.Standing(State.SILENT, EPOCH_MS)

        with sources.engine.begin() as connection:
            assert listening._noted(connection, news=[(stale, fallen)]) == Outcome()
        assert sources.told() == []


class TestTogetherWithEvaluation:
    @pytest.mark.parametrize("listens_first", [True, False])
    def test_a_silence_is_told_once_whoever_finds_it_first(self, engine, listens_first):
        rounds, listener = Rounds(engine), Listener(engine, WAITS_MS)
        rounds.push(polls((5, (0.3, 0.2))), 300)
        for now_s in range(301, 600, 3):
            if listens_first:
                listener.listen((START_S + now_s) * SECOND)
            rounds.run(now_s)
        listener.listen((START_S + 600) * SECOND)
        listener.listen((START_S + 700) * SECOND)

        with reading(engine) as connection:
            told = [kept.event.at_ms for kept in events.listing(connection, kind="silent").items]
            [device] = inventory.devices(connection).items
        assert told == [(START_S + 300) * SECOND]
        assert device.silent_since_ms == (START_S + 300) * SECOND

    def test_windows_decided_later_take_no_mark_back(self, engine):
        rounds, listener = Rounds(engine), Listener(engine, WAITS_MS)
        samples = polls((5, (0.3, 0.2)))
        for now_s in range(0, 345, 3):
            rounds.push([s for s in samples if now_s - 3 < s["time"] - START_S <= now_s], now_s)
            listener.listen((START_S + now_s) * SECOND)
            rounds.run(now_s)

        with reading(engine) as connection:
            [device] = inventory.devices(connection).items
        assert device.silent_since_ms == (START_S + 300) * SECOND
