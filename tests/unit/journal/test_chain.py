import struct
from hashlib import sha256

import pytest

from crumbmeter.journal.chain import Head, Seal, canonical_json, entry_hash, genesis_hash, header_bytes, parse_head


def test_the_header_and_the_hash_are_the_documented_bytes() -> None:
    # docs/journal.md, written out by hand: the tag, texts with their lengths, big-endian numbers.
    header = header_bytes("record", 7, bytes(range(16)), "event", 11, -12, 3, 2)
    assert header == (
        b"crumbmeter entry 1\x00\x06record"
        b"\x00\x00\x00\x00\x00\x00\x00\x07"
        + bytes(range(16))
        + b"\x00\x05event"
        + b"\x00\x00\x00\x00\x00\x00\x00\x0b"
        + b"\xff\xff\xff\xff\xff\xff\xff\xf4"
        + b"\x00\x00\x00\x03"
        + b"\x00\x00\x00\x00\x00\x00\x00\x02"
    )
    assert entry_hash(b"p" * 32, header, b"{}") == sha256(b"p" * 32 + header + b"{}").digest()


@pytest.mark.parametrize(
    ("boot_id", "kind", "flags"),
    [(b"short", "k", 0), (bytes(17), "k", 0), (bytes(16), "k" * 70_000, 0), (bytes(16), "k", -1)],
)
def test_what_does_not_fit_the_header_is_refused_not_padded(boot_id: bytes, kind: str, flags: int) -> None:
    with pytest.raises(ValueError, match=r"boot id|does not fit"):
        header_bytes("record", 1, boot_id, kind, 0, 0, flags, 0)


def test_genesis_differs_by_strand_and_by_journal() -> None:
    all_of_them = {
        genesis_hash(bytes([n]) * 16, at, strand) for n in (0, 1) for at in (0, 1) for strand in ("record", "image")
    }
    assert len(all_of_them) == 8
    assert (
        genesis_hash(b"i" * 16, 5, "image")
        == sha256(b"crumbmeter genesis 1\0" + b"i" * 16 + struct.pack(">q", 5) + b"image").digest()
    )


def test_a_seal_covers_the_seal_before_it() -> None:
    seal = Seal("record", 0, 1, 5, 5, 40, b"b" * 32, b"h" * 32, 9, 0, b"g" * 32)
    other = Seal("record", 0, 1, 5, 5, 40, b"b" * 32, b"h" * 32, 9, 0, b"x" * 32)
    assert seal.digest() == sha256(b"crumbmeter seal 1\0" + b"g" * 32 + seal.body()).digest()
    assert seal.digest() != other.digest()


def test_a_head_reads_back_and_nonsense_is_refused() -> None:
    head = Head("image", 12, bytes(range(32)))
    assert parse_head(str(head)) == head
    assert parse_head(f" {bytes(32).hex()}\n") == bytes(32)
    for wrong in (
        "",
        "abc",
        "record:1:zz",
        f"other:1:{bytes(32).hex()}",
        f"record:-1:{bytes(32).hex()}",
        "ab" * 31,
        f"record:{1 << 63}:{bytes(32).hex()}",
    ):
        with pytest.raises(ValueError, match=r"head|hex"):
            parse_head(wrong)


def test_canonical_json_has_one_form_and_no_nan() -> None:
    assert canonical_json({"b": 1, "a": [1.0, None, "ü"]}) == '{"a":[1.0,null,"ü"],"b":1}'.encode()
    with pytest.raises(ValueError, match="JSON compliant"):
        canonical_json({"a": float("nan")})
