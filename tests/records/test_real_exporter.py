"""A real exporter, heard on loopback: Debian's softflowd reads frames from a file and exports what it metered."""

import os
import shutil
import socket
import struct
import subprocess
import time
from collections import Counter
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from datagrams import HEAD
from examples import EPOCH_MS
from item_examples import registered

from service.feeds.ipfix.message import Exporter, read
from service.feeds.items_flows import name_of
from service.records.receiving import Door, receiving
from service.storage import exporters

UNPACKED = Path(__file__).parents[2] / ".venv-tests" / "packages-softflowd"
PULL = "192.0.2.10:49152 > 198.51.100.7:2049 tcp"
PATIENCE_S = 20


def program():
    """The exporter of this machine or the unpacked one, and where its libraries are; None where there is neither."""
    if machine := shutil.which("softflowd", path=f"{os.environ.get('PATH', '')}:/usr/sbin"):
        return machine, ""
    unpacked = UNPACKED / "usr/sbin/softflowd"
    libraries = sorted({str(library.parent) for library in UNPACKED.rglob("*.so*")})
    return (str(unpacked), ":".join(libraries)) if unpacked.exists() else None


pytestmark = pytest.mark.skipif(
    program() is None, reason="no softflowd here: tests/packages fetches it on Debian, or: apt-get install softflowd"
)


def frames_file(folder, count):
    """A pcap file of so many frames of 1518 octets, the check sequence not among them, 10 ms apart."""
    told = struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65_535, 1)
    for number in range(count):
        at_us = EPOCH_MS * 1000 + 10_000 * number
        told += struct.pack("<IIII", at_us // 10**6, at_us % 10**6, len(HEAD), 1514) + HEAD
    file = folder / "frames.pcap"
    file.write_bytes(told)
    return file


@contextmanager
def exporting(folder, port, count=500):
    """The exporter at work on so many frames, ended with the block."""
    path, libraries = program()
    own = {"LD_LIBRARY_PATH": libraries} if libraries else {}
    process = subprocess.Popen(
        [
            *(path, "-d", "-r", str(frames_file(folder, count)), "-v", "10", "-n", f"127.0.0.1:{port}"),
            # With a socket for control it waits for somebody to call there before it reads a file.
            *("-p", str(folder / "pid"), "-c", "none"),
        ],
        env=os.environ | own,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        yield
    finally:
        process.terminate()
        process.wait(10)


class TestRealExporter:
    def test_is_read_to_the_octet(self, tmp_path):
        octets, memory = Counter(), Exporter()
        with closing(socket.socket(socket.AF_INET, socket.SOCK_DGRAM)) as heard:
            heard.bind(("127.0.0.1", 0))
            heard.settimeout(PATIENCE_S)
            with exporting(tmp_path, heard.getsockname()[1]):
                while not octets:
                    for flow in read(heard.recv(65_535), memory).flows:
                        octets[name_of(flow.endpoints)] += flow.octets

        assert octets == {PULL: 500 * 1518}

    def test_is_heard_by_the_service(self, tmp_path, sqlite_engine):
        with sqlite_engine.begin() as connection:
            registered(connection)
        door = Door("ipfix", "127.0.0.1", 0)

        with (
            receiving(sqlite_engine, (door,), {"127.0.0.1": "sm-07"}, lambda: time.time_ns() // 10**6) as (port,),
            exporting(tmp_path, port),
        ):
            until = time.monotonic() + PATIENCE_S
            listed = []
            while time.monotonic() < until and not any(one.records >= 2 for one in listed):
                time.sleep(0.1)
                with sqlite_engine.connect() as connection:
                    listed = exporters.listing(connection)

        [told] = listed
        assert (told.device, told.refused, told.lost) == ("sm-07", 0, 0)
        # Its options and one conversation, of which the file does not tell the interface.
        assert (told.records, told.unplaced) == (2, 1)
