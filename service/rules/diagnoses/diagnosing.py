"""Every explanation of a finding for which there are signs, the surest first."""

from __future__ import annotations

from collections.abc import Iterator

from service.rules.diagnoses import (
    bundle,
    collision,
    far_switch,
    large_item,
    low_entropy,
    one_conversation,
    polarisation,
    signs,
    standby,
    unfit,
)
from service.rules.situation import Situation
from service.terms import BUILD_DIAGNOSES, SURE_ORDER, Diagnosis

UNEVEN = frozenset({"uneven", "uneven-and-full", "skewed", "oscillating", "hot-no-sibling", "full"})


def diagnosed(situation: Situation) -> tuple[Diagnosis, ...]:
    """What explains the finding, surest first; of equals what is built wrong comes first. What lacks signs is left out.

    Where windows hold nothing of the members, only states and the finding's own kind speak.
    """
    if not situation.ports or not situation.windows.span.count:
        return ()
    found = {(one.name, one.members): one for one in _each(situation)}
    return tuple(sorted(found.values(), key=_rank))


def _each(situation: Situation) -> Iterator[Diagnosis]:
    seen = signs.of(situation)
    # What is shown last of one name and member stands: states show what counters make probable.
    yield from unfit.diagnoses(situation)
    yield from standby.diagnoses(situation, seen)
    yield from bundle.diagnoses(situation)
    if situation.finding.kind in UNEVEN:
        for explain in _OF_LOAD:
            told = explain(situation, seen)
            if told is not None:
                yield told


_OF_LOAD = (
    one_conversation.diagnosis,
    collision.diagnosis,
    large_item.diagnosis,
    polarisation.diagnosis,
    low_entropy.diagnosis,
    far_switch.flooding,
    far_switch.moving,
)


def _rank(diagnosis: Diagnosis) -> tuple[int, bool]:
    return -SURE_ORDER.index(diagnosis.sure), diagnosis.name not in BUILD_DIAGNOSES
