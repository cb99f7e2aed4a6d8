"""What is decided and told: rules, findings with their evidence, events about data."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field

from service.terms.diagnosed import Diagnosis, Evidence
from service.terms.words import Severity


@dataclass(frozen=True)
class Rule:
    """Thresholds that apply to a team; shares of 1 but for counts of windows and seconds."""

    hot_above: float = 0.75
    idle_below: float = 0.30
    clear_below: float = 0.70
    raise_windows: int = 3
    raise_of: int = 4
    clear_windows: int = 10
    window_seconds: int = 30
    coverage_min: float = 0.80
    set_by: str = ""
    because: str = ""


@dataclass(frozen=True)
class MemberFigure:
    """One member as a finding shows it; None is unknown, never zero."""

    port: str
    utilisation: float | None
    speed_bps: int
    why_not: str = ""


@dataclass(frozen=True)
class Finding:
    """Something raised about a team and direction, with its evidence and its life so far."""

    id: str
    device: str
    team: str
    direction: str
    family: str
    kind: str
    severity: Severity
    since_ms: int  # start of the first flagged window of those that raised it
    raised_ms: int  # end of the window that raised it
    cleared_ms: int | None
    hot: tuple[MemberFigure, ...]
    idle: tuple[MemberFigure, ...]
    members: tuple[MemberFigure, ...]
    peak: float  # highest utilisation of a window so far
    peak_port: str
    peak_ms: int
    even_split: float
    imbalance: float
    usable_bps: int
    stranded_bps: int
    room_bps: int
    discard_ratio: float | None  # worst window so far; None where nobody counts
    basis: str
    windows_seen: int
    windows_evaluable: int
    recurrences: int = 0  # raises within the last hour where it comes and goes
    unverified: bool = False
    uncertain: bool = False
    owner: str | None = None
    diagnosis: str | None = None
    confidence: str | None = None
    evidence: Evidence = field(default_factory=Evidence)
    rule_note: str = ""  # names a team's own rule where one applies
    updated_ms: int = 0
    windows_flagged: int = 0  # of the evaluable windows, those that carried a kind of its family
    hot_until_ms: int | None = None  # end of the last flagged window; None where nobody noted it
    diagnoses: tuple[Diagnosis, ...] = ()  # the surest first; `diagnosis` and `confidence` are of the first
    decided_by: str = ""  # who chooses the member in this direction, a sentence
    advice: str = ""  # what would help and with what odds, one sentence or two
    change: str = ""  # the change that was recorded while it was open, and what was foretold
    part_of: str = ""  # the id of the finding about a fleet that this one is part of
    teams: tuple[str, ...] = ()  # of a finding about a fleet: its teams, as "device/team"


@dataclass(frozen=True)
class DataEvent:
    """Something about the data of a source that is worth knowing and is not a finding."""

    device: str
    port: str
    at_ms: int
    kind: str
    text: str


def finding_id(device: str, team: str, direction: str, family: str, raised_ms: int) -> str:
    """The one id of a finding: whoever evaluates the same data finds the same id."""
    name = "\x1f".join((device, team, direction, family, str(raised_ms)))
    return "f" + hashlib.blake2b(name.encode(), digest_size=10).hexdigest()
