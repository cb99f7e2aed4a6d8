"""Rows of a team for snmpd, by its pass_persist protocol: IEEE8023-LAG-MIB, ifStackTable, and what veths do not count.

Run by snmpd inside the namespace, with the file that says which interfaces there are; needs only the standard library.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

Oid = tuple[int, ...]
Rows = dict[Oid, tuple[str, str]]

LAG = (1, 2, 840, 10006, 300, 43)  # IEEE 802.1AX, IEEE8023-LAG-MIB
STACK = (1, 3, 6, 1, 2, 1, 31, 1, 2)  # RFC 2863, ifStackTable
OUT_DISCARDS = (1, 3, 6, 1, 2, 1, 2, 2, 1, 19)  # RFC 2863, ifOutDiscards
IN_OCTETS, OUT_OCTETS = (1, 3, 6, 1, 2, 1, 31, 1, 1, 1, 6), (1, 3, 6, 1, 2, 1, 31, 1, 1, 1, 10)

# LacpState as SNMP BITS, the first named bit in the high-order place (RFC 3417 section 8): activity, timeout,
# aggregation, synchronization, collecting, distributing, defaulted, expired.
CARRYING, WAITING = "BC", "A0"
FRESH_S = 0.2


def prefixes(told: dict[str, Any]) -> list[str]:
    """The parts of the tree that this script answers for.

    The octets of the team's own interface are among them, and have no row: the routes go past it, and no count is
    better than one of zero.
    """
    team = told["index"][told["team"]]
    return [
        ".".join(map(str, prefix)) for prefix in (LAG, STACK, OUT_DISCARDS, (*IN_OCTETS, team), (*OUT_OCTETS, team))
    ]


def rows_now(told: dict[str, Any]) -> Rows:
    """All rows as they are at this moment."""
    links = {link["ifname"]: link for link in json.loads(_said("ip", "-s", "-j", "link"))}
    up = [port for port in told["ports"] if links[port]["operstate"] == "UP"]
    return dict((*_team(told, up), *_members(told, up), *_discards(links)))


def _team(told: dict[str, Any], up: list[str]) -> Iterator[tuple[Oid, tuple[str, str]]]:
    team = told["index"][told["team"]]
    own, far = _octets(told["mac"]), _octets(told["far_mac"])
    columns = {2: own, 3: 32768, 4: own, 5: 1, 6: 1, 7: 1, 8: far, 9: 32768, 10: 1, 11: 1}
    yield from _row((*LAG, 1, 1, 1, 1), columns, team)
    bits = bytearray(max(told["index"].values()) // 8 + 1)
    for port in up:
        place = told["index"][port] - 1
        bits[place // 8] |= 0x80 >> place % 8  # PortList, RFC 4363: the first port in the high-order place
    yield from _row((*LAG, 1, 1, 2, 1), {1: bits.hex(" ").upper()}, team)
    yield (*STACK, 1, 3, 0, team), ("integer", "1")


def _members(told: dict[str, Any], up: list[str]) -> Iterator[tuple[Oid, tuple[str, str]]]:
    team = told["index"][told["team"]]
    own, far = _octets(told["mac"]), _octets(told["far_mac"])
    for number, port in enumerate(told["ports"], 1):
        place, attached = told["index"][port], port in up
        state = CARRYING if attached else WAITING
        columns = {2: 32768, 3: own, 4: 1, 5: 1, 6: 32768, 7: 32768, 8: far, 9: far, 10: 1, 11: 1, 12: team}
        columns |= {13: team if attached else 0, 14: number, 15: 32768, 16: number, 17: number, 18: 32768, 19: 32768}
        columns |= {20: CARRYING, 21: state, 22: CARRYING, 23: state, 24: 1}
        yield from _row((*LAG, 1, 2, 1, 1), columns, place)
        if attached:
            yield (*STACK, 1, 3, team, place), ("integer", "1")
        yield (*STACK, 1, 3, place, 0), ("integer", "1")


def _row(entry: Oid, columns: dict[int, int | str], place: int) -> Iterator[tuple[Oid, tuple[str, str]]]:
    for column, value in columns.items():
        yield (*entry, column, place), ("integer" if isinstance(value, int) else "octet", str(value))


def _discards(links: dict[str, Any]) -> Iterator[tuple[Oid, tuple[str, str]]]:
    """What the shapers of the links dropped: a veth's own count of drops stays zero."""
    shaped: dict[str, int] = {}
    for queue in json.loads(_said("tc", "-s", "-j", "qdisc", "show")):
        if queue.get("root"):
            shaped[queue["dev"]] = shaped.get(queue["dev"], 0) + queue["drops"]
    for name, link in links.items():
        dropped = link["stats64"]["tx"]["dropped"] + shaped.get(name, 0)
        yield (*OUT_DISCARDS, link["ifindex"]), ("counter", str(dropped % 2**32))


def _octets(mac: str) -> str:
    return mac.replace(":", " ").upper()


def _said(*command: str) -> str:
    return subprocess.run(command, capture_output=True, text=True, check=True, timeout=10).stdout


class Marked:
    """The rows, with the moment at which those of the team last changed (dot3adTablesLastChanged)."""

    def __init__(self, told: dict[str, Any]) -> None:
        self._told = told
        self._began = time.monotonic()  # within a second of the agent itself, which counts from there
        self._before: Rows = {}
        self._changed_ticks = 0

    def now(self) -> Rows:
        rows = rows_now(self._told)
        team = {oid: value for oid, value in rows.items() if oid[: len(LAG)] == LAG}
        if team != self._before:
            self._before, self._changed_ticks = team, int((time.monotonic() - self._began) * 100)
        return rows | {(*LAG, 1, 3, 0): ("timeticks", str(self._changed_ticks))}


def main(told: dict[str, Any]) -> None:
    """Answer what snmpd asks, until it hangs up."""
    marked, rows = Marked(told), Rows()
    read_at = 0.0
    for line in sys.stdin:
        asked = line.strip()
        if asked == "PING":
            print("PONG", flush=True)
        elif asked in ("get", "getnext"):
            oid = tuple(int(part) for part in sys.stdin.readline().strip(". \n").split("."))
            if time.monotonic() - read_at > FRESH_S:
                rows, read_at = marked.now(), time.monotonic()
            print(*_answer(rows, oid, asked), sep="\n", flush=True)
        elif asked == "set":
            sys.stdin.readline(), sys.stdin.readline()
            print("not-writable", flush=True)


def _answer(rows: Rows, oid: Oid, asked: str) -> tuple[str, ...]:
    found = oid if asked == "get" else min((known for known in rows if known > oid), default=())
    return ("." + ".".join(map(str, found)), *rows[found]) if found in rows else ("NONE",)


if __name__ == "__main__":
    main(json.loads(Path(sys.argv[1]).read_text()))
