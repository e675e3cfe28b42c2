"""Signed seals: made over what is acknowledged, judged by `verify`, and told apart by key and journal."""

from dataclasses import replace
from pathlib import Path

import pytest

from crumbmeter.cli.export_record import public_keys
from crumbmeter.cli.verify import verify as verify_command
from crumbmeter.journal.entry import KIND_SIGNED, Entry
from crumbmeter.journal.reader import Reader
from crumbmeter.journal.signed import SignedSeal, read, sign, utc_text
from crumbmeter.journal.signing import load_or_make_key, signed_by
from crumbmeter.journal.verify import verify
from tests.unit.journal.making import NOW, SOON_S, both_strands, entries, open_journal, small_limits, tamper, write
from tests.unit.journal.signing_it import KEY, OTHER_KEY, add_signed, identity


def seals(path: Path) -> list[tuple[int, SignedSeal]]:
    with Reader(path) as reader:
        return [(one.seq, read(one.body)) for one in reader.entries("record", (KIND_SIGNED,))]


def forged(path: Path, seal: SignedSeal) -> None:
    """Append a seal as it is, by the chain's own rules."""
    write(path, [[Entry("record", KIND_SIGNED, seal.body(), 1, NOW.wall_us)]])


def test_a_seal_signs_both_ends_as_they_were_acknowledged(tmp_path: Path) -> None:
    add_signed(tmp_path / "j.db", (7,))
    (seq, seal) = seals(tmp_path / "j.db")[0]
    with Reader(tmp_path / "j.db") as reader:
        assert seal.record.seq == seq - 1
        assert seal.record.hash == reader.hash_at("record", seq - 1)
        assert seal.image == reader.heads()["image"]
    assert (seal.journal_id, seal.public_key, seal.day) == (identity(tmp_path / "j.db"), KEY.public, "2026-02-02")


def test_the_signed_bytes_are_those_of_the_page(tmp_path: Path) -> None:
    """docs/journal.md: anyone can check it with any Ed25519, from the body alone."""
    add_signed(tmp_path / "j.db", (1,))
    with Reader(tmp_path / "j.db") as reader:
        stored = reader.last(KIND_SIGNED)
    assert stored is not None
    content, signature = stored.body.replace(b'"signature":"', b"\0").split(b"\0")
    digits, rest = signature.split(b'",', 1)
    assert signed_by(KEY.public, b"crumbmeter signed seal 1\0" + content + rest, bytes.fromhex(digits.decode()))


def test_verify_says_how_far_it_is_signed(tmp_path: Path) -> None:
    path = tmp_path / "j.db"
    add_signed(path, (7, 4))
    write(path, [entries(3, "record", 11)])
    report = verify(path)
    assert report.ok
    assert (report.signed.seals, report.signed.record_seq) == (2, seals(path)[-1][1].record.seq)
    assert report.signed.public_keys == (KEY.public,)
    assert report.signed.uncovered == report.strands[0].head.seq - report.signed.record_seq
    assert verify(path, keys=(KEY.public,)).ok
    stranger = verify(path, keys=(OTHER_KEY.public,))
    assert not stranger.ok
    assert (stranger.signed.seals, stranger.signed.other_keys) == (0, 2)


def test_a_journal_without_a_seal_is_whole_and_not_signed(tmp_path: Path) -> None:
    both_strands(tmp_path / "j.db", 3)
    assert verify(tmp_path / "j.db").ok
    assert verify(tmp_path / "j.db").signed.uncovered == 3
    assert not verify(tmp_path / "j.db", keys=(KEY.public,)).ok


def test_a_new_key_goes_on_where_the_old_one_ended(tmp_path: Path) -> None:
    add_signed(tmp_path / "j.db", (2,))
    add_signed(tmp_path / "j.db", (2,), OTHER_KEY, first=2)
    signed = verify(tmp_path / "j.db", keys=(KEY.public, OTHER_KEY.public)).signed
    assert signed.public_keys == (KEY.public, OTHER_KEY.public)


def test_a_seal_over_a_strand_that_is_still_empty_holds_later(tmp_path: Path) -> None:
    path = tmp_path / "j.db"
    journal = open_journal(path)
    journal.append_nowait(entries(1))
    assert journal.flush(SOON_S)
    heads = journal.heads()
    assert journal.close(SOON_S)
    forged(path, sign(KEY, heads, identity(path), NOW.wall_us))
    write(path, [entries(8, "image")])
    assert verify(path).ok


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda seal: replace(seal, day="2026-02-03"), "does not belong"),
        (lambda seal: replace(seal, signature=bytes(64)), "does not belong"),
        (lambda seal: replace(seal, public_key=OTHER_KEY.public), "does not belong"),
        (lambda seal: replace(seal, record=replace(seal.record, seq=1)), "does not belong"),
    ],
)  # fmt: skip
def test_a_changed_seal_is_a_fault_though_the_chain_holds(tmp_path: Path, change: object, said: str) -> None:
    path = tmp_path / "j.db"
    add_signed(path, (3,))
    forged(path, change(seals(path)[0][1]))  # type: ignore[operator]
    fault = verify(path).first_fault
    assert fault is not None
    assert (fault.what, fault.seq) == ("signature", seals(path)[-1][0])
    assert said in fault.detail


@pytest.mark.parametrize(
    ("strand", "seq", "said"),
    [("record", 2, "another hash"), ("record", 90, "comes after it"), ("image", 90, "tail was cut off")],
)
def test_a_head_that_is_not_there_is_a_fault(tmp_path: Path, strand: str, seq: int, said: str) -> None:
    path = tmp_path / "j.db"
    add_signed(path, (3,))
    with Reader(path) as reader:
        heads = reader.heads()
    heads |= {strand: replace(heads[strand], seq=seq)}  # type: ignore[index,dict-item]
    forged(path, sign(KEY, heads, identity(path), NOW.wall_us))
    fault = verify(path).first_fault
    assert fault is not None
    assert said in fault.detail


def test_a_seal_of_another_journal_proves_nothing_and_breaks_nothing(tmp_path: Path) -> None:
    """A damaged file may be set aside between the signing and the storing."""
    add_signed(tmp_path / "other.db", (3,))
    both_strands(tmp_path / "j.db", 3)
    forged(tmp_path / "j.db", seals(tmp_path / "other.db")[0][1])
    report = verify(tmp_path / "j.db")
    assert report.ok
    assert (report.signed.seals, report.signed.foreign) == (0, 1)


def test_what_retention_dropped_is_no_fault_of_a_seal(tmp_path: Path) -> None:
    path = tmp_path / "j.db"
    add_signed(path, (3,))
    limits = small_limits()
    short = replace(limits.record, keep_us=5_000_000)
    write(path, [[*entries(1, "record", n), *entries(1, "image", n)] for n in range(3, 60)], replace(
        limits, record=short, image=short
    ))  # fmt: skip
    add_signed(path, (2,), first=60)
    report = verify(path, keys=(KEY.public,))
    assert report.strands[0].dropped > 0
    assert report.ok
    assert report.signed.seals == 1


def test_nonsense_in_the_place_of_a_seal_is_a_fault(tmp_path: Path) -> None:
    write(tmp_path / "j.db", [[Entry("record", KIND_SIGNED, b'{"v":1}', 1, 1)]])
    fault = verify(tmp_path / "j.db").first_fault
    assert fault is not None
    assert "not a signed seal" in fault.detail


def test_the_commands_hand_out_the_key_and_take_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert public_keys(tmp_path) == 2
    add_signed(tmp_path / "journal.db", (5,), load_or_make_key(tmp_path / "journal.key"))
    assert public_keys(tmp_path) == 0
    printed = capsys.readouterr().out
    (tmp_path / "public").write_text(printed)
    assert verify_command(tmp_path, key=printed.split()[0]) == 0
    assert verify_command(tmp_path, key=str(tmp_path / "public")) == 0
    assert "by the key you gave" in capsys.readouterr().out
    assert verify_command(tmp_path, key=OTHER_KEY.public.hex()) == 1
    assert "proves nothing against a forger" in capsys.readouterr().out
    assert verify_command(tmp_path, key="abc") == 2
    tamper(tmp_path / "journal.db", "DELETE FROM record WHERE kind = 'signed_seal'")
    assert verify_command(tmp_path, key=printed.split()[0]) == 1
    (tmp_path / "journal.key").chmod(0o644)
    assert public_keys(tmp_path) == 2


def test_a_time_that_no_calendar_holds_is_still_told() -> None:
    assert utc_text(1_770_000_000_000_000) == "2026-02-02T02:40:00Z"
    assert utc_text(-5) == "-5 us"
