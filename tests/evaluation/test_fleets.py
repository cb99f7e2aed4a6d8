"""Findings about fleets over both databases: one message for one cause."""

from __future__ import annotations

import pytest
from evaluation.rounds import LATENESS_S, Rounds
from examples import EPOCH_MS
from sqlalchemy import select
from walks.traffic import polls

from service.storage import claims, deliveries, findings, fleets, tables
from service.storage.database import reading
from service.terms import DECLARED, Claim

CALM, HOT = (0.30, 0.25), (0.88, 0.03)
HOSTS = [f"uw-{number:02}" for number in range(1, 9)]


def declare(engine, hosts, far="sw-u1"):
    told = [Claim(h, p, DECLARED, far_device=far, far_port=f"{h}-{p}") for h in hosts for p in ("m1", "m2")]
    with engine.begin() as connection:
        claims.keep(connection, told, EPOCH_MS)


def day(hosts, hot=HOT, hot_minutes=5):
    return [s for host in hosts for s in polls((3, CALM), (hot_minutes, hot), (8, CALM), device=host)]


def messages(engine):
    columns = tables.deliveries.c
    with reading(engine) as connection:
        query = select(columns.what, columns.state, columns.finding_id).order_by(columns.created_ms)
        return [tuple(row) for row in connection.execute(query)]


def kept(engine, **wanted):
    with reading(engine) as connection:
        return [one.finding for one in findings.listing(connection, findings.Filters(**wanted)).items]


@pytest.fixture
def rounds(engine):
    return Rounds(engine)


class TestSettle:
    def test_makes_one_finding_and_one_message_of_eight_teams(self, rounds):
        declare(rounds.engine, HOSTS)

        rounds.walk([s for s in day(HOSTS) if s["time"] * 1000 <= EPOCH_MS + 480_000], 480)

        (fleet,) = kept(rounds.engine, kinds=["fleet-pattern"])
        assert (fleet.device, fleet.team, fleet.direction) == ("sw-u1", "front", "egress")
        assert len(fleet.teams) == 8
        assert {one.part_of for one in kept(rounds.engine, kinds=["uneven"])} == {fleet.id}
        owed = [(what, name) for what, state, name in messages(rounds.engine) if state == "owed"]
        assert owed == [("raised", fleet.id)]

    def test_tells_of_its_end_once_when_the_last_of_them_is_over(self, rounds):
        declare(rounds.engine, HOSTS)

        rounds.walk(day(HOSTS), 960)

        (fleet,) = kept(rounds.engine, kinds=["fleet-pattern"])
        assert fleet.cleared_ms == max(one.cleared_ms for one in kept(rounds.engine, kinds=["uneven"]))
        told = [(what, state) for what, state, name in messages(rounds.engine) if name == fleet.id]
        assert told == [("raised", "owed"), ("cleared", "owed")]
        assert {state for _, state, name in messages(rounds.engine) if name != fleet.id} == {"combined"}

    def test_takes_in_a_team_that_becomes_hot_while_it_is_open(self, rounds):
        declare(rounds.engine, [*HOSTS, "uw-09"])
        late = polls((6, CALM), (2, HOT), device="uw-09")

        rounds.walk([s for s in [*day(HOSTS), *late] if s["time"] * 1000 <= EPOCH_MS + 480_000], 480)

        (fleet,) = kept(rounds.engine, kinds=["fleet-pattern"])
        assert "uw-09/front" in fleet.teams
        assert {one.part_of for one in kept(rounds.engine, device="uw-09")} == {fleet.id}

    def test_keeps_teams_of_different_methods_apart(self, rounds):
        more = [f"uw-{number:02}" for number in range(11, 19)]
        declare(rounds.engine, [*HOSTS, *more])
        samples = [s | {"method": "ip-pair"} for s in day(HOSTS)]
        samples += [s | {"method": "source-mac"} for s in day(more)]

        rounds.walk([s for s in samples if s["time"] * 1000 <= EPOCH_MS + 480_000], 480)

        found = kept(rounds.engine, kinds=["fleet-pattern"])
        assert sorted(one.teams for one in found) == [
            tuple(f"{host}/front" for host in hosts) for hosts in (HOSTS, more)
        ]
        assert {one.part_of for one in kept(rounds.engine, kinds=["uneven"])} == {one.id for one in found}

    def test_claims_nothing_of_seven(self, rounds):
        declare(rounds.engine, HOSTS)

        rounds.walk(day(HOSTS[:7]), 480)

        assert kept(rounds.engine, kinds=["fleet-pattern"]) == []

    def test_claims_nothing_where_nobody_said_what_is_at_the_far_end(self, rounds):
        rounds.walk(day(HOSTS), 480)

        assert kept(rounds.engine, kinds=["fleet-pattern"]) == []

    def test_claims_nothing_of_teams_toward_different_far_ends(self, rounds):
        declare(rounds.engine, HOSTS[:4])
        declare(rounds.engine, HOSTS[4:], far="sw-u2")

        rounds.walk(day(HOSTS), 480)

        assert kept(rounds.engine, kinds=["fleet-pattern"]) == []


class TestHeld:
    def test_lets_messages_of_many_teams_alike_wait_for_each_other_and_others_go_at_once(self, rounds):
        declare(rounds.engine, HOSTS)
        samples = [*day(HOSTS[:1]), *day(HOSTS[1:], hot=CALM), *day(["sm-07"])]

        rounds.walk([s for s in samples if s["time"] * 1000 <= EPOCH_MS + 480_000], 480)

        with reading(rounds.engine) as connection:
            owed = deliveries.listing(connection).items
        waits = {one.finding_id: one.next_attempt_ms - one.created_ms for one in owed}
        by_host = {one.device: waits[one.id] for one in kept(rounds.engine)}
        assert by_host == {"uw-01": 35_000, "sm-07": 0}


class TestFarEnds:
    def test_names_a_pair_as_one(self, rounds):
        rounds.push(polls((1, CALM)), LATENESS_S)
        with rounds.engine.begin() as connection:
            claims.keep(connection, [Claim("sm-07", "m1", DECLARED, far_device="sw-s2")], EPOCH_MS)
            claims.keep(connection, [Claim("sm-07", "m2", DECLARED, far_device="sw-s1")], EPOCH_MS)
            assert fleets.far_ends(connection, [1]) == {1: "sw-s1+sw-s2"}
            assert fleets.sizes(connection, ["sw-s1", "sw-s2", "sw-x"]) == {"sw-s1": 1, "sw-s2": 1}
