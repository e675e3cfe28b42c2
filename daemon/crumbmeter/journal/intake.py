"""The bounded queue between the scan and the writer thread. `offer` never waits; losses are counted (REQ-55)."""

import threading
from collections.abc import Sequence
from dataclasses import dataclass, field

from crumbmeter.journal.chain import canonical_json
from crumbmeter.journal.entry import KIND_GAP, Appendable, Entry, Strand
from crumbmeter.journal.limits import Limits


@dataclass(slots=True)
class Gap:
    """Entries of one strand that were lost, until a gap record says so in the chain."""

    strand: Strand
    reasons: dict[str, int] = field(default_factory=dict)
    """How many were lost, by reason."""
    first: tuple[int, int] | None = None
    """[us] Process and wall time of the first entry lost."""
    last: tuple[int, int] = (0, 0)
    flags: int = 0

    @property
    def count(self) -> int:
        """Return how many were lost."""
        return sum(self.reasons.values())

    def add(self, lost: Appendable, reason: str) -> None:
        """Count one entry as lost."""
        self.reasons[reason] = self.reasons.get(reason, 0) + 1
        stamp = (_storable(lost.mono_us), _storable(lost.wall_us))
        self._spread(stamp, stamp, lost.flags & 0xFFFFFFFF)

    def merge(self, other: "Gap") -> None:
        """Take over what another gap counted."""
        for reason, count in other.reasons.items():
            self.reasons[reason] = self.reasons.get(reason, 0) + count
        if other.first is not None:
            self._spread(other.first, other.last, other.flags)

    def _spread(self, first: tuple[int, int], last: tuple[int, int], flags: int) -> None:
        self.first = first if self.first is None else self.first
        self.last = last
        self.flags |= flags

    def entry(self) -> Entry:
        """Return the gap record."""
        first = self.first or self.last
        body = canonical_json(
            {
                "count": self.count,
                "first_mono_us": first[0],
                "first_wall_us": first[1],
                "last_mono_us": self.last[0],
                "last_wall_us": self.last[1],
                "reasons": self.reasons,
                "strand": self.strand,
            }
        )
        return Entry(self.strand, KIND_GAP, body, self.last[0], self.last[1], self.flags)


def _storable(time_us: int) -> int:
    """Return a time that a header can hold: what was lost may have been lost because its own times could not."""
    return max(-(1 << 63), min(time_us, (1 << 63) - 1))


class Intake:
    """Entries on their way to the writer thread, bounded for each strand."""

    def __init__(self, limits: Limits) -> None:
        self._room = {"record": limits.record.queue_entries, "image": limits.image.queue_entries}
        self._changed = threading.Condition()
        self._waiting: list[Appendable] = []
        self._queued = {"record": 0, "image": 0}
        self._gaps: dict[Strand, Gap] = {}
        self._dropped = {"record": 0, "image": 0}
        self._accepted = 0
        self._settled = 0
        self._closing = False
        self._nudged = False

    def nudge(self) -> None:
        """Let the writer look round without an entry."""
        with self._changed:
            self._nudged = True
            self._changed.notify_all()

    def offer(self, entries: Sequence[Appendable]) -> None:
        """Queue what finds room, count the rest. Never waits for the disk, never raises on overflow."""
        with self._changed:
            for entry in entries:
                strand = entry.strand
                if self._closing or self._queued[strand] >= self._room[strand]:
                    self._lose(entry, "closed" if self._closing else "queue full")
                else:
                    self._queued[strand] += 1
                    self._accepted += 1
                    self._waiting.append(entry)
            self._changed.notify_all()

    def _lose(self, entry: Appendable, reason: str) -> None:
        self._dropped[entry.strand] += 1
        self._gaps.setdefault(entry.strand, Gap(entry.strand)).add(entry, reason)

    def take(self) -> tuple[list[Appendable], list[Gap]] | None:
        """Wait for work and take all of it; None when closed and empty. Gaps lie behind everything taken with them.

        A strand that has dropped has no room again before it is taken from, so nothing newer stands before its gap.
        """
        with self._changed:
            self._changed.wait_for(lambda: self._waiting or self._gaps or self._closing or self._nudged)
            if not self._waiting and not self._gaps and not self._nudged:
                return None
            self._nudged = False
            taken, self._waiting = self._waiting, []
            gaps, self._gaps = list(self._gaps.values()), {}
            self._queued = dict.fromkeys(self._queued, 0)
            return taken, gaps

    def count_lost(self, entry: Appendable) -> None:
        """Count an entry that the writer had to give up; the writer keeps its gap."""
        with self._changed:
            self._dropped[entry.strand] += 1

    def settle(self, count: int) -> None:
        """Note that so many accepted entries are stored, or given up for good."""
        with self._changed:
            self._settled += count
            self._changed.notify_all()

    def wait_settled(self, timeout_s: float) -> bool:
        """Wait until all that was accepted before this call is settled; False when `timeout_s` [s] passed first."""
        with self._changed:
            due = self._accepted
            return self._changed.wait_for(lambda: self._settled >= due, timeout_s)

    def wait_closing(self, timeout_s: float) -> bool:
        """Wait out a retry delay [s]; True at once when the journal is closing."""
        with self._changed:
            return self._changed.wait_for(lambda: self._closing, timeout_s)

    def close(self) -> None:
        """Take nothing more; the writer stores what is queued and ends."""
        with self._changed:
            self._closing = True
            self._changed.notify_all()

    def counts(self) -> tuple[int, dict[str, int]]:
        """Return how many entries are accepted and not settled yet, and how many were dropped, by strand."""
        with self._changed:
            return self._accepted - self._settled, dict(self._dropped)
