"""Taking samples in, on both databases: what is new, what is known, and what is refused by its index."""

import threading

import pytest
from examples import EPOCH_MS
from feed_examples import a_row, as_csv, as_json
from sqlalchemy import func, select

from service import ingest
from service.feeds import body, counter_file
from service.feeds.limits import IngestLimits
from service.storage import arrivals, events, inventory, tables

NOW_MS = EPOCH_MS + 60_000
HOUR_S = 3600


def push(engine, rows, **how):
    parsed = body.parse(as_json(rows), body.JSON)
    return ingest.keep(engine, parsed, **{"feed": "push", "now_ms": NOW_MS, **how})


def rows_in(engine, table):
    with engine.connect() as connection:
        return connection.execute(select(func.count()).select_from(table)).scalar_one()


def at(seconds, **changes):
    return a_row(time=EPOCH_MS / 1000 + seconds, **changes)


def five_hundred():
    """500 samples of 10 ports, 10 s apart, and the 250th malformed."""
    rows = [
        at(-10 * (k // 10), port=f"m{k % 5}", team=f"t{k % 10 // 5}", device=f"sm-{k % 10 // 5}") for k in range(500)
    ]
    rows[250] = {**rows[250], "in_octets": "many"}
    return rows


class TestKeep:
    def test_takes_499_of_500_and_names_the_malformed_one(self, engine):
        taken = push(engine, five_hundred())

        assert (taken.accepted, taken.duplicates) == (499, 0)
        assert [(reject.index, reject.column, reject.value) for reject in taken.rejected] == [
            (250, "in_octets", "many")
        ]

    def test_takes_nothing_new_from_the_same_batch_again(self, engine):
        push(engine, five_hundred())
        again = push(engine, five_hundred(), now_ms=NOW_MS + 5)

        assert (again.accepted, again.duplicates, len(again.rejected)) == (0, 499, 1)
        assert rows_in(engine, tables.samples) == 499

    def test_hears_a_device_by_the_feed_of_its_newest_samples(self, engine):
        push(engine, [at(0)], feed="csv")
        push(engine, [at(30)])
        with engine.connect() as connection:
            assert connection.scalars(select(tables.devices.c.feed)).all() == ["push"]

        push(engine, [at(10)], feed="csv")
        with engine.connect() as connection:
            assert connection.scalars(select(tables.devices.c.feed)).all() == ["push"]

    def test_counts_a_sample_given_twice_in_a_batch_as_one(self, engine):
        taken = push(engine, [at(0), at(0), at(30)])

        assert (taken.accepted, taken.duplicates, taken.rejected) == (2, 1, ())

    @pytest.mark.parametrize("split", [True, False])
    def test_keeps_the_first_of_two_that_contradict_each_other_and_tells(self, engine, split):
        first, second = at(0, in_octets=5), at(0, in_octets=6)
        if split:
            push(engine, [first])
            taken = push(engine, [second])
        else:
            taken = push(engine, [first, second])

        assert [reject.index for reject in taken.rejected] == [0 if split else 1]
        assert "is known with other values" in taken.rejected[0].reason
        with engine.connect() as connection:
            assert connection.execute(select(tables.samples.c.in_octets)).scalars().all() == [5]
            assert [kept.event.kind for kept in events.listing(connection).items] == ["conflict"]

    def test_rejects_a_port_that_nobody_knows_by_its_index(self, engine):
        taken = push(engine, [at(0), at(0, port="m9", team=None)])

        assert taken.accepted == 1
        assert (taken.rejected[0].index, taken.rejected[0].column) == (1, "port")
        assert "name its team in the sample" in taken.rejected[0].reason

    def test_takes_a_known_port_without_its_team(self, engine):
        push(engine, [at(0)])

        assert push(engine, [at(30, team=None)]).accepted == 1

    def test_rejects_the_ninth_member_of_a_team(self, engine):
        taken = push(engine, [at(0, port=f"m{k}") for k in range(9)])

        assert taken.accepted == 8
        assert "has 8 members already" in taken.rejected[0].reason

    @pytest.mark.parametrize(("ahead_s", "accepted"), [(599, 1), (600, 1), (601, 0)])
    def test_takes_what_is_at_most_ten_minutes_ahead(self, engine, ahead_s, accepted):
        taken = push(engine, [at(60 + ahead_s)])

        assert taken.accepted == accepted
        assert all("ahead of this service's clock" in reject.reason for reject in taken.rejected)

    @pytest.mark.parametrize(("back_s", "accepted"), [(48 * HOUR_S - 1, 1), (48 * HOUR_S, 1), (48 * HOUR_S + 1, 0)])
    def test_takes_what_is_no_older_than_samples_are_kept(self, engine, back_s, accepted):
        taken = push(engine, [at(60 - back_s)])

        assert taken.accepted == accepted
        assert all("h that samples are kept" in reject.reason for reject in taken.rejected)

    def test_registers_no_port_for_samples_that_it_refuses(self, engine):
        push(engine, [at(10_000), at(0, port="m2", in_octets=-1)])

        assert rows_in(engine, tables.ports) == 0

    def test_notes_which_teams_are_to_be_evaluated_and_from_when(self, engine):
        push(engine, [at(30), at(0, port="m2"), at(-30, team="store", port="s1")])

        with engine.connect() as connection:
            (arrival,) = arrivals.pending(connection)
            names = [inventory.team(connection, team_id).name for team_id in arrival.team_ids.tolist()]
        since = dict(zip(names, arrival.from_ms.tolist(), strict=True))
        assert since == {"front": EPOCH_MS, "store": EPOCH_MS - 30_000}

    def test_notes_nothing_to_evaluate_where_nothing_is_new(self, engine):
        push(engine, [at(0)])
        push(engine, [at(0)])

        assert rows_in(engine, tables.arrivals) == 1

    def test_notes_of_a_device_its_newest_sample(self, engine):
        push(engine, [at(30), at(0)])
        push(engine, [at(10)], now_ms=NOW_MS + 1)

        with engine.connect() as connection:
            (device,) = inventory.devices(connection).items
        assert (device.last_sample_ms, device.last_received_ms) == (EPOCH_MS + 30_000, NOW_MS + 1)

    def test_takes_a_batch_of_nothing(self, engine):
        assert push(engine, []) == ingest.Taken(0, 0, ())

    def test_takes_one_of_two_writers_at_once_as_new(self, engine):
        answers = []
        writers = [threading.Thread(target=lambda: answers.append(push(engine, five_hundred()))) for _ in range(2)]
        for writer in writers:
            writer.start()
        for writer in writers:
            writer.join()

        assert sorted(taken.accepted for taken in answers) == [0, 499]
        assert sorted(taken.duplicates for taken in answers) == [0, 499]


class TestDryRun:
    def test_says_the_same_and_keeps_nothing(self, engine):
        rehearsed = push(engine, five_hundred(), dry_run=True)

        kept = [
            tables.samples,
            tables.ports,
            tables.teams,
            tables.devices,
            tables.arrivals,
            tables.events,
            tables.facts,
        ]
        assert {table.name: rows_in(engine, table) for table in kept} == dict.fromkeys([t.name for t in kept], 0)
        assert push(engine, five_hundred()) == rehearsed


class TestImport:
    @pytest.fixture
    def history(self, tmp_path):
        """10,000 rows of which three are bad: lines 101, 5,001 and 10,001."""
        rows = [
            at(-10 * (k // 4), device=f"sm-0{k % 4 // 2}", port=f"m{k % 2}", in_octets=10**9 + k, in_packets=k)
            for k in range(10_000)
        ]
        rows[99]["in_octets"] = -5
        rows[4999]["time"] = "yesterday"
        rows[9999] |= {"port": "m7", "team": ""}
        path = tmp_path / "history.csv"
        path.write_bytes(as_csv(rows))
        return path

    def test_takes_9997_of_10000_and_lists_three_by_line_and_reason(self, engine, history):
        taken = ingest.keep(engine, counter_file.read(history), feed="csv", now_ms=NOW_MS)

        assert (taken.accepted, taken.duplicates) == (9997, 0)
        assert [(reject.index, reject.column, reject.value) for reject in taken.rejected] == [
            (101, "in_octets", "-5"),
            (5001, "time", "yesterday"),
            (10_001, "port", "m7"),
        ]

    def test_adds_nothing_when_the_same_file_comes_again(self, engine, history):
        ingest.keep(engine, counter_file.read(history), feed="csv", now_ms=NOW_MS)
        again = [
            ingest.keep(engine, piece, feed="csv", now_ms=NOW_MS) for piece in counter_file.batches(history, rows=3000)
        ]

        assert [(taken.accepted, taken.duplicates) for taken in again] == [(0, 2999), (0, 2999), (0, 3000), (0, 999)]

    def test_rehearses_a_file_piece_by_piece_as_it_would_be_taken(self, engine, history):
        whole = history.read_bytes()
        history.write_bytes(whole + whole.split(b"\r\n")[2] + b"\r\n")
        pieces = list(counter_file.batches(history, rows=3000))
        limits = IngestLimits(retention_ms=48 * HOUR_S * 1000)
        rehearsed = list(ingest.rehearse(engine, pieces, feed="csv", now_ms=NOW_MS, limits=limits))

        assert rows_in(engine, tables.samples) == rows_in(engine, tables.ports) == 0
        assert rehearsed == [ingest.keep(engine, piece, feed="csv", now_ms=NOW_MS) for piece in pieces]
        assert rehearsed[-1].duplicates == 1
