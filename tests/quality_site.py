"""A small plant's record for the tests of quality control: three hours of mix on the demonstration's site, invented.

Parcels of 250 kg with a row every three seconds, one stretch without rubber, a bag, an alarm. No core made it: only
what QC reads is there.
"""

import dataclasses
from pathlib import Path
from uuid import uuid4

from crumbmeter.journal.entry import Appendable, Stamp
from crumbmeter.journal.journal import Journal
from crumbmeter.ledger import boots, events, parcels, rows
from crumbmeter.ledger.stamped import Stamped
from crumbmeter.model.events import Event, event
from crumbmeter.model.quality import Quality
from crumbmeter.runtime.recorder import FIGURES
from crumbmeter.site import Site, load
from tests.booked_parcels import booked

ROOT = Path(__file__).parents[1]
BEGIN_US = 1_790_000_000_000_000
"""2026-09-21 14:13:20 UTC, 08:13:20 at the plant."""
DAY = "2026-09-21"
SECOND_US = 1_000_000
PARCEL_S = 3
COUNT = 3600
"""Three hours."""
SHORT = range(1201, 1301)
"""Numbers of the parcels without rubber: 25 t from the end of the first hour on."""
BAG_KG = 1000.0
BAG_AT = 1000
"""Number of the parcel during which the bag is hung up."""
LOT = "LOT-7"


def at(second: float) -> int:
    """[us] Return the wall time of a second of the record."""
    return BEGIN_US + round(second * SECOND_US)


def make(folder: Path, *, watched: int = 0) -> Site:
    """Record the shift in a folder; return the site whose records these are.

    Args:
        folder: Where the records go.
        watched: So many parcels from the first on were made while crumbmeter only watched.
    """
    site = load(ROOT / "config/sites/demo_drum.toml")
    desk = dataclasses.replace(
        site.desk, people=folder / "desk" / "people.json", quality_plan=ROOT / "config/quality/demo_drum.toml"
    )
    site = dataclasses.replace(site, desk=desk, journal=dataclasses.replace(site.journal, folder=folder / "record"))
    record(site, watched=watched)
    return site


def record(site: Site, *, watched: int = 0) -> None:
    """Record the shift where a site keeps its record."""
    boot_id = uuid4().hex
    journal = Journal(site.journal.folder / "journal.db", boot_id, lambda: Stamp(0, BEGIN_US))
    began = boots.boot(boot_id, "1", site.settings_id, clock_synced=True, simulated=False)
    names = tuple(name for name, _ in FIGURES) + tuple(signal.signal_id for signal in site.params.signals)
    layout = rows.Layout(names)
    start = Stamped(0, BEGIN_US)
    journal.append_nowait([boots.entry(began, start), rows.layout_entry(layout, start)])
    hopper = site.params.signals[site.params.weighing.hopper_mass].signal_id
    supply = site.params.contacts.supply_mass
    scales = {hopper: 200.0} | ({} if supply is None else {site.params.signals[supply].signal_id: 1500.0})
    fed_kg = 0.0
    for number in range(1, COUNT + 1):
        batch = list(_parcel(number, watched))
        fed_kg += 0.0 if number in SHORT else 1.25
        batch.append(_row(layout, scales, number * PARCEL_S, fed_kg))
        journal.append_nowait(batch)
    if not (journal.flush(30) and journal.close(30)):
        raise RuntimeError("the record was not written")


def _parcel(number: int, watched: int) -> list[Appendable]:
    ended_s = number * PARCEL_S
    stamped = Stamped((ended_s + 1) * SECOND_US, at(ended_s + 1))
    one = booked(
        number, began_us=at(ended_s - PARCEL_S), began_s=float(ended_s - PARCEL_S), ended_s=float(ended_s),
        rubber_g=0 if number in SHORT else 1_250, mix_id="surface_10lb",
        worst_state="feeding", controlled=number > watched,
    )  # fmt: skip
    told: list[Event] = []
    if watched and number == watched + 1:
        told.append(event("control_enabled", who="ada", settings_id="site"))
    if number == BAG_AT:
        told.append(event("bag_loaded", lot=LOT, mass_kg=BAG_KG, bags_in_job=1, who="ben"))
    if number == SHORT[0]:
        told.append(event("alarm_raised", alarm="no_rubber_flow", state="unacknowledged", detail="", first_out=True))
        told.append(event("feed_stopped", cause="hose off", trigger="machine doubt"))
    return [parcels.entry(one.parcel, stamped), *(events.entry(happened, stamped) for happened in told)]


def _row(layout: rows.Layout, scales: dict[str, float], second: int, fed_kg: float) -> Appendable:
    """Make a row: the scale of the supply falls by what is fed, and rises by the bag."""
    bag_kg = BAG_KG if second > BAG_AT * PARCEL_S else 0.0
    known = {
        "mix_rate_kg_s": 83.0, "fed_kg_s": 0.42, "wanted_kg_s": 0.42, "setpoint_kg_s": 0.42, **scales,
        **{name: value + bag_kg - fed_kg for name, value in scales.items() if value > 1000.0},
    }  # fmt: skip
    values = tuple(known.get(name) for name in layout.columns)
    qualities = tuple(Quality.BAD if value is None else Quality.GOOD for value in values)
    return rows.entry(rows.Row(layout.layout_id, "feeding", values, qualities), Stamped(second * SECOND_US, at(second)))
