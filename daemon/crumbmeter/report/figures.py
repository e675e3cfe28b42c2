"""Numbers and times as text: rounded half to even, with their decimals kept; a missing value is empty, never 0.

Rounding: a figure of 5 exactly goes to the even digit (Ohio DOT CMS 403.06; the FAA's workshop gives 4.6500 -> 4.6 and
4.7500 -> 4.8). In binary neither 4.65 nor most other halves exist, so binary rounding decides by an error in the 17th
digit. Here a float is first taken as the decimal of 15 significant digits nearest to it, and that decimal is rounded.
15 digits are what every double holds (DBL_DIG of C11 5.2.4.2.2), so a figure that was typed with at most 15 comes
back as it was, and the last bit of a sum decides nothing. Whole numbers and `Decimal` are exact as they are.
"""

from datetime import UTC, datetime, timedelta, tzinfo
from decimal import ROUND_HALF_EVEN, Context, Decimal, localcontext
from typing import Final

Value = Decimal | int | float | str | datetime | None
"""What a cell may hold. A time has its zone. None: not known."""

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_WIDE: Final = Context(prec=60, rounding=ROUND_HALF_EVEN)
_SPELT: Final = {True: "yes", False: "no"}


class NoFigureError(ValueError):
    """A value that no report may show."""


def rounded(value: Decimal | float, decimals: int) -> Decimal:
    """Round half to even.

    Args:
        value: A finite number.
        decimals: Digits kept after the point; they are kept even where they are 0.

    Raises:
        NoFigureError: the number is not finite. What is missing is None.
    """
    exact = exactly(value)
    with localcontext(_WIDE):
        quantum = exact.quantize(Decimal(1).scaleb(-decimals), rounding=ROUND_HALF_EVEN)
    return abs(quantum) if quantum.is_zero() else quantum


def exactly(value: Decimal | float) -> Decimal:
    """Return the decimal that stands for a number: of a float, the one of 15 significant digits nearest to it.

    Raises:
        NoFigureError: the number is not finite.
    """
    exact = Decimal(f"{value:.15g}") if isinstance(value, float) else Decimal(value)
    if not exact.is_finite():
        raise NoFigureError(f"{value!r} is no figure for a report; a missing value is None")
    return exact


def shown(value: Value, decimals: int | None = None) -> str:
    """Return the text of a value; empty where it is missing.

    Args:
        value: What to show.
        decimals: Digits after the point of a number; None: as many as it has.
    """
    match value:
        case None:
            return ""
        case bool():
            return _SPELT[value]
        case str():
            return value
        case datetime():
            return value.isoformat(sep=" ", timespec="seconds")
        case _:
            return f"{exactly(value) if decimals is None else rounded(value, decimals):f}"


def iso(moment: datetime) -> str:
    """Return a time after ISO 8601, with its offset and to the second; finer where it is not a whole second."""
    return moment.isoformat(timespec="milliseconds" if moment.microsecond else "seconds")


def iso_utc(moment: datetime) -> str:
    """Return the same instant in UTC, with the letter Z."""
    return iso(moment.astimezone(UTC)).removesuffix("+00:00") + "Z"


def moment(wall_us: int, zone: tzinfo) -> datetime:
    """Return an instant in a zone.

    Args:
        wall_us: [us] UTC since 1970.
        zone: Of the site.
    """
    return (_EPOCH + timedelta(microseconds=wall_us)).astimezone(zone)


def unit_words(unit: str) -> str:
    """Return how people write a unit: `short ton`, `%`, `°F`. Files keep its code."""
    for code, word in (("percent", "%"), ("degC", "°C"), ("degF", "°F"), ("m3", "m³")):
        unit = word + unit.removeprefix(code) if unit.startswith(code) else unit
    return unit.replace("_", " ")
