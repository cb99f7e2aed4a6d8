"""Rounds of evaluation over both databases."""

from __future__ import annotations

import random
from collections.abc import Iterator

import numpy as np
import pytest
from evaluation.rounds import LATENESS_S, Rounds
from examples import GIGABIT
from sqlalchemy import Connection, func, select
from walks.outcome import at_once, left, same_figures
from walks.traffic import START_S, polls

from service.errors import DecidedElsewhere
from service.evaluation import Evaluator, Policy, plan, restating
from service.storage import arrivals, events, findings, inventory, rollups, tables
from service.storage.database import reading
from service.terms import Rule

HOT = ((3, (0.30, 0.25)), (5, (0.92, 0.02)), (7, (0.47, 0.46)))
HOT_END_S = 15 * 60
HOUR_S = 3600


@pytest.fixture
def rounds(engine):
    return Rounds(engine)


def open_ids(engine) -> list[str]:
    with reading(engine) as connection:
        kept = findings.listing(connection, findings.Filters(state="open")).items
    return [one.finding.id for one in kept]


def told(engine) -> list[str]:
    with reading(engine) as connection:
        columns = tables.deliveries.c
        return list(connection.scalars(select(columns.what).order_by(columns.created_ms, columns.position)))


class TestRun:
    def test_does_nothing_where_there_is_nothing(self, rounds):
        assert rounds.run(0).windows == 0

    def test_decides_a_window_once_its_lateness_is_over_and_not_before(self, rounds):
        rounds.push(polls((1, (0.3, 0.2))), 60)

        assert rounds.run(30 + LATENESS_S - 0.001).windows == 0
        assert rounds.run(30 + LATENESS_S).windows == 1

    def test_settles_what_has_arrived(self, rounds):
        rounds.push(polls((1, (0.3, 0.2))), 60)

        rounds.run(60)

        with reading(rounds.engine) as connection:
            assert arrivals.pending(connection) == []

    def test_goes_on_where_all_members_of_a_team_have_gone_to_another(self, rounds):
        samples = polls((4, (0.3, 0.2)))
        rounds.walk([s for s in samples if s["time"] - START_S <= 120], 150)
        renamed = [{**s, "team": "renamed"} for s in samples if s["time"] - START_S > 120]

        rounds.push(renamed, 280)
        outcome = rounds.run(280)

        assert outcome.windows == 2
        with reading(rounds.engine) as connection:
            assert arrivals.pending(connection) == []
            decided = [team.decided_ms for team in inventory.teams(connection).items]
        assert decided == [(START_S + 180) * 1000] * 2

    def test_ends_what_is_open_of_a_team_that_has_no_members_any_more(self, rounds):
        samples = polls(*HOT)
        rounds.walk([s for s in samples if s["time"] - START_S <= 420], 420)
        raised = open_ids(rounds.engine)
        renamed = [{**s, "team": "renamed"} for s in samples if 420 < s["time"] - START_S <= 480]

        rounds.push(renamed, 540)
        rounds.run(540)
        rounds.run(541)

        assert len(raised) == 1
        assert open_ids(rounds.engine) == []
        assert told(rounds.engine) == ["raised", "cleared"]

    def test_takes_the_speed_that_an_operator_set(self, rounds):
        # 94 % of 1 Gbit/s on ports that claim 10.
        samples = [told | {"speed_bps": 10 * GIGABIT} for told in polls((6, (0.94, 0.02)))]
        set_bps = {("sm-07", "m1"): GIGABIT, ("sm-07", "m2"): GIGABIT}
        policy = Policy(lambda device, team: Rule(), speed_of=lambda device, port: set_bps.get((device, port), 0))
        rounds.evaluator = Evaluator(rounds.engine, policy, rounds.routes)

        rounds.walk(samples, 6 * 60)

        with reading(rounds.engine) as connection:
            (kept,) = findings.listing(connection, findings.Filters(state="open")).items
            assert [event.event.kind for event in events.listing(connection).items] == []
        assert kept.finding.peak == pytest.approx(0.94, abs=1e-5)
        assert [member.speed_bps for member in kept.finding.members] == [GIGABIT, GIGABIT]

    @pytest.mark.parametrize("forgetful", [False, True])
    def test_finds_the_same_whether_or_not_it_remembers(self, rounds, forgetful):
        samples = polls(*HOT)
        expected = at_once(samples, HOT_END_S)

        for reached_s in range(30, HOT_END_S + LATENESS_S + 30, 30):
            rounds.push([s for s in samples if reached_s - 30 < s["time"] - START_S + 1 <= reached_s], reached_s)
            if forgetful:
                rounds.evaluator.forget()
            rounds.run(reached_s)

        kept = left(rounds.engine, HOT_END_S)
        assert same_figures(kept.members, expected.members)
        assert kept.found == list(expected.findings)

    def test_owes_each_change_once(self, rounds):
        rounds.walk(polls(*HOT), HOT_END_S)

        assert told(rounds.engine) == ["raised", "cleared"]

    def test_writes_windows_without_data_as_time_goes_by_and_never_as_zero(self, rounds):
        rounds.push(polls((2, (0.3, 0.2))), 120)

        rounds.run(300 + LATENESS_S)

        kept = left(rounds.engine, 300)
        assert np.isnan(kept.members.utilisation[:, 4:, 0]).all()
        assert (kept.members.coverage[:, 4:, 0] == 0).all()

    def test_stops_writing_for_a_device_that_is_long_gone(self, rounds):
        rounds.push(polls((2, (0.3, 0.2))), 120)
        rounds.run(49 * HOUR_S)

        assert rounds.run(50 * HOUR_S).windows == 0


class TestSources:
    def test_say_once_that_a_source_missed_three_polls_after_its_last_sample(self, rounds):
        rounds.push(polls((5, (0.3, 0.2))), 300)

        rounds.run(360 + LATENESS_S)

        with reading(rounds.engine) as connection:
            device = inventory.devices(connection).items[0]
            told = [kept.event for kept in events.listing(connection, kind="silent").items]
        assert device.interval_ms == 10_000
        assert [event.at_ms for event in told] == [(START_S + 300) * 1000]

    def test_a_backlog_that_is_pushed_late_is_no_clock_that_is_off(self, rounds):
        backlog = polls((10, (0.3, 0.2)))
        untold = [{name: value for name, value in s.items() if name != "received_at"} for s in backlog]
        rounds.push(untold, 3000)

        rounds.run(3000)

        with reading(rounds.engine) as connection:
            assert inventory.devices(connection).items[0].clock_offset_ms is None
            assert events.listing(connection, kind="clock-offset").items == ()
        assert same_figures(left(rounds.engine, 600).members, at_once(untold, 600).members)

    def test_a_backlog_that_comes_in_parts_is_no_silence_between_them(self, rounds):
        backlog = polls((10, (0.3, 0.2)))
        for end_s in (200, 400, 600):
            rounds.push([s for s in backlog if end_s - 200 < s["time"] - START_S <= end_s], 3000)
            rounds.run(3000)

        with reading(rounds.engine) as connection:
            assert events.listing(connection, kind="silent").items == ()

    def test_a_gap_in_what_came_late_is_a_silence_all_the_same(self, rounds):
        samples = polls((10, (0.3, 0.2)))
        rounds.push([s for s in samples if not 100 < s["time"] - START_S < 300], 3000)

        rounds.run(3000)

        with reading(rounds.engine) as connection:
            told = [kept.event.at_ms for kept in events.listing(connection, kind="silent").items]
        assert told == [(START_S + 100) * 1000]

    def test_a_clock_that_is_off_is_told_of_and_its_windows_are_placed_right(self, rounds):
        """A device 25 s ahead: what it says happened at 25 s happened at 0 s on the collector's clock."""
        ahead = [{**s, "time": s["time"] + 25} for s in polls((10, (0.3, 0.2)))]
        rounds.push(ahead, 630)

        rounds.run(600 + LATENESS_S)

        with reading(rounds.engine) as connection:
            assert inventory.devices(connection).items[0].clock_offset_ms == -25_000
        kept = left(rounds.engine, 600)
        assert kept.members.coverage[:, :, 0].tolist() == [[1.0] * 20] * 2


class TestRollUps:
    def test_keep_the_peak_and_the_seconds_above_the_line(self, rounds):
        """120 s at 98 % and 180 s at 6 %: mean 42.8 %, peak 98 %, 120 s hot; worked by hand."""
        rounds.walk(polls((2, (0.98, 0.02)), (3, (0.06, 0.02))), 300)

        with reading(rounds.engine) as connection:
            team = inventory.teams(connection).items[0]
            kept = rollups.read_many(connection, np.array([team.id]), START_S * 1000, (START_S + 300) * 1000)
        assert kept.mean[0, 0, 0] == pytest.approx(0.428, abs=1e-4)
        assert kept.peak[0, 0, 0] == pytest.approx(0.98, abs=1e-4)
        assert kept.hot_seconds[0, 0, 0] == 120
        assert kept.coverage[0, 0, 0] == pytest.approx(1)


class TestLateSamples:
    @pytest.mark.parametrize("seed", range(6))
    def test_give_in_the_end_what_all_at_once_gives(self, sqlite_engine, seed):
        rounds = Rounds(sqlite_engine)
        samples = polls(*HOT)
        draw = random.Random(seed)
        begun = [(s["time"] - START_S, s) for s in samples]  # the first of each come in time: they order the members
        due = [(at_s + (at_s > 0 and draw.random() < 0.2) * draw.uniform(0, 600), s) for at_s, s in begun]
        expected = at_once(samples, HOT_END_S)

        for reached_s in range(60, HOT_END_S + 720, 60):
            rounds.push([s for at_s, s in due if reached_s - 60 < at_s + 1 <= reached_s], reached_s)
            rounds.run(reached_s)

        kept = left(rounds.engine, HOT_END_S)
        assert same_figures(kept.members, expected.members)
        assert [f for f in kept.found if f.id in {e.id for e in expected.findings}] == list(expected.findings)
        assert open_ids(rounds.engine) == []

    def test_raise_what_has_become_due_and_still_holds(self, rounds):
        samples = polls((2, (0.3, 0.2)), (4, (0.92, 0.02)))
        held_back = [s for s in samples if s["port"] == "m2"]
        rounds.walk([s for s in samples if s["port"] == "m1"] + held_back[:2], 360)
        assert told(rounds.engine) == []

        rounds.push(held_back, 460)
        rounds.run(460)

        assert told(rounds.engine) == ["raised"]

    def test_end_what_turns_out_not_to_have_been_so(self, rounds):
        true = polls((2, (0.3, 0.2)), (4, (0.92, 0.02)))
        calm = [{**s, "port": "m1"} for s in polls((6, (0.3, 0.2))) if s["port"] == "m1"]
        hole = range(130, 350)
        # m1 jumps over a hole at the mean of what it carried; what it carried within was calm but for the ends.
        rounds.walk([s for s in true if s["port"] == "m2" or s["time"] - START_S not in hole], 360)
        raised = told(rounds.engine)

        rounds.push([s for s in calm if s["time"] - START_S in hole], 470)
        rounds.run(470)

        assert raised == []
        assert open_ids(rounds.engine) == []

    def test_end_for_good_what_would_not_have_been_raised(self, rounds):
        rounds.walk([s for s in polls(*HOT) if s["time"] - START_S <= 420], 420)
        decided_ms = (START_S + 420) * 1000
        with rounds.engine.begin() as connection:
            kept = findings.listing(connection).items[0]
            errand = plan.Errand(np.array([kept.team_id]), decided_ms - 420_000, decided_ms, decided_ms)
            team_ids = {(kept.finding.device, kept.finding.team): kept.team_id}
            anew = restating.Anew(errand, {}, [], [], team_ids)
            restating.settle(connection, anew, rounds.routes, decided_ms + LATENESS_S * 1000)
        rounds.evaluator.forget()

        rounds.run(450 + LATENESS_S)

        assert open_ids(rounds.engine) == []
        assert told(rounds.engine) == ["raised", "cleared"]

    def test_restate_a_decided_window_when_its_last_interval_is_cut_though_another_member_lags(self, sqlite_engine):
        rounds = Rounds(sqlite_engine)
        # Decided up to 300 s: m1 was read up to 310 s, m2 at 290 s and 330 s; then comes m2 of 320 s.
        samples = [s for s in polls((10, (0.3, 0.2))) if s["port"] == "m1" or s["time"] - START_S not in (300, 310)]
        first = [s for s in samples if s["time"] - START_S <= 330]
        later = [s for s in first if s["time"] - START_S > 310 and (s["port"], s["time"] - START_S) != ("m2", 330)]
        busy = [{**s, "out_octets": s["out_octets"] + 900_000_000} if s["port"] == "m2" else s for s in later]
        rounds.push([s for s in first if s not in later], 389)
        rounds.run(390)

        rounds.push(busy, 391)
        rounds.run(391)

        known = [s for s in first if s not in later] + busy
        assert same_figures(left(rounds.engine, 300).members, at_once(known, 300).members)

    def test_older_than_a_day_correct_windows_and_no_finding(self, sqlite_engine):
        rounds = Rounds(sqlite_engine)
        day_s = 26 * HOUR_S
        samples = polls((6, (0.92, 0.02)))
        late = [s for s in samples if s["port"] == "m2" and s["time"] - START_S > 0]
        first = [s for s in samples if s not in late]
        rounds.push(first, 360)
        rounds.run(360 + LATENESS_S)
        rounds.push([{**s, "time": s["time"] + day_s, "received_at": s["time"] + day_s} for s in samples], day_s + 360)
        rounds.run(day_s + 360 + LATENESS_S)
        before = told(rounds.engine)

        rounds.push(late, day_s + 500)
        rounds.run(day_s + 500)

        assert told(rounds.engine) == before
        kept = left(rounds.engine, 360)
        assert same_figures(kept.members, at_once(samples, 360).members)


class TestTransactions:
    def test_a_round_that_fails_half_way_leaves_nothing_of_the_piece(self, rounds, monkeypatch):
        rounds.push(polls(*HOT), HOT_END_S)

        noted = inventory.note_decided

        def fail_later(connection: Connection, team_ids: list[int], decided_ms: int) -> None:
            if decided_ms > (START_S + 60) * 1000:
                raise RuntimeError("the power is gone")
            noted(connection, team_ids, decided_ms)

        with monkeypatch.context() as broken:
            broken.setattr(inventory, "note_decided", fail_later)
            with pytest.raises(RuntimeError, match="power"):
                rounds.run(HOT_END_S + LATENESS_S)
        with reading(rounds.engine) as connection:
            assert connection.execute(select(func.count()).select_from(tables.windows)).scalar() == 0
            assert connection.execute(select(func.count()).select_from(tables.findings)).scalar() == 0

        rounds.evaluator.forget()
        rounds.run(HOT_END_S + LATENESS_S)

        assert told(rounds.engine) == ["raised", "cleared"]

    def test_an_evaluator_held_up_while_another_took_over_undoes_nothing(self, rounds, monkeypatch):
        rounds.walk([s for s in polls(*HOT) if s["time"] - START_S <= 420], 420)
        raised = open_ids(rounds.engine)
        rounds.push([s for s in polls(*HOT) if s["time"] - START_S > 420], HOT_END_S)
        drawn_up, other = plan.drawn_up, Rounds(rounds.engine)

        def held_up(drawn: plan.Plan) -> Iterator[plan.Errand]:
            monkeypatch.setattr(plan, "drawn_up", drawn_up)
            other.run(HOT_END_S + LATENESS_S)
            yield from drawn.errands

        def overtaken(*given: object) -> plan.Plan:
            drawn = drawn_up(*given)
            return plan.Plan(held_up(drawn), drawn.settled)

        monkeypatch.setattr(plan, "drawn_up", overtaken)
        with pytest.raises(DecidedElsewhere):
            rounds.run(480 + LATENESS_S)

        assert len(raised) == 1
        assert open_ids(rounds.engine) == []
        assert told(rounds.engine) == ["raised", "cleared"]
