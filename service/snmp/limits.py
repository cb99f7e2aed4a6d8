"""How many sockets this process may open."""

from __future__ import annotations

import resource


def room_for_sockets(in_flight: int) -> int:
    """How many files may be open, after the limit was raised as far as this asks for and the system lets us.

    Each agent under way may have a socket a try, and sessions are kept between polls.
    """
    wanted = in_flight * 12
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft == resource.RLIM_INFINITY or soft >= wanted:
        return wanted
    raised = wanted if hard == resource.RLIM_INFINITY else min(hard, wanted)
    resource.setrlimit(resource.RLIMIT_NOFILE, (raised, hard))
    return raised
