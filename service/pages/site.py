"""All pages, added to the application."""

from __future__ import annotations

from fastapi import FastAPI

from service.pages import charting, exports, findings, lab, learning, static_files, stories


def add(application: FastAPI) -> None:
    """Add the pages and what they load."""
    for noun in (findings, charting, exports, learning, stories, lab, static_files):
        application.include_router(noun.router)
