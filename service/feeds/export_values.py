"""Values as exports write them: in the unit that the mapping says, with its decimals and its words for no value."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from service.feeds import cells
from service.feeds.cell_values import MOST_EXACT
from service.feeds.columns import Column, Sort
from service.feeds.mapping import COUNTER, Mapping
from service.feeds.told import ARROW_OF, Told, listed, truths


def name_of(way: str, mapping: Mapping) -> str:
    """The column of a sample that values of a direction become: rates are told in bit/s."""
    return f"{way}_octets" if mapping.form == COUNTER else f"{way}_bps"


def type_of(mapping: Mapping) -> pa.DataType:
    """The type of values once read."""
    return ARROW_OF[_sort(mapping)]


def taken(told: Told, mapping: Mapping, name: str, texts: pa.Array) -> pa.Array:
    """Octets, or bit/s, of a column of texts, null where there is no value; what is wrong is refused with its row."""
    texts = _with_point(told, mapping, name, _told(told, mapping, name, texts))
    cells.take_texts(told, Column(name, _sort(mapping)), texts)
    values = told.columns[name]
    return values if mapping.form == COUNTER else _in_bits(told, mapping, name, values)


def _sort(mapping: Mapping) -> Sort:
    return Sort.NUMBER if mapping.form == COUNTER else Sort.RATE


def _told(told: Told, mapping: Mapping, name: str, texts: pa.Array) -> pa.Array:
    """The texts with those that mean no value taken out; an empty cell is one only where the mapping says so."""
    if "" not in mapping.missing and texts.null_count:
        for row in np.flatnonzero(~truths(texts)).tolist():
            told.refuse(row, 'is empty; write "" among missing if that means no value', name)
    words = [word for word in mapping.missing if word]
    if not words:
        return texts
    return pc.if_else(pc.is_in(texts, pa.array(words, pa.string())), pa.scalar(None, pa.string()), texts)


def _with_point(told: Told, mapping: Mapping, name: str, texts: pa.Array) -> pa.Array:
    """Decimals with a point. One that stands where commas are decimals would be read as something else."""
    if mapping.decimal == ".":
        return texts
    for row in np.flatnonzero(pc.match_substring(texts, ".").fill_null(False).to_numpy(zero_copy_only=False)).tolist():
        told.refuse(row, "holds a point where decimals have a comma; export without marks of thousands", name,
                    listed(texts)[row])  # fmt: skip
    return pc.replace_substring(texts, ",", ".")


def _in_bits(told: Told, mapping: Mapping, name: str, values: pa.Array) -> pa.Array:
    bits = values.fill_null(0.0).to_numpy(zero_copy_only=False) * mapping.bits()
    for row in np.flatnonzero(bits > MOST_EXACT).tolist():
        told.refuse(row, f"{mapping.unit} is a rate beyond any link; mind the unit", name, values[row].as_py())
    return pa.array(np.minimum(bits, MOST_EXACT), mask=~truths(values))
