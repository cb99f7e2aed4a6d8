import pytest
from replay_examples import DAY_MS, MIDNIGHT_MS, a_past

from service.errors import UnusableInput
from service.feeds import archive
from service.replaying import archiving
from service.replaying.archiving import Shelf, from_parsed, whole_days
from service.rules.layouts import layout_of

EVENING_MS = MIDNIGHT_MS + 22 * 3_600_000
HOUR_MS = 3_600_000


def write(folder, past, parts=4):
    return list(from_parsed(Shelf(folder, parts), past, layout_of(past.ports)[0], {}))


@pytest.fixture(scope="module")
def past():
    return a_past(teams=6, hours=4, start_ms=EVENING_MS)


class TestFromParsed:
    def test_writes_a_file_for_each_day_and_some_devices(self, tmp_path, past):
        done = write(tmp_path, past)

        assert {one.path.parent.name for one in done} == {"2026-11-25", "2026-11-26"}
        assert sum(one.samples for one in done) == len(past.samples)
        assert all(one.is_new for one in done)
        assert sorted(tmp_path.rglob("*")) == sorted({one.path for one in done} | {one.path.parent for one in done})

    def test_writes_nothing_again(self, tmp_path, past):
        write(tmp_path, past)

        assert not any(one.is_new for one in write(tmp_path, past))

    def test_goes_on_where_it_was_stopped(self, tmp_path, past):
        whole = {one.path: one.path.read_bytes() for one in write(tmp_path, past)}
        lost = sorted(whole)[1]
        lost.unlink()
        lost.with_name(f".{lost.name}.77").write_bytes(b"half of it")

        again = write(tmp_path, past)

        assert [one.path for one in again if one.is_new] == [lost]
        assert {one.path: one.path.read_bytes() for one in again} == whole

    def test_refuses_other_samples_of_a_day_that_is_there(self, tmp_path, past):
        write(tmp_path, past)

        with pytest.raises(UnusableInput, match="holds other samples of this day"):
            write(tmp_path, a_past(teams=6, hours=3.5, start_ms=EVENING_MS))

    def test_leaves_nothing_where_the_disk_gives_back_something_else(self, tmp_path, past, monkeypatch):
        written = archiving.archive.octets_of
        other = archive.day_of(past.samples, past.facts, tuple(map(archive.Seat, past.ports)), (0, 1))
        monkeypatch.setattr(archiving.archive, "octets_of", lambda _: written(other))

        with pytest.raises(UnusableInput, match="was not read back as it was written"):
            write(tmp_path, past)
        assert not [path for path in tmp_path.rglob("*") if path.is_file()]

    def test_says_when_there_is_no_folder_to_be_had(self, tmp_path, past):
        (tmp_path / "file").write_text("")

        with pytest.raises(UnusableInput, match="cannot be written: Not a directory"):
            write(tmp_path / "file", past)


class TestShelf:
    def test_puts_a_device_into_the_same_part_whatever_others_there_are(self):
        # CRC-32 of "123456789" is cbf43926 (the check value that catalogues of CRCs give), which is 6 modulo 16.
        assert Shelf("a", 16).part_of("123456789") == 0xCBF43926 % 16 == 6


class TestWholeDays:
    def test_end_before_a_day_that_may_still_change(self):
        noon_ms = MIDNIGHT_MS + 12 * HOUR_MS

        assert whole_days(noon_ms - 2 * DAY_MS, noon_ms) == (MIDNIGHT_MS - 2 * DAY_MS, MIDNIGHT_MS)
        assert whole_days(noon_ms, MIDNIGHT_MS + DAY_MS + HOUR_MS - 1)[1] == MIDNIGHT_MS
        assert whole_days(noon_ms, MIDNIGHT_MS + DAY_MS + HOUR_MS)[1] == MIDNIGHT_MS + DAY_MS
