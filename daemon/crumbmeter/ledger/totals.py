"""Totals: sums of parcels, found again at a restart. Grand totals outlive retention by the totals entries.

A totals entry is written often (every few minutes, and at the end) with the number of the last parcel in it. At a
restart the newest one is taken, and the parcels behind it are added: no crash loses or counts anything twice.
"""

from dataclasses import asdict

from crumbmeter.control.record import add_to
from crumbmeter.journal.entry import Entry, Stored
from crumbmeter.journal.reader import Reader
from crumbmeter.ledger import parcels
from crumbmeter.ledger.stamped import TOTALS, Stamped, body_of, record
from crumbmeter.model.frozen import dataclass
from crumbmeter.model.view import Totals


@dataclass(frozen=True, slots=True)
class KeptTotals:
    """Running totals as of a parcel."""

    last_parcel: int
    """Number of the newest parcel in them; 0 before the first."""
    totals: Totals
    job_mark: Totals
    """Grand totals as they were when the subtotal was last reset."""


NOTHING = KeptTotals(0, Totals(), Totals())


def entry(kept: KeptTotals, at: Stamped) -> Entry:
    """Make the entry of totals."""
    return record(TOTALS, asdict(kept), at)


def read(stored: Stored) -> KeptTotals:
    """Read totals back."""
    body = body_of(stored, TOTALS)
    return KeptTotals(body["last_parcel"], Totals(**body["totals"]), Totals(**body["job_mark"]))


def restore(reader: Reader) -> KeptTotals:
    """Return the totals that the journal knows: the newest entry of them, and every parcel behind it."""
    stored = reader.last(TOTALS)
    kept = read(stored) if stored else NOTHING
    totals, last = kept.totals, kept.last_parcel
    for one in parcels.iterate(reader, after_seq=stored.seq if stored else None):
        if one.parcel.number > last:
            totals, last = add_to(totals, one.parcel), one.parcel.number
    return KeptTotals(last, totals, kept.job_mark)


def sum_parcels(
    reader: Reader, *, from_wall_us: int | None = None, before_wall_us: int | None = None, simulated: bool | None = None
) -> Totals:
    """Sum the parcels of a range of wall time [us].

    Args:
        reader: The journal.
        from_wall_us: [us] From here on.
        before_wall_us: [us] Up to here.
        simulated: Only simulated ones, only real ones, or (None) all.
    """
    totals = Totals()
    for one in parcels.iterate(reader, from_wall_us=from_wall_us, before_wall_us=before_wall_us):
        if simulated is None or one.parcel.simulated is simulated:
            totals = add_to(totals, one.parcel)
    return totals
