"""What a display stands for: the right line first, ties said to be ties, and coincidences left behind."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crumbmeter.field.look import Look, ReadingError, Run, reading_of, stretches
from crumbmeter.field.ranking import Ranking, rank
from crumbmeter.field.spec import ByteOrder, RegisterSpec, Table, WordType
from crumbmeter.field.telling import between_ties, more_readings, shifts
from crumbmeter.field.words import encode_raw

FILLING = (7, 1000, 42, 0x5A5A, 3, 65535, 12, 900, 77, 4000)


def words_at(kind: WordType, order: ByteOrder, raw: float) -> tuple[int, ...]:
    return encode_raw(RegisterSpec(Table.HOLDING, 0, kind, order), raw)


def look(*rows: tuple[int, ...], shown: str, first: int = 100) -> Look:
    return Look(tuple((Run(Table.HOLDING, first, row),) for row in rows), (reading_of(shown),))


def looks_of(kind: WordType, order: ByteOrder, raws: tuple[float, float], shown: tuple[str, str]) -> list[Look]:
    """Two looks at a map of constants with one value in it, at address 104."""
    return [
        look(*[(*FILLING[:4], *words_at(kind, order, raw), *FILLING[4:])] * 3, shown=text)
        for raw, text in zip(raws, shown, strict=True)
    ]


def first_of(ranking: Ranking) -> tuple[int, str, str, float, float]:
    one = ranking.groups[0].candidates[0]
    return one.where.address, one.where.word_type.value, one.where.order.value, one.scale, one.offset


@pytest.mark.parametrize(
    ("kind", "order", "raws", "shown", "scale", "offset"),
    [
        ("u16", "ABCD", (42124.0, 61187.0), ("4212.4", "6118.7"), 0.1, 0.0),
        ("i16", "ABCD", (-124.0, 1187.0), ("-12.4", "118.7"), 0.1, 0.0),
        ("i16", "BADC", (-124.0, 1187.0), ("-12.4", "118.7"), 0.1, 0.0),
        ("i16", "ABCD", (1624.0, 3187.0), ("112.4", "268.7"), 0.1, -50.0),
        ("i32", "CDAB", (-21240.0, 118733.0), ("-212.4", "1187.3"), 0.01, 0.0),
        ("i32", "DCBA", (2124000.0, 1187330.0), ("212.4", "118.7"), 0.0001, 0.0),
        ("f32", "ABCD", (212.4371, 118.7219), ("212.4", "118.7"), 1.0, 0.0),
        ("f32", "CDAB", (0.2124371, 0.1187219), ("212.4", "118.7"), 1000.0, 0.0),
        ("f64", "BADC", (212.4371, 118.7219), ("212.44", "118.72"), 1.0, 0.0),
        ("bcd16", "ABCD", (2124.0, 1187.0), ("212.4", "118.7"), 0.1, 0.0),
        ("sm16", "ABCD", (-124.0, 1187.0), ("-12.4", "118.7"), 0.1, 0.0),
        ("i16", "ABCD", (12496.0, 7428.0), ("212.4", "85.7"), 0.025, -100.0),
        ("i16", "ABCD", (14680.0, 8204.0), ("212.4", "118.7"), 400.0 / 27648.0, 0.0),
        ("f32", "ABCD", (96.3431, 53.8427), ("212.40", "118.70"), 1.0 / 0.45359237, 0.0),
    ],
)
def test_the_line_of_a_quiet_map_comes_first(
    kind: str, order: str, raws: tuple[float, float], shown: tuple[str, str], scale: float, offset: float
) -> None:
    ranking = rank(looks_of(WordType(kind), ByteOrder(order), raws, shown))
    address, found_kind, found_order, found_scale, found_offset = first_of(ranking)
    assert (address, found_kind, found_order) == (104, kind, order)
    assert found_scale == pytest.approx(scale)
    assert found_offset == pytest.approx(offset)
    assert ranking.none_share < 0.5


def test_what_no_reading_taken_tells_apart_is_one_group_that_says_what_would() -> None:
    ranking = rank(looks_of(WordType.U16, ByteOrder.ABCD, (2124.0, 1187.0), ("212.4", "118.7")))
    group = ranking.groups[0]
    types = {(one.where.address, one.where.word_type.value) for one in group.candidates}
    assert {(104, "i16"), (104, "u16"), (104, "sm16")} <= types
    said = {telling.other.where.word_type.value: telling.do for telling in between_ties(group, "kg")}
    assert said["u16"] == "go above 3276.7 kg or go below 0 kg"


def test_two_registers_of_the_same_content_are_tied() -> None:
    looks = [look(*[(5, raw, 900, raw, 17)] * 3, shown=shown) for raw, shown in ((2124, "212.4"), (1187, "118.7"))]
    ranking = rank(looks)
    assert {one.where.address for one in ranking.groups[0].candidates} >= {101, 103}
    assert any("a copy" in telling.do for telling in between_ties(ranking.groups[0], ""))


def test_copies_that_move_apart_are_not_tied() -> None:
    """The second register holds what the first had at the beginning of the look."""
    looks = [
        look(*[(5, raw + step, 900, raw - 40, 17) for step in (0, 3, -2, 1, 2)], shown=shown)
        for raw, shown in ((2124, "212.4"), (1187, "118.7"))
    ]
    ranking = rank(looks)
    assert {one.where.address for one in ranking.groups[0].candidates} == {101}


def test_a_constant_and_a_setpoint_that_stays_do_not_win() -> None:
    looks = [look(*[(2124, raw, 2124, 1187)] * 3, shown=shown) for raw, shown in ((2124, "212.4"), (1187, "118.7"))]
    assert first_of(rank(looks))[0] == 101


def test_a_display_that_stands_for_nothing_read_is_said_to() -> None:
    looks = [look(*[(2000 + n, 77, 31000 - 7 * n)] * 3, shown=shown) for n, shown in ((0, "212.43"), (50, "118.71"))]
    ranking = rank(looks)
    assert ranking.none_share > 0.5


def test_readings_of_one_load_are_said_to_be() -> None:
    ranking = rank(looks_of(WordType.U16, ByteOrder.ABCD, (2124.0, 2124.0), ("212.4", "212.4")))
    assert ranking.one_load
    assert first_of(ranking)[0] == 104


def test_a_load_that_drifts_between_reading_and_sampling_does_not_bend_the_scale() -> None:
    """Words and readings of a trial at the simulated plant: 2 % off at one load, 1 % the other way at the other."""
    flows = (
        (227.2, 225.7, 226.2, 226.0, 225.2, 225.1, 225.0, 225.4),
        (148.8, 148.2, 148.9, 147.2, 146.3, 145.6, 144.5, 145.9),
    )
    shown = (("229.7", "232.2", "232.1"), ("144.3", "145.2", "145.9"))
    looks = []
    for values, texts in zip(flows, shown, strict=True):
        rows = [(*words_at(WordType.F32, ByteOrder.ABCD, value + 0.0137), 3185, 0, 0, 324) for value in values]
        samples = tuple((Run(Table.HOLDING, 100, row),) for row in rows)
        looks.append(Look(samples, tuple(reading_of(text) for text in texts)))
    ranking = rank(looks)
    assert first_of(ranking) == (100, "f32", "ABCD", 1.0, 0.0)
    assert ranking.groups[0].share > 0.99


def test_no_reading_at_all_is_refused() -> None:
    with pytest.raises(ValueError, match="no look has a reading"):
        rank([Look(((Run(Table.INPUT, 0, (1, 2)),),), ())])


def test_the_manuals_address_is_told_to_count_otherwise() -> None:
    ranking = rank(looks_of(WordType.I16, ByteOrder.ABCD, (-124.0, 1187.0), ("-12.4", "118.7")))
    for offset, step in ((103, 1), (104, 0), (105, -1)):
        (shift,) = [one for one in shifts(ranking, Table.HOLDING, offset) if one.candidate.where.word_type == "i16"]
        assert shift.step == step
    assert shifts(ranking, Table.INPUT, 104) == ()
    assert shifts(ranking, Table.HOLDING, 120) == ()


def test_a_close_race_asks_for_more_readings() -> None:
    clear = rank(looks_of(WordType.I32, ByteOrder.CDAB, (-21240.0, 118733.0), ("-212.4", "1187.3")))
    assert more_readings(clear, [-212.4, 1187.3]) == 0
    unclear = rank(looks_of(WordType.U16, ByteOrder.ABCD, (21.0, 12.0), ("21", "12")))
    assert more_readings(unclear, [21.0, 12.0]) >= 1


@pytest.mark.parametrize(
    ("text", "value", "resolution", "unit"),
    [
        ("212.4 short_ton/h", 212.4, 0.1, "short_ton/h"),
        ("212.40", 212.4, 0.01, ""),
        ("-5 degC", -5.0, 1.0, "degC"),
        ("1,234.5 kg", 1234.5, 0.1, "kg"),
    ],
)
def test_the_digits_of_a_reading_say_its_resolution(text: str, value: float, resolution: float, unit: str) -> None:
    found = reading_of(text)
    assert (found.value, found.unit) == (value, unit)
    assert found.resolution == pytest.approx(resolution)


@pytest.mark.parametrize("text", ["", "fast", "212.4 t/h", "1e5", "nan", "2,12.4", "0x12"])
def test_what_is_no_reading_is_refused(text: str) -> None:
    with pytest.raises(ReadingError, match="expected"):
        reading_of(text)


def test_values_that_lie_in_two_replies_are_not_put_together() -> None:
    samples = ((Run(Table.INPUT, 0, (1, 2)), Run(Table.INPUT, 2, (3,)), Run(Table.HOLDING, 0, (9,))),)
    found = stretches([Look(samples, ()), Look(((Run(Table.INPUT, 0, (1, 2)), Run(Table.INPUT, 2, (3,))),), ())])
    assert [(one.table, one.address, one.rows) for one in found] == [
        (Table.INPUT, 0, ((1, 2), (1, 2))),
        (Table.INPUT, 2, ((3,), (3,))),
    ]


@settings(max_examples=60, deadline=None)
@given(
    kind=st.sampled_from([WordType.U16, WordType.I16, WordType.I32, WordType.U32, WordType.F32]),
    order=st.sampled_from([ByteOrder.ABCD, ByteOrder.CDAB]),
    decimals=st.integers(0, 2),
    low=st.integers(1_000, 12_000),
    ratio=st.floats(1.4, 2.5),
    beside=st.lists(st.integers(0, 0xFFFF), min_size=4, max_size=20),
)
def test_a_value_among_constants_is_always_found(
    kind: WordType, order: ByteOrder, decimals: int, low: int, ratio: float, beside: list[int]
) -> None:
    """Whatever stands beside it: a constant follows no two loads."""
    step = 10.0**-decimals
    values = [low * step, round(low * ratio) * step]
    scale = 1.0 if kind.of_floats else step
    looks = []
    for value in values:
        own = words_at(
            kind, order if kind.words > 1 else ByteOrder.ABCD, value if kind.of_floats else round(value / step)
        )
        looks.append(look(*[(*beside[:2], *own, *beside[2:])] * 3, shown=f"{value:.{decimals}f}"))
    group = rank(looks).groups[0]
    assert any(
        (one.where.address, one.where.word_type) == (102, kind)
        and one.scale == pytest.approx(scale)
        and one.offset == 0.0
        for one in group.candidates
    )
