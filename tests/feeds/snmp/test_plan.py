"""What is asked at each poll."""

import pytest
from snmp_rows import HC, NARROW, attached, found, interface, planned, scalars, store

from service.feeds.snmp import oids, plan
from service.feeds.snmp.packing import ROOM, size_of
from service.terms import Role

OCTETS = (oids.IF_HC_OUT_OCTETS, oids.IF_HC_IN_OCTETS)
TOGETHER = tuple(f"{column}." for column in (*OCTETS, oids.IF_HC_OUT_UCAST, oids.IF_HC_IN_UCAST))


def big_team(members, index=lambda seat: seat):
    rows = scalars() | interface(900, "store", kind=161)
    for seat in range(1, members + 1):
        rows |= interface(index(seat), f"up{seat}") | attached(index(seat), 900)
    return rows


def asked(poll):
    return [oid for pdu in poll.pdus for oid in pdu]


def names(poll):
    return {name.port: name.team for name in poll.ports}


class TestPlanOf:
    def test_polls_members_and_the_aggregator_as_a_port_of_no_team(self):
        assert names(planned(store())) == {"up1": "store", "up2": "store", "store": ""}

    def test_leaves_alone_what_belongs_to_no_team_unless_it_is_asked_for(self):
        rows = store() | interface(9, "spare")

        assert "spare" not in names(planned(rows))
        assert names(planned(rows, extra=("spare",)))["spare"] == ""

    def test_believes_seats_against_the_device(self):
        rows = store() | interface(9, "spare")
        poll = planned(rows, seats={"spare": ("store", Role.STANDBY), "up2": ("", Role.NOT_TOLD)})
        role = dict(zip(names(poll), poll.roles, strict=True))

        assert names(poll) == {"up1": "store", "spare": "store", "store": ""}
        assert (role["up1"], role["spare"]) == (Role.ACTIVE, Role.STANDBY)

    def test_never_seats_an_aggregator(self):
        assert names(planned(store(), seats={"store": ("store", Role.ACTIVE)}))["store"] == ""

    def test_names_the_bundle_of_members(self):
        assert {name.port: name.bundle for name in planned(store()).ports}["up1"] == "lacp"

    def test_begins_every_request_with_the_uptime(self):
        assert {pdu[0] for pdu in planned(big_team(8)).pdus} == {plan.UPTIME}

    def test_asks_for_nothing_twice(self):
        poll = planned(big_team(8))
        rest = [oid for oid in asked(poll) if oid != plan.UPTIME]

        assert len(rest) == len(set(rest))

    def test_asks_only_for_what_the_walk_showed(self):
        rows = {oid: value for oid, value in store().items() if "31.1.1.1.8." not in oid}

        assert set(asked(planned(rows))) <= set(rows)
        assert set(plan.MARKS) <= set(asked(planned(rows)))

    @pytest.mark.parametrize("index", [lambda seat: seat, lambda seat: 436_207_616 + 4096 * seat])
    def test_reads_octets_and_packets_of_eight_siblings_in_one_request(self, index):
        poll = planned(big_team(8, index))
        asked_for = {oid for oid in asked(poll) if oid.startswith(TOGETHER) and not oid.endswith(".900")}

        assert len(asked_for) == 8 * 4
        assert any(asked_for <= set(pdu) for pdu in poll.pdus)

    def test_keeps_every_reply_within_one_packet(self):
        poll = planned(big_team(8, lambda seat: 436_207_616 + 4096 * seat))

        assert all(sum(size_of(oid, wide=_is_wide(oid)) for oid in pdu) <= ROOM for pdu in poll.pdus)

    def test_of_a_device_without_teams_asks_only_when_it_changed(self):
        assert planned(scalars() | interface(1, "eth0")).pdus == ((plan.UPTIME, *plan.MARKS),)

    def test_of_a_device_that_tells_nothing_asks_for_its_uptime(self):
        assert planned({}).pdus == ((plan.UPTIME,),)

    def test_does_not_ask_for_the_speed_twice(self):
        assert f"{oids.IF_SPEED}.3" not in asked(planned(store()))
        assert f"{oids.IF_HIGH_SPEED}.3" in asked(planned(store()))

    def test_asks_for_both_speeds_while_the_better_one_says_nothing(self):
        poll = planned(store() | {f"{oids.IF_HIGH_SPEED}.3": 0})

        assert {f"{oids.IF_SPEED}.3", f"{oids.IF_HIGH_SPEED}.3"} <= set(asked(poll))

    def test_does_not_ask_for_a_column_that_has_bits_for_megabits(self):
        rows = store() | {f"{oids.IF_SPEED}.3": 10**9, f"{oids.IF_HIGH_SPEED}.3": 10**9}

        assert f"{oids.IF_SPEED}.3" in asked(planned(rows))
        assert f"{oids.IF_HIGH_SPEED}.3" not in asked(planned(rows))


class TestWidth:
    def port(self, counters, megabits=1000):
        rows = scalars() | interface(3, "up1", counters=counters, megabits=megabits) | attached(3, 1000)
        return rows, planned(rows)

    def test_of_64_bits_is_used_where_both_are_offered(self):
        _, poll = self.port(HC | NARROW)

        assert set(poll.octets[0]) == {f"{column}.3" for column in OCTETS}
        assert f"{oids.IF_OUT_OCTETS}.3" not in asked(poll)
        assert poll.prepared.counter_bits.tolist() == [64]

    def test_of_32_bits_is_used_where_there_is_no_other(self):
        _, poll = self.port(NARROW)

        assert set(poll.octets[0]) == {f"{oids.IF_OUT_OCTETS}.3", f"{oids.IF_IN_OCTETS}.3"}
        assert poll.prepared.counter_bits.tolist() == [32]

    # RFC 2863 section 3.1.6: from 650,000,000 bit/s on a port must have 64-bit counters.
    @pytest.mark.parametrize(("megabits", "notes"), [(649, 0), (650, 1)])
    def test_of_32_bits_is_noted_where_it_comes_round_too_soon(self, megabits, notes):
        _, poll = self.port(NARROW, megabits)

        assert len(poll.notes) == notes

    def test_of_32_bits_at_1_gbit_is_said_to_come_round_in_34_36_s(self):
        _, poll = self.port(NARROW)

        assert "round in 34.36 s" in poll.notes[0]  # 2^32 octets x 8 / 10^9 bit/s

    def test_of_packets_is_that_of_the_narrowest_of_their_kinds(self):
        wide_octets = {column: HC[column] for column in OCTETS}
        packets = {column: value for column, value in NARROW.items() if not column.endswith((".10", ".16"))}
        _, poll = self.port(wide_octets | packets)

        assert poll.prepared.counter_bits.tolist() == [64]
        assert [int(mask).bit_length() for mask in poll.prepared.masks[0]] == [64, 32]

    def test_of_a_port_without_octets_leaves_it_out(self):
        rows, poll = self.port({})

        assert poll.ports == ()
        assert poll.notes == ("up1 counts no octets: not polled",)
        assert [port.port for port in found(rows).ports] == ["up1"]


def _is_wide(oid):
    return oid.rpartition(".")[0] in HC
