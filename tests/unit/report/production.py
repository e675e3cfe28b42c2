"""An invented production day of parcels every three seconds, for the tests of reports."""

from collections.abc import Sequence
from dataclasses import replace as changed
from datetime import time as clock
from math import sin

from crumbmeter.ledger.judging import Case
from crumbmeter.model.quality import Quality
from crumbmeter.qc.aggregates import Kind, aggregate
from crumbmeter.qc.booked import Booked
from crumbmeter.qc.calendar import Calendar, Day
from crumbmeter.qc.circumstances import Happening, circumstances
from crumbmeter.qc.deviations import DeviationRule, find_deviations
from crumbmeter.qc.lots import By, LotRule, lots
from crumbmeter.qc.reviews import review
from crumbmeter.qc.said import Said, Subject
from crumbmeter.qc.series import Sample, Series
from crumbmeter.report.calibration import Standing
from crumbmeter.report.daily import Production
from crumbmeter.report.frame import Frame, RestsOn
from crumbmeter.report.rates import AS_RECORDED, LONGEST_GAP_US, Integrated
from crumbmeter.site.zones import TZDATA_VERSION, time_zone
from tests.booked_parcels import NOON_US, US_PER_S, booked

ZONE = time_zone("America/Denver")
CALENDAR = Calendar(ZONE, TZDATA_VERSION, (clock(4),), clock(4))
FRAME = Frame(
    site_title="Demonstration drum plant (invented)",
    simulated=False,
    metric=False,
    zone=ZONE,
    rests_on=RestsOn(
        "9f3a" * 16, "77aa" * 16, "0.1.0", TZDATA_VERSION, 10, 120_000, 36_000, "record:120000:" + "5f" * 32
    ),
    project="Invented road 1",
)
SHORT = range(3000, 3100)
"""Numbers of the parcels with a third of their rubber missing."""
RULE = DeviationRule(0.10, 5_000_000)


def parcels(count: int) -> list[Booked]:
    """Make parcels whose dose wanders by some percent; one stretch is short."""
    return [_parcel(number) for number in range(1, count + 1)]


def _parcel(number: int) -> Booked:
    rubber_g = round(1250 + 25 * sin(number / 70.0) + (number * 7919 % 41 - 20))
    return booked(
        number, began_us=NOON_US + (number - 1) * 3 * US_PER_S,
        rubber_g=rubber_g * 2 // 3 if number in SHORT else rubber_g,
    )  # fmt: skip


def integrated_of(made: Sequence[Booked], day: Day) -> Integrated:
    """Integrate rates that agree with the parcels."""
    mix = [Sample(one.began_us, one.parcel.mix_without_rubber_g / 3000.0, Quality.GOOD) for one in made]
    fed = [Sample(one.began_us, one.parcel.rubber_g / 3000.0, Quality.GOOD) for one in made]
    whole = [
        aggregate(Series(held, LONGEST_GAP_US), day.begin_us, day.end_us, Kind.TOTAL, AS_RECORDED)
        for held in (mix, fed)
    ]
    return Integrated(whole[0], whole[1], len(mix))


def happenings() -> list[Happening]:
    """Make some events."""
    stop_us = NOON_US + SHORT[0] * 3 * US_PER_S
    alarm = {"alarm": "no_feed", "state": "unacknowledged", "detail": "#x [y]", "first_out": True}
    return [
        Happening(stop_us - US_PER_S, 29_990, "alarm_raised", alarm),
        Happening(stop_us, 29_991, "feed_stopped", {"cause": "machine doubt", "trigger": "line plugged"}),
        Happening(stop_us + US_PER_S, 29_992, "refill_ended", {"duration_s": 40.0, "mass_kg": 181.4}),
        Happening(stop_us + 2 * US_PER_S, 29_993, "bag_loaded", {"lot": "B7", "mass_kg": 907.2, "who": "ada"}),
    ]


def cases(made: Sequence[Booked], said: Sequence[Said] = ()) -> list[Case]:
    """Judge the parcels."""
    return [
        Case(one, circumstances(one, happenings(), 60 * US_PER_S), review(one, said))
        for one in find_deviations(made, RULE)
    ]


def reviewed() -> list[Said]:
    """Return what QC said of the deviation, without its signature."""
    what = {"cause": "conveying line", "disposition": "sample and test", "comment": "three cores #1 [x]"}
    return [Said(Subject.DEVIATION, "D3000-short", what, "ada (qc)", NOON_US, seq=7, said_us=NOON_US)]


def production(count: int = 12_000) -> Production:
    """Make a day."""
    made = parcels(count)
    day = CALENDAR.day_at(NOON_US)
    rule = LotRule(By.DAY, sublot_g=200_000_000, calendar=CALENDAR)
    calibrations = [
        Standing(
            "aggregate belt scale", "material test", NOON_US - 10**12, NOON_US + 10**12, "in order", in_order=True
        ),
        Standing("rubber feeder", "catch test", None, None, "missing", in_order=False),
    ]
    return Production(
        day, list(lots(made, rule)), cases(made), happenings(), integrated_of(made, day), calibrations
    )  # fmt: skip


def frame(**what: object) -> Frame:
    """Return the frame with some things changed."""
    return changed(FRAME, **what)  # type: ignore[arg-type]
