"""A team's figures of one window or roll-up as octets, and back; many rows at once.

Packed figures begin with the version of their form and the count of members, both one octet;
then field after field in the order of the form, little-endian, member after member, egress before
ingress. A field is never taken out of a form; another set of fields is another version.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from service.terms import WhyNot

Arrays = Mapping[str, npt.NDArray[Any]]
Rows = npt.NDArray[np.void]


@dataclass(frozen=True)
class Field:
    """One figure of a member: its numpy type, whether it has one value a direction, and what stands for none."""

    kind: str
    by_direction: bool = True
    blank: float = np.nan


@dataclass(frozen=True)
class Form:
    """Which figures are packed, and under which number."""

    version: int
    fields: Mapping[str, Field]

    def row_type(self, members: int) -> np.dtype[np.void]:
        """The type of one row of so many members."""
        head: list[Any] = [("_version", "u1"), ("_members", "u1")]
        shapes = {name: (members, 2) if field.by_direction else (members,) for name, field in self.fields.items()}
        return np.dtype(head + [(name, field.kind, shapes[name]) for name, field in self.fields.items()])

    def blanks(self, ports: int, windows: int) -> dict[str, npt.NDArray[Any]]:
        """Arrays (ports, windows[, 2]) in which nothing is known."""
        shapes = {name: (ports, windows, 2) if f.by_direction else (ports, windows) for name, f in self.fields.items()}
        return {name: np.full(shapes[name], field.blank, dtype=field.kind) for name, field in self.fields.items()}


WINDOW = Form(
    1,
    {
        "utilisation": Field("<f8"),
        "lower": Field("<f4"),
        "upper": Field("<f4"),
        "coverage": Field("<f4", blank=0),
        "basis": Field("u1", blank=0),
        "discard_ratio": Field("<f4"),
        "packets": Field("<f4"),
        "mcast": Field("<f4"),
        "bcast": Field("<f4"),
        "errors": Field("<f4"),
        "why_not": Field("u1", blank=WhyNot.NO_DATA),
        "speed_bps": Field("<i8", by_direction=False, blank=0),
        "marks": Field("<u2", by_direction=False, blank=0),
    },
)
ROLLUP = Form(
    1,
    {
        "mean": Field("<f8"),
        "peak": Field("<f4"),
        "hot_seconds": Field("<f4"),
        "coverage": Field("<f4", blank=0),
    },
)


def packed(form: Form, arrays: Arrays, ports: npt.NDArray[np.intp], windows: npt.NDArray[np.intp]) -> Rows:
    """One row for each of n teams' windows.

    Parameters
    ----------
    form : Form
        Which figures.
    arrays : mapping of arrays, shape (n_ports, n_windows[, 2])
        The figures of all ports.
    ports : array, shape (n, m)
        By row, the positions of the team's m members among the ports.
    windows : array, shape (n,)
        By row, the position of its window.

    Returns
    -------
    structured array, shape (n,)
        Whose octets, row by row, are what is kept. Equal figures give equal octets.
    """
    rows = np.empty(len(windows), dtype=form.row_type(ports.shape[1]))
    rows["_version"], rows["_members"] = form.version, ports.shape[1]
    for name, field in form.fields.items():
        values = arrays[name][ports, windows[:, np.newaxis]]
        rows[name] = _one_nan(values) if "f" in field.kind else values
    return rows


def unpacked(form: Form, octets: Sequence[bytes]) -> Rows:
    """The rows that such octets hold; all of one count of members."""
    members = octets[0][1]
    if any(row[0] != form.version for row in octets):
        raise ValueError(f"figures of version {octets[0][0]}, this release reads {form.version}")
    return np.frombuffer(b"".join(octets), dtype=form.row_type(members))


def octets_of(rows: Rows) -> list[bytes]:
    """The octets of each row."""
    raw, width = rows.tobytes(), rows.dtype.itemsize
    return [raw[start : start + width] for start in range(0, len(raw), width)]


def _one_nan(values: npt.NDArray[Any]) -> npt.NDArray[Any]:
    # There are many NaNs and two zeros that mean the same: octets are compared to see what changed.
    return np.where(np.isnan(values), np.nan, values + 0.0)
