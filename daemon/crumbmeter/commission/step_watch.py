"""Sees the steps of a start-up or step test as they happen, for whoever stands at the plant. Guidance, no measurement.

The estimator looks at the record afterwards and decides by itself what is a step; this one only says that something
happened, what is still wanted, and when so much record lies behind the last step that it can be used.
"""

from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from crumbmeter.control.params import Params
from crumbmeter.estimation.travel.discharge import REACH, SETTLE_S
from crumbmeter.estimation.travel.line import AFTER_S
from crumbmeter.process.params import StreamKind
from crumbmeter.process.path import effective_belt_m

EMPTY_SHARE: Final = 0.05
"""Of the normal rate: below it the plant stands."""
RATE_SHARE: Final = 0.10
"""A change of the rate of so much is one that the drum's answer shows."""
SHARP_SHARE: Final = 0.25
"""A change of the auger's speed of so much within `SHARP_S` shows in the line's pressure."""
SHARP_S: Final = 3.0


@dataclass(frozen=True, slots=True)
class Wanted:
    """One step that is asked for."""

    name: str
    do: str
    """What people do at the plant."""
    shows: str
    after_s: float
    """[s] So much record must lie behind it."""


def wanted_steps(params: Params) -> tuple[Wanted, ...]:
    """List the steps that show what a site's own signals can show, in the order of a day."""
    drum = params.drum
    longest_s = max(
        (
            effective_belt_m(one) / one.nominal_belt_speed_m_s + one.drum_residence_s
            for one in params.streams
            if one.drum_residence_s > 0.0
        ),
        default=0.0,
    )
    reach_s = REACH * (longest_s + drum.outlet_residence_s) + 2.0 * SETTLE_S
    found = []
    if drum.discharge_current is not None or drum.discharge_temperature is not None:
        found += [
            Wanted("start-up", "start the plant with an empty drum", "travel of all streams together", reach_s),
            Wanted("rate step", "change the plant's rate by a fifth or more at once",
                   "travel again, and how the load changes the pace", reach_s),
        ]  # fmt: skip
        if any(one.kind is StreamKind.RECYCLE for one in params.streams):
            found.append(Wanted("RAP step", "switch RAP off or on alone", "RAP's own way from the collar", reach_s))
    if params.contacts.line_pressure is not None or params.weighing.auger_speed is not None:
        after_s = max(AFTER_S, 3.0 * params.line.travel_s)
        found.append(
            Wanted("auger step", "step the feed at full rate: `stop-feed`, or `start-feed` when the mix has come",
                   "the line's travel by its pressure, the auger's lag", after_s)
        )  # fmt: skip
    return tuple(found)


@dataclass(slots=True)
class StepWatch:
    """Takes the daemon's views one after the other."""

    params: Params
    seen: dict[str, float] = field(default_factory=dict)
    """[s] Process time at which each wanted step was last seen."""
    now_s: float = 0.0
    _rates: deque[tuple[float, float, float, float]] = field(default_factory=deque)
    """Time, all dry streams, recycle [kg/s], auger speed [rev/s]."""

    def take(self, view: Mapping[str, Any]) -> Iterator[str]:
        """Take a view; yield the name of each wanted step that shows in it for the first time in a while."""
        self.now_s = float(view["process_time_s"])
        streams = {one.stream_id: one for one in self.params.streams}
        flows = [(streams[one["stream_id"]].kind, float(one["dry_kg_s"] or 0.0)) for one in view["streams"]]
        solid = sum(rate for kind, rate in flows if kind is not StreamKind.BINDER)
        recycle = sum(rate for kind, rate in flows if kind is StreamKind.RECYCLE)
        speed = (view.get("auger_speed_rev_s") or {}).get("value")
        self._rates.append((self.now_s, solid, recycle, 0.0 if speed is None else float(speed)))
        while self._rates and self._rates[0][0] < self.now_s - 3.0 * SETTLE_S:
            self._rates.popleft()
        for name in self._happened():
            last_s = self.seen.get(name)
            self.seen[name] = self.now_s
            if last_s is None or self.now_s - last_s > 2.0 * SETTLE_S:
                yield name

    def _happened(self) -> Iterator[str]:
        normal = max(1e-9, self.params.drum.normal_dry_kg_s)
        solids = [(at_s, solid) for at_s, solid, _, _ in self._rates]
        ends = self._means(solids, RATE_SHARE * normal)
        if ends is not None:
            recycles = self._means([(at_s, recycle) for at_s, _, recycle, _ in self._rates], normal)
            yield from self._of_rates(ends, recycles or (0.0, 0.0), normal)
        speeds = [speed for at_s, _, _, speed in self._rates if at_s >= self.now_s - SHARP_S]
        top = max((speed for _, _, _, speed in self._rates), default=0.0)
        usual = 0.1 * self.params.feed.max_speed_rev_s
        if top > usual and len(speeds) > 1 and max(speeds) - min(speeds) > SHARP_SHARE * top:
            yield "auger step"

    @staticmethod
    def _of_rates(ends: tuple[float, float], recycles: tuple[float, float], normal: float) -> Iterator[str]:
        before, after = ends
        change, recycled = abs(after - before) / normal, abs(recycles[1] - recycles[0]) / normal
        if before < EMPTY_SHARE * normal:
            if after > 0.5 * normal:
                yield "start-up"
        elif change > RATE_SHARE / 2.0 and recycled > 0.8 * change:
            yield "RAP step"
        elif change > RATE_SHARE and after > EMPTY_SHARE * normal:
            yield "rate step"

    def _means(self, rates: list[tuple[float, float]], spread: float) -> tuple[float, float] | None:
        """Return the means of the first and of the last third of the stretch; None where one of them is not steady."""
        first_s = self.now_s - 3.0 * SETTLE_S
        early = [rate for at_s, rate in rates if at_s < first_s + SETTLE_S]
        late = [rate for at_s, rate in rates if at_s >= self.now_s - SETTLE_S]
        if not early or not late or rates[0][0] > first_s + 1.0:
            return None
        if any(max(part) - min(part) > spread for part in (early, late)):
            return None
        return sum(early) / len(early), sum(late) / len(late)

    def left_s(self, wanted: Wanted) -> float | None:
        """[s] Return how much record is still wanted behind a step; None where it has not been seen."""
        at_s = self.seen.get(wanted.name)
        return None if at_s is None else max(0.0, at_s + wanted.after_s - self.now_s)

    def done(self, steps: tuple[Wanted, ...]) -> bool:
        """Tell whether every wanted step has been seen with enough record behind it."""
        return all(self.left_s(one) == 0.0 for one in steps)
