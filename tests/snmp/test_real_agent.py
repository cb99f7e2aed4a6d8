"""Against an agent that others wrote: snmpd, versions 2c and 3."""

import itertools
import time
from dataclasses import replace

import pytest
import snmpd

from service.snmp.agents import Agent, Community, Request, User
from service.snmp.poller import Poller

UPTIME, DESCRIPTION = snmpd.SYS_UPTIME, "1.3.6.1.2.1.1.1.0"
NAME = "1.3.6.1.2.1.31.1.1.1.1"  # ifName (RFC 2863)

pytestmark = pytest.mark.skipif(bool(snmpd.lacking()), reason=snmpd.lacking() or "there is one")


@pytest.fixture
def poller():
    with Poller(lambda: time.time_ns() // 1_000_000) as poller:
        yield poller


@pytest.fixture(scope="module")
def real(tmp_path_factory):
    with snmpd.running(tmp_path_factory.mktemp("snmpd")) as agent:
        yield agent


@pytest.fixture
def user():
    told = snmpd.User()
    return User(told.name, "sha-256", told.authentication_phrase, "aes-128", told.privacy_phrase)


def outcome_of(poller, real, credentials, **more):
    agent = Agent("quay", "127.0.0.1", real.port, credentials, timeout_s=0.6)
    more = more or {"pdus": ((UPTIME, DESCRIPTION),)}
    return poller.round([Request(agent, **more)])[0]


class TestVersion2c:
    def test_is_answered(self, poller, real):
        outcome = outcome_of(poller, real, Community("2c", real.community))

        assert set(outcome.replies[0].values) == {UPTIME, DESCRIPTION}

    def test_walks(self, poller, real):
        outcome = outcome_of(poller, real, Community("2c", real.community), columns=(NAME,))

        assert b"lo" in outcome.replies[0].values.values()


class TestVersion3:
    def test_is_answered_and_goes_on_being(self, poller, real, user):
        first, second = (outcome_of(poller, real, user) for _ in range(2))

        assert (first.kind, second.kind) == ("", "")
        assert set(second.replies[0].values) == {UPTIME, DESCRIPTION}

    def test_walks(self, poller, real, user):
        assert b"lo" in outcome_of(poller, real, user, columns=(NAME,)).replies[0].values.values()

    @pytest.mark.parametrize("wrong", [{"authentication_phrase": "s3cr3t-Zeta"}, {"user": "nobody"}])
    def test_refuses_a_wrong_passphrase_or_user_with_one_word_for_both(self, poller, real, user, wrong):
        outcome = outcome_of(poller, real, replace(user, **wrong))

        assert outcome.kind == "refused"
        assert "passphrase is wrong" in outcome.trouble
        assert "s3cr3t-Zeta" not in repr(outcome)

    def test_is_silent_where_the_privacy_is_wrong_and_says_that_it_may_be(self, poller, real, user):
        outcome = outcome_of(poller, real, replace(user, privacy_phrase="s3cr3t-Zeta"))

        assert outcome.kind == "silent"
        assert "privacy passphrase or protocol is wrong" in outcome.trouble

    def test_survives_an_engine_of_another_name(self, poller, tmp_path, user):
        def told(port, engine):
            return snmpd.Told(port=port, engine_id=engine)

        (tmp_path / "a").mkdir()
        (tmp_path / "b").mkdir()
        with snmpd.running(tmp_path / "a", told(0, "80001f8880aaaaaaaaaaaaaaaa")) as first:
            assert outcome_of(poller, first, user).kind == ""
        with snmpd.running(tmp_path / "b", told(first.port, "80001f8880bbbbbbbbbbbbbbbb")) as second:
            kinds = [outcome_of(poller, second, user).kind for _ in range(2)]

        assert kinds == ["", ""]


# What snmpd.conf calls the protocols of the settings.
AUTHENTICATION = {"md5": "MD5", "sha": "SHA", **{f"sha-{bits}": f"SHA-{bits}" for bits in (224, 256, 384, 512)}}
PRIVACY = {"des": "DES", "aes-128": "AES", "aes-192": "AES192", "aes-256": "AES256"}


class TestProtocols:
    def test_of_every_pair_are_understood(self, poller, tmp_path):
        pairs = {f"u{at}": pair for at, pair in enumerate(itertools.product(AUTHENTICATION, PRIVACY))}
        lines = [
            f"createUser {name} {AUTHENTICATION[one]} maplesyrup-1 {PRIVACY[two]} maplesyrup-2\nrouser {name} authpriv"
            for name, (one, two) in pairs.items()
        ]
        with snmpd.running(tmp_path, snmpd.Told(lines=lines)) as real:
            kinds = {
                pair: outcome_of(poller, real, User(name, pair[0], "maplesyrup-1", pair[1], "maplesyrup-2")).kind
                for name, pair in pairs.items()
            }

        assert set(kinds.values()) == {""}, kinds
