"""Every story says what the case behind it expects; expectations are those that the scenarios are tested with."""

import html
import re
import xml.etree.ElementTree as ET

import pytest
from web_examples import asked

from service.pages import site, stories
from service.pages.story_figures import FIGURES
from service.pages.story_roads import ROADS
from service.storage import database

# By case, what its numbers come to, as the page writes it: from the same standards and hand-worked numbers as the case.
SHOWN = {
    "D01": ("78.5 %", "8.0 %", "43.2 %", "uneven", "wrap"),
    "D02": ("ambiguous", "133 Mbit/s or 706 Mbit/s", "unknown"),
    "D03": ("restart", "unknown"),
    "D04": ("80.0 %", "uptime rollover"),
    "D05": ("80.0 %", "clock stepped"),
    "D06": ("64.0 %", "76.0 %", "14.7 %"),
    "D07": ("77.3 %", "No finding is raised"),
    "D08": ("60.0 %", "every 20 s"),
    "D09": ("coarse", "unknown", "No finding is raised"),
    "D10": ("90.2 %", "88.4 %", "78.0 %"),
    "D11": ("No finding is raised",),
    "D12": ("standby by design", "hot-no-sibling", "82.0 %"),
    "D13": ("degraded", "full", "83.0 %", "down"),
    "D14": ("went up or down in the window",),
    "D15": ("93.0 %", "10.2 %", "17.7 %", "uneven"),
    "D16": ("speed doubtful", "94.1 %"),
    "D18": ("64.0 %", "84.0 %", "uneven"),
    "D19": ("one large conversation fills m1", "probable", "No method helps"),
    "D20": ("50.0 %", "48.2 %", "93.0 %"),
    "D22": ("91.0 %", "3.0 %", "47.0 %", "uneven"),
    "D23": ("broken", "broadcast share 0.96", "error ratio 0.002", "Do not move load to m2"),
    "D24": ("oscillating",),
    "D25": ("cannot tell.", "88.7 % of the load", "evened out; team now full", "50.5 %", "cannot tell yet"),
    "R01": ("76.0 %", "Over at 10:12"),
    "R02": ("75.0 %", "No finding is raised"),
    "R03": ("76.5 %", "uneven-and-full"),
    "R04": ("90.0 %", "10.0 %", "50.0 %"),
    "R05": ("80.0 %",),
    "R06": ("TT--T: raised after window 5", "T-----TT: not raised", "T-----TTT: raised after window 9"),
    "R07": ("synchronization, collecting, distributing", "no port can be that"),
}


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    engine = database.open(f"sqlite:///{tmp_path_factory.mktemp('stories')}/lopside.sqlite")
    database.upgrade(engine)
    http = asked(engine)
    site.add(http.app)
    yield http
    engine.dispose()


def text_of(answer):
    assert answer.status_code == 200, answer.text
    return html.unescape(re.sub(r"<[^>]+>", " ", answer.text))


class TestListing:
    def test_names_all_cases_that_are_tested(self, pages):
        addresses = re.findall(r'<li><a href="(/stories/[a-z0-9-]+)">', pages.get("/stories").text)

        assert len(addresses) == len(set(addresses)) == 30
        assert {story.case for story in stories.stories().values()} == set(stories._cases()) == set(SHOWN)

    def test_has_a_road_or_figures_for_each(self):
        assert ROADS.keys() | FIGURES.keys() == SHOWN.keys()

    def test_says_three_things_of_each(self):
        for story in stories.stories().values():
            assert all(len(told) > 20 for told in (story.planted, story.said, story.wrong))


class TestOne:
    @pytest.mark.parametrize("case", sorted(SHOWN))
    def test_finds_what_the_case_expects(self, pages, case):
        [story] = [story for story in stories.stories().values() if story.case == case]

        text = text_of(pages.get(f"/stories/{story.address}"))

        found = text[text.index("What is found") : text.index("What must be said")]
        assert [word for word in SHOWN[case] if word not in found] == []
        assert story.planted in text
        assert story.said in text
        assert story.wrong in text

    def test_shows_the_samples_that_were_assessed(self, pages):
        text = text_of(pages.get("/stories/a-counter-of-32-bits-wraps-at-1-gbit-s"))

        assert "4,000,000,000" in text
        assert "2,646,907,704" in text

    @pytest.mark.parametrize("case", sorted(ROADS))
    def test_draws_the_figures_of_its_tables(self, case):
        parts, _ = stories.come_of(case)

        for windows in (one for part in parts for one in part.windows):
            drawn = ET.fromstring(str(windows.drawing).split("</svg>")[0] + "</svg>")
            lines = {one.get("data-member"): one.get("data-figures") for one in drawn.iter()}
            for at, name in enumerate(windows.table.columns[1:-2], start=1):
                cells = [row[at].split(" (")[0] for row in windows.table.rows]
                shown = [f"{int(told) / 10:.1f} %" if told else "unknown" for told in lines[name].split(",")]
                assert shown == cells

    def test_leads_through_all_of_them(self, pages):
        address, seen = "/stories/a-counter-of-32-bits-wraps-at-1-gbit-s", []
        while address not in seen:
            seen.append(address)
            [address] = re.findall(r'Next: <a href="([^"]+)"', pages.get(address).text)

        assert len(seen) == 30

    def test_is_reckoned_once(self, pages):
        assert stories.come_of("D01") is stories.come_of("D01")

    def test_refuses_one_that_is_not_told(self, pages):
        answer = pages.get("/stories/nothing")

        assert answer.status_code == 404
        assert "story" in answer.text
