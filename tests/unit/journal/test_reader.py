from dataclasses import replace
from pathlib import Path

import pytest

from crumbmeter.journal.entry import Entry
from crumbmeter.journal.reader import Reader
from tests.unit.journal.making import NOW, SOON_S, entries, open_journal, small_limits, write

S = 1_000_000


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """1200 entries (more than two pages of reading) of three kinds, whose wall clock was set back half way."""
    made: list[Entry] = []
    for one in entries(1200):
        number = one.mono_us // S
        back_s = 300 if number >= 600 else 0
        made.append(replace(one, kind=f"k{number % 3}", wall_us=one.wall_us - back_s * S))
    write(tmp_path / "j.db", [made], small_limits())
    return tmp_path / "j.db"


def ours(reader: Reader, **chosen: object) -> list[int]:
    return [one.mono_us // S for one in reader.entries(**chosen) if one.kind.startswith("k")]  # type: ignore[arg-type]


def test_everything_in_order_and_against_it(path: Path) -> None:
    with Reader(path) as reader:
        assert ours(reader) == list(range(1200))
        assert ours(reader, newest_first=True) == list(range(1199, -1, -1))


@pytest.mark.parametrize("kinds", [("k1",), ("k1", "k2"), ("k1", "nothing"), ("nothing",)])
def test_kinds(path: Path, kinds: tuple[str, ...]) -> None:
    wanted = [n for n in range(1200) if f"k{n % 3}" in kinds]
    with Reader(path) as reader:
        assert ours(reader, kinds=kinds) == wanted
        assert ours(reader, kinds=kinds, newest_first=True) == wanted[::-1]


def test_wall_times_choose_but_the_sequence_orders(path: Path) -> None:
    low, high = NOW.wall_us + 350 * S, NOW.wall_us + 400 * S
    with Reader(path) as reader:
        assert ours(reader, from_wall_us=low, before_wall_us=high) == [*range(350, 400), *range(650, 700)]
        assert ours(reader, from_wall_us=low, before_wall_us=high, kinds=("k0",)) == [
            n for n in (*range(350, 400), *range(650, 700)) if n % 3 == 0
        ]
        assert ours(reader, before_wall_us=NOW.wall_us) == []
        assert ours(reader, from_wall_us=NOW.wall_us + 890 * S) == list(range(1190, 1200))


def test_sequences(path: Path) -> None:
    with Reader(path) as reader:
        got = [one.seq for one in reader.entries(after_seq=10, through_seq=20)]
        last = reader.last("k2")
        heads = reader.heads()
        assert reader.last("nothing") is None
        assert [one.seq for one in reader.entries(after_seq=heads["record"].seq)] == []
    assert got == list(range(11, 21))
    assert last is not None
    assert last.mono_us == 1199 * S
    assert heads["image"].seq == 0


def test_iterating_holds_no_transaction_open(tmp_path: Path) -> None:
    # A reader that stops half way must not pin the WAL: the writer's checkpoint gets everything across (REQ-43).
    path = tmp_path / "j.db"
    write(path, [entries(2000)], small_limits())
    journal = open_journal(path, small_limits(checkpoint_pages=1))
    with Reader(path) as reader:
        half = reader.entries()
        next(half)
        for number in range(20):
            journal.append_nowait(entries(50, first=number * 50))
            assert journal.flush(SOON_S)
        grown = path.with_name("j.db-wal").stat().st_size
        next(half)
    assert journal.close(SOON_S)
    assert grown < 400_000


def test_one_kind_is_found_by_index_without_sorting(path: Path) -> None:
    import apsw  # noqa: PLC0415 -- only to ask for the plan

    from crumbmeter.journal.reader import _page_sql  # noqa: PLC0415

    connection = apsw.Connection(str(path))
    plan = connection.execute(
        "EXPLAIN QUERY PLAN " + _page_sql("record", 1, newest_first=False), (0, 9, 0, 9, "k1", 5)
    ).fetchall()
    connection.close()
    assert [row[3] for row in plan] == ["SEARCH record USING INDEX record_kind (kind=? AND rowid>? AND rowid<?)"]
