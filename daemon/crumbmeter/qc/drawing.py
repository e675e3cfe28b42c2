"""The books of the silos: mix comes in, tickets draw the oldest first, and a known content sets them right.

The books never go below nothing: what a ticket draws beyond them is `short_g`, and told. docs/trucks.md has a drawing.
"""

from bisect import bisect_left, bisect_right
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from math import ceil

from crumbmeter.qc.outflow import Drift, Load, Outflow, Reach
from crumbmeter.qc.portions import Portion, cut, unknown
from crumbmeter.qc.silos import UNDER_THE_DRUM, Filled, Silo, SiloEntry, SiloWord
from crumbmeter.qc.tickets import Ticket


def draw(filled: Filled, tickets: Iterable[Ticket], entries: Iterable[SiloEntry], silos: Sequence[Silo]) -> Outflow:
    """Draw tickets out of silos.

    Args:
        filled: What went into them, by `silos.fill` with the same silos.
        tickets: Those in force. Void ones carry nothing.
        entries: What was said about the silos. One before the first mix tells what a silo held when the books began;
            without it anything from nothing to its capacity may have lain in front.
        silos: All of the site; none: trucks are loaded under the drum.
    """
    books = _Books(silos or (UNDER_THE_DRUM,))
    for _, _, _, act in sorted(_happened(books, filled, tickets, entries), key=lambda one: one[:3]):
        act()
    return books.closed(filled)


def _happened(
    books: "_Books", filled: Filled, tickets: Iterable[Ticket], entries: Iterable[SiloEntry]
) -> list[tuple[int, int, int, Callable[[], object]]]:
    """List what happened; at one time mix comes before what is said, and that before what is drawn."""
    found: list[tuple[int, int, int, Callable[[], object]]] = []
    for silo_id, into in filled.into.items():
        line = books.lines[silo_id]
        found += [(one.arrived_us, 0, 0, partial(line.take_in, one)) for one in into]
    found += [(one.arrived_us, 0, 0, partial(books.mark, one)) for one in filled.anywhere]
    found += [(one.at_us, 1, one.seq, partial(books.hear, one)) for one in entries if one.word is not SiloWord.FILLING]
    found += [(one.loaded_us, 2, one.seq, partial(books.load, one)) for one in tickets if not one.void]
    return found


@dataclass(slots=True)
class _Stretch:
    """A silo between two moments at which its content was known."""

    from_us: int | None
    begins_g: int
    early_g: int
    """[g] How much further back its tickets may reach than the books say; known in full only at its end."""
    late_g: int
    front_g: int
    """[g] Of `early_g`, what may have lain in front of all that is on the axis when it began."""
    booked_g: int = 0
    drawn_g: int = 0
    short_g: int = 0


@dataclass(slots=True)
class _Place:
    """A ticket's place on an axis, before it is known how far the books are out."""

    line: "_Line"
    stretch: _Stretch
    from_g: int
    to_g: int
    came_g: int
    """[g] End of what had come by then."""
    early_g: int
    late_g: int
    """[g] What the books were out by at that time, beyond what holds for the whole stretch."""

    def reach(self) -> Reach:
        silo, line = self.line.silo, self.line
        early_g, late_g = self.stretch.early_g + self.early_g, self.stretch.late_g + self.late_g
        share_g = ceil(silo.mismatch_share * (self.to_g - self.stretch.begins_g))
        band_g = silo.mixing_g + share_g
        passed = self.from_g - band_g - early_g >= self.stretch.begins_g
        before, behind = bisect_right(line.walls, self.from_g), bisect_left(line.walls, self.to_g)
        wall_g = line.walls[before - 1] if before else 0
        end_g = line.walls[behind] if behind < len(line.walls) else self.came_g
        sealed_from = bool(before) and self.from_g == wall_g and not late_g
        sealed_to = behind < len(line.walls) and self.to_g == end_g and not early_g
        return Reach(
            silo.silo_id,
            self.from_g,
            self.to_g,
            max(wall_g, self.from_g - band_g - early_g),
            max(self.to_g, min(end_g, self.came_g, self.to_g + band_g + late_g)),
            self.from_g if sealed_from else self.from_g + band_g + late_g,
            self.to_g if sealed_to else self.to_g - band_g - early_g,
            early_g + share_g - (self.stretch.front_g if passed else 0),
        )


class _Line:
    """The books of one silo."""

    def __init__(self, silo: Silo) -> None:
        self.silo = silo
        self.axis: list[Portion] = []
        self.walls: list[int] = [] if silo.capacity_g else [0]
        """[g] Where on the axis it was empty."""
        self.out_g = self.held_g = 0
        self.drifts: list[Drift] = []
        self._queue: deque[Portion] = deque()
        self._early_g = self._late_g = 0
        self._places: list[_Place] = []
        self._stretch = _Stretch(None, 0, silo.capacity_g, 0, silo.capacity_g)
        self._opening_g = silo.capacity_g
        """[g] How much of unknown origin it may still have held when the books began."""

    def take_in(self, portion: Portion) -> None:
        self._queue.append(portion)
        self.held_g += portion.mix_g
        self._stretch.booked_g += portion.mix_g

    def mark(self, portion: Portion) -> None:
        """Note mix that may have come in here."""
        self._queue.append(replace(portion, loose=True))
        self._early_g += portion.mix_g

    def perhaps(self, net_g: int) -> _Place:
        """Note that so much may have been drawn here."""
        made = self.place(self.out_g, self.out_g + min(net_g, self.held_g), self.out_g + self.held_g)
        self._late_g += net_g
        return made

    def place(self, from_g: int, to_g: int, came_g: int) -> _Place:
        made = _Place(self, self._stretch, from_g, to_g, came_g, self._early_g, self._late_g)
        self._places.append(made)
        return made

    def take_out(self, wanted_g: int, at_us: int) -> tuple[list[Portion], int]:
        """Draw so much; return what there is, and how much is short."""
        self._stretch.drawn_g += wanted_g
        opening_g = min(self._opening_g, max(0, wanted_g - self.held_g))
        pieces = self._pop(min(wanted_g, self.held_g))
        if opening_g:  # nobody said what it held at first: the oldest comes to light where the books are at an end
            self._opening_g -= opening_g
            self._find(opening_g, at_us)
            self._stretch.booked_g += opening_g
            pieces += self._pop(opening_g)
        short_g = wanted_g - sum(one.mix_g for one in pieces)
        self._stretch.short_g += short_g
        self._stretch.early_g += short_g
        return pieces, short_g

    def set_right(self, entry: SiloEntry) -> list[Portion]:
        """Take a known content: the newest mix is what is there. Return what the books held beyond it."""
        surplus_g = self.held_g - entry.holds_g
        gone = self._pop(max(0, surplus_g))
        within_g = entry.within_g if entry.word is SiloWord.CONTENT else 0
        self._end_stretch(surplus_g, within_g, entry.at_us)
        if surplus_g < 0:
            self._find(-surplus_g, entry.at_us)
        if entry.word is SiloWord.EMPTIED:
            self.axis += self._queue
            self._queue.clear()
            self.walls.append(self.out_g)
        self._stretch = _Stretch(entry.at_us, self.out_g, within_g, within_g, within_g, self.held_g)
        self._early_g = sum(one.mix_g for one in self._queue if one.loose)
        self._late_g = self._opening_g = 0
        return gone

    def close(self) -> None:
        """End the books."""
        self.axis += self._queue
        self._tell(None, self.held_g)

    def _pop(self, wanted_g: int) -> list[Portion]:
        pieces = []
        while wanted_g:
            first = self._queue.popleft()
            if not first.loose:
                if first.mix_g > wanted_g:
                    first, rest = cut(first, wanted_g)
                    self._queue.appendleft(rest)
                wanted_g -= first.mix_g
                self.out_g += first.mix_g
                self.held_g -= first.mix_g
                pieces.append(first)
            self.axis.append(first)
        return pieces

    def _find(self, more_g: int, at_us: int) -> None:
        """Put mix of unknown origin in front."""
        self._queue.appendleft(unknown(more_g, at_us))
        self.held_g += more_g
        for place in self._places:
            place.came_g += more_g if place.came_g > self.out_g else 0

    def _end_stretch(self, surplus_g: int, within_g: int, at_us: int) -> None:
        """Let all its tickets reach as far as its books proved to be out."""
        self._stretch.late_g += max(0, surplus_g) + within_g
        self._stretch.early_g += max(0, -surplus_g) + within_g
        self._tell(at_us, surplus_g)

    def _tell(self, until_us: int | None, left_g: int) -> None:
        now = self._stretch
        if now.booked_g or now.drawn_g or left_g:
            self.drifts.append(
                Drift(self.silo.silo_id, now.from_us, until_us, now.booked_g, now.drawn_g, now.short_g, left_g)
            )


class _Books:
    """The books of all silos."""

    def __init__(self, silos: Sequence[Silo]) -> None:
        self.lines = {silo.silo_id: _Line(silo) for silo in silos}
        self._drawn: list[tuple[Ticket, list[_Place], tuple[Portion, ...], int]] = []
        self._written_off: list[Portion] = []
        self._refused: list[str] = []

    def mark(self, portion: Portion) -> None:
        for line in self.lines.values():
            line.mark(portion)

    def hear(self, entry: SiloEntry) -> None:
        line = self.lines.get(entry.silo_id)
        if line is None:
            known = ", ".join(self.lines)
            self._refused.append(
                f"entry {entry.seq}: no silo {entry.silo_id!r}; the site has {known or 'none'}. Correct it."
            )
        elif entry.word is SiloWord.WITHDRAWN:
            self._written_off += line.take_out(entry.mass_g, entry.at_us)[0]
        else:
            self._written_off += line.set_right(entry)

    def load(self, ticket: Ticket) -> None:
        line = self._line_of(ticket)
        if line is None:
            places = [each.perhaps(ticket.net_g) for each in self.lines.values()]
            self._drawn.append((ticket, places, (), ticket.net_g))
            return
        from_g, came_g = line.out_g, line.out_g + line.held_g
        pieces, short_g = line.take_out(ticket.net_g, ticket.loaded_us)
        place = line.place(from_g, line.out_g, max(came_g, line.out_g))
        self._drawn.append((ticket, [place], tuple(pieces), short_g))

    def closed(self, filled: Filled) -> Outflow:
        """End the books."""
        for line in self.lines.values():
            line.close()
        return Outflow(
            loads=tuple(_load(*drawn) for drawn in self._drawn),
            axes={silo_id: tuple(line.axis) for silo_id, line in self.lines.items()},
            left_g={silo_id: line.held_g for silo_id, line in self.lines.items()},
            written_off=tuple(self._written_off),
            anywhere=tuple(filled.anywhere),
            on_the_way=tuple(filled.on_the_way),
            drifts=tuple(drift for line in self.lines.values() for drift in line.drifts),
            refused=tuple(self._refused),
        )

    def _line_of(self, ticket: Ticket) -> _Line | None:
        """Return its silo; None where nobody knows it."""
        if not ticket.silo_id and len(self.lines) == 1:
            return next(iter(self.lines.values()))
        line = self.lines.get(ticket.silo_id)
        if line is None and ticket.silo_id:
            self._refused.append(
                f"ticket {ticket.number}: no silo {ticket.silo_id!r}; it counts as one of unknown silo. Correct it."
            )
        return line


def _load(ticket: Ticket, places: list[_Place], pieces: tuple[Portion, ...], short_g: int) -> Load:
    reaches = tuple(place.reach() for place in places)
    if not pieces:  # of unknown silo: possibly all of it, and nothing for certain
        reaches = tuple(replace(one, to_g=one.from_g, core_to_g=one.core_from_g) for one in reaches)
    return Load(ticket, reaches, pieces, short_g)
