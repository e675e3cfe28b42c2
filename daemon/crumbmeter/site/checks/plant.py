"""Cross checks of streams, mixes and the plant: what is corrected where, and what the dose comes to. Pure."""

from crumbmeter.model.units import UNITS
from crumbmeter.process.dose import Mix, rubber_for
from crumbmeter.process.params import DoseBasis
from crumbmeter.site.checks.ranges import check_order
from crumbmeter.site.draft import Draft
from crumbmeter.site.keys.plant import MixKeys, StreamKeys, TravelKeys
from crumbmeter.site.lines import KeyPath

DOSE_REFUSED_ABOVE = 0.05
"""[fraction of mix] Own limit, above the classic dry process (1-3 % of aggregate, FHWA-RD-97-148)."""
DOSE_USUAL = (0.0025, 0.01)
"""[fraction of mix] Modern dry process, from memory of the trade (no source)."""
LEAST_BINDER_PERCENT = 1.0
"""[percent of mix without rubber] Own limit."""
_TRAVEL_NEEDED = ("aggregate", "recycle")


def check_plant(draft: Draft) -> None:
    """Check streams and mixes."""
    rates: dict[str, str] = {}
    for name, stream in draft.sound("streams"):
        _corrections(draft, name, stream)
        _flows(draft, name, stream)
        if stream.rate in rates:
            expected = f"is already counted as the stream {rates[stream.rate]}"
            draft.say("counted-twice", ("streams", name, "rate"), expected)
        rates.setdefault(stream.rate, name)
    _streams_there(draft)
    _timing(draft)
    recipes: dict[int, str] = {}
    for name, mix in draft.sound("mixes"):
        _dose(draft, name, mix)
        _binder(draft, name, mix)
        if mix.plant_recipe is not None:
            if mix.plant_recipe in recipes:
                expected = f"is the number of the mix {recipes[mix.plant_recipe]} too"
                draft.say("recipe-twice", ("mixes", name, "plant_recipe"), expected)
            recipes.setdefault(mix.plant_recipe, name)
            if draft.plant is not None and draft.plant.recipe is None:
                expected = "needs the signal plant.recipe to be compared with"
                draft.say("needs-other-key", ("mixes", name, "plant_recipe"), expected)


def _streams_there(draft: Draft) -> None:
    raw = [entry.get("kind") for entry in draft.raw("streams").values() if isinstance(entry, dict)]
    if not raw or any(not isinstance(kind, str) for kind in raw):
        return  # which kinds there are cannot be said yet
    if "binder" not in raw:
        draft.say("stream-missing", ("streams",), 'has no stream of kind "binder"')
    if not {"aggregate", "recycle"} & set(raw):
        draft.say("stream-missing", ("streams",), 'has no stream of kind "aggregate" or "recycle"')


def _timing(draft: Draft) -> None:
    """Check that the plant controller's timing of the binder is told of all material or of none."""
    travels = {name: stream.travel for name, stream in draft.sound("streams") if stream.travel is not None}
    told = [name for name, travel in travels.items() if travel.binder_drum_s is not None]
    for name in travels if told else ():
        if name not in told:
            remedy = f"Add binder_drum_s to [streams.{name}.travel], or take it out of {', '.join(told)}."
            expected = "is missing: binder is foreseen from all streams' timing, or from none's"
            draft.say("missing-key", ("streams", name, "travel", "binder_drum_s"), expected, remedy=remedy)


def _corrections(draft: Draft, name: str, stream: StreamKeys) -> None:
    """Check that nothing is corrected twice, and that nothing that must be corrected is left."""
    path = ("streams", name)
    _lag(draft, path, stream)
    if stream.kind == "binder":
        _binder_corrections(draft, path, stream)
    else:
        _water(draft, path, stream)
    if stream.kind == "recycle" and stream.binder_percent is None:
        remedy = f"Add binder_percent to [streams.{name}]."
        draft.say("missing-key", (*path, "binder_percent"), "is missing for recycle", remedy=remedy)
    if stream.kind != "recycle" and stream.binder_percent is not None:
        draft.say("not-for-kind", (*path, "binder_percent"), "only recycle carries binder", remedy="Take it out.")
    if stream.kind not in ("aggregate", "filler") and stream.wasted_fines_percent is not None:
        expected = "only aggregate and filler lose fines"
        draft.say("not-for-kind", (*path, "wasted_fines_percent"), expected, remedy="Take it out.")
    if stream.kind in _TRAVEL_NEEDED and stream.travel is None:
        remedy = f"Add [streams.{name}.travel]: belts, drum, and where their running is read."
        draft.say("missing-key", (*path, "travel"), f"is missing for {stream.kind}", remedy=remedy)


def _lag(draft: Draft, path: KeyPath, stream: StreamKeys) -> None:
    if stream.kind != "binder" and stream.lag_s is not None:
        draft.say("not-for-kind", (*path, "lag_s"), "only binder has a pump", remedy="Take it out.")


def _binder_corrections(draft: Draft, path: KeyPath, stream: StreamKeys) -> None:
    for key in ("state", "moisture_percent"):
        if getattr(stream, key) is not None:
            draft.say("not-for-kind", (*path, key), "binder holds no water", remedy="Take it out.")
    if stream.compensated is None:
        remedy = "Say compensated = true if the meter sends mass; ask the plant's technician, do not guess."
        draft.say("missing-key", (*path, "compensated"), "is missing for a binder", remedy=remedy)
    elif not stream.compensated:
        draft.say("binder-uncompensated", (*path, "compensated"), "binder must come as mass, corrected by its meter")


def _water(draft: Draft, path: KeyPath, stream: StreamKeys) -> None:
    if stream.compensated is not None:
        remedy = 'Take it out; dry tons are said by state = "dry".'
        draft.say("not-for-kind", (*path, "compensated"), f"{stream.kind} knows only wet and dry", remedy=remedy)
    if stream.state is None:
        remedy = 'Say state = "wet" or state = "dry"; ask the plant\'s technician, do not guess.'
        draft.say("missing-key", (*path, "state"), "is missing: wet or dry", remedy=remedy)
    if stream.state == "wet" and stream.moisture_percent is None:
        remedy = "Add moisture_percent, in percent of dry mass."
        draft.say("missing-key", (*path, "moisture_percent"), "is missing for a wet stream", remedy=remedy)
    if stream.state == "dry" and stream.moisture_percent is not None:
        expected = "the signal is dry already; the water would be taken off twice"
        draft.say("corrected-twice", (*path, "moisture_percent"), expected)


def _flows(draft: Draft, name: str, stream: StreamKeys) -> None:
    path = ("streams", name)
    if stream.kind == "binder":
        if stream.normal_flow is not None:
            draft.say("not-for-kind", (*path, "normal_flow"), "binder follows the mix", remedy="Take it out.")
    elif stream.normal_flow is None:
        remedy = f"Add normal_flow to [streams.{name}], in the unit of its rate's register."
        draft.say("missing-key", (*path, "normal_flow"), "is missing", remedy=remedy)
    check_order(draft, path, stream, "low_flow", "normal_flow")
    signal = draft.signals.get(stream.rate)
    if signal is None or signal.high is None:
        return
    if stream.low_flow >= signal.high:
        expected = f"must be below signals.{stream.rate}.high = {signal.high:g}"
        draft.say("low-high", (*path, "low_flow"), expected)
    if stream.normal_flow is not None and draft.plant is not None:
        highest = stream.normal_flow * draft.plant.highest_rate_percent / 100.0
        if highest > signal.high:
            expected = f"comes to {highest:g} at the plant's highest rate; the signal is Bad above {signal.high:g}"
            remedy = f"Raise signals.{stream.rate}.high, or correct the flow or plant.highest_rate_percent."
            draft.say("low-high", (*path, "normal_flow"), expected, remedy=remedy)


def share_of_mix(mix: MixKeys) -> float | None:
    """[fraction] Return the rubber's share of the mix with rubber, as if there were no recycle; None if unknown."""
    dose = mix.si_or_none("dose")
    if dose is None:
        return None
    binder = mix.total_binder_percent / 100.0
    rubber = rubber_for(DoseBasis(mix.dose_basis), dose, Mix(dry_aggregate=1.0 - binder, virgin_binder=binder))
    return rubber / (1.0 + rubber)


def _dose(draft: Draft, name: str, mix: MixKeys) -> None:
    given = [key for key in MixKeys.choices["dose"].names if getattr(mix, key) is not None]
    if len(given) != 1:
        return
    path = ("mixes", name, given[0])
    if given[0] != "dose_percent" and mix.dose_basis not in ("total_mix", "added_to_mix"):
        draft.say("dose-unit", path, f"is of mix, but dose_basis is {mix.dose_basis}")
        return
    share = share_of_mix(mix)
    if share is None:
        return
    if share > DOSE_REFUSED_ABOVE:
        draft.say(
            "dose-absurd",
            path,
            f"comes to {share:.1%} of the mix; more than {DOSE_REFUSED_ABOVE:.0%} is an entry error",
        )
    elif share > 0.0 and not DOSE_USUAL[0] <= share <= DOSE_USUAL[1]:
        draft.say("dose-unusual", path, f"comes to {share:.2%} of the mix; usual is 0.25 to 1 %")


def _binder(draft: Draft, name: str, mix: MixKeys) -> None:
    path = ("mixes", name, "total_binder_percent")
    if 0.0 < mix.total_binder_percent < LEAST_BINDER_PERCENT:
        expected = f"no mix has so little; from {LEAST_BINDER_PERCENT:g} on, or 0 for a dry cleaning run"
        draft.say("binder-none", path, expected)
    elif mix.total_binder_percent == 0.0 and mix.si_or_none("dose") != 0.0:
        draft.say("binder-none", path, "is a dry cleaning run, and this mix has a dose of rubber")


def check_line(draft: Draft) -> None:
    """Check that what `check` says of the conveying line can be said."""
    line = draft.line
    if line is None:
        return
    needed = ("inner_diameter_mm", "blower_air_m3_h", "particle_mm")
    missing = [key for key in needed if getattr(line, key) is None]
    for key in (*needed, "altitude_m", "air_temperature_c"):
        if missing and getattr(line, key) is not None:
            draft.say("needs-other-key", ("line", key), f"needs line.{missing[0]} to say anything of the line")


def check_drum(draft: Draft) -> None:
    """Check the drum's and the belts' nominal speeds against their signals, and that travel leaves time to feed."""
    drum = draft.drum
    if drum is not None:
        _inside(draft, ("drum", "nominal_speed_rpm"), drum.speed, "rpm", drum.nominal_speed_rpm)
    for name, stream in draft.sound("streams"):
        travel: TravelKeys | None = stream.travel
        if travel is None:
            continue
        path = ("streams", name, "travel")
        _inside(draft, (*path, "nominal_belt_speed_m_s"), travel.belt_speed, "m/s", travel.nominal_belt_speed_m_s)
        belt_s = travel.belt_length_m / travel.nominal_belt_speed_m_s
        if travel.scale_filter_s > 0.0 and travel.scale_filter_s >= belt_s:
            expected = f"must be shorter than the {belt_s:.1f} s on the belt"
            draft.say("period-order", (*path, "scale_filter_s"), expected)
        _in_time(draft, path, belt_s - travel.scale_filter_s + travel.drum_residence_s)


def _in_time(draft: Draft, path: KeyPath, travel_s: float) -> None:
    """Warn where material is at the injection point before rubber can be."""
    if draft.line is None or draft.feeder is None:
        return
    rubber_s = draft.line.travel_s + draft.feeder.auger_lag_s
    if travel_s < rubber_s:
        expected = f"material travels {travel_s:.1f} s from what the scale shows; rubber needs {rubber_s:.1f} s"
        draft.say("rubber-late", path, expected)


def _inside(draft: Draft, path: KeyPath, name: str | None, unit: str, value: float) -> None:
    """Check that a nominal value lies within the limits of the signal that measures it."""
    signal = draft.signals.get(name) if name else None
    register = draft.register_of_signal(name)
    if signal is None or register is None or signal.low is None or signal.high is None:
        return
    if UNITS[register.unit].dimension != UNITS[unit].dimension:
        return
    in_register = UNITS[register.unit].from_si(UNITS[unit].to_si(value))
    if not signal.low <= in_register <= signal.high:
        expected = f"is {in_register:g} {register.unit}, outside signals.{name} ({signal.low:g} to {signal.high:g})"
        draft.say("low-high", path, expected)
