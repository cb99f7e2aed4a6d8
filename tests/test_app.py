import socket

import pytest
from sqlalchemy import select, update
from storage_examples import a_polling
from structlog.testing import capture_logs

from service import app
from service.app import Parts, jobs, parts, running
from service.errors import DatabaseNotReady, WrongSetting
from service.settings.reading import settled
from service.storage import agents, agreements, database, inventory, keys, leases, samples, tables
from service.storage.deliveries import Owed, owe
from service.terms import Facts, FactsTable, PortName
from service.webhooks.retry import Answer
from service.webhooks.routes import Route

NOW_MS = 1_795_600_800_000
DAY_MS = 86_400_000


class Clock:
    def __init__(self, now_ms=NOW_MS):
        self.now_ms = now_ms

    def __call__(self):
        return self.now_ms


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def parts_with(sqlite_engine, clock):
    def made(owner="one", send=None, routes=(), **told):
        return Parts(settled(told), sqlite_engine, routes, send, clock, owner)

    return made


class TestDatabaseOf:
    def test_brings_the_embedded_database_up_to_date(self, tmp_path):
        engine = app.database_of(settled({"database": {"url": f"sqlite:///{tmp_path}/new.sqlite"}}))

        assert database.fits(engine)
        engine.dispose()

    @pytest.fixture
    def empty_postgresql(self, new_postgresql_url):
        return new_postgresql_url()

    def test_refuses_another_that_is_not(self, empty_postgresql):
        with pytest.raises(DatabaseNotReady, match="lopside migrate"):
            app.database_of(settled({"database": {"url": empty_postgresql}}))

    def test_brings_another_up_to_date_where_that_is_wanted(self, empty_postgresql):
        engine = app.database_of(settled({"database": {"url": empty_postgresql, "migrate": True}}))

        assert database.fits(engine)
        engine.dispose()


class TestRefuseStrangers:
    @pytest.mark.parametrize("host", ["127.0.0.1", "::1", "localhost", "127.9.9.9"])
    def test_lets_anybody_in_from_this_machine(self, parts_with, host):
        running.refuse_strangers(parts_with(server={"host": host}))

    @pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.0.2.7", "sm-07.example", ""])
    def test_refuses_to_listen_elsewhere_while_there_is_no_key(self, parts_with, host):
        with pytest.raises(WrongSetting, match="lopside key new"):
            running.refuse_strangers(parts_with(server={"host": host}))

    def test_needs_a_key_on_this_machine_too_where_the_settings_say_so(self, parts_with):
        with pytest.raises(WrongSetting, match="lopside key new"):
            running.refuse_strangers(parts_with(server={"open_on_loopback": False}))

    def test_listens_elsewhere_once_there_is_a_key(self, parts_with):
        service = parts_with(server={"host": "0.0.0.0"})
        with service.engine.begin() as connection:
            keys.make(connection, "a", "admin", NOW_MS)

        running.refuse_strangers(service)

    def test_does_not_count_a_key_that_has_run_out(self, parts_with, clock):
        service = parts_with(server={"host": "0.0.0.0"})
        with service.engine.begin() as connection:
            keys.make(connection, "a", "admin", NOW_MS, NOW_MS + DAY_MS)
        clock.now_ms += 2 * DAY_MS

        with pytest.raises(WrongSetting):
            running.refuse_strangers(service)


class TestBound:
    def test_says_what_is_in_the_way(self):
        with socket.create_server(("127.0.0.1", 0)) as taken:
            port = taken.getsockname()[1]

            with pytest.raises(WrongSetting, match=f"cannot listen on 127.0.0.1 port {port}"):
                app.bound("127.0.0.1", port)

    def test_takes_any_free_port_for_0(self):
        with app.bound("127.0.0.1", 0) as door:
            assert door.getsockname()[1] > 0


class TestForgetAgents:
    def test_forgets_whom_the_settings_name_no_more(self, parts_with):
        parts = parts_with("one")
        with parts.engine.begin() as connection:
            agents.note(connection, [a_polling("sm-07"), a_polling("uw-06")])

        with app.at_work(parts), parts.engine.connect() as connection:
            assert agents.listing(connection) == ()

    def test_leaves_them_to_a_process_that_polls(self, parts_with):
        with parts_with("other").engine.begin() as connection:
            agents.note(connection, [a_polling("sm-07")])
        polls = parts_with("other")
        polls.turn.held_epoch(polls, polls.clock())

        with app.at_work(parts_with("one")), polls.engine.connect() as connection:
            assert [polling.device for polling in agents.listing(connection)] == ["sm-07"]


class TestEvaluate:
    def test_is_done_by_one_process_at_a_time(self, parts_with):
        assert jobs.held_epoch(parts_with("one")) == 1
        assert jobs.held_epoch(parts_with("two")) is None
        assert jobs.held_epoch(parts_with("one")) == 1

    def test_is_taken_over_when_its_holder_has_not_been_heard_of(self, parts_with, clock):
        jobs.held_epoch(parts_with("one"))
        clock.now_ms += jobs.LEASE_MS

        assert jobs.held_epoch(parts_with("two")) == 2

    def test_is_handed_on_at_once_by_an_orderly_end(self, parts_with):
        first = parts_with("one")
        with app.at_work(first):
            jobs.held_epoch(first)

        assert jobs.held_epoch(parts_with("two")) == 2

    def test_keeps_its_lease_while_it_takes_its_time(self, parts_with, clock):
        first = parts_with("one")
        app.evaluate(first)
        clock.now_ms += jobs.LEASE_MS - 1
        jobs.keep_lease(first)
        clock.now_ms += jobs.LEASE_MS - 1

        assert jobs.held_epoch(parts_with("two")) is None

    def test_says_once_that_another_process_took_it_over(self, parts_with, clock):
        first = parts_with("one")
        app.evaluate(first)
        clock.now_ms += jobs.LEASE_MS
        jobs.held_epoch(parts_with("two"))

        with capture_logs() as said:
            for _ in range(3):
                jobs.keep_lease(first)

        assert [line["log_level"] for line in said] == ["warning"]

    def test_does_not_ask_for_a_lease_before_it_has_evaluated(self, parts_with):
        jobs.keep_lease(parts_with("one"))

        assert jobs.held_epoch(parts_with("two")) == 1

    def test_starts_with_an_empty_memory_when_others_evaluated_meanwhile(self, parts_with, clock, monkeypatch):
        first = parts_with("one")
        app.evaluate(first)
        forgotten = []
        evaluator = first.shift.evaluator(first, 1)
        monkeypatch.setattr(evaluator, "forget", lambda: forgotten.append(clock.now_ms))

        app.evaluate(first)
        clock.now_ms += jobs.LEASE_MS
        jobs.held_epoch(parts_with("two"))
        clock.now_ms += jobs.LEASE_MS
        app.evaluate(first)

        assert forgotten == [clock.now_ms]

    def test_fills_in_what_the_settings_say_of_teams(self, parts_with):
        service = parts_with(teams=[{"device": "sm-07", "team": "front", "method": "load-aware"}])
        with service.engine.begin() as connection:
            inventory.resolve(connection, [PortName("sm-07", "m1", "front")], feed="push", now_ms=NOW_MS)

        app.evaluate(service)

        with service.engine.connect() as connection:
            assert inventory.layout(connection).layout.teams[0].method == "load-aware"


class TestPolicyOf:
    def test_waits_for_late_samples_as_the_settings_say(self):
        policy = parts.policy_of(
            settled({"lateness": {"polled_s": 5, "pushed_s": 70}, "rules": {"window_seconds": 60}})
        )

        assert [policy.waits_ms(feed) for feed in ("push", "csv", "snmp", "linux")] == [70_000, 70_000, 5_000, 5_000]
        assert policy.width_ms == 60_000

    def test_has_each_team_its_rule(self):
        own = {"device": "a", "team": "t", "idle_below": 0.4, "set_by": "M. Quist", "because": "trial"}
        policy = parts.policy_of(settled({"teams": [own]}))

        assert policy.rules_for("a", "t").idle_below == 0.4
        assert policy.rules_for("a", "u").idle_below == 0.3

    def test_has_the_speeds_that_an_operator_set(self):
        own = {"device": "a", "port": "m1", "speed_bps": 10**9, "set_by": "M. Quist", "because": "it claims 10 Gbit/s"}
        policy = parts.policy_of(settled({"ports": [own]}))

        assert policy.speed_of("a", "m1") == 10**9
        assert policy.speed_of("a", "m2") == 0


class TestDeliver:
    def test_sends_what_is_owed(self, parts_with):
        sent = []

        def send(route, headers, body):
            sent.append((route.name, headers["webhook-id"], body))
            return Answer(204)

        service = parts_with(send=send, routes=(Route("on-call", "https://hooks.example/"),))
        with service.engine.begin() as connection:
            owe(connection, [Owed("msg-1", None, "on-call", "test", '{"id":"msg-1"}', NOW_MS)])

        app.deliver(service)
        app.deliver(service)

        assert sent == [("on-call", "msg-1", b'{"id":"msg-1"}')]


class TestClean:
    def test_removes_samples_that_are_past_their_time(self, parts_with, a_sample_at):
        service = parts_with(retention={"samples_h": 1})
        a_sample_at(NOW_MS - 3_600_001)
        a_sample_at(NOW_MS - 3_600_000)

        app.clean(service)

        with service.engine.connect() as connection:
            assert connection.execute(select(tables.samples.c.at_ms)).scalars().all() == [NOW_MS - 3_600_000]

    @pytest.fixture
    def a_sample_at(self, sqlite_engine):
        from examples import samples_of

        def keep(at_ms):
            from service.storage import facts

            with sqlite_engine.begin() as connection:
                [port] = inventory.resolve(connection, [PortName("a", "p", "t")], feed="push", now_ms=NOW_MS)
                one = samples_of([{"at": at_ms / 1000, "out_octets": 1}])
                ids = facts.ids(connection, FactsTable.of([Facts()]))
                samples.keep(connection, one, replace_all(one.port, port), ids[one.facts])

        return keep

    def test_is_done_by_one_process_at_a_time(self, parts_with, a_sample_at):
        service = parts_with(retention={"samples_h": 1})
        a_sample_at(NOW_MS - DAY_MS)
        with service.engine.begin() as connection:
            leases.take(connection, jobs.HOUSEKEEPING, "another", jobs.LEASE_MS, NOW_MS)

        app.clean(service)

        with service.engine.connect() as connection:
            assert connection.execute(select(tables.samples.c.at_ms)).scalars().all() == [NOW_MS - DAY_MS]


def replace_all(array, value):
    filled = array.copy()
    filled[:] = value
    return filled


class TestHear:
    def known(self, service):
        """A device that sent every 10 s until now."""
        with service.engine.begin() as connection:
            inventory.resolve(connection, [PortName("sm-07", "m1", "front")], feed="push", now_ms=NOW_MS)
            told = {"last_sample_ms": NOW_MS, "last_received_ms": NOW_MS, "interval_ms": 10_000}
            connection.execute(update(tables.devices).values(told))

    def silent_since_ms(self, service):
        with database.reading(service.engine) as connection:
            return inventory.devices(connection).items[0].silent_since_ms

    def test_marks_a_source_that_is_heard_no_more(self, parts_with, clock):
        service = parts_with()
        self.known(service)
        for _ in range(40):
            app.hear(service)
            clock.now_ms += jobs.LISTEN_EVERY_S * 1000

        assert self.silent_since_ms(service) == NOW_MS

    def test_is_left_to_whoever_evaluates(self, parts_with, clock):
        first, second = parts_with("one"), parts_with("two")
        self.known(first)
        for _ in range(40):
            jobs.held_epoch(first)
            app.hear(second)
            clock.now_ms += jobs.LISTEN_EVERY_S * 1000

        assert self.silent_since_ms(first) is None


class TestJobsOf:
    def test_are_all_the_recurring_work(self, parts_with):
        asked = {"evaluation", "listening", "agreement", "lease", "delivery", "housekeeping"}

        assert {job.name for job in jobs.jobs_of(parts_with())} >= asked


class TestCompare:
    def test_is_for_the_process_that_evaluates(self, parts_with):
        service = parts_with()
        row = agreements.Agreement(agreements.SUM, "sm-07", "front", 0, "sm-07 bond0", 1, 1, 0.0, True, 0)
        with service.engine.begin() as connection:
            agreements.keep(connection, [row])
        kept = []

        for _ in range(2):
            jobs.compare(service)
            with service.engine.connect() as connection:
                kept.append(agreements.of_devices(connection, ["sm-07"]))
            jobs.evaluate(service)

        # Only from its evaluation on does it forget what is of long ago.
        assert kept == [[row], []]

    def test_is_no_longer_for_one_that_another_took_over_from(self, parts_with, clock):
        first, second = parts_with("one"), parts_with("two")
        jobs.evaluate(first)
        clock.now_ms += jobs.LEASE_MS + 1
        jobs.evaluate(second)
        row = agreements.Agreement(agreements.SUM, "sm-07", "front", 0, "sm-07 bond0", 1, 1, 0.0, True, 0)
        with first.engine.begin() as connection:
            agreements.keep(connection, [row])

        jobs.compare(first)

        with first.engine.connect() as connection:
            assert agreements.of_devices(connection, ["sm-07"]) == [row]


class TestParts:
    def test_show_no_secret(self, parts_with, monkeypatch):
        route = Route("on-call", "https://hooks.example/s3cr3t-Zeta", (b"s3cr3t-Zeta" * 3,))

        told = repr(parts_with(routes=(route,), database={"url": "sqlite:///s3cr3t-Zeta"}))

        assert "s3cr3t-Zeta" not in told

    def test_know_who_they_are_apart_from_any_other_process(self, tmp_path):
        settings = settled({"database": {"url": f"sqlite:///{tmp_path}/a.sqlite"}})
        both = [app.parts_of(settings), app.parts_of(settings)]

        assert both[0].owner != both[1].owner
        assert len(both[0].owner) <= 64
        for one in both:
            one.engine.dispose()
