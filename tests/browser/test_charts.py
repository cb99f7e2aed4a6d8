"""Charts in Chromium, on a page of the tests that has nothing else: strict policy, real style sheet, real script."""

import io
import re
import socket
import threading
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from types import SimpleNamespace

import browsing
import httpx
import numpy as np
import pytest
import uvicorn
from examples import EPOCH_MS
from fastapi.responses import HTMLResponse
from pypdf import PdfReader
from storage_examples import a_change, some_windows

from service.evaluation import Policy
from service.pages import charting, rendering, site
from service.storage import changes, database, inventory, rollups, windows
from service.storage.changes import Place
from service.terms import PortName, Rule, Span
from service.web import api
from service.web.services import Services

COUNT = 3120
END_MS = EPOCH_MS + COUNT * 30_000
PAGE = """{% extends "base.html" %}{% from "parts/chart.html" import figure %}
{% block title %}Charts{% endblock %}
{% block scripts %}<script src="{{ static('chart.js') }}" defer></script>{% endblock %}
{% block main %}<h1>Charts</h1>{% for one in charts %}{{ figure(one) }}{% endfor %}{% endblock %}"""


@contextmanager
def served(application):
    """An application on a port of loopback that the system chooses."""
    server = uvicorn.Server(uvicorn.Config(application, log_level="warning", timeout_graceful_shutdown=1))
    with socket.create_server(("127.0.0.1", 0)) as listening:
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
        thread.start()
        try:
            yield f"http://127.0.0.1:{listening.getsockname()[1]}"
        finally:
            server.should_exit = True
            thread.join(10)


def keep(engine):
    """Four members over 26 hours; the second is unknown for five windows an hour before the end, one is partial."""
    draw = np.random.default_rng(1)
    share = np.clip(0.5 + np.cumsum(draw.normal(0, 0.01, (4, COUNT, 2)), axis=1), 0, 1)
    share[1, COUNT - 120 : COUNT - 115] = np.nan
    with engine.begin() as connection:
        names = [PortName("sm-07", f"p{k + 1}", "front") for k in range(4)]
        inventory.resolve(connection, names, feed="push", now_ms=EPOCH_MS)
        kept = some_windows(4, Span(EPOCH_MS, COUNT))
        kept = replace(
            kept, why_not=np.zeros_like(kept.why_not), utilisation=share, coverage=np.ones_like(kept.coverage)
        )
        kept.coverage[0, COUNT - 60] = 0.5
        windows.write(connection, inventory.layout(connection), kept, np.zeros((1, COUNT, 2), dtype=np.uint8))
        change = a_change(at_ms=END_MS - 2_400_000, what="hashed by addresses and ports")
        changes.keep(connection, change, [(Place(1, 0), "")])


def keep_rollups(engine):
    """The last two hours of four members in rows of five minutes; what the first had out, in their order."""
    mean = np.clip(0.5 + np.cumsum(np.random.default_rng(2).normal(0, 0.02, (4, 24, 2)), axis=1), 0, 1)
    rolled = SimpleNamespace(
        span=Span(END_MS - 24 * 300_000, 24, 300_000),
        mean=mean,
        peak=mean,
        hot_seconds=np.zeros_like(mean),
        coverage=np.ones_like(mean),
    )
    with engine.begin() as connection:
        rollups.write(connection, inventory.layout(connection), rolled)
    return mean[0, :, 0]


def page_of(services):
    """A page with nothing but the charts of the first team."""

    def shown(zoom: charting.Zoom = charting.Zoom.TWO_HOURS, until: str | None = None, page: int = 1) -> HTMLResponse:
        look = charting.look(zoom, until, page)
        with database.reading(services.engine) as connection:
            charts = charting.charted(
                connection, services, 1, zoom=look.zoom, until_ms=look.until_ms, page=look.page, address="/charts"
            )
        told = {"viewer": None, "path": "", "navigation": (), "version": "", "here": "", "live": "", "charts": charts}
        text = rendering._templates().from_string(PAGE).render(told)
        return HTMLResponse(text, headers={"content-security-policy": rendering.POLICY})

    return shown


@pytest.fixture
def base(sqlite_engine):
    keep(sqlite_engine)
    services = Services(sqlite_engine, lambda: END_MS, policy=Policy(lambda _device, _team: Rule()))
    application = api.make(services)
    site.add(application)
    application.get("/charts")(page_of(services))
    with served(application) as address:
        yield address


@pytest.fixture
def page(browser):
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    page = context.new_page()
    broken = []
    page.on("pageerror", lambda error: broken.append(str(error)))
    page.on("console", lambda said: broken.append(said.text) if said.type == "error" else None)
    yield page
    context.close()
    assert broken == []


def reading(page, direction="egress"):
    return page.locator(f"#reading-{direction}").inner_text()


def told_by_rest(base, direction="egress", at=-1):
    query = {"from": "2026-11-26T10:00:00Z", "limit": 2880, "direction": direction}
    window = httpx.get(f"{base}/v1/teams/1/windows", params=query).json()["items"][at]
    return [
        "unknown" if member["utilisation"] is None else f"{member['utilisation'] * 100:.1f} %"
        for member in window["members"]
    ]


class TestTable:
    @pytest.mark.parametrize("direction", ["egress", "ingress"])
    @pytest.mark.parametrize("row", [0, 59, 117, 239])
    def test_has_the_numbers_that_programs_are_told(self, page, base, direction, row):
        page.goto(f"{base}/charts")
        page.locator(f"#numbers-{direction} summary").click()
        cells = page.locator(f"#numbers-{direction} tbody tr").nth(row).locator("td").all_inner_texts()

        assert [cell.removesuffix(", in part") for cell in cells[:4]] == told_by_rest(base, direction, -1 - row)

    def test_leads_from_a_figure_to_its_working_by_keyboard(self, page, demo_url):
        page.goto(f"{demo_url}/teams/1")
        page.locator("#numbers-egress summary").press("Enter")
        link = page.locator("#numbers-egress tbody a").first
        figure = float(link.inner_text().removesuffix(" %"))
        link.press("Enter")
        page.wait_for_url("**/working?**")

        # The same figure with four digits instead of one.
        assert float(page.locator("#utilisation").inner_text().removesuffix(" %")) == pytest.approx(figure, abs=0.05)

    def test_is_there_without_script_and_its_pages_are_links(self, browser, base):
        context = browser.new_context(java_script_enabled=False)
        page = context.new_page()
        page.goto(f"{base}/charts?zoom=26h")
        page.locator("#numbers-egress summary").click()
        first = page.locator("#numbers-egress tbody tr").count()
        with page.expect_navigation():
            page.get_by_role("link", name="Older rows, egress").click()
        rows = page.locator("#numbers-egress tbody tr")

        assert (first, rows.count()) == (240, 240)
        # 240 windows are two hours: the newest row of the second page is of two hours and a window before the end.
        assert rows.first.locator("time").get_attribute("datetime") == "2026-11-26T09:59:30Z"
        context.close()


class TestReading:
    def test_is_of_the_window_that_arrow_keys_lead_to(self, page, base):
        page.goto(f"{base}/charts")
        page.locator("#chart-egress [data-readout]").focus()
        page.keyboard.press("ArrowLeft")

        assert reading(page).startswith("2026-11-26 11:59:30 UTC: ")
        assert re.findall(r"p\d (\d+\.\d %|unknown)", reading(page)) == told_by_rest(base)
        for key, start in (
            ("ArrowLeft", "11:59:00"),
            ("Home", "10:00:00"),
            ("ArrowLeft", "10:00:00"),
            ("End", "11:59:30"),
        ):
            page.keyboard.press(key)
            assert f" {start} UTC: " in reading(page)

    def test_is_of_the_window_under_the_pointer(self, page, base):
        page.goto(f"{base}/charts")
        box = page.locator("#chart-egress svg.broad").bounding_box()
        # By hand: the field reaches from 64 to 810 of 960; window 122 of 240 has its middle at 64 + 746 * 122.5 / 240.
        x = box["x"] + box["width"] / 960 * (64 + 746 * 122.5 / 240)
        page.mouse.move(x, box["y"] + box["height"] / 2)

        assert "2026-11-26 11:01:00 UTC: " in reading(page)
        assert "p2 unknown" in reading(page)

    def test_tells_the_least_and_the_most_where_a_column_has_more_windows(self, page, base):
        page.goto(f"{base}/charts?zoom=26h")
        page.locator("#chart-ingress [data-readout]").focus()
        page.keyboard.press("End")

        assert re.search(r"p1 \d+\.\d to \d+\.\d %", reading(page, "ingress"))

    def test_tells_of_two_weeks_what_rows_of_five_minutes_have(self, page, base, sqlite_engine):
        means = keep_rollups(sqlite_engine)
        page.goto(f"{base}/charts?zoom=14d")
        page.locator("#chart-egress [data-readout]").focus()
        page.keyboard.press("End")
        page.keyboard.press("ArrowLeft")

        # 4,032 rows on 746 columns are six a column: the last column but one is rows 12 to 7 before the end.
        least, most = (f"{figure * 100:.1f}" for figure in (means[-12:-6].min(), means[-12:-6].max()))
        assert reading(page).startswith(f"2026-11-26 11:00:00 UTC, 30 min: p1 {least} to {most} %")
        assert "even split" not in reading(page)

    @pytest.mark.parametrize("width", [390, 1280])
    @pytest.mark.parametrize(("zoom", "column_ms"), [("2h", 30_000), ("26h", 150_000)])
    def test_is_of_the_time_under_the_pointer_in_either_drawing(self, page, base, width, zoom, column_ms):
        page.set_viewport_size({"width": width, "height": 900})
        page.goto(f"{base}/charts?zoom={zoom}")
        drawn = page.locator("#chart-egress svg.plot:visible")
        drawn.scroll_into_view_if_needed()
        box, broad = drawn.bounding_box(), 420 if width == 390 else 960
        # By hand: the field reaches from 64 to 150 before the end; the pointer is at 71 % of it.
        at = 64 + 0.71 * (broad - 64 - 150)
        page.mouse.move(box["x"] + box["width"] / broad * at, box["y"] + box["height"] / 2)

        span_ms = 7_200_000 if zoom == "2h" else 26 * 3_600_000
        under_ms = END_MS - span_ms + 0.71 * span_ms
        told = datetime.fromisoformat(re.match(r"[\d-]+ [\d:]+", reading(page))[0] + "+00:00").timestamp() * 1000
        # Half a pixel is up to a column.
        assert told - column_ms <= under_ms <= told + 2 * column_ms

    def test_tells_the_even_split_too(self, page, base):
        page.goto(f"{base}/charts")
        page.locator("#chart-egress [data-readout]").focus()
        page.keyboard.press("End")

        query = {"from": "2026-11-26T10:00:00Z", "limit": 2880, "direction": "egress"}
        told = httpx.get(f"{base}/v1/teams/1/windows", params=query).json()["items"][-1]["even_split"]
        assert f"even split {told * 100:.1f} %" in reading(page)

    def test_works_on_after_the_page_was_brought_up_to_date(self, page, base):
        page.goto(f"{base}/charts")
        page.evaluate(
            """async () => {
              const text = await (await fetch(location.href)).text();
              const fresh = new DOMParser().parseFromString(text, "text/html");
              Idiomorph.morph(document.querySelector("#main"), fresh.querySelector("#main"));
            }"""
        )
        page.locator("#chart-egress [data-readout]").focus()
        page.keyboard.press("End")

        assert "11:59:30" in reading(page)


class TestLooks:
    @pytest.mark.parametrize("width", [360, 390, 767, 768, 1280, 1920])
    def test_show_one_drawing_with_its_scale_and_every_name(self, page, base, width):
        page.set_viewport_size({"width": width, "height": 900})
        page.goto(f"{base}/charts")
        drawn = page.locator("#chart-egress svg.plot:visible")

        assert drawn.count() == 1
        for words in ("100 %", "p1", "p4", "even split", "unknown"):
            box = drawn.locator("text", has_text=re.compile(f"^{words}$")).bounding_box()
            assert 0 <= box["x"] <= box["x"] + box["width"] <= width
            # Of fifteen units; common practice, no source: letters under ten pixels are not read on a phone.
            assert box["height"] > 10

    @pytest.mark.parametrize("scheme", ["light", "dark"])
    @pytest.mark.parametrize("width", [390, 1280])
    def test_fit_and_have_no_violation(self, page, base, scheme, width, tmp_path):
        page.emulate_media(color_scheme=scheme)
        page.set_viewport_size({"width": width, "height": 900})
        page.goto(f"{base}/charts")
        page.screenshot(path=tmp_path / f"{width}-{scheme}.png", full_page=True)

        browsing.no_side_scroll(page)
        browsing.faultless(page)

    @pytest.mark.parametrize("scheme", ["light", "dark"])
    def test_paint_words_in_the_colour_that_contrast_is_computed_of(self, page, base, scheme):
        page.emulate_media(color_scheme=scheme)
        page.goto(f"{base}/charts")
        painted = page.locator(".plot:visible text").evaluate_all(
            "all => all.map((one) => getComputedStyle(one)).map((is) => [is.fill, is.color, is.stroke])"
        )
        paper = page.locator(".plot > g").first.evaluate("(one) => getComputedStyle(one).backgroundColor")

        assert len(painted) > 20
        assert all(fill == colour and around == paper for fill, colour, around in painted)

    @pytest.mark.parametrize("scheme", ["light", "dark"])
    @pytest.mark.parametrize("zoom", ["2h", "26h", "14d"])
    def test_have_no_barrier_over_the_demos_day_with_tables_open(self, page, demo_url, scheme, zoom):
        page.emulate_media(color_scheme=scheme)
        page.set_viewport_size({"width": 390, "height": 844})
        page.goto(f"{demo_url}/teams/1?zoom={zoom}")
        page.locator("#numbers-egress summary").click()

        browsing.no_side_scroll(page)
        browsing.faultless(page)

    def test_take_their_colours_from_the_scheme(self, page, base):
        strokes = set()
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)
            page.goto(f"{base}/charts")
            line = page.locator('#chart-egress [data-member="p1"] path').first
            strokes.add(line.evaluate("(path) => getComputedStyle(path).stroke"))

        assert strokes == {"rgb(0, 114, 178)", "rgb(86, 180, 233)"}


class TestPaper:
    @pytest.mark.parametrize("scheme", ["light", "dark"])
    def test_has_dark_lines_on_white_and_no_links(self, page, base, scheme):
        page.emulate_media(media="print", color_scheme=scheme)
        # 210 mm less 15 on either side, at 96 to the inch: what a sheet of A4 (ISO 216) leaves.
        page.set_viewport_size({"width": 680, "height": 1009})
        page.goto(f"{base}/charts?zoom=26h")

        paper = page.locator("html").evaluate("(one) => getComputedStyle(one).backgroundColor")
        drawn = page.locator("#chart-egress svg.plot:visible")
        assert paper == "rgb(255, 255, 255)"
        assert drawn.locator("text").first.evaluate("(one) => getComputedStyle(one).fill") == "rgb(22, 24, 26)"
        assert (drawn.count(), drawn.get_attribute("class")) == (1, "plot broad")
        assert page.locator("#chart-egress .links:visible").count() == 0
        browsing.no_side_scroll(page)

    def test_is_one_sheet_of_a4(self, page, base):
        page.goto(f"{base}/charts?zoom=26h")

        sheets = PdfReader(io.BytesIO(page.pdf(format="A4"))).pages

        # Both directions; the drawings have a height of 320 each, and fit on one sheet with their words.
        assert len(sheets) == 1
        assert "hot line 75 %" in sheets[0].extract_text()
