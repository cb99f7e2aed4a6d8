"""A finding with its explanation: whose it is, the evidence in order, harm from the end where it happens, severity."""

from __future__ import annotations

from dataclasses import replace

import pytest
from examples import a_layout
from rules.diagnoses.situations import a_situation, an_item, finding_of, windows
from scenarios.roads import assessed, series

from service.rules import evidence
from service.rules.diagnoses.assessed import with_explanations
from service.rules.diagnoses.capping import with_findings
from service.rules.diagnoses.explaining import HARM_UNKNOWN, carried, explained
from service.rules.findings import Told
from service.rules.situation import FarEnd
from service.terms import Evidence, MemberFigure, Rule, Severity

HOT, COLD = [0.9] * 4, [0.02] * 4


def inward(**more):
    told = windows([COLD, COLD], [HOT, COLD])
    finding = finding_of(told, "ingress", evidence=Evidence(missing=(HARM_UNKNOWN,)))
    return a_situation(told, finding=replace(finding, discard_ratio=None), **more)


class TestOwner:
    @pytest.mark.parametrize(
        ("method", "bundle", "owner"),
        [("layer4-tuple", "lacp", "network"), ("virtual-port", "none", "virtualisation"), ("ip-pair", "none", "both")],
    )
    def test_of_ingress_is_who_decides_it(self, method, bundle, owner):
        found = explained(inward(method=method, bundle=bundle))

        assert found.owner == owner
        assert found.decided_by

    def test_of_what_the_device_decides_is_who_is_told_to_own_it(self):
        assert explained(a_situation(windows([HOT, COLD]), owner_told="network")).owner == "network"

    def test_of_a_full_team_is_the_planner(self):
        told = windows([HOT, HOT])

        assert explained(a_situation(told, finding=finding_of(told, kind="full", family="capacity"))).owner == "planner"

    def test_of_a_member_that_nothing_comes_back_on_is_the_network(self):
        told = windows([HOT, COLD])
        finding = finding_of(told, family="build", kind="one-sided", hot=(MemberFigure("m2", 0.02, 10**9),))

        assert explained(a_situation(told, finding=finding, bundle="lacp")).owner == "network"


class TestHarm:
    def test_inward_is_unknown_without_the_far_end_port(self):
        found = explained(inward())

        assert found.discard_ratio is None
        assert HARM_UNKNOWN in found.evidence.missing

    def test_inward_is_what_the_far_end_port_dropped(self):
        # 481 of 2,406,481 packets are 2.0e-4 (arithmetic).
        far = (FarEnd("sw-1", "e1", 481 / 2_406_481), FarEnd("sw-1", "e2", 0.0))

        found = explained(inward(far_ends=far))

        assert found.discard_ratio == pytest.approx(2.0e-4, rel=1e-3)
        assert HARM_UNKNOWN not in found.evidence.missing
        assert any("far-end port sw-1 e1" in sign for sign in found.evidence.speaks_for)

    def test_outward_is_this_devices_own_count(self):
        told = windows([HOT, COLD])

        assert explained(a_situation(told, finding=finding_of(told, discard_ratio=1e-5))).discard_ratio == 1e-5

    def test_says_unknown_in_the_words_of_the_evidence(self):
        told = windows([COLD, COLD], [HOT, COLD])
        situation = a_situation(told, direction="ingress")

        assert HARM_UNKNOWN in evidence.of(situation.finding, situation.team, Rule()).missing


class TestEvidence:
    def test_of_the_diagnosis_comes_before_that_of_the_finding(self):
        told = windows([[0.0, 0.0, 0.4, 0.4, 0.8, 0.8], [0.01] * 6])
        finding = finding_of(
            told, evidence=Evidence(("m1 above 75 %",), ("no packets discarded",), ("method unknown",))
        )

        found = explained(a_situation(told, finding=finding))

        assert found.diagnosis == "two heavy items share m1 by luck of the draw"
        assert found.evidence.speaks_for[-1] == "m1 above 75 %"
        assert found.evidence.missing[0] == "flow records or virtual-port counters"

    def test_is_put_back_where_only_figures_are_new(self):
        told = windows([[0.0, 0.0, 0.4, 0.4, 0.8, 0.8], [0.01] * 6])
        situation = a_situation(told)
        found = explained(situation)

        later = carried(replace(found, evidence=situation.finding.evidence))

        assert later == found

    def test_explained_twice_is_the_same(self):
        situation = a_situation(windows([[0.0, 0.0, 0.4, 0.4, 0.8, 0.8], [0.01] * 6]))

        assert explained(situation) == explained(replace(situation, finding=explained(situation)))


class TestSeverity:
    def of(self, items, severity=Severity.MAJOR):
        told = windows([[0.0, 0.0, 0.985, 0.985], [0.02] * 4])
        return explained(a_situation(told, finding=finding_of(told, severity=severity), items=items)).severity

    def test_is_minor_at_most_where_one_conversation_is_alone(self):
        alone = (an_item("a", "m1", 970, "conversation"), an_item("b", "m1", 9, "conversation"))

        assert self.of(alone) == "minor"
        assert self.of(alone, Severity.WARNING) == "warning"

    def test_stays_where_two_share_the_member(self):
        assert self.of((an_item("a", "m1", 940, "conversation"), an_item("b", "m1", 45, "conversation"))) == "major"
        assert self.of((an_item("a", "m1", 500, "conversation"), an_item("b", "m1", 485, "conversation"))) == "major"


class TestSteps:
    """Whoever is held at minor is not told to be major."""

    def assessment(self, *steps):
        found = assessed(series([[0.92] * 4, [0.02] * 4]), windows=4)
        (finding,) = found.findings
        judged = replace(finding, severity=Severity.MAJOR)
        told = tuple(Told(finding.id, "severity", finding.updated_ms, text) for text in steps)
        return replace(found, findings=(judged,), steps=(*found.steps, *told)), judged

    def test_of_severity_go_where_nothing_changed(self):
        found, judged = self.assessment("minor, now major: m1")
        held = replace(judged, severity=Severity.MINOR)

        left = with_findings(found, (held,), {held.id: held})

        assert [step.what for step in left.steps] == ["raised"]

    def test_of_severity_say_what_it_is_held_at(self):
        found, judged = self.assessment("warning, now major: m1")
        held = replace(judged, severity=Severity.MINOR)

        left = with_findings(found, (held,), {held.id: replace(held, severity=Severity.WARNING)})

        assert [(step.what, step.text.split(":")[0]) for step in left.steps][1:] == [("severity", "warning, now minor")]

    def test_stay_where_severities_are_as_judged(self):
        found, judged = self.assessment("warning, now major: m1")

        assert with_findings(found, (judged,)).steps == found.steps


class TestAssessed:
    def test_explains_each_finding_from_its_own_windows(self):
        found = assessed(series([[0.0, 0.0, 0.4, 0.4, 0.8, 0.8, 0.8, 0.8], [0.01] * 8]), windows=8)

        (finding,) = with_explanations(found, a_layout(2), (Rule(),)).findings

        assert (finding.diagnosis, finding.confidence) == ("two heavy items share m1 by luck of the draw", "probable")
        assert finding.owner == "virtualisation"
        assert finding.advice
