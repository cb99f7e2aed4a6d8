"""Findings that are explained before they are told, kept explained, and looked into again as there is more to see."""

from __future__ import annotations

import pytest
from capabilities.readings import WINDOW_S, held
from evaluation.rounds import Rounds
from sqlalchemy import select

from service.evaluation import explaining, situations
from service.storage import claims, findings, inventory, tables
from service.storage.database import reading
from service.terms import DECLARED, DISCOVERED, BundleState, Claim

END_S = 8 * WINDOW_S


@pytest.fixture
def rounds(engine):
    return Rounds(engine)


def hot(windows=8, device="sm-07"):
    return [one | {"device": device} for one in held((0.92, 0.02), windows)]


def found(rounds):
    with reading(rounds.engine) as connection:
        return [kept.finding for kept in findings.listing(connection).items]


class TestWithExplanations:
    def test_explains_before_anybody_is_told(self, rounds):
        rounds.walk(hot(), END_S)

        with reading(rounds.engine) as connection:
            (body,) = connection.scalars(select(tables.deliveries.c.body))
        assert "Whose: virtualisation; this end chooses which member" in body

    def test_keeps_what_was_explained_while_figures_go_on(self, rounds):
        rounds.walk(hot(), END_S)
        (first,) = found(rounds)

        rounds.push(hot(10), 10 * WINDOW_S)
        rounds.run(10 * WINDOW_S + 90)

        (later,) = found(rounds)
        assert later.updated_ms > first.updated_ms
        assert (later.owner, later.decided_by, later.advice) == (first.owner, first.decided_by, first.advice)

    def test_looks_into_the_rest_with_the_next_windows(self, rounds, monkeypatch):
        monkeypatch.setattr(explaining, "A_ROUND", 1)
        rounds.push(hot() + hot(device="sm-08"), END_S)

        rounds.run(5 * WINDOW_S + 90)
        looked_into = [bool(finding.decided_by) for finding in found(rounds)]
        rounds.run(6 * WINDOW_S + 90)

        assert sorted(looked_into) == [False, True]
        assert all(finding.decided_by for finding in found(rounds))


class TestSituations:
    @pytest.mark.parametrize(("told", "mtu"), [({}, 0), ({"mtu": 1400}, 1400)])
    def test_know_the_mtu_where_samples_tell_it(self, rounds, told, mtu):
        rounds.walk([one | told for one in hot()], END_S)

        with reading(rounds.engine) as connection:
            (kept,) = findings.listing(connection).items
            seen = situations.of_finding(connection, kept.team_id, kept.finding, rounds.policy, 0)

        assert seen.mtu == mtu

    def test_know_states_far_ends_and_what_people_declared(self, rounds):
        rounds.walk(hot(), END_S)
        state = BundleState(0x3D, 0x1D, 1, 7)
        with rounds.engine.begin() as connection:
            said = (
                Claim(
                    "sm-07", "m1", DECLARED, "front", far_device="sw-1", far_port="e1", owner="network", site="north"
                ),
                Claim("sm-07", "m2", DISCOVERED, "front", mac=7, state=state),
            )
            claims.keep(connection, said, 0)

        with reading(rounds.engine) as connection:
            (kept,) = findings.listing(connection).items
            seen = situations.of_finding(connection, kept.team_id, kept.finding, rounds.policy, 0)

        assert seen.ports == ("m1", "m2")
        assert seen.states == (None, state)
        assert (seen.far_ends[0].device, seen.far_ends[0].port, seen.far_ends[0].discard_ratio) == ("sw-1", "e1", None)
        assert (seen.owner_told, seen.site, seen.macs) == ("network", "north", (0, 7))
        assert seen.windows.utilisation[0, -1, 0] == pytest.approx(0.92)

    def test_know_what_the_far_end_dropped_of_ingress(self, rounds):
        inward = [one | {"in_octets": one["out_octets"], "out_octets": 0} for one in held((0.92, 0.02), 8)]
        drops = [
            one | {"device": "sw-1", "team": "down", "out_packets": one["out_octets"] // 1000, "out_discards": number}
            for number, one in enumerate(hot())
        ]
        with rounds.engine.begin() as connection:
            claims.keep(connection, (Claim("sm-07", "m1", DECLARED, "front", far_device="sw-1", far_port="m1"),), 0)

        rounds.walk(inward + drops, END_S)

        (finding,) = (one for one in found(rounds) if one.device == "sm-07")
        assert finding.direction == "ingress"
        assert finding.discard_ratio > 0
        assert any("far-end port sw-1 m1" in sign for sign in finding.evidence.speaks_for)

    def test_are_none_of_a_team_that_has_no_members(self, rounds):
        rounds.walk(hot(), END_S)
        with rounds.engine.begin() as connection:
            (kept,) = findings.listing(connection).items
            assert inventory.layout(connection, [kept.team_id]).team_ids.tolist() == [kept.team_id]

            assert situations.of_finding(connection, kept.team_id + 1, kept.finding, rounds.policy, 0) is None
