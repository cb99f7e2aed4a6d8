import logging
import os
import random
import socket
import time
from dataclasses import replace

import ber
import pytest
from agents import Agents, SimulatedAgent
from simulated_tables import UPTIME

from service.snmp.agents import Agent, Community, Request
from service.snmp.poller import Poller

OCTETS = "1.3.6.1.2.1.31.1.1.1.6"  # ifHCInOctets (RFC 2863)
NAME = "1.3.6.1.2.1.31.1.1.1.1"
SECRET = "s3cr3t-Zeta"
MOST_DATAGRAM, FUZZED = 65_507, 150


def now_ms():
    return time.time_ns() // 1_000_000


@pytest.fixture
def quay():
    return SimulatedAgent("quay")


@pytest.fixture
def served(quay):
    with Agents([quay, SimulatedAgent("shed")]) as agents:
        yield agents


@pytest.fixture
def poller():
    with Poller(now_ms) as poller:
        yield poller


@pytest.fixture
def agent(served):
    return Agent("quay", "127.0.0.1", served.port, Community("2c", "quay"), timeout_s=0.6)


def only(poller, *told, **more):
    (outcome,) = poller.round([Request(*told, **more)])
    return outcome


class TestRound:
    def test_brings_a_reply_for_each_request_with_both_instants(self, poller, agent):
        before = now_ms()

        outcome = only(poller, agent, ((UPTIME, f"{OCTETS}.1"), (UPTIME, f"{NAME}.1")))

        assert (outcome.kind, outcome.tries) == ("", 1)
        assert [set(reply.values) for reply in outcome.replies] == [{UPTIME, f"{OCTETS}.1"}, {UPTIME, f"{NAME}.1"}]
        assert all(before <= reply.sent_ms <= reply.received_ms <= now_ms() for reply in outcome.replies)
        assert outcome.replies[1].values[f"{NAME}.1"] == b"dock1"

    def test_keeps_the_order_of_the_requests(self, poller, agent, quay):
        quay.delay_s = 0.1
        shed = replace(agent, device="shed", credentials=Community("2c", "shed"))

        outcomes = poller.round([Request(agent, ((UPTIME,),)), Request(shed, ((UPTIME,),))])

        assert [outcome.request.agent.device for outcome in outcomes] == ["quay", "shed"]

    def test_of_nothing_is_nothing(self, poller):
        assert poller.round([]) == []

    def test_brings_counters_whole(self, poller, agent, quay):
        # RFC 2578, section 7.1.10: Counter64 goes up to 2^64 - 1.
        quay.set(f"{OCTETS}.1", ber.number(2**64 - 1, ber.COUNTER64))

        outcome = only(poller, agent, ((UPTIME, f"{OCTETS}.1"),))

        assert outcome.replies[0].values[f"{OCTETS}.1"] == 18_446_744_073_709_551_615

    def test_leaves_out_rows_that_are_gone(self, poller, agent, quay):
        quay.drop(f"{OCTETS}.1")

        outcome = only(poller, agent, ((UPTIME, f"{OCTETS}.1", f"{OCTETS}.2"),))

        assert set(outcome.replies[0].values) == {UPTIME, f"{OCTETS}.2"}

    @pytest.mark.parametrize("version", ["1", "2c"])
    def test_walks_columns_to_their_end_and_no_further(self, poller, agent, version):
        known = replace(agent, credentials=Community(version, "quay"))

        outcome = only(poller, known, columns=(NAME, OCTETS))

        (reply,) = outcome.replies
        assert len(reply.values) == 2 * 10
        assert {oid.rpartition(".")[0] for oid in reply.values} == {NAME, OCTETS}

    def test_finds_what_is_there_among_missing_rows_with_version_1(self, poller, agent):
        # RFC 1157, section 4.1.2: one missing row fails the whole request.
        old = replace(agent, credentials=Community("1", "quay"))

        outcome = only(poller, old, ((UPTIME, "1.9.9", f"{OCTETS}.1", f"{OCTETS}.2"),))

        assert set(outcome.replies[0].values) == {UPTIME, f"{OCTETS}.1", f"{OCTETS}.2"}


class TestSubmit:
    def test_hands_out_what_ended_once(self, poller, agent):
        poller.submit([Request(agent, ((UPTIME,),)), Request(agent, ((UPTIME,),), after_ms=50)])
        ended, until = [], time.monotonic() + 5
        while len(ended) < 2 and time.monotonic() < until:
            ended += poller.finished()

        assert [outcome.kind for outcome in ended] == ["", ""]
        assert (poller.finished(), poller.busy()) == ([], 0)

    def test_is_broken_off_by_closing(self, agent, quay):
        quay.silent = True
        with Poller(now_ms) as poller:
            poller.submit([Request(agent, ((UPTIME,),)), Request(agent, ((UPTIME,),), after_ms=60_000)])

        assert poller.busy() == 0
        assert len(poller.finished()) == 2


class TestSilence:
    def test_is_told_after_the_time_out_with_all_tries_within(self, poller, agent, quay):
        quay.silent = True

        outcome = only(poller, agent, ((UPTIME,),))

        assert (outcome.kind, outcome.replies, outcome.tries, len(quay.asked)) == ("silent", (), 3, 3)
        assert 590 <= outcome.took_ms < 2 * 600  # one after the other, the tries would take three times as long
        assert "no answer from 127.0.0.1" in outcome.trouble

    def test_of_a_wrong_community_cannot_be_told_apart_and_says_so(self, poller, agent):
        outcome = only(poller, replace(agent, credentials=Community("2c", SECRET)), ((UPTIME,),))

        assert outcome.kind == "silent"
        assert "the community is wrong" in outcome.trouble

    def test_of_a_port_where_nothing_listens_does_not_spin(self, poller, agent):
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        before = time.process_time()

        outcome = only(poller, replace(agent, port=port), ((UPTIME,),))

        assert (outcome.kind, outcome.tries) == ("silent", 3)
        assert "nothing listens" in outcome.trouble
        assert outcome.took_ms >= 390
        assert (time.process_time() - before) * 1000 < 0.8 * outcome.took_ms  # one that spins uses all of it

    def test_ends_with_the_first_answer_to_any_try(self, poller, agent, quay):
        quay.ignores = 1

        outcome = only(poller, agent, ((UPTIME,), (UPTIME,)))

        assert (outcome.kind, outcome.tries) == ("", 2)

    def test_is_not_told_of_an_agent_that_is_slower_than_a_try(self, poller, agent, quay):
        quay.delay_s = 0.45

        outcome = only(poller, agent, ((UPTIME,),))

        assert outcome.kind == ""
        assert outcome.replies[0].received_ms - outcome.replies[0].sent_ms >= 440

    def test_of_a_kept_session_is_noticed_too(self, poller, agent, quay):
        only(poller, agent, ((UPTIME,),))
        quay.silent = True

        assert only(poller, agent, ((UPTIME,),)).kind == "silent"

    def test_lasts_one_try_where_the_request_says_so(self, poller, agent, quay):
        quay.silent = True

        assert only(poller, agent, ((UPTIME,),), tries=1).tries == 1
        assert len(quay.asked) == 1

    def test_of_many_holds_up_nobody(self, agent, quay):
        # 16 silent ones before 20 others, at most 8 at once: the others are asked once the first tries lapsed.
        quay.silent = True
        shed = replace(agent, device="shed", credentials=Community("2c", "shed"))
        with Poller(now_ms, in_flight=8) as poller:
            started_ms = now_ms()
            outcomes = poller.round([Request(agent, ((UPTIME,),))] * 16 + [Request(shed, ((UPTIME,),))] * 20)

        assert [outcome.kind for outcome in outcomes] == ["silent"] * 16 + [""] * 20
        answered_ms = [outcome.replies[0].received_ms for outcome in outcomes[16:]]
        assert max(answered_ms) - started_ms < 2 * agent.timeout_s * 1000  # held up, they would be asked only then


@pytest.mark.skipif(not os.path.isdir("/proc/self/fd"), reason="nothing here tells which files are open")
class TestSockets:
    def test_are_closed_whatever_came_of_the_tries(self, poller, agent, quay):
        only(poller, agent, ((UPTIME,),))
        before = len(os.listdir("/proc/self/fd"))
        quay.delay_s = agent.timeout_s - 0.002  # answers come as the time runs out

        poller.round([Request(agent, ((UPTIME,),))] * 40)

        # The tries that lost are closed a moment after the round.
        until = time.monotonic() + 5
        while len(os.listdir("/proc/self/fd")) > before and time.monotonic() < until:
            time.sleep(0.01)
        assert len(os.listdir("/proc/self/fd")) <= before

    def test_are_kept_between_polls(self, poller, agent):
        only(poller, agent, ((UPTIME,),))
        (kept,) = poller._sessions._idle.values()

        only(poller, agent, ((UPTIME,),))

        assert list(poller._sessions._idle.values()) == [kept]


class TestNames:
    def test_lead_to_an_agent(self, poller, agent):
        outcome = only(poller, replace(agent, host="localhost"), ((UPTIME,),))

        assert outcome.kind == ""

    def test_that_lead_nowhere_are_told(self, poller, agent):
        # RFC 6761, section 6.4: names under .invalid have no address.
        outcome = only(poller, replace(agent, host="quay.invalid"), ((UPTIME,),))

        assert outcome.kind == "unresolved"
        assert "quay.invalid" in outcome.trouble

    @pytest.mark.skipif(not socket.has_ipv6 or not os.path.exists("/proc/net/if_inet6"), reason="no IPv6 here")
    def test_may_be_addresses_of_version_6(self, poller):
        with Agents([SimulatedAgent("quay")], host="::1") as served:
            outcome = only(poller, Agent("quay", "::1", served.port, Community("2c", "quay")), ((UPTIME,),))

        assert outcome.kind == ""


class TestNonsense:
    @pytest.mark.parametrize("spoilt", [lambda a: a[:20], lambda a: b"\xff" * 30, lambda a: a[:-1], lambda a: b"\x30"])
    def test_is_told_apart_from_silence(self, poller, agent, quay, spoilt):
        quay.garbles = spoilt

        assert only(poller, agent, ((UPTIME,),)).kind == "garbled"

    def test_of_the_largest_datagram_there_is_is_no_answer(self, poller, agent, quay):
        quay.garbles = lambda answer: answer + bytes(MOST_DATAGRAM - len(answer))

        outcome = only(poller, agent, ((UPTIME,),))

        assert outcome.kind in {"", "garbled"}  # what follows a message that is whole may be left aside
        assert all(set(reply.values) <= {UPTIME} for reply in outcome.replies)

    def test_of_any_sort_is_survived(self, poller, agent, quay):
        drawn = random.Random(20261127)
        hasty = replace(agent, timeout_s=0.1)

        def spoil(answer):
            wrong = bytearray(answer)
            for _ in range(drawn.randint(1, 4)):
                at = drawn.randrange(len(wrong))
                wrong[at : at + drawn.randint(0, 3)] = drawn.randbytes(drawn.randint(0, 4))
            return bytes(wrong)

        quay.garbles = spoil
        kinds = {only(poller, hasty, ((UPTIME, f"{OCTETS}.1"),), tries=1).kind for _ in range(FUZZED)}
        assert {"garbled"} <= kinds <= {"", "garbled", "silent", "refused"}

        quay.garbles = None
        assert not only(poller, agent, ((UPTIME,),)).kind

    def test_does_not_hide_the_answer_after_it(self, poller, agent, quay):
        spoilt = iter([b"\xff" * 30])
        quay.garbles = lambda answer: next(spoilt, answer)

        outcome = only(poller, agent, ((UPTIME,),))

        assert (outcome.kind, outcome.tries) == ("", 2)

    def test_of_a_walk_that_goes_in_circles_is_noticed(self, poller, agent, quay):
        first = [ber.tagged(ber.SEQUENCE, ber.identifier(ber.oid(f"{NAME}.1")) + ber.octets("dock1"))] * 3
        quay._bulk = lambda asked, seconds: b"".join(first)

        assert only(poller, agent, columns=(NAME,)).kind == "garbled"


class TestTooBig:
    def test_is_asked_in_parts_that_begin_alike_and_joined_again(self, poller, agent, quay):
        quay.most_octets = 300
        pdu = (UPTIME, *(f"{OCTETS}.{at}" for at in range(1, 9)), *(f"{NAME}.{at}" for at in range(1, 9)))

        outcome = only(poller, agent, (pdu,))

        assert set(outcome.replies[0].values) == set(pdu)
        assert {asked.oids[0] for asked in quay.asked} == {ber.oid(UPTIME)}

    def test_is_remembered(self, poller, agent, quay):
        quay.most_octets = 300
        pdu = (UPTIME, *(f"{OCTETS}.{at}" for at in range(1, 9)), *(f"{NAME}.{at}" for at in range(1, 9)))
        only(poller, agent, (pdu,))
        learned = len(quay.asked)

        outcome = only(poller, agent, (pdu,))

        assert set(outcome.replies[0].values) == set(pdu)
        assert len(quay.asked) - learned < learned

    def test_for_ourselves_is_asked_in_parts_too(self, poller, agent):
        pdu = (UPTIME, *(f"{OCTETS}.{at}" for at in range(1, 401)))

        assert len(only(poller, agent, (pdu,)).replies[0].values) == 9

    def test_is_not_joined_over_a_restart(self, poller, agent, quay):
        quay.most_octets = 200
        pdu = (UPTIME, *(f"{OCTETS}.{at}" for at in range(1, 9)))
        only(poller, agent, (pdu,))
        answer, count = quay.answer, iter(range(1000))

        def restarting(asked):
            if next(count) == 1:
                quay.restart()
            return answer(asked)

        quay.answer = restarting

        outcome = only(poller, agent, (pdu,))

        assert (outcome.kind, outcome.replies) == ("garbled", ())
        assert "started anew" in outcome.trouble


class TestSecrets:
    def test_stand_in_no_outcome_and_no_log(self, poller, agent, caplog):
        caplog.set_level(logging.DEBUG)
        secret = replace(agent, credentials=Community("2c", SECRET), timeout_s=0.2)
        requests = [
            Request(secret, ((UPTIME,),)),
            Request(replace(secret, host="quay.invalid"), ((UPTIME,),)),
            Request(secret, (("no identifier",),)),
        ]

        outcomes = poller.round(requests)

        assert all(outcome.trouble for outcome in outcomes)
        assert SECRET not in repr(outcomes) + caplog.text
