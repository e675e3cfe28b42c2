"""Two points, powers of ten from the device, current loops: never a mis-scaled value, never a broken wire as zero."""

import math
from dataclasses import replace

import pytest

from crumbmeter.field.scaling import gains, line, loop_limits, two_points
from crumbmeter.field.spec import LiveZero, PowerOfTen, RegisterSpec, Table, WordType
from crumbmeter.field.words import UnencodableError, decode_si, encode_si, make_decoder
from crumbmeter.model.quality import Reason

I16 = RegisterSpec(Table.INPUT, 10, WordType.I16)
LOOP_SCALE, LOOP_OFFSET = two_points(5530, 27648, 0.0, 16.0)


def test_two_points_are_met() -> None:
    scale, offset = two_points(4000, 20000, -50.0, 150.0)
    assert scale * 4000 + offset == pytest.approx(-50.0, abs=1e-12)
    assert scale * 20000 + offset == pytest.approx(150.0, abs=1e-12)
    assert scale == pytest.approx(0.0125)
    falling, _ = two_points(0, 10, 5.0, -5.0)
    assert falling == -1.0


@pytest.mark.parametrize(
    "points",
    [(5, 5, 0.0, 1.0), (0, 1, 2.0, 2.0), (0, 1, math.nan, 2.0), (0, 5e-324, 0, 1e300), (1e10, 1e10 + 1, 0, 1e300)],
)
def test_two_points_that_make_no_line_are_refused(points: tuple[float, float, float, float]) -> None:
    with pytest.raises(ValueError, match=r"^two points that make no line$"):
        two_points(*points)


def test_a_line_ends_in_si() -> None:
    assert line(replace(I16, scale=0.25, offset=5.0, unit="kPa")) == (250.0, 5000.0)
    gain, bias = line(replace(I16, unit="degF"))
    assert gain == pytest.approx(5 / 9)
    assert bias == pytest.approx(-160 / 9)


# --- powers of ten from the device -----------------------------------------------------------------------------------

POINT = RegisterSpec(Table.INPUT, 12, WordType.U16)
EXPONENT = RegisterSpec(Table.INPUT, 9, WordType.I16, sentinels=(-32768,))


@pytest.mark.parametrize(("digits", "value"), [(0, 12345.0), (1, 1234.5), (2, 123.45), (3, 12.345), (9, 1.2345e-5)])
def test_a_decimal_point_moves_the_value(digits: int, value: float) -> None:
    register = replace(I16, power=PowerOfTen(POINT, decimals=True))
    found, reason = decode_si(register, (12345, 0, digits))
    assert found == pytest.approx(value, rel=1e-15)
    assert reason is Reason.OK


@pytest.mark.parametrize(("exponent", "value"), [(0, 12.0), (3, 12000.0), (0x10000 - 2, 0.12), (9, 12e9)])
def test_an_exponent_before_the_value_scales_it(exponent: int, value: float) -> None:
    register = replace(I16, power=PowerOfTen(EXPONENT))
    assert decode_si(register, (exponent, 12)) == (value, Reason.OK)


@pytest.mark.parametrize(
    ("exponent", "reason"),
    [(10, Reason.SCALE_UNKNOWN), (0x10000 - 10, Reason.SCALE_UNKNOWN), (0x8000, Reason.SENTINEL)],
)
def test_a_power_of_ten_that_cannot_be_leaves_no_value(exponent: int, reason: Reason) -> None:
    register = replace(I16, power=PowerOfTen(EXPONENT))
    assert decode_si(register, (exponent, 12)) == (None, reason)


def test_more_decimals_than_nine_or_fewer_than_none_leave_no_value() -> None:
    register = replace(I16, power=PowerOfTen(replace(POINT, word_type=WordType.I16), decimals=True))
    for digits in (10, 0xFFFF):
        assert decode_si(register, (12, 0, digits)) == (None, Reason.SCALE_UNKNOWN)


def test_scale_offset_and_unit_go_on_counting_beside_a_power_of_ten() -> None:
    register = replace(I16, scale=2.0, offset=1.0, unit="kg", power=PowerOfTen(POINT, decimals=True))
    assert decode_si(register, (50, 0, 1)) == (11.0, Reason.OK)


def test_the_power_of_ten_may_be_a_few_bits_of_a_status() -> None:
    field = RegisterSpec(Table.INPUT, 12, WordType.U16, mask=0x0070)
    register = replace(I16, power=PowerOfTen(field, decimals=True))
    assert decode_si(register, (50, 0, 0xFF1F)) == (5.0, Reason.OK)


def test_a_sentinel_is_one_whatever_the_power_of_ten() -> None:
    register = replace(I16, sentinels=(-1,), power=PowerOfTen(POINT, decimals=True))
    assert decode_si(register, (0xFFFF, 0, 1)) == (None, Reason.SENTINEL)


def test_what_only_the_device_can_scale_is_not_written() -> None:
    register = replace(I16, table=Table.HOLDING, power=PowerOfTen(replace(POINT, table=Table.HOLDING)))
    words = r"^the device may change its power of ten at any time: 1.0 in i16 at holding 10$"
    with pytest.raises(UnencodableError, match=words):
        encode_si(register, 1.0)


def test_the_power_of_ten_is_found_wherever_the_block_begins() -> None:
    register = replace(I16, power=PowerOfTen(POINT, decimals=True))
    assert make_decoder(register)((7, 7, 7, 50, 7, 1, 7), 3) == (5.0, Reason.OK)


def test_gains_are_all_there_are() -> None:
    assert gains(I16) == {}
    assert sorted(gains(replace(I16, power=PowerOfTen(POINT, decimals=True)))) == list(range(10))
    both_ways = gains(replace(I16, power=PowerOfTen(EXPONENT)))
    assert sorted(both_ways) == list(range(-9, 10))
    assert both_ways[-3] == 0.001
    assert both_ways[3] == 1000.0


def test_a_negative_power_of_ten_is_divided_by_so_that_no_digit_is_lost() -> None:
    # A tenth is no binary fraction: 3 times it is 0.30000000000000004.
    thirds = gains(replace(I16, scale=3.0, power=PowerOfTen(EXPONENT)))
    assert (thirds[-1], thirds[-3], thirds[0], thirds[1]) == (0.3, 0.003, 3.0, 30.0)


def test_a_float_may_not_grow_beyond_all_numbers() -> None:
    double = RegisterSpec(Table.INPUT, 0, WordType.F64, power=PowerOfTen(RegisterSpec(Table.INPUT, 4, WordType.U16)))
    assert decode_si(double, (0x7FEF, 0xFFFF, 0xFFFF, 0xFFFF, 3)) == (None, Reason.NOT_FINITE)


# --- current loops: 0 to 20 mA is 0 to 27648 counts -> 4 mA is 5529.6, here 5530 ------------------------------------

LOOP = RegisterSpec(
    Table.INPUT, 0, WordType.I16, scale=LOOP_SCALE, offset=LOOP_OFFSET, unit="bar", live_zero=LiveZero(5530, 27648)
)
MA_EXACT = RegisterSpec(Table.INPUT, 0, WordType.U16, live_zero=LiveZero(4000, 20000))
"""Counts of one microampere."""


@pytest.mark.parametrize(
    ("current_ua", "reason"),
    [
        (0, Reason.SENSOR_FAILURE),
        (3500, Reason.SENSOR_FAILURE),
        (3599, Reason.SENSOR_FAILURE),
        (3600, Reason.SENSOR_FAILURE),
        (3601, Reason.ENGINEERING_UNITS_EXCEEDED),
        (3799, Reason.ENGINEERING_UNITS_EXCEEDED),
        (3800, Reason.OK),
        (4000, Reason.OK),
        (12000, Reason.OK),
        (20000, Reason.OK),
        (20500, Reason.OK),
        (20501, Reason.ENGINEERING_UNITS_EXCEEDED),
        (20999, Reason.ENGINEERING_UNITS_EXCEEDED),
        (21000, Reason.SENSOR_FAILURE),
        (21001, Reason.SENSOR_FAILURE),
        (65535, Reason.SENSOR_FAILURE),
    ],
)
def test_ne_43_decides_what_a_current_means(current_ua: int, reason: Reason) -> None:
    # NAMUR NE 43: 3.8 to 20.5 mA is measurement, up to 3.6 and from 21 mA on is failure.
    value, why = decode_si(MA_EXACT, (current_ua,))
    assert why is reason
    assert value == (None if reason is Reason.SENSOR_FAILURE else current_ua)


def test_a_broken_wire_and_a_failure_are_neither_zero_nor_full() -> None:
    # 3.5 mA and 21 mA in counts of 27648 for 20 mA.
    assert decode_si(LOOP, (round(3.5 / 20 * 27648),)) == (None, Reason.SENSOR_FAILURE)
    assert decode_si(LOOP, (29031,)) == (None, Reason.SENSOR_FAILURE)
    assert decode_si(LOOP, (0,)) == (None, Reason.SENSOR_FAILURE)
    assert decode_si(LOOP, (0x8000,)) == (None, Reason.SENSOR_FAILURE)
    middle, reason = decode_si(LOOP, ((5530 + 27648) // 2,))
    assert reason is Reason.OK
    assert middle == pytest.approx(8.0e5)


def test_a_loop_may_come_as_milliamperes_in_a_float() -> None:
    register = RegisterSpec(Table.INPUT, 0, WordType.F32, live_zero=LiveZero(4.0, 20.0))
    assert decode_si(register, (0x4060, 0)) == (None, Reason.SENSOR_FAILURE)  # 3.5
    assert decode_si(register, (0x41A8, 0)) == (None, Reason.SENSOR_FAILURE)  # 21.0
    assert decode_si(register, (0x4140, 0)) == (12.0, Reason.OK)
    assert decode_si(register, (0x7FC0, 0)) == (None, Reason.NOT_FINITE)


def test_the_limits_stand_in_counts() -> None:
    limits = loop_limits(LiveZero(0, 16000))
    assert (limits.failure_low, limits.measure_low) == (-400.0, -200.0)
    assert (limits.measure_high, limits.failure_high) == (16500.0, 17000.0)
    assert limits.judge(math.nan) is Reason.SENSOR_FAILURE
