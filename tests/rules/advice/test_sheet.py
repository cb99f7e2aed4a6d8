"""Change sheets: eight headings in plain words, with nothing that a machine would carry out."""

from __future__ import annotations

import pytest
from advice_examples import BROKEN, a_situation

from service.errors import NoSheet, NotFound
from service.rules.advice import written
from service.rules.advice.advising import advised
from service.rules.advice.cautions import CAUTIONS
from service.rules.advice.sheet import sheet
from service.terms import MemberFigure, Sure
from service.terms.diagnosed import Diagnosis

HEADINGS = (
    "Why",
    "Owners",
    "Prerequisites at both ends",
    "Order of steps",
    "Expected effect and odds",
    "How to back out",
    "When to stop",
    "Cautions",
)
FROM_A_BUNDLE = {"method": "ip-pair", "bundle": "lacp"}
DOWN = (MemberFigure("m1", 0.92, 10**9), MemberFigure("m2", None, 10**9, "down"))
CASES = {
    "virtual-port": {},
    "source-mac": {},
    "load-aware": {},
    "ip-pair": FROM_A_BUNDLE,
    "layer4-tuple": FROM_A_BUNDLE,
    "far-end": {**FROM_A_BUNDLE, "direction": "ingress"},
    "add-capacity": {},
    "mend": {"finding": {"members": DOWN}},
}


def sheet_of(option, **told):
    situation = a_situation(**told)
    return sheet(advised(situation), option, situation)


def lines_of(found, heading):
    return next(section.lines for section in found.sections if section.heading == heading)


class TestSheet:
    @pytest.mark.parametrize("option", CASES)
    def test_has_eight_headings_and_something_under_each(self, option):
        found = sheet_of(option, **CASES[option])

        assert tuple(section.heading for section in found.sections) == HEADINGS
        assert all(section.lines for section in found.sections)

    @pytest.mark.parametrize("option", CASES)
    def test_names_both_owners_and_who_does_each_step(self, option):
        found = sheet_of(option, **CASES[option])

        owners = "\n".join(lines_of(found, "Owners"))
        assert "Virtualisation, for the host's end" in owners
        assert "Network, for the far end" in owners
        for step in lines_of(found, "Order of steps"):
            assert step.split(". ", 1)[1].split(":")[0] in {"Both", "Virtualisation", "Network", "Whoever did it"}

    def test_says_when_to_back_out(self):
        told = "member loss or discards above 1e-4 for 2 windows"

        for heading in ("How to back out", "When to stop"):
            assert any(told in line for line in lines_of(sheet_of("virtual-port"), heading))

    def test_asks_for_what_is_not_known(self):
        told = lines_of(sheet_of("virtual-port", bundle=""), "Prerequisites at both ends")

        assert "[ ] Not known, find out first: whether the far end bundles these ports" in told

    def test_prints_every_caution(self):
        assert lines_of(sheet_of("load-aware"), "Cautions") == CAUTIONS

    @pytest.mark.parametrize(
        ("option", "told", "why"),
        [
            ("layer4-tuple", {}, "needs a matching bundle"),
            ("virtual-port", FROM_A_BUNDLE, "must not face a bundle"),
            ("load-aware", {"why_not": (0, BROKEN)}, "mend m2 first"),
            ("add-capacity", {"why_not": (0, BROKEN)}, "mend m2 first"),
            ("leave", {}, "it changes nothing"),
            ("active-standby", {}, "it would not help"),
            ("layer4-tuple", {**FROM_A_BUNDLE, "direction": "ingress"}, "it would not help"),
            ("mend", {}, "it changes nothing"),
        ],
    )
    def test_is_refused_for_what_must_not_be_done_or_is_in_vain(self, option, told, why):
        with pytest.raises(NoSheet, match=why):
            sheet_of(option, **told)

    def test_is_of_an_option_that_there_is(self):
        with pytest.raises(NotFound):
            sheet_of("magic")

    def test_repeats_what_explains_the_finding(self):
        one = Diagnosis("collision", Sure.SHOWN, "two heavy virtual ports share m1", ("m1",))

        found = sheet_of("virtual-port", finding={"diagnoses": (one,)})

        assert "two heavy virtual ports share m1 (shown)." in lines_of(found, "Why")


class TestWritten:
    def test_sheet_has_each_heading_once_and_in_order(self):
        told = written.of_sheet(sheet_of("virtual-port")).splitlines()

        assert [line for line in told if line in HEADINGS] == list(HEADINGS)

    def test_advice_tells_each_option_and_why_one_is_refused(self):
        advice = advised(a_situation())
        told = written.of_advice(advice, "sm-07, team front")

        assert told.splitlines()[:2] == ["sm-07, team front", advice.line]
        for option in advice.options:
            assert f"({option.name})" in told
            assert not option.refused or f"Refused: {option.refused}." in told
        assert all(caution in told for caution in CAUTIONS)
