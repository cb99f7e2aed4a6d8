"""Templates to answers: what every page is told, and the headers under which a browser shows it."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from hashlib import sha256
from http import HTTPStatus
from pathlib import Path
from typing import Any

from fastapi import Request, Response
from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined

from service import __version__
from service.pages import spoken
from service.pages.viewers import COOKIE, Viewer

HERE = Path(__file__).parent
STATIC = HERE / "static"
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self';"
    " form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
# Without a referrer a browser names no origin with a form either (Fetch standard, "append a request Origin header"),
# and forms are taken from our own pages only.
HEADERS = {"content-security-policy": POLICY, "referrer-policy": "same-origin"}
NAVIGATION = (
    ("findings", "/", "Findings"),
    ("teams", "/teams", "Teams"),
    ("changes", "/changes", "Changes"),
    ("week", "/week", "Week"),
    ("sources", "/sources", "Sources"),
    ("quiet", "/quiet", "Quiet times"),
)


def page(
    request: Request, viewer: Viewer | None, template: str, told: Mapping[str, Any], status: int = HTTPStatus.OK
) -> HTMLResponse:
    """A page made of a template; foreign text stays text, for everything that is told is escaped."""
    more = {"viewer": viewer, "path": request.url.path, "navigation": NAVIGATION, "version": __version__}
    text = _templates().get_template(template).render({"here": "", "live": "", **told, **more})
    answer = HTMLResponse(text, status, headers=HEADERS)
    if viewer is not None and viewer.is_new:
        keep_cookie(request, answer, viewer.cookie)
    return answer


def keep_cookie(request: Request, answer: Response, value: str, for_s: int | None = None) -> None:
    """Have the browser keep a session: sent to nobody else, read by no script, and with no form of another site."""
    # Who ends TLS before us asks us without it, but the browser names its own scheme with a form.
    secure = "https" in (request.url.scheme, request.headers.get("origin", "").partition(":")[0])
    answer.set_cookie(COOKIE, value, max_age=for_s, path="/", httponly=True, samesite="strict", secure=secure)


@cache
def _templates() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["static"] = static_address
    for name in spoken.FILTERS:
        environment.filters[name] = getattr(spoken, name)
    return environment


@cache
def static_address(name: str) -> str:
    """Where a file of ours is, with what it holds in its address: kept by browsers until it changes."""
    return f"/static/{name}?v={sha256((STATIC / name).read_bytes()).hexdigest()[:12]}"
