"""The watch over the backup tells once when the newest good one is too old, and once when there is one again."""

from pathlib import Path

import pytest

from crumbmeter.app.backup_watch import OVERDUE_S, BackupWatch
from crumbmeter.journal.backup_status import BackupStatus, write_status
from crumbmeter.model.events import Event
from tests.fakes import FakeClock


def made(folder: Path) -> tuple[BackupWatch, FakeClock, list[Event]]:
    clock, told = FakeClock(), []  # type: ignore[var-annotated]
    return BackupWatch(folder, clock, told.append), clock, told


def names(told: list[Event]) -> list[str]:
    return [one.name for one in told]


def test_none_at_all_is_told_at_once_and_has_no_age(tmp_path: Path) -> None:
    watch, clock, told = made(tmp_path)
    watch.look(None)
    watch.look(None)
    assert (names(told), told[0].get("detail"), watch.age_s()) == (["backup_overdue"], "there is none", None)
    watch.look(BackupStatus(clock.wall_us(), clock.wall_us(), ""))
    assert (names(told)[1:], watch.age_s()) == (["backup_good_again"], 0.0)


def test_it_is_overdue_beyond_26_hours_with_the_reason_of_the_last_try(tmp_path: Path) -> None:
    watch, clock, told = made(tmp_path)
    now_us = clock.wall_us()
    at_limit = now_us - round(OVERDUE_S * 1e6)
    watch.look(BackupStatus(now_us, at_limit, ""))
    assert told == []
    watch.look(BackupStatus(now_us, at_limit - 1, "journal.db.part is damaged"))
    assert (names(told), told[0].get("detail")) == (["backup_overdue"], "journal.db.part is damaged")
    assert told[0].get("age_h") == pytest.approx(26.0)


def test_a_folder_that_cannot_be_read_does_not_hide_the_age(tmp_path: Path) -> None:
    watch, clock, told = made(tmp_path)
    now_us = clock.wall_us()
    watch.look(BackupStatus(now_us, now_us - 3_600_000_000, ""))
    watch.look(None, "disk is gone")
    assert told == []
    assert watch.age_s() == pytest.approx(3600.0)


def test_it_looks_at_the_status_file(tmp_path: Path) -> None:
    watch, clock, _ = made(tmp_path)
    write_status(tmp_path, clock.wall_us() - 5_000_000, [], "")
    status, unreadable = watch._read()
    watch.look(status, unreadable)
    assert watch.age_s() == pytest.approx(5.0)
    (tmp_path / "backup.json").write_text("{")
    assert "backup.json" in watch._read()[1]
