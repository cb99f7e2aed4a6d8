"""The message for people: its first line alone must be enough at three in the morning.

The headline and the last line always stand; what lies between is dropped or cut, least
important last, so that the whole never exceeds 900 letters.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from service.terms import BUILD_DIAGNOSES, WHY_NOT_WORDS, Finding, MemberFigure, WhyNot
from service.webhooks import spoken
from service.webhooks.foreign import cut, plain, shortened
from service.webhooks.headline import headline

MOST_LETTERS = 900
MOST_A_LINE = 220
LEAST_A_LINE = 40  # a shorter remainder says nothing
MOST_A_NAME = 32

# A member that is so must never be offered load, whatever the arithmetic says.
NO_TARGET = frozenset(
    WHY_NOT_WORDS[reason]
    for reason in (WhyNot.STANDBY, WhyNot.OUT, WhyNot.DOWN, WhyNot.FLAP, WhyNot.BROKEN, WhyNot.MAINTENANCE)
)
CAPACITY_KINDS = frozenset({"full", "uneven-and-full", "hot-no-sibling"})
BASES = {"wire": "on wire", "counted": "as counted, more on the wire", "inferred": "on wire with frames inferred"}


def text_of(finding: Finding, what: str, *, zone: str = "UTC", told_ms: int | None = None) -> str:
    """What people are told of a finding when it was raised, changed severity, came back, or cleared.

    With `told_ms`, as it is to be said then, when that is later than it happened.
    """
    told_ms = moment_ms(finding, what) if told_ms is None else told_ms
    first = headline(finding, what, told_ms, zone)
    last = " ".join((_completeness(finding), _since(finding, told_ms, zone), "Advice only."))
    return "\n".join((first, *_within(_between(finding, what, first), MOST_LETTERS - len(first) - len(last) - 1), last))


def moment_ms(finding: Finding, what: str) -> int:
    """When the change happened that a message tells of."""
    if what in ("cleared", "combined") and finding.cleared_ms is not None:
        return finding.cleared_ms
    return finding.raised_ms if what == "raised" else max(finding.raised_ms, finding.updated_ms)


def _within(lines: Iterable[str], room: int) -> list[str]:
    """As many of the lines, each as much of itself, as there is room for."""
    kept: list[str] = []
    for line in lines:
        most = min(MOST_A_LINE, room - 1)
        if len(line) > most and most < LEAST_A_LINE:
            continue
        kept.append(cut(line, most))
        room -= len(kept[-1]) + 1
    return kept


def _between(finding: Finding, what: str, first: str) -> list[str]:
    """The lines between the first and the last, most important first."""
    if what in ("cleared", "combined"):
        # What is over is nobody's work any more; of what nobody heard of, it may be asked whose it was.
        return _told(_why(finding), _whose(finding) if what == "combined" else "", _change(finding))
    facts = _told(
        _warning(finding),
        _why(finding),
        _whose(finding),
        _advice(finding),
        _change(finding),
        _split(finding),
        _everyone(finding),
    )
    evidence, said = finding.evidence, (first, *facts)
    return facts + _told(
        _listed("Signs", _news(evidence.speaks_for, said)),
        _listed("Against", _news(evidence.against, said)),
        _listed("Missing", _news(evidence.missing, said)),
        spoken.sentence(plain(finding.rule_note)) if finding.rule_note else "",
    )


def _told(*lines: str) -> list[str]:
    return [line for line in lines if line]


def _news(items: Iterable[str], said: Sequence[str]) -> list[str]:
    """The items that the lines before have not said already."""
    before = "\n".join(said).casefold()
    return [told for item in items if (told := plain(item).rstrip(".")).casefold() not in before]


def _why(finding: Finding) -> str:
    if not finding.diagnosis:
        return ""
    sure = f" ({plain(finding.confidence)})" if finding.confidence else ""
    return f"Why: {plain(finding.diagnosis).rstrip('.')}{sure}."


def _whose(finding: Finding) -> str:
    if not finding.owner:
        return ""
    # Where a member is built wrong or there is too little capacity, who deals out the load is beside the point.
    mends = bool(finding.diagnoses) and finding.diagnoses[0].name in BUILD_DIAGNOSES
    vain = mends or finding.owner == "planner"
    decides = f"; {plain(finding.decided_by).rstrip('.')}" if finding.decided_by and not vain else ""
    return f"Whose: {plain(finding.owner).rstrip('.')}{decides}."


def _advice(finding: Finding) -> str:
    return spoken.sentence(plain(finding.advice).rstrip(".")) if finding.advice else ""


def _change(finding: Finding) -> str:
    return spoken.sentence(plain(finding.change).rstrip(".")) if finding.change else ""


def _warning(finding: Finding) -> str:
    unfit = [member for member in finding.members if member.why_not in NO_TARGET]
    if not unfit:
        return ""
    return f"Do not move load to {_names(unfit, ' or ')}."


def _names(members: Sequence[MemberFigure], joint: str) -> str:
    return joint.join(f"{shortened(plain(m.port), MOST_A_NAME)} ({m.why_not})" for m in members)


def _split(finding: Finding) -> str:
    if finding.kind in CAPACITY_KINDS and "capacity first" in finding.advice.casefold():
        return ""
    evenly = f"Evenly split all would be at {spoken.percent(finding.even_split)}"
    if finding.kind in ("full", "uneven-and-full"):
        return f"{evenly}: capacity first, no way of splitting cures it."
    if finding.kind == "hot-no-sibling":
        return "No sibling is left to share with: repair or capacity first."
    return "" if finding.family == "build" else f"{evenly}.{_usable(finding)}"


def _usable(finding: Finding) -> str:
    whole = finding.usable_bps + finding.stranded_bps
    if finding.usable_bps <= 0 or finding.stranded_bps <= 0:
        return ""
    return f" As split now the team can carry {spoken.rate(finding.usable_bps)} of {spoken.rate(whole)}."


def _everyone(finding: Finding) -> str:
    if len(finding.members) < 3:
        return ""
    told = (f"{shortened(plain(m.port), MOST_A_NAME)} {spoken.percent(m.utilisation)}" for m in finding.members)
    return f"Members: {', '.join(told)}."


def _listed(heading: str, items: Sequence[str]) -> str:
    return f"{heading}: {'; '.join(items)}." if items else ""


def _completeness(finding: Finding) -> str:
    seen, evaluable = finding.windows_seen, finding.windows_evaluable
    complete = "complete, " if seen and evaluable == seen else ""
    doubt = ", near the line: poll more often to be sure" if finding.uncertain else ""
    return f"Data: {complete}{evaluable} of {seen} windows, {BASES.get(finding.basis, 'basis unknown')}{doubt}."


def _since(finding: Finding, told_ms: int, zone: str) -> str:
    return f"Since {spoken.clock(finding.since_ms, told_ms, zone)} {spoken.zone_name(finding.since_ms, zone)}."
