"""Parcels, silos and tickets for the tests of trucks and rubber accounts. All invented."""

from collections.abc import Sequence

from crumbmeter.model.frozen import replace
from crumbmeter.qc.booked import Booked
from crumbmeter.qc.drawing import draw
from crumbmeter.qc.silos import Silo, SiloEntry, SiloWord, fill
from crumbmeter.qc.tickets import Ticket
from crumbmeter.qc.tracing import Trace
from tests import booked_parcels

SECOND_US = 1_000_000


def booked(
    number: int, mix_g: int = 1000, rubber_g: int = 0, began_s: float | None = None, *,
    lasts_s: float = 10.0, uncertainty_g: int = 0, target_g: int | None = None, simulated: bool = False,
) -> Booked:  # fmt: skip
    """Make parcel `number`; without a time one follows the other each ten seconds. Entries of others lie between."""
    at_s = 10.0 * number if began_s is None else began_s
    rest_g = mix_g - rubber_g
    binder_g, recycle_g = rest_g // 20, rest_g // 4
    made = booked_parcels.booked(
        number, began_us=round(at_s * 1e6), lasts_us=round((at_s + lasts_s) * 1e6) - round(at_s * 1e6),
        began_s=at_s, ended_s=at_s + lasts_s, rubber_g=rubber_g, rubber_uncertainty_g=uncertainty_g,
        target_rubber_g=rubber_g if target_g is None else target_g, dry_aggregate_g=rest_g - binder_g - recycle_g,
        recycle_g=recycle_g, recycle_binder_g=recycle_g // 20, virgin_binder_g=binder_g, simulated=simulated,
    )  # fmt: skip
    return replace(made, seq=3 * number)


def ticket(number: str, loaded_s: float, net_g: int, silo_id: str = "") -> Ticket:
    """Make a ticket."""
    return Ticket(number, round(loaded_s * 1e6), net_g, silo_id)


def emptied(silo_id: str, at_s: float = 0.0) -> SiloEntry:
    """Say that a silo is empty."""
    return SiloEntry(silo_id, round(at_s * 1e6), SiloWord.EMPTIED)


def content(silo_id: str, at_s: float, mass_g: int, within_g: int = 0) -> SiloEntry:
    """Say what a silo holds."""
    return SiloEntry(silo_id, round(at_s * 1e6), SiloWord.CONTENT, mass_g, within_g)


def traced(
    parcels: Sequence[Booked], tickets: Sequence[Ticket], silos: Sequence[Silo] = (),
    entries: Sequence[SiloEntry] = (), diverter: Sequence[tuple[int, int | None]] = (),
) -> Trace:  # fmt: skip
    """Fill and draw."""
    return Trace(draw(fill(parcels, diverter, silos, entries), tickets, entries, silos))
