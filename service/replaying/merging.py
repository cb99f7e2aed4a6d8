"""Samples of several files, each by port and time, put together by port and time without sorting them again."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from service.terms import COUNTERS, UNKNOWN, Counters, Samples

Rows = npt.NDArray[np.intp]


def merged(pieces: Sequence[Samples], n_ports: int) -> Samples:
    """The samples of pieces that follow each other in time, where each piece lies port after port.

    A piece whose ports lie in another order, as after another file, is put in order first.
    """
    pieces = [_by_port(piece) for piece in pieces if len(piece)]
    rows = _places(pieces, n_ports)
    count = sum(map(len, pieces))
    columns = tuple(sorted({column for piece in pieces for column in piece.columns}))

    def column(name: str, kind: type[np.generic]) -> npt.NDArray[Any]:
        whole = np.full(count, UNKNOWN, dtype=kind) if kind is np.int64 else np.zeros(count, dtype=kind)
        for piece, at in zip(pieces, rows, strict=True):
            values = getattr(piece, name)
            if len(values):
                whole[at] = values
        return whole

    def optional(name: str) -> npt.NDArray[np.int64]:
        told = any(len(getattr(piece, name)) for piece in pieces)
        return column(name, np.int64) if told else np.zeros(0, dtype=np.int64)

    return Samples(
        port=column("port", np.int32),
        at_ms=column("at_ms", np.int64),
        facts=column("facts", np.int32),
        known=column("known", np.uint16),
        counters=_counters(pieces, rows, (count, columns)),
        received_ms=optional("received_ms"),
        uptime_ticks=optional("uptime_ticks"),
        discontinuity_ticks=optional("discontinuity_ticks"),
        columns=columns or tuple(range(len(COUNTERS))),
    )


def _by_port(piece: Samples) -> Samples:
    if (piece.port[1:] >= piece.port[:-1]).all():
        return piece
    return piece.take(np.argsort(piece.port, kind="stable"))


def _places(pieces: Sequence[Samples], n_ports: int) -> list[Rows]:
    """Where each row of each piece stands in the whole: after its port's rows of the pieces before."""
    counts = np.array([np.bincount(piece.port, minlength=n_ports) for piece in pieces], dtype=np.int64)
    counts = counts.reshape(len(pieces), n_ports)
    starts = np.concatenate([[0], np.cumsum(counts.sum(axis=0))])[:-1]
    before = np.cumsum(counts, axis=0) - counts
    return [
        np.arange(len(piece)) + (starts + earlier - (np.cumsum(own) - own))[piece.port]
        for piece, own, earlier in zip(pieces, counts, before, strict=True)
    ]


def _counters(pieces: Sequence[Samples], rows: Sequence[Rows], shape: tuple[int, tuple[int, ...]]) -> Counters:
    count, columns = shape
    whole = np.zeros((count, len(columns)), dtype=np.uint64)
    for piece, at in zip(pieces, rows, strict=True):
        if piece.columns == columns:
            whole[at] = piece.counters
        else:
            for place, column in enumerate(piece.columns):
                whole[at, columns.index(column)] = piece.counters[:, place]
    return whole
