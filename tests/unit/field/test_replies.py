"""Only the reply to the very request is accepted (field lesson 2). Frames after v1.1b3, section 6."""

import re

import pytest

from crumbmeter.field.replies import Accepted, Expected, Mismatch, MismatchKind, SaysNo, expect, judge_tcp, late_bytes

REQUEST = bytes.fromhex("03 006B 0003")
RIGHT = bytes.fromhex("0001 0000 0009 11 03 06 022B 0000 0064")


def test_the_right_reply_gives_its_words() -> None:
    assert judge_tcp(expect(1, 17, REQUEST), RIGHT) == Accepted((0x022B, 0, 0x64))


@pytest.mark.parametrize("length", range(len(RIGHT)))
def test_a_part_of_it_waits_for_more(length: int) -> None:
    assert judge_tcp(expect(1, 17, REQUEST), RIGHT[:length]) is None


@pytest.mark.parametrize("position", range(9))
@pytest.mark.parametrize("bit", range(8))
def test_no_flipped_bit_of_header_function_or_byte_count_passes(position: int, bit: int) -> None:
    frame = bytearray(RIGHT)
    frame[position] ^= 1 << bit
    verdict = judge_tcp(expect(1, 17, REQUEST), bytes(frame))
    assert not isinstance(verdict, Accepted)


@pytest.mark.parametrize(
    ("frame", "what", "kind"),
    [
        (RIGHT + b"\x00", "after the reply", MismatchKind.LENGTH),
        ("0001 0000 0007 11 03 04 022B 0000", "byte count 4 in 6 bytes", MismatchKind.BYTE_COUNT),
        ("0001 0000 0009 11 04 06 022B 0000 0064", "function code 4", MismatchKind.FUNCTION),
        ("0001 0000 0009 11 03 04 022B 0000 0064", "byte count 4", MismatchKind.BYTE_COUNT),
        ("0001 0000 0009 12 03 06 022B 0000 0064", "unit 18 for 17", MismatchKind.UNIT),
        ("0000 0000 0009 11 03 06 022B 0000 0064", "transaction 0 for 1", MismatchKind.TRANSACTION),
        ("0001 0001 0009 11 03 06 022B 0000 0064", "protocol id 1", MismatchKind.PROTOCOL),
        ("0001 0000 0002 11 83", "length 2", MismatchKind.LENGTH),
        ("0001 0000 0004 11 83 02 00", "function code 131", MismatchKind.FUNCTION),
        ("0001 0000 0003 11 83 00", "function code 131", MismatchKind.FUNCTION),
        ("0001 0000 0003 11 84 02", "function code 132", MismatchKind.FUNCTION),
        ("0001 0000 7FFF 11 03 06", "length 32767", MismatchKind.LENGTH),
        # A header is judged as soon as it is whole.
        ("0001 0000 0009 12", "unit 18 for 17", MismatchKind.UNIT),
    ],
)
def test_anything_else_is_a_mismatch_with_evidence(frame: str | bytes, what: str, kind: MismatchKind) -> None:
    data = frame if isinstance(frame, bytes) else bytes.fromhex(frame)
    verdict = judge_tcp(expect(1, 17, REQUEST), data)
    assert isinstance(verdict, Mismatch)
    assert re.search(what, verdict.what)
    assert verdict.evidence
    assert verdict.kind is kind


@pytest.mark.parametrize("code", [1, 2, 3, 4, 5, 6, 8, 10, 11])
def test_an_exception_is_a_valid_no(code: int) -> None:
    frame = bytes.fromhex("0001 0000 0003 11 83") + bytes([code])
    assert judge_tcp(expect(1, 17, REQUEST), frame) == SaysNo(code)
    inputs = bytes.fromhex("0001 0000 0003 11 84") + bytes([code])
    assert judge_tcp(expect(1, 17, b"\4" + REQUEST[1:]), inputs) == SaysNo(code)


@pytest.mark.parametrize(
    ("asked", "count", "data"),
    [
        ("02 00C4 0101", 257, "21"),
        ("04 0008 0010", 16, "20"),
        ("17 0003 0006 000E 0003 06 00FF 00FF 00FF", 6, "0C"),
        ("05 00AC FF00", 0, "00AC FF00"),
        ("10 0001 0002 04 000A 0102", 0, "0001 0002"),
        ("16 0004 00F2 0025", 0, "0004 00F2 0025"),
    ],
)
def test_what_is_expected_follows_from_the_request_alone(asked: str, count: int, data: str) -> None:
    request = bytes.fromhex(asked)
    assert expect(9, 17, request) == Expected(9, 17, request[0], count, bytes.fromhex(data))


@pytest.mark.parametrize(
    "request_pdu", ["05 00AC FF00", "06 0001 0003", "0F 0013 000A 02 CD01", "10 0001 0002 04 000A 0102"]
)
def test_every_bit_of_a_write_s_echo_counts(request_pdu: str) -> None:
    asked = bytes.fromhex(request_pdu)
    expected = expect(9, 1, asked)
    right = bytes.fromhex("0009 0000 0006 01") + asked[:5]
    assert judge_tcp(expected, right) == Accepted(())
    for position in range(len(right)):
        for bit in range(8):
            frame = bytearray(right)
            frame[position] ^= 1 << bit
            assert not isinstance(judge_tcp(expected, bytes(frame)), Accepted)
    frame = bytearray(right)
    frame[-1] ^= 1
    assert judge_tcp(expected, bytes(frame)) == Mismatch(
        "echo of a write differs", bytes(frame[7:]).hex(" "), MismatchKind.ECHO
    )


def test_bits_come_lowest_address_first() -> None:
    # v1.1b3, section 6.2: discrete inputs 197-218 as AC DB 35.
    expected = expect(1, 1, bytes.fromhex("02 00C4 0016"))
    verdict = judge_tcp(expected, bytes.fromhex("0001 0000 0006 01 02 03 ACDB35"))
    assert isinstance(verdict, Accepted)
    assert verdict.words[:8] == (0, 0, 1, 1, 0, 1, 0, 1)
    assert verdict.words[16:] == (1, 0, 1, 0, 1, 1)


def test_other_function_codes_are_not_used() -> None:
    with pytest.raises(ValueError, match="function code 43"):
        expect(1, 1, bytes.fromhex("2B 0E 01 00"))


@pytest.mark.parametrize(("count", "size"), [(1, 1), (7, 1), (8, 1), (9, 2), (16, 2), (17, 3), (2000, 250)])
def test_bits_fill_whole_bytes(count: int, size: int) -> None:
    expected = expect(1, 1, bytes.fromhex("01 0000") + count.to_bytes(2, "big"))
    frame = b"\0\1\0\0" + (3 + size).to_bytes(2, "big") + bytes([1, 1, size]) + b"\xff" * size
    assert judge_tcp(expected, frame) == Accepted((1,) * count)


@pytest.mark.parametrize("count", [1, 125, 126])
def test_the_longest_reply_of_the_specification_and_no_longer(count: int) -> None:
    # v1.1b3, section 4.1: a PDU has at most 253 bytes, so 125 registers in 252; 126 would need 254.
    expected = expect(1, 1, bytes.fromhex("03 0000") + count.to_bytes(2, "big"))
    frame = b"\0\1\0\0" + (3 + 2 * count).to_bytes(2, "big") + bytes([1, 3, 2 * count]) + b"\0\7" * count
    verdict = judge_tcp(expected, frame)
    assert verdict == (
        Accepted((7,) * count) if count < 126 else Mismatch("length 255", _start(frame), MismatchKind.LENGTH)
    )


def test_a_length_of_254_is_the_last_that_can_be() -> None:
    whole = b"\0\1\0\0\0\xfe\x11\x03" + b"\0" * 252
    verdict = judge_tcp(expect(1, 17, REQUEST), whole)
    assert isinstance(verdict, Mismatch)
    assert verdict.what == "byte count 0 in 253 bytes for 6"


def _start(frame: bytes) -> str:
    return " ".join(f"{byte:02x}" for byte in frame[:24]) + " ..."


def test_evidence_is_short_and_says_that_there_was_more() -> None:
    long = judge_tcp(expect(1, 17, REQUEST), b"\0\1\0\0\0\x13\x11\x03" + b"\0" * 17)
    just = judge_tcp(expect(1, 17, REQUEST), b"\0\1\0\0\0\x13\x12\x03" + b"\0" * 16)
    more = judge_tcp(expect(1, 17, REQUEST), b"\0\1\0\0\0\x13\x12\x03" + b"\0" * 17)
    assert isinstance(long, Mismatch)
    assert isinstance(just, Mismatch)
    assert isinstance(more, Mismatch)
    assert long.evidence == "03" + " 00" * 17
    assert just.evidence == "00 01 00 00 00 13 12 03" + " 00" * 16
    assert more.evidence == just.evidence + " ..."


def test_how_many_bytes_are_too_many_is_said() -> None:
    verdict = judge_tcp(expect(1, 17, REQUEST), RIGHT + b"\1\2\3")
    assert verdict == Mismatch("3 bytes after the reply", (RIGHT + b"\1\2\3").hex(" "), MismatchKind.LENGTH)


GIVEN_UP = {0x0102: 17, 0x0305: 18}
"""Transaction ids and units of requests that nobody waits for any more."""


@pytest.mark.parametrize(
    ("frame", "skipped"),
    [
        ("0102 0000 0003 11 83 02", 9),
        ("0305 0000 0005 12 03 02 0064", 11),
        ("0102 0000 0005 11 03 02 0064 0001 0000", 11),  # and the beginning of what is waited for
        ("0102 0000 0005 11 03 02 00", None),
        ("0102 0000 0003 11", None),
        ("0102 0000 0002 11", 0),  # too short for a reply
        ("0102 0000 00FE 11", None),
        ("0102 0000 00FF 11", 0),  # longer than any
        ("0102 0000 0003 12 83 02", 0),  # of another unit
        ("0102 0001 0003 11 83 02", 0),  # another protocol
        ("0103 0000 0003 11 83 02", 0),  # nobody asked that
        ("0102 0000 0002 12", 0),
        ("0102 00", None),
        ("0102", None),
        ("01", None),
        ("", None),
        ("0103", 0),
        ("0103 0000 0003", 0),
        ("0201", 0),
    ],
)
def test_a_late_reply_is_told_by_its_header_and_skipped_whole(frame: str, skipped: int | None) -> None:
    assert late_bytes(GIVEN_UP, bytes.fromhex(frame)) == skipped


def test_the_longest_late_reply_is_skipped_whole() -> None:
    frame = bytes.fromhex("0102 0000 00FE 11") + b"\0" * 253
    assert late_bytes(GIVEN_UP, frame[:-1]) is None
    assert late_bytes(GIVEN_UP, frame) == 260
