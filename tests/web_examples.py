"""The HTTP side over a database of the tests, asked as from this machine, with a clock that stands still."""

from __future__ import annotations

import warnings

from examples import EPOCH_MS

from service.storage import keys
from service.web import api
from service.web.services import Services

with warnings.catch_warnings():
    # It works with httpx, but says with every import that it would rather have another library.
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

HERE = "http://127.0.0.1:8430"
NOW_MS = EPOCH_MS + 120_000


def asked(engine, *, base_url=HERE, client=("127.0.0.1", 50_000), **told):
    """A client of an application with these services; failures of the application are answers, as on a network."""
    services = Services(**{"engine": engine, "now_ms": lambda: NOW_MS, **told})
    return TestClient(api.make(services), base_url=base_url, client=client, raise_server_exceptions=False)


def a_key(engine, role, name=None):
    """The header that shows a new key of a role."""
    with engine.begin() as connection:
        return {"authorization": f"Bearer {keys.make(connection, name or f'the {role}', role, NOW_MS)}"}
