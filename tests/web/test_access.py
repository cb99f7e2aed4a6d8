import pytest
from web_examples import NOW_MS, a_key, asked

from service.storage import keys

HERE = {"client": ("127.0.0.1", 50_000), "base_url": "http://127.0.0.1:8430"}


def status_of(engine, *, headers=None, method="GET", path="/v1/findings", **told):
    return asked(engine, **{**HERE, **told}).request(method, path, headers=headers).status_code


class TestCallerOf:
    @pytest.mark.parametrize("client", ["127.0.0.1", "127.9.9.9", "::1", "::ffff:127.0.0.1"])
    @pytest.mark.parametrize("host", ["127.0.0.1:8430", "localhost", "LOCALHOST:8430", "[::1]:8430"])
    def test_lets_in_whoever_asks_this_machine_from_this_machine(self, sqlite_engine, client, host):
        assert status_of(sqlite_engine, client=(client, 5), headers={"host": host}) == 200

    @pytest.mark.parametrize("client", ["192.0.2.7", "2001:db8::7", "not an address", "10.0.0.1"])
    def test_asks_a_key_of_everybody_else(self, sqlite_engine, client):
        assert status_of(sqlite_engine, client=(client, 5)) == 401

    # The attack is called DNS rebinding: a stranger's page, whose name was made to lead to 127.0.0.1.
    @pytest.mark.parametrize(
        "host",
        ["evil.example", "evil.example:8430", "127.0.0.1.evil.example", "localhost.evil.example", "", "[", "0.0.0.0"],
    )
    def test_asks_a_key_of_whoever_calls_this_machine_by_another_name(self, sqlite_engine, host):
        assert status_of(sqlite_engine, headers={"host": host}) == 401

    @pytest.mark.parametrize(
        "header", ["x-forwarded-for", "forwarded", "via", "x-forwarded-host", "x-forwarded-proto", "x-real-ip"]
    )
    def test_asks_a_key_of_what_is_passed_on(self, sqlite_engine, header):
        assert status_of(sqlite_engine, headers={header: "192.0.2.7"}) == 401

    def test_asks_a_key_of_all_where_the_settings_say_so(self, sqlite_engine):
        assert status_of(sqlite_engine, open_on_loopback=False) == 401

    @pytest.mark.parametrize("told", ["Bearer wrong", "Basic YTpi", "Bearer", "Bearer ", "nonsense"])
    def test_refuses_a_wrong_key_even_from_this_machine(self, sqlite_engine, told):
        assert status_of(sqlite_engine, headers={"authorization": told}) == 401

    def test_refuses_a_key_that_was_revoked_or_has_run_out(self, sqlite_engine):
        revoked = a_key(sqlite_engine, "view", "old")
        with sqlite_engine.begin() as connection:
            keys.revoke(connection, "old", NOW_MS)
            spent = {"authorization": "Bearer " + keys.make(connection, "spent", "view", NOW_MS - 2, NOW_MS)}
            lasting = {"authorization": "Bearer " + keys.make(connection, "lasting", "view", NOW_MS - 2, NOW_MS + 1)}

        assert [status_of(sqlite_engine, headers=h) for h in (revoked, spent, lasting)] == [401, 401, 200]

    def test_lets_a_key_in_from_anywhere(self, sqlite_engine):
        key = a_key(sqlite_engine, "view")

        assert status_of(sqlite_engine, client=("192.0.2.7", 5), headers=key | {"host": "lopside.example"}) == 200


class TestCrossSite:
    @pytest.mark.parametrize(
        "headers",
        [
            {"origin": "http://evil.example"},
            {"origin": "null"},
            {"origin": "http://127.0.0.1:9999"},
            {"origin": "https://127.0.0.1:8430"},
            {"sec-fetch-site": "cross-site"},
            {"sec-fetch-site": "same-site"},
        ],
    )
    def test_pages_change_nothing_without_a_key(self, sqlite_engine, headers):
        assert status_of(sqlite_engine, method="POST", path="/v1/findings/f1/ack", headers=headers) == 403

    @pytest.mark.parametrize(
        "headers",
        [{}, {"origin": "http://127.0.0.1:8430", "sec-fetch-site": "same-origin"}, {"sec-fetch-site": "none"}],
    )
    def test_pages_of_our_own_and_programs_do(self, sqlite_engine, headers):
        assert status_of(sqlite_engine, method="POST", path="/v1/findings/f1/ack", headers=headers) == 404

    # An old browser sends a form to another site without a word of where it comes from.
    @pytest.mark.parametrize(
        "kind", ["application/x-www-form-urlencoded", "multipart/form-data; boundary=x", "text/plain"]
    )
    @pytest.mark.parametrize(
        "verb", ["findings/f1/ack", "findings/f1/close", "findings/f1/note", "deliveries/d1/resend"]
    )
    def test_forms_change_nothing_without_a_key(self, sqlite_engine, verb, kind):
        key = a_key(sqlite_engine, "operate")

        assert status_of(sqlite_engine, method="POST", path=f"/v1/{verb}", headers={"content-type": kind}) == 403
        assert status_of(sqlite_engine, method="POST", path=f"/v1/{verb}", headers=key | {"content-type": kind}) != 403

    def test_pages_with_a_key_do(self, sqlite_engine):
        headers = a_key(sqlite_engine, "operate") | {"origin": "http://desk.example"}

        assert status_of(sqlite_engine, method="POST", path="/v1/findings/f1/ack", headers=headers) == 404


READS = ["/v1/findings", "/v1/teams", "/v1/devices", "/v1/sources", "/metrics"]


class TestNeeds:
    @pytest.mark.parametrize("path", READS)
    @pytest.mark.parametrize(("role", "status"), [("feed", 403), ("view", 200), ("operate", 200), ("admin", 200)])
    def test_reading_takes_view(self, sqlite_engine, path, role, status):
        assert status_of(sqlite_engine, path=path, headers=a_key(sqlite_engine, role)) == status

    @pytest.mark.parametrize(("role", "status"), [("feed", 403), ("view", 403), ("operate", 200), ("admin", 200)])
    def test_messages_take_operate(self, sqlite_engine, role, status):
        assert status_of(sqlite_engine, path="/v1/deliveries", headers=a_key(sqlite_engine, role)) == status

    @pytest.mark.parametrize("path", ["/healthz", "/readyz", "/openapi.json"])
    def test_nothing_is_needed_for_health_and_description(self, sqlite_engine, path):
        assert status_of(sqlite_engine, path=path, client=("192.0.2.7", 5), headers={"host": "lopside.example"}) == 200

    def test_every_other_route_needs_something(self, sqlite_engine):
        http = asked(sqlite_engine, open_on_loopback=False)
        described = http.get("/openapi.json").json()["paths"]

        open_paths = set()
        for path, operations in described.items():
            for method, operation in operations.items():
                concrete = path.replace("{start}", "2026-11-25T10:00:00Z").replace("{finding_id}", "f1")
                concrete = concrete.replace("{team_id}", "1").replace("{device_id}", "1").replace("{delivery_id}", "d1")
                if http.request(method, concrete).status_code != 401:
                    open_paths.add(path)
                else:
                    assert operation["security"], path

        assert open_paths == {"/healthz", "/readyz"}
