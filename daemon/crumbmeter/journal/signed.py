"""Signed seals: where both strands stood, signed by the journal's own key, as an entry of the record strand.

The chain alone shows that something was changed; a signature shows who says so. A seal's signature covers the hash of
a head, and with it every entry up to there: whoever holds the public key can tell, on any machine, that what leads to
that hash is what the journal held when it was signed.

    signature = Ed25519(private key, "crumbmeter signed seal 1" 00 || the body without its signature, canonical JSON)
"""

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from crumbmeter.journal.chain import Head, canonical_json
from crumbmeter.journal.entry import KIND_SIGNED, STRANDS, DeferredEntry, Stamp, Strand
from crumbmeter.journal.signing import SigningKey, signed_by

_TAG: Final = b"crumbmeter signed seal 1\0"
_VERSION: Final = 1
DAY_US: Final = 86_400_000_000


@dataclass(frozen=True, slots=True)
class SignedSeal:
    """What was signed, by whom, and the signature."""

    day: str
    """UTC date on which it was made. It covers what was recorded before it."""
    record: Head
    image: Head
    journal_id: bytes
    public_key: bytes
    signature: bytes = b""

    def message(self) -> bytes:
        """Return the bytes that are signed."""
        return _TAG + canonical_json(self._content())

    def body(self) -> bytes:
        """Return the body of its entry."""
        return canonical_json(self._content() | {"signature": self.signature.hex()})

    def holds(self) -> bool:
        """Tell whether the signature was made with the private key of the public key that it names."""
        return signed_by(self.public_key, self.message(), self.signature)

    def _content(self) -> dict[str, Any]:
        heads = {head.strand: {"sequence": head.seq, "hash": head.hash.hex()} for head in (self.record, self.image)}
        return {
            "v": _VERSION, "day": self.day, "strands": heads, "journal_id": self.journal_id.hex(),
            "public_key": self.public_key.hex(),
        }  # fmt: skip


def sign(key: SigningKey, heads: Mapping[Strand, Head], journal_id: bytes, wall_us: int) -> SignedSeal:
    """Make a signed seal.

    Args:
        key: The journal's.
        heads: Acknowledged ends of both strands.
        journal_id: Identity of the journal they are of.
        wall_us: [us] Now, UTC since 1970.
    """
    unsigned = SignedSeal(utc_day(wall_us), heads["record"], heads["image"], journal_id, key.public)
    signature = key.sign(unsigned.message())
    return SignedSeal(unsigned.day, unsigned.record, unsigned.image, journal_id, key.public, signature)


def entry(
    key: SigningKey, heads: Callable[[], Mapping[Strand, Head]], journal_id: Callable[[], bytes], at: Stamp, flags: int
) -> DeferredEntry:
    """Make the entry of a signed seal. It is signed in the writer thread, over what is acknowledged just then.

    Args:
        key: The journal's.
        heads: Gives the acknowledged ends of both strands.
        journal_id: Gives the journal's identity; asked in the writer thread, since a damaged file may have been
            set aside meanwhile.
        at: [us] Now.
        flags: Of the entry.
    """

    def make_body() -> bytes:
        return sign(key, heads(), journal_id(), at.wall_us).body()

    return DeferredEntry("record", KIND_SIGNED, make_body, at.mono_us, at.wall_us, flags)


def read(body: bytes) -> SignedSeal:
    """Read the body of a signed seal.

    Raises:
        ValueError: these are not the canonical bytes of one, or it is of a version that this program does not know.
    """
    try:
        said = json.loads(body)
        heads = {strand: _head(strand, said["strands"][strand]) for strand in STRANDS}
        seal = SignedSeal(
            said["day"], heads["record"], heads["image"], bytes.fromhex(said["journal_id"]),
            bytes.fromhex(said["public_key"]), bytes.fromhex(said["signature"]),
        )  # fmt: skip
    except (ValueError, KeyError, TypeError, AttributeError) as problem:
        raise ValueError(f"not a signed seal of this version: {type(problem).__name__}: {problem}") from problem
    if seal.body() != body:
        raise ValueError("not the canonical bytes of a signed seal of this version")
    return seal


def _head(strand: Strand, said: dict[str, Any]) -> Head:
    seq = said["sequence"]
    if not isinstance(seq, int) or not 0 <= seq < 1 << 63:
        raise ValueError(f"sequence {seq!r}")
    return Head(strand, seq, bytes.fromhex(said["hash"]))


def utc_day(wall_us: int) -> str:
    """Return the UTC date of a wall time [us]."""
    return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=wall_us)).date().isoformat()


def utc_text(wall_us: int) -> str:
    """Return a wall time [us] in words: UTC, to the second. One that no calendar holds is given as its number."""
    if not 0 <= wall_us < 250_000_000_000 * 1_000_000:
        return f"{wall_us} us"
    return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=wall_us)).strftime("%Y-%m-%dT%H:%M:%SZ")
