"""A bench of a few signals of one device, settled scan by scan, for the tests of this folder."""

from dataclasses import dataclass, field

from crumbmeter.model.events import Event
from crumbmeter.model.quality import Reason
from crumbmeter.model.reading import Reading
from crumbmeter.model.sample import Sample
from crumbmeter.signals.params import BaselineParams, SignalParams
from crumbmeter.signals.settle import SignalMemory, accept_baseline, first_memory, settle

WEIGHT = SignalParams("hopper", -10.0, 300.0, max_age_s=1.0)
CONTACT = SignalParams("contact", 0.0, 1.0, max_age_s=1.0, is_contact=True)
COUNT = SignalParams("count", 0.0, 65535.0, max_age_s=1.0)
HONEST = BaselineParams(fall_si_s=1.0, margin_si=2.0)


@dataclass
class Bench:
    """Settles a few signals of one device in step."""

    signals: tuple[SignalParams, ...]
    now_s: float = 100.0
    step_s: float = 0.2
    received_s: float = 0.0
    link_ok: bool = True
    memory: tuple[SignalMemory, ...] = ()
    readings: tuple[Reading, ...] = ()
    events: list[Event] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.memory = first_memory(len(self.signals))
        self.values: tuple[float | None, ...] = (None,) * len(self.signals)

    @property
    def told(self) -> list[str]:
        return [happened.name for happened in self.events]

    def scan(self, *values: float | None) -> Reading:
        """Give new values, or none: then the old ones stand with their age and the link is lost."""
        self.now_s += self.step_s
        if values:
            self.values, self.received_s = values, self.now_s
        self.link_ok = bool(values)
        return self._settle()

    def look_again(self) -> Reading:
        """Scan between two reads of the device: the link is up, the values are those that came before."""
        self.now_s += self.step_s
        self.link_ok = True
        return self._settle()

    def _settle(self) -> Reading:
        samples = tuple(
            Sample(value, Reason.OK if value is not None else Reason.BAD_REPLY, self.received_s, self.link_ok)
            for value in self.values
        )
        self.memory, self.readings, events = settle(samples, self.memory, self.signals, self.now_s, self.step_s)
        self.events += events
        return self.readings[0]

    def rebased(self) -> bool:
        return self.memory[0].rebased

    def accept(self) -> None:
        """Let a person say that the weight is right."""
        self.memory = (accept_baseline(self.memory[0]), *self.memory[1:])

    def away(self, seconds: float) -> None:
        """Lose the link for a time."""
        for _ in range(round(seconds / self.step_s)):
            self.scan()
