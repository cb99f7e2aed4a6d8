"""All pages, added to the application."""

from __future__ import annotations

from fastapi import FastAPI

from service.pages import (
    acts,
    changes,
    charting,
    exports,
    finding,
    findings,
    lab,
    learning,
    live,
    quiet,
    signing,
    sources,
    static_files,
    stories,
    team,
    team_past,
    teams,
    week,
    working,
)
from service.pages.watching import Watcher


def add(application: FastAPI) -> None:
    """Add the pages and what they load."""
    application.state.watcher = Watcher(application.state.services)
    application.state.failures = signing.Failures()
    for noun in (
        findings,
        finding,
        acts,
        changes,
        charting,
        exports,
        learning,
        stories,
        lab,
        live,
        quiet,
        signing,
        static_files,
        team,
        team_past,
        teams,
        sources,
        week,
        working,
    ):
        application.include_router(noun.router)
