"""Inventory files: what people declare of ports, one line a port, as CSV after RFC 4180 with a header.

Nothing is guessed: a line that is not plainly right is refused by its number, and says how to mend it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from service.errors import UnusableInput
from service.feeds import encoding
from service.feeds.header_row import unusable, values_of
from service.terms import DECLARED, MOST_MEMBERS, ROLE_WORDS, Claim, Reject, Role

COLUMNS = ("device", "port", "team", "role", "override", "far_device", "far_port", "owner", "site")
NEEDED = ("device", "port")
MOST_LETTERS = 255  # as names of devices and ports everywhere
MOST_OCTETS = 64 << 20  # some 500,000 ports
OVERRIDES = {"": False, "no": False, "yes": True}
ROLES = {word: Role(code) for code, word in enumerate(ROLE_WORDS)}
REMEDY = f"begin with a line of column names: {','.join(COLUMNS)}"


@dataclass(frozen=True)
class Listed:
    """What an inventory file declares, and the lines that could not be taken; `index` of a Reject is the line."""

    claims: tuple[Claim, ...]
    rejects: tuple[Reject, ...] = ()


@dataclass
class _Sofar:
    """What the lines before have declared: a port once, and no team more members than it may have."""

    line_of: dict[tuple[str, str], int] = field(default_factory=dict)
    sizes: Counter[tuple[str, str]] = field(default_factory=Counter)


def parse(octets: bytes, where: str, source: str = "") -> Listed:
    """The inventory that these bytes hold; `where` names them in refusals, `source` in the claims.

    Refused as a whole where they are no text or have no header that is known.
    """
    if len(octets) > MOST_OCTETS:
        raise UnusableInput(where, f"is longer than {MOST_OCTETS} octets", "split it by device")
    lines = _lines(encoding.text_of(encoding.without_mark(octets, where), where))
    names = _header(lines, where)
    sofar, claims, rejects = _Sofar(), [], []
    for number, line in lines:
        told, reason = _told(line, names)
        claim, reason = (None, reason) if reason else _claim(told, sofar, source[:MOST_LETTERS])
        if claim is None:
            rejects.append(Reject(number, reason))
            continue
        sofar.line_of[claim.device, claim.port] = number
        sofar.sizes[claim.device, claim.team] += 1
        claims.append(claim)
    return Listed(tuple(claims), tuple(rejects))


def _lines(text: str) -> Iterator[tuple[int, str]]:
    """Lines that hold something, with their numbers."""
    for number, line in enumerate(text.split("\n"), start=1):
        bare = line.removesuffix("\r")
        if bare.strip():
            yield number, bare


def _header(lines: Iterator[tuple[int, str]], where: str) -> tuple[str, ...]:
    """The names of the columns, after any lines that begin with #: below them that may be the name of a device."""
    number, line = next((one for one in lines if not one[1].startswith("#")), (1, ""))
    names = tuple(name.strip() for name in values_of(line) or ())
    if wrong := unusable(names, COLUMNS, NEEDED):
        raise UnusableInput(f"{where}, line {number}", wrong, REMEDY)
    return names


def _told(line: str, names: Sequence[str]) -> tuple[dict[str, str], str]:
    """What a line says by column, or why it says nothing."""
    values = values_of(line)
    if values is None:
        return {}, "is no row of RFC 4180; mind the quotes, and end a quoted value on its own line"
    if len(values) != len(names):
        return {}, f"has {len(values)} values where the header has {len(names)} columns; mind commas and quotes"
    told = dict.fromkeys(COLUMNS, "") | {name: value.strip() for name, value in zip(names, values, strict=True)}
    return told, _wrong_text(told)


def _wrong_text(told: dict[str, str]) -> str:
    for name, value in told.items():
        if len(value) > MOST_LETTERS:
            return f"{name} has {len(value)} letters; {MOST_LETTERS} are the most"
        if not value.isprintable():
            return f"{name} holds a letter that cannot be printed; write it without"
    empty = [name for name in NEEDED if not told[name]]
    return f"{empty[0]} is empty; every line names a device and one of its ports" if empty else ""


def _claim(told: dict[str, str], sofar: _Sofar, source: str) -> tuple[Claim | None, str]:
    reason = _wrong_word(told) or _senseless(told) or _too_many(told, sofar)
    if reason:
        return None, reason
    same: dict[str, Any] = {name: told[name] for name in COLUMNS if name not in {"role", "override"}}
    role, override = ROLES[told["role"]], OVERRIDES[told["override"]]
    return Claim(said_by=DECLARED, role=role, override=override, source=source, **same), ""


def _wrong_word(told: dict[str, str]) -> str:
    if told["role"] not in ROLES:
        return f"role {told['role'][:60]!r} is not known; write one of {', '.join(ROLE_WORDS[1:])}, or nothing"
    if told["override"] not in OVERRIDES:
        return f"override {told['override'][:60]!r} is neither yes nor no"
    return ""


def _senseless(told: dict[str, str]) -> str:
    if told["override"] == "yes" and not (told["team"] or told["role"]):
        return "overrides, but says neither team nor role; say one, or write override no"
    if bool(told["far_device"]) != bool(told["far_port"]):
        return "names half of a far end; write both far_device and far_port, or neither"
    if (told["far_device"], told["far_port"]) == (told["device"], told["port"]):
        return "names the port itself as its far end; name what is at the other end of its cable"
    return ""


def _too_many(told: dict[str, str], sofar: _Sofar) -> str:
    device, port, team = told["device"], told["port"], told["team"]
    if (device, port) in sofar.line_of:
        return f"declares a port again that line {sofar.line_of[device, port]} declares; leave one of the two out"
    if team and sofar.sizes[device, team] >= MOST_MEMBERS:
        return f"is one member too many of team {team}; a team has {MOST_MEMBERS} at most, so check its name"
    return ""
