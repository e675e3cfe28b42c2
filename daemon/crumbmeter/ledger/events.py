"""Events in the journal: name and details in the order they were given."""

from collections.abc import Iterator

from crumbmeter.journal.entry import Entry, Stored
from crumbmeter.journal.reader import Reader
from crumbmeter.ledger.stamped import EVENT, Stamped, body_of, record
from crumbmeter.model.events import Event
from crumbmeter.model.frozen import dataclass


@dataclass(frozen=True, slots=True)
class RecordedEvent:
    """An event and where it stands."""

    event: Event
    stored: Stored


def entry(happened: Event, at: Stamped) -> Entry:
    """Make the entry of an event."""
    return record(EVENT, {"name": happened.name, "detail": [list(pair) for pair in happened.detail]}, at)


def read(stored: Stored) -> Event:
    """Read an event back."""
    body = body_of(stored, EVENT)
    return Event(body["name"], tuple((key, value) for key, value in body["detail"]))


def iterate(
    reader: Reader, *, after_seq: int | None = None, from_wall_us: int | None = None, before_wall_us: int | None = None
) -> Iterator[RecordedEvent]:
    """Iterate events in order, of a range of sequence and wall time [us]."""
    found = reader.entries(
        "record", (EVENT,), after_seq=after_seq, from_wall_us=from_wall_us, before_wall_us=before_wall_us
    )
    for stored in found:
        yield RecordedEvent(read(stored), stored)
