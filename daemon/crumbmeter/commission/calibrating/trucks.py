"""What tests against a total have in common: the totaliser, the truck scale, and what a span has to become."""

from collections.abc import Sequence
from typing import Final

from crumbmeter.commission.calibrating.quantities import shown
from crumbmeter.commission.calibrating.steps import RUNNING_BELT, TRUCK, Entries, Field, Place, Shown, Step, Worked
from crumbmeter.commission.calibrating.tracks import Figure, Source, Watch
from crumbmeter.process.params import StreamParams
from crumbmeter.qc import belt_tests
from crumbmeter.qc.calibrations import Trial

MOST_TESTS: Final = 10.0


def numbers(entries: Entries) -> range:
    """Number the tests from 1."""
    return range(1, entries.count("tests") + 1)


def stream(place: Place) -> StreamParams:
    """Return the stream that is tested."""
    return next(one for one in place.site.params.streams if one.stream_id == place.instrument)


def totaliser(place: Place, rate: int) -> tuple[str, float]:
    """Return the signal of a rate's totaliser and what one count is [kg]; empty and 0 where the site has none."""
    found = next((one for one in place.site.params.totalisers if one.rate == rate), None)
    return ("", 0.0) if found is None else (found.totaliser_id, found.count_si)


def counted(place: Place, name: str, label: str, *, figure: Figure) -> Field:
    """Ask for what the stream's totaliser counted, or shows; the daemon says it where it reads one."""
    signal, _ = totaliser(place, stream(place).rate)
    source = Source(figure, signal) if signal else None
    return Field(name, label, "mass", source, help="Off the scale's own totaliser, or its test counter.")


def tests_field(default: int) -> Field:
    """Ask how many tests are made."""
    return Field("tests", "How many tests", "count", default=str(default), least=1.0, most=MOST_TESTS)


def truck_test(
    place: Place, at: int, entries: Entries, do: Sequence[str] = (), cautions: Sequence[str] = (RUNNING_BELT, TRUCK)
) -> tuple[Step, ...]:
    """Return the steps of one test over a truck scale: before, the load, after, the truck's weights."""
    named = f"Load {at} of {entries.count('tests')}"
    return (
        Step(
            f"{named}: before", ("Truck empty and weighed, nothing flowing. The totaliser is read now.", *do),
            (counted(place, f"test_{at}_before", "Totaliser before", figure=Figure.END),), tuple(cautions), Watch(),
        ),
        Step(
            f"{named}: run it", ("All that passes the instrument from now on must end in the truck, nothing else.",),
            (Field(f"test_{at}_loaded", "Is the load through, and does nothing flow", "yes"),), tuple(cautions),
        ),
        Step(
            f"{named}: after", ("The totaliser is read now.",),
            (counted(place, f"test_{at}_after", "Totaliser after", figure=Figure.END),), (), Watch(),
        ),
        Step(
            f"{named}: truck scale", ("As the certified scale's tickets say.",),
            (
                Field(f"test_{at}_gross", "Truck full", "mass", above=0.0),
                Field(f"test_{at}_tare", "Truck empty", "mass", above=0.0),
            ), tuple(cautions[1:]),
        ),
    )  # fmt: skip


def truck_trials(entries: Entries) -> list[Trial]:
    """Hold what the totaliser gained against the truck scale."""
    trials = []
    for at in numbers(entries):
        net = entries.needed(f"test_{at}_gross") - entries.needed(f"test_{at}_tare")
        indicated = entries.needed(f"test_{at}_after") - entries.needed(f"test_{at}_before")
        if net <= 0.0:
            raise ValueError(f"load {at}: the truck weighs no more full than empty")
        trials.append(Trial(net, indicated - net))
    return trials


def span_results(place: Place, entries: Entries, trials: Sequence[Trial], title: str) -> Worked:
    """Show what belt or meter indicated against what it was held against, and what its span has to become."""
    found = belt_tests.correction(trials)
    rows = [("test", "reference", "indicated", "error")]
    rows += [
        (
            str(at), shown(one.base_kg, "mass", metric=place.metric),
            shown(one.base_kg + one.error_kg, "mass", metric=place.metric), f"{one.error_percent:+.3f} %",
        )
        for at, one in enumerate(trials, start=1)
    ]  # fmt: skip
    figures = {"mean_error_percent": found.error_percent, "span_factor": found.factor}
    figures |= {} if found.spread_percent is None else {"spread_percent": found.spread_percent}
    old = entries.number("old_span")
    notes = [f"New span value = old span value x {found.factor:.5f}. It is set at the scale, not in the site file."]
    if old is not None:
        figures |= {"old_span": old, "new_span": old * found.factor}
        notes.append(f"The span value {old:.6g} becomes {old * found.factor:.6g}.")
    if place.legal:
        notes.append(
            f"Routine adjustment, NIST HB 44 UR.3.2 (from memory): {belt_tests.adjustment(found.error_percent)}."
        )
    return Worked(tuple(trials), figures, (Shown(title, tuple(rows)),), tuple(notes))
