"""Whatever is changed in a stored journal, `verify` finds it against the published heads."""

import shutil
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import apsw
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from crumbmeter.journal.chain import Head
from crumbmeter.journal.limits import Limits
from crumbmeter.journal.verify import verify
from tests.unit.journal.making import entries, small_limits, write

COUNT = 23
"""Entries of each strand, before seals: four sealed segments, of which retention has dropped some of the images."""
COLUMNS = {
    "seq": st.integers(-(1 << 63), (1 << 63) - 1),
    "boot_id": st.binary(max_size=20),
    "kind": st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=12),
    "mono_us": st.integers(-(1 << 63), (1 << 63) - 1),
    "wall_us": st.integers(-(1 << 63), (1 << 63) - 1),
    "flags": st.integers(-(1 << 63), (1 << 63) - 1),
    "body": st.binary(max_size=30),
    "hash": st.binary(max_size=40),
}
SEAL_COLUMNS = {
    **{
        name: st.integers(-5, 40)
        for name in ("segment", "first_seq", "last_seq", "count", "bytes", "dropped", "present")
    },
    "sealed_wall_us": st.integers(0, 1 << 60),
    **{name: st.binary(max_size=33) for name in ("before_hash", "head_hash", "prior_hash", "hash")},
}


def _limits() -> Limits:
    base = small_limits()
    return Limits(
        record=base.record,
        image=type(base.image)(5000, 5, 1 << 20, 1 << 60, 8_000_000),
        disk=base.disk,
    )


@pytest.fixture(scope="module")
def made() -> Iterator[tuple[Path, dict[str, Head]]]:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "made.db"
        journal = write(path, [[*entries(1, "record", n), *entries(1, "image", n)] for n in range(COUNT)], _limits())
        heads: dict[str, Head] = dict(journal.heads().items())
        assert verify(path).strands[1].dropped > 0
        yield path, heads


def found(path: Path, heads: dict[str, Head]) -> bool:
    return not all(verify(path, head).ok for head in heads.values())


def _rows(connection: apsw.Connection, table: str) -> list[Any]:
    return connection.execute(f"SELECT rowid, * FROM {table} ORDER BY rowid").fetchall()  # noqa: S608 -- ours


def _copy(path: Path) -> Path:
    copy = path.with_name("copy.db")
    for name in ("copy.db", "copy.db-wal", "copy.db-shm"):
        path.with_name(name).unlink(missing_ok=True)
    shutil.copy(path, copy)
    return copy


@given(data=st.data(), table=st.sampled_from(["record", "image"]), column=st.sampled_from(sorted(COLUMNS)))
def test_any_changed_column_of_any_row_is_found(
    made: tuple[Path, dict[str, Head]], data: st.DataObject, table: str, column: str
) -> None:
    path, heads = made
    copy = _copy(path)
    connection = apsw.Connection(str(copy))
    before = _rows(connection, table)
    row = data.draw(st.sampled_from(before))
    value = data.draw(COLUMNS[column])
    try:
        connection.execute(f"UPDATE {table} SET {column} = ? WHERE rowid = ?", (value, row[0]))  # noqa: S608 -- ours
    except apsw.ConstraintError:
        assume(False)
    assume(_rows(connection, table) != before)
    connection.close()
    assert found(copy, heads)


@given(data=st.data(), table=st.sampled_from(["record", "image"]))
def test_any_set_of_removed_rows_is_found(made: tuple[Path, dict[str, Head]], data: st.DataObject, table: str) -> None:
    path, heads = made
    copy = _copy(path)
    connection = apsw.Connection(str(copy))
    seqs = [row[0] for row in _rows(connection, table)]
    gone = data.draw(st.sets(st.sampled_from(seqs), min_size=1))
    connection.executemany(f"DELETE FROM {table} WHERE rowid = ?", [(seq,) for seq in gone])  # noqa: S608 -- ours
    connection.close()
    assert found(copy, heads)


@given(data=st.data(), table=st.sampled_from(["record", "image"]))
def test_any_new_order_of_rows_is_found(made: tuple[Path, dict[str, Head]], data: st.DataObject, table: str) -> None:
    path, heads = made
    copy = _copy(path)
    connection = apsw.Connection(str(copy))
    seqs = [row[0] for row in _rows(connection, table)]
    order = data.draw(st.permutations(seqs))
    assume(order != seqs)
    with connection:
        connection.execute(f"UPDATE {table} SET seq = seq + 1000")  # noqa: S608 -- ours
        for seq, new in zip(seqs, order, strict=True):
            connection.execute(f"UPDATE {table} SET seq = ? WHERE seq = ?", (new, seq + 1000))  # noqa: S608 -- ours
    connection.close()
    assert found(copy, heads)


@given(data=st.data(), table=st.sampled_from(["record", "image"]), seq=st.integers(-3, COUNT + 20))
def test_any_row_put_in_is_found(made: tuple[Path, dict[str, Head]], data: st.DataObject, table: str, seq: int) -> None:
    path, heads = made
    copy = _copy(path)
    connection = apsw.Connection(str(copy))
    known = _rows(connection, table)
    assume(seq not in [row[0] for row in known])
    model = data.draw(st.sampled_from(known))
    connection.execute(f"INSERT INTO {table} VALUES (?, ?, ?, ?, ?, ?, ?, ?)", (seq, *model[2:]))  # noqa: S608 -- ours
    connection.close()
    assert found(copy, heads)


@given(data=st.data(), column=st.sampled_from(sorted(SEAL_COLUMNS)))
def test_any_changed_column_of_any_seal_is_found(
    made: tuple[Path, dict[str, Head]], data: st.DataObject, column: str
) -> None:
    path, heads = made
    copy = _copy(path)
    connection = apsw.Connection(str(copy))
    before = _rows(connection, "seal")
    row = data.draw(st.sampled_from(before))
    value = data.draw(SEAL_COLUMNS[column])
    if column == "present":
        assume(bool(value) != bool(row[13]))  # any number that is not 0 means present
    try:
        connection.execute(f"UPDATE seal SET {column} = ? WHERE rowid = ?", (value, row[0]))  # noqa: S608 -- ours
    except apsw.ConstraintError:
        assume(False)
    assume(_rows(connection, "seal") != before)
    connection.close()
    assert found(copy, heads)


@given(data=st.data())
def test_any_removed_seals_are_found(made: tuple[Path, dict[str, Head]], data: st.DataObject) -> None:
    path, heads = made
    copy = _copy(path)
    connection = apsw.Connection(str(copy))
    rows = [row[0] for row in _rows(connection, "seal")]
    gone = data.draw(st.sets(st.sampled_from(rows), min_size=1))
    connection.executemany("DELETE FROM seal WHERE rowid = ?", [(row,) for row in gone])
    connection.close()
    assert found(copy, heads)


@given(data=st.data(), table=st.sampled_from(["record", "image"]))
def test_segments_dropped_by_hand_are_found(
    made: tuple[Path, dict[str, Head]], data: st.DataObject, table: str
) -> None:
    path, heads = made
    copy = _copy(path)
    connection = apsw.Connection(str(copy))
    here = connection.execute(
        "SELECT segment, last_seq FROM seal WHERE strand = ? AND present = 1 ORDER BY segment", (table,)
    ).fetchall()
    segment, last_seq = data.draw(st.sampled_from(here))
    connection.execute(f"DELETE FROM {table} WHERE seq <= ?", (last_seq,))  # noqa: S608 -- ours
    connection.execute("UPDATE seal SET present = 0 WHERE strand = ? AND segment <= ?", (table, segment))
    connection.close()
    assert found(copy, heads)


@given(created=st.integers(0, 1 << 60), journal_id=st.binary(min_size=16, max_size=16))
def test_another_birth_is_found(made: tuple[Path, dict[str, Head]], created: int, journal_id: bytes) -> None:
    path, heads = made
    copy = _copy(path)
    connection = apsw.Connection(str(copy))
    connection.execute("UPDATE journal SET created_wall_us = ?, journal_id = ?", (created, journal_id))
    connection.close()
    assert found(copy, heads)
