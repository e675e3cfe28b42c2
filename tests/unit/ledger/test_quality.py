"""The quality record: all or nothing, processes in turn, corrected by further entries, whole by the chain."""

import fcntl
import multiprocessing
from pathlib import Path

import pytest

from crumbmeter.adapters.clock import machine_pause, machine_wall_us
from crumbmeter.journal import signed
from crumbmeter.journal.entry import KIND_SIGNED
from crumbmeter.journal.errors import JournalUnreadableError
from crumbmeter.journal.reader import Reader
from crumbmeter.journal.signing import load_key
from crumbmeter.journal.verify import verify
from crumbmeter.ledger.quality import KEY_NAME, NAME, NotRecordedError, append, read_all
from crumbmeter.qc.said import Said, Subject


def said(number: int, **changed: object) -> Said:
    fields = {"subject": Subject.TICKET, "about": f"T{number}", "what": {"net_kg": 20_000.0 + number}, "who": "wb.csv"}
    return Said(**(fields | {"effective_us": 1_000_000 * number} | changed))  # type: ignore[arg-type]


def add(folder: Path, *saids: Said) -> tuple[Said, ...]:
    return append(folder, saids, machine_wall_us, machine_pause)


def test_what_was_said_is_there_with_its_place(tmp_path: Path) -> None:
    put = add(tmp_path, said(1), said(2))
    assert [one.seq for one in put] == [1, 2]
    assert read_all(tmp_path).holding == put
    assert verify(tmp_path / NAME).ok


def test_a_correction_takes_the_place_and_the_first_entry_stays(tmp_path: Path) -> None:
    (first,) = add(tmp_path, said(1))
    (second,) = add(tmp_path, said(1, what={"net_kg": 21_000.0}, corrects=first.seq, reason="misread"))
    record = read_all(tmp_path)
    assert record.of(Subject.TICKET, "T1") == (second,)
    assert record.replaced == {second.seq: first}


def test_an_empty_correction_takes_back(tmp_path: Path) -> None:
    (first,) = add(tmp_path, said(1))
    add(tmp_path, said(1, what={}, corrects=first.seq, reason="twice"))
    assert read_all(tmp_path).holding == ()


def test_nothing_of_a_batch_is_there_when_one_cannot_be_said(tmp_path: Path) -> None:
    with pytest.raises(NotRecordedError, match="not recorded"):
        add(tmp_path, said(1), said(2, what={"net_kg": float("nan")}))
    assert read_all(tmp_path).holding == ()


DAY_US = 86_400_000_000


def signed_counts(folder: Path) -> list[int]:
    """How many of the entries of people each signed seal covers."""
    with Reader(folder / NAME) as reader:
        ends = [signed.read(one.body).record.seq for one in reader.entries("record", (KIND_SIGNED,))]
        return [len(list(reader.entries("record", ("said",), through_seq=end))) for end in ends]


def test_the_first_batch_of_each_day_is_signed_with_all_before_it(tmp_path: Path) -> None:
    for at_us in (5, 6, DAY_US + 5, DAY_US + 6, 3 * DAY_US):
        append(tmp_path, [said(1)], lambda at_us=at_us: at_us, machine_pause)  # type: ignore[misc]
    assert signed_counts(tmp_path) == [1, 3, 5]
    report = verify(tmp_path / NAME, keys=(load_key(tmp_path / KEY_NAME).public,))
    assert (report.ok, report.signed.uncovered) == (True, 1)


def test_what_cannot_be_signed_is_recorded_and_said(tmp_path: Path) -> None:
    (tmp_path / KEY_NAME).write_text("worn")
    why: list[str] = []
    append(tmp_path, [said(1)], machine_wall_us, machine_pause, unsigned=why.append)
    assert read_all(tmp_path).of(Subject.TICKET, "T1")
    assert signed_counts(tmp_path) == []
    assert "quality.key" in why[0]


def _writer(folder: Path, first: int) -> None:
    for number in range(first, first + 5):
        add(folder, said(number))


def test_processes_append_in_turn(tmp_path: Path) -> None:
    context = multiprocessing.get_context("spawn")
    writers = [context.Process(target=_writer, args=(tmp_path, first)) for first in (1, 101)]
    for one in writers:
        one.start()
    for one in writers:
        one.join(60)
    assert [one.exitcode for one in writers] == [0, 0]
    assert len(read_all(tmp_path).holding) == 10
    assert verify(tmp_path / NAME).ok


def test_a_record_that_is_never_let_go_is_refused_by_name(tmp_path: Path) -> None:
    tmp_path.joinpath(f"{NAME}.lock").touch()
    with tmp_path.joinpath(f"{NAME}.lock").open("w") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        pauses: list[float] = []
        with pytest.raises(NotRecordedError, match="another process is writing"):
            append(tmp_path, [said(1)], lambda: 1, pauses.append)
    assert len(pauses) == 49


def test_a_record_that_is_being_made_holds_nothing_yet(tmp_path: Path) -> None:
    tmp_path.joinpath(NAME).touch()
    with tmp_path.joinpath(f"{NAME}.lock").open("w") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        assert read_all(tmp_path).holding == ()
    with pytest.raises(JournalUnreadableError):
        read_all(tmp_path)
