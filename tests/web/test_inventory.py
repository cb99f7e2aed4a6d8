from dataclasses import replace

import pytest

from service.storage import claims
from service.terms import DECLARED, DISCOVERED, Claim, Role

M2 = Claim("sm-07", "m2", DECLARED, "front", Role.STANDBY, far_device="sw-03", far_port="g1/0/7", source="floor.csv")


@pytest.fixture
def said(played_engine):
    def keep(*told):
        with played_engine.begin() as connection:
            claims.keep(connection, told, 1_795_600_800_000)

    return keep


class TestListing:
    def test_tells_both_sides_and_who_is_believed(self, played, said):
        said(M2, replace(M2, said_by=DISCOVERED, role=Role.ACTIVE, far_device="", far_port="", source="LAG MIB"))

        told = {one["port"]: one for one in played.get("/v1/inventory").json()["items"]}

        assert told["m2"] == {
            "device": "sm-07",
            "port": "m2",
            "declared": {
                "team": "front",
                "role": "standby",
                "override": False,
                "far_device": "sw-03",
                "far_port": "g1/0/7",
                "owner": "",
                "site": "",
                "source": "floor.csv",
            },
            "discovered": {"team": "front", "role": "active", "aggregate_of": "", "alias": "", "source": "LAG MIB"},
            "believed": {"team": "front", "role": "active"},
            "conflict": "declared standby, its device says active: the device is believed",
            "heard": True,
            "missing": False,
            "unknown": False,
            "agreements": [],
        }
        assert told["m1"]["unknown"]

    def test_is_asked_for_conflicts(self, played, said):
        said(M2, replace(M2, said_by=DISCOVERED, role=Role.ACTIVE), replace(M2, port="m1"))

        told = played.get("/v1/inventory", params={"conflict": "true"}).json()["items"]

        assert [one["port"] for one in told] == ["m2"]

    def test_is_read_page_by_page(self, played, said):
        said(M2)
        first = played.get("/v1/inventory", params={"limit": 1}).json()
        rest = played.get("/v1/inventory", params={"limit": 1, "cursor": first["next"]}).json()

        assert [one["port"] for one in first["items"] + rest["items"]] == ["m1", "m2"]
        assert rest["next"] is None

    @pytest.mark.parametrize("query", [{"conflict": "perhaps"}, {"cursor": "!"}, {"limit": 0}, {"device": "sm-07"}])
    def test_refuses_what_it_cannot_use(self, played, query):
        assert played.get("/v1/inventory", params=query).status_code == 400
