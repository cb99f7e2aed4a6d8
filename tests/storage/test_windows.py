from dataclasses import replace

import numpy as np
import pytest
from examples import EPOCH_MS
from storage_examples import FOUR_WINDOWS as SPAN
from storage_examples import some_kinds, some_windows, three_teams

from service.storage import figures, inventory, windows
from service.terms import Kind, PortName, Span, WhyNot

W = 30_000
FIELDS = tuple(figures.WINDOW.fields)


@pytest.fixture
def placed(connection):
    return three_teams(connection)


def read(connection, placed, from_ms=EPOCH_MS, to_ms=SPAN.end_ms):
    return windows.read_many(connection, placed.team_ids, from_ms, to_ms)


class TestWrite:
    def test_gives_back_every_figure(self, connection, placed):
        told, kinds = some_windows(), some_kinds()

        windows.write(connection, placed, told, kinds)

        kept = read(connection, placed)
        assert kept.port_ids.tolist() == sorted(placed.port_ids)
        assert np.array_equal(kept.kinds, kinds)
        assert kept.there.all()
        for name in FIELDS:
            found, wanted = getattr(kept.members, name), getattr(told, name)
            assert np.array_equal(found, wanted, equal_nan="f" in found.dtype.str)
            assert found.dtype == wanted.dtype

    def test_names_every_new_row(self, connection, placed):
        changed = windows.write(connection, placed, some_windows(), some_kinds())

        assert len(changed.team_id) == 12
        assert set(changed.team_id.tolist()) == set(placed.team_ids.tolist())
        assert not changed.restated.any()

    def test_changes_nothing_when_the_same_is_written_again(self, connection, placed):
        windows.write(connection, placed, some_windows(), some_kinds())

        changed = windows.write(connection, placed, some_windows(), some_kinds())

        assert len(changed.team_id) == 0
        assert not read(connection, placed).restated.any()

    def test_takes_another_nan_and_another_zero_for_the_same(self, connection, placed):
        told = some_windows()
        told.utilisation[2, 2] = 0.0
        windows.write(connection, placed, told, some_kinds())
        told.utilisation[2, 2] = -0.0
        told.utilisation[0, 0] = np.array([0xFFF8_0000_0000_0001], dtype=np.uint64).view(np.float64)

        assert len(windows.write(connection, placed, told, some_kinds()).team_id) == 0

    def test_counts_how_often_a_window_was_rewritten(self, connection, placed):
        for seed in (1, 2, 3):
            told = some_windows(seed=seed)
            told = replace(
                told,
                **{
                    name: np.concatenate((getattr(some_windows(), name)[:, :3], getattr(told, name)[:, 3:]), axis=1)
                    for name in FIELDS
                },
            )
            changed = windows.write(connection, placed, told, some_kinds())

        assert changed.start_ms.tolist() == [EPOCH_MS + 3 * W] * 3
        assert changed.restated.tolist() == [2] * 3
        assert read(connection, placed).restated.tolist() == [[0, 0, 0, 2]] * 3

    def test_calls_another_kind_a_change(self, connection, placed):
        kinds = some_kinds()
        kinds[1, 2, 0] = Kind.UNEVEN
        windows.write(connection, placed, some_windows(), kinds)
        kinds[1, 2, 0] = Kind.FULL

        changed = windows.write(connection, placed, some_windows(), kinds)

        assert list(zip(*changed, strict=True)) == [(placed.team_ids[1], EPOCH_MS + 2 * W, 1)]

    def test_writes_only_what_is_wanted(self, connection, placed):
        wanted = np.zeros((3, 4), dtype=bool)
        wanted[0, 1] = wanted[2, 3] = True

        changed = windows.write(connection, placed, some_windows(), some_kinds(), wanted)

        assert len(changed.team_id) == 2
        assert np.array_equal(read(connection, placed).there, wanted)

    def test_writes_nothing_where_nothing_is_wanted(self, connection, placed):
        assert (
            len(windows.write(connection, placed, some_windows(), some_kinds(), np.zeros((3, 4), dtype=bool)).team_id)
            == 0
        )

    def test_reaches_over_days_that_nobody_prepared_for(self, connection, placed):
        span = Span(EPOCH_MS, 3 * 2880)

        changed = windows.write(connection, placed, some_windows(span=span), some_kinds(span=span))

        assert len(changed.team_id) == 3 * 3 * 2880


class TestRead:
    def test_leaves_unknown_what_is_not_there(self, connection, placed):
        windows.write(connection, placed, some_windows(), some_kinds())

        kept = windows.read(connection, int(placed.team_ids[0]), EPOCH_MS - W, EPOCH_MS + W)

        assert kept.there.tolist() == [[False, True]]
        assert len(kept.port_ids) == 2
        assert np.isnan(kept.members.utilisation[:, 0]).all()
        assert (kept.members.why_not[:, 0] == WhyNot.NO_DATA).all()
        assert (kept.members.coverage[:, 0] == 0).all()

    def test_starts_and_ends_on_whole_windows(self, connection, placed):
        windows.write(connection, placed, some_windows(), some_kinds())

        kept = read(connection, placed, EPOCH_MS + 1, EPOCH_MS + 3 * W + 1)

        assert kept.members.span == Span(EPOCH_MS + W, 3)
        assert kept.there.all()

    def test_is_empty_without_windows(self, connection, placed):
        kept = read(connection, placed)

        assert kept.members.utilisation.shape == (0, 4, 2)
        assert not kept.there.any()

    def test_reaches_over_a_change_of_members(self, connection, placed):
        windows.write(connection, placed, some_windows(), some_kinds())
        inventory.resolve(connection, [PortName("sm-07", "front9", "front")], feed="push", now_ms=EPOCH_MS)
        later = inventory.layout(connection)
        windows.write(connection, later, some_windows(8, Span(SPAN.end_ms, 1)), some_kinds(span=Span(0, 1)))

        kept = windows.read(connection, int(placed.team_ids[0]), EPOCH_MS, SPAN.end_ms + W)

        assert len(kept.port_ids) == 3
        assert np.isnan(kept.members.utilisation[2]).any(axis=1).tolist() == [True] * 4 + [False]
