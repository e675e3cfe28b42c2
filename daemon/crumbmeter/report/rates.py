"""What the record's rows integrate to over a period, with per cent good and gaps: to hold against the parcels."""

from dataclasses import dataclass
from typing import Final

from crumbmeter.journal.reader import Reader
from crumbmeter.ledger import rows
from crumbmeter.model.quality import Quality
from crumbmeter.qc.aggregates import Aggregate, Kind, aggregate
from crumbmeter.qc.series import How, Sample, Series

LONGEST_GAP_US: Final = 5_000_000
"""[us] Rows come every second; after so long without one nothing is known."""
AS_RECORDED: Final = How(stepped=True, least_good_percent=0.0)
"""A rate holds until the next row. The total is always told, with its per cent good beside it."""


@dataclass(frozen=True, slots=True)
class Integrated:
    """Rates of a period."""

    mix: Aggregate
    """[kg] Mix without rubber at the injection point."""
    fed: Aggregate
    """[kg] Rubber at the auger."""
    rows: int


def integrated(reader: Reader, begin_us: int, end_us: int) -> Integrated:
    """Integrate the rows of a period.

    Args:
        reader: The plant's record.
        begin_us: [us] UTC since 1970.
        end_us: [us] UTC since 1970.
    """
    samples: tuple[list[Sample], list[Sample]] = ([], [])
    last_us, count = -1, 0
    for one in rows.iterate(reader, from_wall_us=begin_us, before_wall_us=end_us):
        count += 1
        at_us = one.stored.wall_us
        if at_us <= last_us:
            continue  # the clock was set back: this time has been told already
        last_us = at_us
        names = one.layout.columns
        for name, held in zip(("mix_rate_kg_s", "fed_kg_s"), samples, strict=True):
            at = names.index(name) if name in names else None
            value, quality = (None, Quality.BAD) if at is None else (one.row.values[at], one.row.qualities[at])
            held.append(Sample(at_us, value, quality))
    mix, fed = (aggregate(Series(held, LONGEST_GAP_US), begin_us, end_us, Kind.TOTAL, AS_RECORDED) for held in samples)
    return Integrated(mix, fed, count)
