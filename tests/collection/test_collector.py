from contextlib import suppress
from itertools import pairwise

import pytest
from collection.running import Running
from collection.simulated import Device
from examples import EPOCH_MS
from sqlalchemy.exc import OperationalError

from service.collection import discovering, keeping
from service.collection.watched import Patience
from service.storage import claims, database, inventory
from service.terms import DECLARED, Claim, Role


@pytest.fixture
def running(engine):
    """Runs a collector of some devices, one of a team of two by default."""

    def begin(devices=None, **told):
        return Running(engine, devices or {"sm-07": Device()}, **told)

    return begin


def members_of(engine, device="sm-07"):
    with database.reading(engine) as connection:
        return {team.name: set(team.members) for team in inventory.teams(connection, device=device).items}


def role_of(engine, port, device="sm-07"):
    with database.reading(engine) as connection:
        (claim,) = [claim for claim in claims.of_devices(connection, [device]) if claim.port == port]
        return claim.role


class TestDiscovering:
    def test_learns_teams_before_it_polls(self, running, engine):
        run = running()
        run.run(25)

        assert members_of(engine) == {"front": {"m1", "m2"}}
        with database.reading(engine) as connection:
            said = {claim.port: claim for claim in claims.of_devices(connection, ["sm-07"])}
        assert said["m1"].team == "front"
        assert said["m1"].role is Role.ACTIVE
        assert said["front"].aggregate_of == "front"

    def test_polls_the_aggregator_as_a_port_of_no_team(self, running):
        run = running()
        run.run(25)

        assert run.samples().keys() == {("sm-07", "m1"), ("sm-07", "m2"), ("sm-07", "front")}

    def test_discovers_anew_every_so_often_between_two_polls(self, running):
        run = running(patience=Patience(discover_every_ms=60_000))
        run.run(200)
        walks, polls = run.asked("walk"), run.asked("poll")

        assert len(walks) == 4
        assert all(later - earlier <= 70_000 for earlier, later in pairwise(walks))
        assert {later - earlier for earlier, later in pairwise(polls[1:])} == {10_000}

    def test_believes_a_declaration_that_overrides(self, running, engine):
        with engine.begin() as connection:
            claims.keep(connection, [Claim("sm-07", "m2", DECLARED, "store", Role.STANDBY, override=True)], EPOCH_MS)
        running().run(25)

        assert members_of(engine)["store"] == {"m2"}

    def test_heeds_what_is_declared_meanwhile(self, running, engine):
        run = running()
        run.run(25)
        with engine.begin() as connection:
            claims.keep(connection, [Claim("sm-07", "m2", DECLARED, "store", override=True)], EPOCH_MS)
        run.run(90)

        assert members_of(engine) == {"front": {"m1"}, "store": {"m2"}}

    def test_follows_a_port_that_leaves_its_team_and_says_so(self, running, engine):
        device = Device(members={"m1": 1, "m2": 2, "m3": 3})
        run = running({"sm-07": device})
        run.run(25)
        del device.members["m3"]
        device.tables_changed += 1
        run.run(25)

        assert members_of(engine) == {"front": {"m1", "m2"}}
        (event,) = run.events("members-changed")
        assert (event.port, event.text.split(";")[0]) == ("m3", "the device says that this port left team front")

    def test_goes_on_with_others_where_the_tables_of_one_device_cannot_be_used(self, running, engine, monkeypatch):
        def discovered(device, rows):
            if device == "sm-66":
                raise ValueError(device)
            return real(device, rows)

        real = discovering.discovered
        monkeypatch.setattr(discovering, "discovered", discovered)
        run = running({"sm-07": Device(), "sm-66": Device()})
        run.run(300)

        assert members_of(engine) == {"front": {"m1", "m2"}}
        assert run.polling("sm-66").trouble.startswith("its tables could not be used")
        # After 10, 20, 40 and 80 s and so on: whoever tells nonsense is not asked for it all the time.
        assert 3 <= len(run.asked("walk", "sm-66")) <= 6


class TestChanges:
    def test_walks_again_when_the_tables_are_said_to_have_changed_and_keeps_the_poll(self, running):
        device = Device()
        run = running({"sm-07": device})
        run.run(40)
        before = len(run.asked("poll"))
        device.tables_changed += 1
        run.run(30)

        assert len(run.asked("walk")) == 2
        assert len(run.asked("poll")) == before + 3
        assert len(run.samples()["sm-07", "m1"]) == before + 3

    def test_believes_an_agent_that_cries_wolf_ever_less_often(self, running):
        device = Device()
        run = running({"sm-07": device})
        for _ in range(300):
            device.tables_changed += 1
            run.tick()

        # At the first contact, at the first change, and after 60 s, 120 s, ... of quiet; never a poll less.
        assert 3 <= len(run.asked("walk")) <= 5
        assert len(run.samples()["sm-07", "m1"]) == len(run.asked("poll"))

    def test_sees_a_change_that_came_between_a_walk_and_the_next_poll(self, running):
        device = Device()
        run = running({"sm-07": device})
        while not run.asked("walk"):
            run.tick()
        device.tables_changed += 1
        run.run(20)

        assert len(run.asked("walk")) == 2

    def test_does_not_take_a_change_of_role_for_a_false_alarm(self, running, engine):
        device = Device()
        run = running({"sm-07": device})
        run.run(40)
        device.tables_changed, device.waiting = 200, {"m2"}
        run.run(15)
        assert role_of(engine, "m2") is Role.OUT
        device.tables_changed, device.waiting = 300, set()
        run.run(15)

        assert role_of(engine, "m2") is Role.ACTIVE

    def test_follows_a_carrier_that_no_table_marks(self, running, engine):
        device = Device()
        run = running({"sm-07": device})
        run.run(40)
        device.down, device.waiting = {"m2"}, {"m2"}
        run.run(15)
        assert role_of(engine, "m2") is Role.OUT
        device.down, device.waiting = set(), set()
        run.run(15)

        assert role_of(engine, "m2") is Role.ACTIVE

    def test_looks_again_where_the_far_end_takes_a_port_in_later(self, running, engine):
        device = Device(down={"m2"}, waiting={"m2"})
        run = running({"sm-07": device})
        run.run(40)
        device.down = set()
        run.run(20)
        device.waiting = set()
        run.run(45)

        assert role_of(engine, "m2") is Role.ACTIVE
        assert len(run.asked("walk")) == 3
        run.run(120)
        assert len(run.asked("walk")) == 4

    def test_follows_a_carrier_of_an_agent_that_cries_wolf(self, running, engine):
        device = Device()
        run = running({"sm-07": device})
        for _ in range(200):
            device.tables_changed += 1
            run.tick()
        device.down, device.waiting = {"m2"}, {"m2"}
        run.run(15)

        assert role_of(engine, "m2") is Role.OUT

    def test_keeps_no_counters_after_a_restart_until_the_tables_were_read(self, running):
        device = Device(octets_s={"m1": 100_000_000, "m2": 1_000})
        run = running({"sm-07": device})
        run.run(40)
        device.members = {"m1": 2, "m2": 1}
        device.up_since_ms, device.walks_fail = run.now_ms, True
        run.run(60)
        device.walks_fail = False
        run.run(60)

        kept = run.samples()["sm-07", "m2"]
        assert all(octets <= 4_000_000 for _, octets in kept)
        assert kept[-1][0] > run.now_ms - 12_000

    def test_discovers_anew_also_where_polls_follow_each_other_closely(self, running):
        run = running(interval_ms=1000, patience=Patience(discover_every_ms=20_000))
        run.run(70)

        assert 3 <= len(run.asked("walk")) <= 4

    def test_drops_a_poll_whose_indices_were_dealt_anew_and_polls_at_once(self, running):
        device = Device(octets_s={"m1": 100_000_000, "m2": 1_000})
        run = running({"sm-07": device})
        run.run(40)
        device.members = {"m1": 2, "m2": 1}
        device.up_since_ms = run.now_ms
        run.run(30)

        kept = run.samples()["sm-07", "m2"]
        # 1,000 octets a second: no sample of m2 may ever hold what m1 carried.
        assert all(octets <= 4_000_000 for _, octets in kept)
        assert run.polling().lost == 1
        assert run.asked("poll")[-4] - run.asked("walk")[-1] <= 2_000


class TestSilence:
    def test_backs_off_from_an_agent_that_does_not_answer(self, running):
        run = running({"sm-07": Device(is_silent=True), "sm-08": Device()})
        run.run(300)
        asked = [(what, tries) for _, what, tries in run.devices["sm-07"].asked]
        times = [at_ms for at_ms, _, _ in run.devices["sm-07"].asked]

        assert asked[0] == ("walk", 3)
        assert set(asked[1:]) == {("probe", 1)}
        gaps = [later - earlier for earlier, later in pairwise(times)]
        assert [round(gap / 10_000) for gap in gaps[:5]] == [1, 2, 4, 6, 6]
        assert len(run.samples()["sm-08", "m1"]) >= 28

    def test_notes_a_device_that_never_answered_with_its_trouble(self, running):
        run = running({"sm-07": Device(is_silent=True)})
        run.run(30)
        polling = run.polling()

        assert polling.trouble == "does not answer"
        assert polling.answered_ms is None
        assert polling.lost == polling.polls > 0

    def test_is_back_at_its_interval_once_it_answers(self, running):
        device = Device()
        run = running({"sm-07": device})
        run.run(40)
        device.is_silent = True
        run.run(100)
        device.is_silent = False
        run.run(100)
        polls = run.asked("poll")

        assert run.polling().failures == 0
        assert run.polling().trouble == ""
        assert {later - earlier for earlier, later in pairwise(polls[-5:])} == {10_000}


class TestStretching:
    def test_stretches_the_interval_of_an_agent_that_is_not_done_in_time_and_says_so(self, running):
        run = running({"sm-07": Device(latency_ms=12_000)})
        run.run(120)
        polling = run.polling()

        assert polling.stretched_ms > 10_000
        assert "instead of 10 s" in polling.trouble
        assert len(run.events("polls-stretched")) == 1

    def test_shrinks_it_back_when_there_is_room(self, running):
        device = Device(latency_ms=12_000)
        run = running({"sm-07": device})
        run.run(120)
        device.latency_ms = 4
        run.run(900)

        assert run.polling().stretched_ms == 10_000
        assert run.polling().trouble == ""

    def test_forgives_a_single_pause_of_the_machine(self, running):
        run = running()
        run.run(40)
        run.tick(after_ms=120_000)
        run.run(30)

        assert run.events("polls-stretched") == []

    def test_stretches_when_it_comes_to_its_work_too_late_again_and_again(self, running):
        run = running()
        run.run(40)
        for _ in range(8):
            run.tick(after_ms=17_000)

        assert run.polling().stretched_ms > 10_000


class TestClock:
    def test_goes_on_when_the_clock_is_set_back(self, running):
        run = running()
        run.run(40)
        before = len(run.devices["sm-07"].asked)
        run.now_ms -= 3_600_000
        run.run(30)

        assert len(run.devices["sm-07"].asked) >= before + 2

    def test_spreads_polls_again_after_a_pause(self, running):
        run = running({f"sm-{k:02}": Device() for k in range(30)})
        run.run(40)
        run.tick(after_ms=300_000)
        resumed_ms = run.now_ms
        run.run(11)

        asked = [at_ms for device in run.devices.values() for at_ms, what, _ in device.asked if at_ms >= resumed_ms]
        seconds = {(at_ms - resumed_ms) // 1000 for at_ms in asked}
        assert len(asked) >= 30
        assert len(seconds) >= 7


class TestKeeping:
    def test_keeps_what_came_once_the_database_is_back(self, running, monkeypatch):
        run = running()
        run.run(30)
        before = len(run.samples()["sm-07", "m1"])
        away = OperationalError("INSERT", {}, Exception("away"))
        with monkeypatch.context() as patched:
            patched.setattr(keeping.ingest, "keep", lambda *_, **__: (_ for _ in ()).throw(away))
            for _ in range(30):
                with suppress(OperationalError):
                    run.tick()
        run.run(2)

        assert len(run.samples()["sm-07", "m1"]) == before + 3

    def test_begins_anew_after_a_time_in_which_others_polled(self, running):
        run = running()
        run.run(30)
        polls = run.polling().polls
        run.collector.forget()
        run.run(30)

        assert len(run.asked("walk")) == 2
        assert run.polling().polls > polls

    def test_forgets_devices_that_are_polled_no_longer(self, running, engine):
        running({"sm-07": Device(), "sm-08": Device()}).run(15)
        run = running({"sm-07": Device()})
        run.run(15)

        with pytest.raises(KeyError):
            run.polling("sm-08")
