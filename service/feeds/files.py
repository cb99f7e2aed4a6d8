"""Files that are named: the one place of the feeds that opens any."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from service.errors import UnusableInput

Named = Path | str
Progress = Callable[[int, int], None]  # octets read, octets in all
Seen = Callable[[int], None]  # octets read so far


@contextmanager
def opened(path: Named, progress: Progress | None = None) -> Iterator[tuple[BinaryIO, Seen]]:
    """A file's octets, and whom to tell how many were read; UnusableInput where it cannot be read, also half-way."""
    try:
        octets = Path(path).stat().st_size
        with Path(path).open("rb") as stream:
            yield stream, (lambda so_far: progress(so_far, octets)) if progress else (lambda _: None)
    except OSError as failure:
        why = f"cannot be read: {failure.strerror or failure}"
        raise UnusableInput(str(path), why, "name a file that can, or copy it again") from failure
