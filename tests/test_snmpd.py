"""The real SNMP agent that other tests ask: that it is there, fresh, and speaks what they expect."""

import os
from pathlib import Path

import pytest
import snmpd
from gufo.snmp import SnmpAuthError
from gufo.snmp.sync import SnmpSession

IF_IN_OCTETS = "1.3.6.1.2.1.31.1.1.1.6"  # ifHCInOctets, RFC 2863
IF_NAME = "1.3.6.1.2.1.31.1.1.1.1"
SYS_UPTIME = "1.3.6.1.2.1.1.3.0"

pytestmark = pytest.mark.skipif(bool(snmpd.lacking()), reason=snmpd.lacking())


@pytest.fixture
def agent(tmp_path):
    with snmpd.running(tmp_path) as agent:
        yield agent


def loopback(session):
    return next(oid.rpartition(".")[2] for oid, name in session.getbulk(IF_NAME) if name == b"lo")


def received_by_loopback():
    line = next(line for line in Path("/proc/net/dev").read_text().splitlines() if line.strip().startswith("lo:"))
    return int(line.split()[1])


class TestRunning:
    def test_answers_over_ipv6(self, tmp_path):
        with snmpd.running(tmp_path, snmpd.Told(host="::1")) as agent, agent.session() as session:
            assert session.get(SYS_UPTIME) >= 0

    def test_answers_by_both_versions(self, agent):
        with agent.session() as clear, agent.session_v3() as private:
            assert clear.get(SYS_UPTIME) <= private.get(SYS_UPTIME)

    def test_refuses_another_pass_phrase(self, agent):
        stranger = snmpd.User(authentication_phrase="some other phrase").keys

        with pytest.raises(SnmpAuthError), SnmpSession(agent.host, agent.port, user=stranger, timeout=1.0) as session:
            session.get(SYS_UPTIME)

    def test_tells_what_the_kernel_counts_at_that_moment(self, agent):
        """Its own habit is to remember counters for 3 s."""
        with agent.session() as session:
            asked = f"{IF_IN_OCTETS}.{loopback(session)}"
            for _ in range(3):
                before = received_by_loopback()
                told = session.get(asked)

                assert before <= told <= received_by_loopback()

    def test_has_the_engine_id_it_is_told(self, tmp_path):
        with (
            snmpd.running(tmp_path, snmpd.Told(engine_id="8000000005010203")) as agent,
            agent.session_v3() as session,
        ):
            session.get(SYS_UPTIME)

            assert session.get_engine_id().hex() == "8000000005010203"

    def test_is_gone_afterwards(self, tmp_path):
        with snmpd.running(tmp_path) as agent:
            pass

        with pytest.raises(ProcessLookupError):
            os.kill(agent.pid, 0)
