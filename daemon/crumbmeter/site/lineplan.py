"""The conveying line as a site describes it, for the figures of `check`. Nothing is controlled by it. Pure."""

from crumbmeter.control.params import Params
from crumbmeter.planning.conveying import (
    STANDARD_K,
    ZERO_C_K,
    LineCheck,
    LinePlan,
    air_mass_flow,
    check_line,
    pressure_at,
)
from crumbmeter.site.keys.plant import LineKeys


def build_line_plan(keys: LineKeys) -> LinePlan | None:
    """Build what is known of the conveying line before it is used; None where the file does not say it.

    The feed end is taken at the fixed limit of pressure: the denser the air, the slower it is.
    """
    if keys.inner_diameter_mm is None or keys.blower_air_m3_h is None or keys.particle_mm is None:
        return None
    return LinePlan(
        inner_diameter_m=keys.inner_diameter_mm / 1000.0,
        air_kg_s=air_mass_flow(keys.blower_air_m3_h / 3600.0),
        particle_m=keys.particle_mm / 1000.0,
        pressure_pa=pressure_at(keys.altitude_m or 0.0) + (keys.si_or_none("pressure_high") or 0.0),
        temperature_k=STANDARD_K if keys.air_temperature_c is None else keys.air_temperature_c + ZERO_C_K,
    )


def line_checks(plan: LinePlan | None, params: Params) -> tuple[LineCheck, ...]:
    """Screen a line at the lowest rate that the auger holds, and at the feeder's hard limit."""
    lowest_kg_s = params.feed.min_speed_rev_s * params.weighing.feed_factor_kg_rev
    rates = (lowest_kg_s, params.feed.max_rate_kg_s)
    return () if plan is None else tuple(check_line(plan, rate) for rate in rates)
