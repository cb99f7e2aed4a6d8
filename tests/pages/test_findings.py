import re
from html.parser import HTMLParser

import numpy as np
import pytest
from examples import EPOCH_MS, GIGABIT, a_finding
from sqlalchemy import update
from storage_examples import a_polling
from web_examples import NOW_MS, a_key, asked

from service.pages import site
from service.storage import agents, deliveries, findings, inventory, tables
from service.storage.deliveries import Owed
from service.terms import MemberFigure, PortName, Severity

# This is the plain way to smuggle a script into a page by a port's description.
SMUGGLED = "<img src=x onerror=1>"


DAY_MS = 24 * 3_600_000


def a_fleet(**told):
    """A finding about the teams front of sm-07 and sm-08."""
    return a_finding(**{"device": "sw-s1", "kind": "fleet-pattern", "teams": ("sm-07/front", "sm-08/front"), **told})


class Page(HTMLParser):
    """The elements and the text of a page."""

    def __init__(self, text):
        super().__init__()
        self.elements, self.attributes, self.text = [], [], ""
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.elements.append(tag)
        self.attributes += attrs

    def handle_data(self, data):
        self.text += data


@pytest.fixture
def http(sqlite_engine):
    http = asked(sqlite_engine)
    site.add(http.app)
    return http


@pytest.fixture
def keep(sqlite_engine):
    """Keeps findings of a device that is known."""

    def kept(*found, device="sm-07", port="m1", team_id=None):
        with sqlite_engine.begin() as connection:
            inventory.resolve(connection, [PortName(device, port, "front")], feed="push", now_ms=EPOCH_MS)
            team_id = inventory.team_named(connection, device, "front") if team_id is None else team_id
            heard = np.array([device.id for device in inventory.devices(connection).items], dtype=np.int32)
            inventory.note_samples(connection, heard, np.full(len(heard), EPOCH_MS, dtype=np.int64), EPOCH_MS)
            for finding in found:
                findings.save(connection, team_id, finding)

    return kept


def page_of(http):
    answer = http.get("/")
    assert answer.status_code == 200, answer.text
    return Page(answer.text)


class TestFailing:
    def test_says_louder_than_findings_that_messages_are_not_delivered(self, http, sqlite_engine):
        with sqlite_engine.begin() as connection:
            deliveries.owe(connection, [Owed("msg-1", "f1", "chat", "raised", "{}", EPOCH_MS - DAY_MS)])
            deliveries.claim(connection, EPOCH_MS - DAY_MS, 1)
        shown = http.get("/").text

        assert shown.index("Not told: messages are not delivered") < shown.index("Open findings")
        assert "On 1 route since 2026-11-24 10:00:00 UTC: 1 messages wait." in shown


class TestLanding:
    def test_says_that_nothing_is_seen_where_nothing_came_yet(self, http):
        assert "No source has sent anything yet" in page_of(http).text

    def test_tells_an_open_finding_as_a_sentence(self, http, keep):
        keep(a_finding())

        text = page_of(http).text

        assert "sm-07, team front, egress: member m1 at 92 %" in text
        assert "Open findings: 1" in text

    def test_tells_the_worst_first_and_folds_away_what_was_cleared_within_a_day(self, http, keep):
        told = {"f1": Severity.WARNING, "f2": Severity.MAJOR, "f3": Severity.MINOR}
        keep(*(a_finding(id=name, severity=severity) for name, severity in told.items()))
        keep(a_finding(id="f4", severity=Severity.CRITICAL, cleared_ms=NOW_MS - DAY_MS))
        keep(a_finding(id="f5", severity=Severity.CRITICAL, cleared_ms=NOW_MS - DAY_MS - 1))

        text = http.get("/").text
        open_ones, lately = text.split("Cleared in the last 24 hours: 1<")

        assert re.findall(r'<li id="(f[0-9])"', open_ones) == ["f2", "f3", "f1"]
        assert re.findall(r'<li id="(f[0-9])"', lately) == ["f4"]

    @pytest.mark.parametrize("cleared_ms", [None, NOW_MS])
    def test_folds_what_is_part_of_a_finding_about_many_teams_under_it(self, http, keep, cleared_ms):
        keep(a_finding(id="f1", part_of="f9", cleared_ms=cleared_ms))
        keep(a_finding(id="f2", part_of="f9", cleared_ms=cleared_ms), device="sm-08")
        keep(a_fleet(id="f9", cleared_ms=cleared_ms), team_id=0)

        text = http.get("/").text
        folded = text.split('id="parts-f9"')[1].split("</details>")[0]

        assert re.findall(r'<li id="(f[0-9])"', text) == ["f9", "f1", "f2"]
        assert re.findall(r'<li id="(f[0-9])"', folded) == ["f1", "f2"]
        assert ("2 of them are parts of findings about many teams" in text) is (cleared_ms is None)

    def test_folds_at_most_25_parts_and_leads_to_all(self, http, keep):
        keep(*(a_finding(id=f"f{k:02}", part_of="f99") for k in range(26)))
        keep(a_fleet(id="f99"), team_id=0)

        text = http.get("/").text

        assert len(re.findall(r'<li id="(f[0-9]{2})"', text)) == 1 + 25
        assert "All of them, at" in text

    def test_tells_silence_before_findings(self, http, keep, sqlite_engine):
        keep(a_finding())
        keep(device="uw-06")
        with sqlite_engine.begin() as connection:
            inventory.note_device(connection, 2, silent_since_ms=NOW_MS - 26 * 60_000)

        text = page_of(http).text

        assert "Not seen: 1 of 2 sources are silent" in text
        assert "Findings are possible for 1 of 2 sources only" in text
        assert "uw-06: nothing for 26 min" in text
        assert text.index("Not seen") < text.index("Open findings")

    def test_tells_of_those_that_were_never_heard_with_the_reason(self, http, keep, sqlite_engine):
        keep(device="sm-07")
        with sqlite_engine.begin() as connection:
            agents.note(connection, [a_polling("sm-30", trouble="no answer from 192.0.2.30:161 to 3 requests")])

        text = page_of(http).text

        assert "Not seen: 1 of 2 sources are silent" in text
        assert "Findings are possible for 1 of 2 sources only" in text
        assert "1 of them were never heard" in text
        assert "sm-30: never heard, asked in vain for 2 min, since 2026-11-25 10:00:00 UTC" in text
        assert "no answer from 192.0.2.30:161 to 3 requests" in text

    def test_shows_the_longest_silent_first_and_says_how_many_are_left_out(self, http, sqlite_engine):
        with sqlite_engine.begin() as connection:
            agents.note(connection, [a_polling(f"sm-{k:03}", since_ms=NOW_MS - k * 60_000) for k in range(60)])

        text = page_of(http).text

        assert text.index("sm-059") < text.index("sm-058")
        assert "And 10 more" in text
        assert "sm-009" not in text

    def test_marks_what_is_polled_in_clear_text(self, http, sqlite_engine):
        with sqlite_engine.begin() as connection:
            agents.note(connection, [a_polling("sm-30", answered_ms=NOW_MS)])
        assert "clear text" not in page_of(http).text

        with sqlite_engine.begin() as connection:
            agents.note(connection, [a_polling("sm-31", version="2c", clear_text=True, answered_ms=NOW_MS)])
        text = page_of(http).text

        assert "Polled in clear text: 1" in text
        assert "sm-31: SNMP version 2c" in text
        assert "sm-30" not in text

    def test_says_that_polls_are_stretched(self, http, sqlite_engine):
        with sqlite_engine.begin() as connection:
            told = {"answered_ms": NOW_MS}
            agents.note(connection, [a_polling("sm-30", **told), a_polling("sm-31", stretched_ms=15_000, **told)])

        assert "1 of 2 polled sources are polled less often than asked for" in page_of(http).text

    def test_expects_nothing_more_of_files(self, http, keep, sqlite_engine):
        keep()
        with sqlite_engine.begin() as connection:
            connection.execute(update(tables.devices).values(feed="csv"))

        assert "No source is to be heard: what came was from files." in page_of(http).text

    def test_keeps_what_a_device_or_its_trouble_is_called_as_text(self, http, sqlite_engine):
        with sqlite_engine.begin() as connection:
            strange = a_polling(SMUGGLED, trouble=SMUGGLED, version="2c", clear_text=True)
            agents.note(connection, [strange])

        answer = http.get("/")

        assert "<img" not in answer.text
        assert Page(answer.text).text.count(SMUGGLED) == 3

    def test_keeps_foreign_text_as_text(self, http, keep):
        member = MemberFigure(SMUGGLED, 0.92, GIGABIT)
        keep(a_finding(device=SMUGGLED, hot=(member,), members=(member,), peak_port=SMUGGLED), port=SMUGGLED)
        answer = http.get("/")

        page = Page(answer.text)

        assert "<img" not in answer.text
        assert "img" not in page.elements
        assert "onerror" not in dict(page.attributes)
        assert "onerror=1" in page.text

    def test_keeps_the_name_of_a_silent_source_as_text(self, http, keep, sqlite_engine):
        keep(device=SMUGGLED)
        with sqlite_engine.begin() as connection:
            inventory.note_device(connection, 1, silent_since_ms=NOW_MS)

        assert "img" not in page_of(http).elements
        assert SMUGGLED in page_of(http).text

    def test_has_no_script_or_style_but_in_files_of_this_service(self, http, keep):
        keep(a_finding())
        page = page_of(http)

        assert "style" not in page.elements
        assert not {"style", "onclick", "onload"} & {name for name, _ in page.attributes}
        loaded = [value for name, value in page.attributes if name == "src"]
        assert loaded
        assert all(value.startswith("/static/") for value in loaded)

    def test_allows_nothing_inline_and_nothing_from_elsewhere(self, http):
        policy = http.get("/").headers["content-security-policy"]

        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "http" not in policy

    def test_sends_whoever_has_no_key_to_sign_in(self, sqlite_engine):
        http = asked(sqlite_engine, open_on_loopback=False)
        site.add(http.app)

        assert http.get("/", follow_redirects=False).headers["location"] == "/sign-in?to=%2F"
        assert http.get("/", headers=a_key(sqlite_engine, "feed")).status_code == 403
        assert http.get("/", headers=a_key(sqlite_engine, "view")).status_code == 200


class TestAsking:
    def test_pages_through_all_of_them_the_worst_first_and_none_twice(self, http, keep):
        grave = [a_finding(id=f"g{k:03}", severity=Severity.MAJOR) for k in range(50)]
        keep(*grave, *(a_finding(id=f"l{k:03}", severity=Severity.WARNING) for k in range(60)))
        seen, address = [], "/"

        while address:
            text = http.get(address).text
            seen += re.findall(r'<li id="([gl][0-9]{3})"', text)
            onward = re.search(r'href="([^"]+)">More findings', text)
            address = onward and onward[1].replace("&amp;", "&")

        assert seen == [f"g{k:03}" for k in range(50)] + [f"l{k:03}" for k in range(60)]

    @pytest.mark.parametrize(
        "query", ["severity=major", "state=cleared", "state=any", "device=uw-06", "team=front", "kind=uneven"]
    )
    def test_shows_what_rest_shows_for_the_same_filter(self, http, keep, query):
        keep(a_finding(id="f1", severity=Severity.MAJOR), a_finding(id="f2", cleared_ms=NOW_MS))
        # To programs every state is what is asked for without one.
        asked_of_rest = query.removesuffix("state=any") if "state" in query else f"{query}&state=open"

        shown = re.findall(r'<li id="(f[12])"', http.get(f"/?{query}").text)

        assert shown == [one["id"] for one in http.get(f"/v1/findings?{asked_of_rest}").json()["items"]]

    def test_takes_fields_that_were_left_empty_as_not_asked(self, http, keep):
        keep(a_finding())
        text = http.get("/?device=&team=&kind=&severity=&state=&operator_state=").text
        assert "Open findings: 1" in text

    @pytest.mark.parametrize("query", ["severity=loud", "cursor=WzksIiJd", "cursor=x"])
    def test_refuses_what_it_does_not_know(self, http, query):
        assert http.get(f"/?{query}").status_code == 400
