"""From what went wrong to an answer: the one table of statuses, and problem documents as in RFC 9457."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from http import HTTPStatus
from typing import Any

import orjson
import psycopg
import structlog
from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from sqlalchemy.exc import InterfaceError, InternalError, NotSupportedError, OperationalError
from sqlalchemy.exc import TimeoutError as NoConnectionLeft
from starlette.exceptions import HTTPException

from service import errors

MEDIA_TYPE = "application/problem+json"
RETRY_AFTER_S = 5
# For a route whose body names what may not be there; one whose path does so has this anyway.
NOT_KNOWN: dict[int | str, dict[str, Any]] = {
    404: {
        "description": "There is no such thing",
        "content": {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}},
    }
}
STATUS: dict[type[Exception], HTTPStatus] = {
    errors.UnusableInput: HTTPStatus.BAD_REQUEST,
    errors.TooLarge: HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
    errors.UnsupportedForm: HTTPStatus.UNSUPPORTED_MEDIA_TYPE,
    errors.WrongQuestion: HTTPStatus.BAD_REQUEST,
    errors.NotFound: HTTPStatus.NOT_FOUND,
    errors.NotAllowed: HTTPStatus.FORBIDDEN,
    errors.NoKey: HTTPStatus.UNAUTHORIZED,
    errors.BadSignature: HTTPStatus.UNAUTHORIZED,
    errors.WrongState: HTTPStatus.CONFLICT,
    errors.DatabaseNotReady: HTTPStatus.SERVICE_UNAVAILABLE,
    errors.ReplayRefused: HTTPStatus.CONFLICT,
    errors.Overloaded: HTTPStatus.SERVICE_UNAVAILABLE,
    errors.ServiceError: HTTPStatus.INTERNAL_SERVER_ERROR,
}
# A missing key, a wrong host, a database that is away: what the answer says besides.
HEADERS: dict[HTTPStatus, dict[str, str]] = {
    HTTPStatus.UNAUTHORIZED: {"www-authenticate": "Bearer"},
    HTTPStatus.SERVICE_UNAVAILABLE: {"retry-after": str(RETRY_AFTER_S)},
}
# Samples are copied past SQLAlchemy, and then the driver's own errors come through.
AWAY_BY = (
    OperationalError,
    InterfaceError,
    NoConnectionLeft,
    psycopg.OperationalError,
    psycopg.InterfaceError,
)
# A database that only reads, as one from which another has taken over: read_only_sql_transaction, and what a standby
# says of a transaction that is to write (feature_not_supported), of PostgreSQL's table of error codes.
READS_ONLY_BY = (InternalError, NotSupportedError, psycopg.InternalError, psycopg.NotSupportedError)
READS_ONLY_STATES = ("25006", "0A000")
AWAY = "the database is away or busy; nothing of this request was kept, so send it again later"

log = structlog.get_logger("web")


def status_of(failure: Exception) -> HTTPStatus:
    """The status that says what kind of thing is the matter; that of the nearest class in the table."""
    return next((STATUS[kind] for kind in type(failure).__mro__ if kind in STATUS), HTTPStatus.INTERNAL_SERVER_ERROR)


def problem(
    status: int, detail: str, headers: Mapping[str, str] | None = None, wrong: Sequence[Mapping[str, str]] = ()
) -> Response:
    """A problem document; `wrong` lists several things that are the matter at once."""
    known = HTTPStatus(status)
    told: dict[str, Any] = {"type": "about:blank", "title": known.phrase, "status": status, "detail": detail}
    if wrong:
        told["errors"] = wrong
    said = {**HEADERS.get(known, {}), **(headers or {})}
    return Response(orjson.dumps(told), status, said, MEDIA_TYPE)


def unforeseen(failure: Exception) -> Response:
    """The answer where the fault is ours; what happened stands in the log and nowhere else."""
    log.error("a request failed", exc_info=failure)
    return problem(HTTPStatus.INTERNAL_SERVER_ERROR, "something went wrong here; the log of the service tells what")


def too_often(wait_s: float) -> Response:
    """The answer to a caller who asks more often than one may (RFC 6585, section 4)."""
    headers = {"retry-after": str(math.ceil(wait_s))}
    return problem(HTTPStatus.TOO_MANY_REQUESTS, "you ask more often than one caller may; ask again later", headers)


def hold(application: FastAPI) -> None:
    """Let every refusal, ours and the framework's, be told in one form."""
    application.add_exception_handler(errors.ServiceError, _refused)
    application.add_exception_handler(RequestValidationError, _invalid)
    application.add_exception_handler(HTTPException, _framework)
    for of_reading in READS_ONLY_BY:
        application.add_exception_handler(of_reading, _reads_only)
    for kind in AWAY_BY:
        application.add_exception_handler(kind, _away)


def _refused(_request: Request, failure: Exception) -> Response:
    status = status_of(failure)
    if status == HTTPStatus.INTERNAL_SERVER_ERROR:
        return unforeseen(failure)
    # How to reach the database is nobody's business out there.
    return problem(status, AWAY if isinstance(failure, errors.DatabaseNotReady) else str(failure))


def _invalid(_request: Request, failure: Exception) -> Response:
    """A body of the wrong shape is 422, any other part of a request 400; values are not repeated."""
    found = failure.errors() if isinstance(failure, RequestValidationError) else ()
    wrong = [{"where": ".".join(map(str, one["loc"])), "what": str(one["msg"])} for one in found]
    in_body = any(one["loc"][0] == "body" for one in found)
    status = HTTPStatus.UNPROCESSABLE_ENTITY if in_body else HTTPStatus.BAD_REQUEST
    return problem(status, "; ".join(f"{one['where']}: {one['what']}" for one in wrong), wrong=wrong)


def _framework(request: Request, failure: Exception) -> Response:
    if not isinstance(failure, HTTPException):
        return unforeseen(failure)
    status = HTTPStatus(failure.status_code)
    remedy = _REMEDIES.get(status)
    headers = _allowed(request, failure) if status == HTTPStatus.METHOD_NOT_ALLOWED else failure.headers
    return problem(status, remedy or str(failure.detail), headers)


def _allowed(request: Request, failure: HTTPException) -> Mapping[str, str] | None:
    """What may be done at a path: the framework names only the methods of its first route there."""
    path = getattr(request.scope.get("route"), "path", "")
    methods = request.app.openapi()["paths"].get(path, {})
    return {"allow": ", ".join(sorted(map(str.upper, methods)))} if methods else failure.headers


def _away(_request: Request, failure: Exception) -> Response:
    log.warning("the database is away or busy", error=type(failure).__name__)
    return problem(HTTPStatus.SERVICE_UNAVAILABLE, AWAY)


def _reads_only(request: Request, failure: Exception) -> Response:
    """A database that only reads is away for whoever writes."""
    state = getattr(getattr(failure, "orig", failure), "sqlstate", None)
    return _away(request, failure) if state in READS_ONLY_STATES else unforeseen(failure)


_REMEDIES = {
    HTTPStatus.NOT_FOUND: "nothing is here; /openapi.json lists what is",
    HTTPStatus.METHOD_NOT_ALLOWED: "this cannot be done here; the header Allow says what can, /openapi.json the rest",
    HTTPStatus.REQUEST_ENTITY_TOO_LARGE: "the body is larger than the service takes; send it in several parts",
}
