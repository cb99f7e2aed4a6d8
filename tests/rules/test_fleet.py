"""Many teams hot at the same position: one cause where luck would hardly do it."""

from dataclasses import replace

import pytest
from examples import a_finding
from scipy.stats import binomtest

from service.rules import fleet
from service.rules.fleet import Alike, HotTeam
from service.terms import MemberFigure, Severity

ALIKE = Alike("sw-u1", "layer4-tuple", "ingress", 2)


def a_team(number, position, **changes):
    figures = [MemberFigure("p1", 0.03, 10**9), MemberFigure("p2", 0.03, 10**9)]
    figures[position] = replace(figures[position], utilisation=0.83)
    told = {"hot": (figures[position],), "idle": (figures[1 - position],), "members": tuple(figures), **changes}
    finding = replace(a_finding(), id=f"f{number}", device=f"uw-{number:02}", direction="ingress", **told)
    return HotTeam(number, position, finding)


def teams(*positions):
    return [a_team(number + 1, position) for number, position in enumerate(positions)]


class TestChance:
    @pytest.mark.parametrize(("count", "of"), [(37, 40), (8, 8), (6, 8), (20, 40), (30, 40)])
    def test_of_two_positions_is_the_two_sided_binomial_test(self, count, of):
        # Oracle: scipy.stats.binomtest, two-sided. 37 of 40 are 1.9e-8, 8 of 8 0.0078, 6 of 8 0.289.
        assert fleet.chance(count, of, 2) == pytest.approx(min(1.0, binomtest(count, of).pvalue), rel=1e-9)

    def test_of_more_positions_counts_each_that_could_have_stood_out(self):
        # 8 of 8 at one of four: 4 * (1/4)^8 = 4^-7.
        assert fleet.chance(8, 8, 4) == pytest.approx(4**-7)


class TestPattern:
    def test_is_claimed_for_37_of_40(self):
        found = fleet.pattern(ALIKE, teams(*[0] * 37, *[1] * 3))

        assert found is not None
        assert found.p == pytest.approx(1.9e-8, rel=0.03)
        assert (len(found.parts), found.others, found.position) == (37, 3, 0)

    def test_is_not_claimed_for_6_of_8(self):
        assert fleet.pattern(ALIKE, teams(*[0] * 6, *[1] * 2)) is None

    def test_is_not_claimed_of_fewer_than_eight_teams_however_alike(self):
        assert fleet.pattern(ALIKE, teams(*[1] * 7)) is None

    def test_is_claimed_for_8_of_8(self):
        found = fleet.pattern(ALIKE, teams(*[1] * 8))

        assert found is not None
        assert found.p == pytest.approx(0.0078, abs=5e-5)


class TestPositionOf:
    def test_is_that_of_the_hottest_member(self):
        assert fleet.position_of(a_team(1, 1).finding) == 1

    def test_is_nothing_where_no_member_is_known_to_be_hot(self):
        assert fleet.position_of(replace(a_team(1, 1).finding, hot=())) is None


class TestRaised:
    @pytest.fixture
    def finding(self):
        some = [*teams(*[0] * 8), a_team(9, 0, peak=0.95)]
        some[2] = some[2]._replace(finding=replace(some[2].finding, severity=Severity.MINOR))
        found = fleet.pattern(ALIKE, some)
        return fleet.raised(found, 1_000_000, "network", "the far end chooses")

    def test_is_about_the_far_end_and_names_every_team(self, finding):
        assert (finding.device, finding.team, finding.direction, finding.kind) == (
            "sw-u1",
            "front",
            "ingress",
            "fleet-pattern",
        )
        assert finding.teams == tuple(f"uw-{number:02}/front" for number in range(1, 10))

    def test_shows_the_positions_at_their_mean(self, finding):
        assert [(m.port, m.utilisation) for m in finding.members] == [
            ("position 1", pytest.approx(0.83)),
            ("position 2", pytest.approx(0.03)),
        ]
        assert finding.hot == finding.members[:1]

    def test_is_as_grave_and_as_high_as_the_worst_of_its_teams(self, finding):
        assert (finding.severity, finding.peak) == (Severity.MINOR, 0.95)

    def test_says_what_speaks_for_it_and_what_is_missing(self, finding):
        assert finding.diagnosis == (
            "position 1 is hot in 9 of 9 teams toward sw-u1 (by luck p = 0.0039): one cause, not many"
        )
        assert finding.confidence == "probable"
        assert "what the far end hashes" in finding.evidence.missing

    def test_is_several_where_the_teams_have_different_names(self):
        some = teams(*[0] * 8)
        some[0] = some[0]._replace(finding=replace(some[0].finding, team="store"))

        assert fleet.raised(fleet.pattern(ALIKE, some), 1, "network", "").team == "several"

    def test_keeps_a_team_that_has_cooled_in_its_list(self, finding):
        later = fleet.with_parts(finding, fleet.pattern(ALIKE, teams(*[0] * 8)), 2_000_000)

        assert len(later.teams) == 9
        assert later.peak == 0.95
