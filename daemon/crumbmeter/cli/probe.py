"""`crumbmeter probe`: one signal as its device gives it now, in every way in which it could be read (REQ-13, REQ-14b).

Only reads, over a connection of its own. Many devices take one connection: end the daemon first, or watch it with
`crumbmeter trace`.
"""

import asyncio
import json
import sys
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Final

from crumbmeter.adapters.clock import RealClock
from crumbmeter.adapters.modbus import make_links, silence_library
from crumbmeter.cli.check_text import addresses_text, table
from crumbmeter.cli.decode import decode_text
from crumbmeter.cli.exits import FAILED, OK, REFUSED
from crumbmeter.cli.run import load_or_say
from crumbmeter.field.plan import span_fault, wire_addresses
from crumbmeter.field.spec import AddressSpan, DeviceSpec, SignalSource
from crumbmeter.field.views import NeighbourView, neighbour_view, views
from crumbmeter.field.words import decode_si
from crumbmeter.model.faults import CrumbmeterError
from crumbmeter.model.units import UNITS
from crumbmeter.signals.params import SignalParams
from crumbmeter.site import Site

NO_DEVICE: Final = 3
"""The device was not reached, or did not answer."""


@dataclass(frozen=True, slots=True)
class Found:
    """What one look at a signal brought."""

    words: tuple[int, ...]
    """Its own words, or its bit."""
    value_si: float | None
    reason: str
    """Why there is no value; `ok` where there is one."""
    neighbours: tuple[NeighbourView, ...]
    """One address beside it."""

    @property
    def doubtful(self) -> tuple[NeighbourView, ...]:
        """Return the neighbours whose value could be meant just as well."""
        return tuple(one for one in self.neighbours if one.plausible)


def probe(path: Path, signal: str, *, as_json: bool = False) -> int:
    """Read one signal of a site from its device and print it in every way.

    Args:
        path: Site file.
        signal: Its name there.
        as_json: Print JSON.

    Returns:
        Exit code: 0 read, 1 read, and a neighbour's value is as plausible, 2 no such site or signal, 3 the device did
        not answer.
    """
    site = load_or_say(path)
    if site is None:
        return REFUSED
    names = [source.signal_id for source in site.params.sources]
    if signal not in names:
        return _say(f"{path}: no signal {signal!r}; there are {', '.join(names)}", REFUSED)
    place = names.index(signal)
    source = site.params.sources[place]
    silence_library()
    try:
        found = asyncio.run(_look(site.devices[source.device], source, site.params.signals[place]))
    except CrumbmeterError as fault:
        return _say(f"{signal}: {fault}", NO_DEVICE)
    sys.stdout.write(_json(signal, source, found) if as_json else _text(site, source, found))
    return FAILED if found.doubtful else OK


async def _look(device: DeviceSpec, source: SignalSource, params: SignalParams) -> Found:
    """Read it and what stands beside it. Raises CrumbmeterError where the device does not give the signal itself."""
    register = source.register
    (link,) = make_links([device])
    await link.connect()
    reach = register.reach
    try:
        words = await link.read(register.table, reach.first, reach.end - reach.first)
    finally:
        await link.close()
    value_si, reason = decode_si(register, words)
    own = words[register.address - reach.first :][: register.count]
    beside = []
    for step in (-1, 1):
        other = await _beside(device, source, step)
        beside.append(neighbour_view(register, step, other, params.low_si, params.high_si))
    return Found(own, value_si, reason.value, tuple(beside))


async def _beside(device: DeviceSpec, source: SignalSource, step: int) -> tuple[int, ...]:
    """Read as many words one address further; none where they must not be asked for or the device gives none.

    Some devices do not refuse an address that they do not have, but say nothing, or hang up: each is asked on a
    connection of its own, and only once no reply to what was asked before can come any more.
    """
    register = source.register
    span = AddressSpan(register.address + step, register.address + step + register.count)
    if span.first < 0 or span.end > 0x10000 or span_fault(device, register.table, span, device.max_words):
        return ()
    clock = RealClock()
    await clock.sleep_until(clock.now_s() + device.guard_s)
    (link,) = make_links([device])
    try:
        await link.connect()
        return await link.read(register.table, span.first, register.count)
    except CrumbmeterError:
        return ()
    finally:
        await link.close()


def _text(site: Site, source: SignalSource, found: Found) -> str:
    register = source.register
    where = addresses_text(wire_addresses(site.devices, [source], []))
    value = _shown(source, found.value_si, found.reason)
    parts = [where, f"As the site reads it: {value}"]
    if not register.table.of_bits:
        parts.append(decode_text(found.words, views(found.words)).rstrip())
    rows = [["offset", "words", "would read", ""]]
    for one in found.neighbours:
        words = " ".join(f"0x{word:04X}" for word in one.words) or "---"
        doubt = "AS PLAUSIBLE: is the address off by one?" if one.plausible else ""
        would = _shown(source, one.value_si, "no number") if one.words else "no answer"
        rows.append([str(register.address + one.step), words, would, doubt])
    parts.append(f"One address beside it\n{table(rows, 'r')}")
    return "\n\n".join(parts) + "\n"


def _shown(source: SignalSource, value_si: float | None, reason: str) -> str:
    unit = source.register.unit
    return f"none, {reason}" if value_si is None else f"{UNITS[unit].from_si(value_si):.9g} {unit}"


def _json(signal: str, source: SignalSource, found: Found) -> str:
    seen = () if source.register.table.of_bits else views(found.words)
    body = {
        "signal": signal, "words": found.words, "value_si": found.value_si, "reason": found.reason,
        "views": [asdict(view) for view in seen],
        "neighbours": [asdict(one) for one in found.neighbours],
    }  # fmt: skip
    return json.dumps(body, indent=2, allow_nan=False) + "\n"


def _say(words: str, code: int) -> int:
    sys.stderr.write(f"{words}\n")
    return code
