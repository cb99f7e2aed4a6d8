"""Why a team is as it is: diagnoses with their evidence, who decides which member is used, and what would help."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

UNTOLD = ""


@dataclass(frozen=True)
class Evidence:
    """What speaks for a finding, what against it, and what nobody has told us."""

    speaks_for: tuple[str, ...] = ()
    against: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()


class Sure(StrEnum):
    """How sure a diagnosis is: some signs; all signs of the counters and none against; finer-grain data."""

    POSSIBLE = "possible"
    PROBABLE = "probable"
    SHOWN = "shown"


SURE_ORDER = (Sure.POSSIBLE, Sure.PROBABLE, Sure.SHOWN)

# The names of diagnoses, and how each is said.
DIAGNOSES = {
    "one-conversation": "one large conversation fills the member",
    "collision": "several heavy items share the member",
    "large-item": "one item alone is above the line",
    "polarisation": "the hash reaches only some of the members",
    "low-entropy": "what is hashed hardly varies",
    "far-end-not-distributing": "the far end sends nothing on the member",
    "own-end-not-distributing": "this end does not use the member",
    "two-partners": "cabled to two different partners",
    "standby-undeclared": "a standby member that nobody declared",
    "unanswered": "nothing that the member sends is answered",
    "sick": "the member damages what it carries",
    "flooding": "the far end floods: every member carries copies",
    "address-moving": "an address moves between the members",
    "fleet-pattern": "the same position is hot in many teams",
}
# Diagnoses that say the team is built wrong: such a member must not be offered load.
BUILD_DIAGNOSES = frozenset(
    {
        "far-end-not-distributing",
        "own-end-not-distributing",
        "two-partners",
        "standby-undeclared",
        "unanswered",
        "sick",
    }
)
# So ends a sign that tells who sits on a member that carries nothing.
CUT_OFF = "likely cut off"


@dataclass(frozen=True)
class Diagnosis:
    """One explanation: its name in DIAGNOSES, how sure, a sentence, the members it is about, and its evidence."""

    name: str
    sure: Sure
    text: str
    members: tuple[str, ...] = ()
    evidence: Evidence = field(default_factory=Evidence)


OWNERS = ("virtualisation", "network", "both", "planner")


@dataclass(frozen=True)
class Decider:
    """Who chooses the member in one direction and whose work a cure is; `missing` names what would have to be known.

    `by` is one of "host", "far end", "host, indirectly", "router", "unknown"; `build_error` says in a sentence why
    method and bundle cannot go together, empty where they can.
    """

    direction: str
    by: str
    owner: str
    text: str
    missing: tuple[str, ...] = ()
    build_error: str = ""


@dataclass(frozen=True)
class Chance:
    """The chance that no member exceeds the line after one draw; `error` is half of the 95 % interval, 0 if exact.

    `demand` is what the rates were multiplied with: rates that were read under a ceiling understate demand.
    """

    success: float
    demand: float = 1.0
    error: float = 0.0
    draws: int = 0
    seed: int = 0


@dataclass(frozen=True)
class Option:
    """One thing that could be done, beside the others.

    `name` is "leave", a method of METHODS, "far-end" where that end decides, "add-capacity" or "mend". `refused` says
    why it must not be done, empty where it may; `chances` are by demand, the first for what was read, and empty where
    nobody can know. `expected` is the chance or outcome in words, `fits` whether it clears the line where that is
    certain, None else.
    """

    name: str
    title: str
    expected: str
    fits: bool | None = None
    chances: tuple[Chance, ...] = ()
    prerequisites: tuple[str, ...] = ()
    risks: tuple[str, ...] = ()
    back_out: str = ""
    refused: str = ""
    owner: str = ""
    missing: tuple[str, ...] = ()


@dataclass(frozen=True)
class Advice:
    """All options side by side for one finding, what they rest on, and the cautions that go with them.

    `line` is the one sentence a message carries. `rests_on` says which items and loads were reckoned with,
    `reachable` the lowest busiest utilisation that any placement of whole items reaches, None where unknown.
    """

    finding_id: str
    line: str
    options: tuple[Option, ...]
    deciders: tuple[Decider, ...]
    rests_on: tuple[str, ...] = ()
    reachable: float | None = None
    even_split: float | None = None
    cautions: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True)
class Section:
    """One heading of a change sheet, and its lines."""

    heading: str
    lines: tuple[str, ...]


@dataclass(frozen=True)
class ChangeSheet:
    """An option as a sheet for a site's own change control: plain sections, no command to paste."""

    title: str
    finding_id: str
    option: str
    sections: tuple[Section, ...]
