"""A range of the record as one file that stands by itself: lines of JSON that prove each other, up to a signed seal.

    line 1      header: format, identity and birth of the journal, hash before the first entry, what was asked for
    lines 2...  an entry each, as `json_lines` writes them; seals and signed seals are among them
    last line   how many there are, the head, and the SHA-256 of all bytes before this line

The range goes on to the first signed seal that covers its end, so that whoever has the public key can prove all of it
(crumbmeter.journal.exported_check).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Final

from crumbmeter.journal.chain import canonical_json, genesis_hash
from crumbmeter.journal.entry import KIND_SIGNED, Strand
from crumbmeter.journal.errors import JournalUnreadableError
from crumbmeter.journal.export import json_lines
from crumbmeter.journal.reader import Reader
from crumbmeter.journal.signed import read
from crumbmeter.model.faults import CrumbmeterError

FORMAT: Final = "crumbmeter record 1"
STRAND: Final[Strand] = "record"


class NothingToExportError(CrumbmeterError):
    """The record holds nothing of that period."""


@dataclass(frozen=True, slots=True)
class Header:
    """The first line of the file."""

    journal_id: bytes
    born_us: int
    """[us] Wall time of the journal's birth: with the identity, it gives the genesis."""
    first_seq: int
    asked_through_seq: int
    """Last entry of what was asked for; what follows is there for the signature."""
    before: bytes
    """Hash before the first entry."""
    asked_from_us: int | None = None
    """[us] Beginning of the period asked for; None: from the first entry."""
    asked_before_us: int | None = None

    @property
    def genesis(self) -> bytes:
        """Return the hash before the first entry ever."""
        return genesis_hash(self.journal_id, self.born_us, STRAND)

    def line(self) -> bytes:
        """Return its bytes, with the newline."""
        said = {
            "format": FORMAT, "strand": STRAND, "journal_id": self.journal_id.hex(), "created_wall_us": self.born_us,
            "genesis": self.genesis.hex(), "first_sequence": self.first_seq, "before": self.before.hex(),
            "asked_through_sequence": self.asked_through_seq, "asked_from_us": self.asked_from_us,
            "asked_before_us": self.asked_before_us,
        }  # fmt: skip
        return canonical_json(said) + b"\n"


def last_line(entries: int, seq: int, digest: bytes, of_all_before: bytes) -> bytes:
    """Return the last line, with its newline: how many entries, the head, and the SHA-256 of all before it."""
    head = f"{STRAND}:{seq}:{digest.hex()}"
    return canonical_json({"end": FORMAT, "entries": entries, "head": head, "sha256": of_all_before.hex()}) + b"\n"


def export(reader: Reader, from_us: int | None, before_us: int | None, target: Path) -> None:
    """Write the record of a period to a file, which appears under its name only when it is whole.

    Args:
        reader: The journal.
        from_us: [us] Beginning, UTC since 1970; None: the first entry kept.
        before_us: [us] End; None: the last entry.
        target: The file.

    Raises:
        NothingToExportError: the record holds nothing of that period.
        JournalUnreadableError: an entry of the range is missing, or retention has just dropped it.
        OSError: the file cannot be written.
    """
    header = _header(reader, from_us, before_us)
    through_seq = _signed_end(reader, header)
    part = target.with_name(target.name + ".part")
    whole = sha256()
    with part.open("wb") as file:
        for line in _lines(reader, header, through_seq):
            whole.update(line)
            file.write(line)
        digest = reader.hash_at(STRAND, through_seq) or b""
        file.write(last_line(through_seq - header.first_seq + 1, through_seq, digest, whole.digest()))
    part.replace(target)


def _lines(reader: Reader, header: Header, through_seq: int) -> Iterator[bytes]:
    yield header.line()
    due = header.first_seq
    found = reader.entries(STRAND, after_seq=header.first_seq - 1, through_seq=through_seq)
    for stored in found:
        if stored.seq != due:
            raise JournalUnreadableError(reader.path, f"record {due} is not there; run `crumbmeter verify` on it")
        due += 1
        yield from (line.encode() + b"\n" for line in json_lines((stored,)))
    if due != through_seq + 1:
        raise JournalUnreadableError(reader.path, f"record {due} is not there; run `crumbmeter verify` on it")


def _header(reader: Reader, from_us: int | None, before_us: int | None) -> Header:
    span = reader.wall_span(STRAND, from_us, before_us)
    if span is None:
        raise NothingToExportError("the record holds nothing of that period; look at --from and --to, with their zones")
    # The entry before shows that nothing is left out between the time asked for and the first entry.
    kept = next((one.seq for one in reader.entries(STRAND, after_seq=span[0] - 2, through_seq=span[0])), span[0])
    before = reader.hash_at(STRAND, kept - 1)
    if before is None:
        raise JournalUnreadableError(reader.path, f"record {kept - 1} is not there; run `crumbmeter verify` on it")
    return Header(
        bytes.fromhex(reader.journal_id()), reader.born_us(), kept, span[1], before, from_us, before_us
    )  # fmt: skip


def _signed_end(reader: Reader, header: Header) -> int:
    """Return the sequence of the first signed seal that covers the end, or the end where there is none yet."""
    for stored in reader.entries(STRAND, (KIND_SIGNED,), after_seq=header.asked_through_seq):
        try:
            seal = read(stored.body)
        except ValueError:
            continue
        if seal.journal_id == header.journal_id and seal.record.seq >= header.asked_through_seq:
            return stored.seq
    return header.asked_through_seq
