"""Samples as an Arrow stream: every type that a sender may have made of its columns."""

from datetime import UTC, datetime

import pyarrow as pa
import pytest
from feed_examples import TIME, TIME_MS, a_row, as_arrow, ipc, plain

from service.errors import UnusableInput
from service.feeds import arrow, arrow_sizes
from service.feeds.limits import IngestLimits

LIMITS = IngestLimits()
AT = datetime(2026, 11, 25, 10, tzinfo=UTC)


def parse(**changes):
    columns = {"time": [TIME, TIME], "device": ["sm-07"] * 2, "port": ["m1", "m2"], "in_octets": [1, 2], **changes}
    return arrow.parse(ipc(pa.table(columns)), LIMITS)


class TestParse:
    @pytest.mark.parametrize(
        "times",
        [
            pa.array([AT, AT], pa.timestamp("s", "UTC")),
            pa.array([AT, AT], pa.timestamp("ms", "UTC")),
            pa.array([AT, AT], pa.timestamp("us", "Europe/London")),
            pa.array([AT, AT], pa.timestamp("ns", "+05:00")),
            pa.array([TIME, TIME], pa.large_string()),
            pa.array([TIME, TIME]).dictionary_encode(),
            pa.array([TIME_MS // 1000] * 2, pa.int32()),
            pa.array([TIME_MS / 1000] * 2, pa.float64()),
        ],
        ids=str,
    )
    def test_reads_times_of_every_type(self, times):
        assert [row["at_ms"] for row in plain(parse(time=times))] == [TIME_MS, TIME_MS]

    @pytest.mark.parametrize("kind", [pa.uint64(), pa.int64(), pa.int8(), pa.float64(), pa.float32()], ids=str)
    def test_reads_counters_of_every_type_of_number(self, kind):
        parsed = parse(in_octets=pa.array([7, None], kind), out_octets=pa.array([1, 2], kind))

        assert [row.get("in_octets") for row in plain(parsed)] == [7, None]

    @pytest.mark.parametrize("kind", [pa.string(), pa.large_string(), pa.string_view()], ids=str)
    def test_reads_names_of_every_type_of_text(self, kind):
        parsed = parse(device=pa.array(["sm-07", "sm-08"], kind), team=pa.array([None, "front"], kind))

        assert [(name.device, name.team) for name in parsed.ports] == [("sm-07", ""), ("sm-08", "front")]

    def test_reads_a_column_of_nulls_as_unknown(self):
        assert [row["speed_bps"] for row in plain(parse(speed_bps=pa.nulls(2), role=pa.nulls(2)))] == [0, 0]

    @pytest.mark.parametrize(
        ("column", "values"),
        [
            ("in_octets", pa.array([1, -2], pa.int64())),
            ("in_octets", pa.array([1.0, 2.5], pa.float64())),
            ("in_octets", pa.array([1.0, float("nan")], pa.float64())),
            ("in_octets", pa.array([1.0, 1e19], pa.float64())),
            ("time", pa.array([TIME, None])),
            ("time", pa.array([AT, None], pa.timestamp("us", "UTC"))),
            ("time", pa.array([0.0, float("inf")], pa.float64())),
            ("time", pa.array([AT, datetime(1969, 1, 1, tzinfo=UTC)], pa.timestamp("us", "UTC"))),
            ("time", pa.array([TIME_MS // 1000, 2**62], pa.int64()).cast(pa.timestamp("s", "UTC"))),
            ("device", pa.array(["sm-07", None]).dictionary_encode()),
            ("counts", pa.array(["frame", "all"]).dictionary_encode()),
        ],
        ids=str,
    )
    def test_refuses_one_sample_by_its_place(self, column, values):
        parsed = parse(**{column: values})

        assert parsed.index.tolist() == [0]
        assert [(reject.index, reject.column) for reject in parsed.rejects] == [(1, column)]

    @pytest.mark.parametrize(
        ("column", "values", "says"),
        [
            ("time", pa.array([AT, AT], pa.timestamp("us")), "with the zone UTC"),
            ("in_octets", pa.array(["1", "2"]), "cast it to uint64"),
            ("in_octets", pa.array([[1], [2]]), "cast it to uint64"),
            ("device", pa.array([1, 2]), "cast it to string"),
            ("in_octet", pa.array([1, 2]), "is unknown"),
        ],
    )
    def test_refuses_the_whole_where_a_column_has_the_wrong_type(self, column, values, says):
        with pytest.raises(UnusableInput, match=says):
            parse(**{column: values})

    def test_reads_several_batches_with_dictionaries_of_their_own(self):
        tables = [
            pa.table({"time": [TIME], "device": pa.array([name]).dictionary_encode(), "port": ["m1"], "in_bps": [1.0]})
            for name in ("sm-07", "sm-08", "sm-07")
        ]
        parsed = arrow.parse(ipc(pa.concat_tables(tables)), LIMITS)

        assert [row["name"].device for row in plain(parsed)] == ["sm-07", "sm-08", "sm-07"]

    @pytest.mark.parametrize("octets", [b"", b"ARROW1\x00\x00", bytes(64), as_arrow([a_row()])[:-200]])
    def test_refuses_octets_that_are_no_stream(self, octets):
        with pytest.raises(UnusableInput):
            arrow.parse(octets, LIMITS)


class TestUnpacked:
    @pytest.mark.parametrize("packing", [None, "zstd", "lz4"])
    def test_counts_what_pyarrow_finds_when_it_reads_the_stream(self, packing):
        octets = as_arrow([a_row(port=f"m{number}", in_octets=number) for number in range(5000)], packing)
        with pa.ipc.open_stream(octets) as stream:
            batches = list(stream)

        rows, unpacked = arrow_sizes.unpacked(octets)
        held = sum(batch.get_total_buffer_size() for batch in batches)
        assert rows == sum(batch.num_rows for batch in batches) == 5000
        # Buffers are padded to 8 or 64 octets, and each batch counts its rows once more.
        assert held <= unpacked <= held * 1.1 + 15_000
