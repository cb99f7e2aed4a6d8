"""Counter files: every way in which a file can be bad, and that nothing good is lost beside it."""

import json
import subprocess
import sys

import pytest
from feed_examples import TIME, TIME_MS, a_row, as_csv, plain, refusals
from hypothesis import given
from hypothesis import strategies as st

from service.errors import UnusableInput
from service.feeds import counter_file
from service.terms import Form

HEAD = "time,device,port,team,in_octets,out_octets"
ROW = f"{TIME},sm-07,m1,front,1,2"


@pytest.fixture
def a_file(tmp_path):
    def write(text, encoding="utf-8"):
        path = tmp_path / "counters.csv"
        path.write_bytes(text if isinstance(text, bytes) else text.encode(encoding))
        return path

    return write


class TestRead:
    def test_reads_columns_in_any_order_after_remarks(self, a_file):
        path = a_file(
            f"# written by hand\n#\n\nport,x_rack,time,out_octets,device,in_octets,team\nm1,R7,{TIME},2,sm-07,1,front\n"
        )
        parsed = counter_file.read(path)

        assert plain(parsed) == plain(counter_file.read(a_file(f"{HEAD}\n{ROW}\n")))
        assert parsed.index.tolist() == [5]

    @pytest.mark.parametrize("ending", ["\n", "\r\n"])
    @pytest.mark.parametrize("last", ["", "end", "end twice"])
    @pytest.mark.parametrize("mark", ["", "\ufeff"])
    def test_reads_any_end_of_line_and_a_byte_order_mark(self, a_file, ending, last, mark):
        lines = [HEAD, ROW, ROW.replace("m1", "m2")]
        parsed = counter_file.read(a_file(mark + ending.join(lines) + ending * len(last.split())))

        assert parsed.index.tolist() == [2, 3]
        assert parsed.rejects == ()

    def test_skips_blank_lines_and_counts_them(self, a_file):
        parsed = counter_file.read(a_file(f"{HEAD}\n\n{ROW}\n\r\n{ROW.replace('m1', 'm2')},7\n"))

        assert parsed.index.tolist() == [3]
        assert [reject.index for reject in parsed.rejects] == [5]

    def test_takes_an_empty_cell_as_unknown(self, a_file):
        parsed = counter_file.read(a_file(f"{HEAD}\n{TIME},sm-07,m1,,,\n{TIME},sm-07,m2,,5,\n"))

        assert [sorted(name for name in row if name.endswith("octets")) for row in plain(parsed)] == [[], ["in_octets"]]

    def test_reads_quoted_values(self, a_file):
        parsed = counter_file.read(a_file(f'{HEAD}\n"{TIME}","sm ""seven"", a","m1","","1",2\n'))

        assert (parsed.ports[0].device, parsed.ports[0].team) == ('sm "seven", a', "")

    @pytest.mark.parametrize(
        ("octets", "says"),
        [
            (b"", "is empty"),
            (b"\n\n# only a remark\n", "has no header"),
            (f"{HEAD}\n{ROW}\n".encode("utf-16"), "is UTF-16"),
            (f"{HEAD}\n{ROW}\n".encode("utf-16-le"), "NUL"),
            (f"{HEAD}\n{ROW}\n".encode("utf-32"), "is UTF-32"),
            (b"\x00\x01\x02\x03", "NUL"),
            (f"{HEAD},x_ort\xe9\n".encode("latin-1"), "is no UTF-8"),
            (f"{HEAD};\n".replace(",", ";").encode(), "semicolons"),
            (HEAD.replace(",", "\t").encode(), "tabs"),
            (f"{HEAD}\r{ROW}\r".encode(), "carriage returns"),
            (f"{HEAD},in_octets\n".encode(), "'in_octets' is there twice"),
            (f"{HEAD},in_octet\n".encode(), "'in_octet' is unknown"),
            (f"{HEAD},\n".encode(), "'' is unknown"),
            (b"time,device,team,in_octets\n", "'port' is missing"),
            (b"device,port,team,in_octets\n", "'time' is missing"),
            (b"time,device,port,team\n", "no column of traffic"),
            (f"{HEAD},in_bps\n".encode(), "counters or rates, not both"),
            (b"time,device,port,in_bps,in_kBps\n", "say the same"),
            (f"{HEAD},in_packets,in_ucast_packets\n".encode(), "say the same"),
            (f'{HEAD},"x_\n{ROW}\n'.encode(), "no header of RFC 4180"),
            (b"x" * (1 << 20), "is longer than"),
        ],
    )
    def test_refuses_a_file_as_a_whole_where_its_beginning_is_bad(self, a_file, octets, says):
        with pytest.raises(UnusableInput, match=says) as refusal:
            counter_file.read(a_file(octets))

        assert "counters.csv" in refusal.value.where
        assert refusal.value.remedy

    def test_refuses_a_file_that_is_not_there(self, tmp_path):
        with pytest.raises(UnusableInput, match="No such file"):
            counter_file.read(tmp_path / "nowhere.csv")

    @pytest.mark.parametrize(
        ("column", "cell", "says"),
        [
            ("in_octets", "-1", "negative"),
            ("in_octets", str(2**64), f"more than {2**64 - 1}"),
            ("in_octets", "4257.0", "write the whole number in digits"),
            ("in_octets", "1e6", "write the whole number in digits"),
            ("in_octets", "NaN", "leave the cell empty"),
            ("in_octets", "0x1F", "leave the cell empty"),
            ("in_octets", "1_000", "leave the cell empty"),
            ("in_octets", "1.234.567", "leave the cell empty"),
            ("in_octets", "٣", "leave the cell empty"),
            ("in_octets", " 5", "spaces around it"),
            ("in_octets", "9" * 5000, "too many digits"),
            ("time", "2026-11-25T10:00:00", "has no zone"),
            ("time", "25.11.2026 10:00", "is no instant"),
            ("time", "1795600800000", "divide by 1000"),
            ("device", "", "is missing"),
            ("port", "m\x001", "is no name"),
            ("port", "m" * 256, "is no name"),
            ("team", "front ", "spaces around it"),
        ],
    )
    def test_refuses_one_row_by_line_column_value_and_remedy(self, a_file, column, cell, says):
        rows = [a_row(), a_row(port="m2") | {column: cell}, a_row(port="m3")]
        parsed = counter_file.read(a_file(as_csv(rows)))

        assert parsed.index.tolist() == [2, 4]
        assert refusals(parsed) == [(3, column)]
        assert says in parsed.rejects[0].reason
        assert parsed.rejects[0].value[:20] == cell[:20].replace("\x00", "\x00")

    @pytest.mark.parametrize(
        ("line", "says"),
        [
            (f"{ROW},7", "has 7 values where the header has 6 columns"),
            ("a,b", "has 2 values"),
            (ROW.replace("sm-07", '"sm-07'), "mind the quotes"),
            (f"# {ROW}", "is no instant"),
            (HEAD, "is no instant"),
        ],
    )
    def test_refuses_a_line_that_is_no_row(self, a_file, line, says):
        parsed = counter_file.read(a_file(f"{HEAD}\n{ROW}\n{line}\n{ROW.replace('m1', 'm2')}\n"))

        assert parsed.index.tolist() == [2, 4]
        assert [reject.index for reject in parsed.rejects] == [3]
        assert says in parsed.rejects[0].reason

    def test_refuses_only_the_line_that_is_no_utf8(self, a_file):
        umlaut = ROW.replace("sm-07", "k\xf6ln").encode("latin-1")
        parsed = counter_file.read(a_file(b"\n".join([HEAD.encode(), ROW.encode(), umlaut, ROW.encode()])))

        assert parsed.index.tolist() == [2, 4]
        assert "is no UTF-8 at octet" in parsed.rejects[0].reason

    def test_refuses_only_the_line_with_a_lone_carriage_return(self, a_file):
        parsed = counter_file.read(a_file(f"{HEAD}\n{ROW}\n{ROW}\r{ROW}\n{ROW.replace('m1', 'm2')}\n"))

        assert parsed.index.tolist() == [2, 4]

    def test_loses_one_line_and_not_the_rest_to_a_lost_quote(self, a_file):
        lines = [ROW.replace("m1", f"m{number}") for number in range(1000)]
        lines[500] = lines[500].replace("sm-07", '"sm-07')
        parsed = counter_file.read(a_file("\n".join([HEAD, *lines])))

        assert len(parsed.samples) == 999
        assert [reject.index for reject in parsed.rejects] == [502]

    def test_reads_local_times_in_the_zone_that_is_named(self, a_file):
        text = f"{HEAD}\n2026-07-01T12:00:00,sm-07,m1,front,1,2\n2026-10-25T01:30:00,sm-07,m1,front,1,2\n"
        parsed = counter_file.read(a_file(text), zone="Europe/London")

        assert [row["at_ms"] for row in plain(parsed)] == [1_782_903_600_000]  # 11:00 UTC, from `date -u -d`
        assert "exists twice" in parsed.rejects[0].reason

    @pytest.mark.parametrize(("kilo", "bps"), [(1000, 800_000_000), (1024, 819_200_000)])
    def test_reads_kilobytes_per_second_of_either_size(self, a_file, kilo, bps):
        path = a_file(f"time,device,port,team,in_kBps\n{TIME},sm-07,m1,front,100000\n")
        (row,) = plain(counter_file.read(path, kilo=kilo))

        assert (row["in_octets"], row["form"]) == (bps, Form.RATE)

    @pytest.mark.parametrize("rate", ["-1", "nan", "inf", "1e300", "fast"])
    def test_refuses_a_rate_that_is_none(self, a_file, rate):
        parsed = counter_file.read(a_file(f"time,device,port,team,in_bps\n{TIME},sm-07,m1,front,{rate}\n"))

        assert refusals(parsed) == [(2, "in_bps")]

    def test_says_how_far_it_is(self, a_file):
        path = a_file(as_csv([a_row(port=f"m{number}") for number in range(60_000)]))
        seen = []
        counter_file.read(path, progress=lambda done, whole: seen.append((done, whole)))

        size = path.stat().st_size
        assert [done for done, _ in seen] == sorted({done for done, _ in seen})
        assert seen[-1] == (size, size)


class TestBatches:
    @given(st.integers(1, 9), st.lists(st.sampled_from(["good", "bad", "", "odd"]), max_size=20))
    def test_make_the_same_as_the_whole_whatever_their_size(self, tmp_path_factory, rows, kinds):
        lines = {
            "good": "{t},sm-07,m{n},front,{n},2",
            "bad": "{t},sm-07,m{n},front,-1,2",
            "": "",
            "odd": '{t},"sm-07,m{n},front,1,2',
        }
        path = tmp_path_factory.mktemp("cut") / "counters.csv"
        text = [lines[kind].format(t=TIME, n=number) for number, kind in enumerate(kinds)]
        path.write_text("\n".join([HEAD, *text]))
        pieces = list(counter_file.batches(path, rows=rows))
        whole = counter_file.read(path)

        assert all(len(piece.samples) <= rows for piece in pieces)
        assert [row for piece in pieces for row in plain(piece)] == plain(whole)
        assert [reject for piece in pieces for reject in piece.rejects] == list(whole.rejects)
        assert [at for piece in pieces for at in piece.index.tolist()] == whole.index.tolist()
        assert len(whole.samples) + len(whole.rejects) == len([kind for kind in kinds if kind])

    def test_give_a_port_the_last_name_that_was_told(self, a_file):
        text = f"{HEAD},if_index,mac\n{ROW},3,02:00:5e:10:00:01\n{ROW},4,02:00:5e:10:00:02\n{TIME},sm-07,m1,,1,2,,\n"
        parsed = counter_file.read(a_file(text))

        assert [(name.team, name.if_index) for name in parsed.ports] == [("front", 4)]
        assert [row["mac"] for row in plain(parsed)] == [0x02005E100001, 0x02005E100002, 0]


READ_MANY = """
import json, resource, sys
from service.feeds import counter_file
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
samples = rejects = 0
for piece in counter_file.batches(sys.argv[1], rows=50_000):
    samples += len(piece.samples)
    rejects += len(piece.rejects)
after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(json.dumps({"samples": samples, "rejects": rejects, "grown_mib": (after - before) / 1024}))
"""


class TestTenMillionRows:
    def test_are_read_in_bounded_memory(self, tmp_path):
        path = tmp_path / "long.csv"
        rows = "".join(f"1795600800.25,sm-{k % 100},m{k % 4},front,{k},{k}\n" for k in range(9_999))
        with path.open("w") as file:
            file.write(f"{HEAD}\n")
            for _ in range(1000):
                file.write(rows + "1795600800.25,sm-0,m0,front,-1,2\n")
        told = subprocess.run(
            [sys.executable, "-c", READ_MANY, path], capture_output=True, text=True, check=True, timeout=250
        )
        found = json.loads(told.stdout)

        assert (found["samples"], found["rejects"]) == (9_999_000, 1000)
        # The file has 400 MB: what a block of 50,000 rows takes does not grow with it.
        assert found["grown_mib"] < 150


def test_the_time_of_the_examples_is_an_instant_that_anyone_can_check():
    assert TIME_MS == (20_782 * 86_400 + 10 * 3600) * 1000
