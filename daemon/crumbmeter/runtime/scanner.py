"""The heartbeat of the machine: latch, step, write, publish, at absolute deadlines (R1, R8).

A fault in the core is not survived here: it ends the task, the supervisor ends the program, and outputs go safe.
"""

from collections.abc import Callable
from typing import NoReturn

from crumbmeter.control.state import State
from crumbmeter.control.step import Core, StepResult, step
from crumbmeter.model.scan import ScanResult
from crumbmeter.ports import Clock
from crumbmeter.runtime.buffer import InputBuffer
from crumbmeter.runtime.fanout import Fanout
from crumbmeter.runtime.health import Health
from crumbmeter.runtime.intake import Intake
from crumbmeter.runtime.writer import OutputWriter


class Timetable:
    """Absolute deadlines `start + n * period`. Slots whose time has passed are skipped and counted, never made up."""

    def __init__(self, start_s: float, period_s: float) -> None:
        self._start_s = start_s
        self._period_s = period_s
        self._slot = 0

    def next_due(self, now_s: float) -> tuple[float, int]:
        """Return the next deadline [s] and how many slots were skipped to reach it."""
        slot = max(self._slot, int((now_s - self._start_s) / self._period_s))
        skipped = slot - self._slot
        self._slot = slot + 1
        return self._start_s + slot * self._period_s, skipped


class Scanner:
    """Scans for ever."""

    def __init__(
        self,
        core: Core,
        state: State,
        clock: Clock,
        buffer: InputBuffer,
        intake: Intake,
        writer: OutputWriter,
        fanout: Fanout[ScanResult],
        health: Health,
        on_step: Callable[[ScanResult, StepResult], None] | None = None,
    ) -> None:
        """Prepare.

        Args:
            core: Settings made ready.
            state: To start from.
            clock: Process time.
            buffer: Gives the input image.
            intake: Gives commands.
            writer: Takes the outputs.
            fanout: Takes the finished scan.
            health: Is told of each finished scan, last of all.
            on_step: Also gets the whole result of the core (the recorder, which needs the state).
        """
        self._core = core
        self._clock = clock
        self._buffer = buffer
        self._intake = intake
        self._writer = writer
        self._fanout = fanout
        self._health = health
        self._on_step = on_step
        self._state = state
        self._number = 0

    @property
    def state(self) -> State:
        """Return the state after the last scan."""
        return self._state

    def exchange(self, core: Core, state: State) -> None:
        """Scan from now on under other settings. Between two scans, as everything is that does not wait.

        Args:
            core: The other settings, made ready; the scan's period is the same.
            state: That of the last scan, as it is under them.
        """
        self._core, self._state = core, state

    async def run(self) -> NoReturn:
        """Scan for ever. Raises instead of continuing after a fault in the core."""
        period_s = self._core.params.scan_period_s
        last_s = self._clock.now_s()
        timetable = Timetable(last_s + period_s, period_s)
        while True:
            due_s, skipped = timetable.next_due(self._clock.now_s())
            await self._clock.sleep_until(due_s)
            began_s = self._clock.now_s()
            image = self._buffer.latch(began_s)
            commands = self._intake.take(began_s)
            dt_s = began_s - last_s
            result = step(self._state, image, commands, self._core, dt_s)
            self._state = result.state
            self._writer.post_nowait(result.outputs, began_s)
            self._number += 1
            done = ScanResult(
                self._number, self._clock.wall_us(), due_s, began_s, self._clock.now_s(), skipped, dt_s, image,
                commands, result.events, result.parcels, result.view,
            )  # fmt: skip
            if self._on_step is not None:
                self._on_step(done, result)
            self._fanout.publish_nowait(done)
            last_s = began_s
            self._health.scan_done()
