"""Advice on what counter files hold: the findings of a check, with the items that somebody states."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

from service.commands.judged import Judged, brought, judged
from service.commands.rates import rate_of
from service.commands.readings import Reading
from service.errors import UnusableInput
from service.evaluation.advising import Found
from service.rules.advice.advising import advised
from service.rules.diagnoses.assessed import situation_of
from service.rules.diagnoses.explaining import explained
from service.rules.situation import Situation
from service.terms import VIRTUAL_PORT, Finding, Item, Rule


class Wanted(NamedTuple):
    """Of which team ("device/team") and direction advice is wanted, empty for all, and items as people write them."""

    team: str = ""
    direction: str = ""
    items: tuple[str, ...] = ()

    def is_of(self, finding: Finding) -> bool:
        """Whether advice on a finding is wanted."""
        names = {"", f"{finding.device}/{finding.team}"}
        return self.team in names and self.direction in {"", finding.direction}


def found_in(
    files: Sequence[Path], wanted: Wanted, streams: Mapping[str, int], rule: Rule | None = None
) -> tuple[list[Found], tuple[str, ...]]:
    """Advice on each wanted finding of the files, in order of time, and what could not be read.

    UnusableInput where an item cannot be used, or could be of more than one team and direction.
    """
    items = tuple(_item(text) for text in wanted.items)
    held = brought(files, rule or Rule(), Reading())
    found = [one for part in judged(held) for one in _situations(part, held.rule) if wanted.is_of(one.finding)]
    found.sort(key=lambda one: (one.finding.raised_ms, one.finding.id))
    if items:
        _refuse_doubt(found, items)
    return [_advised(one, items, streams) for one in found], held.rejects_told()


def _situations(part: Judged, rule: Rule) -> list[Situation]:
    at = {(team.device, team.team): position for position, team in enumerate(part.layout.teams)}
    return [
        situation_of(part.assessment, part.layout, rule, (finding, at[finding.device, finding.team]))
        for finding in part.assessment.findings
    ]


def _advised(situation: Situation, items: tuple[Item, ...], streams: Mapping[str, int]) -> Found:
    """With items that are stated it is explained anew: what they show need not be guessed from counters."""
    if items:
        stated = replace(situation, items=items)
        situation = replace(stated, finding=explained(stated))
    return Found(situation, advised(situation, streams=streams))


def _refuse_doubt(found: Sequence[Situation], items: Sequence[Item]) -> None:
    places = {(one.finding.device, one.finding.team, one.finding.direction) for one in found}
    if len(places) > 1:
        raise UnusableInput("--item", "more than one team and direction is hot", "name one by --team and --direction")
    unknown = sorted({item.port for item in items for one in found if item.port not in one.ports})
    if unknown:
        ports = ", ".join(found[0].ports)
        raise UnusableInput("--item", f"the team has no member {unknown[0]!r}", f"name one of {ports}")


def _item(text: str) -> Item:
    name, _, rest = text.rpartition("=")
    rate, _, port = rest.partition("@")
    bps = rate_of(rate)
    if not (name and port and bps):
        raise UnusableInput(f"--item {text}", "is not NAME=RATE@PORT", "write it like night-copy=430M@m1")
    return Item(VIRTUAL_PORT, name, port, bps)
