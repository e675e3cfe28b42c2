"""A look at a device: every word of some samples, and what its own display showed meanwhile. Pure values.

The digits of a display matter: "212.4" says that it counts in tenths, "212.40" that it counts in hundredths.
"""

import re
from collections.abc import Mapping, Sequence

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
    """Find what all samples of all looks have in common; a value that lies in two replies is in none of these."""
    samples = [sample for look in looks for sample in look.samples]
    if not samples:
        return ()
    places: Mapping[tuple[Table, int], tuple[int, int]] = _places(samples[0])
    kept = dict(places)
    for sample in samples[1:]:
        other = _places(sample)
        kept = {place: run for place, run in kept.items() if place in other}
    words = [_words(sample) for sample in samples]
    breaks = {(run.table, run.address) for sample in samples for run in sample}
    found: list[Stretch] = []
    first: tuple[Table, int] | None = None
    last = (Table.INPUT, -2)
    for place in [*sorted(kept), (Table.INPUT, 1 << 17)]:
        if first is not None and (place != (last[0], last[1] + 1) or place in breaks):
            spread = range(first[1], last[1] + 1)
            rows = tuple(tuple(row[first[0], address] for address in spread) for row in words)
            found.append(Stretch(first[0], first[1], rows))
            first = None
        first, last = first or place, place
    return tuple(found)


def _places(sample: Sequence[Run]) -> dict[tuple[Table, int], tuple[int, int]]:
    return {
        (run.table, run.address + at): (run.address, len(run.words))
        for run in sample
        if not run.table.of_bits
        for at in range(len(run.words))
    }


def _words(sample: Sequence[Run]) -> dict[tuple[Table, int], int]:
    return {(run.table, run.address + at): word for run in sample for at, word in enumerate(run.words)}
