import asyncio

import pytest
from agents import Agents, SimulatedAgent
from gufo.snmp.aio import SnmpSession
from simulated_tables import UPTIME

from service.snmp.agents import Agent, Community
from service.snmp.channel import LATE, Channel
from service.snmp.questions import Values


@pytest.fixture
def quay():
    agent = SimulatedAgent("quay")
    with Agents([agent]) as served:
        agent.port = served.port
        yield agent


def asked(quay, ask):
    """What `ask` brings when it is handed an open channel."""

    async def within():
        session = SnmpSession("127.0.0.1", port=quay.port, community="quay")
        channel = Channel(Agent("quay", "127.0.0.1", quay.port, Community("2c", "quay")), session, lambda: 7)
        del session
        try:
            return await asyncio.wait_for(ask(channel), 5)
        finally:
            channel.close()

    return asyncio.run(within())


class TestSession:
    def test_has_the_attributes_that_a_channel_reaches_for(self, quay):
        session = SnmpSession("127.0.0.1", port=quay.port, community="quay")

        assert session._sock.get_fd() == session._fd
        assert callable(session._sock.send_get_bulk)


class TestChannel:
    def test_brings_values_and_when_they_came(self, quay):
        heard = asked(quay, lambda channel: channel.ask(Values([UPTIME])))

        assert (heard.received_ms, set(heard.value), heard.trouble) == (7, {UPTIME}, None)

    def test_does_not_take_the_answer_to_another_question(self, quay):
        async def two_at_once(channel):
            channel.ask(Values([UPTIME]))
            return await channel.ask(Values(["1.3.6.1.2.1.1.5.0"]))

        heard = asked(quay, two_at_once)

        assert heard.value == {"1.3.6.1.2.1.1.5.0": b"quay"}

    def test_takes_the_first_of_repeated_answers(self, quay):
        quay.echoes = 3

        async def twice(channel):
            await channel.ask(Values([UPTIME]))
            await asyncio.sleep(0.05)  # the repetitions come while nobody waits
            return await channel.ask(Values(["1.3.6.1.2.1.1.5.0"]))

        assert asked(quay, twice).value == {"1.3.6.1.2.1.1.5.0": b"quay"}

    def test_tells_who_waited_that_it_is_late_and_listens_on(self, quay):
        quay.delay_s = 0.1

        async def patiently(channel):
            first = channel.ask(Values([UPTIME]))
            later = channel.listen_on()
            return await first, await later

        first, later = asked(quay, patiently)

        assert first == LATE
        assert UPTIME in later.value
