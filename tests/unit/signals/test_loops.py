"""A current loop through to its reading: measurement Good, a sensor at its end Uncertain, failure Bad, no number."""

import pytest

from crumbmeter.field.scaling import two_points
from crumbmeter.field.spec import LiveZero, RegisterSpec, Table, WordType
from crumbmeter.field.words import make_decoder
from crumbmeter.model.quality import Quality, Reason
from crumbmeter.model.sample import Sample
from crumbmeter.signals.params import SignalParams
from crumbmeter.signals.settle import first_memory, settle

# 0 to 40 kPa over 4 to 20 mA, in counts of one microampere.
SCALE, OFFSET = two_points(4000, 20000, 0.0, 40.0)
LOOP = RegisterSpec(
    Table.INPUT, 0, WordType.I16, scale=SCALE, offset=OFFSET, unit="kPa", live_zero=LiveZero(4000, 20000)
)
PARAMS = (SignalParams("pressure", -1000.0, 45_000.0, max_age_s=1.0),)


@pytest.mark.parametrize(
    ("current_ua", "quality", "reason", "kpa"),
    [
        (12000, Quality.GOOD, Reason.OK, 20.0),
        (3700, Quality.UNCERTAIN, Reason.ENGINEERING_UNITS_EXCEEDED, -0.75),
        (20800, Quality.UNCERTAIN, Reason.ENGINEERING_UNITS_EXCEEDED, 42.0),
        (3500, Quality.BAD, Reason.SENSOR_FAILURE, None),
        (0, Quality.BAD, Reason.SENSOR_FAILURE, None),
        (21000, Quality.BAD, Reason.SENSOR_FAILURE, None),
    ],
)
def test_a_loop_ends_in_a_reading(current_ua: int, quality: Quality, reason: Reason, kpa: float | None) -> None:
    decode = make_decoder(LOOP)
    memory = first_memory(1)
    # Five sound readings first, so that nothing is doubted for being the first.
    for number, counts in enumerate([12000, 12010, 12000, 12010, 12000, current_ua]):
        now_s = 10.0 + 0.2 * number
        value, why = decode((counts,), 0)
        sample = Sample(value, why, now_s, link_ok=True)
        memory, readings, _ = settle((sample,), memory, PARAMS, now_s, 0.2)
    assert (readings[0].quality, readings[0].reason) == (quality, reason)
    assert readings[0].value == (None if kpa is None else pytest.approx(kpa * 1000.0))


def test_a_lost_link_outweighs_the_end_of_the_range() -> None:
    memory = first_memory(1)
    for number in range(6):
        now_s = 10.0 + 0.2 * number
        sample = Sample(42_000.0, Reason.ENGINEERING_UNITS_EXCEEDED, min(now_s, 10.8), link_ok=number < 5)
        memory, readings, _ = settle((sample,), memory, PARAMS, now_s, 0.2)
    assert (readings[0].quality, readings[0].reason) == (Quality.UNCERTAIN, Reason.LAST_USABLE_VALUE)
