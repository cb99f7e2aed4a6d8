"""Ports and teams out of the rows of a walk."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from snmp_rows import attached, found, interface, polled, scalars, stacked, store

from service.feeds.snmp import discovery, oids, readings
from service.terms import DISCOVERED, LacpState, OperStatus, Role


def ports(rows):
    return {port.port: port for port in found(rows).ports}


def roles(rows):
    return {port.port: port.role for port in found(rows).ports if port.team}


class TestDiscovered:
    def test_tells_members_and_the_aggregator_apart(self):
        told = ports(store())

        assert {name: (port.team, port.aggregate_of) for name, port in told.items()} == {
            "up1": ("store", ""),
            "up2": ("store", ""),
            "store": ("", "store"),
        }

    def test_keeps_what_a_port_says_of_itself(self):
        rows = store() | {f"{oids.IF_ALIAS}.3": b"to sm-07, dock 3"}
        up1 = ports(rows)["up1"]

        assert (up1.if_index, up1.mac, up1.speed_bps, up1.mtu) == (3, 0x02005E200003, 10**10, 1500)
        assert (up1.oper, up1.alias, up1.said_by) == (OperStatus.UP, "to sm-07, dock 3", "attached aggregator")

    def test_keeps_both_ends_states_and_who_is_there(self):
        state = ports(store())["up1"].state

        assert state.actor == state.partner == 0x3D
        assert (state.partner_system, state.partner_key, state.partner_port) == (0x02005E100001, 11, 103)

    def test_calls_a_bundle_by_whether_a_partner_is_known(self):
        silent = {oid: value for oid, value in store().items() if not oid.startswith(oids.PORT_PARTNER_SYSTEM)}

        assert found(store()).bundles == (("store", "lacp"),)
        assert found(silent).bundles == (("store", "static"),)

    def test_asks_the_aggregator_for_the_partner_that_its_ports_do_not_tell(self):
        rows = {oid: value for oid, value in store().items() if not oid.startswith(oids.PORT_PARTNER_SYSTEM)}
        rows |= {f"{oids.AGG_PARTNER_SYSTEM}.1000": bytes.fromhex("02005e100009")}

        assert ports(rows)["up1"].state.partner_system == 0x02005E100009

    def test_of_a_device_without_teams_tells_its_ports(self):
        told = found(scalars() | interface(1, "eth0") | interface(2, "lo", kind=24))

        assert [(port.port, port.team) for port in told.ports] == [("eth0", "")]
        assert (told.bundles, told.notes) == ((), ())

    def test_of_nothing_is_nothing(self):
        assert found({}).ports == ()

    def test_survives_values_of_the_wrong_sort(self):
        rows = store() | {f"{column}.3": None for column in discovery.WALKED if column != oids.IF_TYPE}

        assert ports(rows)["if-3"].speed_bps == 0

    def test_of_a_state_that_no_standard_knows_says_not_told(self):
        assert ports(store() | {f"{oids.IF_OPER_STATUS}.3": 9})["up1"].oper is OperStatus.NOT_TOLD


class TestNotes:
    @pytest.mark.parametrize(("doubles", "notes"), [(50, 50), (51, 51), (90, 51)])
    def test_are_as_many_as_somebody_reads(self, doubles, notes):
        rows = {}
        for number in range(doubles):
            rows |= interface(2 * number + 1, f"eth{number}") | interface(2 * number + 2, f"eth{number}")
        told = found(rows).notes

        assert len(told) == notes
        assert (told[-1] == f"and {doubles - 50} more of this sort") is (doubles > 50)


class TestForeignRows:
    """An agent decides what its tables hold; nothing of it may stop the others' polls."""

    values = st.one_of(st.none(), st.integers(-(2**63), 2**64), st.binary(max_size=20), st.text(max_size=20))
    rows = st.dictionaries(
        st.builds("{}.{}".format, st.sampled_from(discovery.WALKED), st.sampled_from((0, 1, 2, 3, 4, 1000, 2**31))),
        values,
        max_size=60,
    )
    stacks = st.dictionaries(
        st.builds(
            f"{oids.IF_STACK_STATUS}.{{}}.{{}}".format, st.sampled_from((0, 3, 4, 1000)), st.sampled_from((0, 3, 4))
        ),
        st.just(1),
        max_size=6,
    )

    @given(rows, stacks)
    def test_give_ports_with_names_of_their_own_and_teams_that_can_be(self, rows, stacks):
        tables = {oid: value for oid, value in rows.items() if not oid.startswith(oids.IF_STACK_STATUS)}
        told = found(store() | tables | stacks)
        names = [port.port for port in told.ports]

        assert len(set(names)) == len(names)
        assert not any(port.team and port.aggregate_of for port in told.ports)
        assert all(port.speed_bps >= 0 and port.mtu >= 0 for port in told.ports)
        assert all(
            0 <= port.state.partner_key <= 0xFFFF and 0 <= port.state.partner_port <= 0xFFFF for port in told.ports
        )

    @given(rows)
    def test_can_be_planned_and_polled(self, rows):
        tables = store() | {oid: value for oid, value in rows.items() if not oid.startswith(oids.IF_STACK_STATUS)}
        parsed = readings.parsed([polled(tables)])

        assert len(parsed.samples) <= len(parsed.ports)


class TestRoles:
    def test_are_active_for_members_that_carry_both_ways(self):
        assert roles(store()) == {"up1": Role.ACTIVE, "up2": Role.ACTIVE}

    @pytest.mark.parametrize(
        "octet",
        [
            b"\xb8",  # collecting, not distributing
            b"\xb4",  # distributing, not collecting
            b"\xac",  # not in sync
            b"\xbe",  # defaulted
            b"\xa1",  # expired
        ],
    )
    @pytest.mark.parametrize("end", ["actor", "partner"])
    def test_are_out_where_either_end_does_not_carry(self, octet, end):
        assert roles(store() | attached(4, 1000, **{end: octet}))["up2"] is Role.OUT

    def test_are_out_where_a_port_selected_an_aggregator_but_is_not_attached(self):
        rows = store() | attached(4, 0, selected=1000)

        assert roles(rows) == {"up1": Role.ACTIVE, "up2": Role.OUT}
        assert ports(rows)["up2"].said_by == "selected aggregator"

    @pytest.mark.parametrize("octet", [b"", b"\x00", b"117"])
    def test_are_active_without_states_where_the_mib_tells_none(self, octet):
        rows = store() | attached(3, 1000, actor=octet, partner=octet) | attached(4, 1000, actor=octet, partner=octet)

        assert roles(rows) == {"up1": Role.ACTIVE, "up2": Role.ACTIVE}
        assert (ports(rows)["up1"].state.actor, ports(rows)["up1"].state.partner) == (None, None)

    def test_of_a_bundle_built_by_hand_do_not_suffer_from_being_defaulted(self):
        rows = store()
        for port in (3, 4):
            rows |= attached(port, 1000, actor=b"\xbe", partner=b"\xbe")
            rows[f"{oids.PORT_PARTNER_SYSTEM}.{port}"] = bytes(6)

        assert roles(rows) == {"up1": Role.ACTIVE, "up2": Role.ACTIVE}

    def test_are_read_right_from_an_agent_that_tells_states_as_on_the_wire(self):
        rows = (
            store()
            | attached(3, 1000, actor=b"\x3d", partner=b"\x3f")
            | attached(4, 1000, actor=b"\x45", partner=b"\x3d")
        )
        told = ports(rows)

        assert LacpState(told["up1"].state.actor) == LacpState(0x3D)
        assert (told["up1"].role, told["up2"].role) == (Role.ACTIVE, Role.OUT)
        assert "order of the LACPDU" in found(rows).notes[0]


class TestTeams:
    def test_are_called_by_their_aggregator(self):
        rows = store()
        by_description = rows | {f"{oids.IF_NAME}.1000": b"", f"{oids.IF_DESCR}.1000": b"store trunk"}
        nameless = {oid: value for oid, value in rows.items() if not oid.endswith(".1000")}

        assert [team for team, _ in found(by_description).bundles] == ["store trunk"]
        assert [team for team, _ in found(nameless).bundles] == ["lag-1000"]

    def test_without_a_row_of_their_aggregator_are_noted(self):
        rows = {oid: value for oid, value in store().items() if not oid.endswith(".1000")}

        assert "aggregator 1000 of 2 ports has no row among the interfaces" in found(rows).notes

    def test_of_two_aggregators_with_one_name_are_told_apart(self):
        rows = store() | interface(2000, "store", kind=161) | interface(5, "up3") | attached(5, 2000)

        assert [team for team, _ in found(rows).bundles] == ["store-1000", "store-2000"]

    @pytest.mark.parametrize(("count", "kept"), [(8, 8), (9, 0)])
    def test_have_at_most_8_members(self, count, kept):
        rows = scalars() | interface(1000, "store", kind=161)
        for port in range(1, count + 1):
            rows |= interface(port, f"up{port}") | attached(port, 1000)
        told = found(rows)

        assert sum(port.team == "store" for port in told.ports) == kept
        assert any("left out" in note for note in told.notes) is (kept == 0)

    def test_of_one_member_are_kept_and_noted(self):
        rows = {oid: value for oid, value in store().items() if not oid.endswith(".4")}

        assert roles(rows) == {"up1": Role.ACTIVE}
        assert "store has a single member: nothing to be shared out" in found(rows).notes


class TestNames:
    def test_are_those_of_the_ports_else_their_descriptions_else_their_numbers(self):
        rows = scalars() | interface(1, "eth0") | interface(2) | interface(3)
        rows[f"{oids.IF_DESCR}.2"] = b"second port"

        assert [port.port for port in found(rows).ports] == ["eth0", "second port", "if-3"]

    def test_given_twice_are_told_apart_by_index(self):
        told = found(scalars() | interface(1, "eth") | interface(2, "eth") | interface(3, "eth-1"))

        assert sorted(port.port for port in told.ports) == ["eth--1", "eth-1", "eth-2"]
        assert told.notes == ("2 interfaces are called eth; told apart by index",)


class TestClaimsOf:
    def test_say_of_each_port_what_its_device_says(self):
        told = found(store())
        claims = discovery.claims_of(told)

        assert [(one.device, one.port, one.said_by) for one in claims] == [
            ("sw-s1", port.port, DISCOVERED) for port in told.ports
        ]
        assert [(one.team, one.role, one.aggregate_of, one.if_index, one.mac) for one in claims] == [
            (port.team, port.role, port.aggregate_of, port.if_index, port.mac) for port in told.ports
        ]
        assert claims[0].state == told.ports[0].state
        assert not claims[0].override


class TestStack:
    def test_makes_a_team_of_what_lies_under_an_aggregator(self):
        rows = scalars() | interface(1, "m1") | interface(2, "m2") | interface(50, "front", kind=161, megabits=0)

        assert roles(rows | stacked(50, 1, 2)) == {"m1": Role.ACTIVE, "m2": Role.ACTIVE}
