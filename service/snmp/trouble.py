"""What can go wrong between us and an agent, in words for the person who must mend it."""

from __future__ import annotations

from service.snmp.agents import GARBLED, REFUSED, SILENT, TOO_BIG, UNRESOLVED, Agent, User


class Trouble(Exception):
    """An agent could not be asked, or its answer cannot be used."""

    kind = SILENT

    def __init__(self, words: str) -> None:
        super().__init__(words)
        self.words = words


class Silent(Trouble):
    """Nothing that could be used came back in time."""


class Refused(Trouble):
    """The agent lets us in with no credentials that we have."""

    kind = REFUSED


class Unresolved(Trouble):
    """The host's name leads to no address."""

    kind = UNRESOLVED


class Garbled(Trouble):
    """What came back is no answer, or contradicts itself."""

    kind = GARBLED


class TooBig(Trouble):
    """Not even a single value fits into a request."""

    kind = TOO_BIG


def silent(agent: Agent, tries: int) -> Silent:
    """No answer at all: what may be the reason, as far as the protocol lets it be known."""
    tried = f"no answer from {agent.place} within {agent.timeout_s:g} s ({tries} {'try' if tries == 1 else 'tries'})"
    if isinstance(agent.credentials, User):
        wrong = "or the privacy passphrase or protocol is wrong"
    else:
        wrong = "or the community is wrong or may not be used from here"
    return Silent(f"{tried}: it is down or out of reach, SNMP is off or filtered, {wrong}")


def deaf(agent: Agent) -> Silent:
    """The host said that nobody listens."""
    return Silent(f"nothing listens at {agent.place}: start the agent, or mend the port in the settings")


def unsendable(agent: Agent, why: OSError) -> Silent:
    """This machine could not send at all."""
    return Silent(f"{agent.place} cannot be reached from here: {why.strerror or type(why).__name__}")


def refused(agent: Agent) -> Refused:
    """An agent of version 3 turned the user down; it has one answer for all reasons."""
    return Refused(
        f"{agent.place} refuses the user: its name, authentication protocol or passphrase is wrong,"
        " or it may not ask at this level"
    )


def unresolved(agent: Agent, why: str) -> Unresolved:
    """A name that leads nowhere."""
    return Unresolved(f"the name {agent.host} of device {agent.device} cannot be resolved: {why}; write its address")


def garbled(agent: Agent) -> Garbled:
    """Only datagrams that are no SNMP came back."""
    return Garbled(f"what {agent.place} sends cannot be read: cut short on its way, or not from an SNMP agent")


def restarted(agent: Agent) -> Garbled:
    """Parts of one request that stand on both sides of a restart."""
    return Garbled(f"{agent.place} started anew between two parts of a request; the next poll will do")


def circling(agent: Agent, column: str) -> Garbled:
    """A walk that does not come to its end."""
    return Garbled(f"{agent.place} does not come to the end of {column}; its rows are out of order")


def too_big(agent: Agent) -> TooBig:
    """A request that cannot be written."""
    return TooBig(f"a request to {agent.place} cannot be written: an identifier is too long")
