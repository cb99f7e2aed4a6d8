"""Reading what a Linux kernel says of its interfaces, bonds and routes with several next hops; no file is opened here.

Sources, by their place in the kernel's own documentation: Documentation/ABI/testing/sysfs-class-net and
sysfs-class-net-statistics, Documentation/networking/bonding.rst, statistics.rst and ip-sysctl.rst, and
include/uapi/linux/if_link.h. What the kernel cannot tell: frames sent to everybody (there is no broadcast count, so
packets come as one number a direction), why a frame was dropped (unknown protocols stand among dropped ones), and
when counters were last cleared.

Nothing here imports the terms of the service: they bring numpy, and a host that is watched should not pay for it.
Tests hold the words used here to those of the terms.
"""
