"""What shows in a window that a member must not be used: its figures as half sentences, for the evidence."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np

from service.rules import words
from service.rules.unfit_loop import BADLY_DAMAGED, SINGLE
from service.terms import EGRESS, INGRESS, KIND_WORDS, UNFIT_KINDS, Kind, Mark, MemberWindows

UNFIT_WORDS = tuple(KIND_WORDS[kind] for kind in UNFIT_KINDS)


class Members(NamedTuple):
    """A team's members in a window: their figures, their positions in these and their names."""

    figures: MemberWindows
    ports: list[int]
    names: list[str]
    window: int


def of(team: Members, kind: Kind, unfit: Iterable[int]) -> tuple[str, ...]:
    """A sign for each unfit member, each beginning with the kind, so that it is known again: "sick: ..."."""
    tell = {Kind.ONE_SIDED: _one_sided, Kind.UNANSWERED: _unanswered, Kind.SICK: _sick}[kind]
    return tuple(f"{KIND_WORDS[kind]}: {tell(team, member)}" for member in unfit)


def kept(told: Iterable[str], kind: str) -> tuple[str, ...]:
    """Those of some half sentences that are signs of a kind."""
    return tuple(one for one in told if kind in UNFIT_WORDS and one.startswith(f"{kind}: "))


def _one_sided(team: Members, member: int) -> str:
    name, port = team.names[member], team.ports[member]
    if team.figures.marks[port, team.window] & Mark.FAR_SILENT:
        return f"by the state of the bundle the far end does not distribute on {name}"
    siblings = [other for place, other in enumerate(team.ports) if place != member]
    gets = np.fmax.reduce([_share(team, other, INGRESS) for other in siblings])
    sends = words.percent(_share(team, port, EGRESS))
    return f"{name} sends at {sends} and nothing addressed to it comes in, beside up to {words.percent(gets)}"


def _unanswered(team: Members, member: int) -> str:
    port = team.ports[member]
    sent = float(team.figures.packets[port, team.window, EGRESS])
    share = float(team.figures.bcast[port, team.window, EGRESS]) / sent
    return f"no answered traffic on {team.names[member]}, broadcast share {share:.2g} of {sent:.3g} packets/s sent"


def _sick(team: Members, member: int) -> str:
    port = team.ports[member]
    errors = float(team.figures.errors[port, team.window, INGRESS])
    ratio = errors / (errors + float(team.figures.packets[port, team.window, INGRESS]))
    bad = ", which is bad" if ratio >= BADLY_DAMAGED * (1 - SINGLE) else ""
    return f"error ratio {ratio:.2g} of what comes in on {team.names[member]}{bad}"


def _share(team: Members, port: int, direction: int) -> float:
    value = float(team.figures.utilisation[port, team.window, direction])
    return 0.0 if np.isnan(value) else value
