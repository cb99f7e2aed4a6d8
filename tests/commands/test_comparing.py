import json
import random
from datetime import UTC, datetime, timedelta

import pytest

from service.commands import comparing

GIGABIT = 1_000_000_000
HEADER = "time,device,port,team,speed_bps,counts,oper_status,out_octets,in_octets,out_packets,in_packets,out_discards"
CHANGE = datetime(2026, 11, 26, 22, 10, tzinfo=UTC)
HOURS = 2


def night(before, first, *, device="bw-04", counters=None, dropped=0):
    """Two hours of a backup from 22:00 on: what each member carries of 1 Gbit/s, give or take a little."""
    rng = random.Random(first.isoformat())
    counters = counters if counters is not None else [[0, 0, 0], [0, 0, 0]]
    lines = []
    for step in range(HOURS * 120 + 1):
        at = first + timedelta(seconds=30 * step)
        for member, (share, held) in enumerate(zip(before(at), counters, strict=True)):
            told = ",".join(map(str, (held[0], 6000 * step, held[1], 100 * step, held[2])))
            lines.append(f"{at:%Y-%m-%dT%H:%M:%SZ},{device},m{member + 1},backup,{GIGABIT},frame,up,{told}")
            frames = round((share + rng.uniform(-0.01, 0.01)) * GIGABIT / 8 / 1250 * 30)
            held[0] += 1230 * frames
            held[1] += frames
            held[2] += dropped if at >= CHANGE else 0
    return lines


def nights(after, *, device="bw-04", dropped=0, first=(0.90, 0.06)):
    """Wednesday's and Thursday's two hours; what changes on Thursday at 22:10 is `after`."""
    counters = [[0, 0, 0], [0, 0, 0]]
    lines = []
    for day in (25, 26):
        start = datetime(2026, 11, day, 22, tzinfo=UTC)
        lines += night(
            lambda at: first if at < CHANGE else after, start, device=device, counters=counters, dropped=dropped
        )
    return lines


@pytest.fixture
def file_of(tmp_path):
    def written(lines, name="week.csv"):
        file = tmp_path / name
        file.write_text("\n".join([HEADER, *lines]) + "\n")
        return file

    return written


@pytest.fixture
def compare(lopside):
    def run(*arguments, change="2026-11-26T22:10:00Z"):
        return lopside("compare", *arguments, "--change", change)

    return run


class TestCompare:
    def test_says_what_came_of_a_change(self, file_of, compare):
        done = compare(file_of(nights((0.50, 0.46))))

        assert done.exit_code == 0
        assert "before (2026-11-25): 2026-11-25T22:15:00Z to 2026-11-26T00:00:00Z" in done.output
        assert "bw-04, team backup, egress: evened out\n" in done.output
        assert "bw-04, team backup, ingress: the even split never reached 10 %" in done.output
        assert "Advice only." in done.output

    def test_ends_with_1_where_something_got_worse(self, file_of, compare):
        done = compare(file_of(nights((0.50, 0.46), dropped=500)))

        assert done.exit_code == comparing.WORSE
        assert "bw-04, team backup, egress: worse, with harm" in done.output
        assert "consider backing the change out" in done.output

    def test_tells_programs_the_same(self, file_of, compare):
        found = json.loads(compare(file_of(nights((0.06, 0.90))), "--json").output)

        egress = found["verdicts"][0]
        assert (egress["device"], egress["team"], egress["direction"]) == ("bw-04", "backup", "egress")
        assert egress["outcome"] == "moved"
        assert (egress["before"]["hot_port"], egress["after"]["hot_port"]) == ("m1", "m2")
        assert egress["low"] < egress["difference"] < egress["high"]
        assert found["before_dates"] == ["2026-11-25"]
        assert found["fleet"]["counts"]["moved"] == 1

    def test_is_not_fooled_by_a_quieter_night(self, file_of, compare):
        done = compare(file_of(nights((0.09, 0.006))))

        assert "egress: cannot tell\n  load not comparable: 0.10 times" in done.output

    def test_takes_hours_that_are_named(self, file_of, compare):
        hours = (
            "--before",
            "2026-11-26T22:00:00Z/2026-11-26T22:08:00Z",
            "--after",
            "2026-11-26T22:20:00Z/2026-11-27T00:00:00Z",
        )

        done = compare(file_of(nights((0.50, 0.46))), *hours, "--settle", "3m")

        # Of the eight minutes, what lies within three of the change is left out.
        assert "before: 2026-11-26T22:00:00Z to 2026-11-26T22:07:00Z" in done.output
        assert "after: 2026-11-26T22:20:00Z to 2026-11-27T00:00:00Z" in done.output

    def test_compares_many_teams_and_says_what_luck_would_do(self, file_of, compare):
        files = [file_of(nights((0.50, 0.46), device=f"bw-{number:02}"), f"{number}.csv") for number in range(2)]

        done = compare(*files)

        assert "2 of 2 better, luck alone would make 1 better" in done.output
        assert "too few to judge the method" in " ".join(done.output.split())

    def test_reads_the_clock_on_the_wall(self, file_of, compare):
        done = compare(file_of(nights((0.50, 0.46))), "--zone", "Europe/Paris", change="2026-11-26T23:10:00")

        assert "Changed 2026-11-26T22:10:00Z" in done.output
        assert "egress: evened out" in done.output


class TestRefusals:
    @pytest.mark.parametrize(
        ("arguments", "change", "said"),
        [
            ((), "yesterday", "'yesterday' is no instant"),
            (("--settle", "soon"), "2026-11-26T22:10:00Z", "'soon' is not like 5m"),
            (("--before", "2026-11-26T22:10:00Z"), "2026-11-26T22:10:00Z", "is not FROM/TO"),
            (("--after", "2026-11-27T00:00:00Z/2026-11-26T00:00:00Z"), "2026-11-26T22:10:00Z", "ends before it begins"),
        ],
    )
    def test_say_what_is_wrong(self, file_of, compare, arguments, change, said):
        done = compare(file_of(nights((0.5, 0.46))[:8]), *arguments, change=change)

        assert done.exit_code == 2
        assert said in " ".join(done.output.split())

    @pytest.mark.parametrize(
        ("change", "side"), [("2026-11-20T22:10:00Z", "before"), ("2026-11-28T22:10:00Z", "after")]
    )
    def test_name_the_side_of_which_the_files_hold_nothing(self, file_of, compare, change, side):
        done = compare(file_of(nights((0.5, 0.46))), change=change)

        assert done.exit_code == 2
        assert f"no sample lies in the hours {side} the change" in done.output
