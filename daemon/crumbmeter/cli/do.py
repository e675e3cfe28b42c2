"""`crumbmeter do`: ask a running daemon for something, over its local socket."""

import asyncio
import getpass
import math
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from crumbmeter.adapters.control_line import ControlLine, NoDaemonError
from crumbmeter.model.commands import CommandKind

DONE: Final = 0
REFUSED: Final = 1
USAGE: Final = 2
NO_DAEMON: Final = 3
NOT_HEARD: Final = 4
"""The daemon took it, and nothing was heard of it in time."""
DECLINED: Final = 5
"""The person at the terminal said no."""

WAIT_S = 3.0
"""[s] Loop time that the daemon may take to say what became of it."""

REFUSALS = frozenset({"command_refused", "command_expired", "command_displaced"})


@dataclass(frozen=True, slots=True)
class Deed:
    """What one command does, in words, and what must be named with it."""

    says: str
    subject: str = ""
    """What the subject is; empty: there is none."""
    value: str = ""
    unit_si: float = 1.0
    """What one of the value's unit is in SI."""
    reason: bool = False
    """Whether the record needs to know why."""


DEEDS: dict[CommandKind, Deed] = {
    CommandKind.ENABLE_CONTROL: Deed(
        "crumbmeter may then WRITE to the feeder, under the settings {settings}. It does not start the feed."
    ),
    CommandKind.MONITOR_ONLY: Deed("The feed stops, and from then on nothing is written to the field."),
    CommandKind.START_FEED: Deed("The feed goes in service: machinery STARTS by itself when the mix comes."),
    CommandKind.HOLD_FEED: Deed("The feed holds with the blower on, until it is started again."),
    CommandKind.STOP_FEED: Deed("The feed stops and goes out of service."),
    CommandKind.SELECT_MIX: Deed("Mix {subject} and its dose rule from now on.", "the mix"),
    CommandKind.SET_MOISTURE: Deed(
        "Stream {subject} is taken to hold {value} percent of water in its dry mass, from now on.",
        "the stream",
        "percent of dry mass",
        0.01,
    ),
    CommandKind.ACKNOWLEDGE: Deed("Alarm {subject} is marked as seen by you. Its cause stays.", "the alarm"),
    CommandKind.RESET_ALARM: Deed("Alarm {subject}, whose cause is gone, goes back to normal.", "the alarm"),
    CommandKind.SHELVE_ALARM: Deed(
        "Alarm {subject} is NOT TOLD for {value} minutes; then it comes back by itself.",
        "the alarm",
        "minutes",
        60.0,
        reason=True,
    ),
    CommandKind.UNSHELVE_ALARM: Deed("Alarm {subject} is told again, if its condition holds.", "the alarm"),
    CommandKind.REMOVE_ALARM: Deed(
        "Alarm {subject} is NOT TOLD any more until somebody returns it to service.", "the alarm", reason=True
    ),
    CommandKind.RETURN_ALARM: Deed("Alarm {subject} is told again, if its condition holds.", "the alarm"),
    CommandKind.RESET_SUBTOTAL: Deed("The job's subtotal starts at zero. Grand totals are never reset."),
    CommandKind.SETTLE_TOTAL: Deed(
        "The oldest open gap of {subject} is settled with {value} (kg, or SI). What was booked stays as it is.",
        "the totaliser's signal (SIGNAL#GAP for another gap)",
        "what was counted, in kg (or SI)",
        reason=True,
    ),
    CommandKind.ACCEPT_WEIGHT: Deed(
        "The weight {subject} is taken as right: its zero and tare are as they should be.", "the signal", reason=True
    ),
    CommandKind.CONFIRM_WEIGHT: Deed(
        "The reading of {subject} is compared with the known weight of {value} kg that is on it now.",
        "the hopper's weight signal",
        "the known weight in kg",
        reason=True,
    ),
    CommandKind.MEASURE_TRIP: Deed(
        "The heartbeat is withheld until the feeder trips by itself; how long that takes goes into the record. The "
        "feed must be out of service. The feeder may need a reset at its own panel afterwards."
    ),
    CommandKind.RELEARN_LINE: Deed(
        "The learned curve of the line's pressure is forgotten and learned anew. Only after air or line were changed "
        "on purpose; until it is learned, the fixed limits alone watch.",
        reason=True,
    ),
    CommandKind.DRUM_DUMPED: Deed(
        "{value} percent of what the standing drum holds is booked as wasted, and reckoned with no longer.",
        value="percent of the drum's content",
        unit_si=0.01,
    ),
    CommandKind.PLAN_JOB: Deed(
        "The job is to have {value} tonnes of mix with rubber; 0 takes it back.",
        value="tonnes of mix with rubber",
        unit_si=1000.0,
    ),
    CommandKind.LOAD_BAG: Deed(
        "A bag of the lot {subject} with {value} kg of rubber goes into the record.", "the bag's lot", "kg of rubber"
    ),
    CommandKind.WASTE_MIX: Deed(
        "{value} tonnes of mix that left the drum are marked as wasted. They stay in the record as they were made.",
        value="tonnes of mix",
        unit_si=1000.0,
        reason=True,
    ),
    CommandKind.HAND_OVER_NOTE: Deed("The note goes into the record, for the next shift.", reason=True),
}


class UsageError(Exception):
    """What was typed is no command; the text says what would be."""


def do(
    socket: Path,
    words: str,
    subject: str = "",
    value: str = "",
    *,
    reason: str = "",
    minutes_ago: float = 0.0,
    yes: bool = False,
    answer: Callable[[str], str] = input,
) -> int:
    """Ask a running daemon for something, after saying what it will do.

    Args:
        socket: The daemon's local socket.
        words: The command, with blanks, hyphens or underscores: `start-feed`.
        subject: Mix, stream, signal or alarm, as the command needs.
        value: Percent of dry mass, for `set-moisture`; what was counted, for `settle-total`; kg, for `confirm-weight`;
            minutes, for `shelve-alarm`; percent of the drum, for `drum-dumped`, which has no subject before it.
        reason: Why, where the record needs it.
        minutes_ago: [min] For how long a moisture has held already.
        yes: Do not ask whether it is meant.
        answer: Asks the person at the terminal.

    Returns:
        Exit code: 0 carried out, 1 refused, 2 no such command, 3 no daemon, 4 taken but nothing heard of it,
        5 the answer was no.
    """
    try:
        kind = kind_of(words)
        if not DEEDS[kind].subject and DEEDS[kind].value and subject and not value:
            subject, value = "", subject  # it takes a number alone
        number = _check(kind, subject, value, reason)
        ask = Ask(kind, subject, number, reason, _since_s(kind, minutes_ago))
        return asyncio.run(_do(socket, ask, None if yes else answer))
    except UsageError as fault:
        return _say(str(fault), USAGE)
    except NoDaemonError as fault:
        return _say(f"{fault} Its [socket] path is given by --socket.", NO_DAEMON)


def _since_s(kind: CommandKind, minutes_ago: float) -> float:
    """[s] Return for how long it has been so already.

    Raises:
        UsageError: the command knows no such thing.
    """
    if minutes_ago and kind is not CommandKind.SET_MOISTURE:
        raise UsageError("--minutes-ago is of set-moisture alone: everything else holds from now on")
    return 60.0 * minutes_ago


def kind_of(words: str) -> CommandKind:
    """Understand a command, however its words are joined.

    Raises:
        UsageError: there is none of that name.
    """
    plain = words.replace("-", " ").replace("_", " ").lower().strip()
    try:
        return CommandKind(plain)
    except ValueError as fault:
        known = ", ".join(kind.value.replace(" ", "-") for kind in CommandKind)
        raise UsageError(f"no command {words!r}; there are {known}") from fault


def _check(kind: CommandKind, subject: str, value: str, reason: str) -> float:
    """Check that all is named that the command needs, and return its value in SI.

    Raises:
        UsageError: something is missing, or too much.
    """
    deed = DEEDS[kind]
    name = kind.value.replace(" ", "-")
    if bool(deed.subject) != bool(subject):
        raise UsageError(f"{name} needs {deed.subject}" if deed.subject else f"{name} takes nothing after it")
    if bool(deed.value) != bool(value):
        raise UsageError(f"{name} needs a number: {deed.value}" if deed.value else f"{name} takes no number")
    if deed.reason != bool(reason.strip()):
        raise UsageError(f"{name} needs --reason: the record keeps it" if deed.reason else f"{name} takes no reason")
    if not value:
        return 0.0
    try:
        number = float(value)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise UsageError(f"{value!r} is no number ({deed.value})")
    return number * deed.unit_si


@dataclass(frozen=True, slots=True)
class Ask:
    """What is asked of the daemon."""

    kind: CommandKind
    subject: str
    value: float
    reason: str
    since_s: float


async def _do(socket: Path, ask: Ask, answer: Callable[[str], str] | None) -> int:
    kind, subject, value = ask.kind, ask.subject, ask.value
    async with ControlLine(socket) as line:
        settings = await line.ask({"ask": "settings"})
        settings_id = str(settings.get("settings_id", ""))
        shown = f"{value / DEEDS[kind].unit_si:g}"
        says = DEEDS[kind].says.format(subject=subject, value=shown, settings=settings_id[:12])
        sys.stdout.write(f"{settings.get('title') or settings.get('site_id')}: {says}\n")
        if answer is not None and not await _meant(answer):
            return _say("Not sent.", DECLINED)
        request: dict[str, Any] = {
            "ask": "command",
            "kind": kind.value,
            "who": getpass.getuser(),
            "subject": settings_id if kind is CommandKind.ENABLE_CONTROL else subject,
            "value": value,
            "reason": ask.reason,
            "since_s": ask.since_s,
            "wait_s": WAIT_S,
        }
        code = _judge(await line.ask(request, within_s=WAIT_S + 5.0))
        return await _wait_for_trip(line) if kind is CommandKind.MEASURE_TRIP and code == DONE else code


async def _wait_for_trip(line: ControlLine) -> int:
    """Follow the measurement to its end and say what came of it."""
    sys.stdout.write("Waiting for the trip. Ctrl-C ends the waiting and not the measurement; monitor-only ends that.\n")
    sys.stdout.flush()
    await line.send({"ask": "follow"})
    while True:
        try:
            answer = await line.receive()
        except TimeoutError:
            return _say("The daemon says nothing. The measurement may go on: see `crumbmeter show`.", NOT_HEARD)
        if answer.get("answer") != "view":
            continue
        trip = answer.get("trip", {})
        if trip.get("trip_s") is not None:
            sys.stdout.write(
                f"The feeder tripped {trip['trip_s']:.1f} s after the last heartbeat (at most "
                f"{trip['resolution_s']:.1f} s less). Compare with what it is set to.\n"
            )
            return DONE
        if not trip.get("measuring"):
            return _say(f"Not measured: {trip.get('why')}", REFUSED)


async def _meant(answer: Callable[[str], str]) -> bool:
    """Ask; only a typed yes is one. Enter alone does nothing."""
    try:
        return (await asyncio.to_thread(answer, "Do it? Type yes: ")).strip().lower() in {"y", "yes"}
    except EOFError:
        return False


def _judge(reply: dict[str, Any]) -> int:
    if reply.get("answer") != "command" or not reply.get("accepted"):
        return _say(f"Refused: {reply.get('why')}", REFUSED)
    outcome = reply.get("outcome")
    if outcome is None:
        return _say("Taken by the daemon; what became of it was not heard in time. See `crumbmeter show`.", NOT_HEARD)
    if outcome["name"] in REFUSALS:
        return _say(f"Refused: {outcome['detail'].get('why', outcome['name'])}", REFUSED)
    sys.stdout.write(f"Done: {outcome['name'].replace('_', ' ')}.\n")
    return DONE


def _say(words: str, code: int) -> int:
    sys.stderr.write(f"{words}\n")
    return code
