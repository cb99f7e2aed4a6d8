"""All pages, added to the application."""

from __future__ import annotations

from fastapi import FastAPI

from service.pages import charting, exports, findings, lab, learning, signing, static_files, stories


def add(application: FastAPI) -> None:
    """Add the pages and what they load."""
    application.state.failures = signing.Failures()
    for noun in (findings, charting, exports, learning, stories, lab, signing, static_files):
        application.include_router(noun.router)
