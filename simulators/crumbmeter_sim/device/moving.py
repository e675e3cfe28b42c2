"""Rules for registers that move between two requests: torn values, decimal points, heartbeats, counters."""

# ruff: noqa: ARG002 - a rule need not look at all that it is given
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from crumbmeter_sim.codec import RANGES
from crumbmeter_sim.device.rules import Place, Rule

if TYPE_CHECKING:
    from crumbmeter_sim.device.unruly import Unruly


@dataclass(slots=True)
class Torn(Rule):
    """A number that goes on with each request: read in two requests, it never was.

    It runs to and fro between `first` and `last`, by default over the step from 0x0000FFFF to 0x00010000.
    """

    first: int = 0xFFFE
    last: int = 0x10001
    step: int = 1
    _now: int | None = None

    def show(self, device: "Unruly", table: str, address: int, words: list[int]) -> None:
        """Show it, and go on."""
        if self.place is None:
            return
        now = self.first if self._now is None else self._now
        self.place.put(address, words, self.place.words_of(now))
        self._now = now + self.step if now + self.step <= self.last else self.first


@dataclass(slots=True)
class PointSwitch(Rule):
    """A value and its decimal point that change together, each `every` requests; the value they mean stays the same."""

    point: Place = field(default_factory=lambda: Place("holding", 0))
    value: float = 123.4
    points: tuple[int, ...] = (1, 2)
    every: int = 1
    _requests: int = 0

    def concerns(self, table: str, address: int, count: int) -> bool:
        """Tell whether a request touches either."""
        return self.point.touches(table, address, count) or (
            self.place is not None and self.place.touches(table, address, count)
        )

    def show(self, device: "Unruly", table: str, address: int, words: list[int]) -> None:
        """Show both as they are at this request."""
        now = self.points[self._requests // max(1, self.every) % len(self.points)]
        self._requests += 1
        if self.point.touches(table, address, len(words)):
            self.point.put(address, words, self.point.words_of(now))
        if self.place is not None and self.place.touches(table, address, len(words)):
            self.place.put(address, words, self.place.words_of(round(self.value * 10**now)))


@dataclass(slots=True)
class Heartbeat(Rule):
    """A counter that the device turns on by one each `period_s`, round its type's end; `stop` and `go` it."""

    period_s: float = 1.0
    _stopped_at_s: float | None = None

    def stop(self, now_s: float) -> None:
        """Let it stand still from now on."""
        self._stopped_at_s = now_s

    def go(self) -> None:
        """Let it go on."""
        self._stopped_at_s = None

    def show(self, device: "Unruly", table: str, address: int, words: list[int]) -> None:
        """Show the count."""
        if self.place is not None:
            now_s = device.now_s() if self._stopped_at_s is None else self._stopped_at_s
            count = int(now_s / self.period_s) % (int(RANGES[self.place.kind][1]) + 1)
            self.place.put(address, words, self.place.words_of(count))


@dataclass(slots=True)
class CounterFault(Rule):
    """What happens to a totaliser that the bank counts rightly: wrap, reset, glitch, replacement.

    Shown is `true + shift`, round the end of the register's type (or of `modulus`).
    """

    modulus: int = 0
    shift: int = 0
    _true: int = 0
    _glitch: int = 0
    _glitch_raw: int = 0

    @property
    def end(self) -> int:
        """Count at which it begins anew."""
        kind = self.place.kind if self.place is not None else "u16"
        return self.modulus or int(RANGES[kind][1]) + 1

    def near_wrap(self, left: int) -> None:
        """Let it stand `left` counts before its end."""
        self.shift = self.end - left - self._true

    def reset(self, to: int = 0) -> None:
        """Begin anew, from 0, or from `to` where the device was replaced by another one."""
        self.shift = to - self._true

    def glitch(self, reads: int, raw: int = 0) -> None:
        """Show `raw` for so many reads, and then the right count again."""
        self._glitch, self._glitch_raw = reads, raw

    def look(self, device: "Unruly") -> None:
        """Take note of the present true count, so that `reset` and the like count from it."""
        if self.place is not None:
            words = list(device.bank.read(self.place.table, self.place.address, self.place.count))
            self._true = int(self.place.number(self.place.address, words) or 0)

    def show(self, device: "Unruly", table: str, address: int, words: list[int]) -> None:
        """Show the spoilt count."""
        if self.place is None:
            return
        self.look(device)
        raw = (self._true + self.shift) % self.end
        if self._glitch > 0:
            self._glitch -= 1
            raw = self._glitch_raw
        self.place.put(address, words, self.place.words_of(raw))
