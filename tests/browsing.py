"""Pages served on loopback and looked at as people do: served, checked for barriers, validated, photographed."""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import threading
from pathlib import Path

import pytest
import uvicorn
from axe_playwright_python.sync_playwright import Axe

from service import app
from service.app.running import server_of
from service.demo.clock import Clock
from service.demo.plots import END_MS
from service.pages import site
from service.web import api
from service.web.services import Services

ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
PACKAGES = Path(__file__).parents[1] / ".venv-tests"
FETCHED = PACKAGES / "packages-chromium" / "usr" / "lib" / "chromium" / "chromium"
VALIDATOR = PACKAGES / "packages-vnu" / "build" / "dist" / "vnu.jar"
SIZES, SCHEMES = ((390, 844), (1280, 900), (1920, 1080)), ("light", "dark")


def started(playwright):
    """Chromium, of the machine or fetched for the tests; a skip with the reason where there is none."""
    own = shutil.which("chromium")
    if own:
        return playwright.chromium.launch(executable_path=own, args=ARGUMENTS)
    if not FETCHED.exists():
        pytest.skip("no chromium on this machine; tests/packages says how to have it")
    libraries = {str(library.parent) for library in FETCHED.parents[3].rglob("*.so*")}
    environment = {**os.environ, "LD_LIBRARY_PATH": ":".join(sorted(libraries))}
    return playwright.chromium.launch(executable_path=str(FETCHED), args=ARGUMENTS, env=environment)


def application_of(engine, **told):
    """The application with its pages; the clock stands at the end of the demo's day unless told otherwise."""
    application = api.make(Services(**{"engine": engine, "now_ms": Clock(END_MS).now_ms, **told}))
    site.add(application)
    return application


@contextlib.contextmanager
def serving(engine, port=0, **told):
    """The address at which pages over a database are answered, as long as the block lasts."""
    application = application_of(engine, **told)
    config = uvicorn.Config(application, log_config=None, timeout_graceful_shutdown=5)
    server = server_of(application, config)
    with app.bound("127.0.0.1", port) as door:
        thread = threading.Thread(target=server.run, kwargs={"sockets": [door]}, daemon=True)
        thread.start()
        try:
            yield f"http://127.0.0.1:{door.getsockname()[1]}"
        finally:
            server.should_exit = True
            thread.join(20)
            assert not thread.is_alive()


def faultless(page):
    """No barrier that axe-core finds, and nothing that it leaves for somebody to decide."""
    told = Axe().run(page).response
    assert {one["id"]: [node["html"] for node in one["nodes"]] for one in told["violations"]} == {}
    assert {one["id"]: [node["html"] for node in one["nodes"]] for one in told["incomplete"]} == {}


def valid(html):
    """No error that the Nu HTML checker, which follows the HTML standard, finds."""
    if shutil.which("java") is None or not VALIDATOR.exists():
        pytest.skip("no java, or no Nu HTML checker; tests/packages says how to have it")
    done = subprocess.run(
        ["java", "-jar", str(VALIDATOR), "--errors-only", "--format", "text", "-"],
        input=html.encode(),
        capture_output=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr.decode()


def no_side_scroll(page):
    """The page is no wider than what it is looked at through."""
    assert page.evaluate("document.documentElement.scrollWidth") <= page.evaluate("window.innerWidth")


def look(page, name, folder):
    """Photographs of a page, for eyes: a phone, a desk, a wall; light and dark."""
    Path(folder).mkdir(parents=True, exist_ok=True)
    for width, height in SIZES:
        page.set_viewport_size({"width": width, "height": height})
        for scheme in SCHEMES:
            page.emulate_media(color_scheme=scheme)
            page.screenshot(path=Path(folder) / f"{name}-{width}-{scheme}.png", full_page=True)
