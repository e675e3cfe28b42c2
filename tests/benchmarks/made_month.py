"""A month of a plant: the record and the quality record of so many days, through the real ledger and the real journals.

    python -m tests.benchmarks.made_month FOLDER [--days 30] [--hours 10]

Values are drawn by a seed and follow the demonstration site; no core runs, and nothing of it is a real plant. All sums
agree: what the tickets carried away is what the parcels hold, and the bags hung up are the rubber in them.
"""

import argparse
import random
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from crumbmeter import __version__
from crumbmeter import site as sites
from crumbmeter.alarms.life import AlarmState
from crumbmeter.app.sealing import KEY_NAME
from crumbmeter.journal import signed
from crumbmeter.journal.entry import SIMULATED, Appendable, Stamp
from crumbmeter.journal.journal import Journal
from crumbmeter.journal.limits import limits_of
from crumbmeter.journal.reader import Reader
from crumbmeter.journal.signing import SigningKey, load_or_make_key
from crumbmeter.ledger import boots, events, parcels, quality, rows, settings
from crumbmeter.ledger.stamped import Stamped
from crumbmeter.model.events import Event, event
from crumbmeter.model.parcel import Parcel
from crumbmeter.model.quality import Quality
from crumbmeter.qc.rubber_entries import BagLot, what_bag_lot
from crumbmeter.qc.said import Said, Subject
from crumbmeter.qc.silos import SiloWord
from crumbmeter.runtime.recorder import FIGURES
from crumbmeter.site import Site
from tests.benchmarks.section import DEMO_SITE

SEED = 30
FIRST_DAY_US = 1_780_311_600_000_000
"""2026-06-01T11:00:00Z, 06:00 on the plant's clock."""
DAY_US = 86_400_000_000
PARCEL_S = 3
"""1200 parcels an hour of about 250 kg: 300 t/h."""
TICKET_PARCELS = 40
"""About 10 t a truck: 300 trucks in ten hours, 9000 in the month."""
BAG_G = 1_000_000
SILO = "north"
"""Of the demonstration site's quality plan. It is never said to be empty: the longest trace."""
BAGS_A_LOT = 20
ALARM = "supply_low"
FLUSH_ENTRIES = 8000
"""After so many the maker waits for the disk: it is far faster than a scan, whose queue this is."""
FLUSH_S = 120.0
KEPT_DAYS = 3650.0
SWITCHES = 12
"""Signals of the row that are 0 or 1; the others have all their digits, which makes the rows longer than a plant's."""


@dataclass
class Month:
    """What goes on from day to day."""

    site: Site
    chance: random.Random
    number: int = 1
    ticket: int = 1
    load_g: int = 0
    load_parcels: int = 0
    bag: int = 0
    rubber_left_g: int = 0


def make(folder: Path, days: int, hours: float) -> dict[str, Any]:
    """Make both records; return what is in them."""
    month = Month(sites.load(DEMO_SITE), random.Random(SEED))
    key = load_or_make_key(folder / KEY_NAME)
    for day in range(days):
        began_us = FIRST_DAY_US + day * DAY_US
        saids = _record_day(folder / "journal.db", month, began_us, round(hours * 3600), key)
        ended_us = began_us + round(hours * 3.6e9)
        quality.append(folder, saids, lambda ended_us=ended_us: ended_us, _nobody_waits, flags=SIMULATED)  # type: ignore[misc]
    return {"days": days, "hours": hours, "parcels": month.number - 1, "tickets": month.ticket - 1, "bags": month.bag}


def _nobody_waits(_pause_s: float) -> None:
    raise AssertionError("nobody else appends here")


def _record_day(path: Path, month: Month, began_us: int, seconds: int, key: SigningKey) -> list[Said]:
    """Record one day's run; return what people say of it."""
    boot_id = f"{began_us:032x}"
    limits = limits_of(KEPT_DAYS, 7.0, 1 << 40)
    journal = Journal(path, boot_id, lambda: Stamp(0, began_us), limits, flags=SIMULATED)
    site = month.site
    at = Stamped(1_000_000, began_us, SIMULATED)
    began = boots.boot(boot_id, __version__, site.settings_id, clock_synced=True, simulated=True)
    names = tuple(name for name, _ in FIGURES) + tuple(signal.signal_id for signal in site.params.signals)
    layout = rows.Layout(names)
    first: list[Appendable] = [boots.entry(began, at), rows.layout_entry(layout, at)]
    if month.number == 1:
        files = tuple((file.name, file.content) for file in site.files)
        first.append(settings.entry(settings.KeptSettings(site.settings_id, files), at))
    saids = [filling(began_us)] if month.number == 1 else []
    for batch in _batched(_entries(month, layout, began_us, seconds, first, saids)):
        journal.append_nowait(batch)
        if not journal.flush(FLUSH_S):
            raise RuntimeError("the disk does not keep up")
    with Reader(path) as reader:
        identity = bytes.fromhex(reader.journal_id())
    end = Stamp(1_000_000 * (seconds + 1), began_us + 1_000_000 * seconds)
    journal.append_nowait((signed.entry(key, journal.heads, lambda: identity, end, SIMULATED),))
    status = journal.status()
    if not journal.close(FLUSH_S) or status.failing or any(status.dropped.values()):
        raise RuntimeError(f"the journal is not whole: {status}")
    return saids


def _batched(entries: Iterator[Appendable]) -> Iterator[list[Appendable]]:
    batch: list[Appendable] = []
    for entry in entries:
        batch.append(entry)
        if len(batch) == FLUSH_ENTRIES:
            yield batch
            batch = []
    yield batch


def _entries(
    month: Month, layout: rows.Layout, began_us: int, seconds: int, first: list[Appendable], saids: list[Said]
) -> Iterator[Appendable]:
    """Yield the day's entries: a row a second, a parcel every three, and what happens."""
    yield from first
    row = _Rows(month, layout)
    for second in range(seconds):
        at = Stamped(1_000_000 * (second + 1), began_us + 1_000_000 * second, SIMULATED)
        yield rows.entry(row.next(), at)
        if second % PARCEL_S == PARCEL_S - 1:
            made = _parcel(month, second)
            yield parcels.entry(made, at)
            for happened in _happenings(month, made, at, saids):
                yield events.entry(happened, at)


class _Rows:
    """Rows with all their digits."""

    def __init__(self, month: Month, layout: rows.Layout) -> None:
        self._month = month
        self._layout = layout
        self._qualities = (Quality.GOOD,) * len(layout.columns)

    def next(self) -> rows.Row:
        """Return one second."""
        draw, count = self._month.chance.random, len(self._layout.columns) - SWITCHES
        values = (*(50.0 + 50.0 * draw() for _ in range(count)), *(1.0,) * SWITCHES)
        return rows.Row(self._layout.layout_id, "feeding", values, self._qualities)


def _parcel(month: Month, second: int) -> Parcel:
    chance, mix = month.chance, month.site.params.mixes[0]
    aggregate_g = chance.randint(195_000, 205_000)
    recycle_g, binder_g = chance.randint(29_000, 31_000), chance.randint(12_000, 13_000)
    without_g = aggregate_g + recycle_g + binder_g
    target_g = round(without_g * mix.dose / (1.0 - mix.dose))
    number, month.number = month.number, month.number + 1
    odd = chance.random()
    return Parcel(
        number, second + 1.0 - PARCEL_S, second + 1.0, mix.mix_id, mix.dose_basis.value, mix.dose, target_g,
        round(target_g * chance.gauss(1.0, 0.02)), 12, aggregate_g, recycle_g, recycle_g // 20, binder_g,
        Quality.UNCERTAIN if odd < 0.02 else Quality.GOOD, "refilling" if odd < 0.1 else "feeding",
        controlled=True, simulated=True,
    )  # fmt: skip


def _happenings(month: Month, made: Parcel, at: Stamped, saids: list[Said]) -> Iterator[Event]:
    """Yield what goes with a parcel: a bag hung up, an alarm now and then; let trucks drive off."""
    month.rubber_left_g -= made.rubber_g
    if month.rubber_left_g < 0:
        month.rubber_left_g += BAG_G
        month.bag += 1
        lot = f"LOT-{month.bag // BAGS_A_LOT + 1:03d}"
        if month.bag % BAGS_A_LOT == 0 or month.bag == 1:
            saids.append(bag_lot(lot, at.wall_us))
        yield event("bag_loaded", lot=lot, mass_kg=BAG_G / 1000.0, bags_in_job=month.bag, who="loader")
    if month.chance.random() < 1.0 / 150.0:
        yield event("refill_ended", duration_s=42.0, mass_kg=60.0, fresh_air_percent=1.5)
    if month.chance.random() < 1.0 / 600.0:
        yield event("alarm_raised", alarm=ALARM, state=AlarmState.UNACKNOWLEDGED.value, detail="", first_out=True)
        yield event("alarm_cleared", alarm=ALARM, state=AlarmState.RETURNED.value, detail="")
    month.load_g += made.mix_g
    month.load_parcels += 1
    if month.load_parcels == TICKET_PARCELS:
        saids.append(ticket(month.ticket, month.load_g, made.mix_id, at.wall_us))
        month.ticket, month.load_g, month.load_parcels = month.ticket + 1, 0, 0


def ticket(number: int, net_g: int, mix_id: str, at_us: int) -> Said:
    """Make a load ticket."""
    content = {"net_g": net_g, "silo_id": SILO, "truck": f"truck {number % 25 + 1}", "mix_id": mix_id}
    return Said(Subject.TICKET, str(number), content, "made_month", at_us)


def bag_lot(lot: str, at_us: int) -> Said:
    """Make a bag lot with its certificate."""
    content = what_bag_lot(BagLot(lot, f"CERT-{lot}", "invented", "scale A", bias_g=2000, random_g=1000))
    return Said(Subject.BAG_LOT, lot, content, "made_month", at_us)


def filling(at_us: int) -> Said:
    """Make the entry that says which silo is filled from then on."""
    return Said(Subject.SILO, SILO, {"word": SiloWord.FILLING.value}, "made_month", at_us)


def main() -> None:
    """Make a month to look at."""
    parser = argparse.ArgumentParser(description="Make the records of a month.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--hours", type=float, default=10.0)
    options = parser.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    sys.stdout.write(f"{make(options.folder, options.days, options.hours)}\n")


if __name__ == "__main__":
    main()
