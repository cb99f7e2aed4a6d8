"""Raise and clear, recurrence, ping-pong and blindness, at and around each limit; no published source gives them."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from examples import EPOCH_MS, a_layout
from hypothesis import given, settings
from hypothesis import strategies as st
from rules.team_windows import FIRST_SLOT, LETTERS, WIDTH_MS, band, calm, end_of, hot, missing, team_windows, windows_of

from service.rules import findings, life, passage
from service.rules.findings import Scene
from service.rules.life import advance, fresh, rebuilt
from service.rules.state import KIND, RECURRENCES, LifeState
from service.rules.table import memory_windows, rule_table
from service.terms import Basis, Family, Kind, MemberWindows, Rule, TeamName

DISTRIBUTION = Family.DISTRIBUTION


def table_of(rule: Rule | None = None, *, method: str = "unknown", teams: int = 1):
    return rule_table((rule or Rule(),) * teams, [TeamName("sm-07", "front", method)] * teams, WIDTH_MS)


def steps_of(windows, rule=None, *, method="unknown", family=DISTRIBUTION):
    """What became so, as (what, window) pairs."""
    _, steps = advance(fresh(1), team_windows([windows]), table_of(rule, method=method))
    return [(step.what, number_of(step)) for step in steps if step.family == family]


def number_of(step):
    return (step.at_ms - EPOCH_MS) // WIDTH_MS - 1


class TestRaise:
    def test_comes_with_the_third_of_the_last_four_evaluable_windows(self):
        assert steps_of(windows_of("TTT")) == [("raised", 2)]

    def test_takes_one_calm_window_among_four(self):
        assert steps_of(windows_of("TTCT")) == [("raised", 3)]

    def test_does_not_take_two_calm_windows_among_five(self):
        assert steps_of(windows_of("TCTCT")) == []

    def test_looks_past_missing_windows(self):
        assert steps_of(windows_of("TT--T")) == [("raised", 4)]

    def test_wants_the_oldest_flag_less_than_three_minutes_old(self):
        # The first flag of the first word ended 2 min 30 s before the raise, that of the second 3 min.
        assert steps_of(windows_of("T---TT")) == [("raised", 5)]
        assert steps_of(windows_of("T----TT")) == []

    def test_counts_from_the_flags_that_are_fresh(self):
        assert steps_of(windows_of("T-----TT")) == []
        assert steps_of(windows_of("T-----TTT")) == [("raised", 8)]

    def test_tells_since_when_and_when(self):
        _, (step,) = advance(fresh(1), team_windows([windows_of("CTCTT")]), table_of())

        assert step.since_ms == EPOCH_MS + WIDTH_MS
        assert step.at_ms == EPOCH_MS + 5 * WIDTH_MS
        assert (step.seen, step.evaluable, step.flagged) == (4, 4, 3)

    def test_tells_the_peak_so_far(self):
        windows = [hot(utilisation=0.8), hot(utilisation=0.93), hot(1, utilisation=0.93)]

        _, (step,) = advance(fresh(1), team_windows([windows]), table_of())

        assert step.peak == pytest.approx(0.93)
        assert (step.peak_at, step.peak_ms) == (0, EPOCH_MS + WIDTH_MS)

    def test_waits_two_windows_more_where_placement_is_by_load(self):
        assert steps_of(windows_of("TTTTT"), method="load-aware") == [("raised", 4)]
        assert steps_of(windows_of("TTTTC"), method="load-aware") == []

    def test_follows_the_rule_of_the_team(self):
        assert steps_of(windows_of("TT"), Rule(raise_windows=2, raise_of=2)) == [("raised", 1)]

    def test_takes_no_windows_on_another_basis(self):
        # A counted and an on-wire figure of one load differ by up to 31 % (64-octet frames: 64/84).
        windows = [hot(basis=Basis.COUNTED), hot(basis=Basis.COUNTED), hot(), hot(), hot(basis=Basis.INFERRED)]

        assert steps_of(windows) == [("raised", 4)]

    @pytest.mark.parametrize(
        ("kind", "family"),
        [
            (Kind.UNEVEN, Family.DISTRIBUTION),
            (Kind.UNEVEN_AND_FULL, Family.DISTRIBUTION),
            (Kind.SKEWED, Family.DISTRIBUTION),
            (Kind.FULL, Family.CAPACITY),
            (Kind.HOT_NO_SIBLING, Family.CAPACITY),
        ],
    )
    def test_is_of_the_family_of_the_kind(self, kind, family):
        _, (step,) = advance(fresh(1), team_windows([[hot(kind=kind)] * 3]), table_of())

        assert (step.kind, step.family) == (kind, family)

    def test_counts_kinds_of_one_family_together_and_names_the_commonest(self):
        windows = [hot(kind=Kind.UNEVEN_AND_FULL), hot(), hot()]

        _, (step,) = advance(fresh(1), team_windows([windows]), table_of())

        assert step.kind == Kind.UNEVEN

    def test_keeps_families_apart(self):
        assert steps_of([hot(), hot(), hot(kind=Kind.FULL)]) == []

    def test_of_degraded_stands_beside_that_of_another_family(self):
        windows = [hot(kind=Kind.FULL, degraded=True)] * 3

        _, steps = advance(fresh(1), team_windows([windows]), table_of())

        assert [(step.what, step.kind) for step in steps] == [("raised", Kind.FULL), ("raised", Kind.DEGRADED)]


class TestClear:
    def test_takes_ten_calm_windows_running(self):
        assert steps_of(windows_of("TTT" + "C" * 9)) == [("raised", 2)]
        assert steps_of(windows_of("TTT" + "C" * 10)) == [("raised", 2), ("cleared", 12)]

    def test_counts_anew_after_a_window_between_the_lines(self):
        assert steps_of(windows_of("TTT" + "C" * 9 + "B" + "C" * 9)) == [("raised", 2)]

    def test_is_not_moved_by_missing_windows(self):
        assert steps_of(windows_of("TTT" + "CCCCC--CCCC--C")) == [("raised", 2), ("cleared", 16)]

    def test_never_comes_of_missing_windows(self):
        assert ("cleared", 42) not in steps_of(windows_of("TTT" + "-" * 100))

    def test_of_chatter_around_the_line_comes_once(self):
        # 76 % three times, then 74/76 six times, then 69 % ten times: one raise, one clear.
        assert steps_of(windows_of("TTT" + "BT" * 6 + "C" * 10)) == [("raised", 2), ("cleared", 24)]

    def test_waits_on_the_basis_of_the_finding(self):
        windows = [hot()] * 3 + [calm(basis=Basis.COUNTED)] * 15 + [calm()] * 10

        assert steps_of(windows) == [("raised", 2), ("cleared", 27)]


class TestComesAndGoes:
    THRICE = ("TTT" + "C" * 10) * 2 + "TTT"  # raised at windows 2, 15 and 28

    def test_is_told_at_the_third_raise_within_an_hour(self):
        assert steps_of(windows_of(self.THRICE))[-1] == ("recurrent", 28)

    def test_is_not_told_when_the_first_raise_is_more_than_an_hour_old(self):
        # From the end of window 2 to the end of window 122 is an hour, to that of 123 more.
        told = "TTT" + "C" * 57 + "TTT" + "C" * 57
        assert steps_of(windows_of(told + "TTT"))[-1] == ("recurrent", 122)
        assert steps_of(windows_of(told + "CTTT"))[-1] == ("raised", 123)

    def test_is_held_open_until_an_hour_of_calm(self):
        word = self.THRICE + "C" * 119
        assert steps_of(windows_of(word))[-1] == ("recurrent", 28)
        assert steps_of(windows_of(word + "C"))[-1] == ("cleared", 148)

    def test_counts_on_without_a_word_while_it_is_held(self):
        windows = team_windows([windows_of(self.THRICE + ("C" * 12 + "TTT") * 2)])

        state, steps = advance(fresh(1), windows, table_of())

        assert [step.what for step in steps][-1] == "recurrent"
        assert state.memory.life[0, 0, DISTRIBUTION, RECURRENCES] == 5


class TestUnverified:
    def test_is_told_after_ten_minutes_without_an_evaluable_window(self):
        assert steps_of(windows_of("TTT" + "-" * 19)) == [("raised", 2)]
        assert steps_of(windows_of("TTT" + "-" * 30)) == [("raised", 2), ("unverified", 22)]

    def test_ends_with_the_next_evaluable_window(self):
        assert steps_of(windows_of("TTT" + "-" * 20 + "T"))[-1] == ("verified", 23)

    def test_ends_after_an_hour_where_the_source_counts_on_another_basis_for_good(self):
        counted = [hot(basis=Basis.COUNTED)] * 130

        steps = steps_of([hot()] * 3 + counted)

        assert steps == [("raised", 2), ("unverified", 22), ("cleared", 122), ("raised", 123)]

    def test_lasts_where_nothing_is_known_at_all(self):
        assert steps_of(windows_of("TTT" + "-" * 300)) == [("raised", 2), ("unverified", 22)]

    def test_is_no_calm_and_lets_calm_windows_start_anew(self):
        word = "TTT" + "C" * 9 + "-" * 20 + "C" * 9

        assert [what for what, _ in steps_of(windows_of(word))] == ["raised", "unverified", "verified"]

    def test_is_not_told_of_a_team_without_a_finding(self):
        assert steps_of(windows_of("TT" + "-" * 40)) == []


class TestPingPong:
    def swapping(self, *members, **more):
        return [hot(member, **more) for member in members]

    def test_is_named_at_the_fourth_change_of_the_hot_member(self):
        windows = self.swapping(0, 1, 0, 1, 0, 1, 0, 1)

        _, steps = advance(fresh(1), team_windows([windows]), table_of())

        assert [(step.what, step.kind, number_of(step)) for step in steps] == [
            ("raised", Kind.UNEVEN, 2),
            ("kind", Kind.OSCILLATING, 4),
        ]

    def test_is_not_named_at_three_changes(self):
        assert ("kind", 4) not in steps_of(self.swapping(0, 1, 0, 1, 1, 1, 1))

    def test_is_raised_though_too_few_windows_are_flagged(self):
        windows = [window for member in (0, 1, 0, 1, 0) for window in (hot(member), band())]

        _, (step,) = advance(fresh(1), team_windows([windows]), table_of())

        assert (step.what, step.kind, number_of(step)) == ("raised", Kind.OSCILLATING, 8)

    def test_is_not_seen_in_chatter_of_one_member(self):
        windows = [window for _ in range(10) for window in (hot(), band())]

        assert steps_of(windows) == []

    def test_is_not_seen_in_a_second_member_that_flickers(self):
        windows = [hot(hot=0b11), hot(hot=0b01)] * 8

        assert steps_of(windows) == [("raised", 2)]

    @pytest.mark.parametrize(("low", "named"), [(820e6, True), (810e6, False)])
    def test_wants_a_total_that_varies_by_a_tenth_at_most(self, low, named):
        # Totals a and b in turn, b first and last: five windows at the fourth change, two of a.
        # 1 G beside 0.82 G: 9.5 % of the mean; beside 0.81 G: 10.07 %.
        windows = [hot(i % 2, total_bps=1000e6 if i % 2 == 0 else low) for i in range(5)]

        assert (("kind", 4) in steps_of(windows)) is named

    @pytest.mark.parametrize(("even_split", "named"), [(0.6999, True), (0.7, True), (0.7001, False)])
    def test_wants_an_even_split_at_or_below_the_clear_line(self, even_split, named):
        assert (("kind", 4) in steps_of(self.swapping(0, 1, 0, 1, 0, even_split=even_split))) is named

    def test_gives_way_to_another_kind_when_it_has_swung_out(self):
        windows = self.swapping(0, 1, 0, 1, 0) + [hot(0)] * 20

        assert steps_of(windows) == [("raised", 2), ("kind", 4), ("kind", 24)]


class TestKind:
    def test_changes_by_the_rule_that_raises(self):
        windows = [hot()] * 3 + [hot(kind=Kind.UNEVEN_AND_FULL)] * 3

        _, steps = advance(fresh(1), team_windows([windows]), table_of())

        assert [(step.what, step.kind, number_of(step)) for step in steps][1:] == [("kind", Kind.UNEVEN_AND_FULL, 5)]

    def test_does_not_flicker_at_the_clear_line(self):
        assert steps_of([hot(), hot(kind=Kind.UNEVEN_AND_FULL)] * 20) == [("raised", 2)]


class TestSeverity:
    def test_rises_when_a_full_member_has_dropped_for_five_minutes(self):
        _, steps = advance(fresh(1), team_windows([[hot(utilisation=0.987, discards=2e-4)] * 12]), table_of())

        assert [(step.what, step.level, number_of(step)) for step in steps] == [
            ("raised", 1, 2),
            ("severity", 2, 9),
        ]

    def test_of_a_merely_skewed_team_never_wakes_anyone(self):
        windows = [hot(kind=Kind.SKEWED, utilisation=0.987, discards=2e-4)] * 12

        _, steps = advance(fresh(1), team_windows([windows]), table_of())

        assert [(step.what, step.level) for step in steps] == [("raised", 1)]

    def test_never_falls_while_open(self):
        windows = [hot(discards=1e-3)] * 3 + [hot(discards=0.0)] * 20

        assert steps_of(windows) == [("raised", 2)]


class TestAdvance:
    def test_refuses_to_go_back(self):
        state, _ = advance(fresh(1), team_windows([windows_of("TT")]), table_of())

        with pytest.raises(ValueError, match="stands at slot"):
            advance(state, team_windows([windows_of("TT")]), table_of())

    def test_leaves_the_state_it_was_given(self):
        state = fresh(1)

        advance(state, team_windows([windows_of("TTT")]), table_of())

        assert not state.memory.life[..., KIND].any()

    def test_takes_a_hole_between_spans_as_missing(self):
        whole = "TTT" + "-" * 500 + "C" * 10
        state, first = advance(fresh(1), team_windows([windows_of("TTT")]), table_of())
        _, then = advance(state, team_windows([windows_of("C" * 10)], first=503), table_of())

        assert [(step.what, number_of(step)) for step in first + then] == steps_of(windows_of(whole))

    def test_judges_every_team_by_its_own_windows(self):
        windows = team_windows([windows_of("TTTC"), windows_of("CTTT"), windows_of("CCCC")])

        _, steps = advance(fresh(3), windows, table_of(teams=3))

        assert [(step.team, number_of(step)) for step in steps] == [(0, 2), (1, 3)]

    def test_is_the_same_uncompiled(self, monkeypatch):
        word = "TTT" + "BT" * 3 + "C" * 10 + "TT-T" + "-" * 25 + "TC"
        compiled = steps_of(windows_of(word))
        for name, function in vars(passage).items():
            if hasattr(function, "py_func"):
                monkeypatch.setattr(passage, name, function.py_func)
        monkeypatch.setattr(life, "live", passage.live)

        assert steps_of(windows_of(word)) == compiled


words = st.text(alphabet="TTTCCB-", max_size=40)
more = st.lists(
    st.one_of(
        st.sampled_from(
            [hot(), hot(1), calm(), band(), missing(), hot(basis=Basis.COUNTED), calm(basis=Basis.COUNTED)]
        ),
        st.sampled_from([hot(kind=Kind.UNEVEN_AND_FULL), hot(kind=Kind.SKEWED), hot(kind=Kind.FULL, degraded=True)]),
        st.sampled_from([hot(utilisation=0.98, discards=2e-4), hot(utilisation=0.95), hot(total_bps=300e6)]),
    ),
    min_size=1,
    max_size=6,
)
# Stretches of the same, so that raises, clears and holes of more than ten minutes do come up.
stretches = st.lists(st.tuples(more, st.integers(1, 12)), min_size=1, max_size=14).map(
    lambda parts: [window for pattern, times in parts for window in pattern * times]
)


class TestPieces:
    @settings(deadline=None, max_examples=150)
    @given(stretches, st.data())
    def test_give_what_one_run_gives(self, windows, data):
        cuts = sorted(data.draw(st.lists(st.integers(0, len(windows)), max_size=4)))
        edges = [0, *cuts, len(windows)]
        state, steps = fresh(1), []
        for start, end in itertools.pairwise(edges):
            if start < end:
                state, some = advance(state, team_windows([windows[start:end]], first=start), table_of())
                steps += some

        whole_state, whole = advance(fresh(1), team_windows([windows]), table_of())

        # NaN is unlike itself, and so compared as words.
        assert [str(step) for step in steps] == [str(step) for step in whole]
        for name, column in whole_state.memory._asdict().items():
            np.testing.assert_array_equal(getattr(state.memory, name), column, err_msg=name)


def members_of(windows) -> MemberWindows:
    """Members that fit team windows, as far as findings ask for them."""
    shape = (2, windows.span.count, 2)
    nothing = np.zeros(shape, dtype=np.float32)
    return MemberWindows(
        span=windows.span,
        utilisation=np.zeros(shape),
        lower=nothing,
        upper=nothing,
        coverage=nothing,
        basis=np.zeros(shape, dtype=np.uint8),
        discard_ratio=nothing,
        packets=nothing,
        mcast=nothing,
        bcast=nothing,
        errors=nothing,
        speed_bps=np.full(shape[:2], 10**9),
        marks=np.zeros(shape[:2], dtype=np.uint16),
        why_not=np.zeros(shape, dtype=np.uint8),
    )


def gone_on(before, after):
    """What becomes so after a restart that keeps findings and the windows that are asked for, and without one."""
    table, layout, past = table_of(), a_layout(2), team_windows([before])
    state, steps = advance(fresh(1), past, table)
    told, _ = findings.follow(Scene(layout, (Rule(),), members_of(past), past), {}, steps, state)
    kept = before[-memory_windows(table) :]
    again = rebuilt(team_windows([kept], first=len(before) - len(kept)), layout, table, told)
    future = team_windows([after], first=len(before))
    # NaN is unlike itself, and so compared as words.
    return tuple([str(step) for step in advance(from_, future, table)[1]] for from_ in (again, state))


class TestRebuilt:
    @settings(deadline=None, max_examples=150)
    @given(stretches, stretches)
    def test_goes_on_as_if_it_had_never_stopped(self, before, after):
        # More than two hours of windows, of which the last two or so are kept.
        found, expected = gone_on(before * (1 + 300 // len(before)), after)

        assert found == expected

    def test_knows_the_raises_of_the_last_hour(self):
        before = windows_of("C" * 300 + ("TTT" + "C" * 10) * 2)

        found, expected = gone_on(before, windows_of("TTT"))

        assert found == expected
        assert "recurrent" in found[0]

    def test_knows_a_ping_pong_from_before_what_is_kept(self):
        # It swung until just before the kept windows, and nothing has made it another kind since.
        table = table_of()
        swinging = [hot(0), hot(1)] * 10
        before = [*swinging, *windows_of("TTT"), *windows_of("B" * (memory_windows(table) - 3))]

        found, expected = gone_on(before, windows_of("TTT"))

        assert found == expected
        assert "'kind'" in found[0]

    def test_knows_how_long_it_has_been_calm(self):
        found, expected = gone_on(windows_of("B" * 300 + "TTT" + "C" * 6), windows_of("C" * 4))

        assert found == expected
        assert "'cleared'" in found[0]

    def test_knows_for_how_long_nothing_was_known(self):
        found, expected = gone_on(windows_of("B" * 300 + "TTT" + "-" * 15), windows_of("-" * 5 + "C"))

        assert found == expected
        assert "'unverified'" in found[0]
        assert "'verified'" in found[1]

    def test_needs_two_hours_under_the_usual_rule(self):
        assert memory_windows(table_of()) * WIDTH_MS <= 2.5 * 3_600_000

    def test_passes_over_what_was_raised_later(self):
        layout, past = a_layout(2), team_windows([windows_of("TTTT")])
        state, steps = advance(fresh(1), past, table_of())
        told, _ = findings.follow(Scene(layout, (Rule(),), members_of(past), past), {}, steps, state)

        seeded = LifeState.seeded(layout, told, end_of(1), WIDTH_MS)

        assert not seeded.memory.life[..., KIND].any()
        assert seeded.next_slot == FIRST_SLOT + 2

    def test_takes_as_open_what_was_cleared_later(self):
        layout, past = a_layout(2), team_windows([windows_of("TTT" + "C" * 10)])
        state, steps = advance(fresh(1), past, table_of())
        told, _ = findings.follow(Scene(layout, (Rule(),), members_of(past), past), {}, steps, state)

        seeded = LifeState.seeded(layout, told, end_of(5), WIDTH_MS)

        assert seeded.memory.life[0, 0, DISTRIBUTION, KIND] == Kind.UNEVEN


class TestMissing:
    @settings(deadline=None, max_examples=100)
    @given(words, st.integers(0, 40), st.integers(1, 60))
    def test_windows_never_raise_and_never_clear(self, word, at, count):
        holed = word[:at] + "-" * count
        _, steps = advance(fresh(1), team_windows([windows_of(holed)]), table_of())

        assert {step.what for step in steps if number_of(step) >= len(word[:at])} <= {"unverified"}


def test_letters_are_known():
    assert set(LETTERS) == set("TCB-")


def test_findings_know_the_flagged_windows():
    past = team_windows([windows_of("TTCTT")])
    state, steps = advance(fresh(1), past, table_of())

    (finding,), _ = findings.follow(Scene(a_layout(2), (Rule(),), members_of(past), past), {}, steps, state)

    assert (finding.windows_seen, finding.windows_evaluable, finding.windows_flagged) == (5, 5, 4)
