from service.rules.weekly.stranding import Stranded, ranked

HOUR = 3600


def stranded(team_id, gbps, hours):
    return Stranded(team_id, 0, gbps * 1e9 * hours * HOUR, hours * HOUR)


class TestRanked:
    def test_puts_much_for_a_while_before_little_for_long(self):
        first, second = ranked([stranded(2, 0.6, 40), stranded(1, 5.71, 6)])

        # By hand: 5.71 x 6 = 34.26, 0.6 x 40 = 24.
        assert (first.team_id, round(first.gbit_hours, 2)) == (1, 34.26)
        assert (second.team_id, round(second.gbit_hours, 2)) == (2, 24.0)

    def test_leaves_out_an_idle_team(self):
        assert ranked([stranded(11, 0.0, 168)]) == ()

    def test_keeps_what_is_at_the_floor_and_not_what_is_just_under(self):
        assert [team.team_id for team in ranked([stranded(1, 1.0, 1), stranded(2, 0.999, 1)])] == [1]

    def test_says_the_same_whatever_the_order(self):
        teams = [stranded(3, 2, 2), stranded(1, 2, 2), stranded(2, 2, 2)]

        assert ranked(teams) == ranked(teams[::-1])
