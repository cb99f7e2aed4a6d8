from functools import partial

import numpy as np
import pytest
from sqlalchemy import select

from service.rules.reconcile import reconciled
from service.storage import claims, inventory, membership, tables
from service.terms import DECLARED, DISCOVERED, Claim, PortName, Role

NOW_MS = 1_795_600_800_000
LATER_MS = NOW_MS + 600_000
TWO = (PortName("sm-07", "up1", "front"), PortName("sm-07", "up2", "front"))


def said(*teams, said_by=DISCOVERED):
    """What is believed of up1, up2, ... where somebody says that they are in these teams."""
    return reconciled([Claim("sm-07", f"up{k}", said_by, team) for k, team in enumerate(teams, start=1)])


def known(engine, feed="snmp"):
    with engine.begin() as connection:
        inventory.resolve(connection, TWO, feed=feed, now_ms=NOW_MS)


def follow(engine, believed):
    with engine.begin() as connection:
        return membership.follow(connection, "sm-07", believed, LATER_MS)


def layout(engine):
    with engine.connect() as connection:
        return {port.port: port.team for port in inventory.layout(connection).layout.ports}


@pytest.fixture
def polled(engine):
    known(engine)
    return partial(follow, engine)


class TestFollow:
    def test_leaves_members_where_they_are_believed_to_be(self, engine, polled):
        assert polled(said("front", "front")) == ()
        assert layout(engine) == {"up1": "front", "up2": "front"}

    def test_ends_the_membership_of_a_port_that_is_in_another_team(self, engine, polled):
        assert polled(said("front", "store")) == ("up2",)
        assert layout(engine) == {"up1": "front"}
        with engine.connect() as connection:
            query = select(tables.memberships.c.to_ms).order_by(tables.memberships.c.port_id)
            assert list(connection.scalars(query)) == [None, LATER_MS]

    @pytest.mark.parametrize("believed", [said("front", ""), said("front")], ids=["in none", "gone"])
    def test_ends_the_membership_of_a_port_that_is_in_no_team(self, engine, polled, believed):
        assert polled(believed) == ("up2",)
        assert layout(engine) == {"up1": "front"}

    def test_lets_samples_join_the_new_team(self, engine, polled):
        polled(said("front", "store"))

        with engine.begin() as connection:
            moved = [TWO[0], PortName("sm-07", "up2", "store")]
            inventory.resolve(connection, moved, feed="snmp", now_ms=LATER_MS)

        assert layout(engine) == {"up1": "front", "up2": "store"}

    def test_is_not_outlived_by_what_is_remembered(self, engine, polled):
        for _ in range(2):  # the second time from memory
            with engine.begin() as connection:
                ids = np.array(inventory.resolve(connection, TWO, feed="snmp", now_ms=NOW_MS), dtype=np.int32)
                assert inventory.places(connection, ids)[1].tolist() == [1, 1]

        polled(said("front", ""))

        with engine.connect() as connection:
            assert inventory.places(connection, ids)[1].tolist() == [1, 0]

    def test_of_a_polled_device_that_tells_of_no_team_any_more_empties_it(self, engine, polled):
        assert polled(said("", "")) == ("up1", "up2")

    def test_lets_no_device_without_teams_take_ports_out_of_those_that_others_push(self, engine):
        known(engine, feed="push")

        assert follow(engine, said("", "")) == ()
        assert follow(engine, ()) == ()
        assert layout(engine) == {"up1": "front", "up2": "front"}

    def test_keeps_a_declared_member(self, engine, polled):
        assert polled(said("front", "front", said_by=DECLARED)) == ()

    def test_leaves_other_devices_alone(self, engine, polled):
        with engine.begin() as connection:
            inventory.resolve(connection, [PortName("sm-08", "up2", "front")], feed="snmp", now_ms=NOW_MS)

        polled(said("front"))

        with engine.connect() as connection:
            assert len(inventory.layout(connection).layout.ports) == 2


class TestOverrides:
    """A declaration that overrides holds for samples of every feed, and nothing makes a team's interface a member."""

    UP2 = PortName("sm-07", "up2", "front", "layer4-tuple", "lacp")

    def resolved(self, engine, *names, times=2):
        for _ in range(times):  # the second time from memory
            with engine.begin() as connection:
                found = inventory.resolve(connection, names, feed="push", now_ms=NOW_MS)
        return found

    def said(self, engine, *told):
        with engine.begin() as connection:
            claims.keep(connection, told, NOW_MS)

    def test_put_a_port_into_the_declared_team(self, engine):
        self.said(engine, Claim("sm-07", "up2", DECLARED, "store", override=True))

        assert all(self.resolved(engine, TWO[0], self.UP2))
        assert layout(engine) == {"up1": "front", "up2": "store"}

    def test_say_nothing_of_how_the_declared_team_distributes(self, engine):
        self.said(engine, Claim("sm-07", "up2", DECLARED, "store", override=True))
        self.resolved(engine, self.UP2)

        with engine.connect() as connection:
            (team,) = inventory.layout(connection).layout.teams
        assert (team.team, team.method, team.bundle) == ("store", "unknown", "")

    @pytest.mark.parametrize(
        "claim",
        [Claim("sm-07", "up2", DECLARED, "store"), Claim("sm-07", "up2", DECLARED, role=Role.STANDBY, override=True)],
        ids=["no override", "of the role only"],
    )
    def test_of_something_else_leave_a_port_where_samples_put_it(self, engine, claim):
        self.said(engine, claim)
        self.resolved(engine, *TWO)

        assert layout(engine) == {"up1": "front", "up2": "front"}

    def test_move_a_port_within_the_time_for_which_memories_are_believed(self, engine):
        self.resolved(engine, *TWO)
        self.said(engine, Claim("sm-07", "up2", DECLARED, "store", override=True))

        with engine.begin() as connection:
            inventory.resolve(connection, TWO, feed="push", now_ms=NOW_MS + 600_000)

        assert layout(engine) == {"up1": "front", "up2": "store"}

    def test_take_the_interface_of_a_team_for_no_member_though_samples_say_so(self, engine):
        self.said(engine, Claim("sm-07", "up2", DISCOVERED, aggregate_of="front"))

        assert all(self.resolved(engine, *TWO))
        assert layout(engine) == {"up1": "front"}
