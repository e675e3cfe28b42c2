import json
from pathlib import Path

import pytest

from crumbmeter.cli.verify import verify as verify_command
from crumbmeter.journal.chain import Head
from crumbmeter.journal.reader import Reader
from crumbmeter.journal.verify import VerifyReport, verify
from tests.unit.journal.making import SOON_S, both_strands, entries, open_journal, small_limits, tamper, write


@pytest.fixture
def path(tmp_path: Path) -> Path:
    both_strands(tmp_path / "j.db", 12)  # 14 entries a strand: seals stand at 6 and 11
    return tmp_path / "j.db"


def of(report: VerifyReport, strand: str) -> list[tuple[int, str]]:
    found = next(one for one in report.strands if one.strand == strand)
    return [(fault.seq, fault.what) for fault in found.faults]


def test_a_journal_as_written_holds(path: Path) -> None:
    report = verify(path)
    assert report.ok
    assert [(one.entries, one.first_seq, one.head.seq, one.segments, one.dropped) for one in report.strands] == [
        (14, 1, 14, 2, 0)
    ] * 2
    with Reader(path) as reader:
        assert {one.strand: one.head for one in report.strands} == reader.heads()
        assert report.journal_id == reader.journal_id()


@pytest.mark.parametrize(
    ("sql", "first", "what"),
    [
        ("UPDATE record SET body = x'7b7d' WHERE seq = 3", 1, "seal"),
        ("UPDATE record SET wall_us = wall_us + 1 WHERE seq = 13", 13, "changed"),
        ("UPDATE record SET flags = 0x100000000 WHERE seq = 13", 13, "changed"),
        ("UPDATE record SET boot_id = CAST(boot_id || x'00' AS BLOB) WHERE seq = 13", 13, "changed"),
        ("UPDATE record SET hash = zeroblob(32) WHERE seq = 14", 14, "changed"),
        ("DELETE FROM record WHERE seq = 13", 13, "missing"),
        ("DELETE FROM record WHERE seq = 1", 1, "missing"),
        ("DELETE FROM record WHERE seq BETWEEN 1 AND 5", 1, "missing"),
        ("DELETE FROM record WHERE seq > 10", 11, "missing"),
        ("INSERT INTO record SELECT 0, boot_id, kind, 1, 1, 0, body, hash FROM record WHERE seq = 1", 0, "inserted"),
        ("INSERT INTO record SELECT 15, boot_id, kind, 1, 1, 0, body, hash FROM record WHERE seq = 14", 15, "changed"),
        ("UPDATE record SET seq = 99 WHERE seq = 14", 14, "missing"),
        ("UPDATE record SET seq = 0 WHERE seq = 12", 0, "inserted"),
        ("UPDATE genesis SET hash = zeroblob(32) WHERE strand = 'record'", 0, "genesis"),
        ("DELETE FROM genesis WHERE strand = 'record'", 0, "genesis"),
        ("UPDATE seal SET sealed_wall_us = 1 WHERE strand = 'record' AND segment = 1", 6, "seal"),
        ("DELETE FROM seal WHERE strand = 'record' AND segment = 0", 1, "seal"),
        ("DELETE FROM seal WHERE strand = 'record' AND segment = 1", 11, "seal"),
        ("UPDATE seal SET present = 0 WHERE strand = 'record' AND segment = 0", 1, "inserted"),
        ("UPDATE seal SET present = 0 WHERE strand = 'record' AND segment = 1", 6, "dropped"),
    ],
)  # fmt: skip
def test_each_kind_of_tampering_is_named_and_the_other_strand_still_judged(
    path: Path, sql: str, first: int, what: str
) -> None:
    tamper(path, sql)
    report = verify(path)
    assert not report.ok
    if "seq = 3" in sql:  # in a sealed segment: the seal tells first, and the row is named as well
        assert (3, "changed") in of(report, "record")
    else:
        assert of(report, "record")[0] == (first, what)
    assert of(report, "image") == []


def test_two_rows_changing_places_are_found(path: Path) -> None:
    tamper(path, "UPDATE record SET seq = -1 WHERE seq = 12")
    tamper(path, "UPDATE record SET seq = 12 WHERE seq = 13")
    tamper(path, "UPDATE record SET seq = 13 WHERE seq = -1")
    assert of(verify(path), "record") == [(12, "changed"), (13, "changed"), (14, "changed")]


def test_one_changed_row_is_one_fault(path: Path) -> None:
    tamper(path, "UPDATE record SET body = x'00' WHERE seq = 13")
    assert of(verify(path), "record") == [(13, "changed")]


def test_a_cut_tail_is_found_by_a_published_head_only(path: Path) -> None:
    with Reader(path) as reader:
        published = reader.heads()["record"]
    tamper(path, "DELETE FROM record WHERE seq > 12")
    assert verify(path).ok
    for head in (published, published.hash):
        report = verify(path, head)
        assert (report.ok, report.head_found) == (False, False)
        assert "cut off" in report.head_detail


def test_a_published_head_is_found_again_after_the_chain_has_grown(path: Path) -> None:
    with Reader(path) as reader:
        published = reader.heads()
    write(path, [entries(30), entries(30, "image")])
    for head in published.values():
        assert verify(path, head).head_found is True
        assert verify(path, head.hash).head_found is True
    wrong = Head("record", published["record"].seq, bytes(32))
    assert "written anew" in verify(path, wrong).head_detail
    assert verify(path, bytes(32)).ok is False


def test_the_head_of_an_empty_strand_is_its_genesis(tmp_path: Path) -> None:
    journal = write(tmp_path / "j.db", [entries(1)])
    empty = journal.heads()["image"]
    assert empty.seq == 0
    assert verify(tmp_path / "j.db", empty).head_found is True
    assert verify(tmp_path / "j.db", empty.hash).head_found is True


def test_a_torn_page_is_one_strands_fault(tmp_path: Path) -> None:
    path = tmp_path / "j.db"
    write(path, [entries(3000), entries(40, "image")], small_limits())
    raw = bytearray(path.read_bytes())
    at = raw.find(b'{"n":1500}')
    assert at > 0
    page = at - at % 4096
    raw[page : page + 4096] = bytes(4096)
    path.write_bytes(raw)
    report = verify(path)
    assert not report.ok
    assert report.strands[1].ok
    assert report.strands[0].faults


def test_a_live_journal_can_be_verified(tmp_path: Path) -> None:
    path = tmp_path / "j.db"
    journal = open_journal(path)
    for number in range(30):
        journal.append_nowait([*entries(3, first=number), *entries(1, "image", number)])
        report = verify(path)
        assert report.ok, report
    assert journal.close(SOON_S)


def test_the_command_says_it_in_words_and_by_exit_code(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with Reader(path) as reader:
        head = str(reader.heads()["record"])
    assert verify_command(path, head) == 0
    said = capsys.readouterr().out
    assert "The journal is whole" in said
    assert f"head {head}" in said
    assert verify_command(path, head, as_json=True) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["ok"], told["head_found"], told["strands"][0]["head"]) == (True, True, head)
    tamper(path, "UPDATE record SET kind = 'other' WHERE seq = 13")
    assert verify_command(path) == 1
    assert "first entry that does not agree is record 13" in capsys.readouterr().out
    assert verify_command(path, as_json=True) == 1
    assert json.loads(capsys.readouterr().out)["strands"][0]["first_bad_seq"] == 13
    assert verify_command(path, "nonsense") == 2
    assert verify_command(path.parent / "nowhere.db") == 2
    assert "no such file" in capsys.readouterr().err


def test_the_command_takes_the_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    both_strands(tmp_path / "journal.db", 2)
    assert verify_command(tmp_path) == 0
    assert "entries 1 to 2" in capsys.readouterr().out
