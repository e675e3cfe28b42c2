"""Cross checks that need a whole plant: whether the feeder reaches the doses, and whether the links carry the reads."""

from crumbmeter.field.plan import bus_load, make_plan
from crumbmeter.field.spec import DeviceSpec, OutputSpec, SignalSource
from crumbmeter.model.units import UNITS
from crumbmeter.process.params import DoseBasis, StreamKind
from crumbmeter.site.build_devices import device_spec
from crumbmeter.site.checks.plant import DOSE_REFUSED_ABOVE, share_of_mix
from crumbmeter.site.checks.ranges import to_si
from crumbmeter.site.draft import Draft
from crumbmeter.site.figures import DryFlow, rubber_kg_s, scaled
from crumbmeter.site.keys.plant import MixKeys

LOAD_REFUSED_ABOVE = 0.70
"""[fraction] Of an endpoint's time (REQ-39)."""


def check_reach(draft: Draft) -> None:
    """Check every mix against what the feeder can do at the plant's rates."""
    flows = _dry_flows(draft)
    feeder, plant = draft.feeder, draft.plant
    if flows is None or feeder is None or plant is None:
        return
    limit, factor = feeder.si_or_none("max_rate"), feeder.si_or_none("feed_factor")
    if limit is None or factor is None:
        return
    least = factor * feeder.min_speed_rpm / 60.0
    lowest, highest = plant.lowest_rate_percent / 100.0, plant.highest_rate_percent / 100.0
    for name, mix in draft.sound("mixes"):
        dose = mix.si_or_none("dose")
        share = share_of_mix(mix)
        if dose is None or share is None or not 0.0 < share <= DOSE_REFUSED_ABOVE:
            continue
        wanted = _wanted(flows, mix, dose, (lowest, 1.0, highest))
        key = next(key for key in mix.choices["dose"].names if getattr(mix, key) is not None)
        path = ("mixes", name, key)
        if wanted[1] > limit:
            words = f"asks for {_rate(wanted[1])} at the normal rate; feeder.max_rate is {_rate(limit)}"
            draft.say("dose-unreachable", path, words)
        elif wanted[2] > limit:
            words = f"asks for {_rate(wanted[2])} at the highest rate; feeder.max_rate is {_rate(limit)}"
            draft.say("dose-cut", path, words)
        if wanted[0] < least:
            words = (
                f"asks for {_rate(wanted[0])} at the lowest rate; the auger's lowest steady speed gives {_rate(least)}"
            )
            draft.say("below-turndown", path, words)


def _rate(kg_s: float) -> str:
    return f"{kg_s * 60:.2f} kg/min ({UNITS['lb/min'].from_si(kg_s):.1f} lb/min)"


def _wanted(flows: list[DryFlow], mix: MixKeys, dose: float, factors: tuple[float, ...]) -> list[float]:
    basis = DoseBasis(mix.dose_basis)
    content = mix.total_binder_percent / 100.0
    return [rubber_kg_s(scaled(flows, factor), content, basis, dose) for factor in factors]


def _dry_flows(draft: Draft) -> list[DryFlow] | None:
    """Return the streams at the normal rate, or None where any of them has a mistake."""
    flows = []
    if not draft.streams:
        return None
    for stream in draft.streams.values():
        if stream is None:
            return None
        if stream.kind == "binder":
            continue
        register = draft.register_of_signal(stream.rate)
        if register is None or stream.normal_flow is None or UNITS[register.unit].dimension != "mass_flow":
            return None
        moisture = (stream.moisture_percent or 0.0) / 100.0 if stream.state == "wet" else 0.0
        kept = 1.0 - (stream.wasted_fines_percent or 0.0) / 100.0
        dry = to_si(register, stream.normal_flow) / (1.0 + moisture) * kept
        flows.append(DryFlow(StreamKind(stream.kind), dry, (stream.binder_percent or 0.0) / 100.0))
    return flows


def check_load(draft: Draft) -> None:
    """Estimate the load of each endpoint from whatever of the plan can be made out (REQ-39)."""
    devices: list[DeviceSpec] = []
    index: dict[str, int] = {}
    for name, keys in draft.sound("devices"):
        profile = draft.profiles.get(keys.profile)
        if profile is not None and profile.keys is not None:
            index[name] = len(devices)
            devices.append(device_spec(name, keys, profile.keys))
    sources = []
    for name, signal in draft.sound("signals"):
        device, register = signal.source.split(".")[0], draft.register(signal.source)
        if device in index and register is not None:
            period_s = signal.period_s or draft.devices[device].poll_period_s  # type: ignore[union-attr]
            sources.append(SignalSource(name, index[device], register, period_s))
    outputs = []
    for role, output in draft.sound("outputs"):
        device, register = output.register_.split(".")[0], draft.register(output.register_)
        if device in index and register is not None:
            confirm_s = output.confirm_within_s
            outputs.append(OutputSpec(role, index[device], register, 0.0, 0.0, confirm_within_s=confirm_s))
    if draft.site is None:
        return
    plan = make_plan(devices, sources, outputs)
    for load in bus_load(devices, plan, draft.site.exchange_estimate_ms / 1000.0):
        if load.share > LOAD_REFUSED_ABOVE:
            name = next(device.device_id for device in devices if device.endpoint == load.endpoint)
            expected = (
                f"{load.requests_per_s:.3g} reads/s on {load.endpoint} would take {load.share:.0%} of its time; "
                f"at most {LOAD_REFUSED_ABOVE:.0%}"
            )
            draft.say("bus-overload", ("devices", name, "poll_period_s"), expected)
