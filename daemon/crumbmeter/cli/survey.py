"""`crumbmeter survey`: look at a device whose map is not known. Only reads (REQ-13, REQ-14b).

One master at a time: many devices take one connection, and a serial bus has one master. End the daemon first.
"""

import asyncio
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from crumbmeter.adapters.clock import RealClock
from crumbmeter.adapters.modbus import make_links, silence_library
from crumbmeter.cli.device_address import AddressError, device_at
from crumbmeter.cli.exits import OK, REFUSED
from crumbmeter.cli.look_file import LookFile, look_json
from crumbmeter.cli.survey_text import survey_text
from crumbmeter.field.look import Look, ReadingError, Run, reading_of
from crumbmeter.field.notation import NotationError, pdu_offset
from crumbmeter.field.spec import AddressSpan, DeviceSpec, Forbidden, Table
from crumbmeter.field.sweep import Ask, Sweep
from crumbmeter.model.faults import CrumbmeterError, DeviceExceptionError, ReconnectError, RetryLaterError
from crumbmeter.ports import FieldReader

NO_DEVICE: Final = 3
"""The device was not reached, or gave nothing."""
_BUSY = (5, 6)
_BUSY_TRIES = 3
_BUSY_S = 0.3


@dataclass(frozen=True, slots=True)
class Wish:
    """What a person wants to see, as typed."""

    address: str
    unit: int = 1
    tables: tuple[str, ...] = ("holding", "input")
    first: int = 0
    count: int = 100
    skip: tuple[str, ...] = ()
    """`400-410` or `holding:400-410`: never part of a request."""
    max_count: int = 100
    samples: int = 5
    pause_s: float = 1.0
    timeout_s: float = 1.0
    gap_s: float = 0.02
    displays: tuple[str, ...] = ()
    manual_address: str = ""


@dataclass(frozen=True, slots=True)
class Seen:
    """What the device gave."""

    wall_us: int
    at_s: tuple[float, ...]
    samples: tuple[tuple[Run, ...], ...]
    sweep: Sweep


def survey(wish: Wish, output: Path | None = None, *, as_json: bool = False, quiet: bool = False) -> int:
    """Look at a device, keep the look, and show it.

    Args:
        wish: What is to be looked at.
        output: File for the look; none is kept without it.
        as_json: Print the look in place of the tables.
        quiet: Print nothing.

    Returns:
        Exit code: 0 looked, 2 what was typed is not in order, 3 the device gave nothing.
    """
    try:
        device = device_at(wish.address, wish.unit, wish.timeout_s, wish.gap_s)
        readings = tuple(reading_of(text) for text in wish.displays)
        forbidden = tuple(part for text in wish.skip for part in _skipped(text, wish.tables))
        asks = _asks(wish)
        manual = manual_offset(wish.manual_address, asks[0].table) if wish.manual_address else None
    except (AddressError, ReadingError, NotationError, ValueError) as fault:
        return _say(str(fault), REFUSED)
    if output is not None and output.exists():
        return _say(f"{output}: exists already; a look is never overwritten. Give it another name.", REFUSED)
    silence_library()
    try:
        seen = asyncio.run(_look(device, wish, asks, forbidden))
    except CrumbmeterError as fault:
        return _say(str(fault), NO_DEVICE)
    if not seen.samples or not seen.samples[0]:
        return _say(f"{wish.address} unit {wish.unit}: gave none of what was asked. {_why(seen.sweep)}", NO_DEVICE)
    holes = tuple((hole.table.value, hole.address, hole.count) for hole in seen.sweep.holes)
    kept = LookFile(
        wish.address, wish.unit, seen.wall_us, seen.at_s, wish.displays, Look(seen.samples, readings), holes
    )
    if output is not None:
        output.write_text(look_json(kept), encoding="utf-8")
    if not quiet:
        sys.stdout.write(look_json(kept) if as_json else survey_text(kept, seen.sweep, manual, output))
    return OK


async def _look(device: DeviceSpec, wish: Wish, asks: Sequence[Ask], forbidden: Sequence[Forbidden]) -> Seen:
    """Learn which blocks the device gives, then take the other samples of these. Raises CrumbmeterError."""
    clock = RealClock()
    sweep = Sweep(asks, wish.max_count, 16 * wish.max_count, forbidden)
    reader = _Reader(device, clock)
    wall_us, began_s = clock.wall_us(), clock.now_s()
    at_s: list[float] = []
    samples: list[tuple[Run, ...]] = []
    try:
        await reader.open()
        first = await reader.explore(sweep)
        at_s.append(0.0)
        samples.append(first)
        for number in range(1, wish.samples if first else 0):
            await clock.sleep_until(began_s + number * wish.pause_s)
            at_s.append(clock.now_s() - began_s)
            samples.append(await reader.again(sweep.good))
    finally:
        await reader.close()
    return Seen(wall_us, tuple(at_s), tuple(samples), sweep)


class _Reader:
    """Reads, and only reads; opens the connection anew where the last one cannot be trusted any more."""

    def __init__(self, device: DeviceSpec, clock: RealClock) -> None:
        self._device, self._clock = device, clock
        (self._link,) = make_links([device])
        self._reads: FieldReader = self._link

    async def open(self) -> None:
        await self._link.connect()

    async def close(self) -> None:
        await self._link.close()

    async def explore(self, sweep: Sweep) -> tuple[Run, ...]:
        runs: dict[Ask, tuple[int, ...]] = {}
        while (ask := sweep.next()) is not None:
            try:
                words = await self._read(ask)
            except DeviceExceptionError as error:
                sweep.said_no(error.code)
            except (RetryLaterError, ReconnectError) as fault:
                sweep.was_silent()
                await self._anew(fault)
            else:
                sweep.answered()
                runs[ask] = words
        return tuple(Run(ask.table, ask.address, runs[ask]) for ask in sweep.good)

    async def again(self, asks: Sequence[Ask]) -> tuple[Run, ...]:
        runs = []
        for ask in asks:
            try:
                runs.append(Run(ask.table, ask.address, await self._read(ask)))
            except DeviceExceptionError:
                continue
            except (RetryLaterError, ReconnectError) as fault:
                await self._anew(fault)
        return tuple(runs)

    async def _read(self, ask: Ask) -> tuple[int, ...]:
        for _ in range(_BUSY_TRIES - 1):
            try:
                return await self._reads.read(ask.table, ask.address, ask.count)
            except DeviceExceptionError as error:
                if error.code not in _BUSY:
                    raise
                await self._clock.sleep_until(self._clock.now_s() + _BUSY_S)
        return await self._reads.read(ask.table, ask.address, ask.count)

    async def _anew(self, fault: CrumbmeterError) -> None:
        """Begin anew once no late reply can come any more."""
        if fault.link_sound:
            return
        await self._link.close()
        await self._clock.sleep_until(self._clock.now_s() + self._device.guard_s)
        (self._link,) = make_links([self._device])
        self._reads = self._link
        await self._link.connect()


def _asks(wish: Wish) -> tuple[Ask, ...]:
    if wish.count < 1 or not 0 <= wish.first <= wish.first + wish.count <= 0x10000:
        raise ValueError(f"addresses {wish.first} to {wish.first + wish.count - 1}: expected 0 to 65535")
    known = {table.value for table in Table}
    unknown = [name for name in wish.tables if name not in known]
    if unknown or not wish.tables:
        raise ValueError(f"no table {unknown[0] if unknown else ''!r}; there are {', '.join(sorted(known))}")
    return tuple(Ask(Table(name), wish.first, wish.count) for name in wish.tables)


def _skipped(text: str, tables: Sequence[str]) -> list[Forbidden]:
    """Read what is never to be asked for."""
    name, colon, numbers = text.rpartition(":")
    first, dash, last = numbers.partition("-")
    if not first.isdecimal() or (dash and not last.isdecimal()):
        raise ValueError(f"--skip {text!r}: expected addresses such as 400-410, or holding:400-410")
    names = [name] if colon else tables
    if any(one not in set(Table) for one in names):
        raise ValueError(f"--skip {text!r}: no table {name!r}; there are {', '.join(Table)}")
    end = int(last if dash else first) + 1
    if end <= int(first):
        raise ValueError(f"--skip {text!r}: the last address comes before the first")
    return [Forbidden(Table(one), AddressSpan(int(first), end)) for one in names]


def manual_offset(text: str, table: Table) -> tuple[Table, int]:
    """Read an address as a manual writes it: 40101, 400101, 30001, 0x0010 or a bare offset.

    Raises:
        NotationError: it is none.
    """
    digits = {"0": Table.COIL, "1": Table.DISCRETE, "3": Table.INPUT, "4": Table.HOLDING}
    if text.isdecimal() and len(text) in (5, 6) and text[0] in digits:
        table = digits[text[0]]
        if int(text[1:]) == 0:  # 40000: a manual that counts from 0
            return table, -1
        return table, pdu_offset("modicon5" if len(text) == 5 else "modicon6", table, text)
    if text.isdecimal():
        return table, pdu_offset("offset", table, int(text))
    return table, pdu_offset("hex", table, text)


def _why(sweep: Sweep) -> str:
    if sweep.silent:
        return "It did not answer: is the unit id right, and does no other master hold it?"
    codes = sorted({code for _, code in sweep.refused})
    return f"It refuses with exception {codes[0]:02d}." if codes else "There is nothing at these addresses."


def _say(words: str, code: int) -> int:
    sys.stderr.write(f"{words}\n")
    return code
