import pytest
from web_examples import asked

from service.web.edge import ALWAYS


class TestEdge:
    @pytest.mark.parametrize(
        ("method", "path", "status"),
        [
            ("GET", "/healthz", 200),
            ("GET", "/v1/findings", 200),
            ("GET", "/v1/findings?x=1", 400),
            ("GET", "/nowhere", 404),
            ("GET", "/v1/findings/", 404),
            ("PUT", "/v1/samples", 405),
            ("GET", "/openapi.json", 200),
            ("GET", "/docs", 404),
            ("GET", "/redoc", 404),
        ],
    )
    def test_guards_every_answer(self, http, method, path, status):
        answer = http.request(method, path)

        assert answer.status_code == status
        for name, value in ALWAYS.items():
            assert answer.headers[name] == value
        if status >= 400:
            assert answer.headers["content-type"] == "application/problem+json"

    def test_tells_a_fault_of_ours_without_its_words(self, sqlite_engine):
        def broken():
            raise RuntimeError("s3cr3t-Zeta")

        answer = asked(sqlite_engine, now_ms=broken).get("/v1/teams/1/windows")

        assert answer.status_code == 500
        assert answer.headers["content-type"] == "application/problem+json"
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert "Zeta" not in answer.text
        assert "Traceback" not in answer.text

    def test_counts_methods_that_nobody_knows_as_one(self, sqlite_engine):
        http = asked(sqlite_engine)
        for method in ("BREW", "WHEN"):
            assert http.request(method, "/healthz").status_code == 405

        assert 'lopside_requests_total{method="other",route="/healthz",status="405"} 2' in http.get("/metrics").text

    @pytest.mark.parametrize(("path", "status"), [("/v1/findings/f1/note", 413), ("/v1/samples", 401)])
    def test_reads_little_for_those_who_show_no_key(self, sqlite_engine, path, status):
        http = asked(sqlite_engine, open_on_loopback=False)

        answer = http.post(path, content=b"[" + b"[]," * 50_000 + b"[]]", headers={"content-type": "application/json"})

        assert answer.status_code == status

    def test_says_which_methods_there_are(self, http):
        assert http.delete("/v1/findings/f1/ack").headers["allow"] == "POST"

    def test_packs_what_is_long_for_those_who_take_it(self, http):
        packed = http.get("/openapi.json", headers={"accept-encoding": "gzip"})
        plain = http.get("/openapi.json", headers={"accept-encoding": "identity"})

        assert packed.headers["content-encoding"] == "gzip"
        assert "content-encoding" not in plain.headers
        assert packed.json() == plain.json()
        assert int(packed.headers["content-length"]) < len(plain.content) / 3
        assert "accept-encoding" in {one.strip().lower() for one in plain.headers["vary"].split(",")}

    def test_packs_no_file_that_is_saved(self, http):
        answer = http.get("/v1/exports/findings?format=csv", headers={"accept-encoding": "gzip"})

        assert "content-encoding" not in answer.headers
