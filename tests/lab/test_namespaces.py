"""Namespaces of runs that were killed are cleaned up by the next one; those of others are left alone."""

import contextlib
import os
import subprocess

import pytest
from lab import check
from lab.namespaces import PREFIX, delete, existing, forget_leftovers, namespaces, run

pytestmark = pytest.mark.skipif(bool(check.lacking()), reason=check.lacking())


@pytest.fixture
def ended_pid():
    with subprocess.Popen(["true"]) as process:
        process.wait()
    return process.pid


class TestForgetLeftovers:
    def test_deletes_what_a_killed_run_left(self, ended_pid):
        name = f"{PREFIX}-{ended_pid}-gen"
        run("ip", "netns", "add", name)

        assert forget_leftovers() == [name]
        assert name not in existing()

    @pytest.mark.parametrize("name", [f"{PREFIX}-{{pid}}-left", "somebody-else"])
    def test_leaves_what_may_still_be_used(self, name):
        name = name.format(pid=os.getpid())
        run("ip", "netns", "add", name)
        try:
            assert forget_leftovers() == []
            assert name in existing()
        finally:
            delete(name)


class TestNamespaces:
    def test_are_gone_after_a_failure(self):
        with contextlib.suppress(ZeroDivisionError), namespaces(("one", "two")) as names:
            was_there = set(names.values()) <= existing()
            1 / 0  # noqa: B018  # whatever goes wrong inside

        assert was_there
        assert not set(names.values()) & existing()
