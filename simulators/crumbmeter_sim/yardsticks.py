"""Three controllers that the daemon is measured against: defined and frozen in docs/decisions/0002-yardsticks.md.

Each runs on the same plant, scenario and seed as the daemon, on virtual time, and writes the auger's speed every 0.2 s.
All three obey the same stops: no feed while the drum stands, in local, before "start feed" and after "stop feed".
"""

from collections import deque
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from crumbmeter_sim.mixes import wanted_kg
from crumbmeter_sim.rig import Rig
from crumbmeter_sim.wanted import rubber_kg
from crumbmeter_sim.weighing import DebtTrim, FactorEstimator

if TYPE_CHECKING:
    from crumbmeter_sim.serve import Progress

SCAN_S = 0.2
OWED_PAID_S = 8.0
OWED_FORGOTTEN_S = 30.0
"""What the best achievable does with rubber that the stall speed kept back: paid soon, the drum evens it out."""


class Yardstick(Protocol):
    """A feed law: the auger's speed that it wants now."""

    def speed_rev_s(self, may_feed: bool) -> float:
        """[rev/s] Return the speed wanted; called once in every scan, also while it may not feed."""
        ...


def indicated_rubber_kg_s(rig: Rig) -> float:
    """[kg/s] Return the rubber wanted by the mix that scales and entered figures show at present."""
    virgin = recycle = carried = 0.0
    for belt in rig.plant.belts:
        scale = belt.truth.scale
        dry = belt.shown_wet_kg_s / (1 + scale.entered_moisture_percent / 100)
        if dry <= scale.cut_off_kg_s:
            continue
        if belt.is_recycle:
            carried = dry * scale.entered_binder_percent / 100
            recycle = dry - carried
        else:
            virgin = dry
    share = rig.plant.mix.total_binder_percent / 100
    binder = max(0.0, (share * (virgin + recycle + carried) - carried) / (1 - share))
    return rubber_kg(rig.plant.mix, virgin, recycle, carried, binder)


class PlainFollower:
    """Dose times the present indicated mix, at once."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._metering = Technician(rig)

    def speed_rev_s(self, may_feed: bool) -> float:
        return self._metering.speed_rev_s(indicated_rubber_kg_s(self._rig), may_feed)


class FixedDelayFollower:
    """The same, late by one constant of clock time."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._metering = Technician(rig)
        self._past = deque([0.0] * max(1, round(fixed_delay_s(rig) / SCAN_S)))

    def speed_rev_s(self, may_feed: bool) -> float:
        self._past.append(indicated_rubber_kg_s(self._rig))
        return self._metering.speed_rev_s(self._past.popleft(), may_feed)


def fixed_delay_s(rig: Rig) -> float:
    """[s] Return the one constant: the aggregate's travel at nominal rate less scale filter, line and auger lag."""
    truth = rig.plant.truth
    belt = next(belt for belt in truth.belt if belt.kind == "virgin")
    travel_s = belt.scale_to_drum_m / belt.speed_m_s + truth.drum.inlet_to_injection_s
    return travel_s - belt.scale.filter_s - truth.line.travel_s - truth.auger.lag_s


class Technician:
    """What a good technician sets up to make a rate of it: a weighed feed factor, held in refills, and a slow trim."""

    def __init__(self, rig: Rig) -> None:
        self._feeder = rig.plant.feeder
        self._top_rev_s = rig.plant.truth.auger.top_rpm / 60
        self._stall_rev_s = rig.plant.truth.auger.stall_rpm / 60
        self._factor = FactorEstimator(rig.plant.truth.feeder.factor_guess_kg_rev)
        self._trim = DebtTrim()

    def speed_rev_s(self, rate_kg_s: float, may_feed: bool) -> float:
        """[rev/s] Return the speed for a rate, from what the load cell and the auger show."""
        hopper, auger = self._feeder.hopper, self._feeder.auger
        factor = self._factor.step(hopper.shown_kg, auger.shown_speed_rev_s, hopper.refilling, SCAN_S)
        asked = rate_kg_s if may_feed and rate_kg_s >= self._stall_rev_s * factor else 0.0
        trimmed = asked + self._trim.step(hopper.shown_kg, asked, hopper.refilling, SCAN_S)
        return min(self._top_rev_s, max(0.0, trimmed / factor))


class BestAchievable:
    """Knows exactly what will be at the injection point when rubber leaving the auger now gets there."""

    def __init__(self, rig: Rig) -> None:
        self._plant = rig.plant
        truth = rig.plant.truth
        self._ahead_s = truth.line.travel_s + truth.auger.lag_s + SCAN_S / 2
        self._stall_rev_s = truth.auger.stall_rpm / 60
        self._top_rev_s = truth.auger.top_rpm / 60
        self._owed_kg = 0.0
        """Kept back by the stall speed."""

    def speed_rev_s(self, may_feed: bool) -> float:
        plant = self._plant
        if not may_feed:
            return 0.0
        passing = plant.mixes.ahead(self._ahead_s, plant.dry_in_drum_now)
        rate = wanted_kg(passing, plant.binder.ahead(self._ahead_s))
        factor = plant.feeder.auger.factor_kg_rev(plant.feeder.hopper.mass_kg)
        speed = (rate + self._owed_kg / OWED_PAID_S) / factor
        if speed < self._stall_rev_s:
            self._owed_kg += (rate - self._owed_kg / OWED_FORGOTTEN_S) * SCAN_S
            return 0.0
        self._owed_kg -= self._owed_kg / OWED_PAID_S * SCAN_S
        return min(self._top_rev_s, speed)


YARDSTICKS: dict[str, type[PlainFollower | FixedDelayFollower | BestAchievable]] = {
    "plain_follower": PlainFollower,
    "fixed_delay_follower": FixedDelayFollower,
    "best_achievable": BestAchievable,
}


def run(
    name: str,
    scenario: Path | str,
    *,
    seed: int | None = None,
    plant: Path | str | None = None,
    overrides: dict[str, Any] | None = None,
    progress: "Progress | None" = None,
) -> dict[str, Any]:
    """Play one yardstick through a scenario and return its score."""
    rig = Rig.from_scenario(scenario, seed=seed, plant=plant, overrides=overrides)
    assert rig.scenario is not None  # noqa: S101 - from_scenario always has one
    law: Yardstick = YARDSTICKS[name](rig)
    orders = deque((o.t_s, o.command) for o in rig.scenario.operator if o.command.endswith(" feed"))
    feed_on = not orders
    feeder, line = rig.plant.feeder, rig.plant.line
    for scan in range(1, round(rig.scenario.duration_s / SCAN_S) + 1):
        rig.advance_to(scan * SCAN_S)
        while orders and orders[0][0] <= rig.now_s:
            feed_on = orders.popleft()[1] == "start feed"
        feeder.run = feeder.airlock_run = line.blower_run = True
        may_feed = feed_on and feeder.remote and rig.plant.drum.turning and not rig.plant.emergency
        feeder.speed_setpoint_rev_s = law.speed_rev_s(may_feed)
        if progress is not None and scan % 500 == 0:
            progress(rig.now_s, rig.scenario.duration_s)
    return rig.score()


def run_all(
    scenario: Path | str,
    *,
    seed: int | None = None,
    plant: Path | str | None = None,
    overrides: dict[str, Any] | None = None,
    progress: "Progress | None" = None,
) -> dict[str, Any]:
    """Play all three; return their scores by name."""
    return {
        name: run(name, scenario, seed=seed, plant=plant, overrides=overrides, progress=progress) for name in YARDSTICKS
    }
