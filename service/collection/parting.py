"""A plan for an agent that takes fewer values in a request than was thought."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import chain

import numpy as np

from service.feeds.snmp.plan import UPTIME, PollPlan
from service.terms import Reply


def as_answered(plan: PollPlan, replies: Sequence[Reply]) -> PollPlan:
    """The plan by which these replies were each asked for, so that a reading has the instant of its own request.

    The plan stays where it was kept to, and where a value is missing: nobody knows then which
    request it was in.
    """
    asked = list(chain.from_iterable(plan.pdus))
    if len(replies) == len(plan.pdus) or set().union(*(reply.values for reply in replies)) != set(asked):
        return plan
    parts = _parts(replies)
    place_of = {oid: place for place, oid in enumerate(chain.from_iterable(parts)) if oid != UPTIME}
    moved = np.array([place_of.get(oid, 0) for oid in asked] + [sum(map(len, parts))], dtype=np.int32)
    places = moved[plan.prepared.places]
    # One more request for what was not asked: it is the last place, and counts for nothing.
    request_of = np.repeat(np.arange(len(parts) + 1, dtype=np.int32), [*map(len, parts), 1])
    requests = request_of[places]
    brought = np.ma.masked_equal(requests, len(parts))
    octets = np.where(requests[:, 0] < len(parts), requests[:, 0], requests[:, 1])
    request = np.column_stack([octets, brought.min(axis=1), brought.max(axis=1)]).astype(np.int32)
    return replace(plan, pdus=parts, prepared=replace(plan.prepared, places=places, request=request))


def _parts(replies: Sequence[Reply]) -> tuple[tuple[str, ...], ...]:
    """The requests that brought these, each with the uptime first and a value once."""
    parts, seen = [], {UPTIME}
    for reply in replies:
        fresh = tuple(oid for oid in reply.values if oid not in seen)
        seen.update(fresh)
        parts.append((UPTIME, *fresh))
    return tuple(parts)
