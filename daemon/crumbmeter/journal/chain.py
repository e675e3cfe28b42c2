"""The chain: which bytes are hashed, and how. Pure; the one place that knows it, for the writer and for `verify` alike.

    hash[n] = SHA-256(hash[n-1] || header[n] || body[n]),    hash[0] = genesis

The header is a fixed binary layout (big-endian, lengths before texts), so that no two entries share one encoding.
A seal is hashed in a chain of its own, and stands as an entry at the head of the segment that follows it: the newest
entry hash therefore covers every seal, also those of segments that retention has dropped.
"""

import json
import struct
from dataclasses import dataclass
from hashlib import sha256
from typing import Final

from crumbmeter.journal.entry import STRANDS, Strand

_ENTRY_TAG: Final = b"crumbmeter entry 1\0"
_GENESIS_TAG: Final = b"crumbmeter genesis 1\0"
_SEAL_TAG: Final = b"crumbmeter seal 1\0"
BOOT_ID_BYTES: Final = 16
_PLACE = struct.Struct(">Q16sH")
_TIMES = struct.Struct(">qqIQ")
_STRAND_PART: Final[dict[str, bytes]] = {
    strand: _ENTRY_TAG + bytes([len(strand)]) + strand.encode() for strand in STRANDS
}


@dataclass(frozen=True, slots=True)
class Head:
    """The end of a chain: what is published, so that a cut tail can be found later."""

    strand: Strand
    seq: int
    """Sequence of the newest entry; 0 when there is none yet."""
    hash: bytes

    def __str__(self) -> str:
        return f"{self.strand}:{self.seq}:{self.hash.hex()}"


def parse_head(text: str) -> "Head | bytes":
    """Read a published head: `strand:seq:hash` as Head prints it, or the bare hash in hexadecimal.

    Raises:
        ValueError: it is neither; tell the person what was expected.
    """
    parts = text.strip().split(":")
    digest = bytes.fromhex(parts[-1])
    if len(digest) != sha256().digest_size or len(parts) not in (1, 3):
        raise ValueError(f"not a head hash: {text!r} (64 hexadecimal digits, or strand:seq:hash)")
    if len(parts) == 1:
        return digest
    strand = next((name for name in STRANDS if name == parts[0]), None)
    if strand is None or not 0 <= int(parts[1]) < 1 << 63:
        raise ValueError(f"not a head: {text!r} (strands are record and image, sequences count from 0)")
    return Head(strand, int(parts[1]), digest)


def header_bytes(
    strand: str, seq: int, boot_id: bytes, kind: str, mono_us: int, wall_us: int, flags: int, body_length: int
) -> bytes:
    """Return the canonical bytes of an entry's header.

    Raises:
        ValueError: something does not fit the layout; such an entry cannot be stored.
    """
    name = kind.encode()
    if len(boot_id) != BOOT_ID_BYTES:  # struct would pad or cut it without a word
        raise ValueError(f"boot id of {len(boot_id)} bytes")
    try:
        place = _PLACE.pack(seq, boot_id, len(name))
        return _STRAND_PART[strand] + place + name + _TIMES.pack(mono_us, wall_us, flags, body_length)
    except struct.error as problem:
        raise ValueError(f"does not fit the header: {problem}") from problem


def entry_hash(prior: bytes, header: bytes, body: bytes) -> bytes:
    """Return the hash that links an entry to the one before it."""
    return sha256(prior + header + body).digest()


def genesis_hash(journal_id: bytes, created_wall_us: int, strand: str) -> bytes:
    """Return the hash before the first entry of a strand; it differs for every journal ever made."""
    return sha256(_GENESIS_TAG + journal_id + struct.pack(">q", created_wall_us) + strand.encode()).digest()


@dataclass(frozen=True, slots=True)
class Seal:
    """What is kept of a segment for ever, also after its entries are dropped."""

    strand: str
    segment: int
    """From 0, without holes."""
    first_seq: int
    last_seq: int
    count: int
    size_bytes: int
    """[byte] Sum of the bodies."""
    before: bytes
    """Hash before its first entry."""
    head: bytes
    """Hash of its last entry."""
    sealed_wall_us: int
    """[us] Wall time of its last entry."""
    dropped: int
    """How many of the oldest segments of this strand were dropped before this seal was made."""
    prior: bytes
    """Hash of the seal before this one; genesis for the first."""

    def body(self) -> bytes:
        """Return its canonical bytes: also the body of the seal entry in the chain."""
        return canonical_json(
            {
                "before": self.before.hex(),
                "bytes": self.size_bytes,
                "count": self.count,
                "dropped": self.dropped,
                "first_seq": self.first_seq,
                "head": self.head.hex(),
                "last_seq": self.last_seq,
                "prior": self.prior.hex(),
                "sealed_wall_us": self.sealed_wall_us,
                "segment": self.segment,
                "strand": self.strand,
            }
        )

    def digest(self) -> bytes:
        """Return its hash in the chain of seals."""
        return sha256(_SEAL_TAG + self.prior + self.body()).digest()


def canonical_json(value: object) -> bytes:
    """Return the one encoding of a value: sorted keys, no spaces, no NaN, UTF-8."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), allow_nan=False, ensure_ascii=False).encode()
