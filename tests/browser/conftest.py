"""Chromium, and the demo's whole day, once a session; a database of its own for each test that writes."""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
from pathlib import Path

import browsing
import pytest
from playwright.sync_api import sync_playwright

from service.demo import player, stage
from service.demo.narration import Narrator
from service.demo.scenario import SEED, scenario
from service.storage import database

HERE = Path(__file__).parent


def pytest_collection_modifyitems(items):
    """Puts the tests of the browser last: while its driver lives, the main thread has a running event loop, and
    `asyncio.run` of another test would be refused."""
    items.sort(key=lambda item: item.path.is_relative_to(HERE))


@pytest.fixture(scope="session")
def browser():
    with sync_playwright() as playwright:
        started = browsing.started(playwright)
        yield started
        started.close()


@pytest.fixture
def page(browser):
    """A page of a browser that nobody used before."""
    context = browser.new_context()
    yield context.new_page()
    context.close()


@pytest.fixture(scope="session")
def played(tmp_path_factory):
    """The file of a database in which the demo's whole day was played through its own doors."""
    file = tmp_path_factory.mktemp("demo") / "played.sqlite"
    with stage.stage(0) as theatre:
        engine = theatre.parts.engine
        player.play(theatre, scenario(SEED), Narrator(lambda _line: None, engine))
        with contextlib.closing(sqlite3.connect(engine.url.database)) as connection:
            connection.execute("VACUUM INTO ?", (str(file),))
    return file


@pytest.fixture(scope="session")
def kept_engine(played):
    engine = database.open(f"sqlite:///{played}")
    yield engine
    engine.dispose()


@pytest.fixture(scope="session")
def demo_url(kept_engine):
    """Where the demo's day can be looked at by tests that write nothing."""
    with browsing.serving(kept_engine) as address:
        yield address


@pytest.fixture
def demo_engine(played, tmp_path):
    """The demo's day for a test that writes."""
    shutil.copy(played, tmp_path / "demo.sqlite")
    engine = database.open(f"sqlite:///{tmp_path / 'demo.sqlite'}")
    yield engine
    engine.dispose()
