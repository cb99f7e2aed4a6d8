"""Whose member a port is, by which table."""

import pytest
from snmp_rows import attached, interface, scalars, stacked, store

from service.feeds.snmp import membership, oids
from service.feeds.snmp.tables import Tables

VIRTUAL = [24, 53, 54, 131, 135, 136, 161, 209]  # IANAifType-MIB


def seats(rows):
    return {port: tuple(seat) for port, seat in membership.membership(Tables.of(rows)).seats.items()}


def notes(rows):
    return membership.membership(Tables.of(rows)).notes


def under(kind, megabits, *ports):
    rows = scalars() | interface(50, "over", kind=kind, megabits=megabits) | stacked(50, *range(1, len(ports) + 1))
    for index, port in enumerate(ports, 1):
        rows |= interface(index, f"m{index}", **port)
    return rows


class TestByLacp:
    def test_prefers_the_attached_aggregator_to_the_selected_one(self):
        rows = store() | interface(2000, "other", kind=161) | attached(3, 1000, selected=2000)

        assert seats(rows)[3] == (1000, "attached aggregator")

    def test_takes_a_port_of_no_aggregator_for_nobodys(self):
        assert 4 not in seats(store() | attached(4, 0))

    @pytest.mark.parametrize("kind", VIRTUAL)
    def test_never_takes_what_carries_others_traffic_for_a_member(self, kind):
        rows = store() | interface(4, "up2", kind=kind)

        assert 4 not in seats(rows)
        assert "interface 4 is attached to aggregator 1000, but can be no member; left out" in notes(rows)

    def test_takes_no_port_without_a_row(self):
        rows = {oid: value for oid, value in store().items() if oid != f"{oids.IF_TYPE}.4"}

        assert 4 not in seats(rows)

    def test_makes_no_team_of_a_port_that_is_its_own_aggregator(self):
        rows = scalars() | interface(23, "23") | attached(23, 23)

        assert seats(rows) == {}
        assert notes(rows) == ["interface 23 is its own aggregator: a link of its own, no team"]

    def test_never_takes_an_aggregator_for_a_member(self):
        rows = store() | interface(1000, "store") | interface(2000, "all", kind=161) | attached(1000, 2000)

        assert set(seats(rows)) == {3, 4}
        assert "interface 1000 is an aggregator and yet a member of another one; not taken as a member" in notes(rows)


class TestByPortList:
    LISTED = f"{oids.AGG_PORT_LIST}.1000"

    def silent(self):
        ports = (oids.PORT_ATTACHED, oids.PORT_SELECTED)
        return {oid: value for oid, value in store().items() if not oid.startswith(ports)}

    def test_is_used_where_ports_name_no_aggregator(self):
        rows = self.silent() | {self.LISTED: b"\x30"}

        assert seats(rows) == {3: (1000, "port list"), 4: (1000, "port list")}

    def test_is_not_used_where_it_names_what_can_be_no_member(self):
        rows = self.silent() | {self.LISTED: b"\x38"}  # port 5 is not there

        assert seats(rows) == {}
        assert notes(rows) == ["the port list of aggregator 1000 names 5, which can be no member; not used"]

    def test_written_as_text_is_not_taken_for_bits(self):
        rows = self.silent() | {self.LISTED: b"3-4"}

        assert seats(rows) == {}
        assert notes(rows) == ["port lists of 1 aggregators are text (3-4), not bits; not used"]

    def test_that_contradicts_the_ports_is_noted_and_not_believed(self):
        assert notes(store() | {self.LISTED: b"\x30"}) == []
        assert notes(store() | {self.LISTED: b"\x10"}) == [
            "the port list of aggregator 1000 differs from the ports attached to it"
        ]
        assert set(seats(store() | {self.LISTED: b"\x10"})) == {3, 4}


class TestByStack:
    def test_believes_an_aggregator_by_its_type(self):
        assert set(seats(under(161, 0, {}, {}))) == {1, 2}
        assert set(seats(under(161, 0, {}))) == {1}

    @pytest.mark.parametrize("kind", [53, 6])
    def test_believes_others_with_the_sum_of_their_members_speeds(self, kind):
        assert set(seats(under(kind, 20_000, {}, {}))) == {1, 2}
        assert seats(under(kind, 10_000, {}, {})) == {}
        assert seats(under(kind, 0, {}, {})) == {}

    def test_does_not_believe_what_lies_on_something_else_too(self):
        assert seats(under(53, 20_000, {}, {}, {"kind": 135})) == {}

    def test_believes_the_sum_of_those_that_are_up(self):
        assert set(seats(under(53, 10_000, {}, {"oper": 2}))) == {1, 2}

    def test_does_not_believe_one_port_alone_but_for_the_lag_mib(self):
        rows = under(53, 10_000, {})

        assert seats(rows) == {}
        assert set(seats(rows | {f"{oids.AGG_PARTNER_KEY}.50": 7})) == {1}

    @pytest.mark.parametrize("kind", [1, 131, 135, 136, 209])
    def test_makes_no_teams_of_vlans_tunnels_and_bridges(self, kind):
        assert seats(under(kind, 20_000, {}, {})) == {}

    @pytest.mark.parametrize("kind", VIRTUAL)
    def test_takes_only_ports_for_members(self, kind):
        assert set(seats(under(161, 0, {}, {}, {"kind": kind}))) == {1, 2}

    def test_adds_nothing_where_the_lag_mib_has_spoken(self):
        rows = store() | interface(5, "up3") | stacked(1000, 3, 4, 5)

        assert set(seats(rows)) == {3, 4}
