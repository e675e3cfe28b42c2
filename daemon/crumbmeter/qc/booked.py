"""A parcel with its place in the record and on the clock: what lots, deviations and trucks are made of."""

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
