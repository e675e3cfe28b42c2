"""What a site can prove of its dose: the uncertainty budget of each mix at three rates against its tolerance. Pure."""

from collections.abc import Iterator
from dataclasses import dataclass

from crumbmeter.control.proving import water_of
from crumbmeter.estimation.budget import ONE_ERROR_S, Shift, causes_of, dose_budget, steady_weighing
from crumbmeter.estimation.gum import Budget, Provable
from crumbmeter.process.dose import Mix, rubber_for
from crumbmeter.process.params import MixParams
from crumbmeter.site.figures import mix_of, normal_flows, scaled
from crumbmeter.site.settings import Site


@dataclass(frozen=True, slots=True)
class ProofWords:
    """One mix at one rate of the plant, over the window of the live dose."""

    mix_id: str
    rate: str
    """lowest, normal or highest."""
    basis: str
    window_kg: float
    """[kg] Mix with rubber."""
    dose_fraction: float
    expanded_fraction: float
    """Expanded uncertainty of the dose, in its basis."""
    coverage_factor: float
    relative_fraction: float
    """The same as a share of the dose."""
    warn_fraction: float
    alarm_fraction: float
    """Tolerances of the site, as shares of the dose."""
    accept_warn_fraction: float
    accept_alarm_fraction: float
    """Error up to which a dose is proven to be inside each (guarded acceptance); not positive: never."""
    contributions: tuple[tuple[str, float], ...]
    """The whole budget: each contribution as a share of the dose (k = 1), the largest first."""
    assumed: tuple[str, ...]
    """Contributions whose size the site does not state."""


def provable(site: Site) -> tuple[ProofWords, ...]:
    """Work it out for every mix that has a dose."""
    if site.params.batch is not None:
        return ()  # a batch is weighed whole: its own uncertainty stands in its parcel
    return tuple(row for mix in site.params.mixes if mix.dose > 0.0 for row in _rows(site, mix))


def _rows(site: Site, mix: MixParams) -> Iterator[ProofWords]:
    flows = normal_flows(site.params.streams, site.normal.flows_kg_s)
    for rate, factor in (("lowest", site.normal.lowest), ("normal", 1.0), ("highest", site.normal.highest)):
        parts = mix_of(scaled(flows, factor), mix.total_binder_content)
        budget = steady_budget(site, mix, parts)
        if budget is not None:
            yield _words(site, mix, rate, budget)


def steady_budget(site: Site, mix: MixParams, parts: Mix) -> Budget | None:
    """Budget one window of steady feeding without a refill.

    Args:
        site: Site.
        mix: With a dose.
        parts: [kg/s] What the plant makes.
    """
    params = site.params
    flow_kg_s = rubber_for(mix.dose_basis, mix.dose, parts)
    window_s = params.uncertainty.window_kg / (parts.total + flow_kg_s)
    weight_period_s = max(params.scan_period_s, params.sources[params.weighing.hopper_mass].period_s)
    weighing = steady_weighing(
        flow_kg_s, params.weighing.factor_drift_per_s, params.weighing.mass_noise_kg, weight_period_s
    )
    made = Mix(
        parts.dry_aggregate * window_s,
        parts.recycle * window_s,
        parts.recycle_binder * window_s,
        parts.virgin_binder * window_s,
    )
    rubber_kg = flow_kg_s * window_s
    water = water_of(params, tuple(stream.moisture for stream in params.streams))
    # As `weighing_uncertainty` of a window of steady parcels: minutes are independent of each other.
    weighing_kg = weighing * (window_s * min(window_s, ONE_ERROR_S)) ** 0.5
    causes = causes_of(params.uncertainty, rubber_kg, weighing_kg, made, water, Shift())
    return dose_budget(mix.dose_basis, rubber_kg, made, causes)


def _words(site: Site, mix: MixParams, rate: str, budget: Budget) -> ProofWords:
    relative = budget.expanded / budget.value
    tolerance = site.params.tolerance
    return ProofWords(
        mix_id=mix.mix_id,
        rate=rate,
        basis=mix.dose_basis.value,
        window_kg=site.params.uncertainty.window_kg,
        dose_fraction=budget.value,
        expanded_fraction=budget.expanded,
        coverage_factor=budget.coverage,
        relative_fraction=relative,
        warn_fraction=tolerance.warn,
        alarm_fraction=tolerance.alarm,
        accept_warn_fraction=Provable(tolerance.warn, relative).acceptance,
        accept_alarm_fraction=Provable(tolerance.alarm, relative).acceptance,
        contributions=tuple((one.name, abs(one.contribution) / budget.value) for one in budget.components),
        assumed=budget.assumed,
    )
