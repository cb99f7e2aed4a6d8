"""What pages load from here: the style, the scripts, and what was vendored of others, with its licences."""

from __future__ import annotations

from http import HTTPStatus

from fastapi import APIRouter, Response
from fastapi.responses import FileResponse
from starlette.exceptions import HTTPException

from service.pages.rendering import STATIC

TYPES = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml", ".LICENSE": "text/plain"}
# The address holds a digest of the content, so what was once fetched never changes.
KEPT = {"cache-control": "public, max-age=31536000, immutable"}
NAMES = frozenset(str(path.relative_to(STATIC)) for path in STATIC.rglob("*") if path.suffix in TYPES)

router = APIRouter(include_in_schema=False)


@router.get("/static/{name:path}")
def file(name: str) -> Response:
    """One of our files, to everybody: there is no secret in them."""
    if name not in NAMES:
        raise HTTPException(HTTPStatus.NOT_FOUND)
    path = STATIC / name
    return FileResponse(path, media_type=TYPES[path.suffix], headers=KEPT)
