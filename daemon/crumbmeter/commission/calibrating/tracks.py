"""What the running daemon's views say during a step: each channel followed from the first view to the last.

A value that was Bad in between leaves a hole, and what would need the whole stretch (a mean, a change, a sum) is then
not known: a person reads it off the instrument instead.
"""

from collections.abc import Mapping
from enum import StrEnum
from itertools import pairwise
from typing import Any, Final

from crumbmeter.model.frozen import dataclass

View = Mapping[str, Any]
FED: Final = "fed"
"""Channel of the rubber that leaves the auger, by the estimator [kg/s]; every other channel is a signal's id."""


class Figure(StrEnum):
    """What is taken of a channel."""

    END = "end"
    CHANGE = "change"
    MEAN = "mean"
    SUM = "sum"
    """Over time: of a flow [kg/s] the mass, of a speed [rev/s] the turns."""
    RISES = "rises"
    """How often a contact closed and opened again: complete refills."""
    DURATION = "duration"
    """[s] Of the stretch itself; of no channel."""


@dataclass(frozen=True, slots=True)
class Source:
    """Where a field's value comes from."""

    figure: Figure
    channel: str = ""
    """Empty for the duration."""


@dataclass(frozen=True, slots=True)
class Watch:
    """How long to look. Neither a time nor a contact: one view."""

    seconds: float = 0.0
    """[s] Process time."""
    contact: str = ""
    """Look while this contact is open, from when it opens: the diverter off the drum. It must have been seen closed."""


@dataclass(frozen=True, slots=True)
class Found:
    """What a look brought for one field. No value: a person is asked, and told why."""

    value: float | None
    quality: str
    """Good, Uncertain or Bad, with the reason where it is not Good."""


class _Track:
    """One channel."""

    def __init__(self) -> None:
        self._values: list[tuple[float, float]] = []
        self._worst = "Good"
        self._why = ""

    def take(self, now_s: float, body: Mapping[str, Any] | None) -> None:
        quality = "Bad" if body is None or body["value"] is None else str(body["quality"])
        if ("Good", "Uncertain", "Bad").index(quality) > ("Good", "Uncertain", "Bad").index(self._worst):
            self._worst, self._why = quality, "not known to the daemon" if body is None else str(body["reason"])
        if body is not None and body["value"] is not None:
            self._values.append((now_s, float(body["value"])))

    def found(self, figure: Figure) -> Found:
        quality = f"{self._worst}: {self._why}" if self._why else self._worst
        if self._worst == "Bad" or not self._values:
            return Found(None, quality)
        return Found(self._figure(figure), quality)

    def _figure(self, figure: Figure) -> float:
        values = [value for _, value in self._values]
        match figure:
            case Figure.CHANGE:
                return values[-1] - values[0]
            case Figure.MEAN:
                return sum(values) / len(values)
            case Figure.SUM:
                return sum(0.5 * (one + two) * (then_s - at_s) for (at_s, one), (then_s, two) in pairwise(self._values))
            case Figure.RISES:
                opened = [at for at, (one, two) in enumerate(pairwise(values)) if one < 0.5 <= two]
                shut = [at for at, (one, two) in enumerate(pairwise(values)) if two < 0.5 <= one]
                return float(sum(any(end > begin for end in shut) for begin in opened))
            case _:
                return values[-1]


class Watching:
    """A look that goes on: give it every view until it is done."""

    def __init__(self, watch: Watch, sources: Mapping[str, Source]) -> None:
        """Begin.

        Args:
            watch: How long.
            sources: By field.
        """
        self._watch = watch
        self._sources = sources
        self._tracks = {one.channel: _Track() for one in sources.values() if one.channel}
        self._began_s: float | None = None
        self._last_s = 0.0
        self._armed = not watch.contact
        self.waits_for = "" if self._armed else f"{watch.contact} to be closed"
        """What has to happen before it begins; empty: it has begun."""

    @property
    def elapsed_s(self) -> float:
        """[s] Return how long it has looked."""
        return 0.0 if self._began_s is None else self._last_s - self._began_s

    def take(self, view: View) -> bool:
        """Take one view; tell whether this was the last."""
        bodies = {one["signal_id"]: one for one in view["signals"]}
        now_s = float(view["process_time_s"])
        if self._watch.contact:
            state = bodies.get(self._watch.contact, {}).get("value")
            if state is None:
                return False
            if state >= 0.5 and self._began_s is None:
                self._armed, self.waits_for = True, f"{self._watch.contact} to open"
            if not self._armed or (state >= 0.5 and self._began_s is None):
                return False
            ended = state >= 0.5
        else:
            ended = self._began_s is not None and now_s - self._began_s >= self._watch.seconds - 1e-9
        self._began_s = now_s if self._began_s is None else self._began_s
        self._last_s, self.waits_for = now_s, ""
        for channel, track in self._tracks.items():
            track.take(now_s, view["fed_kg_s"] if channel == FED else bodies.get(channel))
        return ended or self._watch == Watch()

    def found(self) -> dict[str, Found]:
        """Return what was found, by field."""
        return {
            name: Found(self.elapsed_s, "Good")
            if source.figure is Figure.DURATION
            else self._tracks[source.channel].found(source.figure)
            for name, source in self._sources.items()
        }
