from dataclasses import replace

from service.snmp.agents import Agent, Community, User

SECRET = "s3cr3t-Zeta"


class TestCredentials:
    def test_do_not_show_a_community(self):
        shown = Community("2c", SECRET)

        assert SECRET not in f"{shown!r} {shown} {Agent('quay', 'quay.example', credentials=shown)!r}"

    def test_do_not_show_passphrases(self):
        shown = User("reader", "sha-256", SECRET, "aes-128", SECRET + "-2")

        assert SECRET not in f"{shown!r} {shown} {Agent('quay', 'quay.example', credentials=shown)!r}"

    def test_of_other_secrets_are_others(self):
        assert User("reader", "sha-256", SECRET) != User("reader", "sha-256", SECRET + "-2")


class TestPlace:
    def test_puts_an_address_of_version_6_into_brackets(self):
        agent = Agent("quay", "2001:db8::7")

        assert agent.place == "[2001:db8::7]:161"
        assert replace(agent, host="quay.example", port=1161).place == "quay.example:1161"
