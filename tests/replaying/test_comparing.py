from examples import EPOCH_MS, a_finding

from service.replaying.comparing import compared
from service.terms import MemberFigure, Severity

MINUTE_MS = 60_000


def raised(at_min, minutes=30, **changes):
    """A finding that was raised and cleared; its id tells when."""
    at_ms = EPOCH_MS + at_min * MINUTE_MS
    end_ms = None if minutes is None else at_ms + minutes * MINUTE_MS
    return a_finding(**{"id": f"f{at_min}", "since_ms": at_ms, "raised_ms": at_ms, "cleared_ms": end_ms, **changes})


class TestCompared:
    def test_finds_nothing_where_all_are_the_same(self):
        found = compared([raised(0), raised(60)], [raised(0), raised(60)])

        assert (found.present, found.tried, found.same, found.differences) == (2, 2, 2, ())

    def test_lists_what_only_one_has_in_the_order_of_time(self):
        found = compared([raised(60), raised(0)], [raised(120)])

        assert [(one.what, one.one.id) for one in found.differences] == [
            ("only-present", "f0"),
            ("only-present", "f60"),
            ("only-tried", "f120"),
        ]

    def test_matches_what_was_open_at_one_time_and_names_what_differs(self):
        later = raised(2, 28, severity=Severity.MINOR, kind="skewed", hot=(MemberFigure("m2", 0.9, 10**9),))

        [found] = compared([raised(0)], [later]).differences

        assert (found.what, found.present.id, found.tried.id) == ("changed", "f0", "f2")
        assert found.fields == ("kind", "severity", "since", "raised", "hot")

    def test_matches_one_that_is_open_at_the_end(self):
        [found] = compared([raised(0, None)], [raised(50, 5)]).differences

        assert found.fields == ("since", "raised", "cleared")

    def test_matches_each_once(self):
        found = compared([raised(0, 100)], [raised(10, 20), raised(50, 20)])

        assert [one.what for one in found.differences] == ["changed", "only-tried"]

    def test_ends_are_exclusive(self):
        found = compared([raised(0, 30)], [raised(30, 30)])

        assert [one.what for one in found.differences] == ["only-present", "only-tried"]

    def test_keeps_teams_directions_and_families_apart(self):
        others = [raised(0, team="store"), raised(0, direction="ingress"), raised(0, family="capacity")]

        assert compared([raised(0)], others).same == 0
