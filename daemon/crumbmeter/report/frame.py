"""What every report has in common: the site's units and time, what it rests on, and when it is marked as simulated."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, tzinfo
from decimal import Decimal
from typing import Final

from crumbmeter.model.units import POUND_KG, SHORT_TON_KG, TONNE_KG
from crumbmeter.report.document import SIMULATE, Block, Document
from crumbmeter.report.figures import exactly, moment

US_PER_S: Final = 1_000_000
_GRAMS: Final = {
    "short_ton": exactly(SHORT_TON_KG) * 1000, "tonne": exactly(TONNE_KG) * 1000,
    "lb": exactly(POUND_KG) * 1000, "kg": Decimal(1000),
}  # fmt: skip
"""[g] Of one unit, exact."""


@dataclass(frozen=True, slots=True)
class RestsOn:
    """What a report was made from, so that it can be made again and checked."""

    settings_id: str
    plan_id: str
    """SHA-256 of the quality plan; empty: as by default."""
    version: str
    """Of crumbmeter."""
    zone_edition: str
    first_seq: int
    last_seq: int
    rows: int
    """Entries of the record that were read for it."""
    head: str
    """Head of the record when it was made, as `record:SEQUENCE:HASH`; `crumbmeter verify --head` takes it."""
    said_head: str = ""
    """The same of the quality record; empty: nothing of it was used."""

    def identity(self) -> tuple[tuple[str, str], ...]:
        """Return its lines for a document."""
        lines = (
            ("crumbmeter", self.version),
            ("time zones", self.zone_edition),
            ("record entries", f"{self.first_seq} to {self.last_seq}"),
            ("rows read", str(self.rows)),
            ("settings", self.settings_id),
            ("quality plan", self.plan_id),
            ("head", self.head),
            ("head of the quality record", self.said_head),
        )
        return tuple((label, text) for label, text in lines if text)


@dataclass(frozen=True, slots=True)
class Frame:
    """A site as its reports show it."""

    site_title: str
    simulated: bool
    """Whether the site is simulated as a whole."""
    metric: bool
    zone: tzinfo
    rests_on: RestsOn
    project: str = ""
    location: str = ""

    @property
    def ton(self) -> str:
        """Return the unit of mix."""
        return "tonne" if self.metric else "short_ton"

    @property
    def small(self) -> str:
        """Return the unit of rubber."""
        return "kg" if self.metric else "lb"

    def tons(self, mass_g: int) -> Decimal:
        """Return a mass [g] of mix in the site's ton, exact."""
        return mass_g / _GRAMS[self.ton]

    def smalls(self, mass_g: int) -> Decimal:
        """Return a mass [g] of rubber in the site's unit, exact."""
        return mass_g / _GRAMS[self.small]

    def span(self, begin_us: int, end_us: int) -> str:
        """Say a period in local time, each end with its offset, and its true length.

        Args:
            begin_us: [us] UTC since 1970.
            end_us: [us] UTC since 1970.
        """
        begin, end = (moment(at_us, self.zone) for at_us in (begin_us, end_us))
        return f"{_minute(begin)} to {_minute(end)}, {length((end_us - begin_us) / US_PER_S)}"

    def document(
        self,
        kind: str,
        title: str,
        period_text: str,
        blocks: Iterable[Block],
        *,
        simulated: bool = False,
        wide: bool = False,
    ) -> Document:
        """Make a document of this site.

        Args:
            kind: Of report.
            title: Its heading.
            period_text: What it is of.
            blocks: Its content.
            simulated: Whether anything in it is simulated, where the site as a whole is not.
            wide: Whether its pages lie on their side.
        """
        marks = (SIMULATE,) if self.simulated or simulated else ()
        site = " · ".join(part for part in (self.site_title, self.location, self.project) if part)
        return Document(
            kind,
            title,
            site,
            period_text,
            self.rests_on.identity(),
            tuple(blocks),
            marks,
            metric=self.metric,
            wide=wide,
        )


def length(length_s: float) -> str:
    """Say a length of time in hours, minutes and seconds, leaving out what is 0.

    Args:
        length_s: [s] Length.
    """
    minutes, seconds = divmod(round(length_s), 60)
    hours, minutes = divmod(minutes, 60)
    parts = [f"{count} {unit}" for count, unit in ((hours, "h"), (minutes, "min"), (seconds, "s")) if count]
    return " ".join(parts) or "0 s"


def _minute(at: datetime) -> str:
    """Write a time to the minute with its offset, and to the second where it is not on a minute."""
    return at.isoformat(sep=" ", timespec="seconds" if at.second or at.microsecond else "minutes")


def percent(fraction: float | None) -> float | None:
    """Return a fraction in percent; nothing where there is none."""
    return None if fraction is None else 100.0 * fraction
