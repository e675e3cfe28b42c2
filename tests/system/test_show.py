"""`show` and `do` as a person uses them: in a terminal of 80 x 24, against the real socket."""

import asyncio
import fcntl
import io
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from crumbmeter.adapters.control_line import ControlLine
from crumbmeter.cli import do as doing
from crumbmeter.cli.do import do
from crumbmeter.cli.show import NO_DAEMON, _Board, show
from crumbmeter.model.commands import Command, CommandKind
from crumbmeter.model.events import Event, event
from tests.fakes import turns
from tests.system.daemons import small_in_thread

WATCH = "import sys, pathlib; from crumbmeter.cli.show import show; sys.exit(show(pathlib.Path(sys.argv[1])))"
MOVES = re.compile(rb"\x1b\[[0-9;?]*[A-Za-z]")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "c.sock"


class Terminal:
    """`crumbmeter show` in a terminal of its own."""

    def __init__(self, path: Path) -> None:
        self.seen = b""
        self._master, slave = pty.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        environ = {**os.environ, "TERM": "xterm", "COLUMNS": "80", "LINES": "24"}
        self.process = subprocess.Popen(
            [sys.executable, "-c", WATCH, str(path)], stdin=slave, stdout=slave, stderr=slave, env=environ
        )
        os.close(slave)

    def wait_for(self, words: str, within_s: float = 15.0) -> bytes:
        """Read until the words were drawn, and return what was drawn since the last call."""
        fresh = b""
        while words.encode() not in MOVES.sub(b"", fresh):
            ready, _, _ = select.select([self._master], [], [], within_s)
            assert ready, f"{words!r} was not drawn; the last was {self.seen[-2000:]!r}"
            fresh += os.read(self._master, 65536)
        self.seen += fresh
        return fresh

    def close(self) -> int:
        """Press Ctrl-C, and return the exit code."""
        self.process.send_signal(signal.SIGINT)
        try:
            while select.select([self._master], [], [], 10.0)[0] and os.read(self._master, 65536):
                pass
        except OSError:  # it has left: nobody holds the other end
            pass
        code = self.process.wait(10)
        os.close(self._master)
        return code


@pytest.fixture
def terminal(path: Path) -> Iterator[Terminal]:
    made = Terminal(path)
    yield made
    if made.process.poll() is None:
        made.close()


def test_board_follows_survives_the_daemon_and_comes_back(path: Path, terminal: Terminal) -> None:
    terminal.wait_for("LINK LOST")
    with small_in_thread(path):
        drawn = terminal.wait_for("FEEDING - all permissives met")
        drawn += terminal.wait_for("lb/short_ton")
        assert b"\x1b[" in drawn
    drawn = terminal.wait_for("LINK LOST")
    drawn += terminal.wait_for("FEEDING")
    assert b"\x1b[2m" in drawn or b";2m" in drawn or b"2;" in drawn  # greyed
    with small_in_thread(path):
        terminal.wait_for("UTC")
        terminal.wait_for("Setpoint")
        terminal.wait_for("Setpoint")
    assert any(move.endswith(b"A") for move in MOVES.findall(terminal.seen))  # the cursor goes up: drawn in place
    assert terminal.close() == 0
    widths = [len(line) for line in MOVES.sub(b"", terminal.seen).replace(b"\r", b"\n").split(b"\n")]
    assert max(widths) <= 80


@pytest.mark.parametrize("after", range(5))
async def test_ctrl_c_counts_in_whatever_turn_of_the_loop_it_comes(path: Path, after: int) -> None:
    """Also in the very turn in which something to draw arrived."""
    shown = _Board(path, console()[0])
    task = asyncio.ensure_future(shown.run())
    await asyncio.wait([task], timeout=0.7)  # both first pictures are drawn, and it waits for news
    shown._changed.set()
    await turns(after)
    task.cancel()
    await asyncio.wait([task], timeout=5.0)
    assert task.cancelled()


def console() -> tuple[Console, io.StringIO]:
    paper = io.StringIO()
    return Console(file=paper, width=80, force_terminal=False, color_system=None), paper


def test_once_prints_the_board_and_leaves(path: Path) -> None:
    where, paper = console()
    with small_in_thread(path):
        assert show(path, once=True, console=where) == 0
    text = paper.getvalue()
    assert "Wanted   33.2 lb/min" in text
    assert "~908 lb (Uncertain: last usable value" in text
    assert max(len(line) for line in text.splitlines()) <= 80


def test_without_a_terminal_it_prints_once(path: Path) -> None:
    where, paper = console()
    with small_in_thread(path):
        assert show(path, console=where) == 0
    assert paper.getvalue().count("FEEDING") == 1


def test_json_is_the_view_itself(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with small_in_thread(path):
        assert show(path, as_json=True, once=True) == 0
    assert '"fed_kg_s": {"value": 0.249, "quality": "Good"' in capsys.readouterr().out


@pytest.mark.parametrize("as_json", [False, True])
def test_no_daemon_is_said_with_a_code_of_its_own(
    path: Path, capsys: pytest.CaptureFixture[str], as_json: bool
) -> None:
    assert show(path, once=True, as_json=as_json) == NO_DAEMON
    assert "is `crumbmeter run` running?" in capsys.readouterr().err
    assert do(path, "stop-feed", yes=True) == doing.NO_DAEMON


def carried_out(command: Command) -> Event:
    return event("feed_taken_out_of_service", who=command.who, command_id=command.command_id)


def refused(command: Command) -> Event:
    return event("command_refused", command_id=command.command_id, why="control is not enabled")


def unheard(command: Command) -> Event:
    return event("something_else")


@pytest.mark.parametrize(
    ("outcome", "code", "says"),
    [
        (carried_out, doing.DONE, "Done: feed taken out of service."),
        (refused, doing.REFUSED, "Refused: control is not enabled"),
        (unheard, doing.NOT_HEARD, "was not heard in time"),
    ],
)
def test_do_says_what_became_of_it(
    path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, outcome: Any, code: int, says: str
) -> None:
    monkeypatch.setattr(doing, "WAIT_S", 0.3)
    with small_in_thread(path, outcome) as taken:
        assert do(path, "stop-feed", yes=True) == code
    printed = capsys.readouterr()
    assert "Demo drum: The feed stops and goes out of service." in printed.out
    assert says in printed.out + printed.err
    assert [command.kind for command in taken] == [CommandKind.STOP_FEED]


def test_a_daemon_that_falls_silent_while_a_trip_is_measured_is_said(
    path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    receive = ControlLine.receive

    async def receive_soon(line: ControlLine, within_s: float = 0.0) -> dict[str, Any]:
        return await receive(line, within_s or 0.2)

    def begun(command: Command) -> Event:
        monkeypatch.setattr(ControlLine, "receive", receive_soon)
        monkeypatch.setattr(ControlLine, "send", fall_silent)
        return event("heartbeat_withheld", who=command.who, command_id=command.command_id)

    async def fall_silent(line: ControlLine, request: dict[str, Any]) -> None:
        """The daemon hears nothing more, and says nothing."""

    with small_in_thread(path, begun):
        assert do(path, "measure-trip", yes=True) == doing.NOT_HEARD
    assert "The daemon says nothing." in capsys.readouterr().err


@pytest.mark.parametrize(("typed", "sent"), [("yes", 1), ("y", 1), ("", 0), ("no", 0), ("stop", 0)])
def test_only_a_typed_yes_sends(path: Path, typed: str, sent: int) -> None:
    with small_in_thread(path, carried_out) as taken:
        code = do(path, "stop feed", answer=lambda _: typed)
        assert code == (doing.DONE if sent else doing.DECLINED)
    assert len(taken) == sent


def test_end_of_input_is_no_yes(path: Path) -> None:
    def nobody(_: str) -> str:
        raise EOFError

    with small_in_thread(path, carried_out) as taken:
        assert do(path, "stop_feed", answer=nobody) == doing.DECLINED
    assert taken == []


def test_enabling_control_names_the_settings_that_were_shown(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with small_in_thread(path, carried_out) as taken:
        assert do(path, "enable-control", yes=True) == doing.DONE
    assert "under the settings 5e771d012345" in capsys.readouterr().out
    assert taken[0].subject == "5e771d0123456789"


def test_moisture_is_typed_in_percent_and_sent_as_a_fraction(path: Path) -> None:
    with small_in_thread(path, carried_out) as taken:
        assert do(path, "set-moisture", "virgin", "4.5", yes=True) == doing.DONE
    assert (taken[0].subject, taken[0].value) == ("virgin", 0.045)


def test_a_share_of_the_drum_is_typed_in_percent_without_a_subject(
    path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with small_in_thread(path, carried_out) as taken:
        assert do(path, "drum-dumped", "50", yes=True) == doing.DONE
    assert (taken[0].kind, taken[0].subject, taken[0].value) == (CommandKind.DRUM_DUMPED, "", 0.5)
    assert "50 percent of what the standing drum holds is booked as wasted" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("drum-dumped",), "drum-dumped needs a number: percent of the drum's content"),
        (("drum-dumped", "half"), "'half' is no number"),
        (("drum-dumped", "mouth", "50"), "drum-dumped takes nothing after it"),
        (("explode",), "there are enable-control, monitor-only, start-feed"),
        (("select-mix",), "select-mix needs the mix"),
        (("stop-feed", "now"), "stop-feed takes nothing after it"),
        (("set-moisture", "virgin"), "needs a number: percent of dry mass"),
        (("set-moisture", "virgin", "wet"), "'wet' is no number"),
        (("set-moisture", "virgin", "nan"), "'nan' is no number"),
        (("acknowledge", "HOPPER_LOW", "3"), "acknowledge takes no number"),
    ],
)
def test_wrong_words_are_answered_with_the_right_ones(
    path: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], says: str
) -> None:
    assert do(path, *words) == doing.USAGE
    assert says in capsys.readouterr().err
