"""A finding with why it is so, whose it is, what would help, and the harm from the end where it happens."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from service.rules.diagnoses import one_conversation, signs
from service.rules.diagnoses.deciding import BOTH, FAR_END, NETWORK, VIRTUALISATION, decider, is_routed
from service.rules.diagnoses.diagnosing import diagnosed
from service.rules.situation import FarEnd, Situation
from service.terms import (
    OWNERS,
    SEVERITY_ORDER,
    Decider,
    Diagnosis,
    Evidence,
    Finding,
    Severity,
    Sure,
)

PLANNER = "planner"
HARM_UNKNOWN = "harm unknown: needs far-end port, where drops toward this device are counted"
OWNER_OF = {
    "far-end-not-distributing": NETWORK,
    "own-end-not-distributing": VIRTUALISATION,
    "two-partners": BOTH,
    "standby-undeclared": BOTH,
    "unanswered": NETWORK,
    "sick": NETWORK,
    "flooding": NETWORK,
    "address-moving": BOTH,
}


def explained(situation: Situation, advice_line: str = "") -> Finding:
    """The finding of a situation, explained; the same situation always gives the same."""
    return with_explanations(situation, diagnosed(situation), advice_line)


def with_explanations(situation: Situation, diagnoses: tuple[Diagnosis, ...], advice_line: str = "") -> Finding:
    """The finding with these diagnoses, who decides, whose it is, evidence and harm."""
    decides = decided(situation)
    finding = _with_harm(situation)
    first = diagnoses[0] if diagnoses else None
    return replace(
        finding,
        diagnoses=diagnoses,
        diagnosis=first.text if first else None,
        confidence=str(first.sure) if first else None,
        owner=_owner(finding, first, decides, situation.owner_told),
        decided_by=decides.text,
        advice=advice_line,
        evidence=_evidence(finding.evidence, first),
        severity=capped(finding.severity, is_alone(situation, diagnoses)),
    )


def carried(finding: Finding) -> Finding:
    """A finding that was explained before and has newer figures, with the evidence of its explanation put back."""
    evidence = finding.evidence
    if finding.direction == "ingress" and finding.discard_ratio is not None:
        missing = tuple(line for line in evidence.missing if line != HARM_UNKNOWN)
        evidence = replace(evidence, missing=missing)
    first = finding.diagnoses[0] if finding.diagnoses else None
    return replace(finding, evidence=_evidence(evidence, first))


def decided(situation: Situation) -> Decider:
    """Who decides in the finding's direction."""
    return decider(
        situation.team,
        situation.finding.direction,
        situation.states,
        routed=is_routed(situation.team, situation.ports),
        far_devices=[far.device for far in situation.far_ends],
    )


def is_alone(situation: Situation, diagnoses: Iterable[Diagnosis]) -> bool:
    """Whether the hot member carries one conversation and nothing else worth a word."""
    mine = [one for one in diagnoses if one.name == one_conversation.NAME]
    return bool(mine) and one_conversation.is_alone(mine[0], situation, signs.of(situation))


def capped(severity: Severity, alone: bool) -> Severity:
    """What hurts only itself wakes nobody: minor at most."""
    most = SEVERITY_ORDER.index(Severity.MINOR)
    return Severity.MINOR if alone and SEVERITY_ORDER.index(severity) > most else severity


def _owner(finding: Finding, first: Diagnosis | None, decides: Decider, told: str) -> str:
    if first is not None and first.name in OWNER_OF and (first.sure != Sure.POSSIBLE or finding.family == "build"):
        return OWNER_OF[first.name]
    if decides.build_error:
        return BOTH
    if finding.kind in {"full", "uneven-and-full", "hot-no-sibling"}:
        return PLANNER
    if finding.family == "build":
        return BOTH
    # Who is told to own a device owns what the device decides.
    return told if told in OWNERS and decides.by not in {FAR_END, "router", "unknown"} else decides.owner


def _evidence(base: Evidence, first: Diagnosis | None) -> Evidence:
    """The evidence of the surest diagnosis before that of the finding itself, nothing twice."""
    mine = first.evidence if first else Evidence()
    return Evidence(
        _once(*mine.speaks_for, *base.speaks_for),
        _once(*mine.against, *base.against),
        _once(*mine.missing, *base.missing),
    )


def _once(*lines: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys(lines))


def _with_harm(situation: Situation) -> Finding:
    """Harm inward is what the far-end port dropped; this device's own input discards say nothing of the cable."""
    finding = situation.finding
    if finding.direction != "ingress":
        return finding
    ends = dict(zip(situation.ports, situation.far_ends, strict=False))
    far = max((ends[m.port] for m in finding.hot if m.port in ends), key=_dropped, default=FarEnd())
    if far.discard_ratio is None:
        return finding
    evidence = finding.evidence
    told = f"{far.discard_ratio:.2g} of the packets discarded at the far-end port {far.device} {far.port}"
    missing = tuple(line for line in evidence.missing if line != HARM_UNKNOWN)
    evidence = replace(evidence, speaks_for=_once(*evidence.speaks_for, told), missing=missing)
    return replace(finding, discard_ratio=far.discard_ratio, evidence=evidence)


def _dropped(far: FarEnd) -> float:
    return -1.0 if far.discard_ratio is None else far.discard_ratio
