"""Messages as e-mail: the second way to people when a receiver is dead.

RFC 5321 and 5322 by the standard library; RFC 3834 marks a message as sent by a program, so that nobody's holiday
notice answers it. Names are looked up once and addresses checked as for webhooks; TLS is always verified, and never
left out but toward this machine itself. The same message keeps its Message-ID, so that a repeat can be told.
"""

from __future__ import annotations

import contextlib
import smtplib
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime
from ipaddress import ip_address
from typing import Any

from service.errors import RefusedAddress, Unreachable
from service.webhooks.fields import EPOCH, milliseconds
from service.webhooks.guard import Network, Resolver, checked_addresses
from service.webhooks.retry import Answer

IMPLICIT, STARTTLS, NONE = TLS_WAYS = ("implicit", "starttls", "none")
TIMEOUT_S = 15.0
MOST_SUBJECT = 200
GREETED = 220
LEAST_REFUSAL = 400
NO_TLS = 523  # encryption needed, RFC 5248 (registry of enhanced codes: 5.7.10)


@dataclass(frozen=True)
class MailDoor:
    """The mail server that takes messages, and from and to whom they go."""

    host: str
    port: int
    sender: str
    recipients: tuple[str, ...]
    tls: str = STARTTLS
    user: str = ""
    password: str = field(default="", repr=False)


@dataclass(frozen=True)
class Mailer:
    """How mail leaves: whom TLS trusts, how long an exchange may take, who looks names up."""

    tls: ssl.SSLContext = field(default_factory=ssl.create_default_context)
    timeout_s: float = TIMEOUT_S
    resolve: Resolver = socket.getaddrinfo
    stopwatch: Callable[[], float] = time.monotonic

    def __call__(self, door: MailDoor, allow: Sequence[Network], message: bytes) -> Answer:
        """What the mail server answers to a message; Unreachable or RefusedAddress where it cannot be asked."""
        started = self.stopwatch()
        try:
            code = self._sent(door, allow, message)
        except smtplib.SMTPResponseException as said:
            if said.smtp_code < LEAST_REFUSAL:  # broken off, or no mail server at all
                raise self._unreachable(door, said, started) from said
            code = said.smtp_code
        except smtplib.SMTPRecipientsRefused as refused:
            code = next((told[0] for told in refused.recipients.values()), 550)
        except smtplib.SMTPNotSupportedError:
            code = NO_TLS
        except (smtplib.SMTPException, OSError, UnicodeError, ValueError) as broken:
            raise self._unreachable(door, broken, started) from broken
        return Answer(code, None, self._took_ms(started))

    def _unreachable(self, door: MailDoor, broken: Exception, started: float) -> Unreachable:
        took_ms = self._took_ms(started)
        late = took_ms >= self.timeout_s * 1000
        return Unreachable(door.host, "no answer in time" if late else str(broken) or type(broken).__name__, took_ms)

    def _took_ms(self, started: float) -> int:
        return round((self.stopwatch() - started) * 1000)

    def _sent(self, door: MailDoor, allow: Sequence[Network], message: bytes) -> int:
        address = self._checked(door, allow)
        with self._talking(door, address) as server:
            if door.user:
                server.login(door.user, door.password)
            server.sendmail(door.sender, list(door.recipients), message)
        return 250

    def _checked(self, door: MailDoor, allow: Sequence[Network]) -> str:
        good = checked_addresses(door.host, door.port, allow, self.resolve)
        here = good if door.tls != NONE else [address for address in good if ip_address(address).is_loopback]
        if not here:
            raise RefusedAddress(door.host, ", ".join(good))
        return here[0]

    @contextlib.contextmanager
    def _talking(self, door: MailDoor, address: str) -> Iterator[smtplib.SMTP]:
        connection = socket.create_connection((address, door.port), timeout=self.timeout_s)
        # Every step has a limit of its own; this one ends all of them together, however slowly octets drip. By a second
        # handle, because TLS takes the first one over.
        handle = connection.dup()
        watch = threading.Timer(self.timeout_s, _cut, (handle,))
        watch.daemon = True
        watch.start()
        server = _Server(connection, door, self.tls, self.timeout_s)
        try:
            server.begin()
            yield server
            # The message was taken; how the talk ends does not take that back.
            with contextlib.suppress(smtplib.SMTPException, OSError):
                server.quit()
        finally:
            watch.cancel()
            server.close()
            handle.close()
            connection.close()


class _Server(smtplib.SMTP):
    """A mail server over a connection that was made to a checked address."""

    def __init__(self, connection: socket.socket, door: MailDoor, tls: ssl.SSLContext, timeout_s: float) -> None:
        self._connection, self._door, self._tls = connection, door, tls
        super().__init__(timeout=timeout_s)

    def begin(self) -> None:
        """Hear who it is, and go on by TLS."""
        code, said = self.connect(self._door.host, self._door.port)
        if code != GREETED:
            raise smtplib.SMTPConnectError(code, said)
        self._host = self._door.host  # whose name the certificate has to bear
        self.ehlo_or_helo_if_needed()
        if self._door.tls == STARTTLS:
            self.starttls(context=self._tls)
            self.ehlo()

    def _get_socket(self, host: str, port: int, timeout: float) -> socket.socket:
        if self._door.tls == IMPLICIT:
            return self._tls.wrap_socket(self._connection, server_hostname=host)
        return self._connection


def _cut(connection: socket.socket) -> None:
    with contextlib.suppress(OSError):
        connection.shutdown(socket.SHUT_RDWR)


def octets_of(event: Mapping[str, Any], door: MailDoor) -> bytes:
    """The e-mail as it travels: lines that end as RFC 5321, section 2.3.8, wants them."""
    return message_of(event, door).as_bytes(policy=SMTP)


def message_of(event: Mapping[str, Any], door: MailDoor) -> EmailMessage:
    """The e-mail that tells of an event: its first line as the subject, its words as the text."""
    told = EmailMessage()
    title, _, rest = event["data"]["text"].partition("\n")
    told["Subject"] = title[:MOST_SUBJECT]
    told["From"], told["To"] = door.sender, ", ".join(door.recipients)
    told["Date"] = format_datetime(EPOCH + timedelta(milliseconds=milliseconds(event["time"]) or 0))
    domain = door.sender.rpartition("@")[2]
    told["Message-ID"] = f"<{event['id']}@{domain}>"
    if event.get("subject"):
        # All that is told of one finding stands together in a mailbox.
        told["References"] = f"<{event['subject']}@{domain}>"
    told["Auto-Submitted"] = "auto-generated"
    links = event["data"].get("links", {})
    told.set_content("\n".join((title, rest, "", *links.values())).rstrip() + "\n")
    return told
