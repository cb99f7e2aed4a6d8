"""Exports read by a mapping, of the settings or of the command line, and files read at the far end."""

import json
from datetime import UTC, datetime

import click
import pytest
from sqlalchemy import select

from service import app
from service.commands.mapped import series_of
from service.storage import database, tables

START_S = 1_795_600_800  # 2026-11-25T10:00:00Z
ON_LINE = (
    *("--unit", "kB/s", "--time-column", "Time", "--spacing", "20", "--map", "device=sm-07", "--map", "team=front"),
    *("--map", "delimiter=;", "--map", "decimal=,", "--map", "missing=", "--map", "missing=-"),
    *("--series", "m1 sent=m1:egress:1000000000", "--series", "m2 sent=m2:egress:1000000000"),
)
SECTION = """
[[mappings]]
name = "hall-4"
unit = "kB/s"
time_column = "Time"
interval_s = 20
delimiter = ";"
decimal = ","
missing = ["", "-"]
device = "sm-07"
team = "front"
speed_bps = 1000000000
series = [
  { column = "m1 sent", port = "m1", direction = "egress" },
  { column = "m2 sent", port = "m2", direction = "egress" },
]
"""


@pytest.fixture
def export(tmp_path):
    """Half an hour of 20 s means: m1 at 115,000 kB/s, m2 at 2,500."""

    def written(first_s=START_S, rows=90):
        file = tmp_path / "hall.csv"
        lines = [f"{first_s + 20 * n};115000,0;{'-' if n == 7 else '2500,0'};ok" for n in range(1, rows + 1)]
        file.write_text("\n".join(["Time;m1 sent;m2 sent;Remark", *lines]) + "\n")
        return file

    return written


@pytest.fixture
def mapped_settings(settings_file):
    with settings_file.open("a") as file:
        file.write(SECTION)
    return settings_file


def windows_of(told, port="m1", direction="egress"):
    return [
        member["utilisation"]
        for window in json.loads(told.stdout)["windows"]
        if window["direction"] == direction
        for member in window["members"]
        if member["port"] == port
    ]


class TestCheck:
    def test_reads_an_export_as_the_command_line_says(self, lopside, export):
        told = lopside("check", "--json", *ON_LINE, export())

        # 115,000 x 1,000 octets x 8 bits = 920 Mbit/s, 92.0 % of 1 Gbit/s (common practice, no source).
        assert told.exit_code == 1
        assert windows_of(told)[5] == pytest.approx(0.92, abs=1e-6)
        assert json.loads(told.stdout)["summary"]["samples"] == 90 + 89

    def test_reads_it_the_same_by_a_mapping_of_the_settings(self, lopside, export, mapped_settings):
        named = lopside("check", "--json", "--mapping", "hall-4", export())
        on_line = lopside("check", "--json", *ON_LINE, export())

        assert json.loads(named.stdout)["windows"] == json.loads(on_line.stdout)["windows"]

    def test_shows_what_a_slip_of_the_unit_would_make_of_it(self, lopside, export, mapped_settings):
        told = lopside("check", "--json", "--mapping", "hall-4", "--unit", "kbit/s", export())

        assert told.exit_code == 0
        assert windows_of(told)[5] == pytest.approx(0.115, abs=1e-6)

    def test_shows_how_it_was_read(self, lopside, export):
        told = lopside("check", "--json", *ON_LINE, "--kilo", "1024", export())

        settings = json.loads(told.stdout)["settings"]
        assert (settings["mapping"]["unit"], settings["kilo"]) == ("kB/s", 1024)

    @pytest.mark.parametrize(
        ("options", "says"),
        [
            (ON_LINE[2:], "unit: a mapping says in which unit its values are; none is guessed"),
            ((*ON_LINE, "--unit", "kb"), "unit: 'kb' is no unit known here"),
            (
                (*ON_LINE, "--time-column", "when"),
                "has no column 'when'; there are 'Time', 'm1 sent', 'm2 sent', 'Remark'",
            ),
            ((*ON_LINE, "--map", "colour=red"), "colour: there is no such setting"),
            ((*ON_LINE, "--map", "colour"), "is not KEY=VALUE"),
            ((*ON_LINE, "--series", "m1"), "is not COLUMN=PORT:DIRECTION[:BPS]"),
            ((*ON_LINE, "--series", "m1=m1:out"), "'out' is no direction"),
            (("--mapping", "hall-9"), "there is no mapping 'hall-9'; add it, or name one that is there: hall-4"),
        ],
    )
    def test_refuses_what_is_not_said_or_not_there(self, lopside, export, mapped_settings, options, says):
        told = lopside("check", *options, export())

        assert (told.exit_code, told.stdout) == (2, "")
        assert says in told.stderr


class TestVantage:
    @pytest.fixture
    def switch_side(self, tmp_path):
        file = tmp_path / "switch.csv"
        lines = [f"{START_S + 30 * n},sm-07,m1,front,1000000000,902000000,41000000" for n in range(5)]
        file.write_text("\n".join(["time,device,port,team,speed_bps,in_bps,out_bps", *lines]) + "\n")
        return file

    @pytest.mark.parametrize(("vantage", "egress", "ingress"), [("own", 0.041, 0.902), ("far-end", 0.902, 0.041)])
    def test_says_whose_directions_a_counter_file_has(self, lopside, switch_side, vantage, egress, ingress):
        told = lopside("check", "--json", "--vantage", vantage, switch_side)

        assert windows_of(told)[1] == pytest.approx(egress, abs=1e-6)
        assert windows_of(told, direction="ingress")[1] == pytest.approx(ingress, abs=1e-6)
        assert json.loads(told.stdout)["settings"]["vantage"] == vantage

    def test_wins_over_that_of_a_mapping(self, lopside, export, mapped_settings):
        told = lopside("check", "--json", "--mapping", "hall-4", "--vantage", "far-end", export())

        assert windows_of(told, direction="ingress")[5] == pytest.approx(0.92, abs=1e-6)


class TestImport:
    @pytest.fixture
    def kept(self, settings_file):
        def rows():
            engine = database.open(f"sqlite:///{settings_file.parent}/lopside.sqlite")
            with engine.connect() as connection:
                found = connection.execute(select(tables.samples.c.at_ms, tables.samples.c.known)).all()
            engine.dispose()
            return found

        return rows

    def test_keeps_readings_and_counts_them_and_what_marks_their_begin_besides(
        self, lopside, export, mapped_settings, kept
    ):
        file = export(app.now_ms() // 1000 - 2000)
        told = lopside("import", "--mapping", "hall-4", file)

        assert told.exit_code == 0
        assert "179 accepted, 0 duplicates, 0 rejected" in told.stdout
        rows = kept()
        # Of each port where its first interval begins, and of m2 where the one after its hole does.
        assert [sum(row.known != 0 for row in rows), sum(row.known == 0 for row in rows)] == [179, 3]

    def test_adds_nothing_the_second_time(self, lopside, export, mapped_settings, kept):
        file = export(app.now_ms() // 1000 - 2000)
        lopside("import", "--mapping", "hall-4", file)

        told = lopside("import", "--mapping", "hall-4", file)

        assert "0 accepted, 179 duplicates, 0 rejected" in told.stdout
        assert len(kept()) == 182

    def test_says_in_a_dry_run_what_it_would_keep_and_keeps_nothing(self, lopside, export, mapped_settings, kept):
        told = lopside("import", "--dry-run", *ON_LINE, export(app.now_ms() // 1000 - 2000))

        assert "179 accepted, 0 duplicates, 0 rejected (dry run: nothing was kept)" in told.stdout
        assert kept() == []

    def test_names_what_is_too_old_once(self, lopside, export, mapped_settings):
        told = lopside("import", "--mapping", "hall-4", export(1_000_000_000, rows=2))

        assert told.exit_code == 1
        assert "0 accepted, 0 duplicates, 4 rejected" in told.stdout

    def test_changes_directions_of_what_the_far_end_counted(self, lopside, tmp_path, settings_file):
        file = tmp_path / "switch.csv"
        at = datetime.fromtimestamp(app.now_ms() // 1000 - 60, UTC).isoformat()
        file.write_text(f"time,device,port,team,in_octets,out_octets\n{at},sm-07,m1,front,902,41\n")

        assert lopside("import", "--vantage", "far-end", file).exit_code == 0

        engine = database.open(f"sqlite:///{settings_file.parent}/lopside.sqlite")
        with engine.connect() as connection:
            row = connection.execute(select(tables.samples.c.out_octets, tables.samples.c.in_octets)).one()
        engine.dispose()
        assert tuple(row) == (902, 41)

    def test_leaves_reading_to_a_running_service(self, lopside, export):
        told = lopside("import", "--to", "http://127.0.0.1:1", *ON_LINE, export())

        assert told.exit_code == 2
        assert "leave out" in told.stderr


class TestSeriesOf:
    @pytest.mark.parametrize(
        ("text", "told"),
        [
            ("a=m1:egress", ("a", "m1", "egress", None)),
            ("a=b=m1:ingress:1000", ("a=b", "m1", "ingress", "1000")),
            ("a=slot:1:egress:1000", ("a", "slot:1", "egress", "1000")),
        ],
    )
    def test_reads_column_port_direction_and_speed(self, text, told):
        found = series_of(text)

        assert (found["column"], found["port"], found["direction"], found.get("speed_bps")) == told

    @pytest.mark.parametrize("text", ["", "a", "a=m1", "=m1:egress", "a=:egress"])
    def test_refuses_what_names_less(self, text):
        with pytest.raises(click.BadParameter, match="is not COLUMN=PORT:DIRECTION"):
            series_of(text)
