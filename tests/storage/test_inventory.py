import numpy as np
import pytest
from examples import EPOCH_MS

from service.errors import NotFound, WrongQuestion
from service.storage import inventory
from service.terms import UNKNOWN, PortName

M1, M2 = PortName("sm-07", "m1", "front"), PortName("sm-07", "m2", "front")


def resolve(connection, *names, now_ms=EPOCH_MS, **more):
    return inventory.resolve(connection, names, feed="push", now_ms=now_ms, **more)


def members_of(connection, team="front", device="sm-07"):
    return inventory.team(connection, inventory.team_named(connection, device, team)).members


class TestResolve:
    def test_registers_device_team_port_and_membership_once(self, connection):
        first = resolve(connection, M1, M2)

        assert first == resolve(connection, M1, M2)
        assert len(set(first)) == 2
        assert members_of(connection) == ("m1", "m2")

    def test_does_not_register_a_port_of_no_team(self, connection):
        assert resolve(connection, PortName("sm-07", "m1")) == [0]

    def test_registers_a_port_of_no_team_where_that_is_asked_for(self, connection):
        [port_id] = resolve(connection, PortName("sm-07", "m1"), register_teamless=True)

        assert port_id > 0
        assert inventory.layout(connection).layout.ports == ()

    def test_knows_a_port_again_without_its_team(self, connection):
        assert resolve(connection, M1) == resolve(connection, PortName("sm-07", "m1"))
        assert members_of(connection) == ("m1",)

    def test_registers_nothing_where_that_is_not_wanted(self, connection):
        assert resolve(connection, M1, register=False) == [0]
        assert inventory.devices(connection).items == ()

    def test_moves_a_port_to_the_team_it_names_now(self, connection):
        resolve(connection, M1, M2)

        resolve(connection, PortName("sm-07", "m2", "store"))

        assert members_of(connection) == ("m1",)
        assert members_of(connection, "store") == ("m2",)

    def test_moves_a_port_back_and_forth_over_several_batches(self, engine):
        for team in ("front", "store", "front", "store"):
            for _ in range(3):  # the third time it is remembered
                with engine.begin() as connection:
                    resolve(connection, PortName("sm-07", "m1", team))
            with engine.begin() as connection:
                assert members_of(connection, team) == ("m1",)

    def test_keeps_what_is_said_of_method_bundle_and_index(self, connection):
        resolve(connection, M1)

        resolve(connection, PortName("sm-07", "m1", "front", "ip-pair", "lacp", 7))
        resolve(connection, M1)

        placed = inventory.layout(connection).layout
        assert (placed.teams[0].method, placed.teams[0].bundle, placed.ports[0].if_index) == ("ip-pair", "lacp", 7)

    def test_takes_eight_members_and_no_ninth(self, connection):
        ids = resolve(connection, *(PortName("sm-07", f"m{k}", "front") for k in range(1, 10)))

        assert [bool(port_id) for port_id in ids] == [True] * 8 + [False]
        assert len(members_of(connection)) == 8

    def test_does_not_remember_what_was_rolled_back(self, engine):
        with engine.connect() as connection:
            resolve(connection, M1)
            resolve(connection, M1)
            connection.rollback()

        with engine.begin() as connection:
            assert resolve(connection, M1, register=False) == [0]

    def test_remembers_what_was_committed(self, engine):
        found = []
        for _ in range(4):
            with engine.begin() as connection:
                found.append(resolve(connection, M1, M2))

        assert found == [found[0]] * 4


class TestPlaces:
    def test_names_device_and_team_of_each_port(self, connection):
        m1, other = resolve(connection, M1, PortName("sm-08", "m1"), register_teamless=True)

        device, team = inventory.places(connection, np.array([m1, other, m1, 999], dtype=np.int32))

        assert team.tolist() == [inventory.team_named(connection, "sm-07", "front"), 0, team[0], 0]
        assert device[0] != device[1]
        assert device[3] == 0

    def test_names_the_new_team_as_soon_as_a_port_has_moved(self, engine):
        for team in ("front", "front", "front", "store"):
            with engine.begin() as connection:
                port_ids = resolve(connection, PortName("sm-07", "m1", team), M2)
                _, found = inventory.places(connection, np.array(port_ids, dtype=np.int32))

                assert found[0] == inventory.team_named(connection, "sm-07", team)


class TestLayout:
    def test_places_members_by_port_id_and_pads(self, connection):
        port_ids = resolve(connection, M1, PortName("sm-08", "a", "shift"), M2)

        placed = inventory.layout(connection)

        assert placed.layout.devices == ("sm-07", "sm-08")
        assert [team.team for team in placed.layout.teams] == ["front", "shift"]
        assert placed.port_ids[placed.layout.members[0, :2]].tolist() == [port_ids[0], port_ids[2]]
        assert placed.layout.members[0, 2:].tolist() == [UNKNOWN] * 6
        assert placed.layout.device_of_port[placed.layout.members[1, 0]] == 1

    def test_holds_only_the_teams_asked_for(self, connection):
        resolve(connection, M1, PortName("sm-08", "a", "shift"))
        wanted = inventory.team_named(connection, "sm-08", "shift")

        assert inventory.layout(connection, [wanted]).team_ids.tolist() == [wanted]

    def test_is_empty_without_teams(self, connection):
        placed = inventory.layout(connection, [])

        assert placed.layout.members.shape == (0, 8)
        assert len(placed.port_ids) == 0


class TestListing:
    def test_goes_through_devices_page_by_page(self, connection):
        resolve(connection, *(PortName(f"sm-{k:02}", "m1", "front") for k in range(1, 6)))

        names, cursor = [], None
        while cursor is not None or not names:
            page = inventory.devices(connection, cursor=cursor, limit=2)
            names += [device.name for device in page.items]
            cursor = page.cursor

        assert names == [f"sm-{k:02}" for k in range(1, 6)]

    def test_lists_teams_of_one_device(self, connection):
        resolve(connection, M1, PortName("sm-08", "a", "shift"))

        assert [team.name for team in inventory.teams(connection, device="sm-08").items] == ["shift"]

    @pytest.mark.parametrize("cursor", ["", "nonsense", "!!", "WzFd", "é", "W10=", "A" * 10_000])
    def test_refuses_a_cursor_of_somewhere_else(self, connection, cursor):
        with pytest.raises(WrongQuestion, match="cursor"):
            inventory.devices(connection, cursor=cursor)

    @pytest.mark.parametrize("team_id", [-1, 0, 12, 2**31, 2**70])
    def test_knows_no_team_by_an_id_that_nothing_has(self, connection, team_id):
        with pytest.raises(NotFound):
            inventory.team(connection, team_id)


class TestNoteSamples:
    def test_keeps_the_newest_time(self, connection):
        [port_id] = resolve(connection, M1)
        devices, _ = inventory.places(connection, np.array([port_id], dtype=np.int32))

        for at_ms in (EPOCH_MS, EPOCH_MS - 5):
            inventory.note_samples(connection, devices, np.array([at_ms]), EPOCH_MS + 1)

        [device] = inventory.devices(connection).items
        assert (device.last_sample_ms, device.last_received_ms) == (EPOCH_MS, EPOCH_MS + 1)


class TestNoteDecided:
    def test_never_moves_back(self, connection):
        resolve(connection, M1)
        team = inventory.team_named(connection, "sm-07", "front")

        for decided_ms in (EPOCH_MS, EPOCH_MS - 30_000):
            inventory.note_decided(connection, [team], decided_ms)

        assert inventory.decided(connection, [team]) == {team: EPOCH_MS}
