"""Exports of averages: both forms, every way in which a file can be bad, and what their windows show."""

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from examples import GIGABIT
from exports import SPACING_S, START_S, a_long_mapping, a_wide_mapping, windows_of
from feed_examples import TIME, TIME_MS, plain, refusals
from hypothesis import given
from hypothesis import strategies as st

from service.errors import UnusableInput
from service.feeds import counter_file, rate_export
from service.feeds.anchors import apart
from service.feeds.joining import joined
from service.feeds.mapping import Series
from service.terms import Form

WIDE_HEAD = "at,m1 sent,m1 got,m2 sent,m2 got"
LONG_HEAD = "at,host,bond,nic,got,sent"


@pytest.fixture
def a_file(tmp_path):
    def write(*lines, encoding="utf-8", end="\n"):
        path = tmp_path / "export.csv"
        path.write_bytes(end.join([*lines, ""]).encode(encoding))
        return path

    return write


def readings(path, mapping):
    """The readings of a file, without what marks where intervals begin."""
    return apart(rate_export.read(path, mapping))[1]


def rates(path, mapping):
    """What each port sends and gets, in bit/s, by row."""
    return [(row["name"].port, row.get("out_octets"), row.get("in_octets")) for row in plain(readings(path, mapping))]


class TestLong:
    def test_reads_a_row_for_each_port_and_time(self, a_file):
        path = a_file(LONG_HEAD, f"{TIME},sm-07,front,m1,1,115000", f"{TIME},sm-07,,m2,,0.5")
        found = readings(path, a_long_mapping())

        assert found.index.tolist() == [2, 3]
        assert [(name.device, name.port, name.team) for name in found.ports] == [
            ("sm-07", "m1", "front"),
            ("sm-07", "m2", ""),
        ]
        # 115,000 kB/s of 1,000 octets of 8 bits are 920 Mbit/s (arithmetic).
        assert rates(path, a_long_mapping()) == [("m1", 920_000_000, 8000), ("m2", 4000, None)]
        assert set(found.facts.form[found.samples.facts].tolist()) == {Form.RATE}
        assert found.facts.speed_bps.tolist() == [GIGABIT]

    def test_reads_counters_where_they_are_declared(self, a_file):
        path = a_file("at;nic;sent", f"{TIME};m1;18446744073709551615", f"{TIME};m2;-1")
        columns = {"team_column": "", "in_column": "", "device_column": ""}
        mapping = a_long_mapping(**columns, device="sm-07", unit="octets", form="counter", delimiter=";")
        found = rate_export.read(path, mapping)

        (row,) = plain(found)
        assert (row["out_octets"], row["form"]) == (2**64 - 1, Form.COUNTER)
        assert refusals(found) == [(3, "sent")]

    def test_refuses_a_row_without_a_name(self, a_file):
        path = a_file(LONG_HEAD, f"{TIME},,front,m1,1,1", f"{TIME},sm-07,front,,1,1", f"{TIME},sm-07,front,m1,1,1")
        found = readings(path, a_long_mapping())

        assert refusals(found) == [(2, "host"), (3, "nic")]
        assert found.index.tolist() == [4]


class TestWide:
    def test_reads_a_column_for_each_port_and_direction(self, a_file):
        path = a_file(WIDE_HEAD, f"{TIME},115000,1,20,2")
        found = readings(path, a_wide_mapping())

        assert rates(path, a_wide_mapping()) == [("m1", 920_000_000, 8000), ("m2", 160_000, 16_000)]
        assert found.index.tolist() == [2, 2]
        assert {(name.device, name.team) for name in found.ports} == {("sm-07", "front")}

    def test_gives_each_series_its_own_device_team_and_speed(self, a_file):
        series = (
            Series("m1 sent", "m1", "egress", 10 * GIGABIT, "sm-08", "store"),
            Series("m1 got", "m1", "ingress", device="sm-08"),
            Series("m2 sent", "m2", "egress"),
        )
        found = readings(a_file(WIDE_HEAD, f"{TIME},1,1,1,1"), a_wide_mapping(series=series))

        names = [(name.device, name.port, name.team) for name in found.ports]
        speeds = found.facts.speed_bps[found.samples.facts].tolist()
        assert names == [("sm-08", "m1", "store"), ("sm-07", "m2", "front")]
        assert speeds == [10 * GIGABIT, GIGABIT]

    def test_refuses_one_cell_by_its_line_and_column_and_keeps_the_other_ports(self, a_file):
        found = readings(a_file(WIDE_HEAD, f"{TIME},1,-1,2,3", f"{TIME},x,y,2,3"), a_wide_mapping())

        assert refusals(found) == [(2, "m1 got"), (3, "m1 got")]
        assert [(found.ports[port].port, line) for port, line in zip(found.samples.port, found.index, strict=True)] == [
            ("m2", 2),
            ("m2", 3),
        ]

    def test_refuses_a_line_without_a_time_once(self, a_file):
        found = readings(a_file(WIDE_HEAD, "noon,1,1,2,3", ",1,1,2,3", f"{TIME},1,1,2,3", "1,2"), a_wide_mapping())

        assert [reject.index for reject in found.rejects] == [2, 3, 5]
        assert found.index.tolist() == [4, 4]

    def test_ignores_columns_that_nobody_mapped_whatever_they_are_called(self, a_file):
        path = a_file(f"x,{WIDE_HEAD},x,", f'"1;2",{TIME},1,1,2,2,"a, b",')

        assert rates(path, a_wide_mapping()) == [("m1", 8000, 8000), ("m2", 16_000, 16_000)]

    def test_says_nothing_of_a_port_without_values(self, a_file):
        found = readings(a_file(WIDE_HEAD, f"{TIME},,,2,2", f"{TIME},1,,2,2"), a_wide_mapping())

        assert found.rejects == ()
        assert found.index.tolist() == [2, 3, 3]


class TestCells:
    @pytest.mark.parametrize("mark", ["utf-8", "utf-8-sig"])
    @pytest.mark.parametrize("end", ["\n", "\r\n"])
    def test_reads_any_end_of_line_and_a_byte_order_mark(self, a_file, mark, end):
        path = a_file(WIDE_HEAD, f"{TIME},1,1,2,2", encoding=mark, end=end)

        assert rates(path, a_wide_mapping()) == [("m1", 8000, 8000), ("m2", 16_000, 16_000)]

    def test_reads_quotes_separators_and_decimals_as_mapped(self, a_file):
        path = a_file('"a ""good"" report"', "", 'at;"m1; sent"', f'"{TIME}";"0,5"', f"{TIME};1.000,5", f"{TIME};1.000")
        series = (Series("m1; sent", "m1", "egress"),)
        mapping = a_wide_mapping(series=series, delimiter=";", decimal=",", skip_lines=2)
        found = readings(path, mapping)

        assert rates(path, mapping) == [("m1", 4000, None)]
        # A point would make one of a thousand.
        assert [(reject.index, "without marks of thousands" in reject.reason) for reject in found.rejects] == [
            (5, True),
            (6, True),
        ]

    def test_takes_only_the_listed_words_for_no_value(self, a_file):
        path = a_file(WIDE_HEAD, f"{TIME},-,1,n/a,1")

        assert refusals(readings(path, a_wide_mapping())) == [(2, "m1 sent"), (2, "m2 sent")]
        assert refusals(readings(path, a_wide_mapping(missing=("-",)))) == [(2, "m2 sent")]
        assert rates(path, a_wide_mapping(missing=("-", "n/a"))) == [("m1", None, 8000), ("m2", None, 8000)]

    def test_refuses_an_empty_cell_where_it_is_not_listed(self, a_file):
        found = readings(a_file(WIDE_HEAD, f"{TIME},,1,2,2"), a_wide_mapping(missing=("-",)))

        assert refusals(found) == [(2, "m1 sent")]
        assert found.index.tolist() == [2]

    @pytest.mark.parametrize("cell", ["-1", "nan", "inf", "1e13", "1,5", "fast", "0x10"])
    def test_refuses_what_is_no_rate(self, a_file, cell):
        found = readings(a_file(WIDE_HEAD, f'{TIME},"{cell}",1,2,2'), a_wide_mapping(unit="Gbit/s"))

        assert refusals(found) == [(2, "m1 sent")]

    def test_loses_one_line_and_not_the_rest_to_a_lost_quote(self, a_file):
        found = readings(a_file(WIDE_HEAD, f"{TIME},1,1,2,2", f'{TIME},"1,1,2,2', f"{TIME},3,3,4,4"), a_wide_mapping())

        assert [reject.index for reject in found.rejects] == [3]
        assert found.index.tolist() == [2, 2, 4, 4]


class TestTimes:
    def test_reads_a_format_in_its_zone(self, a_file):
        mapping = a_wide_mapping(time_format="%d.%m.%Y %H:%M:%S", zone="Europe/Berlin")
        path = a_file(WIDE_HEAD, "25.11.2026 11:00:00,1,1,2,2", "25.10.2026 02:30:00,1,1,2,2", "11/25/2026,1,1,2,2")
        found = readings(path, mapping)

        assert found.samples.at_ms.tolist() == [TIME_MS] * 2  # UTC is an hour behind in November (tz database)
        assert ["exists twice" in reject.reason for reject in found.rejects] == [True, False]
        assert "time_format" in found.rejects[1].reason

    def test_reads_a_format_with_an_offset(self, a_file):
        mapping = a_wide_mapping(time_format="%Y-%m-%d %H:%M:%S %z")

        found = readings(a_file(WIDE_HEAD, "2026-11-25 12:00:00 +0200,1,1,2,2"), mapping)

        assert found.samples.at_ms.tolist() == [TIME_MS] * 2

    def test_refuses_a_time_without_a_zone(self, a_file):
        mapping = a_wide_mapping(time_format="%d.%m.%Y %H:%M:%S")
        found = readings(a_file(WIDE_HEAD, "25.11.2026 11:00:00,1,1,2,2"), mapping)

        assert "has no zone" in found.rejects[0].reason

    def test_places_a_stamp_of_the_start_at_the_end(self, a_file):
        found = rate_export.read(a_file(WIDE_HEAD, f"{TIME},1,1,2,2"), a_wide_mapping(stamped="start"))
        anchors, told = apart(found)

        assert told.samples.at_ms.tolist() == [TIME_MS + 20_000] * 2
        assert anchors.samples.at_ms.tolist() == [TIME_MS + 1] * 2


class TestRefusals:
    def test_names_the_columns_that_are_there(self, a_file):
        with pytest.raises(UnusableInput, match="line 1: has no column 'at'; there are 'Time', 'm1 sent'"):
            rate_export.read(a_file("Time,m1 sent", "1,2"), a_wide_mapping())

    @pytest.mark.parametrize(
        ("lines", "mapping", "says"),
        [
            ([WIDE_HEAD], a_wide_mapping(unit=""), "none is guessed"),
            ([WIDE_HEAD], a_wide_mapping(skip_lines=1), "ends before line 2"),
            ([WIDE_HEAD + ",at"], a_wide_mapping(), "'at' is there twice"),
            ([WIDE_HEAD + ',"'], a_wide_mapping(), "is no header"),
            ([""], a_wide_mapping(), "has no column"),
        ],
    )
    def test_says_why_a_file_cannot_be_used(self, a_file, lines, mapping, says):
        with pytest.raises(UnusableInput, match=says) as refusal:
            rate_export.read(a_file(*lines), mapping)

        assert refusal.value.remedy

    def test_refuses_a_file_that_is_not_there(self, tmp_path):
        with pytest.raises(UnusableInput, match="No such file"):
            rate_export.read(tmp_path / "nowhere.csv", a_wide_mapping())

    def test_refuses_another_encoding(self, a_file):
        with pytest.raises(UnusableInput, match="UTF-16"):
            rate_export.read(a_file(WIDE_HEAD, encoding="utf-16"), a_wide_mapping())


def as_wide(rows):
    """Rows of (seconds, rates of m1 and m2 in B/s) as a wide file."""
    return [WIDE_HEAD, *(f"{START_S + at},{','.join(f'{a},{b}' for a, b in ports)}" for at, ports in rows)]


def as_long(rows):
    lines = [
        f"{START_S + at},sm-07,front,m{port},{got},{sent}"
        for at, ports in rows
        for port, (sent, got) in enumerate(ports, start=1)
    ]
    return [LONG_HEAD, *lines]


def as_counters(rows):
    total = np.zeros((2, 2), dtype=np.int64)
    lines = ["time,device,port,team,speed_bps,out_octets,in_octets"]
    for at, ports in [(0, ((0, 0), (0, 0))), *rows]:
        total += np.array(ports, dtype=np.int64) * SPACING_S
        lines += [
            f"{START_S + at},sm-07,m{n + 1},front,{GIGABIT},{sent},{got}"
            for n, (sent, got) in enumerate(total.tolist())
        ]
    return lines


RATE = st.integers(0, 125_000_000)  # B/s on 1 Gbit/s
TRAFFIC = st.lists(st.tuples(st.tuples(RATE, RATE), st.tuples(RATE, RATE)), min_size=3, max_size=40)


class TestWindows:
    def written(self, folder, lines):
        path = folder / "some.csv"
        path.write_text("\n".join(lines) + "\n")
        return path

    @given(TRAFFIC)
    def test_are_the_same_for_one_traffic_in_every_form(self, tmp_path_factory, traffic):
        folder = tmp_path_factory.mktemp("forms")
        rows = [(SPACING_S * n, ports) for n, ports in enumerate(traffic, start=1)]
        count = len(rows) * SPACING_S // 30
        wide = windows_of(rate_export.read(self.written(folder, as_wide(rows)), a_wide_mapping(unit="B/s")), count)
        long = windows_of(rate_export.read(self.written(folder, as_long(rows)), a_long_mapping(unit="B/s")), count)
        counted = windows_of(counter_file.read(self.written(folder, as_counters(rows))), count)

        assert np.array_equal(wide.utilisation, long.utilisation, equal_nan=True)
        assert np.array_equal(wide.coverage, long.coverage)
        # The anchor stands a millisecond inside the first interval: a thirty-thousandth of a window.
        assert wide.utilisation == pytest.approx(counted.utilisation, abs=1 / 30_000, nan_ok=True)

    @given(TRAFFIC, st.integers(1, 7))
    def test_do_not_depend_on_how_the_file_is_cut_or_sorted(self, tmp_path_factory, traffic, rows_at_once):
        folder = tmp_path_factory.mktemp("cuts")
        rows = [(SPACING_S * n, ports) for n, ports in enumerate(traffic, start=1)]
        newest_first = [WIDE_HEAD, *reversed(as_wide(rows)[1:])]
        whole = rate_export.read(self.written(folder, as_wide(rows)), a_wide_mapping(unit="B/s"))
        path = self.written(folder, newest_first)
        pieces = list(rate_export.batches(path, a_wide_mapping(unit="B/s"), rows_at_once))
        count = len(rows) * SPACING_S // 30
        cut = windows_of(joined(pieces), count)
        assert np.array_equal(cut.utilisation, windows_of(whole, count).utilisation, equal_nan=True)

    def test_use_the_first_interval_of_a_file(self, tmp_path):
        rows = [(SPACING_S * n, ((115_000_000, 0), (0, 0))) for n in (1, 2, 3)]
        found = windows_of(rate_export.read(self.written(tmp_path, as_wide(rows)), a_wide_mapping(unit="B/s")), 2)

        assert found.utilisation[0, :, 0] == pytest.approx([0.92, 0.92], abs=1e-6)
        assert found.coverage[0, 0, 0] == pytest.approx(1, abs=1e-4)

    def test_keep_averages_that_come_in_pairs_where_they_are(self, tmp_path):
        """Two rows of 40 % and two of 80 % in turn: each is the mean of its own 30 s, not of those after it."""
        loads = [50_000_000 if n // 2 % 2 == 0 else 100_000_000 for n in range(40)]
        rows = [(30 * n, ((load, 0), (load, 0))) for n, load in enumerate(loads, start=1)]
        mapping = a_wide_mapping(unit="B/s", interval_s=30)
        found = windows_of(rate_export.read(self.written(tmp_path, as_wide(rows)), mapping), len(rows))

        assert found.utilisation[0, :, 0] == pytest.approx([load / 125_000_000 for load in loads], abs=1e-6)

    def test_make_no_average_over_a_hole(self, tmp_path):
        """Rows at 20 and 40 s, none at 60, one at 80: nobody knows what was between 40 and 60."""
        rows = [(at, ((load, 0), (0, 0))) for at, load in ((20, 10**7), (40, 10**7), (80, 10**8), (100, 10**8))]
        parsed = rate_export.read(self.written(tmp_path, as_wide(rows)), a_wide_mapping(unit="B/s"))
        found = windows_of(parsed, 3)

        assert found.coverage[0, :, 0] == pytest.approx([1, 1 / 3, 1], abs=1e-4)
        assert np.isnan(found.utilisation[0, 1, 0])
        assert found.utilisation[0, [0, 2], 0] == pytest.approx([0.08, 0.8], abs=1e-6)


class TestProgress:
    def test_says_how_far_it_is(self, a_file):
        path = a_file(WIDE_HEAD, *[f"{START_S + 20 * n},1,1,2,2" for n in range(60_000)])
        seen = []
        rate_export.read(path, a_wide_mapping(), lambda done, whole: seen.append((done, whole)))

        assert seen[-1] == (path.stat().st_size, path.stat().st_size)


READ_MANY = """
import json, resource, sys
sys.path.insert(0, sys.argv[2])
from exports import a_wide_mapping
from service.feeds import rate_export
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
samples = 0
for piece in rate_export.batches(sys.argv[1], a_wide_mapping(), rows=50_000):
    samples += len(piece.samples)
after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(json.dumps({"samples": samples, "grown_mib": (after - before) / 1024}))
"""


class TestAMillionRows:
    def test_are_read_in_bounded_memory(self, tmp_path):
        path = tmp_path / "long.csv"
        with path.open("w") as file:
            file.write(f"{WIDE_HEAD},remark\n")
            for n in range(1_000_000):
                file.write(f"{START_S + 20 * n},115000,1,2,2,{'x' * 60}\n")
        tests = str(Path(__file__).parents[1])
        told = subprocess.run(
            [sys.executable, "-c", READ_MANY, path, tests], capture_output=True, text=True, check=True, timeout=250
        )
        found = json.loads(told.stdout)

        assert found["samples"] == 2_000_002  # a mark at the beginning of each port
        # The file has 90 MB: what a block takes does not grow with it.
        assert found["grown_mib"] < 150
