"""Conversations chosen so that the kernel's hash deals them out as a story needs, under each of its policies."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace

from lab.links import ADDRESSES, ADDRESSES_AND_PORTS, RECEIVERS, SENDERS, Conversation, LabTrouble, Links

CANDIDATES = 400
MBPS = 1_000_000

Wanted = tuple[Conversation, str, str]  # ... the member by addresses, the member by addresses and ports


def said(name: str, protocol: str, mbps: float, payload: int = 1400) -> Conversation:
    """A conversation whose ends are still to be chosen."""
    return Conversation(name, protocol, "", 0, "", 0, mbps * MBPS, payload)


# Two heavy conversations and a middling one meet on p1 while p2 hears only small talk: 102 % of p1's wire.
# Once ports are hashed too, p1 is left with half of it.
STORY: tuple[Wanted, ...] = (
    (said("first", "udp", 9.5), "p1", "p1"),
    (said("second", "udp", 8.5), "p1", "p2"),
    (said("third", "tcp", 2.0), "p1", "p2"),
    (said("small-1", "udp", 0.25, 400), "p2", "p1"),
    (said("small-2", "udp", 0.25, 400), "p2", "p2"),
)
# Nobody is hot, with both members and with one: for a cable that is pulled.
CALM: tuple[Wanted, ...] = (
    (said("left", "udp", 5.0), "p1", "p1"),
    (said("right", "udp", 5.5), "p2", "p2"),
)
# Five alike streams, three and two; once ports are hashed too, one of the three goes over.
ALIKE: tuple[Wanted, ...] = (
    (said("push-1", "udp", 2.0), "p1", "p1"),
    (said("push-2", "udp", 2.0), "p1", "p1"),
    (said("push-3", "udp", 2.0), "p1", "p2"),
    (said("push-4", "udp", 2.0), "p2", "p2"),
    (said("push-5", "udp", 2.0), "p2", "p2"),
)


def chosen(links: Links, wanted: Sequence[Wanted]) -> list[Conversation]:
    """Ends for each conversation that the hash itself, asked under both policies, deals out as wanted."""
    drawn = random.Random(7)
    ends = [
        (
            f"{SENDERS}.{drawn.randint(1, 250)}",
            drawn.randint(20_000, 60_000),
            f"{RECEIVERS}.{drawn.randint(1, 8)}",
            port,
        )
        for port in (drawn.randint(5001, 5008) for _ in range(CANDIDATES))
    ]
    dealt = {protocol: _dealt(links, protocol, ends) for protocol in {talk.protocol for talk, *_ in wanted}}
    found: list[Conversation] = []
    for talk, *members in wanted:
        place = next((at for at, out in enumerate(dealt[talk.protocol]) if list(out) == members and ends[at]), None)
        if place is None:
            raise LabTrouble(f"none of {CANDIDATES} conversations goes as {talk.name} should")
        source, source_port, target, port = ends[place]
        found.append(
            replace(talk, source=source, source_port=source_port, target=target, target_port=port),
        )
        ends[place] = ()  # type: ignore[call-overload]  # taken
    return found


def _dealt(links: Links, protocol: str, ends: Sequence[tuple[str, int, str, int]]) -> list[tuple[str, ...]]:
    asked = [Conversation("", protocol, *end) for end in ends]
    answers = []
    for policy in (ADDRESSES, ADDRESSES_AND_PORTS):
        links.hash_by(policy)
        answers.append(links.chosen(asked))
    links.hash_by(ADDRESSES)
    return list(zip(*answers, strict=True))
