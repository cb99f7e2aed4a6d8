"""Readings taken at the far end of the cables, told as the near end would tell them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from service.feeds.joining import joined
from service.terms import COUNTERS, Facts, FactsTable, Marks, Parsed, Samples

_OUT = sum(1 << column for column in range(0, len(COUNTERS), 2))
# What the far end says of its own port, and nobody can tell of the near one.
_ITS_OWN = ("mac", "role", "last_change_ticks")


def mirrored(parsed: Parsed) -> Parsed:
    """The same readings with their directions changed over: what the far end sends, the near end receives.

    Octets and packets are those of the one wire and simply change sides. Discards and errors
    go with the direction of the traffic they harmed. What the far end discarded on its way out
    is traffic that the near end should have received: harm of its ingress, of which its own
    counters can know nothing. What the far end discarded or found damaged on its way in has
    left the near end well and truly: harm of its egress. Neither is a count of the near end's
    own queues, so that both ends can be right with different numbers.

    Ports keep the names that the file gives them. How the far end picks a member says nothing
    of how the near end does, so a method is not taken over, nor is its number or address of the
    port, its role there, or when its own state last changed. What holds for both ends stays: the
    bundle, and of the cable its speed and duplex; also whether it is up, because frames cross
    it only while both ends pass them. So does what is said of the counters, which are still the far
    end's: their width, their form, what they count up to which MTU, their time since a start.
    """
    mirror = replace(
        parsed,
        samples=_changed_over(parsed.samples),
        facts=_shared(parsed.facts),
        ports=tuple(replace(name, method="unknown", if_index=0) for name in parsed.ports),
    )
    return joined([mirror])  # facts that differed in the far end's own are one now


def _shared(facts: FactsTable) -> FactsTable:
    unknown = FactsTable.of([Facts()] * len(facts.speed_bps))
    return replace(facts, **{name: getattr(unknown, name) for name in _ITS_OWN})


def _changed_over(samples: Samples) -> Samples:
    columns = tuple(column ^ 1 for column in samples.columns)  # COUNTERS has the directions of a measure in pairs
    order = np.argsort(columns)
    return replace(
        samples,
        columns=tuple(sorted(columns)),
        counters=np.ascontiguousarray(samples.counters[:, order]),
        known=_swapped(samples.known),
    )


def _swapped(known: Marks) -> Marks:
    out, into = known & np.uint16(_OUT), known & np.uint16(_OUT << 1)
    return (out << np.uint16(1)) | (into >> np.uint16(1))
