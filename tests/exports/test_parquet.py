"""Parquet as pyarrow and pandas read it back."""

import io

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from service.exports.parquet import ROWS_A_GROUP, Column, Kind, written

COLUMNS = [
    Column("port"),
    Column("octets", Kind.COUNT),
    Column("share", Kind.FIGURE),
    Column("hot", Kind.TRUTH),
    Column("at", Kind.INSTANT),
]
AT_MS = 1_764_064_800_500  # 2025-11-25T10:00:00.5Z


class TestWritten:
    def test_keeps_types_instants_and_what_is_unknown(self):
        told = pq.read_table(
            io.BytesIO(written(COLUMNS, [("=m1", 2**62, 0.25, True, AT_MS), ("m2", None, float("nan"), None, None)]))
        )

        assert told.schema.types == [pa.string(), pa.int64(), pa.float64(), pa.bool_(), pa.timestamp("ms", tz="UTC")]
        first, second = told.to_pylist()
        # No formula runs here, so that text stays as it is.
        assert (first["port"], first["octets"], first["share"], first["hot"]) == ("=m1", 2**62, 0.25, True)
        assert first["at"].isoformat() == "2025-11-25T10:00:00.500000+00:00"
        assert second == {"port": "m2", "octets": None, "share": None, "hot": None, "at": None}

    def test_is_read_by_pandas_with_zone(self):
        told = pd.read_parquet(io.BytesIO(written(COLUMNS, [("m1", 1, 0.5, False, AT_MS)])))

        assert told["at"].dt.tz is not None
        assert told["at"][0] == pd.Timestamp("2025-11-25T10:00:00.5Z")

    def test_is_compressed_with_zstd_group_by_group(self):
        file = pq.ParquetFile(io.BytesIO(written(COLUMNS[1:2], ([n] for n in range(ROWS_A_GROUP + 1)))))

        assert file.metadata.num_row_groups == 2
        assert file.metadata.row_group(0).column(0).compression == "ZSTD"
        assert file.read()["octets"].to_pylist() == list(range(ROWS_A_GROUP + 1))

    def test_of_no_rows_has_its_columns(self):
        told = pq.read_table(io.BytesIO(written(COLUMNS, [])))

        assert (told.num_rows, told.column_names) == (0, [column.name for column in COLUMNS])

    def test_refuses_a_row_of_another_length(self):
        with pytest.raises(ValueError, match="zip"):
            written(COLUMNS, [("m1", 1)])
