import pytest

from service.errors import ServiceError, WrongSetting
from service.settings.collecting import place_of
from service.settings.references import agent_at, agents_of, credentials_of
from service.snmp.agents import Agent, Community, User, Watch

SECRET = "s3cr3t-Zeta"
V3 = """
[[credentials]]
name = "hall"
user = "lopside"
authentication_env = "HALL_AUTHENTICATION"
privacy_env = "HALL_PRIVACY"
"""
V2 = """
[[credentials]]
name = "old"
version = "2c"
accept_clear_text = true
community_env = "OLD_COMMUNITY"
"""
AGENT = """
[[agents]]
device = "sm-07"
address = "sm-07.example"
credentials = "hall"
"""


@pytest.fixture(autouse=True)
def an_environment_of_its_own(monkeypatch):
    import os

    for name in [name for name in os.environ if name.upper().startswith("LOPSIDE_")]:
        monkeypatch.delenv(name)
    monkeypatch.setenv("HALL_AUTHENTICATION", SECRET)
    monkeypatch.setenv("HALL_PRIVACY", SECRET + "-2")
    monkeypatch.setenv("OLD_COMMUNITY", SECRET)


@pytest.fixture
def refusal_of(settings_of):
    def refusal(text):
        with pytest.raises(ServiceError) as refused:
            agents_of(settings_of(text))
        assert SECRET not in repr(refused.value) + str(refused.value)
        return str(refused.value)

    return refusal


class TestAgentsOf:
    def test_has_credentials_in_hand_and_the_general_pace(self, settings_of):
        (watch,) = agents_of(settings_of(V3 + AGENT))

        user = User("lopside", "sha-256", SECRET, "aes-128", SECRET + "-2")
        assert watch == Watch(Agent("sm-07", "sm-07.example", 161, user, 1.0, 3), 10_000)

    def test_goes_by_what_an_agent_says_of_itself(self, settings_of):
        own = "interval_s = 30\ntimeout_s = 2.5\nretries = 0\n"
        (watch,) = agents_of(settings_of(V3 + AGENT + own))

        assert (watch.interval_ms, watch.agent.timeout_s, watch.agent.tries) == (30_000, 2.5, 1)

    def test_goes_by_the_section_of_all(self, settings_of):
        general = "[collection]\ninterval_s = 20\ntimeout_s = 3\nretries = 1\n"
        (watch,) = agents_of(settings_of(general + V3 + AGENT))

        assert (watch.interval_ms, watch.agent.timeout_s, watch.agent.tries) == (20_000, 3.0, 2)

    def test_reads_secrets_from_files(self, settings_of, tmp_path):
        held = tmp_path / "community"
        held.write_text(SECRET + "\n")
        text = V2.replace('community_env = "OLD_COMMUNITY"', f'community_file = "{held}"')

        assert credentials_of(settings_of(text), "old") == Community("2c", SECRET)

    def test_shows_no_secret(self, settings_of):
        settings = settings_of(V3 + V2 + AGENT)

        assert SECRET not in repr(agents_of(settings)) + repr(settings)

    def test_takes_a_user_without_privacy_where_that_is_accepted(self, settings_of):
        text = V3.replace('privacy_env = "HALL_PRIVACY"', 'privacy = "none"\naccept_clear_text = true')

        assert credentials_of(settings_of(text), "hall") == User("lopside", "sha-256", SECRET, "none", "")

    def test_is_empty_without_agents(self, settings_of):
        assert agents_of(settings_of("")) == ()


class TestAgentAt:
    def test_takes_the_only_credentials_there_are(self, settings_of):
        agent = agent_at(settings_of(V2), "192.0.2.7:1161", None)

        assert (agent.host, agent.port, agent.credentials) == ("192.0.2.7", 1161, Community("2c", SECRET))

    def test_wants_a_name_where_there_are_several(self, settings_of):
        with pytest.raises(WrongSetting, match="name one of hall, old"):
            agent_at(settings_of(V3 + V2), "192.0.2.7", None)

    def test_refuses_what_is_no_address(self, settings_of):
        with pytest.raises(WrongSetting, match="neither a device of the settings nor an address"):
            agent_at(settings_of(V3), "hall 7", "hall")


class TestClearText:
    @pytest.mark.parametrize("version", ["1", "2c"])
    def test_is_refused_with_the_reason_and_the_better_way(self, refusal_of, version):
        text = V2.replace("accept_clear_text = true\n", "").replace('"2c"', f'"{version}"')

        said = refusal_of(text)

        assert "credentials[0].version (line 4)" in said
        assert f"version {version} sends its community in clear text with every request" in said
        assert "prefer version 3 with authentication and privacy" in said

    @pytest.mark.parametrize("bare", ['privacy = "none"', 'authentication = "none"\nprivacy = "none"'])
    def test_of_version_3_is_refused_too(self, refusal_of, bare):
        text = f'[[credentials]]\nname = "hall"\nuser = "lopside"\n{bare}\n'

        assert "can be read or forged on the way" in refusal_of(text)


class TestSecrets:
    @pytest.mark.parametrize("key", ["community", "passphrase", "authentication_passphrase", "privacy_key", "password"])
    def test_written_down_are_refused_with_the_remedy(self, refusal_of, key):
        said = refusal_of(V3 + f'{key} = "{SECRET}"\n')

        assert "a secret must not stand in the settings" in said
        assert "community_env or community_file" in said

    def test_written_at_an_agent_are_refused_too(self, refusal_of):
        assert "a secret must not stand in the settings" in refusal_of(V3 + AGENT + f'community = "{SECRET}"\n')

    @pytest.mark.parametrize(
        "text",
        [
            V3.replace("HALL_PRIVACY", SECRET),
            V3 + f'privacy = "{SECRET}"\n',
            V3.replace("authentication_env", "authentication").replace("HALL_AUTHENTICATION", SECRET),
        ],
    )
    def test_in_a_wrong_place_are_not_repeated(self, refusal_of, text):
        assert "credentials[0]" in refusal_of(text)

    def test_that_are_not_there_are_named(self, refusal_of, monkeypatch):
        monkeypatch.delenv("HALL_PRIVACY")

        said = refusal_of(V3 + AGENT)

        assert "credentials[0].privacy_env (line 6): the environment has no HALL_PRIVACY" in said

    def test_that_are_too_short_for_agents_are_refused(self, refusal_of, monkeypatch):
        # RFC 3414, section 11.2: at least 8 characters.
        monkeypatch.setenv("HALL_PRIVACY", "seven77")

        assert "shorter than 8 characters" in refusal_of(V3 + AGENT)

    def test_of_the_least_length_are_taken(self, settings_of, monkeypatch):
        monkeypatch.setenv("HALL_PRIVACY", "eight888")

        assert len(agents_of(settings_of(V3 + AGENT))) == 1


class TestRefusals:
    @pytest.mark.parametrize(
        ("text", "said"),
        [
            (V3 + AGENT + AGENT, "device 'sm-07' has an agent already"),
            (V3 + V3, "other credentials are called 'hall'"),
            (V2 + AGENT, "no credentials are called 'hall'; name one of old"),
            (AGENT, "describe them in a section [[credentials]]"),
            (V3 + AGENT.replace("sm-07.example", "sm-07.example:0"), "is no address of an agent"),
            (V3.replace('user = "lopside"\n', ""), "version 3 asks in the name of a user"),
            (V3 + 'community_env = "OLD_COMMUNITY"\n', "version 3 knows no community"),
            (V2 + 'user = "lopside"\n', "version 2c knows no users"),
            (V2 + 'community_file = "x"\n', "exactly one place must hold the community"),
            (V3.replace('privacy_env = "HALL_PRIVACY"\n', ""), "exactly one place must hold the privacy"),
            (V3 + 'version = "4"\n', "write one of 3, 2c, 1"),
            (V3 + 'privacy = "none"\naccept_clear_text = true\n', "privacy is none, and yet its secret is named"),
            (V3 + AGENT + "retries = 11\n", "less than or equal to 10"),
            ("[collection]\ntimeout_s = 0\n", "greater than or equal to 0.05"),
        ],
    )
    def test_say_what_is_wrong(self, refusal_of, text, said):
        assert said in refusal_of(text)

    def test_know_no_privacy_without_authentication(self, refusal_of):
        text = V3.replace('authentication_env = "HALL_AUTHENTICATION"', 'authentication = "none"')

        assert "no privacy without authentication" in refusal_of(text + "accept_clear_text = true\n")


class TestPlaceOf:
    @pytest.mark.parametrize(
        ("written", "meant"),
        [
            ("sm-07", ("sm-07", 161)),
            ("sm-07.example:1161", ("sm-07.example", 1161)),
            ("192.0.2.7", ("192.0.2.7", 161)),
            ("192.0.2.7:65535", ("192.0.2.7", 65_535)),
            ("[2001:db8::7]:1161", ("2001:db8::7", 1161)),
            ("[2001:db8::7]", ("2001:db8::7", 161)),
            ("2001:db8::7", ("2001:db8::7", 161)),
        ],
    )
    def test_reads_host_and_port(self, written, meant):
        assert place_of(written) == meant

    @pytest.mark.parametrize(
        "written",
        [
            "",
            ":161",
            "sm 07",
            "sm-07:",
            "sm-07:x",
            "sm-07:0",
            "sm-07:65536",
            "[sm-07]:161",
            "a:b:c",
            "[::1]x",
            "udp://a",
        ],
    )
    def test_refuses_nonsense(self, written):
        with pytest.raises(ValueError):
            place_of(written)
