"""The machine-readable description of the interface: what FastAPI knows, and the refusals that every route shares."""

from __future__ import annotations

from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from service.web.models import Problem
from service.web.refusals import MEDIA_TYPE

_PROBLEM = {"$ref": "#/components/schemas/Problem"}
ALWAYS = {
    "400": "Something in the request cannot be used; says what and how to mend it",
    "401": "No key, or one that is not good",
    "403": "The key is good, but not for this",
    "429": "This caller asks too often; Retry-After says when to ask again",
    "500": "Something went wrong here",
    "503": "The database is away or busy; try again later",
}
WITH_ID = {"404": "There is no such thing"}
WITH_BODY = {
    "408": "The body did not come in time",
    "413": "The body is too large",
    "415": "The body comes in a form that is not read here",
}
OF_MODEL = {"422": "The body does not have the shape that is described"}
IN_ITS_WAY = {"409": "It cannot be done in the state it is in"}
OPEN = ("/healthz", "/readyz", "/")


def describe(application: FastAPI) -> None:
    """Let the application describe itself with its refusals."""

    def described() -> dict[str, Any]:
        if application.openapi_schema is None:
            application.openapi_schema = _described(application)
        return application.openapi_schema

    application.openapi = described  # type: ignore[method-assign]  # FastAPI's own way of extending it


def _described(application: FastAPI) -> dict[str, Any]:
    told = get_openapi(
        title=application.title,
        version=application.version,
        description=application.description,
        routes=application.routes,
    )
    schemas = told["components"]["schemas"]
    for made_up in ("HTTPValidationError", "ValidationError"):
        schemas.pop(made_up, None)
    schemas["Problem"] = Problem.model_json_schema()
    for path, operations in told["paths"].items():
        for operation in operations.values():
            _refuse(path, operation)
    return told


def _refuse(path: str, operation: dict[str, Any]) -> None:
    responses = operation["responses"]
    responses.pop("422", None)
    for status, words in _refusals(path, operation).items():
        responses.setdefault(status, {"description": words, "content": {MEDIA_TYPE: {"schema": _PROBLEM}}})


def _refusals(path: str, operation: dict[str, Any]) -> dict[str, str]:
    if path in OPEN:
        return {status: ALWAYS[status] for status in ("429", "500")}
    told = ALWAYS | (WITH_ID if "{" in path else {})
    if "requestBody" not in operation:
        return told
    told |= WITH_BODY
    return told if path.endswith("/samples") else told | OF_MODEL | IN_ITS_WAY
