import pytest

from service.errors import WrongSetting

EXPORTER = '[[exporters]]\ndevice = "sm-07"\naddress = "192.0.2.7"\n'


class TestRecords:
    def test_are_heard_on_loopback_by_a_process_of_its_own(self, settings_of):
        told = settings_of(EXPORTER).records

        assert (told.host, told.ipfix_port, told.sflow_port, told.in_serve) == ("127.0.0.1", 4739, 6343, False)

    @pytest.mark.parametrize("line", ['host = "everywhere"', "ipfix_port = 65536", "sflow_port = true"])
    def test_refuse_what_is_no_place_to_listen(self, settings_of, line):
        with pytest.raises(WrongSetting, match=r"records\."):
            settings_of(f"[records]\n{line}\n")


class TestExporters:
    def test_are_known_by_address_however_it_is_written(self, settings_of):
        [told] = settings_of('[[exporters]]\ndevice = "sm-07"\naddress = "2001:DB8:0::7"\n').exporters

        assert told.address == "2001:db8::7"

    def test_of_one_address_are_refused_twice(self, settings_of):
        with pytest.raises(WrongSetting, match="keep one"):
            settings_of(EXPORTER + EXPORTER.replace("sm-07", "sm-08"))

    @pytest.mark.parametrize("address", ["sm-07.example", "192.0.2.7:4739", ""])
    def test_are_named_by_an_address_alone(self, settings_of, address):
        with pytest.raises(WrongSetting, match=r"exporters\[0\]\.address"):
            settings_of(EXPORTER.replace("192.0.2.7", address))
