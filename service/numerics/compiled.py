"""How the inner loops become machine code."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba

Loop = TypeVar("Loop", bound=Callable[..., Any])


def compiled(loop: Loop) -> Loop:
    """The same loop as machine code, run outside the interpreter's lock and remembered on disk.

    A loop and all that it calls stand in one file: what is remembered is forgotten when that
    file changes, and only then. That goes for constants of other files too: whoever changes one
    must write the file of the loop anew as well.
    """
    return _compiled(loop, forceinline=False)


def inlined(step: Loop) -> Loop:
    """The same, for a step that takes arrays and that a loop does each time round: it becomes a part of the loop.

    Left to itself the compiler does so or not for reasons of size, and a call that hands arrays on
    counts references: twice the time of the whole loop (measured).
    """
    return _compiled(step, forceinline=True)


def _compiled(loop: Loop, *, forceinline: bool) -> Loop:
    try:
        return cast(Loop, numba.njit(nogil=True, cache=True, error_model="numpy", forceinline=forceinline)(loop))
    except RuntimeError:
        # Neither the folder of the file nor a home can be written (a read-only image): compile anew each time.
        return cast(Loop, numba.njit(nogil=True, error_model="numpy", forceinline=forceinline)(loop))
