"""What was fed, what was seen, and what the fit makes of it, side by side: the eye finds a wrong fit at once.

All three are in percent of the largest response of the fit, so that one axis holds them whatever the instrument's unit.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from crumbmeter.estimation.travel.discharge import Doubts, Layout, fed_of, shape_of
from crumbmeter.estimation.travel.findings import Findings
from crumbmeter.estimation.travel.fitting import Fit, Shape
from crumbmeter.estimation.travel.line import AFTER_S, BEFORE_S, auger_shape, line_shape
from crumbmeter.estimation.travel.record import AugerRun, DrumRun, LineRun, Seen
from crumbmeter.estimation.travel.steps import Step

POINTS = 240
"""Of a trace: what a chart of a page's width can show."""
ONSET = 1.5
"""A drawn stretch reaches so many found times beyond its step, at least."""


@dataclass(frozen=True, slots=True)
class Trace:
    """One stimulus and its response."""

    at_s: tuple[float, ...]
    """[s] Since the record's beginning."""
    stimulus: tuple[float, ...]
    """[%]"""
    response: tuple[float | None, ...]
    """[%] None: nothing that can be believed was seen."""
    fitted: tuple[float, ...]
    """[%]"""
    step_s: float
    """[s] The largest step."""
    delay_s: float
    """[s] Found from it to the response."""


def drum_trace(run: DrumRun, found: Findings, doubts: Doubts) -> Trace | None:
    """Return the trace of the drum by the surest instrument; None where none was found."""
    if not found.travels or not found.steps:
        return None
    travels, fitted = found.travels[0], found.drum_fits[0]
    fed = fed_of(run)
    shape = shape_of(run, fitted.instrument, Layout(run, fitted.instrument, doubts), fed)
    shown = shape(fitted.fit.values)
    together = [sum(masses) / run.cell_s for masses in zip(*(one.mass_kg for one in run.streams), strict=True)]
    injected = [kg / run.cell_s for kg in run.injected_kg]
    stimulus = [dry + more for dry, more in zip(together, injected, strict=True)]
    top = fed.usual_kg_s if fitted.instrument.saturates else max(shown)
    main = travels.streams[fitted.main]
    whole = (0, len(stimulus))
    return _trace(
        _Drawn(stimulus, top, fitted.instrument.seen, shown), (fitted.fit, 0), whole, run.cell_s,
        _largest(found.steps), main.to_instrument.value,
    )  # fmt: skip


def line_trace(run: LineRun, found: Findings) -> Trace | None:
    """Return the trace of the line about the largest step; None where its travel was not found."""
    if found.line is None:
        return None
    feed = [kg / run.cell_s for kg in run.fed_kg]
    return _about(run.cell_s, feed, run.pressure_pa, found.line.fit, line_shape(run), found.line.steps,
                  found.line.time.value, by_group=True)  # fmt: skip


def auger_trace(run: AugerRun, found: Findings) -> Trace | None:
    """Return the trace of the auger about the largest step; None where its lag was not found."""
    if found.auger is None:
        return None
    seen = tuple(value if ours else None for value, ours in zip(run.shown_rev_s, run.controlled, strict=True))
    return _about(run.cell_s, run.asked_rev_s, seen, found.auger.fit, auger_shape(run), found.auger.steps,
                  found.auger.time.value, by_group=False)  # fmt: skip


def _about(
    cell_s: float, stimulus: Sequence[float], seen: Seen, fit: Fit, shape: Shape, steps: Sequence[Step],
    delay_s: float, *, by_group: bool,
) -> Trace:  # fmt: skip
    step = _largest(steps)
    first = max(0, step.at_cell - round(BEFORE_S / cell_s))
    last = min(len(stimulus), step.at_cell + round(max(AFTER_S, 3.0 * delay_s) / cell_s))
    shown = list(shape(fit.values))
    group = list(steps).index(step) if by_group else 0
    top = max(stimulus[first:last])
    return _trace(_Drawn(stimulus, top, seen, shown), (fit, group), (first, last), cell_s, step, delay_s)


def _largest(steps: Sequence[Step]) -> Step:
    return max(steps, key=lambda step: abs(step.after - step.before))


@dataclass(frozen=True, slots=True)
class _Drawn:
    stimulus: Sequence[float]
    stimulus_top: float
    seen: Seen
    shown: Sequence[float]


def _trace(
    drawn: _Drawn, fit: tuple[Fit, int], cells: tuple[int, int], cell_s: float, step: Step, delay_s: float
) -> Trace:
    (found, group), (first, last) = fit, cells
    gain, offset = found.gains[group], found.offsets[group]
    least = min(drawn.shown[first:last])
    top = max(1e-12, max(drawn.shown[first:last]) - least)
    places = range(first, last, max(1, (last - first) // POINTS))
    seen = [drawn.seen[place] for place in places]
    feed_top = max(1e-12, drawn.stimulus_top)
    return Trace(
        at_s=tuple((place + 1) * cell_s for place in places),
        stimulus=tuple(100.0 * drawn.stimulus[place] / feed_top for place in places),
        response=tuple(None if one is None else 100.0 * ((one - offset) / gain - least) / top for one in seen),
        fitted=tuple(100.0 * (drawn.shown[place] - least) / top for place in places),
        step_s=step.at_cell * cell_s,
        delay_s=delay_s,
    )
