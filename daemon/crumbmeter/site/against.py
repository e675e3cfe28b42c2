"""What a site would fail of a specification: every line of the profile beside the key of the site file that answers it.

The site file is all that is looked at. What it cannot answer (whether a scale holds its tolerance today, whether a hose
has a window) is said to be so and never counted as a pass. Records of calibration are qc/calibrations.py's matter.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

from crumbmeter.estimation.params import Within
from crumbmeter.model.outputs import OutputRole
from crumbmeter.model.units import TONNE_KG, UNITS
from crumbmeter.qc.specification import LINE_KINDS, Line, Specification, Status
from crumbmeter.qc.verdict import Verdict
from crumbmeter.site.settings import Site

RECORD_ROW_S: Final = 1.0
"""[s] The journal has a row each second (docs/journal.md); a production log may have any longer interval."""
_PASSES, _FAILS, _UNKNOWN = Verdict.PASSES, Verdict.FAILS, Verdict.CANNOT_TELL


@dataclass(frozen=True, slots=True)
class Plan:
    """What QC has planned of lots; the site file does not say it. None: nothing planned."""

    lot_kg: float | None = None
    sublot_kg: float | None = None


@dataclass(frozen=True, slots=True)
class Answer:
    """What a site says to one line."""

    verdict: Verdict
    found: str
    site_key: str = ""
    """Key of the site file that decides; empty: none does."""
    remedy: str = ""


@dataclass(frozen=True, slots=True)
class Finding:
    """One line of a profile, and the site's answer."""

    key: str
    asked: str
    section: str
    status: Status
    answer: Answer

    @property
    def verdict(self) -> Verdict:
        """Return whether the site keeps it."""
        return self.answer.verdict


def against(site: Site, specification: Specification, plan: Plan | None = None) -> tuple[Finding, ...]:
    """Check a site against a profile, line by line, in the order of the profile; its log fields behind them."""
    planned = Plan() if plan is None else plan
    found = [
        Finding(line.key, line.words, line.section, line.status, _answer(site, line, planned))
        for line in specification.lines
    ]
    found += [
        Finding("log_field", f"log field: {one.name}", one.section, one.status, _log_field(site, one.name))
        for one in specification.log_fields
    ]
    return tuple(found)


def _answer(site: Site, line: Line, plan: Plan) -> Answer:
    if line.value is None:
        return Answer(
            _UNKNOWN, f"the text gives no figure; {_own(site, line.key)}", remedy="Agree one with the agency."
        )
    if line.value is False:
        return Answer(_PASSES, "not asked for")
    if line.key in _LOTS:
        return _lot(line, plan)
    if line.key in _ANSWERS:
        return _ANSWERS[line.key](site, float(line.value))
    return Answer(
        _UNKNOWN,
        "the site file does not say",
        remedy=f"See that {LINE_KINDS[line.key].words} is as asked, and record it.",
    )


def _own(site: Site, key: str) -> str:
    """Say what the site has set where a text is silent."""
    match key:
        case "feed_tolerance_percent":
            return f"this site alarms at {100.0 * site.params.tolerance.alarm:g} %"
        case "interlock_delay_s":
            return f"this site stops the feed after {site.params.feed.input_hold_s:g} s of doubt"
        case "feed_window_s":
            return f"this site judges the feed over {site.params.tolerance.window_s:g} s"
        case _:
            return "this site follows its own"


def _band(key: str, words: str, band: Callable[[Site], float]) -> Callable[[Site, float], Answer]:
    def check(site: Site, limit_percent: float) -> Answer:
        own_percent = 100.0 * band(site)
        verdict = _PASSES if own_percent <= limit_percent * (1.0 + 1e-9) else _FAILS
        remedy = "" if verdict is _PASSES else f"Set {key} to {limit_percent:g} or less."
        return Answer(verdict, f"{words} {own_percent:g} %", key, remedy)

    return check


def _device(key: str, words: str, within: Callable[[Site], Within]) -> Callable[[Site, float], Answer]:
    def check(site: Site, limit_percent: float) -> Answer:
        own = within(site)
        own_percent = 100.0 * own.half_width
        if not own.stated:
            found = f"{words}: not stated, {own_percent:g} % is assumed"
            return Answer(_UNKNOWN, found, key, f"Calibrate, and state {key} by the certificate.")
        if own_percent <= limit_percent * (1.0 + 1e-9):
            return Answer(_PASSES, f"{words}: stated within {own_percent:g} %", key)
        remedy = f"Adjust and calibrate to {limit_percent:g} %, then state it."
        return Answer(_FAILS, f"{words}: stated within {own_percent:g} %", key, remedy)

    return check


def _interlocked(site: Site, _: float) -> Answer:
    if not site.params.control_allowed:
        return Answer(_FAILS, "monitor only: the feed is not held to the plant", "control.allowed", "Allow control.")
    if not any(one.role == OutputRole.PLANT_HEALTHY.value for one in site.params.outputs):
        remedy = "Wire the request to stop, and name its register."
        return Answer(_FAILS, "the plant is not asked to stop when rubber fails", "outputs.plant_healthy", remedy)
    return Answer(_PASSES, "the feed follows the plant's rates and asks the plant to stop", "outputs.plant_healthy")


def _proportional(site: Site, _: float) -> Answer:
    if not site.params.control_allowed:
        return Answer(_FAILS, "monitor only: the feed is not held to the plant", "control.allowed", "Allow control.")
    return Answer(_PASSES, "the setpoint follows dry rates in every scan; moisture is a share of dry mass", "mixes")


def _low_level(site: Site, _: float) -> Answer:
    contacts = site.params.contacts
    if contacts.supply_low is not None or contacts.supply_mass is not None:
        return Answer(_PASSES, "the supply hopper's level is read", "feeder.supply_low")
    remedy = "Fit a level switch or a scale at the supply hopper, and name its signal."
    return Answer(_FAILS, "only the weigh hopper's content is known", "feeder.supply_low", remedy)


def _no_flow(site: Site, _: float) -> Answer:
    contacts = site.params.contacts
    if contacts.flow_switch is not None:
        return Answer(_PASSES, "a flow switch sees rubber at the line's end", "line.flow_switch")
    found = "no flow is told by the hopper's weight" + (
        " and the line's pressure" if contacts.line_pressure is not None else ""
    )
    remedy = "Ask the agency whether this will do, or fit a flow switch."
    return Answer(_UNKNOWN, found, "line.flow_switch", remedy)


def _printed(_: Site, __: float) -> Answer:
    return Answer(_PASSES, "the feed rate is recorded each second and stands in the production log")


def _interval(_: Site, limit_s: float) -> Answer:
    verdict = _PASSES if limit_s >= RECORD_ROW_S else _FAILS
    return Answer(verdict, f"a row is recorded every {RECORD_ROW_S:g} s; the log takes the interval asked for")


def _marked(site: Site, _: float) -> Answer:
    words = (
        "this site is simulated, and all of it is marked" if site.params.simulated else "simulated inputs are marked"
    )
    return Answer(_PASSES, words, "site.simulated")


def _lot(line: Line, plan: Plan) -> Answer:
    planned_kg = _LOTS[line.key](plan)
    if planned_kg is None:
        return Answer(_UNKNOWN, "no plan of lots was given", remedy="Plan lots and sublots, and check again.")
    planned_tonne, asked_tonne = planned_kg / TONNE_KG, float(line.value or 0.0)
    if planned_tonne <= asked_tonne * (1.0 + 1e-9):
        return Answer(_PASSES, f"{planned_tonne:g} t are planned")
    return Answer(_FAILS, f"{planned_tonne:g} t are planned", remedy=f"Plan {asked_tonne:g} t or less.")


def _log_field(site: Site, name: str) -> Answer:
    """Tell whether the record can fill a field of the log."""
    if name in _RECORDED:
        return Answer(_PASSES, "in the record")
    if "temperature" not in name:
        return Answer(
            _UNKNOWN, "the site file does not say", remedy="See that it is entered, such as with the bag lots."
        )
    read = [
        source.signal_id for source in site.params.sources if UNITS[source.register.unit].dimension == "temperature"
    ]
    if read:
        found = f"temperatures read: {', '.join(read)}"
        return Answer(_UNKNOWN, found, "signals", "See that the temperatures asked for are among them.")
    return Answer(_FAILS, "no temperature is read", "signals", "Read the temperature from the plant.")


_RECORDED: Final = frozenset({
    "date", "time", "location", "feed rate", "mix type and target binder rate", "dry aggregate rate",
    "binder meter rate",
    "additive rate", "dry aggregate to binder ratio", "dry aggregate to additive ratio", "JMF number", "RAP moisture",
    "RAP binder", "virgin binder", "total binder", "virgin binder rate", "virgin aggregate rate", "RAP rate",
    "virgin aggregate moisture",
})  # fmt: skip
"""Fields of a log that the plant's record fills by itself, as the profiles name them."""
_LOTS: Final[Mapping[str, Callable[[Plan], float | None]]] = {
    "lot_tonne": lambda plan: plan.lot_kg,
    "sublot_tonne": lambda plan: plan.sublot_kg,
}
_ANSWERS: Final[Mapping[str, Callable[[Site, float], Answer]]] = {
    "feed_tolerance_percent": _band(
        "tolerance.alarm_percent", "an alarm is raised at", lambda site: site.params.tolerance.alarm
    ),
    "daily_usage_percent": _band(
        "tolerance.total_percent", "the job's total is judged at", lambda site: site.params.tolerance.total
    ),
    "weigh_belt_percent": _device(
        "uncertainty.aggregate_scale_percent", "aggregate scale", lambda site: site.params.uncertainty.aggregate_scale
    ),
    "proportioning_scale_percent": _device(
        "uncertainty.hopper_scale_percent", "weigh hopper", lambda site: site.params.uncertainty.hopper_scale
    ),
    "calibration_percent": _device(
        "uncertainty.hopper_scale_percent", "weigh hopper", lambda site: site.params.uncertainty.hopper_scale
    ),
    "binder_meter_percent": _device(
        "uncertainty.binder_meter_percent", "binder meter", lambda site: site.params.uncertainty.binder_meter
    ),
    "interlocked": _interlocked,
    "proportional_to_dry_aggregate": _proportional,
    "low_level_indicator": _low_level,
    "no_flow_indicator": _no_flow,
    "feed_rate_printed": _printed,
    "feed_rate_interval_s": _interval,
    "record_interval_s": _interval,
    "simulation_marked": _marked,
}
