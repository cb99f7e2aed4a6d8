"""The columns that a sample may have.

The same names serve as the header of a counter file, the fields of a JSON sample, the keys
of columnar JSON and the fields of an Arrow schema.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum, auto
from typing import Any

from service.terms import BUNDLES, COUNTERS, METHODS, OPER_WORDS, ROLE_WORDS

MOST_64 = 2**64 - 1
MOST_32 = 2**32 - 1
COUNTS_WORDS = ("frame", "no-fcs", "payload")
DUPLEX_WORDS = ("full", "half")
OWN_PREFIX = "x_"


class Sort(Enum):
    """What sort of value a column holds."""

    TIME = auto()
    NAME = auto()
    NUMBER = auto()
    RATE = auto()
    WORD = auto()
    MAC = auto()


@dataclass(frozen=True)
class Column:
    """A column: its name, the sort of its values, and which of them it takes."""

    name: str
    sort: Sort
    most: int = MOST_64
    words: tuple[str, ...] = ()
    must: bool = False
    choice: tuple[int, ...] = ()
    per_unit: float = 1.0  # bit/s of one unit of a rate
    least: int = 0


WAYS = ("in", "out")
SPLIT = ("ucast", "mcast", "bcast")
_COUNTED = dict.fromkeys([*COUNTERS, *(f"{way}_{part}_packets" for way in WAYS for part in SPLIT)])

_ALL = (
    Column("time", Sort.TIME, must=True),
    Column("device", Sort.NAME, must=True),
    Column("port", Sort.NAME, must=True),
    Column("team", Sort.NAME),
    Column("speed_bps", Sort.NUMBER, most=2**63 - 1),
    *(Column(name, Sort.NUMBER) for name in _COUNTED),
    *(Column(f"{way}_bps", Sort.RATE) for way in WAYS),
    *(Column(f"{way}_kBps", Sort.RATE, per_unit=8.0) for way in WAYS),
    Column("counter_bits", Sort.NUMBER, choice=(32, 64)),
    Column("counts", Sort.WORD, words=COUNTS_WORDS),
    Column("oper_status", Sort.WORD, words=OPER_WORDS[1:]),
    Column("role", Sort.WORD, words=ROLE_WORDS[1:]),
    Column("uptime_ticks", Sort.NUMBER, most=MOST_32),
    Column("discontinuity_ticks", Sort.NUMBER, most=MOST_32),
    Column("last_change_ticks", Sort.NUMBER, most=MOST_32),
    Column("mac", Sort.MAC),
    Column("if_index", Sort.NUMBER, least=1, most=2**31 - 1),
    Column("method", Sort.WORD, words=METHODS),
    Column("bundle", Sort.WORD, words=BUNDLES),
    Column("mtu", Sort.NUMBER, most=2**31 - 1),
    Column("duplex", Sort.WORD, words=DUPLEX_WORDS),
    Column("received_at", Sort.TIME),
)
COLUMNS = {column.name: column for column in _ALL}


def own(name: str) -> bool:
    """Whether a column is the sender's own, carried along and not read."""
    return name.startswith(OWN_PREFIX)


def is_counter(name: str) -> bool:
    """Whether a column holds a counter."""
    return name in _COUNTED


def unusable(names: Iterable[str], *, mixing: bool = False) -> str:
    """What is wrong with a set of columns as a whole, with the remedy; empty where nothing is.

    `mixing` lets two columns say one thing in two ways, as long as no sample uses both.
    """
    given = list(names)
    told = set(given)
    return _repeated(given) or _unknown(given) or _missing(told) or ("" if mixing else mixed(told))


def mixed(told: set[str]) -> str:
    """What is wrong where two columns say the same thing in two ways; empty where nothing is."""
    rates = sorted(told & {f"{way}_{unit}" for way in WAYS for unit in ("bps", "kBps")})
    octets = sorted(told & {"in_octets", "out_octets"})
    if rates and octets:
        return f"{octets[0]} is a counter and {rates[0]} a rate; give counters or rates, not both"
    for way in WAYS:
        if {f"{way}_bps", f"{way}_kBps"} <= told:
            return f"{way}_bps and {way}_kBps say the same; leave one out"
        if {f"{way}_packets", f"{way}_ucast_packets"} <= told:
            return f"{way}_packets and {way}_ucast_packets say the same; give all packets or the split, not both"
    return ""


def first_repeated(names: Iterable[str]) -> str | None:
    """The first name that was there before; None where all differ."""
    seen: set[str] = set()
    for name in names:
        if name in seen:
            return name
        seen.add(name)
    return None


def shown(value: Any) -> str:
    """A value as a refusal shows it, cut where it is long."""
    text = value if isinstance(value, str) else repr(value)
    text = text.encode("utf-8", "backslashreplace").decode()
    return text if len(text) <= 60 else text[:57] + "..."


def _repeated(names: list[str]) -> str:
    twice = first_repeated(names)
    if twice is not None:
        return f"column {shown(twice)!r} is there twice; leave one out"
    return ""


def _unknown(names: list[str]) -> str:
    for name in names:
        if name not in COLUMNS and not own(name):
            ours = shown(OWN_PREFIX + name)
            return f"column {shown(name)!r} is unknown; leave it out, or name it {ours!r} if it is your own"
    return ""


def _missing(told: set[str]) -> str:
    for column in COLUMNS.values():
        if column.must and column.name not in told:
            return f"column {column.name!r} is missing; a sample has at least time, device, port and counters or rates"
    if not any(f"{way}_{what}" in told for way in WAYS for what in ("octets", "bps", "kBps")):
        return "there is no column of traffic; give in_octets and out_octets, or in_bps and out_bps"
    return ""
