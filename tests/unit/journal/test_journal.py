import json
import sqlite3
import threading
from dataclasses import replace
from pathlib import Path

import pytest

from crumbmeter.journal.entry import KIND_GAP, OWN_KINDS, DeferredEntry, Entry
from crumbmeter.journal.errors import JournalRefusedError
from crumbmeter.journal.reader import Reader
from crumbmeter.journal.verify import verify
from tests.unit.journal.making import (
    BOOT,
    NOW,
    SOON_S,
    Commits,
    both_strands,
    entries,
    open_journal,
    small_limits,
    write,
)


def test_entries_come_back_as_they_were_given_in_their_order(tmp_path: Path) -> None:
    given = [*entries(3), Entry("record", "odd", b"\x00\xff", -5, -6, 3)]
    write(tmp_path / "j.db", [given])
    with Reader(tmp_path / "j.db") as reader:
        back = list(reader.entries())
    assert [Entry(one.strand, one.kind, one.body, one.mono_us, one.wall_us, one.flags) for one in back] == given
    assert [one.seq for one in back] == [1, 2, 3, 4]
    assert {one.boot_id for one in back} == {BOOT}
    assert (back[3].simulated, back[3].clock_synced) == (True, False)


def test_an_acknowledged_entry_is_already_on_the_disk(tmp_path: Path) -> None:
    seen: list[tuple[int, int]] = []
    path = tmp_path / "j.db"
    journal = open_journal(path)

    def look(seq: int, head: bytes) -> None:
        with Reader(path) as reader:
            stored = list(reader.entries(after_seq=seq - 1))
        assert stored[-1].hash == head
        assert journal.heads()["record"].seq == seq
        seen.append((seq, stored[-1].seq))

    journal.on_committed(look)
    for number in range(3):
        journal.append_nowait(entries(1, first=number))
        assert journal.flush(SOON_S)
    assert journal.close(SOON_S)
    assert seen == [(1, 1), (2, 2), (3, 3)]
    assert journal.status().last_problem == ""


def test_all_that_is_queued_goes_into_one_transaction(tmp_path: Path) -> None:
    begun, go_on = threading.Event(), threading.Event()

    def hold(point: str) -> None:
        if point == "before_commit" and not begun.is_set():
            begun.set()
            assert go_on.wait(SOON_S)

    commits = Commits()
    journal = open_journal(tmp_path / "j.db", small_limits(), fault_point=hold)
    journal.on_committed(commits)
    journal.append_nowait(entries(1))
    assert begun.wait(SOON_S)
    for number in range(1, 4):
        journal.append_nowait(entries(1, first=number))
    go_on.set()
    assert journal.flush(SOON_S)
    assert journal.close(SOON_S)
    assert [seq for seq, _ in commits.heard] == [1, 4]


def test_a_later_run_continues_the_chain(tmp_path: Path) -> None:
    path = tmp_path / "j.db"
    assert write(path, [entries(3)]).opening.outcome == "new"
    assert write(path, [entries(3)]).opening.outcome == "continued"
    report = verify(path)
    assert report.ok
    assert report.strands[0].head.seq == 7  # six, and the seal of the first five


def test_a_body_is_made_once_in_the_writer_thread(tmp_path: Path) -> None:
    made: list[str] = []

    def body() -> bytes:
        made.append(threading.current_thread().name)
        return b"late"

    write(tmp_path / "j.db", [[DeferredEntry("image", "scans", body, 1, 2, 1)]])
    with Reader(tmp_path / "j.db") as reader:
        (back,) = reader.entries("image")
    assert (back.body, back.mono_us, back.wall_us, back.flags) == (b"late", 1, 2, 1)
    assert made == ["journal-writer"]


def test_a_body_that_cannot_be_made_leaves_a_gap_and_costs_nothing_else(tmp_path: Path) -> None:
    def body() -> bytes:
        raise ZeroDivisionError("no")

    path = tmp_path / "j.db"
    journal = write(path, [[*entries(1), DeferredEntry("record", "bad", body, 7, NOW.wall_us), *entries(1, first=1)]])
    with Reader(path) as reader:
        gap = reader.last(KIND_GAP)
        assert [one.kind for one in reader.entries()] == [KIND_GAP, "thing", "thing"]
    assert gap is not None
    assert json.loads(gap.body)["reasons"] == {"body could not be made: ZeroDivisionError: no": 1}
    assert journal.status().dropped == {"record": 1, "image": 0}
    assert verify(path).ok


def test_an_entry_that_no_header_can_hold_is_given_up_alone(tmp_path: Path) -> None:
    path = tmp_path / "j.db"
    journal = open_journal(path)
    journal.append_nowait([*entries(2), Entry("record", "thing", b"", 1 << 70, NOW.wall_us), *entries(2, first=2)])
    assert journal.flush(SOON_S)
    journal.append_nowait(entries(1, first=4))
    assert journal.close(SOON_S)
    with Reader(path) as reader:
        kinds = [one.kind for one in reader.entries() if one.kind != "journal_seal"]
        numbers = [json.loads(one.body)["n"] for one in reader.entries(kinds=("thing",))]
        gap = reader.last(KIND_GAP)
    assert numbers == [0, 1, 2, 3, 4]
    assert kinds.count(KIND_GAP) == 1
    assert gap is not None
    assert json.loads(gap.body)["count"] == 1
    assert journal.status().dropped["record"] == 1
    assert verify(path).ok


def test_overflow_is_counted_and_leaves_a_gap_where_it_happened(tmp_path: Path) -> None:
    begun, go_on = threading.Event(), threading.Event()

    def hold(point: str) -> None:
        if point == "before_commit" and not begun.is_set():
            begun.set()
            assert go_on.wait(SOON_S)

    base = small_limits()
    limits = replace(base, record=replace(base.record, queue_entries=3, segment_entries=100))
    path = tmp_path / "j.db"
    journal = open_journal(path, limits, fault_point=hold)
    journal.append_nowait(entries(1))
    assert begun.wait(SOON_S)
    journal.append_nowait(entries(5, first=1))  # three find room, 4 and 5 do not
    journal.append_nowait(entries(1, "image", 9))  # the other strand has room of its own
    assert journal.status().dropped == {"record": 2, "image": 0}
    go_on.set()
    assert journal.flush(SOON_S)
    journal.append_nowait(entries(1, first=6))
    assert journal.close(SOON_S)
    with Reader(path) as reader:
        told = [(one.kind, json.loads(one.body)) for one in reader.entries()]
        assert len(list(reader.entries("image"))) == 1
    assert [body.get("n") for _, body in told] == [0, 1, 2, 3, None, 6]
    kind, gap = told[4]
    assert kind == KIND_GAP
    assert gap == {
        "count": 2,
        "first_mono_us": 4_000_000,
        "first_wall_us": NOW.wall_us + 4_000_000,
        "last_mono_us": 5_000_000,
        "last_wall_us": NOW.wall_us + 5_000_000,
        "reasons": {"queue full": 2},
        "strand": "record",
    }
    assert verify(path).ok


def test_a_second_writer_is_refused_and_the_first_goes_on(tmp_path: Path) -> None:
    path = tmp_path / "j.db"
    journal = open_journal(path)
    with pytest.raises(JournalRefusedError, match="another process"):
        open_journal(path)
    journal.append_nowait(entries(1))
    assert journal.close(SOON_S)
    assert write(path, [entries(1)]).opening.outcome == "continued"


def test_a_listener_that_raises_costs_nothing(tmp_path: Path) -> None:
    def listener(seq: int, head: bytes) -> None:
        raise RuntimeError(f"at {seq}")

    journal = open_journal(tmp_path / "j.db")
    journal.on_committed(listener)
    journal.append_nowait(entries(2))
    assert journal.flush(SOON_S)
    assert "at 2" in journal.status().last_problem
    assert journal.close(SOON_S)
    assert verify(tmp_path / "j.db").ok


def test_after_closing_nothing_is_taken_and_it_is_counted(tmp_path: Path) -> None:
    journal = write(tmp_path / "j.db", [entries(1)])
    journal.append_nowait(entries(2))
    assert journal.status().dropped["record"] == 2
    assert journal.status().queued == 0


def test_a_segment_is_sealed_by_count_bytes_or_age(tmp_path: Path) -> None:
    base = small_limits()
    for name, change, sealed in (
        ("count", {"segment_entries": 4}, 2),
        ("bytes", {"segment_entries": 1000, "segment_bytes": 2500}, 1),
        ("age", {"segment_entries": 1000, "segment_age_us": 4_000_000}, 1),
    ):
        limits = replace(base, record=replace(base.record, **change))
        path = tmp_path / f"{name}.db"
        body = b"x" * (600 if name == "bytes" else 1)
        write(path, [[replace(one, body=body) for one in entries(8)]], limits)
        with Reader(path) as reader:
            seals = reader.seals("record")
            assert len(seals) == sealed, name
            assert [one.seq for one in reader.entries(kinds=("journal_seal",))] == [seal.last_seq + 1 for seal in seals]
        assert verify(path).ok


def test_a_reader_sees_whole_commits_while_the_writer_works(tmp_path: Path) -> None:
    path = tmp_path / "j.db"
    journal = open_journal(path)
    journal.append_nowait(entries(1))
    assert journal.flush(SOON_S)
    pairs: list[tuple[int, int]] = []
    with Reader(path) as reader:
        for number in range(40):
            journal.append_nowait([*entries(1, first=number), *entries(1, "image", number)])
            heads = reader.heads()
            seen = [one.seq for one in reader.entries(through_seq=heads["record"].seq)]
            assert seen == list(range(1, heads["record"].seq + 1))
            pairs.append((len(seen), heads["record"].seq))
    assert journal.close(SOON_S)
    assert pairs[-1][1] >= 1
    assert verify(path).ok


def test_another_sqlite_reads_the_file_as_documented(tmp_path: Path) -> None:
    # Decades from now someone opens it with whatever SQLite there is: nothing of ours is needed to read bodies.
    both_strands(tmp_path / "j.db", 3)
    connection = sqlite3.connect(tmp_path / "j.db")
    try:
        found = connection.execute("SELECT seq, kind, body FROM record ORDER BY seq").fetchall()
        mode = connection.execute("PRAGMA journal_mode").fetchone()
    finally:
        connection.close()
    assert found == [(1, "thing", b'{"n":0}'), (2, "thing", b'{"n":1}'), (3, "thing", b'{"n":2}')]
    assert mode == ("wal",)


def test_no_subject_may_use_the_journals_own_kinds_by_accident() -> None:
    assert all(kind.startswith("journal_") for kind in OWN_KINDS)
