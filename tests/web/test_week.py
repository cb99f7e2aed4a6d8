import csv
import io
import math

import pypdf
import pytest
from web_examples import a_key, asked
from weekly_examples import TO_MS, a_day, before, days, stranded

from service.storage import inventory, team_days
from service.terms import PortName

UNTIL = {"until": "2025-12-01T00:00:00Z"}


@pytest.fixture
def http(engine):
    """Days of five teams, as they are kept."""
    with engine.begin() as connection:
        names = [PortName(f"sm-0{number}", port, "front") for number in range(1, 6) for port in ("m1", "m2")]
        inventory.resolve(connection, names, feed="push", now_ms=TO_MS)
        team_days.write(connection, [*days(), *before()], TO_MS)
    return asked(engine, now_ms=lambda: TO_MS + 3_600_000)


class TestOfAll:
    def test_tells_the_week_that_ended_last(self, http):
        told = http.get("/v1/week").json()

        assert (told["from"], told["to"]) == ("2025-11-24T00:00:00Z", "2025-12-01T00:00:00Z")
        assert told["stranded"][0]["side"] == {"team_id": 1, "direction": "egress", "device": "sm-01", "team": "front"}
        assert told["stranded"][0]["gbit_hours"] == pytest.approx(34.26)
        assert told["losing"][0]["busy_from"] == "2025-11-30T09:00:00Z"
        assert http.get("/v1/week", params=UNTIL).json() == told

    def test_gives_csv_and_pdf_with_the_same_figures(self, http):
        """Read by the standard library's reader of CSV and by pypdf."""
        told = http.get("/v1/week").json()["figures"]
        table = http.get("/v1/week", params={"format": "csv"})
        sheet = http.get("/v1/week", params={"format": "pdf"})
        rows = list(csv.DictReader(io.StringIO(table.text, newline="")))
        words = " ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(sheet.content)).pages)

        assert [row["words"].lstrip("'") for row in rows] == [one["words"] for one in told]
        for row, one in zip(rows, told, strict=True):
            assert (float(row["value"]) if row["value"] else None) == one["value"]
            assert one["words"] in words.replace("\n", " ")
        assert sheet.headers["content-disposition"] == 'attachment; filename="week-2025-12-01.pdf"'

    def test_is_the_same_octets_for_the_same_week(self, http):
        for form in ("json", "csv", "pdf"):
            asking = {"format": form, **UNTIL}
            assert http.get("/v1/week", params=asking).content == http.get("/v1/week", params=asking).content

    def test_of_a_week_without_days_is_unknown(self, http):
        told = http.get("/v1/week", params={"until": "2020-01-01T00:00:00Z"}).json()

        assert (told["teams"], told["seen"], told["stranded"]) == (0, None, [])

    @pytest.mark.parametrize(
        ("until", "to"),
        [("0001-01-01T00:00:00Z", "1970-01-08T00:00:00Z"), ("9999-12-31T23:59:59Z", "9999-12-31T00:00:00Z")],
    )
    @pytest.mark.parametrize("form", ["json", "csv", "pdf"])
    def test_ends_where_dates_do(self, http, until, to, form):
        answer = http.get("/v1/week", params={"until": until, "format": form})

        assert answer.status_code == 200
        assert form != "json" or answer.json()["to"] == to

    def test_refuses_what_is_no_time(self, http):
        assert http.get("/v1/week", params={"until": "soon"}).status_code == 400

    def test_is_for_those_with_a_key(self, engine, http):
        there = asked(engine, client=("192.0.2.7", 50_000), now_ms=lambda: TO_MS)

        assert there.get("/v1/week").status_code == 401
        assert there.get("/v1/week", headers=a_key(engine, "view")).status_code == 200


class TestDays:
    def test_come_back_as_they_were_kept(self, engine, http):
        with engine.connect() as connection:
            kept = team_days.read(connection, TO_MS - 86_400_000, TO_MS, [1, 5])

        assert kept[0] == days()[0]
        assert math.isnan(kept[1].busy_bps)

    def test_replace_what_was_told_of_them_before(self, engine, http):
        with engine.begin() as connection:
            team_days.write(connection, [a_day(1, even_p95=0.9)], TO_MS)
            assert [day.even_p95 for day in team_days.read(connection, TO_MS - 86_400_000, TO_MS, [1])] == [0.9]


class TestFound:
    def test_is_read_again_once_a_day_was_made(self, engine, http):
        assert http.get("/v1/week").json()["gbit_hours"] == pytest.approx(58.26)
        with engine.begin() as connection:
            team_days.write(connection, [a_day(3, 2, **stranded(1e9, 10))], TO_MS)

        assert http.get("/v1/week").json()["gbit_hours"] == pytest.approx(68.26)

    def test_reads_a_week_that_did_not_change_once(self, engine, http, monkeypatch):
        reads = []
        read = team_days.read
        monkeypatch.setattr(team_days, "read", lambda *asked: reads.append(asked) or read(*asked))
        for _ in range(3):
            http.get("/v1/week")

        assert len(reads) == 2  # the week, and the weeks before it

    def test_tells_other_weeks_in_between(self, http):
        first = http.get("/v1/week").json()

        assert http.get("/v1/week", params={"until": "2025-11-24T00:00:00Z"}).json()["to"] == "2025-11-24T00:00:00Z"
        assert http.get("/v1/week").json() == first
