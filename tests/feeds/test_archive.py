from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from examples import samples_of
from hypothesis import given
from hypothesis import strategies as st
from replay_examples import a_past

from service.errors import UnusableInput
from service.feeds import archive
from service.feeds.archive import Seat
from service.terms import COUNTERS, UNKNOWN, Facts, FactsTable, PortName, Role

FACTS = FactsTable.of(
    [Facts(), Facts(speed_bps=10**9, mac=2**48 - 1, mtu=1500, role=Role.STANDBY, last_change_ticks=7)]
)
SEATS = tuple(
    Seat(PortName("sm-07", f"m{k}", "front", "source-port", "static", k), 10**9, 2 * 10**9, 2) for k in (1, 2)
)

counters = st.dictionaries(st.sampled_from(COUNTERS), st.integers(0, 2**64 - 1))
rows = st.lists(
    st.fixed_dictionaries(
        {"port": st.integers(0, 1), "at": st.integers(1_795_600_800, 1_795_600_900), "facts": st.integers(0, 1)},
        optional={"uptime": st.integers(0, 2**32 - 1), "received": st.integers(1_795_600_800, 1_795_600_900)},
    ).flatmap(lambda row: counters.map(lambda told: {**row, **told})),
    min_size=1,
    max_size=12,
)


def a_day(samples, facts=FACTS, seats=SEATS):
    return archive.day_of(samples, facts, seats, (int(samples.at_ms.min()), int(samples.at_ms.max())))


def written(path, day):
    path.write_bytes(archive.octets_of(day))
    return path


def same(one, other):
    return all(np.array_equal(getattr(one, name), getattr(other, name)) for name in type(one).__dataclass_fields__)


class TestRead:
    @given(rows)
    def test_gives_back_what_was_written(self, tmp_path_factory, told):
        path = tmp_path_factory.mktemp("day") / "part.parquet"
        day = a_day(samples_of(told))

        there = archive.read(written(path, day))

        assert same(there.samples, day.samples)
        assert same(there.head.facts, day.head.facts)
        assert there.head.seats == SEATS
        assert there.head.digest == day.head.digest == archive.digest_of(there.samples, there.head.facts, SEATS)

    def test_keeps_the_largest_counter_beside_one_that_was_not_told(self, tmp_path):
        told = samples_of([{"at": 10, "out_octets": 2**64 - 1}, {"at": 20, "in_octets": 2**63}])

        there = archive.read(written(tmp_path / "p", a_day(told))).samples

        assert there.counters.tolist() == [[2**64 - 1, 0], [0, 2**63]]
        assert there.known.tolist() == [1, 2]

    def test_refuses_a_page_of_which_a_bit_fell_over(self, tmp_path):
        day = a_day(a_past(hours=24).samples, seats=SEATS)
        octets = bytearray(archive.octets_of(day))
        octets[len(octets) // 2] ^= 1
        path = tmp_path / "p"
        path.write_bytes(octets)

        with pytest.raises(UnusableInput, match=r"cannot be read as an archive: .*; have it written again"):
            archive.read(path)

    def test_refuses_what_is_no_archive(self, tmp_path):
        path = tmp_path / "p"
        pd.DataFrame({"time": [1]}).to_parquet(path)

        with pytest.raises(UnusableInput, match="holds no remarks of an archive"):
            archive.read(path)

    def test_refuses_half_a_file(self, tmp_path):
        path = written(tmp_path / "p", a_day(samples_of([{"at": 10, "out_octets": 1}])))
        path.write_bytes(path.read_bytes()[:-20])

        with pytest.raises(UnusableInput, match="cannot be read as an archive"):
            archive.head(path)

    def test_refuses_a_form_of_a_later_release(self, tmp_path, monkeypatch):
        monkeypatch.setattr(archive, "VERSION", 2)
        path = written(tmp_path / "p", a_day(samples_of([{"at": 10, "out_octets": 1}])))
        monkeypatch.undo()

        with pytest.raises(UnusableInput, match="version 2, this release reads 1"):
            archive.head(path)

    def test_refuses_a_file_that_is_not_there(self, tmp_path):
        with pytest.raises(UnusableInput, match="No such file"):
            archive.read(tmp_path / "none")


class TestOctetsOf:
    # Outside check: pandas reads the file with nothing of ours.
    def test_are_a_table_that_others_read(self, tmp_path):
        told = samples_of([{"at": 10, "port": 1, "out_octets": 2**63 + 1}, {"at": 20, "port": 0, "out_octets": 5}])

        table = pd.read_parquet(written(tmp_path / "p", a_day(told)))

        assert table["port"].tolist() == ["m1", "m2"]
        assert table["device"].tolist() == ["sm-07", "sm-07"]
        assert table["out_octets"].tolist() == [5, 2**63 + 1]
        assert [str(at) for at in table["time"]] == ["1970-01-01 00:00:20+00:00", "1970-01-01 00:00:10+00:00"]
        assert "in_octets" not in table

    def test_are_small(self):
        past = a_past(teams=2, hours=24)

        assert len(archive.octets_of(a_day(past.samples, seats=SEATS * 2))) < 16 * len(past.samples)


class TestDayOf:
    def test_keeps_only_the_facts_that_are_pointed_to(self):
        day = a_day(samples_of([{"at": 10, "facts": 1}]))

        assert day.head.facts.speed_bps.tolist() == [10**9]
        assert day.samples.facts.tolist() == [0]

    def test_keeps_the_first_of_two_samples_first(self):
        told = samples_of([{"at": 10, "out_octets": 7}, {"at": 5, "out_octets": 1}, {"at": 10, "out_octets": 8}])

        assert a_day(told).samples.counters[:, 0].tolist() == [1, 7, 8]

    def test_leaves_out_what_no_sample_tells(self):
        day = a_day(samples_of([{"at": 10, "out_octets": 7}]))

        assert day.samples.columns == (0,)
        assert len(day.samples.received_ms) == len(day.samples.uptime_ticks) == 0


class TestDigestOf:
    def test_is_another_for_another_octet_or_port(self):
        told = a_day(samples_of([{"at": 10, "out_octets": 7}]))
        other = replace(told.samples, counters=told.samples.counters + np.uint64(1))
        digest = archive.digest_of(told.samples, told.head.facts, SEATS)

        assert archive.digest_of(other, told.head.facts, SEATS) != digest
        assert archive.digest_of(told.samples, told.head.facts, SEATS[:1]) != digest

    def test_does_not_ask_what_stands_where_nothing_was_told(self):
        told = a_day(samples_of([{"at": 10, "out_octets": 7}, {"at": 20, "in_octets": UNKNOWN + 1}])).samples
        other = replace(told, counters=told.counters + np.array([[0, 9], [9, 0]], dtype=np.uint64))

        assert archive.digest_of(told, FACTS, SEATS) == archive.digest_of(other, FACTS, SEATS)
