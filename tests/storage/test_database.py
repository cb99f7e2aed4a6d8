from service.storage import database


class TestUpgrade:
    def test_makes_the_tables_of_this_release(self, engine):
        assert database.is_current(engine)
