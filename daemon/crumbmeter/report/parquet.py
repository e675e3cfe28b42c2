"""Columns as Parquet: each with its unit in the field's metadata."""

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final

import pyarrow as pa
from pyarrow.parquet import write_table


class Kind(StrEnum):
    """What a column holds."""

    TEXT = "text"
    WHOLE = "whole"
    NUMBER = "number"
    TIME = "time"
    """An instant, in UTC."""


_TYPES: Final[Mapping[Kind, Any]] = {
    Kind.TEXT: pa.string(),
    Kind.WHOLE: pa.int64(),
    Kind.NUMBER: pa.float64(),
    Kind.TIME: pa.timestamp("us", tz="UTC"),
}


@dataclass(frozen=True, slots=True)
class Field:
    """One column."""

    name: str
    unit: str
    kind: Kind
    values: Sequence[object]
    """None: missing, kept as null."""


def parquet(fields: Sequence[Field], notes: Mapping[str, str]) -> bytes:
    """Write columns of one length.

    Args:
        fields: The columns; a unit stands in its field's metadata as `unit`.
        notes: Kept in the file's metadata.
    """
    schema = pa.schema(
        [pa.field(one.name, _TYPES[one.kind], metadata={"unit": one.unit} if one.unit else None) for one in fields],
        metadata={**notes},
    )
    arrays = [pa.array(list(one.values), _TYPES[one.kind]) for one in fields]
    out = io.BytesIO()
    write_table(pa.Table.from_arrays(arrays, schema=schema), out, compression="zstd")
    return out.getvalue()
