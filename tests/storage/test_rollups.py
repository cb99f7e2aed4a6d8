from types import SimpleNamespace

import numpy as np
import pytest
from examples import EPOCH_MS

from service.storage import inventory, rollups
from service.terms import PortName, Span

SPAN = Span(EPOCH_MS, 3, rollups.WIDTH_MS)


@pytest.fixture
def placed(connection):
    names = [PortName("sm-07", f"m{k}", "front") for k in range(2)] + [PortName("sm-07", "s1", "store")]
    inventory.resolve(connection, names, feed="push", now_ms=EPOCH_MS)
    return inventory.layout(connection)


def rolled(seed=1, **changes):
    draw = np.random.default_rng(seed)
    told = {name: draw.random((3, 3, 2), dtype=np.float32) for name in ("peak", "hot_seconds", "coverage")}
    return SimpleNamespace(**{"span": SPAN, "mean": draw.random((3, 3, 2)), **told, **changes})


class TestRollups:
    def test_are_given_back_as_they_were(self, connection, placed):
        told = rolled()
        told.mean[0, 0, 0] = np.nan

        assert rollups.write(connection, placed, told) == 6

        kept = rollups.read_many(connection, placed.team_ids, EPOCH_MS, SPAN.end_ms)
        assert kept.there.all()
        for name in ("mean", "peak", "hot_seconds", "coverage"):
            assert np.array_equal(getattr(kept, name), getattr(told, name), equal_nan=True)

    def test_are_written_over(self, connection, placed):
        rollups.write(connection, placed, rolled())
        wanted = np.array([[True, False, False], [False, False, False]])

        assert rollups.write(connection, placed, rolled(2), wanted) == 1
        assert rollups.write(connection, placed, rolled(2), wanted) == 0

        kept = rollups.read_many(connection, placed.team_ids, EPOCH_MS, SPAN.end_ms)
        assert np.array_equal(kept.mean[:2, 0], rolled(2).mean[:2, 0])
        assert np.array_equal(kept.mean[2], rolled(1).mean[2])
