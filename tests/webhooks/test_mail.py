import contextlib
import socket
import ssl
import threading
from email import message_from_bytes, policy
from ipaddress import ip_network
from pathlib import Path

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult
from receivers import LOOPBACK, closed_port

from service.errors import RefusedAddress, Unreachable
from service.webhooks import envelope, grouped, retry
from service.webhooks.mail import MailDoor, Mailer, message_of, octets_of
from service.webhooks.parcels import Ways, parcel
from service.webhooks.routes import Route

CERTIFICATE = Path(__file__).parent / "receiver.example.pem"
RAISED = envelope.event_of(envelope.example_body("raised"))
HOST = "receiver.example"


class Mailbox:
    """What a mail server took, and what it answers to a message or a recipient."""

    def __init__(self):
        self.taken, self.data_answer, self.recipient_answer, self.users = [], "250 taken", "250 good", []

    async def handle_RCPT(self, _server, _session, envelope, address, _options):  # noqa: N802  # aiosmtpd's name
        if self.recipient_answer.startswith("250"):
            envelope.rcpt_tos.append(address)
        return self.recipient_answer

    async def handle_DATA(self, _server, session, envelope):  # noqa: N802
        if self.data_answer.startswith("250"):
            self.taken.append((session.ssl is not None, envelope.mail_from, envelope.rcpt_tos, envelope.content))
        return self.data_answer

    def authenticate(self, _server, _session, _envelope, mechanism, data):
        self.users.append((mechanism, data.login, data.password))
        return AuthResult(success=data.password == b"s3cr3t-Zeta", handled=False)


def of_tls():
    tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    tls.load_cert_chain(CERTIFICATE)
    return tls


@contextlib.contextmanager
def mail_server(box, **told):
    server = Controller(box, hostname="127.0.0.1", port=closed_port(), **told)
    server.start()
    try:
        yield server.port
    finally:
        server.stop(no_assert=True)


@pytest.fixture
def box():
    return Mailbox()


def a_door(port, **told):
    return MailDoor(
        **{"host": HOST, "port": port, "sender": "lopside@mail.example", "recipients": ("r@mail.example",), **told}
    )


def to_here(_host, port, **_):
    return [(socket.AF_INET, socket.SOCK_STREAM, 6, "", ("127.0.0.1", port))]


def a_mailer(**told):
    trusting = ssl.create_default_context(cafile=CERTIFICATE)
    return Mailer(**{"tls": trusting, "resolve": to_here, "timeout_s": 5.0, **told})


def sent(door, mailer=None, allow=LOOPBACK):
    return (mailer or a_mailer())(door, allow, octets_of(RAISED, door))


class TestMailer:
    def test_sends_by_tls_begun_on_the_way(self, box):
        with mail_server(box, tls_context=of_tls(), require_starttls=True) as port:
            answer = sent(a_door(port))

        assert retry.meaning(answer.status) is retry.Meaning.TAKEN
        [(by_tls, sender, recipients, _)] = box.taken
        assert (by_tls, sender, recipients) == (True, "lopside@mail.example", ["r@mail.example"])

    def test_sends_by_tls_from_the_first_octet(self, box):
        with mail_server(box, ssl_context=of_tls()) as port:
            assert sent(a_door(port, tls="implicit")).status == 250

        assert len(box.taken) == 1

    def test_sends_without_tls_to_this_machine_alone(self, box):
        with mail_server(box) as port:
            assert sent(a_door(port, tls="none")).status == 250
            elsewhere = a_mailer(resolve=lambda *_, **__: [(0, 0, 0, "", ("192.0.2.1", port))])
            with pytest.raises(RefusedAddress):
                sent(a_door(port, tls="none"), elsewhere, (ip_network("192.0.2.0/24"),))

    def test_sends_a_message_as_long_as_any(self, box):
        event = {**RAISED, "data": {**RAISED["data"], "text": "\n".join(["a first line"] + ["word " * 44] * 4)}}
        with mail_server(box) as port:
            route = Route("mail", "", allow_networks=LOOPBACK, mail=a_door(port, tls="none"))
            answer = Ways(mailer=a_mailer())(route, *parcel(route, event, 0))

        assert answer.status == 250
        told = message_from_bytes(box.taken[0][3], policy=policy.default).get_content()
        assert told.split() == event["data"]["text"].split()

    def test_signs_in_where_it_is_told_to(self, box):
        with mail_server(box, tls_context=of_tls(), authenticator=box.authenticate, auth_required=True) as port:
            assert sent(a_door(port, user="lopside", password="s3cr3t-Zeta")).status == 250
            refused = sent(a_door(port, user="lopside", password="wrong"), a_mailer(timeout_s=3.0))

        assert len(box.taken) == 1
        assert retry.meaning(refused.status) is retry.Meaning.LATER

    @pytest.mark.parametrize("way", ["starttls", "implicit"])
    def test_refuses_a_certificate_that_nobody_it_trusts_signed(self, box, way):
        told = {"ssl_context": of_tls()} if way == "implicit" else {"tls_context": of_tls()}
        with mail_server(box, **told) as port, pytest.raises(Unreachable, match="certificate"):
            sent(a_door(port, tls=way), a_mailer(tls=ssl.create_default_context()))

        assert box.taken == []

    def test_refuses_a_certificate_of_another_name(self, box):
        with mail_server(box, tls_context=of_tls()) as port, pytest.raises(Unreachable, match="certificate"):
            sent(a_door(port, host="other.example"))

    def test_sends_nothing_where_tls_is_not_offered(self, box):
        with mail_server(box) as port:
            answer = sent(a_door(port))

        assert retry.meaning(answer.status) is retry.Meaning.LATER
        assert box.taken == []

    # RFC 5321, section 4.2.1: 4yz may be tried again, 5yz is refused.
    @pytest.mark.parametrize(
        ("of", "said"), [("data_answer", "451 later"), ("recipient_answer", "550 nobody of that name")]
    )
    def test_says_what_the_server_said(self, box, of, said):
        setattr(box, of, said)
        with mail_server(box, tls_context=of_tls()) as port:
            answer = sent(a_door(port))

        assert answer.status == int(said[:3])
        assert retry.meaning(answer.status) is retry.Meaning.LATER

    def test_goes_nowhere_inside_that_is_not_allowed(self, box):
        with mail_server(box, tls_context=of_tls()) as port, pytest.raises(RefusedAddress):
            sent(a_door(port), allow=())

    def test_says_that_nobody_is_there(self):
        with pytest.raises(Unreachable):
            sent(a_door(closed_port()))

    def test_is_not_held_by_a_server_that_drips(self):
        over = threading.Event()

        def drip(server):
            caller, _ = server.accept()
            with caller, contextlib.suppress(OSError):
                for _ in range(600):
                    if over.wait(0.05):
                        break
                    caller.sendall(b"2")

        with socket.create_server(("127.0.0.1", 0)) as server:
            thread = threading.Thread(target=drip, args=(server,), daemon=True)
            thread.start()
            with pytest.raises(Unreachable, match="no answer in time"):
                sent(a_door(server.getsockname()[1]), a_mailer(timeout_s=0.5))
            over.set()
            thread.join()


class TestMessageOf:
    def test_is_the_words_with_their_first_line_as_the_subject(self):
        text = RAISED["data"]["text"]
        told = message_from_bytes(message_of(RAISED, a_door(25)).as_bytes(), policy=policy.default)

        assert told["Subject"] == text.split("\n")[0]
        assert told.get_content().splitlines()[0] == text.split("\n")[0]
        assert told["Message-ID"] == f"<{RAISED['id']}@mail.example>"
        assert told["References"] == f"<{RAISED['subject']}@mail.example>"

    # RFC 3834, section 5.2.
    def test_says_that_a_program_sent_it(self):
        assert message_of(RAISED, a_door(25))["Auto-Submitted"] == "auto-generated"

    # RFC 5321, section 2.3.8: lines end with CR LF, and neither stands alone.
    def test_has_lines_that_end_as_mail_wants_them(self):
        octets = octets_of(RAISED, a_door(25))

        assert octets.count(b"\n") == octets.count(b"\r\n") == octets.count(b"\r") > 10

    def test_has_the_moment_as_its_date(self):
        assert message_of(RAISED, a_door(25))["Date"] == "Wed, 25 Nov 2026 02:15:30 +0000"

    def test_is_one_of_many_too(self):
        assert message_of(grouped.example(), a_door(25))["Subject"].startswith("1 findings toward sw-s1 raised")


class TestWays:
    def test_take_an_e_mail_where_a_route_has_one(self, box):
        with mail_server(box, tls_context=of_tls()) as port:
            route = Route("mail", "", allow_networks=LOOPBACK, mail=a_door(port))
            headers, body = parcel(route, RAISED, 0)

            assert Ways(mailer=a_mailer())(route, headers, body).status == 250

        assert message_from_bytes(box.taken[0][3])["Message-ID"]
