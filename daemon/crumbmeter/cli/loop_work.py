"""`crumbmeter loop-check list` and `signal`: the work behind the commands, and what `walk` and `output` share."""

import asyncio
import json
import random
import sys
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from crumbmeter.adapters.clock import RealClock, machine_pause, machine_wall_us
from crumbmeter.adapters.control_line import ControlLine, NoDaemonError
from crumbmeter.adapters.modbus import silence_library
from crumbmeter.adapters.socket_file import is_held
from crumbmeter.app.links import FieldLinks
from crumbmeter.cli.exits import FAILED, OK, REFUSED
from crumbmeter.cli.run import load_or_say
from crumbmeter.cli.screen import columns
from crumbmeter.commission.expecting import ExpectRefusedError, default_tolerance, parse_tolerance, parse_value
from crumbmeter.commission.looking import Asked, Seen, evidence, look_of, wait_steady
from crumbmeter.commission.readings import NotReadError, from_daemon, from_device
from crumbmeter.journal.entry import SIMULATED
from crumbmeter.journal.errors import JournalUnreadableError
from crumbmeter.ledger.quality import NotRecordedError, append, read_all
from crumbmeter.qc.loop_checks import Look, Loop, LoopKind, LoopStanding, LoopState, read, said_of
from crumbmeter.report.document import Document, content
from crumbmeter.report.files import csv_bytes, parquet_bytes, tsv_bytes
from crumbmeter.report.loop_sheet import look_words, sheet_of, standings
from crumbmeter.report.sources import NoAnswerError
from crumbmeter.report.taking import file_bytes
from crumbmeter.report.terminal import text
from crumbmeter.runtime.tally import DeviceTally
from crumbmeter.site import Site, SiteRefusedError, report
from crumbmeter.site.loops import loops_of
from crumbmeter.site.quality import load_quality_plan

START_S: Final = 1000.0
"""[s] Process time begins here, so that 0 can mean never."""
INITIALS: Final = 12
"""[letters] Longest initials."""


class LoopRefusedError(Exception):
    """Nothing was begun, and nothing is on record; the text says why and what to do."""


@dataclass(frozen=True, slots=True)
class Place:
    """The site file, and where its quality record lies if it is not where the site file says."""

    site: Path
    quality: Path | None = None

    def load(self) -> Site | None:
        """Load the site; None where that has been refused, and said."""
        site = load_or_say(self.site)
        if site is None or self.quality is None:
            return site
        return replace(site, desk=replace(site.desk, people=self.quality / site.desk.people.name))


@dataclass(frozen=True, slots=True)
class LookWords:
    """What was typed for one look."""

    expect: str
    tolerance: str
    by: str
    witness: str
    how: str
    within_s: float


def list_loops(place: Place, output: Path | None, *, as_json: bool) -> int:
    """Show the sheet in the terminal, as JSON or as a file."""
    site = place.load()
    if site is None:
        return REFUSED
    try:
        said = read_all(site.desk.quality_folder)
        document = sheet_of(site, said)
        if output is not None:
            output.write_bytes(_file(site, document, output.suffix.removeprefix(".")))
            sys.stdout.write(f"{output}\n")
        elif as_json:
            sys.stdout.write(json.dumps(content(document), indent=1, allow_nan=False) + "\n")
        else:
            sys.stdout.write(text(document, columns()))
        found = standings(site, said)
    except SiteRefusedError as refused:
        sys.stderr.write(report(refused.problems) + "\n")
        return REFUSED
    except (NoAnswerError, JournalUnreadableError, OSError) as problem:
        sys.stderr.write(f"cannot list the loops: {problem}\n")
        return REFUSED
    return OK if all(one.state is LoopState.PASSED for one in found) else FAILED


def _file(site: Site, document: Document, kind: str) -> bytes:
    table = document.tables[0]
    match kind:
        case "csv":
            return csv_bytes(table, document.marks)
        case "tsv":
            return tsv_bytes(table, document.marks)
        case "parquet":
            return parquet_bytes(table, document)
    created_us = machine_wall_us() if kind == "pdf" else None
    return file_bytes(document, kind, load_quality_plan(site).place.logo, created_us)


def signal(place: Place, name: str, words: LookWords) -> int:
    """Look at one signal once, and put it on record."""
    site = place.load()
    if site is None:
        return REFUSED
    try:
        loop = signal_named(site, name)
        asked = asked_of(site, loop, words)
        look = look_at(site, asked, words.within_s)
        standing = standing_of(site, loop)
    except (LoopRefusedError, ExpectRefusedError, NotReadError, NoDaemonError, NotRecordedError) as refused:
        sys.stderr.write(f"nothing is on record: {refused}\n")
        return REFUSED
    except (NoAnswerError, JournalUnreadableError) as problem:
        sys.stderr.write(f"the quality record cannot be read: {problem}\n")
        return REFUSED
    sys.stdout.write(f"{told(loop, look)}\n{standing_words(standing)}\n")
    return OK if look.passed else FAILED


def told(loop: Loop, look: Look) -> str:
    """Say a look as it is on record."""
    return f"{look_words(loop, look)}; entry {look.seq}, {look.by}"


def standing_words(standing: LoopStanding) -> str:
    """Say how a loop stands now."""
    missing = f": {standing.missing}" if standing.missing else ""
    return f"{standing.loop.name} is {standing.state.value}{missing}"


def signal_named(site: Site, name: str) -> Loop:
    """Return the loop of a signal.

    Raises:
        LoopRefusedError: there is none of that name.
    """
    signals = {one.name: one for one in loops_of(site) if one.kind is LoopKind.SIGNAL}
    if name not in signals:
        raise LoopRefusedError(f"no signal {name!r}; there are {', '.join(signals)}")
    return signals[name]


def standing_of(site: Site, loop: Loop) -> LoopStanding:
    """Return how a loop stands by the quality record."""
    found = standings(site, read_all(site.desk.quality_folder))
    return next(one for one in found if (one.loop.kind, one.loop.name) == (loop.kind, loop.name))


def initials(by: str) -> str:
    """Return somebody's initials.

    Raises:
        LoopRefusedError: there are none, or it is a sentence.
    """
    word = by.strip()
    if not word or len(word) > INITIALS or not word.isprintable():
        raise LoopRefusedError(f"{by!r} are no initials; one to {INITIALS} letters, such as XY")
    return word


def asked_of(site: Site, loop: Loop, words: LookWords) -> Asked:
    """Understand what one look is about.

    Raises:
        LoopRefusedError: no initials.
        ExpectRefusedError: expectation or tolerance is no value of this signal.
    """
    index = [one.signal_id for one in site.params.signals].index(loop.name)
    tolerance = parse_tolerance(words.tolerance, loop) if words.tolerance else default_tolerance(site, index, loop)
    witness = initials(words.witness) if words.witness else ""
    return Asked(loop, parse_value(words.expect, loop), tolerance, initials(words.by), witness, words.how.strip())


def look_at(site: Site, asked: Asked, within_s: float) -> Look:
    """Look at a signal until it is as expected or the time is over, and put it on record.

    Raises:
        NotReadError: neither daemon nor device can be asked.
        NoDaemonError: the daemon hung up meanwhile.
        NotRecordedError: nothing of it is on record.
    """
    seen, via = asyncio.run(_see(site, asked, within_s))
    return put(site, look_of(asked, seen, machine_wall_us()), evidence(seen, via))


def put(site: Site, look: Look, more: Mapping[str, Any]) -> Look:
    """Put a look on record, and return it with its place there. Raises NotRecordedError."""
    flags = SIMULATED if site.params.simulated else 0
    said = said_of(look, {**more, "settings_id": site.settings_id})
    (stored,) = append(site.desk.quality_folder, [said], machine_wall_us, machine_pause, flags=flags)
    return read(stored)


async def _see(site: Site, asked: Asked, within_s: float) -> tuple[Seen, str]:
    clock = RealClock(start_s=START_S)
    try:
        async with ControlLine(site.socket) as line:
            read = await from_daemon(line, site, asked.loop.name)
            return await wait_steady(read, asked, clock, within_s), "daemon"
    except NoDaemonError as nobody:
        if site.socket.parent.exists() and is_held(site.socket):
            raise NotReadError(f"a daemon runs and cannot be asked: {nobody}") from nobody
    index = [one.signal_id for one in site.params.signals].index(asked.loop.name)
    source, params = site.params.sources[index], site.params.signals[index]
    silence_library()
    line_ = _links(site, clock).lines[source.device]
    try:
        return await wait_steady(from_device(line_, source, params, clock), asked, clock, within_s), "device"
    finally:
        await line_.endpoint.close()


def _links(site: Site, clock: RealClock) -> FieldLinks:
    chance = random.Random()  # noqa: S311 - jitter, not secrets
    return FieldLinks(site.devices, [DeviceTally() for _ in site.devices], clock, chance.random, lambda _event: None)
