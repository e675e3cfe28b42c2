"""The daemon's state as a Modbus device: what stands behind the server, and how a written request becomes a command."""

from collections.abc import Callable, Sequence
from typing import Final
from uuid import uuid4

from crumbmeter.adapters.modbus_server import ModbusServer
from crumbmeter.field.served import BUSY, ILLEGAL_ADDRESS, ILLEGAL_VALUE, Bank
from crumbmeter.field.spec import Table
from crumbmeter.model.commands import Command, CommandKind
from crumbmeter.model.events import Event
from crumbmeter.model.scan import ScanResult
from crumbmeter.outward.asked import FIRST_COIL, FIRST_WORD, REQUESTS, SELECT_MIX, Wish, most, wish
from crumbmeter.outward.offered import Offered, OfferedSite, offered
from crumbmeter.ports import Clock
from crumbmeter.runtime.fanout import Latest
from crumbmeter.runtime.intake import STOPPING, Intake
from crumbmeter.site import Site

FRESH_S: Final = 1.0
"""[s] A scan says something about now for so long, or for five periods of a slower one. Process time."""
COMMAND_S: Final = 5.0
"""[s] A request that no scan has seen by then is dropped."""
MOST_PEERS: Final = 64
"""Addresses whose requests are remembered; of more the oldest is forgotten, and has to write 0 before a start."""
_NAMES: Final = tuple(REQUESTS)


class OfferedBank:
    """Every bit and word, as of the newest scan, and what may be asked for."""

    def __init__(self, site: Site, views: Latest[ScanResult], intake: Intake, clock: Clock) -> None:
        """Prepare.

        Args:
            site: Checked settings; `publish.modbus` is there.
            views: Where the newest scan is.
            intake: Where commands go.
            clock: Process time.
        """
        self._views = views
        self._intake = intake
        self._clock = clock
        self._written: dict[str, int] = {}
        """As it is read back: what anybody wrote last."""
        self._by_peer: dict[str, dict[str, int]] = {}
        """What each address wrote last. A request is a change of one's own: two that write alternately make none."""
        self.renew(site)

    def renew(self, site: Site) -> None:
        """Take the settings that are in force from now on."""
        params, modbus = site.params, site.publish.modbus
        self._allowed = () if modbus is None else modbus.allow
        self._mixes = tuple(mix.mix_id for mix in params.mixes)
        self._site = OfferedSite(
            units=site.units, mixes=self._mixes, simulated=params.simulated,
            low_word_first=modbus is not None and modbus.order == "CDAB",
            fresh_for_s=max(FRESH_S, 5.0 * params.scan_period_s),
        )  # fmt: skip

    def bank_for(self, peer: str) -> Bank:
        """Return what a client at an address reads and writes."""
        return _ClientBank(self, peer)

    def read(self, table: Table, address: int, count: int) -> Sequence[int] | None:
        """Return bits or words; None where one of them is not there."""
        image = self._image()
        if table in (Table.COIL, Table.DISCRETE):
            return self._span(table is Table.COIL, address, count, image.bits, FIRST_COIL)
        return self._span(table is Table.HOLDING, address, count, image.words, FIRST_WORD)

    def write(self, table: Table, address: int, values: Sequence[int], peer: str) -> int:
        """Take requests, all or none; return 0 or the code of an exception."""
        first = FIRST_COIL if table is Table.COIL else FIRST_WORD
        places = range(address - first, address - first + len(values))
        if any(not self._there(place, table) for place in places):
            return ILLEGAL_ADDRESS
        named = [(_NAMES[place], value) for place, value in zip(places, values, strict=True)]
        if any(value > most(name, len(self._mixes)) for name, value in named):
            return ILLEGAL_VALUE
        before = self._of_peer(peer)
        stops = any(value and REQUESTS[name] in STOPPING for name, value in named)
        for name, value in named:
            wanted = wish(name, before.get(name), value)
            if stops and wanted is not None and wanted.kind is CommandKind.START_FEED:
                wanted = None  # of both in one request the stop counts
            if wanted is not None and not self._ask(wanted, peer):
                return BUSY
            before[name] = self._written[name] = value
        return 0

    def _of_peer(self, peer: str) -> dict[str, int]:
        """Return what an address wrote last, by the name of the request."""
        if peer not in self._by_peer and len(self._by_peer) >= MOST_PEERS:
            del self._by_peer[next(iter(self._by_peer))]
        return self._by_peer.setdefault(peer, {})

    def _there(self, place: int, table: Table) -> bool:
        if not 0 <= place < len(_NAMES) or _NAMES[place] not in self._allowed:
            return False
        return table is Table.HOLDING or (table is Table.COIL and _NAMES[place] != SELECT_MIX)

    def _span(
        self, requests: bool, address: int, count: int, values: tuple[int, ...], first: int
    ) -> Sequence[int] | None:
        if address + count <= len(values):
            return values[address : address + count]
        places = range(address - first, address - first + count)
        table = Table.COIL if first == FIRST_COIL else Table.HOLDING
        if requests and all(self._there(place, table) for place in places):
            return [self._written.get(_NAMES[place], 0) for place in places]
        return None

    def _image(self) -> Offered:
        newest = self._views.value
        view, number = (None, 0) if newest is None else (newest.view, newest.number)
        return offered(view, number, self._clock.now_s(), self._clock.wall_us(), self._site)

    def _ask(self, wanted: Wish, peer: str) -> bool:
        subject = self._mixes[wanted.value - 1] if wanted.kind is CommandKind.SELECT_MIX else ""
        now_s = self._clock.now_s()
        command = Command(
            wanted.kind, f"plant controller at {peer}", uuid4().hex, now_s + COMMAND_S, subject=subject,
        )  # fmt: skip
        return self._intake.offer(command, now_s).accepted


class _ClientBank:
    """The same for one client, whose address stands in what it asks for."""

    def __init__(self, bank: OfferedBank, peer: str) -> None:
        self._bank = bank
        self._peer = peer

    def read(self, table: Table, address: int, count: int) -> Sequence[int] | None:
        """Return bits or words; None where one of them is not there."""
        return self._bank.read(table, address, count)

    def write(self, table: Table, address: int, values: Sequence[int]) -> int:
        """Take requests; return 0 or the code of an exception."""
        return self._bank.write(table, address, values, self._peer)


def offer_state(bank: OfferedBank, site: Site, report: Callable[[Event], None]) -> ModbusServer | None:
    """Make the server of a site; None where the site offers nothing."""
    keys = site.publish.modbus
    if keys is None:
        return None
    return ModbusServer(keys.address, keys.port, keys.unit_id, keys.clients, bank.bank_for, report)
