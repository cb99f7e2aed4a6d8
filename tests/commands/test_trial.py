import json

import pytest
from examples import EPOCH_MS
from trial_examples import DEVICE, EIGHT, TEAM, Course
from web_examples import asked

from service.storage import database

TRIAL = ("trial", f"{DEVICE}/{TEAM}", "--from", "2026-11-25T10:00:00Z", "--for", "10m")
CHANGE = ("--change", "2026-11-25T10:05:03Z")


@pytest.fixture
def counters(tmp_path):
    file = tmp_path / "counters.csv"
    file.write_text(EIGHT.csv())
    return file


class TestTrial:
    def test_tells_all_of_it_to_people(self, lopside, counters):
        said = lopside(*TRIAL, "--file", counters, "--stream", "8x110M", *CHANGE)

        assert said.exit_code == 0
        for line in (
            "lab-07, team pair, egress: 99.8 % of what was expected was counted, within 2 %",
            "offered 880 Mbit/s, with overhead 922.5 Mbit/s; counted 925 Mbit/s, 4 Mbit/s before, over 590 s",
            "m1: 5 streams",
            "2026-11-25T10:00:00Z m2 +346 Mbit/s, 3 streams of 110 Mbit/s: streams begin",
            "(+-10 s)",
            "frames discarded meanwhile: 75,968",
            "a chance of 93 %",
            "as much as 996 ms of all streams",
            "this tool sends no traffic",
        ):
            assert line in said.output

    def test_prints_no_command_to_paste(self, lopside, counters):
        said = lopside(*TRIAL, "--file", counters, "--stream", "8x110M", *CHANGE).output

        assert "lopside trial" not in said
        assert "$" not in said

    def test_ends_with_1_where_the_sum_does_not_agree(self, lopside, counters):
        said = lopside(*TRIAL, "--file", counters, "--stream", "8x120M")

        assert said.exit_code == 1
        assert "not within 2 %" in said.output
        assert "the senders offered less" in said.output

    def test_takes_rates_of_whole_frames(self, lopside, counters):
        said = lopside(*TRIAL, "--file", counters, "--stream", "8x115.3177M", "--frames", "--json")

        assert json.loads(said.output)["count"]["ratio"] == pytest.approx(1, abs=0.002)

    def test_begins_and_ends_streams_within_the_check(self, lopside, tmp_path):
        course = Course(((60, (1, 0)), (120, (1, 1)), (180, (0, 1)), (600, (0, 0))))
        (tmp_path / "counters.csv").write_text(course.csv())
        streams = ("--stream", "110M+1m/120s", "--stream", "110Mbit/s+120")

        told = json.loads(lopside(*TRIAL, "--file", tmp_path / "counters.csv", *streams, "--json").output)

        assert told["count"]["ratio"] == pytest.approx(1, abs=1e-3)
        assert [(step["port"], step["declared"], step["streams"]) for step in told["landed"]] == [
            ("m1", "begin", 1),
            ("m2", "begin", 1),
            ("m1", "end", -1),
            ("m2", "end", -1),
        ]

    def test_reads_the_database_of_the_settings_with_its_changes(self, lopside, settings_file):
        engine = database.open(f"sqlite:///{settings_file.parent}/lopside.sqlite")
        http = asked(engine, now_ms=lambda: EPOCH_MS + 900_000)
        http.post("/v1/samples", json={"samples": EIGHT.samples()})
        teams = [{"device": DEVICE, "team": TEAM}]
        http.post("/v1/changes", json={"at": "2026-11-25T10:05:03Z", "what": "layer 4", "teams": teams})
        engine.dispose()

        said = lopside(*TRIAL, "--stream", "8x110M", "--json")

        told = json.loads(said.output)
        assert said.exit_code == 0
        assert [shift["what"] for shift in told["shifts"]] == ["layer 4"]

    @pytest.mark.parametrize(
        ("arguments", "word"),
        [
            (("--stream", "fast"), "no stream"),
            (("--stream", "0M"), "no stream"),
            (("--stream", "0x1M"), "at least one stream"),
            (("--stream", "1M+11m"), "within the check"),
            (("--stream", "1M/11m"), "within the check"),
            (("--stream", "1M", "--change", "noon"), "--change"),
            (("--stream", "1M", "--mtu", 40), "mtu"),
            (("--stream", "1M", "--udp", 70_000), "udp"),
            (("--stream", "1M", "--line", 1.5), "line"),
        ],
    )
    def test_refuses_what_is_no_plan(self, lopside, counters, arguments, word):
        said = lopside(*TRIAL, "--file", counters, *arguments)

        assert said.exit_code == 2
        assert word in said.output

    @pytest.mark.parametrize(("team", "word"), [("lab-07", "DEVICE/TEAM"), ("lab-07/other", "no team")])
    def test_refuses_a_team_that_is_not_there(self, lopside, counters, team, word):
        said = lopside("trial", team, *TRIAL[2:], "--file", counters, "--stream", "1M")

        assert said.exit_code == 2
        assert word in said.output

    @pytest.mark.parametrize("length", ["1s", "5h", "soon"])
    def test_refuses_a_check_without_a_sensible_end(self, lopside, counters, length):
        said = lopside(*TRIAL[:4], "--for", length, "--file", counters, "--stream", "1M")

        assert said.exit_code == 2
