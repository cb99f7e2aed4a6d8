import pytest
from rules.trials.planned import BEGIN_MS, MBPS, PLAIN, a_group, a_plan

from service.errors import WrongQuestion
from service.rules.trials.plan import LAST_MS, Group, Plan


class TestPlan:
    def test_knows_when_streams_begin_and_end(self):
        plan = a_plan(a_group(), a_group(end_s=300), a_group(begin_s=300))

        told = [((event.at_ms - BEGIN_MS) // 1000, event.begins, len(event.groups)) for event in plan.events]

        assert told == [(0, True, 2), (300, False, 1), (300, True, 1), (600, False, 2)]

    def test_finds_the_stretch_in_which_most_is_offered(self):
        plan = a_plan(a_group(2, begin_s=0, end_s=300), a_group(3, begin_s=200, end_s=500))

        assert plan.fullest() == (BEGIN_MS + 200_000, BEGIN_MS + 300_000)

    def test_reckons_what_is_offered_over_a_stretch(self):
        plan = a_plan(a_group(2, 100, begin_s=10, end_s=20))

        assert plan.offered_octets(BEGIN_MS, BEGIN_MS + 15_000) == pytest.approx(2 * 100 * MBPS / 8 * 5)

    @pytest.mark.parametrize(("length_s", "ok"), [(9, False), (10, True), (14_400, True), (14_401, False)])
    def test_lasts_ten_seconds_to_four_hours(self, length_s, ok):
        group = a_group(end_s=length_s)
        if ok:
            assert a_plan(group, end_s=length_s).groups == (group,)
            return
        with pytest.raises(WrongQuestion):
            a_plan(group, end_s=length_s)

    @pytest.mark.parametrize(
        "group",
        [a_group(0), a_group(mbps=0), a_group(begin_s=-1), a_group(end_s=601), a_group(begin_s=300, end_s=300)],
    )
    def test_refuses_streams_that_are_none(self, group):
        with pytest.raises(WrongQuestion):
            a_plan(group)

    def test_takes_512_streams_and_no_more(self):
        assert a_plan(a_group(512)).groups[0].count == 512
        with pytest.raises(WrongQuestion):
            a_plan(a_group(512), a_group(1))

    @pytest.mark.parametrize(
        ("begin_ms", "ok"), [(-1, False), (0, True), (LAST_MS - 10_001, True), (LAST_MS - 10_000, False)]
    )
    def test_lies_between_the_epoch_and_the_year_10000(self, begin_ms, ok):
        told = ("lab-07", "pair", "egress", (Group(1, 1.0, begin_ms, begin_ms + 10_000),), begin_ms, begin_ms + 10_000)
        if ok:
            assert Plan(*told, PLAIN).begin_ms == begin_ms
            return
        with pytest.raises(WrongQuestion):
            Plan(*told, PLAIN)

    @pytest.mark.parametrize("line", [0, 1.01])
    def test_refuses_a_line_that_is_no_share(self, line):
        with pytest.raises(WrongQuestion):
            a_plan(line=line)
