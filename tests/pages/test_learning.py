"""Pages that teach, against worked numbers: chances by hand and frames of IEEE 802.3 with RFC 5180 appendix A.1."""

import html
import re

import pytest
from web_examples import asked

from service.pages import site


@pytest.fixture
def pages(sqlite_engine):
    http = asked(sqlite_engine)
    site.add(http.app)
    return http


def rows_of(answer):
    """The cells of every table row, as text."""
    assert answer.status_code == 200, answer.text
    rows = re.findall(r"<tr>(.*?)</tr>", answer.text, re.DOTALL)
    return [[html.unescape(cell) for cell in re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row)] for row in rows]


class TestListing:
    def test_leads_to_all_there_is(self, pages):
        text = pages.get("/learn").text

        for address in re.findall(r'href="(/learn/[a-z]+|/stories)"', text):
            assert pages.get(address).status_code == 200
        assert 'href="/learn/frames"' in text


class TestOdds:
    def test_shows_draws_beside_the_exact_chances_of_ten_on_two(self, pages):
        rows = rows_of(pages.get("/learn/odds", params={"items": 10, "links": 2}))

        # By hand: 1 - C(10,5)/1024 = 75.4 %, and 2 (1+10+45+120)/1024 = 34.4 %.
        exact = {row[0]: row[1] for row in rows[1:3]}
        assert exact == {"60 %": "75.4 %", "70 %": "34.4 %"}
        drawn = {row[0]: float(row[2].split()[0]) for row in rows[1:3]}
        # 10,000 draws lie within 0.9 and 1.0 points with 95 %.
        assert drawn["60 %"] == pytest.approx(75.4, abs=1.0)
        assert drawn["70 %"] == pytest.approx(34.4, abs=1.1)

    def test_draws_the_same_with_the_same_seed(self, pages):
        first, again, other = (pages.get("/learn/odds", params={"seed": seed}).text for seed in (7, 7, 8))

        assert first == again != other

    @pytest.mark.parametrize("query", [{"items": 0}, {"items": 101}, {"links": 17}, {"seed": -1}, {"dice": 2}])
    def test_refuses_in_words_what_it_does_not_reckon(self, pages, query):
        answer = pages.get("/learn/odds", params=query)

        assert (answer.status_code, "<h1>Bad Request</h1>" in answer.text) == (400, True)
        assert next(iter(query)) in answer.text


class TestAddresses:
    def test_gives_every_even_neighbour_one_member_and_the_odd_one_the_other(self, pages):
        answer = pages.get("/learn/addresses")
        rows = dict(row for row in rows_of(answer) if len(row) == 2)

        # By hand: .20 over .10, .12, .14, .16 has the last bit 0, over .11 it is 1.
        assert [rows[f"192.0.2.{host}"] for host in (10, 12, 14, 16, 11)] == ["0", "0", "0", "0", "1"]
        assert "your device may differ" in answer.text

    def test_takes_another_function_and_leaves_out_what_was_left_blank(self, pages):
        query = {"mix": "crc-32", "way": "threshold", "destinations": "192.0.2.1", "key": "", "members": 4}

        assert "crc-32 over source, destination, by threshold" in pages.get("/learn/addresses", params=query).text

    @pytest.mark.parametrize(
        ("query", "word"),
        [
            ({"destinations": "nowhere"}, "no IP address"),
            ({"mix": "magic"}, "is one of"),
            ({"mix": "toeplitz", "key": "xyz"}, "hexadecimal"),
            ({"destinations": " ".join(["192.0.2.1"] * 65)}, "1 to 64"),
        ],
    )
    def test_says_what_cannot_be_used(self, pages, query, word):
        answer = pages.get("/learn/addresses", params=query)

        assert answer.status_code == 400
        assert word in answer.text

    def test_takes_foreign_text_as_text(self, pages):
        answer = pages.get("/learn/addresses", params={"source": "<script>x</script>"})

        assert "<script>x" not in answer.text


class TestFrames:
    def test_leaves_941_of_1000_and_990_with_large_frames(self, pages):
        rows = rows_of(pages.get("/learn/frames"))

        # By hand: 1448 of 1538 octets on the wire, 8948 of 9038; 81,274 frames a second is RFC 5180's.
        assert rows[1][0:6] == ["1,500", "1,448 octets", "1,538 octets", "94.15 %", "941.5 Mbit/s", "81,274"]
        assert (rows[2][0], rows[2][3], rows[2][7]) == ("9,000", "99.00 %", "5.2 %")

    def test_puts_what_was_asked_first(self, pages):
        rows = rows_of(pages.get("/learn/frames", params={"mtu": 1400, "tagged": "yes", "ip": 6, "timestamps": "no"}))

        assert rows[1][:3] == ["1,400", "1,340 octets", "1,442 octets"]

    @pytest.mark.parametrize("query", [{"mtu": 40}, {"ip": 5}, {"mbps": 0}])
    def test_refuses_what_is_no_frame(self, pages, query):
        assert pages.get("/learn/frames", params=query).status_code == 400
