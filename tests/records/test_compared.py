from examples import EPOCH_MS
from item_examples import a_conversation, a_reading, registered

from service.records import compared
from service.storage import items
from service.terms import EGRESS


class TestCompared:
    def test_shows_the_heaviest_by_name_and_the_others_as_one_sum(self, connection):
        m1, *_ = registered(connection)
        told = [a_conversation(f"c{k}", mbps=1 + k) for k in range(compared.MOST_NAMED + 30)]
        told += [a_conversation("", mbps=7, parts=40), a_reading("vm-1", mbps=900)]
        items.keep(connection, [(m1, one) for one in told])

        found = compared.compared(connection, ["m1"], [m1], EGRESS, EPOCH_MS, EPOCH_MS + 60_000, 30_000)

        [member] = found.members
        named = [item.name for item in member.items if item.name]
        assert (len(named), named[:2]) == (compared.MOST_NAMED, ["vm-1", "c229"])
        [rest] = [item for item in member.items if not item.name]
        # 31 conversations, the lightest of 1 to 31 Mbit/s, and 40 that came as one sum of 7.
        assert (rest.parts, round(rest.bps / 1e6)) == (71, 31 * 32 // 2 + 7)
        assert round(member.items_bps / 1e6) == 230 * 231 // 2 + 7
