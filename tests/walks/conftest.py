"""The road on an empty database of each kind."""

from __future__ import annotations

import pytest
from walks.road import road


@pytest.fixture
def way(engine):
    """The whole road, once on each kind of database."""
    with road(engine) as road_:
        yield road_
