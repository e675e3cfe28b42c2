"""A path on which material keeps its order: a belt keyed by metres, a conveying line keyed by seconds of air.

Material is held in cells that move with the path. The path stands, the material stands: a time delay would deliver it
to a stopped drum. Mass is conserved to rounding; material that enters leaves after exactly `len(cells)` cells.
"""

from crumbmeter.model.frozen import dataclass

STANDING = 1e-9
"""[cells] A path that moves less than this in a scan stands: there is no density to be had from so short a way."""


@dataclass(frozen=True, slots=True)
class Fifo:
    """Masses along a path. All lengths are in cells."""

    cells: tuple[float, ...]
    """[kg] Per cell; the last one is just leaving: `1 - phase` of it is still here."""
    entering: float = 0.0
    """[kg] In the cell that is being filled."""
    phase: float = 0.0
    """[cells] How far the path has moved since a cell was completed, 0 <= phase < 1."""

    @property
    def content(self) -> float:
        """[kg] Return all that is on the path."""
        return self.entering + sum(self.cells) - self.cells[-1] * self.phase

    def moved(self, mass: float, cells: float) -> "tuple[Fifo, float]":
        """Move the path and lay new material on it, evenly over the way moved.

        Args:
            mass: [kg] New material. On a path that stands it stays where it falls, at the entrance.
            cells: [cells] Way moved, >= 0. Less than `STANDING` is none.

        Returns:
            The path after, and the mass [kg] that left it.
        """
        entering, phase, line = self.entering, self.phase, self.cells
        if cells < STANDING:
            return (self if mass == 0.0 else Fifo(line, entering + mass, phase)), 0.0
        density = mass / cells
        left, out = cells, 0.0
        while left > 0.0:
            step = 1.0 - phase
            if left < step:
                out += line[-1] * left
                entering += density * left
                phase += left
                break
            out += line[-1] * step
            entering += density * step
            left -= step
            line = (entering, *line[:-1])
            entering = phase = 0.0
        return Fifo(line, entering, phase), out

    def cleared(self) -> "Fifo":
        """Return the same path, moved as far, with nothing on it."""
        return Fifo((0.0,) * len(self.cells), 0.0, self.phase)

    def joined(self, other: "Fifo") -> "Fifo":
        """Lay another path's content on this one. Both must be of one length and have moved alike."""
        cells = tuple([here + there for here, there in zip(self.cells, other.cells, strict=True)])
        return Fifo(cells, self.entering + other.entering, self.phase)

    def mass_until(self, way: float, beyond: float) -> float:
        """Return the mass [kg] that will leave while the path moves on by so many cells from here.

        Args:
            way: [cells] >= 0.
            beyond: [kg/cell] What is taken to follow behind the entrance.
        """
        cells, phase = self.cells, self.phase
        position = way + phase
        index, last = int(position), len(cells) - 1
        if index <= last:
            # The path's end first: whole cells, and a part of the next.
            return sum(cells[last + 1 - index :]) + cells[last - index] * (position - index) - cells[-1] * phase
        there = sum(cells) - cells[-1] * phase
        over = position - last - 1
        if over < phase:
            return there + self.entering * over / phase
        return there + self.entering + beyond * (over - phase)

    def mass_between(self, near: float, far: float, beyond: float) -> float:
        """Return the mass [kg] that will leave while the path moves from `near` to `far` cells on from here.

        Args:
            near: [cells] >= 0.
            far: [cells] >= near.
            beyond: [kg/cell] What is taken to follow behind the entrance.
        """
        return max(0.0, self.mass_until(far, beyond) - self.mass_until(near, beyond))


def empty(cells: int) -> Fifo:
    """Make an empty path of so many cells (at least one)."""
    return Fifo((0.0,) * max(1, cells))
