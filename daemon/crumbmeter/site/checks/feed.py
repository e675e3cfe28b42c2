"""Cross checks of the feeder, its sequence and tolerance, and of what is simulated. Pure."""

from crumbmeter.model.units import UNITS
from crumbmeter.site.checks.ranges import check_order
from crumbmeter.site.draft import Draft
from crumbmeter.site.keys.feed import FeederKeys

OVERSHOOT = 0.05
"""[1] By so much a drive may turn faster than it was told for a moment, or its encoder say so. Ours."""


def check_feed(draft: Draft) -> None:
    """Check the feeder and how it is run."""
    feeder = draft.feeder
    if feeder is not None:
        path = ("feeder",)
        check_order(draft, path, feeder, "min_speed_rpm", "max_speed_rpm")
        check_order(draft, path, feeder, "feed_factor_low", "feed_factor")
        check_order(draft, path, feeder, "feed_factor", "feed_factor_high")
        check_order(draft, path, feeder, "low_mass", "full_mass")
        _reach(draft, feeder)
        _hopper(draft, feeder)
        _speed(draft, feeder)
    if draft.line is not None:
        check_order(draft, ("line",), draft.line, "pressure_low", "pressure_high")
        for quantity, option in draft.line.choices.items():
            for key in option.names:
                if getattr(draft.line, key) is not None and draft.line.pressure is None:
                    draft.say("needs-other-key", ("line", key), f"{quantity} needs the signal line.pressure")
    if draft.tolerance is not None:
        check_order(draft, ("tolerance",), draft.tolerance, "warn_percent", "alarm_percent")
        check_order(draft, ("tolerance",), draft.tolerance, "deadband_percent", "warn_percent")
        _window(draft)
    if draft.trim is not None:
        check_order(draft, ("trim",), draft.trim, "time_s", "horizon_s", equal=True)
    _times(draft)
    _site(draft)
    _proofs(draft)


def _reach(draft: Draft, feeder: FeederKeys) -> None:
    factor, rate = feeder.si_or_none("feed_factor_high"), feeder.si_or_none("max_rate")
    if factor is None or rate is None:
        return
    most = factor * feeder.max_speed_rpm / 60.0
    if rate > most * (1 + 1e-9):
        key = next(key for key in feeder.choices["max_rate"].names if getattr(feeder, key) is not None)
        unit = "lb/min" if key.endswith("lb_min") else "kg/min"
        expected = f"the auger gives at most {UNITS[unit].from_si(most):.1f} {unit}"
        draft.say("rate-unreachable", ("feeder", key), expected)


def _hopper(draft: Draft, feeder: FeederKeys) -> None:
    """Check that the hopper's content lies within what its signal may show."""
    signal = draft.signals.get(feeder.hopper_mass)
    register = draft.register_of_signal(feeder.hopper_mass)
    if signal is None or register is None or UNITS[register.unit].dimension != "mass":
        return
    for quantity, limit, is_high in (("full_mass", signal.high, True), ("low_mass", signal.low, False)):
        mass = feeder.si_or_none(quantity)
        if mass is None or limit is None:
            continue
        limit_kg = UNITS[register.unit].to_si(limit)
        if (is_high and mass > limit_kg) or (not is_high and mass < limit_kg):
            key = next(key for key in feeder.choices[quantity].names if getattr(feeder, key) is not None)
            side = "above" if is_high else "below"
            expected = f"signals.{feeder.hopper_mass} is Bad {side} {limit:g} {register.unit}"
            draft.say("hopper-range", ("feeder", key), expected)


def _speed(draft: Draft, feeder: FeederKeys) -> None:
    """Check that the highest speed lies within what its signal may show, and a drive overshoots a little."""
    signal = draft.signals.get(feeder.auger_speed or "")
    register = draft.register_of_signal(feeder.auger_speed or "")
    if signal is None or signal.high is None or register is None or UNITS[register.unit].dimension != "rotation":
        return
    least = UNITS["rpm"].to_si(feeder.max_speed_rpm) * (1.0 + OVERSHOOT)
    if UNITS[register.unit].to_si(signal.high) < least:
        expected = (
            f"must be at least {UNITS[register.unit].from_si(least):.4g}: feeder.max_speed_rpm is "
            f"{feeder.max_speed_rpm:g}, and a drive overshoots by up to {100 * OVERSHOOT:.0f} %"
        )
        draft.say("speed-range", ("signals", feeder.auger_speed or "", "high"), expected)


def _window(draft: Draft) -> None:
    """Check that a tolerance window holds at least two parcels."""
    tolerance, site = draft.tolerance, draft.site
    window = tolerance.si_or_none("window") if tolerance else None
    if tolerance is None or site is None or window is None or site.parcel_kg is None:
        return
    if window < 2 * site.parcel_kg:
        key = next(key for key in tolerance.choices["window"].names if getattr(tolerance, key) is not None)
        expected = f"must hold at least two parcels of {site.parcel_kg:g} kg"
        draft.say("period-order", ("tolerance", key), expected)


def _times(draft: Draft) -> None:
    site, sequence, feeder = draft.site, draft.sequence, draft.feeder
    if site is None:
        return
    if sequence is not None:
        for key in ("blower_start_s", "airlock_start_s"):
            if getattr(sequence, key) <= 2 * site.scan_period_s:
                expected = f"must be longer than two scans ({2 * site.scan_period_s:g} s)"
                draft.say("period-order", ("sequence", key), expected)
    if feeder is not None and feeder.max_refill_s <= feeder.settle_after_refill_s:
        expected = f"must be longer than settle_after_refill_s = {feeder.settle_after_refill_s:g}"
        draft.say("period-order", ("feeder", "max_refill_s"), expected)
    window_s = draft.tolerance.window_s if draft.tolerance is not None else None
    if window_s is not None and window_s <= site.scan_period_s:
        draft.say("period-order", ("tolerance", "window_s"), f"must be longer than the scan ({site.scan_period_s:g} s)")
    if draft.trim is not None and draft.trim.time_s <= site.scan_period_s:
        draft.say("period-order", ("trim", "time_s"), f"must be longer than the scan ({site.scan_period_s:g} s)")


def _site(draft: Draft) -> None:
    site = draft.site
    if site is None:
        return
    path = ("site", "clock_rate")
    if not site.simulated and site.clock_rate not in (None, 1.0):
        draft.say("acceleration", path, "must be 1 at a plant that is not simulated")
    if site.simulated and site.clock_rate is None:
        remedy = "Add clock_rate = 1.0 to [site]; the demo may then run faster."
        draft.say("missing-key", path, "is missing at a simulated site", remedy=remedy)


def _proofs(draft: Draft) -> None:
    """Warn of faults that this site cannot see."""
    wanted = (
        ("plant", "emergency_stop_ok", "an emergency stop would be seen only by its consequences"),
        ("line", "pressure", "a plugged line and a hose off would not be seen"),
        ("line", "pressure_high_kpa", "a plugged line would not be seen"),
        ("line", "pressure_low_kpa", "a hose off would not be seen"),
        ("feeder", "diverter_to_drum", "rubber caught in a test would be counted as fed to the drum"),
        ("feeder", "airlock_running", "a stopped airlock would not be seen"),
        ("feeder", "auger_speed", "the speed asked for is taken for the speed that is"),
        ("feeder", "fault", "the feeder's own fault would not be seen"),
    )
    for section, key, words in wanted:
        part = getattr(draft, section)
        if part is None:
            continue
        quantity = key.rpartition("_")[0]
        missing = part.si_or_none(quantity) is None if quantity in part.choices else getattr(part, key) is None
        if missing and not (quantity in part.choices and part.pressure is None):
            draft.say("proof-missing", (section, key), words)
