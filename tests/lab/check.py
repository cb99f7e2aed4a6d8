"""Whether the laboratory can run here: each thing it needs is tried in namespaces that are thrown away.

python tests/lab/check.py       says yes, or what is lacking; exit status 0 or 77
"""

from __future__ import annotations

import functools
import os
import shutil
import sys
from pathlib import Path

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).resolve().parents[up]) for up in (1, 2)]

import snmpd
from lab.namespaces import PATH, LabTrouble, execute, inside, ip, namespaces, sysctl

TOOLS = ("ip", "tc", "sysctl", "setpriv", "timeout")
CANNOT = 77
SHAPED = ["stab", "overhead", "24", "linklayer", "ethernet", "tbf", "rate", "10mbit", "burst", "8000", "limit", "40000"]


@functools.cache
def lacking() -> str:
    """What keeps the laboratory from running here, in words; empty where nothing does."""
    missing = [tool for tool in TOOLS if not shutil.which(tool, path=PATH)]
    if missing:
        return f"the laboratory needs {', '.join(missing)} (packages iproute2, procps, util-linux, coreutils)"
    if snmpd.lacking():
        return f"the laboratory needs a real agent: {snmpd.lacking()}"
    try:
        _try()
    except (LabTrouble, OSError) as wrong:
        who = "" if os.geteuid() == 0 else "; as root, or with --rootless where user namespaces are allowed"
        return f"the laboratory cannot be built here: {wrong}{who}"
    return ""


def _try() -> None:
    with namespaces(("try", "far")) as names:
        near, far = names["try"], names["far"]
        ip(
            near,
            [
                *(f"link add p{n} type veth peer name q{n} netns {far}" for n in (1, 2)),
                *(f"addr add 198.18.1{n}.1/30 dev p{n}" for n in (1, 2)),
                *(f"link set p{n} gso_max_segs 1 up" for n in (1, 2)),
            ],
        )
        ip(far, ["link set q1 up", "link set q2 up"])
        hops = " ".join(f"nexthop via 198.18.1{n}.2 dev p{n}" for n in (1, 2))
        ip(near, ["link add po1 type bridge", f"route add 198.18.2.0/24 {hops}"])
        sysctl(near, net__ipv4__fib_multipath_hash_fields=0x37, net__ipv4__fib_multipath_hash_policy=3)
        sysctl(near, net__ipv4__fib_multipath_hash_seed=1)
        execute(near, "tc", "qdisc", "add", "dev", "p1", "root", *SHAPED)
        execute(near, "test", "-d", "/sys/class/net/p1")
        inside(near, lambda: None)


if __name__ == "__main__":
    why = lacking()
    print(why or "the laboratory can run here: each thing it needs was tried")
    sys.exit(CANNOT if why else 0)
