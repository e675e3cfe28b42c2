"""What is found of made-up runs: the values, how sure, and when nothing is said."""

from collections.abc import Sequence
from dataclasses import replace
from random import Random

import pytest

from crumbmeter.estimation.travel.discharge import Doubts, DrumFit, Instrument, Withheld, fit_discharge, usable_steps
from crumbmeter.estimation.travel.findings import at_normal, find, site_lines
from crumbmeter.estimation.travel.fitting import NotFittedError, Unknown, fit, inflation
from crumbmeter.estimation.travel.joining import Span, Travels, join
from crumbmeter.estimation.travel.line import TimeFit, fit_auger, fit_line
from crumbmeter.estimation.travel.quantiles import coverage_factor
from crumbmeter.estimation.travel.steps import in_words, steps_in
from tests.unit.estimation.made_runs import auger_run, current, drum_run, line_run, rates, whole_s

DOUBTS = Doubts()


def found_in(instrument: Instrument) -> Travels:
    day = drum_run()
    found = fit_discharge(day, instrument, DOUBTS)
    assert isinstance(found, DrumFit), found
    return join(day, found, DOUBTS, 0.95)


@pytest.mark.parametrize("longer", [0.8, 1.0, 1.22])
def test_travel_load_and_stages_are_found_again(longer: float) -> None:
    day = drum_run()
    found = fit_discharge(day, current(day, longer, 0.2, 1), DOUBTS)
    assert isinstance(found, DrumFit)
    assert found.residence_s == pytest.approx(longer * whole_s(day), rel=0.01)
    assert found.load_effect == pytest.approx(0.1, abs=0.03)
    assert found.stages == pytest.approx(14.3, rel=0.15)
    assert abs(found.residence_s - longer * whole_s(day)) < 3.5 * found.fit.standard(0) * found.residence_s


@pytest.mark.parametrize("hang", [0.0, 0.9])
def test_intervals_hold_also_where_residuals_hang_together(hang: float) -> None:
    day, inside, widths = drum_run(), 0, list[float]()
    draws = 6
    for seed in range(draws):
        found = fit_discharge(day, current(day, 1.1, 0.3, seed, hang=hang), DOUBTS)
        assert isinstance(found, DrumFit)
        wide = found.fit.factor(0.95) * found.fit.standard(0) * found.residence_s
        inside += abs(found.residence_s - 1.1 * whole_s(day)) <= wide
        widths.append(wide)
    assert inside >= draws - 1  # two misses or more of six have a probability of 3 %
    # With f = 0.9 a mean is (1 + f) / (1 - f) = 19 times as uncertain in variance, of noise that is itself larger.
    assert max(widths) < 8.0 if hang else max(widths) < 1.5


def test_arrival_at_the_injection_point_is_geometry_and_less_sure() -> None:
    travels = found_in(current(drum_run(), 1.15, 0.2, 3))
    aggregate, rap = travels.streams
    assert aggregate.to_instrument.value == pytest.approx(22.0 / 1.6 + 1.15 * 105.0 + 6.0, abs=1.5)
    assert aggregate.to_instrument.standard < aggregate.to_outlet.standard < aggregate.to_injection.standard
    assert aggregate.to_injection.value == pytest.approx(22.0 / 1.6 + 1.15 * 45.0, rel=0.06)
    # The share behind the injection point has a doubt of 5 %: 5 % of 1.15 x 60 s.
    assert aggregate.to_injection.standard == pytest.approx(0.05 * 1.15 * 60.0, rel=0.35)
    assert travels.outlet.value == pytest.approx(1.15 * 60.0, rel=0.06)
    assert rap.drum.value == pytest.approx(1.15 * 18.0, rel=0.2)
    assert aggregate.drum.holds(1.15 * 45.0)
    assert travels.outlet.standard > 0.05 * 1.1 * 60.0


def test_a_doubt_in_geometry_widens_what_rests_on_it_and_nothing_else() -> None:
    day = drum_run()
    instrument = current(day, 1.0, 0.2, 4)
    sure, unsure = (
        join(day, fit, doubts, 0.95).streams[0]
        for doubts in (Doubts(after_injection=0.02), Doubts(after_injection=0.05))
        if isinstance(fit := fit_discharge(day, instrument, doubts), DrumFit)
    )
    assert unsure.to_injection.standard > 1.5 * sure.to_injection.standard
    assert unsure.to_instrument.standard == pytest.approx(sure.to_instrument.standard, rel=0.1)


def test_without_a_step_nothing_is_said() -> None:
    steady = drum_run(((0, 45.0),))
    found = fit_discharge(steady, current(steady, 1.0, 0.2, 5), DOUBTS)
    assert isinstance(found, Withheld)
    assert "no step" in found.why


def test_a_step_whose_arrival_is_not_in_the_record_is_no_use() -> None:
    late = drum_run(((1200, 45.0),))
    assert usable_steps(late) == []
    assert isinstance(fit_discharge(late, current(late, 1.0, 0.2, 6), DOUBTS), Withheld)


def test_an_instrument_that_does_not_answer_is_not_believed() -> None:
    day = drum_run()
    deaf = replace(current(day, 1.0, 0.2, 7), seen=tuple(38.0 + 0.5 * (cell % 7) for cell in range(1300)))
    found = fit_discharge(day, deaf, DOUBTS)
    assert isinstance(found, Withheld)
    assert "does not answer" in found.why


def test_an_instrument_that_was_never_read_is_not_believed() -> None:
    day = drum_run()
    found = fit_discharge(day, replace(current(day, 1.0, 0.2, 7), seen=(None,) * 1300), DOUBTS)
    assert isinstance(found, Withheld)
    assert "only 0 usable readings" in found.why


def test_a_record_that_begins_with_a_full_drum_is_used_later() -> None:
    full = drum_run(((0, 45.0), (500, 57.0), (900, 40.0)))
    instrument = current(full, 1.1, 0.2, 8)
    # The made-up drum began empty: what it showed until it was full is what must be left out.
    found = fit_discharge(full, instrument, DOUBTS)
    assert isinstance(found, DrumFit)
    assert found.fit.readings < 1300 - 200
    assert found.residence_s == pytest.approx(1.1 * 105.0, rel=0.03)


@pytest.mark.parametrize("travel_s", [3.1, 4.0, 5.2])
def test_the_lines_travel_is_found_from_its_pressure(travel_s: float) -> None:
    found = fit_line(line_run(travel_s, 60.0, 1))
    assert isinstance(found, TimeFit)
    assert found.value_s == pytest.approx(travel_s, abs=0.4)
    assert abs(found.value_s - travel_s) < 3.0 * found.standard_s
    assert in_words(found.steps) == "1 start, 1 stop"


def test_a_feed_that_never_steps_sharply_says_nothing_of_the_line() -> None:
    found = fit_line(line_run(4.0, 60.0, 2, sharp=False))
    assert isinstance(found, Withheld)
    assert "stop-feed" in found.why


def test_pressure_while_the_blower_runs_up_or_down_is_left_out() -> None:
    run = line_run(4.0, 60.0, 3)
    stopped = replace(run, aired_s=tuple(min(5.0, air) for air in run.aired_s))
    found = fit_line(stopped)
    assert isinstance(found, Withheld)
    assert "settled air" in found.why


@pytest.mark.parametrize("lag_s", [0.6, 1.2])
def test_the_augers_lag_is_found_from_its_speed(lag_s: float) -> None:
    found = fit_auger(auger_run(lag_s, 0.005, 1))
    assert isinstance(found, TimeFit)
    assert found.value_s == pytest.approx(lag_s, abs=0.05)
    assert found.standard_s >= 0.2 / 12.0**0.5  # never surer than a scan


def test_an_auger_that_was_not_commanded_says_nothing() -> None:
    run = auger_run(0.9, 0.005, 2)
    assert isinstance(fit_auger(replace(run, controlled=(False,) * 3000)), Withheld)


def test_all_of_it_and_the_lines_of_the_site_file() -> None:
    day, line, auger = drum_run(), line_run(4.6, 60.0, 4), auger_run(1.1, 0.005, 4)
    found = find(day, [current(day, 1.2, 0.2, 9)], line, auger, DOUBTS, 0.95)
    assert found.withheld == ()
    lines = {(one.table, one.key): one for one in site_lines(found, day, line, auger)}
    assert set(lines) == {
        ("streams.aggregate.travel", "drum_residence_s"), ("streams.aggregate.travel", "drum_stages"),
        ("streams.rap.travel", "drum_residence_s"), ("streams.rap.travel", "drum_stages"),
        ("drum", "outlet_residence_s"), ("drum", "outlet_stages"), ("drum", "load_effect_percent"),
        ("line", "travel_s"), ("feeder", "auger_lag_s"),
    }  # fmt: skip
    drum = lines["drum", "outlet_residence_s"]
    assert drum.in_force == 60.0
    assert drum.interval is not None
    assert drum.interval.holds(72.0)
    assert lines["line", "travel_s"].text == "travel_s = 4.6"
    assert lines["drum", "outlet_stages"].whole


def test_what_a_site_does_not_read_is_named() -> None:
    found = find(drum_run(), [], None, None, DOUBTS, 0.95)
    assert [unseen.what for unseen in found.withheld] == ["drum", "line", "auger"]
    assert site_lines(found, drum_run(), None, None) == []


def test_steps_are_found_once_and_named() -> None:
    series = rates(((100, 50.0), (400, 60.0), (700, 58.0), (900, 0.0)))
    steps = steps_in(series, 15, 100)
    assert [(step.kind, abs(step.at_cell - at) <= 16) for step, at in zip(steps, (100, 400, 900), strict=True)] == [
        ("start", True), ("rate", True), ("stop", True),
    ]  # fmt: skip
    assert in_words(steps) == "1 start, 1 stop, 1 rate change"
    assert in_words([]) == "no usable step"
    assert steps_in([0.0] * 500, 15, 100) == []


def test_inflation_of_white_and_of_clinging_noise() -> None:
    assert inflation([1.0, -1.0] * 50, 20) == 1.0
    assert inflation([1.0] * 20 + [-1.0] * 20, 30) > 10.0
    assert inflation([0.0] * 10, 5) == 1.0


# Two-sided quantiles of Student's t at 95 %, as in any table (JCGM 100, table G.2, prints them to two places).
@pytest.mark.parametrize(("freedom", "factor"), [(4, 2.776), (5, 2.571), (10, 2.228), (30, 2.042), (1e9, 1.960)])
def test_coverage_factor(freedom: float, factor: float) -> None:
    assert coverage_factor(0.95, freedom) == pytest.approx(factor, rel=5e-3)


def test_knowledge_and_readings_are_weighed_by_their_doubts() -> None:
    random = Random(5)
    xs = [cell % 10 for cell in range(400)]
    seen = [2.0 * max(0.0, x - 3.0) + random.gauss(0.0, 0.1) for x in xs]

    def shape(at: Sequence[float]) -> list[float]:
        return [max(0.0, x - at[0]) for x in xs]

    free = fit(shape, seen, [Unknown("corner", 2.0, 0.0, 9.0, 1e-3)], 5)
    held = fit(shape, seen, [Unknown("corner", 2.0, 0.0, 9.0, 1e-3, 2.0, 1e-4)], 5)
    assert free.values[0] == pytest.approx(3.0, abs=4.0 * free.standard(0))
    assert free.gains[0] == pytest.approx(2.0, rel=0.01)
    assert free.from_record(0) == 1.0
    assert held.values[0] == pytest.approx(2.0, abs=1e-3)
    assert held.from_record(0) < 0.05


def test_a_shape_that_never_changes_cannot_be_fitted() -> None:
    with pytest.raises(NotFittedError, match="never changed"):
        fit(lambda _: [1.0] * 100, [2.0] * 100, [Unknown("x", 0.0, -1.0, 1.0, 0.1)], 5)


@pytest.mark.parametrize(("normal", "ratio"), [(1.0, 1.0), (1.25, 1.25), (0.8, 0.8)])
def test_the_proposed_times_hold_at_the_normal_rate(normal: float, ratio: float) -> None:
    """A drum that moves 20 % faster with twice its usual content, said again about another content."""
    day = drum_run()
    dry_kg = sum(sum(stream.mass_kg) for stream in day.streams)
    share = dry_kg / (dry_kg + sum(day.injected_kg))
    best = Travels(
        "a current", 50.0, (), Span(60.0, 1.0, 58.0, 62.0), 6.0, Span(0.2, 0.01, 0.18, 0.22), load_measured=True
    )
    slower, effect = at_normal(best, replace(day, normal_dry_kg_s=normal * 50.0 * share))
    assert slower == pytest.approx(1.0 + 0.2 * (ratio - 1.0))
    for load in (0.0, 0.5, 1.7):  # of the usual content: the same pace, whichever content it is told about
        assert slower * (1.0 + effect * (load / ratio - 1.0)) == pytest.approx(1.0 + 0.2 * (load - 1.0))


def test_a_site_without_a_normal_rate_keeps_the_records() -> None:
    best = Travels(
        "a current", 50.0, (), Span(60.0, 1.0, 58.0, 62.0), 6.0, Span(0.2, 0.01, 0.1, 0.3), load_measured=True
    )
    assert at_normal(best, drum_run()) == (1.0, 0.2)
