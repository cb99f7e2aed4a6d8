"""The whole road from samples to findings: in pieces, in any order, with holes, under several rules."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest
from examples import EPOCH_MS, GIGABIT, SECOND, a_layout, facts_of, samples_of
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scenarios.roads import assessed, fact, kinds, octets_of, row, series

from service.rules.assess import Run, assess, rebuilt
from service.rules.kinds import team_windows
from service.rules.table import rule_table
from service.terms import OperStatus, Rule, Samples, Span, WhyNot

POLL_S = 15
WIDTH_MS = 30_000

# A stretch: utilisations of two members held for some windows; None is a member that says nothing.
shares = st.sampled_from([0.05, 0.2, 0.5, 0.72, 0.78, 0.92, None])
stretches = st.lists(st.tuples(shares, shares, st.integers(1, 12)), min_size=2, max_size=10)


def rows_of(stretches, *, discards=0):
    """Polls every 15 s of two members, with nothing where a member says nothing."""
    rows, at, counts, drops = [], 0, [0, 0], [0, 0]
    for *members, windows in stretches:
        for _ in range(windows * 30 // POLL_S):
            at += POLL_S
            for port, value in enumerate(members):
                if value is not None:
                    counts[port] += octets_of(value, seconds=POLL_S)
                    drops[port] += discards if value > 0.9 else 0
                    packets = counts[port] // 1000
                    told = {"out_octets": counts[port], "out_packets": packets, "out_discards": drops[port]}
                    rows.append(row(at, port, **told))
    return rows, at * SECOND // WIDTH_MS


def run_of(rows, span, **more):
    layout = a_layout(2)
    samples = rows if isinstance(rows, Samples) else samples_of(rows)
    return Run(samples, facts_of(fact()), layout, (Rule(),), span, now_ms=span.end_ms, **more)


def in_pieces(rows, windows, cuts):
    """Assess piece by piece, each with the samples that bear on it and what the one before left."""
    samples = samples_of(rows)
    edges = [0, *sorted(set(cuts)), windows]
    life, known, found, steps, events = None, {}, {}, [], []
    for start, end in itertools.pairwise(edges):
        if start == end:
            continue
        span = Span(EPOCH_MS + start * WIDTH_MS, end - start)
        bears = (samples.at_ms >= span.first_ms - 600_000) & (samples.at_ms <= span.end_ms + 60_000)
        piece = assess(run_of(samples.take(bears), span, life=life, open=known))
        life, steps, events = piece.life, steps + list(piece.steps), events + list(piece.events)
        found |= {finding.id: finding for finding in piece.findings}
        known = {id_: finding for id_, finding in found.items() if finding.cleared_ms is None}
    return found, steps, events


class TestPieces:
    @settings(deadline=None, max_examples=60)
    @given(stretches, st.lists(st.integers(1, 60), max_size=4), st.sampled_from([0, 3]))
    # A silence that is noticed just before a cut, with no other source to tell that time went on.
    @example([(0.05, 0.05, 1), (0.05, 0.05, 1), (None, None, 4), (0.05, 0.05, 1)], [4], 0)
    def test_give_what_one_run_gives(self, told, cuts, discards):
        rows, windows = rows_of(told, discards=discards)
        if not rows or windows < 2:
            return

        whole = assess(run_of(rows, Span(EPOCH_MS, windows)))
        found, steps, events = in_pieces(rows, windows, [cut for cut in cuts if cut < windows])

        assert found == {finding.id: finding for finding in whole.findings}
        assert steps == list(whole.steps)
        assert events == list(whole.events)

    def test_of_one_window_give_what_one_run_gives(self):
        rows, windows = rows_of([(0.92, 0.05, 5), (0.2, None, 2), (0.2, 0.05, 12), (0.92, 0.05, 4)], discards=2)

        whole = assess(run_of(rows, Span(EPOCH_MS, windows)))
        found, steps, _ = in_pieces(rows, windows, range(1, windows))

        assert len(whole.findings) == 2
        assert found == {finding.id: finding for finding in whole.findings}
        assert steps == list(whole.steps)


class TestOrder:
    @settings(deadline=None, max_examples=40)
    @given(stretches, st.randoms(use_true_random=False))
    def test_of_arrival_does_not_matter(self, told, random):
        rows, windows = rows_of(told)
        if not rows:
            return
        shuffled = rows + random.choices(rows, k=3)
        random.shuffle(shuffled)

        first, second = (assess(run_of(some, Span(EPOCH_MS, windows))) for some in (rows, shuffled))

        assert first.findings == second.findings
        assert first.steps == second.steps
        assert second.duplicates == 3


class TestMissing:
    @settings(deadline=None, max_examples=60)
    # A hole of one window leaves an interval of 60 s, which still feeds windows.
    @given(stretches, st.integers(0, 60), st.integers(2, 90))
    def test_samples_never_raise_and_never_clear(self, told, start, count):
        rows, windows = rows_of(told)
        hole = range(EPOCH_MS // SECOND + start * 30, EPOCH_MS // SECOND + (start + count) * 30 + 1)
        rows = [told for told in rows if told["at"] not in hole]
        if not rows:
            return

        found = assess(run_of(rows, Span(EPOCH_MS, max(windows, start + count))))

        inside = [
            step.what for step in found.steps if hole.start * SECOND + WIDTH_MS <= step.at_ms <= hole.stop * SECOND
        ]
        assert set(inside) <= {"unverified"}

    def test_sibling_is_unknown_and_never_idle(self):
        found = assess(run_of(rows_of([(0.92, None, 10)])[0], Span(EPOCH_MS, 10)))

        assert np.isnan(found.members.utilisation[1]).all()
        assert (found.members.why_not[1] == WhyNot.NO_DATA).all()
        assert found.findings == ()

    def test_leaves_an_open_finding_open_and_unverified(self):
        rows, _ = rows_of([(0.92, 0.05, 4)])

        found = assess(run_of(rows, Span(EPOCH_MS, 40)))

        (finding,) = found.findings
        assert finding.cleared_ms is None
        assert finding.unverified
        assert [step.what for step in found.steps] == ["raised", "unverified"]


class TestFindings:
    def test_of_the_same_data_have_the_same_id(self):
        rows, windows = rows_of([(0.92, 0.05, 4)])

        ids = {assess(run_of(rows, Span(EPOCH_MS, windows + more))).findings[0].id for more in (0, 1, 5)}

        assert len(ids) == 1

    def test_say_when(self):
        found = assessed(series([[0.1] + [0.92] * 3, [0.05] * 4]), windows=4)

        (finding,) = found.findings
        assert finding.since_ms == EPOCH_MS + WIDTH_MS
        assert finding.raised_ms == EPOCH_MS + 4 * WIDTH_MS
        assert finding.cleared_ms is None

    def test_keep_the_peak_when_it_is_over(self):
        found = assessed(series([[0.92] * 3 + [0.95] + [0.1] * 10, [0.05] * 14]), windows=14)

        (finding,) = found.findings
        assert (finding.peak, finding.peak_port) == (0.95, "m1")
        assert finding.peak_ms == EPOCH_MS + 3 * WIDTH_MS
        assert finding.cleared_ms == EPOCH_MS + 14 * WIDTH_MS


class TestRules:
    def test_hold_for_each_team_its_own(self):
        layout = a_layout(2, 2)
        rows = series([[0.78] * 3, [0.05] * 3]) + series([[0.78] * 3, [0.05] * 3], port=2)
        own = Rule(hot_above=0.8, set_by="M. Quist", because="it is the archive")

        found = assess(
            Run(samples_of(rows), facts_of(fact()), layout, (Rule(), own), Span(EPOCH_MS, 3), now_ms=EPOCH_MS)
        )

        assert [finding.team for finding in found.findings] == ["front"]

    def test_on_coverage_hold_for_each_team_its_own(self):
        # Polled at 0 and 20 s of a window: 67 % of it is covered.
        layout = a_layout(1, 1)
        rows = [row(at, port, out_octets=at * 1000) for port in (0, 1) for at in (0, 20)]
        rules = (Rule(), Rule(coverage_min=0.6))

        found = assess(Run(samples_of(rows), facts_of(fact()), layout, rules, Span(EPOCH_MS, 1), now_ms=EPOCH_MS))

        assert found.teams.evaluable[:, 0, 0].tolist() == [False, True]

    def test_that_are_a_teams_own_are_told(self):
        own = Rule(idle_below=0.4, set_by="M. Quist", because="it is the archive")

        found = assessed(series([[0.92] * 3, [0.35] * 3]), windows=3, rule=own)

        (finding,) = found.findings
        assert finding.kind == "uneven"
        assert finding.rule_note == "team rule: idle below 40 %, set by M. Quist because it is the archive"


class TestRestart:
    def test_of_the_service_is_not_seen(self):
        rows, windows = rows_of([(0.92, 0.05, 40), (0.5, 0.5, 3), (0.92, 0.05, 300), (0.2, 0.05, 30)])
        samples = samples_of(rows)
        whole = assess(run_of(rows, Span(EPOCH_MS, windows)))
        at = windows - 25
        before = assess(run_of(rows, Span(EPOCH_MS, at)))
        known = {finding.id: finding for finding in before.findings if finding.cleared_ms is None}

        table = rule_table((Rule(),), a_layout(2).teams, WIDTH_MS)
        kept = slice(at - 300, at)
        members = dataclasses.replace(
            before.members,
            span=Span(EPOCH_MS + kept.start * WIDTH_MS, 300),
            **{
                name: getattr(before.members, name)[:, kept]
                for name in dataclasses.asdict(before.members)
                if name != "span"
            },
        )
        life = rebuilt(team_windows(members, a_layout(2), table), a_layout(2), table, before.findings)
        bears = samples.at_ms >= EPOCH_MS + at * WIDTH_MS - 600_000
        after = assess(run_of(samples.take(bears), Span(EPOCH_MS + at * WIDTH_MS, windows - at), life=life, open=known))

        assert after.findings == whole.findings
        assert after.steps == whole.steps[len(before.steps) :]


class TestSpeed:
    def test_once_disproved_stays_doubtful_for_an_hour(self):
        # 941 Mbit/s for six windows on a port that claims 10 G, then next to nothing.
        flat = [row(t, out_octets=941_400_000 * t // 8) for t in range(0, 181, 30)]
        first = assessed(flat, fact(10 * GIGABIT), windows=6)

        def later(minutes):
            rows = [row(minutes * 60 + t, out_octets=10**12 + 1_000_000 * t) for t in (0, 30)]
            span = Span(EPOCH_MS + minutes * 60 * SECOND, 1)
            facts = facts_of(fact(10 * GIGABIT))
            return assess(Run(samples_of(rows), facts, a_layout(1), (Rule(),), span, life=first.life))

        assert later(10).members.why_not[0, 0, 0] == WhyNot.SPEED_DOUBTFUL
        assert later(70).members.why_not[0, 0, 0] == WhyNot.ELIGIBLE

    def test_that_an_operator_set_is_believed(self):
        # 941.4 Mbit/s flat on a port that claims 10 G: 1,448 of the 1,538 octets of a full TCP frame at 1 Gbit/s.
        flat = [row(t, out_octets=941_400_000 * t // 8) for t in range(0, 361, 30)]
        doubted = assessed(flat, fact(10 * GIGABIT), windows=12)

        found = assessed(flat, fact(10 * GIGABIT), windows=12, speeds=np.array([GIGABIT]))

        assert [event.kind for event in doubted.events] == ["speed-doubtful"]
        assert "[[ports]] entry" in doubted.events[0].text
        assert "--speed DEVICE/PORT=BPS" in doubted.events[0].text
        assert found.members.utilisation[0, :, 0] == pytest.approx(np.full(12, 0.9414))
        assert found.events == ()
        assert [(finding.kind, finding.hot[0].speed_bps) for finding in found.findings] == [("hot-no-sibling", GIGABIT)]

    def test_that_an_operator_set_is_believed_though_it_was_doubted_just_before(self):
        flat = [row(t, out_octets=941_400_000 * t // 8) for t in range(0, 361, 30)]
        first = assessed(flat, fact(10 * GIGABIT), windows=6)
        span, speeds = Span(EPOCH_MS + 6 * WIDTH_MS, 6), np.array([GIGABIT])

        facts = facts_of(fact(10 * GIGABIT))
        found = assess(Run(samples_of(flat), facts, a_layout(1), (Rule(),), span, life=first.life, speeds=speeds))

        assert found.members.utilisation[0, :, 0] == pytest.approx(np.full(6, 0.9414))

    def test_that_an_operator_set_is_of_that_port_only(self):
        rows = [row(t, port, out_octets=500_000_000 * t // 8) for port in (0, 1) for t in range(0, 181, 30)]
        before = samples_of([row(-30, 1, out_octets=0)])

        found = assessed(rows, fact(10 * GIGABIT), windows=6, speeds=np.array([0, GIGABIT]), before=before)

        assert found.members.utilisation[:, 0, 0] == pytest.approx([0.05, 0.5])
        assert found.events == ()

    def test_is_doubted_in_runs_of_one_window(self):
        # 941 Mbit/s on a port that claims 10 G, window by window: the sixth gives it away.
        rows = [row(t, out_octets=941_400_000 * t // 8) for t in range(0, 241, 30)]
        life, doubted = None, []
        for window in range(8):
            span = Span(EPOCH_MS + window * WIDTH_MS, 1)
            found = assess(
                Run(samples_of(rows), facts_of(fact(10 * GIGABIT)), a_layout(1), (Rule(),), span, life=life, now_ms=0)
            )
            life = found.life
            doubted.append(bool(np.isnan(found.members.utilisation[0, 0, 0])))

        assert doubted == [False] * 5 + [True] * 3


def full_link(share, *, poll_s=10, windows=40, fine=False):
    """A link that is full on wire with frames of 1518 octets, read up to a second after the time that is told.

    Counted octets and 20 a frame: IEEE 802.3, RFC 3635. Where times are fine, they are those of the reading.
    """
    late = np.random.default_rng(1518).random(windows * 30 // poll_s + 1)
    rows = []
    for poll, jitter in enumerate(late.tolist()):
        frames = int(share * GIGABIT / 8 * (poll * poll_s + jitter) / 1538)
        at = poll * poll_s + (round(jitter, 3) if fine else 0)
        rows.append(row(at, 0, out_octets=1518 * frames, out_packets=frames))
        rows.append(row(at, 1, out_octets=1518 * frames // 50, out_packets=frames // 50))
    return rows


class TestFullLink:
    def test_keeps_its_figures_on_whole_seconds(self):
        found = assessed(full_link(1.0), windows=40)

        shown = found.members.utilisation[0, :, 0]
        assert shown.max() > 1.02
        assert shown == pytest.approx(np.ones(40), abs=1 / 30)
        assert found.events == ()
        assert [finding.kind for finding in found.findings] == ["uneven"]

    def test_keeps_its_figures_on_fine_stamps(self):
        found = assessed(full_link(1.0, fine=True), windows=40)

        # The last window lacks what the first reading after it would end.
        assert found.members.utilisation[0, :-1, 0] == pytest.approx(np.ones(39), abs=1e-3)
        assert found.events == ()

    @pytest.mark.parametrize("fine", [False, True])
    def test_of_more_than_it_can_carry_is_doubted(self, fine):
        # 100 % in counted octets, so that no interval is refused, and 106 % on wire with frames of 333 octets.
        rows = full_link(1.0, fine=fine)
        rows = [told | {"out_packets": told["out_octets"] // 333} for told in rows]

        found = assessed(rows, windows=40)

        assert np.isnan(found.members.utilisation[0, :, 0]).all()
        assert [(event.kind, event.port) for event in found.events] == [("speed-doubtful", "m1")]


class TestDown:
    @pytest.mark.parametrize("oper", [OperStatus.DOWN, OperStatus.LOWER_LAYER_DOWN, OperStatus.NOT_PRESENT])
    def test_member_is_no_sibling(self, oper):
        rows = [told | {"facts": told["port"]} for told in series([[0.82] * 3, [0.0] * 3])]

        found = assessed(rows, fact(), fact(oper=oper), windows=3)

        assert kinds(found) == ["hot-no-sibling"] * 3
        assert sorted(finding.kind for finding in found.findings) == ["degraded", "hot-no-sibling"]
