import ssl
from pathlib import Path

import pytest
from receivers import Receiver, closed_port, listening, speaking

from service.errors import RefusedAddress, Unreachable
from service.webhooks.client import MOST_READ, Client

PEM = Path(__file__).parent / "receiver.example.pem"
BODY = b'{"test": 1}'


@pytest.fixture
def receiver():
    with listening() as receiver:
        yield receiver


def resolving_to(*addresses, asked=None):
    """A resolver that says the same of every name, and notes what it was asked."""

    def resolve(host, port, **_):
        if asked is not None:
            asked.append(host)
        return [(None, None, 6, "", (address, port)) for address in addresses]

    return resolve


class TestClient:
    def test_posts_the_body_with_its_headers_and_tells_the_answer(self, receiver):
        receiver.answers = [(202, {"Retry-After": "7"})]

        answer = Client()(receiver.route(url=receiver.url("/a?b=c")), {"webhook-id": "msg-1"}, BODY)

        assert (answer.status, answer.retry_after) == (202, "7")
        (heard,) = receiver.heard
        assert (heard.path, heard.body) == ("/a?b=c", BODY)
        assert heard.headers["webhook-id"] == "msg-1"
        assert heard.headers["content-length"] == str(len(BODY))

    def test_tells_how_long_the_exchange_took(self, receiver):
        seconds = iter([10.0, 10.0, 10.0, 10.0, 10.0])

        answer = Client(stopwatch=lambda: next(seconds, 12.5))(receiver.route(), {}, BODY)

        assert answer.took_ms == 2_500

    @pytest.mark.parametrize("status", [301, 302, 303, 307, 308])
    def test_does_not_follow_a_redirect(self, receiver, status):
        receiver.answers = [(status, {"Location": receiver.url("/elsewhere")})]

        assert Client()(receiver.route(), {}, BODY).status == status
        assert [heard.path for heard in receiver.heard] == ["/hook"]

    def test_knows_no_proxy_of_the_environment(self, receiver, monkeypatch):
        for name in ("HTTP_PROXY", "http_proxy", "ALL_PROXY", "all_proxy"):
            monkeypatch.setenv(name, f"http://127.0.0.1:{closed_port()}")

        assert Client()(receiver.route(), {}, BODY).status == 204


class TestGuard:
    def test_refuses_loopback_that_nobody_allowed_without_connecting(self, receiver):
        with pytest.raises(RefusedAddress, match=r"127\.0\.0\.1 .*allow_networks"):
            Client()(receiver.route(allow_networks=()), {}, BODY)

        assert receiver.heard == []

    @pytest.mark.parametrize("host", ["localhost", "2130706433", "0x7f.1", "[::ffff:127.0.0.1]", "0.0.0.0"])
    def test_refuses_other_ways_to_write_loopback(self, receiver, host):
        with pytest.raises(RefusedAddress):
            Client()(receiver.route(url=receiver.url(host=host), allow_networks=()), {}, BODY)

        assert receiver.heard == []

    def test_refuses_a_name_that_resolves_to_the_inside(self, receiver):
        # 169.254.169.254 serves credentials to whoever asks in many clouds: common practice, no source.
        route = receiver.route(url=receiver.url(host="receiver.example"), allow_networks=())

        with pytest.raises(RefusedAddress, match=r"receiver\.example resolves to 169\.254\.169\.254"):
            Client(resolve=resolving_to("169.254.169.254"))(route, {}, BODY)

    def test_looks_a_name_up_once_and_connects_to_what_was_checked(self, receiver):
        asked = []
        route = receiver.route(url=receiver.url(host="receiver.example"))

        Client(resolve=resolving_to("127.0.0.1", asked=asked))(route, {}, BODY)

        assert asked == ["receiver.example"]
        assert receiver.heard[0].headers["host"] == f"receiver.example:{receiver.port}"

    def test_uses_only_the_allowed_ones_of_several_addresses(self, receiver):
        route = receiver.route(url=receiver.url(host="receiver.example"))

        assert Client(resolve=resolving_to("10.0.0.1", "127.0.0.1"))(route, {}, BODY).status == 204

    def test_goes_on_to_the_next_address_where_one_does_not_answer(self, receiver):
        route = receiver.route(url=receiver.url(host="receiver.example"))

        assert Client(resolve=resolving_to("127.0.0.2", "127.0.0.1"))(route, {}, BODY).status == 204


class TestBrokenReceivers:
    def test_are_unreachable_where_nobody_listens(self):
        route = Receiver(closed_port()).route(url=f"http://127.0.0.1:{closed_port()}/s3cr3t-Zeta")

        with pytest.raises(Unreachable, match=r"^127\.0\.0\.1 could not be reached: .*refused") as failure:
            Client()(route, {}, BODY)

        assert "s3cr3t" not in str(failure.value)

    def test_are_unreachable_where_the_name_is_unknown(self):
        def resolve(*_, **__):
            raise OSError("Name or service not known")

        with pytest.raises(Unreachable, match=r"receiver\.example .*not known"):
            Client(resolve=resolve)(Receiver(80).route(url="http://receiver.example/"), {}, BODY)

    def test_are_unreachable_when_they_stay_silent(self):
        with speaking(lambda _, over: over.wait(10)) as receiver, pytest.raises(Unreachable, match="no answer in time"):
            Client(timeout_s=0.2)(receiver.route(), {}, BODY)

    def test_cannot_hold_the_line_by_dripping(self):
        def drip(caller, over):
            while not over.wait(0.02):
                caller.sendall(b"x")

        with speaking(drip) as receiver, pytest.raises(Unreachable, match="no answer in time") as failure:
            Client(timeout_s=0.3)(receiver.route(), {}, BODY)

        assert failure.value.took_ms >= 300

    def test_are_unreachable_when_they_speak_something_else(self):
        with speaking(lambda caller, _: caller.sendall(b"220 ready\r\n")) as receiver, pytest.raises(Unreachable):
            Client()(receiver.route(), {}, BODY)

    def test_have_taken_the_message_when_only_their_body_breaks_off(self):
        half = b"HTTP/1.1 200 OK\r\ncontent-length: 100\r\n\r\nhalf"

        with speaking(lambda caller, _: caller.sendall(half)) as receiver:
            assert Client()(receiver.route(), {}, BODY).status == 200

    def test_are_heard_for_64_kilobytes_and_no_longer(self):
        sent = []

        def flood(caller, over):
            caller.sendall(b"HTTP/1.1 200 OK\r\ncontent-length: 1000000000\r\n\r\n")
            while not over.is_set():
                sent.append(caller.send(b"x" * MOST_READ))

        with speaking(flood) as receiver:
            assert Client()(receiver.route(), {}, BODY).status == 200

        # What the sockets of both ends buffer comes on top; a flood that is read goes on to a billion.
        assert sum(sent) < 100_000_000


class TestTls:
    @pytest.fixture
    def receiver(self):
        served = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        served.load_cert_chain(PEM)
        with listening(served) as receiver:
            yield receiver

    def test_is_verified_against_the_name_even_though_an_address_is_connected_to(self, receiver):
        client = Client(tls=ssl.create_default_context(cafile=PEM), resolve=resolving_to("127.0.0.1"))

        assert client(receiver.route(url=receiver.url("/", "https", "receiver.example")), {}, BODY).status == 204

        with pytest.raises(Unreachable, match=r"(?i)certificate.*mismatch|Hostname"):
            client(receiver.route(url=receiver.url("/", "https", "other.example")), {}, BODY)

    def test_is_refused_where_nobody_vouches_for_the_certificate(self, receiver):
        route = receiver.route(url=receiver.url("/", "https", "receiver.example"))

        with pytest.raises(Unreachable, match=r"(?i)certificate verify failed"):
            Client(resolve=resolving_to("127.0.0.1"))(route, {}, BODY)

        assert receiver.heard == []
