"""Rows of a period out of the journal, each with the mix and the moisture in force: for the production log."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import tzinfo
from heapq import merge
from typing import Final

from crumbmeter.control.params import Params
from crumbmeter.journal.entry import Stored
from crumbmeter.journal.reader import Reader
from crumbmeter.ledger import events, parcels, rows
from crumbmeter.ledger.rows import NamedRow
from crumbmeter.ledger.stamped import BOOT, EVENT, PARCEL
from crumbmeter.model.events import Event
from crumbmeter.model.parcel import Parcel
from crumbmeter.report.log_row import LogRow
from crumbmeter.report.production_log import LogSite

MIX_ARRIVED: Final = "mix_arrived"
MOISTURE_ENTERED: Final = "moisture_entered"
SETTINGS_CHANGED: Final = "settings_changed"
SELECTED: Final = ("mix_selected", "mix_changed")
"""The second: its name in older journals."""
TELLING: Final = (MIX_ARRIVED, MOISTURE_ENTERED, SETTINGS_CHANGED, *SELECTED)
BINDER_TEMPERATURE: Final = "binder_temperature"
"""A signal of this name is the binder's temperature: it steers nothing, so no key of a site file names it."""


def log_site(params: Params, zone: tzinfo, *, location: str, additive: str, brand: str, metric: bool) -> LogSite:
    """Take what the log needs from a site's settings and its quality plan.

    Args:
        params: Settings in force.
        zone: Of the site's calendar.
        location: As the log is to say it.
        additive: The same.
        brand: The same.
        metric: Whether it is written in metric units.
    """
    names = [signal.signal_id for signal in params.signals]
    discharge = params.drum.discharge_temperature
    return LogSite(
        location=location, additive=additive, brand=brand, zone=zone, metric=metric,
        streams=tuple((stream, names[stream.rate]) for stream in params.streams),
        mixes=params.mixes,
        binder_temperature=BINDER_TEMPERATURE if BINDER_TEMPERATURE in names else None,
        mix_temperature=None if discharge is None else names[discharge],
    )  # fmt: skip


@dataclass(slots=True)
class _Held:
    """What is in force while the record is read."""

    batches: bool
    first_mix: str
    """Of a site on its first start."""
    mix_id: str | None = None
    selected: str | None = None
    batch: Parcel | None = None
    moistures: dict[str, float] = field(default_factory=dict)
    """Never changed in place: rows that were told before keep theirs."""

    def take(self, stored: Stored) -> None:
        """Take note of an entry."""
        if stored.kind == PARCEL:
            self._take_parcel(parcels.read(stored))
        elif stored.kind == BOOT:
            self.mix_id = self.selected or self.mix_id or self.first_mix  # a run begins with the mix that is selected
        else:
            self._take_event(events.read(stored))

    def _take_parcel(self, parcel: Parcel) -> None:
        if self.mix_id is None or self.batches:
            self.mix_id = parcel.mix_id
        self.batch = parcel if self.batches else None

    def _take_event(self, happened: Event) -> None:
        if happened.name == MIX_ARRIVED:
            self.mix_id = str(happened.get("to"))
        elif happened.name in SELECTED:
            self.selected = str(happened.get("to"))
        elif happened.name == SETTINGS_CHANGED:
            self.moistures = {}  # what was entered before belongs to another site file
        elif happened.name == MOISTURE_ENTERED:
            self.moistures = {**self.moistures, str(happened.get("stream")): float(happened.get("fraction") or 0.0)}


def log_rows(reader: Reader, params: Params, from_us: int, before_us: int) -> Iterator[LogRow]:
    """Iterate the rows of a period with what was in force.

    A moisture that was entered with "so since an hour" counts from its entry: the log says what the daemon reckoned
    with.

    Args:
        reader: The plant's record.
        params: Settings of the site; a batch plant's rows carry the newest batch.
        from_us: [us] UTC since 1970.
        before_us: [us] UTC since 1970.
    """
    held = _Held(params.batch is not None, params.first_mix)
    for stored in reversed(_before(reader, params, from_us)):
        held.take(stored)
    told: Iterator[Stored | NamedRow] = merge(
        reader.entries("record", (EVENT, PARCEL, BOOT), from_wall_us=from_us, before_wall_us=before_us),
        rows.iterate(reader, from_wall_us=from_us, before_wall_us=before_us),
        key=_seq,
    )
    for one in told:
        if isinstance(one, NamedRow):
            yield LogRow(one, held.mix_id, held.moistures, held.batch)
        else:
            held.take(one)


def _seq(one: Stored | NamedRow) -> int:
    return one.stored.seq if isinstance(one, NamedRow) else one.seq


def _before(reader: Reader, params: Params, from_us: int) -> list[Stored]:
    """Return the entries that tell what was in force at a beginning, newest first: no more of them than it takes."""
    newest = next(reader.entries("record", (PARCEL,), before_wall_us=from_us, newest_first=True), None)
    found: list[Stored] = []
    wet = {stream.stream_id for stream in params.streams if stream.wet}
    asked = {MIX_ARRIVED, *SELECTED[:1]}
    for stored in reader.entries("record", (EVENT, BOOT), before_wall_us=from_us, newest_first=True):
        if stored.kind == BOOT:
            found.append(stored)
            continue
        happened = events.read(stored)
        if happened.name not in TELLING:
            continue
        found.append(stored)
        asked.discard(MIX_ARRIVED if happened.name == MIX_ARRIVED else SELECTED[0] if happened.name in SELECTED else "")
        wet = set() if happened.name == SETTINGS_CHANGED else wet - {str(happened.get("stream"))}
        if not asked and not wet:
            break
    return sorted([*found, *([newest] if newest is not None else [])], key=_seq, reverse=True)
