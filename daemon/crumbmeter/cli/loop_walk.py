"""`crumbmeter loop-check walk`: through every signal that has not passed, asking at each. Can be ended and resumed."""

import sys
from collections.abc import Callable

from crumbmeter.adapters.control_line import NoDaemonError
from crumbmeter.cli.exits import FAILED, OK, REFUSED
from crumbmeter.cli.loop_work import (
    LookWords,
    LoopRefusedError,
    Place,
    asked_of,
    initials,
    look_at,
    standing_of,
    standing_words,
    told,
)
from crumbmeter.cli.screen import folded
from crumbmeter.commission.expecting import ExpectRefusedError
from crumbmeter.commission.readings import NotReadError
from crumbmeter.journal.errors import JournalUnreadableError
from crumbmeter.ledger.quality import NotRecordedError, read_all
from crumbmeter.qc.loop_checks import Loop, LoopKind, LoopState
from crumbmeter.report.loop_sheet import range_words, standings
from crumbmeter.report.sources import NoAnswerError
from crumbmeter.site import Site

LEAVE, END = "s", "q"


class _EndedError(Exception):
    """The person ends the walk."""


def walk(place: Place, by: str, witness: str, within_s: float, answer: Callable[[str], str] = input) -> int:
    """Walk through all signals that have not passed.

    Args:
        place: The site.
        by: Initials.
        witness: Initials, or nothing.
        within_s: [s] Longest wait at each look.
        answer: Asks the person at the terminal.
    """
    site = place.load()
    if site is None:
        return REFUSED
    try:
        words = LookWords("", "", initials(by), initials(witness) if witness else "", "", within_s)
        _walk(site, words, answer)
        found = standings(site, read_all(site.desk.quality_folder))
    except (LoopRefusedError, NotRecordedError) as refused:
        sys.stderr.write(f"refused: {refused}\n")
        return REFUSED
    except (NoAnswerError, JournalUnreadableError) as problem:
        sys.stderr.write(f"the quality record cannot be read: {problem}\n")
        return REFUSED
    signals = [one for one in found if one.loop.kind is LoopKind.SIGNAL]
    left = [one for one in signals if one.state is not LoopState.PASSED]
    sys.stdout.write(f"{len(signals) - len(left)} of {len(signals)} signals have passed.\n")
    return FAILED if left else OK


def _walk(site: Site, words: LookWords, answer: Callable[[str], str]) -> None:
    found = standings(site, read_all(site.desk.quality_folder))
    open_ones = [one for one in found if one.loop.kind is LoopKind.SIGNAL and one.state is not LoopState.PASSED]
    try:
        for number, standing in enumerate(open_ones, 1):
            loop, place = standing.loop, [one.signal_id for one in site.params.signals].index(standing.loop.name)
            where = f"{site.registers[place]}, {range_words(loop)}"
            sys.stdout.write(f"\n{number} of {len(open_ones)}: {standing_words(standing)}\n  {where}\n")
            _one(site, loop, words, answer)
    except (_EndedError, EOFError, KeyboardInterrupt):
        sys.stdout.write("\nEnded. All that was seen is on record; the same command goes on.\n")


def _one(site: Site, loop: Loop, words: LookWords, answer: Callable[[str], str]) -> None:
    """Look at one signal until it has passed or is left."""
    while (standing := standing_of(site, loop)).state is not LoopState.PASSED:
        good = [one.expected_si >= 0.5 for one in standing.looks if one.passed]
        wanted = "open" if loop.is_contact and True in good else "closed"
        asked = _ask_contact(wanted, answer) if loop.is_contact else _ask_value(answer)
        if asked is None:
            return
        expect, how = asked
        try:
            typed = LookWords(expect, "", words.by, words.witness, how, words.within_s)
            look = look_at(site, asked_of(site, loop, typed), words.within_s)
        except (ExpectRefusedError, NotReadError, NoDaemonError) as refused:
            sys.stdout.write(f"  nothing is on record: {refused}\n")
            continue
        sys.stdout.write(folded(f"  {told(loop, look)}", sys.stdout) + "\n")
    sys.stdout.write(folded(f"  {standing_words(standing)}", sys.stdout) + "\n")


def _ask_contact(wanted: str, answer: Callable[[str], str]) -> tuple[str, str] | None:
    typed = _answer(f"  bring it to {wanted}, then Enter ({LEAVE} leaves it, {END} ends): ", answer)
    return None if typed == LEAVE else (wanted, typed)


def _ask_value(answer: Callable[[str], str]) -> tuple[str, str] | None:
    expect = _answer(f"  it must read (with a unit; {LEAVE} leaves it, {END} ends): ", answer)
    if expect in ("", LEAVE):
        return None
    return expect, _answer("  by what, such as 20 kg test weight: ", answer)


def _answer(words: str, answer: Callable[[str], str]) -> str:
    """Ask one thing. Raises _EndedError where the person ends."""
    typed = answer(words).strip()
    if typed == END:
        raise _EndedError
    return typed
