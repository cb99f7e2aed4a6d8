"""Teams of real devices, as others recorded them: the package snmpsim-data 1.0.1 (BSD-2-Clause), found by content.

The figures are counts taken from the recordings by a script of its own that read them without this service's code; they
are lifetime counters, not utilisations.
"""

import pytest
from recorded_walks import aggregators_of, found_in, sampled, teams_of, walk_with, walks, walks_with

from service.feeds.snmp import lacp, oids, plan
from service.terms import COUNTERS, MOST_MEMBERS, Role

OUT, IN = COUNTERS.index("out_octets"), COUNTERS.index("in_octets")
MEMBER, FAR_MEMBER = 436_273_152, 2_209  # ifIndex of a port in the walks with text, and with a short list


def with_text():
    """Two halves of one logical switch: aggregators of type 53, partners and port lists written as text."""
    pair = walks_with(f"{oids.PORT_ATTACHED}.{MEMBER}")
    assert len(pair) == 2
    return pair


def with_short_list():
    return walk_with(f"{oids.PORT_ATTACHED}.{FAR_MEMBER}")


def with_doubled_speeds():
    return next(
        rows for rows in walks() if rows.get(f"{oids.IF_TYPE}.51") == 53 and f"{oids.IF_STACK_STATUS}.51.14" in rows
    )


def with_vlans():
    return next(rows for rows in walks() if rows.get(f"{oids.IF_DESCR}.125") == b"VLAN50")


def with_nameless_aggregator():
    return next(rows for rows in walks() if rows.get(f"{oids.PORT_ATTACHED}.24") == 1_879_081_088)


def shares(rows, aggregator, counter):
    """The members' shares of what a team carried, and by how much their sum is off the aggregator's own counter."""
    found = found_in(rows)
    samples = sampled(rows, found)
    octets = {
        samples.ports[port].if_index: int(samples.samples.counters[row, counter])
        for row, port in enumerate(samples.samples.port)
    }
    carried = [octets[member] for member in aggregators_of(found)[aggregator]]
    return [one / sum(carried) for one in carried], sum(carried) - octets[aggregator]


# Aggregator, its members' shares out and in to three digits, and whether their sum is the aggregator's to the octet.
TEAMS = [
    (lambda: with_text()[0], 369_098_768, (0.494, 0.506), (0.019, 0.981), True),
    (lambda: with_text()[0], 369_098_752, (0.545, 0.455), (0.740, 0.260), True),
    (lambda: with_text()[1], 369_098_768, (0.492, 0.508), (0.019, 0.981), True),
    (lambda: with_text()[1], 369_098_752, (0.578, 0.422), (0.694, 0.306), True),
    (with_short_list, 8_968, (1.000, 0.000), (0.481, 0.519), False),
    (with_doubled_speeds, 51, (0.477, 0.523), (0.948, 0.052), False),
    (with_doubled_speeds, 52, (0.492, 0.508), (0.496, 0.504), False),
    (
        lambda: walk_with(f"{oids.IF_STACK_STATUS}.26.14"),
        26,
        (0.251, 0.250, 0.250, 0.249),
        (0.251, 0.251, 0.250, 0.248),
        True,
    ),
    (lambda: walk_with(f"{oids.IF_STACK_STATUS}.1000001.47"), 1_000_001, (0.480, 0.520), (0.491, 0.509), False),
]


class TestTeams:
    @pytest.mark.parametrize(("rows", "aggregator", "out", "in_", "exact"), TEAMS)
    def test_are_found_with_the_shares_that_were_counted(self, rows, aggregator, out, in_, exact):
        assert shares(rows(), aggregator, OUT)[0] == pytest.approx(out, abs=0.0006)
        assert shares(rows(), aggregator, IN)[0] == pytest.approx(in_, abs=0.0006)

    @pytest.mark.parametrize(("rows", "aggregator", "out", "in_", "exact"), TEAMS)
    def test_carry_what_their_aggregator_counts(self, rows, aggregator, out, in_, exact):
        off = shares(rows(), aggregator, OUT)[1]

        # A walk takes its time: where traffic flowed meanwhile the sum is off by up to 11,000,000 octets.
        assert off == 0 if exact else abs(off) <= 11_000_000

    def test_of_the_gateway_carry_405314844243090_octets_to_the_last(self):
        rows = walk_with(f"{oids.IF_STACK_STATUS}.26.14")
        found = found_in(rows)
        samples = sampled(rows, found)
        out = {samples.ports[port].if_index: int(row[OUT]) for port, row in enumerate(samples.samples.counters)}

        assert out[26] == sum(out[member] for member in (11, 12, 13, 14)) == 405_314_844_243_090

    def test_with_two_members_or_more_are_ten_in_all_recordings(self):
        found = [members for rows in walks() for members in aggregators_of(found_in(rows)).values()]

        # The nine above, and a tenth whose aggregator calls itself an Ethernet port (type 6) of twice 10 Gbit/s.
        assert sum(len(members) > 1 for members in found) == len(TEAMS) + 1

    def test_never_hold_an_aggregator_or_what_is_virtual(self):
        for rows in walks():
            aggregators = aggregators_of(found_in(rows))
            members = [member for team in aggregators.values() for member in team]
            assert not set(members) & set(aggregators)
            assert not {rows[f"{oids.IF_TYPE}.{member}"] for member in members} & oids.VIRTUAL
            assert all(len(team) <= MOST_MEMBERS for team in aggregators.values())


class TestNames:
    def test_are_told_apart_in_every_recording(self):
        for rows in walks():
            names = [port.port for port in found_in(rows).ports]
            assert len(set(names)) == len(names)
            assert all(0 < len(name) <= 255 and name.isprintable() and name == name.strip() for name in names)


class TestPlans:
    def test_ask_every_device_for_nothing_that_it_does_not_have(self):
        for rows in walks():
            poll = plan.plan_of(found_in(rows), rows=rows)
            asked = [oid for pdu in poll.pdus for oid in pdu[1:]]
            assert len(set(asked)) == len(asked)
            assert all(oid in rows for oid in asked)


class TestAggregatorsOfType53:
    def test_are_found_where_the_lag_mib_names_them(self):
        for rows in with_text():
            assert rows[f"{oids.IF_TYPE}.369098768"] == 53
            assert aggregators_of(found_in(rows))[369_098_768] == [436_273_152, 436_277_248]

    def test_are_found_by_the_sum_of_their_members_speeds(self):
        rows = with_doubled_speeds()
        found = found_in(rows)
        speeds = {port.if_index: port.speed_bps for port in found.ports}

        assert not any(oid.startswith(oids.PORT_ATTACHED) for oid in rows)
        assert aggregators_of(found) == {51: [14, 15], 52: [16, 17]}
        assert speeds[51] == speeds[14] + speeds[15]

    def test_are_not_invented_of_vlans_over_many_ports(self):
        found = found_in(with_vlans())

        assert teams_of(found) == {}
        assert sum("of type 53 lies on top of" in note for note in found.notes) > 3
        assert (
            "interface 125 of type 53 lies on top of 11 ports without having their speed (0 Mbit/s):"
            " not taken as a team" in found.notes
        )


class TestDoubledSpeeds:
    def test_are_kept_as_told(self):
        # Ports named for 10 Gbit/s tell 20,000 Mbit/s. Nothing in the recording proves which is right: a doubt of
        # the speed is raised from the traffic (rules), never from a name.
        rows = with_doubled_speeds()

        assert rows[f"{oids.IF_HIGH_SPEED}.14"] == 20_000
        assert {port.speed_bps for port in found_in(rows).ports if port.if_index == 14} == {20_000_000_000}


class TestPortLists:
    def test_written_as_text_are_noted_and_membership_is_read_from_the_ports(self):
        for rows in with_text():
            assert rows[f"{oids.AGG_PORT_LIST}.369098768"] == b"17-18"
            found = found_in(rows)
            assert any(note.startswith("port lists of") and "21-22" in note for note in found.notes)
            assert {port.said_by for port in found.ports if port.team} == {"attached aggregator"}

    def test_too_short_for_a_member_are_noted_and_not_believed(self):
        found = found_in(with_short_list())

        assert aggregators_of(found)[8_968] == [5, FAR_MEMBER]
        assert "the port list of aggregator 8968 is too short for its members 2209" in found.notes


class TestNamelessAggregator:
    def test_of_24_ports_is_noted_and_left_out(self):
        rows = with_nameless_aggregator()
        found = found_in(rows)
        down = sum(rows[f"{oids.IF_OPER_STATUS}.{port}"] == 7 for port in range(1, 25))

        assert down == 23  # lowerLayerDown
        assert teams_of(found) == {}
        assert "aggregator 1879081088 of 24 ports has no row among the interfaces" in found.notes
        assert "lag-1879081088 has 24 members, more than the 8 of a team; left out" in found.notes


class TestStates:
    def test_told_as_bits_are_those_of_a_port_that_carries(self):
        for rows in with_text():
            assert rows[f"{oids.PORT_ACTOR_STATE}.{MEMBER}"] == b"\xbc"
            found = found_in(rows)
            [port] = [port for port in found.ports if port.if_index == MEMBER]
            assert lacp.from_octet(port.state.actor) == lacp.from_bits(b"\xbc")
            assert {port.role for port in found.ports if port.team} == {Role.ACTIVE}

    def test_of_00_are_not_told_and_their_ports_active(self):
        found = found_in(with_short_list())
        members = [port for port in found.ports if port.team]

        assert {(port.state.actor, port.state.partner) for port in members} == {(None, None)}
        assert {port.role for port in members} == {Role.ACTIVE}
        assert any("00 for ports that have an aggregator" in note for note in found.notes)

    def test_of_printable_characters_are_read_as_the_bits_they_are(self):
        # "p" is 0x70 and "x" 0x78: as BITS timeout, aggregation, synchronisation; "x" collecting too.
        rows = with_nameless_aggregator()
        told = {rows[f"{oids.PORT_ACTOR_STATE}.{port}"] for port in range(1, 25)}

        assert told == {b"p", b"x"}
        assert not any(lacp.is_in_use(lacp.from_bits(one)) for one in told)

    def test_of_no_octet_or_several_are_not_told(self):
        empty = [rows for rows in walks() for oid, told in rows.items() if _is_state(oid) and told == b""]
        several = [told for rows in walks() for oid, told in rows.items() if _is_state(oid) and len(told) > 1]

        assert empty
        assert b"117" in several
        assert {lacp.from_bits(told) for told in several} == {None}


class TestPartners:
    def test_written_as_text_are_the_addresses_they_show(self):
        for rows in with_text():
            assert rows[f"{oids.PORT_PARTNER_SYSTEM}.{MEMBER}"] == b"30-d1-7e-eb-69-b0"
            [port] = [port for port in found_in(rows).ports if port.if_index == MEMBER]
            assert port.state.partner_system == 0x30D17EEB69B0
            assert dict(found_in(rows).bundles)[port.team] == "lacp"


class TestSpeeds:
    def test_that_contradict_each_other_are_noted_and_the_larger_unit_taken(self):
        doubtful = [
            rows
            for rows in walks()
            if any(
                told == 10_000 and rows.get(oid.replace(oids.IF_HIGH_SPEED, oids.IF_SPEED)) == 1_000_000_000
                for oid, told in rows.items()
                if oid.startswith(f"{oids.IF_HIGH_SPEED}.")
            )
        ]

        assert doubtful
        for rows in doubtful:
            assert any("two speeds at once" in note for note in found_in(rows).notes)

    def test_in_bits_where_megabits_belong_are_read_as_bits(self):
        found = [port.speed_bps for rows in walks() for port in found_in(rows).ports]

        # No port of these years is faster than 400 Gbit/s; one device says 100,000,000 Mbit/s.
        assert max(found) <= 400_000_000_000


class TestLowHalves:
    def test_of_64_bit_counters_that_differ_are_no_corruption(self):
        """A walk reads one column after the other: where traffic flows, the 32-bit twin is another moment's."""
        differ = 0
        for rows, aggregator in ((make(), aggregator) for make, aggregator, *_ in TEAMS):
            found = found_in(rows)
            polled = sampled(rows, found)
            for member in aggregators_of(found)[aggregator]:
                wide = rows[f"{oids.IF_HC_IN_OCTETS}.{member}"]
                differ += wide % 2**32 != rows.get(f"{oids.IF_IN_OCTETS}.{member}", wide % 2**32)
                assert wide in polled.samples.counters[:, IN]

        assert differ


def _is_state(oid):
    return oid.startswith((f"{oids.PORT_ACTOR_STATE}.", f"{oids.PORT_PARTNER_STATE}."))
