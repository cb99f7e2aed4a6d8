"""Advice and change sheets as plain text for people."""

from __future__ import annotations

from collections.abc import Iterator

from service.rules.advice import spoken
from service.rules.words import percent
from service.terms import Advice, ChangeSheet, Option

INDENT = "  "


def of_advice(advice: Advice, heading: str) -> str:
    """All options on one page, under a heading that says what they are about; ends in a newline."""
    return "\n".join(_advice(advice, heading)) + "\n"


def of_sheet(sheet: ChangeSheet) -> str:
    """The sheet, heading by heading; ends in a newline."""
    told = [sheet.title, "=" * len(sheet.title)]
    for section in sheet.sections:
        told += ["", section.heading, *(f"{INDENT}{line}" for line in section.lines)]
    return "\n".join(told) + "\n"


def _advice(advice: Advice, heading: str) -> Iterator[str]:
    yield heading
    yield advice.line
    if advice.even_split is not None:
        best = "" if advice.reachable is None else f", the best that whole items reach is {percent(advice.reachable)}"
        yield f"Evenly split all would be at {percent(advice.even_split)}{best}."
    yield from _listed("Mind", advice.warnings)
    yield from _listed("Who decides", [f"{one.direction}: {one.text} ({one.owner})" for one in advice.deciders])
    yield from _listed("Rests on", advice.rests_on)
    yield from _listed("Not known", list(dict.fromkeys(one for option in advice.options for one in option.missing)))
    yield from ("", "Options")
    for option in advice.options:
        yield from _option(option)
    yield from _listed("Cautions", advice.cautions)


def _option(option: Option) -> Iterator[str]:
    chance = f"{spoken.chance(option.chances[0].success)}, " if option.chances else ""
    yield f"{INDENT}{option.title} ({option.name}): {chance if _says_more(option) else ''}{option.expected}"
    if option.refused:
        yield f"{2 * INDENT}Refused: {option.refused}."
        return
    for told, lines in (("Needs", option.prerequisites), ("Can go wrong", option.risks)):
        if lines:
            yield f"{2 * INDENT}{told}: {'; '.join(lines)}."
    if option.owner:
        yield f"{2 * INDENT}Whose: {option.owner}. {option.back_out}"


def _says_more(option: Option) -> bool:
    """Whether the odds are not in the words already, and are odds at all."""
    return "chance" not in option.expected and option.name != "load-aware"


def _listed(heading: str, lines: tuple[str, ...] | list[str]) -> Iterator[str]:
    if lines:
        yield from ("", heading)
        yield from (f"{INDENT}{line}" for line in lines)
