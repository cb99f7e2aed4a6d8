"""What a finding says while it is open, and the evidence it rests on."""

from __future__ import annotations

import dataclasses

import pytest
from examples import EPOCH_MS, GIGABIT, a_finding, a_layout
from scenarios.roads import assessed, fact, octets_of, row, series

from service.rules import evidence
from service.terms import MemberFigure, OperStatus, Rule, TeamName

FRONT = TeamName("sm-07", "front")


def found_in(rows, *facts, windows, **more):
    (finding,) = assessed(rows, *facts, windows=windows, **more).findings
    return finding


def counted(members, **per_window):
    """Samples with packets and discards besides octets: discards by member, packets of 1,000 octets."""
    rows = []
    for port, values in enumerate(members):
        octets = packets = drops = 0
        rows.append(row(0, port, out_octets=0, out_packets=0, out_discards=0))
        for window, value in enumerate(values):
            octets += octets_of(value)
            packets += octets_of(value) // 1000
            drops += per_window.get("discards", {}).get(port, 0)
            rows.append(row((window + 1) * 30, port, out_octets=octets, out_packets=packets, out_discards=drops))
    return rows


class TestFinding:
    def test_shows_who_is_hot_who_is_idle_and_what_an_even_split_would_be(self):
        finding = found_in(series([[0.92] * 3, [0.02] * 3]), windows=3)

        assert [(m.port, m.utilisation) for m in finding.hot] == [("m1", pytest.approx(0.92))]
        assert [(m.port, m.utilisation) for m in finding.idle] == [("m2", pytest.approx(0.02))]
        assert finding.even_split == pytest.approx(0.47)
        assert finding.imbalance == pytest.approx(0.45)
        # 0.94 Gbit/s of which one member of 1 G carries 92 %: the team ends at 0.94 / 0.92.
        assert finding.usable_bps == pytest.approx(1_021_739_130, abs=1)
        assert finding.stranded_bps == pytest.approx(978_260_870, abs=1)
        assert finding.room_bps == pytest.approx(730_000_000, abs=1)

    def test_shows_members_that_do_not_count_and_why(self):
        rows = [told | {"facts": told["port"] // 2} for told in series([[0.92] * 3, [0.02] * 3, [0.0] * 3])]

        finding = assessed(rows, fact(), fact(oper=OperStatus.DOWN), windows=3).findings[0]

        assert [member.why_not for member in finding.members] == ["", "", "down"]

    def test_has_no_figure_of_a_member_that_is_unknown(self):
        rows = series([[0.92] * 3, [0.02] * 3])

        finding = found_in(rows, windows=3, layout=a_layout(3))

        assert finding.members[2] == MemberFigure("m3", None, 0, "no data")
        assert "m3: no data" in finding.evidence.missing

    def test_keeps_what_the_last_flagged_window_showed(self):
        finding = found_in(series([[0.92] * 3 + [0.80] + [0.1] * 3, [0.02] * 7]), windows=7)

        assert finding.hot[0].utilisation == pytest.approx(0.80)
        assert finding.peak == 0.92
        assert (finding.windows_seen, finding.windows_evaluable, finding.windows_flagged) == (7, 7, 4)

    def test_counts_windows_that_nobody_could_judge(self):
        rows = [told for told in series([[0.92] * 12, [0.02] * 12]) if not 90 < told["at"] - EPOCH_MS // 1000 < 270]

        finding = found_in(rows, windows=12)

        assert (finding.windows_seen, finding.windows_evaluable) == (12, 6)
        assert "6 of 12 windows without usable data" in finding.evidence.missing

    def test_tells_the_worst_discards_so_far(self):
        finding = found_in(counted([[0.92] * 4, [0.02] * 4], discards={0: 481}), windows=4)

        packets = octets_of(0.92) // 1000
        assert finding.discard_ratio == pytest.approx(481 / (481 + packets), rel=1e-5)

    def test_has_no_discards_where_nobody_counts_them(self):
        finding = found_in(series([[0.92] * 3, [0.02] * 3]), windows=3)

        assert finding.discard_ratio is None
        assert "discards not counted, so harm unknown" in finding.evidence.missing

    def test_of_ingress_never_takes_the_devices_own_discards_for_harm(self):
        rows = []
        for port, value in enumerate((0.92, 0.02)):
            per = octets_of(value)
            rows += [
                row(30 * w, port, in_octets=per * w, in_packets=per * w // 1000, in_discards=5000 * w) for w in range(4)
            ]

        finding = found_in(rows, windows=3)

        assert finding.direction == "ingress"
        assert finding.discard_ratio is None
        assert any("harm unknown: needs far-end port" in missing for missing in finding.evidence.missing)

    def test_says_that_it_is_uncertain_when_polls_straddle_the_windows(self):
        # Steady 80 %, polled in the middle of windows: each may have been 60 to 100 %.
        rows = [
            row(t, port, out_octets=octets_of(share, seconds=t + 15))
            for port, share in enumerate((0.8, 0.02))
            for t in range(-15, 136, 30)
        ]

        finding = found_in(rows, windows=4)

        assert finding.uncertain
        (against,) = (said for said in finding.evidence.against if "straddle" in said)
        # A third of a window of 30 s.
        assert against.endswith("poll at most every 10 s, on the edges")

    def test_stays_one_while_its_kind_changes(self):
        finding = found_in(series([[0.92] * 6, [0.02] * 3 + [0.35] * 3]), windows=6)

        assert finding.kind == "skewed"


class TestEvidence:
    def test_names_the_members_and_the_lines(self):
        told = evidence.of(dataclasses.replace(a_finding(), windows_flagged=3), FRONT, Rule())

        assert told.speaks_for == (
            "m1 above 75 %; seen in 3 of 3 windows",
            "m2 below 30 %",
            "evenly split all would be at 47 %",
        )
        assert told.against == ("no packets discarded",)
        assert told.missing == ("method and far-end bundle unknown",)

    def test_uses_the_lines_of_the_teams_rule(self):
        told = evidence.of(a_finding(), FRONT, Rule(hot_above=0.8, idle_below=0.125))

        assert told.speaks_for[0].startswith("m1 above 80 %")
        assert told.speaks_for[1] == "m2 below 12.5 %"

    def test_says_how_many_windows_did_not_show_it(self):
        finding = dataclasses.replace(a_finding(), windows_evaluable=12, windows_flagged=9)

        assert "3 of 12 windows did not show it" in evidence.of(finding, FRONT, Rule()).against

    def test_says_what_counted_octets_leave_out(self):
        told = evidence.of(dataclasses.replace(a_finding(), basis="counted"), FRONT, Rule())

        (missing,) = (said for said in told.missing if "packets not counted" in said)
        # 1538 / 1518 and 84 / 64 (IEEE 802.3, RFC 3635).
        assert "by 1.3 % in frames of 1,518 octets and 31 % in frames of 64" in missing
        assert missing.endswith("send packet counters")

    @pytest.mark.parametrize(
        ("method", "bundle", "missing"),
        [
            ("unknown", "", ("method and far-end bundle unknown",)),
            ("layer4-tuple", "", ("far-end bundle unknown",)),
            ("unknown", "lacp", ("method unknown",)),
            ("layer4-tuple", "none", ()),
        ],
    )
    def test_says_what_is_not_known_of_the_build(self, method, bundle, missing):
        told = evidence.of(a_finding(), TeamName("sm-07", "front", method, bundle), Rule())

        assert told.missing == missing


class TestFigures:
    def test_put_the_hot_beside_the_idle(self):
        assert evidence.figures(a_finding()) == "m1 at 92 %, m2 at 2 %"

    def test_put_the_hot_beside_all_others_where_none_is_idle(self):
        m1, m2 = MemberFigure("m1", 0.79, GIGABIT), MemberFigure("m2", None, GIGABIT, "no data")

        assert evidence.figures(a_finding(hot=(m1,), idle=(), members=(m1, m2))) == "m1 at 79 %, m2 no data"


class TestRuleNote:
    def test_is_empty_for_the_usual_rule(self):
        assert evidence.rule_note(Rule()) == ""

    def test_names_what_is_changed_by_whom_and_why(self):
        rule = Rule(raise_windows=5, raise_of=6, clear_windows=4, set_by="T. Haverly", because="of its bursts")

        assert evidence.rule_note(rule) == (
            "team rule: raised by 5 of 6 windows, cleared by 4 windows, set by T. Haverly because of its bursts"
        )


class TestTold:
    def test_steps_say_what_became_so(self):
        found = assessed(series([[0.92] * 3 + [0.1] * 10, [0.02] * 13]), windows=13)

        raised, cleared = found.steps
        assert raised.text == "raised as uneven, warning: m1 at 92 %, m2 at 2 %"
        assert cleared.text == "cleared, hot for 90 s, at most 92 % on m1"
        assert {raised.finding_id, cleared.finding_id} == {found.findings[0].id}

    def test_steps_name_the_kind_before_and_now(self):
        found = assessed(series([[0.92] * 6, [0.02] * 3 + [0.35] * 3]), windows=6)

        assert found.steps[-1].text == "uneven, now skewed: m1 at 92 %, m2 at 35 %"
