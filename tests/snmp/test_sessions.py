import asyncio
from types import SimpleNamespace

import pytest
from gufo.snmp.user import KeyType

from service.snmp.agents import AUTHENTICATIONS, PRIVACIES, Agent, Community, User
from service.snmp.sessions import FRESH_S, Sessions, user_of


class AChannel(SimpleNamespace):
    """What is kept: a session as far as its keeper looks at it."""

    def __init__(self, agent, opened_s):
        super().__init__(agent=agent, opened_s=opened_s, used=False, closed=False)

    def close(self):
        self.closed = True


def kept_after(credentials, seconds):
    """Whether a session that was opened so long ago is used again."""

    async def within():
        sessions = Sessions(lambda: 0, most=2)
        agent = Agent("quay", "192.0.2.7", credentials=credentials)
        channel = AChannel(agent, asyncio.get_running_loop().time())
        sessions.keep(channel)
        channel.opened_s -= seconds
        return sessions.kept(agent) is channel, channel.closed

    return asyncio.run(within())


class TestSessions:
    def test_of_version_3_are_thrown_away_before_the_agent_thinks_them_stale(self):
        # RFC 3414, section 2.2.3: a time window of 150 seconds.
        assert kept_after(User("reader"), FRESH_S - 5) == (True, False)
        assert kept_after(User("reader"), FRESH_S + 1) == (False, True)

    def test_of_communities_are_kept(self):
        assert kept_after(Community("2c", "quay"), 10 * FRESH_S) == (True, False)

    def test_are_kept_up_to_a_number(self):
        async def within():
            sessions = Sessions(lambda: 0, most=2)
            now = asyncio.get_running_loop().time()
            channels = [AChannel(Agent(f"quay{at}", "192.0.2.7"), now) for at in range(3)]
            for channel in channels:
                sessions.keep(channel)
            return [channel.closed for channel in channels]

        assert asyncio.run(within()) == [True, False, False]

    def test_are_one_an_agent(self):
        async def within():
            sessions = Sessions(lambda: 0, most=2)
            now = asyncio.get_running_loop().time()
            first, second = (AChannel(Agent("quay", "192.0.2.7"), now) for _ in range(2))
            sessions.keep(first)
            sessions.keep(second)
            return first.closed, second.closed

        assert asyncio.run(within()) == (False, True)


class TestUserOf:
    def test_makes_the_keys_once(self):
        told = User("reader", "sha-256", "maplesyrup", "aes-128", "maplesyrup")

        assert user_of(told) is user_of(User("reader", "sha-256", "maplesyrup", "aes-128", "maplesyrup"))

    def test_hashes_passphrases_as_published(self):
        # RFC 3414, section A.3.2: "maplesyrup" with SHA.
        user = user_of(User("reader", "sha", "maplesyrup", "none"))

        assert user.auth_key.key.hex() == "9fb5cc0381497b3793528939ff788d5d79145211"
        assert user.auth_key.key_type is KeyType.Master

    @pytest.mark.parametrize("authentication", AUTHENTICATIONS[1:])
    @pytest.mark.parametrize("privacy", PRIVACIES)
    def test_knows_every_protocol_that_the_settings_offer(self, authentication, privacy):
        user = user_of(User("reader", authentication, "maplesyrup", privacy, "maplesyrup"))

        assert (user.priv_key is None) == (privacy == "none")

    def test_of_nobody_has_no_keys(self):
        assert user_of(User("reader", "none", "", "none")).auth_key is None
