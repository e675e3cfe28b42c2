"""What people type into a form: texts that become numbers, exact masses and moments, or a refusal with its remedy."""

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from decimal import Decimal, InvalidOperation
from typing import Final

from crumbmeter.model.faults import CrumbmeterError
from crumbmeter.model.units import POUND_KG, SHORT_TON_KG, TONNE_KG
from crumbmeter.qc.calendar import Calendar
from crumbmeter.report.figures import exactly

MOST: Final = Decimal(10) ** 12
LATE_US: Final = 60_000_000
"""[us] By so much a browser's clock may be ahead."""
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


class FormRefusedError(CrumbmeterError):
    """A form cannot be taken; nothing of it is on record."""

    def __init__(self, field: str, found: str, expected: str, remedy: str) -> None:
        super().__init__(f"{field}: found {found}; expected {expected}. {remedy}")
        self.field = field
        self.found = found
        self.expected = expected
        self.remedy = remedy


class Texts:
    """The texts of one form."""

    def __init__(self, fields: Mapping[str, str], calendar: Calendar, metric: bool, now_us: int) -> None:
        self._fields = fields
        self._calendar = calendar
        self.metric = metric
        self.now_us = now_us

    def text(self, name: str) -> str:
        """Return a text without the space about it; empty where there is none."""
        return self._fields.get(name, "").strip()

    def number(self, name: str) -> Decimal | None:
        """Return a number; None where there is none.

        Raises:
            FormRefusedError: it is none, or far too large.
        """
        text = self.text(name)
        return self.parsed(name, text) if text else None

    @staticmethod
    def parsed(name: str, text: str) -> Decimal:
        """Read a number with a decimal point.

        Raises:
            FormRefusedError: it is none, or far too large.
        """
        try:
            value = Decimal(text)
        except InvalidOperation:
            value = Decimal("NaN")
        if not value.is_finite() or abs(value) > MOST:
            raise FormRefusedError(name, repr(text), "a number such as 21.4", "Write a decimal point, and no unit.")
        return value

    def tons_g(self, name: str) -> int | None:
        """[g] Return a mass of mix, exact, from the site's tons."""
        return self._grams(name, exactly(TONNE_KG if self.metric else SHORT_TON_KG))

    def smalls_g(self, name: str) -> int | None:
        """[g] Return a mass of rubber, exact, from the site's pounds or kilograms."""
        return self._grams(name, Decimal(1) if self.metric else exactly(POUND_KG))

    def smalls_kg(self, name: str, text: str) -> float:
        """[kg] Return a mass that was read out of a text."""
        return float(self.parsed(name, text) * (Decimal(1) if self.metric else exactly(POUND_KG)))

    def _grams(self, name: str, unit_kg: Decimal) -> int | None:
        value = self.number(name)
        if value is None:
            return None
        if value < 0:
            raise FormRefusedError(name, str(value), "a mass of 0 or more", "Leave the sign out.")
        return int((value * unit_kg * 1000).to_integral_value())

    def moment(self, name: str) -> int:
        """[us] Return a moment: now where there is none.

        Raises:
            FormRefusedError: it is no time, it is still to come, or the clock showed it twice.
        """
        text = self.text(name)
        if not text:
            return self.now_us
        try:
            told = datetime.fromisoformat(text)
        except ValueError:
            raise FormRefusedError(
                name, repr(text), "a date and time such as 2026-07-01T14:30", "Write it so."
            ) from None
        at_us = (self._placed(name, told) - _EPOCH) // timedelta(microseconds=1)
        if at_us > self.now_us + LATE_US:
            raise FormRefusedError(name, text, "a time that has been", "Look at date, time and time zone.")
        return min(at_us, self.now_us)

    def _placed(self, name: str, told: datetime) -> datetime:
        if told.tzinfo is not None:
            return told
        local = told.replace(tzinfo=self._calendar.zone)
        if local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset():
            raise FormRefusedError(
                name, told.isoformat(), "a time that the clock showed once", "Add its offset, such as -06:00."
            )
        return local
