"""Parcels for quality control: read fast, with the times on the clock at which they passed the drum's outlet.

A season holds millions of parcels, and a lot report reads a good part of them: their bodies are decoded straight into a
value, without a dictionary between.
"""

from collections.abc import Iterator

from crumbmeter.journal.reader import Reader
from crumbmeter.ledger.in_force import InForce
from crumbmeter.ledger.stamped import PARCEL, UnknownBodyError
from crumbmeter.model.frozen import body_reader, dataclass
from crumbmeter.model.parcel import Parcel
from crumbmeter.model.quality import Quality
from crumbmeter.qc.booked import Booked


@dataclass(frozen=True, slots=True)
class _Body:
    """A parcel's body as it is stored: the fields of `Parcel`, its quality as a word, and the version."""

    v: int
    number: int
    began_s: float
    ended_s: float
    mix_id: str
    dose_basis: str
    dose_target: float
    target_rubber_g: int
    rubber_g: int
    rubber_uncertainty_g: int
    dry_aggregate_g: int
    recycle_g: int
    recycle_binder_g: int
    virgin_binder_g: int
    quality: str
    worst_state: str
    controlled: bool
    simulated: bool


_read_body = body_reader(_Body)
_QUALITIES = {quality.word: quality for quality in Quality}


def iterate(
    reader: Reader,
    *,
    after_seq: int | None = None,
    through_seq: int | None = None,
    from_wall_us: int | None = None,
    before_wall_us: int | None = None,
    newest_first: bool = False,
) -> Iterator[Booked]:
    """Iterate parcels in order (or against it), of a range of sequence and of the wall time [us] of their booking.

    Raises:
        UnknownBodyError: an entry is of a version that this program does not know.
    """
    runs = InForce().learn(reader)
    found = reader.entries(
        "record", (PARCEL,), after_seq=after_seq, through_seq=through_seq,
        from_wall_us=from_wall_us, before_wall_us=before_wall_us, newest_first=newest_first,
    )  # fmt: skip
    for stored in found:
        parcel = _parcel(stored.body, stored.seq)
        behind_us = stored.wall_us - stored.mono_us
        yield Booked(
            parcel,
            stored.seq,
            behind_us + round(parcel.began_s * 1e6),
            behind_us + round(parcel.ended_s * 1e6),
            stored.clock_synced,
            runs.at(stored.boot_id, stored.seq),
        )


def _parcel(raw: bytes, seq: int) -> Parcel:
    try:
        body = _read_body(raw)
    except ValueError as problem:
        raise UnknownBodyError(f"{PARCEL} record {seq}: {problem}") from problem
    if body.v != 1:
        raise UnknownBodyError(f"{PARCEL} record {seq} is of version {body.v}, expected 1")
    return Parcel(
        body.number, body.began_s, body.ended_s, body.mix_id, body.dose_basis, body.dose_target,
        body.target_rubber_g, body.rubber_g, body.rubber_uncertainty_g, body.dry_aggregate_g, body.recycle_g,
        body.recycle_binder_g, body.virgin_binder_g, _QUALITIES[body.quality], body.worst_state, body.controlled,
        body.simulated,
    )  # fmt: skip
