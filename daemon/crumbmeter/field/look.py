"""A look at a device: every word of some samples, and what its own display showed meanwhile. Pure values.

The digits of a display matter: "212.4" says that it counts in tenths, "212.40" that it counts in hundredths.
"""

import re
from collections.abc import Sequence

from crumbmeter.field.spec import Table
from crumbmeter.model.frozen import dataclass
from crumbmeter.model.units import UNITS

_SHOWN = re.compile(r"([+-]?)([0-9]{1,3}(?:,[0-9]{3})+|[0-9]{1,12})(?:\.([0-9]{1,9}))?(?:\s+(\S+))?")


class ReadingError(ValueError):
    """What was typed is no reading of a display."""


@dataclass(frozen=True, slots=True)
class Reading:
    """What a display showed, as a person typed it."""

    value: float
    """[unit] The number."""
    resolution: float
    """[unit] What the last digit shown counts."""
    unit: str
    """Code of model.units; empty where none was said."""


@dataclass(frozen=True, slots=True)
class Run:
    """Words of neighbouring addresses that came in one reply."""

    table: Table
    address: int
    """PDU offset of the first."""
    words: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Look:
    """Samples of the same registers, shortly one after the other, at one load."""

    samples: tuple[tuple[Run, ...], ...]
    readings: tuple[Reading, ...]


@dataclass(frozen=True, slots=True)
class Stretch:
    """Neighbouring addresses of one table that every sample of every look holds in one reply."""

    table: Table
    address: int
    rows: tuple[tuple[int, ...], ...]
    """Words, a row for each sample, look after look."""


def reading_of(text: str) -> Reading:
    """Read what a person typed off a display, such as "212.4 short_ton/h".

    Raises:
        ReadingError: no number, more digits than a display has, or a unit that is not in the closed list.
    """
    found = _SHOWN.fullmatch(text.strip())
    if found is None:
        raise ReadingError(
            f"expected a number as the display shows it and its unit, such as '212.4 short_ton/h', found {text!r}"
        )
    sign, whole, decimals, unit = found.groups(default="")
    if unit and unit not in UNITS:
        raise ReadingError(f"expected one of the units {', '.join(UNITS)}, found {unit!r}")
    value = float(f"{sign}{whole.replace(',', '')}.{decimals or '0'}")
    return Reading(value, 10.0 ** -len(decimals), unit)


def stretches(looks: Sequence[Look]) -> tuple[Stretch, ...]:
    """Find what all samples of all looks hold in one reply each; a value that lies in two replies is in none of these.

    Stretches may share addresses, where replies did; none lies within another.
    """
    samples = [sample for look in looks for sample in look.samples]
    if not samples:
        return ()
    spans = _spans(samples[0])
    for sample in samples[1:]:
        others = _spans(sample)
        spans = {
            (table, max(first, start), min(end, stop))
            for table, first, end in spans
            for other, start, stop in others
            if other is table and max(first, start) < min(end, stop)
        }
    return tuple(
        Stretch(table, first, tuple(_words(sample, table, first, end) for sample in samples))
        for table, first, end in sorted(spans)
        if not _within(spans, (table, first, end))
    )


_Span = tuple[Table, int, int]
"""Table, first address, and the one after the last."""


def _spans(sample: Sequence[Run]) -> set[_Span]:
    return {(run.table, run.address, run.address + len(run.words)) for run in sample if not run.table.of_bits}


def _within(spans: set[_Span], one: _Span) -> bool:
    return any(other != one and other[0] is one[0] and other[1] <= one[1] and one[2] <= other[2] for other in spans)


def _words(sample: Sequence[Run], table: Table, first: int, end: int) -> tuple[int, ...]:
    run = next(
        run for run in sample if run.table is table and run.address <= first and end <= run.address + len(run.words)
    )
    return run.words[first - run.address : end - run.address]
