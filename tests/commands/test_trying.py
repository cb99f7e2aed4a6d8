import base64
import json

import pytest
from pytest_httpserver import HTTPServer
from standardwebhooks import Webhook

SECRET = "whsec_" + base64.b64encode(b"Zeta" * 8).decode()


@pytest.fixture
def receiver():
    with HTTPServer(host="127.0.0.1", port=0) as server:
        yield server


@pytest.fixture
def route(settings_file, receiver, monkeypatch):
    monkeypatch.setenv("ON_CALL", SECRET)
    settings_file.write_text(
        f'[[routes]]\nname = "on-call"\nurl = "{receiver.url_for("/")}"\nsecret_env = "ON_CALL"\n'
        'allow_networks = ["127.0.0.0/8"]\n'
    )


class TestMessageTest:
    def test_arrives_signed_and_marked_as_a_test(self, lopside, route, receiver):
        receiver.expect_request("/", method="POST").respond_with_data("", status=204)

        told = lopside("message", "test", "on-call")

        [(request, _)] = receiver.log
        # The reference library of Standard Webhooks is the oracle of the signature.
        Webhook(SECRET).verify(request.get_data(), dict(request.headers))
        event = json.loads(request.get_data())
        assert told.exit_code == 0
        assert told.stdout.startswith("on-call answered 204")
        assert event["type"] == "lopside.test"
        assert "This is a test" in event["data"]["text"]

    def test_ends_with_1_where_the_receiver_does_not_take_it(self, lopside, route, receiver):
        receiver.expect_request("/", method="POST").respond_with_data("", status=503)

        told = lopside("message", "test", "on-call")

        assert (told.exit_code, "answered 503" in told.stdout) == (1, True)

    def test_ends_with_2_where_nobody_answers(self, lopside, route, receiver):
        receiver.stop()

        told = lopside("message", "test", "on-call")

        assert (told.exit_code, "could not be reached" in told.stderr) == (2, True)

    def test_knows_no_route_that_the_settings_do_not_name(self, lopside, route):
        told = lopside("message", "test", "planner")

        assert (told.exit_code, told.stderr) == (2, "lopside: there is no route 'planner'\n")
