"""Members that are up and must not be used, at and around each limit; common practice, no source gives the lines."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest
from examples import EPOCH_MS, a_layout, facts_of, samples_of
from hypothesis import given, settings
from hypothesis import strategies as st
from rules.unfit_roads import BUSY, ONE_SIDED, SICK, UNANSWERED, rows_of
from scenarios.roads import assessed, fact, octets_of
from scenarios.test_recordings import assessed as recorded

from service.rules.assess import Run, assess, rebuilt
from service.rules.bundle_states import FAR_NOT_DISTRIBUTING, OWN_NOT_DISTRIBUTING, TWO_PARTNERS
from service.rules.kinds import team_windows
from service.rules.table import memory_windows, rule_table
from service.terms import (
    FAMILY_OF,
    UNFIT_KINDS,
    Family,
    Layout,
    Mark,
    OperStatus,
    Role,
    Rule,
    Severity,
    Span,
    TeamName,
    WhyNot,
)

WIDTH_MS = 30_000
UNFIT_FAMILY = "build"


def found_of(*members, **more):
    return assessed(rows_of(members), windows=len(members[0]), **more)


def build_steps(found):
    """What became of findings of the build family, as (what, window) pairs."""
    ids = {finding.id for finding in found.findings if finding.family == UNFIT_FAMILY}
    return [(step.what, (step.at_ms - EPOCH_MS) // WIDTH_MS - 1) for step in found.steps if step.finding_id in ids]


def the_build_finding(found):
    (finding,) = (finding for finding in found.findings if finding.family == UNFIT_FAMILY)
    return finding


def reasons(found, port):
    return found.members.why_not[port, :, 0].tolist()


def bundled(bundle):
    plain = a_layout(2)
    return Layout(**{**vars(plain), "teams": (TeamName("sm-07", "front", "", bundle),)})


class TestOneSided:
    @pytest.mark.parametrize(("windows", "steps"), [(19, []), (20, [("raised", 19)]), (21, [("raised", 19)])])
    def test_is_raised_by_the_twentieth_window(self, windows, steps):
        assert build_steps(found_of([BUSY] * windows, [ONE_SIDED] * windows)) == steps

    def test_is_told_of_ingress_from_its_first_window_with_the_member_that_is_unfit(self):
        finding = the_build_finding(found_of([BUSY] * 22, [ONE_SIDED] * 22))

        assert (finding.kind, finding.direction, finding.since_ms) == ("one-sided", "ingress", EPOCH_MS)
        assert [(member.port, member.why_not) for member in finding.hot] == [("m2", "broken")]
        assert (finding.windows_seen, finding.windows_evaluable, finding.windows_flagged) == (22, 22, 22)
        assert finding.evidence.speaks_for[0] == (
            "one-sided: m2 sends at 38 % and nothing addressed to it comes in, beside up to 60 %"
        )

    @pytest.mark.parametrize(
        ("bundle", "severity"),
        [("", Severity.MAJOR), ("none", Severity.MAJOR), ("static", Severity.MINOR), ("lacp", Severity.MINOR)],
    )
    def test_is_major_but_in_a_bundle(self, bundle, severity):
        found = found_of([BUSY] * 20, [ONE_SIDED] * 20, layout=bundled(bundle))

        assert the_build_finding(found).severity == severity

    @pytest.mark.parametrize(("sends", "raised"), [(0.0099, False), (0.01, False), (0.0101, True)])
    def test_wants_a_member_that_sends_more_than_one_per_cent(self, sends, raised):
        # 120 kB of 20 octets a frame are the part of the line that counters leave out (IEEE 802.3).
        member = ONE_SIDED | {"out_octets": octets_of(sends) - 20 * 6_000, "out_packets": 6_000}

        assert bool(build_steps(found_of([BUSY] * 20, [member] * 20))) == raised

    @pytest.mark.parametrize(("gets", "raised"), [(0.0499, False), (0.05, False), (0.0501, True)])
    def test_wants_siblings_that_receive_more_than_five_per_cent(self, gets, raised):
        sibling = BUSY | {"in_octets": octets_of(gets) - 20 * 70_000, "in_packets": 70_000}

        assert bool(build_steps(found_of([sibling] * 20, [ONE_SIDED] * 20))) == raised

    def test_is_not_what_one_packet_in_twenty_windows_was_addressed_to(self):
        one = ONE_SIDED | {"in_packets": 10}

        assert build_steps(found_of([BUSY] * 25, [*[ONE_SIDED] * 10, one, *[ONE_SIDED] * 14])) == []

    def test_is_not_told_of_sources_that_do_not_tell_unicast_from_the_rest(self):
        mixed = {name: count for name, count in ONE_SIDED.items() if "cast" not in name}

        assert build_steps(found_of([BUSY] * 25, [mixed] * 25)) == []

    def test_is_told_where_no_packet_came_at_all(self):
        none = {name: 0 if name.startswith("in_") else count for name, count in ONE_SIDED.items() if "cast" not in name}

        assert build_steps(found_of([BUSY] * 25, [none] * 25)) == [("raised", 19)]

    def test_is_not_a_member_of_a_team_that_only_sends(self):
        quiet = BUSY | {"in_octets": 900, "in_packets": 9, "in_mcast_packets": 9, "in_bcast_packets": 0}

        assert build_steps(found_of([quiet] * 25, [ONE_SIDED] * 25)) == []

    @pytest.mark.parametrize("away", [{"role": Role.STANDBY}, {"oper": OperStatus.DOWN}])
    def test_is_not_a_member_on_standby_or_down(self, away):
        rows = [told_row | {"facts": told_row["port"]} for told_row in rows_of([[BUSY] * 25, [ONE_SIDED] * 25])]

        assert build_steps(assessed(rows, fact(), fact(**away), windows=25)) == []

    def test_takes_half_a_speed_step_of_siblings_by_their_speed(self):
        # 4 % of the siblings' 11 Gbit/s: 60 % of 1 G, next to nothing of 10 G; 600 / 11,000 Mbit/s is 5.5 %.
        idle = BUSY | {"in_octets": 90_000, "in_packets": 900}
        rows = [
            told_row | {"facts": int(told_row["port"] == 2)}
            for told_row in rows_of([[BUSY] * 20, [ONE_SIDED] * 20, [idle] * 20])
        ]

        assert build_steps(assessed(rows, fact(), fact(10**10), windows=20)) == [("raised", 19)]


class TestUnanswered:
    @pytest.mark.parametrize(("windows", "steps"), [(19, []), (20, [("raised", 19)])])
    def test_is_raised_by_the_twentieth_window(self, windows, steps):
        assert build_steps(found_of([BUSY] * windows, [UNANSWERED] * windows)) == steps

    def test_is_major_and_told_of_egress(self):
        finding = the_build_finding(found_of([BUSY] * 20, [UNANSWERED] * 20, layout=bundled("lacp")))

        assert (finding.kind, finding.direction, finding.severity) == ("unanswered", "egress", Severity.MAJOR)
        assert finding.evidence.speaks_for[0] == (
            "unanswered: no answered traffic on m2, broadcast share 0.96 of 10 packets/s sent"
        )

    @pytest.mark.parametrize(("packets", "raised"), [(2, False), (3, True), (4, True)])
    def test_wants_a_packet_in_ten_seconds(self, packets, raised):
        asks = UNANSWERED | {"out_octets": 120 * packets, "out_packets": packets, "out_bcast_packets": packets}

        assert bool(build_steps(found_of([BUSY] * 20, [asks] * 20))) == raised

    @pytest.mark.parametrize(("bcast", "raised"), [(239, False), (240, True), (241, True)])
    def test_wants_four_fifths_of_it_broadcast(self, bcast, raised):
        asks = UNANSWERED | {"out_bcast_packets": bcast}

        assert bool(build_steps(found_of([BUSY] * 20, [asks] * 20))) == raised

    def test_wants_a_sibling_that_is_answered(self):
        assert build_steps(found_of([UNANSWERED] * 25, [UNANSWERED] * 25)) == []


class TestSick:
    @pytest.mark.parametrize(("windows", "steps"), [(2, []), (3, [("raised", 2)])])
    def test_is_raised_by_the_third_window(self, windows, steps):
        assert build_steps(found_of([BUSY] * windows, [SICK] * windows)) == steps

    @pytest.mark.parametrize(("errors", "raised"), [(9, False), (10, True), (11, True)])
    def test_wants_one_in_a_hundred_thousand(self, errors, raised):
        member = SICK | {"in_errors": errors, "in_packets": 1_000_000 - errors}

        assert bool(build_steps(found_of([BUSY] * 3, [member] * 3))) == raised

    @pytest.mark.parametrize(("errors", "said"), [(999, ""), (1_000, ", which is bad")])
    def test_is_minor_and_called_bad_from_one_in_a_thousand(self, errors, said):
        member = SICK | {"in_errors": errors, "in_packets": 1_000_000 - errors}

        finding = the_build_finding(found_of([BUSY] * 3, [member] * 3))

        assert (finding.kind, finding.direction, finding.severity) == ("sick", "ingress", Severity.MINOR)
        assert finding.evidence.speaks_for[0] == f"sick: error ratio 0.001 of what comes in on m2{said}"

    def test_is_not_a_single_burst(self):
        assert build_steps(found_of([BUSY] * 6, [SICK, SICK, BUSY] * 2)) == []

    def test_is_found_of_all_members_at_once(self):
        finding = the_build_finding(found_of([SICK] * 4, [SICK] * 4))

        assert [member.port for member in finding.hot] == ["m1", "m2"]


class TestGuard:
    @pytest.mark.parametrize(
        ("member", "mark", "from_window"),
        [(ONE_SIDED, Mark.ONE_SIDED, 19), (UNANSWERED, Mark.UNANSWERED, 19), (SICK, Mark.SICK, 2)],
    )
    def test_leaves_an_unfit_member_out_from_the_window_that_makes_it_so(self, member, mark, from_window):
        found = found_of([BUSY] * 25, [member] * 25)

        assert reasons(found, 1) == [WhyNot.ELIGIBLE] * from_window + [WhyNot.BROKEN] * (25 - from_window)
        assert ((found.members.marks[1] & mark) != 0).tolist() == [w >= from_window for w in range(25)]
        assert found.teams.stranded_bps[0, -1, 0] == pytest.approx(0, abs=1)

    def test_takes_it_back_after_ten_calm_windows(self):
        found = found_of([BUSY] * 40, [*[ONE_SIDED] * 22, *[BUSY] * 18])

        assert reasons(found, 1)[19:33] == [WhyNot.BROKEN] * 12 + [WhyNot.ELIGIBLE] * 2
        assert build_steps(found) == [("raised", 19), ("cleared", 31)]
        assert "cleared, one-sided for 11 min: m2" in [step.text for step in found.steps]

    def test_takes_it_back_after_as_many_as_the_rule_says(self):
        found = found_of([BUSY] * 40, [*[ONE_SIDED] * 22, *[BUSY] * 18], rule=Rule(clear_windows=4))

        assert build_steps(found) == [("raised", 19), ("cleared", 25)]

    def test_counts_calm_windows_anew_after_one_that_shows_it_again(self):
        windows = [*[ONE_SIDED] * 20, *[BUSY] * 9, ONE_SIDED, *[BUSY] * 10]

        assert build_steps(found_of([BUSY] * 40, windows)) == [("raised", 19), ("cleared", 39)]

    def test_keeps_it_out_while_it_idles(self):
        # It sends nothing, so that nothing could come back: that it is well again nobody has seen.
        idle = dict.fromkeys(ONE_SIDED, 0) | {"in_packets": 9, "in_mcast_packets": 9, "in_octets": 900}
        found = found_of([BUSY] * 60, [*[ONE_SIDED] * 20, *[idle] * 40])

        assert reasons(found, 1)[-1] == WhyNot.BROKEN
        assert build_steps(found) == [("raised", 19), ("unverified", 39)]

    @pytest.mark.parametrize("member", [ONE_SIDED, UNANSWERED, SICK])
    @pytest.mark.parametrize("away", [{"oper": OperStatus.DOWN}, {"role": Role.STANDBY}, {"role": Role.OUT}])
    def test_lets_a_member_go_that_idled_and_is_taken_out_of_use(self, member, away):
        # 25 windows unfit, 25 in which nothing at all comes or goes, then away.
        nothing = dict.fromkeys(BUSY, 0)
        rows = rows_of([[BUSY] * 65, [*[member] * 25, *[nothing] * 40]])
        gone_s = EPOCH_MS // 1000 + 50 * 30
        rows = [one | {"facts": int(one["port"] == 1 and one["at"] > gone_s)} for one in rows]

        found = assessed(rows, fact(), fact(**away), windows=65)

        assert [what for what, _ in build_steps(found)] == ["raised", "unverified", "verified", "cleared"]
        assert WhyNot.BROKEN not in reasons(found, 1)[-3:]

    def test_lets_a_member_go_that_idled_and_is_well_again(self):
        nothing = dict.fromkeys(BUSY, 0)
        found = found_of([BUSY] * 60, [*[ONE_SIDED] * 20, *[nothing] * 25, *[BUSY] * 15])

        assert [what for what, _ in build_steps(found)] == ["raised", "unverified", "verified", "cleared"]
        assert reasons(found, 1)[-1] == WhyNot.ELIGIBLE

    def test_becomes_another_kind_where_that_shows_too(self):
        both = ONE_SIDED | {"in_errors": 9}
        found = found_of([BUSY] * 25, [both] * 25)

        assert build_steps(found) == [("raised", 2), ("kind", 19), ("severity", 19)]
        assert the_build_finding(found).kind == "one-sided"


class TestMissing:
    @pytest.mark.parametrize("member", [ONE_SIDED, UNANSWERED])
    def test_does_not_raise(self, member):
        assert build_steps(found_of([BUSY] * 40, [*[member] * 19, *[None] * 21])) == []

    def test_windows_do_not_break_the_run(self):
        windows = [*[UNANSWERED] * 10, None, *[UNANSWERED] * 11]
        # The next sample ends an interval of a minute, which tells of both windows.
        assert build_steps(found_of([BUSY] * 22, windows)) == [("raised", 19)]

    def test_windows_without_value_do_not_break_the_run(self):
        windows = [*[UNANSWERED] * 10, None, None, *[UNANSWERED] * 10]

        # An interval of 90 s is too long to tell of windows: three are missing, so that 19 are known.
        assert build_steps(found_of([BUSY] * 22, windows)) == []
        assert build_steps(found_of([BUSY] * 23, [*windows, UNANSWERED])) == [("raised", 22)]

    def test_of_two_minutes_starts_the_run_anew(self):
        windows = [*[UNANSWERED] * 19, *[None] * 5, *[UNANSWERED] * 19]

        assert build_steps(found_of([BUSY] * 43, windows)) == []

    def test_does_not_clear(self):
        found = found_of([BUSY] * 80, [*[UNANSWERED] * 20, *[None] * 60])

        assert "cleared" not in [what for what, _ in build_steps(found)]
        assert (found.members.marks[1, -1] & Mark.UNANSWERED) != 0

    def test_does_not_clear_while_the_sibling_is_missing(self):
        found = found_of([*[BUSY] * 20, *[None] * 20], [UNANSWERED] * 40)

        assert "cleared" not in [what for what, _ in build_steps(found)]


class TestBroken:
    def test_by_the_bundles_state_is_no_sibling_at_once(self):
        broken = np.array([0, TWO_PARTNERS], dtype=np.uint8)
        found = found_of([BUSY] * 3, [BUSY] * 3, broken=broken)

        assert reasons(found, 1) == [WhyNot.BROKEN] * 3
        assert (found.members.marks[1] & Mark.MISBUILT).all()
        assert build_steps(found) == []

    def test_because_the_far_end_does_not_distribute_is_one_sided_after_twenty_windows(self):
        broken = np.array([0, FAR_NOT_DISTRIBUTING], dtype=np.uint8)
        octets = {"out_octets": octets_of(0.3), "in_octets": 0}
        found = found_of([BUSY] * 20, [octets] * 20, broken=broken)

        assert build_steps(found) == [("raised", 19)]
        assert the_build_finding(found).evidence.speaks_for[0] == (
            "one-sided: by the state of the bundle the far end does not distribute on m2"
        )

    @pytest.mark.parametrize(("more", "raised"), [({"oper": OperStatus.DOWN}, False), ({"role": Role.STANDBY}, False),
                                                  ({"role": Role.OUT}, True)])  # fmt: skip
    def test_by_a_state_that_is_left_over_is_not_said_of_what_is_away(self, more, raised):
        nothing = dict.fromkeys(BUSY, 0)
        rows = [one | {"facts": one["port"]} for one in rows_of([[BUSY] * 25, [nothing] * 25])]
        broken = np.array([0, FAR_NOT_DISTRIBUTING], dtype=np.uint8)

        found = assessed(rows, fact(), fact(**more), windows=25, broken=broken)

        assert bool(build_steps(found)) is raised

    def test_says_nothing_of_a_member_that_is_not_heard(self):
        broken = np.array([0, TWO_PARTNERS], dtype=np.uint8)
        found = found_of([BUSY] * 3, [None] * 3, broken=broken)

        assert WhyNot.BROKEN not in reasons(found, 1)
        assert found.events == ()

    @pytest.mark.parametrize(
        ("code", "kind"), [(OWN_NOT_DISTRIBUTING, "own-end-not-distributing"), (TWO_PARTNERS, "two-partners")]
    )
    def test_is_told_once_by_an_event_where_no_finding_is(self, code, kind):
        broken = np.array([0, code], dtype=np.uint8)
        samples, windows = samples_of(rows_of([[BUSY] * 8, [BUSY] * 8])), 4
        first = assess(run_of(samples, Span(EPOCH_MS, windows), broken=broken))
        then = Span(first.members.span.end_ms, windows)
        second = assess(run_of(samples, then, broken=broken, life=first.life))

        assert [(event.kind, event.port, event.at_ms) for event in first.events] == [(kind, "m2", EPOCH_MS)]
        assert "no load is to be moved to it" in first.events[0].text
        assert second.events == ()

    def test_is_not_told_of_a_far_end_that_a_finding_tells(self):
        broken = np.array([0, FAR_NOT_DISTRIBUTING], dtype=np.uint8)

        assert found_of([BUSY] * 3, [BUSY] * 3, broken=broken).events == ()

    def test_is_not_told_of_a_member_that_is_down_anyway(self):
        broken = np.array([0, OWN_NOT_DISTRIBUTING], dtype=np.uint8)
        rows = [one | {"facts": one["port"]} for one in rows_of([[BUSY] * 3, [BUSY] * 3])]
        facts = facts_of(fact(), fact(oper=OperStatus.DOWN))
        span = Span(EPOCH_MS, 3)

        found = assess(Run(samples_of(rows), facts, a_layout(2), (Rule(),), span, now_ms=span.end_ms, broken=broken))

        assert reasons(found, 1) == [WhyNot.DOWN] * 3
        assert found.events == ()


traffic = st.sampled_from([BUSY, ONE_SIDED, UNANSWERED, SICK, None])
stretches = st.lists(st.tuples(traffic, traffic, st.integers(1, 26)), min_size=2, max_size=6)


def spread(stretches):
    members = ([], [])
    for *both, windows in stretches:
        for member, what in zip(members, both, strict=True):
            member.extend([what] * windows)
    return members


def run_of(samples, span, **more):
    return Run(samples, facts_of(fact()), a_layout(2), (Rule(),), span, now_ms=span.end_ms, **more)


def part(samples, span):
    bears = (samples.at_ms >= span.first_ms - 600_000) & (samples.at_ms <= span.end_ms + 60_000)
    return samples.take(bears)


def in_pieces(samples, windows, cuts):
    edges = [0, *sorted({cut for cut in cuts if cut < windows}), windows]
    life, known, found, steps = None, {}, {}, []
    for start, end in itertools.pairwise(edges):
        span = Span(EPOCH_MS + start * WIDTH_MS, end - start)
        piece = assess(run_of(part(samples, span), span, life=life, open=known))
        life, steps = piece.life, steps + list(piece.steps)
        found |= {finding.id: finding for finding in piece.findings}
        known = {id_: finding for id_, finding in found.items() if finding.cleared_ms is None}
    return found, steps, life


class TestPieces:
    @settings(deadline=None, max_examples=40)
    @given(stretches, st.lists(st.integers(1, 120), max_size=4))
    def test_give_what_the_whole_gives(self, stretches, cuts):
        members = spread(stretches)
        windows = len(members[0])
        samples = samples_of(rows_of(members))

        whole = assess(run_of(samples, Span(EPOCH_MS, windows)))
        found, steps, life = in_pieces(samples, windows, cuts)

        assert [str(step) for step in steps] == [str(step) for step in whole.steps]
        assert {id_: str(finding) for id_, finding in found.items()} == {f.id: str(f) for f in whole.findings}
        for name in ("unfit", "spell", "age", "hole"):
            np.testing.assert_array_equal(getattr(life.memory, name), getattr(whole.life.memory, name), err_msg=name)


class TestRebuilt:
    @settings(deadline=None, max_examples=40)
    @given(stretches, stretches)
    def test_goes_on_as_if_it_had_never_stopped(self, before, after):
        long_before = before * (1 + 300 // sum(windows for *_, windows in before))
        members = spread([*long_before, *after])
        windows, at = len(members[0]), sum(stretch[2] for stretch in long_before)
        samples = samples_of(rows_of(members))
        whole = assess(run_of(samples, Span(EPOCH_MS, windows)))
        first = assess(run_of(part(samples, Span(EPOCH_MS, at)), Span(EPOCH_MS, at)))
        known = {finding.id: finding for finding in first.findings if finding.cleared_ms is None}

        again = assess(
            run_of(
                part(samples, Span(EPOCH_MS + at * WIDTH_MS, windows - at)),
                Span(EPOCH_MS + at * WIDTH_MS, windows - at),
                life=again_of(first, at),
                open=known,
            )
        )

        assert [str(step) for step in again.steps] == [str(step) for step in whole.steps[len(first.steps) :]]
        for name in ("unfit", "spell", "age", "hole"):
            np.testing.assert_array_equal(
                getattr(again.life.memory, name), getattr(whole.life.memory, name), err_msg=name
            )


def again_of(first, at):
    """The state that kept windows and findings alone give."""
    layout = a_layout(2)
    table = rule_table((Rule(),), layout.teams, WIDTH_MS)
    kept = slice(at - memory_windows(table), at)
    columns = {
        field.name: getattr(first.members, field.name)[:, kept]
        for field in dataclasses.fields(first.members)
        if field.name != "span"
    }
    span = Span(EPOCH_MS + kept.start * WIDTH_MS, at - kept.start)
    members = dataclasses.replace(first.members, span=span, **columns)
    return rebuilt(team_windows(members, layout, table), layout, table, first.findings, members)


class TestNoFalseRaise:
    @pytest.mark.parametrize("name", ["rehash", "split70", "elephant"])
    def test_comes_of_what_a_real_kernel_counted(self, name):
        # Its members send and hardly anything comes back, on one of them nothing at all.
        found = recorded(name)

        assert [finding.family for finding in found.findings if finding.family == UNFIT_FAMILY] == []
        assert not (found.members.why_not == WhyNot.BROKEN).any()

    def test_needs_more_than_that_a_member_only_receives(self):
        only_in = BUSY | {"out_octets": 0, "out_packets": 0, "out_mcast_packets": 0, "out_bcast_packets": 0}

        assert build_steps(found_of([BUSY] * 30, [only_in] * 30)) == []


def test_kinds_are_of_one_family():
    assert {FAMILY_OF[kind] for kind in UNFIT_KINDS} == {Family.BUILD}
