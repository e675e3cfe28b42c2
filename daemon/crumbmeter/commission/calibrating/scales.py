"""Load cells and the binder meter, step by step: a weight at each corner, weights on and off, binder over a scale."""

from typing import Final

from crumbmeter.commission.calibrating.quantities import factor_of, shown, unit_of
from crumbmeter.commission.calibrating.steps import (
    AUGER,
    HOT,
    LAST,
    TRUCK,
    WEIGHTS,
    Entries,
    Field,
    Place,
    Procedure,
    Shown,
    Step,
    Worked,
)
from crumbmeter.commission.calibrating.tracks import Figure, Source, Watch
from crumbmeter.commission.calibrating.trucks import span_results, tests_field, truck_test, truck_trials
from crumbmeter.process.params import StreamKind
from crumbmeter.qc import load_cell_tests
from crumbmeter.qc.calibrations import CalibrationKind
from crumbmeter.report.form_texts import FormRefusedError
from crumbmeter.site import Site

LOOK: Final = Watch(seconds=3.0)
"""A look at a scale that has come to rest: the mean of some seconds."""
REST: Final = "Wait until the reading stands still. Nobody leans on the hopper."
MOST_LOADS: Final = 12


def hoppers(site: Site) -> tuple[str, ...]:
    """Name the signals of the scales under the hoppers."""
    params = site.params
    indices = (params.weighing.hopper_mass, params.contacts.supply_mass)
    return tuple(params.sources[one].signal_id for one in indices if one is not None)


def _look(place: Place, name: str, label: str) -> Field:
    return Field(name, label, "mass", Source(Figure.MEAN, place.instrument), help="Off the scale's display.")


def _shift_steps(place: Place, entries: Entries) -> tuple[Step, ...]:
    plan = Step(
        "What is put on",
        ("One known weight goes from corner to corner: over each load cell, or hung on each mount.",),
        (
            Field("weight", "The weight", "mass", above=0.0),
            Field("corners", "How many corners", "count", default="4", least=2.0, most=8.0),
        ),
        (WEIGHTS, AUGER),
    )
    if any(one.name not in entries for one in plan.fields):
        return (plan,)
    empty = Step("Before", ("Nothing is put on yet.", REST), (_look(place, "before", "Shown before"),), (), LOOK)
    corners = (
        Step(f"Corner {at}", (f"The weight on corner {at}.", REST), (_look(place, f"corner_{at}", "Shown"),),
             (WEIGHTS,), LOOK)
        for at in range(1, entries.count("corners") + 1)
    )  # fmt: skip
    return (plan, empty, *corners, LAST)


def _shift_work(place: Place, entries: Entries) -> Worked:
    names = [f"corner_{at}" for at in range(1, entries.count("corners") + 1)]
    found = load_cell_tests.shift(
        entries.needed("weight"), entries.needed("before"), {name: entries.needed(name) for name in names}
    )
    rows = [("corner", "weight", "shown more", "error")]
    rows += [
        (
            name.removeprefix("corner_"), shown(one.base_kg, "mass", metric=place.metric),
            shown(one.base_kg + one.error_kg, "mass", metric=place.metric), f"{one.error_percent:+.3f} %",
        )
        for name, one in zip(names, found.trials, strict=True)
    ]  # fmt: skip
    notes = (f"Between the corners {found.spread_percent:.3f} %; the worst is {found.worst_corner.replace('_', ' ')}.",)
    return Worked(
        found.trials, {"corner_spread_percent": found.spread_percent}, (Shown("Corners", tuple(rows)),), notes
    )


def _loads_kg(place: Place, entries: Entries) -> tuple[float, ...]:
    """[kg] Return the loads wanted.

    Raises:
        FormRefusedError: they are no rising loads.
    """
    factor = factor_of(unit_of("mass", metric=place.metric))
    words = entries.text("loads").replace(",", " ").split()
    try:
        loads = tuple(float(word) * factor for word in words)
    except ValueError:
        loads = ()
    rising = all(early < late for early, late in zip((0.0, *loads), loads, strict=False))
    if not loads or len(loads) > MOST_LOADS or not rising or loads[-1] > 1e6:
        unit = unit_of("mass", metric=place.metric)
        expected = f"up to {MOST_LOADS} rising loads in {unit}, parted by spaces"
        raise FormRefusedError("loads", repr(entries.text("loads")), expected, "Such as: 100 200 300 400 500")
    return loads


def _weights_steps(place: Place, entries: Entries) -> tuple[Step, ...]:
    unit = unit_of("mass", metric=place.metric)
    plan = Step(
        "What is put on",
        ("Certified weights, evenly over the hopper, up to its normal content.",),
        (
            Field("loads", f"Loads in {unit}, rising: all weights then on together", "text",
                  help="Such as: 100 200 300 400 500"),
            Field("also_off", "Also read while they come off (hysteresis)", "yes", default="yes"),
        ),
        (WEIGHTS, AUGER),
    )  # fmt: skip
    if any(one.name not in entries for one in plan.fields):
        return (plan,)
    loads = _loads_kg(place, entries)
    empty = Step("Before", ("Nothing is put on yet.", REST), (_look(place, "before", "Shown before"),), (), LOOK)
    up = [_load(place, f"up_{at}", kg, "on") for at, kg in enumerate(loads, start=1)]
    down = [_load(place, f"down_{at}", kg, "left on") for at, kg in enumerate(loads[:-1], start=1)][::-1]
    after = Step("After", ("All weights are off.", REST), (_look(place, "after", "Shown after"),), (WEIGHTS,), LOOK)
    return (plan, empty, *up, *(down if entries.yes("also_off") else ()), after, LAST)


def _load(place: Place, name: str, load_kg: float, word: str) -> Step:
    words = shown(load_kg, "mass", metric=place.metric)
    return Step(
        f"{words} {word}", (f"{words} of weights {word}.", REST), (_look(place, name, "Shown"),), (WEIGHTS,), LOOK
    )


def _weights_work(place: Place, entries: Entries) -> Worked:
    loads = _loads_kg(place, entries)
    rising = [(kg, entries.needed(f"up_{at}")) for at, kg in enumerate(loads, start=1)]
    falling = (
        [(kg, entries.needed(f"down_{at}")) for at, kg in enumerate(loads[:-1], start=1)][::-1]
        if entries.yes("also_off")
        else []
    )
    found = load_cell_tests.weights(entries.needed("before"), rising, falling, entries.needed("after"))
    words = ["on"] * len(rising) + ["coming off"] * len(falling)
    rows = [("weights", "", "shown more", "error")]
    rows += [
        (
            shown(one.base_kg, "mass", metric=place.metric), word,
            shown(one.base_kg + one.error_kg, "mass", metric=place.metric), f"{one.error_percent:+.3f} %",
        )
        for word, one in zip(words, found.trials, strict=True)
    ]  # fmt: skip
    figures = {"zero_return_percent": found.zero_return_percent, "linearity_percent": found.linearity_percent}
    notes = [
        f"Zero return {found.zero_return_percent:.3f} %, linearity {found.linearity_percent:.3f} % of the largest load."
    ]
    if found.hysteresis_percent is not None:
        figures["hysteresis_percent"] = found.hysteresis_percent
        notes.append(f"Hysteresis {found.hysteresis_percent:.3f} % of the largest load.")
    return Worked(found.trials, figures, (Shown("Test weights", tuple(rows)),), tuple(notes))


def _meters(site: Site) -> tuple[str, ...]:
    return tuple(one.stream_id for one in site.params.streams if one.kind is StreamKind.BINDER)


def _binder_steps(place: Place, entries: Entries) -> tuple[Step, ...]:
    plan = Step(
        "What is tested",
        ("Binder through the meter into a tank truck that was weighed empty on the certified scale just before.",),
        (Field("old_span", "Factor in the meter now", "number", required=False, above=0.0), tests_field(3)),
        (HOT, TRUCK),
    )
    if any(one.name not in entries for one in plan.fields):
        return (plan,)
    numbers = range(1, entries.count("tests") + 1)
    tests = (step for at in numbers for step in truck_test(place, at, entries, cautions=(HOT, TRUCK)))
    return (plan, *tests, LAST)


def _binder_work(place: Place, entries: Entries) -> Worked:
    return span_results(place, entries, truck_trials(entries), "Binder over the truck scale")


CELL_SHIFT: Final = Procedure(
    "cell-shift", CalibrationKind.LOAD_CELL_SHIFT, "one weight at each corner of a hopper", hoppers, _shift_steps,
    _shift_work,
)  # fmt: skip
CELL_WEIGHTS: Final = Procedure(
    "cell-weights", CalibrationKind.LOAD_CELL, "test weights on a hopper, on and off again", hoppers, _weights_steps,
    _weights_work,
)  # fmt: skip
BINDER: Final = Procedure(
    "binder-meter", CalibrationKind.BINDER_METER, "binder over a certified truck scale", _meters, _binder_steps,
    _binder_work,
)  # fmt: skip
