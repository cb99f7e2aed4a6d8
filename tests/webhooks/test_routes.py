import pytest
from examples import a_finding

from service.terms import KIND_WORDS, Severity
from service.webhooks.routes import Route, wants


def a_route(**told):
    return Route(**{"name": "chat", "url": "https://receiver.example/hook", **told})


class TestRoute:
    def test_shows_neither_its_secrets_nor_its_url(self):
        shown = repr(a_route(url="https://receiver.example/s3cr3t-Zeta", secrets=(b"s3cr3t-Eta",)))

        assert "chat" in shown
        assert "s3cr3t" not in shown


class TestWants:
    @pytest.mark.parametrize("severity", list(Severity))
    @pytest.mark.parametrize("kind", KIND_WORDS[1:])
    def test_everything_where_nothing_is_chosen(self, severity, kind):
        assert wants(a_route(), a_finding(severity=severity, kind=kind))

    def test_only_the_severities_chosen(self):
        route = a_route(severities=frozenset({"major", "minor"}))

        assert wants(route, a_finding(severity=Severity.MINOR))
        assert not wants(route, a_finding(severity=Severity.WARNING))

    def test_only_the_kinds_chosen(self):
        route = a_route(kinds=frozenset({"full"}))

        assert wants(route, a_finding(kind="full"))
        assert not wants(route, a_finding(kind="uneven"))

    def test_only_the_devices_and_teams_chosen(self):
        route = a_route(devices=("sm-*", "uw-01"), teams=("front",))

        assert wants(route, a_finding(device="sm-07", team="front"))
        assert wants(route, a_finding(device="uw-01", team="front"))
        assert not wants(route, a_finding(device="uw-02", team="front"))
        assert not wants(route, a_finding(device="sm-07", team="store"))

    @pytest.mark.parametrize(
        ("owner", "goes_to"),
        [
            ("network", {"network"}),
            ("virtualisation", {"virtualisation"}),
            ("planner", {"planner"}),
            ("both", {"network", "virtualisation"}),
            ("unknown", {"network", "virtualisation", "planner"}),
            (None, {"network", "virtualisation", "planner"}),
        ],
    )
    def test_goes_to_whose_work_a_cure_is_and_to_all_where_nobody_knows(self, owner, goes_to):
        wanting = {
            name
            for name in ("network", "virtualisation", "planner")
            if wants(a_route(owners=frozenset({name})), a_finding(owner=owner))
        }

        assert wanting == goes_to

    @pytest.mark.parametrize(
        ("sites", "wanted"), [(("Saltmere",), True), (("Upper Wend",), False), ((), True), (("", "Saltmere"), True)]
    )
    def test_goes_to_a_site_and_to_all_where_nobody_knows(self, sites, wanted):
        assert wants(a_route(sites=("Salt*",)), a_finding(), sites) == wanted
