import pytest
from examples import EPOCH_MS, GIGABIT, a_finding
from web_examples import asked

from service.pages import site
from service.storage import findings, inventory
from service.terms import Diagnosis, Evidence, MemberFigure, PortName, Sure

SMUGGLED = "<img src=x onerror=1>"


@pytest.fixture
def http(sqlite_engine):
    http = asked(sqlite_engine)
    site.add(http.app)
    return http


@pytest.fixture
def keep(sqlite_engine):
    """Keeps a finding of team front on sm-07, whose members are known."""

    def kept(**changes):
        found = a_finding(**changes)
        with sqlite_engine.begin() as connection:
            ports = [PortName("sm-07", port, "front") for port in ("m1", "m2")]
            inventory.resolve(connection, ports, feed="push", now_ms=EPOCH_MS)
            findings.save(connection, inventory.team_named(connection, "sm-07", "front"), found)
            findings.note(connection, found.id, EPOCH_MS + 90_000, "raised", text="m1 at 92 %, m2 at 2 %")
        return found

    return kept


class TestFinding:
    def test_tells_it_as_rest_does(self, http, keep):
        found = keep()
        told = http.get(f"/v1/findings/{found.id}").json()

        text = http.get(f"/findings/{found.id}").text

        assert told["text"].splitlines()[0] in text
        for member in told["members"]:
            assert f'<td class="figure">{member["utilisation"] * 100:.1f} %</td>' in text

    def test_says_of_a_member_nobody_could_read_that_it_is_unknown(self, http, keep):
        members = (MemberFigure("m1", 0.92, GIGABIT), MemberFigure("m2", None, GIGABIT))

        text = http.get(f"/findings/{keep(members=members, idle=()).id}").text

        assert '<td class="figure">unknown</td>' in text

    def test_shows_the_members_and_what_to_do_before_all_else(self, http, keep):
        text = http.get(f"/findings/{keep().id}").text

        places = [text.index(part) for part in ("<h1", 'id="members"', 'id="first"', ">Why<", ">What happened<")]
        assert places == sorted(places)

    def test_leads_from_each_member_to_its_working(self, http, keep):
        text = http.get(f"/findings/{keep().id}").text

        for port in ("m1", "m2"):
            assert f"working?port={port}&amp;direction=egress&amp;start=" in text

    def test_tells_what_speaks_for_a_cause_and_against_it(self, http, keep):
        evidence = Evidence(("its rate is steady",), ("two items are seen",), ("no flows were told",))
        told = (Diagnosis("one-conversation", Sure.PROBABLE, "one conversation fills m1", ("m1",), evidence),)

        text = http.get(f"/findings/{keep(diagnoses=told).id}").text

        assert "one large conversation fills the member: probable" in text
        for line in ("its rate is steady", "two items are seen", "no flows were told"):
            assert f"<li>{line}</li>" in text

    def test_tells_the_facts_of_each_moment(self, http, keep):
        assert "m1 at 92 %, m2 at 2 %" in http.get(f"/findings/{keep().id}").text

    def test_keeps_foreign_text_as_text(self, http, keep):
        member = MemberFigure(SMUGGLED, 0.92, GIGABIT, SMUGGLED)
        found = keep(hot=(member,), members=(member,), peak_port=SMUGGLED, owner=SMUGGLED, decided_by=SMUGGLED)

        text = http.get(f"/findings/{found.id}").text

        assert "<img" not in text
        assert "&lt;img src=x" in text

    def test_is_not_found_where_there_is_none(self, http):
        assert http.get("/findings/f00").status_code == 404


class TestSheet:
    def test_leads_to_sheets_of_just_those_options_that_rest_has_one_for(self, http, keep):
        found = keep()
        text = http.get(f"/findings/{found.id}").text

        options = [one["name"] for one in http.get(f"/v1/advice/{found.id}").json()["options"]]
        told = {name: http.get(f"/v1/advice/{found.id}/{name}").status_code for name in options}

        assert set(told.values()) == {200, 409}
        for name, status in told.items():
            assert (f"/sheet?option={name}" in text) is (status == 200)

    def test_says_what_the_sheet_of_rest_says(self, http, keep):
        found = keep()
        answer = http.get(f"/findings/{found.id}/sheet", params={"option": "add-capacity"})
        told = http.get(f"/v1/advice/{found.id}/add-capacity").json()

        assert answer.status_code == 200
        assert all(f"<h2>{section['heading']}</h2>" in answer.text for section in told["sections"])

    def test_refuses_what_changes_nothing_and_what_there_is_not(self, http, keep):
        found = keep()

        assert http.get(f"/findings/{found.id}/sheet", params={"option": "leave"}).status_code == 409
        assert http.get(f"/findings/{found.id}/sheet", params={"option": "no-such"}).status_code == 404
