"""The three tests of a belt scale, step by step: empty belt, simulated load, material over a certified truck scale."""

from collections.abc import Sequence
from typing import Final

from crumbmeter.commission.calibrating.quantities import shown
from crumbmeter.commission.calibrating.steps import (
    LAST,
    LOCK_OUT,
    RUNNING_BELT,
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
from crumbmeter.commission.calibrating.trucks import (
    counted,
    numbers,
    span_results,
    stream,
    tests_field,
    totaliser,
    truck_test,
    truck_trials,
)
from crumbmeter.process.params import StreamKind
from crumbmeter.qc import belt_tests
from crumbmeter.qc.calibrations import CalibrationKind, Trial
from crumbmeter.site import Site

WEIGHTS_METHOD: Final = "weights"
CHAIN_METHOD: Final = "chain"
WHOLE: Final = 0.05
"""A test that ends so much of a revolution beside a whole one is said to."""


def belts(site: Site) -> tuple[str, ...]:
    """Name the streams that come over a belt scale."""
    return tuple(one.stream_id for one in site.params.streams if one.kind is not StreamKind.BINDER)


BELT: Final = Field("belt_length", "Whole length of the belt, once round", "length", above=0.0)


def _speed_step(place: Place) -> Step:
    speed = place.signal(stream(place).belt_speed)
    source = Source(Figure.MEAN, speed) if speed else None
    return Step(
        "Belt speed", ("Run the belt, empty, until it is warm and steady.",),
        (Field("speed", "Belt speed", "speed", source, above=0.0),), (RUNNING_BELT,), Watch(seconds=5.0),
    )  # fmt: skip


def _zero_steps(place: Place, entries: Entries) -> tuple[Step, ...]:
    plan = Step(
        "What is tested",
        ("Have the scale's nameplate at hand.",),
        (
            Field("capacity", "Rated capacity of the scale", "flow", above=0.0),
            BELT,
            Field("shortest", "Shortest time of one test", "time", default="10", above=0.0),
            tests_field(3 if place.legal else 1),
        ),
    )
    if not _entered(entries, plan):
        return (plan,)
    first = (plan, _speed_step(place))
    if "speed" not in entries:
        return first
    seconds = belt_tests.whole_revolutions_s(
        entries.needed("shortest"), entries.needed("speed"), entries.needed("belt_length")
    )
    tests = (_zero_test(place, at, seconds, entries) for at in numbers(entries))
    return (*first, *tests, LAST)


def _zero_test(place: Place, at: int, seconds: float, entries: Entries) -> Step:
    turns = belt_tests.revolutions(seconds, entries.needed("speed"), entries.needed("belt_length"))
    params = stream(place)
    speed = place.signal(params.belt_speed)
    fields = [
        Field(f"test_{at}_duration", "Length of the test", "time", Source(Figure.DURATION), above=0.0),
        counted(place, f"test_{at}_change", "Gained by the totaliser", figure=Figure.CHANGE),
        Field(f"test_{at}_flow", "Rate shown meanwhile, on average", "flow",
              Source(Figure.MEAN, place.signal(params.rate)), required=False),
    ]  # fmt: skip
    if speed:
        mean = Source(Figure.MEAN, speed)
        fields.append(Field(f"test_{at}_speed", "Belt speed meanwhile, on average", "speed", mean, required=False))
    return Step(
        f"Zero test {at} of {entries.count('tests')}",
        (
            "Belt empty and running, gates shut, nothing stuck to it. Do not touch the scale.",
            f"{seconds:.0f} s are watched: {turns:.0f} whole revolutions.",
        ),
        tuple(fields), (RUNNING_BELT,), Watch(seconds=seconds),
    )  # fmt: skip


def _zero_work(place: Place, entries: Entries) -> Worked:
    capacity = entries.needed("capacity")
    trials = tuple(
        belt_tests.zero_trial(capacity, entries.needed(f"test_{at}_duration"), entries.needed(f"test_{at}_change"))
        for at in numbers(entries)
    )
    notes = _zero_notes(place, entries, trials)
    rows = [("test", "time", "revolutions", "gained", "of full scale")]
    for at, trial in zip(numbers(entries), trials, strict=True):
        seconds = entries.needed(f"test_{at}_duration")
        rows.append(
            (
                str(at), f"{seconds:.0f} s", f"{_turns(entries, at, seconds):.2f}",
                shown(trial.error_kg, "mass", metric=place.metric), f"{trial.error_percent:+.3f} %",
            )
        )  # fmt: skip
    worst = max((one.error_percent for one in trials), key=abs)
    return Worked(trials, {"zero_change_percent": worst}, (Shown("Zero tests", tuple(rows)),), notes)


def _turns(entries: Entries, at: int, seconds: float) -> float:
    speed = entries.number(f"test_{at}_speed") or entries.needed("speed")
    return belt_tests.revolutions(seconds, speed, entries.needed("belt_length"))


def _zero_notes(place: Place, entries: Entries, trials: Sequence[Trial]) -> tuple[str, ...]:
    notes = []
    for at, trial in enumerate(trials, start=1):
        turns = _turns(entries, at, entries.needed(f"test_{at}_duration"))
        if abs(turns - round(turns)) > WHOLE:
            notes.append(f"Test {at} took {turns:.2f} revolutions: the seam of the belt counts for a part of it.")
        flow = entries.number(f"test_{at}_flow")
        if flow is not None and abs(flow) >= stream(place).low_flow_kg_s > 0.0:
            notes.append(f"Test {at}: the rate shown was {shown(flow, 'flow', metric=place.metric)}. Was it empty?")
        _, step_kg = totaliser(place, stream(place).rate)
        limit = place.limit_percent(CalibrationKind.BELT_ZERO)
        finest = 100.0 * step_kg / trial.base_kg
        by_daemon = entries.kept[f"test_{at}_change"].by == "daemon"
        if by_daemon and step_kg > 0.0 and (limit is None or finest > limit):
            notes.append(
                f"Test {at}: one count of the totaliser is {finest:.3f} % of full scale, so that no finer change can "
                "be seen. Read the scale's own test counter where the limit is finer."
            )
    return tuple(notes)


def _span_steps(place: Place, entries: Entries) -> tuple[Step, ...]:
    how = Step(
        "What is put on",
        ("Weights hung on the weigh frame, or a chain that lies on the belt.",),
        (
            Field("method", "Weights or chain", "choice", choices=(WEIGHTS_METHOD, CHAIN_METHOD)),
            BELT,
            Field("turns_wanted", "Revolutions of one test", "count", default="3", least=1.0, most=100.0),
            Field("old_span", "Span value in the scale now", "number", required=False, above=0.0),
            tests_field(3),
        ),
    )
    if not _entered(entries, how):
        return (how,)
    first = (how, _load_step(entries), _speed_step(place))
    if not all(_entered(entries, step) for step in first):
        return first
    seconds = entries.count("turns_wanted") * entries.needed("belt_length") / entries.needed("speed")
    tests = (_span_test(place, at, seconds, entries) for at in numbers(entries))
    off = Step(
        "Take it off", ("Stop and lock out the belt, and take weights or chain off.",),
        (Field("taken_off", "Is all of it off", "yes"),), (LOCK_OUT, WEIGHTS),
    )  # fmt: skip
    return (*first, *tests, off, LAST)


def _load_step(entries: Entries) -> Step:
    if entries.text("method") == CHAIN_METHOD:
        fields: tuple[Field, ...] = (
            Field("chain_load", "Load of the chain, by its certificate", "line load", above=0.0),
        )
        do = "Stop and lock out the belt, lay the chain over the weigh span and fix it."
    else:
        fields = (
            Field("weights", "Weights hung on, all together", "mass", above=0.0),
            Field("weigh_span", "Weigh span: idlers on the scale times their spacing", "length", above=0.0),
        )
        do = "Stop and lock out the belt, hang the weights on, look that nothing touches the frame."
    return Step("Put the load on", (do, "Take the lock off and start the belt, empty."), fields, (LOCK_OUT, WEIGHTS))


def _span_test(place: Place, at: int, seconds: float, entries: Entries) -> Step:
    return Step(
        f"Simulated load {at} of {entries.count('tests')}",
        (
            f"{seconds:.0f} s are watched, {entries.count('turns_wanted')} revolutions by the belt's speed.",
            "Count them by a mark on the belt, if you can: type what you counted.",
        ),
        (
            Field(f"test_{at}_duration", "Length of the test", "time", Source(Figure.DURATION), above=0.0),
            counted(place, f"test_{at}_indicated", "Gained by the totaliser", figure=Figure.CHANGE),
            Field(f"test_{at}_turns", "Revolutions counted (left out: by speed and time)", "turns", required=False,
                  above=0.0),
        ),
        (RUNNING_BELT,), Watch(seconds=seconds),
    )  # fmt: skip


def _span_work(place: Place, entries: Entries) -> Worked:
    load = entries.number("chain_load")
    if load is None:
        load = belt_tests.weights_load_kg_m(entries.needed("weights"), entries.needed("weigh_span"))
    trials = []
    for at in numbers(entries):
        turns = entries.number(f"test_{at}_turns")
        seconds = entries.needed(f"test_{at}_duration")
        travel = entries.needed("speed") * seconds if turns is None else turns * entries.needed("belt_length")
        trials.append(belt_tests.simulated_trial(load, travel, entries.needed(f"test_{at}_indicated")))
    worked = span_results(place, entries, trials, "Simulated load tests")
    notes = [f"The load on the belt counts as {shown(load, 'line load', metric=place.metric)}."]
    if entries.yes("taken_off") is not True:
        notes.append("It is not said that the load is off the belt.")
    figures = dict(worked.figures) | {"load_kg_m": load}
    return Worked(worked.trials, figures, worked.tables, (*notes, *worked.notes))


def _material_steps(place: Place, entries: Entries) -> tuple[Step, ...]:
    plan = Step(
        "What is tested",
        ("Material over the belt into a truck that was weighed empty on the certified scale just before.",),
        (
            Field(
                "capacity", "Rated capacity of the scale (for the rates to test at)", "flow", required=False, above=0.0
            ),
            Field("old_span", "Span value in the scale now", "number", required=False, above=0.0),
            tests_field(3),
        ),
    )
    if not _entered(entries, plan):
        return (plan,)
    tests = (step for at in numbers(entries) for step in truck_test(place, at, entries, _rates(place, entries)))
    return (plan, *tests, LAST)


def _rates(place: Place, entries: Entries) -> tuple[str, ...]:
    capacity = entries.number("capacity")
    flows = dict(zip((one.stream_id for one in place.site.params.streams), place.site.normal.flows_kg_s, strict=False))
    normal = flows.get(place.instrument)
    if capacity is None or normal is None:
        return ()
    words = ", ".join(shown(one, "flow", metric=place.metric) for one in belt_tests.rates_to_test(capacity, normal))
    return (f"Rates to test at (NIST HB 44 2.21 N.2): {words}.",)


def _material_work(place: Place, entries: Entries) -> Worked:
    worked = span_results(place, entries, truck_trials(entries), "Material over the truck scale")
    return Worked(worked.trials, worked.figures, worked.tables, (*worked.notes, *_least_load(place, entries, worked)))


def _least_load(place: Place, entries: Entries, worked: Worked) -> tuple[str, ...]:
    """Say where a load was below the least test load of the law, for a scale that is legal for trade."""
    _, step_kg = totaliser(place, stream(place).rate)
    capacity = entries.number("capacity")
    if not place.legal or capacity is None:
        return ()
    least = belt_tests.least_test_load_kg(step_kg, capacity, 0.0)
    small = [str(at) for at, one in enumerate(worked.trials, start=1) if one.base_kg < least]
    words = f"Least test load (NIST HB 44, from memory, without the belt's revolution): {least:.0f} kg."
    return (words + (f" Below it: load {', '.join(small)}." if small else ""),)


def _entered(entries: Entries, step: Step) -> bool:
    return all(one.name in entries for one in step.fields)


BELT_ZERO: Final = Procedure(
    "belt-zero", CalibrationKind.BELT_ZERO, "what the totaliser gains on an empty belt", belts, _zero_steps, _zero_work
)
BELT_SPAN: Final = Procedure(
    "belt-span", CalibrationKind.BELT_SPAN, "weights or a chain on the running belt", belts, _span_steps, _span_work
)
BELT_MATERIAL: Final = Procedure(
    "belt-material", CalibrationKind.BELT_MATERIAL, "material over a certified truck scale", belts, _material_steps,
    _material_work,
)  # fmt: skip
