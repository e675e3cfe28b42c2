"""Uncertainty of the achieved dose, in each of its bases, by analytic sensitivities (JCGM 100).

With R the rubber and B its base (linear in the parts of the mix), the dose is d = R / (B + c R), c being 1 where the
base counts the rubber. So dd/dR = B / (B + c R)^2 and dd/dB = -R / (B + c R)^2. Each cause of uncertainty is given by
what one standard deviation of it does to the masses, to all of them at once: a recycle scale that reads 1 % high
moves the recycle and the binder in it together, and the hopper's span moves all rubber alike. That is how full
correlation comes in.
"""

from collections.abc import Iterable
from math import inf, sqrt

from crumbmeter.estimation.gum import ASSUMED_DEGREES, Budget, Component, budget_of, of_limits
from crumbmeter.estimation.params import UncertaintyParams, Within
from crumbmeter.model.frozen import dataclass
from crumbmeter.process.dose import Mix, base_of, counts_rubber
from crumbmeter.process.params import DoseBasis

ONE_ERROR_S = 60.0
"""[s] In a window of some tons the estimator's error counts as one over so long, and as another after it. What it gets
wrong now the weight corrects within (noise^2 dt / walk^2)^(1/4), some ten seconds; a refill, over which the factor
carries it, is shorter too. tests/unit/estimation/test_budget.py holds the filter against it."""
ONE_REFILL_S = 600.0
"""[s] The same for long totals, in which what refills get wrong alike adds up: about one of them is in ten minutes."""


@dataclass(frozen=True, slots=True)
class Cause:
    """One cause of uncertainty, by what one standard deviation of it adds to the masses [kg]."""

    name: str
    rubber: float = 0.0
    mix: Mix = Mix()
    degrees: float = inf
    stated: bool = True


@dataclass(frozen=True, slots=True)
class Water:
    """Water of the wet streams in force, as fractions of dry mass."""

    aggregate: float = 0.0
    recycle: float = 0.0


@dataclass(frozen=True, slots=True)
class Shift:
    """What a wrong travel time would have done to a window: it moves rubber over the window's two ends only.

    Own derivation: rubber that comes too late by e is r times (M(t + e) - M(t)) at each end, so the window's total is
    off by r e (Q_end - Q_begin): zero in the total of a steady run or of a whole one, whatever happened in between.
    """

    began_kg_s: float = 0.0
    """[kg/s] Rubber rate at the window's beginning."""
    ended_kg_s: float = 0.0

    @property
    def kg_per_s(self) -> float:
        """[kg/s] Return rubber moved over the ends by each second of wrong travel."""
        return self.ended_kg_s - self.began_kg_s


def dose_budget(basis: DoseBasis, rubber: float, mix: Mix, causes: Iterable[Cause]) -> Budget | None:
    """Return the dose with its uncertainty; None where there is nothing to relate the rubber to.

    Args:
        basis: What the dose is a share of.
        rubber: [kg] Rubber of the window or the total.
        mix: [kg] The mix without rubber that it went into.
        causes: Everything that may have made these masses wrong.
    """
    base = base_of(basis, mix)
    whole = base + (rubber if counts_rubber(basis) else 0.0)
    if whole <= 0.0:
        return None
    by_rubber, by_base = base / (whole * whole), -rubber / (whole * whole)
    components = [
        Component(
            cause.name, by_rubber * cause.rubber + by_base * base_of(basis, cause.mix), cause.degrees, cause.stated
        )
        for cause in causes
    ]
    return budget_of(rubber / whole, components)


def causes_of(
    params: UncertaintyParams, rubber: float, weighing: float, mix: Mix, water: Water, shift: Shift
) -> tuple[Cause, ...]:
    """List what may be wrong with the masses of a window.

    Args:
        params: What the site knows of its instruments.
        rubber: [kg] Rubber by the estimator.
        weighing: [kg] Its standard uncertainty (`weighing_uncertainty`).
        mix: [kg] The mix without rubber.
        water: Water in force.
        shift: What a wrong travel would have moved.
    """
    recycle_share = mix.recycle_binder / mix.recycle if mix.recycle > 0.0 else 0.0
    by_scale, by_water = _u(params.recycle_scale), _u(params.recycle_moisture) / (1.0 + water.recycle)
    return (
        Cause("weighing", weighing),
        _cause("hopper scale", params.hopper_scale, rubber=rubber * _u(params.hopper_scale)),
        _cause(
            "aggregate scale", params.aggregate_scale, Mix(dry_aggregate=mix.dry_aggregate * _u(params.aggregate_scale))
        ),
        _cause(
            "aggregate moisture",
            params.aggregate_moisture,
            Mix(dry_aggregate=-mix.dry_aggregate * _u(params.aggregate_moisture) / (1.0 + water.aggregate)),
        ),
        _cause("recycle scale", params.recycle_scale, _recycle(mix.recycle * by_scale, recycle_share)),
        _cause("recycle moisture", params.recycle_moisture, _recycle(-mix.recycle * by_water, recycle_share)),
        _cause("recycle binder", params.recycle_binder, Mix(recycle_binder=mix.recycle * _u(params.recycle_binder))),
        _cause("binder meter", params.binder_meter, Mix(virgin_binder=mix.virgin_binder * _u(params.binder_meter))),
        _cause("travel", params.travel_s, rubber=shift.kg_per_s * _u(params.travel_s)),
    )


def _u(within: Within) -> float:
    return of_limits(within.half_width)


def _recycle(mass: float, binder_share: float) -> Mix:
    return Mix(recycle=mass, recycle_binder=mass * binder_share)


def _cause(name: str, within: Within, mix: Mix | None = None, *, rubber: float = 0.0) -> Cause:
    degrees = inf if within.stated else ASSUMED_DEGREES
    return Cause(name, rubber, Mix() if mix is None else mix, degrees, within.stated)


def weighing_uncertainty(parts: Iterable[tuple[float, float]], one_error_s: float = ONE_ERROR_S) -> float:
    """[kg] Return the standard uncertainty of the rubber of many parcels, without the hopper's span.

    Args:
        parts: For each parcel: when it ended [s], and the standard uncertainty of its rubber [kg].
        one_error_s: [s] Within this the parcels' errors are one and add up; after it comes another one.
    """
    groups: dict[int, float] = {}
    for ended_s, uncertainty_kg in parts:
        group = int(ended_s // one_error_s)
        groups[group] = groups.get(group, 0.0) + uncertainty_kg
    return sqrt(sum([group * group for group in groups.values()]))


def steady_weighing(flow_kg_s: float, drift_per_s: float, noise_kg: float, period_s: float) -> float:
    """[kg/s] Return the standard uncertainty that the weigh-hopper filter comes to in steady feeding.

    Steady solution of the Riccati equation for a content whose rate walks at random (double integrator): with q the
    walk of the flow [kg^2/s^3] and r = noise^2 period [kg^2 s], var = sqrt(2) q^(3/4) r^(1/4). Derived; the filter is
    held against it in tests/spec/test_estimation_published.py.

    Args:
        flow_kg_s: [kg/s] Flow out of the hopper.
        drift_per_s: [1/s^0.5] Relative random walk of the feed factor.
        noise_kg: [kg] Standard deviation of one weight.
        period_s: [s] Between two weights.
    """
    walk = (drift_per_s * flow_kg_s) ** 2
    return sqrt(sqrt(2.0) * walk**0.75 * (noise_kg * noise_kg * period_s) ** 0.25)
