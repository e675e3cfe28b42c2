"""Written addresses -> wire offsets: one line each, and no guessing (field lesson 14)."""

import pytest

from crumbmeter.field.notation import NotationError, pdu_offset, written
from crumbmeter.field.spec import Table

GOOD = [
    ("offset", Table.HOLDING, 0, 0),
    ("offset", Table.HOLDING, 65535, 65535),
    ("offset", Table.HOLDING, 40001, 40001),
    ("modicon5", Table.HOLDING, 40001, 0),
    ("modicon5", Table.HOLDING, 40101, 100),
    ("modicon5", Table.HOLDING, 40108, 0x6B),
    ("modicon5", Table.HOLDING, 49999, 9998),
    ("modicon5", Table.INPUT, 30001, 0),
    ("modicon5", Table.DISCRETE, 10001, 0),
    ("modicon5", Table.COIL, 1, 0),
    ("modicon5", Table.COIL, "00001", 0),
    ("modicon6", Table.HOLDING, 400001, 0),
    ("modicon6", Table.HOLDING, 465536, 65535),
    ("modicon6", Table.COIL, "000020", 19),
    ("modicon6", Table.DISCRETE, 100197, 196),
    ("hex", Table.INPUT, "0x0010", 16),
    ("hex", Table.INPUT, "0xffff", 65535),
]
BAD = [
    ("offset", Table.HOLDING, -1),
    ("offset", Table.HOLDING, 65536),
    ("offset", Table.HOLDING, "10"),
    ("offset", Table.HOLDING, True),
    ("modicon5", Table.HOLDING, 30001),
    ("modicon5", Table.INPUT, 40001),
    ("modicon5", Table.HOLDING, 40000),
    ("modicon5", Table.HOLDING, 50001),
    ("modicon5", Table.HOLDING, 400001),
    ("modicon5", Table.HOLDING, 100),
    ("modicon5", Table.COIL, 0),
    ("modicon5", Table.COIL, "1"),
    ("modicon6", Table.HOLDING, 40001),
    ("modicon6", Table.HOLDING, 465537),
    ("hex", Table.HOLDING, 16),
    ("hex", Table.HOLDING, "10"),
    ("hex", Table.HOLDING, "0x10000"),
    ("hex", Table.HOLDING, "0x"),
    ("decimal", Table.HOLDING, 1),
]


@pytest.mark.parametrize(("notation", "table", "address", "offset"), GOOD)
def test_address_goes_to_its_offset(notation: str, table: Table, address: int | str, offset: int) -> None:
    assert pdu_offset(notation, table, address) == offset


@pytest.mark.parametrize(("notation", "table", "address"), BAD)
def test_what_does_not_fit_is_refused(notation: str, table: Table, address: int | str) -> None:
    with pytest.raises(NotationError):
        pdu_offset(notation, table, address)


@pytest.mark.parametrize(
    ("notation", "address", "text"),
    [
        ("offset", 65536, "expected an offset from 0 to 65535, found 65536"),
        ("offset", "10", "expected a whole number, found '10'"),
        ("hex", "10", "expected text such as \"0x0010\", found '10'"),
        ("modicon5", "401", "expected 5 digits, found '401'"),
        ("decimal", 1, "expected one of the notations offset, modicon5, modicon6, hex, found 'decimal'"),
    ],
)
def test_the_message_says_what_was_expected_and_found(notation: str, address: int | str, text: str) -> None:
    with pytest.raises(NotationError) as refused:
        pdu_offset(notation, Table.HOLDING, address)
    assert str(refused.value) == text


def test_the_message_says_what_a_holding_register_looks_like() -> None:
    with pytest.raises(NotationError) as refused:
        pdu_offset("modicon5", Table.HOLDING, 30001)
    assert refused.value.expected == "table holding is written 40001 to 49999 here"
    assert str(refused.value) == "table holding is written 40001 to 49999 here, found 30001"


@pytest.mark.parametrize(("notation", "table", "address", "offset"), GOOD)
def test_written_goes_back(notation: str, table: Table, address: int | str, offset: int) -> None:
    text = written(notation, table, offset)
    again: int | str = text if notation == "hex" else int(text)
    assert pdu_offset(notation, table, again) == offset
