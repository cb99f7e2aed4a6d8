import json

import pytest

from service.app.people import people_of
from service.errors import WrongSetting
from service.settings.reading import settled

WHOLE = {
    "trusted": ["10.20.0.7/32", "2001:db8::7/128"],
    "issuer": "https://sign-in.brackenhythe.example",
    "audience": "lopside",
    "keys_file": "keys.json",
    "roles": [{"claim": "groups", "value": "network on call", "role": "operate"}],
}


class TestPeople:
    def test_are_not_known_where_no_proxy_is_trusted(self):
        assert people_of(settled({})) is None

    def test_are_those_of_the_proxy(self, tmp_path):
        # The example key of RFC 7517, appendix A.1.
        key = {
            "kty": "EC",
            "crv": "P-256",
            "x": "MKBCTNIcKUSDii11ySs3526iDZ8AiTo7Tu6KPAqv7D4",
            "y": "4Etl6SRW2YiLUrN5vfvVHuhp7x8PxltmWWlbbM4IFyM",
        }
        (tmp_path / "keys.json").write_text(json.dumps({"keys": [key]}))

        people = people_of(settled({"people": {**WHOLE, "keys_file": str(tmp_path / "keys.json")}}))

        assert (people.header, people.issuer, people.name_claim) == ("x-id-token", WHOLE["issuer"], "email")
        assert [str(network) for network in people.trusted] == WHOLE["trusted"]
        assert people.granted[0].role == "operate"

    def test_are_refused_at_the_start_without_the_issuers_keys(self, tmp_path):
        with pytest.raises(WrongSetting, match=r"people\.keys_file"):
            people_of(settled({"people": {**WHOLE, "keys_file": str(tmp_path / "keys.json")}}))

    @pytest.mark.parametrize(
        ("changes", "why"),
        [
            ({"trusted": []}, "no proxy is trusted"),
            ({"trusted": ["0.0.0.0/0"]}, "everybody"),
            ({"trusted": ["the proxy"]}, "no network"),
            ({"issuer": ""}, r"people\.issuer"),
            ({"audience": ""}, r"people\.audience"),
            ({"keys_file": ""}, r"people\.keys_file"),
            ({"roles": []}, "nobody is granted"),
            ({"roles": [{"claim": "groups", "value": "x", "role": "feed"}]}, "role"),
            ({"header": "Authorization"}, "meaning of its own"),
            ({"header": "a b"}, "header"),
        ],
        ids=str,
    )
    def test_are_refused_where_a_token_could_not_be_checked(self, changes, why):
        with pytest.raises(WrongSetting, match=why):
            settled({"people": {**WHOLE, **changes}})
