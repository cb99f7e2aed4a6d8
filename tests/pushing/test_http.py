"""Posting, against a real HTTP server on loopback (werkzeug's, of pytest-httpserver)."""

from __future__ import annotations

import httpx
import pytest

from service.errors import Unreachable
from service.pushing.http import MOST_READ, posting


def post(url, body=b"{}", headers=None):
    with posting(url) as send:
        return send(body, headers or {})


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
