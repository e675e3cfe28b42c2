"""Where the readings of a look come from: the running daemon, or the device itself where no daemon runs. Reads alone.

The daemon's own reading is the better proof, since it has come the whole way to the page. A device is asked only where
the daemon is not running: many take one connection at a time.
"""

from collections.abc import Awaitable, Callable
from typing import Any

from crumbmeter.adapters.control_line import ControlLine, NoDaemonError
from crumbmeter.commission.looking import Shown
from crumbmeter.field.opcua import make_node_decoder
from crumbmeter.field.spec import SignalSource, Table
from crumbmeter.field.words import make_decoder
from crumbmeter.model.faults import CrumbmeterError
from crumbmeter.model.frozen import replace
from crumbmeter.model.quality import Quality
from crumbmeter.model.sample import Sample
from crumbmeter.ports import Clock
from crumbmeter.runtime.link import DeviceLine
from crumbmeter.signals.params import SignalParams
from crumbmeter.signals.settle import first_memory, settle
from crumbmeter.site.settings import Site

Read = Callable[[], Awaitable[Shown]]


class NotReadError(CrumbmeterError):
    """A signal cannot be read this way; the text says why and what to do."""


async def from_daemon(line: ControlLine, site: Site, signal: str) -> Read:
    """Return what reads a signal of the running daemon.

    Raises:
        NotReadError: the daemon at this socket runs on other settings, or is another site's.
        NoDaemonError: it hung up.
    """
    settings = await line.ask({"ask": "settings"})
    if settings.get("settings_id") != site.settings_id:
        raise NotReadError(
            f"the daemon runs {settings.get('site_id')} with settings {str(settings.get('settings_id'))[:12]}, this "
            f"file has {site.settings_id[:12]}: start the daemon anew, so that what is checked is what is in force"
        )

    async def read() -> Shown:
        view = await line.ask({"ask": "words"})
        if view.get("answer") != "view":
            raise NoDaemonError(f"the daemon has nothing to show: {view.get('why')}")
        return shown_in(view, signal)

    return read


def shown_in(view: dict[str, Any], signal: str) -> Shown:
    """Find a signal in a view with words.

    Raises:
        NotReadError: it is not there.
    """
    found = next((one for one in view["signals"] if one["signal_id"] == signal), None)
    if found is None:
        raise NotReadError(f"the daemon shows no signal {signal!r}")
    words = view.get("words", {}).get(signal)
    age_s = float(found.get("age_s") or 0.0)
    return Shown(
        value_si=found["value"], quality=Quality[str(found["quality"]).upper()], reason=str(found["reason"]),
        age_s=age_s + float(view.get("scan_age_s") or 0.0), words=None if words is None else tuple(words),
        stamp=round(float(view["process_time_s"]) - age_s, 2),
    )  # fmt: skip


def from_device(line: DeviceLine, source: SignalSource, params: SignalParams, clock: Clock) -> Read:
    """Return what reads a signal from its device, judged by its own limits alone: no other signal is asked.

    Raises:
        NotReadError: it is a rate that is counted over time, which only a running daemon does.
    """
    if source.rate_unit:
        raise NotReadError(f"{source.signal_id} is a rate made of pulses: start the daemon, which counts them")
    alone = replace(
        params, frozen_after_s=None, frozen_while=None, frozen_above_si=None, initial_reads=0, alive_by=None,
        status=None, baseline=None,
    )  # fmt: skip
    memory, last_s = first_memory(1), clock.now_s()
    register = source.register
    of_node = register.table is Table.NODE
    span = register.span if of_node else register.reach
    decode = make_node_decoder(register) if of_node else make_decoder(register)

    async def read() -> Shown:
        nonlocal memory, last_s
        try:
            await line.endpoint.revive()
            words = await line.read(register.table, span.first, span.end - span.first)
        except CrumbmeterError as fault:
            memory = first_memory(1)
            return Shown(None, Quality.BAD, f"no communication: {fault}", 0.0, None)
        now_s = clock.now_s()
        value, reason = decode(words, register.address - span.first)
        sample = Sample(value, reason, now_s, link_ok=True)
        memory, (reading,), _ = settle((sample,), memory, (alone,), now_s, now_s - last_s)
        last_s = now_s
        own = words[register.address - span.first :][: register.count]
        return Shown(reading.value, reading.quality, reading.reason.value, reading.age_s, own, now_s)

    return read
