"""Requests that are filled without outgrowing one packet."""

from service.feeds.snmp import oids
from service.feeds.snmp.packing import ROOM, Requests, size_of

OPENING = f"{oids.SYS_UPTIME}.0"


class TestSizeOf:
    def test_counts_identifier_value_and_headers(self):
        # By X.690: 2 octets head the pair, 2 the identifier, 11 carry 1.3.6.1.2.1.31.1.1.1.6.3 (the first two arcs
        # share one), 2 head the value, 9 carry a Counter64 at its most, 5 a Counter32.
        assert size_of(f"{oids.IF_HC_IN_OCTETS}.3", wide=True) == 2 + 2 + 11 + 2 + 9
        assert size_of(f"{oids.IF_IN_ERRORS}.3", wide=False) == 2 + 2 + 10 + 2 + 5

    def test_grows_with_the_index(self):
        # 436273152 has 29 bits: five octets of seven bits each, where 3 takes one.
        near, far = (size_of(f"{oids.IF_HC_IN_OCTETS}.{index}", wide=True) for index in (3, 436_273_152))

        assert far - near == 4

    def test_takes_two_octets_for_an_arc_of_128_and_more(self):
        one, two = (size_of(f"{oids.IF_HC_IN_OCTETS}.{index}", wide=True) for index in (127, 128))

        assert two - one == 1


class TestRequests:
    def test_begin_with_the_opening_and_are_one_at_least(self):
        assert Requests(OPENING).filled() == ((OPENING,),)

    def test_open_another_when_the_first_is_full(self):
        requests = Requests(OPENING)
        left = ROOM - size_of(OPENING, wide=False)
        for oid in ("a", "b", "c"):
            requests.put(oid, left // 2)

        assert requests.filled() == ((OPENING, "a", "b"), (OPENING, "c"))

    def test_keep_together_what_belongs_together(self):
        requests = Requests(OPENING)
        left = ROOM - size_of(OPENING, wide=False)
        requests.put_together([("a", left - 10)])
        requests.put_together([("b", 6), ("c", 6)])
        requests.put_together([("d", 10)])

        assert requests.filled() == ((OPENING, "a", "d"), (OPENING, "b", "c"))

    def test_know_what_fits(self):
        requests = Requests(OPENING)
        left = ROOM - size_of(OPENING, wide=False)

        assert requests.fits([left])
        assert not requests.fits([left, 1])
