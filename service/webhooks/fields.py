"""A finding as named fields for programs, and back: times RFC 3339 UTC, rates integer bit/s, ratios fractions."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from service.terms import UNKNOWN, Diagnosis, Evidence, Finding, MemberFigure, Severity, Sure

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
MOST_SIGNS = 12
MOST_SIGN_LETTERS = 300
MOST_DIAGNOSES = 6
MOST_TEAMS = 64  # of a finding about a fleet; the service itself has them all

SAME = (
    "id",
    "device",
    "team",
    "direction",
    "family",
    "kind",
    "peak_port",
    "basis",
    "windows_seen",
    "windows_evaluable",
    "windows_flagged",
    "recurrences",
    "unverified",
    "uncertain",
    "owner",
    "diagnosis",
    "confidence",
    "rule_note",
    "decided_by",
    "advice",
    "change",
)
RATES = ("usable_bps", "stranded_bps", "room_bps")
SHARES = ("peak", "even_split", "imbalance", "discard_ratio")
INSTANTS = ("since", "raised", "cleared", "peak", "updated", "hot_until")
MEMBERS = ("hot", "idle", "members")


def instant(ms: int | None) -> str | None:
    """RFC 3339 in UTC, to the millisecond where there is one; None stays None."""
    if ms is None:
        return None
    at = EPOCH + timedelta(milliseconds=ms)
    return at.isoformat(timespec="milliseconds" if ms % 1000 else "seconds").replace("+00:00", "Z")


def milliseconds(text: str | None) -> int | None:
    """The instant behind RFC 3339."""
    return None if text is None else (datetime.fromisoformat(text) - EPOCH) // timedelta(milliseconds=1)


def fields_of(finding: Finding) -> dict[str, Any]:
    """The finding as JSON can hold it; an unknown figure is null, never zero."""
    told: dict[str, Any] = {name: getattr(finding, name) for name in SAME}
    told["severity"] = str(finding.severity)
    told |= {name: _rate(getattr(finding, name)) for name in RATES}
    told |= {name: _share(getattr(finding, name)) for name in SHARES}
    told |= {f"{name}_at": instant(getattr(finding, f"{name}_ms")) for name in INSTANTS}
    told |= {name: [_member(member) for member in getattr(finding, name)] for name in MEMBERS}
    told |= {"part_of": finding.part_of or None, "teams": list(finding.teams[:MOST_TEAMS])}
    told["diagnoses"] = [_diagnosis(one) for one in finding.diagnoses[:MOST_DIAGNOSES]]
    return {**told, "evidence": _evidence(finding.evidence)}


def finding_of(fields: Mapping[str, Any]) -> Finding:
    """The finding behind its fields: those it does not know are passed over, later ones that are not there default."""
    told: dict[str, Any] = {name: fields[name] for name in (*SAME, "discard_ratio") if name in fields}
    told |= {name: UNKNOWN if fields[name] is None else fields[name] for name in RATES}
    told |= {name: math.nan if fields[name] is None else fields[name] for name in SHARES if name != "discard_ratio"}
    told |= {f"{name}_ms": milliseconds(fields[f"{name}_at"]) for name in INSTANTS if f"{name}_at" in fields}
    told |= {name: tuple(_figure(member) for member in fields[name]) for name in MEMBERS}
    told["evidence"] = _signs_of(fields["evidence"])
    told["diagnoses"] = tuple(_diagnosis_of(one) for one in fields.get("diagnoses", ()))
    told |= {"part_of": fields.get("part_of") or "", "teams": tuple(fields.get("teams", ()))}
    return Finding(severity=Severity(fields["severity"]), **told)


def _rate(bits_per_s: int) -> int | None:
    return None if bits_per_s == UNKNOWN else bits_per_s


def _share(share: float | None) -> float | None:
    return None if share is None or not math.isfinite(share) else float(share)


def _member(member: MemberFigure) -> dict[str, Any]:
    return {
        "port": member.port,
        "utilisation": _share(member.utilisation),
        "speed_bps": member.speed_bps,
        "why_not": member.why_not,
    }


def _figure(member: Mapping[str, Any]) -> MemberFigure:
    return MemberFigure(member["port"], member["utilisation"], member["speed_bps"], member["why_not"])


def _diagnosis(one: Diagnosis) -> dict[str, Any]:
    told = {"name": one.name, "sure": str(one.sure), "text": one.text, "members": list(one.members)}
    return {**told, "evidence": _evidence(one.evidence)}


def _diagnosis_of(told: Mapping[str, Any]) -> Diagnosis:
    return Diagnosis(
        told["name"], Sure(told["sure"]), told["text"], tuple(told["members"]), _signs_of(told["evidence"])
    )


def _signs_of(told: Mapping[str, Any]) -> Evidence:
    return Evidence(tuple(told["for"]), tuple(told["against"]), tuple(told["missing"]))


def _evidence(evidence: Evidence) -> dict[str, list[str]]:
    return {
        "for": _signs(evidence.speaks_for),
        "against": _signs(evidence.against),
        "missing": _signs(evidence.missing),
    }


def _signs(signs: Sequence[str]) -> list[str]:
    return [sign[:MOST_SIGN_LETTERS] for sign in signs[:MOST_SIGNS]]
