from dataclasses import replace

import numpy as np
import pytest
from examples import samples_of

from service.errors import UnusableInput
from service.rules import parts
from service.rules.layouts import layout_of
from service.rules.parts import parts_of
from service.terms import PortName, Span

SPAN = Span(0, 10)


@pytest.fixture
def three_devices():
    """Devices a, b, c of two ports each, b's third port nobody's member; four samples a port, out of order."""
    names = [PortName(d, f"{d}{n}", "t") for n in range(2) for d in "abc"] + [PortName("b", "b2")]
    layout, _ = layout_of(names)
    rows = [{"at": 30 * n, "port": port, "out_octets": 100 * port + n} for n in (2, 0, 3, 1) for port in range(7)]
    return samples_of(rows), layout


def seen(found):
    """Every sample of every part by names: device, port, time, value."""
    told = []
    for part in found:
        ports = part.layout.ports
        for port, at, counters in zip(part.samples.port, part.samples.at_ms, part.samples.counters, strict=True):
            told.append((ports[port].device, ports[port].port, int(at), int(counters[0])))
    return sorted(told)


class TestPartsOf:
    def test_are_one_where_all_fits(self, three_devices):
        samples, layout = three_devices

        [part] = parts_of(samples, layout, SPAN)

        assert part.samples is samples
        assert part.layout is layout

    @pytest.mark.parametrize(("most", "devices"), [(20, ["ab", "c"]), (12, ["a", "b", "c"]), (1, ["a", "b", "c"])])
    def test_hold_whole_devices_as_many_as_fit(self, three_devices, monkeypatch, most, devices):
        monkeypatch.setattr(parts, "MOST_SAMPLES", most)

        found = list(parts_of(*three_devices, SPAN))

        assert ["".join(part.layout.devices) for part in found] == devices

    def test_hold_few_ports_where_there_are_many_windows(self, three_devices, monkeypatch):
        monkeypatch.setattr(parts, "MOST_CELLS", 30)

        assert len(list(parts_of(*three_devices, SPAN))) == 3

    def test_lose_no_sample_and_keep_names_and_order(self, three_devices, monkeypatch):
        whole = list(parts_of(*three_devices, SPAN))
        monkeypatch.setattr(parts, "MOST_SAMPLES", 1)

        found = list(parts_of(*three_devices, SPAN))

        assert seen(found) == seen(whole)
        for part in found:
            of_first = part.samples.at_ms[part.samples.port == 0]
            assert of_first.tolist() == [60_000, 0, 90_000, 30_000]

    def test_have_layouts_of_their_own(self, three_devices, monkeypatch):
        monkeypatch.setattr(parts, "MOST_SAMPLES", 1)

        _, b, _ = parts_of(*three_devices, SPAN)

        assert [port.port for port in b.layout.ports] == ["b0", "b1", "b2"]
        assert b.layout.members[:, :3].tolist() == [[0, 1, -1]]
        assert b.layout.device_of_port.tolist() == [0, 0, 0]
        assert b.layout.device_of_team.tolist() == [0]
        assert b.samples.port.dtype == np.int32

    def test_refuse_a_device_that_would_need_more_room_than_there_is(self, three_devices, monkeypatch):
        monkeypatch.setattr(parts, "MOST_CELLS_OF_A_DEVICE", 29)

        with pytest.raises(UnusableInput, match="device b: its ports have 30 windows"):
            list(parts_of(*three_devices, SPAN))

    def test_take_samples_without_received_times(self, three_devices, monkeypatch):
        samples, layout = three_devices
        monkeypatch.setattr(parts, "MOST_SAMPLES", 1)
        bare = replace(samples, received_ms=np.zeros(0, dtype=np.int64))

        assert all(len(part.samples.received_ms) == 0 for part in parts_of(bare, layout, SPAN))
