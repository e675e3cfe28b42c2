"""Cross checks of a batch plant: what is corrected where, and whether a charge fits vessel, hopper and window. Pure."""

from crumbmeter.field.words_codes import raw_range
from crumbmeter.model.outputs import OutputRole
from crumbmeter.model.units import UNITS
from crumbmeter.process.batch import release_s
from crumbmeter.process.dose import rubber_for
from crumbmeter.process.params import DoseBasis
from crumbmeter.site.checks.ranges import check_order
from crumbmeter.site.draft import Draft
from crumbmeter.site.figures import normal_batch
from crumbmeter.site.keys.batch import BatchKeys, IngredientKeys
from crumbmeter.site.keys.feed import FeederKeys
from crumbmeter.site.lines import KeyPath

NEEDED = (OutputRole.RELEASE, OutputRole.CHARGE_READY, OutputRole.CHARGE_DELIVERED)
"""Outputs without which control of a batch plant is not allowed."""
OF_BATCHES = (*NEEDED, OutputRole.REFILL)
HUNDRED = 0.5
"""[percent] By so much the shares of a batch may miss the whole."""


def check_batch(draft: Draft) -> None:
    """Check a batch plant."""
    _outputs(draft)
    if not draft.makes_batches:
        return
    _ingredients(draft)
    batch, feeder = draft.batch, draft.feeder
    if batch is None:
        return
    path: KeyPath = ("batch",)
    check_order(draft, path, batch, "vessel_empty", "vessel_full")
    check_order(draft, path, batch, "dribble_rate", "dose_rate")
    _counter(draft, batch)
    if feeder is not None:
        _rates(draft, batch, feeder)
    _charges(draft, batch, feeder)


def _outputs(draft: Draft) -> None:
    there = draft.raw("outputs")
    if not draft.makes_batches:
        for role in OF_BATCHES:
            if role.value in there:
                draft.say("output-unused", ("outputs", role.value), "is never written at a drum plant")
        return
    if draft.control is None or not draft.control.allowed:
        return
    for role in NEEDED:
        if role.value not in there:
            remedy = f"Add [outputs.{role.value}], or set control.allowed = false."
            draft.say("output-missing", ("control", "allowed"), f"needs the output {role.value}", remedy=remedy)


def _ingredients(draft: Draft) -> None:
    masses: dict[str, str] = {}
    for name, part in draft.sound("ingredients"):
        _corrections(draft, name, part)
        if part.mass in masses:
            expected = f"is already weighed as the ingredient {masses[part.mass]}"
            draft.say("counted-twice", ("ingredients", name, "mass"), expected)
        masses.setdefault(part.mass, name)
    raw = [entry for entry in draft.raw("ingredients").values() if isinstance(entry, dict)]
    kinds = [entry.get("kind") for entry in raw]
    if raw and all(isinstance(kind, str) for kind in kinds):
        if "binder" not in kinds:
            draft.say("stream-missing", ("ingredients",), 'has no ingredient of kind "binder"')
        if not {"aggregate", "recycle"} & set(kinds):
            draft.say("stream-missing", ("ingredients",), 'has no ingredient of kind "aggregate" or "recycle"')
    announced = ["announced" in entry for entry in raw]
    if any(announced) and not all(announced):
        name = next(n for n, e in draft.raw("ingredients").items() if isinstance(e, dict) and "announced" not in e)
        remedy = "Name what the plant announces of every ingredient, or of none."
        draft.say("missing-key", ("ingredients", name, "announced"), "is missing, and others have it", remedy=remedy)
    _shares(draft)


def _shares(draft: Draft) -> None:
    parts = draft.ingredients
    if not parts or any(part is None for part in parts.values()):
        return
    solids = [(name, part.share_percent) for name, part in draft.sound("ingredients") if part.kind != "binder"]
    shares = [share for _, share in solids if share is not None]
    if len(shares) == len(solids) and solids and abs(sum(shares) - 100.0) > HUNDRED:
        expected = f"all shares of the solids come to {sum(shares):g} %, not to 100"
        draft.say("low-high", ("ingredients", solids[-1][0], "share_percent"), expected)


def _corrections(draft: Draft, name: str, part: IngredientKeys) -> None:
    """Check that nothing is corrected twice, and that nothing that must be corrected is left."""
    path: KeyPath = ("ingredients", name)
    dry_kinds = {"binder": "binder holds no water", "aggregate": "hot-bin weights are dry", "filler": "filler is dry"}
    if part.kind in dry_kinds:
        if part.state == "wet" or part.moisture_percent is not None:
            key = "moisture_percent" if part.moisture_percent is not None else "state"
            expected = f"{dry_kinds[part.kind]}; water would be taken off twice"
            draft.say("corrected-twice", (*path, key), expected)
    else:
        _water(draft, path, part)
    if part.kind == "recycle" and part.binder_percent is None:
        remedy = f"Add binder_percent to [ingredients.{name}]."
        draft.say("missing-key", (*path, "binder_percent"), "is missing for recycle", remedy=remedy)
    if part.kind != "recycle" and part.binder_percent is not None:
        draft.say("not-for-kind", (*path, "binder_percent"), "only recycle carries binder", remedy="Take it out.")
    if part.kind == "binder" and part.share_percent is not None:
        draft.say("not-for-kind", (*path, "share_percent"), "binder follows the mix", remedy="Take it out.")
    if part.kind != "binder" and part.share_percent is None:
        remedy = f"Add share_percent to [ingredients.{name}]."
        draft.say("missing-key", (*path, "share_percent"), "is missing", remedy=remedy)


def _water(draft: Draft, path: KeyPath, part: IngredientKeys) -> None:
    if part.state is None:
        remedy = 'Say state = "wet" or state = "dry"; ask the plant\'s technician, do not guess.'
        draft.say("missing-key", (*path, "state"), "is missing: wet or dry", remedy=remedy)
    if part.state == "wet" and part.moisture_percent is None:
        remedy = "Add moisture_percent, in percent of dry mass."
        draft.say("missing-key", (*path, "moisture_percent"), "is missing for a wet ingredient", remedy=remedy)
    if part.state == "dry" and part.moisture_percent is not None:
        expected = "the weight is dry already; the water would be taken off twice"
        draft.say("corrected-twice", (*path, "moisture_percent"), expected)


def _counter(draft: Draft, batch: BatchKeys) -> None:
    register = draft.register_of_signal(batch.counter)
    if register is None:
        return
    top = raw_range(register)[1] + 1
    if batch.counter_wraps_at > top:
        draft.say("low-high", ("batch", "counter_wraps_at"), f"the register of {batch.counter} ends before {top}")


def _given(part: BatchKeys, quantity: str) -> str:
    return next((key for key in part.choices[quantity].names if getattr(part, key) is not None), quantity)


def _rates(draft: Draft, batch: BatchKeys, feeder: FeederKeys) -> None:
    """Check that the auger holds both rates of a charge."""
    dose, dribble = batch.si_or_none("dose_rate"), batch.si_or_none("dribble_rate")
    limit, factor = feeder.si_or_none("max_rate"), feeder.si_or_none("feed_factor")
    if dose is not None and limit is not None and dose > limit:
        expected = f"is above feeder.max_rate ({limit * 60.0:.1f} kg/min)"
        draft.say("rate-unreachable", ("batch", _given(batch, "dose_rate")), expected)
    least = None if factor is None else factor * feeder.min_speed_rpm / 60.0
    if dribble is not None and least is not None and dribble < least:
        expected = f"the auger's lowest steady speed gives {least * 60.0:.1f} kg/min"
        draft.say("rate-unreachable", ("batch", _given(batch, "dribble_rate")), expected)
    slew, dribble_kg = feeder.si_or_none("slew"), batch.si_or_none("dribble")
    if None not in (dose, dribble, slew, dribble_kg):
        _slowing(draft, batch, (dose or 0.0, dribble or 0.0), slew or 1.0, dribble_kg or 0.0)


def _slowing(draft: Draft, batch: BatchKeys, rates: tuple[float, float], slew: float, dribble_kg: float) -> None:
    """Check that the last part of a charge holds the slowing down: a ramp from one rate to the other."""
    dose, dribble = rates
    ramp_kg = (dose * dose - dribble * dribble) / (2.0 * slew)
    if 0.0 < dribble_kg <= ramp_kg:
        key = _given(batch, "dribble")
        unit = "lb" if key.endswith("_lb") else "kg"
        expected = f"slowing down by feeder.slew takes {UNITS[unit].from_si(ramp_kg):.2f} {unit}"
        draft.say("low-high", ("batch", key), expected)


def _charges(draft: Draft, batch: BatchKeys, feeder: FeederKeys | None) -> None:
    """Check the charge of the largest batch of every mix against vessel, weigh hopper and window."""
    mix_kg = batch.si_or_none("normal_mix")
    full, rate = batch.si_or_none("vessel_full"), batch.si_or_none("release_rate")
    plant, line = draft.plant, draft.line
    parts = [part for _, part in draft.sound("ingredients")]
    sound = len(parts) == len(draft.ingredients) and all(p.kind == "binder" or p.share_percent for p in parts)
    if mix_kg is None or full is None or rate is None or plant is None or line is None or not parts or not sound:
        return
    for name, mix in draft.sound("mixes"):
        dose = mix.si_or_none("dose")
        if not dose:
            continue
        whole = normal_batch(parts, mix_kg * plant.highest_rate_percent / 100.0, mix.total_binder_percent / 100.0)
        charge_kg = rubber_for(DoseBasis(mix.dose_basis), dose, whole)
        path = ("mixes", name, next(key for key in mix.choices["dose"].names if getattr(mix, key) is not None))
        asks = f"asks for {charge_kg:.1f} kg ({UNITS['lb'].from_si(charge_kg):.1f} lb) in the largest batch"
        if charge_kg > full:
            draft.say("charge-too-large", path, f"{asks}; the vessel takes {full:.1f} kg")
        low, high = (None, None) if feeder is None else (feeder.si_or_none("low_mass"), feeder.si_or_none("full_mass"))
        if low is not None and high is not None and charge_kg > high - low:
            draft.say("charge-too-large", path, f"{asks}; the weigh hopper gives {high - low:.1f} kg at a time")
        takes_s = release_s(charge_kg, rate, line.travel_s, batch.tail_s)
        if takes_s > batch.longest_window_s:
            words = f"{asks}; blowing that in takes {takes_s:.0f} s, the window lasts {batch.longest_window_s:g} s"
            draft.say("charge-too-large", path, words)
