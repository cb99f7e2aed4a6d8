"""From host names to addresses: looked up once, kept for a while, forgotten where nobody answers."""

from __future__ import annotations

import asyncio
import ipaddress
import socket

from service.snmp import trouble
from service.snmp.agents import Agent

KEPT_S = 300.0  # so that a name that moves is followed
PATIENCE_S = 5.0  # one name server's time-out (resolv.conf(5)); a second would hold up the poll


class Names:
    """What names lead to, as remembered."""

    def __init__(self) -> None:
        self._known: dict[str, tuple[tuple[str, ...], float]] = {}

    async def addresses(self, agent: Agent) -> tuple[str, ...]:
        """The addresses of an agent's host, the one to ask first at the front; Unresolved where there are none."""
        loop = asyncio.get_running_loop()
        known = self._known.get(agent.host)
        if known is None or known[1] < loop.time():
            known = (await _resolved(agent), loop.time() + KEPT_S)
            self._known[agent.host] = known
        return known[0]

    def answered(self, host: str, address: str) -> None:
        """Remember which of several addresses answers."""
        known = self._known.get(host)
        if known and known[0][0] != address:
            others = tuple(other for other in known[0] if other != address)
            self._known[host] = ((address, *others), known[1])

    def forget(self, host: str) -> None:
        """Look the name up again next time."""
        self._known.pop(host, None)


async def _resolved(agent: Agent) -> tuple[str, ...]:
    if _is_address(agent.host):
        return (agent.host,)
    looked_up = asyncio.get_running_loop().getaddrinfo(agent.host, agent.port, type=socket.SOCK_DGRAM)
    try:
        found = await asyncio.wait_for(looked_up, PATIENCE_S)
    except TimeoutError:
        raise trouble.unresolved(agent, "no name server answers") from None
    except (OSError, UnicodeError) as wrong:
        raise trouble.unresolved(agent, getattr(wrong, "strerror", None) or "it is no name") from None
    return tuple(dict.fromkeys(str(place[4][0]) for place in found))


def _is_address(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True
