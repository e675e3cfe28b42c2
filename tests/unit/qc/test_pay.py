"""Pay factors by tables. The tables here are invented, but for the one formula that says where it is from."""

from decimal import Decimal

import pytest

from crumbmeter.qc.pay import NotForPayError, PayRow, PayTable, PayTableError, Rounding, pay_factor
from crumbmeter.qc.within import Basis, Within, within_limits


def percent(value: str) -> Decimal:
    return Decimal(value)


def of_pwl(pwl_percent: float, basis: Basis = Basis.RANDOM_SAMPLES) -> Within:
    return Within(5, 0.5, 0.1, 0.4, None, 1.0, None, pwl_percent, None, pwl_percent, basis, "exact")


STEPS = PayTable(
    "steps", "invented for this test",
    (
        PayRow(percent("0"), outcome="remove and replace"),
        PayRow(percent("50"), constant_percent=percent("-12"), slope=percent("1.4")),
        PayRow(percent("75"), constant_percent=percent("55"), slope=percent("0.5")),
        PayRow(percent("90"), constant_percent=percent("102")),
    ),
)  # fmt: skip
LINEAR = PayTable(
    "55 + 0.5 PWL", "the form of AASHTO R 9 (FROM MEMORY)",
    (PayRow(percent("0"), constant_percent=percent("55"), slope=percent("0.5")),),
    pwl_decimals=None, factor_decimals=2,
)  # fmt: skip


@pytest.mark.parametrize(
    ("pwl_percent", "factor", "outcome", "row"),
    [
        (0.0, None, "remove and replace", 1),
        (49.4, None, "remove and replace", 1),
        (50.0, "58.0", "", 2),
        (74.0, "91.6", "", 2),
        (75.0, "92.5", "", 3),
        (89.0, "99.5", "", 3),
        (90.0, "102.0", "", 4),
        (100.0, "102.0", "", 4),
    ],
)
def test_breakpoints_belong_to_the_row_above(pwl_percent: float, factor: str | None, outcome: str, row: int) -> None:
    found = pay_factor(of_pwl(pwl_percent), STEPS)
    assert found.percent == (None if factor is None else percent(factor))
    assert (found.outcome, found.row, found.table, found.source) == (outcome, row, "steps", "invented for this test")


def test_breakpoint_is_met_in_spite_of_a_floats_last_digits() -> None:
    assert pay_factor(of_pwl(89.99999999999999), STEPS).row == 4
    assert pay_factor(of_pwl(89.99999999999999), LINEAR).percent == percent("100.00")


def test_formula_is_evaluated_without_rounding_pwl_first() -> None:
    found = pay_factor(of_pwl(81.03761159195946), LINEAR)
    assert found.pwl_percent == percent("81.037611592")
    assert found.percent == percent("95.52")


def test_half_is_rounded_as_the_table_says() -> None:
    up = PayTable("up", "invented", STEPS.rows, rounding=Rounding.HALF_UP)
    assert pay_factor(of_pwl(74.5), STEPS).pwl_percent == 74
    assert pay_factor(of_pwl(74.5), up).pwl_percent == 75


def test_factor_stays_within_its_ends() -> None:
    ends = PayTable(
        "ends", "invented", LINEAR.rows, least_percent=percent("75"), most_percent=percent("102.5")
    )  # fmt: skip
    assert pay_factor(of_pwl(10.0), ends).percent == 75
    assert pay_factor(of_pwl(100.0), ends).percent == percent("102.5")
    assert pay_factor(of_pwl(60.0), ends).percent == 85


def test_feeder_figures_decide_no_pay() -> None:
    windows = within_limits((0.48, 0.50, 0.52, 0.51), 0.45, 0.55, basis=Basis.FEEDER)
    assert windows.pwl_percent > 99.0
    with pytest.raises(NotForPayError, match=r"is an indicator.*sample the lot at random"):
        pay_factor(windows, STEPS)


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ((), "does not begin at PWL 0"),
        ((PayRow(percent("10"), outcome="x"),), "does not begin at PWL 0"),
        ((PayRow(percent("0"), outcome="x"), PayRow(percent("0"), outcome="y")), "row 2: PWL 0 does not lie above 0"),
        ((PayRow(percent("0"), outcome="x"), PayRow(percent("101"), outcome="y")), "row 2: no PWL lies above 100"),
        ((PayRow(percent("0")),), "row 1: give either"),
        ((PayRow(percent("0"), constant_percent=percent("1"), outcome="x"),), "row 1: give either"),
    ],
)
def test_table_that_does_not_say_one_thing_is_refused(rows: tuple[PayRow, ...], said: str) -> None:
    with pytest.raises(PayTableError, match=said):
        PayTable("bad", "invented", rows)
