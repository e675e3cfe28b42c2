"""Parcels in the journal: the unit of record. Every figure of a report is a sum of these."""

from collections.abc import Iterator
from dataclasses import asdict

from crumbmeter.journal.entry import Entry, Stored
from crumbmeter.journal.reader import Reader
from crumbmeter.ledger.stamped import PARCEL, Stamped, body_of, record
from crumbmeter.model.frozen import dataclass
from crumbmeter.model.parcel import Parcel
from crumbmeter.model.quality import Quality


@dataclass(frozen=True, slots=True)
class RecordedParcel:
    """A parcel and where it stands."""

    parcel: Parcel
    stored: Stored


def entry(parcel: Parcel, at: Stamped) -> Entry:
    """Make the entry of a parcel."""
    return record(PARCEL, asdict(parcel) | {"quality": parcel.quality.word}, at)


def read(stored: Stored) -> Parcel:
    """Read a parcel back."""
    body = body_of(stored, PARCEL)
    return Parcel(**(body | {"quality": Quality[body["quality"].upper()]}))


def iterate(
    reader: Reader, *, after_seq: int | None = None, from_wall_us: int | None = None, before_wall_us: int | None = None
) -> Iterator[RecordedParcel]:
    """Iterate parcels in order, of a range of sequence and wall time [us]."""
    found = reader.entries(
        "record", (PARCEL,), after_seq=after_seq, from_wall_us=from_wall_us, before_wall_us=before_wall_us
    )
    for stored in found:
        yield RecordedParcel(read(stored), stored)
