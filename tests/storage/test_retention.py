import numpy as np
import pytest
from examples import EPOCH_MS
from item_examples import a_reading, registered
from sqlalchemy import func, select, text
from storage_examples import keep_samples as keep
from storage_examples import some_kinds, some_windows, three_teams
from storage_examples import some_samples as some

from service.storage import (
    database,
    events,
    inventory,
    item_readings,
    items,
    partitions,
    pushes,
    retention,
    tables,
    windows,
)
from service.storage.item_readings import Last
from service.storage.retention import DAY_MS, HOUR_MS, Retention
from service.terms import DataEvent, PortName, Span

NOW = EPOCH_MS


def add_ports(connection):
    names = [PortName("sm-07", f"m{k}", "front") for k in range(1, 4)]
    inventory.resolve(connection, names, feed="push", now_ms=EPOCH_MS)


def count(connection, table):
    return connection.scalar(select(func.count()).select_from(table))


def prune_all(connection, **more):
    rounds = 1
    while retention.prune(connection, NOW, **more).more:
        rounds += 1
    return rounds


class TestPrune:
    def test_removes_samples_older_than_48_hours(self, connection):
        hours = (-24 * 5, -24 * 4, -1, 0)
        add_ports(connection)
        keep(connection, some(*({"at": h * 3600, "port": port, "in_octets": 1} for h in hours for port in range(3))))

        prune_all(connection)

        assert count(connection, tables.samples) == 6

    def test_keeps_what_is_not_past_its_time(self, connection):
        keep(connection, some({"at": -48 * 3600, "in_octets": 1}, {"at": 0, "in_octets": 1}))

        prune_all(connection)

        assert count(connection, tables.samples) == 2

    def test_deletes_in_slices_where_there_are_no_partitions(self, sqlite_engine):
        with sqlite_engine.begin() as connection:
            rows = [{"at": -72 * 3600 + k, "port": port, "in_octets": 1} for k in range(10) for port in range(3)]
            add_ports(connection)
            keep(connection, some(*rows, {"at": 0, "in_octets": 1}))

            assert prune_all(connection, slice_rows=7) == 30 // 7 + 1
            assert count(connection, tables.samples) == 1

    def test_drops_whole_partitions_and_only_those_past_their_time(self, postgresql_engine):
        with postgresql_engine.begin() as connection:
            keep(connection, some({"at": -96 * 3600, "in_octets": 1}, {"at": -49 * 3600, "in_octets": 1}))

            pruned = retention.prune(connection, NOW)

            # 10:00 on the 25th: the 21st is past 48 hours as a whole, the 23rd is not.
            assert pruned.partitions == ("samples_20261121",)
            assert [one.name for one in partitions.existing(connection, "samples")] == ["samples_20261123"]

    def test_leaves_a_partition_that_is_in_use_for_the_next_time(self, postgresql_engine):
        with postgresql_engine.begin() as connection:
            keep(connection, some({"at": -96 * 3600, "in_octets": 1}))
        with postgresql_engine.connect() as reader, postgresql_engine.begin() as connection:
            reader.execute(text("SELECT count(*) FROM samples"))

            assert retention.prune(connection, NOW).partitions == ()
            assert connection.scalar(text("SHOW lock_timeout")) == database.OF_POSTGRESQL["lock_timeout"]

        with postgresql_engine.begin() as connection:
            assert retention.prune(connection, NOW).partitions == ("samples_20261121",)

    def test_removes_windows_older_than_14_days(self, connection):
        placed = three_teams(connection)
        for days in (-20, -1):
            span = Span(EPOCH_MS + days * DAY_MS, 4)
            windows.write(connection, placed, some_windows(span=span), some_kinds())

        prune_all(connection)

        kept = windows.read_many(connection, placed.team_ids, EPOCH_MS - 30 * DAY_MS, EPOCH_MS)
        assert kept.there.sum() == 3 * 4

    def test_keeps_as_long_as_it_is_told(self, connection):
        add_ports(connection)
        keep(connection, some({"at": -72 * 3600, "in_octets": 1}))

        prune_all(connection, retention=Retention(samples_ms=96 * HOUR_MS))

        assert count(connection, tables.samples) == 1

    def test_forgets_items_after_two_days(self, connection):
        [port, *_] = registered(connection)
        told = [a_reading(from_s=3600 * hours, to_s=3600 * hours + 60) for hours in (-49, -47)]
        items.keep(connection, [(port, one) for one in told])

        prune_all(connection)

        assert count(connection, tables.items) == 1

    def test_forgets_counters_of_virtual_ports_that_are_gone(self, connection):
        of_hours = [Last("sm-07", f"vm{hours}", "m1", NOW - hours * HOUR_MS, 1, 1) for hours in (49, 47)]
        item_readings.keep(connection, of_hours)

        prune_all(connection)

        assert [name for _, name in item_readings.of_devices(connection, ["sm-07"])] == ["vm47"]

    def test_forgets_old_events_and_pushes(self, connection):
        add_ports(connection)
        told = [DataEvent("sm-07", "m1", NOW - days * DAY_MS, "restart", "restarted") for days in (401, 399)]
        events.keep(connection, told)
        pushes.is_new(connection, "p1", NOW)

        prune_all(connection)

        assert count(connection, tables.events) == 1
        assert count(connection, tables.seen_pushes) == 0


class TestPrepare:
    def test_makes_the_partitions_of_the_days_to_come(self, postgresql_engine):
        with postgresql_engine.begin() as connection:
            retention.prepare(connection, NOW, days_ahead=6)
            retention.prepare(connection, NOW, days_ahead=6)

            days = [one.name[-8:] for one in partitions.existing(connection, "windows")]
            assert days == [f"202611{day}" for day in range(25, 31)] + ["20261201"]
            assert [one.name for one in partitions.existing(connection, "rollups")] == [
                "rollups_202611",
                "rollups_202612",
            ]

    def test_has_nothing_to_do_on_sqlite(self, sqlite_engine):
        with sqlite_engine.begin() as connection:
            before = connection.execute(text("SELECT count(*) FROM sqlite_master")).scalar()
            retention.prepare(connection, NOW)
            assert connection.execute(text("SELECT count(*) FROM sqlite_master")).scalar() == before


class TestCovering:
    @pytest.mark.parametrize(
        ("table", "name", "days"), [("samples", "samples_20240229", 1), ("rollups", "rollups_202402", 29)]
    )
    def test_names_the_period_that_holds_an_instant(self, table, name, days):
        at_ms = int(np.datetime64("2024-02-29T23:59:59.999", "ms").astype(np.int64))

        [partition] = partitions.covering(table, np.array([at_ms]))

        assert partition.name == name
        assert partition.end_ms == at_ms + 1
        assert partition.end_ms - partition.start_ms == days * DAY_MS
