"""RTU frames against published bytes, and the search for them in a stream full of rubbish."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crumbmeter_sim.rtu import FrameSearch, crc16, reply_length, request_length, seal

# CRC-16/MODBUS in the catalogue of parametrised CRC algorithms: check value 4B37 over "123456789"
CATALOGUE = 0x4B37
# Bodies of the Application Protocol v1.1b3, section 6, with their CRCs as they go over a serial line
FRAMES = [
    ("1103006B0003", "7687", True),
    ("110306022B00000064", "C8BA", False),
    ("01030000000A", "C5CD", True),
    ("010600010003", "980B", True),
    ("11100001000204000A0102", "C6F0", True),
    ("010500ACFF00", "4C1B", True),
    ("018302", "C0F1", False),
]


def test_check_value() -> None:
    assert crc16(b"123456789") == CATALOGUE


@pytest.mark.parametrize(("body", "crc", "asked"), FRAMES)
def test_published_frames(body: str, crc: str, asked: bool) -> None:
    frame = seal(bytes.fromhex(body))
    assert frame[-2:].hex().upper() == crc
    assert crc16(frame) == 0
    assert (request_length if asked else reply_length)(frame) == len(frame)


@pytest.mark.parametrize("body", [body for body, _, asked in FRAMES if asked])
def test_a_length_is_not_guessed_from_too_few_bytes(body: str) -> None:
    frame = seal(bytes.fromhex(body))
    for have in range(len(frame)):
        assert request_length(frame[:have]) in (0, len(frame))


def test_functions_without_a_known_length_are_told_apart() -> None:
    assert request_length(bytes((1, 99, 0, 0))) == -1
    assert reply_length(bytes((1, 99, 0, 0))) == -1
    assert request_length(bytes.fromhex("0117000400060004000306")) == 13 + 6
    assert request_length(bytes.fromhex("0116000400F20025")) == reply_length(bytes.fromhex("0116000400F20025")) == 10


@given(st.lists(st.sampled_from([bytes.fromhex(b + c) for b, c, asked in FRAMES if asked]), max_size=5), st.data())
def test_frames_in_pieces_of_any_size(frames: list[bytes], data: st.DataObject) -> None:
    stream, found, search = b"".join(frames), [], FrameSearch(request_length)
    while stream:
        size = data.draw(st.integers(1, len(stream)))
        found += search.feed(stream[:size])
        stream = stream[size:]
    assert found == frames
    assert not search.waiting
    assert search.rubbish == 0


@given(st.binary(max_size=20), st.sampled_from([bytes.fromhex(b + c) for b, c, asked in FRAMES if asked]))
def test_a_frame_behind_rubbish_is_found_at_the_latest_when_the_line_falls_silent(noise: bytes, frame: bytes) -> None:
    search = FrameSearch(request_length)
    found = search.feed(noise + frame)
    found += search.silence()[0]
    assert frame in found
    assert not search.waiting


def test_what_is_given_up_is_counted() -> None:
    search = FrameSearch(request_length)
    assert search.feed(bytes.fromhex("1103006B0003")) == []
    frames, rest = search.silence()
    assert frames == []
    assert rest == bytes.fromhex("1103006B0003")
    assert search.rubbish == 6


def test_one_turned_bit_anywhere_is_no_frame() -> None:
    frame = bytes.fromhex("11100001000204000A0102C6F0")
    for bit in range(8 * len(frame)):
        spoilt = bytearray(frame)
        spoilt[bit // 8] ^= 1 << bit % 8
        search = FrameSearch(request_length)
        assert [*search.feed(bytes(spoilt)), *search.silence()[0]] == []
