"""A settings file with a database of its own, and the command line."""

from __future__ import annotations

import shutil

import pytest
from click.testing import CliRunner

from service.cli import cli


@pytest.fixture
def settings_file(tmp_path, _sqlite_template, monkeypatch):
    """A settings file whose database is there and empty; LOPSIDE_SETTINGS names it."""
    shutil.copy(_sqlite_template, tmp_path / "lopside.sqlite")
    file = tmp_path / "settings.toml"
    file.write_text(f'[database]\nurl = "sqlite:///{tmp_path}/lopside.sqlite"\n')
    monkeypatch.setenv("LOPSIDE_SETTINGS", str(file))
    return file


@pytest.fixture
def lopside():
    """Runs a command and hands back its result."""

    def run(*arguments):
        return CliRunner().invoke(cli, [str(argument) for argument in arguments], catch_exceptions=False)

    return run
