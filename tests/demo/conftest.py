"""The demo's day, made once for all tests."""

from __future__ import annotations

import pytest

from service.demo.scenario import Scenario, scenario


@pytest.fixture(scope="session")
def day() -> Scenario:
    return scenario()
