import numpy as np
import pytest
from evaluation.rounds import Rounds
from examples import GIGABIT
from walks.traffic import START_S

from service.evaluation import Policy, agreement
from service.storage import agreements, claims, events, inventory
from service.storage.agreements import CABLE, SUM
from service.terms import DECLARED, DISCOVERED, Claim, PortName, Rule

POLICY = Policy(lambda _device, _team: Rule())  # waits 90 s for what is pushed
SIX_MINUTES_S = 360
NOW_MS = (START_S + SIX_MINUTES_S + 90) * 1000
INTERFACE = Claim("sm-07", "bond0", DISCOVERED, aggregate_of="front")
CABLE_M1 = Claim("sm-07", "m1", DECLARED, far_device="sw-03", far_port="g1/0/7")


def steady(device, port, out_mbps, in_mbps=0, *, team="front", clock_s=0.0, until_s=SIX_MINUTES_S):
    """Ten-second readings of a port that carries the same all the time, on a clock that is off by so much."""
    return [
        {
            "time": START_S + after_s + clock_s,
            "received_at": START_S + after_s,
            "device": device,
            "port": port,
            "team": team,
            "speed_bps": 10 * GIGABIT,
            "out_octets": out_mbps * 125_000 * after_s,
            "in_octets": in_mbps * 125_000 * after_s,
        }
        for after_s in range(0, until_s + 1, 10)
    ]


@pytest.fixture
def compared(engine):
    """Keeps readings and claims, compares, and hands back the rows and the events."""
    rounds = Rounds(engine)

    def of(samples, said, now_ms=NOW_MS):
        with engine.begin() as connection:
            claims.keep(connection, said, NOW_MS)
            names = [PortName(one["device"], one["port"], one["team"]) for one in samples]
            inventory.resolve(connection, names, feed="push", now_ms=NOW_MS, register_teamless=True)
        taken = rounds.push(samples, SIX_MINUTES_S)
        assert taken is None or not taken.rejected
        agreement.compare(engine, POLICY, now_ms)
        with engine.connect() as connection:
            rows = agreements.of_devices(connection, ["sm-07", "sw-03"])
            return rows, [kept.event for kept in events.listing(connection).items]

    return of


def team_of_two(interface_mbps):
    interface = steady("sm-07", "bond0", interface_mbps, team="")
    return [*steady("sm-07", "m1", 900), *steady("sm-07", "m2", 100), *interface]


class TestSums:
    def test_that_differ_by_a_third_of_a_per_cent_agree(self, compared, engine):
        rows, said = compared(team_of_two(1003), [INTERFACE])

        (row,) = rows
        assert (row.what, row.name, row.against, row.agrees) == (SUM, "front", "sm-07 bond0", True)
        # The team's total is its members' alone; 1,003 less 1,000 over 1,003 are 0.30 % (by hand).
        assert (row.here_bps, row.there_bps) == (1_000_000_000, 1_003_000_000)
        assert row.difference == pytest.approx(3 / 1003, abs=1e-6)
        assert said == []
        with engine.connect() as connection:
            assert inventory.team(connection, 1).members == ("m1", "m2")

    def test_that_differ_are_an_event_with_figures_and_what_to_check(self, compared):
        rows, said = compared(team_of_two(1400), [INTERFACE])

        assert not rows[0].agrees
        (event,) = said
        assert (event.device, event.port, event.kind) == ("sm-07", "bond0", "sum-differs")
        assert event.text.startswith(
            "egress: the members of team front 1 Gbit/s, sm-07 bond0 1.4 Gbit/s, 29 % apart: the interface of a team"
        )
        assert "check whether a member is missing" in event.text

    def test_are_said_again_only_after_an_hour(self, compared, engine):
        _, said = compared(team_of_two(1400), [INTERFACE])

        _, again = compared([], [INTERFACE], NOW_MS + 60_000)

        assert again == said
        assert len(said) == 1

    @pytest.mark.parametrize("mbps", [0, 1])
    def test_of_next_to_nothing_are_not_compared(self, compared, mbps):
        idle = [*steady("sm-07", "m1", 0), *steady("sm-07", "bond0", mbps, team="")]

        assert len(compared(idle, [INTERFACE])[0]) == mbps

    def test_with_a_member_that_was_not_read_are_not_compared(self, compared):
        samples = [*team_of_two(1400), *steady("sm-07", "m3", 100, until_s=60)]

        assert compared(samples, [INTERFACE]) == ([], [])

    @pytest.mark.parametrize(
        ("teams", "compares"),
        [(("store", "front"), False), (("", "front"), False), (("front", "store"), False), (("front",), True)],
        ids=["joined from another team", "joined from none", "left", "new"],
    )
    def test_are_not_compared_while_a_member_was_in_the_team_for_a_part_of_the_time(
        self, compared, engine, teams, compares
    ):
        with engine.begin() as connection:
            for step, team in enumerate(teams):
                moved = [PortName("sm-07", "m2", team)]
                at_ms = NOW_MS - (len(teams) - step) * 60_000
                inventory.resolve(connection, moved, feed="push", now_ms=at_ms, register_teamless=True)
        samples = [one | {"team": teams[-1]} if one["port"] == "m2" else one for one in team_of_two(1003)]

        assert bool(compared(samples, [INTERFACE])[0]) is compares

    def test_that_cannot_be_compared_any_more_are_forgotten(self, compared):
        compared(team_of_two(1003), [INTERFACE])

        assert compared([], [INTERFACE], NOW_MS + 20 * 60_000)[0] == []


class TestCables:
    def ends(self, sent=902, received=899, clock_s=0.0):
        far = steady("sw-03", "g1/0/7", 41, received, team="", clock_s=clock_s)
        return [*steady("sm-07", "m1", sent, 41), *far]

    def test_that_differ_by_a_third_of_a_per_cent_agree_both_ways(self, compared):
        rows, said = compared(self.ends(), [CABLE_M1])

        assert [(row.what, row.name, row.direction, row.against, row.agrees) for row in rows] == [
            (CABLE, "m1", 0, "sw-03 g1/0/7", True),
            (CABLE, "m1", 1, "sw-03 g1/0/7", True),
        ]
        # By hand: 902 sent, 899 received; 3 over 902 are 0.33 %.
        assert [round(100 * row.difference, 2) for row in rows] == [0.33, 0]
        assert said == []

    def test_that_differ_are_an_event(self, compared):
        rows, said = compared(self.ends(received=870), [CABLE_M1])

        assert [row.agrees for row in rows] == [False, True]
        (event,) = said
        assert (event.device, event.port, event.kind) == ("sm-07", "m1", "ends-differ")
        assert event.text.startswith("egress: sm-07 m1 902 Mbit/s, sw-03 g1/0/7 870 Mbit/s, 3.5 % apart: ")

    def test_are_compared_once_where_both_ends_name_each_other(self, compared):
        back = Claim("sw-03", "g1/0/7", DECLARED, far_device="sm-07", far_port="m1")

        rows, _ = compared(self.ends(), [CABLE_M1, back])

        assert {(row.device, row.name) for row in rows} == {("sm-07", "m1")}

    @pytest.mark.parametrize(("clock_s", "comparable"), [(2.9, True), (3.0, False), (-3.0, False)])
    def test_cannot_be_compared_on_clocks_a_tenth_of_a_window_apart(self, compared, clock_s, comparable):
        rows, said = compared(self.ends(received=902, clock_s=clock_s), [CABLE_M1])

        assert bool(rows) is comparable
        assert [event.kind for event in said] == ([] if comparable else ["not-comparable"])
        if not comparable:
            assert "clocks 3 s apart" in said[0].text

    def test_to_nobody_known_are_not_compared(self, compared):
        assert compared(steady("sm-07", "m1", 902), [CABLE_M1]) == ([], [])


class TestTurns:
    def pairs(self, count):
        return [agreement.Pair(CABLE, f"sm-{k % 100:02}", f"m{k}", (), ("", "")) for k in range(count)]

    def test_give_each_comparison_one_within_the_time_that_is_compared(self):
        pairs = self.pairs(7_001)

        turns = [agreement._in_turn(pairs, minute * 60_000) for minute in range(5)]

        assert sorted(pair for turn in turns for pair in turn) == sorted(pairs)
        assert max(map(len, turns)) == 1_401  # a fifth of 7,001, by hand

    @pytest.mark.parametrize(("count", "first"), [(0, 0), (999, 999), (1000, 500)])
    def test_are_taken_only_where_there_are_many(self, count, first):
        assert len(agreement._in_turn(self.pairs(count), 0)) == first


class TestNothing:
    def test_costs_nothing(self, compared):
        assert compared([], []) == ([], [])
        assert np.isnan(agreement._offsets(np.zeros(0), np.zeros(0), np.zeros(0), 1)[0])
