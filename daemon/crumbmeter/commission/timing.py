"""What a run's steps say of drum, line and auger, put as the quality record keeps it: identified, geometry, assumed.

The estimator works on a stretch of a recorded run (estimation/travel). What it saw is identified; what follows from it
and from lengths or shares of the site file is geometry; where it saw nothing, the site file's figure stands as assumed,
with the reason.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from crumbmeter.control.params import Params
from crumbmeter.estimation.travel.discharge import Doubts
from crumbmeter.estimation.travel.findings import AUGER, DRUM, LINE, Findings, Seen, SiteLine, find, site_lines
from crumbmeter.estimation.travel.joining import StreamTravel, Travels
from crumbmeter.estimation.travel.record import AugerRun, DrumRun, LineRun, StreamRun
from crumbmeter.estimation.travel.steps import Step
from crumbmeter.estimation.travel.traces import Trace, auger_trace, drum_trace, line_trace
from crumbmeter.model.units import UNITS
from crumbmeter.qc.timing import Basis, Curve, Figure, Timing
from crumbmeter.runtime.travelrecord import TravelRecord

KINDS = {"start": "start", "stop": "stop", "rate": "rate change"}
SAW = "arrival after the steps of the rates"


@dataclass(frozen=True, slots=True)
class TimedRun:
    """The stretch of a run that was looked at."""

    boot_id: str
    params: Params
    from_s: float
    """[s] Since the run's first scan."""
    record: TravelRecord


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of it."""

    timings: tuple[Timing, ...]
    lines: tuple[SiteLine, ...]
    """Proposed for the site file."""
    found: Findings


def timings_of(tested: TimedRun, coverage: float, who: str, done_us: int) -> Outcome:
    """Estimate, and sort every time by what it rests on.

    Args:
        tested: One stretch of one run.
        coverage: Of every interval, such as 0.95.
        who: Who made the test.
        done_us: [us] UTC since 1970 at which it ended.
    """
    record, doubts = tested.record, Doubts()
    drum, line, auger = record.drum(), record.line(), record.auger()
    found = find(drum, record.instruments(), line, auger, doubts, coverage)
    lines = tuple(site_lines(found, drum, line, auger))
    maker = _Maker(tested, found, lines, coverage, who, done_us)
    timings = [*maker.streams(drum), maker.drum(drum, doubts), maker.line(line), maker.auger(auger)]
    return Outcome(tuple(timings), lines, found)


class _Maker:
    def __init__(
        self, tested: TimedRun, found: Findings, lines: tuple[SiteLine, ...], coverage: float, who: str, done_us: int
    ) -> None:
        self._tested, self._found, self._coverage = tested, found, coverage
        self._who, self._done_us = who, done_us
        self._lines: Mapping[str, SiteLine] = {f"{one.table}.{one.key}": one for one in lines}
        self._why = {unseen.what: unseen.why for unseen in found.withheld}
        self._best = found.travels[0] if found.travels else None

    def _timing(
        self, about: str, figures: Iterator[Figure], trace: Trace | None, names: tuple[str, str], steps: tuple[str, ...]
    ) -> Timing:
        tested = self._tested
        return Timing(
            about=about, figures=tuple(figures), curve=None if trace is None else _curve(trace, *names), steps=steps,
            boot_id=tested.boot_id, settings_id=tested.params.settings_id, from_s=tested.from_s,
            to_s=tested.from_s + tested.record.duration_s, coverage_percent=100.0 * self._coverage,
            simulated=tested.params.simulated, done_us=self._done_us, who=self._who,
        )  # fmt: skip

    def streams(self, drum: DrumRun) -> Iterator[Timing]:
        """Make those of the streams that travel through the drum."""
        steps = self._steps(self._found.steps, drum.cell_s)
        travels = {} if self._best is None else {one.stream_id: one for one in self._best.streams}
        for run in drum.streams:
            seen = travels.get(run.stream_id)
            yield self._timing(run.stream_id, self._of_stream(run, seen), None, ("", ""), steps if seen else ())

    def _of_stream(self, run: StreamRun, seen: StreamTravel | None) -> Iterator[Figure]:
        key = f"streams.{run.stream_id}.travel"
        belt_s = run.belt_m / run.belt_speed_m_s
        if seen is not None and self._best is not None:
            basis = Basis.IDENTIFIED if seen.measured else Basis.GEOMETRY
            how = SAW if seen.measured else "its own arrival was not seen: scaled with the drum's"
            one = seen.to_instrument
            what = f"scale to {self._best.instrument}"
            yield Figure(what, basis, one.value, one.low, one.high, None, "", how)
        doubt_s = 2.0 * Doubts().belt * belt_s
        yield Figure(
            "scale to drum, on the belt", Basis.GEOMETRY, belt_s, belt_s - doubt_s, belt_s + doubt_s, None, "",
            f"length over speed, {run.belt_m:g} m at {run.belt_speed_m_s:g} m/s",
        )  # fmt: skip
        how = "arrival less belt and the part behind the injection point, which cannot be seen"
        yield self._sited("drum to injection point", f"{key}.drum_residence_s", Basis.GEOMETRY, how,
                          run.drum_s, DRUM)  # fmt: skip

    def _sited(self, what: str, site_key: str, basis: Basis, how: str, in_force_s: float, withheld_as: str) -> Figure:
        """Return a figure that has its line in the site file, by the line that is proposed for it."""
        line = self._lines.get(site_key)
        if line is None or line.interval is None:
            why = self._why.get(withheld_as, "nothing was seen")
            return Figure(what, Basis.ASSUMED, in_force_s, None, None, in_force_s, site_key, f"the site file's: {why}")
        low_s, high_s = line.interval.low, line.interval.high
        return Figure(what, basis, line.value, low_s, high_s, line.in_force, site_key, how)

    def drum(self, drum: DrumRun, doubts: Doubts) -> Timing:
        """Make that of the drum as a whole."""
        trace = drum_trace(drum, self._found, doubts)
        names = ("fed: all streams by their scales", "" if self._best is None else self._best.instrument)
        return self._timing(DRUM, self._of_drum(drum), trace, names, self._steps(self._found.steps, drum.cell_s))

    def _of_drum(self, drum: DrumRun) -> Iterator[Figure]:
        how = "the site's share of the identified travel"
        yield self._sited("injection point to outlet", "drum.outlet_residence_s", Basis.GEOMETRY, how,
                          drum.outlet_s, DRUM)  # fmt: skip

    def line(self, line: LineRun | None) -> Timing:
        """Make that of the rubber line."""
        seen, trace = self._found.line, None if line is None else line_trace(line, self._found)
        figure = self._sited("auger to injection point", "line.travel_s", Basis.IDENTIFIED,
                             _how(seen, "ramp of the line's pressure"), self._tested.params.line.travel_s,
                             LINE)  # fmt: skip
        return self._timing(LINE, iter((figure,)), trace, ("fed into the line", "line pressure"),
                            self._seen_steps(seen, None if line is None else line.cell_s))  # fmt: skip

    def auger(self, auger: AugerRun | None) -> Timing:
        """Make that of the auger."""
        seen, trace = self._found.auger, None if auger is None else auger_trace(auger, self._found)
        figure = self._sited("speed asked for to speed", "feeder.auger_lag_s", Basis.IDENTIFIED,
                             _how(seen, "speed measured against speed asked for"),
                             self._tested.params.feed.auger_lag_s, AUGER)  # fmt: skip
        return self._timing(AUGER, iter((figure,)), trace, ("speed asked for", "speed measured"),
                            self._seen_steps(seen, None if auger is None else auger.cell_s))  # fmt: skip

    def _seen_steps(self, seen: Seen | None, cell_s: float | None) -> tuple[str, ...]:
        return () if seen is None or cell_s is None else self._steps(seen.steps, cell_s)

    def _steps(self, steps: tuple[Step, ...], cell_s: float) -> tuple[str, ...]:
        return tuple(f"{KINDS[one.kind]} at {self._tested.from_s + one.at_cell * cell_s:.0f} s" for one in steps)


def _how(seen: Seen | None, words: str) -> str:
    return "" if seen is None else f"{words}; {len(seen.steps)} step{'' if len(seen.steps) == 1 else 's'}"


def _curve(trace: Trace, stimulus_name: str, response_name: str) -> Curve:
    return Curve(
        stimulus_name, response_name, trace.at_s, trace.stimulus, trace.response, trace.fitted, trace.step_s,
        trace.delay_s,
    )  # fmt: skip


def rate_words(best: Travels | None) -> str:
    """Say for which rate what was seen of the drum holds."""
    if best is None:
        return ""
    rate = UNITS["tonne/h"].from_si(best.rate_kg_s)
    return f"Seen at {rate:.0f} t/h of dry material and binder; figures with a site key are reckoned to normal flow."
