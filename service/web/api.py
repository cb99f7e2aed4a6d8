"""The HTTP side, put together."""

from __future__ import annotations

from fastapi import FastAPI
from starlette.middleware.gzip import DEFAULT_EXCLUDED_CONTENT_TYPES, GZipMiddleware

from service import __version__
from service.web import (
    advice,
    changes,
    close_looks,
    deliveries,
    devices,
    exports,
    findings,
    health,
    inventory,
    items,
    metrics,
    odds,
    openapi,
    predictions,
    quiet_times,
    refusals,
    replays,
    samples,
    sources,
    teams,
    trials,
    week,
)
from service.web.edge import Edge
from service.web.services import Services

ABOUT = (
    "Watches teams of network ports and says when one member runs hot while its siblings idle."
    " Times are RFC 3339 in UTC, rates whole bit/s, ratios fractions of 1, null where unknown."
    " Lists are read page by page with the cursor in `next`. It advises; it never changes a device."
)
# What is packed already gains nothing, and a file that is saved tells its size beforehand.
AS_IT_IS = (*DEFAULT_EXCLUDED_CONTENT_TYPES, "application/pdf", "application/vnd.apache.parquet", "text/csv")
LEAST_OCTETS = 1_000


def make(services: Services) -> FastAPI:
    """The application; requests run on threads."""
    application = FastAPI(
        title="lopside",
        version=__version__,
        description=ABOUT,
        # These pages would load their scripts from elsewhere.
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
    )
    application.state.services = services
    refusals.hold(application)
    for noun in (
        samples,
        findings,
        teams,
        close_looks,
        devices,
        inventory,
        items,
        sources,
        deliveries,
        advice,
        changes,
        predictions,
        quiet_times,
        odds,
        replays,
        trials,
        exports,
        week,
        health,
        metrics,
    ):
        application.include_router(noun.router)
    openapi.describe(application)
    application.add_middleware(GZipMiddleware, LEAST_OCTETS, compresslevel=5, exclude_content_types=AS_IT_IS)
    application.add_middleware(Edge, services=services)
    return application
