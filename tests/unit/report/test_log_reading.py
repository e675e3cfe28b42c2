"""Rows out of a journal carry the mix and the moisture that the daemon reckoned with when they were written."""

from pathlib import Path
from uuid import uuid4

import pytest

from crumbmeter.journal.entry import Appendable, Stamp
from crumbmeter.journal.journal import Journal
from crumbmeter.journal.reader import Reader
from crumbmeter.ledger import boots, events, parcels, rows
from crumbmeter.ledger.stamped import Stamped
from crumbmeter.model.events import Event, event
from crumbmeter.model.quality import Quality
from crumbmeter.report.log_reading import log_rows, log_site
from crumbmeter.site import load
from crumbmeter.site.zones import time_zone
from tests.booked_parcels import booked

SITE = load(Path("config/sites/demo_drum.toml"))
LAYOUT = rows.Layout(("mix_rate_kg_s",))
WALL_US = 1_790_000_000_000_000


def moisture(fraction: float) -> Event:
    return event("moisture_entered", stream="aggregate", was_fraction=0.04, fraction=fraction, since_s=0.0, who="ada")


BOOT = boots.boot(uuid4().hex, "1", "s", clock_synced=True, simulated=True)
TOLD: list[tuple[str, Event | None]] = [
    ("boot", None),
    ("event", moisture(0.05)),
    ("parcel", None),
    ("row", None),
    ("event", event("mix_selected", was="surface_10lb", to="plain", who="ada")),
    ("row", None),
    ("event", event("mix_arrived", was="surface_10lb", to="plain")),
    ("event", moisture(0.06)),
    ("row", None),
    ("event", event("settings_changed", was="s", to="t")),
    ("event", event("mix_selected", was="plain", to="base_5lb", who="ada")),
    ("row", None),
    ("boot", None),
    ("row", None),
]
EXPECTED = [
    (3, SITE.params.first_mix, {"aggregate": 0.05}),
    (5, SITE.params.first_mix, {"aggregate": 0.05}),
    (8, "plain", {"aggregate": 0.06}),
    (11, "plain", {}),
    (13, "base_5lb", {}),
]
"""Second, mix and moisture of each row, by hand."""


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("record") / "journal.db"
    written = Journal(path, BOOT.boot_id, lambda: Stamp(0, WALL_US))
    written.append_nowait([rows.layout_entry(LAYOUT, Stamped(0, WALL_US))])
    for second, (kind, happened) in enumerate(TOLD):
        written.append_nowait([_entry(kind, happened, Stamped(second * 1_000_000, WALL_US + second * 1_000_000))])
    assert written.flush(10)
    assert written.close(10)
    return path


def _entry(kind: str, happened: Event | None, at: Stamped) -> Appendable:
    if happened is not None:
        return events.entry(happened, at)
    if kind == "boot":
        return boots.entry(BOOT, at)
    if kind == "parcel":
        return parcels.entry(booked(1).parcel, at)
    return rows.entry(rows.Row(LAYOUT.layout_id, "feeding", (1.0,), (Quality.GOOD,)), at)


@pytest.mark.parametrize("from_s", range(15))
def test_what_was_in_force_wherever_the_period_begins(journal: Path, from_s: int) -> None:
    with Reader(journal) as reader:
        found = list(log_rows(reader, SITE.params, WALL_US + from_s * 1_000_000, WALL_US + 100_000_000))
    told = [((row.named.stored.wall_us - WALL_US) // 1_000_000, row.mix_id, dict(row.moistures)) for row in found]
    assert told == [one for one in EXPECTED if one[0] >= from_s]


def test_signals_of_the_demonstration_site() -> None:
    log = log_site(
        SITE.params, time_zone("America/Denver"), location="x", additive="y", brand="", metric=False
    )  # fmt: skip
    assert [(stream.stream_id, signal) for stream, signal in log.streams] == [
        ("aggregate", "aggregate_flow"), ("rap", "recycle_flow"), ("binder", "binder_flow"),
    ]  # fmt: skip
    assert (log.binder_temperature, log.mix_temperature) == ("binder_temperature", "discharge_temperature")
