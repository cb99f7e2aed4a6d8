from __future__ import annotations

import linux_trees
import pytest

from service.feeds.linux.teams import teams_of
from service.pushing.host_files import tree_of


@pytest.fixture
def host(tmp_path):
    """A host whose kernel files are written by the test."""
    return linux_trees.Host(tmp_path)


@pytest.fixture
def found(host):
    """What is found on the host: call it, with routes and kinds or without."""

    def find(*routes, kinds=None):
        return teams_of(tree_of(host.root, kinds), routes)

    return find
