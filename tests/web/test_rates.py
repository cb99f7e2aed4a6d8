import asyncio

import pytest
from web_examples import a_key, asked

from service.web.edge import _within
from service.web.rates import Rates, caller_of


def allowed(rates, caller, times):
    return [at for at in times if rates.wait_s(caller, at) == 0]


class TestRates:
    # RFC 2697, section 3: a bucket of size B filled at rate C lets through at most B + C t in t seconds.
    def test_let_through_no_more_than_rate_and_burst(self):
        passed = allowed(Rates(10), "a", [n / 100 for n in range(1_000)])

        assert len(passed) <= 2 * 10 + 10 * 10
        assert len(passed) >= 2 * 10 + 10 * 10 - 2

    def test_says_after_how_long_there_is_room(self):
        rates = Rates(2)
        for _ in range(4):
            assert rates.wait_s("a", 0) == 0
        wait_s = rates.wait_s("a", 0)

        assert wait_s == pytest.approx(0.5)
        assert rates.wait_s("a", wait_s + 1e-9) == 0

    def test_are_each_callers_own(self):
        rates = Rates(1)
        for _ in range(5):
            rates.wait_s("a", 0)

        assert rates.wait_s("b", 0) == 0

    def test_survive_a_clock_that_is_put_back(self):
        rates = Rates(1)
        rates.wait_s("a", 1_000)

        assert rates.wait_s("a", 0) == 0
        assert rates.wait_s("a", 0) > 0

    def test_forget_who_asked_longest_ago(self):
        rates = Rates(1, most_callers=2)
        for caller in ("a", "b", "c"):
            for _ in range(3):
                rates.wait_s(caller, 0)

        assert rates.wait_s("a", 0) == 0

    def test_are_none_where_that_is_wanted(self):
        assert allowed(Rates(0), "a", [0] * 1_000) == [0] * 1_000


class TestCallerOf:
    def scope(self, *headers, client=("192.0.2.1", 1)):
        return {"type": "http", "headers": list(headers), "client": client}

    def test_is_who_shows_a_key_wherever_they_are(self):
        key = (b"authorization", b"Bearer s3cr3t-Zeta")

        assert caller_of(self.scope(key)) == caller_of(self.scope(key, client=("192.0.2.2", 1)))
        assert "s3cr3t" not in caller_of(self.scope(key))

    def test_is_an_address_else(self):
        assert caller_of(self.scope()) == "192.0.2.1"
        assert caller_of(self.scope(client=None)) == ""


class TestAsking:
    def test_is_told_to_wait_and_when_to_come_back(self, sqlite_engine):
        http = asked(sqlite_engine, requests_per_s=0.001)
        answers = [http.get("/healthz") for _ in range(3)]

        assert [answer.status_code for answer in answers] == [200, 429, 429]
        # RFC 6585, section 4, and RFC 9110, section 10.2.3.
        assert 900 < int(answers[-1].headers["retry-after"]) <= 1_000
        assert answers[-1].headers["content-type"] == "application/problem+json"

    def test_of_one_caller_does_not_keep_another_away(self, sqlite_engine):
        http = asked(sqlite_engine, requests_per_s=0.001)
        http.get("/healthz")

        assert http.get("/healthz").status_code == 429
        assert http.get("/healthz", headers=a_key(sqlite_engine, "view")).status_code == 200


class TestWithin:
    def receive(self, *messages):
        waiting = list(messages)

        async def receive():
            if not waiting:
                await asyncio.sleep(30)
            return waiting.pop(0)

        return receive

    def test_refuses_a_body_that_never_ends(self):
        first = {"type": "http.request", "body": b"{", "more_body": True}
        received = _within(self.receive(first), 0.05)

        async def both():
            assert await received() == first
            await received()

        with pytest.raises(Exception, match="408"):
            asyncio.run(both())

    def test_waits_for_as_long_as_it_takes_once_a_body_is_whole(self):
        whole = {"type": "http.request", "body": b"{}", "more_body": False}
        received = _within(self.receive(whole, {"type": "http.disconnect"}), 0.01)

        async def both():
            await received()
            await asyncio.sleep(0.05)
            return await received()

        assert asyncio.run(both()) == {"type": "http.disconnect"}
