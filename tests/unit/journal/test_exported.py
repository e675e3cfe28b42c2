"""A record exported to a file: proved from the file and the public key alone, and where it breaks is named."""

from hashlib import sha256
from pathlib import Path

import pytest

from crumbmeter.cli.export_record import export_record
from crumbmeter.cli.verify import verify as verify_command
from crumbmeter.journal.chain import canonical_json
from crumbmeter.journal.entry import Entry
from crumbmeter.journal.errors import JournalUnreadableError
from crumbmeter.journal.exported import Header, NothingToExportError, export
from crumbmeter.journal.exported_check import NotAnExportError, check_export
from crumbmeter.journal.reader import Reader
from tests.unit.journal.making import NOW, entries, tamper, write
from tests.unit.journal.signing_it import KEY, OTHER_KEY, add_signed

S = 1_000_000


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Twenty entries a second apart from NOW on, a signed seal behind the eighth and the sixteenth, others between."""
    add_signed(tmp_path / "j.db", (8, 8))
    write(tmp_path / "j.db", [[*entries(4, "record", 16), Entry("record", "raw", b"\xff\0", 1, NOW.wall_us + 30 * S)]])
    return tmp_path / "j.db"


def exported(path: Path, from_s: int | None = None, to_s: int | None = None) -> Path:
    bounds = [None if at_s is None else NOW.wall_us + at_s * S for at_s in (from_s, to_s)]
    with Reader(path) as reader:
        export(reader, bounds[0], bounds[1], path.with_name("out"))
    return path.with_name("out")


def lines(file: Path) -> list[bytes]:
    return file.read_bytes().splitlines(keepends=True)


def test_a_period_goes_on_to_the_next_signed_seal_and_is_all_covered(path: Path) -> None:
    report = check_export(exported(path, 3, 6), keys=(KEY.public,))
    assert report.ok
    assert b'"n":2}' in lines(path.with_name("out"))[1].replace(b"\\", b"")  # the one before shows nothing is left out
    assert report.ended_us == NOW.wall_us + 5 * S
    assert report.signed.record_seq >= report.header.asked_through_seq
    assert report.signed.uncovered == 1  # the seal itself
    with Reader(path) as reader:
        assert report.head.hash == reader.hash_at("record", report.head.seq)


def test_a_period_behind_the_last_seal_is_whole_and_said_to_be_unsigned(path: Path) -> None:
    report = check_export(exported(path, 17))
    assert report.ok
    assert (report.signed.seals, report.signed.uncovered) == (0, report.entries)
    assert not check_export(path.with_name("out"), keys=(KEY.public,)).ok


def test_all_of_it_begins_at_the_genesis(path: Path) -> None:
    report = check_export(exported(path), keys=(KEY.public,))
    assert report.ok
    assert report.header.before == report.header.genesis
    assert report.signed.uncovered > 5
    assert not check_export(path.with_name("out"), keys=(OTHER_KEY.public,)).ok


def test_a_published_head_is_looked_for(path: Path) -> None:
    file = exported(path, 3, 6)
    with Reader(path) as reader:
        held, late = [next(reader.entries(after_seq=seq - 1)) for seq in (6, 19)]
        head = check_export(file).head
    assert check_export(file, head).head_found is True
    assert check_export(file, held.hash).head_found is True
    assert check_export(file, late.hash).head_found is None
    assert check_export(file, type(head)("record", 6, late.hash)).head_found is False


@pytest.mark.parametrize("cut", [1, 3, 6])
def test_a_missing_line_is_named(path: Path, cut: int) -> None:
    file = exported(path, 3, 6)
    kept = lines(file)
    first = check_export(file).header.first_seq
    file.write_bytes(b"".join(kept[:cut] + kept[cut + 1 :]))
    report = check_export(file)
    assert report.faults[0].line == cut + 1
    assert (report.faults[0].fault.what, report.faults[0].fault.seq) == ("missing", first + cut - 1)


def test_a_changed_line_is_named_with_its_sequence(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = exported(path, 3, 6)
    kept = lines(file)
    seq = check_export(file).header.first_seq + 2
    file.write_bytes(b"".join([*kept[:3], kept[3].replace(b'"flags":0', b'"flags":1'), *kept[4:]]))
    assert verify_command(file) == 1
    assert f"It breaks at line 4, record {seq}." in capsys.readouterr().out


def test_a_cut_tail_with_a_last_line_made_anew_does_not_hold_what_was_asked(path: Path) -> None:
    file = exported(path, 3, 6)
    kept = lines(file)
    file.write_bytes(b"".join(kept[:3]))
    assert [one.fault.what for one in check_export(file).faults] == ["missing", "missing"]
    head = check_export(file).head
    end = {"end": "crumbmeter record 1", "entries": 2, "head": str(head)}
    end["sha256"] = sha256(b"".join(kept[:3])).hexdigest()
    file.write_bytes(b"".join(kept[:3]) + canonical_json(end) + b"\n")
    assert [one.fault.what for one in check_export(file).faults] == ["missing"]


def test_another_journals_name_in_the_header_is_refused(path: Path) -> None:
    file = exported(path)
    header, *rest = lines(file)
    said = check_export(file).header
    file.write_bytes(header.replace(said.journal_id.hex().encode(), b"0" * 32) + b"".join(rest))
    with pytest.raises(NotAnExportError, match="line 1"):
        check_export(file)
    forged = Header(bytes(16), said.born_us, said.first_seq, said.asked_through_seq, said.before)
    file.write_bytes(forged.line() + b"".join(rest))
    assert check_export(file).faults[0].fault.what == "genesis"
    file.write_bytes(b"{}\n")
    assert verify_command(file) == 2


def test_a_hole_in_the_journal_is_not_exported(path: Path) -> None:
    tamper(path, "DELETE FROM record WHERE seq = 5")
    with pytest.raises(JournalUnreadableError, match="record 5"):
        exported(path, 0, 8)
    assert not path.with_name("out").exists()


def test_an_empty_period_is_refused(path: Path) -> None:
    with pytest.raises(NothingToExportError, match="--from"):
        exported(path, 1000)


def test_the_command_writes_and_verifies(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    add_signed(tmp_path / "quality.db", (8,))
    out = tmp_path / "out"
    assert export_record(tmp_path, "2026-02-02T02:40:02Z", "2026-02-02T02:40:05Z", out, quality=True) == 0
    assert "This range is whole" in capsys.readouterr().out
    assert verify_command(out, key=KEY.public.hex(), as_json=True) == 0
    assert '"ok": true' in capsys.readouterr().out
    assert export_record(tmp_path, "", "", out) == 2
    assert export_record(tmp_path, "yesterday", "", out, quality=True) == 2
