"""Metering error over windows, by hand; who had the feeder; and dose by tons."""

from math import sqrt

import pytest

from crumbmeter.qc.acceptance import tolerance_verdict, worst_of
from crumbmeter.qc.acceptance_windows import dose_curve, errors_percent, parts_of, sums, windows
from crumbmeter.qc.booked import Booked
from crumbmeter.qc.verdict import Verdict
from tests.booked_parcels import run_of

TON_G = 1_000_000
WINDOW_G = 997_000
"""[g] Four parcels, also such as have some rubber less."""


def fed(count: int, *, number: int = 1, rubber_g: int = 1_250, **more: object) -> list[Booked]:
    """Make parcels of the running feed, each behind the last."""
    began_us = 1_782_043_200_000_000 + (number - 1) * 3_000_000
    return run_of(count, number=number, began_us=began_us, rubber_g=rubber_g, worst_state="feeding", **more)


def test_windows_follow_each_other_and_their_figures_are_those_by_hand() -> None:
    made = [
        *fed(4, rubber_g=1_250),
        *fed(4, number=5, rubber_g=1_375),
        *fed(4, number=9, rubber_g=1_000),
        *fed(3, number=13),
    ]
    errors = errors_percent(made, WINDOW_G, simulated_site=False)
    assert errors == pytest.approx([0.0, 10.0, -20.0])  # the last two parcels fill no window
    told = windows("in control", errors, TON_G)
    assert told.rms_percent == pytest.approx(sqrt((0.0 + 100.0 + 400.0) / 3.0))
    assert told.count == 3
    assert told.worst_percent == pytest.approx(-20.0)
    assert told.mean_percent == pytest.approx(-10.0 / 3.0)
    assert told.within_5_percent == pytest.approx(100.0 / 3.0)
    assert told.within_10_percent == pytest.approx(200.0 / 3.0)


def test_a_window_never_reaches_over_parcels_that_are_missing() -> None:
    assert errors_percent([*fed(3), *fed(3, number=5)], TON_G, simulated_site=False) == []
    assert len(errors_percent(fed(7), TON_G, simulated_site=False)) == 1


def test_without_a_window_nothing_is_told() -> None:
    told = windows("in control", [], TON_G)
    assert (told.count, told.rms_percent, told.worst_percent, told.within_10_percent) == (0, None, None, None)


def test_the_judged_part_begins_when_line_and_drum_have_passed_what_was_in_them() -> None:
    made = [
        *fed(5, controlled=False), *run_of(2, number=6, began_us=1_782_043_215_000_000, worst_state="purge"),
        *fed(10, number=8), *run_of(1, number=18, began_us=1_782_043_251_000_000, worst_state="stopped", rubber_g=0),
        *fed(1, number=19, controlled=False),
    ]  # fmt: skip
    parts = parts_of(made, settle_s=6.0)
    numbers = [[one.parcel.number for one in part] for part in (parts.watched, parts.settling, parts.controlled)]
    # The feed ran from parcel 8 on; what left six seconds later was fed by it. What stopped later counts, all of it.
    assert numbers == [[1, 2, 3, 4, 5], [6, 7, 8, 9], list(range(10, 20))]


def test_without_control_nothing_is_judged() -> None:
    parts = parts_of(fed(5, controlled=False), settle_s=6.0)
    assert (len(parts.watched), parts.settling, parts.controlled) == (5, (), ())


def test_the_curve_has_the_dose_of_each_stretch_and_all_of_the_mix() -> None:
    made = [*fed(40, controlled=False, rubber_g=0), *fed(40, number=41)]
    curve = dose_curve(parts_of(made, settle_s=30.0))
    assert curve is not None
    assert curve.basis == "total_mix"
    # A parcel without rubber is 1.25 kg lighter: four of them make no ton of mix, five do.
    assert curve.mix_kg[0] == pytest.approx(5 * 248.75 + 0.0 * 250.0, rel=0.01)
    assert curve.dose_percent[0] == 0.0
    assert curve.dose_percent[-1] == pytest.approx(0.5, abs=1e-3)
    assert curve.control_from_kg == pytest.approx(sums(made[:40]).mix_g / 1000.0)
    assert curve.judged_from_kg == pytest.approx(sums(made[:50]).mix_g / 1000.0)


def test_there_is_no_curve_of_mix_without_a_dose() -> None:
    assert dose_curve(parts_of(fed(5, target_rubber_g=0, rubber_g=0), 0.0)) is None


@pytest.mark.parametrize(
    ("errors", "limit", "expanded", "verdict"),
    [
        ([], 10.0, 1.0, Verdict.CANNOT_TELL),
        ([8.0, -9.0], 10.0, 1.0, Verdict.PASSES),
        ([8.0, -9.1], 10.0, 1.0, Verdict.CANNOT_TELL),  # nearer to the limit than it is known
        ([8.0, -10.1], 10.0, 1.0, Verdict.FAILS),
        ([0.0], 10.0, 12.0, Verdict.CANNOT_TELL),  # such a plant proves nothing
    ],
)
def test_a_pass_is_guarded(errors: list[float], limit: float, expanded: float, verdict: Verdict) -> None:
    assert tolerance_verdict(errors, limit, expanded) is verdict


def test_the_worst_verdict_is_that_of_the_whole() -> None:
    assert worst_of([Verdict.PASSES, Verdict.CANNOT_TELL, Verdict.FAILS]) is Verdict.FAILS
    assert worst_of([Verdict.PASSES, Verdict.CANNOT_TELL]) is Verdict.CANNOT_TELL
    assert worst_of([]) is Verdict.PASSES
