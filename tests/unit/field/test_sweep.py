"""The sweep finds every hole and asks for nothing forbidden, whatever the device has."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crumbmeter.field.spec import AddressSpan, Forbidden, Table
from crumbmeter.field.sweep import MOST_SILENT, Ask, Sweep


def swept(there: set[int], wanted: Ask, most: int, forbidden: list[Forbidden]) -> tuple[Sweep, list[Ask]]:
    sweep, asked = Sweep([wanted], most, most, forbidden), []
    while (ask := sweep.next()) is not None:
        asked.append(ask)
        if all(address in there for address in range(ask.address, ask.end)):
            sweep.answered()
        else:
            sweep.said_no(2)
    return sweep, asked


@given(
    there=st.sets(st.integers(0, 60)), count=st.integers(1, 60), most=st.integers(1, 20),
    spans=st.lists(st.tuples(st.integers(0, 60), st.integers(1, 8)), max_size=3),
)  # fmt: skip
def test_every_address_is_found_or_known_to_be_a_hole(
    there: set[int], count: int, most: int, spans: list[tuple[int, int]]
) -> None:
    forbidden = [Forbidden(Table.HOLDING, AddressSpan(first, first + length)) for first, length in spans]
    sweep, asked = swept(there, Ask(Table.HOLDING, 0, count), most, forbidden)
    closed = {address for one in forbidden for address in range(one.span.first, one.span.end)}
    given_ = sorted({address for ask in sweep.good for address in range(ask.address, ask.end)})
    holes = [address for ask in sweep.holes for address in range(ask.address, ask.end)]
    assert given_ == sorted((there & set(range(count))) - closed)
    assert set(holes) == set(range(count)) - there - closed
    assert all(ask.count <= most for ask in asked)
    assert not any(closed & set(range(ask.address, ask.end)) for ask in asked)


def test_a_missing_table_is_given_up_at_once() -> None:
    sweep = Sweep([Ask(Table.INPUT, 0, 30), Ask(Table.HOLDING, 0, 10)], 10, 10, [])
    sweep.said_no(1)
    assert sweep.next() == Ask(Table.HOLDING, 0, 10)
    assert [code for _, code in sweep.refused] == [1, 1, 1]


def test_silence_is_not_asked_for_without_end() -> None:
    sweep = Sweep([Ask(Table.HOLDING, 0, 100)], 10, 10, [])
    for _ in range(MOST_SILENT):
        assert sweep.next() is not None
        sweep.was_silent()
    assert sweep.next() is None
    assert len(sweep.left) == 10 - MOST_SILENT


@pytest.mark.parametrize("code", [4, 6, 11])
def test_another_refusal_is_kept_with_its_code(code: int) -> None:
    sweep = Sweep([Ask(Table.HOLDING, 0, 8)], 8, 8, [])
    sweep.said_no(code)
    assert sweep.next() is None
    assert sweep.refused == [(Ask(Table.HOLDING, 0, 8), code)]


@given(there=st.sets(st.integers(0, 40), min_size=4), most=st.integers(8, 20))
def test_every_value_of_four_words_that_is_there_comes_in_one_reply(there: set[int], most: int) -> None:
    sweep, _ = swept(there, Ask(Table.HOLDING, 0, 41), most, [])
    for first in range(38):
        if all(address in there for address in range(first, first + 4)):
            assert any(ask.address <= first and first + 4 <= ask.end for ask in sweep.good), first


def test_a_device_that_gives_single_registers_alone_is_read_so() -> None:
    sweep = Sweep([Ask(Table.HOLDING, 0, 4)], 4, 4, [])
    while (ask := sweep.next()) is not None:
        if ask.count == 1:
            sweep.answered()
        else:
            sweep.said_no(2)
    assert [(one.address, one.count) for one in sweep.good] == [(0, 1), (1, 1), (2, 1), (3, 1)]
