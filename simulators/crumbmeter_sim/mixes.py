"""Which mix the material before the injection point belongs to: that under which it passed its scale.

Beside the drum's cells, which hold everything, stand those of each older mix. They move by the same shares, so what is
of the newest mix is the difference; while no change is under way there is nothing beside them and nothing to reckon.
"""

from dataclasses import dataclass

from crumbmeter_sim import drum as d
from crumbmeter_sim.belt import Belt
from crumbmeter_sim.plantfile import MixTruth
from crumbmeter_sim.wanted import rubber_kg

FOLLOWED = (d.VIRGIN, d.RECYCLE, d.CARRIED, d.SAID_VIRGIN, d.SAID_RECYCLE)
GONE_KG = 1e-9
"""[kg] An older mix with less than this in the drum, and nothing more to come, has passed."""


@dataclass(slots=True)
class Older:
    """An older mix and what there is of it in the drum before the injection point."""

    mix: MixTruth
    number: int
    rows: list[d.Row]
    """By component before the injection point; water is not followed."""


@dataclass(frozen=True, slots=True)
class Share:
    """What of one mix passes. Masses in kg, or flows in kg/s."""

    mix: MixTruth
    virgin: float
    recycle: float
    carried: float

    @property
    def dry(self) -> float:
        """All of it."""
        return self.virgin + self.recycle + self.carried


class Mixes:
    """The mixes between the scales and the injection point."""

    def __init__(self, mix: MixTruth, drum: d.Drum, belts: list[Belt]) -> None:
        self.newest = mix
        self.number = 0
        self._drum = drum
        self._belts = belts
        self.older: list[Older] = []
        self.passing = mix
        """The mix of most of what passed the injection point last."""

    def change(self, mix: MixTruth) -> None:
        """From now on what passes the scales is of another mix."""
        rows = [
            [whole - sum(cells) for whole, *cells in zip(row, *(one.rows[at] for one in self.older), strict=True)]
            for at, row in enumerate(self._drum.before)
        ]
        self.older.append(Older(self.newest, self.number, rows))
        self.newest = mix
        self.number += 1
        for belt in self._belts:
            belt.change_mix()

    def take_inlet(self, belt: Belt, dry_kg: float, said_kg: float) -> None:
        """Follow what falls in at the inlet, if it is of an older mix."""
        for one in self.older:
            if one.number == belt.falling:
                one.rows[d.VIRGIN][0] += dry_kg
                one.rows[d.SAID_VIRGIN][0] += said_kg

    def take_collar(self, belt: Belt, dry_kg: float, said_kg: float, binder_share: float) -> None:
        """Follow what falls in at the collar, if it is of an older mix."""
        cell = self._drum.collar_cell
        for one in self.older:
            if one.number == belt.falling:
                one.rows[d.CARRIED][cell] += dry_kg * binder_share
                one.rows[d.RECYCLE][cell] += dry_kg - dry_kg * binder_share
                one.rows[d.SAID_RECYCLE][cell] += said_kg

    def step(self, shares: tuple[float, float]) -> list[tuple[MixTruth, list[float]]]:
        """Move older mixes as the drum moved; return what of each passed the injection point, by component [kg]."""
        passed = []
        for one in self.older:
            kg = [0.0] * 6
            for component in FOLLOWED:
                one.rows[component], kg[component] = d.advance(one.rows[component], *shares)
            passed.append((one.mix, kg))
        self.older = [one for one in self.older if self._comes(one)]
        return passed

    def dump(self, share: float) -> None:
        """Take a share of every cell out of the drum."""
        for one in self.older:
            one.rows = [[kg * (1.0 - share) for kg in row] for row in one.rows]

    def ahead(self, seconds: float, dry_kg_s: list[float]) -> list[Share]:
        """Say what of each mix will pass the injection point `seconds` from now if nothing changes [kg/s].

        Args:
            seconds: [s] How far ahead.
            dry_kg_s: [kg/s] What falls in at present, by component, the recycle at its collar.
        """
        whole = self._drum.ahead(seconds, dry_kg_s)
        older = []
        for one in self.older:
            falling = [0.0] * 6
            for belt in self._belts:
                if belt.falling == one.number:
                    for component in (d.RECYCLE, d.CARRIED) if belt.is_recycle else (d.VIRGIN,):
                        falling[component] = dry_kg_s[component]
            older.append((one.mix, self._drum.ahead(seconds, falling, one.rows)))
        return split(self.newest, whole, older)

    def _comes(self, one: Older) -> bool:
        """Tell whether any of it is still on a belt or in the drum."""
        in_drum_kg = sum(map(sum, (one.rows[at] for at in FOLLOWED)))
        return in_drum_kg > GONE_KG or any(belt.falling <= one.number for belt in self._belts)


def split(newest: MixTruth, whole: list[float], older: list[tuple[MixTruth, list[float]]]) -> list[Share]:
    """Return what there is of each mix, the newest one last: what the whole has beyond the older ones."""
    shares = [Share(mix, kg[d.VIRGIN], kg[d.RECYCLE], kg[d.CARRIED]) for mix, kg in older]
    virgin, recycle, carried = whole[d.VIRGIN], whole[d.RECYCLE], whole[d.CARRIED]
    for one in shares:
        # Rounding may leave a hair less than nothing.
        virgin, recycle, carried = virgin - one.virgin, recycle - one.recycle, carried - one.carried
    return [*shares, Share(newest, max(0.0, virgin), max(0.0, recycle), max(0.0, carried))]


def wanted_kg(shares: list[Share], binder_kg: float) -> float:
    """[kg] Return the rubber wanted by all: each by its own mix, the binder shared out by the job mix formulas."""
    if len(shares) == 1:
        one = shares[0]
        return rubber_kg(one.mix, one.virgin, one.recycle, one.carried, binder_kg)
    formula = [max(0.0, _formula_kg(one)) for one in shares]
    whole = sum(formula)
    parts = [kg / whole for kg in formula] if whole > 0.0 else [*[0.0] * (len(shares) - 1), 1.0]
    return sum(
        rubber_kg(one.mix, one.virgin, one.recycle, one.carried, binder_kg * part)
        for one, part in zip(shares, parts, strict=True)
    )


def _formula_kg(share: Share) -> float:
    total = share.mix.total_binder_percent / 100.0
    return (total * share.dry - share.carried) / (1.0 - total)
