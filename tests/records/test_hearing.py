import pytest
from datagrams import PLAIN_TEMPLATE, captured, flow_sample, ipfix, ipfix_set, plain_record, sflow
from examples import EPOCH_MS
from item_examples import registered

from service.records import hearing
from service.records.hearing import Hearing
from service.storage import exporters, items
from service.terms import EGRESS, INGRESS

HERE = "192.0.2.7"
NOW_MS = EPOCH_MS + 60_000


@pytest.fixture
def heard(engine):
    with engine.begin() as connection:
        registered(connection)
    made = Hearing({HERE: "sm-07"})
    made.learn(engine)
    return made


def record(start_s=0, end_s=60, octets=36_000_000, packets=24_000, **told):
    return ipfix_set(256, plain_record(octets, packets, EPOCH_MS + 1000 * start_s, EPOCH_MS + 1000 * end_s, **told))


def kept(engine, direction=EGRESS):
    with engine.connect() as connection:
        found = items.of_ports(connection, [1, 2, 3], direction, EPOCH_MS, NOW_MS)
        return [(item.name, item.port, round(item.bps)) for item in found.items], exporters.listing(connection)


class TestHearing:
    def test_keeps_a_conversation_on_its_member(self, engine, heard):
        heard.take("ipfix", HERE, ipfix(PLAIN_TEMPLATE, record()), NOW_MS)

        assert heard.keep(engine, NOW_MS, everything=True) == 2

        # 36,000,000 octets of IP in 24,000 packets, 18 octets of Ethernet each, over 60 s.
        told, [exporter] = kept(engine)
        assert told == [("192.0.2.10:49152 > 198.51.100.7:2049 tcp", "m1", 36_432_000 * 8 // 60)]
        assert (exporter.device, exporter.datagrams, exporter.records, exporter.trouble) == ("sm-07", 1, 1, "")

    def test_adds_what_comes_after_it_was_kept(self, engine, heard):
        for sequence in range(2):
            heard.take("ipfix", HERE, ipfix(PLAIN_TEMPLATE, record(), sequence=sequence), NOW_MS)
            heard.keep(engine, NOW_MS, everything=True)

        [(_, _, rate)], _ = kept(engine)
        assert rate == 2 * 36_432_000 * 8 // 60

    def test_places_samples_of_both_sides(self, engine, heard):
        heard.take("sflow", HERE, sflow(flow_sample(in_index=11, out_index=12)), EPOCH_MS + 30_000)
        heard.keep(engine, NOW_MS, everything=True)

        ingress, _ = kept(engine, INGRESS)
        egress, _ = kept(engine)
        assert [port for _, port, _ in ingress + egress] == ["m1", "m2"]

    def test_sets_a_clock_right_that_is_off(self, engine, heard):
        day_s = 86_400
        message = ipfix(PLAIN_TEMPLATE, record(day_s, day_s + 60), export_s=EPOCH_MS // 1000 + day_s + 60)
        heard.take("ipfix", HERE, message, NOW_MS)
        heard.keep(engine, NOW_MS, everything=True)

        assert len(kept(engine)[0]) == 1

    @pytest.mark.parametrize(
        ("octets", "counted", "said"),
        [
            (b"nothing", "refused", "shorter than a header"),
            (ipfix(PLAIN_TEMPLATE, record(out_index=99)), "unplaced", hearing.NO_MEMBER),
            (ipfix(PLAIN_TEMPLATE, record(start_s=-7200)), "unplaced", hearing.NO_TRUE_TIME),
        ],
    )
    def test_notes_what_was_the_matter(self, engine, heard, octets, counted, said):
        heard.take("ipfix", HERE, octets, NOW_MS)
        heard.keep(engine, NOW_MS)

        _, [exporter] = kept(engine)
        assert (getattr(exporter, counted), said in exporter.trouble) == (1, True)

    def test_notes_what_was_lost(self, engine, heard):
        for sequence in (0, 5):
            heard.take("ipfix", HERE, ipfix(PLAIN_TEMPLATE, record(), sequence=sequence), NOW_MS)
        heard.keep(engine, NOW_MS)

        assert kept(engine)[1][0].lost == 4

    def test_reads_nothing_of_strangers_and_remembers_a_few(self, engine, heard):
        for number in range(300):
            address = f"198.51.100.{number}" if number < 256 else f"203.0.113.{number - 256}"
            heard.take("ipfix", address, ipfix(PLAIN_TEMPLATE, record()), NOW_MS)
        heard.keep(engine, NOW_MS, everything=True)

        told, strangers = kept(engine)
        assert told == []
        assert len(strangers) == 100
        assert {(one.device, one.refused, one.trouble) for one in strangers} == {("", 1, hearing.STRANGER)}

    def test_holds_on_to_what_could_not_be_kept(self, engine, heard, monkeypatch):
        heard.take("ipfix", HERE, ipfix(PLAIN_TEMPLATE, record()), NOW_MS)
        with monkeypatch.context() as broken:
            broken.setattr(items, "add", lambda *_: (_ for _ in ()).throw(RuntimeError("the database is away")))
            with pytest.raises(RuntimeError):
                heard.keep(engine, NOW_MS, everything=True)

        assert heard.keep(engine, NOW_MS, everything=True) == 2

    def test_says_that_a_real_exporter_names_no_member(self, engine, heard):
        for octets in captured("ipfix", "full"):
            heard.take("ipfix", HERE, octets, NOW_MS)
        heard.keep(engine, NOW_MS)

        [exporter] = kept(engine)[1]
        assert (exporter.records, exporter.unplaced, exporter.trouble) == (6, 5, hearing.NO_MEMBER)
