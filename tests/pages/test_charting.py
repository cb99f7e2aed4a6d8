import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest
from examples import EPOCH_MS, a_finding
from storage_examples import a_change, some_windows, three_teams
from web_examples import asked

from service.evaluation import Policy
from service.pages import charting, site
from service.pages.charting import Zoom
from service.storage import changes, database, findings, inventory, rollups, windows
from service.storage.changes import Place
from service.terms import PortName, Rule, Span
from service.web.services import Services

HOUR_MS = 3_600_000
END_MS = EPOCH_MS + 8 * 30_000


def _policy():
    return Policy(lambda _device, _team: Rule())


def _windows(ports, count, **told):
    kept = some_windows(ports=ports, span=Span(EPOCH_MS, count))
    return replace(kept, why_not=np.zeros_like(kept.why_not), **told)


@pytest.fixture
def kept(sqlite_engine):
    """Eight windows of three teams; at 10:02:00 somebody changed the first team's egress."""
    with sqlite_engine.begin() as connection:
        placed = three_teams(connection)
        figures = _windows(7, 8, coverage=np.ones((7, 8, 2), dtype=np.float32))
        figures.coverage[1, 3, 0] = 0.5
        windows.write(connection, placed, figures, np.zeros((3, 8, 2), dtype=np.uint8))
        change = a_change(at_ms=EPOCH_MS + 120_000, what="hashed by <addresses>")
        changes.keep(connection, change, [(Place(1, 0), "")])
    return sqlite_engine


def _charted(engine, *directions, zoom=Zoom.TWO_HOURS, until_ms=END_MS, team_id=1, **told):
    services = Services(engine, lambda: END_MS, policy=_policy())
    with database.reading(engine) as connection:
        return charting.charted(
            connection, services, team_id, directions or ("egress", "ingress"), zoom, until_ms, **told
        )


class TestCharted:
    def test_has_the_numbers_that_programs_are_told(self, kept):
        client = asked(kept, now_ms=lambda: END_MS, policy=_policy())

        for chart in _charted(kept):
            query = {"from": "2026-11-25T09:00:00Z", "direction": chart.direction, "limit": 2880}
            told = client.get("/v1/teams/1/windows", params=query).json()["items"]
            shown = [row for row in reversed(chart.rows) if row.kind]
            assert [[cell.share for cell in row.cells] for row in shown] == [
                [member["utilisation"] for member in window["members"]] for window in told
            ]
            assert [row.even_split for row in shown] == [window["even_split"] for window in told]
            assert [row.kind for row in shown] == [window["kind"] for window in told]

    def test_has_a_row_a_window_over_two_hours_the_newest_first(self, kept):
        [chart] = _charted(kept, "egress")

        assert [row.start_ms for row in chart.rows] == [END_MS - 30_000 * k for k in range(1, 241)]
        # What was never decided is unknown, not zero.
        assert all(cell.share is None for row in chart.rows[8:] for cell in row.cells)
        assert not any(row.kind for row in chart.rows[8:])

    def test_tells_what_was_covered_in_part(self, kept):
        [chart] = _charted(kept, "egress")

        assert [(k, m) for k, row in enumerate(chart.rows) for m, cell in enumerate(row.cells) if cell.partial] == [
            (4, 1)
        ]
        assert "only a part of the window was covered" in chart.svg

    def test_marks_a_change_in_its_direction_and_escapes_what_people_wrote(self, kept):
        egress, ingress = _charted(kept)

        assert "hashed by &lt;addresses&gt;" in egress.svg
        assert "hashed" not in ingress.svg

    def test_leaves_a_hole_where_a_member_was_none(self, kept):
        with kept.begin() as connection:
            port_ids = inventory.resolve(connection, [PortName("sm-07", "front9", "front")], feed="push", now_ms=END_MS)
            placed = inventory.layout(connection, [1])
            later = Span(END_MS, 2)
            figures = replace(_windows(3, 2), span=later, utilisation=np.full((3, 2, 2), 0.25))
            windows.write(connection, placed, figures, np.zeros((1, 2, 2), dtype=np.uint8))
        assert all(port_ids)

        [chart] = _charted(kept, "egress", until_ms=END_MS + 60_000)

        assert chart.names == ("front0", "front1", "front9")
        assert [row.cells[2].share for row in chart.rows[:4]] == [0.25, 0.25, None, None]

    def test_pages_the_table_of_more_than_two_hours(self, kept):
        [first] = _charted(kept, "egress", zoom=Zoom.DAY)
        [last] = _charted(kept, "egress", zoom=Zoom.DAY, page=13)

        # 26 hours are 3,120 windows: 13 pages of 240.
        assert [link.words for link in first.pages] == ["Older rows"]
        assert [link.words for link in last.pages] == ["Newer rows"]
        assert last.rows[-1].start_ms == END_MS - 26 * HOUR_MS
        # Over 746 columns: five windows in each.
        assert "every 5 windows" in first.note

    def test_shows_roll_ups_over_two_weeks(self, kept):
        with kept.begin() as connection:
            placed = inventory.layout(connection, [1])
            figures = {
                name: np.full((2, 2, 2), value) for name, value in (("mean", 0.5), ("peak", 0.9), ("hot_seconds", 30))
            }
            span = Span(EPOCH_MS - 600_000, 2, 300_000)
            unknown = np.zeros(1, dtype=np.int32)
            coverage = np.full((2, 2, 2), 1.0)
            rolled = rollups.Kept(
                unknown, unknown, span, **figures, coverage=coverage, there=np.ones((1, 2), dtype=bool)
            )
            rollups.write(connection, placed, rolled)

        [chart] = _charted(kept, "egress", zoom=Zoom.FORTNIGHT, until_ms=EPOCH_MS)

        assert [(c.share, round(c.peak, 5)) for c in chart.rows[0].cells] == [(0.5, 0.9), (0.5, 0.9)]
        assert chart.rows[2].cells[0].share is None
        assert not chart.even_split_kept
        assert {row.even_split for row in chart.rows} == {None}
        assert {row.start for row in chart.rows} == {""}
        assert "There is no even split" in chart.note
        assert "even split" not in chart.svg.lower()

    def test_leads_from_each_figure_to_its_working(self, kept):
        [chart] = _charted(kept, "ingress")
        starts = [row.start for row in chart.rows if row.start]

        # Eight windows were kept, of which the last began half a minute before the end.
        assert (len(starts), starts[0]) == (8, "2026-11-25T10:03:30Z")
        assert chart.working[1] == "/teams/1/working?port=front1&direction=ingress&start="

    def test_names_the_members_of_now_where_nothing_was_kept(self, kept):
        [chart] = _charted(kept, "egress", until_ms=EPOCH_MS - 24 * HOUR_MS)

        assert chart.names == ("front0", "front1")
        assert all(cell.share is None for row in chart.rows for cell in row.cells)

    def test_leads_to_other_times_of_the_page_it_is_on(self, kept):
        [chart] = _charted(kept, "egress", address="/findings/f1")

        assert [link.words for link in chart.zooms if link.here] == ["2 hours"]
        assert all(link.address.startswith("/findings/f1?zoom=") for link in chart.zooms + chart.times)


class TestAlone:
    def asked(self, engine, **query):
        client = asked(engine, now_ms=lambda: END_MS, policy=_policy())
        if not any(getattr(route, "path", "") == "/teams/{team_id}/chart.svg" for route in client.app.routes):
            site.add(client.app)
        return client.get("/teams/1/chart.svg", params=query)

    @pytest.mark.parametrize("zoom", list(Zoom))
    def test_is_a_drawing_with_its_own_colours(self, kept, zoom):
        answer = self.asked(kept, zoom=zoom.value, direction="ingress")

        assert answer.headers["content-type"] == "image/svg+xml"
        assert answer.headers["cache-control"].startswith("private")
        drawn = ET.fromstring(answer.text)  # our own
        assert "class" not in {name for one in drawn.iter() if one is not drawn for name in one.attrib}

    def test_is_there_of_a_finding_in_its_direction_until_an_hour_after_it_was_raised(self, kept):
        with kept.begin() as connection:
            findings.save(connection, 1, a_finding(id="f1", raised_ms=EPOCH_MS + 90_000, direction="egress"))
        client = asked(kept, now_ms=lambda: END_MS + 24 * HOUR_MS, policy=_policy())
        site.add(client.app)

        answer = client.get("/findings/f1/chart.svg")

        drawn = ET.fromstring(answer.text)  # our own
        title = drawn.find("{http://www.w3.org/2000/svg}title").text
        assert title.endswith("team front, egress, 2026-11-25 09:01:30 UTC to 2026-11-25 11:01:30 UTC")
        assert f"{a_finding().severity}: uneven" in answer.text

    def test_is_not_there_of_a_finding_of_many_teams(self, kept):
        with kept.begin() as connection:
            findings.save(connection, 1, a_finding(id="f2", kind="fleet-pattern", teams=("sm-07/front",)))
        client = asked(kept, now_ms=lambda: END_MS, policy=_policy())
        site.add(client.app)

        assert client.get("/findings/f2/chart.svg").status_code == 404
        assert client.get("/findings/f3/chart.svg").status_code == 404

    @pytest.mark.parametrize(
        "query", [{"zoom": "3h"}, {"until": "yesterday"}, {"direction": "up"}, {"page": 0}, {"unheard": "of"}]
    )
    def test_refuses_what_it_does_not_know(self, kept, query):
        assert self.asked(kept, **query).status_code == 400

    @pytest.mark.parametrize("until", ["0001-01-01T00:00:00Z", "9999-12-31T23:59:59Z"])
    def test_stands_at_the_edges_of_the_calendar(self, kept, until):
        for zoom in Zoom:
            assert self.asked(kept, zoom=zoom.value, until=until).status_code == 200
            assert _charted(kept, zoom=zoom, until_ms=charting.look(zoom, until).until_ms)
