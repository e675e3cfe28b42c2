"""Pay factors: an agency's table as data, evaluated in decimals so that a breakpoint is met exactly.

Pay is decided on random samples. What comes from a feeder's own figures is an indicator, and is refused here.
"""

from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal
from enum import StrEnum
from itertools import pairwise

from crumbmeter.qc.within import Basis, Within

WHOLE_PERCENT = Decimal(100)


class Rounding(StrEnum):
    """How a table rounds a half."""

    HALF_EVEN = "half to even"
    HALF_UP = "half up"


_MODES = {Rounding.HALF_EVEN: ROUND_HALF_EVEN, Rounding.HALF_UP: ROUND_HALF_UP}


class PayTableError(ValueError):
    """A table that does not say one thing for each per cent within limits."""


class NotForPayError(ValueError):
    """These figures must not decide pay."""


@dataclass(frozen=True, slots=True)
class PayRow:
    """From a per cent within limits upward, to the next row: factor = constant + slope times PWL."""

    from_pwl_percent: Decimal
    """[%] Lowest PWL of the row; it belongs to it."""
    constant_percent: Decimal | None = None
    """[%] Of the contract price; None: the row has no factor but an outcome."""
    slope: Decimal = Decimal(0)
    """[% of price per % PWL]"""
    outcome: str = ""
    """What is done instead, such as remove and replace."""


@dataclass(frozen=True, slots=True)
class PayTable:
    """A table of pay factors, its rows from the lowest PWL upward."""

    name: str
    source: str
    """Document and section; for an invented one, that it is."""
    rows: tuple[PayRow, ...]
    pwl_decimals: int | None = 0
    """Decimals to which PWL is rounded before it is looked up; None: as the type holds it."""
    factor_decimals: int = 1
    rounding: Rounding = Rounding.HALF_EVEN
    least_percent: Decimal | None = None
    """[%] No factor is below it."""
    most_percent: Decimal | None = None
    """[%] No factor is above it."""

    def __post_init__(self) -> None:
        if not self.rows or self.rows[0].from_pwl_percent != 0:
            raise PayTableError(f"pay table {self.name!r}: its first row does not begin at PWL 0, so some PWL has none")
        for place, (below, above) in enumerate(pairwise(self.rows), 2):
            if above.from_pwl_percent <= below.from_pwl_percent:
                raise PayTableError(
                    f"pay table {self.name!r}, row {place}: PWL {above.from_pwl_percent} does not lie above"
                    f" {below.from_pwl_percent} of the row before: order the rows upward"
                )
        if self.rows[-1].from_pwl_percent > WHOLE_PERCENT:
            raise PayTableError(f"pay table {self.name!r}, row {len(self.rows)}: no PWL lies above 100")
        for place, row in enumerate(self.rows, 1):
            if (row.constant_percent is None) == (not row.outcome):
                raise PayTableError(
                    f"pay table {self.name!r}, row {place}: give either a constant_percent (and slope) or an outcome"
                )


@dataclass(frozen=True, slots=True)
class PayFactor:
    """What a table says of one lot."""

    percent: Decimal | None
    """[%] Of the contract price; None: see `outcome`."""
    outcome: str
    pwl_percent: Decimal
    """[%] PWL as it was looked up."""
    row: int
    """Row of the table, from 1."""
    table: str
    source: str


def pay_factor(within: Within, table: PayTable) -> PayFactor:
    """Look up the pay factor of a lot.

    Args:
        within: Per cent within limits, of random samples.
        table: The agency's.

    Raises:
        NotForPayError: the values are a feeder's own.
    """
    if within.basis is not Basis.RANDOM_SAMPLES:
        raise NotForPayError(
            "PWL of feeder figures is an indicator: neighbouring windows hang together, and PWL takes random samples."
            f" No pay factor by {table.name!r}: sample the lot at random and enter the results"
        )
    pwl = _rounded(Decimal(within.pwl_percent), table.pwl_decimals, table.rounding)
    place = max(place for place, row in enumerate(table.rows) if row.from_pwl_percent <= pwl)
    row = table.rows[place]
    percent = None
    if row.constant_percent is not None:
        percent = row.constant_percent + row.slope * pwl
        percent = percent if table.least_percent is None else max(table.least_percent, percent)
        percent = percent if table.most_percent is None else min(table.most_percent, percent)
        percent = _rounded(percent, table.factor_decimals, table.rounding)
    return PayFactor(percent, row.outcome, pwl, place + 1, table.name, table.source)


def _rounded(value: Decimal, decimals: int | None, rounding: Rounding) -> Decimal:
    """Round; a float's own last digits (1e-9) are taken off first, so that 89.99999999999999 is 90."""
    exact = value.quantize(Decimal("1e-9"), ROUND_HALF_EVEN).normalize()
    return exact if decimals is None else exact.quantize(Decimal(1).scaleb(-decimals), _MODES[rounding])
