"""`crumbmeter train`: the real daemon, the real page and a simulated plant, in which an instructor makes things happen.

The trainees sit at the page, which is marked TRAINING; the instructor sits at this terminal and starts lessons by
their number. Nothing here reaches a real feeder: the site must be marked simulated.
"""

import asyncio
import contextlib
import dataclasses
import json
import signal
import sys
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from crumbmeter.app import Daemon, StartRefusedError
from crumbmeter.cli.demo_plant import new_folder, point_at, simulated_or_say, wait_ready
from crumbmeter.cli.exits import OK, REFUSED
from crumbmeter.model.commands import Command, CommandKind
from crumbmeter.site import Site

ANSWER_S = 5.0
"""[s] The simulator answers an order within this."""
ENABLE_LIFE_S = 60.0
"""[s] Process time within which control is enabled for the trainees."""


@dataclass(frozen=True, slots=True)
class Lesson:
    """One thing that an instructor can make happen."""

    title: str
    says: str
    """What is seen, and what is right to do: for the instructor."""
    do: tuple[dict[str, Any], ...]
    ends: tuple[dict[str, Any], ...]


@dataclass(frozen=True, slots=True)
class Lessons:
    """A file of them."""

    scenario: Path
    lessons: tuple[Lesson, ...]


def read_lessons(path: Path) -> Lessons:
    """Read a file of lessons.

    Raises:
        ValueError: it is none; the text names the place.
        OSError: it cannot be read.
    """
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
        lessons = tuple(
            Lesson(str(one["title"]), str(one.get("says", "")), tuple(one["do"]), tuple(one.get("ends", ())))
            for one in table.get("lesson", ())
        )
        scenario = path.parent / str(table["scenario"])
    except tomllib.TOMLDecodeError as problem:
        raise ValueError(f"{path}: {problem}") from problem
    except (KeyError, TypeError) as problem:
        raise ValueError(
            f"{path}: expected scenario = FILE, and title and do in each [[lesson]]: {problem}"
        ) from problem
    if not lessons:
        raise ValueError(f"{path}: no [[lesson]] in it")
    return Lessons(scenario, lessons)


def train(file: Path, site_path: Path, folder: Path = Path("var/training"), *, rate: float = 1.0) -> int:
    """Train until the instructor ends it.

    Args:
        file: Lessons.
        site_path: Site file; must be marked simulated.
        folder: Where journal, socket and the trainees' people file go.
        rate: [1] Plant seconds in a real second.

    Returns:
        Exit code: 0 ended by the instructor, 2 nothing was started.
    """
    site = simulated_or_say(site_path, "training")
    if site is None:
        return REFUSED
    try:
        lessons = read_lessons(file)
        run_folder = new_folder(folder)
        journal = dataclasses.replace(site.journal, folder=run_folder)
        site = dataclasses.replace(site, journal=journal, socket=run_folder / site.socket.name)
        return asyncio.run(_Training(site, site_path, lessons, rate).run())
    except (StartRefusedError, OSError, ValueError) as refused:
        sys.stderr.write(f"the training did not start: {refused}\n")
        return REFUSED


class _Training:
    """Plant, daemon, desk and the instructor's console."""

    def __init__(self, site: Site, site_path: Path, lessons: Lessons, rate: float) -> None:
        self._site = site
        self._site_path = site_path
        self._lessons = lessons
        self._rate = rate
        self._folder = site.journal.folder
        self._log = (self._folder / "log.jsonl").open("w", encoding="utf-8")

    async def run(self) -> int:
        """Start everything; return when the instructor leaves."""
        newest = self._folder.parent / self._site.socket.name
        async with contextlib.AsyncExitStack() as closing:
            plant = await asyncio.create_subprocess_exec(
                sys.executable, "-m", "crumbmeter_sim", "serve", str(self._lessons.scenario), "--rate",
                str(self._rate), "--wait", "--orders", stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE, start_new_session=True,
            )  # fmt: skip
            closing.push_async_callback(_end, plant)
            await wait_ready(plant)
            point_at(newest, self._site.socket)
            closing.callback(_unlink, newest, self._site.socket)
            daemon = Daemon(self._site, rate=self._rate, log_stream=self._log)
            loop = asyncio.get_running_loop()
            for sign in (signal.SIGTERM, signal.SIGINT):
                loop.add_signal_handler(sign, daemon.stop)
            desk = await asyncio.create_subprocess_exec(
                sys.executable, "-m", "crumbmeter", "desk", str(self._site_path), "--training", str(self._folder),
                stderr=asyncio.subprocess.PIPE, start_new_session=True,
            )  # fmt: skip
            closing.push_async_callback(_end, desk)
            console = Console(self._lessons.lessons, plant)
            daemon.supervisor.add("desk", lambda: self._listen(desk))
            daemon.supervisor.add("console", lambda: self._teach(console, daemon))
            with self._log:
                await daemon.run()
        return OK

    async def _listen(self, desk: asyncio.subprocess.Process) -> None:
        """Keep the desk's log, and pass on what it says to people: the first password."""
        assert desk.stderr is not None  # noqa: S101 - it was asked for
        with (self._folder / "desk.jsonl").open("wb") as log:
            while line := await desk.stderr.readline():
                if line.startswith(b"{"):
                    log.write(line)
                else:
                    _say(line.decode(errors="replace").rstrip())
        _say("The desk has ended; the plant goes on.")
        await asyncio.Event().wait()

    async def _teach(self, console: "Console", daemon: Daemon) -> None:
        """Enable control once values are there, then follow the instructor."""
        await daemon.views.wait_newer(0)
        now_s = daemon.clock.now_s()
        daemon.intake.offer(
            Command(
                CommandKind.ENABLE_CONTROL, "training", "training-1", now_s + ENABLE_LIFE_S, daemon.site.settings_id
            ),
            now_s,
        )
        desk = daemon.site.desk
        _say(f"The trainees' page: http{'' if desk.tls_certificate is None else 's'}://{desk.address}:{desk.port}/")
        await console.run()
        daemon.stop()
        await asyncio.Event().wait()


async def _end(process: asyncio.subprocess.Process) -> None:
    with contextlib.suppress(ProcessLookupError):
        process.terminate()
    await process.wait()


def _unlink(newest: Path, socket: Path) -> None:
    if newest.is_symlink() and newest.resolve() == socket.resolve():
        newest.unlink()


class Console:
    """The instructor's side: a menu, a number, what was done."""

    def __init__(self, lessons: tuple[Lesson, ...], plant: asyncio.subprocess.Process) -> None:
        self._lessons = lessons
        self._plant = plant

    async def run(self) -> None:
        """Read the instructor's lines until `q`, or the end of standard input."""
        reader = asyncio.StreamReader()
        await asyncio.get_running_loop().connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
        self._menu()
        while line := await reader.readline():
            word = line.decode(errors="replace").strip().lower()
            if word in ("q", "quit"):
                return
            await self._obey(word)

    def _menu(self) -> None:
        rows = [f"  {number}  {lesson.title}" for number, lesson in enumerate(self._lessons, 1)]
        _say("\n".join(("TRAINING. The trainees sit at the page; you make things happen:", *rows,
                         "  NUMBER starts a lesson, NUMBER e ends it, q ends the training.")))  # fmt: skip

    async def _obey(self, word: str) -> None:
        number, _, ends = word.partition(" ")
        if not number.isdigit() or not 1 <= int(number) <= len(self._lessons) or ends not in ("", "e"):
            self._menu()
            return
        lesson = self._lessons[int(number) - 1]
        steps = lesson.ends if ends else lesson.do
        if ends and not steps:
            _say(f"{lesson.title}: it ends by itself.")
        for step in steps:
            _say(f"{lesson.title}: {await self._order(step)}")
        if not ends and lesson.says:
            _say(f"  {lesson.says}")

    async def _order(self, step: dict[str, Any]) -> str:
        """Ask the simulator for one step; return its answer."""
        plant = self._plant
        assert plant.stdin is not None and plant.stdout is not None  # noqa: S101, PT018 - both were asked for
        try:
            plant.stdin.write(json.dumps(step).encode() + b"\n")
            await plant.stdin.drain()
            async with asyncio.timeout(ANSWER_S):
                return (await plant.stdout.readline()).decode(errors="replace").strip() or "the simulator has ended"
        except (ConnectionError, TimeoutError):
            return "the simulator does not answer"


def _say(words: str) -> None:
    sys.stdout.write(words + "\n")
    sys.stdout.flush()
