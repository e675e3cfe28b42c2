"""One shift in closed loop, and what the weighing filter and others make of the same recording of it."""

from dataclasses import dataclass, field
from math import exp, sqrt
from typing import Any

from crumbmeter.control.sequence import RunState
from crumbmeter_sim import yardsticks
from crumbmeter_sim.rig import Rig
from crumbmeter_sim.truth import Window
from tests.benchmarks.plants import Case
from tests.benchmarks.section import ROOT, SCENARIOS
from tests.benchmarks.weigh_slopes import SlopeFlow
from tests.benchmarks.weigh_sums import FedSum
from tests.closed_loop import ClosedLoop, loop_for

SCENARIO = "demo_shift"
BUMPS_S = (430.0, 1240.0, 2110.0, 2420.0, 3290.0)
BUMP_KG, BUMP_LASTS_S = 3.0, 2.0
"""Somebody leans on the hopper: beside the bag that lands, the shift has too little of it."""
METHODS = ("Kalman filter", "slope 30 s", "slope 60 s", "slope 30 s, outliers out", "slope 60 s, outliers out",
           "feeder's own register")  # fmt: skip
PHASES = ("steady", "speed step", "bump", "filling", "after a fill", "after a start")
FIRST_S = 300.0
"""[s] What the first minutes of feeding are is told by the cold starts."""
STEP_SHARE, STEP_S, BUMP_S, AFTER_FILL_S, AFTER_START_S = 0.05, 45.0, 15.0, 60.0, 60.0
TURNS_REV_S = 0.06
"""[rev/s] Below this the auger barely turns and a share of its feed says little."""
LOOK_SCANS = 5
CHECK_SCANS = 25
"""Every so many scans the flow's error is held against its stated uncertainty (5 s, so that they are nearly free)."""
SPEED_LAG_S = 20.0
WINDOW_KG = 5000.0


@dataclass
class Phase:
    """Finds which phase a scan is in, from the truth."""

    filled_s: float = 1e9
    started_s: float = 1e9
    stepped_s: float = 1e9
    bumped_s: float = 1e9
    slow_rev_s: float = 0.0
    stood_s: float = 0.0

    def after(self, speed_rev_s: float, dt_s: float, *, filling: bool, bumped: bool) -> str:
        """Return the phase; empty where the auger hardly turns."""
        self.filled_s = 0.0 if filling else self.filled_s + dt_s
        self.bumped_s = 0.0 if bumped else self.bumped_s + dt_s
        self.stepped_s += dt_s
        self.started_s += dt_s
        if speed_rev_s < TURNS_REV_S:
            self.stood_s += dt_s
            self.slow_rev_s = 0.0
            return ""
        if self.slow_rev_s == 0.0:
            self.started_s, self.stood_s, self.slow_rev_s = 0.0, 0.0, speed_rev_s
        self.slow_rev_s += (speed_rev_s - self.slow_rev_s) * (1.0 - exp(-dt_s / SPEED_LAG_S))
        if abs(speed_rev_s / self.slow_rev_s - 1.0) > STEP_SHARE:
            self.stepped_s = 0.0
        if filling:
            return "filling"
        for name, since_s, lasts_s in (
            ("bump", self.bumped_s, BUMP_S), ("after a start", self.started_s, AFTER_START_S),
            ("after a fill", self.filled_s, AFTER_FILL_S), ("speed step", self.stepped_s, STEP_S),
        ):  # fmt: skip
            if since_s < lasts_s:
                return name
        return "steady"


@dataclass
class Squares:
    """Errors of one kind."""

    number: int = 0
    squares: float = 0.0
    within: int = 0
    """Of those that are shares of a stated uncertainty: within two of it."""

    def add(self, error: float) -> None:
        """Add one."""
        self.number += 1
        self.squares += error * error
        self.within += abs(error) <= 2.0

    def figures(self) -> dict[str, Any]:
        """Return them for the file."""
        return {"n": self.number, "squares": self.squares, "within_2": self.within}


@dataclass
class Shift:
    """One shift under way."""

    loop: ClosedLoop
    errors: dict[tuple[str, str], Squares] = field(default_factory=dict)
    stated: dict[str, Squares] = field(default_factory=dict)
    fills_s: list[tuple[float, float]] = field(default_factory=list)

    def __post_init__(self) -> None:
        noise_kg = self.loop.site.params.weighing.mass_noise_kg
        self.slopes = [SlopeFlow(s, noise_kg, rejecting=rejecting) for rejecting in (False, True) for s in (30.0, 60.0)]
        self.phase = Phase()
        self.window = (FedSum(), 0.0, 0.0, 0.0, False)
        self.bumps = list(BUMPS_S)

    def play(self) -> None:
        """Play it to its end."""
        loop, first_s, fed_kg = self.loop, None, 0.0
        while not loop.rig.finished:
            bumped = bool(self.bumps) and loop.rig.now_s >= self.bumps[0]
            if bumped:
                self.bumps.pop(0)
                loop.rig.do("bump", kg=BUMP_KG, lasts_s=BUMP_LASTS_S)
            loop.scan()
            feeder = loop.rig.plant.feeder
            scan_kg, fed_kg = feeder.fed_kg - fed_kg, feeder.fed_kg
            if first_s is None and loop.state.sequence.state is RunState.FEEDING:
                first_s = loop.rig.now_s
            bumped = bumped or feeder.hopper.bump_s > 0.0 or feeder.supply.landing_s > 0.0
            self.look(scan_kg, bumped=bumped, counted=first_s is not None and loop.rig.now_s > first_s + FIRST_S)

    def look(self, scan_kg: float, *, bumped: bool, counted: bool) -> None:
        """Hold one scan against the truth."""
        loop, weighing = self.loop, self.loop.state.weighing
        assert loop.last is not None
        shown, params = loop.last.shown, loop.site.params
        auger = loop.rig.plant.feeder.auger
        filling = weighing.refilling or weighing.settle_left_s > 0.0
        if filling:
            now_s = loop.rig.now_s
            old = bool(self.fills_s) and now_s - self.fills_s[-1][1] < 1.0
            began_s = self.fills_s.pop()[0] if old else now_s
            self.fills_s.append((began_s, now_s))
        weight_kg = shown.readings[params.weighing.hopper_mass].value
        held = filling or auger.speed_rev_s < TURNS_REV_S
        rates = [slope.step(weight_kg, loop.dt_s, filling=held) for slope in self.slopes]
        phase = self.phase.after(auger.speed_rev_s, loop.dt_s, filling=filling, bumped=bumped)
        own = params.contacts.feed_rate
        register = None if own is None else shown.readings[own].value
        # What an auger carries in a turn, not within one: the pulsation of its flights is nobody's error.
        true = auger.factor_kg_rev(loop.rig.plant.feeder.hopper.mass_kg) * auger.speed_rev_s
        if counted and phase:
            if loop.scans % LOOK_SCANS == 0:
                for method, rate in zip(METHODS, (shown.flow.rate_kg_s, *rates, register), strict=True):
                    if rate is not None:
                        self._errors(method, phase).add(rate / true - 1.0)
            if loop.scans % CHECK_SCANS == 0:
                kind = phase if phase in ("filling", "after a start") else "other"
                self._stated(kind).add((shown.flow.rate_kg_s - true) / shown.flow.uncertainty_kg_s)
        self._window(scan_kg, counted=counted and bool(phase), filling=filling)

    def _errors(self, method: str, phase: str) -> Squares:
        return self.errors.setdefault((method, phase), Squares())

    def _stated(self, kind: str) -> Squares:
        return self.stated.setdefault(kind, Squares())

    def _window(self, scan_kg: float, *, counted: bool, filling: bool) -> None:
        """Sum fed masses over as long as 5 t of mix take at present, and hold the sum's error against its doubt."""
        assert self.loop.last is not None
        flow = self.loop.last.shown.flow
        mix_kg = self.loop.last.shown.demand.at_injection.total
        total, error_kg, held_kg, true_kg, filled = self.window
        if not counted:
            self.window = (FedSum(), 0.0, 0.0, 0.0, False)
            return
        total = total.added(flow.fed_uncertainty_kg, self.loop.state.weighing.var_mm, filling=filling)
        error_kg, held_kg, true_kg = error_kg + flow.fed_kg - scan_kg, held_kg + mix_kg, true_kg + scan_kg
        self.window = (total, error_kg, held_kg, true_kg, filled or filling)
        if held_kg >= WINDOW_KG:
            self._stated("5 t with a fill" if self.window[4] else "5 t").add(error_kg / total.uncertainty_kg)
            self.window = (FedSum(), 0.0, 0.0, 0.0, False)

    def windows_with_fills(self) -> list[tuple[float, Window]]:
        """Return those 5 t windows at the outlet into which rubber of a fill went, with the time at which they began.

        The way from the auger to the outlet is taken at its mean; what the drum's mixing spreads further is little.
        """
        truth = self.loop.rig.plant.truth
        way_s = truth.line.travel_s + truth.drum.injection_to_outlet_s
        cutter = next(one for one in self.loop.drum.truth.cutters if one.size_kg == WINDOW_KG)
        found, began_s = [], 0.0
        for window in cutter.windows:
            low_s, high_s = began_s - way_s, window.t_s - way_s
            if any(begin < high_s and end > low_s for begin, end in self.fills_s) and window.said_wanted_kg > 0.0:
                found.append((began_s, window))
            began_s = window.t_s
        return found


def best_windows(case: Case) -> list[Window]:
    """Play the best achievable (decision 0002) through the same shift; return its 5 t windows, which are the same."""
    plant = ROOT / "config" / "plants" / f"{case.plant}.toml"
    rig = Rig.from_scenario(
        SCENARIOS / f"{SCENARIO}.toml", seed=case.seed, plant=plant, overrides=dict(case.overrides)
    )  # fmt: skip
    law, feeder, line = yardsticks.BestAchievable(rig), rig.plant.feeder, rig.plant.line
    assert rig.scenario is not None
    (start,) = [order for order in rig.scenario.operator if order.command.endswith(" feed")]
    for scan in range(1, round(rig.scenario.duration_s / yardsticks.SCAN_S) + 1):
        rig.advance_to(scan * yardsticks.SCAN_S)
        feeder.run = feeder.airlock_run = line.blower_run = True
        feeder.speed_setpoint_rev_s = law.speed_rev_s(rig.now_s >= start.t_s and rig.plant.drum.turning)
    return next(one for one in rig.truth.cutters if one.size_kg == WINDOW_KG).windows


def play(case: Case) -> dict[str, Any]:
    """Play one case; return what the section keeps of it."""
    shift = Shift(loop_for(SCENARIO, case.plant, seed=case.seed, plant=case.plant, overrides=dict(case.overrides)))
    shift.play()
    others = best_windows(case)
    own = next(one for one in shift.loop.drum.truth.cutters if one.size_kg == WINDOW_KG).windows
    wanted_kg = max(window.said_wanted_kg for window in own)
    fills = [
        {
            "ended_s": round(window.t_s, 1),
            "metering_percent": 100.0 * (window.rubber_kg / window.said_wanted_kg - 1.0),
            "best_percent": 100.0 * (others[number].rubber_kg / others[number].said_wanted_kg - 1.0),
        }
        for _, window in shift.windows_with_fills()
        if window.said_wanted_kg > 0.5 * wanted_kg
        for number in (own.index(window),)
    ]
    return {
        "group": case.group, "seed": case.seed,
        "errors": {f"{method}|{phase}": squares.figures() for (method, phase), squares in shift.errors.items()},
        "stated": {kind: squares.figures() for kind, squares in shift.stated.items()},
        "fills": fills,
        "leaks_told": sum(happened.name == "refill_gate_leaks" for _, happened in shift.loop.events),
        "falls_told": sum(happened.name == "feed_factor_fell" for _, happened in shift.loop.events),
        "fills_told": sum(happened.name == "fill_weighed" for _, happened in shift.loop.events),
        "fills_agree": sum(bool(h.get("agree")) for _, h in shift.loop.events if h.name == "fill_weighed"),
    }  # fmt: skip


def root_mean(figures: list[dict[str, Any]]) -> float | None:
    """Return the root mean square of several groups of errors; None where there are none."""
    number = sum(one["n"] for one in figures)
    return sqrt(sum(one["squares"] for one in figures) / number) if number else None


def plain_root(errors: list[float]) -> float:
    """Return the root mean square; 0 of none."""
    return sqrt(sum(error * error for error in errors) / len(errors)) if errors else 0.0
