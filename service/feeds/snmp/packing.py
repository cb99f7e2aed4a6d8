"""How many values fit into one request, estimated by the rules of BER, so that no reply is cut into fragments."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import lru_cache

# The least that every IPv6 link carries in one piece (RFC 8200 section 5), less the headers of IPv6 and UDP and what a
# message of SNMPv3 with privacy adds at most to be expected: engine and user names, authentication, padding.
MOST_OCTETS = 1280
_AROUND = 48 + 160
ROOM = MOST_OCTETS - _AROUND
_NARROW, _WIDE = 2 + 5, 2 + 9  # 32 bits and 64 bits, each a sign octet longer


def size_of(oid: str, *, wide: bool) -> int:
    """The octets that one variable takes in a reply: its identifier, its value, and their headers."""
    column, _, index = oid.rpartition(".")
    return 2 + 2 + _encoded(column) + _septets(index) + (_WIDE if wide else _NARROW)


@lru_cache(maxsize=256)  # there are no more columns than that
def _encoded(column: str) -> int:
    return 1 + sum(map(_septets, column.split(".")[2:]))  # the first two arcs share an octet (X.690 section 8.19)


def _septets(arc: str) -> int:
    """The octets of one arc, seven bits in each."""
    return max(1, (int(arc).bit_length() + 6) // 7)


class Requests:
    """Requests being filled; each begins with what `opening` asks."""

    def __init__(self, opening: str) -> None:
        self._opening = opening
        self._left = ROOM - size_of(opening, wide=False)
        self._room: list[int] = []
        self._asked: list[list[str]] = []
        self._current = 0

    def fits(self, sizes: Iterable[int]) -> bool:
        """Whether values of these sizes fit into one request."""
        return sum(sizes) <= self._left

    def put_together(self, asked: Sequence[tuple[str, int]]) -> None:
        """Ask for all of these in one request, the first that has room."""
        size = sum(size for _, size in asked)
        for place, room in enumerate(self._room):
            if size <= room:
                return self._put(place, asked, size)
        return self._put(self._open(), asked, size)

    def put(self, oid: str, size: int) -> None:
        """Ask for this anywhere; requests fill up in order."""
        while self._current < len(self._room) and self._room[self._current] < size:
            self._current += 1
        place = self._current if self._current < len(self._room) else self._open()
        self._put(place, ((oid, size),), size)

    def filled(self) -> tuple[tuple[str, ...], ...]:
        """The requests, one at least."""
        if not self._asked:
            self._open()
        return tuple(map(tuple, self._asked))

    def _open(self) -> int:
        self._room.append(self._left)
        self._asked.append([self._opening])
        return len(self._room) - 1

    def _put(self, place: int, asked: Sequence[tuple[str, int]], size: int) -> None:
        self._asked[place] += [oid for oid, _ in asked]
        self._room[place] -= size
