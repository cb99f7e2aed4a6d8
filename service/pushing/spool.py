"""Batches that wait on disk: one file each, numbered, in order, within a bound.

A batch is written under another name, brought to the disk and then renamed, so that an end of any kind leaves it
whole or not at all. Where the bound is reached the oldest goes, because what is newest tells what is wrong now.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import threading
from collections import OrderedDict
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any, NamedTuple

import structlog

from service.errors import SpoolInUse, UnusableSpool

SUFFIX = ".json"
UNFINISHED = ".part"
DIGITS = 16
MOST_REFUSED = 100  # files kept of what the service would not take, for somebody to look at
MOST_GIVEN = 8  # batches that go for one where the disk is full; where that is no help, more would be none either
FULL = frozenset({errno.ENOSPC, errno.EDQUOT})
PASSING = frozenset({errno.EMFILE, errno.ENFILE, errno.ENOMEM})  # it is not the file's fault that it cannot be read

log = structlog.get_logger("pushing")


class _Leaving(NamedTuple):
    """A batch that is never sent again and still on disk: its size, and where it goes; None for away."""

    octets: int
    place: Path | None


@dataclass
class Spool:
    """A folder of waiting batches, which one process at a time may use; its parts may be used by several threads."""

    folder: Path
    most_octets: int
    _sizes: OrderedDict[int, int] = field(default_factory=OrderedDict)
    _leaving: dict[int, _Leaving] = field(default_factory=dict)
    _next: int = 1
    _octets: int = 0
    _lock: IO[Any] | None = None
    _turn: threading.RLock = field(default_factory=threading.RLock)

    def __enter__(self) -> Spool:
        try:
            self.refused.mkdir(parents=True, exist_ok=True, mode=0o700)
            self._lock = (self.folder / "lock").open("a")
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            self._look()
        except BlockingIOError:
            self._let_go()
            raise SpoolInUse(str(self.folder)) from None
        except OSError as wrong:
            self._let_go()
            raise UnusableSpool(str(self.folder), wrong.strerror or str(wrong)) from wrong
        return self

    def __exit__(self, *_: object) -> None:
        self._let_go()

    def _let_go(self) -> None:
        if self._lock is not None:
            self._lock.close()  # which also lets the lock go
            self._lock = None

    @property
    def refused(self) -> Path:
        """Where batches stand that the service would not take."""
        return self.folder / "refused"

    def __len__(self) -> int:
        return len(self._sizes)

    def put(self, body: bytes) -> int:
        """Keep a batch behind all others; how many of the oldest had to go for it, on a full disk as at the bound."""
        with self._turn, self._said_as_unusable():
            with contextlib.suppress(OSError):  # it is said where batches leave
                self._clear()
            number, gone = self._next, 0
            while self._sizes and self._octets + len(body) > self.most_octets:
                self._drop_oldest()
                gone += 1
            gone += self._written(number, body)
            self._next = number + 1
            self._sizes[number] = len(body)
            self._octets += len(body)
            return gone

    def oldest(self, most: int, most_octets: int) -> list[tuple[int, bytes]]:
        """The oldest batches by number, as many as are asked for and fit, at least one where there is one."""
        with self._turn, self._said_as_unusable():
            found: list[tuple[int, bytes]] = []
            room = most_octets
            for number, size in list(self._sizes.items()):
                if found and (len(found) >= most or size > room):
                    break
                body = self._body(number)
                if body is not None:
                    found.append((number, body))
                    room -= size
            return found

    def remove(self, numbers: list[int]) -> None:
        """Let batches go that were taken; those that the disk does not let go are not sent again, and tried later."""
        with self._turn, self._said_as_unusable():
            for number in numbers:
                self._leave(number)
            self._clear()

    def set_aside(self, number: int) -> Path:
        """Keep a batch that will never be taken apart from the others; of very many such the oldest goes."""
        with self._turn, self._said_as_unusable():
            place = self.refused / self._path(number).name
            self._leave(number, place)
            self._clear()
            for old in sorted(self.refused.glob(f"*{SUFFIX}"))[:-MOST_REFUSED]:
                with contextlib.suppress(OSError):  # one more of them is no harm
                    old.unlink()
            return place

    @contextlib.contextmanager
    def _said_as_unusable(self) -> Iterator[None]:
        try:
            yield
        except OSError as wrong:
            raise UnusableSpool(str(self.folder), wrong.strerror or str(wrong)) from wrong

    def _leave(self, number: int, place: Path | None = None) -> None:
        size = self._sizes.pop(number, None)
        if size is not None:
            self._leaving[number] = _Leaving(size, place)

    def _clear(self) -> None:
        """Take from the folder what left; what cannot be taken away stays counted, and the first reason is raised."""
        reasons: list[OSError] = []
        for number, leaving in list(self._leaving.items()):
            try:
                self._take_away(number, leaving.place)
            except OSError as wrong:
                reasons.append(wrong)
                continue
            del self._leaving[number]
            self._octets -= leaving.octets
        if reasons:
            raise reasons[0]

    def _take_away(self, number: int, place: Path | None) -> None:
        with contextlib.suppress(FileNotFoundError):  # somebody took it away by hand
            if place is None:
                self._path(number).unlink()
            else:
                self._path(number).replace(place)

    def _drop_oldest(self) -> None:
        number = next(iter(self._sizes))
        self._take_away(number, None)
        self._forget(number)

    def _look(self) -> None:
        """What an earlier process left: whole files count, unfinished ones go."""
        for half in self.folder.glob(f"*{UNFINISHED}"):
            half.unlink(missing_ok=True)
        kept = {int(path.stem): path.stat().st_size for path in self.folder.glob(f"*{SUFFIX}") if _is_ours(path)}
        aside = [int(path.stem) for path in self.refused.glob(f"*{SUFFIX}") if _is_ours(path)]
        self._sizes = OrderedDict(sorted(kept.items()))
        self._octets = sum(kept.values())
        self._next = max([*kept, *aside], default=0) + 1

    def _path(self, number: int) -> Path:
        return self.folder / f"{number:0{DIGITS}d}{SUFFIX}"

    def _body(self, number: int) -> bytes | None:
        try:
            return self._path(number).read_bytes()
        except FileNotFoundError:  # somebody took it away by hand
            self._forget(number)
        except OSError as wrong:
            if wrong.errno in PASSING:
                raise
            self._pass_over(number, wrong)
        return None

    def _pass_over(self, number: int, wrong: OSError) -> None:
        """Let a batch that cannot be read keep nobody up: it is set aside, or stays where it is and is not sent."""
        place = self._path(number)
        with contextlib.suppress(UnusableSpool):
            place = self.set_aside(number)
        log.error("batch cannot be read and is passed over", why=wrong.strerror or str(wrong), file=str(place))

    def _forget(self, number: int) -> bool:
        size = self._sizes.pop(number, None)
        self._octets -= size or 0
        return size is not None

    def _written(self, number: int, body: bytes) -> int:
        """Write a batch; how many of the oldest had to go because the disk is full."""
        gone = 0
        while True:
            try:
                self._write(number, body)
            except OSError as wrong:
                if wrong.errno not in FULL or not self._sizes or gone == MOST_GIVEN:
                    if gone:
                        log.warning("older batches went, and there is still no room", lost=gone)
                    raise
                self._drop_oldest()
                gone += 1
            else:
                return gone

    def _write(self, number: int, body: bytes) -> None:
        path = self._path(number)
        half = path.with_suffix(UNFINISHED)
        try:
            with half.open("wb") as stream:
                stream.write(body)
                stream.flush()
                os.fsync(stream.fileno())
            half.replace(path)
        except OSError:
            with contextlib.suppress(OSError):  # what went wrong first says more
                half.unlink(missing_ok=True)
            raise
        self._settle()

    def _settle(self) -> None:
        """Bring the names in the folder to the disk as well."""
        folder = os.open(self.folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def _is_ours(path: Path) -> bool:
    return path.stem.isascii() and path.stem.isdigit() and path.is_file()
