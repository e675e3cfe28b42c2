"""Columns as Parquet: each with its unit among the file's metadata."""

import io
from collections.abc import Mapping, Sequence

import pyarrow as pa
from pyarrow.parquet import write_table


def parquet(columns: Mapping[str, Sequence[object]], notes: Mapping[str, str]) -> bytes:
    """Write columns of one length.

    Args:
        columns: By a name that ends with the unit.
        notes: Kept in the file's metadata.
    """
    table = pa.table({name: list(values) for name, values in columns.items()})
    table = table.replace_schema_metadata({**notes})
    out = io.BytesIO()
    write_table(table, out, compression="zstd")
    return out.getvalue()
