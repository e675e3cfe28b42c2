"""`crumbmeter loop-check output`: writes one output for some seconds, while no daemon runs, and brings it to rest."""

import asyncio
import contextlib
import os
import random
import select
import signal
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from crumbmeter.adapters.clock import RealClock, machine_wall_us
from crumbmeter.adapters.modbus import silence_library
from crumbmeter.adapters.socket_file import SiteHeldError, SocketHeldError, hold_site, take_lock
from crumbmeter.app.links import FieldLinks
from crumbmeter.app.startup import instance_of, new_boot_id
from crumbmeter.cli.exits import FAILED, NOT_AT_REST, OK, REFUSED
from crumbmeter.cli.loop_work import START_S, LoopRefusedError, Place, initials, put, standing_of, standing_words, told
from crumbmeter.cli.screen import folded
from crumbmeter.commission.expecting import ExpectRefusedError, parse_value
from crumbmeter.commission.proof_parts import Outcome, Second
from crumbmeter.commission.proving import Proof
from crumbmeter.commission.write_rules import CAUTIONS, Wish, actual_of, hand_shake, refusals
from crumbmeter.field.plan import wire_addresses
from crumbmeter.field.scaling import line
from crumbmeter.journal.errors import JournalUnreadableError
from crumbmeter.journal.store import being_written
from crumbmeter.ledger.quality import NotRecordedError
from crumbmeter.model.events import Event
from crumbmeter.model.outputs import OutputRole
from crumbmeter.qc.loop_checks import Look, Loop, LoopKind
from crumbmeter.report.loop_sheet import value_words, wire_words
from crumbmeter.report.sources import NoAnswerError
from crumbmeter.runtime.endurance import load_counts, save_counts
from crumbmeter.runtime.tally import DeviceTally
from crumbmeter.site import Site
from crumbmeter.site.explain import WRITE_FUNCTIONS
from crumbmeter.site.loops import loops_of

TOLD = ("link_down", "device_lost", "output_failed", "output_overwritten", "writes_spent", "output_unencodable")
"""Events that are said while a proof runs."""


@dataclass(frozen=True, slots=True)
class OutputWords:
    """What was typed for one proof."""

    role: str
    value: str
    seconds: float
    beside: tuple[str, ...]
    beyond: bool
    into_drum: bool
    confirm: str
    by: str
    witness: str
    how: str


def output(place: Place, words: OutputWords, answer: Callable[[str], str] = input) -> int:
    """Prove one output.

    Args:
        place: The site.
        words: What was typed.
        answer: Asks the person at the terminal.
    """
    site = place.load()
    if site is None:
        return REFUSED
    try:
        wish = _wish(site, words)
        initials(words.by)
        with contextlib.ExitStack() as held:
            _take_site(site, held)
            _confirm(site, wish, words.confirm, answer)
            outcome = asyncio.run(_prove(site, wish))
    except (LoopRefusedError, ExpectRefusedError) as refused:
        sys.stderr.write(f"nothing was written: {refused}\n")
        return REFUSED
    return _conclude(site, wish, words, outcome)


def _wish(site: Site, words: OutputWords) -> Wish:
    loops = {one.name: one for one in loops_of(site) if one.kind is LoopKind.OUTPUT}

    def value_of(name: str, typed: str) -> tuple[OutputRole, float]:
        if name not in loops:
            raise LoopRefusedError(f"no output {name!r}; there are {', '.join(loops) or 'none: it can only watch'}")
        return OutputRole(name), parse_value(typed, loops[name])

    beside = []
    for one in words.beside:
        name, mark, typed = one.partition("=")
        if not mark:
            raise LoopRefusedError(f"--with {one}: ROLE=VALUE, such as airlock_run=closed")
        beside.append(value_of(name, typed))
    if words.value:
        role, value_si = value_of(words.role, words.value)
        wish = Wish(role, value_si, words.seconds, words.beyond, words.into_drum, tuple(beside))
    elif words.role in loops:
        wish = Wish(OutputRole(words.role), None, words.seconds, words.beyond, words.into_drum, tuple(beside))
    else:
        raise LoopRefusedError(f"no output {words.role!r}; there are {', '.join(loops) or 'none: it can only watch'}")
    why = refusals(site, wish)
    if why:
        raise LoopRefusedError("\n".join(why))
    return wish


def _take_site(site: Site, held: contextlib.ExitStack) -> None:
    """Take what keeps a daemon off this site. Raises LoopRefusedError where one has it."""
    try:
        held.callback(hold_site(site.path).close)
        site.socket.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        held.callback(os.close, take_lock(site.socket))
    except (SiteHeldError, SocketHeldError) as running:
        raise LoopRefusedError(
            f"a daemon, or another proof, runs on this site ({site.socket}): it alone may write. Stop it first"
        ) from running
    if being_written(site.journal.folder / "journal.db"):
        raise LoopRefusedError(f"a daemon writes its record to {site.journal.folder}: stop it first")


def _confirm(site: Site, wish: Wish, given: str, answer: Callable[[str], str]) -> None:
    """Show cautions and what will be written, and have the site's id typed. Raises LoopRefusedError otherwise."""
    sys.stdout.write(folded(f"{CAUTIONS}\n{_plan_words(site, wish)}", sys.stdout) + "\n\n")
    sys.stdout.flush()
    wanted = site.params.site_id
    try:
        typed = given or answer(f"Type the site's id, {wanted}, to write: ")
    except (EOFError, KeyboardInterrupt):
        typed = ""
    if typed.strip() != wanted:
        raise LoopRefusedError(f"{typed!r} is not this site's id, {wanted}")


def _plan_words(site: Site, wish: Wish) -> str:
    rows = {
        row.name: replace(
            row, function_code=spec.write_function or WRITE_FUNCTIONS.get((spec.register.table, row.count > 1), 0)
        )
        for row, spec in zip(wire_addresses(site.devices, [], site.params.outputs), site.params.outputs, strict=True)
    }
    loops = {one.name: one for one in loops_of(site) if one.kind is LoopKind.OUTPUT}
    lines = [f"For {wish.seconds:g} s is written, then brought to rest and read back:"]
    for role, value_si in wish.values:
        row = rows[role.value]
        lines.append(
            f"  {role.value} = {value_words(loops[role.value], value_si)} ({row.device_id}, {wire_words(row)})"
        )
    own = [role.value for role in hand_shake(site.params, wish)]
    if own:
        lines.append(f"  and, as the device asks for: {', '.join(own)}")
    return "\n".join([*lines, "Ctrl-C ends it at any moment.\n"])


async def _prove(site: Site, wish: Wish) -> Outcome:
    clock = RealClock(rate=site.clock_rate, start_s=START_S)
    silence_library()
    chance = random.Random()  # noqa: S311 - jitter, not secrets
    links = FieldLinks(site.devices, [DeviceTally() for _ in site.devices], clock, chance.random, _tell)
    path = site.journal.folder / "write-counts.json"
    loop = next(one for one in loops_of(site) if one.kind is LoopKind.OUTPUT and one.name == wish.role)
    actual = actual_of(site.params, wish.role)
    actual_loop = None if actual is None else loops_of(site)[actual]
    sys.stdout.write(f"{'s':>5}  {'wanted':>14}  {'read back':>14}  {'stage':12}  actual\n")
    sys.stdout.flush()
    proof = Proof(
        site.params, wish, links.lines, clock, chance.random, instance=instance_of(new_boot_id()),
        counts=load_counts(path), show=lambda second: _show(loop, actual_loop, second), report=_tell,
    )  # fmt: skip
    running = asyncio.get_running_loop()
    for sign in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT, signal.SIGTSTP):
        running.add_signal_handler(sign, proof.stop, f"somebody ended it ({sign.name})")
    signal.signal(signal.SIGTTOU, signal.SIG_IGN)  # a line from the background must not stop the process
    try:
        return await proof.run()
    finally:
        with contextlib.suppress(OSError):
            await asyncio.to_thread(save_counts, path, proof.writer.budget.counts())


def _show(loop: Loop, actual_loop: Loop | None, second: Second) -> None:
    wanted = "its own" if second.wanted_si is None else value_words(loop, second.wanted_si)
    back = value_words(loop, second.read_back_si) or "---"
    actual = ""
    if actual_loop is not None and second.actual is not None:
        shown = value_words(actual_loop, second.actual.value) or second.actual.reason.value
        actual = f"{actual_loop.name} {shown}"
    _say(f"{second.at_s:5.1f}  {wanted:>14}  {back:>14}  {second.stage.value:12}  {actual}\n")


def _tell(happened: Event) -> None:
    if happened.name in TOLD:
        detail = ", ".join(f"{key} {value}" for key, value in happened.detail)
        _say(f"       {happened.name.replace('_', ' ')}: {detail}\n")


def _say(line: str, *, wait: bool = False) -> None:
    """Write to the terminal, past any buffer; a line that it does not take at once is left out, unless it may wait.

    A terminal that was halted (Ctrl-S), or a reader that has gone, must not keep an output on.
    """
    with contextlib.suppress(OSError, ValueError):
        place = sys.stdout.fileno()
        if wait or select.select([], [place], [], 0.0)[1]:
            os.write(place, line.encode())


def _conclude(site: Site, wish: Wish, words: OutputWords, outcome: Outcome) -> int:
    """Put the proof on record, say how it went, and return the exit code. The record comes before the words."""
    code = OK if outcome.passed else FAILED
    if not outcome.begun:
        code = REFUSED
    if not outcome.stop.confirmed:
        code = NOT_AT_REST
    said = [f"Ended after {outcome.held_s:.1f} s: {outcome.ended}."] if outcome.begun else []
    if not outcome.begun:
        said.append(f"None of the values was written: {outcome.ended}.")
    said.append(_rest_words(outcome))
    if outcome.begun:
        loop = next(one for one in loops_of(site) if one.kind is LoopKind.OUTPUT and one.name == wish.role)
        try:
            look = put(site, _look(site, wish, words, outcome, loop), _evidence(site, wish, outcome))
            said += [told(loop, look), standing_words(standing_of(site, loop))]
        except (NotRecordedError, NoAnswerError, JournalUnreadableError) as problem:
            said.append(f"It is NOT on record: {problem}")
            code = code or FAILED
    _say(folded("\n".join(said), sys.stdout) + "\n", wait=True)
    return code


def _rest_words(outcome: Outcome) -> str:
    stopped = outcome.stop
    if stopped.skipped or not stopped.results:
        return "Nothing had to be brought to rest."
    at_rest = ", ".join(one.role for one in stopped.results if one.confirmed)
    doubtful = ", ".join(f"{one.role} on {one.device_id} ({one.cause})" for one in stopped.results if not one.confirmed)
    if doubtful:
        return f"NOT AT REST, as far as can be read back: {doubtful}. Go and look, and stop it by hand."
    return f"At rest, and read back: {at_rest}."


def _look(site: Site, wish: Wish, words: OutputWords, outcome: Outcome, loop: Loop) -> Look:
    spec = next(one for one in site.params.outputs if one.role == wish.role)
    half_count_si = 0.5 if loop.is_contact else abs(line(spec.register)[0]) * max(0.5, float(spec.deadband_counts))
    if outcome.passed:
        why = f"read back as written, held for {outcome.held_s:.0f} s, at rest and read back"
    else:
        why = outcome.ended if not outcome.by_person else "not read back as written"
        why = why if outcome.stop.confirmed else f"{why}; not confirmed at rest"
    return Look(
        name=loop.name, kind=loop.kind, meaning=loop.meaning, passed=outcome.passed,
        expected_si=outcome.wanted_si or 0.0, read_si=outcome.read_back_si, tolerance_si=half_count_si, unit=loop.unit,
        by=initials(words.by), witness=words.witness.strip(), how=words.how.strip(), why=why, at_us=machine_wall_us(),
    )  # fmt: skip


def _evidence(site: Site, wish: Wish, outcome: Outcome) -> dict[str, Any]:
    actual = actual_of(site.params, wish.role)
    return {
        "seconds_s": wish.seconds, "held_s": round(outcome.held_s, 3), "ended": outcome.ended,
        "beside_si": {role.value: value_si for role, value_si in wish.beside},
        "actual_signal": "" if actual is None else site.params.signals[actual].signal_id,
        "actual_si": outcome.actual_si, "at_rest": outcome.stop.confirmed, "writes": outcome.writes,
    }  # fmt: skip
