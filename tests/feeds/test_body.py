"""Pushed bodies in every form: the same samples, whatever carries them, and never a crash."""

import contextlib
import gzip
import json
import zlib

import pyarrow as pa
import pytest
from feed_examples import FORMS, TIME_MS, a_row, as_arrow, as_columnar, as_csv, as_json, as_ndjson, ipc, plain, refusals
from hypothesis import given, settings
from hypothesis import strategies as st
from mangling import mangled

from service.errors import ServiceError, TooLarge, UnsupportedForm, UnusableInput
from service.feeds import body
from service.feeds.limits import IngestLimits
from service.terms import BUNDLES, METHODS, OPER_WORDS, Form

NAMES = st.text(st.characters(exclude_categories=("C", "Z")), min_size=1, max_size=8)
# What follows RFC 2863 for counters: whole numbers below 2^64.
COUNTS = st.integers(0, 2**64 - 1)


@st.composite
def told_samples(draw):
    """Samples that all have the same fields, as every form can carry them."""
    optional = {
        "team": NAMES,
        "speed_bps": st.sampled_from([0, 10**9, 10**11]),
        "in_packets": COUNTS,
        "out_ucast_packets": COUNTS,
        "out_mcast_packets": COUNTS,
        "out_bcast_packets": COUNTS,
        "in_discards": COUNTS,
        "out_errors": COUNTS,
        "counts": st.sampled_from(["frame", "no-fcs", "payload"]),
        "counter_bits": st.just(64),
        "oper_status": st.sampled_from(OPER_WORDS[1:]),
        "role": st.sampled_from(["active", "standby", "out"]),
        "uptime_ticks": st.integers(0, 2**32 - 1),
        "discontinuity_ticks": st.integers(0, 2**32 - 1),
        "last_change_ticks": st.integers(0, 2**32 - 1),
        "mac": st.sampled_from(["02:00:5e:10:00:01", "02-00-5E-10-00-02", "02005e100003"]),
        "if_index": st.integers(1, 2**31 - 1),
        "method": st.sampled_from(METHODS),
        "bundle": st.sampled_from(BUNDLES),
        "mtu": st.integers(0, 2**31 - 1),
        "duplex": st.sampled_from(["full", "half"]),
        "received_at": st.integers(1, 2**31),
        "x_note": st.just("ours"),
    }
    chosen = draw(st.sets(st.sampled_from(sorted(optional))))
    must = {
        "time": draw(
            st.sampled_from(
                [
                    st.integers(1, 4_000_000_000),
                    st.integers(1, 4_000_000_000_000).map(lambda ms: ms / 1000),
                    st.sampled_from(["2026-11-25T10:00:00Z", "2026-11-25T11:00:30.250+01:00"]),
                ]
            )
        ),
        "device": NAMES,
        "port": NAMES,
        "in_octets": COUNTS,
        "out_octets": COUNTS,
    }
    rows = st.fixed_dictionaries(must | {name: optional[name] for name in sorted(chosen)})
    return draw(st.lists(rows, min_size=1, max_size=6))


class TestAllForms:
    @given(told_samples())
    def test_give_the_same_samples(self, rows):
        found = {name: body.parse(write(rows), kind) for name, (write, kind) in FORMS.items()}

        assert [parsed.rejects for parsed in found.values()] == [()] * len(found)
        assert {name: plain(parsed) == plain(found["json"]) for name, parsed in found.items()} == dict.fromkeys(
            FORMS, True
        )

    @pytest.mark.parametrize("form", FORMS)
    def test_carry_one_sample_as_written(self, form):
        write, kind = FORMS[form]
        taken = plain(body.parse(write([a_row(in_octets=2**64 - 1, speed_bps=10**9, duplex="half")]), kind))

        assert taken[0] | {"name": None} == {
            "name": None,
            "at_ms": TIME_MS,
            "in_octets": 2**64 - 1,
            "out_octets": 2,
            "received_ms": -1,
            "uptime_ticks": -1,
            "discontinuity_ticks": -1,
            "speed_bps": 10**9,
            "counter_bits": 64,
            "counts": 0,
            "form": 0,
            "oper": 0,
            "role": 0,
            "mac": 0,
            "mtu": 0,
            "last_change_ticks": -1,
            "half_duplex": 1,
        }

    @pytest.mark.parametrize("form", FORMS)
    @pytest.mark.parametrize(
        ("column", "value"),
        [
            ("in_octets", 1.5),
            ("counter_bits", 48),
            ("time", "2026-11-25T10:00:00"),
            ("time", None),
            ("device", None),
            ("port", ""),
            ("device", "a\x00b"),
            ("team", " front"),
            ("oper_status", "UP"),
            ("mac", "02:00"),
            ("if_index", 0),
            ("uptime_ticks", 2**32),
        ],
    )
    def test_refuse_one_bad_sample_and_keep_those_beside_it(self, form, column, value):
        write, kind = FORMS[form]
        good = a_row(counter_bits=64, oper_status="up", mac="02:00:5e:10:00:01", if_index=1, uptime_ticks=1)
        parsed = body.parse(write([good, {**good, column: value}, {**good, "port": "m2"}]), kind)

        first = {"csv": 2, "ndjson": 1}.get(form, 0)  # lines count from 1 and a header is one
        assert refusals(parsed) == [(first + 1, column)]
        assert parsed.index.tolist() == [first, first + 2]
        assert column in parsed.rejects[0].reason

    @pytest.mark.parametrize("form", FORMS)
    def test_refuse_more_samples_than_are_taken_at_once(self, form):
        write, kind = FORMS[form]
        rows = [a_row(port=f"m{number}") for number in range(4)]

        assert len(body.parse(write(rows), kind, limits=IngestLimits(max_samples=4)).samples) == 4
        with pytest.raises(TooLarge):
            body.parse(write(rows), kind, limits=IngestLimits(max_samples=3))

    @pytest.mark.parametrize("form", FORMS)
    def test_sum_the_split_of_packets_modulo_the_width_of_the_counter(self, form):
        write, kind = FORMS[form]
        split = {"in_ucast_packets": 2**32 - 1, "in_mcast_packets": 3, "in_bcast_packets": 4}
        wide = {"in_ucast_packets": 2**64 - 1, "in_mcast_packets": 3, "in_bcast_packets": 4}
        rows = [a_row(counter_bits=32, **split), a_row(counter_bits=64, port="m2", **wide)]
        taken = plain(body.parse(write(rows), kind))

        assert [row["in_packets"] for row in taken] == [6, 6]
        assert [(row["in_mcast_packets"], row["in_bcast_packets"]) for row in taken] == [(3, 4), (3, 4)]

    @pytest.mark.parametrize("form", FORMS)
    def test_know_no_packets_where_a_part_of_the_split_is_missing(self, form):
        write, kind = FORMS[form]
        taken = plain(body.parse(write([a_row(in_ucast_packets=5, in_mcast_packets=3)]), kind))

        assert "in_packets" not in taken[0]
        assert taken[0]["in_mcast_packets"] == 3

    @pytest.mark.parametrize("form", FORMS)
    def test_take_rates_as_bits_per_second(self, form):
        write, kind = FORMS[form]
        rates = a_row(in_octets=None, out_octets=None, in_bps=800_000_000.4, out_kBps=1000.5)
        taken = plain(body.parse(write([rates]), kind))

        assert (taken[0]["in_octets"], taken[0]["out_octets"]) == (800_000_000, 8_004_000)
        assert taken[0]["form"] == Form.RATE

    @pytest.mark.parametrize("form", ["json", "ndjson", "columnar", "arrow"])
    def test_refuse_a_sample_with_counters_and_rates(self, form):
        write, kind = FORMS[form]
        both = a_row(out_octets=None, out_bps=5)
        parsed = body.parse(write([a_row(out_bps=None), both]), kind)

        assert len(parsed.samples) == 1
        assert "counters or rates, not both" in parsed.rejects[0].reason

    @pytest.mark.parametrize("form", FORMS)
    def test_refuse_a_wide_value_of_a_32_bit_counter(self, form):
        write, kind = FORMS[form]
        rows = [a_row(counter_bits=32, in_octets=value) for value in (2**32 - 1, 2**32)]
        parsed = body.parse(write(rows), kind)

        assert [row["in_octets"] for row in plain(parsed)] == [2**32 - 1]
        assert "counter_bits is 32" in parsed.rejects[0].reason


class TestParse:
    @pytest.mark.parametrize(
        ("kind", "packing"),
        [("application/xml", ""), ("", ""), ("text/csv; charset=latin-1", ""), ("text/csv", "br")],
    )
    def test_refuses_forms_that_nobody_reads(self, kind, packing):
        with pytest.raises(UnsupportedForm):
            body.parse(as_csv([a_row()]), kind, packing)

    @pytest.mark.parametrize("kind", ["Text/CSV; header=present", 'text/csv; charset="UTF-8"'])
    def test_reads_a_type_with_parameters(self, kind):
        assert len(body.parse(as_csv([a_row()]), kind).samples) == 1

    @pytest.mark.parametrize("form", FORMS)
    def test_unpacks_gzip(self, form):
        write, kind = FORMS[form]

        assert len(body.parse(gzip.compress(write([a_row()])), kind, "gzip").samples) == 1

    @pytest.mark.parametrize("kind", body.FORMS)
    @pytest.mark.parametrize("octets", [b"", b"\xff\xfe{\x00", "{}".encode("utf-16"), b"\x00\x00", b"\xef\xbb\xbf"])
    def test_refuses_nothing_and_other_encodings(self, kind, octets):
        with pytest.raises(UnusableInput):
            body.parse(octets, kind)

    @pytest.mark.parametrize("opening", ['{"samples":', '{"columns":', "", '{"samples":[{"time":'])
    def test_refuses_a_hundred_thousand_brackets(self, opening):
        for nested in (opening + "[" * 100_000, opening + '{"a":' * 100_000, "[" * 100_000 + "]" * 100_000):
            with pytest.raises(UnusableInput):
                body.parse(nested.encode(), body.JSON)

    def test_refuses_a_line_of_a_hundred_thousand_brackets_alone(self):
        parsed = body.parse(as_ndjson([a_row()]) + b"\n" + b"[" * 100_000, body.NDJSON)

        assert (len(parsed.samples), [reject.index for reject in parsed.rejects]) == (1, [2])

    def test_takes_a_byte_order_mark(self):
        assert len(body.parse(b"\xef\xbb\xbf" + as_json([a_row()]), body.JSON).samples) == 1


ROWS = [a_row(speed_bps=10**9, oper_status="up", port=f"m{number}") for number in range(3)]
JUNK = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)


class TestNothingCrashes:
    @given(st.sampled_from(body.FORMS), st.binary(max_size=200))
    def test_on_octets_at_random(self, kind, octets):
        self.parse_or_refuse(octets, kind)

    @given(mangled(as_json(ROWS)))
    @settings(max_examples=200)
    def test_on_mangled_json(self, octets):
        self.parse_or_refuse(octets, body.JSON)

    @given(mangled(as_columnar(ROWS)))
    def test_on_mangled_columns(self, octets):
        self.parse_or_refuse(octets, body.JSON)

    @given(mangled(as_ndjson(ROWS)))
    def test_on_mangled_lines(self, octets):
        self.parse_or_refuse(octets, body.NDJSON)

    @given(mangled(as_csv(ROWS)))
    @settings(max_examples=200)
    def test_on_a_mangled_file(self, octets):
        self.parse_or_refuse(octets, body.CSV)

    @given(mangled(as_arrow(ROWS)))
    @settings(max_examples=300)
    def test_on_a_mangled_arrow_stream(self, octets):
        self.parse_or_refuse(octets, body.ARROW)

    @given(mangled(as_arrow(ROWS * 200, "zstd")))
    @settings(max_examples=200)
    def test_on_a_mangled_packed_arrow_stream(self, octets):
        self.parse_or_refuse(octets, body.ARROW)

    @given(mangled(gzip.compress(as_json(ROWS))))
    def test_on_mangled_gzip(self, octets):
        self.parse_or_refuse(octets, body.JSON, "gzip")

    @given(st.sampled_from(["samples", "columns"]), st.lists(st.sampled_from(sorted(ROWS[0]))), JUNK)
    def test_on_any_value_in_any_place(self, name, columns, junk):
        values = dict.fromkeys(columns, junk) | {"time": [junk]}
        for said in ({name: junk}, {name: [junk]}, {name: [{**ROWS[0], **values}]}, {name: values}):
            self.parse_or_refuse(json.dumps(said).encode(), body.JSON)

    def parse_or_refuse(self, octets, kind, packing=""):
        with contextlib.suppress(ServiceError):  # whatever else is raised fails the test
            parsed = body.parse(octets, kind, packing, IngestLimits(max_octets=1 << 20, max_samples=1000))
            assert len(parsed.index) == len(parsed.samples)
            assert all(reject.reason for reject in parsed.rejects)


class TestBombs:
    @pytest.mark.parametrize("form", [body.JSON, body.NDJSON])
    def test_of_empty_lists_are_refused_before_they_are_read(self, form):
        lists = b'{"samples":[' + b"[]," * 1_500_000 + b"[]]}"

        with pytest.raises(TooLarge, match="many more objects and lists"):
            body.parse(gzip.compress(lists, 1), form, "gzip")

    def test_of_gzip_are_refused_before_they_are_unpacked(self):
        bomb = gzip.compress(bytes(64 << 20), 9)

        with pytest.raises(TooLarge, match="unpacks to more than"):
            body.parse(bomb, body.JSON, "gzip", IngestLimits(max_octets=1 << 20))

    @pytest.mark.parametrize("cut", [1, 8, 20])
    def test_truncated_gzip_is_refused(self, cut):
        with pytest.raises(UnusableInput, match="ends too soon"):
            body.parse(gzip.compress(as_json([a_row()]))[:-cut], body.JSON, "gzip")

    def test_octets_that_are_no_gzip_are_refused(self):
        for octets in (b"", as_json([a_row()]), zlib.compress(as_json([a_row()])), gzip.compress(b"{}") + b"more"):
            with pytest.raises(UnusableInput):
                body.parse(octets, body.JSON, "gzip")

    def test_of_zstd_inside_arrow_are_refused_before_they_are_unpacked(self):
        bomb = ipc(pa.table({"time": pa.array([0] * 4_000_000, pa.int64())}), "zstd")
        before = pa.total_allocated_bytes()

        with pytest.raises(TooLarge, match="unpacks to more than"):
            body.parse(bomb, body.ARROW, limits=IngestLimits(max_octets=1 << 20, max_samples=10**9))
        assert pa.total_allocated_bytes() - before < 1 << 20
        assert len(bomb) < 1 << 20

    def test_of_a_dictionary_are_refused_too(self):
        column = pa.array(["x" * 4_000_000] * 2).dictionary_encode()

        with pytest.raises(TooLarge, match="unpacks to more than"):
            body.parse(ipc(pa.table({"device": column}), "lz4"), body.ARROW, limits=IngestLimits(max_octets=1 << 20))

    def test_of_rows_without_octets_are_refused(self):
        rows = ipc(pa.table({"time": pa.nulls(10**7)}))

        with pytest.raises(TooLarge, match="more than"):
            body.parse(rows, body.ARROW)
