"""Functions that choose a member from addresses, as somebody states them: for the function you stated, no other.

What a device really does is its maker's; no function here is claimed to be any device's. A function is a mix, which
makes one number of the fields of a conversation, and a way to come from that number to one of n members.
"""

from __future__ import annotations

import ipaddress
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction

from service.errors import WrongQuestion
from service.terms import Endpoints

LABEL = "for the function you stated; your device may differ"
FIELDS = Endpoints._fields
MODULO, THRESHOLD = "modulo", "threshold"
WAYS = (MODULO, THRESHOLD)
MOST_MEMBERS = 64
MOST_KEY_OCTETS = 128


@dataclass(frozen=True)
class Stated:
    """A function as its operator states it.

    `over` names fields of Endpoints in the order in which they are taken; `way` is from the mixed number to a member:
    its remainder (RFC 2991 section 4) or the region of the number's range it falls in (RFC 2992 section 2); `key` is
    of the Toeplitz mix alone.
    """

    mix: str
    over: tuple[str, ...] = ("source", "destination")
    way: str = MODULO
    key: bytes = b""

    def __post_init__(self) -> None:
        if self.mix not in MIXES:
            raise WrongQuestion("mix", f"is one of {', '.join(MIXES)}")
        if self.way not in WAYS:
            raise WrongQuestion("way", f"is one of {', '.join(WAYS)}")
        if not self.over or not set(self.over) <= set(FIELDS) or len(set(self.over)) < len(self.over):
            raise WrongQuestion("over", f"names some of {', '.join(FIELDS)}, each once")
        if (self.mix == TOEPLITZ) != bool(self.key) or len(self.key) > MOST_KEY_OCTETS:
            raise WrongQuestion("key", f"the Toeplitz mix takes a key of up to {MOST_KEY_OCTETS} octets, no other does")

    def __str__(self) -> str:
        return f"{self.mix} over {', '.join(self.over)}, by {self.way}"


def member_of(function: Stated, endpoints: Endpoints, n: int) -> int:
    """Which of n members the function gives a conversation, 0 to n - 1.

    Raises
    ------
    WrongQuestion
        Where the conversation does not tell what the function needs, or an address is none.

    Examples
    --------
    >>> lesson = Stated("xor-last")
    >>> [member_of(lesson, Endpoints("192.0.2.20", f"192.0.2.{host}"), 2) for host in (10, 12, 11)]
    [0, 0, 1]
    """
    if not 1 <= n <= MOST_MEMBERS:
        raise WrongQuestion("members", f"1 to {MOST_MEMBERS} members can be chosen from")
    number, bits = mixed(function, endpoints)
    # Regions of one size each: the last takes what is left, which is less than one number a member.
    return number % n if function.way == MODULO else (number * n) >> bits


def mixed(function: Stated, endpoints: Endpoints) -> tuple[int, int]:
    """The number that a conversation's fields are mixed to, and how many bits such a number has."""
    return MIXES[function.mix]([octets_of(name, endpoints) for name in function.over], function.key)


def spread(function: Stated, conversations: Sequence[Endpoints], n: int) -> tuple[int, ...]:
    """How many of the conversations each of n members gets, shape (n,)."""
    chosen = [member_of(function, one, n) for one in conversations]
    return tuple(chosen.count(member) for member in range(n))


def second_stage(
    stages: tuple[Stated, Stated], conversations: Sequence[Endpoints], members: tuple[int, int]
) -> tuple[tuple[int, ...], ...]:
    """How the conversations that each member of a first stage leads on are spread by a second, shape (n1, n2).

    Where both stages use one function, what the first let through is all alike to the second: members of the second
    stay empty whatever the load (polarisation).

    Examples
    --------
    >>> lesson = Stated("xor-last")
    >>> many = [Endpoints("192.0.2.20", f"198.51.100.{host}") for host in range(1, 9)]
    >>> second_stage((lesson, lesson), many, (2, 2))
    ((4, 0), (0, 4))
    """
    reached: list[list[Endpoints]] = [[] for _ in range(members[0])]
    for one in conversations:
        reached[member_of(stages[0], one, members[0])].append(one)
    return tuple(spread(stages[1], some, members[1]) for some in reached)


def disrupted_by_modulo(n: int) -> Fraction:
    """The share of conversations that change member when one of n goes or the n-th comes: (n-1)/n.

    Source
    ------
    RFC 2991 section 4 and RFC 2992 section 3, n the larger number of members.

    Examples
    --------
    >>> disrupted_by_modulo(4)
    Fraction(3, 4)
    """
    return Fraction(n - 1, n)


def disrupted_by_threshold(n: int, k: int) -> Fraction:
    """The share that changes member when the k-th of n regions goes, k from 1; at least 1/4 and at most 1/2.

    Source
    ------
    RFC 2992 section 2.2: ((K-1)K + (N-K)(N-K+1)) / (2N(N-1)). The minimum that it prints, 1/4 + 1/(4N), is that of
    odd N alone; this follows the formula.

    Examples
    --------
    >>> disrupted_by_threshold(5, 3), disrupted_by_threshold(4, 2)
    (Fraction(3, 10), Fraction(1, 3))
    """
    if not (n >= 2 and 1 <= k <= n):
        raise WrongQuestion("members", "one of at least two members goes")
    return Fraction((k - 1) * k + (n - k) * (n - k + 1), 2 * n * (n - 1))


def disrupted_by_highest_weight(n: int) -> Fraction:
    """The share that changes member where each conversation takes the member of the highest random weight: 1/n.

    Source
    ------
    RFC 2991 section 4, RFC 2992 section 3: no more than those of the member that goes.
    """
    return Fraction(1, n)


def octets_of(name: str, endpoints: Endpoints) -> bytes:
    """A field of a conversation as octets in the order in which they are sent; WrongQuestion where it is not told."""
    told = getattr(endpoints, name)
    if told in ("", 0):
        raise WrongQuestion(name, "the function needs it, and a conversation does not tell it")
    if isinstance(told, int):
        return _number(name, told)
    if name.endswith("_mac"):
        return _hardware_address(name, told)
    try:
        return ipaddress.ip_address(told).packed
    except ValueError as wrong:
        raise WrongQuestion(name, "is no IP address; write it like 192.0.2.20 or 2001:db8::20") from wrong


def _number(name: str, told: int) -> bytes:
    width = 1 if name == "protocol" else 2
    if not 0 < told < 256**width:
        raise WrongQuestion(name, f"is a number from 1 to {256**width - 1}")
    return told.to_bytes(width, "big")


def _hardware_address(name: str, told: str) -> bytes:
    try:
        octets = bytes.fromhex(told.replace(":", "").replace("-", ""))
    except ValueError:
        octets = b""
    if len(octets) != 6:
        raise WrongQuestion(name, "is no hardware address; write it like 02:00:00:00:00:45")
    return octets


def _crc_32(fields: Sequence[bytes], _key: bytes) -> tuple[int, int]:
    """The frame check sequence of IEEE 802.3 over all fields, one after the other."""
    return zlib.crc32(b"".join(fields)), 32


def _xor_fold(fields: Sequence[bytes], _key: bytes) -> tuple[int, int]:
    """All octets of all fields, one over the other."""
    return _xor(b"".join(fields)), 8


def _xor_last(fields: Sequence[bytes], _key: bytes) -> tuple[int, int]:
    """The last octet of each field, one over the other: the lesson by which parity is taught."""
    return _xor(bytes(field[-1] for field in fields)), 8


def _whole(fields: Sequence[bytes], _key: bytes) -> tuple[int, int]:
    """All fields as one number, unmixed."""
    octets = b"".join(fields)
    return int.from_bytes(octets, "big"), 8 * len(octets)


def _toeplitz(fields: Sequence[bytes], key: bytes) -> tuple[int, int]:
    """For each bit that is set, the 32 bits of the key that begin at its place, one over the other."""
    octets = b"".join(fields)
    bits, width = int.from_bytes(octets, "big"), 8 * len(octets)
    if len(key) < len(octets) + 4:
        raise WrongQuestion("key", f"fields of {len(octets)} octets need a key of at least {len(octets) + 4}")
    whole, length = int.from_bytes(key, "big"), 8 * len(key)
    number = 0
    for place in range(width):
        if bits >> (width - 1 - place) & 1:
            number ^= (whole >> (length - 32 - place)) & 0xFFFF_FFFF
    return number, 32


def _xor(octets: bytes) -> int:
    number = 0
    for octet in octets:
        number ^= octet
    return number


TOEPLITZ = "toeplitz"
MIXES: dict[str, Callable[[Sequence[bytes], bytes], tuple[int, int]]] = {
    "crc-32": _crc_32,
    "xor-fold": _xor_fold,
    "xor-last": _xor_last,
    "whole": _whole,
    TOEPLITZ: _toeplitz,
}
