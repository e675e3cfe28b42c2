"""The same words in every way: the one that is meant is among them, and nothing is made up."""

import math
import struct

import pytest

from crumbmeter.field.spec import PowerOfTen, RegisterSpec, Table, WordType
from crumbmeter.field.views import LONGEST, NeighbourView, WordView, neighbour_view, views


def test_pi_is_among_the_views_of_its_words_and_only_once() -> None:
    found = views((0x4049, 0x0FDB))
    assert [(view.word_type, view.order) for view in found] == [
        *(
            (kind, order)
            for kind in ("u32", "i32", "f32", "bcd32", "sm32")
            for order in ("ABCD", "CDAB", "BADC", "DCBA")
        ),
        ("text", "ABCD"),
        ("text", "BADC"),
    ]
    near = [view for view in found if isinstance(view.value, float) and abs(view.value - math.pi) < 1e-6]
    assert [(view.word_type, view.order, view.reason) for view in near] == [("f32", "ABCD", "ok")]
    assert WordView("bcd32", "ABCD", None, "half-bytes that are no decimal digits") in found
    assert WordView("text", "BADC", None, "not printable") in found


def test_one_word_has_two_orders() -> None:
    assert views((0x1234,)) == (
        WordView("u16", "ABCD", 0x1234, "ok"),
        WordView("u16", "BADC", 0x3412, "ok"),
        WordView("i16", "ABCD", 0x1234, "ok"),
        WordView("i16", "BADC", 0x3412, "ok"),
        WordView("bcd16", "ABCD", 1234, "ok"),
        WordView("bcd16", "BADC", 3412, "ok"),
        WordView("sm16", "ABCD", 0x1234, "ok"),
        WordView("sm16", "BADC", 0x3412, "ok"),
        WordView("text", "ABCD", None, "not printable"),
        WordView("text", "BADC", None, "not printable"),
    )


def test_four_words_are_64_bits_and_three_are_a_text_alone() -> None:
    assert {view.word_type for view in views((0, 0, 0, 1))} == {"u64", "i64", "f64", "text"}
    assert views((0x5343, 0x2D37, 0)) == (
        WordView("text", "ABCD", "SC-7", "ok"),
        WordView("text", "BADC", "CS7-", "ok"),
    )


def test_what_is_no_number_is_none() -> None:
    by_way = {(view.word_type, view.order): view for view in views((0x7FC0, 0x0000))}
    assert by_way["f32", "ABCD"] == WordView("f32", "ABCD", None, "not finite")


@pytest.mark.parametrize("words", [(), (0x10000,), (-1,), (0,) * (LONGEST + 1)])
def test_what_are_no_words_is_refused(words: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match=r"needs 1 to 120 words of 16 bits"):
        views(words)


def test_all_bits_set_are_words_like_others() -> None:
    assert WordView("i16", "ABCD", -1, "ok") in views((0xFFFF,))


def test_as_many_words_as_a_text_may_have() -> None:
    assert len(views((0x4141,) * LONGEST)) == 2


@pytest.mark.parametrize(
    ("value", "plausible"),
    [
        (200.0, True), (200.1, False), (-50.0, True), (-50.1, False), (0.02, True), (0.0199, False), (0.0, False),
        (float("nan"), False), (float("inf"), False),
    ],
)  # fmt: skip
def test_a_neighbour_is_plausible_within_the_range_and_above_next_to_nothing(value: float, plausible: bool) -> None:
    register = RegisterSpec(Table.INPUT, 7, WordType.F64)
    words = struct.unpack(">4H", struct.pack(">d", value))
    found = neighbour_view(register, 1, words, -50.0, 200.0)
    assert (found.step, found.words, found.plausible) == (1, words, plausible)
    assert found.value_si == (value if math.isfinite(value) else None)
    assert neighbour_view(register, -1, (), -50.0, 200.0) == NeighbourView(-1, (), None, plausible=False)


def test_a_neighbour_is_scaled_as_the_value_is_but_for_a_power_of_ten_that_is_not_among_its_words() -> None:
    point = PowerOfTen(RegisterSpec(Table.INPUT, 9, WordType.U16), decimals=True)
    register = RegisterSpec(Table.INPUT, 7, WordType.U16, scale=0.5, unit="kPa", power=point)
    assert neighbour_view(register, 1, (30,), 0.0, 20_000.0) == NeighbourView(1, (30,), 15_000.0, plausible=False), (
        "nearly any word is a whole number"
    )
