"""One batch as it really was: its parts, its rubber, and when that came. Masses in kg."""

from dataclasses import dataclass, field

from crumbmeter_sim.batch_file import TowerTruth
from crumbmeter_sim.plantfile import MixTruth
from crumbmeter_sim.wanted import rubber_kg


@dataclass(slots=True)
class Parts:
    """What a batch is made of."""

    aggregate_kg: float = 0.0
    recycle_kg: float = 0.0
    """Dry, without its binder."""
    carried_kg: float = 0.0
    """Binder in the recycle."""
    binder_kg: float = 0.0
    water_kg: float = 0.0
    rubber_kg: float = 0.0

    @classmethod
    def said(cls, aggregate_kg: float, recycle_wet_kg: float, binder_kg: float, tower: TowerTruth) -> "Parts":
        """Return the parts that the weigh hoppers and the entered figures say."""
        dry = recycle_wet_kg / (1.0 + tower.recycle.entered_moisture_percent / 100.0)
        carried = dry * tower.recycle.entered_binder_percent / 100.0
        return cls(aggregate_kg, dry - carried, carried, binder_kg)

    @property
    def mix_kg(self) -> float:
        """[kg] Mix without rubber and water."""
        return self.aggregate_kg + self.recycle_kg + self.carried_kg + self.binder_kg

    def wanted_kg(self, mix: MixTruth) -> float:
        """[kg] Return the rubber that it wants."""
        return rubber_kg(mix, self.aggregate_kg, self.recycle_kg, self.carried_kg, self.binder_kg)

    def add(self, other: "Parts") -> None:
        """Add another's parts."""
        for name in ("aggregate_kg", "recycle_kg", "carried_kg", "binder_kg", "water_kg", "rubber_kg"):
            setattr(self, name, getattr(self, name) + getattr(other, name))


@dataclass(slots=True)
class Batch:
    """One drop into the pugmill."""

    number: int
    dropped_s: float
    mix: MixTruth
    said: Parts
    """By the weigh hoppers, as the plant saw them."""
    whole_kg: float
    """Mix that a whole batch would be."""
    joined: bool
    """Dropped onto another one."""
    parts: Parts = field(default_factory=Parts)
    outside_kg: float = 0.0
    """Rubber that came while no window was open."""
    first_s: float | None = None
    last_s: float | None = None
    window_opened_s: float | None = None
    window_closed_s: float | None = None
    delivered: bool = False
    """The plant was told so while it waited."""
    poured: bool = False
    outcome: str = "complete"
    left_s: float | None = None
    """None: still in the pugmill."""

    def take_rubber(self, kg: float, t_s: float, *, in_window: bool) -> None:
        """Take rubber that was blown in."""
        self.parts.rubber_kg += kg
        self.first_s = t_s if self.first_s is None else self.first_s
        self.last_s = t_s
        if not in_window:
            self.outside_kg += kg

    @property
    def said_wanted_kg(self) -> float:
        """[kg] Rubber target by the weigh hoppers."""
        return self.said.wanted_kg(self.mix)

    @property
    def error(self) -> float | None:
        """Relative error against the target by the weigh hoppers; None where nothing is wanted."""
        wanted = self.said_wanted_kg
        return self.parts.rubber_kg / wanted - 1.0 if wanted > 0.0 else None

    @property
    def true_error(self) -> float | None:
        """Relative error against the target of what really was in it."""
        wanted = self.parts.wanted_kg(self.mix)
        return self.parts.rubber_kg / wanted - 1.0 if wanted > 0.0 else None
