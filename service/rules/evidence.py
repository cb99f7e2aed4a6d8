"""What speaks for a finding, what against it, and what nobody has told us: facts, no guesses."""

from __future__ import annotations

from dataclasses import fields

from service.rules import unfit_signs, words
from service.terms import DIRECTIONS, EGRESS, Evidence, Finding, MemberFigure, Rule, TeamName

BREAK = "; "
# What would show where the trouble is, of a member that must not be used.
UNFIT_NEEDS = {
    "one-sided": "the far-end port's counters and its state in the bundle",
    "unanswered": "which VLANs the far-end port carries",
    "sick": "errors at the cable's other end",
}


def of(finding: Finding, team: TeamName, rule: Rule) -> Evidence:
    """The evidence as the finding stands; the same finding gives the same evidence, whoever asks."""
    return Evidence(_for(finding, rule), _against(finding, rule), _missing(finding, team))


def figures(finding: Finding) -> str:
    """The hot members beside the idle ones, or beside all others, as in "m1 at 92 %, m2 at 2 %"."""
    others = finding.idle or tuple(member for member in finding.members if member not in finding.hot)
    return ", ".join(_figure(member) for member in (*finding.hot, *others))


def rule_note(rule: Rule) -> str:
    """What a team's own rule changes, who set it and why; empty where the usual rule applies."""
    usual = Rule()
    changed = [_limit(f.name, rule) for f in fields(Rule) if getattr(rule, f.name) != getattr(usual, f.name)]
    told = [change for change in changed if change]
    if not told:
        return ""
    note = "team rule: " + ", ".join(told)
    if rule.set_by:
        note += f", set by {rule.set_by}"
    return note + (f" because {rule.because}" if rule.because else "")


def _for(finding: Finding, rule: Rule) -> tuple[str, ...]:
    seen = f"seen in {finding.windows_flagged} of {finding.windows_evaluable} windows"
    if finding.kind in unfit_signs.UNFIT_WORDS:
        # What its figures were is known only where they were read, so it is carried on.
        return (*unfit_signs.kept(finding.evidence.speaks_for, finding.kind), seen)
    hot = words.line(rule.hot_above)
    told = [f"{_names(finding.hot)} above {hot}; {seen}"]
    if finding.idle:
        told.append(f"{_names(finding.idle)} below {words.line(rule.idle_below)}")
    told.append(f"evenly split all would be at {words.percent(finding.even_split)}")
    down = [member for member in finding.members if member.why_not == "down"]
    if down:
        told.append(f"{_names(down)} down")
    if finding.discard_ratio:
        told.append(f"{finding.discard_ratio:.2g} of the packets discarded in the worst window")
    return tuple(told)


def _against(finding: Finding, rule: Rule) -> tuple[str, ...]:
    told = []
    calm = finding.windows_evaluable - finding.windows_flagged
    if calm:
        told.append(f"{calm} of {finding.windows_evaluable} windows did not show it")
    if finding.uncertain:
        told.append(
            "polls straddle the windows' edges, so a window may have been below the line;"
            f" poll at most every {max(1, rule.window_seconds // 3)} s, on the edges"
        )
    if finding.discard_ratio == 0:
        told.append("no packets discarded")
    return tuple(told)


def _missing(finding: Finding, team: TeamName) -> tuple[str, ...]:
    told = []
    blind = finding.windows_seen - finding.windows_evaluable
    if blind:
        told.append(f"{blind} of {finding.windows_seen} windows without usable data")
    unknown = [member for member in finding.members if member.utilisation is None and member.why_not != "down"]
    told += [f"{member.port}: {member.why_not}" for member in unknown]
    if finding.basis == "counted" and finding.kind not in unfit_signs.UNFIT_WORDS:
        told.append(
            "packets not counted, so this is as counted; on the wire it is more, by 1.3 % in frames of 1,518 octets"
            " and 31 % in frames of 64: send packet counters"
        )
    if finding.kind in unfit_signs.UNFIT_WORDS:
        told.append(UNFIT_NEEDS[finding.kind])
    elif finding.direction == DIRECTIONS[EGRESS]:
        if finding.discard_ratio is None:
            told.append("discards not counted, so harm unknown")
    else:
        # Drops toward this device happen at the far-end port; its own input discards say nothing of the cable.
        told.append("harm unknown: needs far-end port, where drops toward this device are counted")
    told += _unknown_build(team)
    return tuple(told)


def _unknown_build(team: TeamName) -> list[str]:
    unknown = [
        name for name, value in (("method", team.method), ("far-end bundle", team.bundle)) if value in ("", "unknown")
    ]
    return [f"{words.listed(unknown)} unknown"] if unknown else []


def _names(members: tuple[MemberFigure, ...] | list[MemberFigure]) -> str:
    return words.listed(member.port for member in members)


def _figure(member: MemberFigure) -> str:
    if member.utilisation is None:
        return f"{member.port} {member.why_not or 'unknown'}"
    return f"{member.port} at {words.percent(member.utilisation)}"


def _limit(name: str, rule: Rule) -> str:
    shares = {"hot_above": "hot above", "idle_below": "idle below", "clear_below": "clear below"}
    if name in shares:
        return f"{shares[name]} {words.line(getattr(rule, name))}"
    if name == "coverage_min":
        return f"windows covered to {words.line(rule.coverage_min)}"
    if name in ("raise_windows", "raise_of"):
        return f"raised by {rule.raise_windows} of {rule.raise_of} windows" if name == "raise_windows" else ""
    return {"clear_windows": f"cleared by {rule.clear_windows} windows"}.get(name, "")
