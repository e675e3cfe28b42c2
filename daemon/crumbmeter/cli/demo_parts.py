"""Parts of the demonstration: the shift as its scenario file describes it, the operator's orders, what is expected."""

import asyncio
import itertools
import json
import sys
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from rich.console import Console

from crumbmeter.app import Daemon
from crumbmeter.field.spec import Transport
from crumbmeter.model.commands import Command, CommandKind
from crumbmeter.model.events import Event
from crumbmeter.model.scan import ScanResult
from crumbmeter.site import Site

ORDER_LIFE_S = 20.0
"""[s] Process time within which an order of the scenario is still carried out."""
SESSIONS_S = 10.0
"""[s] Real time that devices are given to be heard from before the shift begins without them."""
SHOWN = frozenset(
    {
        "run_state_changed", "feed_stopped", "alarm_raised", "alarm_cleared", "mix_selected", "mix_arrived",
        "refill_began", "refill_ended", "input_bad", "input_good", "control_enabled", "weight_step", "device_lost",
        "device_back",
    }
)  # fmt: skip
"""Events worth a line while the shift runs."""


@dataclass(frozen=True, slots=True)
class Shift:
    """What is to be played."""

    title: str
    scenario: Path
    plant: Path | None
    seed: int | None
    rate: float
    duration_s: float
    orders: tuple[dict[str, Any], ...]
    expected: tuple[dict[str, Any], ...]
    expected_end: dict[str, Any]
    score_path: Path
    serial_folder: Path | None = None
    """Where the site looks for the terminals of its serial lines, if it has any."""

    def _choices(self) -> list[str]:
        words = [] if self.seed is None else ["--seed", str(self.seed)]
        return words if self.plant is None else [*words, "--plant", str(self.plant)]

    def _folders(self) -> list[str]:
        return [] if self.serial_folder is None else ["--serial-folder", str(self.serial_folder)]

    def serve_command(self) -> list[str]:
        """Return the command that plays the plant; its time begins with the daemon's first request."""
        return [
            sys.executable, "-m", "crumbmeter_sim", "serve", str(self.scenario), "--rate", str(self.rate),
            "--hold-at-end", "--wait", "--score", str(self.score_path), *self._choices(), *self._folders(),
        ]  # fmt: skip

    async def yardsticks(self) -> dict[str, Any]:
        """Run the yardsticks on virtual time; return their scores by name."""
        words = [sys.executable, "-m", "crumbmeter_sim", "yardsticks", str(self.scenario), *self._choices()]
        process = await asyncio.create_subprocess_exec(*words, stdout=asyncio.subprocess.PIPE)
        out, _ = await process.communicate()
        scores: dict[str, Any] = json.loads(out) if process.returncode == 0 else {}
        return scores


def serial_folder_of(site: Site) -> Path | None:
    """Return the folder in which the site expects its serial lines; None where it has none."""
    lines = [Path(device.host) for device in site.devices if device.transport is Transport.RTU]
    return lines[0].parent if lines else None


def read_shift(
    scenario: Path,
    *,
    seed: int | None,
    plant: Path | None,
    rate: float,
    folder: Path,
    serial_folder: Path | None = None,
) -> Shift:
    """Read what the runner needs of a scenario file.

    Raises:
        ValueError: it is no scenario.
        OSError: it cannot be read.
    """
    table = tomllib.loads(scenario.read_text(encoding="utf-8"))
    if "duration_s" not in table:
        raise ValueError(f"{scenario} is no scenario: it has no duration_s")
    return Shift(
        title=str(table.get("title", scenario.stem)),
        scenario=scenario,
        plant=plant,
        seed=seed,
        rate=rate,
        duration_s=float(table["duration_s"]),
        orders=tuple(sorted(table.get("operator", ()), key=lambda order: float(order["t_s"]))),
        expected=tuple(table.get("expect", ())),
        expected_end=dict(table.get("expect_end", {})),
        score_path=folder / "score.json",
        serial_folder=serial_folder,
    )


@dataclass
class Expectations:
    """Events that the scenario expects, in order, each in its time; other events may come between."""

    expected: tuple[dict[str, Any], ...]
    seen: int = 0
    """How many have been seen."""
    times_s: list[float] = field(default_factory=list)

    def take(self, at_s: float, happened: Event) -> None:
        """Look at one event."""
        if self.seen >= len(self.expected):
            return
        wanted = self.expected[self.seen]
        in_time = float(wanted.get("after_s", 0.0)) <= at_s <= float(wanted.get("before_s", 1e12))
        fits = all(happened.get(key) == value for key, value in wanted.get("detail", {}).items())
        if happened.name == wanted["event"] and in_time and fits:
            self.seen += 1
            self.times_s.append(at_s)

    @property
    def missing(self) -> dict[str, Any] | None:
        """Return the first that was not seen; None when all were."""
        return self.expected[self.seen] if self.seen < len(self.expected) else None


class Orders:
    """Gives the operator's orders at their time, watches what is expected, and tells the shift's story."""

    def __init__(self, shift: Shift, daemon: Daemon, console: Console, expected: Expectations) -> None:
        self._orders = shift.orders
        self._duration_s = shift.duration_s
        self._daemon = daemon
        self._console = console
        self._expected = expected
        self._first_s: float | None = None
        self._start_s: float | None = None
        self._begun = asyncio.Event()
        self._quarters = itertools.count(1)
        self._next_quarter_s = shift.duration_s / 4.0
        self.last_state = ""

    def offer_nowait(self, done: ScanResult) -> bool:
        """Fan-out's side: look at every event."""
        if self._start_s is None:
            if not self._begins(done):
                return True
            self._start_s = done.began_s
            self._begun.set()
        at_s = done.began_s - self._start_s
        if done.view.in_service:
            self.last_state = done.view.run_state  # what comes after the plant has ended is not the shift's
        for happened in done.events:
            self._expected.take(at_s, happened)
            if happened.name in SHOWN and at_s > 2.0:
                detail = ", ".join(f"{key} {value}" for key, value in happened.detail if value not in ("", None))
                self._console.print(
                    f"{at_s / 60.0:6.1f} min  {happened.name.replace('_', ' ')}: {detail}", markup=False
                )
        if at_s >= self._next_quarter_s:
            self._next_quarter_s += self._duration_s / 4.0
            rubber_kg, mix_t = done.view.totals.rubber_g / 1e3, done.view.totals.mix_g / 1e6
            self._console.print(
                f"{at_s / 60.0:6.1f} min  --- {next(self._quarters)}/4: {mix_t:.0f} t of mix with {rubber_kg:.0f} kg "
                f"of rubber booked",
                markup=False,
                soft_wrap=True,
            )
        return True

    def _begins(self, done: ScanResult) -> bool:
        """Tell whether every signal has been heard from: some protocols take a while to open their sessions."""
        if self._first_s is None:
            self._first_s = done.began_s
        heard = all(reading.usable or reading.age_s > 0.0 for reading in done.view.readings)
        return heard or done.began_s >= self._first_s + SESSIONS_S * self._daemon.clock.rate

    async def run(self) -> None:
        """Give each order at its time, and stop the daemon at the end of the shift."""
        clock = self._daemon.clock
        await self._begun.wait()
        begun_s = clock.now_s() if self._start_s is None else self._start_s
        for number, order in enumerate(self._orders):
            await clock.sleep_until(begun_s + float(order["t_s"]))
            self._give(number, order)
        await clock.sleep_until(begun_s + self._duration_s)
        self._daemon.stop()
        await asyncio.Event().wait()

    def _give(self, number: int, order: dict[str, Any]) -> None:
        kind = CommandKind(order["command"])
        enabling = kind is CommandKind.ENABLE_CONTROL
        subject = self._daemon.site.settings_id if enabling else str(order.get("subject", ""))
        now_s = self._daemon.clock.now_s()
        command = Command(
            kind, "demonstration", f"order-{number}", now_s + ORDER_LIFE_S, subject, float(order.get("value", 0.0))
        )
        self._daemon.intake.offer(command, now_s)
