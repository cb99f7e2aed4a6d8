"""Fixtures known by name to every test: an empty, migrated database of each kind, and settings read from a text."""

from __future__ import annotations

import itertools
import os
import shutil

import postgres
import pytest
from hypothesis import settings
from sqlalchemy import create_engine, text

from service.settings.reading import read
from service.storage import database

# Property tests are not timed: the machine may have other work. The pipeline draws the same examples each time, so
# that a change is judged by what it changes; everybody else draws new ones at every run.
settings.register_profile("untimed", deadline=None)
settings.register_profile("pipeline", deadline=None, derandomize=True)
settings.load_profile("pipeline" if os.environ.get("CI") else "untimed")


@pytest.fixture(scope="session")
def postgresql_server():
    """The address of a PostgreSQL that lives as long as the tests."""
    with postgres.server() as url:
        yield url


@pytest.fixture(scope="session")
def postgresql_admin(postgresql_server):
    engine = create_engine(postgresql_server, isolation_level="AUTOCOMMIT")
    yield engine
    engine.dispose()


@pytest.fixture(scope="session")
def _postgresql_template(postgresql_server, postgresql_admin):
    with postgresql_admin.connect() as admin:
        admin.execute(text("CREATE DATABASE migrated"))
    engine = database.open(postgresql_server.replace("/postgres?", "/migrated?"))
    database.upgrade(engine)
    engine.dispose()


@pytest.fixture(scope="session")
def _sqlite_template(tmp_path_factory):
    path = tmp_path_factory.mktemp("template") / "migrated.sqlite"
    engine = database.open(f"sqlite:///{path}")
    database.upgrade(engine)
    engine.dispose()
    return path


_numbers = itertools.count()


@pytest.fixture
def new_postgresql_url(postgresql_server, postgresql_admin):
    """Makes databases on the throw-away server, and drops them after the test: call it, with a template or without."""
    names = []

    def make(template="template1"):
        names.append(f"t{os.getpid()}_{next(_numbers)}")
        with postgresql_admin.connect() as admin:
            admin.execute(text(f"CREATE DATABASE {names[-1]} TEMPLATE {template} STRATEGY file_copy"))
        return postgresql_server.replace("/postgres?", f"/{names[-1]}?")

    yield make
    with postgresql_admin.connect() as admin:
        for name in names:
            admin.execute(text(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)"))


@pytest.fixture
def sqlite_engine(tmp_path, _sqlite_template):
    """An empty, migrated SQLite database."""
    path = tmp_path / "lopside.sqlite"
    shutil.copy(_sqlite_template, path)
    engine = database.open(f"sqlite:///{path}")
    yield engine
    engine.dispose()


@pytest.fixture
def postgresql_engine(new_postgresql_url, _postgresql_template):
    """An empty, migrated PostgreSQL database."""
    engine = database.open(new_postgresql_url("migrated"))
    yield engine
    engine.dispose()


@pytest.fixture(params=["sqlite", "postgresql"])
def engine(request):
    """An empty, migrated database, once of each kind."""
    return request.getfixturevalue(f"{request.param}_engine")


@pytest.fixture
def connection(engine):
    """A connection to an empty, migrated database in a transaction that is never committed."""
    with engine.connect() as connection:
        yield connection


@pytest.fixture
def settings_of(tmp_path):
    """Reads the settings that a text of TOML makes."""

    def read_text(text):
        file = tmp_path / "settings.toml"
        file.write_text(text, encoding="utf-8")
        return read(file)

    return read_text
