"""Opening sessions with agents, and keeping those that may be used again."""

from __future__ import annotations

import asyncio
import functools
from collections import OrderedDict
from collections.abc import Callable

import gufo.snmp as gufo
from gufo.snmp.aio import SnmpSession
from gufo.snmp.user import KeyType

from service.snmp import trouble
from service.snmp.agents import Agent, Community, User
from service.snmp.channel import Channel

# What an agent takes as fresh (RFC 3414, section 2.2.3).
FRESH_S = 150.0

AUTHENTICATION: dict[str, type[gufo.BaseAuthKey]] = {
    "md5": gufo.Md5Key,
    "sha": gufo.Sha1Key,
    "sha-224": gufo.Sha224Key,
    "sha-256": gufo.Sha256Key,
    "sha-384": gufo.Sha384Key,
    "sha-512": gufo.Sha512Key,
}
PRIVACY: dict[str, type[gufo.BasePrivKey]] = {
    "des": gufo.DesKey,
    "aes-128": gufo.Aes128Key,
    "aes-192": gufo.Aes192Key,
    "aes-256": gufo.Aes256Key,
}


class Sessions:
    """Sessions that are kept open between polls, the least lately used closed first."""

    def __init__(self, clock: Callable[[], int], most: int) -> None:
        self._clock = clock
        self._most = most
        self._idle: OrderedDict[Agent, Channel] = OrderedDict()
        self._engines: dict[Agent, bytes] = {}

    def kept(self, agent: Agent) -> Channel | None:
        """The session that is open with an agent, taken out of the keep; None where there is none to use."""
        channel = self._idle.pop(agent, None)
        if channel is not None and self._is_stale(channel):
            channel.close()
            return None
        return channel

    def keep(self, channel: Channel) -> None:
        """Put a session back for the next poll."""
        if channel.agent in self._idle or self._is_stale(channel):
            channel.close()
            return
        channel.used = True
        self._idle[channel.agent] = channel
        if len(self._idle) > self._most:
            self._idle.popitem(last=False)[1].close()

    async def opened(self, agent: Agent, address: str) -> Channel:
        """A new session; with version 3 the agent's engine is asked for its name and time first."""
        credentials = agent.credentials
        if isinstance(credentials, Community):
            return self._channel(agent, self._community(agent, address, credentials))
        session = self._user(agent, address, credentials)
        try:
            await session.refresh()
        except gufo.SnmpAuthError:
            raise trouble.refused(agent) from None
        except TimeoutError:
            raise trouble.silent(agent, 1) from None
        except OSError as wrong:
            raise trouble.unsendable(agent, wrong) from None
        except asyncio.CancelledError:
            raise
        except BaseException:  # also the library's panic over nonsense, which is no Exception
            raise trouble.garbled(agent) from None
        self._engines[agent] = session.get_engine_id()
        return self._channel(agent, session)

    def forget(self, agent: Agent) -> None:
        """Ask anew for the engine of an agent: one that was replaced would not answer to the old name."""
        self._engines.pop(agent, None)

    def close(self) -> None:
        """Close all that is kept."""
        while self._idle:
            self._idle.popitem()[1].close()

    def _is_stale(self, channel: Channel) -> bool:
        age = asyncio.get_running_loop().time() - channel.opened_s
        return isinstance(channel.agent.credentials, User) and age > FRESH_S

    def _channel(self, agent: Agent, session: SnmpSession) -> Channel:
        return Channel(agent, session, self._clock)

    def _community(self, agent: Agent, address: str, held: Community) -> SnmpSession:
        version = gufo.SnmpVersion.v1 if held.version == "1" else gufo.SnmpVersion.v2c
        try:
            return SnmpSession(
                address, port=agent.port, community=held.community, version=version, timeout=agent.timeout_s
            )
        except OSError as wrong:
            raise trouble.unsendable(agent, wrong) from None

    def _user(self, agent: Agent, address: str, held: User) -> SnmpSession:
        try:
            return SnmpSession(
                address,
                port=agent.port,
                user=user_of(held),
                engine_id=self._engines.get(agent),
                timeout=agent.timeout_s,
            )
        except OSError as wrong:
            raise trouble.unsendable(agent, wrong) from None


@functools.lru_cache(maxsize=1024)
def user_of(held: User) -> gufo.User:
    """A user with keys made of the passphrases once: each takes a million octets of hashing (RFC 3414, A.2)."""
    if held.authentication == "none":
        return gufo.User(held.user)
    kind = AUTHENTICATION[held.authentication]
    key = kind(kind.get_master_key(held.authentication_phrase.encode()), key_type=KeyType.Master)
    if held.privacy == "none":
        return gufo.User(held.user, auth_key=key)
    # The keys of privacy come from the authentication's hash too (RFC 3826, section 1.2).
    secret = kind.get_master_key(held.privacy_phrase.encode())
    return gufo.User(held.user, auth_key=key, priv_key=PRIVACY[held.privacy](secret, key_type=KeyType.Master))
