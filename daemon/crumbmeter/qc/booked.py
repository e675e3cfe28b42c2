"""A parcel with its place in the record and on the clock: what lots, deviations and trucks are made of."""

from collections.abc import Iterable, Iterator

from crumbmeter.model.frozen import dataclass
from crumbmeter.model.parcel import Parcel


@dataclass(frozen=True, slots=True)
class Booked:
    """One parcel as the record has it, in the order of its sequence. The order is that of the mix; times are labels."""

    parcel: Parcel
    seq: int
    """Its entry in the strand `record`: what a report cites."""
    began_us: int
    """[us] UTC since 1970 at which its first mass passed the drum's outlet."""
    ended_us: int
    """[us] UTC since 1970 at which its last mass passed the drum's outlet."""
    clock_synced: bool
    """Whether these times may be trusted."""
    settings_id: str = ""
    """Of the site in force; empty where the record no longer says."""


def unbroken(parcels: Iterable[Booked]) -> Iterator[list[Booked]]:
    """Yield parcels in stretches in which each number follows the one before; they come in order."""
    run: list[Booked] = []
    for one in parcels:
        if run and one.parcel.number != run[-1].parcel.number + 1:
            yield run
            run = []
        run.append(one)
    if run:
        yield run
