"""What leaves the silos: values of first-in-first-out, and how far a ticket's place in the order may be wrong.

All mix of a silo lies on one axis, in the order in which it leaves [g]:

             a = from_g                 b = to_g
    |--------|======== nominal =========|--------- still in the silo ---|
       |<------------- possible ------------->|
       a - w - early     |< core >|           b + w + late
                         a + w + late ... b - w - early

w is the silo's mixing band. `early` and `late` are by how much the books may be out: an opening content that nobody
knows, mix that may have gone into another silo, tickets of unknown silo, more drawn than the books held, or mix left in
the books where the silo was empty. Nothing is scaled to hide such a difference: it stands in `Drift`, and it widens.
Nothing is mixed over a moment at which the silo was said to be empty.
"""

from collections.abc import Mapping

from crumbmeter.model.frozen import dataclass
from crumbmeter.qc.portions import Portion
from crumbmeter.qc.tickets import Ticket


@dataclass(frozen=True, slots=True)
class Reach:
    """Where on a silo's axis the mix of a ticket lies."""

    silo_id: str
    from_g: int
    """[g] Nominal beginning: first in, first out."""
    to_g: int
    """[g] Nominal end."""
    possible_from_g: int
    possible_to_g: int
    core_from_g: int
    core_to_g: int
    """[g] What lies between these two is in the ticket wherever in the band the silo mixed it to; nothing where they
    are not in order."""
    foreign_g: int
    """[g] Mix that is not on the axis, and may be in the ticket in place of what is."""


@dataclass(frozen=True, slots=True)
class Load:
    """What a ticket carries."""

    ticket: Ticket
    reaches: tuple[Reach, ...]
    """One; where nobody knows its silo, one for each without a nominal part."""
    pieces: tuple[Portion, ...]
    """Nominal, in order. Their mix and `short_g` are the ticket's net mass."""
    short_g: int
    """[g] Of its net mass, for which the books of its silo held no mix, or for which nobody knows the silo."""


@dataclass(frozen=True, slots=True)
class Drift:
    """How far booked mix and what was drawn were apart in a silo, over a stretch between two known contents."""

    silo_id: str
    from_us: int | None
    """[us] When its content was last known; None: not within what was read."""
    until_us: int | None
    """[us] When it was known again; None: not yet."""
    booked_g: int
    """[g] Booked into it, with what it held at the beginning."""
    drawn_g: int
    """[g] On tickets and otherwise."""
    short_g: int
    """[g] Drawn while the books held nothing."""
    left_g: int
    """[g] At its end: what the books held beyond the known content (below 0: the silo held more); while it is open,
    what they hold."""

    @property
    def mismatch_g(self) -> int | None:
        """[g] Return how much more was booked than drawn; None while its beginning or its end is not known."""
        return None if self.from_us is None or self.until_us is None else self.left_g - self.short_g

    @property
    def mismatch_share(self) -> float | None:
        """Return that as a share of what was drawn."""
        return None if self.mismatch_g is None or not self.drawn_g else self.mismatch_g / self.drawn_g


@dataclass(frozen=True, slots=True)
class Outflow:
    """What left the silos, and what is left."""

    loads: tuple[Load, ...]
    """By the end of loading."""
    axes: Mapping[str, tuple[Portion, ...]]
    """By silo, all its mix in the order of leaving, and behind that what is still in it."""
    left_g: Mapping[str, int]
    """[g] In the books of each silo at the end."""
    written_off: tuple[Portion, ...]
    """Left no silo on a ticket: withdrawn, or in the books beyond what the silo was said to hold."""
    anywhere: tuple[Portion, ...]
    """Came while nobody knows where the diverter pointed."""
    on_the_way: tuple[Portion, ...]
    """Had not reached the diverter."""
    drifts: tuple[Drift, ...]
    refused: tuple[str, ...]
    """What was said and could not be followed, with its remedy."""
