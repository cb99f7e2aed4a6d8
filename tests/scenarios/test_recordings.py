"""What a real kernel's counters must give, against what was sent when they were recorded."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from service.commands.judged import span_of
from service.feeds import counter_file
from service.rules.assess import Run, assess
from service.rules.diagnoses.assessed import with_explanations
from service.rules.layouts import layout_of
from service.terms import EGRESS, Basis, Rule, Severity, Status

RECORDINGS = Path(__file__).parent / "recordings"
SPEED_BPS = 20_000_000
# Octets of a frame on the wire besides those counted here, which leave the check sequence out.
PER_FRAME = 24


@cache
def assessed(name):
    parsed = counter_file.read(RECORDINGS / f"{name}.csv")
    layout, _ = layout_of(parsed.ports)
    span = span_of(parsed.samples, 30_000)
    rules = (Rule(),) * len(layout.teams)
    return assess(Run(parsed.samples, parsed.facts, layout, rules, span, now_ms=int(parsed.samples.at_ms.max())))


def a_layout_of(name):
    return layout_of(counter_file.read(RECORDINGS / f"{name}.csv").ports)[0]


def truth_of(name):
    return json.loads((RECORDINGS / f"{name}.truth.json").read_text())


def changed_ms(name):
    (change,) = truth_of(name)["changes"]
    return round(change["ts"] * 1000)


def counted(found, port, *, until_ms=None, from_ms=None):
    """Counted utilisations of a port's intervals that end by, or start from, an instant."""
    told = found.intervals
    rows = (told.port == port) & (told.status[:, EGRESS] == Status.OK)
    if until_ms is not None:
        rows &= told.end_ms <= until_ms
    if from_ms is not None:
        rows &= told.start_ms >= from_ms
    seconds = (told.end_ms[rows] - told.start_ms[rows]) / 1000
    return 8 * told.octets[rows, EGRESS] / (SPEED_BPS * seconds)


def busiest_at(found, at_ms):
    window = (at_ms - found.teams.span.first_ms) // found.teams.span.width_ms
    return int(found.teams.busiest[0, window, EGRESS])


class TestRehash:
    """Before the change about 125 % was offered to p1: the counter ends at 98.4 %, only discards tell of the rest."""

    @pytest.mark.parametrize(("port", "before", "after"), [(0, 0.9830, 0.5761), (1, 0.0249, 0.7083)])
    def test_measures_what_was_sent(self, port, before, after):
        found = assessed("rehash")
        change = changed_ms("rehash")

        assert counted(found, port, until_ms=change).mean() == pytest.approx(before, abs=5e-4)
        assert counted(found, port, from_ms=change).mean() == pytest.approx(after, abs=5e-4)

    def test_is_full_on_wire_before_the_change(self):
        found = assessed("rehash")
        change = changed_ms("rehash")
        whole = (change - found.teams.span.first_ms) // found.teams.span.width_ms
        on_wire = found.members.utilisation[0, 1 : whole - 1, EGRESS]

        assert (found.members.basis[0, 1 : whole - 1, EGRESS] == Basis.WIRE).all()
        assert on_wire.mean() == pytest.approx(1.0, abs=0.005)

    def test_raises_one_finding_on_p1(self):
        found = assessed("rehash")
        (finding,) = found.findings

        assert (finding.kind, finding.direction, finding.peak_port) == ("uneven", "egress", "p1")
        assert [member.port for member in finding.hot] == ["p1"]
        assert [member.port for member in finding.idle] == ["p2"]
        assert [step.what for step in found.steps] == ["raised"]

    def test_tells_of_the_drops_as_harm(self):
        found = assessed("rehash")
        # 533 discards a second beside some 1,622 frames that fit: one in four offered is dropped.
        (finding,) = found.findings
        seconds = truth_of("rehash")["interval_s"]

        assert seconds == 5.0
        assert finding.severity == Severity.MINOR
        assert finding.discard_ratio == pytest.approx(533 / (533 + 0.983 * SPEED_BPS / 8 / 1514), abs=0.02)

    def test_is_not_hot_after_the_change(self):
        found = assessed("rehash")
        after = changed_ms("rehash") + 30_000
        window = (after - found.teams.span.first_ms) // found.teams.span.width_ms + 1

        assert not found.teams.hot[0, window:, EGRESS].any()


class TestSplit70:
    @pytest.mark.parametrize(("port", "mean"), [(0, 0.5588), (1, 0.2385)])
    def test_measures_what_was_sent(self, port, mean):
        found = assessed("split70")
        assert counted(found, port).mean() == pytest.approx(mean, abs=5e-4)

    def test_is_calm(self):
        found = assessed("split70")
        assert found.findings == ()
        assert not found.teams.hot.any()

    def test_has_a_share_of_70_to_30(self):
        found = assessed("split70")
        assert np.nanmean(found.teams.busiest_share[0, :, EGRESS]) == pytest.approx(0.701, abs=0.003)


class TestElephant:
    @pytest.mark.parametrize(("port", "before", "after"), [(0, 0.8753, 0.0251), (1, 0.0250, 0.8739)])
    def test_measures_what_was_sent(self, port, before, after):
        found = assessed("elephant")
        change = changed_ms("elephant")

        assert counted(found, port, until_ms=change).mean() == pytest.approx(before, abs=5e-4)
        assert counted(found, port, from_ms=change).mean() == pytest.approx(after, abs=5e-4)

    def test_moves_to_the_other_member_and_stays_one_finding(self):
        found = assessed("elephant")
        (finding,) = found.findings
        change = changed_ms("elephant")

        assert finding.kind == "uneven"
        assert busiest_at(found, change - 60_000) == 0
        assert busiest_at(found, change + 60_000) == 1
        assert [member.port for member in finding.hot] == ["p2"]
        # Two frames were dropped in all, more than one in a million: harm, if little.
        assert [step.what for step in found.steps] == ["raised", "severity"]

    def test_is_one_conversation_as_sure_as_counters_make_it(self):
        found = assessed("elephant")

        (finding,) = with_explanations(found, a_layout_of("elephant"), (Rule(),)).findings

        assert (finding.diagnoses[0].name, finding.confidence) == ("one-conversation", "probable")
        # Frames of 1,400 octets of payload with 42 of headers and 4 of check sequence.
        assert any("1,44" in sign for sign in finding.evidence.speaks_for)
        assert finding.advice.startswith("No method helps")


def test_three_that_collide_from_the_first_window_on_are_not_called_one():
    found = assessed("rehash")

    (finding,) = with_explanations(found, a_layout_of("rehash"), (Rule(),)).findings

    assert "one-conversation" not in {one.name for one in finding.diagnoses}


@pytest.mark.parametrize("name", ["rehash", "split70", "elephant"])
def test_recordings_have_no_data_events(name):
    assert assessed(name).events == ()
