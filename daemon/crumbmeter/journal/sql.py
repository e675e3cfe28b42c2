"""One query, all its rows: the transaction of a read ends before anything is done with what was read."""

from collections.abc import Sequence
from typing import Any

import apsw


def fetch(connection: apsw.Connection, sql: str, values: Sequence[Any] = ()) -> list[Any]:
    """Run a statement and return its rows as tuples; the schema is STRICT, so columns have their declared types."""
    return connection.execute(sql, tuple(values)).fetchall()
