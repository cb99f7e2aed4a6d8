import pytest
from examples import EPOCH_MS
from sqlalchemy import select

from service.errors import NotFound, WrongState
from service.storage import keys, tables


class TestKeys:
    def test_are_found_by_themselves_only(self, connection):
        secret = keys.make(connection, "collector", "feed", EPOCH_MS)

        assert keys.find(connection, secret, EPOCH_MS) == keys.Key("collector", "feed", EPOCH_MS, None, None)
        assert keys.find(connection, secret + "x", EPOCH_MS) is None
        assert keys.find(connection, "", EPOCH_MS) is None

    def test_are_not_in_the_table(self, connection):
        secret = keys.make(connection, "collector", "feed", EPOCH_MS)

        [row] = connection.execute(select(tables.keys))
        assert not any(secret.removeprefix(keys.PREFIX) in str(value) for value in row)

    def test_carry_256_random_bits(self, connection):
        made = {keys.make(connection, f"k{number}", "view", EPOCH_MS) for number in range(20)}

        # 43 characters of base64 carry 32 octets (RFC 4648, section 4).
        assert {len(secret.removeprefix(keys.PREFIX)) for secret in made} == {43}
        assert len(made) == 20

    def test_end_when_they_expire(self, connection):
        secret = keys.make(connection, "collector", "feed", EPOCH_MS, expires_ms=EPOCH_MS + 10)

        assert keys.find(connection, secret, EPOCH_MS + 9) is not None
        assert keys.find(connection, secret, EPOCH_MS + 10) is None
        assert not keys.any_usable(connection, EPOCH_MS + 10)

    def test_end_when_they_are_revoked(self, connection):
        secret = keys.make(connection, "collector", "feed", EPOCH_MS)
        assert keys.any_usable(connection, EPOCH_MS)

        keys.revoke(connection, "collector", EPOCH_MS + 1)

        assert keys.find(connection, secret, EPOCH_MS + 1) is None
        assert not keys.any_usable(connection, EPOCH_MS + 1)
        assert [key.revoked_ms for key in keys.listing(connection)] == [EPOCH_MS + 1]
        with pytest.raises(NotFound):
            keys.revoke(connection, "collector", EPOCH_MS + 2)

    def test_have_names_of_their_own_and_known_roles(self, connection):
        keys.make(connection, "collector", "feed", EPOCH_MS)

        with pytest.raises(WrongState, match="already"):
            keys.make(connection, "collector", "view", EPOCH_MS)
        with pytest.raises(WrongState, match="role"):
            keys.make(connection, "other", "root", EPOCH_MS)
