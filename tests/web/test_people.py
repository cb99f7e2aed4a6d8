"""SEC-5: people whom a proxy signs in by OpenID Connect."""

import ipaddress
import json
import os

import jwt
import pytest
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from web_examples import NOW_MS, a_key, asked

from service.errors import NoKey, WrongSetting
from service.web.people import Granted, Keys, People

NOW_S = NOW_MS // 1000
PROXY, STRANGER = "10.20.0.7", "10.20.0.8"
ISSUER, AUDIENCE = "https://sign-in.brackenhythe.example", "lopside"
GRANTED = (
    Granted("groups", "network on call", "operate"),
    Granted("groups", "everybody", "view"),
    Granted("rank", "chief", "admin"),
)
OURS, THEIRS = ec.generate_private_key(ec.SECP256R1()), ec.generate_private_key(ec.SECP256R1())
LARGE = rsa.generate_private_key(65_537, 2048)

# RFC 7515, appendix A.2: signed with RS256, and the public part of the key.
RFC_7515_TOKEN = (
    "eyJhbGciOiJSUzI1NiJ9"
    ".eyJpc3MiOiJqb2UiLA0KICJleHAiOjEzMDA4MTkzODAsDQogImh0dHA6Ly9leGFtcGxlLmNvbS9pc19yb290Ijp0cnVlfQ"
    ".cC4hiUPoj9Eetdgtv3hF80EGrhuB__dzERat0XF9g2VtQgr9PJbu3XOiZj5RZmh7AAuHIm4Bh-0Qc_lF5YKt_O8W2Fp5jujGbds9uJdbF9CUAr7t1d"
    "nZcAcQjbKBYNX4BAynRFdiuB--f_nZLgrnbyTyWzO75vRK5h6xBArLIARNPvkSjtQBMHlb1L07Qe7K0GarZRmB_eSN9383LcOLn6_dO--xi12jzDwus"
    "C-eOkHWEsqtFZESc6BfI7noOPqvhJ1phCnvWh6IeYI2w9QOYEUipUTI8np6LbgGY9Fs98rqVt5AXLIhWkWywlVmtVrBp0igcN_IoypGlUPQGe77Rw"
)
RFC_7515_KEY = {
    "kty": "RSA",
    "n": "ofgWCuLjybRlzo0tZWJjNiuSfb4p4fAkd_wWJcyQoTbji9k0l8W26mPddxHmfHQp-Vaw-4qPCJrcS2mJPMEzP1Pt0Bm4d4QlL-yR"
    "T-SFd2lZS-pCgNMsD1W_YpRPEwOWvG6b32690r2jZ47soMZo9wGzjb_7OMg0LOL-bSf63kpaSHSXndS5z5rexMdbBYUsLA9e-KXB"
    "dQOS-UTo7WTBEMa2R2CapHg665xsmtdVMTBQY4uDZlxvb3qCo5ZwKh9kG4LT6_I5IhlJH7aGhyxXFvUK-DWNmoudF8NAco9_h9ia"
    "GNj8q2ethFkMLs91kzk2PAcDTW9gb54h4FRWyuXpoQ",
    "e": "AQAB",
}


def public(key, key_id, algorithm):
    told = jwt.algorithms.get_default_algorithms()[algorithm].to_jwk(key.public_key(), as_dict=True)
    return {**told, "kid": key_id, "alg": algorithm, "use": "sig"}


@pytest.fixture
def keys_file(tmp_path):
    file = tmp_path / "keys.json"
    file.write_text(json.dumps({"keys": [public(OURS, "one", "ES256"), public(LARGE, "two", "RS256")]}))
    return file


@pytest.fixture
def people(keys_file):
    trusted = (ipaddress.ip_network(f"{PROXY}/32"),)
    return People("x-id-token", trusted, ISSUER, AUDIENCE, Keys(keys_file), "email", GRANTED)


def token(key=OURS, algorithm="ES256", head=None, **changes):
    told = {
        "iss": ISSUER,
        "aud": AUDIENCE,
        "sub": "4711",
        "iat": NOW_S - 10,
        "exp": NOW_S + 300,
        "email": "r.olin@brackenhythe.example",
        "groups": ["everybody", "network on call"],
        **changes,
    }
    told = {name: value for name, value in told.items() if value is not None}
    return jwt.encode(told, key, algorithm, headers={"kid": "one"} if head is None else head)


class TestWho:
    def test_is_named_and_has_the_highest_role_that_is_granted(self, people):
        assert people.who(token(), PROXY, NOW_S) == ("r.olin@brackenhythe.example", "operate")
        assert people.who(token(groups="everybody"), PROXY, NOW_S)[1] == "view"
        assert people.who(token(groups=[], rank="chief"), PROXY, NOW_S)[1] == "admin"

    def test_may_be_signed_by_any_of_the_issuers_keys(self, people):
        assert people.who(token(LARGE, "RS256", {"kid": "two"}), PROXY, NOW_S)[1] == "operate"
        assert people.who(token(LARGE, "RS256", {}), PROXY, NOW_S)[1] == "operate"

    @pytest.mark.parametrize("peer", [STRANGER, "127.0.0.1", "", "::1"])
    def test_counts_from_the_trusted_proxy_only(self, people, peer):
        with pytest.raises(NoKey, match="counts only from the proxy"):
            people.who(token(), peer, NOW_S)

    @pytest.mark.parametrize(
        ("changes", "why"),
        [
            ({"key": THEIRS}, "ignature verification failed"),
            ({"head": {"kid": "three"}}, "signed by nobody known"),
            ({"key": "x" * 64, "algorithm": "HS256"}, "alg value is not allowed"),
            ({"key": None, "algorithm": "none"}, "alg value is not allowed"),
            ({"iss": "https://elsewhere.example"}, "issuer"),
            ({"aud": "another service"}, "udience"),
            ({"aud": None}, "aud"),
            ({"exp": None}, "exp"),
            ({"exp": NOW_S - 60}, "has run out"),
            ({"exp": "tomorrow"}, "numbers"),
            ({"iat": NOW_S + 61}, "of the future"),
            ({"nbf": NOW_S + 61}, "of the future"),
            ({"groups": ["guests"]}, "grants a role"),
            ({"groups": {"network on call": 1}}, "grants a role"),
            ({"email": None}, "is no name"),
            ({"email": "a\nb"}, "is no name"),
            ({"email": ["r.olin"]}, "is no name"),
            ({"email_verified": False}, "never verified"),
            ({"sub": None}, "sub"),
        ],
        ids=lambda told: ",".join(told) if isinstance(told, dict) else "",
    )
    def test_is_refused_with_a_token_that_does_not_hold(self, people, changes, why):
        with pytest.raises(NoKey, match=why):
            people.who(token(**changes), PROXY, NOW_S)

    @pytest.mark.parametrize(
        "told", ["", "nonsense", "a.b.c", "é.é.é", "." * 40_000, "eyJhbGciOiJFUzI1NiJ9..", "x" * 99_999]
    )
    def test_is_refused_with_what_is_no_token(self, people, told):
        with pytest.raises(NoKey):
            people.who(told, PROXY, NOW_S)

    def test_is_refused_where_a_letter_of_the_token_was_changed(self, people):
        head, said, signature = token().split(".")
        for spoilt in (f"{head}.{said[:-4]}AAAA.{signature}", f"{head}.{said}.{signature[:-4]}AAAA"):
            with pytest.raises(NoKey):
                people.who(spoilt, PROXY, NOW_S)


class TestKeys:
    def test_find_the_published_signature_good(self, tmp_path):
        (tmp_path / "keys.json").write_text(json.dumps({"keys": [RFC_7515_KEY]}))
        [key] = Keys(tmp_path / "keys.json").of(None)

        found = jwt.decode(RFC_7515_TOKEN, key, algorithms=["RS256"], options={"verify_exp": False})

        assert found == {"iss": "joe", "exp": 1300819380, "http://example.com/is_root": True}

    def test_are_read_again_when_the_issuer_changed_them(self, people, keys_file):
        people.who(token(), PROXY, NOW_S)
        keys_file.write_text(json.dumps({"keys": [public(THEIRS, "one", "ES256")]}))
        os.utime(keys_file, (NOW_S, NOW_S))

        assert people.who(token(THEIRS), PROXY, NOW_S)[1] == "operate"
        with pytest.raises(NoKey):
            people.who(token(), PROXY, NOW_S)

    @pytest.mark.parametrize("text", ["", "{}", '{"keys": []}', '{"keys": [{"kty": "oct"}]}', "[]", "nonsense"])
    def test_that_cannot_be_used_are_said(self, tmp_path, text):
        (tmp_path / "keys.json").write_text(text)

        with pytest.raises(WrongSetting, match="keys_file"):
            Keys(tmp_path / "keys.json").of(None)

    def test_that_are_not_there_are_said(self, tmp_path):
        with pytest.raises(WrongSetting, match="keys_file"):
            Keys(tmp_path / "none").of(None)


class TestRequests:
    PATH = "/v1/findings"

    def ask(self, engine, people, method="GET", path=PATH, *, client=PROXY, headers=None, **more):
        told = {"x-id-token": token(), "x-forwarded-for": "192.0.2.1", **(headers or {})}
        service = asked(engine, client=(client, 5), base_url="https://lopside.brackenhythe.example", people=people)
        return service.request(method, path, headers=told, **more)

    def test_of_people_are_answered_and_noted_under_their_name(self, sqlite_engine, people):
        assert self.ask(sqlite_engine, people).status_code == 200
        said = {"begins": "2026-12-01T22:00", "minutes": 60, "devices": ["sm-*"], "because": "cabling"}

        made = self.ask(sqlite_engine, people, "POST", "/v1/quiet-times", json=said)

        assert (made.status_code, made.json()["set_by"]) == (201, "r.olin@brackenhythe.example")

    def test_of_people_with_a_lower_role_are_refused_what_is_above_it(self, sqlite_engine, people):
        headers = {"x-id-token": token(groups="everybody")}
        said = {"begins": "2026-12-01T22:00", "minutes": 60, "devices": ["sm-*"], "because": "cabling"}

        assert self.ask(sqlite_engine, people, "POST", "/v1/quiet-times", json=said, headers=headers).status_code == 403

    def test_past_the_proxy_are_refused(self, sqlite_engine, people):
        assert self.ask(sqlite_engine, people, client=STRANGER).status_code == 401
        # Not even on this machine, where nobody is asked for a key: somebody else's token is no reason to be let in.
        assert self.ask(sqlite_engine, people, client="127.0.0.1", headers={"host": "127.0.0.1"}).status_code == 401

    def test_with_a_header_that_nobody_trusts_are_those_of_anybody(self, sqlite_engine):
        assert self.ask(sqlite_engine, None).status_code == 401

    def test_with_a_key_are_those_of_the_key(self, sqlite_engine, people):
        headers = {**a_key(sqlite_engine, "feed"), "x-id-token": token()}

        assert self.ask(sqlite_engine, people, headers=headers).status_code == 403

    @pytest.mark.parametrize(
        "headers",
        [{"origin": "https://evil.example"}, {"sec-fetch-site": "cross-site"}, {"content-type": "text/plain"}],
        ids=str,
    )
    def test_that_a_page_of_a_stranger_sends_change_nothing(self, sqlite_engine, people, headers):
        content = {"content": '{"because": "x"}', "headers": {"content-type": "application/json", **headers}}

        assert self.ask(sqlite_engine, people, "POST", "/v1/quiet-times", **content).status_code == 403

    def test_show_the_token_nowhere(self, sqlite_engine, people):
        told = token(key=THEIRS)

        assert told not in self.ask(sqlite_engine, people, headers={"x-id-token": told}).text
