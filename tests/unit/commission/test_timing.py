"""Timing of a made run on a plant that is not as its site believes: what was identified holds the truth."""

from collections.abc import Iterator

import pytest

from crumbmeter.commission.timing import Outcome, TimedRun, timings_of
from crumbmeter.estimation.travel.findings import Findings
from crumbmeter.qc.timing import Basis, Figure, Timing
from crumbmeter.report.document import Chart
from crumbmeter.report.timing import document
from crumbmeter.runtime.travelrecord import TravelRecord
from tests.benchmarks import travel_runs
from tests.unit.report.production import FRAME

LONGER = {
    "drum.inlet_to_injection_s": 54.0, "drum.injection_to_outlet_s": 72.0, "drum.collar_to_injection_s": 21.6,
    "line.travel_s": 5.0,
}  # fmt: skip


@pytest.fixture(scope="module")
def gathered() -> TravelRecord:
    return travel_runs.gather(travel_runs.loop_of(LONGER, 7))


@pytest.fixture(scope="module")
def outcome(gathered: TravelRecord) -> Outcome:
    params = travel_runs.loop_of(LONGER, 7).site.params
    return timings_of(TimedRun("run", params, 100.0, gathered), 0.95, "ada", 1_790_000_000_000_000)


def figures(timings: tuple[Timing, ...]) -> Iterator[tuple[str, Figure]]:
    for one in timings:
        for figure in one.figures:
            yield figure.site_key or f"{one.about}: {figure.what}", figure


@pytest.mark.slow
def test_every_truth_lies_in_its_interval_and_the_basis_is_told(outcome: Outcome) -> None:
    found = dict(figures(outcome.timings))
    for key, true_s, basis in (
        ("streams.aggregate.travel.drum_residence_s", 54.0, Basis.GEOMETRY),
        ("streams.rap.travel.drum_residence_s", 21.6, Basis.GEOMETRY),
        ("drum.outlet_residence_s", 72.0, Basis.GEOMETRY),
        ("line.travel_s", 5.0, Basis.IDENTIFIED),
    ):
        one = found[key]
        assert one.low_s is not None
        assert one.high_s is not None
        assert one.low_s <= true_s <= one.high_s, key
        assert one.basis is basis, key
    assert found["line.travel_s"].agrees is False
    assert found["feeder.auger_lag_s"].agrees is True
    assert found["aggregate: scale to discharge current"].basis is Basis.IDENTIFIED
    steps = {one.about: one.steps for one in outcome.timings}
    assert [step.split(" at ")[0] for step in steps["drum"]] == ["start", "rate change", "rate change", "stop"]
    assert steps["drum"][0] == "start at 120 s"  # seconds of the run, not of the stretch


@pytest.mark.slow
def test_the_curves_show_the_delay_between_what_was_done_and_what_was_seen(outcome: Outcome) -> None:
    drawn = {one.about: one.curve for one in outcome.timings if one.curve is not None}
    assert set(drawn) == {"drum", "line", "auger"}
    for name, curve in drawn.items():
        pairs = [
            (seen, fitted)
            for seen, fitted in zip(curve.response_percent, curve.fitted_percent, strict=True)
            if seen is not None
        ]
        rms = (sum((seen - fitted) ** 2 for seen, fitted in pairs) / len(pairs)) ** 0.5
        assert rms < 5.0, name
        assert max(curve.fitted_percent) == pytest.approx(100.0, abs=1.0)
    made = document(FRAME, outcome.timings)
    charts = [one for one in made.blocks if isinstance(one, Chart)]
    assert [one.moments[0].name for one in charts] == ["step"] * 3
    assert made.blocks[0].title == "The site file disagrees with what was found"  # type: ignore[union-attr]


@pytest.mark.slow
def test_where_nothing_was_seen_the_site_files_figure_stands_as_assumed(gathered: TravelRecord) -> None:
    params = travel_runs.loop_of({}, 7).site.params
    empty = TravelRecord(params)
    told = timings_of(TimedRun("run", params, 0.0, empty), 0.95, "ada", 1)
    assert isinstance(told.found, Findings)
    sited = [figure for key, figure in figures(told.timings) if "." in key]
    assert {one.basis for one in sited} == {Basis.ASSUMED}
    assert all(one.how.startswith("the site file's: ") for one in sited)
    assert not told.lines
    assert gathered.scans > 0
