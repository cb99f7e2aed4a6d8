"""Every explanation of a finding for which there are signs, the surest first."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

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
from service.rules.diagnoses.signs import Signs
from service.rules.situation import Situation
from service.terms import BUILD_DIAGNOSES, SURE_ORDER, Diagnosis

UNEVEN = frozenset({"uneven", "uneven-and-full", "skewed", "oscillating", "hot-no-sibling", "full"})


def diagnosed(situation: Situation) -> tuple[Diagnosis, ...]:
    """What explains the finding, surest first; of equals what is built wrong comes first. What lacks signs is left out.

    Where windows hold nothing of the members, only states and the finding's own kind speak.
    """
    if not situation.ports or not situation.windows.span.count:
        return ()
    seen = signs.of(situation)
    # What is shown last of one name and member stands: states show what counters make probable.
    built = {(one.name, one.members): one for one in _of_build(situation, seen)}
    broken = frozenset(port for one in built.values() if one.name in BUILD_DIAGNOSES for port in one.members)
    return tuple(sorted((*built.values(), *_of_load(situation, replace(seen, unfit=broken))), key=_rank))


def _of_build(situation: Situation, seen: Signs) -> Iterator[Diagnosis]:
    yield from unfit.diagnoses(situation)
    yield from standby.diagnoses(situation, seen)
    yield from bundle.diagnoses(situation)


def _of_load(situation: Situation, seen: Signs) -> Iterator[Diagnosis]:
    for explain in _OF_LOAD if situation.finding.kind in UNEVEN else ():
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
