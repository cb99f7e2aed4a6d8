import shutil
from collections import namedtuple

import pytest
from examples import EPOCH_MS
from storage_examples import keep_samples, some_samples

from service import app
from service.commands import disk
from service.storage import database, inventory, room
from service.terms import PortName

DAY_MS = 86_400_000
Usage = namedtuple("Usage", ["total", "used", "free"])


@pytest.fixture
def filled(tmp_path, monkeypatch):
    url = f"sqlite:///{tmp_path}/kept.sqlite"
    engine = database.open(url)
    database.upgrade(engine)
    with engine.begin() as connection:
        inventory.resolve(connection, [PortName("sm-07", "m1", "front")], feed="push", now_ms=EPOCH_MS)
        keep_samples(connection, some_samples(*({"at": k * 30, "in_octets": k} for k in range(2880))))
    engine.dispose()
    monkeypatch.setenv("LOPSIDE_DATABASE__URL", url)
    monkeypatch.setattr(app, "now_ms", lambda: EPOCH_MS + DAY_MS)


class TestDisk:
    def test_says_what_is_kept_and_what_it_comes_to(self, lopside, filled):
        told = lopside("disk")

        lines = {line.split()[0]: line for line in told.stdout.splitlines()}
        # A day of samples is kept, and they are kept for two.
        assert "1 d" in lines["samples"]
        assert "too new to say" in lines["windows"]
        assert "together" in lines
        assert "too early to say" in lines["free"]
        assert told.exit_code == 0

    def test_says_that_there_is_room_for_a_year(self, lopside, filled, monkeypatch):
        days = dict.fromkeys(("oldest_ms", "newest_ms"), EPOCH_MS) | {"newest_ms": EPOCH_MS + DAY_MS}
        parts = [room.Room(name, 1000, **days) for name in ("samples", "windows", "rollups")]
        monkeypatch.setattr(room, "taken", lambda _: (*parts, room.Room("", 10)))

        told = lopside("disk")

        # A day's samples of two, windows of 14, roll-ups of 400, and a year of the rest beside what is there.
        assert "2.0 kB" in told.stdout
        assert "14.0 kB" in told.stdout
        assert "400.0 kB" in told.stdout
        assert "enough for a year" in told.stdout
        assert told.exit_code == 0

    def test_ends_with_1_where_the_disk_is_going_to_be_full(self, lopside, filled, monkeypatch):
        monkeypatch.setattr(shutil, "disk_usage", lambda _: Usage(0, 0, 40_000))

        told = lopside("disk")

        assert (told.exit_code, "full in" in told.stdout) == (1, True)

    def test_says_so_where_the_parts_are_not_known(self, lopside, filled, monkeypatch):
        monkeypatch.setattr(room, "taken", lambda _: ())

        assert "cannot tell what each table takes" in lopside("disk").stdout

    @pytest.mark.usefixtures("_postgresql_template")
    def test_leaves_the_disk_of_another_machine_to_whoever_sees_it(self, lopside, new_postgresql_url, monkeypatch):
        monkeypatch.setenv("LOPSIDE_DATABASE__URL", new_postgresql_url("migrated"))

        told = lopside("disk")

        assert (told.exit_code, "on the database's own machine" in told.stdout) == (0, True)


class TestAmount:
    @pytest.mark.parametrize(
        ("octets", "words"),
        [(0, "0 octets"), (999, "999 octets"), (1500, "1.5 kB"), (2e12, "2.0 TB"), (5e18, "5000.0 PB")],
    )
    def test_is_a_small_number_of_a_unit(self, octets, words):
        assert disk.amount(octets) == words
