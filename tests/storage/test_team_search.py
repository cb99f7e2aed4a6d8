import pytest
from examples import EPOCH_MS, a_finding

from service.errors import WrongQuestion
from service.storage import claims, findings, inventory, team_search
from service.storage.team_search import Sought
from service.terms import DECLARED, Claim, PortName, Role


@pytest.fixture
def fleet(connection):
    """Teams front and store of three devices, by a method each; front of sm-08 is Ulrik's, in hall 4."""
    methods = {"front": "ip-pair", "store": "source-mac"}
    names = [
        PortName(device, f"{team}{k}", team, method)
        for device in ("sm-08", "sm-07", "uw_1")
        for team, method in methods.items()
        for k in (1, 2)
    ]
    inventory.resolve(connection, names, feed="push", now_ms=EPOCH_MS)
    one = Claim("sm-08", "front1", DECLARED, "front", Role.ACTIVE, owner="Ulrik's people", site="Hall 4")
    claims.keep(connection, [one], EPOCH_MS)
    return connection


def names(connection, *words, **told):
    page = team_search.found(connection, Sought(words, **told))
    assert team_search.count(connection, Sought(words, **told)) == len(page.items)
    return [f"{one.device}/{one.name}" for one in page.items]


class TestFound:
    def test_is_sorted_by_device_and_name_and_has_members(self, fleet):
        listed = team_search.found(fleet, Sought()).items

        assert [(one.device, one.name) for one in listed] == [
            (device, team) for device in ("sm-07", "sm-08", "uw_1") for team in ("front", "store")
        ]
        assert list(listed[0].members.values()) == ["front1", "front2"]

    def test_takes_a_part_of_a_name_in_any_case(self, fleet):
        assert names(fleet, "M-08") == ["sm-08/front", "sm-08/store"]
        assert names(fleet, "STO") == ["sm-07/store", "sm-08/store", "uw_1/store"]

    def test_wants_every_word(self, fleet):
        assert names(fleet, "sm-", "front") == ["sm-07/front", "sm-08/front"]
        assert names(fleet, "sm-", "front", "nowhere") == []

    @pytest.mark.parametrize("words", [["ulrik"], ["hall", "4"], ["hall", "sm-08", "front"]])
    def test_knows_owner_and_site(self, fleet, words):
        assert "sm-08/front" in names(fleet, *words)
        assert "sm-07/front" not in names(fleet, *words)

    @pytest.mark.parametrize("word", ["sm%08", "sm_08", "%", "\\"])
    def test_takes_wildcards_of_databases_for_what_they_are(self, fleet, word):
        assert names(fleet, word) == []

    def test_takes_an_underscore_for_itself(self, fleet):
        assert names(fleet, "w_") == ["uw_1/front", "uw_1/store"]

    def test_takes_a_method(self, fleet):
        assert names(fleet, "sm", method="source-mac") == ["sm-07/store", "sm-08/store"]

    def test_takes_those_with_something_open(self, fleet):
        team_id = inventory.team_named(fleet, "sm-07", "store")
        findings.save(fleet, team_id, a_finding(device="sm-07", team="store"))
        findings.save(
            fleet,
            inventory.team_named(fleet, "sm-08", "store"),
            a_finding(id="f2", device="sm-08", team="store", cleared_ms=EPOCH_MS + 1),
        )

        assert names(fleet, only_open=True) == ["sm-07/store"]

    @pytest.mark.parametrize("limit", [1, 2, 5, 6])
    def test_goes_on_where_a_page_ended(self, fleet, limit):
        seen, cursor = [], None
        for _ in range(7):
            page = team_search.found(fleet, Sought(), cursor=cursor, limit=limit)
            seen += [(one.device, one.name) for one in page.items]
            cursor = page.cursor
            if cursor is None:
                break

        assert cursor is None
        assert seen == sorted(set(seen))
        assert len(seen) == 6

    def test_refuses_the_cursor_of_another_list(self, fleet):
        other = inventory.teams(fleet, limit=1).cursor

        with pytest.raises(WrongQuestion):
            team_search.found(fleet, Sought(), cursor=other)


class TestMethods:
    def test_are_each_named_once(self, fleet):
        assert team_search.methods(fleet) == ["ip-pair", "source-mac"]


class TestOpenAt:
    def test_tells_what_is_open_at_each_team_and_leaves_the_others_out(self, fleet):
        findings.save(fleet, 1, a_finding(kind="uneven"))
        findings.save(fleet, 2, a_finding(id="f2", cleared_ms=EPOCH_MS + 1))

        ((team_id, (one,)),) = team_search.open_at(fleet, [1, 2]).items()

        assert (team_id, one.kind) == (1, "uneven")
