"""A later release migrates the database while processes of this one run on it."""

import later_release
import postgres
import pytest
from faults.processes import asked, kept, opened, push, running, until, upgrade
from sqlalchemy import func, select

from service.storage import database, tables


@pytest.fixture
def server():
    with postgres.controlled() as controlled:
        yield controlled


@pytest.fixture
def engine(server):
    upgrade(server.url)
    with opened(server.url) as engine:
        yield engine


def until_ready(service):
    until(lambda: asked(f"{service.address}/readyz") == 200)


def until_decided(engine):
    """Wait until the worker has caught up with what was pushed of minutes ago: till then it truly is behind."""

    def any_window():
        with database.reading(engine) as connection:
            return connection.scalar(select(func.count()).select_from(tables.windows)) > 0

    until(any_window)


@pytest.mark.timeout(300)
class TestLaterRelease:
    def test_that_only_added_lets_running_processes_go_on_and_others_start(self, server, engine, tmp_path):
        with running(server.url, tmp_path) as service:
            assert push(service.address, 0, 10).json()["accepted"] == 10
            until_decided(engine)
            until_ready(service)
            later_release.come(engine, tmp_path / "next")

            assert push(service.address, 10, 20).json()["accepted"] == 10
            assert asked(f"{service.address}/readyz") == 200

        with running(server.url, tmp_path) as service:
            until_ready(service)
            assert push(service.address, 20, 30).json()["accepted"] == 10
        assert kept(server.url) == 30

    def test_that_took_away_is_said_by_processes_of_this_one(self, server, engine, tmp_path):
        with running(server.url, tmp_path) as service:
            until_ready(service)
            later_release.come(engine, tmp_path / "next", oldest="9999")

            assert asked(f"{service.address}/readyz") == 503
