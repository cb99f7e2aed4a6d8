"""The laboratory put together: namespaces, links, a real agent, conversations; all of it gone at the end."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path

import snmpd
from lab import rows
from lab.links import AGENT, ROLES, TEAM, Conversation, LabTrouble, Links, mac
from lab.namespaces import inside, namespaces, started, within

TRAFFIC, ROWS = (Path(__file__).with_name(name) for name in ("traffic.py", "rows.py"))
HIGH_SPEED = "1.3.6.1.2.1.31.1.1.1.15"  # ifHighSpeed, RFC 2863
READY_S = 20
AGGREGATE = 161  # ieee8023adLag, IANAifType-MIB
ETHERNET = 6  # ethernetCsmacd


@dataclass(frozen=True)
class Lab:
    """A laboratory that is up."""

    names: dict[str, str]
    links: Links
    agent: snmpd.Agent
    folder: Path

    @contextmanager
    def talking(self, conversations: Sequence[Conversation]) -> Iterator[dict[str, Counts]]:
        """Conversations held until the end of the block; what each sent and got is in the answer afterwards."""
        told = self.folder / "conversations.json"
        told.write_text(json.dumps([asdict(talk) for talk in conversations]))
        counts: dict[str, Counts] = {}
        listener = self._started("snk", "listen", told)
        time.sleep(0.5)  # a TCP conversation must find somebody
        sender = self._started("gen", "send", told)
        try:
            yield counts
        finally:
            snmpd.end(sender)
            time.sleep(0.3)  # what is under way arrives
            snmpd.end(listener)
        sent, got = (json.loads((self.folder / f"{doing}.json").read_text()) for doing in ("send", "listen"))
        counts |= {name: Counts(*sent[name], *got[name]) for name in sent}

    def octets(self) -> dict[str, tuple[int, int]]:
        """The kernel's own counters of each member at this moment: octets in and out."""
        told = {link["ifname"]: link["stats64"] for link in self.links.as_the_kernel_says()}
        return {port: (told[port]["rx"]["bytes"], told[port]["tx"]["bytes"]) for port in self.links.ports}

    def _started(self, role: str, doing: str, told: Path) -> subprocess.Popen[bytes]:
        counts = self.folder / f"{doing}.json"
        counts.unlink(missing_ok=True)
        command = (sys.executable, TRAFFIC, doing, told, counts)
        return started(self.names[role], *command, log=self.folder / f"{doing}.log")


@dataclass(frozen=True)
class Counts:
    """What a conversation sent, and what arrived of it."""

    sent_frames: int
    sent_octets: int
    got_pieces: int
    got_octets: int


@contextmanager
def laboratory(folder: Path) -> Iterator[Lab]:
    """A laboratory until the end of the block."""
    with namespaces(ROLES) as names:
        links = Links(names)
        links.up()
        with snmpd.running(folder / "agent", _told(links, folder)) as agent:
            inside(names["mgr"], lambda: _wait_for_speeds(agent, links))
            yield Lab(names, links, agent, folder)


def _told(links: Links, folder: Path) -> snmpd.Told:
    script = folder / "rows.json"
    known = {"team": TEAM, "ports": links.ports, "index": links.index, "mac": mac("t"), "far_mac": mac("up")}
    script.write_text(json.dumps(known))
    command = (sys.executable, str(ROWS), str(script))
    speeds = dict.fromkeys(links.ports, (ETHERNET, links.bps))
    return snmpd.Told(
        host=AGENT,
        port=161,
        types_and_speeds={TEAM: (AGGREGATE, links.bps * links.count), **speeds},
        scripts=dict.fromkeys(rows.prefixes(known), command),
        within=within(links.names["agg"]),
        reach=lambda call: inside(links.names["mgr"], call),
    )


def _wait_for_speeds(agent: snmpd.Agent, links: Links) -> None:
    """The agent says what it is told of speeds only once it has read the interfaces anew."""
    wanted = {f"{HIGH_SPEED}.{links.index[port]}": links.bps // 1_000_000 for port in links.ports}
    until = time.monotonic() + READY_S
    with agent.session() as session:
        while (told := session.get_many(wanted)) != wanted:
            if time.monotonic() > until:
                raise LabTrouble(f"the agent says {told} of speeds instead of {wanted}")
            time.sleep(0.1)
