from examples import EPOCH_MS

from service.storage import pushes


class TestPushes:
    def test_are_new_once_until_they_are_forgotten(self, connection):
        assert pushes.is_new(connection, "p1", EPOCH_MS)
        assert not pushes.is_new(connection, "p1", EPOCH_MS)

        assert pushes.forget(connection, EPOCH_MS - 1) == 0
        assert pushes.forget(connection, EPOCH_MS) == 1
        assert pushes.is_new(connection, "p1", EPOCH_MS)
