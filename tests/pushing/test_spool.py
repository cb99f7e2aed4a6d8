"""Batches on disk: whole or not there, in order, within a bound."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
import structlog
from hypothesis import given, settings
from hypothesis import strategies as st

from service.errors import SpoolInUse, UnusableSpool
from service.pushing import spool as spool_module
from service.pushing.spool import MOST_GIVEN, MOST_REFUSED, Spool

TOP = Path(__file__).resolve().parents[2]
MOST = 1_000_000


def bodies(spool):
    return [body for _, body in spool.oldest(1000, MOST)]


class TestOrder:
    def test_is_that_of_keeping(self, spool):
        for k in range(12):
            spool.put(b"%d" % k)

        assert bodies(spool) == [b"%d" % k for k in range(12)]

    def test_outlives_the_process(self, tmp_path):
        with Spool(tmp_path, MOST) as first:
            first.put(b"a")
            first.put(b"b")
        with Spool(tmp_path, MOST) as second:
            second.put(b"c")

            assert bodies(second) == [b"a", b"b", b"c"]

    def test_goes_on_behind_what_was_set_aside(self, tmp_path):
        with Spool(tmp_path, MOST) as first:
            first.put(b"a")
            aside = first.set_aside(1)
        with Spool(tmp_path, MOST) as second:
            second.put(b"b")
            second.set_aside(second.oldest(1, MOST)[0][0])

        assert aside.read_bytes() == b"a"
        assert len(list(aside.parent.iterdir())) == 2

    @pytest.mark.parametrize(("octets", "count"), [(1, 1), (4, 1), (8, 2), (9, 2), (1000, 3)])
    def test_hands_out_as_many_as_fit_and_at_least_one(self, spool, octets, count):
        for _ in range(3):
            spool.put(b"4444")

        assert len(spool.oldest(10, octets)) == count


class TestBound:
    @pytest.mark.parametrize(("octets", "gone"), [(9, 0), (10, 0), (11, 1), (16, 2), (50, 2)])
    def test_lets_the_oldest_go_and_says_how_many(self, tmp_path, octets, gone):
        with Spool(tmp_path, 20) as spool:
            spool.put(b"5" * 5)
            spool.put(b"6" * 5)

            assert spool.put(b"x" * octets) == gone
            assert bodies(spool)[-1] == b"x" * octets
            assert len(spool) == 3 - gone
            assert len(list(tmp_path.glob("*.json"))) == 3 - gone

    @settings(deadline=None, max_examples=30)
    @given(sizes=st.lists(st.integers(0, 40), max_size=30))
    def test_is_never_left_and_the_newest_stay(self, tmp_path_factory, sizes):
        with Spool(tmp_path_factory.mktemp("spool"), 100) as spool:
            for k, size in enumerate(sizes):
                spool.put(b"%03d" % k + b"." * size)
            kept = bodies(spool)

        assert sum(map(len, kept)) <= 100
        assert [int(body[:3]) for body in kept] == list(range(len(sizes) - len(kept), len(sizes)))

    def test_holds_for_what_was_set_aside_too(self, spool):
        for k in range(MOST_REFUSED + 5):
            spool.put(b"%d" % k)
            spool.set_aside(spool.oldest(1, MOST)[0][0])

        assert len(list(spool.refused.iterdir())) == MOST_REFUSED
        assert min(int(path.stem) for path in spool.refused.iterdir()) == 6


class TestEnds:
    def test_leave_no_half_batch(self, tmp_path):
        with Spool(tmp_path, MOST) as spool:
            spool.put(b"whole")
        (tmp_path / "0000000000000002.part").write_bytes(b"ha")

        with Spool(tmp_path, MOST) as spool:
            assert bodies(spool) == [b"whole"]
            assert list(tmp_path.glob("*.part")) == []

    def test_by_force_while_writing_lose_nothing_that_was_kept(self, tmp_path):
        """A real process that writes without pause is killed; each batch says how long it has to be."""
        code = (
            "import sys; from pathlib import Path; from service.pushing.spool import Spool\n"
            "with Spool(Path(sys.argv[1]), 1 << 30) as spool:\n"
            "    for k in range(100_000):\n"
            "        spool.put(b'%08d' % k + b'.' * 20_000)\n"
            "        print(k, flush=True)\n"
        )
        writer = subprocess.Popen([sys.executable, "-c", code, tmp_path], cwd=TOP, stdout=subprocess.PIPE, text=True)
        said = [int(writer.stdout.readline()) for _ in range(25)][-1]
        os.kill(writer.pid, signal.SIGKILL)
        said = max([said, *(int(line) for line in writer.stdout.read().splitlines())])
        writer.stdout.close()
        writer.wait(10)

        with Spool(tmp_path, 1 << 30) as spool:
            kept = [body for _, body in spool.oldest(100_000, 1 << 30)]

        assert {len(body) for body in kept} == {20_008}
        assert [int(body[:8]) for body in kept] == list(range(len(kept)))
        assert len(kept) in (said + 1, said + 2)  # the last may be whole, and yet not said

    @pytest.mark.parametrize("step", ["fsync", "replace"])
    def test_of_the_disk_are_said_and_leave_no_half_batch(self, spool, monkeypatch, step):
        def full(*_):
            raise OSError(5, "Input/output error")

        spool.put(b"a")
        with monkeypatch.context() as broken:
            broken.setattr(*((spool_module.os, "fsync", full) if step == "fsync" else (Path, "replace", full)))
            with pytest.raises(UnusableSpool, match="Input/output error"):
                spool.put(b"b")
        spool.put(b"c")

        assert bodies(spool) == [b"a", b"c"]
        assert list(spool.folder.glob("*.part")) == []


class TestLock:
    def test_refuses_a_second_process(self, spool):
        code = (
            "import sys; from pathlib import Path; from service.pushing.spool import Spool\n"
            "Spool(Path(sys.argv[1]), 1).__enter__()"
        )
        told = subprocess.run(
            [sys.executable, "-c", code, spool.folder],
            cwd=TOP,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )

        assert "SpoolInUse" in told.stderr

    def test_goes_with_the_process_that_held_it(self, tmp_path):
        with Spool(tmp_path, MOST), pytest.raises(SpoolInUse), Spool(tmp_path, MOST):
            pass
        with Spool(tmp_path, MOST) as spool:
            assert len(spool) == 0

    def test_refuses_a_folder_that_cannot_be_one(self, tmp_path):
        (tmp_path / "file").write_text("")

        with pytest.raises(UnusableSpool, match="--spool"), Spool(tmp_path / "file", MOST):
            pass


class TestByHand:
    def test_a_batch_may_be_taken_away(self, spool):
        spool.put(b"a")
        spool.put(b"b")
        next(iter(sorted(spool.folder.glob("*.json")))).unlink()

        assert bodies(spool) == [b"b"]
        assert len(spool) == 1

    def test_a_file_of_another_name_is_left_alone(self, tmp_path):
        (tmp_path / "notes.json").write_text("{}")

        with Spool(tmp_path, MOST) as spool:
            assert bodies(spool) == []
        assert (tmp_path / "notes.json").exists()


def files(spool):
    return sorted(int(path.stem) for path in spool.folder.glob("*.json"))


def refusing(number):
    """What stands for a call of the file system that fails with an error of errno(3)."""

    def refuse(*_, **__):
        raise OSError(number, os.strerror(number))

    return refuse


def disk_of(spool, octets):
    """A disk with room for so many octets, which says that it is full when they are brought to it."""

    def fsync(_):
        if sum(path.stat().st_size for path in spool.folder.iterdir() if path.is_file()) > octets:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    return fsync


class TestUnreadable:
    def test_batch_is_set_aside_and_said_and_the_others_go_on(self, spool):
        """A folder in a file's place cannot be read by anybody, also not by root."""
        spool.put(b"a")
        spool.put(b"b")
        path = spool.folder / "0000000000000001.json"
        path.unlink()
        path.mkdir()

        with structlog.testing.capture_logs() as lines:
            assert bodies(spool) == [b"b"]
            assert bodies(spool) == [b"b"]

        assert [(line["why"], line["file"]) for line in lines] == [("Is a directory", str(spool.refused / path.name))]
        assert (spool.refused / path.name).exists()
        assert len(spool) == 1

    @pytest.mark.parametrize("number", [errno.EACCES, errno.EIO])
    def test_batch_is_skipped_where_it_cannot_be_set_aside(self, spool, monkeypatch, number):
        spool.put(b"a")
        monkeypatch.setattr(Path, "read_bytes", refusing(number))
        monkeypatch.setattr(Path, "replace", refusing(errno.EROFS))

        with structlog.testing.capture_logs() as lines:
            assert bodies(spool) == []

        assert [line["why"] for line in lines] == [os.strerror(number)]
        assert (len(spool), files(spool)) == (0, [1])

    def test_batch_stays_where_the_process_is_short_of_something(self, spool, monkeypatch):
        spool.put(b"a")
        with monkeypatch.context() as broken:
            broken.setattr(Path, "read_bytes", refusing(errno.EMFILE))
            with pytest.raises(UnusableSpool, match="Too many open files"):
                bodies(spool)

        assert bodies(spool) == [b"a"]


class TestReadOnly:
    def test_disk_is_said_and_what_was_taken_is_not_sent_again_and_goes_later(self, spool, monkeypatch):
        spool.put(b"a")
        spool.put(b"b")
        with monkeypatch.context() as broken:
            broken.setattr(Path, "unlink", refusing(errno.EROFS))
            with pytest.raises(UnusableSpool, match="Read-only"):
                spool.remove([1])
            assert bodies(spool) == [b"b"]
            assert files(spool) == [1, 2]
        spool.put(b"c")

        assert files(spool) == [2, 3]

    def test_disk_keeps_a_refused_batch_for_later(self, spool, monkeypatch):
        spool.put(b"a")
        with monkeypatch.context() as broken:
            broken.setattr(Path, "replace", refusing(errno.EROFS))
            with pytest.raises(UnusableSpool, match="Read-only"):
                spool.set_aside(1)
            assert bodies(spool) == []
        spool.remove([])

        assert [path.read_bytes() for path in spool.refused.iterdir()] == [b"a"]
        assert files(spool) == []

    def test_disk_is_said_where_there_is_no_room_for_a_batch(self, tmp_path, monkeypatch):
        with Spool(tmp_path, 2) as spool:
            spool.put(b"a")
            spool.put(b"b")
            with monkeypatch.context() as broken:
                broken.setattr(Path, "unlink", refusing(errno.EROFS))
                with pytest.raises(UnusableSpool, match="Read-only"):
                    spool.put(b"c")
            assert bodies(spool) == [b"a", b"b"]

            assert spool.put(b"c") == 1
            assert bodies(spool) == [b"b", b"c"]


class TestFullDisk:
    def test_takes_the_newest_for_the_oldest(self, spool, monkeypatch):
        monkeypatch.setattr(spool_module.os, "fsync", disk_of(spool, 20))

        gone = [spool.put(b"%05d" % k) for k in range(6)]
        gone.append(spool.put(b"x" * 10))

        assert gone == [0, 0, 0, 0, 1, 1, 2]
        assert bodies(spool) == [b"00004", b"00005", b"x" * 10]

    def test_costs_no_more_batches_than_may_help(self, spool, monkeypatch):
        for k in range(MOST_GIVEN + 3):
            spool.put(b"%d" % k)
        monkeypatch.setattr(spool_module.os, "fsync", disk_of(spool, 0))

        with structlog.testing.capture_logs() as lines, pytest.raises(UnusableSpool, match="No space left"):
            spool.put(b"new")

        assert len(spool) == 3
        assert [line["lost"] for line in lines] == [MOST_GIVEN]
