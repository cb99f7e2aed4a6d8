"""A receiver that redirects, talks nonsense, hangs up, never ends, and fails, before it takes each message at last."""

import contextlib
import json
import socketserver
import threading
import time
from collections import Counter
from dataclasses import replace

import pytest
from examples import a_finding
from faults.processes import opened, running, secret_text, until
from receivers import LOOPBACK
from standardwebhooks import Webhook

from service import delivery
from service.storage import database, deliveries, findings
from service.webhooks.routes import Route

FIRST = {
    "redirects": b"HTTP/1.1 302 Found\r\nlocation: /elsewhere\r\ncontent-length: 0\r\n\r\n",
    "talks nonsense": b"\x16\x03\x01 this is no HTTP \xff\xff\r\n\r\n",
    "hangs up": b"",
    "fails": b"HTTP/1.1 500 Internal Server Error\r\ncontent-length: 0\r\n\r\n",
    "is busy": b"HTTP/1.1 503 Service Unavailable\r\nretry-after: 1\r\ncontent-length: 0\r\n\r\n",
    "never ends": b"HTTP/1.1 204 No Content\r\nx: ",
}
TAKEN = b"HTTP/1.1 204 No Content\r\n\r\n"


class Receiver(socketserver.ThreadingTCPServer):
    """Does to each message first what stands for its finding, and takes it the next time."""

    allow_reuse_address = daemon_threads = True

    def __init__(self):
        self.over, self.tries, self.bodies, self.paths = threading.Event(), Counter(), {}, set()
        super().__init__(("127.0.0.1", 0), Answering)


class Answering(socketserver.StreamRequestHandler):
    def handle(self):
        with contextlib.suppress(OSError):
            self.server.paths.add(self.rfile.readline().split()[1])
            headers = dict(self._headers())
            body = self.rfile.read(int(headers["content-length"]))
            told = json.loads(body)["data"]["finding"]["id"]
            self.server.tries[told] += 1
            if self.server.tries[told] > 1:
                self.server.bodies[told] = (headers, body)
                self.wfile.write(TAKEN)
                return
            self.wfile.write(FIRST[told])
            if told == "never ends":
                while not self.server.over.wait(1):
                    self.wfile.write(b"x")

    def _headers(self):
        while line := self.rfile.readline().strip():
            name, _, value = line.decode().partition(":")
            yield name.lower(), value.strip()


@pytest.fixture
def receiver():
    with Receiver() as server:
        thread = threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True)
        thread.start()
        yield server
        server.over.set()
        server.shutdown()
        thread.join()


def owed(engine, url):
    route = Route("on-call", url, allow_networks=LOOPBACK)
    with engine.begin() as connection:
        for at, name in enumerate(FIRST):
            finding = replace(a_finding(id=name), device=f"sm-{at}")
            findings.save(connection, 1, finding)
            delivery.owe(connection, finding, "raised", (route,), round(time.time() * 1000))


def states(engine):
    with database.reading(engine) as connection:
        return Counter(one.state for one in deliveries.listing(connection).items)


@pytest.mark.timeout(600)
@pytest.mark.usefixtures("_postgresql_template")
def test_is_told_everything_once_it_takes_it(receiver, new_postgresql_url, tmp_path):
    url = new_postgresql_url("migrated")
    address = f"http://127.0.0.1:{receiver.server_address[1]}/hook"

    with opened(url) as engine:
        owed(engine, address)
        with running(url, tmp_path, receiver=address):
            until(lambda: states(engine) == {deliveries.TAKEN: len(FIRST)}, patience_s=300)

    assert receiver.paths == {b"/hook"}  # nobody followed the redirect
    assert receiver.tries == dict.fromkeys(FIRST, 2)
    for headers, body in receiver.bodies.values():
        Webhook(secret_text()).verify(body, headers)
