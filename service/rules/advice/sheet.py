"""An option as a sheet for a site's own change control: eight headings in plain words, and nothing to paste."""

from __future__ import annotations

from service.errors import NoSheet, NotFound
from service.rules import evidence, words
from service.rules.advice import steps
from service.rules.advice.cautions import BACK_OUT_WHEN
from service.rules.advice.steps import BLANK
from service.rules.situation import Situation
from service.terms import Advice, ChangeSheet, Option, Section


def sheet(advice: Advice, option: str, situation: Situation) -> ChangeSheet:
    """The change sheet of an option; NotFound where the advice has no such option, NoSheet where it is refused.

    Nobody can carry out a refused option by it, what cannot help needs none, and leaving things as they are takes none.
    """
    chosen = next((one for one in advice.options if one.name == option), None)
    if chosen is None:
        raise NotFound("option", option)
    if chosen.refused:
        raise NoSheet(option, chosen.refused)
    if option == "leave" or (option == "mend" and not chosen.prerequisites):
        raise NoSheet(option, "it changes nothing")
    if chosen.fits is False:
        raise NoSheet(option, f"it would not help: {chosen.expected}")
    finding = situation.finding
    return ChangeSheet(
        title=f"Change sheet: {finding.device}, team {finding.team}: {chosen.title}",
        finding_id=advice.finding_id,
        option=option,
        sections=(
            Section("Why", _why(advice, situation)),
            Section("Owners", _owners(advice, chosen)),
            Section("Prerequisites at both ends", _prerequisites(chosen)),
            Section("Order of steps", steps.of(chosen, situation)),
            Section("Expected effect and odds", _expected(advice, chosen)),
            Section("How to back out", _back_out(chosen)),
            Section("When to stop", _stop(chosen, situation)),
            Section("Cautions", advice.cautions),
        ),
    )


def _why(advice: Advice, situation: Situation) -> tuple[str, ...]:
    finding = situation.finding
    told = [
        f"{finding.device}, team {finding.team}, {finding.direction}: {evidence.figures(finding)}"
        f" ({finding.kind}, {finding.severity}; finding {finding.id})."
    ]
    if advice.even_split is not None:
        told.append(f"Evenly split all would be at {words.percent(advice.even_split)}.")
    told += [f"{one.text.rstrip('.')} ({one.sure})." for one in finding.diagnoses[:2]]
    return tuple(told)


def _owners(advice: Advice, option: Option) -> tuple[str, ...]:
    told = [f"{one.direction.capitalize()}: {one.text} ({one.owner})." for one in advice.deciders]
    told += [
        f"Virtualisation, for the host's end: agreed by {BLANK} on {BLANK}",
        f"Network, for the far end: agreed by {BLANK} on {BLANK}",
    ]
    if option.owner == "planner":
        told.append(f"Planner, for the capacity: agreed by {BLANK} on {BLANK}")
    whose = {"both": "virtualisation and network together", "": "to be named"}.get(option.owner, option.owner)
    return (*told, f"The work is that of: {whose}. Change reference: {BLANK}")


def _prerequisites(option: Option) -> tuple[str, ...]:
    open_ones = [f"Not known, find out first: {one}" for one in option.missing]
    return (*(f"[ ] {one}" for one in (*option.prerequisites, *open_ones)), "[ ] Both ends: no other change runs there")


def _expected(advice: Advice, option: Option) -> tuple[str, ...]:
    told = [f"To expect: {option.expected}."]
    left = next((one.expected for one in advice.options if one.name == "leave"), "")
    told.append(f"If nothing is done: {left}.")
    if advice.reachable is not None:
        told.append(f"No placement of whole items gets the busiest member below {words.percent(advice.reachable)}.")
    told += advice.warnings
    told += [f"Rests on: {one}." for one in advice.rests_on]
    return (*told, *(f"Can go wrong: {one}." for one in option.risks))


def _back_out(option: Option) -> tuple[str, ...]:
    return (
        option.back_out,
        f"Written down before the start: how each end stood, and who puts it back: {BLANK}",
        "Record the back-out as a change too, with its time.",
    )


def _stop(option: Option, situation: Situation) -> tuple[str, ...]:
    seconds = 2 * situation.rule.window_seconds
    sound = "the other members can" if option.name == "mend" else "every member is up and sound to"
    told = [
        f"Do not start unless every prerequisite is ticked, {sound} carry the load, and the window is approved.",
        f"Stop and back out at {BACK_OUT_WHEN} ({seconds} s).",
        "Stop when the second way in is lost, or when the two ends no longer tell the same of the team.",
    ]
    if option.name != "mend":
        told.append("Stop when another member goes above the line instead: that is one draw, and it may have lost.")
    return tuple(told)
