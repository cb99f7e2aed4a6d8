"""Trees of files as the kernel's own documents describe them, written below a folder.

Sources: Documentation/ABI/testing/sysfs-class-net and sysfs-class-net-statistics, Documentation/networking/bonding.rst
(sections "xmit_hash_policy", "mode" and "Querying Bonding Configuration") and ip-sysctl.rst of the Linux kernel. The
layout of /proc/net/bonding with `details actor lacp pdu` is from memory of the driver's bond_procfs.c.
"""

from __future__ import annotations

STATISTICS = ("rx_bytes", "tx_bytes", "rx_packets", "tx_packets", "rx_dropped", "tx_dropped", "rx_errors", "tx_errors")


class Host:
    """A root folder with what a host's kernel would show in it."""

    def __init__(self, root):
        self.root = root
        self.write("proc/uptime", "12345.67 54321.00\n")
        self._indexes = 1

    def write(self, name, text):
        path = self.root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)

    def interface(self, name, *, hardware=True, master="", statistics=None, **files):
        self._indexes += 1
        place = f"sys/class/net/{name}"
        told = {
            "address": f"02:00:00:00:00:{self._indexes:02x}",
            "carrier_changes": "1",
            "duplex": "full",
            "ifindex": str(self._indexes),
            "iflink": str(self._indexes),
            "mtu": "1500",
            "operstate": "up",
            "speed": "1000",
            "type": "1",
            "uevent": f"INTERFACE={name}\nIFINDEX={self._indexes}\n",
        }
        for file, text in (told | files).items():
            self.write(f"{place}/{file}", f"{text}\n")
        for k, counter in enumerate(STATISTICS):
            self.write(f"{place}/statistics/{counter}", f"{(statistics or {}).get(counter, k)}\n")
        if hardware:
            self.write(f"devices/{name}/vendor", "0x0\n")
            (self.root / place / "device").symlink_to(self.root / "devices" / name)
        if master:
            self.enslave(name, master)
        return self

    def enslave(self, name, master):
        (self.root / f"sys/class/net/{name}/master").symlink_to(f"../{master}")
        (self.root / f"sys/class/net/{master}").mkdir(parents=True, exist_ok=True)
        (self.root / f"sys/class/net/{master}/lower_{name}").symlink_to(f"../{name}")

    def bond(self, name, mode, *ports, policy="layer2 0", **options):
        """A bond of ports that are there already."""
        self.interface(name, hardware=False, uevent=f"DEVTYPE=bond\nINTERFACE={name}\n", speed=str(1000 * len(ports)))
        told = {"mode": mode, "xmit_hash_policy": policy, "slaves": " ".join(ports), **options}
        for file, text in told.items():
            self.write(f"sys/class/net/{name}/bonding/{file}", f"{text}\n")
        for port in ports:
            self.enslave(port, name)
            self.slave(port, perm_hwaddr=f"02:00:00:00:ff:{len(port):02x}")
        self.write("sys/class/net/bonding_masters", f"{name}\n")
        return self

    def slave(self, port, **files):
        for file, text in files.items():
            self.write(f"sys/class/net/{port}/bonding_slave/{file}", f"{text}\n")
        return self

    def hashing(self, policy, fields="7", family="ipv4"):
        self.write(f"proc/sys/net/{family}/fib_multipath_hash_policy", f"{policy}\n")
        self.write(f"proc/sys/net/{family}/fib_multipath_hash_fields", f"{fields}\n")
        return self


# An active-backup bond as the section "Querying Bonding Configuration" of bonding.rst shows one, with other names.
ACTIVE_BACKUP = """\
Ethernet Channel Bonding Driver: 2.6.1 (October 29, 2004)
Bonding Mode: fault-tolerance (active-backup)
Currently Active Slave: p1
MII Status: up
MII Polling Interval (ms): 1000
Up Delay (ms): 0
Down Delay (ms): 0

Slave Interface: p2
MII Status: up
Link Failure Count: 1

Slave Interface: p1
MII Status: up
Link Failure Count: 1
"""

# From memory of the driver's bond_procfs.c, as it writes to somebody who administers the host.
LACP = """\
Ethernet Channel Bonding Driver: v6.1.0

Bonding Mode: IEEE 802.3ad Dynamic link aggregation
Transmit Hash Policy: layer3+4 (1)
MII Status: up
MII Polling Interval (ms): 100
Up Delay (ms): 0
Down Delay (ms): 0

802.3ad info
LACP active: on
LACP rate: fast
Min links: 0
Aggregator selection policy (ad_select): stable
System priority: 65535
System MAC address: 02:00:00:00:00:01
Active Aggregator Info:
\tAggregator ID: 1
\tNumber of ports: 2
\tActor Key: 9
\tPartner Key: 1
\tPartner Mac Address: 02:00:00:00:aa:01

Slave Interface: p1
MII Status: up
Speed: 1000 Mbps
Duplex: full
Link Failure Count: 0
Permanent HW addr: 02:00:00:00:00:01
Slave queue ID: 0
Aggregator ID: 1
details actor lacp pdu:
    system priority: 65535
    system mac address: 02:00:00:00:00:01
    port key: 9
    port priority: 255
    port number: 1
    port state: 63
details partner lacp pdu:
    system priority: 65535
    system mac address: 02:00:00:00:aa:01
    oper key: 1
    port priority: 255
    port number: 1
    port state: 61

Slave Interface: p2
MII Status: up
Speed: 1000 Mbps
Duplex: full
Link Failure Count: 0
Permanent HW addr: 02:00:00:00:00:02
Slave queue ID: 0
Aggregator ID: 2
details actor lacp pdu:
    system priority: 65535
    system mac address: 02:00:00:00:00:01
    port key: 9
    port priority: 255
    port number: 2
    port state: 71
details partner lacp pdu:
    system priority: 65535
    system mac address: 00:00:00:00:00:00
    oper key: 1
    port priority: 255
    port number: 1
    port state: 1
"""
