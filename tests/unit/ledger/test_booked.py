"""Parcels read fast are the parcels that were written, with their times on the clock."""

from pathlib import Path
from uuid import uuid4

import pytest

from crumbmeter.journal.entry import Stamp
from crumbmeter.journal.journal import Journal
from crumbmeter.journal.reader import Reader
from crumbmeter.ledger import booked, boots, parcels
from crumbmeter.ledger.stamped import PARCEL, Stamped, UnknownBodyError, record
from crumbmeter.model.parcel import Parcel
from crumbmeter.model.quality import Quality

WALL_US = 1_790_000_000_000_000


def parcel(number: int) -> Parcel:
    return Parcel(
        number, 10.0 * number, 10.0 * number + 9.5, "mix_a", "share_of_mix", 0.005, 1250, 1248, 12, 200_000, 30_000,
        1_500, 12_000, Quality.UNCERTAIN, "feeding", True, False,
    )  # fmt: skip


def journal_with(folder: Path, *entries: object) -> Path:
    boot_id = uuid4().hex
    journal = Journal(folder / "journal.db", boot_id, lambda: Stamp(0, WALL_US))
    began = boots.boot(boot_id, "1", "settings-1", clock_synced=True, simulated=False)
    journal.append_nowait([boots.entry(began, Stamped(0, WALL_US)), *entries])  # type: ignore[list-item]
    assert journal.flush(10)
    assert journal.close(10)
    return folder / "journal.db"


def test_the_parcels_that_were_written(tmp_path: Path) -> None:
    made = [parcel(number) for number in range(1, 6)]
    path = journal_with(
        tmp_path,
        *(parcels.entry(one, Stamped(round(one.ended_s * 1e6) + 500_000, WALL_US + one.number)) for one in made),
    )
    with Reader(path) as reader:
        found = list(booked.iterate(reader))
        assert [one.parcel for one in found] == made == [one.parcel for one in parcels.iterate(reader)]
    assert {one.settings_id for one in found} == {"settings-1"}
    assert [one.ended_us for one in found] == [WALL_US + one.number - 500_000 for one in made]
    assert [one.ended_us - one.began_us for one in found] == [9_500_000] * 5


def test_another_version_is_refused(tmp_path: Path) -> None:
    path = journal_with(tmp_path, record(PARCEL, {"number": 1}, Stamped(0, WALL_US), 2))
    with Reader(path) as reader, pytest.raises(UnknownBodyError, match="parcel record 2"):
        list(booked.iterate(reader))
