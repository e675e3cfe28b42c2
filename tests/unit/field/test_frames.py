"""Serial frames: nothing but the whole reply to the very request is accepted, in whatever pieces (lessons 2, 40)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crumbmeter.field.frames import (
    char_s,
    crc16,
    explain_frame,
    judge_rtu,
    rtu_frame,
    rtu_reply_bytes,
    silence_s,
    stalled,
)
from crumbmeter.field.replies import Accepted, Expected, Mismatch, MismatchKind, SaysNo, Verdict, expect

REQUEST = bytes.fromhex("03 006B 0003")
RIGHT = bytes.fromhex("11 03 06 022B 0000 0064 C8BA")
WRITES = ["05 00AC FF00", "06 0001 0003", "0F 0013 000A 02 CD01", "10 0001 0002 04 000A 0102", "16 0004 00F2 0025"]


def feed(expected: Expected, pieces: list[bytes]) -> Verdict | None:
    """Judge what has come after each piece, as the link does, and stop at the first verdict."""
    received = b""
    for piece in pieces:
        received += piece
        verdict = judge_rtu(expected, received)
        if verdict is not None:
            return verdict
    return None


def cut(frame: bytes, lengths: list[int]) -> list[bytes]:
    pieces, at = [], 0
    for length in lengths:
        pieces.append(frame[at : at + length])
        at += length
    return [*pieces, frame[at:]]


@st.composite
def exchanges(draw: st.DrawFn) -> tuple[Expected, bytes]:
    """A request and the right reply to it."""
    unit, code = draw(st.integers(0, 255)), draw(st.sampled_from([1, 2, 3, 4, 5, 6, 15, 16, 22, 23]))
    address = draw(st.integers(0, 65535)).to_bytes(2, "big")
    if code in (3, 4, 23):
        words = draw(st.lists(st.integers(0, 65535), min_size=1, max_size=125))
        asked = bytes([code]) + address + len(words).to_bytes(2, "big")
        data = b"".join(word.to_bytes(2, "big") for word in words)
        return expect(0, unit, asked), rtu_frame(unit, bytes([code, len(data)]) + data)
    if code in (1, 2):
        count = draw(st.integers(1, 2000))
        data = draw(st.binary(min_size=(count + 7) // 8, max_size=(count + 7) // 8))
        return expect(0, unit, bytes([code]) + address + count.to_bytes(2, "big")), rtu_frame(
            unit, bytes([code, len(data)]) + data
        )
    tail = draw(st.binary(min_size=2, max_size=2)) + (draw(st.binary(min_size=2, max_size=2)) if code == 22 else b"")
    return expect(0, unit, bytes([code]) + address + tail), rtu_frame(unit, bytes([code]) + address + tail)


def test_the_right_reply_gives_its_words() -> None:
    assert judge_rtu(expect(0, 17, REQUEST), RIGHT) == Accepted((0x022B, 0, 0x64))


@given(exchanges(), st.lists(st.integers(1, 40), max_size=30))
def test_any_chunking_gives_the_same(exchange: tuple[Expected, bytes], lengths: list[int]) -> None:
    expected, frame = exchange
    assert rtu_reply_bytes(expected) == len(frame)
    whole = judge_rtu(expected, frame)
    assert isinstance(whole, Accepted)
    assert feed(expected, cut(frame, lengths)) == whole


@given(exchanges(), st.data())
def test_a_part_of_it_is_never_an_answer(exchange: tuple[Expected, bytes], data: st.DataObject) -> None:
    expected, frame = exchange
    length = data.draw(st.integers(0, len(frame) - 1))
    assert judge_rtu(expected, frame[:length]) is None
    assert isinstance(stalled(frame[:length]), Mismatch)


@given(exchanges(), st.binary(min_size=1, max_size=8), st.lists(st.integers(1, 40), max_size=10))
def test_noise_before_it_is_never_accepted(exchange: tuple[Expected, bytes], noise: bytes, lengths: list[int]) -> None:
    expected, frame = exchange
    verdict = feed(expected, cut(noise + frame, lengths))
    assert not isinstance(verdict, Accepted | SaysNo)


@given(exchanges(), st.binary(min_size=1, max_size=8))
def test_noise_after_it_in_the_same_lump_is_refused(exchange: tuple[Expected, bytes], noise: bytes) -> None:
    expected, frame = exchange
    verdict = judge_rtu(expected, frame + noise)
    assert isinstance(verdict, Mismatch)
    assert verdict.kind is MismatchKind.LENGTH


@given(exchanges(), st.data())
def test_no_burst_of_up_to_sixteen_bits_is_accepted(exchange: tuple[Expected, bytes], data: st.DataObject) -> None:
    # A CRC of 16 bits finds every burst of at most 16 bits.
    expected, frame = exchange
    whole = int.from_bytes(frame, "big")
    burst = data.draw(st.integers(1, 0xFFFF))
    shift = data.draw(st.integers(0, 8 * len(frame) - 16))
    spoilt = (whole ^ (burst << shift)).to_bytes(len(frame), "big")
    verdict = judge_rtu(expected, spoilt)
    assert not isinstance(verdict, Accepted | SaysNo)


@given(exchanges(), exchanges())
def test_the_reply_to_another_request_is_accepted_only_if_nothing_tells_them_apart(
    mine: tuple[Expected, bytes], other: tuple[Expected, bytes]
) -> None:
    expected, _ = mine
    theirs, frame = other
    verdict = judge_rtu(expected, frame)
    if isinstance(verdict, Accepted):
        assert (expected.unit, expected.function_code, expected.data) == (
            theirs.unit,
            theirs.function_code,
            theirs.data,
        )


@pytest.mark.parametrize(
    ("frame", "what", "kind"),
    [
        ("12 03 06 022B 0000 0064 C8BA", "unit 18 for 17", MismatchKind.UNIT),
        ("12", "unit 18 for 17", MismatchKind.UNIT),
        ("11 04 06", "function code 4 for 3", MismatchKind.FUNCTION),
        ("11 04", "function code 4 for 3", MismatchKind.FUNCTION),
        ("11 03 04", "byte count 4 for 6", MismatchKind.BYTE_COUNT),
        ("11 03 06 022B 0000 0064 C8BB", "CRC", MismatchKind.CRC),
        ("11 03 06 022B 0000 0065 C8BA", "CRC", MismatchKind.CRC),
        ("11 03 06 022B 0000 0064 C8BA 00", "1 bytes after the reply", MismatchKind.LENGTH),
        ("11 84 02 C2C4", "function code 132 for 3", MismatchKind.FUNCTION),
        ("11 83 02 C134 0000", "2 bytes after the reply", MismatchKind.LENGTH),
        ("11 83 02 C135", "CRC", MismatchKind.CRC),
    ],
)
def test_each_lie_is_called_by_its_name_as_soon_as_it_is_known(frame: str, what: str, kind: MismatchKind) -> None:
    data = bytes.fromhex(frame)
    assert judge_rtu(expect(0, 17, REQUEST), data) == Mismatch(what, data.hex(" "), kind)


def test_every_beginning_of_the_right_reply_waits_for_more_and_is_told_where_it_stops() -> None:
    for length in range(len(RIGHT)):
        assert judge_rtu(expect(0, 17, REQUEST), RIGHT[:length]) is None
    assert stalled(RIGHT[:4]) == Mismatch("the reply stops after 4 bytes", "11 03 06 02", MismatchKind.LENGTH)


@pytest.mark.parametrize("code", [1, 2, 3, 4, 5, 6, 8, 10, 11])
def test_an_exception_is_a_valid_no(code: int) -> None:
    assert judge_rtu(expect(0, 17, REQUEST), rtu_frame(17, bytes([0x83, code]))) == SaysNo(code)
    inputs = expect(0, 17, b"\4" + REQUEST[1:])
    assert judge_rtu(inputs, rtu_frame(17, bytes([0x84, code]))) == SaysNo(code)


def test_an_exception_with_code_zero_is_none() -> None:
    assert isinstance(judge_rtu(expect(0, 17, REQUEST), rtu_frame(17, b"\x83\x00")), Mismatch)


@pytest.mark.parametrize("asked", WRITES)
def test_every_bit_of_a_write_s_echo_counts(asked: str) -> None:
    request = bytes.fromhex(asked)
    expected = expect(0, 1, request)
    echo = request[:7] if request[0] == 0x16 else request[:5]
    right = rtu_frame(1, echo)
    assert judge_rtu(expected, right) == Accepted(())
    for position in range(len(echo)):
        for bit in range(8):
            spoilt = bytearray(echo)
            spoilt[position] ^= 1 << bit
            assert not isinstance(judge_rtu(expected, rtu_frame(1, bytes(spoilt))), Accepted)


def test_silence_is_three_and_a_half_characters_and_at_least_the_fixed_time() -> None:
    # v1.02, section 2.5.1.1; 11 bits a character with parity.
    assert silence_s(char_s(9600)) == pytest.approx(3.5 * 11 / 9600)
    assert silence_s(char_s(19200)) == pytest.approx(3.5 * 11 / 19200)
    assert silence_s(char_s(115200)) == 0.00175
    assert silence_s(0.0) == 0.00175
    assert char_s(9600, parity=False, stop_bits=2) == char_s(9600)
    assert char_s(9600, parity=False) == pytest.approx(10 / 9600)
    assert char_s(9600, data_bits=7) == pytest.approx(10 / 9600)


@pytest.mark.parametrize(
    ("frame", "sent", "serial", "words"),
    [
        (bytes.fromhex("11 03 006B 0003 7687"), True, True, "unit 17, 03 read holding registers at 107, 3"),
        (RIGHT, False, True, "unit 17, 03 read holding registers: 022b 0000 0064"),
        (RIGHT[:-1] + b"\0", False, True, "unit 17, 03 read holding registers: 022b 0000 0064, CRC wrong"),
        (rtu_frame(1, b"\x83\x02"), False, True, "unit 1, says no to 3: 02 illegal data address"),
        (
            bytes.fromhex("0001 0000 0006 11 06 0001 0003"),
            True,
            False,
            "transaction 1, unit 17, 06 write one register at 1: 0003",
        ),
        (
            bytes.fromhex("0001 0000 0009 11 06 0001 0003"),
            True,
            False,
            "transaction 1, length 9 in 6, unit 17, 06 write one register at 1: 0003",
        ),
        (
            rtu_frame(1, bytes.fromhex("16 0004 00F2 0025")),
            True,
            True,
            "unit 1, 22 mask write register at 4: and 00f2 or 0025",
        ),
        (
            rtu_frame(1, bytes.fromhex("17 0003 0001 000E 0001 02 00FF")),
            True,
            True,
            "unit 1, 23 read and write registers: read 1 at 3, write 1 at 14: 00 ff",
        ),
        (rtu_frame(1, bytes.fromhex("10 0001 0001 02 000A")), True, True, "unit 1, 16 write registers at 1, 1: 00 0a"),
        (b"\x01\x03\x00", False, True, "no whole frame"),
        (bytes.fromhex("0001 0000 0001 11"), False, False, "no whole frame"),
        (
            bytes.fromhex("0102 0000 0106 11 07"),
            True,
            False,
            "transaction 258, length 262 in 2, unit 17, 07 unknown function",
        ),
    ],
)
def test_a_frame_is_said_in_words(frame: bytes, sent: bool, serial: bool, words: str) -> None:
    assert explain_frame(frame, sent=sent, serial=serial) == words


@pytest.mark.parametrize(
    ("pdu", "words"),
    [
        ("01 1013 0008", "01 read coils at 4115, 8"),
        ("03 006B 0103 00FF", "03 read holding registers at 107, 259"),  # what comes after it is not the request's
        ("05 10AC FF00", "05 write one coil at 4268: ff00"),
        ("0F 0013 0008 01 CD", "15 write coils at 19, 8: cd"),
        ("0F 0013 0008", "15 write coils at 19, 8"),
        ("10 0001 0001 02", "16 write registers at 1, 1"),
        ("10 0001 0003 06 000A 0102 0007", "16 write registers at 1, 3: 00 0a 01 02 00 07"),
        ("16 0004 00F2 0025 FF", "22 mask write register at 4: and 00f2 or 0025"),
        ("17 0003 0106 010E 0103 02", "23 read and write registers at 3, 262"),
        ("17 0003 0106 010E 0103 02 FF", "23 read and write registers: read 262 at 3, write 259 at 270: ff"),
        ("06 0001 00", "06 write one register"),
        ("07", "07 unknown function"),
    ],
)
def test_what_is_asked_is_said_in_words(pdu: str, words: str) -> None:
    assert explain_frame(rtu_frame(1, bytes.fromhex(pdu)), sent=True, serial=True) == f"unit 1, {words}"


@pytest.mark.parametrize(
    ("pdu", "words"),
    [
        ("01 03 CD6B05", "01 read coils: cd 6b 05"),
        ("02 02 ACDB", "02 read discrete inputs: ac db"),
        ("04 02 000A", "04 read input registers: 000a"),
        ("04 02 000A 01", "04 read input registers: 000a 01"),
        ("17 04 00FE 0ACD", "23 read and write registers: 00fe 0acd"),
        ("05 00AC FF00", "05 write one coil at 172: ff00"),
        ("06 0001 0003", "06 write one register at 1: 0003"),
        ("10 0001 0002", "16 write registers at 1, 2"),
        ("83", "says no to 3: 00 unknown"),
        ("84 07", "says no to 4: 07 unknown"),
        ("84 0B", "says no to 4: 11 gateway target failed to respond"),
    ],
)
def test_what_is_answered_is_said_in_words(pdu: str, words: str) -> None:
    assert explain_frame(rtu_frame(1, bytes.fromhex(pdu)), sent=False, serial=True) == f"unit 1, {words}"


@given(st.binary(max_size=300), st.booleans(), st.booleans())
def test_any_bytes_can_be_said(frame: bytes, sent: bool, serial: bool) -> None:
    assert explain_frame(frame, sent=sent, serial=serial)


@given(st.binary(max_size=40))
def test_a_frame_with_its_check_sum_leaves_no_remainder(body: bytes) -> None:
    assert crc16(body + crc16(body).to_bytes(2, "little")) == 0
