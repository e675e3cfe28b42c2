"""The server's bytes: requests come whole out of any stream, and nothing that comes in is left without an answer."""

import struct
from collections.abc import Sequence

from hypothesis import given
from hypothesis import strategies as st

from crumbmeter.field.served import Asked, BrokenStreamError, answer, framed, split
from crumbmeter.field.spec import Table

ASKED = st.builds(
    Asked, transaction=st.integers(0, 65535), unit_id=st.integers(0, 255), pdu=st.binary(min_size=1, max_size=253)
)
SIZE = 300


class Memory:
    """A bank of SIZE addresses, and what was written to it."""

    def __init__(self) -> None:
        self.written: dict[tuple[Table, int], int] = {}

    def read(self, table: Table, address: int, count: int) -> list[int] | None:
        if address + count > SIZE:
            return None
        most = 1 if table.of_bits else 65535
        return [self.written.get((table, place), place * 7) & most for place in range(address, address + count)]

    def write(self, table: Table, address: int, values: Sequence[int]) -> int:
        if address + len(values) > SIZE:
            return 2
        self.written |= {(table, address + place): value for place, value in enumerate(values)}
        return 0


def wire(asked: Asked) -> bytes:
    return struct.pack(">HHHB", asked.transaction, 0, len(asked.pdu) + 1, asked.unit_id) + asked.pdu


@given(st.lists(ASKED, max_size=6), st.lists(st.integers(1, 40), max_size=60), st.integers(1, 6))
def test_any_cutting_of_the_stream_gives_the_same_requests(asked: list[Asked], cuts: list[int], most: int) -> None:
    stream = b"".join(map(wire, asked))
    found: list[Asked] = []
    rest = b""
    for cut in [*cuts, len(stream)]:
        part, stream = stream[:cut], stream[cut:]
        whole, rest = split(rest + part, most)
        assert len(whole) <= most
        found += whole
    while whole := split(rest, most)[0]:
        found, rest = [*found, *whole], split(rest, most)[1]
    assert found == asked
    assert rest == b""


@given(st.binary(min_size=1, max_size=253))
def test_every_pdu_has_an_answer_of_its_function(pdu: bytes) -> None:
    said = answer(pdu, Memory())
    assert said[0] & 0x7F == pdu[0] & 0x7F
    assert 2 <= len(said) <= 253
    if said[0] & 0x80:
        assert said[1] in (1, 2, 3)
    else:
        assert pdu[0] in (1, 2, 3, 4, 5, 6, 15, 16)
    assert framed(Asked(5, 9, pdu), said)[:7] == struct.pack(">HHHB", 5, 0, len(said) + 1, 9)


@given(st.binary(max_size=64))
def test_what_is_no_modbus_is_either_unfinished_or_broken(data: bytes) -> None:
    try:
        whole, rest = split(data, 100)
    except BrokenStreamError:
        return
    assert b"".join(map(wire, whole)) + rest == data


@given(st.integers(0, SIZE - 1), st.lists(st.integers(0, 65535), min_size=1, max_size=123))
def test_words_that_were_written_are_read_back(address: int, values: list[int]) -> None:
    memory = Memory()
    body = struct.pack(f">HHB{len(values)}H", address, len(values), 2 * len(values), *values)
    said = answer(b"\x10" + body, memory)
    if address + len(values) > SIZE:
        assert said == b"\x90\x02"
        assert memory.written == {}
        return
    assert said == b"\x10" + body[:4]
    back = answer(struct.pack(">BHH", 3, address, len(values)), memory)
    assert struct.unpack(f">{len(values)}H", back[2:]) == tuple(values)


@given(st.integers(0, SIZE - 1), st.lists(st.integers(0, 1), min_size=1, max_size=200))
def test_bits_that_were_written_are_read_back(address: int, bits: list[int]) -> None:
    memory = Memory()
    size = (len(bits) + 7) // 8
    data = sum(bit << place for place, bit in enumerate(bits)).to_bytes(size, "little")
    said = answer(struct.pack(">BHHB", 15, address, len(bits), size) + data, memory)
    if address + len(bits) > SIZE:
        assert said == b"\x8f\x02"
        return
    back = answer(struct.pack(">BHH", 1, address, len(bits)), memory)
    whole = int.from_bytes(back[2:], "little")
    assert [whole >> place & 1 for place in range(len(bits))] == bits
