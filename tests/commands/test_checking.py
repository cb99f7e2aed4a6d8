import io
import json
import random
import sys
from datetime import UTC, datetime, timedelta

import pytest

from service.commands import checking

GIGABIT = 1_000_000_000
START = datetime(2026, 11, 25, 2, 0, tzinfo=UTC)
HEADER = "time,device,port,team,speed_bps,counts,oper_status,out_octets,in_octets,out_packets,in_packets,out_discards"

INTERVAL = {"device", "port", "direction", "start", "end", "octets", "seconds", "status", "flags"}
WINDOW = {"device", "team", "direction", "start", "kind", "evaluable", "even_split", "imbalance", "busiest_share"}
MEMBER = {"port", "utilisation", "lower", "upper", "coverage", "basis", "eligible", "why_not", "flags"}
FINDING = {
    "device",
    "team",
    "direction",
    "kind",
    "severity",
    "raised_at",
    "cleared_at",
    "hot",
    "idle",
    "peak",
    "even_split",
    "stranded_bps",
    "owner",
    "diagnosis",
    "confidence",
    "evidence",
    "text",
}


def rows(seconds, shares, *, device="sm-07", team="front", step_s=15):
    """Readings of a team whose members carry constant shares of 1 Gbit/s on the wire, in frames of 1230 octets."""
    told = []
    for n in range(seconds // step_s + 1):
        at = (START + timedelta(seconds=n * step_s)).strftime("%Y-%m-%dT%H:%M:%SZ")
        for port, share in shares.items():
            frames = round(share * GIGABIT / 8 / 1250 * n * step_s)
            counters = f"{frames * 1230},{n * 6000},{frames},{n * 100},0"
            told.append(f"{at},{device},{port},{team},{GIGABIT},frame,up,{counters}")
    return told


UNEVEN = rows(600, {"m1": 0.92, "m2": 0.02})
CALM = rows(600, {"m1": 0.5, "m2": 0.3})


@pytest.fixture
def file_of(tmp_path):
    def written(lines, header=HEADER, name="day.csv"):
        file = tmp_path / name
        file.write_text("\n".join([header, *lines]) + "\n")
        return file

    return written


@pytest.fixture
def checked(lopside, file_of):
    """The JSON object of a check, and its exit status."""

    def run(lines, *options, header=HEADER):
        told = lopside("check", "--json", *options, file_of(lines, header))
        return strict(told.stdout), told.exit_code

    return run


def strict(text):
    def refuse(constant):
        raise AssertionError(f"{constant} is not JSON")

    return json.loads(text, parse_constant=refuse)


class TestExitStatus:
    @pytest.mark.parametrize(("lines", "status"), [(UNEVEN, 1), (CALM, 0)], ids=["raised", "nothing raised"])
    def test_says_whether_anything_was_raised(self, lopside, file_of, lines, status):
        assert lopside("check", file_of(lines)).exit_code == status

    @pytest.mark.parametrize(
        ("header", "lines"),
        [
            ("", []),
            (HEADER, []),
            (HEADER, ["nonsense"]),
            (HEADER + ",colour", [line + ",red" for line in CALM]),
            (HEADER.replace("team,", ""), ["x"]),
        ],
        ids=["empty", "header only", "no line of use", "an unknown column", "a line of another width"],
    )
    def test_is_2_with_a_reason_where_the_input_cannot_be_used(self, lopside, file_of, header, lines):
        told = lopside("check", file_of(lines, header))

        assert (told.exit_code, told.stdout) == (2, "")
        assert told.stderr.startswith("lopside: ")

    def test_is_2_for_a_file_that_is_not_there(self, lopside, tmp_path):
        assert lopside("check", tmp_path / "none.csv").exit_code == 2

    def test_does_not_mind_a_line_that_is_wrong_beside_good_ones(self, lopside, file_of):
        told = lopside("check", file_of([*CALM[:10], "x,y", *CALM[10:]]))

        assert told.exit_code == 0
        assert "line 12" in told.stderr

    def test_shows_no_more_rejects_than_anybody_reads(self, lopside, file_of):
        told = lopside("check", file_of([*CALM, *["x,y"] * 1005]))

        assert len(told.stderr.splitlines()) == 1001
        assert told.stderr.splitlines()[-1] == "and 5 more"

    def test_is_2_where_one_clock_was_not_set(self, lopside, file_of):
        lines = [CALM[0].replace("2026-11-25", "2021-01-01"), *CALM]

        told = lopside("check", file_of(lines))

        assert told.exit_code == 2
        assert "2021-01-01 and 2026-11-25" in told.stderr


class TestJson:
    def test_has_the_documented_parts_and_fields(self, checked):
        told, _ = checked(UNEVEN)

        assert set(told) == {"settings", "windows", "intervals", "findings", "events", "summary"}
        assert set(told["intervals"][0]) == INTERVAL
        assert set(told["windows"][0]) == WINDOW | {"members"}
        assert set(told["windows"][0]["members"][0]) == MEMBER
        assert set(told["findings"][0]) >= FINDING
        assert set(told["findings"][0]["evidence"]) == {"for", "against", "missing"}

    def test_tells_the_one_finding(self, checked):
        told, status = checked(UNEVEN)

        [finding] = told["findings"]
        assert status == 1
        assert (finding["device"], finding["team"], finding["direction"]) == ("sm-07", "front", "egress")
        assert (finding["kind"], finding["cleared_at"]) == ("uneven", None)
        # 3 of 4 windows of 30 s from 02:00:00: raised when the third has ended.
        assert finding["raised_at"] == "2026-11-25T02:01:30Z"
        assert finding["peak"] == pytest.approx(0.92, abs=1e-6)
        assert finding["even_split"] == pytest.approx(0.47, abs=1e-6)
        assert [member["port"] for member in finding["hot"]] == ["m1"]
        assert [member["port"] for member in finding["idle"]] == ["m2"]
        assert finding["text"].startswith("sm-07, team front, egress: member m1 at 92 %")

    def test_tells_every_window_of_both_directions(self, checked):
        told, _ = checked(UNEVEN)

        egress = [window for window in told["windows"] if window["direction"] == "egress"]
        assert len(egress) == 20
        assert len(told["windows"]) == 40
        assert {window["kind"] for window in egress} == {"uneven"}
        assert all(window["evaluable"] for window in egress)
        assert [member["utilisation"] for member in egress[0]["members"]] == pytest.approx([0.92, 0.02], abs=1e-6)
        assert {member["basis"] for window in egress for member in window["members"]} == {"wire"}

    def test_tells_intervals_in_whole_octets(self, checked):
        told, _ = checked(UNEVEN)

        first = next(i for i in told["intervals"] if (i["port"], i["direction"]) == ("m1", "egress"))
        assert (first["start"], first["end"]) == ("2026-11-25T02:00:00Z", "2026-11-25T02:00:15Z")
        assert first["octets"] == 1_380_000 * 1230
        assert (first["seconds"], first["status"], first["flags"]) == (15, "ok", [])

    def test_writes_null_for_what_is_unknown(self, checked):
        silent = [line for line in UNEVEN if ",m1," in line or line < "2026-11-25T02:05"]

        told, _ = checked(silent)

        last = [window for window in told["windows"] if window["direction"] == "egress"][-1]
        missing = next(member for member in last["members"] if member["port"] == "m2")
        assert (missing["utilisation"], missing["eligible"], missing["why_not"]) == (None, False, "no data")
        assert last["evaluable"] is False

    def test_lists_the_rates_that_a_narrow_counter_allows(self, checked):
        # 32 bits, 1e9 to 2e9 octets in 60 s: 8e9 / 60 or 8 (1e9 + 2^32) / 60 bit/s, both below 1 Gbit/s.
        header = "time,device,port,team,speed_bps,counter_bits,out_octets"
        lines = ["0,a,p,t,1000000000,32,1000000000", "60,a,p,t,1000000000,32,2000000000"]
        lines = [f"{1_795_600_800 + int(line.split(',')[0])},{line.split(',', 1)[1]}" for line in lines]

        told, _ = checked(lines, header=header)

        [interval] = [one for one in told["intervals"] if one["direction"] == "egress"]
        assert (interval["status"], interval["octets"]) == ("ambiguous", None)
        assert interval["candidates_bps"] == [133_333_333, 705_995_639]

    def test_names_rejected_lines_in_the_summary(self, checked):
        told, _ = checked(["noon" + CALM[0][20:], *CALM])

        [rejected] = told["summary"]["rejected"]
        assert (rejected["line"], rejected["column"], rejected["value"]) == (2, "time", "noon")
        assert rejected["file"].endswith("day.csv")
        assert told["summary"]["samples"] == len(CALM)

    def test_says_under_which_settings(self, checked):
        told, _ = checked(CALM, "--rule", "hot_above=0.8", "--zone", "Europe/Lisbon")

        assert told["settings"]["rule"]["hot_above"] == 0.8
        assert told["settings"]["rule"]["clear_below"] == 0.7
        assert told["settings"]["zone"] == "Europe/Lisbon"

    def test_says_of_a_window_that_it_is_uncertain(self, checked):
        # Polls at 0, 20 and 40 s: 64 % in the first window, and from 50.7 to 77.3 % as the octets may have lain.
        lines = [
            f"{(START + timedelta(seconds=t)).strftime('%Y-%m-%dT%H:%M:%SZ')},sm-07,m1,front,{GIGABIT},frame,up,"
            f"{octets},0,,,"
            for t, octets in ((0, 0), (20, 1_900_000_000), (40, 2_900_000_000))
        ]

        told, _ = checked(lines)

        egress, ingress = (window["members"][0] for window in told["windows"][:2])
        assert [egress[name] for name in ("utilisation", "lower", "upper")] == pytest.approx(
            [0.64, 0.507, 0.773], abs=5e-4
        )
        assert egress["flags"] == ["uncertain"]
        assert ingress["flags"] == []

    def test_believes_a_speed_that_was_given(self, checked):
        # 941.4 Mbit/s flat on a port that claims 10 G: a full link of 1 Gbit/s.
        lines = [
            f"{(START + timedelta(seconds=t)).strftime('%Y-%m-%dT%H:%M:%SZ')},sm-07,m1,front,{10 * GIGABIT},frame,up,"
            f"{941_400_000 * t // 8},0,,,"
            for t in range(0, 361, 30)
        ]

        doubted, nothing_raised = checked(lines)
        told, raised = checked(lines, "--speed", "sm-07/m1=1000000000")

        assert (nothing_raised, raised) == (0, 1)
        assert [event["kind"] for event in doubted["events"]] == ["speed-doubtful"]
        assert (doubted["settings"]["speeds"], told["settings"]["speeds"]) == ({}, {"sm-07/m1": GIGABIT})
        assert told["events"] == []
        egress = [window["members"][0]["utilisation"] for window in told["windows"] if window["direction"] == "egress"]
        assert egress == pytest.approx([0.9414] * 12)
        assert [finding["kind"] for finding in told["findings"]] == ["hot-no-sibling"]

    @pytest.mark.parametrize(
        "speed", ["m1=1000000000", "sm-07/m1", "sm-07/m1=fast", "sm-07/m1=1000", "sm-07/m9=1000000000", "/=1"]
    )
    def test_refuses_a_speed_of_no_port(self, lopside, file_of, speed):
        told = lopside("check", "--speed", speed, file_of(CALM))

        assert (told.exit_code, told.stdout) == (2, "")
        assert "--speed" in told.stderr

    def test_is_the_same_to_the_octet_each_time(self, lopside, file_of):
        file = file_of(UNEVEN)

        assert lopside("check", "--json", file).stdout == lopside("check", "--json", file).stdout

    def test_does_not_depend_on_the_order_of_the_lines(self, checked):
        told, _ = checked(UNEVEN)
        later = UNEVEN[2:]
        random.Random(7).shuffle(later)

        # The first two lines stay, because they say in which order the ports are told.
        assert checked([*UNEVEN[:2], *later])[0] == told

    def test_takes_two_files_as_one_stretch(self, lopside, file_of, checked):
        whole, _ = checked(UNEVEN)
        first, second = file_of(UNEVEN[:20], name="a.csv"), file_of(UNEVEN[20:], name="b.csv")

        told = strict(lopside("check", "--json", first, second).stdout)

        assert [told[part] for part in ("windows", "intervals", "findings")] == [
            whole[part] for part in ("windows", "intervals", "findings")
        ]

    def test_is_the_same_whether_devices_are_judged_together_or_one_by_one(self, checked, monkeypatch):
        lines = [*UNEVEN, *(line.replace("sm-07", "sm-01") for line in CALM)]
        together, _ = checked(lines)
        monkeypatch.setattr("service.rules.parts.MOST_SAMPLES", 1)

        assert checked(lines)[0] == together

    def test_reads_a_port_without_a_team_and_makes_it_nobodys_member(self, checked):
        told, _ = checked([*UNEVEN, *rows(600, {"m9": 0.99}, team="")])

        assert {interval["port"] for interval in told["intervals"]} == {"m1", "m2", "m9"}
        assert {member["port"] for window in told["windows"] for member in window["members"]} == {"m1", "m2"}
        assert len(told["findings"]) == 1


class TestRule:
    def test_is_changed_for_the_run(self, checked):
        assert checked(UNEVEN, "--rule", "hot_above=0.95")[1] == 0
        assert (
            checked(CALM, "--rule", "hot_above=0.4", "--rule", "clear_below=0.39", "--rule", "idle_below=0.35")[1] == 1
        )

    def test_can_have_shorter_windows(self, checked):
        told, _ = checked(UNEVEN, "--rule", "window_seconds=15")

        assert told["findings"][0]["raised_at"] == "2026-11-25T02:00:45Z"

    @pytest.mark.parametrize(
        ("value", "told"),
        [
            (
                "hot_above=7500",
                "hot_above: 7500 is refused: a utilisation threshold must lie between 1 and 100 per cent",
            ),
            ("hot_below=0.5", "hot_below: there is no such setting"),
            ("clear_below=0.9", "clear_below: the clear line 0.9 is not below the hot line 0.75"),
            ("raise_windows=many", "raise_windows: "),
            ("hot_above", "is not NAME=VALUE"),
            ("=1", "is not NAME=VALUE"),
        ],
    )
    def test_is_refused_like_a_setting(self, lopside, file_of, value, told):
        result = lopside("check", "--rule", value, file_of(CALM))

        assert (result.exit_code, result.stdout) == (2, "")
        assert told in result.stderr


class TestReading:
    def test_refuses_times_without_a_zone_unless_one_is_named(self, lopside, file_of):
        local = [line.replace("Z,", ",", 1) for line in CALM]

        refused, taken = lopside("check", file_of(local)), lopside("check", "--zone", "UTC", file_of(local))

        assert (refused.exit_code, taken.exit_code) == (2, 0)
        assert "zone" in refused.stderr

    @pytest.mark.parametrize(("kilo", "share"), [(1000, 0.8), (1024, 0.8192)])
    def test_takes_kilobytes_as_told(self, file_of, lopside, kilo, share):
        # 100,000 kB/s are 800 Mbit/s where k is 1000, 819.2 Mbit/s where it is 1024.
        lines = [f"{1_795_600_800 + 15 * n},a,{port},t,1000000000,100000" for n in range(9) for port in "pq"]
        file = file_of(lines, "time,device,port,team,speed_bps,out_kBps")

        told = strict(lopside("check", "--json", "--kilo", kilo, file).stdout)

        known = [m["utilisation"] for w in told["windows"] for m in w["members"] if m["utilisation"] is not None]
        assert known
        assert known == pytest.approx([share] * len(known))


class TestTable:
    def test_tells_what_was_raised_and_then_every_team(self, lopside, file_of):
        calm = [line.replace("sm-07", "sm-01") for line in CALM]

        told = lopside("check", file_of([*calm, *UNEVEN])).stdout

        assert "uneven: raised 2026-11-25 02:01:30, still open" in told
        assert "  sm-07, team front, egress: member m1 at 92 %" in told
        table = [line for line in told.splitlines() if line.startswith(("device ", "sm-0"))]
        assert [line.split()[:3] for line in table[1:]] == [
            ["sm-07", "front", "egress"],
            ["sm-07", "front", "ingress"],
            ["sm-01", "front", "egress"],
            ["sm-01", "front", "ingress"],
        ]
        assert "92.0 %" in table[1]
        assert "47.0 %" in table[1]
        assert "45.0 points" in table[1]
        assert table[1].endswith("20 of 20")
        assert told.endswith("1 finding raised, 1 still open at the end. Advice only.\n")

    def test_says_that_nothing_was_raised(self, lopside, file_of):
        assert lopside("check", file_of(CALM)).stdout.endswith("Nothing was raised.\n")

    def test_says_which_members_could_not_be_evaluated_and_why(self, lopside, file_of):
        silent = [line for line in CALM if ",m1," in line or line < "2026-11-25T02:05"]

        told = lopside("check", file_of(silent)).stdout

        assert "Not evaluable:\n  sm-07, team front, m2: " in told
        assert "no data" in told

    def test_says_that_readings_are_too_far_apart_for_windows(self, lopside, file_of):
        told = lopside("check", file_of(rows(600, {"m1": 0.5, "m2": 0.3}, step_s=61))).stdout

        # 10 readings, so 9 intervals of 61 s; at 60 s each window of 30 s is still covered.
        assert "m1: 9 times more than 60 s between readings" in told
        assert "between readings" not in lopside("check", file_of(rows(600, {"m1": 0.5, "m2": 0.3}, step_s=60))).stdout

    def test_says_of_half_duplex_that_both_directions_are_told_as_one(self, lopside, file_of):
        # 50 % in and 30 % out of 100 Mbit/s: 80 % of the one medium.
        lines = [
            f"{1_795_600_800 + at},a,{port},t,100000000,half,{at * 6_250_000 // part},{at * 3_750_000 // part}"
            for at in range(0, 301, 15)
            for port, part in (("p", 1), ("q", 10))
        ]

        told = lopside("check", file_of(lines, "time,device,port,team,speed_bps,duplex,in_octets,out_octets")).stdout

        assert "egress: member p at 80 %" in told
        assert "a, team t, ingress: half duplex, both directions together are told as egress" in told
        assert "half duplex" not in lopside("check", file_of(CALM)).stdout

    def test_says_when_no_line_names_a_team(self, lopside, file_of):
        told = lopside("check", file_of(rows(600, {"m1": 0.9, "m2": 0.1}, team="")))

        assert told.exit_code == 0
        assert "No line names a team" in told.stdout

    def test_says_of_a_team_that_is_too_large_only_that(self, lopside, file_of):
        told = lopside("check", file_of(rows(60, {f"m{n}": 0.1 for n in range(9)}))).stdout

        assert "Not evaluable:\n  sm-07, team front: 9 members" in told
        assert "No line names a team" not in told

    def test_tells_of_the_data_in_the_order_of_time(self, lopside, file_of):
        # 941.4 Mbit/s flat on a port that claims 10 G are doubted from the start; at the end two readings conflict.
        lines = [
            f"{(START + timedelta(seconds=t)).strftime('%Y-%m-%dT%H:%M:%SZ')},sm-07,m1,front,{10 * GIGABIT},frame,up,"
            f"{octets},0,,,"
            for t, octets in [*((t, 941_400_000 * t // 8) for t in range(0, 361, 30)), (30, 5), (330, 5)]
        ]

        about = lopside("check", file_of(lines)).stdout.split("About the data:\n")[1].split("\n\n")[0].splitlines()

        assert len(about) == 3
        assert about == sorted(about)

    def test_lets_no_name_steer_the_terminal(self, lopside, file_of):
        named = [line.replace("sm-07", "sm\x1b[2J07\u202e") for line in UNEVEN]

        told = lopside("check", file_of(named))

        assert "\x1b" not in told.stdout + told.stderr
        assert "\u202e" not in told.stdout + told.stderr


class TestProgress:
    def test_is_drawn_where_somebody_watches(self, monkeypatch):
        watched = io.StringIO()
        watched.isatty = lambda: True
        monkeypatch.setattr(sys, "stderr", watched)

        with checking.progress() as told:
            told("reading day.csv", 50, 100)

        assert "reading day.csv [###############               ]  50%" in watched.getvalue()
        assert watched.getvalue().endswith("\r\033[K")

    def test_is_gone_before_anything_is_printed(self, file_of, monkeypatch, capsys):
        both = io.StringIO()
        both.isatty = lambda: True
        monkeypatch.setattr(sys, "stderr", both)
        monkeypatch.setattr(sys, "stdout", both)

        with pytest.raises(SystemExit):
            checking.check([str(file_of(CALM))], standalone_mode=True)

        *_, after = both.getvalue().split("\r\033[K")
        assert after.endswith("Nothing was raised.\n")
        assert "1 team" in after

    def test_is_not_drawn_elsewhere(self, lopside, file_of):
        assert lopside("check", file_of(CALM)).stderr == ""
