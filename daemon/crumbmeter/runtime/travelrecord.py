"""What a run tells about travel, gathered scan by scan: from a replay, or from scans as they are made."""

from crumbmeter.control.params import Params
from crumbmeter.control.plant import belt_speed_m_s, drum_speed_ratio
from crumbmeter.control.step import StepResult
from crumbmeter.estimation.travel.discharge import Instrument
from crumbmeter.estimation.travel.record import AugerRun, DrumRun, LineRun, Readings, RunningSum, StreamRun
from crumbmeter.model.reading import Reading
from crumbmeter.process.params import StreamParams
from crumbmeter.process.path import effective_belt_m
from crumbmeter.signals.settle import for_control

DRUM_CELL_S = 1.0
"""[s] A drum spreads a step over tens of seconds."""
LINE_CELL_S = 0.2
"""[s] A line's travel is a few seconds."""


class TravelRecord:
    """Gathers; asked at the end, it gives series on even grids."""

    def __init__(self, params: Params) -> None:
        self._params = params
        self._travelling = [
            place
            for place, stream in enumerate(params.streams)
            if stream.belt_length_m > 0.0 or stream.drum_residence_s > 0.0
        ]
        self._masses = [RunningSum() for _ in self._travelling]
        self._ways = [RunningSum() for _ in self._travelling]
        self._injected, self._turned, self._fed = RunningSum(), RunningSum(), RunningSum()
        self._current, self._temperature, self._pressure = Readings(), Readings(), Readings()
        self._asked, self._controlled = RunningSum(), RunningSum()
        self._shown, self._aired = Readings(), Readings()
        self._in_force_rev_s, self._was_controlled = 0.0, False
        self._aired_s = 0.0
        self._first_s: float | None = None
        self._last_s = 0.0
        self.scans = 0
        self.bad_scans = 0
        """Scans with a rate that was not to be believed."""

    @property
    def duration_s(self) -> float:
        """[s] Return how much has been gathered."""
        return 0.0 if self._first_s is None else self._last_s - self._first_s

    def take(self, result: StepResult) -> None:
        """Take one scan."""
        params, shown, state = self._params, result.shown, result.state
        now_s, dt_s = shown.image.now_s, result.dt_s
        if self._first_s is None:
            self._first_s = now_s - dt_s
        self._last_s = now_s
        self.scans += 1
        self.bad_scans += any(shown.readings[stream.rate].value is None for stream in params.streams)
        readings = for_control(shown.readings, params.signals)
        # A rate that is read at the end of a scan stands for the half of a scan before and after it.
        until_s = now_s + dt_s / 2.0
        for slot, place in enumerate(self._travelling):
            stream = params.streams[place]
            self._masses[slot].add(until_s, shown.demand.dry_kg_s[place] * dt_s)
            speed_m_s = belt_speed_m_s(stream, readings, state.plant.held_kg_s[place])
            self._ways[slot].add(until_s, speed_m_s * dt_s)
        metered = [place for place in range(len(params.streams)) if place not in self._travelling]
        self._injected.add(until_s, sum(shown.demand.dry_kg_s[place] for place in metered) * dt_s)
        ratio = drum_speed_ratio(params.drum, readings)
        self._turned.add(until_s, (1.0 if ratio is None else ratio) * dt_s)
        self._take_feeder(result, now_s, dt_s)
        self._take_reading(self._current, params.drum.discharge_current, shown.readings, now_s)
        self._take_reading(self._temperature, params.drum.discharge_temperature, shown.readings, now_s)
        self._take_reading(self._pressure, params.contacts.line_pressure, shown.readings, now_s)
        self._take_reading(self._shown, params.weighing.auger_speed, shown.readings, now_s)

    def _take_feeder(self, result: StepResult, now_s: float, dt_s: float) -> None:
        to_line = result.shown.contacts.diverter_to_drum is not False
        self._fed.add(now_s + dt_s / 2.0, result.shown.flow.fed_kg if to_line else 0.0)
        air = result.shown.contacts.blower_running
        self._aired_s = 0.0 if air is False else self._aired_s + dt_s
        self._aired.add(now_s, self._aired_s)
        # What was asked for in the scan before was in force until now.
        self._asked.add(now_s, self._in_force_rev_s * dt_s)
        self._controlled.add(now_s, dt_s if self._was_controlled else 0.0)
        self._in_force_rev_s, self._was_controlled = result.state.feed.speed_rev_s, result.state.control_enabled

    @staticmethod
    def _take_reading(into: Readings, index: int | None, readings: tuple[Reading, ...], now_s: float) -> None:
        if index is not None and readings[index].value is not None and readings[index].good:
            value = readings[index].value
            if value is not None:
                into.add(now_s - readings[index].age_s, value)

    def drum(self) -> DrumRun:
        """Return what went into the drum."""
        from_s, cells = self._grid(DRUM_CELL_S)
        streams = tuple(
            self._stream(self._params.streams[place], slot, from_s, cells)
            for slot, place in enumerate(self._travelling)
        )
        return DrumRun(
            DRUM_CELL_S, streams, self._injected.cells(from_s, DRUM_CELL_S, cells),
            self._turned.cells(from_s, DRUM_CELL_S, cells), self._params.drum.outlet_residence_s,
            self._params.drum.outlet_stages, self._params.drum.load_effect, self._params.drum.normal_dry_kg_s,
        )  # fmt: skip

    def _stream(self, stream: StreamParams, slot: int, from_s: float, cells: int) -> StreamRun:
        return StreamRun(
            stream.stream_id, effective_belt_m(stream), stream.nominal_belt_speed_m_s, stream.drum_residence_s,
            stream.drum_stages, self._masses[slot].cells(from_s, DRUM_CELL_S, cells),
            self._ways[slot].cells(from_s, DRUM_CELL_S, cells),
        )  # fmt: skip

    def instruments(self) -> list[Instrument]:
        """Return what was seen behind the drum, by every instrument that the site has there."""
        from_s, cells = self._grid(DRUM_CELL_S)
        drum, found = self._params.drum, list[Instrument]()
        if drum.discharge_current is not None:
            seen = self._current.at_ends(from_s, DRUM_CELL_S, cells)
            found.append(
                Instrument("discharge current", "A", seen, drum.discharge_travel_s, drum.discharge_current_lag_s)
            )
        if drum.discharge_temperature is not None:
            seen = self._temperature.at_ends(from_s, DRUM_CELL_S, cells)
            found.append(
                Instrument(
                    "discharge temperature", "degC", seen, drum.discharge_travel_s, drum.discharge_temperature_lag_s,
                    saturates=True,
                )
            )  # fmt: skip
        return found

    def line(self) -> LineRun | None:
        """Return what went into the line; None without a signal of its pressure."""
        if self._params.contacts.line_pressure is None:
            return None
        from_s, cells = self._grid(LINE_CELL_S)
        aired = [0.0 if value is None else value for value in self._aired.at_ends(from_s, LINE_CELL_S, cells)]
        return LineRun(
            LINE_CELL_S, self._fed.cells(from_s, LINE_CELL_S, cells),
            self._pressure.at_ends(from_s, LINE_CELL_S, cells), tuple(aired),
            self._params.line.travel_s, self._params.line.pressure_lag_s,
        )  # fmt: skip

    def auger(self) -> AugerRun | None:
        """Return what the auger was asked for and did; None where its speed is not read."""
        if self._params.weighing.auger_speed is None:
            return None
        from_s, cells = self._grid(LINE_CELL_S)
        asked = [turns / LINE_CELL_S for turns in self._asked.cells(from_s, LINE_CELL_S, cells)]
        controlled = [time_s > 0.99 * LINE_CELL_S for time_s in self._controlled.cells(from_s, LINE_CELL_S, cells)]
        return AugerRun(
            LINE_CELL_S,
            tuple(asked),
            tuple(controlled),
            self._shown.at_ends(from_s, LINE_CELL_S, cells),
            self._params.feed.auger_lag_s,
        )

    def _grid(self, cell_s: float) -> tuple[float, int]:
        return self._first_s or 0.0, int(self.duration_s / cell_s + 1e-6)
