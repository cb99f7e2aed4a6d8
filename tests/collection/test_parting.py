import pytest
from collection.simulated import UPTIME, Device, answers
from examples import EPOCH_MS

from service.collection.parting import as_answered
from service.feeds.snmp.discovery import WALKED, discovered
from service.feeds.snmp.gathering import Polled
from service.feeds.snmp.plan import plan_of
from service.feeds.snmp.readings import parsed


@pytest.fixture
def device():
    return Device(members={f"m{k}": k for k in range(1, 5)}, latency_ms=400)


@pytest.fixture
def plan(device):
    (walk,) = answers(device, EPOCH_MS, columns=WALKED)
    return plan_of(discovered("sm-07", walk.values), rows=walk.values)


class TestAsAnswered:
    def test_stays_while_every_request_had_its_reply(self, device, plan):
        assert as_answered(plan, answers(device, EPOCH_MS, pdus=plan.pdus)) is plan

    @pytest.mark.parametrize("most", [1, 3, 4, 7])
    def test_reads_the_same_values_at_the_instants_of_their_own_requests(self, device, plan, most):
        device.reads = _frozen(device)
        whole = parsed([Polled(plan, answers(device, EPOCH_MS, pdus=plan.pdus))])
        device.most_oids = most
        replies = answers(device, EPOCH_MS, pdus=plan.pdus)
        parted = as_answered(plan, replies)
        read = parsed([Polled(parted, replies)])

        assert all(len(pdu) <= most + 1 and pdu[0] == UPTIME for pdu in parted.pdus)
        assert (read.samples.counters == whole.samples.counters).all()
        assert (read.samples.known == whole.samples.known).all()
        assert (read.facts.speed_bps == whole.facts.speed_bps).all()
        assert len(set(read.samples.at_ms.tolist())) > 1

    def test_is_asked_for_as_it_stands_the_next_time(self, device, plan):
        device.most_oids = 4
        parted = as_answered(plan, answers(device, EPOCH_MS, pdus=plan.pdus))

        assert as_answered(parted, answers(device, EPOCH_MS + 10_000, pdus=parted.pdus)) is parted

    def test_stays_where_a_value_is_missing(self, device, plan):
        device.most_oids = 4
        del device.members["m4"]

        assert as_answered(plan, answers(device, EPOCH_MS, pdus=plan.pdus)) is plan


def _frozen(device):
    """What the device reads at one instant, for ever."""
    values = device.reads(EPOCH_MS)
    return lambda _: values
