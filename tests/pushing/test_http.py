"""Posting, against a real HTTP server on loopback (werkzeug's, of pytest-httpserver)."""

from __future__ import annotations

import socket
import threading

import httpx
import pytest

from service.errors import Unreachable
from service.pushing.http import MOST_READ, posting


def post(url, body=b"{}", headers=None):
    with posting(url) as send:
        return send(body, headers or {})


def drip(server, begins):
    line, _ = server.accept()
    with line:
        line.recv(65_536)
        line.sendall(begins)
        for _ in range(500):
            if threading.Event().wait(0.02) or not sent(line, b"x"):
                return


def sent(line, octets):
    try:
        line.sendall(octets)
    except OSError:
        return False
    return True


class TestPosting:
    def test_hands_on_body_and_headers_and_brings_the_answer(self, httpserver):
        httpserver.expect_request(
            "/v1/samples", method="POST", data="{}", headers={"webhook-id": "a"}
        ).respond_with_data("later", status=429, headers={"Retry-After": "7"})

        answer = post(httpserver.url_for("/v1/samples"), headers={"webhook-id": "a"})

        assert (answer.status, answer.retry_after, answer.body) == (429, "7", b"later")

    def test_reads_no_more_of_an_answer_than_it_needs(self, httpserver):
        httpserver.expect_request("/").respond_with_data("x" * (10 * MOST_READ))

        assert len(post(httpserver.url_for("/")).body) == MOST_READ

    def test_follows_no_redirect(self, httpserver):
        httpserver.expect_request("/").respond_with_data("", status=307, headers={"Location": "/elsewhere"})

        assert post(httpserver.url_for("/")).status == 307
        assert len(httpserver.log) == 1

    def test_says_who_could_not_be_reached(self):
        with pytest.raises(Unreachable, match=r"127\.0\.0\.1"):
            post("http://127.0.0.1:9/")

    def test_says_that_an_answer_broke_off(self):
        def breaks(_request):
            raise httpx.RemoteProtocolError("peer closed connection")

        with posting("http://lopside.example/", httpx.MockTransport(breaks)) as send, pytest.raises(Unreachable):
            send(b"", {})

    @pytest.mark.parametrize("begins", [b"HTTP/1.1 200 OK\r\nX-Slow: ", b"HTTP/1.1 200 OK\r\n\r\n"])
    def test_cuts_an_answer_that_drips_in(self, begins):
        """A real server that sends a byte every 20 ms, within its headers or its body; it gives up after 10 s."""
        with socket.create_server(("127.0.0.1", 0)) as server:
            dripping = threading.Thread(target=drip, args=(server, begins))
            dripping.start()
            url = f"http://127.0.0.1:{server.getsockname()[1]}/"
            with posting(url, whole_s=0.3) as send, pytest.raises(Unreachable, match=r"within 0\.3 s"):
                send(b"{}", {})
            dripping.join(15)

    def test_is_not_cut_by_the_time_of_an_earlier_one(self, httpserver):
        httpserver.expect_request("/").respond_with_data("yes")

        with posting(httpserver.url_for("/"), whole_s=0.5) as send:
            told = [(send(b"", {}).body, threading.Event().wait(0.3)) for _ in range(3)]

        assert told == [(b"yes", False)] * 3
