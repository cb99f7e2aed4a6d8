"""Readings taken at the far end of the cables, told as the near end would tell them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from service.terms import COUNTERS, Marks, Parsed, Samples

_OUT = sum(1 << column for column in range(0, len(COUNTERS), 2))


def mirrored(parsed: Parsed) -> Parsed:
    """The same readings with their directions changed over: what the far end sends, the near end receives.

    Octets and packets are those of the one wire and simply change sides. Discards and errors
    go with the direction of the traffic they harmed. What the far end discarded on its way out
    is traffic that the near end should have received: harm of its ingress, of which its own
    counters can know nothing. What the far end discarded or found damaged on its way in has
    left the near end well and truly: harm of its egress. Neither is a count of the near end's
    own queues, so that both ends can be right with different numbers.

    Ports keep the names that the file gives them. How the far end picks a member says nothing
    of how the near end does, so a method is not taken over; what the bundle is holds for both.
    """
    return replace(
        parsed,
        samples=_changed_over(parsed.samples),
        ports=tuple(replace(name, method="unknown") for name in parsed.ports),
    )


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
