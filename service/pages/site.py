"""All pages, added to the application."""

from __future__ import annotations

from fastapi import FastAPI

from service.pages import exports, findings, learning, static_files


def add(application: FastAPI) -> None:
    """Add the pages and what they load."""
    for noun in (findings, exports, learning, static_files):
        application.include_router(noun.router)
