"""Which hours must be read to trace a ticket or a deviation: from when the silos were last empty until they are again.

A season holds millions of parcels, and a silo that was empty remembers nothing: what came before cannot be in what came
after. So a trace begins there. Where no silo was said to be empty for long, it begins `longest_us` before, and the
silo's content at that moment counts as unknown: that widens what is possible, by the capacity of the silo.
"""

from collections.abc import Iterable, Mapping, Sequence

from crumbmeter.model.frozen import dataclass
from crumbmeter.qc.silos import Silo, SiloEntry, SiloWord

HOUR_US = 3_600_000_000
LONGEST_US = 36 * HOUR_US
"""[us] A day and a half: mix that is stored for longer is said with a longer one."""
BY_MASS_US = HOUR_US
"""[us] Within so long a conveyor that moves with the mix has brought what was on it. Our own figure."""


@dataclass(frozen=True, slots=True)
class Window:
    """The hours to read. All in [us] UTC since 1970."""

    parcels_from_us: int
    """Parcels by when they left the drum: earlier than the rest, by the way to the silos."""
    from_us: int
    """Tickets, diverter and entries from here; the diverter also needs its last position before `parcels_from_us`."""
    before_us: int
    """All of them until here."""
    empty_us: Mapping[str, int | None]
    """By silo, when it was last empty; None: not within the hours, so its content at the beginning is unknown."""

    @property
    def unknown(self) -> tuple[str, ...]:
        """Name the silos whose content at the beginning is unknown."""
        return tuple(silo_id for silo_id, at_us in self.empty_us.items() if at_us is None)


def window_of(
    entries: Iterable[SiloEntry], silos: Sequence[Silo], first_us: int, last_us: int, longest_us: int = LONGEST_US
) -> Window:
    """Choose the hours.

    Args:
        entries: About the silos, of all time.
        silos: All of the site; none: trucks are loaded under the drum.
        first_us: [us] When the first mix of the deviation left the drum, or when the ticket was loaded.
        last_us: [us] When the last of it did, or again when the ticket was loaded.
        longest_us: [us] The furthest to look back, and ahead.
    """
    emptied: dict[str, list[int]] = {silo.silo_id: [] for silo in silos}
    for entry in entries:
        if entry.word is SiloWord.EMPTIED and entry.silo_id in emptied:
            emptied[entry.silo_id].append(entry.at_us)
    way_us = {silo.silo_id: BY_MASS_US if silo.travel_g else round(silo.travel_s * 1e6) for silo in silos}
    earliest_us, latest_us = first_us - longest_us, last_us + longest_us
    before = {
        silo_id: max((at_us for at_us in found if earliest_us <= at_us <= first_us), default=None)
        for silo_id, found in emptied.items()
    }
    behind = [
        min((at_us for at_us in found if at_us > last_us + way_us[silo_id]), default=latest_us)
        for silo_id, found in emptied.items()
    ]
    begins = [earliest_us if at_us is None else at_us for at_us in before.values()]
    from_us = min(begins, default=earliest_us)
    return Window(
        from_us - max(way_us.values(), default=0),
        from_us,
        min(latest_us, max(behind, default=latest_us)) + 1,
        before,
    )
