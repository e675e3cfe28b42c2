"""Five hundred tamperings by a fixed list of seeds: in the database, and in a record exported from it. All are found.

What each does is drawn from its seed: a bit or a whole byte of any column of any row, entry, seal or identity; rows
deleted, put in twice, put in another order; the tail cut behind the last published head. `test_journal_tampering.py`
draws values freely; here every column of every table takes its turn, and the byte is what changes.
"""

import random
import shutil
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import apsw
import pytest

from crumbmeter.journal.chain import Head
from crumbmeter.journal.errors import JournalUnreadableError
from crumbmeter.journal.exported import export
from crumbmeter.journal.exported_check import NotAnExportError, check_export
from crumbmeter.journal.reader import Reader
from crumbmeter.journal.verify import verify
from tests.unit.journal.making import NOW, entries, small_limits, write
from tests.unit.journal.signing_it import KEY, add_signed

SEEDS = range(500)
IN_DATABASE = 300
"""Of the seeds; the others tamper with the exported file."""
HASHED = {"record": 8, "image": 8, "seal": 13, "journal": 3, "genesis": 2}
"""Columns of each table."""


@dataclass(frozen=True)
class Made:
    """A journal as it was left, what was published of it, and a record exported from it."""

    path: Path
    heads: dict[str, Head]
    export: bytes


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    folder = tmp_path_factory.mktemp("made")
    path = folder / "made.db"
    limits = small_limits()
    short = replace(limits.image, keep_us=4_000_000)
    write(path, [[*entries(1, "record", n), *entries(1, "image", n)] for n in range(15)], replace(limits, image=short))
    heads = add_signed(path, (5, 5), first=15)
    assert verify(path, keys=(KEY.public,)).strands[1].dropped > 0
    with Reader(path) as reader:
        export(reader, NOW.wall_us + 2_000_000, NOW.wall_us + 21_000_000, folder / "made.record")
    return Made(path, heads, (folder / "made.record").read_bytes())


def flipped(raw: bytes, chance: random.Random) -> bytes:
    """Change one byte: one of its bits, or all of it."""
    at = chance.randrange(len(raw))
    change = chance.choice((1 << chance.randrange(8), chance.randrange(1, 256)))
    return raw[:at] + bytes([raw[at] ^ change]) + raw[at + 1 :]


def other(value: Any, chance: random.Random) -> Any:
    """Return the value with one byte changed, in the type that its column has."""
    if isinstance(value, int):
        return int.from_bytes(flipped(value.to_bytes(8, "big", signed=True), chance), "big", signed=True)
    if isinstance(value, str):
        at = chance.randrange(len(value)) if value else 0
        return value[:at] + chr(ord(value[at]) ^ (1 << chance.randrange(6))) + value[at + 1 :]
    return flipped(value, chance) if value else b"\0"


def flip(connection: apsw.Connection, chance: random.Random) -> None:
    """Change one byte of one column of one row of any table."""
    table = chance.choice(sorted(HASHED))
    rows = connection.execute(f"SELECT rowid, * FROM {table}").fetchall()  # noqa: S608 - ours
    names = [one[0] for one in connection.execute(f"SELECT name FROM pragma_table_info('{table}')")]  # noqa: S608 - ours
    assert len(names) == HASHED[table]
    row, column = chance.choice(rows), chance.randrange(len(names))
    value = other(row[1 + column], chance)
    if names[column] == "present":  # any number that is not 0 means that it is here
        value = int(not row[1 + column])
    if names[column] == "one":  # the database itself holds it at 1
        value, column = other(row[2], chance), 1
    connection.execute(f"UPDATE {table} SET {names[column]} = ? WHERE rowid = ?", (value, row[0]))  # noqa: S608 - ours


def delete(connection: apsw.Connection, chance: random.Random) -> None:
    """Delete one row, or some, of a strand or of the seals."""
    table = chance.choice(("record", "image", "seal"))
    rows = [one[0] for one in connection.execute(f"SELECT rowid FROM {table}")]  # noqa: S608 - ours
    for rowid in chance.sample(rows, chance.randrange(1, len(rows))):
        connection.execute(f"DELETE FROM {table} WHERE rowid = ?", (rowid,))  # noqa: S608 - ours


def reorder(connection: apsw.Connection, chance: random.Random) -> None:
    """Let two rows of a strand change places."""
    table = chance.choice(("record", "image"))
    one, two = chance.sample([row[0] for row in connection.execute(f"SELECT seq FROM {table}")], 2)  # noqa: S608 - ours
    for now, then in ((one, -1), (two, one), (-1, two)):
        connection.execute(f"UPDATE {table} SET seq = ? WHERE seq = ?", (then, now))  # noqa: S608 - ours


def duplicate(connection: apsw.Connection, chance: random.Random) -> None:
    """Put a row in a second time, behind all others, or in another's place."""
    table = chance.choice(("record", "image"))
    seqs = [row[0] for row in connection.execute(f"SELECT seq FROM {table}")]  # noqa: S608 - ours
    one, at = chance.choice(seqs), chance.choice((*seqs, seqs[-1] + 1))
    at = at if at != one else seqs[-1] + 1
    rest = "boot_id, kind, mono_us, wall_us, flags, body, hash"
    connection.execute(
        f"INSERT OR REPLACE INTO {table} SELECT ?, {rest} FROM {table} WHERE seq = ?",  # noqa: S608 - ours
        (at, one),
    )


def cut(connection: apsw.Connection, chance: random.Random) -> None:
    """Cut a strand's tail, with the seals of what is cut, as if it had never been."""
    table = chance.choice(("record", "image"))
    seqs = [row[0] for row in connection.execute(f"SELECT seq FROM {table} ORDER BY seq")]  # noqa: S608 - ours
    last = chance.choice(seqs[:-1])
    connection.execute(f"DELETE FROM {table} WHERE seq > ?", (last,))  # noqa: S608 - ours
    connection.execute("DELETE FROM seal WHERE strand = ? AND last_seq >= ?", (table, last))


def flip_line(raw: bytes, chance: random.Random) -> bytes:
    """Change one byte anywhere in the file."""
    return flipped(raw, chance)


def delete_lines(raw: bytes, chance: random.Random) -> bytes:
    """Leave out one line or some."""
    lines = raw.splitlines(keepends=True)
    gone = set(chance.sample(range(len(lines)), chance.randrange(1, len(lines))))
    return b"".join(line for number, line in enumerate(lines) if number not in gone)


def reorder_lines(raw: bytes, chance: random.Random) -> bytes:
    """Let two lines change places."""
    lines = raw.splitlines(keepends=True)
    one, two = chance.sample(range(len(lines)), 2)
    lines[one], lines[two] = lines[two], lines[one]
    return b"".join(lines)


def duplicate_line(raw: bytes, chance: random.Random) -> bytes:
    """Put a line in a second time, anywhere."""
    lines = raw.splitlines(keepends=True)
    lines.insert(chance.randrange(len(lines) + 1), chance.choice(lines))
    return b"".join(lines)


def cut_bytes(raw: bytes, chance: random.Random) -> bytes:
    """Cut the file's end."""
    return raw[: chance.randrange(1, len(raw))]


DEEDS: tuple[Callable[[apsw.Connection, random.Random], None], ...] = (
    flip,
    flip,
    flip,
    delete,
    reorder,
    duplicate,
    cut,
)
FILE_DEEDS: tuple[Callable[[bytes, random.Random], bytes], ...] = (
    flip_line, flip_line, flip_line, delete_lines, reorder_lines, duplicate_line, cut_bytes,
)  # fmt: skip


def contents(connection: apsw.Connection) -> list[Any]:
    return [connection.execute(f"SELECT * FROM {table} ORDER BY rowid").fetchall() for table in HASHED]  # noqa: S608 - ours


def holds(path: Path, heads: dict[str, Head]) -> bool:
    """Whether `verify` says that all is well, of every published head."""
    try:
        return all(verify(path, head, keys=(KEY.public,)).ok for head in heads.values())
    except JournalUnreadableError:
        return False


def export_holds(path: Path) -> bool:
    try:
        return check_export(path, keys=(KEY.public,)).ok
    except NotAnExportError:
        return False


def tampered(made: Made, seed: int, folder: Path) -> bool | None:
    """Tamper by a seed; tell whether it passes as whole. None: the database itself refused the change."""
    chance = random.Random(seed)
    if seed >= IN_DATABASE:
        changed = chance.choice(FILE_DEEDS)(made.export, chance)
        assert changed != made.export
        (folder / "copy.record").write_bytes(changed)
        return export_holds(folder / "copy.record")
    copy = folder / "copy.db"
    shutil.copy(made.path, copy)
    connection = apsw.Connection(str(copy))
    try:
        before = contents(connection)
        with connection:
            chance.choice(DEEDS)(connection, chance)
        assert contents(connection) != before
    except apsw.ConstraintError:
        return None
    finally:
        connection.close()
    return holds(copy, made.heads)


def test_what_nobody_touched_holds(made: Made, tmp_path: Path) -> None:
    (tmp_path / "copy.record").write_bytes(made.export)
    assert holds(made.path, made.heads)
    assert export_holds(tmp_path / "copy.record")


@pytest.mark.timeout(60)
def test_every_one_of_five_hundred_tamperings_is_found(made: Made, tmp_path: Path) -> None:
    outcomes = {seed: tampered(made, seed, tmp_path) for seed in SEEDS}
    assert [seed for seed, passes in outcomes.items() if passes] == []
    refused = [seed for seed, passes in outcomes.items() if passes is None]
    assert refused == [], "these seeds change nothing; take others, so that it stays five hundred"
