"""Proving an exported record: offline, on any machine, from the file and a public key alone."""

import base64
import json
import struct
from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any, BinaryIO, Final

from crumbmeter.journal.chain import Head
from crumbmeter.journal.entry import KIND_SIGNED, Stored
from crumbmeter.journal.export import json_lines
from crumbmeter.journal.exported import FORMAT, STRAND, Header, last_line
from crumbmeter.journal.signatures import Signatures, SignedUpTo
from crumbmeter.journal.walk import Fault, Row, Walk

_MOST_FAULTS: Final = 100


class NotAnExportError(ValueError):
    """The file does not begin as an exported record; the text says what was found."""


@dataclass(frozen=True, slots=True)
class LineFault:
    """Something that does not agree, and where it stands in the file."""

    line: int
    fault: Fault

    def __str__(self) -> str:
        return f"line {self.line}, {self.fault}"


@dataclass(frozen=True, slots=True)
class ExportReport:
    """What was found in an exported record."""

    path: Path
    header: Header
    entries: int
    head: Head
    began_us: int
    """[us] Wall time of the first entry."""
    ended_us: int
    """[us] Wall time of the last one asked for."""
    faults: tuple[LineFault, ...]
    """In order of lines; at most a hundred."""
    signed: SignedUpTo
    head_found: bool | None
    """Whether the published head is in it. None: none was given, or it is not of this range."""
    head_detail: str = ""

    @property
    def ok(self) -> bool:
        """Tell whether all of it is proved, as far as what was given can prove it."""
        return not self.faults and self.signed.ok and self.head_found is not False


def is_export(path: Path) -> bool:
    """Tell an exported record from a database: it begins with a brace."""
    with path.open("rb") as file:
        return file.read(1) == b"{"


def check_export(path: Path, expect_head: "Head | bytes | None" = None, keys: tuple[bytes, ...] = ()) -> ExportReport:
    """Walk an exported record.

    Args:
        path: The file.
        expect_head: A head published earlier, or its bare hash: it has to be in it, if it is of this range.
        keys: Public keys by which it has to be signed; none: any key is taken, and named.

    Raises:
        NotAnExportError: the first line is no header of an exported record.
        OSError: it cannot be read.
    """
    with path.open("rb") as file:
        first = file.readline()
        header = _header(first)
        walked = _Walked(header, sha256(first))
        faults = list(_first_faults(walked.run(file)))
    signatures = Signatures(header.journal_id, keys, walked.look_up)
    for line, seq, body in walked.signed:
        faults += [LineFault(line, fault) for fault in signatures.meet(seq, body)]
    faults.sort(key=lambda one: one.line)
    found, detail = walked.find(expect_head)
    head = Head(STRAND, walked.walk.expected - 1, walked.walk.prior)
    signed = signatures.told(header.first_seq, head.seq)
    return ExportReport(
        path, header, len(walked.seqs), head, walked.began_us, walked.ended_us, tuple(faults), signed, found, detail
    )  # fmt: skip


def _first_faults(found: Iterator[LineFault]) -> Iterator[LineFault]:
    for _, fault in zip(range(_MOST_FAULTS), found, strict=False):
        yield fault


def _header(line: bytes) -> Header:
    try:
        said = json.loads(line)
        header = Header(
            bytes.fromhex(said["journal_id"]), int(said["created_wall_us"]), int(said["first_sequence"]),
            int(said["asked_through_sequence"]), bytes.fromhex(said["before"]), said["asked_from_us"],
            said["asked_before_us"],
        )  # fmt: skip
        canonical = header.line()
    except (ValueError, KeyError, TypeError, RecursionError, struct.error) as problem:
        raise NotAnExportError(f"line 1 is no header: {type(problem).__name__}: {problem}") from problem
    if canonical != line or not all(
        one is None or type(one) is int for one in (header.asked_from_us, header.asked_before_us)
    ):
        raise NotAnExportError(f"line 1 is no header of a {FORMAT!r}: something in it does not agree with the rest")
    return header


class _Walked:
    """One walk along the lines."""

    def __init__(self, header: Header, whole: Any) -> None:
        self._header = header
        self._whole = whole
        self.walk = Walk(STRAND, header.first_seq, header.before)
        self.seqs: list[int] = []
        self.hashes = bytearray()
        self.signed: list[tuple[int, int, bytes]] = []
        """Line, sequence and body of every signed seal."""
        self.began_us = 0
        self.ended_us = 0

    def run(self, file: BinaryIO) -> Iterator[LineFault]:
        """Yield every fault; the last line is judged when there is none behind it."""
        header, walk = self._header, self.walk
        if header.first_seq < 1 or (header.first_seq == 1 and header.before != header.genesis):
            said = "the chain's beginning does not belong to this journal's identity"
            yield LineFault(1, Fault(STRAND, header.first_seq, "genesis", said))
        number, held = 1, b""
        for line in file:
            if held:
                yield from self._entry(number, held)
            number, held = number + 1, line
        if not held.startswith(b'{"end":'):
            if held:
                yield from self._entry(number, held)
            yield LineFault(number, Fault(STRAND, walk.expected, "missing", "the file ends without its last line"))
        elif held != last_line(len(self.seqs), walk.expected - 1, walk.prior, self._whole.digest()):
            said = "the last line does not agree with what stands before it"
            yield LineFault(number, Fault(STRAND, walk.expected - 1, "tail", said))
        if walk.expected <= header.asked_through_seq:
            said = f"nothing from here to {header.asked_through_seq}, which was asked for"
            yield LineFault(number, Fault(STRAND, walk.expected, "missing", said))

    def _entry(self, number: int, line: bytes) -> Iterator[LineFault]:
        self._whole.update(line)
        row = _row(line)
        if row is None:
            yield LineFault(number, Fault(STRAND, self.walk.expected, "changed", "the line is no entry of the record"))
            self.walk.expected += 1
            return
        if row[0] >= self.walk.expected:
            self.seqs.append(row[0])
            self.hashes += row[7].ljust(32, b"\0")[:32]
            self.began_us = self.began_us if len(self.seqs) > 1 else row[4]
            self.ended_us = row[4] if row[0] <= self._header.asked_through_seq else self.ended_us
            if row[2] == KIND_SIGNED:
                self.signed.append((number, row[0], row[6]))
        yield from (LineFault(number, fault) for fault in self.walk.meet(row))

    def find(self, expected: "Head | bytes | None") -> tuple[bool | None, str]:
        """Look for a published head."""
        if expected is None:
            return None, ""
        if isinstance(expected, Head):
            return self.look_up(expected)
        at = next((at for at in range(len(self.seqs)) if self.hashes[32 * at : 32 * at + 32] == expected), None)
        return (None, "not in this range of the record") if at is None else (True, f"record {self.seqs[at]}")

    def look_up(self, head: Head) -> tuple[bool | None, str]:
        """Look for a head whose place is known."""
        where = f"{head.strand} {head.seq}"
        if head.strand != STRAND or head.seq < self._header.first_seq:
            return None, f"{where} is not in this file"
        at = bisect_left(self.seqs, head.seq)
        if at == len(self.seqs):
            return None, f"{where} is behind what is in this file"
        if self.seqs[at] != head.seq:
            return False, f"no line for {where}"
        if self.hashes[32 * at : 32 * at + 32] != head.hash:
            return False, f"{where} is there with another hash: the chain was written anew"
        return True, where


def _row(line: bytes) -> Row | None:
    """Read a line back; None when it is not exactly the line of an entry."""
    try:
        said = json.loads(line)
        body = base64.b64decode(said["body_base64"]) if "body_base64" in said else said["body"].encode()
        stored = Stored(
            said["strand"], said["seq"], said["boot_id"], said["kind"], said["mono_us"], said["wall_us"],
            said["flags"], body, bytes.fromhex(said["hash"]),
        )  # fmt: skip
        if stored.strand != STRAND or next(json_lines((stored,))).encode() + b"\n" != line:
            return None
        times = (stored.seq, stored.mono_us, stored.wall_us, stored.flags)
        if not all(type(one) is int for one in times):
            return None
        return (
            stored.seq, bytes.fromhex(stored.boot_id), stored.kind, stored.mono_us, stored.wall_us, stored.flags,
            stored.body, stored.hash,
        )  # fmt: skip
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None
